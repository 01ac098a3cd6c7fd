"""The season plan from files to books, on paper."""

import pandas as pd
import pytest

import fertkit
from fertkit.budget.plan import plan_season
from fertkit.errors import InputError, UnitError
from fertkit.intake.farm import read_farm
from fertkit.intake.shed import read_shed
from fertkit.report.plan import PlanAnswer, answer_plan
from fertkit.say.plan_notes import plan_notes
from fertkit.say.plan_sheets import field_plan_lines, pace_lines

FIELDS = pd.DataFrame({
    "field": ["A", "A", "B", "B"], "year": [2026, 2027] * 2, "crop": ["corn", "soybean"] * 2, "area_ac": 80.0,
    "yield_goal_bu_ac": [180.0, 60.0] * 2, "previous_crop": ["soybean", "corn"] * 2,
})  # fmt: skip
SOIL = pd.DataFrame({
    "Field": ["A", "A"], "Depth (in)": 8, "Mehlich-3 P (ppm)": [10, 14], "Mehlich-3 K (ppm)": [150, 150],
    "CEC (meq/100 g)": [10, 10],
})  # fmt: skip


def rates(plan, field, year):
    rows = plan.targets.table
    return rows[(rows["field"] == field) & (rows["year"] == year)].set_index("nutrient")["rate_lb_ac"]


def test_a_plan_from_a_laboratorys_table():
    # mean of the points 12 ppm: (20 - 12) x 20 / 4 + 180 x 0.35 = 103; K within 120 to 170: 180 x 0.20 + 20
    plan = fertkit.plan_season(FIELDS, SOIL, region="Ohio")
    assert plan.year == 2026
    assert rates(plan, "A", 2026)[["P2O5", "K2O"]].tolist() == pytest.approx([103, 56])
    assert rates(plan, "A", 2027)[["N", "P2O5"]].tolist() == pytest.approx([0, 40 + 60 * 0.79])
    assert set(plan.table["year"]) == {2026}
    # B has no test: removal alone, in so many words
    bare = plan.table[(plan.table["field"] == "B") & plan.table["nutrient"].isin(["P2O5", "K2O"])]
    assert set(bare["why"]) == {"no test"}
    assert (bare["rate_lb_ac"] == bare["removal_lb_ac"]).all()
    assert "by removal: no soil test" in plan.summary()
    assert "N" in set(plan.left_out["nutrient"])
    total = plan.totals.set_index("nutrient")
    assert total.loc["K2O", "rate_lb"] == pytest.approx(
        80 * (56 + bare.set_index("nutrient")["rate_lb_ac"]["K2O"])
    )


def test_hectares_are_counted_as_acres():
    metric = FIELDS.iloc[:1].drop(columns="area_ac").assign(area_ha=10.0)
    assert plan_season(metric).fields["area_ac"].tolist() == pytest.approx([24.7105], abs=1e-4)


def test_a_farm_in_hectares_is_planned_in_kilograms_where_areas_decide():
    # 1 ha = 2.47105 ac and 1 kg = 2.20462 lb, so that 1 lb/ac = 2.47105 / 2.20462 = 1.12085 kg/ha
    one = FIELDS.iloc[:1].drop(columns="area_ac").assign(area_ha=10.0)
    metric, acres = plan_season(one, unit="as areas", policy={"N": 180}), plan_season(FIELDS, unit="as areas")
    assert (metric.unit, acres.unit) == ("kg/ha", "lb/ac")
    assert rates(metric, "A", 2026)["N"] == pytest.approx(180 / 1.12085, rel=1e-4)


def test_rows_of_a_field_that_contradict_each_other_are_named():
    odd = FIELDS.assign(area_ac=[80, 81, 80, 80], previous_crop=["soybean", "wheat", "soybean", "corn"])
    said = " ".join(plan_notes(plan_season(odd)))
    assert "the area differs between years and is used as written: A" in said
    assert "A 2027 (wheat; the row of 2026 grows corn)" in said
    assert "B" not in said
    assert "no row for season 2026, so not planned: A" in " ".join(plan_notes(plan_season(odd.iloc[1:])))
    assert plan_notes(plan_season(FIELDS)) == []
    with pytest.raises(InputError, match=r"row 4, column 'year', value '20x6'.*not a year like the others"):
        plan_season(FIELDS.assign(year=[2026, 2027, "20x6", 2027]))


