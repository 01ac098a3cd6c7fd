"""Speed of the response fits against general-purpose solvers, in one run on one core.

Run ``python tests/benchmarks/response.py [quick]``. Ratios are of processor time, so that other work on the
machine does not count. References: ``scipy.optimize.curve_fit`` (compiled MINPACK) from the true parameters
as start, and ``lmfit`` from the same start.
"""

import resource
import sys
import time
import warnings

import numpy as np
import pandas as pd
from scipy.optimize import brentq, curve_fit
from scipy.stats import t as student

from fertkit.response import analyse_response
from fertkit.response.average import TAILS, average_weights, averaged_keys, curve_optima
from fertkit.response.curves import CURVES
from fertkit.response.data import read_trial_data
from fertkit.response.search import fit_sums
from fertkit.response.sums import make_sweep

RATES = np.repeat([0.0, 40, 80, 120, 160, 200], 4)
TRUTH = {
    "linear_plateau": (4.0, 0.05, 110.0),
    "quadratic_plateau": (4.0, 0.08, -0.08 / 280),
    "mitscherlich": (9.5, 5.5, 0.02),
    "spherical": (4.0, 5.0, 170.0),
}
RATIO, REPLICATES = 0.008, 2000


# The curves as one would write them for a general solver.
def linear_plateau(x, a, b, join):
    return a + b * np.minimum(x, join)


def quadratic_plateau(x, a, b, c):
    x = np.minimum(x, -b / (2 * c))
    return a + b * x + c * x * x


def mitscherlich(x, top, rise, k):
    return top - rise * np.exp(-k * x)


def spherical(x, a, s, r):
    u = np.minimum(x / r, 1.0)
    return a + s * u * (1.5 - 0.5 * u * u)


MODELS = {f.__name__: f for f in (linear_plateau, quadratic_plateau, mitscherlich, spherical)}
# The same with the optimum held: two free parameters are left, and the third follows.
HELD = {
    "linear_plateau": lambda x, e, a, b: linear_plateau(x, a, b, e),
    "quadratic_plateau": lambda x, e, a, c: quadratic_plateau(x, a, RATIO - 2 * c * e, c),
    "mitscherlich": lambda x, e, top, k: mitscherlich(x, top, RATIO * np.exp(k * e) / k, k),
    "spherical": lambda x, e, a, r: spherical(x, a, RATIO * r / (1.5 * (1 - (e / r) ** 2)), r),
}
FREE = {"linear_plateau": (0, 1), "quadratic_plateau": (0, 2), "mitscherlich": (0, 2), "spherical": (0, 2)}


def timed(function, *args):
    start = time.process_time()
    out = function(*args)
    return time.process_time() - start, out


def best_of(function, *args, repeats=5):
    return min((timed(function, *args) for _ in range(repeats)), key=lambda pair: pair[0])


def scipy_rss(key, x, rows):
    """RSS of each row by curve_fit; nan where it gives up."""
    model, out = MODELS[key], np.full(len(rows), np.nan)
    for i, y in enumerate(rows):
        try:
            params = curve_fit(model, x, y, p0=TRUTH[key])[0]
            out[i] = ((y - model(x, *params)) ** 2).sum()
        except RuntimeError:
            continue
    return out


def lmfit_rss(key, x, rows):
    """RSS of each row by lmfit."""
    from lmfit import Model

    model = Model(MODELS[key])
    start = dict(zip(model.param_names, TRUTH[key], strict=True))
    return np.array([model.fit(y, x=x, **start).chisqr for y in rows])


def bootstrap(quick):
    """2,000 replicates of each shaped curve."""
    print(f"\nBootstrap of {REPLICATES} replicates, {len(RATES)} plots at 6 rates")
    rng = np.random.default_rng(1)
    for key, params in TRUTH.items():
        y = CURVES[key].value(RATES, np.array(params)) + rng.normal(0, 0.4, (REPLICATES, len(RATES)))
        own, fits = best_of(lambda y=y, key=key: fit_sums(key, make_sweep(RATES).sums(y)))
        n = 300 if quick else REPLICATES
        theirs, rss = timed(scipy_rss, key, RATES, y[:n])
        few = 40 if quick else 200
        slow, rss_lmfit = timed(lmfit_rss, key, RATES, y[:few])
        ours, slack = fits.rss[0], 1 + 1e-9
        higher = (ours[:n] > rss * slack).sum() + (ours[:few] > rss_lmfit * slack).sum()
        lower, gave_up = (ours[:n] < rss * (1 - 1e-6)).sum(), np.isnan(rss).sum()
        print(
            f"  {key:18s} {own * 1e3:6.1f} ms; curve_fit {theirs * REPLICATES / n / own:5.0f} times, "
            f"lmfit {slow * REPLICATES / few / own:6.0f} times as long; RSS higher in {higher}, "
            f"lower in {lower} of {n} (curve_fit gave up in {gave_up})"
        )


