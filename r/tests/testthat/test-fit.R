test_that("terms are those of nls, by bird and by group", {
  skip_without_program()
  fit <- gompertz_fit()
  terms <- tidy(fit)
  compare <- function(rows, mine) {
    # nls stops where rounding lets no step be shorter; how near it came is asked for below.
    by_nls <- suppressWarnings(nls(
      grams ~ A * exp(-exp(-k * (days - ti))), rows,
      start = list(A = 1600, k = 0.03, ti = 45),
      control = nls.control(tol = 1e-9, maxiter = 200, warnOnly = TRUE)
    ))
    expect_lt(by_nls$convInfo$finTol, 1e-7)
    table <- summary(by_nls)$coefficients
    mine <- mine[match(rownames(table), mine$term), ]
    expect_equal(mine$estimate, unname(table[, "Estimate"]), tolerance = 1e-6)
    expect_equal(mine$std.error, unname(table[, "Std. Error"]), tolerance = 1e-6)
    df <- df.residual(by_nls)
    expect_equal(mine$conf.high, unname(table[, 1] + qt(0.975, df) * table[, 2]), tolerance = 1e-6)
    by_nls
  }
  for (group in levels(pullets$line)) {
    by_nls <- compare(pullets[pullets$line == group, ], terms[terms$level == "strain" & terms$group == group, ])
    one <- glance(fit, level = "strain")
    one <- one[one$group == group, ]
    expect_equal(one$logLik, as.numeric(logLik(by_nls)), tolerance = 1e-6)
    expect_equal(one$AIC, AIC(by_nls), tolerance = 1e-6)
    expect_equal(one$sigma, sigma(by_nls), tolerance = 1e-6)
    expect_equal(one$nobs, nobs(by_nls))
    expect_equal(one$birds, length(unique(pullets$ring[pullets$line == group])))
    residuals <- augment(fit, level = "strain")
    residuals <- residuals[residuals$group == group, ]
    key <- paste(residuals$bird, residuals$age_d)
    rows <- pullets[pullets$line == group, ]
    expect_equal(
      residuals$.resid[match(paste(rows$ring, rows$days), key)], as.numeric(residuals(by_nls)),
      tolerance = 1e-6
    )
  }
  for (bird in levels(pullets$ring)) {
    compare(pullets[pullets$ring == bird, ], terms[terms$bird %in% bird, ])
  }
})

test_that("columns may be bare names, strings, or variables; what is given is kept apart from what is not", {
  skip_without_program()
  bare <- gompertz_fit(level = "strain")
  column <- "ring"
  other <- pf_fit(pullets, bird = column, age = "days", weight = "grams", group = "line", curve = "gompertz", level = "strain")
  expect_identical(tidy(bare), tidy(other))
  wrapped <- (function(d, b) pf_fit(d, b, days, grams, line, "gompertz", "strain"))(pullets, "ring")
  expect_identical(tidy(bare), tidy(wrapped))
  usual <- setNames(pullets, c("bird", "strain", "age_d", "weight_g"))
  found <- suppressWarnings(pf_fit(usual, curve = "gompertz", level = "strain"))
  expect_equal(tidy(bare), tidy(found))
  one <- suppressWarnings(pf_fit(pullets, ring, days, grams, "none", "gompertz", "strain"))
  expect_equal(nrow(glance(one)), 1)
})

test_that("options reach the program", {
  skip_without_program()
  weeks <- transform(pullets, weeks = days / 7)
  in_weeks <- pf_fit(weeks, ring, weeks, grams, line, "gompertz", "strain", age_unit = "weeks", confidence = 0.9)
  in_days <- gompertz_fit(level = "strain", at_age = c(70, 126))
  a <- tidy(in_weeks)
  b <- tidy(in_days)
  expect_equal(a$estimate[a$term == "A"], b$estimate[b$term == "A"], tolerance = 1e-6)
  expect_true(all((a$conf.low > b$conf.low[match(paste(a$group, a$term), paste(b$group, b$term))])[a$term == "A"]))
  expect_true(nrow(b) > nrow(a))
})

test_that("a mixed model has one fit, its birds, and typical curves", {
  skip_without_program()
  fit <- gompertz_fit(level = "population")
  expect_s3_class(fit, c("pf_fit", "pf_study"), exact = TRUE)
  expect_equal(glance(fit)$birds, 15)
  expect_equal(glance(fit)$status, "converged")
  expect_true(all(c(".fitted", ".resid", ".std.resid", ".fixed") %in% names(augment(fit))))
  expect_equal(nrow(augment(fit)), nrow(pullets))
  at <- predict(fit, c(70, 126))
  expect_equal(nrow(at), 6)
  expect_true(all(at$conf.low < at$.fitted & at$.fitted < at$conf.high))
  typical <- fit$answers[fit$answers$quantity == "typical_mass", ]
  expect_equal(predict(fit, typical$age_d[1])$.fitted, typical$estimate)
  expect_warning(off <- predict(fit, 70.5), "3 of 3 rows", class = "pinfeather_warning")
  expect_true(all(is.na(off$.fitted)))
  expect_output(print(fit), "15 birds weighed")
  expect_output(print(summary(fit)), "mature_weight")
  expect_silent({
    pdf(NULL)
    plot(fit)
    plot(fit, "residuals")
    dev.off()
  })
})

test_that("a fit that is not supported has no numbers and its reason", {
  skip_without_program()
  few <- pullets[pullets$ring != "G01-1" | pullets$days < 70, ]
  expect_warning(fit <- pf_fit(few, ring, days, grams, line, "gompertz", "bird"), "weak", class = "pinfeather_warning")
  weak <- tidy(fit)[tidy(fit)$bird == "G01-1", ]
  expect_true(all(is.na(weak[c("estimate", "std.error", "conf.low", "conf.high")])))
  expect_true(all(weak$status %in% c("weak", "not estimable")))
  expect_match(weak$reason[1], "4 values for 3 terms")
  shown <- tidy(fit, weak = TRUE)
  expect_false(is.na(shown$estimate[shown$bird == "G01-1" & shown$term == "A"]))
  expect_equal(sum(glance(fit)$status == "weak"), 1)
  expect_true(all(is.na(augment(fit)$.fitted[augment(fit)$bird == "G01-1"])))
  expect_silent({
    pdf(NULL)
    plot(fit)
    dev.off()
  })
})

test_that("temporary files are removed", {
  skip_without_program()
  before <- list.files(tempdir())
  gompertz_fit(level = "strain")
  error_of(pf_fit(pullets, ring, dayz, grams))
  expect_equal(list.files(tempdir()), before)
})
