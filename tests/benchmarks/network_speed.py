"""Speed of the nonlinear mixed model against R's nlme, at the same likelihood, in the same run.

Run ``python tests/benchmarks/network_speed.py [sites]`` with R and nlme at hand. Invented sites as those of
``tests/reference/r/network_sites.R``, level, slope and bend random and correlated, 12 strips each. Both are
timed in processor seconds, the fit alone, reading left out. nlme's own likelihood is that of a linearised
model; ``integral`` is the likelihood itself, by 41 nodes, at each one's estimates.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.response.mixed_curve import Effects, SiteData, centred, evaluate
from fertkit.response.mixed_fit import fit_mixed
from fertkit.response.sums import make_sweep, stack

R = Path(__file__).parents[1] / "reference" / "r" / "network_sites.R"
SCRIPT = """
suppressPackageStartupMessages(library(nlme))
d <- read.csv("{data}"); d$x <- d$rate_kg_ha / 100
qp <- function(x, s) {{ u <- pmin(x, exp(s)); u * (1 - 0.5 * u / exp(s)) }}
mit <- function(x, s) exp(s) * (1 - exp(-x / exp(s)))
time <- system.time(fit <- nlme({y} ~ a + b * {curve}(x, s), d, a + b + s ~ 1, a + b + s ~ 1 | site,
                    start = c(6, 4.5, {start})))
D <- as.matrix(fit$modelStruct$reStruct[[1]]) * fit$sigma^2
cat(time[["user.self"]], logLik(fit), fixef(fit), D[upper.tri(D, TRUE)], fit$sigma, sep = "\\n")
"""


def quadratic_plateau(x, s):
    join = np.exp(s[0])
    u = np.minimum(x, join)
    return [np.ones_like(x), u * (1 - 0.5 * u / join)]


def mitscherlich(x, s):
    return [np.ones_like(x), -np.exp(s[0]) * np.expm1(-x / np.exp(s[0]))]


def theta_of(means, spread, sigma):
    """Our parameters of R's estimates."""
    full = np.zeros((3, 3))
    full[[0, 0, 1, 0, 1, 2], [0, 1, 1, 2, 2, 2]] = spread
    tau = np.sqrt(full[2, 2])
    joint = full[:2, 2] / tau
    rest = full[:2, :2] + np.triu(full[:2, :2], 1).T - np.outer(joint, joint)
    factor = np.linalg.cholesky(rest) / sigma
    return np.array([*means, factor[0, 0], factor[1, 0], factor[1, 1], *joint, tau, np.log(sigma)])


def compare(table, path, column, curve, columns, start):
    """Time both on one set, as a row."""
    parts = [rows for _, rows in table.groupby("site", sort=False)]
    sums = [make_sweep(p["rate_kg_ha"].to_numpy() / 100).sums(p[column].to_numpy()) for p in parts]
    data = SiteData.of_sums(stack(sums))
    effects = Effects(columns, (np.ones((len(parts), 1)),) * 3)
    began = time.process_time()
    fit = fit_mixed(data, effects, [start])
    ours = time.process_time() - began
    script = SCRIPT.format(data=path, y=column, curve=curve, start=start)
    out = subprocess.run(["Rscript", "-e", script], capture_output=True, text=True, check=True).stdout
    theirs, likelihood, *rest = map(float, out.split())
    theta = theta_of(rest[:3], rest[3:9], rest[9])
    integral = [
        evaluate(data, effects, t, centred(data, effects, t, 41), slopes=False).log_likelihood.sum()
        for t in (fit.theta, theta)
    ]
    return {"curve": curve, "sites": len(parts), "ours_s": ours, "nlme_s": theirs, "ratio": theirs / ours,
            "integral_ours": integral[0], "integral_nlme": integral[1],
            "nlme_linearised": likelihood}  # fmt: skip


def main(sites=400):
    """Make the sites in R, fit both curves both ways, print the rows."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "sites.csv")
        make = R.read_text().replace("sites <- 40", f"sites <- {sites}")
        make = make.replace("tests/reference/response/network_sites.csv", str(path))
        subprocess.run(["Rscript", "-e", make], check=True, capture_output=True)
        table = pd.read_csv(path)
        sets = [
            ("yield_mit_t_ha", "mit", mitscherlich, -0.4),
            ("yield_qp_t_ha", "qp", quadratic_plateau, 0.4),
        ]
        compare(table, path, *sets[0])  # libraries are loaded
        rows = [compare(table, path, *one) for one in sets]
    print(pd.DataFrame(rows).round(3).to_string(index=False))
    return rows


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
