"""How often a trial without any response is said to have one, by simulation.

Run ``python tests/benchmarks/null_response.py [trials] [folder]``; a fixed seed, one process, under a minute.
Writes null.csv to ``tests/reference/coverage``. Randomised blocks, normal errors of 0.3 t/ha, rates from 0 to
200 kg/ha. With 4,000 trials a share of 5 % has a Monte Carlo error of 0.34 points.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.response.average import CHANCE, average_weights, averaged_keys, mean_wins, response_p, verdict
from fertkit.response.curves import CURVES
from fertkit.response.search import fit_sums
from fertkit.response.sums import make_sweep

SEED = 20261129
DESIGNS = [(3, 3), (3, 4), (3, 6), (4, 3), (4, 4), (5, 3), (5, 4), (6, 4), (9, 6)]
RATIOS = (0.0, 0.002, 0.005)


def simulate(design, trials, rng):
    """Shares of trials: a curve is averaged, the F test tells a response, a rate above zero is reported."""
    n_rates, blocks = design
    x, block = np.tile(np.linspace(0, 200, n_rates), blocks), np.repeat(np.arange(blocks), n_rates)
    sums = make_sweep(x, block).sums(6 + rng.normal(0, 0.3, (trials, len(x))))
    fits = {key: fit_sums(key, sums) for key in CURVES}
    curve, weights = ~mean_wins(fits, sums)[0], average_weights(fits, sums)
    told = curve & (response_p(fits, sums)[0] < CHANCE)
    averaged = {key: fits[key] for key in averaged_keys(fits)}
    row = {"rates": n_rates, "blocks": blocks, "curve_averaged": curve.mean(), "response_told": told.mean()}
    for ratio in RATIOS:
        pays = verdict(averaged, weights, sums, ratio)[0][0] > 0
        row[f"rate_reported_{ratio:g}"] = (curve & pays).mean()
        row[f"told_and_reported_{ratio:g}"] = (told & pays).mean()
    return row


def main(trials=4000, folder=None):
    """Run every design and write the table."""
    folder = Path(folder) if folder else Path(__file__).parents[1] / "reference" / "coverage"
    rngs = np.random.default_rng(SEED).spawn(len(DESIGNS))
    rows = [simulate(design, trials, rng) for design, rng in zip(DESIGNS, rngs, strict=True)]
    frame = pd.DataFrame(rows).assign(trials=trials)
    frame.to_csv(folder / "null.csv", index=False, float_format="%.5g")
    print(frame.round(3).to_string())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000, sys.argv[2] if len(sys.argv) > 2 else None)
