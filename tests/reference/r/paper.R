# What tests/trials/test_residuals.py calls "R": leverage, standardised residuals and normal scores of a quadratic and
# of treatment means with blocks (lm), and of a Mitscherlich curve (nls; leverage of its tangent plane). Power of
# factors and networks for tests/trials/test_power_plans.py. Run as common.R says.
source("tests/reference/r/common.R")

rice <- open_data("gomez_rice_seedrate_rcbd.csv")
curve <- lm(yield_kg_ha ~ rep + seed_kg_ha + I(seed_kg_ha^2), rice)
means <- lm(yield_kg_ha ~ rep + factor(seed_kg_ha), rice)
expect("leverage of a quadratic with blocks", hatvalues(curve)[1:3], c(0.3303571429, 0.2017857143, 0.2178571429), 1e-9)
expect("its standardised residuals", rstandard(curve)[1:3], c(-0.845570047486, 0.053381313580, 0.005204747099), 1e-9)
expect("their normal scores", qqnorm(rstandard(curve), plot.it = FALSE)$x[1:3],
       c(-0.74159404386, 0.37409541020, 0.15731068461), 1e-9)
expect("leverage of treatment means", hatvalues(means)[1], 0.375, 1e-9)
expect("their standardised residuals", rstandard(means)[1:3], c(-0.7998344419, 0.2910218065, -0.8806738326), 1e-9)

corn <- open_data("engelstad_corn_n.csv")
corn <- corn[corn$loc == "Jackson" & corn$year == 1962, ]
fit <- nls(yield_q_ha ~ A - B * exp(-k * n_kg_ha), corn, start = list(A = 77, B = 31, k = 0.0103))
slopes <- fit$m$gradient()
leverage <- diag(slopes %*% solve(crossprod(slopes)) %*% t(slopes))
scaled <- residuals(fit) / (summary(fit)$sigma * sqrt(1 - leverage))
expect("standard errors of a Mitscherlich curve", summary(fit)$coefficients[, 2], c(2.29256, 2.83706, 0.00252989), 5e-5)
expect("leverage of its tangent plane", leverage[1:3], c(0.970744, 0.544679, 0.382505), 5e-5)
expect("its standardised residuals", scaled[1:3], c(1.49361, -1.64461, 1.61244), 5e-4)
expect("their normal scores, ten or fewer", qqnorm(scaled, plot.it = FALSE)$x[1:2], c(0.643345405, -1.281551566), 1e-8)

# ---- two factors, many sites
found <- function(df, se, difference) {
  reach <- qt(0.975, df)
  pt(reach, df, difference / se, lower.tail = FALSE) + pt(-reach, df, difference / se)
}
expect("2 x 4, difference of differences, 8 and 9 blocks", c(found(7 * 7, 5 * sqrt(4 / 8), 10), found(7 * 8, 5 * sqrt(4 / 9), 10)),
       c(0.7917872, 0.8384768), 1e-6)
expect("whole strips, 6 blocks: first factor", found(5, sqrt(2 * (25 + 5 * 16) / 30), 8), 0.6787784, 1e-6)
expect("12 sites of one year", power.t.test(12, 1.5, sqrt(2^2 + 3^2 / 4), type = "one.sample", strict = TRUE)$power,
       0.4747156, 1e-6)
half <- function(s) qt(0.975, s - 1) * sqrt((2^2 + 3^2 / 4) / s)
expect("half width over 26 and 27 sites", half(26:27), c(1.0097717, 0.9889671), 1e-6)
finish()
