# Pooling over site-years and mixed models: tests/trials/test_pool.py, test_variance.py.
source("tests/reference/r/common.R")
suppressPackageStartupMessages({library(metafor); library(nlme)})

# ---- two stages: BCG trials (Colditz et al. 1994)
bcg <- open_data("bcg_trials.csv")
bcg <- escalc(measure = "RR", ai = tpos, bi = tneg, ci = cpos, di = cneg, data = bcg)
expect("log risk ratios", bcg$yi[1:3], c(-0.8893113, -1.5853887, -1.3480731), 5e-8)
expect("their variances", bcg$vi[1:3], c(0.3255848, 0.1945811, 0.4153680), 5e-8)
held <- list(FE = c(0, -0.430285, 0.0404988), DL = c(0.308760263, -0.714117, 0.178742),
             REML = c(0.313243326, -0.714532, 0.179782), PM = c(0.318093712, -0.714970, 0.180898))
for (method in names(held)) {
  found <- rma(yi, vi, data = bcg, method = method)
  expect(paste("BCG tau2, estimate, se,", method), c(found$tau2, found$beta, found$se), held[[method]], 2e-6)
}
expect("BCG Q", found$QE, 152.233008, 5e-7)
held <- list(DL = c(-1.107821, -0.320413), REML = c(-1.108444, -0.320621), PM = c(-1.109102, -0.320839))
for (method in names(held)) {
  found <- rma(yi, vi, data = bcg, method = method, test = "knha")
  expect(paste("Hartung-Knapp interval,", method), c(found$ci.lb, found$ci.ub), held[[method]], 2e-6)
}
found <- rma(yi, vi, data = bcg, method = "REML", test = "knha")
expect("Hartung-Knapp se, t, p", c(found$se, found$zval, found$pval), c(0.1807917, -3.95224, 0.0019200), 2e-6)
expect("I2 by REML, by DL", c(found$I2, rma(yi, vi, data = bcg, method = "DL")$I2), c(92.2214, 92.1173), 2e-4)
expect("Q profile of tau2", confint(found)$random["tau^2", 2:3], c(0.1197, 1.1115), 5e-5)
ahead <- found$beta[1] + c(-1, 1) * qt(0.975, 12) * sqrt(found$tau2 + found$se^2)
expect("prediction", ahead, c(-1.996017, 0.566952), 2e-6)
found <- rma(yi, vi, mods = ~ablat, data = bcg, method = "REML")
expect("latitude", c(found$beta, found$se[2], found$tau2, found$R2),
       c(0.251464, -0.0291017, 0.0071956, 0.0763547, 75.62), c(2e-5, 1e-6, 1e-6, 1e-5, 0.01))

# ---- optima of single years: Broadbalk, quadratic at a price ratio of 0.005
years <- open_data("broadbalk_s1_nseries.csv")
optimum <- function(mine) {
  fit <- lm(grain_t_ha_85dm ~ n_kg_ha + I(n_kg_ha^2), mine)
  b <- coef(fit)
  best <- (b[2] - 0.005) / (-2 * b[3])
  slope <- c(0, -1 / (2 * b[3]), -best / b[3])
  c(best, sqrt(drop(slope %*% vcov(fit) %*% slope)))
}
each <- t(sapply(split(years, years$year), optimum))
expect("2002: optimum and se", each["2002", ], c(-11780, 877125), c(1, 100))
# The year of no weight makes the search step too far: half steps.
careful <- list(stepadj = 0.5, maxiter = 1000)
pool <- function(...) suppressWarnings(rma(each[, 1], sei = each[, 2], control = careful, ...))
found <- pool(method = "REML", test = "knha")
expect("optima: tau2, Q, I2", c(found$tau2, found$QE, found$I2), c(439.165, 56.466, 65.87), c(0.02, 5e-4, 0.01))
expect("optima: estimate, interval", c(found$beta, found$ci.lb, found$ci.ub), c(215.6927, 201.346, 230.039), 2e-3)
ahead <- found$beta[1] + c(-1, 1) * qt(0.975, 14) * sqrt(found$tau2 + found$se^2)
expect("optima: prediction", ahead, c(168.51, 262.87), 0.01)
found <- pool(method = "REML")
expect("optima: plain se", found$se, 8.0833, 2e-4)
found <- pool(method = "DL")
expect("optima by DL", c(found$beta, found$se, found$tau2), c(217.2801, 9.4207, 690.251), 5e-4)

