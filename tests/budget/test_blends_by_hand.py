"""Blends of made-up products whose mixes are worked out by hand; units by NIST SP 811."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import blend
from fertkit.budget.blends import _solve
from fertkit.errors import InputError, NotEstimable
from fertkit.reference import load_table

PLAIN = load_table("products").iloc[0].to_dict() | {
    "cautions": "", "source_key": "PHYSPROP", "provenance": "found", "density_lb_gal": np.nan,
}  # fmt: skip
NONE = dict.fromkeys([c for c in PLAIN if c.endswith("_pct") and not c.startswith("critical")], np.nan)


def product(name, **percent):
    return PLAIN | NONE | {"material": name, "grade": f"{name} grade"} | percent


#: A holds P with a little N, B K with more N, C sulfur as a liquid of 10 lb a gallon.
OWN = pd.DataFrame(
    [
        product("made a", n_pct=10.0, p2o5_pct=50.0),
        product("made b", n_pct=20.0, k2o_pct=50.0),
        product("made c", s_pct=25.0, density_lb_gal=10.0, provenance="from_memory"),
        product("made d", n_pct=40.0, s_pct=0.0),
    ]
)
PRICES = pd.DataFrame(
    {
        "product": ["made a", "made b", "made c", "made d"],
        "price": [0.5, 800.0, 3.0, 0.2],
        "unit": ["lb", "ton", "gal", "kg"],
    },
    index=[4, 2, 7, 5],
)
#: lb in a kg, kg/ha in a lb/ac
KG, PER = 1 / 0.45359237, 0.45359237 / 0.40468564224


def mix(targets, prices=PRICES, **options):
    return blend(targets, prices, products=OWN, **options)


def test_everything_of_one_mix():
    # 50 P2O5: 100 lb of A with 10 N; 50 K2O: 100 lb of B with 20 N; 10 S: 40 lb of C, 4 gal; N is asked
    # 50: 20 more as 50 lb of D. Money: 50 + 40 + 12 + 50 x .2/2.20462 = 4.54
    got = mix({"N": 50, "P2O5": 50, "K2O": 50, "S": 10}, caps={"N": 70.0, "Zn": 5.0})
    rows = got.table.set_index("product")
    assert rows["rate_lb_ac"].to_dict() == pytest.approx(
        {"made a": 100, "made b": 100, "made c": 40, "made d": 50}
    )
    assert rows["price_per_lb"].tolist() == pytest.approx([0.5, 0.4, 0.3, 0.2 / KG])
    assert rows["cost_per_ac"].tolist() == pytest.approx([50.0, 40.0, 12.0, 10 / KG])
    assert got.cost == got.cost_per_ac == pytest.approx(102 + 10 / KG)
    table = got.nutrients.set_index("nutrient")
    assert table.index.tolist() == ["N", "P2O5", "K2O", "S", "Zn"]
    assert table["target_lb_ac"].tolist() == [50, 50, 50, 10, 0]
    assert table["supplied_lb_ac"].tolist() == pytest.approx([50, 50, 50, 10, 0])
    assert table["over_lb_ac"].tolist() == pytest.approx([0] * 5, abs=1e-9)
    assert table["cap_lb_ac"].tolist() == pytest.approx([70, np.nan, np.nan, np.nan, 5.0], nan_ok=True)
    # a pound of N more is 2.5 lb of D; of P 2 lb of A less the N in it (.2 lb); K likewise; S 4 lb of C
    n = 2.5 * 0.2 / KG
    assert table["marginal_cost"].tolist() == pytest.approx([n, 1 - 0.2 * n, 0.8 - 0.4 * n, 1.2, 0])
    brought = pd.DataFrame(
        [[10, 50, 0, 0, 0], [20, 0, 50, 0, 0], [0, 0, 0, 10, 0], [20, 0, 0, 0, 0]],
        columns=table.index, index=PRICES["product"].tolist(),
    )  # fmt: skip
    np.testing.assert_allclose(got.supplied, brought, atol=1e-9)
    assert got.supplied.index.tolist() == brought.index.tolist()
    used = got.used.set_index("product")
    assert used["volume"].tolist() == pytest.approx([np.nan, np.nan, 4.0, np.nan], nan_ok=True)
    assert used["cost"].tolist() == pytest.approx([50.0, 40.0, 12.0, 10 / KG])
    with pytest.raises(dataclasses.FrozenInstanceError):
        got.unit = "kg/ha"


def test_the_same_in_metric_columns():
    us = mix({"P2O5": 50, "S": 10})
    metric = mix(
        {"P2O5": 50 * PER, "S": 10 * PER},
        unit="kg/ha",
        caps={"N": 30 * PER},
        product_caps={"made a": 100.1 * PER},
    )
    assert metric.table.columns.tolist() == [
        "product", "material", "source_key", "provenance", "rate_kg_ha", "l_ha", "price_per_kg",
        "cost_per_ha",
    ]  # fmt: skip
    assert metric.nutrients.columns.tolist() == [
        "nutrient", "target_kg_ha", "supplied_kg_ha", "over_kg_ha", "cap_kg_ha", "marginal_cost",
    ]  # fmt: skip
    ha = 0.40468564224
    for column, old, times in (
        ("rate_kg_ha", "rate_lb_ac", PER), ("l_ha", "gal_ac", 3.785411784 / ha),
        ("price_per_kg", "price_per_lb", KG), ("cost_per_ha", "cost_per_ac", 1 / ha),
    ):  # fmt: skip
        np.testing.assert_allclose(metric.table[column], us.table[old] * times)
    assert metric.cost == pytest.approx(us.cost_per_ac / ha)
    assert metric.nutrients.set_index("nutrient").loc["S", "marginal_cost"] == pytest.approx(1.2 * KG)
    assert metric.balance.columns.tolist() == [
        "nutrient",
        "target",
        "supplied",
        "over",
        "cap",
        "marginal_cost",
    ]
    assert metric.balance.set_index("nutrient").loc["N", "cap"] == pytest.approx(30 * PER)
    np.testing.assert_allclose(metric.supplied.loc["made a", "P2O5"], 50 * PER)
    text = metric.summary()
    assert text.splitlines()[0].startswith(f"Least cost {metric.cost:.2f} per hectare")


def test_summary_line_by_line():
    got = mix({"P2O5": 50, "S": 10, "N": 0}, caps={"Zn": 3})
    lines = got.summary().splitlines()
    assert lines[:4] == [
        "Least cost 62.00 per acre",
        "  100 lb/ac made a (PHYSPROP), 50.00",
        "  40 lb/ac (4.0 gal) made c (PHYSPROP [from memory]), 12.00",
        "  N: 10 supplied, none asked, 10 over",
    ]
    assert "  P2O5: 50 supplied, 50 lb/ac asked" in lines
    assert "  Zn: 0 supplied, none asked" in lines
    # over is told from half a per cent of the target on, or .005 lb: 10.06 N for 10 asked, not 10.04
    for n, told in ((9.94, True), (9.96, False)):
        said = mix({"P2O5": 50, "N": n}).summary()
        assert (
            ", 0.1 over" in said or "over" in said.split("Salt")[0].split("  N:")[1].splitlines()[0]
        ) == told
    tiny = mix({"P2O5": 0.02, "N": 0.0})  # .004 lb of N come along
    assert "  N: 0.004 supplied, none asked\n" in tiny.summary() + "\n"
    more = mix({"P2O5": 0.03, "N": 0.0})
    assert "none asked, 0.006 over" in more.summary()


@pytest.mark.parametrize(
    ("targets", "options", "says"),
    [
        # 10 lb of N go with 50 P2O5 or 25 K2O: a share of 5/100 of the P or 2.5/40 of the K for each pound of
        # N, so that all of it is spent on K: 25 of 40, and no P at all
        ({"P2O5": 100, "K2O": 40}, {"caps": {"N": 10}},
         "P2O5 reaches 0 of 100 lb/ac, K2O reaches 25 of 40 lb/ac under the N cap of 10; raise the cap"),
        # of 25 K only 2.5/60 a pound: now P comes first, 50 of 100
        ({"P2O5": 100, "K2O": 60}, {"caps": {"N": 10}},
         "P2O5 reaches 50 of 100 lb/ac, K2O reaches 0 of 60 lb/ac under the N cap of 10;"),
        ({"P2O5": 0.9, "K2O": 0.3}, {"caps": {"N": 0.1}}, "P2O5 reaches 0 of 1 lb/ac, K2O reaches 0 of 0"),
        ({"P2O5": 60}, {"product_caps": {"made a": 100}}, "P2O5 reaches 50 of 60 lb/ac under a product cap;"),
        ({"P2O5": 60}, {"product_caps": {"made a": 100}, "caps": {"N": 10, "S": 7}},
         "P2O5 reaches 50 of 60 lb/ac under the N cap of 10 and a product cap;"),
        ({"P2O5": 60, "S": 3}, {"product_caps": {"made a": 100, "made b": 7}, "caps": {"N": 10.5}},
         "blend meets the targets: P2O5 reaches 50 of 60 lb/ac under a product cap;"),
        ({"P2O5": 60, "Zn": 2, "B": 0.0}, {}, "no product in the price list supplies Zn; add one"),
    ],
)  # fmt: skip
def test_what_falls_short_least(targets, options, says):
    with pytest.raises(NotEstimable, match=says):
        mix(targets, **options)


def test_a_target_of_nothing_needs_no_product():
    got = mix({"P2O5": 50, "B": 0.0})
    assert got.nutrients.set_index("nutrient").loc["B", "supplied_lb_ac"] == 0


def test_a_solver_that_leaves_a_grain_uses_nothing():
    cost, rate, marginal = _solve(
        np.array([1.0, 2.0]), np.array([[0.5, 0.5]]), np.array([5.0]), np.array([np.inf]), [None, None]
    )
    assert (cost, rate.tolist(), marginal.tolist()) == (
        pytest.approx(10),
        pytest.approx([10, 0]),
        pytest.approx([2.0]),
    )
    assert _solve(np.array([1.0]), np.array([[0.5]]), np.array([5.0]), np.array([4.0]), [None])[1:] == (
        None,
        None,
    )
    capped = _solve(
        np.array([1.0, 2.0]), np.array([[0.5, 0.5]]), np.array([5.0]), np.array([6.0]), [4.0, None]
    )
    assert capped[1].tolist() == pytest.approx([4, 6])


@pytest.mark.parametrize(
    ("change", "place"),
    [
        ({"price": [0.0, 1, 1, 1]}, (2, "price")),
        ({"price": [1, np.inf, 1, 1]}, (3, "price")),
        ({"unit": ["gal", "lb", "lb", "lb"]}, (2, "unit")),
        ({"unit": ["lb", "lb", "lb", "sack"]}, (5, "unit")),
        ({"product": ["made a", "made b", "made c", "made b"]}, (5, "product")),
        ({"product": ["made a", "made b", "nobody", "made d"]}, (4, "product")),
    ],
)
def test_price_lists_that_cannot_be(change, place):
    with pytest.raises(InputError) as caught:
        mix({"N": 5}, PRICES.assign(**change))
    assert [(p.row, p.column) for p in caught.value.problems] == [place]
    for bad in (PRICES.iloc[:0], PRICES.drop(columns="product")):
        with pytest.raises(InputError, match="no usable price"):
            mix({"N": 5}, bad)


def test_prices_without_a_unit_are_for_a_short_ton():
    got = mix({"P2O5": 50}, pd.DataFrame({"product": ["made a"], "price": [1000.0]}))
    assert got.cost == pytest.approx(50)
    megagram = mix({"P2O5": 50}, pd.DataFrame({"product": ["made a"], "price": [1000.0], "unit": ["Mg"]}))
    assert megagram.cost == pytest.approx(100 * 0.45359237)


@pytest.mark.parametrize("value", [np.inf, -0.1, float("nan")])
def test_rates_that_are_none(value):
    for options in ({"caps": {"N": value}}, {"product_caps": {"made a": value}}):
        with pytest.raises(InputError, match="0 or more"):
            mix({"N": 5}, **options)
    with pytest.raises(InputError) as caught:
        mix({"N": value, "S": value})
    assert len(caught.value.problems) == 2
