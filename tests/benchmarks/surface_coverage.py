"""Coverage of the joint region and of each rate's interval of a trial of two nutrients, by simulation.

``python tests/benchmarks/surface_coverage.py [trials]`` writes surface.csv to ``tests/reference/coverage``:
invented surfaces over 4 x 4 rates in 3 blocks; the share of trials whose 95 % joint region, and whose 95 %
interval of each rate, hold the true best combination (within the tested rates, as the answers are).
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.response.curves.linear import QUADRATIC, SQUARE_ROOT
from fertkit.response.prices import Prices
from fertkit.response.surface import SurfaceAnalysis
from fertkit.response.surface_fit import SurfaceData, fit_surface
from fertkit.response.surface_form import best_in_box
from fertkit.response.surface_region import misfit, profile

OUT = Path(__file__).parents[1] / "reference" / "coverage" / "surface.csv"
#: Level, then the terms of the surface over rates of 0 to 1 and 0 to 1; net of the prices.
SCENARIOS = {
    "hill inside": (QUADRATIC.key, [50, 30, 25, -20, -20, 6], 2.0),
    "hill inside, noisy": (QUADRATIC.key, [50, 30, 25, -20, -20, 6], 5.0),
    "hill, best on an edge": (QUADRATIC.key, [50, 40, 20, -15, -18, 6], 2.0),
    "saddle, best in a corner": (QUADRATIC.key, [50, 12, 10, -8, -6, 24], 2.0),
    "near a ridge": (QUADRATIC.key, [50, 24, 24, -11, -11, -18], 2.0),
    "square root, best inside": (SQUARE_ROOT.key, [50, 30, 24, -18, -16, 3], 2.0),
}
PRICES = {"N": Prices(4, 1, "lb", "bu"), "P2O5": Prices(3, 1, "lb", "bu")}


def simulate(scenario: str, trials: int, seed: int = 0) -> dict:
    """Share of trials whose region and intervals hold the true best rates."""
    curve, terms, noise = SCENARIOS[scenario]
    rng = np.random.default_rng(seed)
    axis = np.linspace(0, 1, 4)
    rates = np.tile(np.stack(np.meshgrid(axis, axis), -1).reshape(-1, 2), (3, 1))
    block = np.repeat(np.arange(3), 16)
    blank = SurfaceData(("N", "P2O5"), rates, np.zeros(48), block, ("lb/ac",) * 2, "bu/ac")
    truth = replace(fit_surface(blank, curve), coef=np.array(terms, float))
    best = best_in_box(truth.net_form([4, 3]), np.zeros(2), np.ones(2))
    face = np.where(best <= 0, -1, np.where(best >= 1, 1, 0))
    clean, held = truth.predict(rates), []
    for _ in range(trials):
        yields = clean + noise * rng.standard_normal(48) + 3 * rng.standard_normal(3)[block]
        data = replace(blank, yields=yields)
        trial = SurfaceAnalysis(data, {curve: fit_surface(data, curve)}, curve, PRICES, 0.95)
        low, high, limit = np.zeros(2), np.ones(2), trial.limits
        own = [profile(trial.question, i, [best[i]], low, high)[0] <= limit[0] for i in range(2)]
        held.append((misfit(trial.question, best, face) <= limit[1], *own))
    rates = best ** (1 / truth.powers)
    shares = zip(("joint", "n", "p2o5"), np.mean(held, axis=0), strict=True)
    return {"scenario": scenario, "trials": trials, "best_n": rates[0], "best_p2o5": rates[1], **dict(shares)}


if __name__ == "__main__":
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    table = pd.DataFrame([simulate(one, trials, seed) for seed, one in enumerate(SCENARIOS)])
    table.round(4).to_csv(OUT, index=False)
    print(table.to_string())
