"""Many trials and replicates at once give what one at a time gives."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from fertkit.response import search
from fertkit.response.average import TAILS, average_weights, averaged_sets, ladders_of
from fertkit.response.curves import CURVES
from fertkit.response.region import optimum_sets, region
from fertkit.response.search import fit_sums
from fertkit.response.sums import make_sweep, stack

CURVED = [k for k in CURVES if CURVES[k].n_params == 3]


@pytest.fixture(scope="module")
def designs():
    """Forty trials with 5 to 8 rates of their own and two blocks."""
    rng = np.random.default_rng(3)
    parts = []
    for _ in range(40):
        rates = np.sort(rng.choice(np.arange(0, 260, 10), rng.integers(5, 9), replace=False)).astype(float)
        x, block = np.tile(rates, 2), np.repeat([0, 1], len(rates))
        y = 9 - 5 * np.exp(-0.02 * x) + rng.normal(0, 0.4, len(x)) + block
        parts.append(make_sweep(x, block).sums(y))
    return parts


@pytest.mark.parametrize("curve", CURVES)
def test_stacked_designs_equal_single_ones(designs, curve):
    together = fit_sums(curve, stack(designs))
    for i, one in enumerate(designs):
        alone = fit_sums(curve, one)
        assert together.rss[i, 0] == pytest.approx(alone.rss[0, 0], rel=1e-11)
        np.testing.assert_allclose(together.params[i, 0], alone.params[0, 0], rtol=1e-6)


@pytest.mark.parametrize("curve", CURVED)
def test_stacked_intervals_equal_single_ones(designs, curve):
    joined = stack(designs[:10])
    low, high = optimum_sets(curve, fit_sums(curve, joined), joined, 0.01)
    for i, one in enumerate(designs[:10]):
        ends = optimum_sets(curve, fit_sums(curve, one), one, 0.01)
        np.testing.assert_allclose([low[i, 0], high[i, 0]], [ends[0][0, 0], ends[1][0, 0]], rtol=1e-6)


@pytest.mark.parametrize("curve", CURVED)
def test_what_stands_beside_a_trial_moves_no_end_of_it(designs, curve):
    joined = stack(designs[:10])
    fits, levels = fit_sums(curve, joined), np.array([0.5, 0.95])
    ends = region(curve, fits, joined, levels).optimum(0.01)
    for i in (0, 4, 9):
        one = slice(i, i + 1)
        alone = region(curve, fits.take(one), joined.take(one), levels).optimum(0.01)
        np.testing.assert_allclose([end[one] for end in ends], alone, rtol=1e-12)
        for j, level in enumerate(levels):
            single = optimum_sets(curve, fits.take(one), joined.take(one), 0.01, level)
            np.testing.assert_allclose([end[..., j] for end in alone], single, rtol=1e-12)


@pytest.mark.parametrize("price_ratio", [0.0, 0.01, 0.2])
def test_curves_worked_as_one_answer_as_each_does_alone(designs, price_ratio):
    for one in designs[:10]:
        fits, top = {key: fit_sums(key, one) for key in CURVED}, float(one.rates[0, -1])
        for key, ladder in ladders_of(fits, one, 0.9).items():
            alone = region(key, fits[key], one, np.append(1 - 2 * TAILS, 0.9))
            np.testing.assert_allclose(ladder.ends(price_ratio), alone.optimum(price_ratio), rtol=1e-9)
            np.testing.assert_allclose(ladder.gains(top), alone.gain_at(top), rtol=1e-9)
            assert ladder.step == alone.any_join[..., -1]


def test_replicates_equal_single_trials():
    rng = np.random.default_rng(5)
    x = np.repeat([0.0, 50, 100, 150, 200], 3)
    y = 4 + np.minimum(0.04 * x, 4) + rng.normal(0, 0.5, (60, 15))
    sweep = make_sweep(x)
    together = {k: fit_sums(k, sweep.sums(y)) for k in CURVED}
    weights = average_weights(together, sweep.sums(y))
    ends = averaged_sets(together, sweep.sums(y), weights, 0.01)
    for i in (0, 17, 59):
        sums = sweep.sums(y[i])
        alone = {k: fit_sums(k, sums) for k in CURVED}
        for k in CURVED:
            np.testing.assert_allclose(together[k].params[0, i], alone[k].params[0, 0], rtol=1e-6)
        single = averaged_sets(alone, sums, average_weights(alone, sums), 0.01)
        np.testing.assert_allclose([ends[0][0, i], ends[1][0, i]], np.ravel(single), rtol=1e-6)


@pytest.mark.parametrize("curve", ["linear_plateau", "quadratic_plateau", "mitscherlich", "quadratic"])
def test_chunks_change_nothing(designs, curve, monkeypatch):
    joined = stack(designs)
    whole = fit_sums(curve, joined)
    monkeypatch.setattr(search, "CHUNK", 1000)
    parts = fit_sums(curve, joined)
    np.testing.assert_array_equal(whole.rss, parts.rss)
    x = np.repeat([0.0, 50, 100, 150], 2)
    sums = make_sweep(x).sums(np.random.default_rng(1).normal(size=(30, 8)))
    parts = fit_sums(curve, sums)
    monkeypatch.undo()
    np.testing.assert_allclose(fit_sums(curve, sums).rss, parts.rss, rtol=1e-12)


def test_mitscherlich_against_a_bounded_search():
    """scipy's bounded scalar search on log k, from many brackets, never finds a lower RSS."""
    rng = np.random.default_rng(11)
    x = np.repeat([0.0, 30, 60, 120, 240], 2)
    for _ in range(15):
        y = rng.normal(6, 1.5, len(x))
        found = fit_sums("mitscherlich", make_sweep(x).sums(y)).rss[0, 0]

        def rss(log_k, y=y):
            design = np.column_stack([np.ones_like(x), np.exp(-np.exp(log_k) * x)])
            rest = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
            return rest @ rest

        for low in np.arange(-9, 0.5, 0.75):
            best = minimize_scalar(rss, bounds=(low, low + 0.75), method="bounded", options={"xatol": 1e-10})
            assert found <= best.fun * (1 + 1e-9)
