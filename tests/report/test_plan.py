"""The answer of a season plan: its tables agree, its orders are files, its books are whole."""

import json

import pandas as pd
import pytest

from fertkit.errors import InputError, NotEstimable
from fertkit.intake.farm import read_farm
from fertkit.intake.shapes import read_shapes
from fertkit.report.plan import answer_plan
from fertkit.say.line import short


def test_each_field_has_a_sheet_and_every_rate_is_on_it(plan):
    sections = plan.sections
    titles = [section.title for section in sections]
    for r in plan.rates.itertuples():
        name = f"{r.field} {r.zone}".strip()
        assert name in titles
        sheet = next(s for s in sections if s.title == name)
        said = next(line for line in sheet.lines if getattr(line, "label", "") == r.nutrient)
        assert said.text.startswith(f"{short(r.rate_lb_ac)} lb/ac" if r.rate_lb_ac else "none")
    rates = plan.tables["Each rate"]
    assert rates["rate [lb/ac]"].tolist() == plan.rates["rate_lb_ac"].tolist()


def test_the_workbook_has_one_sheet_a_field(plan):
    names = [t.title for s in plan.sections for t in s.tables]
    for place in plan.rates[["field", "zone"]].drop_duplicates().itertuples(index=False):
        assert sum(f"{' '.join(place).strip()}: " in name for name in names) == 1


def test_what_is_bought_and_on_hand_covers_what_is_applied(plan):
    applied = plan.plan.applications.groupby("product")["pounds"].sum()
    bought = plan.plan.purchases.set_index("product")
    for product, pounds in applied.items():
        had = bought.loc[product, ["bought_lb", "on_hand_lb"]].sum()
        assert pounds <= had + 1e-6 * pounds
    cost = plan.plan.purchases["cost"].sum() + plan.plan.passes.passes["cost"].sum()
    assert plan.plan.passes.cost == pytest.approx(cost, rel=1e-9)


def test_what_products_bring_meets_the_rates(plan):
    """Pounds of product times its analysis, by hand from the applications and the shed."""
    shed = plan.plan.shed.products.set_index("product")
    applied = plan.plan.applications
    for r in plan.rates[plan.rates["rate_lb_ac"] > 0].itertuples():
        mine = applied[(applied["field"] == r.field) & (applied["zone"] == r.zone)]
        share = shed.loc[mine["product"], f"{r.nutrient.lower()}_pct"].fillna(0).to_numpy() / 100
        assert (mine["rate_lb_ac"].to_numpy() * share).sum() >= r.rate_lb_ac - 0.51


def test_orders_are_one_file_a_pass(plan, tmp_path):
    paths = plan.write_orders(tmp_path / "orders")
    read = pd.concat([pd.read_csv(path) for path in paths])
    assert len(paths) == plan.plan.applications["pass"].nunique()
    assert read["total [lb]"].sum() == pytest.approx(plan.plan.applications["pounds"].sum())


def test_one_workbook_holds_the_farm_as_well(plan, demo, tmp_path):
    book = tmp_path / "farm.xlsx"
    with pd.ExcelWriter(book) as out:
        for name in ("fields", "shed", "passes"):
            pd.read_csv(demo(f"plan_{name}.csv")).to_excel(out, sheet_name=name, index=False)
        soil = pd.read_csv(demo("plan_soil.csv"), skiprows=3)
        soil.to_excel(out, sheet_name="soil tests", index=False)
    farm = read_farm(book)
    policy = pd.DataFrame({"crop": ["corn"], "N": [165.0]})
    again = answer_plan(farm.table, farm.soil, farm.shed, policy=policy, region="US Midwest")
    same = ["field", "zone", "nutrient", "rate_lb_ac"]
    pd.testing.assert_frame_equal(again.rates[same], plan.rates[same])
    assert again.plan.passes.cost == pytest.approx(plan.plan.passes.cost, rel=0.01)  # within the gap stated


def test_two_sheets_that_could_be_the_soil_are_asked_about(tmp_path, demo):
    book = tmp_path / "farm.xlsx"
    with pd.ExcelWriter(book) as out:
        for name in ("soil 2022", "soil 2026"):
            pd.read_csv(demo("plan_soil.csv"), skiprows=3).to_excel(out, sheet_name=name, index=False)
    with pytest.raises(InputError, match="soil 2022 and soil 2026"):
        read_farm(book)


def test_without_a_shed_the_plan_ends_at_rates(demo, tmp_path):
    answer = answer_plan(demo("plan_fields.csv"))
    assert "To buy" not in answer.tables
    assert set(answer.rates["why"]) <= {"no test", "legume"}
    with pytest.raises(NotEstimable, match="need a shed list"):
        answer.write_orders(tmp_path)


def test_orders_go_on_a_map_where_outlines_are_given(plan, tmp_path):
    square = {"type": "Polygon", "coordinates": [[[0, 0], [0, 1], [1, 1], [1, 0], [0, 0]]]}
    places = plan.rates[["field", "zone"]].drop_duplicates().itertuples(index=False)
    features = [
        {"type": "Feature", "properties": {"Field": field, "Zone": zone or None}, "geometry": square}
        for field, zone in places
    ]
    file = tmp_path / "map.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    paths = plan.write_orders(tmp_path / "orders", read_shapes(file))
    maps = [json.loads(path.read_text()) for path in paths if path.suffix == ".geojson"]
    told = [feature for one in maps for feature in one["features"]]
    assert len(told) == len(plan.plan.applications)
    assert all(feature["geometry"] == square for feature in told)
    with pytest.raises(NotEstimable, match="no outline of"):
        plan.write_orders(tmp_path / "orders", {})


