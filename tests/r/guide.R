# The R code of a chapter, run and compared with what is printed there: lines "#> ..." are the output of the
# expression above. With a second argument "write" the chapter is written anew.
arguments <- commandArgs(TRUE)
page <- readLines(arguments[1], encoding = "UTF-8")
options(width = 100)
pdf(NULL)

run <- function(code) {
  code <- code[!startsWith(code, "#>")]
  parsed <- parse(text = code, keep.source = TRUE)
  references <- attr(parsed, "srcref")
  unlist(lapply(seq_along(parsed), function(i) {
    printed <- capture.output({
      value <- withVisible(eval(parsed[[i]], globalenv()))
      if (value$visible) print(value$value)
    })
    c(as.character(references[[i]]), if (length(printed)) sub(" +$", "", paste("#>", printed)))
  }))
}

now <- character()
block <- NULL
for (line in page) {
  if (is.null(block)) {
    now <- c(now, line)
    if (line == "```r") block <- character()
  } else if (line == "```") {
    now <- c(now, run(block), line)
    block <- NULL
  } else {
    block <- c(block, line)
  }
}
if (length(arguments) > 1) {
  writeLines(now, arguments[1], useBytes = TRUE)
} else if (!identical(enc2utf8(now), enc2utf8(page))) {
  writeLines(now)
  stop(arguments[1], " does not have what its R code prints now, which stands above")
}
