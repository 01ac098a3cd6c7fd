"""Coverage of the 95 % interval of the pooled rate, by simulation.

Run ``python tests/benchmarks/network_coverage.py [pools] [folder]``; a fixed seed, one process. Writes
network.csv to ``tests/reference/coverage``. Sites differ in level, slope (or rise) and join (or rate of
bending); rates 0 to 200 kg/ha in steps of 40, four blocks, price ratio 0.008. The truth is the rate of
greatest net return averaged over 400,000 sites of the same kind. Each site enters the pool with the curve of
most weight in its own average, as in a report.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.response.average import average_weights, averaged_keys
from fertkit.response.curves import CURVES
from fertkit.response.pooled import Site, pool_net_return
from fertkit.response.prices import Prices
from fertkit.response.search import fit_sums
from fertkit.response.sums import make_sweep

SEED, RATIO, TOP, BLOCKS, ERROR_SD, REPLICATES = 20261128, 0.008, 200.0, 4, 0.35, 600
PRICES = Prices(1000 * RATIO, 1000.0, "kg", "t")
X = np.tile(np.linspace(0, TOP, 6), BLOCKS)
# truth, sites
SCENARIOS = [
    (key, sites) for key in ("linear_plateau", "mitscherlich", "quadratic_plateau") for sites in (12, 40)
]


def draw_sites(key, n, rng):
    """Published parameters (n, 3) of sites of a kind."""
    level = rng.normal(6, 1, n)
    if key == "linear_plateau":
        return np.stack([level, rng.normal(0.04, 0.01, n), np.exp(rng.normal(np.log(100), 0.25, n))], -1)
    if key == "quadratic_plateau":
        slope, join = rng.normal(0.06, 0.012, n), np.exp(rng.normal(np.log(140), 0.25, n))
        return np.stack([level, slope, -slope / (2 * join)], -1)
    rise, bend = rng.normal(4, 1, n), np.exp(rng.normal(np.log(0.018), 0.3, n))
    return np.stack([level + rise, rise, bend], -1)


def true_rate(key, n=400_000):
    """Rate of greatest mean net return over many sites, between the steps of a grid by a cubic."""
    rates, mean = np.arange(0, TOP + 0.5), 0.0
    params = draw_sites(key, n, np.random.default_rng(0))
    for part in np.array_split(params, max(1, n // 20_000)):
        mean = mean + CURVES[key].value(rates, part[:, None, :]).sum(axis=0) / n
    net = mean - RATIO * rates
    near = slice(net.argmax() - 12, net.argmax() + 13)
    fine = np.linspace(*rates[near][[0, -1]], 2001)
    return fine[np.polyval(np.polyfit(rates[near], net[near], 3), fine).argmax()]


def fitted_sites(key, n, rng):
    """Sites made, laid out, harvested and fitted: a list of `Site`."""
    params, block = draw_sites(key, n, rng), np.repeat(np.arange(BLOCKS), 6)
    yields = CURVES[key].value(X, params[:, None, :]) + rng.normal(0, ERROR_SD, (n, len(X)))
    sums = make_sweep(X, block).sums(yields)
    fits = {k: fit_sums(k, sums) for k, curve in CURVES.items() if curve.in_average}
    best = average_weights(fits, sums)[0].argmax(axis=-1)
    keys = averaged_keys(fits)
    return [Site(str(i), keys[b], fits[keys[b]].params[0, i], 0.0, TOP) for i, b in enumerate(best)]


def simulate(scenario, pools, rng):
    """Coverage of the interval in one scenario, as a row."""
    key, n = scenario
    true, rows = true_rate(key), []
    for start in range(0, pools, 50):
        sites = fitted_sites(key, n * min(50, pools - start), rng)
        for i in range(0, len(sites), n):
            pool = pool_net_return(sites[i : i + n], PRICES, rng=rng, replicates=REPLICATES,
                                   rate_unit="kg/ha", yield_unit="t/ha")  # fmt: skip
            rows.append((pool.rate, pool.interval_low, pool.interval_high))
    rate, low, high = np.array(rows).T
    high = np.where(high >= TOP, np.inf, high)
    return {
        "truth": key, "sites": n, "true_rate": true, "coverage": ((low <= true) & (true <= high)).mean(),
        "below": (high < true).mean(), "above": (low > true).mean(), "bias": rate.mean() - true,
        "rmse": np.sqrt(((rate - true) ** 2).mean()), "median_width": np.median(high - low),
    }  # fmt: skip


def main(pools=800, folder=None):
    """Run every scenario and write the table."""
    folder = Path(folder) if folder else Path(__file__).parents[1] / "reference" / "coverage"
    rows = []
    for scenario, rng in zip(SCENARIOS, np.random.default_rng(SEED).spawn(len(SCENARIOS)), strict=True):
        start = time.perf_counter()
        rows.append(simulate(scenario, pools, rng))
        print(f"{time.perf_counter() - start:.0f} s", rows[-1], flush=True)
    pd.DataFrame(rows).assign(pools=pools).to_csv(folder / "network.csv", index=False, float_format="%.5g")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 800, sys.argv[2] if len(sys.argv) > 2 else None)
