"""Prices, their units, and tables and draws of them."""

import numpy as np
import pytest

from fertkit.errors import PriceError, UnitError
from fertkit.response import Prices, economic_optimum_rate
from fertkit.response.prices import price_check


def price_ratio(nutrient, grain, nutrient_per="lb", grain_per="bu", *, rate_unit="lb/ac", yield_unit="bu/ac",
                lb_per_bushel=None):  # fmt: skip
    return Prices(nutrient, grain, nutrient_per, grain_per, lb_per_bushel).per(rate_unit, yield_unit).ratio


@pytest.mark.parametrize(("ratio_lb_bu", "ratio_kg_kg"), [(0.10, 5.6), (0.06, 3.36)])
def test_price_ratio_of_corn_in_both_systems(ratio_lb_bu, ratio_kg_kg):
    """0.10 per lb over 1 per bushel of 56 lb is 5.6 kg grain per kg N (the US bushel of corn)."""
    assert price_ratio(ratio_lb_bu, 1) == pytest.approx(ratio_lb_bu)
    metric = price_ratio(ratio_lb_bu, 1, rate_unit="kg/ha", yield_unit="kg/ha", lb_per_bushel=56)
    assert metric == pytest.approx(ratio_kg_kg)
    assert price_ratio(ratio_lb_bu, 1, rate_unit="kg/ha", yield_unit="t/ha", lb_per_bushel=56) == (
        pytest.approx(ratio_kg_kg / 1000)
    )


def test_kilograms_over_bushels_are_restated_not_divided():
    """Divided as they stand, a price per kg over one per bushel would be wrong by 25.4 kg per bushel."""
    honest = price_ratio(1, 1, nutrient_per="kg", grain_per="bu", rate_unit="kg/ha", yield_unit="kg/ha",
                         lb_per_bushel=56)  # fmt: skip
    assert honest == pytest.approx(25.4, abs=0.002)
    with pytest.raises(UnitError, match="bushel"):
        price_ratio(1, 1, nutrient_per="kg", grain_per="bu", rate_unit="kg/ha", yield_unit="kg/ha")


def test_usual_prices():
    assert price_ratio(0.50, 3.50) == pytest.approx(0.142857, abs=1e-6)
    assert price_ratio(0.60, 110, nutrient_per="kg", grain_per="t", rate_unit="kg/ha", yield_unit="t/ha") == (
        pytest.approx(0.6 / 110)
    )


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"nutrient": -0.5}, "nutrient price"),
        ({"grain": 0}, "grain price"),
        ({"grain": np.nan}, "grain price"),
        ({"grain": [4, np.inf]}, "grain price"),
        ({"nutrient": "dear"}, "must be a number"),
        ({"nutrient": []}, "no nutrient price"),
        ({"nutrient": [0.4, 0.5, 0.6], "grain": [4, 5]}, "3 nutrient prices but 2"),
        ({"fixed_cost": -1}, "fixed cost"),
        ({"pass_cost": np.nan}, "application pass"),
    ],
)
def test_impossible_prices_are_refused(wrong, message):
    with pytest.raises(PriceError, match=message):
        Prices(**{"nutrient": 0.5, "grain": 4.5} | wrong)


@pytest.mark.parametrize(
    "units", [{"nutrient_per": "stone"}, {"grain_per": "barrel"}, {"nutrient_per": "bu"}]
)
def test_unknown_units_are_refused(units):
    with pytest.raises(UnitError):
        Prices(0.5, 4.5, **units)


@pytest.mark.parametrize("units", [("lb/ac", "t/ha"), ("lb", "bu/ac"), ("lb/acre", "bu/ac")])
def test_rate_and_yield_must_share_an_area(units):
    with pytest.raises(UnitError):
        Prices(0.5, 4.5).per(*units)


def test_net_return_with_a_fixed_cost(outside):
    """Pannell (2018) Pannell Discussions, fixed costs and input rates: fixed 50, price 200."""
    example = outside("pannell_fixed_cost_example.csv")
    rate, yields = example["fert_cost"].to_numpy(), example["yield_t_ha"].to_numpy()
    for fixed in (50, 0, 5000):
        money = Prices(1, 200, "kg", "t", fixed_cost=fixed).per("kg/ha", "t/ha")
        net = money.net(yields, rate)
        np.testing.assert_allclose(net + fixed - 50, example["net_revenue"])
        assert rate[net.argmax()] == 60


