# Curves by group, tests/response/test_groups.py: common, parallel and separate curves by lm, nls and lme, the levels
# of varieties on whole plots by aov and, with plots lost, by lmerTest.
source("tests/reference/r/common.R")
suppressPackageStartupMessages({
  library(nlme)
  library(lmerTest)
})

# AICc of a -2 log-likelihood without its constants, as n ln(RSS/n) is one.
aicc <- function(minus_two_log, n, k) minus_two_log + 2 * k + 2 * k * (k + 1) / (n - k - 1)

# ---- Bachmaier's wheat in two yield zones, no blocks
wheat <- open_data("bachmaier_wheat_n.csv")
x <- wheat$n_kg_ha
y <- wheat$yield_t_ha
low <- as.numeric(wheat$zone == "low")
n <- nrow(wheat)
tight <- nls.control(maxiter = 500, tol = 1e-10, minFactor = 1e-12, warnOnly = TRUE)
nls_of <- function(formula, start, rows = TRUE, ...) suppressWarnings(
  nls(formula, data.frame(x, y, low)[rows, ], start = start, control = tight, ...))
qp <- function(x, b, join) b * (pmin(x, join) - pmin(x, join)^2 / (2 * join))
mit <- function(x, b, k) b * (1 - exp(-k * x))
in_zones <- function(model) deviance(model(low == 1)) + deviance(model(low == 0))
join_of <- function(extra) {  # linear-plateau: the best of all joins
  rss <- function(join) sum(lm.fit(cbind(1, extra, pmin(x, join)), y)$residuals^2)
  grid <- seq(20, 259, by = 0.5)
  at <- grid[which.min(vapply(grid, rss, 0))]
  optimize(rss, c(at - 1, at + 1), tol = 1e-12)$objective
}
zones <- list(
  quadratic = c(deviance(lm(y ~ x + I(x^2))), deviance(lm(y ~ low + x + I(x^2))), deviance(lm(y ~ low * (x + I(x^2))))),
  mitscherlich = c(
    deviance(nls_of(y ~ a + mit(x, b, k), list(a = 4, b = 6, k = 0.01))),
    deviance(nls_of(y ~ a + d * low + mit(x, b, k), list(a = 5, d = -2, b = 6, k = 0.01))),
    in_zones(function(rows) nls_of(y ~ a + mit(x, b, k), list(a = 4, b = 5, k = 0.01), rows))),
  # the join of the high zone lies beyond the highest rate, where the curve is the quadratic
  quadratic_plateau = c(
    deviance(nls_of(y ~ a + qp(x, b, j), list(a = 4.5, b = 0.037, j = 250), algorithm = "port")),
    deviance(nls_of(y ~ a + d * low + qp(x, b, j), list(a = 5, d = -2, b = 0.037, j = 250), algorithm = "port")),
    deviance(nls_of(y ~ a + qp(x, b, j), list(a = 3.6, b = 0.04, j = 220), low == 1)) +
      deviance(lm(y ~ x + I(x^2), subset = low == 0))),
  linear_plateau = c(join_of(NULL), join_of(low),  # each zone: response_reference_fits.csv
    sum(vapply(c(0, 1), function(zone) rss_of("LP", x[low == zone], y[low == zone]), 0))))
held <- list(
  quadratic = c(133.677429, 40.8437962, 39.3224388), mitscherlich = c(133.039695, 40.2060623, 38.4228267),
  quadratic_plateau = c(133.671916, 40.8382837, 39.249967), linear_plateau = c(138.964373, 46.1307403, 42.9095402))
aiccs <- list(
  quadratic = c(45.2740973, -56.8154974, -55.4876517), mitscherlich = c(44.8532718, -58.200367, -57.5242875),
  quadratic_plateau = c(45.2704683, -56.8273753, -55.6499865),
  linear_plateau = c(48.6874362, -46.1037321, -47.8053516))
tests <- list(  # F of levels and of shapes, as anova of the nested fits has them
  quadratic = c(190.923123, 1.5862611), mitscherlich = c(193.951476, 1.90284436),
  quadratic_plateau = c(190.948895, 1.6591347), linear_plateau = c(169.041838, 3.07785183))
