# What a rate is worth: tests/response/test_economics.py, test_pooled.py.
source("tests/reference/r/common.R")

# ---- optimum rates: where the symbolic slope of a curve is the price ratio, found by root
curve <- list(
  quadratic = list(quote(3 + 0.05 * x - 1.25e-4 * x^2), 400), mitscherlich = list(quote(8 - 5 * exp(-0.015 * x)), 1e4),
  `square root` = list(quote(3 + 0.6 * sqrt(x) - 0.015 * x), 1e4),
  spherical = list(quote(3 + 5 * (1.5 * x / 200 - 0.5 * (x / 200)^3)), 200))
slope_of <- function(what) {
  slope <- D(what, "x")
  function(x) eval(slope, list(x = x))
}
optimum <- function(what, top, ratio) {
  slope <- slope_of(what)
  if (slope(1e-9) <= ratio) return(0)
  if (slope(top) >= ratio) return(top)
  uniroot(function(x) slope(x) - ratio, c(1e-9, top), tol = 1e-12)$root
}
ratio <- c(0.0025, 0.005, 0.0075, 0.01, 0.015, 0.02, 0.03, 0.04, 0.05, 0.06)
held <- list(
  quadratic = c(190, 180, 170, 160, 140, 120, 80, 40, 0, 0),
  mitscherlich = c(226.746492, 180.536680, 153.505673, 134.326868, 107.295861, 88.117056, 61.086049, 41.907244,
                   27.031007, 14.876237),
  `square root` = c(293.877551, 225, 177.777778, 144, 100, 73.469388, 44.444444, 29.752066, 21.301775, 16),
  spherical = c(193.218357, 186.189867, 178.885438, 171.269768, 154.919334, 136.626010, 89.442719, 0, 0, 0))
for (name in names(held))
  expect(paste("optimum,", name), sapply(ratio, function(r) optimum(curve[[name]][[1]], curve[[name]][[2]], r)),
         held[[name]], 1e-6)
expect("quadratic, square root, spherical for nothing",
       sapply(c(1, 3, 4), function(i) optimum(curve[[i]][[1]], curve[[i]][[2]], 0)), c(200, 400, 200), 1e-6)
line <- function(x) 3 + 0.03 * pmin(x, 150)
grid <- seq(0, 250, 0.5)
expect("line and plateau", sapply(c(0.0299, 0.0301), function(r) grid[which.max(line(grid) - r * grid)]), c(150, 0), 0)
part <- function(share) uniroot(function(x) 1 - exp(-0.015 * x) - share, c(0, 1e4), tol = 1e-12)$root
expect("95 % of a Mitscherlich rise", part(0.95), log(20) / 0.015, 1e-6)

# ---- break-even ratios: slopes at zero, and the steepest chord once a pass is paid
at_zero <- sapply(c("quadratic", "mitscherlich", "spherical"), function(name) slope_of(curve[[name]][[1]])(0))
expect("slopes at zero", at_zero, c(0.05, 0.075, 0.0375), 1e-12)
chord <- optimize(function(x) (0.05 * x - 1.25e-4 * x^2 - 1) / x, c(1, 300), maximum = TRUE, tol = 1e-10)
expect("steepest chord after a pass of 1", chord$objective, 0.05 - 2 * sqrt(1.25e-4), 1e-9)
loss <- function(d, r) {
  value <- function(x) 3 + 0.05 * x - 1.25e-4 * x^2 - r * x
  best <- optimum(curve$quadratic[[1]], 400, r)
  c(value(best) - value(best - d), value(best) - value(best + d))
}
expect("flat payoff", c(loss(10, 0.01), loss(20, 0.015), loss(40, 0.01)), rep(c(0.0125, 0.05, 0.2), each = 2), 1e-9)

# ---- fitted quadratics: convex, extrapolated, square root that runs away, Engelstad's and Bachmaier's optima
convex <- data.frame(x = seq(0, 200, 50), y = c(4, 4.2, 4.9, 6.1, 8))
b <- coef(lm(y ~ x + I(x^2), convex))
expect("convex: stationary point", -b[2] / (2 * b[3]), 11.15, 5e-3)
expect("convex: net at the ends", b[1] + (b[2] - 0.01) * c(0, 200) + b[3] * c(0, 200)^2, c(4.017, 5.977), 5e-4)
short <- data.frame(x = c(0, 40, 80, 120), y = c(4, 6, 7.4, 8.2))
b <- coef(lm(y ~ x + I(x^2), short))
expect("extrapolated", c(b, b[2] / (-2 * b[3]), (b[2] - 0.0175) / (-2 * b[3])),
       c(4, 0.0575, -1.875e-4, 153.33, 106.666667), c(1e-9, 1e-9, 1e-9, 5e-3, 1e-6))
