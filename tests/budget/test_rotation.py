"""Books of a rotation, supply under demand and credits of a plan, on paper.

Buffers: 20 lb P2O5 a ppm and 4 + 0.2 x CEC lb K2O (OSU_BUILD2012, printed 20 and 6 to 10); P range 8 to 11 kg
P/ha a mg/kg (CIAMPITTI2011), which is 16.4 to 22.5 lb P2O5/ac.
"""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from fertkit.budget.buffers import field_lime
from fertkit.budget.credits import field_credits
from fertkit.budget.fields import read_fields
from fertkit.budget.needs import nutrient_budget
from fertkit.budget.plan import plan_season
from fertkit.budget.rotation import rotation_ledger
from fertkit.budget.season import season_demand
from fertkit.budget.supply import _day, season_supply
from fertkit.budget.targets import nutrient_targets
from fertkit.errors import InputError
from fertkit.reference import load_table
from fertkit.say.plan_notes import plan_notes

FIELDS = pd.DataFrame({
    "field": "A", "year": [2026, 2027], "crop": ["corn", "soybean"], "area_ac": 80.0,
    "yield_goal_bu_ac": [200.0, 60.0],
})  # fmt: skip
LEVELS = pd.DataFrame({
    "field": "A", "zone": "", "analyte": ["P", "K", "CEC"], "extractant": ["Mehlich-3", "Mehlich-3", ""],
    "value": [25.0, 100.0, 10.0], "unit": ["ppm", "ppm", "meq/100 g"], "depth_in": 8.0, "n": [4, 4, 4],
    "sd": [4.0, 12.0, 0.0],
})  # fmt: skip
#: Removal of a bushel as MSU2017 prints it: soybean 0.80 lb P2O5 and 1.40 lb K2O.
SOURCE = "MSU2017"


def targets(policy, fields=FIELDS, **options):
    return nutrient_targets(read_fields(fields)[0], LEVELS, policy=policy, source=SOURCE, **options)


def books(policy, **options):
    table = rotation_ledger(targets(policy), LEVELS, **options).table
    return table.set_index(["nutrient", "year"])


def removed(crop, goal, nutrient):
    rows = nutrient_budget(crop, goal, source=SOURCE).table.set_index("nutrient")
    return float(rows.loc[nutrient, "removed"])


def test_books_season_by_season():
    corn, bean = removed("corn", 200, "K2O"), 60 * 1.4
    table = books({"P2O5": 100, "K2O": 150, "N": "none"}, prices={"P2O5": 0.5, "K2O": 0.4})
    k = table.loc["K2O"]
    assert k["left"].tolist() == pytest.approx([150 - corn, 150 - bean])
    assert k["running"].tolist() == pytest.approx([150 - corn, 300 - corn - bean])
    # 4 + 0.2 x 10 = 6 lb of K2O a ppm
    assert k["test_before"].tolist() == pytest.approx([100, 100 + (150 - corn) / 6])
    assert k["test_after"].tolist() == pytest.approx([100 + (150 - corn) / 6, 100 + (300 - corn - bean) / 6])
    # range: 6 to 10 lb a ppm, and two standard errors of 12 / root 4
    assert k["test_low"].iloc[0] == pytest.approx(100 + (150 - corn) / 10 - 12)
    assert k["test_high"].iloc[0] == pytest.approx(100 + (150 - corn) / 6 + 12)
    p = table.loc["P2O5"]
    left = 100 - removed("corn", 200, "P2O5")
    assert p["test_after"].iloc[0] == pytest.approx(25 + left / 20)
    per = 0.43642 * 1.12085  # lb P2O5/ac in kg P/ha
    assert p["test_high"].iloc[0] == pytest.approx(25 + left * per / 8 + 4, abs=0.05)


