"""Fits to the cotton K data of Cate & Nelson (1971) SSSA Proc. 35:658-660, beyond the levels themselves.

Expected numbers were computed outside the project in R on the data as tabled there.
"""

from functools import partial

import numpy as np
import pytest

from fertkit.response import critical_level

cate_nelson = partial(critical_level, method="cate_nelson")
arcsine_log = partial(critical_level, method="arcsine_log")
curve_level = critical_level

TOTAL_SS = 7605.165


@pytest.fixture(scope="module")
def cotton(outside):
    data = outside("cate_nelson_cotton_k.csv")
    return data["soil_k_ppm"], data["rel_yield_pct"]


def test_the_data_and_the_sums_of_squares_of_its_best_split(cotton):
    assert (len(cotton[1]), cotton[1].mean()) == (24, pytest.approx(83.525))
    result = cate_nelson(*cotton)
    best = result.table.set_index(["below", "above"]).loc[(44, 49)]
    left = best["ss_below"] + best["ss_above"]
    assert left / (1 - best["r2"]) == pytest.approx(TOTAL_SS, abs=1e-3)


@pytest.mark.parametrize(
    ("curve", "rss", "parameters"),
    [
        ("linear_plateau", 2410.875, {"x0": (56.0, 1e-6)}),
        # The outside search stopped within 1e-5 of these parameters, at the sums of squares it printed.
        ("quadratic_plateau", 2463.057, {"c": (-0.0110931, 2e-7)}),
        ("mitscherlich", 2472.572, {"A": (96.3819, 1e-4), "B": (143.534, 4e-3), "k": (0.0458428, 1e-6)}),
    ],
)
def test_curves_of_relative_yield(cotton, curve, rss, parameters):
    result = curve_level(*cotton, curve)
    assert (1 - result.r2) * TOTAL_SS == pytest.approx(rss, abs=2e-3)
    estimates = result.table.set_index("param")["estimate"]
    for name, (value, tolerance) in parameters.items():
        assert estimates[name] == pytest.approx(value, abs=tolerance)


def test_plateau_of_the_quadratic(cotton):
    result = curve_level(*cotton, "quadratic_plateau")
    assert result.line["relative_yield_pct"].max() == pytest.approx(95.2873, abs=5e-5)


def test_plain_regression_beside_the_major_axis(cotton):
    # Both lines go through the means of ln(test) and of the arcsine scale; the critical value of each is
    # where that scale is zero (90 % of the yield).
    estimates = arcsine_log(*cotton).table.set_index("estimate")["value"]
    share = np.minimum(cotton[1], 100) / 100
    middle = np.mean(np.arcsin(np.sqrt(share)) - np.arcsin(np.sqrt(0.9)))
    intercept = np.log(cotton[0]).mean() - estimates["ols_slope"] * middle
    assert intercept == pytest.approx(4.31670359, abs=1e-8)
    assert np.exp(intercept) == pytest.approx(74.9412, abs=5e-5)
    assert estimates["intercept"] == pytest.approx(np.log(cotton[0]).mean() - estimates["slope"] * middle)
