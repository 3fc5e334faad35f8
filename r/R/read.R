# Tables between R and the program.

pf_read <- function(results) {
  folder <- path.expand(results)
  tables <- file.path(folder, "tables")
  if (!dir.exists(tables)) {
    tables <- folder
  }
  files <- list.files(tables, pattern = "[.]csv$", full.names = TRUE)
  names(files) <- sub("[.]csv$", "", basename(files))
  if (!"dictionary" %in% names(files)) {
    pinfeather_error(paste0(
      "'", results, "' is no folder of results: it has no tables/dictionary.csv, which every command writes"
    ))
  }
  dictionary <- read_table(files[["dictionary"]], character())
  names <- c(intersect("answers", names(files)), setdiff(names(files), c("answers", "dictionary")))
  read <- lapply(names, function(name) {
    of_table <- dictionary[dictionary$table == name, ]
    read_table(files[[name]], of_table$column[!is.na(of_table$unit)])
  })
  names(read) <- names
  new_study(c(read, list(dictionary = dictionary)), list(warnings = recorded_warnings(folder)))
}

# A column is of numbers where the dictionary has a unit for it; an empty cell is NA.
read_table <- function(file, numbers) {
  header <- scan(file, "", nlines = 1, sep = ",", quiet = TRUE, encoding = "UTF-8")
  classes <- ifelse(header %in% numbers, "numeric", "character")
  read.csv(file,
    colClasses = classes, na.strings = "", check.names = FALSE, encoding = "UTF-8",
    quote = "\"", comment.char = "", strip.white = FALSE
  )
}

new_study <- function(tables, about = list(), class = character()) {
  structure(tables, about = about, class = c(class, "pf_study"))
}

# A table by name, or an error that lists those there are.
table_of <- function(x, name) {
  table <- x[[name]]
  if (is.null(table)) {
    pinfeather_error(paste0("these results have no table ", name, "; they have ", paste(names(x), collapse = ", ")))
  }
  table
}

# A data frame as a CSV file in UTF-8. Written byte by byte, so that the language of the session does not matter.
write_data <- function(data, file, named) {
  data <- as.data.frame(data)
  atomic <- vapply(data, function(column) is.atomic(column) && is.null(dim(column)), NA)
  lists <- intersect(names(data)[!atomic], named)
  if (length(lists)) {
    pinfeather_error(paste0("column ", lists[1], " is neither text nor numbers nor dates"))
  }
  data <- data[atomic]
  if (!length(data)) {
    pinfeather_error("the data frame has no columns")
  }
  quoted <- function(text) paste0("\"", gsub("\"", "\"\"", enc2utf8(text), fixed = TRUE), "\"")
  cells <- lapply(data, function(column) {
    text <- plain_text(column)
    numbers <- is.numeric(column) && !is.object(column)
    ifelse(is.na(column), "", if (numbers) text else quoted(text))
  })
  rows <- if (nrow(data)) do.call(paste, c(unname(cells), sep = ",")) else character()
  connection <- base::file(file, "wb")
  on.exit(close(connection))
  writeLines(c(paste(quoted(names(data)), collapse = ","), rows), connection, useBytes = TRUE)
}

temporary_folder <- function() {
  folder <- tempfile("pinfeather")
  dir.create(folder)
  normalizePath(folder, winslash = "/")
}

# Writes the table, runs the command on it (or on the study) and reads what it wrote.
run_command <- function(command, input, options, out, name, named, class) {
  folder <- temporary_folder()
  on.exit(unlink(folder, recursive = TRUE))
  from_r <- is.data.frame(input)
  if (from_r) {
    file <- file.path(folder, paste0(name, ".csv"))
    write_data(input, file, named)
    # R has written the table: nothing in it is ambiguous.
    options <- c(options, list(separator = "comma", decimal = "point")[setdiff(c("separator", "decimal"), names(options))])
  } else {
    file <- path.expand(input)
  }
  results <- if (is.null(out)) file.path(folder, "results") else path.expand(out)
  arguments <- c(command, file, option_arguments(options), paste0("--out=", results))
  about <- call_program(arguments, folder, from_r)
  about$out <- out
  about$command <- command
  study <- pf_read(results)
  # A whole run counts its warnings on the screen and has their text in its record.
  recorded <- gsub(paste0(folder, "/"), "", attr(study, "about")$warnings, fixed = TRUE)
  about$warnings <- union(about$warnings, recorded)
  for (message in about$warnings) {
    pinfeather_warning(message)
  }
  new_study(unclass(study), about, class)
}

# The warnings in the record of a run, run.json, in which each stands on a line of its own.
recorded_warnings <- function(folder) {
  file <- file.path(folder, "run.json")
  lines <- if (file.exists(file)) readLines(file, warn = FALSE, encoding = "UTF-8") else character()
  start <- which(lines == "  \"warnings\": [")
  end <- which(lines == "  ],")
  end <- end[end > start[1]][1]
  if (!length(start) || is.na(end) || end == start[1] + 1) {
    return(character())
  }
  text <- sub("^ *\"(.*)\",?$", "\\1", lines[(start[1] + 1):(end - 1)])
  gsub("\\n", "\n", gsub("\\\\([\"\\\\/])", "\\1", text), fixed = TRUE)
}