def test_a_year_skipped_and_one_doubled():
    table = books({"P2O5": 60, "K2O": 0, "N": 150}, prices={"P2O5": 0.5, "N": 0.6})
    year = table.loc[("P2O5", 2026)]
    assert year["skip_saves"] == pytest.approx(30)
    # removal of corn is less than 60 lb or more: the smaller of both has to be put back
    assert year["skip_replaces"] == pytest.approx(0.5 * min(60, removed("corn", 200, "P2O5")))
    assert year["test_if_skipped"] == pytest.approx(year["test_after"] - 60 / 20)
    assert year["test_if_doubled"] == pytest.approx(year["test_after"] + 60 / 20)
    assert year["double_saves"] == pytest.approx(30)  # next year's 60 lb are there
    assert np.isnan(table.loc[("P2O5", 2027), "double_saves"])
    n = table.loc[("N", 2026)]
    assert (n["skip_replaces"], n["double_saves"]) == (0, 0)  # nitrogen is not in the bank
    assert np.isnan(n["running"])


def test_a_dressing_for_two_crops_is_no_surplus_and_a_legumes_nitrogen_is_no_debt():
    two = pd.DataFrame({"year": ["2026", "2027"], "P2O5": [130.0, 0.0], "K2O": [200.0, 0.0]})
    table = books(two)
    assert table["covers_next"].to_dict() == {
        ("K2O", 2026): True, ("K2O", 2027): False, ("N", 2027): False, ("P2O5", 2026): True,
        ("P2O5", 2027): False, ("N", 2026): False,
    }  # fmt: skip
    assert np.isnan(table.loc[("N", 2027), "left"])


def test_what_passes_bring_takes_the_place_of_the_rate():
    brought = pd.DataFrame({"field": ["A"], "zone": "", "year": 2026, "nutrient": "P2O5", "applied": 52.0})
    table = books({"P2O5": 60, "K2O": 0}, applied=brought)
    assert table.loc["P2O5", "applied"].tolist() == [52.0, 60.0]


def test_own_response_is_what_a_skipped_year_loses():
    trial = pd.DataFrame({"crop": ["corn"], "nutrient": "K2O", "rate": [60.0], "low": [40.0], "high": [80.0],
                          "curve": [[(0, 0.0), (40, 30.0), (80, 34.0)]]})  # fmt: skip
    plan = targets({"K": "trial"}, trials=trial)
    table = rotation_ledger(plan, LEVELS).table.set_index(["nutrient", "year"])
    assert table.loc[("K2O", 2026), "skip_response"] == pytest.approx(32)  # half way from 30 to 34


def test_a_field_without_phosphorus_falls_as_the_studies_saw():
    # DRAWDOWN2025: 4.3 to 8.2 % a year without phosphorus in 56 fields. By 20 lb a ppm and removal alone
    # a test of 40 ppm falls by 2 to 3 ppm a year under corn and soybean; both spans meet
    fields = pd.concat([FIELDS.assign(year=FIELDS["year"] + 2 * i) for i in range(5)])
    plan = nutrient_targets(
        read_fields(fields)[0], LEVELS.assign(value=40.0), policy={"P": "none"}, source=SOURCE
    )
    end = rotation_ledger(plan, LEVELS.assign(value=40.0)).table.query("nutrient == 'P2O5'").iloc[-1]
    assert end["test_low"] <= 40 * (1 - 0.043) ** 10
    assert end["test_high"] >= 40 * (1 - 0.082) ** 10
    assert end["test_after"] < 40


def test_soybean_of_eighty_bushels_beside_the_trade():
    """Common practice, no source: 80 bu remove 59 lb P2O5 and 96 lb K2O, and a surplus is there next year."""
    trade = load_table("common_practice").set_index("nutrient")["removed_lb_ac"]
    fields = FIELDS.assign(crop=["soybean", "corn"], yield_goal_bu_ac=[80.0, 200.0])
    rows = (
        targets({"P": "removal", "K": "removal"}, fields)
        .table.query("crop == 'soybean'")
        .set_index("nutrient")
    )
    assert rows.loc["P2O5", "rate_lb_ac"] == pytest.approx(trade["P2O5"], rel=0.15)
    assert rows.loc["K2O", "rate_lb_ac"] == pytest.approx(trade["K2O"], rel=0.2)
    # a surplus of 20 lb of P2O5 over removal is in the books of the next season: 1 ppm by 20 lb a ppm
    over = pd.DataFrame({"year": ["2026", "2027"], "P2O5": [rows.loc["P2O5", "removal_lb_ac"] + 20, 0.0]})
    table = rotation_ledger(targets(over, fields), LEVELS).table.set_index(["nutrient", "year"])
    assert table.loc[("P2O5", 2026), "running"] == pytest.approx(20)
    assert table.loc[("P2O5", 2027), "test_before"] == pytest.approx(26)


