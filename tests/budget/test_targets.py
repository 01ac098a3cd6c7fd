"""Rates of a season's fields by policy, each worked on paper from the equation its system prints.

Tri-State 2020: (CL - test) x 20 / years + removal, corn 0.35 lb P2O5 and 0.20 lb K2O a bushel, K2O plus 20
(TRI2020, partly from memory; critical levels TRI2020_QUOTED). Nebraska corn: 35 + 1.2 x yield - 8 x nitrate -
0.14 x yield x OM (EC117, found). Kansas corn: 1.6 x yield - 20 x OM - nitrate of the profile (MF2586, from
memory).
"""

import numpy as np
import pandas as pd
import pytest

from fertkit.budget.fields import read_fields
from fertkit.budget.targets import nutrient_targets
from fertkit.errors import InputError, LookupFailed
from fertkit.reference import load_table

M3 = ("Mehlich-3", "ppm", 8.0)
NITRATE = ("nitrate", "ppm", 24.0)
KINDS = {"P": M3, "K": M3, "NO3-N": NITRATE, "CEC": ("", "meq/100 g", 8.0), "OM": ("", "%", 8.0),
         "Zn": ("DTPA", "ppm", 6.0)}  # fmt: skip


def fields(*rows, **more):
    """Fields of (name, crop, goal in bu/ac)."""
    names, crops, goals = zip(*rows, strict=True)
    frame = pd.DataFrame({"field": names, "crop": crops, "area_ac": 80.0, "yield_goal_bu_ac": goals})
    residue = more.pop("residue", None)
    return read_fields(frame if residue is None else frame.assign(residue=residue))[0].assign(**more)


def levels(**tests):
    """Soil tests of field A by analyte, as their usual test."""
    rows = [("A", name, value, *KINDS[name]) for name, value in tests.items()]
    return pd.DataFrame(rows, columns=["field", "analyte", "value", "extractant", "unit", "depth_in"])


def rates(targets, crop="corn"):
    rows = targets.table[targets.table["crop"] == crop]
    return rows.drop_duplicates("nutrient").set_index("nutrient")


CORN = fields(("A", "corn", 200.0))
LEVELS = levels(P=12.0, K=100.0, CEC=10.0, OM=2.0)


def test_build_up_by_the_systems_years_and_by_ones_own():
    # P: 8 ppm x 20 = 160 lb over 4 or 8 years, 200 bu x 0.35 = 70; K: 20 ppm x (4 + 0.2 x 10) = 120, 40 + 20
    usual = rates(nutrient_targets(CORN, LEVELS, region="Ohio"))
    assert usual.loc["P2O5", "rate_lb_ac"] == pytest.approx(160 / 4 + 70)
    assert usual.loc["K2O", "rate_lb_ac"] == pytest.approx(120 / 4 + 60)
    assert set(usual.loc[["P2O5", "K2O"], "why"]) == {"system"}
    slow = rates(nutrient_targets(CORN, LEVELS, region="Ohio", policy={"P": "build 8"}))
    assert slow.loc["P2O5", "rate_lb_ac"] == pytest.approx(160 / 8 + 70)
    assert slow.loc["P2O5", "removal_lb_ac"] > 0
    assert usual.loc["P2O5", ["soil_class", "zone_of_system", "test"]].tolist() == ["low", "build-up", 12.0]


def test_nitrogen_of_corn_by_equation_and_never_by_removal_in_silence():
    # printed in a newsletter of the university: 200 bu, 5 ppm, 2 % organic matter: 35 + 240 - 40 - 56 = 179
    tested = levels(**{"NO3-N": 5.0, "OM": 2.0})
    corn = rates(nutrient_targets(CORN, tested, region="Nebraska"))
    assert corn.loc["N", "rate_lb_ac"] == pytest.approx(179)
    # 2 lb/ac per ppm in 6 2/3 in: 24 in hold 7.2 times the ppm; 1.6 x 200 - 20 x 2 - 36
    kansas = rates(nutrient_targets(CORN, tested, region="Kansas"))
    assert kansas.loc["N", "rate_lb_ac"] == pytest.approx(320 - 40 - 36)
    bare = nutrient_targets(CORN, levels(OM=2.0), region="Nebraska")
    assert "N" not in set(bare.table["nutrient"])
    left = bare.left_out.set_index("nutrient").loc["N"]
    assert left["why"] == "no test"
    why = "there is no soil test for it (Kansas MF2586, N, S and Zn and Nebraska EC117 corn)."
    assert f"  Why not: {why}" in bare.summary().splitlines()
    asked = rates(nutrient_targets(CORN, levels(OM=2.0), policy={"N": "removal"}))
    assert asked.loc["N", "rate_lb_ac"] == asked.loc["N", "removal_lb_ac"] > 0


