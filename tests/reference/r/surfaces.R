# Surfaces of several nutrients: prints the values that tests/response/test_surface.py holds. Blocks enter with contrasts that sum to zero, so that
# the intercept is that of the average block.
source("tests/reference/r/common.R")
options(contrasts = c("contr.sum", "contr.poly"))
show <- function(what, value) cat(sprintf("%-44s %s\n", what, paste(sprintf("%.12g", as.numeric(value)), collapse = " ")))
aicc <- function(fit) {
  n <- nobs(fit)
  k <- length(coef(fit)) + 1
  n * log(deviance(fit) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)
}
heady <- open_data("heady_corn_alfalfa_clover_npk.csv")
heady <- heady[!is.na(heady$yield), ]
corn <- heady[heady$crop == "corn", ]
root <- lm(yield ~ sqrt(N) + sqrt(P) + N + P + sqrt(N * P), corn)
quad <- lm(yield ~ N + P + I(N^2) + I(P^2) + N:P, corn)
show("corn root coef", coef(root))
show("corn root se", sqrt(diag(vcov(root))))
show("corn quad coef", coef(quad))
show("corn quad se", sqrt(diag(vcov(quad))))
show("corn F of interaction", anova(update(root, . ~ . - sqrt(N * P)), root)$F[2])
show("corn aicc", c(aicc(root), aicc(quad), aicc(lm(yield ~ sqrt(N) + N, corn))))
show("corn F of P", anova(lm(yield ~ sqrt(N) + N, corn), root)[2, c("F", "Pr(>F)")])
show("corn lack of fit", anova(root, lm(yield ~ factor(paste(N, P)), corn))[2, c("F", "Pr(>F)")])

# ---- optima: net return searched from many starts within the box
best <- function(fit, ratios, names, low, high) {
  net <- function(x) {
    row <- as.data.frame(as.list(setNames(x, names)))
    predict(fit, row) - sum(ratios * x)
  }
  starts <- expand.grid(lapply(seq_along(low), function(i) low[i] + (high[i] - low[i]) * c(.05, .35, .65, .95)))
  found <- apply(starts, 1, function(s) {
    o <- optim(s, function(x) -net(x), method = "L-BFGS-B", lower = low, upper = high,
               control = list(factr = 10, parscale = high, maxit = 1000))
    o <- optim(o$par, function(x) -net(x), method = "L-BFGS-B", lower = low, upper = high,
               control = list(factr = 10, parscale = high / 100, maxit = 1000))
    c(o$par, -o$value)
  })
  found[, which.max(found[nrow(found), ])]
}
box <- list(c(0, 0), c(320, 320))
show("corn root best .18 .12 /1.4", best(root, c(.18, .12) / 1.4, c("N", "P"), box[[1]] + 1e-9, box[[2]]))
show("corn root best .30 .05 /1.1", best(root, c(.30, .05) / 1.1, c("N", "P"), box[[1]] + 1e-9, box[[2]]))
show("corn quad best .18 .12 /1.4", best(quad, c(.18, .12) / 1.4, c("N", "P"), box[[1]], box[[2]]))
show("corn quad best .30 .05 /1.1", best(quad, c(.30, .05) / 1.1, c("N", "P"), box[[1]], box[[2]]))

# ---- eigenvalues of the quadratic surface over the tested range, and their errors by fitting along the axes
b <- coef(quad)
bend <- matrix(c(b[4], b[6] / 2, b[6] / 2, b[5]), 2)
axes <- eigen(bend * 320^2)
turned <- as.matrix(corn[, c("N", "P")] / 320) %*% axes$vectors
along <- lm(corn$yield ~ turned + I(turned[, 1]^2) + I(turned[, 2]^2) + I(turned[, 1] * turned[, 2]))
show("corn quad eigenvalues", eigen(bend)$values)
show("corn quad eigenvalues scaled", axes$values)
show("their se", sqrt(diag(vcov(along)))[4:5])