def test_problems_of_repeated_fields_name_the_file_and_its_lines(tmp_path):
    file = tmp_path / "my farm.csv"
    header = "Fields of 2026\n\nfield,crop,area (ac),yield goal (bu/ac)\n"
    file.write_text(header + "A,corn,80,180\nB,corn,40,180\nA,corn,80,170\n")
    with pytest.raises(InputError) as caught:
        plan_season(file)
    assert [(p.file, p.row) for p in caught.value.problems] == [("my farm.csv", 4), ("my farm.csv", 6)]


def manured(tmp_path, **columns):
    """A plan of one field with its litter, spread or placed."""
    file = pd.DataFrame({"Product": ["Poultry litter"], "N (%)": 3, "P2O5 (%)": 2.5, "K2O (%)": 2.5,
                         "Form": "dry", "Price": "$40/ton"} | columns)  # fmt: skip
    file.to_csv(tmp_path / "shed.csv", index=False)
    return plan_season(FIELDS.iloc[:1], shed=tmp_path / "shed.csv")


def test_manure_is_spread_and_its_analysis_counts_whole_in_so_many_words(tmp_path):
    # common practice, no source: solid manure does not pass a planter
    plan = manured(tmp_path)
    assert set(plan.applications["method"]) == {"broadcast"}
    assert "all nutrients of 'Poultry litter' count in full" in plan.summary()


def test_a_product_of_which_only_the_analysis_is_known_goes_with_no_seed(tmp_path):
    unused = manured(tmp_path, Product=["Blue pellets"]).passes.unused.set_index("pass")["why"]
    assert unused["seed row"] == "its contents are unknown"
    stated = manured(tmp_path, Product=["Blue pellets"], **{"Seed row (lb/ac)": 40}).passes.unused
    assert "seed row" not in set(stated["pass"])


def test_every_problem_of_both_files_at_once():
    bad = FIELDS.assign(crop=["corn", "soybean", "xyz", "corn"], yield_goal_bu_ac=[180, -3, 60, 60])
    spoilt = SOIL.assign(**{"Mehlich-3 P (ppm)": [10, 9000]})
    with pytest.raises(InputError) as caught:
        plan_season(bad, spoilt)
    for says in ("xyz", "-3", "9000"):
        assert says in str(caught.value)
    with pytest.raises(InputError, match="twice"):
        plan_season(FIELDS.drop(columns="year"))
    with pytest.raises(InputError, match="no year"):
        plan_season(FIELDS.assign(year=[2026, None, 2026, 2027]))


def test_a_problem_names_the_file_it_stands_in(tmp_path):
    soil, shed = tmp_path / "tests.csv", tmp_path / "shed.csv"
    SOIL.assign(**{"Mehlich-3 P (ppm)": [10, 9000]}).to_csv(soil, index=False)
    shed.write_text("Product,Price\nUrea,560\n")
    for read in (lambda: plan_season(FIELDS, soil, shed), lambda: read_farm(tmp_path / "f.csv", soil, shed)):
        with pytest.raises(InputError) as caught:
            read()
        assert "- tests.csv, row 3, column 'Mehlich-3 P (ppm)'" in str(caught.value)
        assert "- shed.csv, row 2, column 'Price'" in str(caught.value)


def test_manure_that_takes_nothing_off_a_rate_is_said():
    # 20 ton with 8 lb of K2O each bring 160 lb; nothing is published of how much of it counts
    manure = {"manure": "dairy", "manure_ton_ac": 20, "manure_n_lb_ton": 9, "manure_k2o_lb_ton": 8}
    answer = answer_plan(ONE.iloc[:1].assign(**manure), SOIL, policy={"N": 150}, region="Ohio")
    said = [str(line) for line in answer.lines() if "manure" in str(line)]
    assert any("160 lb/ac K2O" in text and "no availability is published" in text for text in said)
    assert any("180 lb/ac N" in text and "your rate is used as entered" in text for text in said)


def test_german_and_spanish_headers_of_fields_are_read(tmp_path):
    for head in ("Schlag;Kultur;Fläche (ha);Ertragsziel (t/ha)",
                 "Lote;Cultivo;Superficie (ha);Rendimiento objetivo (t/ha)"):  # fmt: skip
        (tmp_path / "f.csv").write_text(f"{head}\nX;corn;8,5;10,5\n")
        rows = plan_season(tmp_path / "f.csv").fields
        # a hectare is 2.47105 acres; 10.5 t are 23,149 lb, a hectare 9,368 lb an acre
        assert rows["area_ac"].tolist() == pytest.approx([8.5 * 2.47105], rel=1e-5)
        assert rows["pounds"].tolist() == pytest.approx([9368], rel=1e-3)


