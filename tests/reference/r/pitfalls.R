# Numerical traps: tests/response/test_pitfalls.py.
source("tests/reference/r/common.R")
five <- seq(0, 200, 50)
quadratic <- function(x, y) lm(y ~ x + I(x^2))
vertex <- function(fit, ratio = 0) unname((coef(fit)[2] - ratio) / (-2 * coef(fit)[3]))

# ---- joins between two rates: every join up to the first rate above zero fits alike, and no other so well
flat_until <- function(what, x, y, first, squares = NULL) {
  inside <- sapply(seq(first / 20, first, length.out = 20), function(join) rss_at("LP", join, x, y))
  beyond <- sapply(seq(1.02 * first, max(x), length.out = 400), function(join) rss_at("LP", join, x, y))
  expect(paste(what, ": alike, and better"), c(diff(range(inside)), min(beyond) > max(inside)), c(0, 1), 1e-9)
  if (!is.null(squares)) expect(paste(what, ": squares"), inside[1], squares, 1e-9)
}
flat_until("three rates alike", c(0, 50, 100, 150), c(5, 9, 9, 9), 50, 0)
flat_until("near flat", c(0, 40, 80, 120, 160), c(5, 9.1, 8.9, 9.0, 9.0), 40, 0.02)
hunter <- open_data("hunter_corn_n.csv")
for (place in list(c("Benedict", 1952), c("Custer", 1951), c("Malheur", 1950))) {
  mine <- hunter[hunter$loc == place[1] & hunter$year == place[2], ]
  flat_until(paste(place, collapse = " "), mine$n_lb_ac, mine$yield_bu_ac, 50)
}
engelstad <- open_data("engelstad_corn_n.csv")
mine <- engelstad[engelstad$loc == "Knoxville" & engelstad$year == 1965, ]
flat_until("Knoxville 1965", mine$n_kg_ha, mine$yield_q_ha, 67)
fit <- lm(y ~ pmin(x, 80), data.frame(x = c(0, 40, 80, 120, 160), y = c(5, 7, 9, 9, 9)))
expect("an identified join", c(coef(fit), fit_shape("LP", c(0, 40, 80, 120, 160), c(5, 7, 9, 9, 9))$shape),
       c(5, 0.05, 80), 1e-5)

# ---- several minima: the best join, and the best of the others
minimum <- function(y, ends) {
  found <- optimize(function(join) rss_at("LP", join, 0:5, y), ends, tol = 1e-10)
  c(found$minimum, found$objective)
}
best <- fit_shape("LP", 0:5, c(0, 4, 3, 5, 5, 6))
expect("minima: best", c(best$shape, best$rss), c(3.285714, 4.7), 1e-6)
expect("minima: other", minimum(c(0, 4, 3, 5, 5, 6), c(1.01, 1.99)), c(1.1875, 4.75), 1e-6)
best <- fit_shape("LP", 0:5, c(0, 3, 4, 4, 5, 6))
expect("near tie: best", c(best$shape, best$rss), c(2.333333, 2.666667), 1e-6)
other <- minimum(c(0, 3, 4, 4, 5, 6), c(4.01, 4.99))
expect("near tie: other, its F", c(other, 3 * (other[2] / best$rss - 1)), c(4.545, 2.70, 0.0375), c(1e-3, 1e-6, 1e-6))
expect("near tie: quantiles of the levels 0.2 and 0.1", qf(c(0.2, 0.1), 1, 3), c(0.0765, 0.0187), 5e-5)

# ---- no response, still rising, convex, extrapolated, running away
y <- c(10.1, 9.9, 10.0, 10.2, 9.8)
expect("no response: squares of mean and line", c(sum((y - mean(y))^2), fit_shape("LP", five, y)$rss), c(0.1, 0.0875), 1e-9)
expect("no response: vertex", vertex(quadratic(five, y)), 65, 1e-6)
expect("still rising: vertex", vertex(quadratic(five, c(4, 5.1, 6, 7.1, 8))), 1850, 1.85)
fit <- quadratic(five, c(4, 4.2, 4.9, 6.1, 8))
expect("convex: curvature, net at the ends", c(coef(fit)[3], predict(fit)[c(1, 5)] - 0.01 * c(0, 200)),
       c(1.114e-4, 4.017, 5.977), c(1e-7, 1e-3, 1e-3))
