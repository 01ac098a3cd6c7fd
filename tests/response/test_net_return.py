"""Net return of one curve, and the optimum across prices."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import NotEstimable, PriceError
from fertkit.response import Prices, economic_optimum_rate, price_table
from fertkit.response.curves import CURVES
from fertkit.response.money import net_return

BENT = (3, 0.05, -1.25e-4)  # optimum (0.05 - pr) / 2.5e-4; loss 1.25e-4 d² at d from it
TESTED = {"lowest_rate": 0, "highest_rate": 250, "rate_unit": "kg/ha", "yield_unit": "t/ha"}


def worth(within=1, curve="quadratic", params=BENT, nutrient=1.0, **costs):
    return net_return(curve, params, Prices(nutrient, 100, "kg", "t", **costs), within=within, **TESTED)


def test_hand_example():
    """Price ratio 0.01, so 160 kg/ha: yield 7.8, gross 780, nutrient 160, net 620; at zero 300."""
    result = worth(within=5)
    assert (result.rate, result.status) == (pytest.approx(160), "interior")
    assert (result.net, result.gain) == (pytest.approx(620), pytest.approx(320))
    assert result.agronomic_rate == pytest.approx(200)
    # 100 * 1.25e-4 d² = 5 at d = 20
    assert (result.within_low, result.within_high) == (pytest.approx(140), pytest.approx(180))
    prices = result.break_even.set_index("question")["price"].tolist()
    # initial slope 0.05 t/kg at 100; gain 4.8 t for 160 kg: 480/160 and 160/4.8
    assert prices == pytest.approx([5.0, 3.0, 160 / 4.8])
    at_160 = result.table.iloc[128]
    assert at_160.tolist() == pytest.approx([160, 7.8, 780, 160, 620])
    for words in ("160", "Net return 620 per hectare", "140 to 180", "local nutrient rules", "adviser"):
        assert words in result.summary()


@settings(deadline=None)
@given(fixed=st.floats(0, 1e4), passing=st.floats(0, 1e3))
def test_costs_never_move_the_optimum_but_may_make_zero_best(fixed, passing):
    free, paid = worth(), worth(fixed_cost=fixed, pass_cost=passing)
    if passing >= free.gain:
        assert (paid.rate, paid.status, paid.gain) == (0, "pass not paid", 0)
        assert (paid.within_low, paid.within_high) == (0, 0)
    else:
        assert paid.rate == free.rate
        assert paid.gain == pytest.approx(free.gain - passing)
        assert paid.net == pytest.approx(free.net - fixed - passing)


def test_checks_say_what_is_wrong():
    rising = worth(curve="linear", params=(3, 0.02))
    assert rising.rate == 250
    assert not rising.checks["passed"].any()
    assert "at least the highest rate tested" in rising.summary()
    flat = worth(curve="mean", params=(3,))
    assert (flat.rate, flat.status) == (0, "no economic response")
    assert flat.break_even.empty
    assert "no economic response" in flat.summary()


def test_table_of_prices_needs_its_own_function():
    with pytest.raises(PriceError, match="not a table"):
        net_return("quadratic", BENT, Prices([1, 2], [100, 120], "kg", "t"), within=1, **TESTED)


def test_price_ratio_table_by_curve():
    """Rates of 0.0025 and 0.01 from the exact formulae; see test_economics."""
    fits = {"quadratic": BENT, "mitscherlich": (8, 5, 0.015)}
    result = price_table(fits, [0.01, 0.0025, 0.06], price_ratio=0.01, **TESTED)
    assert result.wide.columns.tolist() == ["quadratic", "mitscherlich"]  # in the order given
    np.testing.assert_allclose(result.wide["quadratic"], [190, 160, 0])
    np.testing.assert_allclose(result.wide["mitscherlich"], [226.746492, 134.326868, 14.876237], atol=1e-6)
    assert "no economic response" in result.summary()
    with pytest.raises(NotEstimable, match="at least one"):
        price_table({}, [0.01], **TESTED)


def test_rates_by_both_prices():
    nutrient, grain = np.repeat([0.5, 1.0], 3), np.tile([100, 200, 400], 2)
    money = Prices(nutrient, grain, "kg", "t").per("kg/ha", "t/ha")
    assert money.ratio.tolist() == pytest.approx([0.005, 0.0025, 0.00125, 0.01, 0.005, 0.0025])
    rate, _ = economic_optimum_rate("quadratic", BENT, money.ratio, *list(TESTED.values())[:2])
    assert rate.tolist() == pytest.approx([180, 190, 195, 160, 180, 190])


@pytest.mark.parametrize("lowest", [0, 40])
@pytest.mark.parametrize("passing", [0.0, 25.0])
@pytest.mark.parametrize(
    ("curve", "params"),
    [
        ("quadratic", BENT),
        ("mitscherlich", (8, 5, 0.015)),
        ("linear_plateau", (3, 0.03, 150)),
        ("linear", (3, 0.02)),
    ],
)
def test_prices_at_which_the_answer_tips(curve, params, passing, lowest):
    """At each price told the question of its row stands even, by net returns worked on a mesh of rates."""
    tested = TESTED | {"lowest_rate": lowest}
    found = net_return(curve, params, Prices(1.0, 100.0, "kg", "t", pass_cost=passing), **tested)
    mesh = np.linspace(lowest, 250, 100 * (250 - lowest) + 1)

    def over_lowest(rate, nutrient=1.0, grain=100.0):
        yields = CURVES[curve].value(np.append(rate, lowest), np.array(params, float))
        net = grain * yields - nutrient * np.append(rate, lowest) - passing * (np.append(rate, lowest) > 0)
        return net[:-1] - net[-1]

    assert found.gain == pytest.approx(over_lowest(found.rate)[0])
    assert found.gain == pytest.approx(over_lowest(mesh).max(), rel=1e-6)
    rows = found.break_even.set_index("question")
    assert rows["price_of"].tolist() == ["nutrient", "nutrient", "grain"]
    limit, own_nutrient, own_grain = rows["price"]
    assert over_lowest(found.rate, nutrient=own_nutrient)[0] == pytest.approx(
        0, abs=1e-9 * own_nutrient * 250
    )
    assert over_lowest(found.rate, grain=own_grain)[0] == pytest.approx(0, abs=1e-9 * own_grain * 10)
    assert over_lowest(mesh[1:], nutrient=limit * 1.0001).max() < 1e-9
    assert over_lowest(mesh[1:], nutrient=limit * 0.995).max() > 0


def test_the_stretch_around_a_best_rate_of_zero():
    """Each kg costs 1 and gives nothing: 0 to 30 lose 30 or less; with a pass zero stands alone."""
    free = worth(within=30, curve="mean", params=(3,))
    assert (free.within_low, free.within_high) == (0, pytest.approx(30))
    paid = worth(within=30, curve="mean", params=(3,), pass_cost=10)
    assert (paid.within_low, paid.within_high) == (0, 0)


def test_points_of_the_curve_run_over_the_tested_rates():
    result = worth(pass_cost=12.0, fixed_cost=7.0)
    points = result.table
    rates = points["rate_kg_ha"].to_numpy()
    yields = 3 + 0.05 * rates - 1.25e-4 * rates**2
    assert (rates[0], rates[-1], len(rates)) == (0, 250, 201)
    np.testing.assert_allclose(points["gross_return_per_ha"], 100 * yields)
    np.testing.assert_allclose(points["nutrient_cost_per_ha"], rates)
    np.testing.assert_allclose(points["net_return_per_ha"], 100 * yields - rates - 7 - 12 * (rates > 0))
    assert (result.lost, result.in_stretch) == (pytest.approx(0, abs=1e-9), True)
    assert result.peak == result.rate
    assert result.checks.set_index("check").loc["the pass is paid", "passed"]
    assert not replace(result, rate=100.0).in_stretch
    assert not replace(result, rate=200.0).in_stretch
