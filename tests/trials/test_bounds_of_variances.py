"""Which variances sit at a bound, against the analysis of variance of balanced groups and in any unit."""

import numpy as np
import pandas as pd
import pytest

from fertkit.trials import analyse_strips
from fertkit.trials.mixed import components, fit_reml, shared

GROUP = np.repeat(np.arange(6), 4)
BUILD = components([shared(GROUP), np.eye(24)])
OPEN = [(None, None), (None, None)]


def grown(between):
    rng = np.random.default_rng(3)
    y = 50 + rng.normal(0, 1, 24)
    return y + between * (np.arange(6) - 2.5)[GROUP] - (1 - bool(between)) * group_means(y)[GROUP]


def group_means(y):
    return y.reshape(6, 4).mean(axis=1)


def by_squares(y):
    """Variances of balanced groups by their mean squares (Searle, Casella & McCulloch 1992, from memory)."""
    among = 4 * group_means(y).var(ddof=1)
    within = y.reshape(6, 4).var(axis=1, ddof=1).mean()
    return [(among - within) / 4, within]


@pytest.mark.parametrize("unit", [1e-4, 1e-2, 1.0, 1e2])
@pytest.mark.parametrize("bounds", [None, OPEN, "wide"])
def test_no_variance_is_at_a_bound_that_is_far(unit, bounds):
    y = grown(2.0) * unit
    start = [unit**2, unit**2]
    bounds = [(0.0, 50 * unit**2), (0.0, 50 * unit**2)] if bounds == "wide" else bounds
    found = fit_reml(np.ones((24, 1)), y, BUILD, start, bounds=bounds)
    assert found.parameters == pytest.approx(by_squares(y), rel=1e-4)
    assert found.at_bound.tolist() == [False, False]
    # The mean of balanced groups is tested on groups - 1 degrees of freedom.
    assert found.degrees_of_freedom(np.ones(1)) == pytest.approx(5, rel=1e-3)


@pytest.mark.parametrize("unit", [1e-4, 1e-2, 1.0, 1e2])
def test_groups_that_are_alike_leave_their_variance_at_zero(unit):
    y = grown(0.0) * unit
    assert by_squares(y)[0] < 0
    found = fit_reml(np.ones((24, 1)), y, BUILD, [unit**2, unit**2])
    assert found.at_bound.tolist() == [True, False]
    assert found.parameters == pytest.approx([0, y.var(ddof=1)], rel=1e-5)
    # With no groups left the mean is tested on n - 1.
    assert found.degrees_of_freedom(np.ones(1)) == pytest.approx(23, rel=1e-5)


@pytest.mark.parametrize("unit", [1e-4, 1.0, 1e2])
def test_a_variance_held_below_its_best_is_at_its_upper_bound(unit):
    y = grown(2.0) * unit
    most = by_squares(y)[0] / 2
    found = fit_reml(np.ones((24, 1)), y, BUILD, [unit**2, unit**2], bounds=[(0.0, most), (0.0, None)])
    assert found.parameters[0] == pytest.approx(most, rel=1e-6)
    assert found.at_bound.tolist() == [True, False]


def test_neighbours_alike_are_as_alike_in_any_unit():
    """The same yields in bushels, pounds and grains: correlation and degrees of freedom carry no unit."""
    errors = np.random.default_rng(15).normal(0, 1, 24).cumsum()
    table = pd.DataFrame({"position": range(1, 25), "treatment": list("ABC") * 8})
    found = [
        analyse_strips(table.assign(yield_bu_ac=(60 + errors) * unit), model="neighbours")
        for unit in (1.0, 56.0, 1000.0)
    ]
    first = found[0].error_df
    assert [one.error_df for one in found] == pytest.approx([first] * 3, rel=1e-3)
