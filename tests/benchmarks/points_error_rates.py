"""Error rates of trials harvested with a yield monitor.

Run ``python tests/benchmarks/points_error_rates.py [trials]``. Points along a strip are correlated: a
first-order autoregression with a reach in points, on top of what a strip and a block share. Counted is how
often, at 5 %,

* rates are called different where none has an effect, by strips and, for contrast, with points as replicates;
* zones that share one quadratic response are called different in its shape, by the parts of strips in zones.

The tests are written out as sums of squares, for speed; ``tests/trials/test_points_error_rates.py`` holds
them against `fertkit.trials.analyse_strips` and `fertkit.response.groups.compare_groups`. The table in
``tests/reference/coverage/points.csv`` is what a full run writes.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import fdtrc

TABLE = Path(__file__).parents[1] / "reference" / "coverage" / "points.csv"
RATES, BLOCKS, ZONES, POINTS, ALPHA, TRIALS = (0, 50, 100, 150, 200), 4, 2, 160, 0.05, 6000


@dataclass(frozen=True)
class Case:
    """A field: reach of the correlation [points], spread of points, strips and blocks [bu/ac]."""

    reach: float
    points: float = 15.0
    strips: float = 2.0
    blocks: float = 4.0


CASES = (Case(1), Case(20), Case(80), Case(20, strips=0.0))


def harvest(rng, case, response):
    """Yields of points, a row a strip, with rate and block of each strip."""
    rate = np.concatenate([rng.permutation(RATES) for _ in range(BLOCKS)]).astype(float)
    block = np.repeat(np.arange(BLOCKS), len(RATES))
    rho = np.exp(-1 / case.reach)
    along = rng.normal(0, case.points, (len(rate), POINTS))
    along[:, 1:] *= np.sqrt(1 - rho**2)
    for i in range(1, POINTS):
        along[:, i] += rho * along[:, i - 1]
    level = rng.normal(0, case.strips, len(rate)) + rng.normal(0, case.blocks, BLOCKS)[block]
    return (150 + response(rate) + level)[:, None] + along, rate, block


def strips_of(yields, rate, block, zones=1) -> pd.DataFrame:
    """A row a strip and zone."""
    n = np.repeat(np.arange(len(rate)), zones)
    return pd.DataFrame({
        "block": block[n], "whole": n, "zone": np.tile(np.arange(zones), len(rate)).astype(str),
        "rate_lb_ac": rate[n], "yield_bu_ac": yields.reshape(len(rate), zones, -1).mean(axis=2).ravel(),
    })  # fmt: skip


def p_by_strips(yields, rate, block) -> float:
    """Probability of equal rates by the means of strips, blocks swept out."""
    return p_by_points(yields.mean(axis=1, keepdims=True), rate, block)


def p_by_points(yields, rate, block) -> float:
    """The same with every column of yields as a replicate."""
    mean = yields.mean()
    between = [
        sum(yields[of == k].size * (yields[of == k].mean() - mean) ** 2 for k in np.unique(of))
        for of in (rate, block)
    ]
    df, more = yields.size - len(RATES) - BLOCKS + 1, len(RATES) - 1
    left = ((yields - mean) ** 2).sum() - sum(between)
    return fdtrc(more, df, between[0] / more / (left / df))


def p_by_zones(yields, rate, _) -> float:
    """Probability of one quadratic shape in both zones: differences within strips on the rate."""
    first, second = yields.reshape(len(rate), ZONES, -1).mean(axis=2).T
    apart = second - first
    design = np.column_stack([np.ones(len(rate)), rate, rate**2])
    left = ((apart - design @ np.linalg.lstsq(design, apart, rcond=None)[0]) ** 2).sum()
    df = len(rate) - 3
    return fdtrc(2, df, (((apart - apart.mean()) ** 2).sum() - left) / 2 / (left / df))


def bent(rate):
    """A quadratic response [bu/ac]."""
    return 0.5 * rate - 0.0015 * rate**2


ASKED = {
    "rates without effect, by strips": (np.zeros_like, p_by_strips),
    "rates without effect, points as replicates": (np.zeros_like, p_by_points),
    "zones of one response, by parts of strips": (bent, p_by_zones),
}


def run(case, trials, seed) -> list[dict]:
    """Share of trials called different, with its standard error."""
    rows = []
    for k, (name, (response, p)) in enumerate(ASKED.items()):
        rng = np.random.default_rng([seed, k])
        called = np.mean([p(*harvest(rng, case, response)) < ALPHA for _ in range(trials)])
        rows.append({
            "asked": name, "reach_points": case.reach, "sd_points": case.points, "sd_strips": case.strips,
            "trials": trials, "called_pct": round(100 * called, 2),
            "se_pct": round(100 * np.sqrt(called * (1 - called) / trials), 2),
        })  # fmt: skip
    return rows


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS
    table = pd.DataFrame([row for i, case in enumerate(CASES) for row in run(case, count, i)])
    if count == TRIALS:
        table.to_csv(TABLE, index=False)
    print(table.to_string(index=False))
