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

# ---- strip plots, split plots with lost parts, factorials: Yates' oats taken as each
suppressPackageStartupMessages({library(lme4); library(lmerTest); library(pbkrtest)})
oats <- open_data("yates_oats_splitplot_n.csv")
oats <- transform(oats, block = factor(block), gen = factor(gen), n = factor(n_cwt_ac))
strata <- summary(aov(yield_qlb_plot ~ gen * n + Error(block / (gen + n)), oats))
a <- strata[["Error: block:gen"]][[1]]
b <- strata[["Error: block:n"]][[1]]
both <- strata[["Error: Within"]][[1]]
expect("strip plot F", c(a[1, "F value"], b[1, "F value"], both[1, "F value"]), c(1.485340, 55.980520, 0.260291), 5e-6)
expect("strip plot errors", c(a[2, "Mean Sq"], b[2, "Mean Sq"], both[2, "Mean Sq"]),
       c(601.330556, 119.211111, 206.019444), 1e-5)
table <- anova(lm(yield_qlb_plot ~ block + gen * n, oats))
expect("factorial F", table[c("gen", "n", "gen:n"), "F value"], c(3.513427, 26.250969, 0.210940), 5e-6)
lost <- oats[-c(5, 18, 41), ]
options(contrasts = c("contr.sum", "contr.poly"))
tight <- lmerControl(calc.derivs = FALSE, check.conv.singular = "ignore")
split <- lmer(yield_qlb_plot ~ gen * n + (1 | block) + (1 | block:gen), lost, control = tight)
table <- anova(split, ddf = "Kenward-Roger")
expect("split plot, lost parts, F", table[["F value"]], c(1.38401, 33.57604, 0.35761), 5e-6)
expect("split plot, lost parts, df", table[["DenDF"]], c(9.97176720, 42.35380279, 42.29430367), 1e-5)
expect("split plot, lost parts, means", as.data.frame(emmeans(split, "n"))$emmean,
       c(80.86233, 98.88889, 113.91945, 123.38889), 1e-5)
expect("split plot, lost parts, errors", as.data.frame(pairs(emmeans(split, "gen")))$SE,
       c(7.507308, 7.476667, 7.448628), 1e-5)
strip <- lmer(yield_qlb_plot ~ gen * n + (1 | block) + (1 | block:gen) + (1 | block:n), lost, control = tight)
table <- anova(strip, ddf = "Kenward-Roger")
expect("strip plot, lost parts, F", table[["F value"]], c(1.38321, 33.40442, 0.35613), 5e-6)
expect("strip plot, lost parts, df", table[["DenDF"]], c(9.971745518, 14.579377129, 28.607897548), 1e-5)

# ---- products against the check, a strip lost: differences and Dunnett by the multivariate t
products <- read.csv("tests/cases/strips/products.csv")
products <- transform(products, y = suppressWarnings(as.numeric(Yield..bu.ac.)), rep = factor(Rep))
fit <- lm(y ~ rep + Product, products)
set.seed(1)
against <- as.data.frame(contrast(emmeans(fit, "Product"), "trt.vs.ctrl", ref = "Untreated", adjust = "mvt"))
expect("products over the check", against$estimate, c(0.0888889, 1.85, 7.45), 1e-6)
expect("products, Dunnett p", against$p.value, c(0.99979, 0.3617, 0.00064), 1e-3)
finish()
