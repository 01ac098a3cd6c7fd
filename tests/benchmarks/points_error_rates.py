"""Error rates of trials harvested with a yield monitor: ``python tests/benchmarks/points_error_rates.py [n]``.

Points along a strip are correlated: a first-order autoregression with a reach in points, on top of what a strip
and a block share. Counted is how often, at 5 %,

* rates are called different where none has an effect, by strips (as `fertkit.trials.analyse_strips` compares
  them) and, for contrast, with points as replicates;
* zones that share one response are called different in its shape, by the parts of strips in each zone (as
  `fertkit.response.groups.compare_groups` compares them, the strip as cluster).

The table in ``tests/reference/coverage/points.csv`` is what a full run writes.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import fdtrc

from fertkit.response.curves import CURVES
from fertkit.response.fit import fit_data
from fertkit.response.group_models import _shape_test
from fertkit.response.groups import _group
from fertkit.trials.analyse import analyse_strips

TABLE = Path(__file__).parents[1] / "reference" / "coverage" / "points.csv"
RATES, BLOCKS, ZONES, POINTS, ALPHA, TRIALS = (0, 50, 100, 150, 200), 4, 2, 160, 0.05, 400


@dataclass(frozen=True)
class Case:
    """A field: reach of the correlation [points], spread of points, strips and blocks [bu/ac]."""

    reach: float
    points: float = 15.0
    strips: float = 2.0
    blocks: float = 4.0


CASES = (Case(1), Case(20), Case(80))


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
    parts = yields.reshape(len(rate), zones, -1).mean(axis=2)
    n = np.repeat(np.arange(len(rate)), zones)
    return pd.DataFrame({
        "block": block[n], "whole": n, "zone": np.tile(np.arange(zones), len(rate)).astype(str),
        "rate_lb_ac": rate[n], "yield_bu_ac": parts.ravel(),
    })  # fmt: skip


def p_by_strips(yields, rate, block) -> float:
    """Probability of equal rates by strips."""
    table = strips_of(yields, rate, block)
    return analyse_strips(table[["block", "rate_lb_ac", "yield_bu_ac"]], check=0.0).p_value


def p_by_points(yields, rate, block) -> float:
    """The same with points as replicates, by sums of squares written out."""
    n, mean = yields.size, yields.mean()
    between = [
        sum(yields[of == k].size * (yields[of == k].mean() - mean) ** 2 for k in np.unique(of))
        for of in (rate, block)
    ]
    left = ((yields - mean) ** 2).sum() - sum(between)
    df = n - len(RATES) - BLOCKS + 1
    return fdtrc(len(RATES) - 1, df, between[0] / (len(RATES) - 1) / (left / df))


def p_by_zones(yields, rate, block) -> float:
    """Probability of one shape of response in both zones."""
    table = strips_of(yields, rate, block, ZONES)
    read = dict.fromkeys(("rate", "response", "blocks", "weight"))
    grouping = _group(table, table, "zone", "whole", read)
    return _shape_test(grouping, fit_data(grouping.within, CURVES["quadratic"]), ())[-1]


def run(case, trials, seed) -> list[dict]:
    """Share of trials called different, with its standard error."""
    flat, bent = (lambda rate: 0 * rate), (lambda rate: 0.5 * rate - 0.0015 * rate**2)
    asked = {
        "rates without effect, by strips": (flat, p_by_strips),
        "rates without effect, points as replicates": (flat, p_by_points),
        "zones of one response, by parts of strips": (bent, p_by_zones),
    }
    rows = []
    for k, (name, (response, p)) in enumerate(asked.items()):
        rng = np.random.default_rng([seed, k])
        called = np.mean([p(*harvest(rng, case, response)) < ALPHA for _ in range(trials)])
        rows.append({
            "asked": name, "reach_points": case.reach, "sd_points": case.points, "sd_strips": case.strips,
            "trials": trials, "called": int(round(called * trials)), "called_pct": round(100 * called, 1),
            "se_pct": round(100 * np.sqrt(called * (1 - called) / trials), 1),
        })  # fmt: skip
    return rows


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS
    table = pd.DataFrame([row for i, case in enumerate(CASES) for row in run(case, count, i)])
    if count == TRIALS:
        table.to_csv(TABLE, index=False)
    print(table.to_string(index=False))
