# Far strips and an error that differs by rate: tests/response/test_robust.py. Needs MASS and nlme of R itself.
source("tests/reference/r/common.R")
suppressMessages({library(MASS); library(nlme)})
rice <- open_data("gomez_rice_seedrate_rcbd.csv")
names(rice) <- c("block", "x", "y")[match(names(rice), c("rep", "seed_kg_ha", "yield_kg_ha"))]
far <- rice
far$y[7] <- far$y[7] - 2500  # one plot lost for the most part
huber <- function(rows) {
  fit <- rlm(y ~ factor(x) + factor(block), rows, k = 1.345, scale.est = "proposal 2", maxit = 5000, acc = 1e-13)
  c(fit$s, coef(fit)[2:6])
}
expect("Huber, as read", huber(rice), c(360.4245322, -110.3961444, 180.25, -276.25, -421.6818587, -420.75), 1e-6)
expect("Huber, one plot far off", huber(far),
       c(412.89411888, 113.89505993, 425.80169663, -30.69830337, -170.44830337, -175.19830337), 1e-6)
plain <- gls(y ~ factor(x) + factor(block), rice, method = "REML")
tilted <- gls(y ~ factor(x) + factor(block), rice, weights = varExp(form = ~x), method = "REML",
              control = glsControl(tolerance = 1e-12))
expect("tilt of the log SD over the rates", coef(tilted$modelStruct) * diff(range(rice$x)), 0.217552, 1e-6)
expect("its likelihood ratio test", pchisq(2 * (logLik(tilted) - logLik(plain)), 1, lower.tail = FALSE),
       0.738727934, 1e-8)
finish()
