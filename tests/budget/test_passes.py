"""Pass plans against enumeration, the blend of one field, hand-worked mixes and rules that always hold."""

from itertools import product as every

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from fertkit.budget import least_cost
from fertkit.budget.passes import plan_passes
from fertkit.errors import InputError, NotEstimable
from fertkit.reference import load_table

TABLE = load_table("products")


def shed(**price):
    """Products of the reference table by grade, each with a price of a pound."""
    rows = (
        TABLE[TABLE["grade"].isin(price)]
        .drop_duplicates("grade")
        .set_index("grade", drop=False)
        .loc[list(price)]
    )
    return rows.assign(product=list(price), price_per_lb=list(price.values()), form=rows["form"].str[:6].map(
        {"liquid": "liquid"}).fillna("dry")).reset_index(drop=True)  # fmt: skip


def passes(*rows):
    columns = ["pass", "method", "cost_per_ac", "earliest", "latest"]
    return pd.DataFrame([(*r, "")[:5] for r in rows], columns=columns)


def targets(crop="corn", acres=40.0, field="North", **rates):
    return pd.DataFrame({"field": field, "crop": crop, "area_ac": acres, "nutrient": list(rates),
                         "rate_lb_ac": [float(v) for v in rates.values()]})  # fmt: skip


SPREAD = passes(("spread", "broadcast", 8.0, "preplant"))
BLEND = shed(**{"46-0-0": 0.30, "11-52-0": 0.40, "0-0-60": 0.24})


def rates(plan):
    return plan.applications.set_index("product")["rate_lb_ac"].to_dict()


# ---- published mixes


def test_the_rotation_of_the_ohio_guide():
    # OSU_ANR74 prints 110.4 lb P2O5 as about 210 lb of 11-52-0, 104.4 lb K2O as 180 lb of 0-0-60 (174 exact);
    # 212.31 lb of 11-52-0 bring 23.35 lb N, so 150 lb N need (150 - 23.35) / 0.46 = 275.3 lb of urea
    plan = plan_passes(targets(N=150, P2O5=110.4, K2O=104.4), BLEND, SPREAD, whole_rates=False)
    assert rates(plan) == pytest.approx({"46-0-0": 275.3, "11-52-0": 212.31, "0-0-60": 174.0}, abs=0.05)
    money = 40 * (8 + 275.32 * 0.30 + 212.31 * 0.40 + 174 * 0.24)
    assert plan.cost == pytest.approx(money, rel=1e-4)
    whole = plan_passes(targets(N=150, P2O5=110.4, K2O=104.4), BLEND, SPREAD)
    assert rates(whole) == {"46-0-0": 276.0, "11-52-0": 213.0, "0-0-60": 174.0}
    assert whole.nutrients["short_lb_ac"].eq(0).all()


def test_a_liquid_of_known_density():
    # PHYSPROP: a gallon of 10-34-0 weighs 11.65 lb and brings 3.961 lb P2O5, one of UAN 28 2.99 lb N:
    # 30 lb P2O5 are 7.57 gal with 8.82 lb N; 60 lb N need another 17.13 gal of UAN
    liquids = shed(**{"28-0-0": 0.19, "10-34-0": 0.35})
    plan = plan_passes(targets(N=60, P2O5=30), liquids, SPREAD, whole_rates=False)
    assert plan.applications["gal_ac"].tolist() == pytest.approx([17.13, 7.574], abs=5e-3)
    whole = plan_passes(targets(N=60, P2O5=30), liquids, SPREAD)
    assert whole.applications["gal_ac"].tolist() == pytest.approx([17.2, 7.6])
    assert whole.applications["rate_lb_ac"].tolist() == pytest.approx([17.2 * 10.67, 7.6 * 11.65])


# ---- other formulations