@pytest.mark.parametrize("policy", [None, {"N": "removal"}, {"N": 150}, {"N": "trial"}])
def test_a_legume_gets_no_nitrogen_by_a_policy_of_the_whole_farm(policy):
    both = fields(("A", "soybean", 60.0), ("B", "corn", 200.0))
    table = nutrient_targets(both, None, policy=policy).table
    soybean = table[(table["crop"] == "soybean") & (table["nutrient"] == "N")].iloc[0]
    assert (soybean["rate_lb_ac"], soybean["why"]) == (0.0, "legume")
    named = pd.DataFrame({"crop": ["Soybeans"], "N": [20.0]})
    table = nutrient_targets(both, None, policy=named).table
    assert table.query("crop == 'soybean' and nutrient == 'N'")["rate_lb_ac"].tolist() == [20.0]


def test_without_a_soil_test_removal_stands_in_and_says_so():
    bare = rates(nutrient_targets(CORN, None))
    for nutrient in ("P2O5", "K2O"):
        row = bare.loc[nutrient]
        assert (row["policy"], row["why"], row["system"]) == ("removal", "no test", "")
        assert row["rate_lb_ac"] == row["removal_lb_ac"] > 0
    # Tri-State is calibrated on 8 in; a test 6 in deep answers no system of the region
    shallow = levels(P=12.0).assign(depth_in=6.0)
    assert rates(nutrient_targets(CORN, shallow, region="Ohio")).loc["P2O5", "why"] == "no system"
    assert rates(nutrient_targets(CORN, LEVELS, region="Nebraska")).loc["P2O5", "why"] == "elsewhere"


def test_baled_residue_is_made_up_for_where_the_rate_holds_removal():
    tested = levels(P=35.0)  # between 30 and 50 ppm: removal of 90 bu x 0.49
    kept, baled = (
        rates(nutrient_targets(fields(("A", "wheat", 90.0), residue=[share]), tested, region="Ohio"), "wheat")
        for share in ("kept", "1")
    )
    straw = baled.loc["P2O5", "removal_lb_ac"] - kept.loc["P2O5", "removal_lb_ac"]
    assert kept.loc["P2O5", "rate_lb_ac"] == pytest.approx(90 * 0.49)
    assert straw > 0
    assert baled.loc["P2O5", "rate_lb_ac"] == pytest.approx(90 * 0.49 + straw)


CREDITS = {"field": "A", "nutrient": "K2O", "kind": "manure", "low_lb_ac": 40.0, "high_lb_ac": 60.0}


def test_credits_are_taken_off_at_the_middle_and_never_below_nothing():
    # K2O of 90 lb: less 50 (40 to 60) is 40; two more of 50 leave nothing of which 10 lb are not used
    one = nutrient_targets(CORN, LEVELS, region="Ohio", credits=pd.DataFrame([CREDITS]))
    row = rates(one).loc["K2O"]
    assert row[["gross_lb_ac", "credit_lb_ac", "rate_lb_ac"]].tolist() == pytest.approx([90, 50, 40])
    two = nutrient_targets(CORN, LEVELS, region="Ohio", credits=pd.DataFrame([CREDITS, CREDITS]))
    assert rates(two).loc["K2O", "rate_lb_ac"] == 0
    assert two.credits["taken_lb_ac"].tolist() == pytest.approx([50, 40])
    assert two.credits["credit_lb_ac"].tolist() == [50, 50]


