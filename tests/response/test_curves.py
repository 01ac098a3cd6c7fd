"""Every record of a curve against its published formula: one row a curve, tried by every test here.

Formulae are those of Cerrato & Blackmer (1990, Agron. J. 82:138-143), and of geostatistics (spherical).
Parameters of every sign are tried, since a fit may come out convex, falling or straight.
"""

import copy
import itertools
import pickle
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from fertkit.errors import LookupFailed
from fertkit.response.curves import CURVES, get_curve, optimum_in_range
from fertkit.response.search import basis, fit_sums
from fertkit.response.sums import make_sweep

SLOPES, BENDS = (-0.05, 0.0, 0.03, 0.2), (-2e-4, 0.0, 1e-4)


@dataclass(frozen=True)
class Row:
    """What is published of a curve: yield (x, *parameters), parameters to try, plateau and join of these.

    `straight` is the share of the range of rates in one scale of the curve (join, range, 1/k) up to which it
    passes for a straight line; None for a curve linear in its parameters.
    """

    value: Callable
    cases: list
    plateau: Callable = lambda *_: np.nan
    join: Callable = lambda *_: np.nan
    straight: float | None = None


def top_of_parabola(a, b, c):
    return a - b**2 / (4 * c)


def quadratic_join(_, b, c):
    return -b / (2 * c) if c else np.inf


def level_after(join, value):
    """A formula that goes on level from its join."""
    return lambda x, *p: value(np.minimum(x, join(*p)), *p)


ROWS = {
    "mean": Row(lambda x, a: a + 0 * x, [(5.0,)], plateau=lambda a: a),
    "linear": Row(lambda x, a, b: a + b * x, [(3.0, b) for b in SLOPES]),
    "quadratic": Row(
        lambda x, a, b, c: a + b * x + c * x**2, [(3.0, b, c) for b in SLOPES for c in BENDS],
        plateau=lambda a, b, c: top_of_parabola(a, b, c) if c < 0 else np.nan,
    ),
    "square_root": Row(
        lambda x, a, b, c: a + b * np.sqrt(x) + c * x,
        [(3.0, b, c) for b in (-0.5, 0.0, 0.6) for c in (-0.02, 0.0, 0.0007, 0.02)],
        plateau=lambda a, b, c: top_of_parabola(a, b, c) if b > 0 > c else np.nan,
    ),
    "linear_plateau": Row(
        lambda x, a, b, x0: a + b * np.minimum(x, x0), [(3.0, b, x0) for b in SLOPES for x0 in (70.0, 150.0)],
        plateau=lambda a, b, x0: a + b * x0, join=lambda a, b, x0: x0, straight=1.0,
    ),
    "quadratic_plateau": Row(
        level_after(quadratic_join, lambda x, a, b, c: a + b * x + c * x**2),
        [(3.0, b, c) for b in SLOPES for c in BENDS],
        plateau=lambda a, b, c: top_of_parabola(a, b, c) if c else np.nan, join=quadratic_join, straight=1e-4,
    ),
    "mitscherlich": Row(
        lambda x, a, b, k: a - b * np.exp(-k * x),
        [(8.0, b, k) for b in (-3.0, 0.5, 5.0) for k in (0.002, 0.03, 0.5)],
        plateau=lambda a, b, k: a, straight=1e-3,
    ),
    "spherical": Row(
        level_after(lambda a, s, r: r, lambda x, a, s, r: a + s * (1.5 * x / r - 0.5 * (x / r) ** 3)),
        [(3.0, s, r) for s in (-2.0, 0.5, 5.0) for r in (60.0, 200.0)],
        plateau=lambda a, s, r: a + s, join=lambda a, s, r: r, straight=1e-4,
    ),
}  # fmt: skip
CASES = [(key, np.array(case)) for key, row in ROWS.items() for case in row.cases]
SHAPED = [key for key, row in ROWS.items() if row.straight]
BASED = [key for key, row in ROWS.items() if not row.straight]
MESH = np.concatenate([[0.0], np.geomspace(1e-3, 1e6, 4000)])
RATIOS = (0.0, 0.0007, 0.01, 0.03, 0.4)  # 0.03 is the slope of some, 0.0007 the c of a square root