@given(
    need=st.tuples(*[st.integers(0, 150)] * 3),
    price=st.tuples(*[st.floats(0.05, 0.9)] * 4),
    cap=st.one_of(st.none(), st.integers(160, 200)),
)
@settings(max_examples=12, deadline=None)
def test_one_field_without_lots_is_the_cheapest_blend(need, price, cap):
    """Against scipy's linear program: least price x rate that brings every target and passes no cap."""
    asked = {n: float(v) for n, v in zip(("N", "P2O5", "K2O"), need, strict=True) if v}
    if not asked:
        return
    names = ("46-0-0", "11-52-0", "18-46-0", "0-0-60")
    caps = {} if cap is None else {"N": float(cap)}
    share = {"N": [0.46, 0.11, 0.18, 0], "P2O5": [0, 0.52, 0.46, 0], "K2O": [0, 0, 0, 0.6]}
    least = [[-x for x in share[n]] for n in asked]
    mix = linprog(price, [*least, *(share[n] for n in caps)], [*(-v for v in asked.values()), *caps.values()])
    table = targets(**asked).assign(
        cap_lb_ac=lambda t: np.where(t["nutrient"] == "N", caps.get("N", np.nan), np.nan)
    )
    if cap is not None and "N" not in asked:
        table = pd.concat([table, targets(N=0).assign(cap_lb_ac=caps["N"])], ignore_index=True)
    plan = plan_passes(table, shed(**dict(zip(names, price, strict=True))), SPREAD, whole_rates=False, gap=0)
    assert plan.cost == pytest.approx(40 * (8 + mix.fun), rel=1e-6)


SMALL = {
    "share": np.array([[0.46, 0.0], [0.11, 0.52], [0.0, 0.46]]),
    "names": ["46-0-0", "11-52-0", "0-46-0"],
}


def enumerated(need, acres, price, lot, pass_cost, most):
    """Least cost of a few fields and passes by trying every pattern of use and every purchase."""
    share, best, (fields, nutrients), drives = SMALL["share"], np.inf, need.shape, len(pass_cost)
    mixes = [
        m for m in every((0, 1), repeat=3) if sum(m) <= most and not (m[0] and m[2])
    ]  # urea and TSP never
    enough = [
        int(np.ceil((need * acres[:, None]).sum() / share[p][share[p] > 0].min() / lot)) for p in range(3)
    ]
    a = np.zeros((fields * nutrients + 3, fields * drives * 3))
    for f, n in every(range(fields), range(nutrients)):
        a[f * nutrients + n, f * drives * 3 : (f + 1) * drives * 3] = -np.tile(share[:, n], drives)
    for p in range(3):
        a[fields * nutrients + p, p::3] = np.repeat(acres, drives)
    patterns = [np.array(p, bool).reshape(fields, drives, 3) for p in every(mixes, repeat=fields * drives)]
    driving = [float((can.any(axis=2) @ pass_cost) @ acres) for can in patterns]
    for lots in every(*(range(n + 1) for n in enough)):
        bought = float(np.array(lots) @ price) * lot
        b = [*-need.ravel(), *(n * lot for n in lots)]
        for can, cost in zip(patterns, driving, strict=True):
            if (
                bought + cost >= best - 1e-9
                or not share[can.any(axis=(0, 1))].any(axis=0)[need.any(axis=0)].all()
            ):
                continue
            bounds = [(0, None if on else 0) for on in can.ravel()]
            if linprog(np.zeros(a.shape[1]), A_ub=a, b_ub=b, bounds=bounds).success:
                best = bought + cost
    return best


@given(
    need=st.tuples(*[st.integers(0, 120)] * 4),
    price=st.tuples(*[st.sampled_from([0.2, 0.3, 0.35, 0.4])] * 3),
    cost=st.tuples(*[st.integers(1, 15)] * 2),
    most=st.sampled_from([1, 2, 3]),
    fields=st.sampled_from([1, 2]),
)
@settings(max_examples=8, deadline=None, phases=[Phase.explicit, Phase.generate])
def test_every_pattern_tried(need, price, cost, most, fields):
    # two fields and one pass, or one field and two passes
    need, acres, lot = np.array(need, float).reshape(2, 2)[:fields], np.array([10.0, 25.0])[:fields], 5000.0
    cost = np.array(cost, float)[: 3 - fields]
    if not need.any():
        return
    table = pd.concat([targets(field=f, acres=a, N=n[0], P2O5=n[1])
                       for f, a, n in zip("AB", acres, need, strict=False)])  # fmt: skip
    products = shed(**dict(zip(SMALL["names"], price, strict=True))).assign(lot_lb=lot)
    drives = passes(*((f"pass {i}", "broadcast", c, "fall") for i, c in enumerate(cost)))
    least = enumerated(need, acres, np.array(price), lot, cost, most)
    if np.isinf(least):
        with pytest.raises(NotEstimable):
            plan_passes(table, products, drives, max_products=most, whole_rates=False, gap=0)
        return
    plan = plan_passes(table, products, drives, max_products=most, whole_rates=False, gap=0)
    assert plan.cost == pytest.approx(least, rel=1e-6)
    assert plan.checks["passed"].all()