def test_the_credit_of_a_legume_is_that_of_the_state_whose_equation_is_used():
    # LEGUME_CREDITS: Kansas 100-140 lb after alfalfa; NPNRD: Nebraska 40 lb after dry bean
    tested = levels(**{"NO3-N": 5.0, "OM": 2.0})
    after = nutrient_targets(CORN.assign(previous_crop="alfalfa"), tested, region="Kansas")
    assert rates(after).loc["N", "rate_lb_ac"] == pytest.approx(244 - 120)
    assert after.credits["source_key"].tolist() == ["LEGUME_CREDITS"]
    # printed with the equation: 179 less 40 for dry beans is 139
    beans = nutrient_targets(CORN.assign(previous_crop="dry bean"), tested, region="Nebraska")
    assert rates(beans).loc["N", "rate_lb_ac"] == pytest.approx(139)


def test_nitrate_of_the_soil_counts_once():
    tested = levels(**{"NO3-N": 5.0, "OM": 2.0})
    credit = CREDITS | {"nutrient": "N", "kind": "soil nitrate"}
    counted = nutrient_targets(CORN, tested, region="Nebraska", credits=pd.DataFrame([credit]))
    assert rates(counted).loc["N", "rate_lb_ac"] == pytest.approx(179)
    assert counted.credits["why_not"].tolist() == ["already in the equation"]
    removal = nutrient_targets(CORN, tested, policy={"N": "removal"}, credits=pd.DataFrame([credit]))
    assert rates(removal).loc["N", "credit_lb_ac"] == 50


TRIAL = {"field": ["", "A"], "crop": "corn", "nutrient": "K2O", "rate": [60.0, 45.0], "low": [40.0, 30.0],
         "high": [90.0, 70.0], "curve": [None, [(0, 0.0), (20, 30.0), (40, 35.0), (60, 45.0)]]}  # fmt: skip


def test_an_own_optimum_takes_the_place_of_a_book_rate_where_asked():
    both = fields(("A", "corn", 200.0), ("B", "corn", 200.0))
    trials = pd.DataFrame(TRIAL)
    targets = nutrient_targets(both, LEVELS, policy={"K": "trial"}, trials=trials)
    rows = targets.table[targets.table["nutrient"] == "K2O"]
    assert rows[["rate_lb_ac", "low_lb_ac", "high_lb_ac"]].to_numpy().tolist() == [[45, 30, 70], [60, 40, 90]]
    assert set(rows["why"]) == {"own trial"}
    # a point below the line from (20, 30) to (60, 45) leaves the curve concave
    assert targets.value[["rate_lb_ac", "gain_per_ac"]].to_numpy().tolist() == [[0, 0], [20, 30], [60, 45]]
    unused = nutrient_targets(both, LEVELS, region="Ohio", trials=trials)
    assert set(unused.table.query("nutrient == 'K2O' and field == 'A'")["why"]) == {"system"}
    none = nutrient_targets(both, LEVELS, region="Ohio", policy={"P": "trial"}, trials=trials).table
    assert set(none.query("nutrient == 'P2O5'")["why"]) == {"no trial"}


def test_fields_named_in_the_index_are_those_meant():
    farm = pd.concat([CORN, CORN.assign(field="other")], ignore_index=True)
    first = farm["field"].iloc[0]
    one = pd.Index([first], name="field")
    held = nutrient_targets(farm, caps=pd.DataFrame({"P2O5": [10.0]}, index=one)).table
    assert held.set_index(["nutrient", "field"])["cap_lb_ac"]["P2O5"].notna().to_dict() == {
        first: True,
        "other": False,
    }
    manure = pd.DataFrame(
        {"nutrient": "P2O5", "kind": "manure", "low_lb_ac": 5.0, "high_lb_ac": 5.0}, index=one
    )
    taken = nutrient_targets(farm, credits=manure).credits
    assert taken["field"].tolist() == [first]


def test_caps_fixed_rates_and_policies_by_field():
    both = fields(("A", "corn", 200.0), ("B", "corn", 200.0))
    policy = pd.DataFrame({"field": ["", "B"], "P2O5": ["none", 46.0], "K2O": ["", "removal"]})
    table = nutrient_targets(both, LEVELS, region="Ohio", policy=policy, caps={"K2O": 25}).table
    rows = table.set_index(["field", "nutrient"])
    assert rows.loc[("A", "P2O5"), "rate_lb_ac"] == 0
    assert rows.loc[("B", "P2O5"), ["rate_lb_ac", "why"]].tolist() == [46.0, "asked"]
    assert rows.loc[(slice(None), "K2O"), "rate_lb_ac"].tolist() == [25, 25]
    assert rows.loc[("A", "K2O"), "gross_lb_ac"] == pytest.approx(90)


