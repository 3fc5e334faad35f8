# pf_fit and pf_run.

pf_fit <- function(data, bird = NULL, age = NULL, weight = NULL, group = NULL, curve = NULL, level = NULL, ...,
                   date = NULL, hatch_date = NULL, pen = NULL, house = NULL, out = NULL) {
  if (!is.data.frame(data)) {
    pinfeather_error("data: expected a data frame with one row a weighing; pf_run() takes files and study folders")
  }
  asked <- list(
    bird = substitute(bird), age = substitute(age), value = substitute(weight), group = substitute(group),
    date = substitute(date), hatch_date = substitute(hatch_date), pen = substitute(pen), house = substitute(house)
  )
  where <- parent.frame()
  columns <- list()
  for (option in names(asked)) {
    columns[[option]] <- column_name(asked[[option]], option, data, where)
  }
  options <- c(columns, list(curve = curve, level = level), list(...))
  run_command("fit", data, options, out, table_name(substitute(data)), unlist(columns), "pf_fit")
}

# The name of a column, given as a string, as a bare name, or as a variable that holds a string. What is no column is
# left to the program, which has an error for it that names the columns and the nearest.
column_name <- function(given, option, data, where) {
  if (is.symbol(given)) {
    name <- as.character(given)
    if (name %in% names(data)) {
      return(name)
    }
    value <- tryCatch(eval(given, where), error = function(e) name)
    if (!is.null(value) && !(is.character(value) && length(value) == 1)) {
      value <- name
    }
  } else {
    value <- eval(given, where)
  }
  if (!is.null(value) && !(is.character(value) && length(value) == 1 && !is.na(value))) {
    pinfeather_error(paste0(option, ": expected the name of one column"))
  }
  value
}

# The name of the temporary table, which the program's messages and titles repeat.
table_name <- function(expression) {
  name <- if (is.symbol(expression)) as.character(expression) else ""
  if (grepl("^[A-Za-z][A-Za-z0-9._-]*$", name)) name else "data"
}

pf_run <- function(study, out = NULL, ..., command = "run") {
  command <- match.arg(command, c("run", "fit", "contrast", "target", "onset", "repeatability", "calibrate", "correct"))
  options <- list(...)
  if (!is.data.frame(study) && !(is.character(study) && length(study) == 1 && !is.na(study))) {
    pinfeather_error("study: expected the path of a study folder or of a table, or a data frame")
  }
  # Figures that nobody can look at afterwards are drawn in the cheapest format.
  if (command == "run" && is.null(out) && is.null(options$format)) {
    options$format <- "svg"
  }
  run_command(command, study, options, out, table_name(substitute(study)), character(), character())
}