def test_many_fields_one_by_one_come_near_the_whole(monkeypatch):
    # the same programme solved whole (HiGHS alone) is the reference
    rng = np.random.default_rng(5)
    table = pd.concat([targets(field=f"f{i}", acres=rng.uniform(20, 90), N=rng.integers(40, 150),
                               P2O5=rng.integers(0, 90), K2O=rng.integers(0, 90))
                       for i in range(10)])  # fmt: skip
    products = BLEND.assign(lot_lb=2000.0)
    drives = passes(("fall", "broadcast", 7.0, "fall"), ("spring", "broadcast", 8.0, "preplant"))
    options = {"max_products": 2, "whole_rates": False}
    whole = plan_passes(table, products, drives, gap=1e-4, **options)
    monkeypatch.setattr(least_cost, "FEW", 0)
    apart = plan_passes(table, products, drives, **options)
    assert apart.gap < 0.03
    assert whole.cost <= apart.cost * (1 + 1e-4)
    assert apart.cost * (1 - apart.gap) <= whole.cost * (1 + 1e-9)
    stocked = products.assign(on_hand_lb=[9000.0, 0.0, 0.0])
    less = plan_passes(table, stocked, drives, **options)
    assert less.cost < apart.cost
    assert less.checks["passed"].all()
    value = {"N": 1.2, "P2O5": 1.0, "K2O": 0.5}
    poor = plan_passes(table, products, drives, spending_limit=0.7 * apart.cost, value=value, **options)
    monkeypatch.undo()
    best = plan_passes(
        table, products, drives, spending_limit=0.7 * apart.cost, value=value, gap=1e-4, **options
    )
    worth = {key: sum(r.area_ac * value[r.nutrient] * (r.target_lb_ac - r.short_lb_ac)
                      for r in plan.nutrients.merge(table[["field", "area_ac"]].drop_duplicates())
                      .itertuples())
             for key, plan in (("poor", poor), ("best", best))}  # fmt: skip
    assert poor.cost <= 0.7 * apart.cost + 1e-6
    assert worth["poor"] <= worth["best"] * (1 + 1e-4)
    assert worth["best"] <= worth["poor"] / (1 - poor.gap) * (1 + 1e-6)
    assert poor.gap < 0.03


# ---- what always holds


def test_fields_alike_are_one_field():
    alone = plan_passes(targets(acres=90.0, N=120, K2O=60), BLEND.assign(lot_lb=2000.0), SPREAD)
    three = pd.concat([targets(field=f, acres=30.0, N=120, K2O=60) for f in "ABC"])
    together = plan_passes(three, BLEND.assign(lot_lb=2000.0), SPREAD)
    assert together.cost == pytest.approx(alone.cost)
    assert together.applications.groupby("product")["rate_lb_ac"].nunique().eq(1).all()
    assert together.passes["fields"].tolist() == [3]


@given(st.integers(20, 150), st.integers(0, 80), st.integers(0, 40))
@settings(max_examples=7, deadline=None)
def test_a_higher_target_never_costs_less(n, p, more):
    drives = passes(("fall", "broadcast", 7.0, "fall"), ("spring", "broadcast", 8.0, "preplant"))
    products = shed(**{"46-0-0": 0.3, "0-46-0": 0.36, "11-52-0": 0.4}).assign(lot_lb=1000.0)
    low = plan_passes(targets(N=n, P2O5=p), products, drives, gap=0, whole_rates=False)
    high = plan_passes(targets(N=n, P2O5=p + more), products, drives, gap=0, whole_rates=False)
    assert high.cost >= low.cost * (1 - 1e-6)
    for plan in (low, high):
        met = plan.applications.groupby("pass")["product"].agg(set)
        assert not any({"46-0-0", "0-46-0"} <= products for products in met)


def test_urea_and_triple_superphosphate_take_two_passes_or_another_phosphate():
    products = shed(**{"46-0-0": 0.3, "0-46-0": 0.36})
    with pytest.raises(NotEstimable, match="products that must not be mixed"):
        plan_passes(targets(N=100, P2O5=60), products, SPREAD)
    two = passes(("fall", "broadcast", 7.0, "fall"), ("spring", "broadcast", 8.0, "preplant"))
    plan = plan_passes(targets(N=100, P2O5=60), products, two)
    assert plan.applications.groupby("pass")["product"].nunique().tolist() == [1, 1]
    assert plan.passes["cost"].sum() == 40 * 15


