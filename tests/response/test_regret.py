"""Expected regret of a rate over draws of curves and prices."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import NotEstimable
from fertkit.response import Prices, analyse_response, expected_regret
from fertkit.response.curves import CURVES
from fertkit.response.regret import weighted_quantile

TESTED = {"lowest_rate": 0, "highest_rate": 250, "rate_unit": "kg/ha", "yield_unit": "t/ha"}
PRICES = Prices(1, 100, "kg", "t")  # price ratio 0.01


def quadratics(rng, n=4000, spread=0.003):
    """Quadratics of one curvature, their optima normal around 160 and well inside the tested rates."""
    b = rng.normal(0.05, spread, n)
    return np.column_stack([np.full(n, 3.0), b, np.full(n, -1.25e-4)])


def test_quadratic_loss_formula():
    """For one curvature, E loss at z = p(-c)(E[e] - z)² + p(-c) Var(e), least at z = E[e].

    The decomposition follows from the quadratic itself: net return falls by p(-c)d² at d from an optimum e.
    """
    draws = quadratics(np.random.default_rng(3))
    optima = (draws[:, 1] - 0.01) / 2.5e-4
    assert optima.min() > 0
    assert optima.max() < 250
    result = expected_regret({"quadratic": draws}, PRICES, rates=np.arange(0.0, 251.0), **TESTED)
    rates = result.table["rate_kg_ha"]
    expected = 100 * 1.25e-4 * ((optima.mean() - rates) ** 2 + optima.var())
    np.testing.assert_allclose(result.table["expected_regret_per_ha"], expected, rtol=1e-9)
    assert result.rate == round(optima.mean())
    assert result.expected_regret == pytest.approx(expected.min())
    np.testing.assert_allclose(result.optima, optima)


def test_with_a_plateau_the_best_rate_lies_above_the_mean_optimum():
    """Too little costs more than too much, so the best rate exceeds the mean of the optima."""
    rng = np.random.default_rng(5)
    joins = rng.uniform(80, 200, 3000)
    draws = np.column_stack([3 + 0 * joins, 0.03 + 0 * joins, joins])
    result = expected_regret({"linear_plateau": draws}, PRICES, **TESTED)
    # Newsvendor: give up the rate where P(join > rate) = pr / slope, the 2/3 quantile of a uniform 80-200.
    assert result.rate == pytest.approx(80 + 120 * 2 / 3, abs=3)
    assert result.rate > joins.mean() + 15


def test_least_regret_is_greatest_expected_net_return():
    rng = np.random.default_rng(11)
    draws = {"quadratic_plateau": quadratics(rng, 500, 0.01), "mitscherlich": rng.normal(
        (8, 5, 0.015), (0.5, 0.5, 0.002), (700, 3))}  # fmt: skip
    table = Prices([0.8, 1.0, 1.6], [120, 100, 90], "kg", "t")
    result = expected_regret(draws, table, weights={"quadratic_plateau": 3, "mitscherlich": 1}, **TESTED)
    frame = result.table
    assert result.cases == 3 * 1200
    assert frame["expected_regret_per_ha"].idxmin() == frame["expected_net_return_per_ha"].idxmax()
    known = frame["expected_net_return_per_ha"] + frame["expected_regret_per_ha"]
    np.testing.assert_allclose(known, known.iloc[0], rtol=1e-9)  # the same net return of perfect knowledge


def test_a_price_table_meets_every_draw():
    draws = quadratics(np.random.default_rng(2), 20)
    table = Prices([0.8, 1.6, 1.1], [120, 90, 100], "kg", "t")
    result = expected_regret({"quadratic": draws}, table, rates=[100.0, 150.0], **TESTED)
    grid, by_hand = np.linspace(0, 250, 25001), []
    for nutrient, grain in zip(table.nutrient, table.grain, strict=True):
        for params in draws:

            def net(x, grain=grain, nutrient=nutrient, params=params):
                return grain * CURVES["quadratic"].value(x, params) - nutrient * x

            by_hand.append(net(grid).max() - net(np.array([100.0, 150.0])))
    np.testing.assert_allclose(result.table["expected_regret_per_ha"], np.mean(by_hand, axis=0), atol=1e-4)
    np.testing.assert_allclose(
        result.table["regret_p90_per_ha"], np.quantile(by_hand, 0.9, axis=0, method="inverted_cdf"), atol=1e-4
    )


@settings(deadline=None)
@given(
    seed=st.integers(0, 1000),
    fixed=st.floats(0, 1000),
    curve=st.sampled_from(["quadratic", "quadratic_plateau", "linear_plateau", "spherical"]),
)
def test_regret_is_never_negative_and_fixed_costs_do_not_matter(seed, fixed, curve):
    rng = np.random.default_rng(seed)
    size = {"linear_plateau": (3, 0.03, 120), "spherical": (3, 4, 150)}.get(curve, (3, 0.05, -1.25e-4))
    draws = {curve: np.array(size) * rng.normal(1, 0.4, (60, 3))}
    rates = np.linspace(0, 250, 26)
    result = expected_regret(draws, PRICES, rates=rates, **TESTED)
    assert (result.table["expected_regret_per_ha"] >= 0).all()
    assert ((result.optima >= 0) & (result.optima <= 250)).all()
    dear = expected_regret(draws, Prices(1, 100, "kg", "t", fixed_cost=fixed), rates=rates, **TESTED)
    assert dear.rate == result.rate
    np.testing.assert_allclose(
        dear.table["expected_regret_per_ha"], result.table["expected_regret_per_ha"], atol=1e-8
    )


def test_certain_curve_no_regret():
    result = expected_regret({"quadratic": [(3, 0.05, -1.25e-4)]}, PRICES, rates=[0, 160, 200], **TESTED)
    assert (result.rate, result.expected_regret) == (160, pytest.approx(0, abs=1e-9))
    # flat payoff: 100 * 1.25e-4 * 40² = 20
    assert result.at(200)["expected_regret_per_ha"] == pytest.approx(20)
    assert "adviser" in result.summary()


@pytest.mark.parametrize(
    ("draws", "options", "message"),
    [
        ({}, {}, "at least one curve"),
        ({"quadratic": np.empty((0, 3))}, {}, "draws of shape"),
        ({"quadratic": [[3, 0.05]]}, {}, "draws of shape"),
        ({"quadratic": [[3, np.nan, 1]]}, {}, "not finite"),
        ({"quadratic": [[3, 0.05, -1e-4]]}, {"rates": [100, 300]}, "inside the tested range"),
        ({"quadratic": [[3, 0.05, -1e-4]]}, {"weights": {"quadratic": 0}}, "weights"),
    ],
)
def test_unusable_draws_are_refused(draws, options, message):
    with pytest.raises(NotEstimable, match=message):
        expected_regret(draws, PRICES, **TESTED, **options)


def test_weighted_quantile_matches_repeated_values():
    values, counts = np.array([3.0, 1.0, 2.0, 5.0]), np.array([2, 3, 1, 4])
    for share in (0.05, 0.3, 0.4, 0.5, 0.9):
        plain = np.quantile(np.repeat(values, counts), share, method="inverted_cdf")
        assert weighted_quantile(values, counts / 10, [share])[0] == plain


def test_no_response_is_not_a_certain_zero():
    level = pd.DataFrame(
        {
            "rate_kg_ha": [0, 40, 80, 120] * 3,
            "block": np.repeat([1, 2, 3], 4),
            "yield_t_ha": [6.8, 6.7, 6.8, 6.7, 6.9, 6.8, 6.8, 6.9, 6.6, 6.8, 6.7, 6.7],
        }
    )
    analysis = analyse_response(level, nutrient_price=1.1, grain_price=190, replicates=50)
    with pytest.raises(NotEstimable, match="no response was found"):
        analysis.regret()


def test_best_rates_beyond_the_tested_ones_are_said_to_be():
    """A line that pays everywhere: every case is best at the top."""
    found = expected_regret(
        {"linear": np.array([[3.0, 0.05]])}, Prices(0.10, 10.0), lowest_rate=0, highest_rate=300
    )
    assert (found.at_top, found.open_above) == (1.0, True)
    assert "lies at > 300 lb/ac" in found.summary()
    assert "not counted" in found.summary()
    assert "0.00" not in found.summary()
