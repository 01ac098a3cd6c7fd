# Makes tests/reference/response/network_sites.csv: invented sites whose level, slope and join (or rate of bending)
# vary and go together, and depend on a soil test and the previous crop. Run from the root of the checkout.
set.seed(18)
sites <- 40; rates <- seq(0, 200, 40); reps <- 2
soil <- round(runif(sites, 4, 24), 1); after <- rep(c("corn", "soybean"), length.out = sites)
sd <- c(1.2, 0.008, 0.22)
cor <- matrix(c(1, -0.4, 0.3, -0.4, 1, -0.3, 0.3, -0.3, 1), 3)
own <- matrix(rnorm(sites * 3), sites) %*% chol(diag(sd) %*% cor %*% diag(sd))
level <- 6 + 0.08 * (soil - 14) + 0.9 * (after == "soybean") + own[, 1]
slope <- 0.045 - 0.0012 * (soil - 14) + own[, 2]
shape <- log(110) - 0.025 * (soil - 14) + own[, 3]
rise <- list(lp = function(x, s) pmin(x, exp(s)),
             qp = function(x, s) { u <- pmin(x, 1.5 * exp(s)); u * (1 - 0.5 * u / (1.5 * exp(s))) },
             mit = function(x, s) 0.6 * exp(s) * (1 - exp(-x / (0.6 * exp(s)))))
d <- expand.grid(rep = seq_len(reps), rate_kg_ha = rates, i = seq_len(sites))
for (key in names(rise)) {
  mean <- level[d$i] + slope[d$i] * rise[[key]](d$rate_kg_ha, shape[d$i])
  d[[paste0("yield_", key, "_t_ha")]] <- round(mean + rnorm(nrow(d), 0, 0.35), 3)
}
out <- data.frame(site = sprintf("S%02d", d$i), soil_p_ppm = soil[d$i], previous_crop = after[d$i], rep = d$rep,
                  d[c("rate_kg_ha", "yield_lp_t_ha", "yield_qp_t_ha", "yield_mit_t_ha")])
write.csv(out, "tests/reference/response/network_sites.csv", row.names = FALSE, quote = FALSE)