def test_no_cap_is_passed():
    table = targets(N=60, P2O5=80).assign(cap_lb_ac=[60.0, np.nan])
    plan = plan_passes(table, BLEND.iloc[:2], SPREAD)
    brought = plan.nutrients.set_index("nutrient")["brought_lb_ac"]
    assert brought["N"] <= 60
    # whole pounds cannot hit 60 lb of N from above: what is missing is said
    assert plan.nutrients["short_lb_ac"].max() == pytest.approx(60 - brought["N"])
    with pytest.raises(NotEstimable, match=r"North: P2O5 reaches 47 of 80 lb/ac under the N cap of 10"):
        plan_passes(targets(P2O5=80, N=0).assign(cap_lb_ac=[np.nan, 10.0]), BLEND.iloc[:2], SPREAD)


def test_everything_that_cannot_be_met_is_named_at_once():
    table = pd.concat([targets(field="A", Zn=2), targets(field="B", B=1, N=40), targets(field="C", N=40)])
    with pytest.raises(NotEstimable) as caught:
        plan_passes(table, BLEND, SPREAD)
    assert "A: no product in a pass of corn supplies Zn; B: no product in a pass of corn supplies B;" in str(
        caught.value
    )
    with pytest.raises(NotEstimable, match="under at most 1 product in spread"):
        plan_passes(targets(P2O5=60, K2O=60), BLEND, SPREAD, max_products=1)


# ---- stock and lots


def test_stock_is_used_first_and_may_be_all_there_is():
    # 100 lb/ac of urea on 40 acres are 4,000 lb: 1,500 on hand, 2,500 to buy in bags of 1,000
    own = BLEND.assign(on_hand_lb=[1500.0, 0, 0], lot_lb=1000.0)
    bought = plan_passes(targets(N=46), own, SPREAD).purchases.iloc[0]
    assert (bought["need_lb"], bought["lots"], bought["bought_lb"], bought["tons"]) == (4000, 3, 3000, 1.5)
    assert bought["cost"] == pytest.approx(900)
    only = own.assign(price_per_lb=np.nan).iloc[:1]
    with pytest.raises(NotEstimable, match=r"North: N reaches 17 of 46 lb/ac with the stock of 46-0-0"):
        plan_passes(targets(N=46), only, SPREAD)
    free = plan_passes(targets(N=17), only, SPREAD)
    assert free.cost == 320
    assert free.purchases["bought_lb"].tolist() == [0]


# ---- where and when


def test_the_seed_row_takes_no_more_than_is_published():
    # KSU_STARTER: 8 lb N + K2O with corn in 30 in rows, 6 on sand; the lowest of all is 4 (sand, 40 in)
    starter = shed(**{"11-52-0": 0.4, "10-34-0": 0.35})
    both = passes(("in the row", "seed row", 0.0, "planting"), ("spread", "broadcast", 30.0, "preplant"))
    for place, limit in (({}, 4), ({"row_spacing_in": 30}, 8), ({"row_spacing_in": 30, "soil": "sandy"}, 6)):
        plan = plan_passes(targets(P2O5=60), starter, both, seed_row={"corn": place}, whole_rates=False)
        row = plan.applications[plan.applications["pass"] == "in the row"]
        nitrogen = (row["rate_lb_ac"] * row["product"].eq("11-52-0").map({True: 0.11, False: 0.10})).sum()
        assert nitrogen <= limit + 1e-6
        if limit == 8:  # 8 / .11 = 72.7 lb bring 37.8 lb P2O5; a row alone does for 37
            alone = plan_passes(targets(P2O5=37), starter, both, seed_row={"corn": place}, whole_rates=False)
            assert alone.passes["fields"].tolist() == [1, 0]
    beans = plan_passes(targets("soybean", P2O5=30), starter, both)
    assert beans.passes["fields"].tolist() == [0, 1]
    # a limit of N + K2O says nothing of triple superphosphate: none of it without a limit of the user's own
    plain = shed(**{"0-46-0": 0.36})
    with pytest.raises(NotEstimable):
        plan_passes(targets(P2O5=46), plain, both.iloc[:1])
    own = plan_passes(targets(P2O5=46), plain.assign(seed_row=100.0), both.iloc[:1])
    assert rates(own) == {"0-46-0": 100.0}
    oil = plan_passes(targets("sugar beet", P2O5=30), starter, both)
    assert ("sugar beet", "in the row") in set(zip(oil.unused["crop"], oil.unused["pass"], strict=True))