def test_systems_stand_side_by_side_with_why_others_do_not():
    targets = nutrient_targets(CORN, LEVELS, region="Ohio")
    rows = targets.systems[targets.systems["nutrient"] == "K2O"].set_index("system")
    assert rows.loc["tri_state_2020", "chosen"]
    assert rows["chosen"].sum() == 1
    assert "needs a test by ammonium acetate on a sample 6 in deep" in rows.loc["kansas_build", "why_not"]
    assert "build per unit 6" in rows.loc["tri_state_2020", "coefficients"]


def test_a_superseded_system_only_by_name():
    bray = levels(P=10.0).assign(extractant="Bray-P1")
    assert rates(nutrient_targets(CORN, bray, region="Ohio")).loc["P2O5", "why"] == "elsewhere"
    # 1995: (15 - 10) x 20 / 4 + 200 x 0.37
    old = rates(nutrient_targets(CORN, bray, region="Ohio", policy={"P": "tri_state_1995"}))
    assert old.loc["P2O5", "rate_lb_ac"] == pytest.approx(25 + 74)


def test_every_problem_of_a_plan_at_once():
    bad = {
        "policy": {"P": "plenty", "Xy": "none"},
        "caps": {"K": -1},
        "credits": pd.DataFrame([CREDITS | {"field": "Z", "kind": "gift", "low_lb_ac": 80.0}]),
        "trials": pd.DataFrame({"nutrient": ["Q"], "rate": ["x"], "low": [1], "high": [2]}),
    }
    with pytest.raises(InputError) as caught:
        nutrient_targets(CORN, LEVELS, **bad)
    text = str(caught.value)
    for says in ("plenty", "Xy", "not a cap", "'Z'", "gift", "not in order", "'Q'", "not a rate"):
        assert says in text
    with pytest.raises(LookupFailed, match="Atlantis"):
        nutrient_targets(CORN, LEVELS, region="Atlantis")
    several = fields(("A", "corn", 200.0), ("A", "wheat", 90.0))
    with pytest.raises(InputError, match="several crops"):
        nutrient_targets(several, None, trials=pd.DataFrame(TRIAL).drop(columns=["crop", "field"]))


def test_many_fields_answer_as_each_alone():
    rng = np.random.default_rng(3)
    names = [f"F{i}" for i in range(12)]
    many = fields(
        *(
            (name, crop, goal)
            for name, crop, goal in zip(names, ["corn", "soybean"] * 6, [180.0, 55.0] * 6, strict=True)
        )
    )
    tests = pd.concat(
        [
            levels(P=rng.uniform(5, 60), K=rng.uniform(80, 200), CEC=rng.uniform(4, 20)).assign(field=name)
            for name in names
        ]
    )
    together = nutrient_targets(many, tests, region="Ohio").table
    for i, name in enumerate(names):
        alone = nutrient_targets(many.iloc[[i]], tests, region="Ohio").table
        pd.testing.assert_frame_equal(
            together[together["field"] == name].drop(columns="at").reset_index(drop=True),
            alone.drop(columns="at"),
        )


def test_summary_says_the_rates_and_what_has_none():
    text = nutrient_targets(CORN, LEVELS, region="Ohio").summary()
    assert "corn: 110 on 1 field, by Tri-State 2020" in text
    assert "No rate: N of corn on 1 field: no soil test" in text