# ---- supply under demand


def season(doses=None, last=None, soil=None, **rates):
    about = {"at": 0, "crop": "corn", "gross_lb_ac": 100.0, "credit_lb_ac": 0.0}
    table = pd.DataFrame([about | {"nutrient": name, "rate_lb_ac": rate} for name, rate in rates.items()])
    uptake = pd.DataFrame({"at": 0, "nutrient": list(rates), "uptake": 200.0})
    return season_supply(table, uptake, doses, last, soil).set_index("nutrient")


def test_a_full_rate_at_planting_is_never_short_and_a_cut_one_is():
    whole, cut = season(N=100.0).loc["N"], season(N=60.0).loc["N"]
    assert np.isnan(whole["first_short_day"])
    assert whole["soil_lb_ac"] == 100
    # 60 of 100 lb: short from where more than 60 % of the season's nitrogen is taken up, and 40 lb at the end
    curve = season_demand("corn", 180, nutrients=["N"]).table
    share = np.interp(cut["first_short_day"], curve["day"], curve["fraction"])
    assert 0.6 < share < 0.7
    assert cut["largest_gap_lb_ac"] == pytest.approx(40)


def test_what_is_taken_up_after_a_stage_may_wait_until_it():
    curve = season_demand("corn", 180, nutrients=["N"])
    day = curve.stages.set_index("stage")["days"]["V6"]
    share = curve.table.loc[curve.table["day"] <= day, "fraction"].max()
    row = season(last={"corn": "V6"}, N=100.0).loc["N"]
    assert row["can_wait_lb_ac"] == pytest.approx(100 * (1 - share))
    assert (row["wait_stage"], row["reason"]) == ("V6", "leaching")
    late = pd.DataFrame({"at": [0], "nutrient": ["N"], "stage": ["R1"], "applied": [100.0]})
    short = season(doses=late, N=100.0).loc["N"]
    assert short["first_short_day"] < curve.stages.set_index("stage")["days"]["R1"]


def test_a_pass_at_a_stage_between_those_of_the_scale_comes_between_their_days():
    """V6 of corn is 26 days after emergence, V8 32.5 and Z31 of wheat 32, Z21 15 (stage_scale)."""
    days = season_demand("corn", 180, nutrients=["N"]).stages
    assert [_day("corn", stage, days) for stage in ("V6", "V7", "V8")] == [26, 29.25, 32.5]
    assert _day("corn", "V5", days) == pytest.approx(26 * 5 / 6)
    days = season_demand("winter wheat", 80, nutrients=["N"]).stages
    assert 15 < _day("winter wheat", "Feekes 5", days) < 32 == _day("winter wheat", "Z31", days)
    assert _day("corn", "preplant", days) == _day("corn", "", days) == -1


@pytest.mark.parametrize(
    ("nutrient", "soil", "reason"),
    [("K2O", {"CEC": 4.0}, "leaching"), ("K2O", {"CEC": 12.0}, ""), ("P2O5", {"pH": 7.9}, "tie-up"),
     ("P2O5", {"pH": 5.0}, "tie-up"), ("P2O5", {"pH": 6.5}, ""), ("P2O5", {}, "")],
)  # fmt: skip
def test_what_speaks_for_a_part_later(nutrient, soil, reason):
    assert season(soil={0: soil}, **{nutrient: 80.0}).loc[nutrient, "reason"] == reason


# ---- credits that the fields state


def stated(**columns):
    return pd.DataFrame(
        {"field": ["A"], "zone": "", "year": 2026} | {name: [cell] for name, cell in columns.items()}
    )


