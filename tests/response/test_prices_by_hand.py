"""Money in words, costs in yield and checked prices, by arithmetic."""

import numpy as np
import pytest

from fertkit.errors import PriceError, UnitError
from fertkit.response import Prices
from fertkit.response.prices import (
    area_of,
    column,
    money_axis,
    money_text,
    one_ratio,
    positive,
    single,
)


@pytest.mark.parametrize(
    ("amount", "currency", "area", "said"),
    [
        (0.0, "$", "ac", "$0.00/ac"),
        (-0.004, "$", "ac", "$0.00/ac"),
        (-0.006, "$", "ac", "-$0.01/ac"),
        (9.994, "$", "ac", "$9.99/ac"),
        (9.996, "EUR", "ha", "10 EUR/ha"),
        (-43.27, "EUR", "ha", "-43.3 EUR/ha"),
        (120.4, "", "ha", "120 per hectare"),
        (-3.6, "", "ac", "-3.60 per acre"),
        (3.6, "$", "", "$3.60"),
        (11_993.4, "EUR", "", "11,993 EUR"),
        (3.6, "", "", "3.60"),
    ],
)
def test_money_is_said_to_the_cent_below_ten_and_to_three_digits_above(amount, currency, area, said):
    assert money_text(amount, currency, area) == said


def test_an_axis_of_money_names_the_currency_where_there_is_one():
    assert money_axis("net return", "EUR", "ha") == "net return [EUR/ha]"
    assert (
        money_axis("net return", "", "ac") == money_axis("net return", "money", "ac") == "net return per acre"
    )


@pytest.mark.parametrize(("lowest", "passes"), [(0.0, 1), (20.0, 0)])
def test_the_pass_is_a_cost_of_the_choice_above_zero_alone(lowest, passes):
    """0.50 a lb and 6 for the pass, 4 a bushel: 100 lb more cost 12.5 bu, and 1.5 for the pass."""
    money = Prices(0.5, 4.0, fixed_cost=20.0, pass_cost=6.0).per("lb/ac", "bu/ac")
    assert money.cost_in_yield(lowest + 100, lowest) == 12.5 + 1.5 * passes
    assert money.cost_in_yield(lowest, lowest) == 0
    assert money.net(50.0, 0.0) == 4 * 50 - 20
    assert money.net(50.0, 1.0) == 4 * 50 - 0.5 - 20 - 6
    assert money.ratio == 0.125


def test_prices_are_restated_in_the_masses_of_rate_and_yield():
    """2,000 lb to the ton and 0.45359237 kg to the lb; a bushel of 56 lb; units alike change nothing."""
    money = Prices(900.0, 4.2, "ton", "bu", 56.0).per("lb/ac", "lb/ac")
    assert (money.nutrient, money.grain) == pytest.approx((0.45, 4.2 / 56))
    money = Prices(0.45, 4.2, "lb", "bu", 56.0).per("kg/ha", "t/ha")
    assert (money.nutrient, money.grain) == pytest.approx((0.45 / 0.45359237, 4.2 * 1000 / 56 / 0.45359237))
    assert (column("rate", "kg/ha"), area_of("kg/ha"), area_of("bu/ac")) == ("rate_kg_ha", "ha", "ac")


def test_one_price_where_one_is_meant():
    assert one_ratio([0.25]) == 0.25
    assert one_ratio(0) == 0
    for wrong in ([0.1, 0.2], -0.1):
        with pytest.raises(PriceError):
            one_ratio(wrong)
    both = [Prices([0.5, 0.6], 4.0), Prices(0.5, [4.0, 5.0]), Prices([0.5, 0.6], [4.0, 5.0])]
    for prices in both:
        with pytest.raises(PriceError, match="one nutrient price"):
            single(prices.per("lb/ac", "bu/ac"))


def test_prices_without_a_number_above_zero_are_refused():
    np.testing.assert_array_equal(positive([0, 1], "cost", zero_ok=True), [0, 1])
    for wrong in (0, [1, 0], -1, np.inf):
        with pytest.raises(PriceError, match="greater than zero"):
            positive(wrong, "price")
    with pytest.raises(PriceError, match="zero or more"):
        positive(-1, "cost", zero_ok=True)
    with pytest.raises(PriceError, match="bushel"):
        Prices(0.5, 4.0, lb_per_bushel=0)
    assert Prices(0.5, [4.0, 5.0]).per("lb/ac", "bu/ac").ratio.tolist() == [0.125, 0.1]
    for unit in ("bu", "bu/plot", "bu/"):
        with pytest.raises(UnitError, match="amount per area"):
            area_of(unit)
    for prices in (Prices([0.5, 0.6], 4.0), Prices(0.5, [4.0, 5.0])):
        with pytest.raises(PriceError, match="one mean price"):
            prices.draw(nutrient_cv_pct=5, grain_cv_pct=5, n=2, rng=np.random.default_rng(1))


def test_a_table_of_one_price_is_one_price():
    assert single(Prices([0.5], [4.0]).per("lb/ac", "bu/ac"))[:2] == (0.5, 4.0)