# system, nutrient, crop, goal, goal unit, extractant, test unit, depth, more of the field, {test: lb/ac}; the
# arithmetic is that of the equation each system states (test_soil.py, test_soil_systems.py); kg/ha as printed
KG = 0.892179  # lb/ac in kg/ha
THROUGH = [
    ("tri_state_2020", "P2O5", "soybean", 60, "bu/ac", "Mehlich-3", "ppm", 8, {},
     {15: 25 + 47.4, 30: 47.4, 41: 0}),
    ("tri_state_2020", "K2O", "corn", 150, "bu/ac", "Mehlich-3", "ppm", 8, {"CEC": 10.0},
     {80: 110, 130: 50, 175: 0}),
    ("tri_state_1995", "P2O5", "corn", 100, "bu/ac", "Bray-P1", "ppm", 8, {}, {5: 87, 35: 18.5, 40: 0}),
    ("illinois_handbook", "P2O5", "corn", 180, "bu/ac", "Bray-P1", "lb/ac", 7, {"cases": "high P-supply"},
     {30: 10 * 9 / 4 + 66.6, 50: 66.6, 61: 0}),
    ("kansas_build", "K2O", "corn", 150, "bu/ac", "ammonium acetate", "ppm", 6, {},
     {100: 67.5 + 39, 140: 39, 161: 0}),
    ("kansas_sufficiency", "P2O5", "wheat", 60, "bu/ac", "Mehlich-3 colorimetric", "ppm", 6, {},
     {10: 35.6, 0: 71.2, 20: 0}),
    ("kansas_other", "N", "wheat", 60, "bu/ac", "nitrate", "lb/ac of profile", 24, {"OM": 2.0},
     {40: 84, 100: 24, 200: 0}),
    ("kansas_other", "Zn", "corn", 180, "bu/ac", "DTPA", "ppm", 6, {}, {0.6: 4.75, 0: 11.5, 1: 0}),
    ("nebraska_ec117", "N", "corn", 150, "bu/ac", "nitrate", "ppm", 36, {"OM": 0.2},
     {3: 180.5, 10: 124.5, 40: 0}),
    ("nebraska_ec117", "P2O5", "corn", 200, "bu/ac", "Bray-P1", "ppm", 8, {"previous_crop": "corn"},
     {10: 60, 24: 4, 25: 0}),
    ("south_dakota", "K2O", "wheat", 60, "bu/ac", "ammonium acetate", "ppm", 6, {},
     {100: 60.6, 50: 111.6, 160: 0}),
    ("north_dakota", "N", "barley", 80, "bu/ac", "nitrate", "lb/ac of profile", 24, {"cases": "2022 prices"},
     {35: 85, 100: 20, 130: 0}),
    ("north_carolina", "K2O", "soybean", 50, "bu/ac", "Mehlich-3", "index", 6, {"cases": "equation 14"},
     {50: 41.5, 20: 99.64, 100: 0}),
    ("ontario", "P2O5", "corn", 180, "bu/ac", "Olsen", "ppm", 6, {}, {3.9: 110 * KG, 8: 70 * KG, 31: 0}),
    ("uk_rb209_2010", "P2O5", "wheat", 10, "t/ha", "Olsen", "mg/l", 6, {},
     {12: (90 + 15.6) * KG, 0: (120 + 15.6) * KG, 26: 0}),
    ("texas_pinto_bean", "K2O", "dry bean", 20, "cwt/ac", "class of the report", "class", 6, {},
     {1: 100, 3: 80, 5: 0}),
]  # fmt: skip


@pytest.mark.parametrize("case", THROUGH, ids=lambda case: f"{case[0]}-{case[1]}")
def test_a_plan_gives_the_rate_that_each_system_states(case):
    system, nutrient, crop, goal, unit, extractant, test_unit, depth, more, expected = case
    element = {"P2O5": "P", "K2O": "K", "N": "NO3-N"}.get(nutrient, nutrient)
    extra = {name: more[name] for name in ("CEC", "OM") if name in more}
    names = [f"F{i}" for i in range(len(expected))]
    frame = pd.DataFrame(
        {"field": names, "crop": crop, "area_ac": 40.0, "yield_goal": goal, "yield_unit": unit}
    )
    rows = read_fields(frame)[0].assign(**{name: more[name] for name in more if name not in extra})
    tests = [
        (name, element, test, extractant, test_unit, depth)
        for name, test in zip(names, expected, strict=True)
    ]
    tests += [(name, what, value, "", "", depth) for name in names for what, value in extra.items()]
    tests = pd.DataFrame(tests, columns=["field", "analyte", "value", "extractant", "unit", "depth_in"])
    table = nutrient_targets(rows, tests, policy={nutrient: system}).table
    got = table[table["nutrient"] == nutrient].set_index("field").loc[names]
    assert set(got["system"]) == {system}
    assert got["rate_lb_ac"].tolist() == pytest.approx(list(expected.values()), abs=0.02)


