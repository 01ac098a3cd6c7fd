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

# ---- curves: fitted by least squares at each of many shapes (join, range, k); the best shape is closed in on

rise <- list(
  LP = function(x, join) pmin(x, join), QP = function(x, join) -pmax(join - x, 0)^2,
  MIT = function(x, k) -exp(-k * x), SPH = function(x, r) ifelse(x < r, 1.5 * x / r - 0.5 * (x / r)^3, 1))
rss_at <- function(key, s, x, y) sum(lm.fit(cbind(1, rise[[key]](x, s)), y)$residuals^2)

fit_shape <- function(key, x, y) {
  positive <- sort(unique(x[x > 0]))
  low <- min(positive) * 1e-3
  high <- max(x) * 1e3
  grid <- sort(unique(c(10^seq(log10(low), log10(high), length.out = 3000), seq(low, 2 * max(x), length.out = 3000))))
  if (key == "MIT") grid <- rev(1 / grid)
  value <- vapply(grid, function(s) rss_at(key, s, x, y), 0)
  k <- which.min(value)
  ends <- grid[c(max(k - 1, 1), min(k + 1, length(grid)))]
  best <- optimize(function(s) rss_at(key, s, x, y), ends, tol = 1e-12)
  list(shape = best$minimum, rss = min(best$objective, value[k]))
}
rss_of <- function(key, x, y) {
  design <- list(MEAN = cbind(1 + 0 * x), LIN = cbind(1, x), QUAD = cbind(1, x, x^2), SQRT = cbind(1, sqrt(x), x))
  if (key %in% names(design)) sum(lm.fit(design[[key]], y)$residuals^2) else fit_shape(key, x, y)$rss
}
