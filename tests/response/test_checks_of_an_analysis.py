"""Checks of an analysis against arithmetic or scipy, its strips, and the better of two rates."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fertkit.response import analyse_response

PRICES = {"nutrient_price": 0.5, "grain_price": 5.0, "replicates": 0}  # a pound is worth 0.1 bu


def trial(rates, yields, block=None):
    table = pd.DataFrame({"rate_lb_ac": np.asarray(rates, float), "yield_bu_ac": np.asarray(yields, float)})
    return table if block is None else table.assign(block=block)


def check(table, name, **options):
    found = analyse_response(table, **(PRICES | options)).checks
    rows = found[found["check"] == name]
    assert len(rows) <= 1, name
    return rows.iloc[0] if len(rows) else None


@pytest.mark.parametrize("p", [0.002, 0.045, 0.055, 0.065, 0.4])
def test_lack_of_fit_is_told_below_one_in_twenty(p):
    """F of a quadratic through five rates of two strips, by polyfit and scipy; 5 % is the usual level."""
    rates = np.array([0.0, 50, 100, 150, 200])
    means = 100 + 0.6 * rates - 0.002 * rates**2 + np.array([1.0, -2, 3, -1, 0.5])
    lack = 2 * np.polyfit(rates, means, 2, full=True)[1][0]  # each mean is of two strips
    # Strips half a gap to either side of their mean: pure error 2 gap² / 4 a rate, five df; lack has two.
    variance = lack / 2 / stats.f.isf(p, 2, 5)
    gap = np.sqrt(2 * variance)
    row = check(trial(np.tile(rates, 2), np.r_[means - gap / 2, means + gap / 2]), "lack of fit [p]",
                curve="quadratic")  # fmt: skip
    assert row["value"] == pytest.approx(p, rel=1e-6)
    assert (row["limit"], bool(row["passed"])) == (">= 0.05", p >= 0.05)


def test_strips_at_random_are_told_wherever_an_error_within_rates_rests_on_it():
    """A pair of strips of one rate is one degree of freedom; blocks or single strips rest on no chance."""
    rates, yields = [0, 50, 100, 150, 200, 200], [100, 121, 139, 149, 150.5, 149.5]
    row = check(trial(rates, yields), "blocks")
    assert (row["value"], row["limit"], bool(row["passed"])) == (
        0,
        ">= 1",
        False,
    )  # none given, where one would do
    assert check(trial(rates[:5], yields[:5]), "blocks") is None
    blocks = ["A"] * 5 + ["B"] * 5
    assert check(trial(rates[:5] * 2, yields[:5] * 2 + np.tile([1, -1], 5), blocks), "blocks") is None
    means = trial(rates, yields).groupby("rate_lb_ac", as_index=False).agg(
        yield_bu_ac=("yield_bu_ac", "mean"), n=("yield_bu_ac", "size")
    )  # fmt: skip
    assert check(means, "blocks", weight="n") is None


@pytest.mark.parametrize(
    ("n_rates", "enough"), [(3, False), (4, True), (5, True)]
)  # fmt: skip
def test_four_rates_tell_curves_apart(n_rates, enough):
    """A curve of three parameters runs through any three means."""
    rates = np.tile(np.linspace(0, 160, n_rates), 3)
    noise = np.repeat([-1.0, 0, 1], n_rates)
    row = check(trial(rates, 100 + 0.3 * np.minimum(rates, 90) + noise), "three rates")
    assert (row["value"], row["limit"], bool(row["passed"])) == (n_rates, ">= 4", enough)


@pytest.mark.parametrize(("rise", "beaten"), [(0.5, True), (0.0, False)])
def test_a_response_far_beyond_its_error_beats_the_mean(rise, beaten):
    """Rise of 45 bu over an error of one; and none at all, where every rate has the same yields."""
    rates = np.tile([0.0, 40, 80, 120, 160], 3)
    yields = 100 + rise * np.minimum(rates, 90) + np.repeat([-1.0, 0, 1], 5)
    row = check(trial(rates, yields), "a curve beats the mean")
    assert (row["value"], bool(row["passed"])) == (int(beaten), beaten)


@pytest.mark.parametrize(
    ("gains", "rate", "economic"),
    [([0.4, 0.5, 0.6], 100, 0), ([4.0, 5, 6], 100, 0), ([14.0, 15, 16], 100, 100), ([-4.0, -5, -6], 0, 0)],
)
def test_better_of_two_rates_by_yield_and_by_money(gains, rate, economic):
    """100 lb cost 10 bu: a gain of 5 is no reason to spend it, though the yield is greater.

    Interval of a mean of three differences, by scipy: where it holds the cost either rate may be better.
    """
    base = np.array([90.0, 100, 110])
    table = trial([0, 100] * 3, np.column_stack([base, base + gains]).ravel(), np.repeat(list("ABC"), 2))
    answer = analyse_response(table, **PRICES)
    assert (answer.agronomic_optimum.rate, answer.optimum.rate) == (rate, economic)
    ends = stats.t.interval(0.95, 2, np.mean(gains), stats.sem(gains))
    for found, cost in ((answer.agronomic_optimum, 0.0), (answer.optimum, 10.0)):
        assert (found.interval.low, found.interval.high) == tuple(100.0 * (end > cost) for end in ends)
    assert answer.gain["value"].tolist() == pytest.approx([np.mean(gains), 10, np.mean(gains) - 10])


@pytest.mark.parametrize("spare", [0, 1, 2])
def test_every_curve_with_an_error_is_drawn_from(spare):
    """Single strips: rows less parameters are the df; with none left there are no residuals to draw."""
    rates = np.linspace(0, 160, 3 + spare)
    answer = analyse_response(
        trial(rates, 100 + 0.3 * np.minimum(rates, 90) + (rates > 100)), **(PRICES | {"replicates": 5})
    )
    expected = {key for key, fit in answer.fits.items() if len(rates) > len(fit.coef)}
    assert set(answer.draws) == expected
    assert ("quadratic" in expected) is (spare > 0)


def test_strips_are_shown_with_the_block_effect_taken_out():
    """In complete blocks the effect is the block's mean above the mean of all."""
    rates, level = np.tile([0.0, 40, 80, 120], 3), np.repeat([0.0, 9, -6], 4)
    yields = 100 + 0.2 * rates + level + np.tile([0.5, -0.5, 1, -1], 3) * np.repeat([1, -1, 1], 4)
    answer = analyse_response(trial(rates, yields, np.repeat(list("CAB"), 4)), **PRICES)
    effects = np.repeat(yields.reshape(3, 4).mean(axis=1), 4) - yields.mean()
    np.testing.assert_allclose(answer.strips["yield_bu_ac"], yields)
    np.testing.assert_allclose(answer.strips["adjusted_yield_bu_ac"], yields - effects)
    assert answer.strips["block"].tolist() == list("CCCCAAAABBBB")
    assert answer.strips["weight"].tolist() == [1.0] * 12