def test_every_system_goes_through_a_plan():
    assert {case[0] for case in THROUGH} == set(load_table("soil_systems")["system"])
    assert min(len(case[-1]) for case in THROUGH) >= 3


def test_pounds_of_nitrate_and_parts_per_million_of_a_profile_are_the_same_test():
    # 2 lb in 6 2/3 in: 36 lb/ac in 24 in are 5 ppm; 320 - 40 - 36 by Kansas, 179 by Nebraska
    for value, unit in ((5.0, "ppm"), (36.0, "lb/ac")):
        tested = levels(**{"NO3-N": value, "OM": 2.0})
        tested.loc[tested["analyte"] == "NO3-N", "unit"] = unit
        for region, rate in (("Kansas", 244), ("Nebraska", 179)):
            assert rates(nutrient_targets(CORN, tested, region=region)).loc[
                "N", "rate_lb_ac"
            ] == pytest.approx(rate)


def test_pounds_of_a_layer_that_is_no_furrow_slice_give_no_rate():
    """Two million pounds are 6 2/3 in of soil; 8 in weigh 2.4, so 24 lb/ac may be 12 ppm or 10."""
    pounds = levels(P=24.0).assign(unit="lb/ac", depth_in=8.0)
    found = rates(nutrient_targets(CORN, pounds, region="Ohio"))
    assert found.loc["P2O5", "why"] != "system"


def test_mehlich_phosphorus_by_its_method():
    for method, system in (("ICP", "tri_state_2020"), ("", "tri_state_2020"), ("colorimetric", "")):
        tested = levels(P=12.0).assign(method=method)
        assert rates(nutrient_targets(CORN, tested, region="Ohio")).loc["P2O5", "system"] == system
    tested = levels(P=12.0).assign(method="colorimetric", depth_in=6.0)
    assert rates(nutrient_targets(CORN, tested, region="Kansas")).loc["P2O5", "system"] == "kansas_build"


def test_a_region_may_be_a_state_or_what_holds_it():
    for region in ("Ohio", "US Midwest", "US", None):
        assert rates(nutrient_targets(CORN, LEVELS, region=region)).loc["P2O5", "system"] == "tri_state_2020"
    for region in ("Texas", "Europe"):
        assert rates(nutrient_targets(CORN, LEVELS, region=region)).loc["P2O5", "why"] == "elsewhere"


def test_span_of_the_systems_that_answer():
    # Bray 10 ppm, 8 in: Nebraska, 100 - 40 after corn; 6 in deep South Dakota: (.7 - .35) x 200
    tested = levels(P=10.0).assign(extractant="Bray-P1")
    both = pd.concat([tested, tested.assign(depth_in=6.0)])
    row = rates(nutrient_targets(CORN.assign(previous_crop="corn"), both)).loc["P2O5"]
    assert row[["low_lb_ac", "high_lb_ac"]].tolist() == pytest.approx([60, 70])
    assert row["why"] == "first of several"


OWN_SYSTEM = {
    "soil_systems": {"system": "mine", "title": "Own table", "thresholds": "mine", "rule": "equation",
                     "rate_unit": "lb/ac", "yield_unit": "bu/ac", "policy": "sufficiency", "region": "Ohio"},
    "soil_tests": {"system": "mine", "status": "current", "crop": "corn", "nutrient": "P",
                   "extractant": "Mehlich-3", "depth_in": "8", "unit": "ppm",
                   "parameter": "critical_level", "low": "30"},
    "soil_rates": {"system": "mine", "crop": "corn", "nutrient": "P", "parameter": "intercept", "value": "90",
                   "unit": "lb/ac"},
}  # fmt: skip