def test_draws_have_the_means_and_spreads_asked_for():
    drawn = Prices(0.5, 4.5).draw(
        nutrient_cv_pct=30, grain_cv_pct=15, n=200_000, rng=np.random.default_rng(7)
    )
    assert drawn.nutrient.mean() == pytest.approx(0.5, rel=0.005)
    assert drawn.nutrient.std() / drawn.nutrient.mean() == pytest.approx(0.30, rel=0.02)
    assert drawn.grain.std() / drawn.grain.mean() == pytest.approx(0.15, rel=0.02)
    assert abs(np.corrcoef(drawn.nutrient, drawn.grain)[0, 1]) < 0.01
    with pytest.raises(PriceError, match="one mean price"):
        drawn.draw(nutrient_cv_pct=30, grain_cv_pct=15, n=10, rng=np.random.default_rng(7))


def test_no_spread_no_risk():
    drawn = Prices(0.5, 4.5).draw(nutrient_cv_pct=0, grain_cv_pct=0, n=3, rng=np.random.default_rng(7))
    np.testing.assert_allclose(drawn.nutrient, 0.5)
    np.testing.assert_allclose(drawn.grain, 4.5)


def test_a_table_of_prices_charges_the_pass():
    # 3 + 0.05 x - 0.000125 x2, by hand. Ratio 0.01: 160 lb gain 8 - 3.2 = 4.8 less 1.6 for nutrient; 3.2 bu
    # at 10 is 32 and does not pay a pass of 33. Ratio 0.005: 180 lb gain 4.95 less 0.9; 4.05 bu at 20 is 81.
    for cost, rates, status in ((33.0, [0, 180], "pass not paid"), (31.0, [160, 180], "interior")):
        money = Prices(0.1, [10.0, 20.0], pass_cost=cost).per("lb/ac", "bu/ac")
        best = economic_optimum_rate(
            "quadratic", [3.0, 0.05, -0.000125], money.ratio, 0, 300, pass_cost=cost / money.grain
        )
        assert best.rate.tolist() == pytest.approx(rates)
        assert best.status.tolist() == [status, "interior"]


@pytest.mark.parametrize(("units", "prices", "crop", "doubted"), [
    (("lb/ac", "bu/ac"), (0.45, 4.5), "", False),  # 0.45 over 4.5 / 56: 5.6
    (("lb/ac", "bu/ac"), (0.45, 177), "corn", True),  # 177 a tonne typed as a bushel: 0.45 / (177 / 56)
    (("lb/ac", "bu/ac"), (0.45, 177), "", True),
    (("lb/ac", "bu/ac"), (0.40, 386), "soybean", True),  # 0.40 over 386 / 60: 0.06
    (("lb/ac", "bu/ac"), (900, 4.5), "", True),  # 900 a ton typed as a pound
    (("kg/ha", "t/ha"), (1.0, 4.5), "corn", True),  # 4.5 a bushel typed as a tonne: 222
    (("kg/ha", "t/ha"), (1.0, 190), "wheat", False),  # 5.3
    (("kg/ha", "t/ha"), (0.001, 190), "", True),  # a price per tonne over 1,000 where a kilogram is meant
    (("kg/ha", "t/ha"), (1.0, 30), "sugar beet", False),  # 33
    (("lb/ac", "lb/ac"), (0.45, 0.80), "cotton", False),  # 0.56
])  # fmt: skip
def test_prices_of_another_unit_are_doubted_on_both_sides(units, prices, crop, doubted):
    """Ratios of prices of one mass by hand; the span of usual ones is common practice, no source."""
    per = dict(zip(("nutrient_per", "grain_per"), (u.split("/")[0] for u in units), strict=True))
    row = price_check(Prices(*prices, **per), *units, "N", 200, crop)
    assert row[3] is not doubted
    assert ("check the units of the prices" in row[4]) is doubted


def test_a_product_in_bulk_is_no_nutrient_too_cheap():
    lime = Prices(0.015, 4.5)  # 30 a ton
    assert price_check(lime, "lb/ac", "bu/ac", "", 6000)[3]
    assert not price_check(lime, "lb/ac", "bu/ac", "K2O", 200)[3]
