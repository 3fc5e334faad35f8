# Finding the program, calling it, and turning its messages into R conditions.

pf_program <- function(check = TRUE) {
  named <- getOption("pinfeather.program", "")
  source <- "the option pinfeather.program"
  if (!nzchar(named)) {
    named <- Sys.getenv("PINFEATHER")
    source <- "the environment variable PINFEATHER"
  }
  found <- if (nzchar(named)) named else unname(Sys.which("pinfeather"))
  found <- path.expand(found)
  runs <- nzchar(found) && file.exists(found) && !dir.exists(found) &&
    file.access(found, mode = 1) == 0
  if (runs) {
    return(normalizePath(found, winslash = "/"))
  }
  if (!check) {
    return("")
  }
  why <- if (nzchar(named)) {
    paste0(source, " names '", named, "', which is no program that can be run")
  } else {
    "it is not on the PATH, and neither the option pinfeather.program nor the environment variable PINFEATHER names it"
  }
  pinfeather_error(paste0(
    "the program pinfeather was not found: ", why, ".\n",
    "Build it in its source folder (cargo build --release), then name it:\n",
    "  options(pinfeather.program = \"/path/to/target/release/pinfeather\")"
  ))
}

pinfeather_error <- function(message, ...) {
  fields <- list(message = message, call = NULL, ...)
  stop(structure(fields, class = c("pinfeather_error", "error", "condition")))
}

pinfeather_warning <- function(message) {
  fields <- list(message = message, call = NULL)
  warning(structure(fields, class = c("pinfeather_warning", "warning", "condition")))
}

# The options of the program from named R values: an underscore or a dot in a name is a hyphen,
# TRUE is the option alone, several values are joined by commas.
option_arguments <- function(options) {
  if (length(options) && (is.null(names(options)) || any(!nzchar(names(options))))) {
    pinfeather_error("every option of the program needs its name, such as age_unit = \"weeks\"")
  }
  one <- function(name, value) {
    flag <- paste0("--", gsub("[._]", "-", name))
    if (is.null(value) || isFALSE(value)) {
      return(character())
    }
    if (isTRUE(value)) {
      return(flag)
    }
    if (!is.atomic(value) || !length(value) || anyNA(value)) {
      pinfeather_error(paste0("option ", name, ": expected text, numbers, TRUE or FALSE, none of them missing"))
    }
    paste0(flag, "=", paste(plain_text(value), collapse = ","))
  }
  unlist(Map(one, names(options), options), use.names = FALSE)
}

# Values as text: numbers with the 15 digits that a double has for certain, dates as 2026-03-02.
plain_text <- function(values) {
  if (is.numeric(values) && !is.object(values)) {
    sprintf("%.15g", values)
  } else {
    enc2utf8(as.character(values))
  }
}

# Runs a command of the program. `folder` is the temporary folder whose path is left out of all messages; `rows_in_r`
# says that the table came from a data frame, whose rows are one less than those of the table.
call_program <- function(arguments, folder, rows_in_r = FALSE) {
  program <- pf_program()
  out <- tempfile("pinfeather-out")
  messages <- tempfile("pinfeather-messages")
  on.exit(unlink(c(out, messages)))
  status <- system2(program, shQuote(arguments), stdout = out, stderr = messages)
  text <- function(file) {
    lines <- if (file.exists(file)) readLines(file, warn = FALSE, encoding = "UTF-8") else character()
    gsub(paste0(folder, "/"), "", lines, fixed = TRUE)
  }
  said <- sorted_messages(text(messages))
  # 1: done, but something needs attention and `strict` was given.
  if (!status %in% c(0, 1)) {
    fail(said, status, rows_in_r)
  }
  # The last line of the summary names the folder of the results, which may be gone when it is read.
  summary <- text(out)
  summary <- summary[!grepl("  everything else$", summary)]
  list(summary = summary, warnings = said$warning, notes = said$note, status = status)
}

# Lines of standard error by what they begin with; a line without such a word belongs to the message before.
sorted_messages <- function(lines) {
  left_out <- "^(written to |Usage: |For more information|  tip: to pass )"
  lines <- lines[nzchar(lines) & !grepl(left_out, lines)]
  found <- list(error = character(), warning = character(), note = character(), other = character())
  kind <- "other"
  for (line in lines) {
    start <- regmatches(line, regexpr("^(error|warning|note): ", line))
    if (length(start)) {
      kind <- sub(": $", "", start)
      found[[kind]] <- c(found[[kind]], substring(line, nchar(start) + 1))
    } else if (length(found[[kind]])) {
      last <- length(found[[kind]])
      found[[kind]][last] <- paste0(found[[kind]][last], "\n", line)
    } else {
      found[[kind]] <- line
    }
  }
  found
}

fail <- function(said, status, rows_in_r) {
  errors <- said$error
  if (!length(errors)) {
    errors <- c(said$other, paste("the program ended with status", status))
  }
  faults <- faults_of(errors, rows_in_r)
  message <- paste(errors, collapse = "\n")
  if (rows_in_r && any(faults$row > 1, na.rm = TRUE)) {
    message <- paste0(message, "\n(Row 1 of the table is its header: row 2 is the first row of the data frame.)")
  }
  pinfeather_error(message, status = status, messages = errors, faults = faults)
}

# File, row and column of each error that has them.
faults_of <- function(errors, rows_in_r) {
  pattern <- "^([^\n]*?), row ([0-9]+)(, column ([^:]+))?: (.*)$"
  parts <- regmatches(errors, regexec(pattern, errors, perl = TRUE))
  part <- function(i) vapply(parts, function(p) if (length(p) && nzchar(p[i])) p[i] else NA_character_, "")
  row <- as.integer(part(3))
  data.frame(
    file = part(2), row = row, data_row = if (rows_in_r) ifelse(row > 1L, row - 1L, NA_integer_) else rep(NA_integer_, length(row)),
    column = part(5), message = errors, stringsAsFactors = FALSE
  )
}
