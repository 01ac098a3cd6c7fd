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

# ---- augmented layout: checks in four blocks, entries once
layout <- read.csv("tests/cases/strips/checks_and_entries.csv")
layout <- transform(layout, y = Yield..bu.ac., block = factor(Block), entry = factor(Entry))
check <- grepl("^Check", layout$Entry)
layout$kind <- check
layout$own <- factor(ifelse(check, layout$Entry, "entry"))
table <- anova(lm(y ~ block + kind + own + entry, layout))
expect("augmented squares", table[["Sum Sq"]],
       c(245.58375, 0.520083333, 68.0116667, 234.99825, 16.375), 1e-6)
expect("augmented F", table[["F value"]][1:4], c(29.994961832, 0.190564885, 12.460152672, 4.531906790), 1e-6)
fit <- lm(y ~ block + entry, layout)
means <- emmeans(fit, "entry")
sed <- function(a, b) {
  at <- as.data.frame(pairs(means, adjust = "none"))
  at$SE[at$contrast %in% c(paste(a, "-", b), paste(b, "-", a))]
}
expect("augmented errors", c(sed("Check A", "Check B"), sed("Check A", "E11"), sed("E11", "E12"), sed("E11", "E21")),
       c(1.16815381, 2.02330176, 2.33630763, 2.69773568), 1e-6)
expect("augmented means", as.data.frame(means)$emmean[match(c("E11", "E25", "Check A"), as.data.frame(means)$entry)],
       c(65.7333333, 55.8333333, 59.2), 1e-6)

# ---- means adjusted by neighbouring checks: along a line, and on a grid with diagonal checks
beside <- function(file, near) {
  trial <- read.csv(file.path("tests/cases/strips", file))
  trial <- transform(trial, y = Yield..bu.ac.)
  names(trial)[names(trial) == "Variety"] <- "Treatment"
  check <- trial$Treatment == "Check"
  off <- ifelse(check, trial$y - mean(trial$y[check]), NA)
  trial$x <- vapply(seq_len(nrow(trial)), function(i) near(trial, check, off, i), 0)
  trial$x <- trial$x - mean(trial$x)
  trial
}
along <- beside("checks_beside.csv", function(trial, check, off, i) {
  gap <- trial$Position - trial$Position[i]
  left <- which(check & gap < 0)
  right <- which(check & gap > 0)
  at <- c(left[which.max(gap[left])], right[which.min(gap[right])])
  weighted.mean(off[at], 1 / abs(gap[at]))
})
table <- anova(lm(y ~ factor(Rep) + x + Treatment, along))
expect("near checks, line, F", table[["F value"]][2:3], c(5.68685128, 2.06778865), 1e-7)
expect("near checks, line, share", coef(lm(y ~ factor(Rep) + x + Treatment, along))["x"], 0.461646933, 1e-8)
expect("near checks, line, means", as.data.frame(emmeans(lm(y ~ factor(Rep) + x + Treatment, along), "Treatment"))$emmean,
       c(49.9902150, 46.6544501, 46.4005364, 46.2415247, 45.9672188, 47.1133208, 46.7414934), 1e-6)
grid <- beside("diagonal_checks.csv", function(trial, check, off, i) {
  apart <- sqrt((trial$Row - trial$Row[i])^2 + (trial$Column - trial$Column[i])^2)
  apart[!check | apart == 0] <- Inf
  at <- which(apart <= sort(apart)[4] + 1e-9)
  weighted.mean(off[at], 1 / apart[at])
})
fit <- lm(y ~ x + Treatment, grid)
expect("near checks, grid, share and error", c(coef(fit)["x"], sigma(fit)^2, df.residual(fit)),
       c(1.60629815, 1.22759804, 14), 1e-7)
expect("near checks, grid, check and N01", as.data.frame(emmeans(fit, "Treatment"))$emmean[1:2],
       c(54.2938762, 57.2527652), 1e-6)
finish()