wheat <- open_data("bachmaier_wheat_n.csv")
high <- wheat[wheat$zone == "high", ]
b <- coef(lm(yield_t_ha ~ sqrt(n_kg_ha) + n_kg_ha, high))
expect("square root, high zone", (b[2] / (2 * (0.6 / 110 - b[3])))^2, 2933.9, 0.05)
held <- rbind(c(0.005454, 199.081), c(0, 232.345), c(0.01, 171.354), c(0.005454, 239.759), c(0.01, 205.165))
zone <- c("low", "low", "low", "high", "high")
for (i in seq_along(zone)) {
  b <- coef(lm(yield_t_ha ~ n_kg_ha + I(n_kg_ha^2), wheat[wheat$zone == zone[i], ]))
  expect(paste(zone[i], "zone at", held[i, 1]), (b[2] - held[i, 1]) / (-2 * b[3]), held[i, 2], 6e-4)
}
corn <- open_data("engelstad_corn_n.csv")
corn$x <- corn$n_kg_ha
corn$y <- corn$yield_q_ha
each <- split(corn, paste(corn$loc, corn$year))
best <- sapply(each, function(mine) {
  b <- coef(lm(y ~ x + I(x^2), mine))
  value <- function(x) b[2] * x + b[3] * x^2 - 0.11 / 1.15 * x
  at <- (0.11 / 1.15 - b[2]) / (2 * b[3])
  tried <- c(0, if (at > 0 && at < 335) at, 335)
  tried[which.max(value(tried))]
})
expect("Engelstad's quadratics", best, c(151.133, 209.915, 201.976, 198.159, 168.569, 161.219, 178.820, 121.570, 0, 0),
       6e-4)

# ---- one rate for many trials: a quadratic-plateau each, mean net return over rate zero on a grid of rates
plateau <- function(x, y) {
  found <- fit_shape("QP", x, y)
  line <- lm(y ~ x)
  # A join without end is a straight line: its squares are then the least.
  if (deviance(line) < found$rss) return(function(rate) coef(line)[2] * rate)
  join <- found$shape
  b <- lm.fit(cbind(1, rise$QP(x, join)), y)$coefficients
  function(rate) b[2] * (rise$QP(rate, join) - rise$QP(0, join))
}
jackson <- each[["Jackson 1962"]]
gain <- plateau(jackson$x, jackson$y)
found <- optimize(function(x) gain(x) - 0.11 / 1.15 * x, c(50, 250), maximum = TRUE, tol = 1e-9)
expect("Jackson 1962, quadratic-plateau", found$maximum, 140.78366, 1e-4)

gains <- function(data, by, rate, yield) {
  data$key <- do.call(paste, data[by])
  lapply(split(data, data$key), function(mine) plateau(mine[[rate]], mine[[yield]]))
}
pools <- list(
  broadbalk = list(gains(open_data("broadbalk_s1_nseries.csv"), "year", "n_kg_ha", "grain_t_ha_85dm"), 288, 0.02,
    rbind(c(0.0025, 269, 4.41242, 240, 288), c(0.005, 224, 3.80179, 205, 248),
          c(0.0075, 200, 3.27280, 181, 219), c(0.01, 177, 2.80148, 160, 196))),
  engelstad = list(gains(corn, c("loc", "year"), "x", "y"), 335, 0.2,
    rbind(c(0.05, 169, 21.16562, 150, 191), c(0.0956522, 130, 14.39138, 112, 147),
          c(0.15, 95, 8.36917, 80, 109), c(0.20, 66, 4.35998, 51, 80))),
  hunter = list(gains(open_data("hunter_corn_n.csv"), c("loc", "year"), "n_lb_ac", "yield_bu_ac"),
    max(open_data("hunter_corn_n.csv")$n_lb_ac), 1,
    rbind(c(0.05, 105, 22.26907, 78, 140), c(0.10, 87, 17.52662, 64, 113),
          c(0.15, 73, 13.53397, 51, 96), c(0.20, 61, 10.18962, 39, 83))))
mean_net <- function(each, rate, ratio) rowMeans(sapply(each, function(gain) gain(rate))) - ratio * rate
for (name in names(pools)) {
  pool <- pools[[name]]
  grid <- seq(0, pool[[2]], 1)
  for (i in seq_len(nrow(pool[[4]]))) {
    held <- pool[[4]][i, ]
    net <- mean_net(pool[[1]], grid, held[1])
    good <- range(grid[net >= max(net) - pool[[3]]])
    expect(paste(name, "at", held[1]), c(grid[which.max(net)], max(net), good), held[-1], c(0, 5e-6, 0, 0))
  }
}
fine <- seq(0, 288, 0.005)
each <- pools$broadbalk[[1]]
for (pair in list(c(0.005, 224.045), c(0.0075, 199.62), c(0.01, 177.43)))
  expect(paste("broadbalk, fine grid at", pair[1]), fine[which.max(mean_net(each, fine, pair[1]))], pair[2], 0.0051)
own <- sapply(each, function(gain) fine[which.max(gain(fine) - 0.005 * fine)])
expect("broadbalk: median and mean of the optima", c(median(own), mean(own)), c(208.43, 215.676), c(0.003, 0.001))
expect("2002 still rises, VdeW 1951 does not respond", c(own[["2002"]], which.max(
  pools$hunter[[1]][["VdeW 1951"]](0:200) - 0.1 * 0:200) - 1), c(288, 0), 0)

finish()
