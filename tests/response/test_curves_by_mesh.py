"""Every curve against its published formula and a fine mesh of rates: values, slopes, optima, plateaus.

Parameters of every sign are tried, since a fit may come out convex, falling or straight.
"""

import itertools

import numpy as np
import pytest

from fertkit.response.curves import CURVES, optimum_in_range

SHAPED = [key for key in CURVES if CURVES[key].shape]
MESH = np.concatenate([[0.0], np.geomspace(1e-3, 1e6, 4000)])
SLOPES, BENDS = (-0.05, 0.0, 0.03, 0.2), (-2e-4, 0.0, 1e-4)
PARAMS = {
    "mean": [(5.0,)],
    "linear": [(3.0, b) for b in SLOPES],
    "quadratic": [(3.0, b, c) for b, c in itertools.product(SLOPES, BENDS)],
    "quadratic_plateau": [(3.0, b, c) for b, c in itertools.product(SLOPES, BENDS)],
    "square_root": [(3.0, b, c) for b, c in itertools.product((-0.5, 0.0, 0.6), (-0.02, 0.0, 0.0007, 0.02))],
    "linear_plateau": [(3.0, b, x0) for b, x0 in itertools.product(SLOPES, (70.0, 150.0))],
    "mitscherlich": [(8.0, b, k) for b, k in itertools.product((-3.0, 0.5, 5.0), (0.002, 0.03, 0.5))],
    "spherical": [(3.0, s, r) for s, r in itertools.product((-2.0, 0.5, 5.0), (60.0, 200.0))],
}
CASES = [(curve, np.array(params)) for curve, several in PARAMS.items() for params in several]
RATIOS = (0.0, 0.0007, 0.01, 0.03, 0.4)  # 0.03 is the slope of some, 0.0007 the c of a square root


def value(curve, x, params):
    """Yield by the formulae of Cerrato & Blackmer (1990) and the spherical curve of geostatistics."""
    a, b, c = (*params, 0.0, 0.0)[:3]
    if curve in ("mean", "linear", "quadratic"):
        return a + b * x + c * x**2
    if curve == "square_root":
        return a + b * np.sqrt(x) + c * x
    if curve == "linear_plateau":
        return a + b * np.minimum(x, c)
    if curve == "quadratic_plateau":
        x = np.minimum(x, -b / (2 * c)) if c else x
        return a + b * x + c * x**2
    if curve == "mitscherlich":
        return a - b * np.exp(-c * x)
    u = np.minimum(x / c, 1)
    return a + b * (1.5 * u - 0.5 * u**3)


def named(case):
    return f"{case[0]} {case[1]}"


@pytest.fixture(params=CASES, ids=named)
def case(request):
    return request.param


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
    join, plateau = float(CURVES[curve].join(params)), float(CURVES[curve].plateau(params))
    far = value(curve, np.array([1e7]), params)[0]
    b, c = (*params, 0.0, 0.0)[1:3]
    if curve in ("linear", "quadratic", "square_root", "mean", "mitscherlich"):
        assert np.isnan(join)
    if curve in ("mean", "mitscherlich", "linear_plateau", "spherical"):
        assert plateau == pytest.approx(far, rel=1e-12)
    elif curve == "quadratic_plateau" and c:
        assert (join, plateau) == (pytest.approx(-b / (2 * c)), pytest.approx(far, rel=1e-12))
    elif curve == "quadratic_plateau":
        assert np.isinf(join)
        assert np.isnan(plateau)
    elif (curve == "quadratic" and c < 0) or (curve == "square_root" and b > 0 > c):
        peak = params[0] - b**2 / (4 * c)  # of a parabola in x or in the root of x
        assert plateau == pytest.approx(peak, rel=1e-12)
    else:
        assert np.isnan(plateau)
    if curve in ("linear_plateau", "spherical"):
        assert join == c
        assert float(CURVES[curve].slope(join, params)) == 0  # that of the plateau side


def test_nan_gives_nan():
    for curve, params in CASES:
        assert np.isnan(CURVES[curve].optimum(params, np.nan))
        for k in range(len(params)):
            lost = np.where(np.arange(len(params)) == k, np.nan, params)
            assert np.isnan(CURVES[curve].optimum(lost, 0.01)), (curve, k)


def test_a_nearly_straight_mitscherlich_keeps_its_digits():
    # 5 + B (1 - e^-u) with u = k x = 2e-10: 5 + B (u - u^2 / 2)
    b, k = 1e10, 2e-12
    found = float(CURVES["mitscherlich"].value(100.0, (b + 5, b, k)))
    assert found == pytest.approx(5 + b * (2e-10 - 2e-20), rel=1e-12)


@pytest.mark.parametrize("curve", SHAPED)
def test_shape_is_the_curve_in_other_parameters(curve):
    """Rise, published parameters, height and reach of a shape say the same as the formula."""
    shape, x = CURVES[curve].shape, np.array([30.0, 45, 90, 140, 250, 400])
    for start, bend in itertools.product((0.0, 30.0) if shape.shifted else (0.0,), (1 / 40, 1 / 87, 1 / 260)):
        params = shape.publish(4.0, 0.07, bend, start)
        rise = shape.rise(x - start, bend)
        np.testing.assert_allclose(value(curve, x, params), 4 + 0.07 * rise, rtol=1e-12)
        assert value(curve, start + 1e-6, params) == pytest.approx(4 + 0.07e-6, rel=1e-12)  # its slope there
        far = value(curve, np.array([1e6]), params)[0]
        assert 4 + 0.07 * shape.height(bend) == pytest.approx(far, rel=1e-12)
        assert shape.uncoord(shape.coord(bend)) == pytest.approx(bend, rel=1e-14)
        for share in (0.2, 0.7):
            at = start + shape.reach(share, bend)
            if curve == "linear_plateau":
                assert at == pytest.approx(start + 1 / bend)
                continue
            slope = (value(curve, at + 1e-4, params) - value(curve, at - 1e-4, params)) / 2e-4
            assert slope == pytest.approx(0.07 * share, rel=1e-5)
        assert shape.reach(1.0, bend) == shape.reach(1.3, bend) == 0
    assert np.isinf(shape.height(np.zeros(1)))


@pytest.mark.parametrize("curve", SHAPED)
def test_limits_of_a_family(curve):
    """Steps, straight lines and joins beyond the top rate, on rates of 20, 60 and 180."""
    rates = np.array([[20.0, 60, 180]])
    start = 0.0 if curve == "spherical" else 20.0

    def told(scale):
        return tuple(bool(v[0, 0]) for v in CURVES[curve].shape.limits(np.array([[1 / scale]]), rates))

    if curve == "mitscherlich":  # 99.99 % of the rise at 60, or a bend of a thousandth over the rates
        assert told(40 / np.log(1.1e4)) == (True, False, False)
        assert told(40 / np.log(0.9e4)) == (False, False, False)
        assert told(160 / 0.9e-3) == (False, True, False)
        assert told(160 / 1.1e-3) == (False, False, False)
        return
    first, top = 60 - start, 180 - start
    assert told(first * 0.99) == told(first) == told(first * (1 + 1e-13)) == (True, False, False)
    assert told(first * 1.01) == told(top * 0.99) == (False, False, False)
    at_top = (False, curve == "linear_plateau", False)
    assert told(top) == told(top * (1 + 1e-13)) == at_top
    assert told(top * 1.01) == (False, curve == "linear_plateau", True)
    assert told(top * 1.01e4) == (False, True, True)
    assert told(top * 0.99e4) == (False, curve == "linear_plateau", True)
