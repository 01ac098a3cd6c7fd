# Nonlinear mixed models: tests/response/test_network_fit.py. The likelihood nlme reports is that of the model
# linearised at its own predictions of the sites (Lindstrom and Bates 1990), not the integral itself.
source("tests/reference/r/common.R")
suppressPackageStartupMessages(library(nlme))

shown <- function(what, fit, held) {
  spread <- as.matrix(fit$modelStruct$reStruct[[1]]) * fit$sigma^2
  expect(what, c(fixef(fit), spread[upper.tri(spread, TRUE)], fit$sigma, logLik(fit)), held, 1e-3 * pmax(1, abs(held)))
}
pine <- open_data("loblolly_height.csv")
start <- c(Asym = 103, R0 = -8.5, lrc = -3.3)
all <- Asym + R0 + lrc ~ 1
shown("loblolly", nlme(height ~ SSasymp(age, Asym, R0, lrc), pine, all, Asym ~ 1 | seed, start = start),
      c(101.44960002, -8.62733073, -3.23375074, 13.3271856, 0.718862546, -114.7428159))
shown("loblolly, rate too", nlme(height ~ SSasymp(age, Asym, R0, lrc), pine, all, Asym + lrc ~ 1 | seed, start = start),
      c(101.64118112, -8.63957065, -3.23489511, 34.36959562, -0.354703958, 0.005645319, 0.638660362, -112.1232515))
trees <- transform(open_data("draper_smith_orange.csv"), age = age / 100)
start <- c(Asym = 192, xmid = 7.28, scal = 3.48)
all <- Asym + xmid + scal ~ 1
shown("orange", nlme(circumference ~ SSlogis(age, Asym, xmid, scal), trees, all, Asym ~ 1 | tree, start = start),
      c(191.05003747, 7.22559485, 3.4416851, 991.151272, 7.8462546, -131.5845533))
shown("orange, middle too",
      nlme(circumference ~ SSlogis(age, Asym, xmid, scal), trees, all, Asym + xmid ~ 1 | tree, start = start),
      c(189.83835127, 7.09551397, 3.40492755, 1180.112883, 10.15419711, 0.146924401, 7.48832518, -130.9015774))
co2 <- transform(open_data("potvin_co2_uptake.csv"), south = 1 * (type == "Mississippi"), chilled = 1 * (treatment == "chilled"))
curve <- uptake ~ SSasympOff(conc, Asym, lrc, c0)
shown("CO2", nlme(curve, co2, Asym + lrc + c0 ~ 1, Asym + lrc ~ 1 | plant, start = c(Asym = 32, lrc = -4.6, c0 = 50)),
      c(32.4117736, -4.5602682, 49.3434905, 93.30385345, -1.497492952, 0.039805094, 1.80792236, -202.7583243))
shown("CO2 by origin and chilling",
      nlme(curve, co2, list(Asym + lrc ~ south * chilled, c0 ~ 1), Asym + lrc ~ 1 | plant, start = c(32, 0, 0, 0, -4.6, 0, 0, 0, 50)),
      c(41.817565431, -10.530486936, -2.96941443, -10.899196899, -4.557265, -0.104105913, -0.171242539, 0.741196892,
        50.507614442, 5.520998619, -0.172001151, 0.006336507, 1.79195876, -181.2089746))

# ---- invented sites (network_sites.R): level, slope and join or rate of bending vary; soil test and previous crop
d <- transform(open_data("network_sites.csv"), x = rate_kg_ha / 100, soil = (soil_p_ppm - 14) / 10, bean = 1 * (previous_crop == "soybean"))
qp <- function(x, s) { u <- pmin(x, exp(s)); u * (1 - 0.5 * u / exp(s)) }
mit <- function(x, s) exp(s) * (1 - exp(-x / exp(s)))
random <- a + b + s ~ 1 | site
known <- list(a ~ soil + bean, b + s ~ soil)
shown("quadratic-plateau", nlme(yield_qp_t_ha ~ a + b * qp(x, s), d, a + b + s ~ 1, random, start = c(6, 4.5, 0.4)),
      c(6.198920957, 4.486427837, 0.529832906, 1.559509585, -0.150437407, 0.854361548, -0.021758304, 0.059252502,
        0.036066096, 0.356070805, -354.425638))
shown("with what is known", nlme(yield_qp_t_ha ~ a + b * qp(x, s), d, known, random, start = c(6, 0, 0, 4.5, 0, 0.4, 0)),
      c(5.718511007, 0.438685236, 1.016195501, 4.420520777, -1.184984307, 0.514634242, -0.170104702, 1.394685963,
        -0.181314257, 0.359607093, 0.006000386, -0.016222497, 0.025977801, 0.355852166, -331.6883933))
shown("Mitscherlich", nlme(yield_mit_t_ha ~ a + b * mit(x, s), d, a + b + s ~ 1, random, start = c(6, 4.5, -0.4)),
      c(6.297322301, 4.37813179, -0.372297099, 1.851331423, -0.975187244, 1.348436597, 0.172373903, -0.03127935,
        0.06830332, 0.34468597, -324.5874666))
shown("with what is known", suppressWarnings(nlme(yield_mit_t_ha ~ a + b * mit(x, s), d, known, random, start = c(6, 0, 0, 4.5, 0, -0.4, 0))),
      c(5.952972745, 0.447771448, 0.74199268, 4.304752337, -1.607529781, -0.377750403, -0.076759956, 1.542509348,
        -0.672586923, 0.883389076, 0.128968136, -0.159461617, 0.07257186, 0.343133146, -304.4435813))
finish()
