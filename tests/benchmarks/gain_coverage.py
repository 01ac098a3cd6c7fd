"""Coverage of the 95 % intervals of the yield gain over no application, by simulation.

Run ``python tests/benchmarks/gain_coverage.py [trials] [folder]``; a fixed seed, one process. Writes gain.csv
to ``tests/reference/coverage``. Truths, designs and errors are those of `coverage`. The gain is asked for at
a given rate, the true optimum, and at the rate each trial itself reports, whose true gain differs by trial.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from coverage import LEVEL, RATIO, SCENARIOS, TOP, TRUTH

from fertkit.response.average import average_weights, averaged_keys, curve_optima, ladders_of
from fertkit.response.curves import CURVES, optimum_in_range
from fertkit.response.gain import averaged_gains
from fertkit.response.region import gain_sets
from fertkit.response.search import fit_sums
from fertkit.response.sums import make_sweep

SEED, PART = 20261127, 250  # trials worked at once


def simulate(scenario, trials, rng):
    """Coverage and median width of each way to an interval in one scenario, as a list of rows."""
    parts = [_intervals(scenario, min(PART, trials - i), rng) for i in range(0, trials, PART)]
    names = dict(zip(("curve", "error_sd", "rates", "blocks"), scenario, strict=True))
    rows = []
    for at, method in parts[0]:
        low, high, true = np.concatenate([part[at, method] for part in parts], axis=-1)
        rows.append(
            names | {"at": at, "method": method, "coverage": ((low <= true) & (true <= high)).mean(),
                     "below": (high < true).mean(), "above": (low > true).mean(),
                     "median_width": np.median(high - low)}
        )  # fmt: skip
    return rows


def _intervals(scenario, trials, rng):
    """Low and high ends and the truth (3, trials) by rate asked about and method."""
    key, sd, n_rates, blocks = scenario
    x, block = np.tile(np.linspace(0, TOP, n_rates), blocks), np.repeat(np.arange(blocks), n_rates)
    curve, truth = CURVES[key], np.array(TRUTH[key])
    effects = rng.normal(0, 0.5, (trials, blocks))[:, block]
    sums = make_sweep(x, block).sums(curve.value(x, truth) + effects + rng.normal(0, sd, (trials, len(x))))
    fits = {k: fit_sums(k, sums) for k in TRUTH}
    weights = average_weights(fits, sums)
    given = np.full((1, trials), optimum_in_range(curve, truth, RATIO, 0.0, TOP))
    reported = (weights * curve_optima(fits, sums, RATIO)).sum(axis=-1)
    ladders = [*ladders_of({k: fits[k] for k in averaged_keys(fits)}, sums, LEVEL).values()]
    found = {}
    for at, rate in (("true optimum", given), ("reported optimum", reported)):
        true = curve.value(rate, truth) - curve.value(0.0, truth)
        averaged = averaged_gains([ladder.gains(rate) for ladder in ladders], weights, sums, LEVEL)
        known = gain_sets(key, fits[key], sums, rate, LEVEL)
        found[at, "averaged (default)"] = np.stack([*(end[0] for end in averaged), true[0]])
        found[at, "true curve"] = np.stack([*(end[0] for end in known), true[0]])
    return found


def main(trials=1000, folder=None):
    """Run every scenario and write the table."""
    folder = Path(folder) if folder else Path(__file__).parents[1] / "reference" / "coverage"
    rows = []
    for scenario, rng in zip(SCENARIOS, np.random.default_rng(SEED).spawn(len(SCENARIOS)), strict=True):
        start = time.perf_counter()
        rows += simulate(scenario, trials, rng)
        done = [round(100 * float(row["coverage"]), 1) for row in rows[-4:]]
        print(f"{scenario}: {time.perf_counter() - start:.0f} s", done, flush=True)
    pd.DataFrame(rows).assign(trials=trials).to_csv(folder / "gain.csv", index=False, float_format="%.5g")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, sys.argv[2] if len(sys.argv) > 2 else None)
