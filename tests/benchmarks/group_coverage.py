"""Error rates and coverage of curves by group, in simulated trials.

Two groups on quadratics with optima of 100 and, where they differ, 140 lb/ac, at 0, 40, ..., 200 lb/ac:

* ``split``: whole strips of a group in each of 4 blocks (SD 4), split for the rates (SD 3);
* ``mixed``: plots of both groups drawn at random in each of 4 blocks (SD 3);
* ``zones``: each group in 4 blocks of its own (SD 4 between blocks, 3 within);
* ``strips``: 24 strips of one rate each (SD 3) that run through both groups (SD 3 within), told as `cluster`.

Of 100 trials: how often yields and shapes are said to differ where they do not; how often optima are, and a
rate for each group to pay; how often the 95 % intervals hold the true difference of optima and the true net
gain, which is that of the two rates reported over the common rate reported.

    python tests/benchmarks/group_coverage.py 300 100    # writes tests/reference/coverage/groups.csv
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.response import compare_groups
from fertkit.response.curves import CURVES
from fertkit.response.group_models import rows_of
from fertkit.response.groups import group_rows

RATES = np.arange(0, 201, 40)
PRICES = {"nutrient_price": 0.5, "grain_price": 5.0}
#: Slope at 0 and curvature: (0.4 - 0.1) / (2 c) is the optimum.
CURVATURE = {100: 0.0015, 140: 0.3 / 280}
OUT = Path(__file__).parent.parent / "reference" / "coverage" / "groups.csv"


def yields(rate, optimum):
    return 100 + 0.4 * rate - CURVATURE[optimum] * rate**2


def trial(layout: str, optima, rng) -> pd.DataFrame:
    """One trial of two groups."""
    rows = []
    for block in range(4):
        for group, optimum in zip("AB", optima, strict=True):
            whole = rng.normal(0, 4) if layout in ("split", "zones") else 0.0
            for rate in RATES:
                own = block if layout != "zones" else f"{group}{block}"
                rows.append((group, own, rate, yields(rate, optimum) + whole + rng.normal(0, 3)))
    table = pd.DataFrame(rows, columns=["zone", "block", "rate_lb_ac", "yield_bu_ac"])
    if layout == "strips":
        shared = rng.normal(0, 3, (4, len(RATES)))
        at = np.searchsorted(RATES, table["rate_lb_ac"])
        table["yield_bu_ac"] += shared[table["block"].astype(int), at]
        table["run"] = [f"{b} {i}" for b, i in zip(table["block"], at, strict=True)]
        table = table.drop(columns="block")
    return table


def false_alarms(layout, n, rng) -> dict:
    """Percent of trials of two groups alike in which an F test of the true curve tells them apart."""
    p = []
    for _ in range(n):
        table = trial(layout, (100, 100), rng)
        grouping = group_rows(table, "zone", "run" if layout == "strips" else None)
        p.append([row[-1] for row in list(rows_of(grouping, CURVES["quadratic"]))[1:]])
    yields_differ, shapes_differ = 100 * (np.array(p, float) < 0.05).mean(axis=0)
    return {"yields differ": yields_differ, "shapes differ": shapes_differ}


def said(layout, optima, n, rng, curve) -> dict:
    """Percent of trials in which something is said, or an interval holds the truth."""
    return 100 * pd.DataFrame([_one(layout, optima, rng, curve) for _ in range(n)]).mean()


def _one(layout, optima, rng, curve):
    result = compare_groups(trial(layout, optima, rng), "zone", curve=curve, **PRICES)
    pair, net = result.differences.iloc[0], result.net_of_groups
    low = -np.inf if pair["low_open"] else pair["low"]
    high = np.inf if pair["high_open"] else pair["high"]
    gained = np.mean([
        money(rate, optimum) - money(result.common_rate, optimum)
        for rate, optimum in zip(result.groups["rate"], optima, strict=True)
    ])  # fmt: skip
    return {
        "optima differ": pair["apart"], "a rate for each pays": result.pays,
        "difference held": low <= optima[1] - optima[0] <= high,
        "net gain held": net.low <= gained <= net.high,
    }  # fmt: skip


def money(rate, optimum):
    return PRICES["grain_price"] * yields(rate, optimum) - PRICES["nutrient_price"] * rate


def main(alarms=300, intervals=100):
    rows, rng = [], np.random.default_rng(5)
    for layout in ("strips", "split", "mixed", "zones"):
        rows += [(layout, 100, 100, "quadratic", what, share, alarms)
                 for what, share in false_alarms(layout, alarms, rng).items()]  # fmt: skip
    for seed, optima in ((2, (100, 100)), (3, (100, 140))):
        rng = np.random.default_rng(seed)
        shares = said("split", optima, intervals, rng, "quadratic")
        rows += [("split", *optima, "quadratic", what, share, intervals) for what, share in shares.items()]
    names = ["layout", "optimum_a", "optimum_b", "curve", "quantity", "percent", "trials"]
    pd.DataFrame(rows, columns=names).round(1).to_csv(OUT, index=False)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