def test_a_soil_test_of_no_field_is_said():
    plan = plan_season(FIELDS, SOIL.assign(Field=["A", "Q"]), region="Ohio")
    assert any("fields outside the plan: Q" in note for note in plan_notes(plan))


def test_a_plan_does_not_pass_over_soil_tests_of_no_field_at_all(tmp_path):
    with pytest.raises(
        InputError, match=r"no soil test belongs to a field.*tests are of P, Q; the fields are A, B"
    ):
        plan_season(FIELDS, SOIL.assign(Field=["P", "Q"]), region="Ohio")
    (tmp_path / "f.csv").write_text("Tract,crop,area_ac,yield_goal_bu_ac\nA,corn,80,180\n")
    with pytest.raises(InputError, match="the fields are row 2"):
        plan_season(tmp_path / "f.csv", SOIL, region="Ohio")


def test_metric_rates_are_read_and_shown_as_such():
    # 112.085 kg/ha are 100 lb/ac; caps in the same unit
    plan = plan_season(FIELDS, policy={"P2O5": 112.085, "K2O": 112.085}, caps={"K2O": 56.0425}, unit="kg/ha")
    rows = plan.targets.table.set_index(["field", "year", "nutrient"])
    assert rows.loc[("A", 2026, "P2O5"), "rate_lb_ac"] == pytest.approx(100, abs=1e-3)
    assert rows.loc[("A", 2026, "K2O"), "rate_lb_ac"] == pytest.approx(50, abs=1e-3)
    shown = plan.table.set_index(["field", "nutrient"])
    assert shown.loc[("A", "P2O5"), "rate_kg_ha"] == pytest.approx(112.085)
    assert "rate_lb_ac" not in shown
    with pytest.raises(UnitError, match="kg/acre"):
        plan_season(FIELDS, unit="kg/acre")


def test_what_is_asked_and_cannot_be_answered():
    with pytest.raises(InputError, match="spending_limit"):
        plan_season(FIELDS, spending_limit=1000.0)
    with pytest.raises(InputError, match="price"):
        plan_season(FIELDS, prices={"Potash": 0.4})


def test_zones_that_are_tested_and_not_planned_are_said():
    zoned = SOIL.assign(Zone=["east", "west"])
    plan = plan_season(FIELDS, zoned, region="Ohio")
    assert any("soil tests of unknown zones" in note and "A east" in note for note in plan_notes(plan))
    by_zone = plan_season(FIELDS.assign(zone=["east", "east", "", ""]), zoned, region="Ohio")
    rows = by_zone.targets.table.set_index(["field", "zone", "year", "nutrient"])
    assert rows.loc[("A", "east", 2026, "P2O5"), "test"] == 10.0


def test_duties_are_named_and_only_of_what_is_grown():
    topics = set(plan_season(FIELDS, policy={"N": 100}).cautions["topic"])
    assert {"phosphorus loss", "nitrate loss", "who governs"} <= topics
    assert "grass tetany" not in topics


SHED = pd.DataFrame(
    {"Product": ["urea", "MAP", "potash 0-0-60"], "Price": ["$500/ton", "$800/ton", "$400/ton"]}
)
WAYS = pd.DataFrame({
    "Pass": ["spring spreading", "sidedress"], "Method": ["broadcast", "sidedress"],
    "Cost ($/ac)": [8.0, 20.0], "Earliest": ["preplant", "V4"], "Latest": ["preplant", "V8"],
})  # fmt: skip
ONE = FIELDS.iloc[:2]