def value(curve, x, params):
    return ROWS[curve].value(x, *np.asarray(params, float))


@pytest.fixture(params=CASES, ids=lambda case: f"{case[0]} {case[1]}")
def case(request):
    return request.param


@pytest.fixture(params=itertools.product(SHAPED, (1 / 40, 1 / 87, 1 / 260), (0.0, 30.0)), ids=str)
def shaped(request):
    """A curve, its shape, a bend and the start of the rise."""
    curve, bend, start = request.param
    shape = CURVES[curve].shape
    return curve, shape, bend, start if shape.shifted else 0.0


def test_every_curve_has_its_row():
    assert list(ROWS) == list(CURVES)
    for key, curve in CURVES.items():
        assert curve.key == key
        assert (curve.basis is None) == (key in SHAPED) == (curve.shape is not None)
        assert len(curve.param_names) == len(curve.param_units) == len(ROWS[key].cases[0])
        assert not curve.in_average or (curve.n_params == 3 and curve.bends)


def test_records_stay_the_same_through_a_pickle():
    for curve in CURVES.values():
        assert pickle.loads(pickle.dumps(curve)) is curve
        assert copy.deepcopy(curve) is curve


# Published parameters --------------------------------------------------------------------------------


def test_value_and_slope(case):
    curve, params = case
    x = np.array([1.0, 17, 61, 71, 149, 160, 220, 490])
    np.testing.assert_allclose(CURVES[curve].value(x, params), value(curve, x, params), rtol=1e-12)
    step = 1e-4
    slope = (value(curve, x + step, params) - value(curve, x - step, params)) / (2 * step)
    np.testing.assert_allclose(CURVES[curve].slope(x, params), slope, rtol=1e-5, atol=1e-8)


def test_formula_optimum_is_where_net_return_is_greatest(case):
    curve, params = case
    for ratio in RATIOS:
        best = float(CURVES[curve].optimum(params, ratio))
        net = value(curve, MESH, params) - ratio * MESH
        size = np.abs(value(curve, MESH[MESH < 1000], params)).max()
        if np.isinf(best):  # never stops rising, or rises again after a trough
            assert net[-1] >= net.max()
            continue
        at = value(curve, best, params) - ratio * best
        assert at >= net.max() - 1e-9 * size, ratio
        assert best >= 0
        if best > 0:  # the lowest of equals
            lower = best * (1 - 1e-2)
            assert value(curve, lower, params) - ratio * lower < at


def test_optimum_within_tested_rates(case):
    curve, params = case
    for ratio, (low, high) in itertools.product(RATIOS, ((0.0, 130.0), (40.0, 300.0))):
        mesh = np.linspace(low, high, 26_001)
        net = value(curve, mesh, params) - ratio * mesh
        first = mesh[np.argmax(net >= net.max() - 1e-11 * np.abs(net).max())]
        found = float(optimum_in_range(CURVES[curve], params, ratio, low, high))
        assert low <= found <= high
        assert value(curve, found, params) - ratio * found >= net.max() - 1e-10 * np.abs(net).max()
        # Of equals the lowest; a peak is flat to the tenth digit over a few hundredths of a rate.
        if np.isfinite(CURVES[curve].optimum(params, ratio)):
            assert found == pytest.approx(first, abs=0.03)


def test_join_and_plateau(case):
    curve, params = case
    row, record = ROWS[curve], CURVES[curve]
    join, plateau = float(record.join(params)), float(record.plateau(params))
    assert join == pytest.approx(row.join(*params), nan_ok=True)
    assert plateau == pytest.approx(row.plateau(*params), rel=1e-12, nan_ok=True)
    assert np.isnan(join) or record.shape.has_join
    if np.isfinite(plateau) and curve in SHAPED:
        assert value(curve, 1e12, params) == pytest.approx(plateau, rel=1e-9)
    if 0 < join < np.inf:
        beyond = record.value(join * np.array([1, 1.01, 2]), params)
        np.testing.assert_allclose(beyond, plateau, rtol=1e-14)
        assert float(record.slope(join, params)) == 0  # that of the plateau side


