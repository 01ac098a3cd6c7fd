"""Rates by the systems of several regions, worked on paper; the source of each is the system's own.

Printed by their sources are 70 kg at 8 ppm (Ontario), 106 kg for 10 t of wheat and 94 kg for 4.5 t of rape
(UK 2010), and 25 lb of chloride at 35 (South Dakota). All other figures are arithmetic on the stated
equations or a line of the stated table, shown beside them. M: the equation is remembered.
"""

import numpy as np
import pytest

from fertkit.budget import soil_rate
from fertkit.budget.own_rules import wrong_unit
from fertkit.budget.thresholds import soil_class
from fertkit.errors import InputError, LookupFailed, NotEstimable, UnitError
from fertkit.reference.load import load_table

OLSEN = {"extractant": "Olsen", "depth_in": 6}
BRAY = {"extractant": "Bray-P1", "depth_in": 6}
ACETATE = {"extractant": "ammonium acetate", "depth_in": 6}
UK_P = OLSEN | {"test_unit": "mg/l", "yield_unit": "t/ha", "unit": "kg/ha"}
UK_K = UK_P | {"extractant": "ammonium nitrate"}
PROFILE = {"depth_in": 24, "test_unit": "lb/ac of profile"}
NITRATE = PROFILE | {"extractant": "nitrate"}
SULFATE = PROFILE | {"extractant": "sulfate"}
DEEP = {"extractant": "nitrate", "depth_in": 36}
NC = {"extractant": "Mehlich-3", "depth_in": 6, "test_unit": "index"}
DTPA = {"extractant": "DTPA", "depth_in": 6}
UK = {"system": "uk_rb209_2010", "test_unit": "mg/l"}
TEXAS = {"extractant": "class of the report", "depth_in": 6, "test_unit": "class", "yield_unit": "cwt/ac"}
PINTO = TEXAS | {"system": "texas_pinto_bean", "crop": "pinto bean"}
WORKED = [
    # system, nutrient, crop, goal, options, {test: rate in the unit asked}
    ("ontario", "P", "corn", 180, OLSEN | {"unit": "kg/ha"},
     {0: 110, 3.9: 110, 8: 70, 15: 20, 30: 20, 31: 0}),
    ("uk_rb209_2010", "P", "winter wheat", 10, UK_P | {"cases": "straw incorporated"},
     {12: 90 + 2 * 7.8, 0: 120 + 15.6, 26: 0}),
    ("uk_rb209_2010", "P", "wheat", 6, UK_P | {"cases": "straw incorporated"}, {20: 60 - 2 * 7.8}),
    ("uk_rb209_2010", "K", "wheat", 8, UK_K | {"cases": "straw incorporated"},
     {60: 105, 61: 75, 181: 20, 300: 0}),
    ("uk_rb209_2010", "P", "oilseed rape", 4.5, UK_P | {"cases": "winter rape"}, {12: 94, 5: 124, 25: 64}),
    ("uk_rb209_2010", "K", "oilseed rape", 3.5, UK_K | {"cases": "winter rape"}, {0: 100, 150: 40, 241: 0}),
    ("uk_rb209_2010", "P", "oilseed rape", 2, UK_P | {"cases": "spring rape"}, {12: 60, 16: 30, 26: 0}),
    # .0467 x 2500 - 13 x 50 + 900; from its root on nothing
    ("north_carolina", "P", "corn", 150, NC | {"cases": "equation 1"}, {50: 366.75, 0: 900, 140: 0}),
    # .0175 I2 - 4.46 I + 300 is never nothing: lowest, 300 - 4.46 x 4.46 / (4 x .0175), at 127.4
    ("north_carolina", "K", "corn", 150, NC | {"cases": "equation 4"},
     {50: 120.75, 127: 15.8375, 200: 15.8343}),
    ("north_carolina", "K", "soybean", 50, NC | {"cases": "equation 14"}, {50: 41.5, 20: 99.64, 100: 0}),
    # (25 - 10) x 4; 125 - 100 (M)
    ("nebraska_ec117", "P", "corn", 200, BRAY | {"depth_in": 8, "cases": "continuous corn"},
     {10: 60, 24: 4, 25: 0}),
    ("nebraska_ec117", "K", "corn", 200, ACETATE | {"depth_in": 8}, {100: 25, 124: 1, 130: 0}),
    # 35 + 1.2 x 200 - 8 x 5 - .14 x 200 x 2 = 179, less 40 after dry bean; organic matter held to .5 to 3 %
    ("nebraska_ec117", "N", "corn", 200, DEEP | {"om_pct": 2, "credit_lb_ac": 40}, {5: 139}),
    ("nebraska_ec117", "N", "corn", 200, DEEP | {"om_pct": 5}, {5: 35 + 240 - 40 - 84}),
    ("nebraska_ec117", "N", "corn", 150, DEEP | {"om_pct": 0.2}, {3: 35 + 180 - 24 - 10.5, 40: 0}),
    # M: (.7 - .035 x 10) x 150, (.7 - .044 x 8) x 150, (1.166 - .0073 x 100) x 150,
    # (1.071 - .067 x 10) x 60, (2.71 - .017 x 100) x 60, (1.55 - .14 x 5) x 50, (2.2 - .0183 x 100) x 50
    ("south_dakota", "P", "corn", 150, BRAY, {10: 52.5, 0: 105, 20: 0}),
    ("south_dakota", "P", "corn", 150, OLSEN, {8: 52.2, 16: 0}),
    ("south_dakota", "K", "corn", 150, ACETATE, {100: 65.4, 160: 0}),
    ("south_dakota", "P", "spring wheat", 60, OLSEN, {10: 24.06, 16: 0}),
    ("south_dakota", "K", "wheat", 60, ACETATE, {100: 60.6, 160: 0}),
    ("south_dakota", "P", "soybean", 50, OLSEN, {5: 42.5, 11: 0}),
    ("south_dakota", "K", "soybean", 50, ACETATE, {100: 18.5, 120: 0}),
    ("south_dakota", "Cl", "wheat", 60, PROFILE | {"extractant": "chloride"}, {35: 25, 59: 1, 70: 0}),
    # total less nitrate less credit: 120 - 35 - 40, 140 - 35
    ("north_dakota", "N", "barley", 80, NITRATE | {"cases": "2022 prices", "credit_lb_ac": 40},
     {35: 45, 100: 0}),
    ("north_dakota", "N", "barley", 80, NITRATE | {"cases": "highest yield"}, {35: 105}),
    # M but for 10 N and 2.5 S a percent of organic matter in wheat: 2.4 x 60 - 10 x 2 - 40 ...
    ("kansas_other", "N", "winter wheat", 60, NITRATE | {"om_pct": 2}, {40: 84, 200: 0}),
    ("kansas_other", "N", "corn", 200, NITRATE | {"om_pct": 2}, {40: 240}),
    ("kansas_other", "S", "wheat", 60, SULFATE | {"om_pct": 2}, {10: 21}),
    ("kansas_other", "S", "corn", 180, SULFATE | {"om_pct": 2}, {40: 0, 11: 20}),
    ("kansas_other", "Zn", "corn", 180, DTPA, {0.6: 4.75, 0: 11.5, 1: 0}),
    ("texas_pinto_bean", "N", "pinto bean", 20, TEXAS, {1: 60, 2: 50, 4: 0}),
    ("texas_pinto_bean", "P", "pinto bean", 20, TEXAS, {3: 80}),
    ("texas_pinto_bean", "K", "pinto bean", 20, TEXAS, {1: 100, 3: 80, 5: 0}),
]  # fmt: skip


