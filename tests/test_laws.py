"""Chances of t, F and normal numbers against scipy, which computes them in other ways."""

import numpy as np
import pytest
from scipy import special

from fertkit.laws import f_above, normal_below, t_below, t_point, t_reach

DF = np.array([1, 2, 3, 4, 7, 12, 18, 29, 30])[:, None]
VALUES = np.array([0.0, 0.01, 0.3, 1.0, 1.7, 2.5, 6.0, 40.0, 1e4])


def test_chances_are_those_of_scipy():
    for t in (VALUES, -VALUES):
        np.testing.assert_allclose(t_below(DF, t), special.stdtr(DF, t), rtol=1e-13)
    for df1 in (1, 2, 3, 8, 30):
        np.testing.assert_allclose(f_above(df1, DF, VALUES), special.fdtrc(df1, DF, VALUES), rtol=1e-13)
    np.testing.assert_allclose(normal_below(VALUES[:7] - 3), special.ndtr(VALUES[:7] - 3), rtol=1e-13)


def test_points_of_t_are_those_of_scipy():
    chances = np.array([1e-9, 0.01, 0.3, 0.5, 0.55, 0.975, 0.9995, 1 - 1e-9])
    np.testing.assert_allclose(t_point(DF, chances), special.stdtrit(DF, chances), rtol=1e-12)
    assert np.isnan(t_point([0, np.nan, 5], [0.9, 0.9, 1.0])).all()


def test_reach_is_the_half_width_of_an_interval():
    levels = np.array([0.5, 0.8, 0.9, 0.95, 0.99])
    np.testing.assert_allclose(t_reach(DF, levels), special.stdtrit(DF, (1 + levels) / 2), rtol=1e-12)


def test_ends_of_the_laws_are_those_of_scipy():
    ends = np.array([-np.inf, np.inf, np.nan])
    np.testing.assert_array_equal(t_below(5.0, ends), special.stdtr(5.0, ends))
    np.testing.assert_array_equal(f_above(2.0, 5.0, ends[1:]), special.fdtrc(2.0, 5.0, ends[1:]))
    assert f_above(2, 5, -1e-12) == 1  # a sum of squares below zero by rounding
    assert np.isnan(t_below([0.0, np.nan], 1.0)).all()
    assert np.isnan(f_above([0, 2, 2], [5, 0, 5], [1.0, 1.0, np.nan])).all()


@pytest.mark.parametrize("df", [400, 20_000])
def test_many_degrees_of_freedom_keep_ten_digits(df):
    np.testing.assert_allclose(t_below(df, -VALUES[:7]), special.stdtr(df, -VALUES[:7]), rtol=2e-10)
    np.testing.assert_allclose(f_above(df, df, VALUES[:7]), special.fdtrc(df, df, VALUES[:7]), rtol=2e-10)
