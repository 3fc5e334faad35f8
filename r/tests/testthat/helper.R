skip_without_program <- function() {
  skip_if_not(nzchar(pf_program(check = FALSE)), "the program pinfeather")
}

gompertz_fit <- function(...) {
  pf_fit(pullets, bird = ring, age = days, weight = grams, group = line, curve = "gompertz", ...)
}

error_of <- function(code) tryCatch(code, pinfeather_error = identity)
