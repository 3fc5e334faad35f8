test_that("a column that does not exist is an error that names it and the nearest", {
  skip_without_program()
  fault <- error_of(pf_fit(pullets, ring, dayz, grams))
  expect_s3_class(fault, "pinfeather_error")
  expect_match(conditionMessage(fault), 'pullets.csv, row 1: .*expected a column "dayz".*perhaps "days" is meant')
  expect_equal(fault$status, 2)
  expect_match(conditionMessage(error_of(pf_fit(pullets, c("ring", "line"), days, grams))), "bird: expected the name of one column")
})

test_that("text in a column of numbers is an error with row and column", {
  skip_without_program()
  spoilt <- pullets
  spoilt$grams <- replace(as.character(spoilt$grams), c(4, 9), c("heavy", "1,5"))
  fault <- error_of(pf_fit(spoilt, ring, days, grams, line))
  expect_match(conditionMessage(fault), 'spoilt.csv, row 5, column grams: found "heavy"')
  expect_match(conditionMessage(fault), "row 2 is the first row of the data frame")
  expect_equal(fault$faults$data_row, c(4L, 9L))
  expect_equal(fault$faults$column, c("grams", "grams"))
})

test_that("numbers that are not finite, empty tables and unknown options are errors", {
  skip_without_program()
  spoilt <- transform(pullets, grams = replace(grams, 2, Inf))
  expect_error(pf_fit(spoilt, ring, days, grams), "row 3, column grams", class = "pinfeather_error")
  expect_error(pf_fit(pullets[0, ], ring, days, grams), class = "pinfeather_error")
  expect_error(gompertz_fit(colour = "red"), "--colour", class = "pinfeather_error")
  expect_error(gompertz_fit(level = "flock"), "flock", class = "pinfeather_error")
  expect_error(gompertz_fit(7), "level", class = "pinfeather_error")
  expect_error(gompertz_fit(seed = NA), "seed", class = "pinfeather_error")
  expect_error(pf_fit(as.list(pullets)), "data frame", class = "pinfeather_error")
})

test_that("names with marks, quotes and letters beyond ASCII come back as they are", {
  skip_without_program()
  skip_if_not(l10n_info()$`UTF-8`)
  odd <- transform(pullets, ring = as.character(ring))
  odd$ring[odd$ring == "G01-1"] <- "H\u00fchnchen, \"die\" 1"
  odd$ring[odd$ring == "G01-2"] <- "007"
  odd$ring[odd$ring == "G01-3"] <- "7"
  # The program asks whether 7 and 007 are one bird.
  expect_warning(fit <- pf_fit(odd, ring, days, grams, line, "gompertz", "bird"), "007", class = "pinfeather_warning")
  expect_setequal(unique(tidy(fit)$bird), unique(odd$ring))
})

test_that("a warning of the program is an R warning", {
  skip_without_program()
  heavy <- transform(pullets, grams = replace(grams, 5, 12414))
  given <- character()
  withCallingHandlers(
    pf_fit(heavy, ring, days, grams, line, "gompertz", "strain"),
    pinfeather_warning = function(w) {
      given <<- c(given, conditionMessage(w))
      invokeRestart("muffleWarning")
    }
  )
  expect_match(given, "heavy.csv, row 6: bird G01-1 at 83 d, 12414 g", all = FALSE)
})

test_that("without the program the error has what to do", {
  old <- options(pinfeather.program = file.path(tempdir(), "no-such-program"))
  on.exit(options(old))
  expect_equal(pf_program(check = FALSE), "")
  expect_error(pf_program(), "option pinfeather.program names .*cargo build", class = "pinfeather_error")
  expect_error(pf_fit(pullets, ring, days, grams), "was not found", class = "pinfeather_error")
})

test_that("a program that is not this one is an error and nothing is returned", {
  skip_on_os("windows")
  false <- Sys.which("false")
  skip_if_not(nzchar(false))
  old <- options(pinfeather.program = unname(false))
  on.exit(options(old))
  expect_error(pf_fit(pullets, ring, days, grams), "no folder of results|ended with status", class = "pinfeather_error")
})