def test_a_system_of_ones_own_may_be_named():
    own = [pd.DataFrame([row | {"source_key": "MINE"}]) for row in OWN_SYSTEM.values()]
    slope = {"parameter": "per_test", "value": "-3"}
    own.append(pd.DataFrame([OWN_SYSTEM["soil_rates"] | slope | {"source_key": "MINE"}]))
    row = rates(nutrient_targets(CORN, LEVELS, policy={"P": "mine"}, own=own, region="Kansas")).loc["P2O5"]
    assert (row["system"], row["rate_lb_ac"]) == ("mine", pytest.approx(90 - 36))


def test_two_trials_of_one_field_are_asked_about():
    twice = pd.DataFrame(TRIAL).iloc[[1, 1]]
    with pytest.raises(InputError, match="second trial of the same field"):
        nutrient_targets(CORN, None, trials=twice)


def test_one_line_a_reason_tells_why_no_system_decides():
    # Tri-State 2020 samples 8 in deep and Ontario asks for Olsen; the test is by Mehlich-3, 12 in deep
    deep = nutrient_targets(CORN, levels(P=12.0).assign(depth_in=12.0), region="Ohio")
    assert rates(deep).loc["P2O5", "why"] == "no system"
    said = [line.strip() for line in deep.summary().splitlines() if "Why not" in line]
    assert "Why not: the samples are 12 in deep (Tri-State 2020: 8 in)." in said
    unsaid = nutrient_targets(CORN, levels(P=12.0).assign(depth_in=np.nan), region="Ohio").summary()
    assert "Why not: the depth of the samples is not stated (Tri-State 2020: 8 in)." in unsaid
    assert any("another method, Mehlich-3 (" in line and "Ontario corn 2025: Olsen" in line for line in said)
    assert any("the tests are in ppm (North Carolina Circular 1 (2014): index)" in line for line in said)
    away = nutrient_targets(CORN, levels(P=12.0), region="Kansas")
    assert "Why not: they are of another region (Tri-State 2020)." in away.summary()


def test_an_amount_of_p_or_k_names_the_oxide_or_is_refused():
    """1 lb of K is 1.2046 lb of K2O, 1 lb of P 2.2914 lb of P2O5 (atomic weights, IUPAC)."""
    one = fields(("A", "corn", 200.0))
    for asked in ({"policy": {"P": 40}}, {"caps": {"K": 25}}):
        element, oxide, factor = ("P", "P2O5", 2.291) if "policy" in asked else ("K", "K2O", 1.205)
        with pytest.raises(
            InputError, match=f"may be one of {element} or of {oxide}; write it as {oxide}: {factor}"
        ):
            nutrient_targets(one, **asked)
    trial = pd.DataFrame({"nutrient": ["K"], "low": [40.0], "rate": [60.0], "high": [80.0]})
    with pytest.raises(
        InputError, match="row 2, column 'nutrient', value 'K': an amount of K may be one of K"
    ):
        nutrient_targets(one, trials=trial, policy={"K": "trial"})
    with pytest.raises(InputError, match="twice"):
        nutrient_targets(one, policy={"P": "none", "P2O5": "removal"})
    assert set(nutrient_targets(one, policy={"P": "none", "K": 0}).table["rate_lb_ac"].iloc[:2]) == {0.0}


@pytest.mark.parametrize(
    ("crop", "rate"), [("winter oilseed rape", 80), ("Winterraps", 80), ("spring canola", 60)]
)
def test_winter_and_spring_rape_are_told_apart(crop, rate):
    # RB209_2010: at 10 to 15 mg/l of Olsen P and the usual yield winter rape gets 80, spring rape 60 kg/ha
    usual = 3.5 if rate == 80 else 2.0
    field = pd.DataFrame({"field": ["A"], "crop": [crop], "area_ha": [40.0], "yield_goal_t_ha": [usual]})
    test = {"field": ["A"], "analyte": ["P"], "value": [12.0], "extractant": ["Olsen"], "unit": ["mg/l"]}
    targets = nutrient_targets(read_fields(field)[0], pd.DataFrame(test | {"depth_in": [6.0]}),
                               policy={"P": "uk_rb209_2010"}, unit="kg/ha")  # fmt: skip
    assert rates(targets, "canola").loc["P2O5", "rate_lb_ac"] * 1.12085 == pytest.approx(rate, rel=1e-4)