def test_passes_bring_the_rates_and_the_books_take_what_they_bring():
    # 92 lb of N are 200 lb of urea; 60 lb of K2O 100 lb of potash: 50 + 20 an acre, one pass for 8
    plan = plan_season(
        ONE, shed=SHED, passes=WAYS, policy={"N": 92, "K2O": 60, "P": "none"}, source="MSU2017"
    )
    assert plan.passes.cost == pytest.approx(80 * (50 + 20 + 8))
    rows = plan.table.set_index("nutrient")
    assert rows.loc[["N", "K2O"], "pass"].tolist() == ["spring spreading"] * 2
    assert rows.loc["N", "brought_lb_ac"] == pytest.approx(92)
    assert plan.doses["stage"].unique().tolist() == ["preplant"]
    ledger = plan.ledger.table.set_index(["nutrient", "year"])
    assert ledger.loc[("K2O", 2026), "applied"] == pytest.approx(60)
    # potash at 0.20 a pound is 1/3 a pound of K2O, urea at 0.25 is 0.543 a pound of N
    assert ledger.loc[("K2O", 2026), "price"] == pytest.approx(0.2 / 0.6, rel=0.02)
    assert ledger.loc[("N", 2026), "price"] == pytest.approx(0.25 / 0.46, rel=0.02)
    season = plan.season.set_index("nutrient")
    assert season.loc["N", "wait_stage"] == "V8"
    assert 0 < season.loc["N", "can_wait_lb_ac"] < 92
    # common practice, no source: P and K beside a grown crop come too late, so only N is said to wait
    paced = {line.split()[0]: "may wait" in line for line in map(str, pace_lines(PlanAnswer(plan)))}
    assert paced["N"]
    assert not paced["K2O"]


def test_a_load_that_is_paid_anyway_is_not_spread_for_what_little_else_it_holds():
    # 104 lb of P2O5 are 200 lb of MAP, which bring 22 of 170 lb of N; the other 16 of 24 tons stay in the
    # shed, though as nitrogen, 0.11 x 32,000 lb, they would save 3,520 lb of N at 0.20 / 0.21 a pound
    shed = pd.DataFrame(
        {"Product": ["MAP 11-52-0", "AMS"], "Price ($/ton)": [760, 400], "Lot": ["24 ton", ""]}
    )
    asked = {"N": 170, "P2O5": 104, "K": "none"}
    plan = plan_season(ONE, shed=shed, passes=WAYS, policy=asked)
    assert plan.applications.set_index("product")["rate_lb_ac"].to_dict() == pytest.approx(
        {"MAP 11-52-0": 200, "AMS": 148 / 0.21}, abs=1
    )
    cheapest = plan_season(ONE, shed=shed, passes=WAYS, policy=asked, within_targets=False)
    assert cheapest.passes.cost < plan.passes.cost
    # with nothing else that holds nitrogen it goes beyond the phosphate: 44 lb of N are 400 lb of it
    alone = plan_season(ONE, shed=shed.iloc[:1], passes=WAYS, policy={"N": 44, "P2O5": 104, "K": "none"})
    assert alone.applications["rate_lb_ac"].tolist() == [400]


def test_a_farm_that_needs_nothing_has_its_books_and_page(tmp_path):
    nothing = dict.fromkeys(("N", "P", "K"), "none")
    answer = answer_plan(ONE, shed=SHED, passes=WAYS, policy=nothing)
    assert any("nothing to buy" in note for note in plan_notes(answer.plan))
    # 180 bu/ac of corn take more out than the nothing that is put in
    assert (answer.plan.ledger.table["left"].dropna() <= 0).all()
    assert answer.write_orders(tmp_path / "orders") == []
    answer.write_page(tmp_path / "plan.html")
    assert "nothing to buy" in (tmp_path / "plan.html").read_text()


def test_own_prices_lead_those_of_the_passes():
    plan = plan_season(
        ONE, shed=SHED, passes=WAYS, policy={"N": 92, "K2O": 60, "P": "none"}, prices={"K2O": 0.5}
    )
    ledger = plan.ledger.table.set_index(["nutrient", "year"])
    assert ledger.loc[("K2O", 2026), "skip_saves"] == pytest.approx(30)


@pytest.mark.parametrize("options", [{"passes": WAYS}, {"max_products": 2}, {"passes": WAYS, "shed": "read"}])
def test_what_is_said_of_passes_is_never_passed_over(options):
    if options.get("shed"):
        options = options | {"shed": read_shed(SHED, WAYS)}
    with pytest.raises(InputError, match=next(iter(options))):
        plan_season(ONE, **options)


def test_numbers_as_names_of_fields_stay_apart_and_meet_their_tests():
    fields = FIELDS.iloc[[0, 0]].assign(field=[1234567.0, 1234568.0])
    soil = SOIL.assign(Field=["1234567", "1234568"])
    table = plan_season(fields, soil, region="Ohio").targets.table.query("nutrient == 'P2O5'")
    assert table.set_index("field")["test"].to_dict() == {"1234567": 10.0, "1234568": 14.0}