def test_credits_of_the_fields_own_columns():
    # an acre inch weighs 226,512 lb: 10 ppm in 6 in are 13.6 lb of N
    water = field_credits(stated(water_nitrate_ppm=10.0, water_in=6.0)).iloc[0]
    assert water["low_lb_ac"] == pytest.approx(6 * 226512 * 10 / 1e6)
    # 5 gal of 10-34-0 at 11.65 lb (PHYSPROP): 5.825 N and 19.805 P2O5
    starter = field_credits(stated(starter="10-34-0", starter_rate_gal_ac=5.0)).set_index("nutrient")
    assert starter["low_lb_ac"].round(3).to_dict() == {"N": 5.825, "P2O5": 19.805}
    # RB209_2010: 12 lb of N a ton of cattle manure, 5 to 15 % in the first year; OMAF_MANURE2013: 40 % of P
    manure = field_credits(stated(manure="cattle farmyard manure", manure_rate_ton_ac=10.0)).set_index(
        "nutrient"
    )
    assert manure.loc["N", ["low_lb_ac", "high_lb_ac", "total_lb_ac"]].tolist() == [6, 18, 120]
    assert manure.loc["P2O5", "low_lb_ac"] == pytest.approx(0.4 * 64)


def test_amounts_without_what_they_are_of_and_names_not_known_at_once():
    wrong = pd.concat([
        stated(starter="", starter_rate_lb_ac=50.0), stated(starter="stardust", starter_rate_lb_ac=50.0),
        stated(manure="moon manure", manure_rate_ton_ac=5.0), stated(water_nitrate_ppm=5.0),
    ])  # fmt: skip
    with pytest.raises(InputError) as caught:
        field_credits(wrong)
    assert [problem.row for problem in caught.value.problems] == [4, 2, 3, 5]


def test_manure_is_credited_for_what_is_available_and_booked_whole():
    fields = FIELDS.assign(manure=["cattle farmyard manure", ""], manure_rate_ton_ac=[10.0, np.nan])
    plan = plan_season(fields, policy={"P": "removal"}, source=SOURCE)
    rows = plan.targets.table.set_index(["nutrient", "year"])
    assert rows.loc[("P2O5", 2026), "credit_lb_ac"] == pytest.approx(25.6)
    ledger = plan.ledger.table.set_index(["nutrient", "year"])
    assert ledger.loc[("P2O5", 2026), "applied"] == pytest.approx(removed("corn", 200, "P2O5") - 25.6 + 64)


def test_lime_by_the_buffer_that_is_named_alone():
    levels = pd.DataFrame({"field": ["A", "A", "B", "B"], "zone": "", "analyte": ["pH", "buffer_pH"] * 2,
                           "value": [5.0, 6.3, 5.0, 6.3], "method": ["", "Mehlich", "", "SMP"]})  # fmt: skip
    fields = pd.DataFrame({"field": ["A", "B"], "zone": ""})
    rows = field_lime(fields, levels, 6.0).set_index("field")
    assert rows.loc["A", "rate_ton_ac"] == pytest.approx(0.75)  # NC_LIME prints 0.76 for 1.2 x 0.625
    assert rows.loc["B", "why_not"] == "another buffer"
    assert field_lime(fields, levels, None).set_index("field").loc["A", "why_not"] == "no target"


def test_a_season_whose_removal_is_not_known_ends_the_sums():
    fields = pd.concat([FIELDS, FIELDS.assign(year=FIELDS["year"] + 2)], ignore_index=True)
    plan = targets({"P2O5": 60, "K2O": 60}, fields)
    hole = plan.removal.assign(removed=plan.removal["removed"].mask(plan.removal["at"] == 1))
    table = rotation_ledger(dataclasses.replace(plan, removal=hole), LEVELS).table.query("nutrient == 'K2O'")
    assert table["running"].notna().tolist() == [True, False, False, False]
    assert table["test_after"].notna().tolist() == [True, False, False, False]


def test_blank_words_of_a_soil_test_are_no_extractant():
    blank = LEVELS.assign(extractant=[np.nan, None, ""], zone=[None, np.nan, ""])
    plan = nutrient_targets(read_fields(FIELDS)[0], blank, region="Ohio")
    assert set(plan.table.query("nutrient == 'P2O5'")["why"]) == {"no system"}
    assert rotation_ledger(plan, blank).table["test_after"].isna().all()