def test_nan_gives_nan(case):
    curve, params = case
    assert np.isnan(CURVES[curve].optimum(params, np.nan))
    for k in range(len(params)):
        lost = np.where(np.arange(len(params)) == k, np.nan, params)
        assert np.isnan(CURVES[curve].optimum(lost, 0.01)), k


def test_parameters_broadcast_over_leading_axes():
    for key, row in ROWS.items():
        params = np.array([[row.cases[-1]] * 3] * 2)
        assert CURVES[key].value(np.arange(3.0), params).shape == (2, 3)
        assert CURVES[key].optimum(params, 0.01).shape == (2, 3)


def test_bends_upwards():
    """The second difference of the formula over three rates, where it is more than rounding."""
    for key in BASED:
        for case in ROWS[key].cases:
            low, middle, high = value(key, np.array([0.0, 50, 100]), case)
            bow = low + high - 2 * middle
            assert (CURVES[key].upward(np.array(case), 100.0) > 0) == (bow > 1e-12)


# A rise with a shape ---------------------------------------------------------------------------------


def test_shape_is_the_curve_in_other_parameters(shaped):
    """Rise, published parameters and height of a shape say the same as the formula."""
    curve, shape, bend, start = shaped
    x = np.array([30.0, 45, 90, 140, 250, 400])
    params = shape.publish(4.0, 0.07, bend, start)
    np.testing.assert_allclose(value(curve, x, params), 4 + 0.07 * shape.rise(x - start, bend), rtol=1e-12)
    assert value(curve, start + 1e-6, params) == pytest.approx(4 + 0.07e-6, rel=1e-12)  # its slope there
    assert 4 + 0.07 * shape.height(bend) == pytest.approx(ROWS[curve].plateau(*params), rel=1e-12)
    assert np.isinf(shape.height(np.zeros(1)))
    rates = np.array([[start, 60.0, 180.0]])
    assert shape.start(rates) == start


def test_rise_against_differences_of_its_jet(shaped):
    """Value, first and second derivative by the coordinate of the search, away from the join."""
    _, shape, bend, _ = shaped
    x = np.array([3.0, 21, 34, 55, 90, 160, 410])
    coord = float(shape.coord(bend))
    assert shape.uncoord(coord) == pytest.approx(bend, rel=1e-14)
    assert shape.coord(bend * 1.01) > coord
    step = 1e-4 * abs(coord)
    below, at, above = (shape.rise(x, shape.uncoord(coord + s)) for s in (-step, 0.0, step))
    rise, first, second = shape.jet(x, np.full(x.shape, coord))
    np.testing.assert_allclose(rise, at, rtol=1e-13)
    np.testing.assert_allclose(first, (above - below) / (2 * step), rtol=1e-6, atol=1e-9 / step)
    np.testing.assert_allclose(second, (above + below - 2 * at) / step**2, rtol=1e-4, atol=1e-11 / step**2)


def test_reach_against_the_slope(shaped):
    """Where the slope of the formula has fallen to a share; a straight rise falls to none at its join."""
    curve, shape, bend, start = shaped
    params = shape.publish(4.0, 0.07, bend, start)
    for share in (0.2, 0.7):
        at = start + shape.reach(share, bend)
        if shape.kinked:
            assert at == pytest.approx(float(CURVES[curve].join(params)))
            continue
        slope = (value(curve, at + 1e-4, params) - value(curve, at - 1e-4, params)) / 2e-4
        assert slope == pytest.approx(0.07 * share, rel=1e-5)
    assert shape.reach(1.0, bend) == shape.reach(1.3, bend) == 0


def test_end_of_the_rise(shaped):
    """The join, or the rate at which 5 % of the rise is left."""
    curve, shape, bend, start = shaped
    made = shape.rise(shape.end / bend, bend) / shape.height(bend)
    assert made == pytest.approx(1 if shape.has_join else 0.95, rel=1e-12)
    join = float(CURVES[curve].join(shape.publish(4.0, 0.07, bend, start)))
    assert np.isnan(join) if not shape.has_join else join == pytest.approx(start + shape.end / bend)
    if not shape.has_join:
        assert shape.rise(shape.near(0.3) / bend, bend) == pytest.approx(0.7 * shape.height(bend))