def test_phosphate_after_planting_does_not_count_unless_the_pass_says_so():
    late = passes(("beside", "sidedress", 5.0, "V5", "V8"))
    with pytest.raises(NotEstimable, match="no product in a pass of corn supplies P2O5"):
        plan_passes(targets(N=40, P2O5=20), BLEND, late)
    plan = plan_passes(targets(N=40, P2O5=20), BLEND, late.assign(nutrients="N;P2O5"))
    assert plan.nutrients["short_lb_ac"].eq(0).all()
    with pytest.raises(NotEstimable):
        plan_passes(targets("wheat", N=40), BLEND, late)  # V5 is no stage of wheat


def test_a_share_of_nitrogen_after_planting():
    both = passes(("spread", "broadcast", 5.0, "preplant"), ("beside", "sidedress", 9.0, "V5"))
    ask = pd.DataFrame({"crop": ["corn"], "nutrient": ["N"], "share": [0.6]})
    plan = plan_passes(targets(N=100, K2O=60), BLEND, both, demand=ask, whole_rates=False)
    late = plan.applications[plan.applications["pass"] == "beside"]
    assert late["rate_lb_ac"].sum() * 0.46 >= 60 - 1e-6
    assert plan.passes["fields"].tolist() == [1, 1]


@pytest.mark.parametrize(("asked", "grown"), [("wheat", "winter wheat"), ("Wheat, winter", "winter wheat"),
                                              ("maize", "corn")])  # fmt: skip
def test_a_share_after_planting_goes_by_the_crop_whatever_it_is_called(asked, grown):
    both = passes(("spread", "broadcast", 5.0, "preplant"), ("beside", "topdress", 9.0, "preplant"))
    both["earliest"], both["latest"] = ["preplant", "V5"], ["preplant", "V5"]
    if grown == "winter wheat":
        both.loc[1, ["earliest", "latest"]] = "Feekes 5"
    ask = pd.DataFrame({"crop": [asked], "nutrient": ["N"], "share": [0.6]})
    plan = plan_passes(targets(grown, N=100), BLEND, both, demand=ask, whole_rates=False)
    late = plan.applications[plan.applications["pass"] == "beside"]
    assert late["rate_lb_ac"].sum() * 0.46 >= 60 - 1e-6


def test_a_pass_of_wheat_is_one_of_winter_wheat():
    """A market class is fed as its crop: its nitrogen goes on in spring where the fall pass costs more."""
    both = passes(("spread", "broadcast", 9.0, "preplant"), ("green-up", "topdress", 5.0, "Feekes 4"))
    both["crop"] = ["", "wheat"]
    plan = plan_passes(targets("winter wheat", N=100), BLEND, both)
    assert plan.applications["pass"].unique().tolist() == ["green-up"]
    assert "for another crop" not in plan.unused["why"].tolist()
    assert plan.watch.empty


def test_dry_and_liquid_never_go_in_one_pass_and_ammonia_alone():
    products = shed(**{"28-0-0": 0.10, "0-0-60": 0.24, "82-0-0": 0.20})
    with pytest.raises(NotEstimable):
        plan_passes(targets(N=50, K2O=60), products, SPREAD)
    two = passes(("spread", "broadcast", 8.0, "fall"), ("band", "band", 12.0, "preplant"))
    plan = plan_passes(targets(N=50, K2O=60), products, two)
    assert plan.applications.groupby("pass")["product"].nunique().eq(1).all()
    assert "82-0-0" not in set(plan_passes(targets(N=50), products, SPREAD).applications["product"])


def test_urea_ammonium_nitrate_never_goes_on_leaves_nor_dry_products_in_water():
    spray = passes(("spray", "foliar", 6.0, "V5"))
    label = {"foliar": True, "foliar_limit_lb_ac": 500.0}
    with pytest.raises(NotEstimable):
        plan_passes(targets(N=10), shed(**{"28-0-0": 0.2}).assign(**label), spray)
    water = passes(("pivot", "fertigation", 3.0, "V5"))
    plan = plan_passes(targets(N=10), shed(**{"46-0-0": 0.1, "28-0-0": 0.2}), water)
    assert set(plan.applications["product"]) == {"28-0-0"}


def test_leaves_take_only_what_a_label_allows():
    spray = passes(("spray", "foliar", 6.0, "R1"))
    salts = shed(**{"0-0-0-13S-10Mg": 0.3}).assign(foliar=True)
    with pytest.raises(NotEstimable):
        plan_passes(targets("soybean", S=1), salts, spray)
    plan = plan_passes(targets("soybean", S=1), salts.assign(foliar_limit_lb_ac=10.0), spray)
    assert plan.applications["rate_lb_ac"].tolist() == [8.0]
    with pytest.raises(NotEstimable):
        plan_passes(targets("soybean", S=2), salts.assign(foliar_limit_lb_ac=10.0), spray)


