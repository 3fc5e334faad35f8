# Tables in the shape of the broom convention. Numbers are the program's; where a fit is weak or failed they are NA,
# and `reason` says why.

tidy.pf_fit <- function(x, level = NULL, curve = NULL, trait = NULL, weak = FALSE, conf.int = TRUE, ...) {
  tidy_terms(x, level, curve, trait, weak, conf.int)
}

tidy.pf_study <- function(x, table = c("answers", "terms", "contrasts"), level = NULL, curve = NULL, trait = NULL,
                          weak = FALSE, conf.int = TRUE, ...) {
  table <- match.arg(table)
  switch(table,
    answers = tidy_answers(x, trait, conf.int),
    terms = tidy_terms(x, level, curve, trait, weak, conf.int),
    contrasts = tidy_contrasts(x, level, curve, trait, conf.int)
  )
}

tidy_terms <- function(x, level, curve, trait, weak, conf.int) {
  rows <- selected(table_of(x, "curve_terms"), level, curve, trait)
  rows <- supported(rows, x, c("estimate", "std_error", "lower", "upper"), weak)
  columns <- c(
    level = "level", group = "strain", bird = "bird", trait = "trait", curve = "curve", term = "term",
    estimate = "estimate", std.error = "std_error", conf.low = "lower", conf.high = "upper",
    unit = "unit", status = "status", reason = "reason"
  )
  renamed(rows, columns, conf.int)
}

tidy_answers <- function(x, trait, conf.int) {
  rows <- selected(table_of(x, "answers"), NULL, NULL, trait)
  columns <- c(
    question = "question", group = "strain", group_b = "strain_b", treatment = "treatment",
    treatment_b = "treatment_b", house = "house", pen = "pen", bird = "bird", trait = "trait", term = "quantity",
    age_d = "age_d", estimate = "estimate", std.error = "std_error", conf.low = "lower", conf.high = "upper",
    p.value = "p_value", p.adjusted = "p_adjusted", unit = "unit", nobs = "n", model = "model", status = "status",
    reason = "caution"
  )
  renamed(rows, columns, conf.int)
}

tidy_contrasts <- function(x, level, curve, trait, conf.int) {
  rows <- selected(table_of(x, "contrasts"), level, curve, trait)
  columns <- c(
    level = "level", trait = "trait", curve = "curve", term = "term", group = "strain_a", group_b = "strain_b",
    estimate = "difference", std.error = "std_error", conf.low = "lower", conf.high = "upper",
    p.value = "p_value", p.adjusted = "p_adjusted", unit = "unit", status = "status", reason = "reason"
  )
  renamed(rows, columns, conf.int)
}

glance.pf_study <- function(x, level = NULL, curve = NULL, trait = NULL, ...) {
  rows <- selected(table_of(x, "curve_fits"), level, curve, trait)
  # The program counts birds in mixed models; elsewhere they are those that have residuals.
  residuals <- x$residuals
  if (!is.null(residuals)) {
    counts <- tapply(residuals$bird, fit_key(residuals), function(birds) length(unique(birds)))
    rows$birds <- ifelse(is.na(rows$birds), as.vector(counts[fit_key(rows)]), rows$birds)
  }
  columns <- c(
    level = "level", group = "strain", bird = "bird", trait = "trait", curve = "curve", nobs = "n", birds = "birds",
    sigma = "sigma", logLik = "log_lik", AIC = "aic", AICc = "aicc", BIC = "bic", parameters = "parameters",
    estimator = "estimator", criterion = "criterion", status = "status", reason = "reason"
  )
  renamed(rows, columns)
}

augment.pf_study <- function(x, level = NULL, curve = NULL, trait = NULL, weak = FALSE, ...) {
  rows <- selected(table_of(x, "residuals"), level, curve, trait)
  numbers <- c("fitted", "residual", "standardised", "marginal_fitted")
  rows <- supported(rows, x, intersect(numbers, names(rows)), weak)
  columns <- c(
    level = "level", group = "strain", bird = "bird", trait = "trait", curve = "curve", age_d = "age_d",
    observed = "observed", .fitted = "fitted", .resid = "residual", .std.resid = "standardised",
    .fixed = "marginal_fitted", status = "status", reason = "reason"
  )
  renamed(rows, columns)
}

predict.pf_study <- function(object, newdata = NULL, level = NULL, curve = NULL, trait = NULL,
                             interval = c("confidence", "simultaneous", "prediction"), weak = FALSE, ...) {
  interval <- match.arg(interval)
  rows <- drawn(object, "curves", level, curve, trait)
  limits <- paste0(c(confidence = "", simultaneous = "simultaneous_", prediction = "prediction_")[[interval]], c("lower", "upper"))
  rows <- supported(rows, object, c("fitted", limits), weak)
  columns <- c("level", "strain", "bird", "trait", "curve", "age_d", "fitted", limits, "status", "reason")
  rows <- rows[columns]
  names(rows) <- c("level", "group", "bird", "trait", "curve", "age_d", ".fitted", "conf.low", "conf.high", "status", "reason")
  rownames(rows) <- NULL
  if (is.null(newdata)) {
    return(rows)
  }
  looked_up(rows, newdata)
}

