# Strip trials, split plots, pairs and power: tests/trials/test_analyse.py, test_splitplot.py, test_paired.py,
# test_power.py, test_compare.py.
source("tests/reference/r/common.R")

# ---- complete blocks: Gomez & Gomez rice, Snedecor beets
rice <- transform(open_data("gomez_rice_seedrate_rcbd.csv"), rate = factor(seed_kg_ha), rep = factor(rep))
fit <- aov(yield_kg_ha ~ rep + rate, rice)
table <- summary(fit)[[1]]
expect("rice squares", table[["Sum Sq"]], c(1944361, 1198331, 1658376), 0.5)
expect("rice F, p", c(table[2, "F value"], table[2, "Pr(>F)"]), c(2.16778, 0.1128), 5e-5)
ms <- table[3, "Mean Sq"]
expect("rice error ms", ms, 110558.41, 0.01)
expect("rice sed, LSD at 5 and 1 %", sqrt(ms / 2) * c(1, qt(c(0.975, 0.995), 15)), c(235.115, 501.136, 692.817), 5e-4)
expect("rice cv", 100 * sqrt(ms) / mean(rice$yield_kg_ha), 6.704, 5e-4)

beets <- open_data("snedecor_beets_rcbd.csv")
beets$fert <- factor(ifelse(is.na(beets$fert) | beets$fert == "", "none", beets$fert))
table <- summary(aov(yield ~ factor(block) + fert, beets))[[1]]
expect("beets squares", table[["Sum Sq"]][1:2], c(6.3133, 112.8561), 5e-5)
expect("beets F", table[2, "F value"], 24.2882, 5e-5)
expect("beets error ms", table[3, "Mean Sq"], 0.774423, 5e-7)

suppressPackageStartupMessages(library(emmeans))
lost <- transform(open_data("hildebrand_missing_plot.csv"), trt = factor(trt), block = factor(block))
fit <- lm(y ~ block + trt, lost)
table <- anova(fit)
expect("lost strip squares", table[["Sum Sq"]][2:3], c(196, 10.6667), 5e-5)
expect("lost strip F, p", c(table[2, "F value"], table[2, "Pr(>F)"]), c(27.5625, 0.011726), 5e-7)
filled <- transform(lost, y = ifelse(is.na(y), 32, y))
expect("lost strip means", summary(emmeans(fit, "trt"))$emmean, tapply(filled$y, filled$trt, mean), 1e-8)

expect("Tukey q(.05; 15, 42), D", qtukey(0.95, 15, 42) * c(1, sqrt(0.2624 / 4)), c(5.09057, 1.30382), 5e-6)

# ---- factorial in incomplete blocks, lack of fit
peas <- transform(open_data("rothamsted_pea_npk.csv"), block = factor(block))
table <- anova(lm(yield ~ block + N * P * K, peas))
expect("peas squares", table[c("block", "N", "P", "K", "Residuals"), "Sum Sq"],
       c(343.295, 189.2817, 8.4017, 95.2017, 185.2867), 5e-5)
expect("peas F, p of N and K", unlist(table[c("N", "K"), c("F value", "Pr(>F)")]),
       c(12.2587, 6.1657, 0.00437, 0.02880), 5e-5)
wheat <- open_data("bachmaier_wheat_n.csv")
held <- list(low = c(0.8337, 0.580), high = c(0.6526, 0.728))
for (zone in names(held)) {
  mine <- wheat[wheat$zone == zone, ]
  table <- anova(lm(yield_t_ha ~ n_kg_ha + I(n_kg_ha^2), mine), lm(yield_t_ha ~ factor(n_kg_ha), mine))
  expect(paste("lack of fit,", zone), c(table[2, "F"], table[2, "Pr(>F)"]), held[[zone]], 5e-4)
}

