"""Edges of the money and of what a trial can show, by arithmetic."""

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, NotEstimable
from fertkit.response import (
    Prices,
    analyse_response,
    economic_optimum_rate,
    expected_interval,
    optima_of_trials,
)
from fertkit.response.optimum import Status
from fertkit.response.pooled import Site, _resampled


@pytest.mark.parametrize(("low", "high"), [([0.0, -np.inf], [90.0, 90]), ([0.0, np.nan], [90.0, 90]),
                                           ([0.0, 0], [np.inf, 90])])  # fmt: skip
def test_one_range_without_an_end_is_refused(low, high):
    with pytest.raises(NotEstimable, match="0 <= lowest < highest rate"):
        economic_optimum_rate("quadratic", [3.0, 0.05, -0.000125], 0.01, low, high)


@pytest.mark.parametrize(("cost", "rate", "status"), [
    (0.5 - 1e-6, 1.0, Status.INTERIOR), (0.5, 0.0, Status.UNPAID), (0.5 + 1e-6, 0.0, Status.UNPAID),
])  # fmt: skip
def test_a_pass_that_costs_what_it_gains_is_not_driven(cost, rate, status):
    # 4 + x - x^2 / 2, in fractions a computer holds exactly: 1 of nutrient at no price gains 1/2.
    found = economic_optimum_rate("quadratic", [4.0, 1.0, -0.5], 0.0, 0.0, 2.0, pass_cost=cost)
    assert (float(found.rate), found.status) == (rate, status)


@pytest.mark.parametrize(("rates", "enough"), [([0, 50, 100], False), ([0, 50, 100, 0], True)])
def test_a_curve_needs_one_row_beyond_its_level_slope_and_shape(rates, enough):
    trial = pd.DataFrame({"trial": 1, "rate_lb_ac": np.array(rates, float)})
    trial["yield_bu_ac"] = 40 + 0.1 * trial["rate_lb_ac"] + [0.5, -0.4, 0.3, -0.2][: len(rates)]
    if enough:
        assert len(optima_of_trials(trial, "trial", 0.05)) == 1
    else:
        with pytest.raises(InputError, match="too few"):
            optima_of_trials(trial, "trial", 0.05)


@pytest.mark.parametrize(("lowest", "cost", "charged"), [(0, 8.0, True), (0, 0.0, False), (30, 8.0, False)])
def test_the_pass_is_named_where_it_is_charged(lowest, cost, charged):
    # A pass is saved only at a rate of zero.
    rates = np.tile([lowest, 50.0, 100, 150, 200], 3)
    noise = np.tile([0.5, -0.5, 0.0], 5)
    trial = pd.DataFrame({"rate_lb_ac": rates, "yield_bu_ac": 100 + 0.6 * rates - 0.002 * rates**2 + noise})
    prices = Prices(0.5, 4.0, pass_cost=cost, currency="$")
    answer = analyse_response(trial, prices=prices, curve="quadratic", replicates=0)
    assert ("pass included" in answer.gain.iloc[1, 0]) == charged
    by_hand = (answer.optimum.rate - lowest) * 0.5 / 4 + charged * cost / 4
    assert answer.gain.iloc[1]["value"] == pytest.approx(by_hand, rel=1e-6)


@pytest.mark.parametrize(("rates", "enough"), [([0, 60, 120], False), ([0, 60, 120, 180], True)])
def test_one_block_of_four_rates_measures_an_error(rates, enough):
    # Level, slope and shape are three: the fourth strip is the first of the error.
    asked = {"params": (3, 0.05, -1.25e-4), "sd": 0.3, "price_ratio": 0.005, "n": 100, "seed": 2}
    if enough:
        assert len(expected_interval(rates, 1, curve="quadratic_plateau", **asked).table) == 1
    else:
        with pytest.raises(NotEstimable, match="no error; add"):
            expected_interval(rates, 1, curve="quadratic_plateau", **asked)


def test_no_pass_is_named_where_none_is_driven():
    # No response: the rate is zero, and the pass is saved.
    rates = np.tile([0.0, 50, 100, 150, 200], 3)
    trial = pd.DataFrame({"rate_lb_ac": rates, "yield_bu_ac": 100 - 0.1 * rates + np.tile([0.5, -0.5, 0], 5)})
    prices = Prices(0.5, 4.0, pass_cost=8, currency="$")
    answer = analyse_response(trial, prices=prices, curve="quadratic", replicates=0)
    assert answer.optimum.rate == 0
    assert "pass included" not in answer.gain.iloc[1, 0]


def test_the_ends_of_a_resampled_rate_are_the_quantiles_of_its_law():
    # Three of twelve sites want 100, and more than all others together: 0 is best only where none of them
    # is drawn. Nine are drawn, 11 over the square of t over z: (9/12)^9 = 7.5 % of them, more than a tail of
    # 2.5 %. With two of twelve it is 19 %, with seven 0.04 %.
    rates, prices = np.array([0.0, 100.0]), Prices(0.01, 1.0).per("lb/ac", "bu/ac")
    none = np.full(12, np.nan)
    for strong, ends in ((3, (0, 100)), (2, (0, 100)), (7, (100, 100))):
        slopes = [10.01] * strong + [0.0] * (12 - strong)
        sites = [Site(str(i), "linear", np.array([0.0, b]), 0.0, 100.0) for i, b in enumerate(slopes)]
        assert _resampled(sites, none, prices, rates, np.random.default_rng(3), 20_000) == ends
    assert np.isnan(_resampled(sites[:1], none[:1], prices, rates, np.random.default_rng(3), 9)).all()
