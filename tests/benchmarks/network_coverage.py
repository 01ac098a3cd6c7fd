"""Coverage of the 95 % interval of the rate of a network, by simulation: pooled, and from one model.

Run ``python tests/benchmarks/network_coverage.py [pools] [models] [known] [folder]``;
a fixed seed, one process.
Writes network.csv (sites pooled), network_model.csv (one model of all sites, its curve chosen by AIC as in a
report) and network_known.csv (the same with a soil test of each site, as few sites as are taken) to
``tests/reference/coverage``; 0 leaves a table as it is. The soil test has a correlation of 0.8 with the join
(or the rate of bending) of the sites, and of 0.6 with their level. Sites differ in level, slope (or rise)
and join (or rate of bending); rates 0 to 200 kg/ha in steps of 40, four blocks, price ratio 0.008. The truth
is the rate of greatest net return averaged over 400,000 sites of the same kind. Each site enters the pool
with the curve of most weight in its own average, as in a report. A model that is refused has no interval:
`refused` counts them.
"""

import sys
import time
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.errors import NotEstimable
from fertkit.response.average import average_weights, averaged_keys
from fertkit.response.curves import CURVES
from fertkit.response.data import read_trial_data
from fertkit.response.network_fit import fit_network
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
KNOWN = [(key, 8) for key in ("linear_plateau", "mitscherlich", "quadratic_plateau")]
FOLDER = Path(__file__).parents[1] / "reference" / "coverage"


def draw_sites(key, n, rng, test=None):
    """Published parameters (n, 3) of sites of a kind, by standard normal soil tests where these are given."""

    def normal(mean, sd, by):
        """About a mean, `by` the correlation with the soil test."""
        return rng.normal(mean, sd, n) if test is None else (
            mean + sd * (by * test + np.sqrt(1 - by**2) * rng.normal(size=n)))  # fmt: skip

    level = normal(6, 1, 0.6)
    if key == "linear_plateau":
        return np.stack([level, normal(0.04, 0.01, 0), np.exp(normal(np.log(100), 0.25, 0.8))], -1)
    if key == "quadratic_plateau":
        slope, join = normal(0.06, 0.012, 0), np.exp(normal(np.log(140), 0.25, 0.8))
        return np.stack([level, slope, -slope / (2 * join)], -1)
    rise, bend = normal(4, 1, 0), np.exp(normal(np.log(0.018), 0.3, 0.8))
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


def harvest(key, n, rng, test=None):
    """Yields (n, plots) of sites made, laid out and harvested, and the block of each plot."""
    params = draw_sites(key, n, rng, test)
    yields = CURVES[key].value(X, params[:, None, :]) + rng.normal(0, ERROR_SD, (n, len(X)))
    return yields, np.repeat(np.arange(BLOCKS), 6)


def fitted_sites(key, n, rng):
    """Sites made and fitted each alone: a list of `Site`."""
    yields, block = harvest(key, n, rng)
    sums = make_sweep(X, block).sums(yields)
    fits = {k: fit_sums(k, sums) for k, curve in CURVES.items() if curve.in_average}
    best = average_weights(fits, sums)[0].argmax(axis=-1)
    keys = averaged_keys(fits)
    return [Site(str(i), keys[b], fits[keys[b]].params[0, i], 0.0, TOP) for i, b in enumerate(best)]


def model_rate(key, n, rng, known=False):
    """Rate, its interval and the curve of one model of sites made and harvested; nan where it is refused."""
    test = rng.normal(size=n) if known else None
    yields, block = harvest(key, n, rng, test)
    site = read_trial_data(pd.DataFrame({"block": block, "rate_kg_ha": X, "yield_t_ha": yields[0]}))
    trials = {str(i): replace(site, yields=own) for i, own in enumerate(yields)}
    try:
        fit = fit_network(trials, known=pd.DataFrame({"test": test}, index=list(trials)) if known else None)
    except NotEstimable:
        return np.nan, np.nan, np.nan, ""
    found = fit.best_rate(PRICES, seed=rng)
    return found.rate, found.low, found.high, fit.curve


def simulate_model(scenario, n_models, rng, known=False):
    """Coverage of the interval that one model of all sites gives, as a row."""
    key, n = scenario
    true = true_rate(key)
    rate, low, high, curve = zip(*(model_rate(key, n, rng, known) for _ in range(n_models)), strict=True)
    ends = [values[np.isfinite(rate)] for values in map(np.array, (rate, low, high))]
    return _row(key, n, true, *ends) | {
        "refused": 1 - len(ends[0]) / n_models,
        "curve_of_truth": np.mean(np.array(curve) == key),
    }


def _row(key, n, true, rate, low, high):
    high = np.where(high >= TOP, np.inf, high)
    return {
        "truth": key, "sites": n, "true_rate": true, "coverage": ((low <= true) & (true <= high)).mean(),
        "below": (high < true).mean(), "above": (low > true).mean(), "bias": rate.mean() - true,
        "rmse": np.sqrt(((rate - true) ** 2).mean()), "median_width": np.median(high - low),
    }  # fmt: skip


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
    return _row(key, n, true, *np.array(rows).T)


def table(simulate, scenarios, n) -> pd.DataFrame:
    """Run every scenario."""
    rows = []
    for scenario, rng in zip(scenarios, np.random.default_rng(SEED).spawn(len(scenarios)), strict=True):
        start = time.process_time()
        rows.append(simulate(scenario, n, rng))
        print(f"{time.process_time() - start:.0f} s", rows[-1], flush=True)
    return pd.DataFrame(rows)


def main(pools=800, models=100, known=400, folder=FOLDER):
    """Write the tables."""
    options = {"index": False, "float_format": "%.5g"}
    if pools:
        table(simulate, SCENARIOS, pools).assign(pools=pools).to_csv(Path(folder) / "network.csv", **options)
    if models:
        done = table(simulate_model, SCENARIOS, models).assign(models=models)
        done.to_csv(Path(folder) / "network_model.csv", **options)
    if known:
        done = table(partial(simulate_model, known=True), KNOWN, known).assign(models=known)
        done.to_csv(Path(folder) / "network_known.csv", **options)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:4]), *sys.argv[4:])
