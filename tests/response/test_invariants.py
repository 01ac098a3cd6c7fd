"""What must hold for any trial: hypothesis draws the trials."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.response.average import average_weights, averaged_sets
from fertkit.response.curves import CURVES, optimum_in_range
from fertkit.response.region import Region, optimum_sets
from fertkit.response.search import fit_sums, given_bend
from fertkit.response.sums import make_sweep

FAST = settings(max_examples=40, deadline=None)
SHAPED = [k for k in CURVES if CURVES[k].shape]
CURVED = [k for k in CURVES if CURVES[k].n_params == 3]


@st.composite
def trials(draw, replicated=True):
    """Rates (4 to 7 distinct) and yields with one decimal, two rows a rate when replicated."""
    gaps = draw(st.lists(st.integers(5, 90), min_size=3, max_size=6))
    x = np.cumsum([draw(st.sampled_from([0, 0, 20])), *gaps]).astype(float)
    x = np.repeat(x, 2) if replicated else x
    y = draw(st.lists(st.integers(20, 120), min_size=len(x), max_size=len(x)))
    return x, np.array(y) / 10


def best_on_grid(curve, sums, n=4000):
    """Least RSS over a dense grid of shapes: brute force."""
    shape = CURVES[curve].shape
    x = sums.rates - shape.start(sums.rates)[:, None]
    ends = shape.coord(shape.grid(x)[0])
    bends = shape.uncoord(np.interp(np.linspace(0, len(ends) - 1, n), np.arange(len(ends)), ends))
    wide = sums.replicates(np.zeros(n, int))
    return given_bend(shape, wide, x, bends[None])[2].min()


@pytest.mark.parametrize("curve", SHAPED)
@given(trial=trials())
@FAST
def test_no_grid_point_fits_better(curve, trial):
    x, y = trial
    sums = make_sweep(x).sums(y)
    rss = fit_sums(curve, sums).rss[0, 0]
    assert rss <= best_on_grid(curve, sums) * (1 + 1e-11) + 1e-13


@pytest.mark.parametrize("curve", CURVED)
@given(
    trial=trials(),
    x_scale=st.sampled_from([0.4047, 2.2046, 1000.0]),
    y_scale=st.sampled_from([0.0628, 15.9, 1000]),
)
@FAST
def test_rescaled_units_give_the_same_fit(curve, trial, x_scale, y_scale):
    x, y = trial
    one = fit_sums(curve, make_sweep(x).sums(y))
    two = fit_sums(curve, make_sweep(x * x_scale).sums(y * y_scale))
    assert two.rss[0, 0] == pytest.approx(one.rss[0, 0] * y_scale**2, rel=1e-8, abs=1e-10 * y_scale**2)
    fitted = [CURVES[curve].value(v, f.params[0, 0]) for v, f in ((x, one), (x * x_scale, two))]
    near_tie = np.abs(fitted[0] * y_scale - fitted[1]).max() > 1e-4 * y_scale * (np.ptp(y) + 1)
    assert not near_tie or curve in SHAPED  # equally good shapes may swap places by rounding


@pytest.mark.parametrize("curve", CURVED)
@given(trial=trials(), seed=st.integers(0, 99))
@FAST
def test_row_order_does_not_matter(curve, trial, seed):
    x, y = trial
    order = np.random.default_rng(seed).permutation(len(x))
    one, two = fit_sums(curve, make_sweep(x).sums(y)), fit_sums(curve, make_sweep(x[order]).sums(y[order]))
    assert two.rss[0, 0] == pytest.approx(one.rss[0, 0], rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("curve", CURVES)
@given(trial=trials())
@FAST
def test_optimum_falls_as_the_price_ratio_rises(curve, trial):
    x, y = trial
    params = fit_sums(curve, make_sweep(x).sums(y)).params[0, 0]
    ratios = np.linspace(0, 0.2, 30)
    optima = optimum_in_range(CURVES[curve], params, ratios, x.min(), x.max())
    assert (np.diff(optima) <= 1e-9 * x.max()).all()
    assert ((optima >= x.min()) & (optima <= x.max())).all()


@pytest.mark.parametrize("curve", ["linear_plateau", "quadratic_plateau", "spherical"])
@given(trial=trials())
@FAST
def test_continuous_at_the_join(curve, trial):
    x, y = trial
    params = fit_sums(curve, make_sweep(x).sums(y)).params[0, 0]
    join = float(CURVES[curve].join(params))
    if np.isfinite(join):
        ends = CURVES[curve].value(join * np.array([1 - 1e-12, 1 + 1e-12]), params)
        assert ends[0] == pytest.approx(ends[1], rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("curve", CURVED)
@given(trial=trials())
@FAST
def test_interval_holds_the_estimate_and_grows_with_the_level(curve, trial):
    x, y = trial
    sums = make_sweep(x).sums(y)
    fits = fit_sums(curve, sums)
    estimate = optimum_in_range(CURVES[curve], fits.params[0, 0], 0.01, x.min(), x.max())
    ends = [optimum_sets(curve, fits, sums, 0.01, level) for level in (0.5, 0.8, 0.95)]
    cut = [np.clip([low[0, 0], high[0, 0]], x.min(), x.max()) for low, high in ends]
    slack = 1e-6 * x.max()
    for low, high in cut:
        assert low - slack <= estimate <= high + slack
    for (low, high), (wider_low, wider_high) in pairwise(cut):
        assert wider_low <= low + slack
        assert high <= wider_high + slack


@pytest.mark.parametrize("curve", SHAPED)
@given(trial=trials())
@settings(max_examples=20, deadline=None)
def test_no_curve_inside_the_margin_has_an_optimum_beyond_the_profile_interval(curve, trial):
    x, y = trial
    sums, ratio = make_sweep(x).sums(y), 0.01
    region = Region(curve, fit_sums(curve, sums), sums, 0.95)
    low, high = (np.clip(end[0, 0, 0], x.min(), x.max()) for end in region.optimum(ratio))
    grid = region.grid[0, 0, 0]
    coord = np.interp(np.linspace(0, len(grid) - 1, 3000), np.arange(len(grid)), grid)[None, None, None]
    slack, slope, size, _, bend = (v[0, 0, 0] for v in region.given(coord))
    inside = slack > 0
    bend, slope, size = bend[inside], slope[inside], size[inside]
    for side in (-1, 1):
        steep = slope + side * np.sqrt(slack[inside] / size)
        share = np.where(steep > ratio, ratio / np.where(steep > ratio, steep, 1.0), 1.0)
        rate = region.start[0] + np.where(steep > ratio, region.shape.reach(share, bend), 0.0)
        rate = np.clip(np.nan_to_num(rate, nan=np.inf, posinf=np.inf), x.min(), x.max())
        assert ((rate >= low - 2e-4 * x.max()) & (rate <= high + 2e-4 * x.max())).all()


@given(trial=trials())
@FAST
def test_weights_sum_to_one_and_the_averaged_interval_is_ordered(trial):
    x, y = trial
    sums = make_sweep(x).sums(y)
    fits = {k: fit_sums(k, sums) for k in CURVED}
    weights = average_weights(fits, sums)
    assert weights.sum() == pytest.approx(1)
    low, high = averaged_sets(fits, sums, weights, 0.01)
    assert low[0, 0] <= high[0, 0]


@given(trial=trials(), shift=st.floats(-3, 3))
@FAST
def test_block_level_does_not_touch_the_curve(trial, shift):
    x, y = trial
    block = np.tile([0, 1], len(x) // 2)
    for curve in ("quadratic", "linear_plateau", "spherical"):
        one = fit_sums(curve, make_sweep(x, block).sums(y))
        two = fit_sums(curve, make_sweep(x, block).sums(y + shift * block))
        assert two.rss[0, 0] == pytest.approx(one.rss[0, 0], rel=1e-8, abs=1e-10)