def trial():
    """Twenty-four plots on a quadratic-plateau."""
    y = quadratic_plateau(RATES, *TRUTH["quadratic_plateau"])
    y = y + np.random.default_rng(7).normal(0, 0.3, len(y))
    return read_trial_data(pd.DataFrame({"rate_kg_ha": RATES, "yield_t_ha": y}))


def scipy_analysis(data, replicates):
    """The same by loops: fits, residual bootstraps, profile intervals of the optimum at every level used."""
    x, y = data.rate, data.yields
    rng, one = np.random.default_rng(0), np.ones(len(x))
    for key, start in TRUTH.items():
        model = MODELS[key]
        params = curve_fit(model, x, y, p0=start)[0]
        fitted = model(x, *params)
        rest = (y - fitted) * np.sqrt(len(x) / (len(x) - 3))
        for _ in range(replicates):
            try:
                curve_fit(model, x, fitted + rng.choice(rest, len(x)), p0=params)
            except RuntimeError:
                continue
        for level in (*(1 - 2 * TAILS), 0.95):
            profile_ends(key, x, y, params, level)
    for columns in ((one,), (one, x), (one, x, x * x), (one, np.sqrt(x), x)):
        design = np.column_stack(columns)
        fitted = design @ np.linalg.lstsq(design, y, rcond=None)[0]
        for _ in range(replicates):
            np.linalg.lstsq(design, fitted + rng.choice(y - fitted, len(x)), rcond=None)


def profile_ends(key, x, y, params, level):
    """Ends of the optimum's profile interval by root finding over refits with the optimum held."""
    best = ((y - MODELS[key](x, *params)) ** 2).sum()
    df = len(x) - 3
    cut = best * (1 + student.ppf(0.5 + level / 2, df) ** 2 / df)
    centre = float(CURVES[key].optimum(params, RATIO))
    start = [params[i] for i in FREE[key]]

    def excess(optimum):
        def held(x, p, q):
            return HELD[key](x, optimum, p, q)

        fit = curve_fit(held, x, y, p0=start)[0]
        return ((y - held(x, *fit)) ** 2).sum() - cut

    ends = []
    for far in (0.5 * centre, 1.8 * centre):
        try:
            ends.append(brentq(excess, centre, far, xtol=1e-4 * centre))
        except (ValueError, RuntimeError):  # no sign change, or curve_fit gave up
            ends.append(np.nan)
    return ends


def full_analysis(quick):
    """Eight curves, 2,000 replicates each, all intervals; ours also solves the agronomic optimum."""
    data = trial()
    own, analysis = best_of(lambda: analyse_response(data, nutrient_price=RATIO, grain_price=1.0))
    theirs, _ = timed(scipy_analysis, data, 200 if quick else REPLICATES)
    print(f"\nFull analysis of one trial: {own * 1e3:.0f} ms; loops {theirs / own:.0f} times as long")
    if quick:
        print("  (quick: 200 replicates in the loops, not comparable)")
    again, _ = best_of(lambda: analysis.at_prices(nutrient_price=0.01, grain_price=1.0))
    print(f"  at other prices: {again * 1e3:.0f} ms")


def many_trials(quick):
    """Eight curves and the averaged optimum for 100 to 100,000 trials of one design."""
    print("\nEight curves and the averaged optimum, many trials")
    sweep, rng = make_sweep(RATES), np.random.default_rng(3)
    base = CURVES["mitscherlich"].value(RATES, np.array(TRUTH["mitscherlich"]))
    for n in (100, 1_000, 10_000) if quick else (100, 1_000, 10_000, 100_000):
        y = base + rng.normal(0, 0.4, (n, len(RATES)))

        def work(y=y):
            sums = sweep.sums(y)
            fits = {k: fit_sums(k, sums) for k in CURVES}
            averaged = {k: fits[k] for k in averaged_keys(fits)}
            return (average_weights(fits, sums) * curve_optima(averaged, sums, RATIO)).sum(axis=-1)

        seconds, _ = best_of(work, repeats=3 if n < 100_000 else 1)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"  {n:7d} trials: {seconds / n * 1e6:6.1f} us a trial, peak memory so far {peak:.0f} MB")


if __name__ == "__main__":
    quick = "quick" in sys.argv[1:]
    warnings.simplefilter("ignore")
    bootstrap(quick)
    full_analysis(quick)
    many_trials(quick)
