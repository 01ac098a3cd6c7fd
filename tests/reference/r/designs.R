# Designs beside complete blocks: tests/trials/test_letters.py, test_strata.py, test_neighbours.py, test_augmented.py.
source("tests/reference/r/common.R")
suppressPackageStartupMessages(library(emmeans))

# ---- letters and their distance: Gomez & Gomez rice
rice <- transform(open_data("gomez_rice_seedrate_rcbd.csv"), rate = factor(seed_kg_ha), rep = factor(rep))
fit <- lm(yield_kg_ha ~ rep + rate, rice)
ms <- anova(fit)["Residuals", "Mean Sq"]
expect("rice, Tukey's distance", qtukey(0.95, 6, 15) * sqrt(ms / 4), 763.882132, 1e-3)
expect("rice, smallest Tukey p", min(summary(pairs(emmeans(fit, "rate"), adjust = "tukey"))$p.value), 0.1689672, 1e-6)

# ---- no worse than the check by a margin: Snedecor's beets, PKN the check (1.5) and PK the check (0.6)
beets <- open_data("snedecor_beets_rcbd.csv")
beets$fert <- factor(ifelse(is.na(beets$fert) | beets$fert == "", "none", beets$fert))
fit <- lm(yield ~ factor(block) + fert, beets)
margin <- function(check, delta, side, which) {
  against <- contrast(emmeans(fit, "fert"), "trt.vs.ctrl", ref = check, adjust = "none")
  found <- as.data.frame(test(against, delta = delta, side = side))
  found$p.value[match(paste(which, "-", check), found$contrast)]
}
few <- c("K", "P", "PK", "PN")
expect("beets, p of being worse", margin("PKN", 1.5, "noninferiority", few), c(0.9999533543, 0.6682994980, 0.1111071683, 0.0110359007), 1e-9)
expect("beets, p of equivalence", margin("PKN", 1.5, "equivalence", few), c(0.9999533543, 0.6682994980, 0.1111071683, 0.0110359007), 1e-9)
expect("beets, p of being worse than PK", margin("PK", 0.6, "noninferiority", "PKN"), 0.0035758615, 1e-9)
expect("beets, p of equivalence to PK", margin("PK", 0.6, "equivalence", "PKN"), 0.698229713, 1e-9)
finish()