@pytest.mark.parametrize("curve", SHAPED)
def test_grid_of_a_search_runs_from_step_to_straight_line(curve):
    shape, rates = CURVES[curve].shape, np.array([[0.0, 40, 100, 180]])
    bends = shape.grid(rates)[0]
    assert (np.diff(bends) <= 0).all()
    assert bends[0] * 40 * (1 + 1e-12) >= shape.step
    assert bends[-1] * 180 <= ROWS[curve].straight


@pytest.mark.parametrize("curve", SHAPED)
def test_limits_of_a_family(curve):
    """Steps, straight lines and joins beyond the top rate, on rates of 20, 60 and 180."""
    shape, rates = CURVES[curve].shape, np.array([[20.0, 60, 180]])
    first, top = rates[0, 1:] - shape.start(rates)

    def told(scale):
        return tuple(bool(v[0, 0]) for v in shape.limits(np.array([[1 / scale]]), rates))

    straight = ROWS[curve].straight
    assert shape.kinked == (straight == 1)
    if not shape.has_join:  # a step has made 99.99 % of its rise at 60
        assert told(first / shape.near(1 / 1.1e4)) == (True, False, False)
        assert told(first / shape.near(1 / 0.9e4)) == (False, False, False)
        assert told(top / (0.9 * straight)) == (False, True, False)
        assert told(top / (1.1 * straight)) == (False, False, False)
        return
    assert told(first * 0.99) == told(first) == told(first * (1 + 1e-10)) == (True, False, False)
    assert told(first * 1.01) == told(top * 0.99) == (False, False, False)
    at_top = (False, straight == 1, False)
    assert told(top) == told(top * (1 + 1e-10)) == at_top
    assert told(top * 1.01) == (False, straight == 1, True)
    assert told(top / straight * 1.01) == (False, True, True)
    if straight < 1:
        assert told(top / straight * 0.99) == (False, False, True)


# Linear in the parameters ----------------------------------------------------------------------------


@pytest.mark.parametrize("curve", BASED)
def test_columns_and_slope_of_a_basis(curve):
    """Columns and the way back say the formula; its slope is lead z + constant."""
    record, rates = CURVES[curve], np.array([[20.0, 37, 91, 133, 171]])
    columns, back = basis(curve, rates)
    for case in ROWS[curve].cases:
        internal = np.linalg.solve(back[0], case)
        np.testing.assert_allclose(internal[0] + columns[0] @ internal[1:], value(curve, rates[0], case))
        if not record.basis.lead:
            continue
        lead, constant = case[record.basis.lead], case[record.basis.constant]
        z = np.array([0.03, 0.11, 60.0])
        assert (np.diff(record.basis.rate_of(z)) < 0).all() == record.basis.falls
        slope = record.slope(record.basis.rate_of(z), np.array(case))
        np.testing.assert_allclose(slope, lead * z + constant, rtol=1e-12)
        low, high = value(curve, np.array([30.0, 130.0]), case)
        assert lead * record.basis.chord(30.0, 130.0) + constant == pytest.approx((high - low) / 100)


# What is made of a record ----------------------------------------------------------------------------


@pytest.mark.parametrize("curve", [key for key in ROWS if CURVES[key].bends])
def test_curve_of_a_planner(curve):
    """From 4.2 by 3.1 more at a rate of 120, or 95 % of it where there is no end."""
    record = CURVES[curve]
    params = record.through(4.2, 3.1, 120.0)
    without, at = value(curve, np.array([0.0, 120.0]), params)
    ends = record.shape is None or record.shape.has_join
    assert without == pytest.approx(4.2, rel=1e-12)
    assert at == pytest.approx(4.2 + (1 if ends else 0.95) * 3.1, rel=1e-12)
    assert float(record.plateau(params)) == pytest.approx(4.2 + 3.1, rel=1e-12)


def test_yields_on_a_curve_give_its_parameters_back(case):
    curve, params = case
    x = np.array([0.0, 20, 37, 61, 91, 133, 171, 240])
    yields = value(curve, x, params)
    fits = fit_sums(curve, make_sweep(x).sums(yields))
    np.testing.assert_allclose(CURVES[curve].value(x, fits.params[0, 0]), yields, rtol=1e-6)
    assert fits.rss[0, 0] <= 1e-12 * (yields**2).sum()


# Worked by hand --------------------------------------------------------------------------------------


