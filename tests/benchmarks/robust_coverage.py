"""Coverage of the averaged intervals with far strips and uneven errors, as read and by the fits for them.

Run ``python tests/benchmarks/robust_coverage.py [trials] [folder]``; a fixed seed, one process. Writes
robust.csv to ``tests/reference/coverage``. Truths and designs are those of `coverage`, error SD 0.3 t/ha.
With 600 trials a share near 95 % has a Monte Carlo error of 0.9 points. Each row tells how often the interval
of the economic optimum, and that of the gain at the true optimum, holds the truth, and how wide each is; how
often the check that suggests the other fit speaks up; and how often a response is told from chance.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from coverage import LEVEL, RATIO, TOP, TRUTH, rmse

from fertkit.response import robust
from fertkit.response.average import (
    average_weights,
    averaged_keys,
    curve_optima,
    ladders_of,
    mean_wins,
    mixture_ends,
)
from fertkit.response.curves import CURVES, optimum_in_range
from fertkit.response.gain import averaged_gains
from fertkit.response.search import fit_sums
from fertkit.response.sums import make_sweep
from fertkit.trials.linear import dummies, span

SEED, SD = 20261128, 0.3
DESIGNS = [("quadratic_plateau", 6, 4), ("linear_plateau", 5, 4)]


def errors(kind, place, rng, trials):
    """Errors (trials, n) of unit size, in a field where all goes well or where not all does."""
    n = len(place)
    drawn = rng.normal(0, 1, (trials, n))
    if kind == "one strip far off":  # five standard deviations too low, any strip
        drawn[np.arange(trials), rng.integers(0, n, trials)] -= 5
    elif kind == "heavy tails":  # Student's t with 3 df, at its standard deviation
        drawn = rng.standard_t(3, (trials, n)) / np.sqrt(3)
    elif kind == "error grows threefold":  # from the lowest rate to the highest
        drawn = drawn * 3.0 ** (place - 0.5)
    elif kind == "error shrinks threefold":
        drawn = drawn * 3.0 ** (0.5 - place)
    return drawn


KINDS = {
    "normal": ("as read", "far strips pulled in", "weighted by rate"),
    "one strip far off": ("as read", "far strips pulled in"),
    "heavy tails": ("as read", "far strips pulled in"),
    "error grows threefold": ("as read", "weighted by rate"),
    "error shrinks threefold": ("as read", "weighted by rate"),
}


def simulate(design, kind, trials, rng):
    """Rows of one design and kind of error, one for each way of fitting."""
    key, n_rates, blocks = design
    x, block = np.tile(np.linspace(0, TOP, n_rates), blocks), np.repeat(np.arange(blocks), n_rates)
    truth = np.array(TRUTH[key])
    true = float(optimum_in_range(CURVES[key], truth, RATIO, 0.0, TOP))
    y = CURVES[key].value(x, truth) + rng.normal(0, 0.5, (trials, blocks))[:, block]
    y = y + SD * errors(kind, x / TOP, rng, trials)
    columns = span(
        np.column_stack([np.ones(len(x)), dummies(block), dummies(np.searchsorted(np.unique(x), x))])
    )
    tilt, p_spread = robust.spread_of(columns, x, y)
    p_tails = robust.heavy_tails(columns, y)
    gain = float(CURVES[key].value(true, truth) - CURVES[key].value(0.0, truth))
    rows = []
    for way in KINDS[kind]:
        parts = {
            "as read": lambda: [(make_sweep(x, block), y)],
            "far strips pulled in": lambda: [(make_sweep(x, block), robust.pulled_in(columns, y)[0])],
            "weighted by rate": lambda: [
                (make_sweep(x, block, robust.weights_of(x, t)), y[tilt == t]) for t in np.unique(tilt)
            ],
        }[way]()
        rate, low, high, least, most, yes = np.concatenate(
            [_intervals(sweep.sums(mine), true) for sweep, mine in parts], axis=1
        )
        rows.append(
            {"curve": key, "rates": n_rates, "blocks": blocks, "errors": kind, "fit": way,
             "optimum": ((low <= true) & (true <= high)).mean(), "optimum_rmse": rmse(rate, true),
             "optimum_width": np.median(np.minimum(high, TOP) - low),
             "gain": ((least <= gain) & (gain <= most)).mean(), "gain_width": np.median(most - least),
             "told_from_chance": yes.mean(), "tails_suggested": (p_tails < 0.05).mean(),
             "weights_suggested": (p_spread < 0.05).mean()}
        )  # fmt: skip
    return rows


def _intervals(sums, true):
    """Optimum, its ends, the ends of the gain at the true optimum, and whether a response is told (6, R)."""
    fits = {k: fit_sums(k, sums) for k in ("mean", "linear", *TRUTH)}
    weights = average_weights(fits, sums)
    ladders = [*ladders_of({k: fits[k] for k in averaged_keys(fits)}, sums, LEVEL).values()]
    rate = (weights * curve_optima({k: fits[k] for k in averaged_keys(fits)}, sums, RATIO)).sum(axis=-1)
    ends = mixture_ends([ladder.ends(RATIO) for ladder in ladders], weights, sums, LEVEL)
    gains = averaged_gains(
        [ladder.gains(np.full(rate.shape, true)) for ladder in ladders], weights, sums, LEVEL
    )
    return np.stack([v[0] for v in (rate, *ends, *gains, ~mean_wins(fits, sums))])


def main(trials=600, folder=None):
    """Run every design and kind of error and write the table."""
    folder = Path(folder) if folder else Path(__file__).parents[1] / "reference" / "coverage"
    cases = [(design, kind) for design in DESIGNS for kind in KINDS]
    rows = []
    for case, rng in zip(cases, np.random.default_rng(SEED).spawn(len(cases)), strict=True):
        start = time.perf_counter()
        rows += simulate(*case, trials, rng)
        shown = {
            row["fit"]: [round(100 * float(row[k]), 1) for k in ("optimum", "gain")]
            for row in rows
            if row["errors"] == case[1]
        }
        print(case, f"{time.perf_counter() - start:.0f} s", shown, flush=True)
    pd.DataFrame(rows).assign(trials=trials).to_csv(folder / "robust.csv", index=False, float_format="%.5g")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 600, sys.argv[2] if len(sys.argv) > 2 else None)