@pytest.mark.parametrize("case", WORKED, ids=lambda c: "-".join(map(str, c[:4])))
def test_rates_on_paper(case):
    system, nutrient, crop, goal, options, expected = case
    for test, rate in expected.items():
        got = soil_rate(system, nutrient, test, crop, goal, **options)
        assert got.rate == pytest.approx(rate, abs=1e-3)
        line = np.interp(test + 1e-9, got.line["test"], got.line["rate"])
        assert line == pytest.approx(got.rate, abs=0.2)  # a curve is drawn by 41 points
        assert got.sources["citation"].ne("the user's own table").all()


def test_every_system_with_rates_has_three_cases_worked():
    worked = {case[0]: 0 for case in WORKED}
    for system, *_, expected in WORKED:
        worked[system] += len(expected)
    others = {"tri_state_2020", "tri_state_1995", "illinois_handbook", "kansas_build", "kansas_sufficiency"}
    assert set(worked) | others == set(load_table("soil_systems")["system"])
    assert min(worked.values()) >= 3


@pytest.mark.parametrize(
    ("system", "nutrient", "test", "on", "crop", "word"),
    [
        ("northern_ireland_2019", "P", 18, "Olsen", "barley", "index 2-"),
        ("northern_ireland_2019", "P", 21, "Olsen", "barley", "index 2+"),
        ("northern_ireland_2019", "P", 9, "Olsen", "wheat", "index 0"),
        ("ireland_morgan", "P", 3.0, "Morgan", "barley", "index 1"),
        ("ireland_morgan", "P", 6.1, "Morgan", "barley", "index 3"),
        ("ireland_morgan", "P", 12, "Morgan", "barley", "index 4"),
        ("ontario_2022", "P", 11, "Olsen", "soybean", "low (a response is likely)"),
        ("ontario_2022", "P", 18, "Olsen", "soybean", "target range"),
        ("ontario_2022", "K", 131, "ammonium acetate", "corn", "above the target range"),
        ("nebraska_2017", "P", 10, "Olsen", "corn", "low (fertilizer may pay)"),
        ("nebraska_2017", "P", 15, "Mehlich-3", "soybean", "sufficient (no fertilizer)"),
        ("nebraska_2017", "S", 6, "sulfate", "alfalfa", "sufficient (no fertilizer)"),
        ("north_dakota_2022", "Zn", 0.9, "DTPA", "corn", "low (zinc in the starter)"),
        ("north_dakota_2022", "P", 7, "Olsen", "soybean", "low (fertilizer is advised)"),
        ("new_jersey", "B", 0.4, "Mehlich-3", "corn", "low"),
        ("new_jersey", "Zn", 1.0, "Mehlich-3", "corn", "sufficient"),
    ],
)
def test_classes_as_printed(system, nutrient, test, on, crop, word):
    assert soil_class(system, nutrient, test, crop, extractant=on)[0] == word


