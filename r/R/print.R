print.pf_study <- function(x, ...) {
  about <- attr(x, "about")
  if (length(about$summary)) {
    cat(about$summary, sep = "\n")
  } else {
    cat("Results of pinfeather\n")
    if (NROW(x$answers)) {
      counts <- table(factor(x$answers$question, unique(x$answers$question)))
      cat(sprintf("  %s %d rows", names(counts), counts), sep = "\n")
    }
  }
  if (!is.null(x$curve_fits)) {
    counts <- table(x$curve_fits$status)
    cat("fits: ", paste(counts, names(counts), collapse = ", "), "\n", sep = "")
  }
  cat("tables: ", paste(names(x), collapse = ", "), "\n", sep = "", fill = FALSE)
  invisible(x)
}

summary.pf_study <- function(object, ...) {
  about <- attr(object, "about")
  groups <- function(rows) if (all(rows$level == "bird")) rows else rows[rows$level != "bird" & is.na(rows$bird), ]
  answer <- list(summary = about$summary, warnings = about$warnings, notes = about$notes)
  if (!is.null(object$curve_fits)) {
    answer$fits <- groups(glance(object))
    answer$terms <- groups(tidy_terms(object, NULL, NULL, NULL, FALSE, TRUE))
  }
  structure(answer, class = "summary.pf_study")
}

print.summary.pf_study <- function(x, digits = 4, ...) {
  cat(x$summary, sep = "\n")
  show <- function(title, rows) {
    if (!NROW(rows)) {
      return(invisible())
    }
    cat("\n", title, "\n", sep = "")
    filled <- !vapply(rows, function(column) all(is.na(column)), NA)
    rows <- rows[filled]
    error <- rows$std.error
    rows[] <- lapply(names(rows), function(name) {
      column <- rows[[name]]
      of_error <- name %in% c("estimate", "std.error", "conf.low", "conf.high")
      if (is.numeric(column)) shown_number(column, if (of_error) error, digits) else ifelse(is.na(column), "", column)
    })
    print(rows, row.names = FALSE, right = FALSE)
  }
  show("Fits", x$fits)
  show("Terms and derived quantities", x$terms)
  for (word in c("warnings", "notes")) {
    if (length(x[[word]])) {
      cat("\n", sub("s$", "", word), ": ", sep = "")
      cat(x[[word]], sep = paste0("\n", sub("s$", "", word), ": "))
      cat("\n")
    }
  }
  invisible(x)
}

# Numbers as text: those with a standard error to two digits of it, others to `digits` significant digits.
shown_number <- function(values, error, digits) {
  if (is.null(error)) {
    error <- rep(NA_real_, length(values))
  }
  decimals <- ifelse(is.na(error) | error <= 0, NA, pmax(0, 1 - floor(log10(error))))
  text <- ifelse(is.na(decimals), vapply(values, format, "", digits = digits), sprintf("%.*f", as.integer(ifelse(is.na(decimals), 0, decimals)), values))
  ifelse(is.na(values), "", text)
}