# ---- split plot: Yates' oats
oats <- open_data("yates_oats_splitplot_n.csv")
oats <- transform(oats, block = factor(block), gen = factor(gen), n = factor(n_cwt_ac))
strata <- summary(aov(yield_qlb_plot ~ gen * n + Error(block / gen), oats))
whole <- strata[["Error: block:gen"]][[1]]
part <- strata[["Error: Within"]][[1]]
expect("oats squares", c(whole[["Sum Sq"]], part[["Sum Sq"]]), c(1786.36, 6013.31, 20020.5, 321.75, 7968.75), 0.05)
expect("oats F", c(whole[1, "F value"], part[1:2, "F value"]), c(1.4853, 37.6857, 0.3028), 1e-4)
ea <- whole[2, "Mean Sq"]
eb <- part[3, "Mean Sq"]
mixed <- 3 * eb + ea
sed <- sqrt(c(2 * ea / 24, 2 * eb / 18, 2 * eb / 6, 2 * mixed / 24))
t <- c(qt(0.975, 10), qt(0.975, 45), qt(0.975, 45), (3 * eb * qt(0.975, 45) + ea * qt(0.975, 10)) / mixed)
expect("oats standard errors of differences", sed, c(7.0789, 4.4358, 7.6830, 9.7150), 1e-4)
expect("oats least significant differences", sed * t, c(15.773, 8.934, 15.474, 20.670), 2e-3)

# ---- pairs: Darwin's maize, and Fieller's interval of their ratio
maize <- open_data("darwin_maize_pairs.csv")
cross <- maize$height[maize$type == "cross"]
self <- maize$height[maize$type == "self"]
found <- t.test(cross, self, paired = TRUE)
expect("maize difference, sd, t, p", c(found$estimate, sd(cross - self), found$statistic, found$p.value),
       c(2.616667, 4.718047, 2.147987, 0.0497029), 5e-7)
expect("maize interval", found$conf.int, c(0.0038992, 5.2294342), 5e-7)
expect("maize, t without pairs", t.test(cross, self, var.equal = TRUE)$statistic, 2.437113, 5e-7)
fieller <- function(top, bottom, v11, v22, v12, reach) {
  a <- bottom^2 - reach^2 * v22
  b <- top * bottom - reach^2 * v12
  (b + c(-1, 1) * sqrt(b^2 - a * (top^2 - reach^2 * v11))) / a
}
spread <- cov(cbind(cross, self)) / 15
expect("maize covariance of means", spread[c(1, 2, 4)], c(0.872153, -0.165610, 0.280625), 5e-7)
expect("maize ratio and interval", c(mean(cross) / mean(self), fieller(mean(cross), mean(self), spread[1], spread[4],
       spread[2], qt(0.975, 14))), c(1.148886, 1.000212, 1.312156), 5e-7)

# ---- power
expect("power.t.test, help page", c(power.t.test(20, 1, 1)$power, power.t.test(power = 0.9, delta = 1)$n,
       power.t.test(power = 0.9, delta = 1, alternative = "one.sided")$n), c(0.868953, 22.02110, 17.84713), 2e-5)
expect("six pairs", c(power.t.test(6, 5, 4, type = "paired")$power,
       power.t.test(delta = 5, sd = 4, power = 0.8, type = "paired")$n), c(0.689271, 7.17164), 2e-5)
plans <- expand.grid(difference = c(5, 10), cv = c(4, 6, 8, 10))
pairs <- mapply(function(d, cv) power.t.test(delta = d, sd = cv * sqrt(2), power = 0.8, type = "paired")$n,
                plans$difference, plans$cv)
expect("pairs for 80 %", pairs, c(12.106, 4.748, 24.595, 7.783, 42.147, 12.106, 64.738, 17.714), 6e-4)
blocks <- function(t, cv, d, r) {
  df <- (t - 1) * (r - 1)
  reach <- qt(0.975, df)
  away <- d / (cv * sqrt(2 / r))
  pt(reach, df, away, lower.tail = FALSE) + pt(-reach, df, away)
}
expect("power of complete blocks", c(blocks(2, 5, 10, 7), blocks(4, 5, 10, 5), blocks(4, 8, 10, 11), blocks(6, 5, 5, 17)),
       c(0.8737, 0.8268, 0.8096, 0.8213), 6e-5)
finish()