def test_a_nearly_straight_mitscherlich_keeps_its_digits():
    # 5 + B (1 - e^-u) with u = k x = 2e-10: 5 + B (u - u^2 / 2)
    b, k = 1e10, 2e-12
    found = float(CURVES["mitscherlich"].value(100.0, (b + 5, b, k)))
    assert found == pytest.approx(5 + b * (2e-10 - 2e-20), rel=1e-12)


def test_flat_payoff_does_not_depend_on_the_price():
    # loss at +-d from the optimum of a quadratic is -c d^2: 0.0125, 0.05, 0.20 at 10, 20, 40
    curve, params = CURVES["quadratic"], np.array([3.0, 0.05, -1.25e-4])
    for ratio in (0.005, 0.01, 0.02):
        best = curve.optimum(params, ratio)
        for away, loss in ((10, 0.0125), (20, 0.05), (40, 0.20)):
            for rate in (best - away, best + away):
                net = curve.value(best, params) - curve.value(rate, params) - ratio * (best - rate)
                assert net == pytest.approx(loss, abs=1e-12)


def test_optimum_stays_in_the_tested_rates_and_never_sits_on_a_minimum():
    # exact parabola through 4, 6, 7.4, 8.2 at 0, 40, 80, 120: vertex 153.33 lies beyond the top rate
    inside = optimum_in_range(CURVES["quadratic"], (4, 0.0575, -1.875e-4), np.array([0, 0.0175]), 0, 120)
    np.testing.assert_allclose(inside, [120, 106.6666667], rtol=1e-8)
    convex = np.polynomial.polynomial.polyfit([0, 50, 100, 150, 200], [4, 4.2, 4.9, 6.1, 8], 2)
    assert -convex[1] / (2 * convex[2]) == pytest.approx(11.15, abs=0.01)  # a minimum
    np.testing.assert_array_equal(
        optimum_in_range(CURVES["quadratic"], convex, np.array([0.01, 0.03]), 0, 200), [200, 0]
    )


def test_linear_plateau_jumps_where_the_price_ratio_passes_the_slope():
    ratios = np.array([0.0299, 0.03, 0.0301])
    found = optimum_in_range(CURVES["linear_plateau"], np.array([3.0, 0.03, 150.0]), ratios, 0, 200)
    np.testing.assert_array_equal(found, [150, 0, 0])


def test_unknown_curve_lists_the_known():
    with pytest.raises(LookupFailed, match="quadratic_plateau"):
        get_curve("cubic")


PRICE_RATIOS = [0, 0.0025, 0.005, 0.0075, 0.01, 0.015, 0.02, 0.03, 0.04, 0.05, 0.06]
# Optimum rates computed in R from the exact formulae for the parameters beside them.
QUADRATIC = [200, 190, 180, 170, 160, 140, 120, 80, 40, 0, 0]
OPTIMA = {
    "quadratic": ((3.0, 0.05, -1.25e-4), QUADRATIC),
    "quadratic_plateau": ((3.0, 0.05, -1.25e-4), QUADRATIC),
    # at 0.03 rates 0 to 150 tie: the lowest is given
    "linear_plateau": ((3.0, 0.03, 150.0), [150] * 7 + [0] * 4),
    "mitscherlich": ((8.0, 5.0, 0.015), [
        np.inf, 226.746492, 180.536680, 153.505673, 134.326868, 107.295861, 88.117056, 61.086049, 41.907244,
        27.031007, 14.876237,
    ]),
    "square_root": ((3.0, 0.6, -0.015), [
        400, 293.877551, 225, 177.777778, 144, 100, 73.469388, 44.444444, 29.752066, 21.301775, 16,
    ]),
    "spherical": ((3.0, 5.0, 200.0), [
        200, 193.218357, 186.189867, 178.885438, 171.269768, 154.919334, 136.626010, 89.442719, 0, 0, 0,
    ]),
}  # fmt: skip


@pytest.mark.parametrize("key", OPTIMA)
def test_optimum_by_price_ratio(key):
    params, optima = OPTIMA[key]
    found = CURVES[key].optimum(np.array(params), np.array(PRICE_RATIOS))
    np.testing.assert_allclose(found, optima, rtol=1e-7)