# ---- money


CURVES = pd.DataFrame(
    {
        "field": ["A"] * 3 + ["B"] * 3, "nutrient": "N", "rate_lb_ac": [0.0, 50, 100] * 2,
        "gain_per_ac": [0.0, 100, 140, 0, 60, 100],
    }
)  # fmt: skip
TWO = pd.concat([targets(field="A", acres=10.0, N=100), targets(field="B", acres=20.0, N=100)])
UREA = BLEND.iloc[:1].assign(price_per_lb=0.46)  # a dollar a pound of N


def test_where_the_next_dollar_goes_by_hand():
    # A gains 2.00 then .80 a pound of N, B 1.20 then .80; a pass costs nothing. 500 pays A's first 50 lb/ac
    # on 10 acres; the next goes to B's at 1.20 until 1,500; then either
    free = passes(("spread", "broadcast", 0.0, "preplant"))
    options = {"value": CURVES, "whole_rates": False, "gap": 0}
    kept = {}
    for money, gain, first in ((400.0, 2.0, "A"), (700.0, 1.2, "B"), (2000.0, 0.8, None)):
        plan = plan_passes(TWO, UREA, free, spending_limit=money, **options)
        kept[money] = plan
        assert plan.next_unit == pytest.approx(gain, abs=1e-3)
        assert plan.shadow["gain"].sum() == pytest.approx(gain, abs=1e-3)
        assert first is None or plan.shadow["field"].iloc[0] == first
        assert plan.shadow["basis"].eq("own response").all()
        assert plan.cost == pytest.approx(money)
    short = kept[700.0].nutrients.set_index("field")["short_lb_ac"]
    assert short.to_dict() == pytest.approx({"A": 50, "B": 90}, abs=1e-4)
    enough = plan_passes(TWO, UREA, free, spending_limit=3000.0, **options)
    assert not enough.short_of_money
    assert enough.next_unit == 0
    assert enough.cost == pytest.approx(3000)


def lost(plan, curves=CURVES):
    """Value of what falls short, from the curves themselves."""
    total = 0.0
    for r in plan.nutrients.itertuples():
        own = curves[curves["field"] == r.field]
        reached = np.interp([100, r.target_lb_ac - r.short_lb_ac], own["rate_lb_ac"], own["gain_per_ac"])
        total += (reached[0] - reached[1]) * {"A": 10, "B": 20}[r.field]
    return total


@given(st.integers(0, 3300), st.integers(0, 900), st.sampled_from([0.0, 4.0]), st.sampled_from([0.0, 500.0]))
@settings(max_examples=8, deadline=None)
def test_more_money_is_never_worse(money, more, cost, lot):
    drive, products = passes(("spread", "broadcast", cost, "preplant")), UREA.assign(lot_lb=lot)
    options = {"value": CURVES, "whole_rates": False, "gap": 0}
    poor = plan_passes(TWO, products, drive, spending_limit=float(money), **options)
    rich = plan_passes(TWO, products, drive, spending_limit=float(money + more), **options)
    assert lost(rich) <= lost(poor) + 1e-3
    assert poor.cost <= money + 1e-6
    assert rich.cost <= money + more + 1e-6


@given(st.integers(1, 2900))
@settings(max_examples=7, deadline=None)
def test_the_worth_of_a_dollar_by_difference(money):
    # between what the next dollar gains and what the last one gained, each from the curves themselves
    free, options = (
        passes(("spread", "broadcast", 0.0, "preplant")),
        {"value": CURVES, "whole_rates": False, "gap": 0},
    )
    less, now, more = (
        plan_passes(TWO, UREA, free, spending_limit=float(money + step), **options) for step in (-1, 0, 1)
    )
    assert lost(now) - lost(more) - 1e-2 <= now.next_unit <= lost(less) - lost(now) + 1e-2