def test_what_a_product_brings_besides_is_drawn_and_told():
    # 60 lb of P2O5 are 2,400 lb of litter with 2.5 % of it, which bring 72 lb of N and 60 of K2O
    shed = pd.DataFrame({"Product": ["poultry litter 3-2.5-2.5"], "Price ($/ton)": [45]})
    farm = ONE.assign(manure="poultry litter")
    plan = plan_season(farm, shed=shed, passes=WAYS, policy={"N": 70, "P2O5": 60, "K2O": 20})
    brought = plan.brought.set_index("nutrient")["brought_lb_ac"]
    assert brought[["N", "P2O5", "K2O"]].tolist() == pytest.approx([72, 60, 60])
    said = "\n".join(map(str, field_plan_lines(PlanAnswer(plan), "A", "")))
    assert "These products bring more: K2O 60 lb/ac, 40 above its rate." in said
    assert any("manure without a rate is not counted: A" in note for note in plan_notes(plan))
    bars = {bar.get_width() for bar in plan.plot().patches}
    assert any(width == pytest.approx(72) for width in bars)


def test_a_test_without_its_method_is_told_apart_from_another_method():
    soil = pd.DataFrame({"Field": ["A"], "P (ppm)": [12.0], "K Mehlich-3 (ppm)": [100.0], "S (ppm)": [6.0]})
    plan = plan_season(ONE, soil.drop(columns="P (ppm)"), policy={"N": 70})
    said = "\n".join(map(str, PlanAnswer(plan).lines()))
    assert "the report does not say the method of the test (Kansas MF2586, N, S and Zn: sulfate)" in said
    assert "another method,  (" not in said


def test_rates_of_a_plan_are_not_given_for_silage():
    field = {
        "field": ["A"],
        "crop": ["corn"],
        "part": ["silage"],
        "area_ac": [80.0],
        "yield_goal_t_ha": [45.0],
    }
    with pytest.raises(InputError, match="rates of a plan are for the usual harvest"):
        plan_season(pd.DataFrame(field))


def test_more_money_goes_only_where_a_target_is_short():
    # three fields without soil tests and 8,000 to spend: what is met already can gain nothing from more
    fields = pd.DataFrame({
        "field": ["Hof", "Weiher", "Moor"], "crop": ["winter wheat", "canola", "maize"],
        "area_ha": [12.4, 8.1, 6.0], "yield_goal": [8.5, 4.0, 10.5], "yield_unit": "t/ha",
    })  # fmt: skip
    shed = pd.DataFrame({
        "Product": ["TSP", "Potash with sulfur", "NPK 15-15-15", "UAN 28"], "N (%)": ["", "", 15, 28],
        "P2O5 (%)": [46, "", 15, ""], "K2O (%)": ["", 40, 15, ""], "Form": ["dry", "dry", "dry", "liquid"],
        "Price": ["560/t", "330/t", "480/t", "0.36/l"], "Lot": ["big bag 600 kg", "bag of 50 kg", "", ""],
    })  # fmt: skip
    plan = plan_season(fields, shed=shed, policy={"N": 180}, unit="as areas", spending_limit=8000.0)
    short = plan.passes.nutrients.query("short_lb_ac > 0.5")
    assert plan.passes.short_of_money
    assert set(zip(plan.passes.shadow["field"], plan.passes.shadow["nutrient"], strict=True)) <= set(
        zip(short["field"], short["nutrient"], strict=True)
    )
    assert set(plan.passes.shadow["basis"]) <= {"common practice, no source"}


def test_nitrogen_of_alfalfa_beside_a_rate_of_ones_own_is_told():
    # LEGUME_CREDITS: Kansas credits 100 to 140 lb N after alfalfa, in the middle 120
    field = {"field": ["A"], "crop": ["corn"], "previous_crop": ["alfalfa"], "area_ac": [40.0],
             "yield_goal_bu_ac": [200.0]}  # fmt: skip
    plan = plan_season(pd.DataFrame(field), policy={"N": 180}, region="Kansas")
    said = [str(line) for line in PlanAnswer(plan).lines()]
    assert "Not credited: 120 lb/ac N of the legume before on A: your rate is used as entered." in said
