"""Error rates and coverage of curves by group, in simulated trials.

Run ``python tests/benchmarks/group_coverage.py [tests] [intervals] [folder]``; a fixed seed, one process,
under six minutes of processor. Writes groups.csv to ``tests/reference/coverage``. Two groups at 0, 40, ...,
200 lb/ac, with optima of 100 and, where they differ, 140 lb/ac, on quadratics or linear-plateaus:

* ``split``: whole strips of a group in each of 4 blocks (SD 4), split for the rates (SD 3);
* ``mixed``: plots of both groups drawn at random in each of 4 blocks (SD 3);
* ``zones``: each group in 4 blocks of its own (SD 4 between blocks, 3 within);
* ``strips``: 24 strips of one rate each (SD 3) that run through both groups (SD 3 within), told as `cluster`.

Of 100 trials: how often yields and shapes are said to differ where they do not (F tests of the true curve);
how often optima are, and a rate for each group to pay; how often the 95 % intervals hold the true difference
of optima and the true net gain, which is that of the two rates reported over the common rate reported. Curves
are the true one, told beforehand, or weighted as in an answer.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.response.curves import CURVES
from fertkit.response.group_models import f_tests
from fertkit.response.grouping import group_rows
from fertkit.response.groups import GroupedResponse, analyses_of
from fertkit.response.prices import Prices
from fertkit.rounding import at_most

SEED = 20261129
RATES = np.arange(0, 201, 40)
PRICES = Prices(nutrient=0.5, grain=5.0)
#: Parameters by the optimum: (0.4 - 0.1) / (2 c) for the quadratic, the join for the linear-plateau.
TRUTH = {
    "quadratic": {100: (100.0, 0.4, -0.0015), 140: (100.0, 0.4, -0.3 / 280)},
    "linear_plateau": {100: (100.0, 0.3, 100.0), 140: (100.0, 0.3, 140.0)},
}
LAYOUTS = ("strips", "split", "mixed", "zones")
AVERAGED = "averaged"
FOLDER = Path(__file__).parents[1] / "reference" / "coverage"


def yields(rate, optimum, curve="quadratic"):
    return CURVES[curve].value(np.asarray(rate, float), np.array(TRUTH[curve][optimum]))


def trial(layout: str, optima, rng, curve="quadratic") -> pd.DataFrame:
    """One trial of two groups."""
    block, group, rate = (v.ravel() for v in np.meshgrid(range(4), range(2), RATES, indexing="ij"))
    whole = rng.normal(0, 4, (4, 2))[block, group] * (layout in ("split", "zones"))
    mean = np.where(group == 0, *(yields(rate, optimum, curve) for optimum in optima))
    table = pd.DataFrame({
        "zone": np.array(["A", "B"])[group], "block": block, "rate_lb_ac": rate,
        "yield_bu_ac": mean + whole + rng.normal(0, 3, len(rate)),
    })  # fmt: skip
    if layout == "zones":
        table["block"] = table["zone"] + table["block"].astype(str)
    if layout == "strips":
        table["yield_bu_ac"] += rng.normal(0, 3, (4, len(RATES)))[block, np.searchsorted(RATES, rate)]
        table = table.assign(run=[f"{b} {r}" for b, r in zip(block, rate, strict=True)]).drop(columns="block")
    return table


def false_alarms(layout, n, rng) -> dict:
    """Percent of trials of two groups alike in which an F test of the true curve tells them apart."""
    cluster = "run" if layout == "strips" else None
    p = [
        [test[-1] for test in f_tests(group_rows(trial(layout, (100, 100), rng), "zone", cluster),
                                       CURVES["quadratic"])]
        for _ in range(n)
    ]  # fmt: skip
    yields_differ, shapes_differ = 100 * (np.array(p, float) < 0.05).mean(axis=0)
    return {"yields differ": yields_differ, "shapes differ": shapes_differ}


def said(layout, optima, n, rng, truth, curve) -> dict:
    """Percent of trials in which something is said, or an interval holds the truth."""
    return 100 * pd.DataFrame([_one(layout, optima, rng, truth, curve) for _ in range(n)]).mean()


def _one(layout, optima, rng, truth, curve):
    grouping = group_rows(trial(layout, optima, rng, truth), "zone")
    analyses = analyses_of(grouping, "zone", PRICES, None if curve == AVERAGED else curve)
    result = GroupedResponse("zone", analyses, grouping, pd.DataFrame(), dict.fromkeys(analyses, 0.5))
    pair, net = result.differences.iloc[0], result.net_of_groups
    low = -np.inf if pair["low_open"] else pair["low"]
    high = np.inf if pair["high_open"] else pair["high"]
    gained = np.mean([
        _money(rate, optimum, truth) - _money(result.common_rate, optimum, truth)
        for rate, optimum in zip(result.groups["rate"], optima, strict=True)
    ])  # fmt: skip
    return {
        "optima differ": pair["apart"], "a rate for each pays": result.pays,
        "difference held": low <= optima[1] - optima[0] <= high,
        "net gain held": at_most(net.low, gained) and at_most(gained, net.high),
    }  # fmt: skip


def _money(rate, optimum, curve):
    return PRICES.grain * yields(rate, optimum, curve) - PRICES.nutrient * rate


def main(tests=300, intervals=150, folder=FOLDER):
    """Write the table."""
    cases = [(layout, (100, 100), "quadratic", "quadratic") for layout in LAYOUTS]
    cases += [("split", optima, truth, curve) for truth in TRUTH for curve in (truth, AVERAGED)
              for optima in ((100, 100), (100, 140))]  # fmt: skip
    rows = []
    for i, (case, rng) in enumerate(zip(cases, np.random.default_rng(SEED).spawn(len(cases)), strict=True)):
        layout, optima, truth, curve = case
        start, n = time.process_time(), tests if i < len(LAYOUTS) else intervals
        shares = (
            false_alarms(layout, n, rng) if i < len(LAYOUTS) else said(layout, optima, n, rng, truth, curve)
        )
        rows += [(layout, *optima, truth, curve, what, share, n) for what, share in shares.items()]
        print(*case, f"{time.process_time() - start:.0f} s", dict(shares), flush=True)
    names = ["layout", "optimum_a", "optimum_b", "truth", "curve", "quantity", "percent", "trials"]
    pd.DataFrame(rows, columns=names).round(1).to_csv(Path(folder) / "groups.csv", index=False)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]), *sys.argv[3:])