# ---- one stage
years <- transform(years, x = n_kg_ha / 100, year = factor(year))
fit <- lme(grain_t_ha_85dm ~ x + I(x^2), random = ~ 1 | year, data = years)
expect("random years", fixef(fit), c(1.348889, 3.855258, -0.736538), 1e-6)
expect("their se", sqrt(diag(vcov(fit))), c(0.280166, 0.265091, 0.088434), 1e-6)
expect("their variances", VarCorr(fit)[, "Variance"], c(0.7788478, 0.5230912), 2e-7)
expect("optimum of the mean curve", 100 * (fixef(fit)[2] - 0.5) / (-2 * fixef(fit)[3]), 227.772, 1e-3)

plateau <- function(x, p, lc, join) p - exp(lc) * pmax(join - x, 0)^2
fit <- nlme(grain_t_ha_85dm ~ plateau(x, p, lc, join), data = years, fixed = p + lc + join ~ 1,
            random = p ~ 1 | year, start = c(p = 6.3, lc = -0.2, join = 2.4), method = "ML",
            control = list(tolerance = 1e-8, pnlsTol = 1e-8, maxIter = 500, returnObject = TRUE))
expect("random plateau", fixef(fit), c(6.281385, -0.1675092, 2.431721), 1e-3)
expect("its SD", VarCorr(fit)[, "StdDev"], c(0.851237, 0.710253), 1e-3)
expect("its likelihood", logLik(fit), -131.085891, 1e-3)

dyes <- open_data("davies_dyestuff.csv")
for (restricted in c(TRUE, FALSE)) {
  fit <- lme4::lmer(yield ~ 1 + (1 | batch), dyes, REML = restricted)
  held <- if (restricted) c(1527.5, 1764.05, 2451.25) else c(1527.5, 1388.333, 2451.25)
  expect(paste("dyestuff,", if (restricted) "REML" else "ML"),
         c(lme4::fixef(fit), as.data.frame(lme4::VarCorr(fit))$vcov), held, 0.02)
  if (restricted) expect("dyestuff se, criterion", c(sqrt(as.numeric(vcov(fit))), -2 * logLik(fit)),
                         c(19.3834, 319.7), c(5e-5, 0.05))
}

oats <- open_data("yates_oats_splitplot_n.csv")
fit <- lme(yield_qlb_plot ~ n_cwt_ac, random = ~ 1 | block / gen, data = oats)
expect("oats", c(fixef(fit), sqrt(diag(vcov(fit)))), c(81.87222, 73.66667, 6.94528, 6.78148), 5e-5)
expect("oats SD", as.numeric(VarCorr(fit)[c(2, 4, 5), "StdDev"]), c(14.50598, 11.00467, 12.86696), 5e-4)
expect("oats likelihood", logLik(fit), -296.520877, 1e-6)

pine <- open_data("loblolly_height.csv")
fit <- nlme(height ~ SSasymp(age, Asym, R0, lrc), data = pine, fixed = Asym + R0 + lrc ~ 1,
            random = Asym ~ 1 | seed, start = c(Asym = 103, R0 = -8.5, lrc = -3.3))
expect("loblolly", fixef(fit), c(101.44960, -8.62733, -3.23375), 1e-4)
expect("loblolly SD, likelihood", c(as.numeric(VarCorr(fit)[, "StdDev"]), logLik(fit)),
       c(3.650642, 0.718863, -114.742816), 1e-4)

trees <- open_data("draper_smith_orange.csv")
fit <- nlme(circumference ~ SSlogis(age, Asym, xmid, scal), data = trees, fixed = Asym + xmid + scal ~ 1,
            random = Asym ~ 1 | tree, start = c(Asym = 192, xmid = 728, scal = 348))
expect("orange trees, likelihood", logLik(fit), -131.584556, 1e-4)
finish()