@pytest.mark.parametrize(
    ("change", "error", "says"),
    [
        ({"test_unit": "mg/l"}, UnitError, "unknown unit of a soil test 'mg/l'"),
        ({"system": "uk_rb209_2010"}, UnitError, "uses 'mg/l', not 'ppm'"),
        (UK | {"cases": ()}, LookupFailed, "one of straw incorporated"),
        ({"cases": "straw burnt"}, LookupFailed, "unknown case 'straw burnt'"),
        ({"extractant": "Bray-P1"}, UnitError, "calibrated on Olsen, not on Bray-P1"),
        ({"crop": "corn", "extractant": "Mehlich-3"}, UnitError, "on Bray-P1 or Olsen, not on Mehlich-3"),
        ({"depth_in": 8}, UnitError, "6 in deep, not 8 in"),
        ({"test": np.nan}, InputError, "'test'.*not a number"),
        ({"credit_lb_ac": -5}, InputError, "credit_lb_ac"),
        ({"system": "kansas_other", "nutrient": "N"} | NITRATE, LookupFailed, "om_pct="),
        ({"system": "kansas_other", "nutrient": "N", "extractant": "nitrate"}, UnitError, "24 in deep"),
        (PINTO | {"test": 2.5}, InputError, "not a class"),
        (PINTO | {"test": 0}, NotEstimable, "below 1 class"),
        (PINTO | {"test": 6}, NotEstimable, "6 class or"),
        (UK | {"crop": "canola", "cases": "winter rape", "test": 26}, NotEstimable,
         "has no rate for a test of 26 mg/l or above"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused(change, error, says):
    about = {"system": "south_dakota", "nutrient": "P", "test": 8, "crop": "wheat", "yield_goal": 60} | OLSEN
    about["cases"] = "straw incorporated"
    with pytest.raises(error, match=says):
        soil_rate(**(about | change))


def test_credits_and_caps_are_shown_and_bend_the_line():
    # (25 - test) x 4 less 30 reaches nothing at 17.5
    got = soil_rate("nebraska_ec117", "P", 10, "corn", 200, extractant="Bray-P1", depth_in=8,
                    cases="continuous corn", credit_lb_ac=30)  # fmt: skip
    assert got.rate_lb_ac == pytest.approx(30)
    assert got.equation == "100 - 4 x 10 = 60.0; less 30 credited = 30.0"
    assert got.corners.to_numpy().tolist() == pytest.approx(np.array([[0, 70], [17.5, 0], [25, 0], [25, 0]]))
    # (120 - test) x 6 / 4 + 314 is 300 only above 120 ppm: the cap holds up to the maintenance limit
    capped = soil_rate("tri_state_2020", "K", 60, "alfalfa", 6, "ton/ac", extractant="Mehlich-3", depth_in=8,
                       cec=10)  # fmt: skip
    assert capped.equation.endswith("= 404.0, no more than 300 a year")
    assert capped.corners["rate_lb_ac"].max() == 300


def test_equation_in_the_unit_of_its_source():
    text = soil_rate("uk_rb209_2010", "P", 12, "wheat", 10, **UK_P, cases="straw incorporated").summary()
    assert "RB209 (2010) (superseded), wheat: 106 kg P2O5 per hectare and year, index 1" in text
    assert "90 + 7.8 x (10 - 8) = 105.6" in text
    assert "lb/ac" not in text


def test_a_system_without_its_case_refuses_and_the_others_answer(ask_systems):
    with pytest.raises(LookupFailed, match="unknown case"):
        soil_rate("nebraska_ec117", "P", 8, "corn", 180, **OLSEN, cases="contious corn")
    got = ask_systems("P", [("Olsen", 6, 8, "ppm")], "corn", 180)
    assert got.loc["nebraska_ec117", "why_not"].startswith("sets its P levels by case")
    assert got.loc["south_dakota", "rate_lb_ac"] == pytest.approx((0.7 - 0.044 * 8) * 180)


def test_what_else_to_know_is_said():
    text = soil_rate("nebraska_ec117", "N", 5, "corn", 200, **DEEP, om_pct=2).summary()
    assert "note: nitrogen is before the adjustments for price and timing" in text
    line = soil_rate("ontario", "P", 9, "corn", 180, **OLSEN)
    assert line.zone == "table from 8 ppm"
    # ALGL2020 raises the P level for wheat in the rotation; Illinois does not speak of it
    about = {"extractant": "Bray-P1", "depth_in": 7, "test_unit": "lb/ac", "cases": "high P-supply"}
    about |= {"system": "illinois_handbook", "nutrient": "P", "test": 30, "crop": "corn", "yield_goal": 180}
    corn, mixed = (soil_rate(**about, rotation=crops) for crops in ([], ["wheat"]))
    assert corn.rate == mixed.rate


@pytest.mark.parametrize(
    ("system", "nutrient", "crop", "goal", "test", "extractant", "depth", "field", "rate"),
    [
        ("south_dakota", "P", "corn", 150, 8, "Olsen", 6, {}, 52.2),
        ("nebraska_ec117", "N", "corn", 200, 5, "nitrate", 36, {"om_pct": 2, "credit_lb_ac": 40}, 139),
        ("tri_state_2020", "K", "soybean", 60, 100, "Mehlich-3", 8, {"cec": 20}, 128.4),
    ],
)
def test_rates_by_hand(system, nutrient, crop, goal, test, extractant, depth, field, rate):
    got = soil_rate(system, nutrient, test, crop, goal, extractant=extractant, depth_in=depth, **field)
    assert got.rate == pytest.approx(rate)


def test_words_of_laboratories_for_extractants_and_units():
    for words in ("Olsen P", "sodium bicarbonate", " OLSEN "):
        got = soil_rate("ontario", "P", 16, "corn", 180, extractant=words, depth_in=6, test_unit="lbs/acre")
        assert got.level == 8
    assert soil_rate(
        "tri_state_2020", "P", 12, "corn", 180, extractant="M3", depth_in=8
    ).rate == pytest.approx(103)
    with pytest.raises(UnitError, match="not on M3 ICP"):  # read by another instrument
        soil_rate("kansas_build", "P", 12, "corn", 180, extractant="M3 ICP", depth_in=6)


def test_bundled_rates_are_in_the_unit_of_their_system():
    plans = load_table("soil_systems").set_index("system")
    rates = load_table("soil_rates")
    rates = rates[rates["system"].isin(plans.index)]
    assert len(rates) > 150
    wrong = [(row.system, row.unit, *wrong_unit(row, plans.loc[row.system])) for row in rates.itertuples()]
    assert [row for row in wrong if len(row) > 2] == []


def every_rate():
    """Each system with each nutrient, crop, test and case it has rows for."""
    tests, rates = load_table("soil_tests"), load_table("soil_rates")
    for plan in load_table("soil_systems").itertuples():
        levels = tests[tests["system"] == plan.thresholds]
        about = levels.groupby(["nutrient", "crop", "extractant", "depth_in", "unit"], dropna=False)
        for (nutrient, crop, extractant, depth, unit), rows in about:
            of = rates[(rates["system"] == plan.system) & rates["nutrient"].str.contains(nutrient)]
            of = of[of["crop"].isin(["", crop])]
            cases = sorted({*rows["case"], *of["case"]} - {""}) or [""]
            for case in cases[::5] if plan.system == "north_carolina" else cases:
                yield pytest.param(
                    plan.system,
                    nutrient,
                    crop,
                    extractant,
                    6 if np.isnan(depth) else depth,
                    unit,
                    [case] if case else [],
                    id=f"{plan.system}-{nutrient}-{crop}-{extractant}-{case}",
                )


@pytest.mark.parametrize(
    ("system", "nutrient", "crop", "extractant", "depth", "unit", "cases"), list(every_rate())
)
def test_every_row_of_every_system_answers(system, nutrient, crop, extractant, depth, unit, cases):
    crop = {"all": "corn", "corn and soybean": "soybean"}.get(crop, crop)
    by_weight = {"alfalfa": (5, "ton/ac"), "canola": (3, "t/ha"), "dry bean": (20, "cwt/ac")}
    goal = by_weight.get(crop, (60, "bu/ac"))
    on = {
        "extractant": extractant,
        "depth_in": depth,
        "test_unit": unit,
        "cases": cases,
        "cec": 15,
        "om_pct": 2,
    }
    last = np.inf
    for test in (0, 1, 4, 7, 14, 30, 75, 150, 2000):
        try:
            got = soil_rate(system, nutrient, test, crop, *goal, **on)
        except (NotEstimable, InputError):
            assert system == "texas_pinto_bean" or (cases == ["winter rape"] and test >= 26)
            continue
        # a higher test never asks for more, nothing is below zero, and the line drawn says the same
        assert 0 <= got.rate_lb_ac <= last + 1e-9
        last = got.rate_lb_ac
        line = np.interp([test - 1e-9, test + 1e-9], got.corners["test"], got.corners["rate_lb_ac"])
        near = 0.006 * got.corners["rate_lb_ac"].max() + 1e-6
        assert line[0] + near >= got.rate_lb_ac >= line[1] - near
    assert last == 0 or system == "north_carolina" or cases == ["winter rape"]
