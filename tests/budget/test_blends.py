"""The least-cost mix: worked by hand, against its dual, and against every cheaper guess."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.budget import blend
from fertkit.errors import InputError, LookupFailed, NotEstimable, UnitError

PRICES = pd.DataFrame(
    {"product": ["urea", "11-52-0", "18-46-0", "0-0-60", "21-0-0-24S"], "price": [500.0, 750, 720, 420, 450]}
)


def test_one_product_by_hand():
    # 60 lb K2O needs 100 lb of 0-0-60, at 420 a short ton
    got = blend({"K2O": 60}, PRICES)
    assert got.table.set_index("product")["rate_lb_ac"]["0-0-60"] == pytest.approx(100)
    assert got.cost_per_ac == pytest.approx(21)


def test_two_products_by_hand():
    # from urea and 11-52-0 alone: 100 lb of 11-52-0 brings 11 N; urea brings the other 35 in 76.09 lb
    got = blend({"N": 46, "P2O5": 52}, PRICES[PRICES["product"].isin(["urea", "11-52-0"])])
    rates = got.table.set_index("product")["rate_lb_ac"]
    assert rates["11-52-0"] == pytest.approx(100)
    assert rates["urea"] == pytest.approx(35 / 0.46)


def test_phosphate_by_its_price_per_pound():
    # with N wanted too, 18-46-0 carries N worth .5435 a lb (urea), so its P2O5 costs
    # (.36 - .18 x .5435)/.46 = .57 a lb against (.375 - .11 x .5435)/.52 = .606 of 11-52-0
    got = blend({"N": 60, "P2O5": 50}, PRICES)
    rates = got.table.set_index("product")["rate_lb_ac"]
    assert rates["18-46-0"] > 0
    assert rates["11-52-0"] == 0
    assert set(got.used["product"]) == set(rates.index[rates > 0])
    assert got.nutrients.set_index("nutrient")["marginal_cost"]["P2O5"] == pytest.approx(0.5699, abs=1e-4)


TARGETS = st.fixed_dictionaries({"N": st.floats(0, 200), "P2O5": st.floats(0, 100), "K2O": st.floats(0, 150)})


@settings(max_examples=25, deadline=None)
@given(TARGETS, st.integers(0, 10_000))
def test_cheapest_and_true_to_its_dual(targets, seed):
    got = blend(targets, PRICES)
    nutrients = got.nutrients.set_index("nutrient")
    assert (nutrients["supplied_lb_ac"] >= nutrients["target_lb_ac"] - 1e-6).all()
    # strong duality: cost is the targets priced at their marginal cost
    assert got.cost_per_ac == pytest.approx(
        (nutrients["marginal_cost"] * nutrients["target_lb_ac"]).sum(), abs=1e-6
    )
    # no random mix that meets the targets is cheaper
    share = np.array([[46, 11, 18, 0, 21], [0, 52, 46, 0, 0], [0, 0, 0, 60, 0]]) / 100
    mixes = np.random.default_rng(seed).uniform(0, 600, size=(300, 5))
    enough = (mixes @ share.T >= np.array(list(targets.values()))).all(axis=1)
    costs = mixes[enough] @ (PRICES["price"].to_numpy() / 2000)
    assert (costs >= got.cost_per_ac - 1e-6).all()


@settings(max_examples=15, deadline=None)
@given(TARGETS)
def test_price_unit_does_not_change_the_mix(targets):
    metric = PRICES.assign(price=PRICES["price"] / 0.90718474, unit="Mg")
    a, b = blend(targets, PRICES), blend(targets, metric)
    assert a.cost_per_ac == pytest.approx(b.cost_per_ac, abs=1e-6)


def test_liquid_priced_by_the_gallon():
    # 28-0-0 at 10.67 lb/gal and 3.00 a gallon: 2.988 lb N a gallon
    got = blend({"N": 29.876}, pd.DataFrame({"product": ["28-0-0"], "price": [3.0], "unit": ["gal"]}))
    assert got.table["gal_ac"][0] == pytest.approx(10, abs=1e-3)
    assert got.cost_per_ac == pytest.approx(30, abs=5e-3)


def test_over_supply_is_shown():
    got = blend({"N": 10, "P2O5": 46}, PRICES[PRICES["product"] == "18-46-0"])
    over = got.nutrients.set_index("nutrient")["over_lb_ac"]
    assert (over["N"], over["P2O5"]) == pytest.approx((8, 0), abs=1e-9)
    assert "8 over" in got.summary()


def test_caps_hold_and_cost():
    free = blend({"P2O5": 60}, PRICES)
    capped = blend({"P2O5": 60}, PRICES, caps={"N": 15}, product_caps={"18-46-0": 50})
    assert capped.nutrients.set_index("nutrient")["supplied_lb_ac"]["N"] <= 15 + 1e-9
    assert capped.table.set_index("product")["rate_lb_ac"]["18-46-0"] <= 50 + 1e-9
    assert capped.cost_per_ac >= free.cost_per_ac


@pytest.mark.parametrize(
    ("targets", "options", "says"),
    [
        # 5 lb N allows 5/11 x 52 = 23.6 lb P2O5
        ({"P2O5": 60}, {"caps": {"N": 5}}, "P2O5 reaches 24 of 60 lb/ac under the N cap of 5"),
        ({"Zn": 2, "N": 10}, {}, "no product in the price list supplies Zn"),
        ({"K2O": 60}, {"product_caps": {"0-0-60": 50}}, "K2O reaches 30 of 60 lb/ac under a product cap"),
    ],
)
def test_infeasible_says_which_target(targets, options, says):
    with pytest.raises(NotEstimable, match=says):
        blend(targets, PRICES, **options)


def test_every_problem_of_the_price_list():
    bad = pd.DataFrame(
        {
            "product": ["urea", "7-7-7", "0-0-60", "urea", "11-52-0"],
            "price": [500, 100, -3, 400, "dear"],
            "unit": ["ton", "ton", "ton", "sack", "gal"],
        }
    )
    with pytest.raises(InputError) as caught:
        blend({"N": 10}, bad)
    places = {(p.row, p.column) for p in caught.value.problems}
    assert places == {(3, "product"), (4, "price"), (5, "unit"), (5, "product"), (6, "unit"), (6, "price")}


@pytest.mark.parametrize(
    ("targets", "options", "error", "says"),
    [
        ({"P": 20}, {}, LookupFailed, "unknown name in targets 'P'"),
        ({"N": -5}, {}, InputError, "0 or more"),
        ({}, {}, InputError, "no target"),
        ({"N": 5}, {"caps": {"N": float("nan")}}, InputError, "caps"),
        ({"N": 5}, {"product_caps": {"urine": 5}}, LookupFailed, "unknown name in product caps"),
        ({"N": 5}, {"prices": PRICES.drop(columns="price")}, InputError, "no usable price"),
    ],
)
def test_bad_requests(targets, options, error, says):
    with pytest.raises(error, match=says):
        blend(targets, **({"prices": PRICES} | options))


def test_the_same_blend_per_hectare():
    # 1 lb/ac is 0.45359237 kg over 0.40468564224 ha (NIST SP 811)
    per = 0.45359237 / 0.40468564224
    prices = pd.DataFrame(
        {"product": ["UAN 28", "11-52-0", "0-0-60"], "price": [2.0, 750, 420], "unit": ["gal", "ton", "ton"]}
    )
    us = blend({"N": 40, "P2O5": 30}, prices, caps={"N": 60}, product_caps={"0-0-60": 80})
    metric = blend(
        {"N": 40 * per, "P2O5": 30 * per}, prices, caps={"N": 60 * per}, product_caps={"0-0-60": 80 * per},
        unit="kg/ha",
    )  # fmt: skip
    assert metric.table["rate_kg_ha"].to_numpy() == pytest.approx(us.table["rate_lb_ac"] * per)
    assert metric.table["l_ha"][0] == pytest.approx(us.table["gal_ac"][0] * 3.785411784 / 0.40468564224)
    assert metric.cost == pytest.approx(us.cost_per_ac / 0.40468564224)
    assert metric.table["cost_per_ha"].sum() == pytest.approx(metric.cost)
    assert metric.nutrients["supplied_kg_ha"].to_numpy() == pytest.approx(metric.supplied.sum().to_numpy())
    assert "per hectare" in metric.summary()
    assert "lb" not in metric.summary().split("salt")[0]
    assert metric.plot().get_xlabel() == "supplied [kg/ha]"
    with pytest.raises(NotEstimable, match=r"of 90 kg/ha under the N cap of 10"):
        blend({"P2O5": 90}, prices, caps={"N": 10}, unit="kg/ha")
    with pytest.raises(UnitError, match="use one of: lb/ac, kg/ha"):
        blend({"N": 40}, prices, unit="t/ha")


def test_volume_of_a_liquid_by_hand():
    # 28 lb N is 100 lb of 28-0-0 of 10.67 lb a gallon (the density its makers print): 9.372 gal; the same in
    # metric, 100 kg at 10.67 lb/gal = 1.27855 kg/l: 78.21 l. Potash is dry and has no volume.
    prices = pd.DataFrame({"product": ["28-0-0", "0-0-60"], "price": [300.0, 420.0]})
    used = blend({"N": 28, "K2O": 60}, prices).used.set_index("product")
    assert used.loc["28-0-0", "rate"] == pytest.approx(100)
    assert used.loc["28-0-0", "volume"] == pytest.approx(9.372, abs=5e-4)
    assert np.isnan(used.loc["0-0-60", "volume"])
    assert used["cost"].to_dict() == pytest.approx({"28-0-0": 100 * 300 / 2000, "0-0-60": 100 * 420 / 2000})
    metric = blend({"N": 28, "K2O": 60}, prices, unit="kg/ha")
    assert metric.used.set_index("product").loc["28-0-0", "volume"] == pytest.approx(78.21, abs=5e-3)
    assert "(78.2 l) 28-0-0" in metric.summary().replace("L)", "l)")
