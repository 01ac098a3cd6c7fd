"""Intervals of joins, plateaus and rates against a mesh of curves, the delta method and plain cuts."""

import numpy as np
import pytest
from scipy.stats import f, t

from fertkit.response import fit_response
from fertkit.response.interval import (
    Interval,
    join_identified,
    join_interval,
    join_pieces,
    optimum_interval,
    plateau_interval,
)

X = np.tile([0.0, 40, 80, 120, 160], 2)
Y = np.array([4.05, 5.55, 6.85, 7.1, 6.95, 3.85, 5.3, 7.05, 6.9, 7.2])
TIE = np.arange(6.0), np.array([0.0, 3, 4, 4, 5, 6])  # two joins fit about as well
RISE = {
    "linear_plateau": lambda x, join: np.minimum(x, join),
    "quadratic_plateau": lambda x, join: np.minimum(x, join) - np.minimum(x, join) ** 2 / (2 * join),
    "spherical": lambda x, join: np.minimum(x, join) - np.minimum(x, join) ** 3 / (3 * join**2),
    "mitscherlich": lambda x, scale: scale * -np.expm1(-x / scale),
}


def left_by(x, y, rise):
    """Residual sums of squares of straight lines in the rises (k, n)."""
    rise = rise - rise.mean(axis=1, keepdims=True)
    y = y - y.mean()
    return (y**2).sum() - (rise @ y) ** 2 / (rise**2).sum(axis=1)


def pieces_of(curve, x, y, level, mesh):
    """Stretches of the mesh where the curve leaves no more than the F margin allows, by its definition."""
    left = left_by(x, y, RISE[curve](x, mesh[:, None]))
    df = len(x) - 3
    inside = left <= left.min() * (1 + f.ppf(level, 1, df) / df)
    edges = np.flatnonzero(np.diff(np.r_[False, inside, False].astype(int)))
    return [(mesh[first], mesh[last - 1]) for first, last in zip(edges[::2], edges[1::2], strict=True)]


@pytest.mark.parametrize("curve", RISE)
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_join_lies_where_the_curve_leaves_no_more_than_the_margin(make_trial, curve, level):
    """For Mitscherlich the rate told is that of 95 % of the rise, ln 20 over k."""
    mesh = np.geomspace(20, 2000, 60_001)
    (low, high), *others = pieces_of(curve, X, Y, level, mesh)
    assert not others
    assert high < 2000
    reach = np.log(20) if curve == "mitscherlich" else 1.0
    fit = fit_response(make_trial(X, Y), curve)
    found = join_interval(fit, level)
    assert (found.low, found.high) == pytest.approx((reach * low, reach * high), rel=2e-4)
    assert (found.level, found.method, found.low_open, found.high_open) == (level, "profile", False, False)
    if curve != "mitscherlich":
        assert [(p.low, p.high) for p in join_pieces(fit, level)] == [(found.low, found.high)]


@pytest.mark.parametrize("level", [0.05, 0.1, 0.15, 0.2, 0.3])
def test_distant_joins_that_fit_as_well_are_pieces_of_their_own(make_trial, level):
    mesh = np.linspace(1, 5, 400_001)
    expected = pieces_of("linear_plateau", *TIE, level, mesh)
    if expected[-1][1] == 5:  # from the top rate on every join is the same straight line
        expected[-1] = (expected[-1][0], np.inf)
    found = join_pieces(fit_response(make_trial(*TIE), "linear_plateau"), level)
    assert [p.level for p in found] == [level] * len(expected)
    np.testing.assert_allclose([(p.low, p.high) for p in found], expected, atol=2e-5)