# The rows of the curves' table at the ages (and of the groups and birds) of `newdata`, in its order.
looked_up <- function(rows, newdata) {
  if (is.numeric(newdata)) {
    newdata <- data.frame(age_d = newdata)
  }
  if (!is.data.frame(newdata) || !is.numeric(newdata$age_d)) {
    pinfeather_error("newdata: expected ages in days, or a data frame with a column age_d of numbers")
  }
  asked <- newdata[intersect(c("group", "bird", "age_d"), names(newdata))]
  if (is.null(asked$bird)) {
    # Without birds the curves of groups, where there are any.
    groups <- rows[is.na(rows$bird), ]
    rows <- if (nrow(groups)) groups else rows
  }
  if (is.null(asked$group) && is.null(asked$bird)) {
    series <- unique(rows[c("group", "bird")])
    each <- rep(seq_len(nrow(series)), each = nrow(asked))
    asked <- cbind(series[each, ], asked[rep(seq_len(nrow(asked)), nrow(series)), , drop = FALSE])
  }
  by <- names(asked)[!vapply(asked, function(column) all(is.na(column)), NA)]
  key <- function(table) do.call(paste, c(lapply(table[by], plain_text), sep = "\r"))
  found <- match(key(asked), key(rows))
  if (anyNA(found)) {
    pinfeather_warning(paste0(
      sum(is.na(found)), " of ", length(found), " rows are not in the table of curves, which has whole days from ",
      min(rows$age_d), " to ", max(rows$age_d), " d for groups and the ages weighed for birds; they are NA"
    ))
  }
  answer <- rows[found, ]
  answer[names(asked)] <- asked
  rownames(answer) <- NULL
  answer
}

# Which rows ----------------------------------------------------------------------------------------------------------

selected <- function(rows, level, curve, trait) {
  for (column in c("level", "curve", "trait")) {
    wanted <- switch(column, level = level, curve = curve, trait = trait)
    if (is.null(wanted)) {
      next
    }
    missing <- setdiff(wanted, rows[[column]])
    if (length(missing)) {
      pinfeather_error(paste0(
        "no ", column, " \"", missing[1], "\" in these results; there is ", paste(unique(rows[[column]]), collapse = ", ")
      ))
    }
    rows <- rows[rows[[column]] %in% wanted, ]
  }
  rows
}

# What a row belongs to in curve_fits, where a mixed model is one fit of all birds.
fit_key <- function(rows) {
  mixed <- rows$level == "population"
  strain <- ifelse(mixed | is.na(rows$strain), "", rows$strain)
  bird <- ifelse(rows$level != "bird" | is.na(rows$bird), "", rows$bird)
  paste(rows$level, strain, bird, rows$trait, rows$curve, sep = "\r")
}

# Status and reason of each row, its own or those of its fit; numbers of weak and failed fits are NA unless they are
# asked for.
supported <- function(rows, x, numbers, weak) {
  fits <- table_of(x, "curve_fits")
  fit <- match(fit_key(rows), fit_key(fits))
  unsound <- !is.na(fit) & fits$status[fit] != "converged"
  if (is.null(rows$status)) {
    rows$status <- ifelse(is.na(fit), NA_character_, "supported")
    rows$reason <- NA_character_
  }
  change <- unsound & rows$status %in% "supported"
  rows$status[change] <- fits$status[fit][change]
  rows$reason[change] <- fits$reason[fit][change]
  if (!weak) {
    rows[unsound, numbers] <- NA_real_
  }
  rows
}

# The rows of one level and trait: of several curves the one that the program ranks first for that bird or strain.
drawn <- function(x, table, level, curve, trait) {
  rows <- table_of(x, table)
  if (is.null(level)) {
    level <- intersect(c("population", "strain", "bird"), rows$level)[1]
  }
  if (is.null(trait)) {
    trait <- if ("body_weight" %in% rows$trait) "body_weight" else rows$trait[1]
  }
  if (!nrow(rows)) {
    pinfeather_error("these results have no curves")
  }
  rows <- selected(rows, level, curve, trait)
  choice <- x$curve_choice
  if (is.null(curve) && !is.null(choice)) {
    best <- fit_key(choice[choice$rank %in% 1, ])
    rows <- rows[rows$level == "population" | fit_key(rows) %in% best, ]
  }
  rows
}

renamed <- function(rows, columns, conf.int = TRUE) {
  if (!conf.int) {
    columns <- columns[setdiff(names(columns), c("conf.low", "conf.high"))]
  }
  columns <- columns[columns %in% names(rows)]
  rows <- rows[columns]
  names(rows) <- names(columns)
  rownames(rows) <- NULL
  rows
}