# ---- joint region and profiles: the quadratic surface written with the best rates as its parameters
r <- c(.18, .12) / 1.4
held <- function(n, p) {  # the best rates given, the rest is linear
  z <- with(corn, cbind((N - n)^2, (P - p)^2, (N - n) * (P - p)))
  deviance(lm(corn$yield - r[1] * (corn$N - n) - r[2] * (corn$P - p) ~ z))
}
s2 <- deviance(quad) / 108
show("corn quad misfit at 180 200, 210 190", c(held(180, 200) - deviance(quad), held(210, 190) - deviance(quad)) / s2)
limit <- qf(.95, 1, 108)
given <- function(which, value) {
  f <- function(other) if (which == 1) held(value, other) else held(other, value)
  (optimize(f, c(100, 320), tol = 1e-10)$objective - deviance(quad)) / s2 - limit
}
ends <- function(which, at) c(uniroot(function(v) given(which, v), c(100, at), tol = 1e-9)$root,
                              uniroot(function(v) given(which, v), c(at, 320), tol = 1e-9)$root)
show("corn quad interval of N", ends(1, 196.7636))
show("corn quad interval of P", ends(2, 205.2583))
limit <- 2 * qf(.95, 2, 108)
show("corn quad joint extent of N", ends(1, 196.7636))
show("corn quad joint extent of P", ends(2, 205.2583))
# gain of the best rates over none
x <- c(0, 196.763550, 205.258269, 196.763550^2, 205.258269^2, 196.763550 * 205.258269)
show("corn quad gain, half width", c(sum(x * b), qt(.975, 108) * sqrt(t(x) %*% vcov(quad) %*% x)))

for (crop in c("alfalfa", "clover")) {
  hay <- heady[heady$crop == crop, ]
  fit <- lm(yield ~ sqrt(K) + sqrt(P) + K + P + sqrt(K * P), hay)
  show(paste(crop, "coef"), coef(fit))
  show(paste(crop, "se"), sqrt(diag(vcov(fit))))
}

welch <- open_data("welch_bermudagrass_npk.csv")
names(welch) <- c("N", "P", "K", "yield")
whole <- lm(yield ~ N * P * K + I(N^2) + I(P^2) + I(K^2), welch)
show("welch coef", coef(whole))
show("welch F of interaction", anova(lm(yield ~ N + P + K + I(N^2) + I(P^2) + I(K^2), welch), whole)$F[2])
show("welch F of P", anova(lm(yield ~ N * K + I(N^2) + I(K^2), welch), whole)$F[2])
show("welch best .12 .18 .07 /25", best(whole, c(.12, .18, .07) / 25, c("N", "P", "K"), c(0, 0, 0), c(400, 88, 168)))
show("welch best .30 .10 .20 /20", best(whole, c(.30, .10, .20) / 20, c("N", "P", "K"), c(0, 0, 0), c(400, 88, 168)))

potato <- open_data("eden_fisher_potato_nk.csv")
potato <- potato[potato$year == "1926b", ]
potato <- setNames(potato[, c("block", "n_cwt_ac", "k_cwt_ac", "yield_lb_plot")], c("block", "N", "K", "yield"))
fit <- lm(yield ~ block + N + K + I(N^2) + I(K^2) + N:K, potato)
show("potato coef", coef(fit)[-(2:4)])
show("potato se", sqrt(diag(vcov(fit)))[-(2:4)])
show("potato F of interaction", anova(update(fit, . ~ . - N:K), fit)[2, c("F", "Pr(>F)")])
show("potato aicc", c(aicc(fit), aicc(lm(yield ~ block + sqrt(N) + sqrt(K) + N + K + sqrt(N * K), potato))))

pea <- open_data("rothamsted_pea_npk.csv")
fit <- lm(yield ~ factor(block) + N + P + K + N:P + N:K + P:K, pea)
show("pea coef", coef(fit)[-(2:6)])
show("pea se", sqrt(diag(vcov(fit)))[-(2:6)])
show("pea F of N", anova(lm(yield ~ factor(block) + P + K + P:K, pea), fit)[2, c("F", "Pr(>F)")])
