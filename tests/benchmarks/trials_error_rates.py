"""Error rates of the strip-trial analysis by simulation: ``python tests/benchmarks/trials_error_rates.py``.

Null strips lie in a field whose fertility changes in a straight line and in waves (a first-order
autoregression along the field, anew in every trial); lots are drawn as the plan draws them. Counted is how
often the analysis calls a difference at 5 %. For power, one treatment yields more by the difference for which
the plan was sized. The table beside this file is what a full run writes.
"""

import sys
import time
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.trials.analyse import MODELS
from fertkit.trials.layout import draw_latin, draw_order, plan_strips
from fertkit.trials.pairs import analyse_pairs
from fertkit.trials.power import power_of_difference
from fertkit.trials.table import arrange

TABLE = Path(__file__).with_suffix(".csv")
TRIALS, ALPHA, MEAN = 4000, 0.05, 200.0
MACHINES = {"header_width": 30, "applicator_width": 30, "strip_length": 1000, "borders": 0}


@dataclass(frozen=True)
class Case:
    """One row of the table: a design, how it is analysed, and the field."""

    name: str
    treatments: int
    blocks: int
    design: str = "blocks"
    model: str = "fixed"
    trend: bool = False  # entered in the analysis
    slope: float = 1.0  # of the field [yield unit a strip]
    waves: float = 4.0  # standard deviation of the waves
    noise: float = 5.0  # of a strip
    lost: int = 0
    difference: float = 0.0  # true, of the last treatment [yield unit]


CASES = [
    Case("complete blocks, 4 x 4", 4, 4),
    Case("complete blocks, 6 x 4", 6, 4),
    Case("complete blocks, 4 x 4, steep field", 4, 4, slope=4.0),
    Case("complete blocks, 6 x 4, two strips lost", 6, 4, lost=2),
    Case("complete blocks, 4 x 4, trend in the analysis", 4, 4, trend=True, slope=4.0),
    Case("random blocks (REML), 4 x 4", 4, 4, model="random"),
    Case("random blocks (REML), 6 x 4, two strips lost", 6, 4, model="random", lost=2),
    Case("Latin square, 5 x 5", 5, 5, design="latin"),
    Case("pairs, 6", 2, 6, design="pairs"),
    Case("neighbours correlated (REML), 4 x 6", 4, 6, model="neighbours"),
    Case("power: blocks 4 x 5, 10 % at CV 5 %", 4, 5, slope=0, waves=0, noise=10.0, difference=20.0),
    Case("power: blocks 4 x 11, 10 % at CV 8 %", 4, 11, slope=0, waves=0, noise=16.0, difference=20.0),
    Case(
        "power: pairs, 8, 10 % at CV 6 %", 2, 8, design="pairs", slope=0, waves=0, noise=12.0, difference=20.0
    ),
    Case("power: blocks 4 x 5 in a changing field", 4, 5, noise=8.0, difference=20.0),
]


def field(case: Case, places, tiers, rng) -> np.ndarray:
    """Yields before any treatment, by place across the field and tier along it."""
    wave = np.empty(places.max() + 1)
    wave[0] = rng.normal(0, case.waves)
    for i in range(1, len(wave)):
        wave[i] = 0.8 * wave[i - 1] + rng.normal(0, 0.6 * case.waves)
    return MEAN + case.slope * places + wave[places] + 3 * tiers + rng.normal(0, case.noise, len(places))


@cache
def template(case: Case) -> pd.DataFrame:
    """Places of the strips, from a plan; treatments are drawn anew for each trial."""
    plan = plan_strips(range(case.treatments), seed=1, blocks=case.blocks, design=case.design, **MACHINES)
    table = plan.table[[c for c in ("block", "column", "strip", "position", "treatment") if c in plan.table]]
    return table.astype({"block": int}).sort_values(["block", "position"], ignore_index=True)


def strips(case: Case, seed: int) -> pd.DataFrame:
    """One harvested trial."""
    rng = np.random.default_rng([CASES.index(case), seed])
    names = tuple(float(t) for t in range(case.treatments))
    drawn = (
        draw_latin(names, rng) if case.design == "latin" else draw_order(names, case.blocks, case.design, rng)
    )
    table = template(case)
    treatment = np.concatenate(drawn)
    value = field(case, table["position"].to_numpy() - 1, table["block"].to_numpy(), rng)
    value[treatment == case.treatments - 1] += case.difference
    value[rng.choice(len(value), case.lost, replace=False)] = np.nan
    return table.assign(treatment=treatment, yield_bu_ac=value)


def p_value(case: Case, seed: int) -> tuple[float, float]:
    """Probability the analysis gives (F test; first against last treatment for power), error variance."""
    from scipy.stats import t

    table = strips(case, seed)
    if case.design == "pairs":
        found = analyse_pairs(table)
        return found.p, found.sd**2 / 2
    blocks = ["block", "column"] if case.design == "latin" else None
    found = MODELS[case.model](arrange(table, blocks=blocks, trend=case.trend))
    if case.difference == 0:
        return found.anova.set_index("term").loc["treatment", "p"], found.variance
    last = len(found.means) - 1
    spread = found.covariance[0, 0] + found.covariance[last, last] - 2 * found.covariance[0, last]
    ratio = abs(found.means.iloc[last] - found.means.iloc[0]) / np.sqrt(spread)
    return float(2 * t.sf(ratio, found.df[0, last])), found.variance


def run(case: Case, trials: int) -> dict:
    """Count the trials in which the analysis finds a difference."""
    start = time.perf_counter()
    p, variance = np.array([p_value(case, seed) for seed in range(trials)]).T
    share = float((p < ALPHA).mean())
    planned = 100 * ALPHA
    if case.difference:
        # In an even field the noise is the CV planned for; in a changing one the error is looked up.
        sd = float(np.sqrt(variance.mean())) if case.waves else case.noise
        planned = 100 * power_of_difference(
            case.difference, sd, case.treatments, case.blocks, design=case.design, alpha=ALPHA
        )
    print(f"{case.name}: {100 * share:.2f} % ({time.perf_counter() - start:.0f} s)", file=sys.stderr)
    return {
        "case": case.name, "trials": trials, "found_pct": round(100 * share, 2),
        "planned_pct": round(planned, 2),
        "se_pct": round(100 * float(np.sqrt(share * (1 - share) / trials)), 2),
    }  # fmt: skip


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else TRIALS
    table = pd.DataFrame([run(case, count) for case in CASES])
    print(table.to_string(index=False))
    if count == TRIALS:
        table.to_csv(TABLE, index=False)