def test_an_outline_without_a_name_is_refused(tmp_path):
    file = tmp_path / "map.geojson"
    point = {"type": "Feature", "properties": {"field": "A"}, "geometry": {"type": "Point"}}
    nameless = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon"}}
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [point, nameless]}))
    with pytest.raises(InputError, match="not a polygon") as refused:
        read_shapes(file)
    assert len(refused.value.problems) == 2


def test_points_belong_to_the_field_their_name_begins_with(tmp_path):
    """Two points of North 80: (12 + 14) / 2 = 13 ppm, (20 - 13) x 20 / 4 + 0.35 x 180 = 98 (TRI2020)."""
    fields, soil = tmp_path / "fields.csv", tmp_path / "soil.csv"
    fields.write_text("field,crop,area_ac,yield_goal_bu_ac\nNorth 80,corn,80,180\n")
    soil.write_text("Sample,P ppm,K ppm\nNorth 80-1,12,140\nNorth 80-2,14,150\n")
    with pytest.raises(InputError, match="extractant of P is not stated"):
        read_farm(fields, soil)
    farm = read_farm(fields, soil, extractant="Mehlich-3", depth_in=8.0)
    rates = answer_plan(farm.table, farm.soil, region="Ohio").rates.set_index("nutrient")
    assert rates.loc["P2O5", "rate_lb_ac"] == pytest.approx(98.0)


@pytest.mark.parametrize(("cost", "told"), [(0.0, True), (5.0, False)])
def test_nitrogen_of_one_pass_is_told_where_passes_cost_nothing(cost, told):
    """Urea alone may topdress, so by hand all nitrogen goes on there; a pass with a cost is a choice."""
    fields = pd.DataFrame({"field": ["A"], "crop": ["wheat"], "area_ac": [40.0], "yield_goal_bu_ac": [80.0]})
    shed = pd.DataFrame({"product": ["urea"], "price_per_ton": [500.0]})
    passes = pd.DataFrame(
        {"pass": ["green-up"], "method": ["topdress"], "cost_per_ac": [cost], "earliest": ["Feekes 4"]}
    )
    answer = answer_plan(fields, shed=shed, passes=passes, policy={"N": 100, "P2O5": "none", "K2O": "none"})
    assert answer.plan.nitrogen_passes[["crop", "pass", "share"]].to_numpy().tolist() == [
        ["wheat", "green-up", 1.0]
    ]
    said = "Most nitrogen goes on in one pass: wheat, 100% in green-up. Only cost decides"
    assert (said in answer.summary()) == told


def test_nitrogen_beside_phosphate_is_no_choice_and_a_limit_below_one_pass_buys_nothing():
    """MAP brings soybean nitrogen it has no rate of; 40 ac at 7 an acre cost 280, more than 200."""
    fields = pd.DataFrame(
        {"field": ["A"], "crop": ["soybean"], "area_ac": [40.0], "yield_goal_bu_ac": [60.0]}
    )
    shed = pd.DataFrame({"product": ["MAP"], "price_per_ton": [760.0]})
    passes = pd.DataFrame(
        {"pass": ["spring"], "method": ["broadcast"], "cost_per_ac": [7.0], "earliest": ["preplant"]}
    )
    asked = {"shed": shed, "policy": {"P2O5": "removal", "K2O": "none"}}
    free = answer_plan(fields, passes=passes.assign(cost_per_ac=0.0), **asked)
    assert free.plan.doses["nutrient"].eq("N").any()
    assert free.plan.nitrogen_passes.empty
    assert "Most nitrogen goes on in one pass" not in free.summary()
    short_of_money = answer_plan(fields, passes=passes, spending_limit=200, **asked)
    assert "Cost: nothing: no whole pass fits the spending limit." in short_of_money.summary()


def test_what_is_carried_over_tells_each_season(plan):
    """The sum of two seasons names both, each as the books have it."""
    books = plan.plan.ledger.table
    for nutrient in ("P2O5", "K2O"):
        some = books[books["nutrient"] == nutrient]
        each = {year: (one["left"] * one["area_ac"]).sum() for year, one in some.groupby("year")}
        said = next(line.text for line in plan.lines() if line.label.startswith(f"{nutrient} carried over"))
        assert said.startswith(f"{short(sum(each.values()))} lb over 2 seasons (")
        assert all(f"{short(left)} in {year}" in said for year, left in each.items())


def test_a_metric_plan_tells_depths_in_centimetres(demo):
    """8 in are 20.32 cm and 6 in 15.24 cm (NIST SP 811: 1 in is 2.54 cm)."""
    farm = read_farm(demo("plan_fields.csv"), demo("plan_soil.csv"))
    answer = answer_plan(farm.table, farm.soil, unit="kg/ha", region="US Midwest")
    why = set(answer.tables["Systems without a rate"]["why no rate"])
    assert "needs a test by Bray-P1 on a sample 20 cm deep" in why
    assert any("sample 15 cm deep" in text for text in why)
    assert not any(" in deep" in text for text in why)
