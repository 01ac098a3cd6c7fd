"""Curves: formula optima against an analytic table, derivatives and joins against each other."""

import numpy as np
import pytest

from fertkit.errors import LookupFailed
from fertkit.response.curves import CURVES, get_curve, optimum_in_range

PARAMS = {
    "mean": (5.0,),
    "linear": (3.0, 0.02),
    "quadratic": (3.0, 0.05, -1.25e-4),
    "square_root": (3.0, 0.6, -0.015),
    "linear_plateau": (3.0, 0.03, 150.0),
    "quadratic_plateau": (3.0, 0.05, -1.25e-4),
    "mitscherlich": (8.0, 5.0, 0.015),
    "spherical": (3.0, 5.0, 200.0),
}
RATIOS = [0, 0.0025, 0.005, 0.0075, 0.01, 0.015, 0.02, 0.03, 0.04, 0.05, 0.06]
# Optimum rates computed in R from the exact formulae for the parameters above.
QUADRATIC = [200, 190, 180, 170, 160, 140, 120, 80, 40, 0, 0]
OPTIMA = {
    "quadratic": QUADRATIC,
    "quadratic_plateau": QUADRATIC,
    "linear_plateau": [150] * 7 + [0] * 4,  # at 0.03 rates 0 to 150 tie: the lowest is given
    "mitscherlich": [np.inf, 226.746492, 180.536680, 153.505673, 134.326868, 107.295861, 88.117056,
                     61.086049, 41.907244, 27.031007, 14.876237],
    "square_root": [400, 293.877551, 225, 177.777778, 144, 100, 73.469388, 44.444444, 29.752066,
                    21.301775, 16],
    "spherical": [200, 193.218357, 186.189867, 178.885438, 171.269768, 154.919334, 136.626010, 89.442719,
                  0, 0, 0],
}  # fmt: skip


@pytest.mark.parametrize("key", OPTIMA)
def test_optimum_by_price_ratio(key):
    found = CURVES[key].optimum(np.array(PARAMS[key]), np.array(RATIOS))
    np.testing.assert_allclose(found, OPTIMA[key], rtol=1e-7)


@pytest.mark.parametrize("key", CURVES)
def test_slope_is_the_derivative_of_the_value(key):
    curve, params = CURVES[key], np.array(PARAMS[key])
    x = np.array([3.0, 40.0, 120.0, 149.0, 151.0, 260.0])
    step = 1e-4
    central = (curve.value(x + step, params) - curve.value(x - step, params)) / (2 * step)
    np.testing.assert_allclose(curve.slope(x, params), central, atol=1e-8)


@pytest.mark.parametrize("key", ["linear_plateau", "quadratic_plateau", "spherical"])
def test_level_from_the_join_on(key):
    curve, params = CURVES[key], np.array(PARAMS[key])
    join = curve.join(params)
    plateau = curve.plateau(params)
    np.testing.assert_allclose(curve.value(np.array([join, join + 1, 2 * join]), params), plateau, rtol=1e-14)
    assert curve.value(join * (1 - 1e-9), params) == pytest.approx(plateau, rel=1e-8)


def test_parameters_broadcast_over_leading_axes():
    params = np.array([[PARAMS["quadratic"]] * 3] * 2)
    assert CURVES["quadratic"].value(np.arange(3.0), params).shape == (2, 3)
    assert CURVES["quadratic"].optimum(params, 0.01).shape == (2, 3)


def test_flat_payoff_does_not_depend_on_the_price():
    # loss at +-d from the optimum of a quadratic is -c d^2: 0.0125, 0.05, 0.20 at 10, 20, 40
    curve, params = CURVES["quadratic"], np.array(PARAMS["quadratic"])
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
    params = np.array(PARAMS["linear_plateau"])
    found = optimum_in_range(CURVES["linear_plateau"], params, np.array([0.0299, 0.03, 0.0301]), 0, 200)
    np.testing.assert_array_equal(found, [150, 0, 0])


def test_unknown_curve_lists_the_known():
    with pytest.raises(LookupFailed, match="quadratic_plateau"):
        get_curve("cubic")
