# Shared by the scripts beside this file, which compute the values that tests name "R". Run from the root of the
# checkout, e.g.  Rscript tests/reference/r/strips.R ; each value is printed beside the one the test holds, and a
# script ends with an error if any differs. Run with R 4.2.2 (Debian 12: r-base-core 4.2.2.20221110), lme4 1.1-31,
# nlme 3.1-162, emmeans 1.8.4-1 and metafor 3.8-1, from Debian's packages r-cran-*.

open_data <- function(name) read.csv(file.path("tests", "reference", "response", name))

wrong <- 0
expect <- function(what, value, held, within) {
  value <- as.numeric(value)
  good <- length(value) == length(held) && all(abs(value - held) <= within)
  if (!good) wrong <<- wrong + 1
  cat(sprintf("%-5s %-48s %s | %s\n", if (good) "same" else "WRONG", what,
              paste(format(value, digits = 9), collapse = " "), paste(format(held, digits = 9), collapse = " ")))
}
finish <- function() {
  cat(sprintf("%d differ\n", wrong))
  if (wrong > 0) quit(status = 1)
}
