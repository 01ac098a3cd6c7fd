"""Coverage of the 95 % intervals of the economic optimum, and bias of each curve's optimum, by simulation.

Run ``python tests/benchmarks/coverage.py [trials] [folder]``; a fixed seed, one process. Writes coverage.csv
and coverage.png to ``tests/reference/coverage``. Every trial is a randomised complete block design of plots
with normal errors and block effects of 0.5 t/ha; rates run from 0 to 200 kg/ha, price ratio 0.008.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.response.average import average_weights, averaged_keys, averaged_sets, curve_optima
from fertkit.response.curves import CURVES, optimum_in_range
from fertkit.response.interval import optima
from fertkit.response.region import optimum_sets
from fertkit.response.search import basis, fit_sums
from fertkit.response.sums import make_sweep

SEED, RATIO, TOP, LEVEL, REPLICATES = 20240501, 0.008, 200.0, 0.95, 400
TRUTH = {
    "linear_plateau": (4.0, 0.04, 120.0),
    "quadratic_plateau": (4.0, 0.07, -0.07 / 300),
    "quadratic": (4.0, 0.06, -0.06 / 340),
    "square_root": (4.0, 0.6, -0.0155),
    "mitscherlich": (9.2, 5.2, 0.02),
    "spherical": (4.0, 5.0, 170.0),
}
# curve, error SD [t/ha], rates, blocks
SCENARIOS = (
    [(key, 0.3, 6, 4) for key in TRUTH]
    + [(key, 0.6, 6, 4) for key in TRUTH]
    + [("linear_plateau", 0.3, 5, 3), ("quadratic_plateau", 0.3, 5, 3)]
    + [("quadratic_plateau", 0.3, 9, 6), ("mitscherlich", 0.3, 9, 6)]
    + [("linear_plateau", 0.3, 4, 4), ("linear_plateau", 0.6, 5, 4), ("linear_plateau", 0.45, 5, 3)]
)
METHODS = ("averaged (default)", "profile or exact, true curve", "profile or exact, best AICc",
           "profile, always quadratic-plateau", "bootstrap, true curve", "Wald, true curve")  # fmt: skip


def simulate(scenario, trials, rng):
    """Coverage and bias in one scenario, as a list of rows."""
    key, sd, n_rates, blocks = scenario
    x = np.tile(np.linspace(0, TOP, n_rates), blocks)
    block = np.repeat(np.arange(blocks), n_rates)
    truth = np.array(TRUTH[key])
    mean = CURVES[key].value(x, truth)
    y = mean + rng.normal(0, 0.5, (trials, blocks))[:, block] + rng.normal(0, sd, (trials, len(x)))
    sweep = make_sweep(x, block)
    sums = sweep.sums(y)
    fits = {k: fit_sums(k, sums) for k in TRUTH}
    weights = average_weights(fits, sums)
    each = curve_optima(fits, sums, RATIO)
    sets = {k: optimum_sets(k, fits[k], sums, RATIO, LEVEL) for k in TRUTH}
    best = np.argmax(weights[0], axis=-1)
    by_best = [np.stack([sets[k][end][0] for k in averaged_keys(fits)], -1) for end in (0, 1)]
    ends = {
        METHODS[0]: [e[0] for e in averaged_sets(fits, sums, weights, RATIO, LEVEL)],
        METHODS[1]: [e[0] for e in sets[key]],
        METHODS[2]: [np.take_along_axis(e, best[:, None], 1)[:, 0] for e in by_best],
        METHODS[3]: [e[0] for e in sets["quadratic_plateau"]],
        METHODS[4]: bootstrap_ends(key, fits[key], sums, sweep, y, rng),
        METHODS[5]: wald_ends(key, fits[key], sums),
    }
    true = float(optimum_in_range(CURVES[key], truth, RATIO, 0.0, TOP))
    common = {"curve": key, "error_sd": sd, "rates": n_rates, "blocks": blocks, "true_optimum": true}
    rows = [common | coverage_row(method, low, high, true) for method, (low, high) in ends.items()]
    averaged = (weights * each).sum(axis=-1)[0]
    by_curve = dict(zip(averaged_keys(fits), each[0].T, strict=True)) | {METHODS[0]: averaged}
    for name, values in by_curve.items():
        row = {"quantity": "bias", "method": name, "value": values.mean() - true, "rmse": rmse(values, true)}
        rows.append(common | row)
    return rows


def coverage_row(method, low, high, true):
    """Share of intervals that hold the truth once cut to the tested rates, and their median width."""
    holds = (low <= true) & (high >= true)
    width = np.median(np.clip(high, 0, TOP) - np.clip(low, 0, TOP))
    row = {"quantity": "coverage", "method": method, "value": holds.mean(), "median_width": width}
    return row | {"below": (high < true).mean(), "above": (low > true).mean(), "open": (high > TOP).mean()}


def rmse(values, true):
    return float(np.sqrt(((values - true) ** 2).mean()))


def bootstrap_ends(key, fits, sums, sweep, y, rng, chunk=50):
    """Percentile ends of the residual bootstrap, every trial with its own residuals."""
    trials, n = y.shape
    df = int(sums.df_error(CURVES[key].n_params)[0])
    curve = CURVES[key].value(sweep.rates, fits.params[0][:, None, :])[:, sweep.code]
    rest = y - curve
    in_block = np.stack([(rest[:, sweep.block == b]).mean(axis=1) for b in range(sweep.n_blocks)], 1)
    rest = (rest - in_block[:, sweep.block]) * np.sqrt(n / df)
    low, high = np.empty(trials), np.empty(trials)
    for i in range(0, trials, chunk):
        part = slice(i, min(i + chunk, trials))
        size = part.stop - part.start
        pick = rng.integers(0, n, (size, REPLICATES, n))
        again = curve[part][:, None] + np.take_along_axis(
            rest[part][:, None], pick.reshape(size, 1, -1), 2
        ).reshape(size, REPLICATES, n)
        fit = fit_sums(key, sweep.sums(again.reshape(-1, n)))
        draws = optima(key, fit.params[0], RATIO, 0.0, TOP).reshape(size, REPLICATES)
        low[part], high[part] = np.quantile(draws, [0.025, 0.975], axis=1, method="inverted_cdf")
    return low, high


def wald_ends(key, fits, sums):
    """Estimate -+ t SE by the delta method."""
    from scipy.stats import t

    df = int(sums.df_error(CURVES[key].n_params)[0])
    estimate = CURVES[key].optimum(fits.params[0], RATIO)
    shape = CURVES[key].shape
    if shape:
        x = sums.rates - shape.start(sums.rates)[:, None]
        slope, coord = fits.slope[0], shape.coord(fits.bend[0])
        rise, turn, _ = shape.jet(x, coord[:, None])
        columns = np.stack([rise, slope[:, None] * turn], -1)
        at = np.stack([slope, coord], -1)
        rate = lambda p: shape.reach(RATIO / p[:, 0], shape.uncoord(p[:, 1]))  # noqa: E731
    else:
        columns, back = basis(key, sums.rates)
        columns, at = (
            np.repeat(columns, len(estimate), 0),
            fits.params[0][:, 1:] @ np.linalg.inv(back[0, 1:, 1:]).T,
        )
        rate = lambda p: CURVES[key].optimum(np.insert(p @ back[0, 1:, 1:].T, 0, 0.0, axis=1), RATIO)  # noqa: E731
    centred = columns - np.einsum("m,rmq->rq", sums.share[0], columns)[:, None]
    unit = np.linalg.pinv(np.swapaxes(centred, 1, 2) @ sums.spread[0] @ centred)
    step = 1e-6 * np.abs(at) + 1e-12
    slant = np.stack(
        [(rate(at + m) - rate(at - m)) / (2 * m.sum(1)) for m in (step * [1, 0], step * [0, 1])], -1
    )
    se = np.sqrt(np.einsum("ri,rij,rj->r", slant, unit, slant) * fits.rss[0] / df)
    half = np.nan_to_num(t.ppf(0.5 + LEVEL / 2, df) * se, nan=0.0)
    return estimate - half, estimate + half


def draw(table, path):
    """Coverage per scenario and method as dots beside the band from 93 to 97 %."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    cover = table[table["quantity"] == "coverage"]
    names = cover[["curve", "error_sd", "rates", "blocks"]].drop_duplicates()
    labels = [
        f"{CURVES[r.curve].label}, SD {r.error_sd:g}, {r.rates} rates × {r.blocks}"
        for r in names.itertuples()
    ]
    fig, ax = plt.subplots(figsize=(9, 8), layout="constrained")
    ax.axvspan(93, 97, color="0.88", zorder=0)
    looks = zip(METHODS, "oD^sxv", ("black", "#0072B2", "#D55E00", "#E69F00", "#56B4E9", "0.55"), strict=True)
    for method, marker, colour in looks:
        values = cover.loc[cover["method"] == method, "value"].to_numpy() * 100
        ax.plot(values, np.arange(len(values)), marker, color=colour, label=method,
                ms=10 if marker == "o" else 6, mfc="none" if marker in "sD^v" else colour)  # fmt: skip
    ax.set_yticks(np.arange(len(labels)), labels)
    ax.invert_yaxis()
    ax.set_xlabel("coverage of the 95 % interval of the economic optimum [%]")
    ax.grid(axis="y", color="0.93")
    fig.legend(loc="outside lower center", ncols=2, frameon=False)
    fig.savefig(path, dpi=150)
    plt.close(fig)


def main(trials=2000, folder=None):
    """Run every scenario and write the table and the figure."""
    folder = Path(folder) if folder else Path(__file__).parents[1] / "reference" / "coverage"
    folder.mkdir(parents=True, exist_ok=True)
    rows = []
    for scenario, rng in zip(SCENARIOS, np.random.default_rng(SEED).spawn(len(SCENARIOS)), strict=True):
        start = time.perf_counter()
        rows += simulate(scenario, trials, rng)
        done = {r["method"]: round(100 * r["value"], 1) for r in rows if r["quantity"] == "coverage"}
        print(f"{scenario}: {time.perf_counter() - start:.0f} s", done, flush=True)
    table = pd.DataFrame(rows).assign(trials=trials)
    table.to_csv(folder / "coverage.csv", index=False, float_format="%.5g")
    draw(table, folder / "coverage.png")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000, sys.argv[2] if len(sys.argv) > 2 else None)
