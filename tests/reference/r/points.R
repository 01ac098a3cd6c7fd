# Yields of a harvest log and limits on them: tests/trials/test_points.py. Bushels of a record are its flow times its
# seconds, dried to 15.5 % moisture, in bushels of 56 lb; its ground is the distance times 360 inches.
source("tests/reference/r/common.R")
log <- open_data("gartner_corn_yieldmonitor.csv")
bushels <- log$mass * log$seconds * (100 - log$moist) / 84.5 / 56
acres <- log$dist * 360 / (43560 * 144)
yield <- bushels / acres
expect("records", nrow(log), 4949, 0)
expect("acres, bushels, mean by area", c(sum(acres), sum(bushels), sum(bushels) / sum(acres)),
       c(67.636765, 9027.154365, 133.465199), c(5e-7, 5e-6, 5e-7))
expect("mean, median, SD, highest", c(mean(yield), median(yield), sd(yield), max(yield)),
       c(133.455022, 136.639841, 22.264651, 258.390722), c(5e-7, 5e-7, 5e-7, 2e-6))
expect("first record, its speed [mph]", c(yield[1], log$dist[1] / log$seconds[1] * 3600 / 63360),
       c(128.368807, 2.196970), 5e-7)
within <- function(v) abs(v - mean(v)) <= 3 * sd(v)
high <- yield[yield > 50]
told <- function(what, v, held) expect(what, c(length(v), mean(v)), held, c(0, 2e-6))
told("above 50", high, c(4861, 135.404176))
told("within 3 SD", yield[within(yield)], c(4816, 135.756965))
told("above 50, then within 3 SD", high[within(high)], c(4761, 136.040474))
expect("above 50, by area", sum(bushels[yield > 50]) / sum(acres[yield > 50]), 135.286633, 5e-7)
finish()