k <- c(3, 4, 6)
for (curve in names(zones)) {
  rss <- zones[[curve]]
  expect(paste("zones, rss,", curve), rss, held[[curve]], 2e-6)
  expect(paste("zones, AICc,", curve), aicc(n * log(rss / n), n, k + 1), aiccs[[curve]], 2e-6)
  f <- -diff(rss) / diff(k) / (rss[-1] / (n - k[-1]))
  expect(paste("zones, F,", curve), f, tests[[curve]], 1e-4)
}
parallel <- lm(y ~ low + x + I(x^2))
expect("zones, yield of low less high", coef(parallel)["low"], -2.05419341, 1e-7)
expect("zones, its interval", confint(parallel)["low", ], c(-2.34983234, -1.75855449), 1e-7)

# ---- Yates' oats [cwt/ac]: varieties on whole plots
oats <- open_data("yates_oats_splitplot_n.csv")
oats$y <- oats$yield_qlb_plot * 80 / 4 / 112
oats$x <- oats$n_cwt_ac
oats$gen <- factor(oats$gen)
oats$block <- factor(oats$block)
oats$cell <- interaction(oats$block, oats$gen)
whole <- summary(aov(y ~ block + gen + x + Error(cell), oats))[["Error: cell"]][[1]]
expect("oats, F and p of varieties", whole[2, c("F value", "Pr(>F)")], c(1.485340, 0.272387), 1e-6)
within <- anova(lm(y ~ cell + x + I(x^2), oats), lm(y ~ cell + gen:(x + I(x^2)), oats))
expect("oats, F and p of shapes", within[2, c("F", "Pr(>F)")], c(0.265347, 0.898778), 1e-6)
ml <- list(lme(y ~ block + x + I(x^2), random = ~ 1 | cell, data = oats, method = "ML"),
           lme(y ~ block + gen + x + I(x^2), random = ~ 1 | cell, data = oats, method = "ML"),
           lme(y ~ block + gen * (x + I(x^2)), random = ~ 1 | cell, data = oats, method = "ML"))
m <- nrow(oats)
likely <- vapply(ml, function(fit) -2 * as.numeric(logLik(fit)) - m * (1 + log(2 * pi)), 0)
expect("oats, AICc", aicc(likely, m, c(8, 10, 14) + 2), c(156.667574, 157.667237, 169.088961), 2e-6)
reml <- intervals(lme(y ~ block + gen + x + I(x^2), random = ~ 1 | cell, data = oats), which = "fixed")$fixed
expect("oats, Marvellous less Golden Rain", reml["genMarvellous", c(2, 1, 3)], c(0.94494048, -1.8716275, 3.7615085), 1e-6)
expect("oats, Victory less Golden Rain", reml["genVictory", c(2, 1, 3)], c(-1.22767857, -4.0442465, 1.5888894), 1e-6)
given <- function(k) -2 * as.numeric(logLik(
  lme(y ~ block + gen + rise, random = ~ 1 | cell, data = transform(oats, rise = exp(-k * x)), method = "ML")))
likely <- optimize(given, c(0.5, 4), tol = 1e-10)$objective - m * (1 + log(2 * pi))
expect("oats, AICc of parallel Mitscherlich curves", aicc(likely, m, 12), 157.727345, 2e-6)

# ---- the same with four plots lost, rows 3, 17, 18 and 40: degrees of freedom of Satterthwaite
lost <- oats[-c(3, 17, 18, 40), ]
uneven <- lmer(y ~ block + gen + x + I(x^2) + (1 | cell), lost)
expect("oats, plots lost, F of varieties", anova(uneven)["gen", "F value"], 2.021186, 1e-5)
expect("oats, plots lost, its error df (observed information)", anova(uneven)["gen", "DenDF"], 10.027, 1e-3)
victory <- summary(uneven)$coefficients["genVictory", ]
expect("oats, plots lost, Victory less Golden Rain", victory["Estimate"], -0.818192, 1e-6)
expect("oats, plots lost, its standard error", victory["Std. Error"], 1.228373, 1e-6)
likely <- -2 * as.numeric(logLik(update(uneven, REML = FALSE))) - nrow(lost) * (1 + log(2 * pi))
expect("oats, plots lost, AICc of parallel curves", aicc(likely, nrow(lost), 12), 141.923044, 2e-5)
finish()