def test_curves_of_a_field_stand_beside_classes_of_the_others():
    # A's own curve is worth 2.00 a dollar, then .80; very low ranks at 8, maintenance at 1
    free = passes(("spread", "broadcast", 0.0, "preplant"))
    own = CURVES[CURVES["field"] == "A"]
    table = pd.concat([TWO.iloc[:1], targets(field="C", acres=10.0, K2O=60).assign(soil_class="very low"),
                       targets(field="D", acres=10.0, K2O=60).assign(soil_class="maintenance")])  # fmt: skip
    products = pd.concat([UREA, BLEND.iloc[2:].assign(price_per_lb=0.6)])  # a dollar a pound of K2O
    plan = plan_passes(table, products, free, spending_limit=1200.0, value=own, whole_rates=False, gap=0)
    short = plan.nutrients.set_index(["field", "nutrient"])["short_lb_ac"]
    assert short[[("A", "N"), ("C", "K2O"), ("D", "K2O")]].tolist() == pytest.approx([50, 0, 50], abs=1e-3)


def test_money_goes_to_the_lowest_soil_test_first():
    # common practice, no source: very low before low before maintenance
    table = pd.concat([
        targets(field="low", K2O=60).assign(soil_class="low (fertilizer may pay)"),
        targets(field="keep", K2O=60).assign(soil_class="maintenance"),
        targets(field="poor", K2O=60).assign(soil_class="very low"),
    ])  # fmt: skip
    full = plan_passes(table, BLEND, SPREAD)
    each = full.cost / 3
    for share, met in ((1.02, {"poor"}), (2.02, {"poor", "low"})):
        plan = plan_passes(table, BLEND, SPREAD, spending_limit=share * each)
        assert set(plan.applications["field"]) == met


def test_a_cost_of_one_more_pound_by_difference():
    # what the whole plan costs more for one more pound an acre, per acre
    table = targets(N=100, P2O5=60, K2O=60)
    plan = plan_passes(table, BLEND, SPREAD, whole_rates=False, gap=0)
    for nutrient, marginal in plan.nutrients.set_index("nutrient")["marginal_cost"].items():
        more = table.assign(rate_lb_ac=table["rate_lb_ac"] + (table["nutrient"] == nutrient))
        assert (
            plan_passes(more, BLEND, SPREAD, whole_rates=False, gap=0).cost - plan.cost
        ) / 40 == pytest.approx(marginal, abs=1e-5)


# ---- bad tables


def test_all_problems_of_a_table_at_once():
    bad = pd.concat([targets(N=-5), targets(Phosphate=5), targets(N=20, acres=0)])
    with pytest.raises(InputError) as caught:
        plan_passes(bad, BLEND, SPREAD)
    assert {(p.row, p.column) for p in caught.value.problems} == {
        (2, "rate_lb_ac"), (3, "nutrient"), (4, "area_ac"), (4, "field"), (3, "area_ac")
    } - {(3, "area_ac")}  # fmt: skip
    with pytest.raises(InputError, match="neither a price nor a stock"):
        plan_passes(targets(N=5), BLEND.assign(price_per_lb=np.nan), SPREAD)
    with pytest.raises(InputError, match="not known"):
        plan_passes(targets(N=5), BLEND, SPREAD.assign(method="by hand"))
    with pytest.raises(InputError, match="use one of: dry, liquid, gas"):
        plan_passes(targets(N=5), BLEND.assign(form="powder"), SPREAD)
    with pytest.raises(InputError, match="with two crops or areas"):
        plan_passes(pd.concat([targets(N=5), targets("soybean", P2O5=5)]), BLEND, SPREAD)
    with pytest.raises(InputError, match="one year at a time"):
        plan_passes(
            pd.concat([targets(N=5).assign(year=2030), targets(P2O5=5).assign(year=2031)]), BLEND, SPREAD
        )
    with pytest.raises(InputError, match="rate 0"):
        plan_passes(targets(N=5), BLEND, SPREAD, spending_limit=1.0, value=CURVES.iloc[1:])
    with pytest.raises(NotEstimable, match="nothing to plan"):
        plan_passes(targets(N=0), BLEND, SPREAD)


# ---- what it says


def test_the_plan_in_words():
    plan = plan_passes(targets(N=46, K2O=60), BLEND.assign(lot_lb=2000.0), SPREAD)
    text = plan.summary()
    # 4,000 lb of each: 1,200 and 960 of money, and 320 for driving
    assert text.splitlines()[0] == "Least cost 2,480: 1 field, 40 acres treated"
    assert "46-0-0 4,000 lb needed; buy 2.0 tons in 2 lots, 1,200" in text
    assert "Spread a mixture of urea and potassium chloride the day it is made." in text
    assert {"IPNI_COMPAT2013", "NRCS590"} <= set(plan.sources["source_key"])
    poor = plan_passes(TWO, UREA, SPREAD, spending_limit=800.0)
    assert "Most value for" in poor.summary()
    # both fields are driven over: 240 of 800, so 560 of 3,000 lb of N
    assert "N short [lb/ac]: " in poor.summary()
    assert "More money goes to N on " in poor.summary()
    assert "Common practice, no source" in poor.summary()
    rich = plan_passes(TWO, UREA, SPREAD, spending_limit=800.0, value=CURVES)
    assert "More money returns " in rich.summary()
    assert "Common practice, no source: money" not in rich.summary()