@pytest.mark.parametrize("curve", ["linear_plateau", "quadratic_plateau"])
def test_plateaus_are_those_of_curves_within_the_margin(make_trial, curve):
    """With plateau and join held, one slope is left: the plateau less the fall to each rate."""
    fit = fit_response(make_trial(X, Y), curve)
    df, joins = len(X) - 3, np.geomspace(45, 1000, 4001)
    rise = RISE[curve](X, joins[:, None])
    fall = rise - RISE[curve](joins, joins)[:, None]
    allowed = left_by(X, Y, rise).min() * (1 + f.ppf(0.95, 1, df) / df)

    def left(plateau):
        rest = Y - plateau
        return ((rest**2).sum() - (fall @ rest) ** 2 / (fall**2).sum(axis=1)).min()

    found = plateau_interval(fit)
    assert found.low < fit.curve.plateau(fit.coef) < found.high
    for end in (found.low, found.high):
        assert left(end) == pytest.approx(allowed, rel=1e-4)


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_wald_is_the_delta_method(make_trial, level):
    """Optimum (r - b) / 2c of y = a + bx + cx², its derivatives, and the covariance of regression."""
    design = np.column_stack([np.ones_like(X), X, X**2])
    coef, rss = np.linalg.lstsq(design, Y, rcond=None)[:2]
    covariance = np.linalg.inv(design.T @ design) * rss[0] / 7
    best = (0.005 - coef[1]) / (2 * coef[2])
    slope = np.array([0, -1 / (2 * coef[2]), -best / coef[2]])
    half = t.ppf(0.5 + level / 2, 7) * np.sqrt(slope @ covariance @ slope)
    found = optimum_interval(fit_response(make_trial(X, Y), "quadratic"), 0.005, level, "wald")
    assert (found.low, found.high) == pytest.approx((best - half, best + half), rel=1e-6)
    assert (found.method, found.level) == ("wald", level)


CUTS = [  # ends, tested rates -> ends, open below, open above
    ((20, 90), (0, 160), (20, 90, False, False)),
    ((-5, 90), (0, 160), (0, 90, False, False)),  # nothing lies below a rate of zero
    ((-5, 90), (10, 160), (10, 90, True, False)),
    ((10, 160), (10, 160), (10, 160, False, False)),
    ((20, 161), (0, 160), (20, 160, False, True)),
    ((20, np.inf), (0, 160), (20, 160, False, True)),
    ((170, 190), (0, 160), (160, 160, True, True)),
    ((-9, -5), (0, 160), (0, 0, False, False)),
    ((2, 5), (10, 160), (10, 10, True, False)),
]


@pytest.mark.parametrize(("ends", "tested", "cut"), CUTS)
def test_ends_beyond_the_tested_rates_are_cut_and_open(ends, tested, cut):
    found = Interval(*ends, False, False, 0.9, "exact").within(*tested)
    assert (found.low, found.high, found.low_open, found.high_open) == cut
    assert (found.span, found.level, found.method) == (tested[1] - tested[0], 0.9, "exact")


@pytest.mark.parametrize("low_open", [False, True])
@pytest.mark.parametrize("high_open", [False, True])
def test_an_open_end_stays_open_unless_it_is_cut_away(low_open, high_open):
    interval = Interval(20.0, 90.0, low_open, high_open, 0.95, "exact")
    for ends in ((0.0, 160.0), (20.0, 90.0)):
        found = interval.within(*ends)
        assert (found.low_open, found.high_open) == (low_open, high_open)
    assert [value in interval for value in (19, 20, 55, 90, 91)] == [low_open, True, True, True, high_open]


IDENTIFIED = [  # yields at 0, 40, 80, 120 -> ends of the joins that fit equally well, open below, open above
    ("linear_plateau", [4, 5, 5, 5], (0, 40, True, False)),
    ("linear_plateau", [4, 5, 6, 7], (120, np.inf, False, True)),
    ("linear_plateau", [4, 6, 7, 7], (60, 60, False, False)),
    ("quadratic_plateau", [4, 5.75, 7, 7.75], (160, 160, False, False)),
]


@pytest.mark.parametrize(("curve", "yields", "expected"), IDENTIFIED)
def test_joins_that_fit_equally_well(make_trial, curve, yields, expected):
    """A step within the first gap, a straight line, a bend between rates; 4 + x/20 - x²/6400 joins at 160."""
    fit = fit_response(make_trial([0.0, 40, 80, 120], yields), curve)
    found = join_identified(fit.curve, fit.fits, fit.data.sums)
    assert (found.low, found.high, found.low_open, found.high_open) == pytest.approx(expected, rel=1e-5)
    assert (found.level, found.method) == (0, "identified")
    for other in ("quadratic", "mitscherlich"):
        fit = fit_response(make_trial([0.0, 40, 80, 120], [4, 6, 7, 7.2]), other)
        assert join_identified(fit.curve, fit.fits, fit.data.sums) is None


@pytest.mark.parametrize(
    ("ends", "said"),
    [
        ((4.2, 162.4), "4 to 162"),
        ((4.24, 61.37), "4.2 to 61.4"),
        ((0.0004, 0.0009), "0.000400 to 0.000900"),
        ((-1.234, 0.5), "-1.23 to 0.50"),
    ],
)
def test_both_ends_are_said_to_three_digits_of_the_greater(ends, said):
    assert Interval(*ends, False, False, 0.95, "exact").text() == said
