"""Rates that sharpen the optimum: analytic designs, Elfving's arithmetic, all ways to lay whole strips."""

import numpy as np
import pytest

from fertkit.errors import NotEstimable
from fertkit.response.curves import CURVES
from fertkit.response.placing import (
    best_weights,
    optimum_slopes,
    place_rates,
    placed_strips,
    variance_towards,
    yield_slopes,
)
from fertkit.response.plan import curve_through

FIELD = {"yield_without": 48, "best_yield": 60, "price_ratio": 0.04, "highest": 200, "sd": 1.5}
X = np.linspace(-1, 1, 41)
QUADRATIC = np.stack([X**0, X, X**2], axis=1)[None]


def test_d_optimal_rates_of_a_quadratic():
    """Thirds at both ends and the middle (Atkinson, Donev & Tobias 2007, from memory)."""
    weights = best_weights(QUADRATIC)
    assert weights[[0, 20, 40]] == pytest.approx(1 / 3, abs=1e-3)


@pytest.mark.parametrize("turn", [0.0, 0.25, 0.5, 0.75])
def test_c_optimal_rates_of_the_turn_of_a_quadratic_by_elfving(turn):
    """The turn has slope (0, 1, 2 turn). Up to 1/2: halves at 1 and 2 turn - 1, variance 1 / (1 - turn)^2;
    from 1/2: weights (1 + 2 turn) : (2 turn - 1) : 4 turn at 1, -1 and 0, variance (4 turn)^2 (Elfving)."""
    towards = np.array([[0, 1, 2 * turn]])
    weights = best_weights(QUADRATIC, towards)
    bound = 1 / (1 - turn) ** 2 if turn <= 0.5 else (4 * turn) ** 2
    assert variance_towards(QUADRATIC, towards, weights)[0] == pytest.approx(bound, rel=2e-3)
    held = {1.0: 0.5, 2 * turn - 1: 0.5}
    if turn > 0.5:
        held = {1.0: (1 + 2 * turn) / (8 * turn), -1.0: (2 * turn - 1) / (8 * turn), 0.0: 0.5}
    for at, weight in held.items():
        assert weights[np.abs(X - at) < 0.06].sum() == pytest.approx(weight, abs=0.02)


def test_d_optimal_rates_of_a_mitscherlich_curve():
    """Thirds at 0, R and 1/k - R e / (1 - e), e = exp(-k R): there the determinant has no slope."""
    curve, params, top = CURVES["mitscherlich"], np.array([60.0, 12.0, 0.025]), 200.0
    rates = np.linspace(0, top, 401)
    weights = best_weights(yield_slopes(curve, params, rates)[None])
    left = np.exp(-params[2] * top)
    middle = 1 / params[2] - top * left / (1 - left)
    assert [weights[0], weights[rates > 190].sum()] == pytest.approx([1 / 3, 1 / 3], abs=2e-3)
    near = np.abs(rates - middle) < 5
    assert weights[near].sum() == pytest.approx(1 / 3, abs=5e-3)
    assert (weights[near] @ rates[near]) / weights[near].sum() == pytest.approx(middle, abs=0.5)


def test_slopes_of_yield_and_optimum_by_hand():
    """y = a + b x + c x^2 has slopes 1, x, x^2; (b - r) / (-2 c) has 0, -1 / (2 c), (b - r) / (2 c^2)."""
    curve, params = CURVES["quadratic"], np.array([40.0, 0.2, -0.0005])
    rates = np.array([0.0, 50, 100])
    powers = np.stack([rates**0, rates, rates**2], axis=1)
    assert yield_slopes(curve, params, rates) == pytest.approx(powers, rel=1e-6)
    assert optimum_slopes(curve, params, 0.04) == pytest.approx([0, 1000, 0.16 / 5e-7], rel=1e-6)
    plateau = yield_slopes(CURVES["linear_plateau"], np.array([40.0, 0.2, 100.0]), rates)
    assert plateau == pytest.approx(np.array([[1, 0, 0], [1, 50, 0], [1, 100, 0.2]]), abs=2e-2)


def test_whole_strips_are_the_best_of_all_ways_to_place_them():
    """All 715 ways to lay four strips on ten rates are tried here."""
    from itertools import combinations_with_replacement

    rates = np.linspace(0, 180, 10)
    params = curve_through("quadratic", 48, 60, 120)
    slopes = yield_slopes(CURVES["quadratic"], params, rates)[None]
    towards = optimum_slopes(CURVES["quadratic"], params, 0.04)[None]
    found = variance_towards(slopes, towards, placed_strips(slopes, towards, 4, 3))[0]
    ways = [
        np.bincount(way, minlength=10) for way in combinations_with_replacement(range(10), 4) if way[0] == 0
    ]
    ways = [way for way in ways if (way > 0).sum() >= 3]
    assert found == pytest.approx(min(variance_towards(slopes, towards, way)[0] for way in ways), rel=1e-9)


def test_placed_rates_beat_equal_spacing_and_none_beats_the_bound():
    plan = place_rates(best_rates=(100, 140), **FIELD)
    table = plan.table.set_index("plan")
    assert table.loc["equal spacing", "against_equal_pct"] == pytest.approx(100)
    assert table["against_equal_pct"].drop("equal spacing").gt(100).all()
    assert table["efficiency_pct"].max() <= 100.5
    assert table["against_equal_pct"].idxmax() == "for the optimum"
    assert all(rates[0] == 0 and len(rates) == 6 and len(set(rates)) >= 4 for rates in plan.plans.values())
    worst = plan.by_curve.drop(columns="curve").max()
    assert worst["for the optimum of any curve"] < worst["for the optimum"]
    assert plan.sources["source_key"].tolist() == [
        "ATKINSON2007",
        "SILVEY1978",
        "ELFVING1952",
        "CHALONER1995",
    ]


def test_the_expected_error_is_that_of_simulated_fits():
    """600 trials of two blocks by a quadratic known to be true: the optimum's spread is the error planned."""
    plan = place_rates(best_rates=120, curve="quadratic", **FIELD | {"sd": 0.3})
    rates = np.tile(plan.plans["for the optimum"], 2)
    params = curve_through("quadratic", 48, 60, 120)
    yields = CURVES["quadratic"].value(rates, params) + np.random.default_rng(4).normal(
        0, 0.3, (600, len(rates))
    )
    c, b, _ = np.polyfit(rates, yields.T, 2)
    spread = ((b - 0.04) / (-2 * c)).std()
    planned = plan.table.set_index("plan").loc["for the optimum", "optimum_se_lb_ac"] / np.sqrt(2)
    assert spread == pytest.approx(planned, rel=0.1)


def test_an_optimum_outside_the_rates_is_refused():
    with pytest.raises(NotEstimable, match="test higher rates"):
        place_rates(best_rates=260, curve="linear_plateau", **FIELD)
    with pytest.raises(NotEstimable, match="4 or more strips"):
        place_rates(best_rates=120, strips=3, **FIELD)


def test_what_the_rates_do_not_tell_has_no_variance():
    """Two rates tell a straight line its slope, with one strip each at variance 2 / (x2 - x1)^2, but not
    the bend of a quadratic."""
    x = np.array([0.0, 2.0])
    line, bent = np.stack([x**0, x], axis=1)[None], np.stack([x**0, x, x**2], axis=1)[None]
    assert variance_towards(line, np.array([[0.0, 1.0]]), np.ones(2))[0] == pytest.approx(2 / 4)
    assert variance_towards(bent, np.array([[0.0, 0.0, 1.0]]), np.ones(2))[0] == np.inf