def test_a_trifle_is_left_out_where_that_costs_next_to_nothing():
    """100 lb of MAP on hand are 1 lb/ac of 100 ac and bring 0.52 of 200 lb P2O5; TSP has 46 %."""
    both = shed(**{"11-52-0": np.nan, "0-46-0": 0.30}).assign(on_hand_lb=[100.0, 0.0])
    ways = passes(("spread", "broadcast", 8.0, "preplant"), ("band", "band", 0.0, "planting"))
    asked = targets(acres=100.0, P2O5=200)
    # 200 / 0.46 = 434.8 lb of TSP, 1 lb more than beside MAP; the band costs nothing
    plain = plan_passes(asked, both, ways)
    assert rates(plain) == {"0-46-0": 435.0}
    assert plain.cost == pytest.approx(100 * 435 * 0.30)
    # (200 - 0.52) / 0.46 = 433.7; who wants the least cost to the cent gets it
    assert rates(plan_passes(asked, both, ways, gap=0)) == {"11-52-0": 1.0, "0-46-0": 434.0}
    # 2,000 lb on hand are 20 lb/ac and 10.4 of 200 lb: more than a twentieth
    some = rates(plan_passes(asked, both.assign(on_hand_lb=[2000.0, 0.0]), ways))
    assert some == {"11-52-0": 20.0, "0-46-0": 413.0}


# ---- nitrogen before winter, sulfur beyond need


def test_nitrogen_goes_to_the_later_of_two_passes_as_cheap_and_is_watched_in_fall():
    fall, spring = ("fall", "broadcast", 8.0, "fall"), ("spring", "broadcast", 8.0, "preplant")
    plan = plan_passes(targets(N=46), shed(**{"46-0-0": 0.30}), passes(fall, spring))
    assert plan.applications["pass"].tolist() == ["spring"]
    assert plan.watch.empty
    # 46 lb N are 100 lb of urea, 30.00 an acre, and 8.00 to drive
    assert plan.cost == pytest.approx(40 * (30 + 8))
    alone = plan_passes(targets(N=46), shed(**{"46-0-0": 0.30}), passes(fall))
    told = alone.watch[["what", "field", "rate_lb_ac"]].to_numpy().tolist()
    assert told == [["fall nitrogen", "North", 46.0]]
    sown = plan_passes(targets("winter wheat", N=46), shed(**{"46-0-0": 0.30}), passes(spring))
    assert sown.watch["what"].tolist() == ["fall nitrogen"]  # before it is sown is fall


def test_sulfur_far_beyond_need_is_watched():
    # 21-0-0-24S: 105 lb N are 500 lb/ac, which bring 120 lb of sulfur
    plan = plan_passes(targets(N=105), shed(**{"21-0-0-24S": 0.2}), SPREAD)
    assert plan.watch[["what", "rate_lb_ac"]].to_numpy().tolist() == [["surplus sulfur", pytest.approx(120)]]
    assert "Excess sulfate" in plan.summary()


def test_phosphate_that_comes_with_the_nitrogen_of_litter_is_watched():
    # 60 lb N are 2,000 lb of a 3-3-2, which bring 60 lb of P2O5 where 15 are asked for
    litter = pd.DataFrame({"product": ["Litter"], "form": ["dry"], "price_per_lb": [0.01], "n_pct": [3.0],
                           "p2o5_pct": [3.0], "k2o_pct": [2.0]})  # fmt: skip
    plan = plan_passes(targets(N=60, P2O5=15), litter, SPREAD)
    assert plan.watch[["what", "products"]].to_numpy().tolist() == [["surplus phosphate", "Litter"]]
    assert plan.watch["rate_lb_ac"].tolist() == [pytest.approx(45)]
    assert "Litter supplies 45 lb/ac more P2O5 than corn needs on North." in plan.summary()
    assert plan_passes(targets(N=60, P2O5=45), litter, SPREAD).watch.empty  # 15 lb: less than 1 ppm