def test_the_books_call_no_surplus_waste():
    two = pd.DataFrame(
        {"year": ["2026", "2027"], "N": [250.0, 0.0], "P2O5": [130.0, 0.0], "K2O": [60.0, 90.0]}
    )
    text = rotation_ledger(targets(two), LEVELS).summary()
    assert "partly for the next crop" in text
    assert "leftover nitrogen is not counted next year" in text
    assert "waste" not in text
    # 250 lb on 80 acres; of the soybean after it nothing is counted on either side
    assert "applied 20,000" in text


@pytest.mark.parametrize("years", [1, 2, 3])
def test_years_of_build_up_end_at_the_critical_level(years):
    # build-up alone, beside removal: the sum over the years is (20 - 14) x 20 lb of P2O5 a field
    test = LEVELS.assign(value=14.0)
    fields = pd.concat([FIELDS.iloc[:1].assign(year=2026 + i) for i in range(years)], ignore_index=True)
    plan = nutrient_targets(read_fields(fields)[0], test, policy={"P": f"build {years}"}, region="Ohio")
    rates = plan.table.query("nutrient == 'P2O5'")["rate_lb_ac"]
    assert (rates - 200 * 0.35).sum() == pytest.approx(6 * 20)


def test_no_later_test_is_expected_of_one_given_as_a_limit():
    soil = pd.DataFrame({"Field": ["A", "B"], "Depth (in)": "0-8", "P Mehlich-3 (ppm)": ["> 100", "90"]})
    fields = {"field": ["A", "B"], "crop": "corn", "area_ac": 10.0, "yield_goal_bu_ac": 200.0}
    plan = plan_season(pd.DataFrame(fields), soil)
    books = plan.ledger.table.query("nutrient == 'P2O5'").set_index("field")
    assert np.isnan(books["test_before"]["A"])
    assert np.isnan(books["test_after"]["A"])
    assert books["test_before"]["B"] == 90
    assert any(
        "P > 100 ppm: tests given as a limit count at that limit" in str(note) for note in plan_notes(plan)
    )


def test_a_year_skipped_saves_what_is_bought_by_hand():
    """12 ton of manure bring 144 lb K2O whatever is skipped; 70 lb bought at 0.40 are 28 money."""
    fields = pd.DataFrame({
        "field": ["A", "B"], "crop": ["corn", "soybean"], "area_ac": 10.0, "yield_goal": [200.0, 60.0],
        "yield_unit": "bu/ac", "manure": ["beef manure", ""], "manure_rate_ton_ac": [12.0, np.nan],
        "manure_n_lb_ton": [11.0, np.nan], "manure_p2o5_lb_ton": [8.0, np.nan],
        "manure_k2o_lb_ton": [12.0, np.nan],
    })  # fmt: skip
    plan = plan_season(fields, policy={"K2O": 70, "N": 100}, prices={"K2O": 0.4, "N": 0.5})
    books = plan.ledger.table.set_index(["field", "nutrient"])
    assert books.loc[("A", "K2O"), "applied"] == pytest.approx(70 + 144)
    assert books.loc[("A", "K2O"), "skip_saves"] == pytest.approx(28)
    assert books.loc[("A", "K2O"), "skip_replaces"] == 0  # 144 are more than corn removes
    assert books.loc[("A", "N"), "skip_saves"] == pytest.approx(50)
    assert books.loc[("B", "K2O"), "skip_saves"] == pytest.approx(28)
    # nitrogen in a product for another nutrient cannot be saved alone: no rate of it was asked for
    brought = pd.DataFrame({"field": ["B"], "zone": "", "year": "", "nutrient": "N", "applied": [19.0]})
    targets = nutrient_targets(plan.fields.query("field == 'B'").reset_index(drop=True))
    alone = rotation_ledger(targets, applied=brought, prices={"N": 0.5}).table.set_index("nutrient")
    assert alone.loc["N", "applied"] == 19
    assert alone.loc["N", "skip_saves"] == 0