fit <- quadratic(c(0, 40, 80, 120), c(4, 6, 7.4, 8.2))
expect("extrapolated", c(coef(fit), vertex(fit, 0.0175)), c(4, 0.0575, -1.875e-4, 106.6667), c(1e-9, 1e-9, 1e-9, 1e-4))
wheat <- open_data("bachmaier_wheat_n.csv")
b <- coef(lm(yield_t_ha ~ sqrt(n_kg_ha) + n_kg_ha, wheat[wheat$zone == "high", ]))
expect("square root", (b[2] / (2 * (0.6 / 110 - b[3])))^2, 2933.9, 0.05)

# ---- plots and their means
plots <- data.frame(x = rep(five, each = 3),
                    y = c(4.1, 4.6, 4.4, 6.3, 6.9, 6.4, 7.6, 7.9, 8.3, 8.2, 8.8, 8.4, 8.5, 8.3, 8.7))
means <- aggregate(y ~ x, plots, mean)
of_plots <- quadratic(plots$x, plots$y)
of_means <- quadratic(means$x, means$y)
expect("plots", coef(of_plots), c(4.386667, 0.04973333, -1.466667e-4), c(1e-6, 1e-8, 1e-10))
expect("means", coef(of_means), coef(of_plots), 1e-9)
pure <- sum(resid(lm(y ~ factor(x), plots))^2)
expect("squares of plots, means, pure error", c(deviance(of_plots), deviance(of_means), pure),
       c(0.8773333, 0.01022222, 0.8466667), c(1e-7, 1e-8, 1e-7))
lack <- anova(of_plots, lm(y ~ factor(x), plots))
expect("lack of fit", c(lack[2, "F"], lack[2, "Pr(>F)"]), c(0.1811, 0.837), c(5e-5, 6e-4))
se <- function(fit) {
  slope <- c(0, -1 / (2 * coef(fit)[3]), -vertex(fit, 0.005) / coef(fit)[3])
  sqrt(drop(slope %*% vcov(fit) %*% slope))
}
expect("standard errors of the optimum", c(se(of_plots), se(of_means)), c(6.8568, 3.1401), 5e-4)

# ---- sites, scale, a high R2
sites <- data.frame(x = c(0, 50, 100, 100, 150, 200), y = c(10, 10.8, 11.2, 5, 5.8, 6.2), site = rep(c("A", "B"), each = 3))
expect("slope with and without sites", c(coef(lm(y ~ site + x, sites))["x"], coef(lm(y ~ x, sites))["x"]),
       c(0.0120, -0.0252), 5e-5)
expect("scaled: optimum", vertex(quadratic(five, c(4, 6, 7.4, 8.2, 8.4))), 191.667, 5e-4)
x <- seq(0, 250, 50)
y <- pmin(4 + 0.05 * x, 9)
fit <- quadratic(x, y)
expect("a high R2", c(coef(fit), deviance(fit), summary(fit)$r.squared, vertex(fit, 0.01)),
       c(4.0892857, 0.05875, -1.607143e-4, 0.758929, 0.965, 151.67), c(1e-6, 1e-8, 1e-10, 1e-6, 5e-4, 5e-3))
expect("two rates", t.test(c(7, 7.1, 6.8), c(5, 5.2, 4.9), var.equal = TRUE)$conf.int - 1,
       mean(c(7, 7.1, 6.8)) - mean(c(5, 5.2, 4.9)) - 1 + c(-1, 1) * 2.776445 *
         sqrt((var(c(7, 7.1, 6.8)) + var(c(5, 5.2, 4.9))) / 3), 1e-6)
finish()
