"""Soil-test rates on a mesh of tests, from the lines and factors each system prints, in plain arithmetic.

The lines are those of the tables of soil tests and rates (TRI2020_QUOTED, AGF515, OSU_BUILD2012, TRI1995,
ILHBK and MF2586; the last three from memory); the equation shown is worked out again as it is written.
"""

import dataclasses
import math

import numpy as np
import pytest

from fertkit.budget import soil_rate
from fertkit.budget.buffers import soil_buffer
from fertkit.budget.soil_reckon import Terms, _rates, _term, equation_rate
from fertkit.budget.thresholds import (
    Thresholds,
    check_test,
    fits,
    holds,
    in_unit,
    level_of,
    rate_systems,
    soil_class,
    system_rows,
    thresholds,
)
from fertkit.errors import InputError, LookupFailed, UnitError
from fertkit.reference import load_table

NAN = float("nan")
M3, BRAY, ACETATE = "Mehlich-3", "Bray-P1", "ammonium acetate"
#: system, nutrient, crop, cec, p_supply, extractant, depth, unit -> critical, limit, per unit, extra, width,
#: whether the limit itself still gets maintenance
LINES = [
    ("tri_state_2020", "P", "corn", None, None, M3, 8, "ppm", 20, 40, 20, 0, 0, False),
    ("tri_state_2020", "P", "wheat", None, None, M3, 8, "ppm", 30, 50, 20, 0, 0, False),
    ("tri_state_2020", "K", "corn", 5.0, None, M3, 8, "ppm", 100, 130, 5, 20, 0, False),
    ("tri_state_2020", "K", "corn", 6.0, None, M3, 8, "ppm", 120, 170, 5.2, 20, 0, False),
    ("tri_state_1995", "P", "corn", None, None, BRAY, 8, "ppm", 15, 30, 20, 0, 10, True),
    ("tri_state_1995", "P", "alfalfa", None, None, BRAY, 8, "ppm", 25, 40, 20, 0, 10, True),
    ("tri_state_1995", "K", "soybean", 10.0, None, ACETATE, 8, "ppm", 100, 130, 6, 20, 20, True),
    ("illinois_handbook", "P", "corn", None, "high", BRAY, 7, "lb/ac", 40, 60, 9, 0, 0, True),
    ("illinois_handbook", "P", "corn", None, "medium", BRAY, 7, "lb/ac", 45, 65, 9, 0, 0, True),
    ("illinois_handbook", "P", "soybean", None, "low", BRAY, 7, "lb/ac", 50, 70, 9, 0, 0, True),
    ("illinois_handbook", "K", "corn", 11.9, None, ACETATE, 7, "lb/ac", 260, 360, 4, 0, 0, True),
    ("illinois_handbook", "K", "corn", 12.0, None, ACETATE, 7, "lb/ac", 300, 400, 4, 0, 0, True),
    ("kansas_build", "P", "corn", None, None, "Mehlich-3 colorimetric", 6, "ppm", 20, 30, 18, 0, 0, True),
    ("kansas_build", "K", "corn", None, None, ACETATE, 6, "ppm", 130, 160, 9, 0, 0, True),
]
GOALS = {"alfalfa": (5.0, "ton/ac")}


def asked(case, test, **options):
    system, nutrient, crop, cec, supply, extractant, depth, unit = case[:8]
    goal, goal_unit = GOALS.get(crop, (60.0, "bu/ac"))
    about = {"extractant": extractant, "depth_in": depth, "test_unit": unit, "cec": cec}
    about["cases"] = f"{supply} P-supply" if supply else ()
    return soil_rate(system, nutrient, test, crop, goal, goal_unit, **(about | options))


def by_hand(case, level, keep, years):
    critical, limit, per, extra, width, at_limit = case[8:]
    if level < critical:
        return (critical - level) * per / years + keep + extra, "build-up"
    if level < limit or (level == limit and at_limit):
        return keep + extra, "maintenance"
    if level < limit + width:
        return (keep + extra) * (1 - (level - limit) / width), "drawdown"
    return 0.0, "none"


def worked_again(equation):
    """What the right side of an equation as shown comes to, and what it is said to come to."""
    terms, _, said = equation.partition(" = ")
    return eval(terms.replace(" x ", " * ")), float(said or terms)


@pytest.mark.parametrize("case", LINES, ids=lambda c: "-".join(map(str, c[:5])))
def test_rates_of_a_system_on_a_mesh(case):
    critical, limit, per, extra, width, _ = case[8:]
    levels = {0, critical - 0.5, critical, limit - 0.5, limit, limit + width / 4, limit + width}
    for level in sorted(levels):
        for years in (None, 2.5) if level < critical else (None,):
            got = asked(case, level, removal_lb_ac=48.0, years=years)
            rate, zone = by_hand(case, level, 48.0, 4 if years is None else years)
            assert got.rate_lb_ac == pytest.approx(rate, abs=1e-9), level
            assert got.zone == zone, level
            assert (got.level, got.test_unit, got.unit) == (level, case[7], "lb/ac")
            if zone == "none":
                assert got.equation == f"{level:g} is at or above {limit + width:g}: nothing"
            else:
                assert worked_again(got.equation) == (pytest.approx(rate), pytest.approx(rate, abs=0.051))
            terms = got.table.set_index("term")["value"]
            assert terms["critical level"] == critical
            assert terms["maintenance limit"] == limit
            assert terms["removal"] == 48.0
            assert terms.get("extra", 0.0) == extra
            assert ("years of build-up" in terms) == ("build per unit" in terms) == (zone == "build-up")
            assert terms.get("build per unit", per) == per
            corners = got.corners.to_numpy().tolist()
            first = critical * per / (4 if years is None else years)
            keep = 48.0 + extra
            assert corners == [
                pytest.approx(c)
                for c in ([0, first + keep], [critical, keep], [limit, keep], [limit + width, 0])
            ]


def test_own_removal_is_the_printed_one_if_none_is_given():
    # TRI2020 removes .35 lb P2O5 a bushel of corn, .8 of soybean (its table of removal)
    for crop, goal, per in (("corn", 180.0, 0.35), ("soybean", 60.0, 0.79)):
        got = soil_rate("tri_state_2020", "P", 30, crop, goal, extractant=M3, depth_in=8)
        table = load_table("removal")
        mine = table[
            (table["source_key"] == "TRI2020") & (table["crop"] == crop) & (table["nutrient"] == "P2O5")
        ]
        assert got.rate_lb_ac == pytest.approx(goal * mine["value"].iloc[0])
        assert mine["value"].iloc[0] == pytest.approx(per, abs=0.011)
        row = got.table.set_index("term").loc["removal"]
        assert (row["source_key"], row["provenance"]) == ("TRI2020", mine["provenance"].iloc[0])
    with pytest.raises(InputError, match="removal_lb_ac"):
        asked(LINES[0], 10, removal_lb_ac=math.inf)
    assert asked(LINES[0], 25, removal_lb_ac=0).rate_lb_ac == 0


@pytest.mark.parametrize(
    ("nutrient", "extractant", "a", "b", "c", "d", "critical"),
    [("P", "Mehlich-3 colorimetric", 50, 0.2, -2.5, -0.01, 20),
     ("K", ACETATE, 73, 0.21, -0.565, -0.0016, 130)],
)  # fmt: skip
def test_sufficiency_on_a_mesh(nutrient, extractant, a, b, c, d, critical):
    # MF2586 (from memory): a + b yield + c test + d yield x test; nothing from the critical level on
    for goal in (100.0, 250.0):
        for test in np.arange(0, critical + 1, critical / 10):
            got = soil_rate(
                "kansas_sufficiency", nutrient, float(test), "corn", goal, extractant=extractant, depth_in=6
            )
            rate = max(a + b * goal + c * test + d * goal * test, 0.0) if test < critical else 0.0
            assert got.rate_lb_ac == pytest.approx(rate, abs=1e-9)
            assert got.zone == ("sufficiency" if test < critical else "none")
            line = np.interp(test, got.corners["test"][:2], got.corners["rate_lb_ac"][:2], right=0.0)
            if test < got.corners["test"][1]:
                assert line == pytest.approx(rate, abs=1e-9)
            if got.zone == "sufficiency" and rate > 0:
                assert worked_again(got.equation)[0] == pytest.approx(rate)
        assert got.corners["test"].iloc[-1] == critical
        assert got.corners["rate_lb_ac"].iloc[-1] == 0
        assert (got.corners["rate_lb_ac"] >= -1e-9).all()
    assert got.equation == f"{critical:g} is at or above {critical:g}: nothing"


def test_sufficiency_whose_line_meets_zero_before_or_after_the_critical_level():
    # P at 150 bu: 80 - 4 x test is nothing at 20; with a critical level of 30 it stays nothing from 20 on,
    # with one of 10 it ends at 40
    lines = thresholds("kansas_mf2586", "P", "corn", asked="kansas_sufficiency")
    for critical, end in ((30.0, [20.0, 0.0]), (10.0, [10.0, 40.0])):
        own = dataclasses.replace(lines, critical=critical)
        terms = Terms(_rates("kansas_sufficiency", "P", "corn", "Mehlich-3 colorimetric"))
        got = equation_rate(terms, {"test": 25.0, "yield": 150.0, "om": None}, own, "sufficiency")
        assert got.corners == [(0.0, 80.0), pytest.approx(tuple(end)), (critical, 0.0)]
        # 80 - 4 x 25 = -20, of which nothing is applied
        assert (got.rate, got.zone) == ((0.0, "none") if critical == 10 else (-20.0, "sufficiency"))
    assert [_term(2.5, [4.0], False), _term(-0.01, [], False), _term(-3.0, [2.0, 5.0], True)] == [
        "+ 2.5 x 4", "- 0.01", "-3 x 2 x 5",
    ]  # fmt: skip


def test_coefficients_and_what_they_need():
    terms = Terms(_rates("tri_state_2020", "K", "corn", M3), 10.0)
    assert terms.take("build_per_unit") == pytest.approx(6)
    assert terms.take("extra", 0.0) == 20.0
    assert [row[0] for row in terms.rows] == ["build per unit", "extra"]
    with pytest.raises(LookupFailed, match="cec="):
        Terms(terms.rates).take("build_per_unit")
    assert Terms(_rates("tri_state_2020", "P", "corn", M3)).take("extra", 0.0) == 0.0


def test_checks_and_summary_of_a_rate():
    old = asked(LINES[4], 10, removal_lb_ac=48.0)
    checks = old.checks.set_index("check")
    assert not checks.loc["system is current", "passed"]
    memory = old.table["provenance"].isin(["from_memory", "mixed"]).sum()
    assert checks.loc["numbers not read in a source", "value"] == memory > 0
    assert not checks.loc["numbers not read in a source", "passed"]
    new = dataclasses.replace(old, status="current", table=old.table.assign(provenance="found"))
    assert new.checks["passed"].all()
    assert "memory" not in new.summary()
    assert new.summary().startswith(
        "Tri-State 1995, corn: 73 lb P2O5 per acre and year, build-up\n  (15 - 10) x 20"
    )
    metric = dataclasses.replace(old, unit="kg/ha")
    assert metric.rate == pytest.approx(old.rate_lb_ac * 0.45359237 / 0.40468564224)
    assert metric.line["rate"].tolist() == pytest.approx(
        (old.corners["rate_lb_ac"] * 0.45359237 / 0.40468564224).tolist()
    )
    assert old.summary().splitlines()[1].endswith(f"= {old.rate_lb_ac:.1f}")
    assert set(old.sources["source_key"]) >= {"TRI1995"}
    with pytest.raises(dataclasses.FrozenInstanceError):
        old.rate_lb_ac = 0.0


@pytest.mark.parametrize(
    ("nutrient", "crop", "rotation", "level"),
    [("P", "corn", ["soybean"], 20), ("P", "corn", ["soybean", "alfalfa"], 30),
     ("P", "soybean", ["wheat"], 30),
     ("P", "wheat", ["corn"], 30), ("K", "corn", ["wheat"], 120)],
)  # fmt: skip
def test_the_higher_line_of_a_rotation(nutrient, crop, rotation, level):
    got = soil_rate(
        "tri_state_2020", nutrient, 5, crop, 60, extractant=M3, depth_in=8, rotation=rotation, cec=10
    )
    terms = got.table["term"].tolist()
    name = "critical level (of the rotation)" if level == 30 and crop != "wheat" else "critical level"
    assert got.table.set_index("term").loc[name, "value"] == level
    assert ("maintenance limit" + name.removeprefix("critical level")) in terms


@pytest.mark.parametrize(
    ("text", "held", "lost"),
    [("CEC<=5", (4, 5), (6,)), ("CEC>=12", (12, 13), (11,)), ("CEC<12", (11,), (12, 13)),
     ("range CEC>5", (6,), (5, 4)), ("critical_level", (1, 100, None), ())],
)  # fmt: skip
def test_conditions_on_cec(text, held, lost):
    assert all(holds(text, cec) for cec in held)
    assert not any(holds(text, cec) for cec in lost)


def test_levels_as_numbers_and_lines():
    assert (level_of("75+2.5*CEC", 10.0), level_of("40", None)) == (100.0, 40.0)


def test_lines_of_each_crop_and_what_they_need():
    k = thresholds("tri_state_1995", "K", "corn", cec=8.0)
    assert (k.critical, k.limit, k.extractant, k.depth_in, k.test_unit, k.status) == (
        95.0, 125.0, ACETATE, 8, "ppm", "superseded",
    )  # fmt: skip
    for cec, says in ((None, "cec="), (0.0, "not a CEC"), (100.5, "not a CEC"), (-2.0, "not a CEC")):
        with pytest.raises((LookupFailed, InputError), match=says):
            thresholds("tri_state_1995", "K", "corn", cec=cec)
    assert thresholds("tri_state_1995", "K", "corn", cec=100.0).critical == 325.0
    assert thresholds("tri_state_1995", "P", "corn").critical == 15.0
    with pytest.raises(LookupFailed, match="one of high P-supply, low P-supply, medium P-supply"):
        thresholds("illinois_handbook", "P", "corn")
    for system, nutrient in (("iowa_2013", "P"), ("arkansas", "K")):
        crop = "corn" if system == "iowa_2013" else "cotton"
        with pytest.raises(LookupFailed, match="publishes no critical level with a maintenance limit"):
            thresholds(system, nutrient, crop)
    with pytest.raises(LookupFailed, match="unknown soil-test system"):
        system_rows("nowhere", "P", "corn")
    with pytest.raises(LookupFailed, match="mine has no levels of Zn, only of K, P"):
        system_rows("tri_state_2020", "Zn", "corn", asked="mine")
    assert rate_systems("P", "alfalfa") == ["north_carolina", "tri_state_1995", "tri_state_2020"]
    assert rate_systems("N", "potato") == []
    assert set(system_rows("illinois_survey", "K", "potato")["parameter"]) == {"critical_range"}  # all crops
    assert len(system_rows("illinois_handbook", "P", "soybean")) == 3
    assert isinstance(k, Thresholds)
    with pytest.raises(dataclasses.FrozenInstanceError):
        k.limit = 1.0


@pytest.mark.parametrize(
    ("test", "word"),
    [(0, "very low"), (10.9, "very low"), (11, "low"), (15.9, "low"), (16, "optimum"), (20.5, "optimum"),
     (21, "high"), (31, "very high"), (500, "very high")],
)  # fmt: skip
def test_classes_begin_at_their_low_end(test, word):
    # PM1688_2013, Bray-P1 in corn: 11, 16, 21 and 31 ppm (from memory)
    found, row = soil_class("iowa_2013", "P", test, "corn", extractant="Bray-P1")
    assert (found, row["extractant"]) == (word, "Bray-P1 or Mehlich-3 colorimetric")


def test_a_test_must_be_the_one_of_the_system():
    lines = thresholds("tri_state_2020", "P", "corn")
    assert check_test(lines, 60.0, "mehlich-3", 8, "lb/ac") == 30.0
    assert check_test(lines, 0.0, M3, 8, "ppm") == 0.0
    for bad in (math.inf, -1.0):
        with pytest.raises(InputError):
            check_test(lines, bad, M3, 8, "ppm")
    with pytest.raises(UnitError, match="8 in deep, not 7 in"):
        check_test(lines, 5.0, M3, 7, "ppm")
    anywhere = dataclasses.replace(lines, depth_in=NAN)
    assert check_test(anywhere, 5.0, M3, 3, "ppm") == 5.0
    assert fits("Mehlich-3", "ammonium acetate or Mehlich-3, dried")
    assert not fits("Mehlich", "ammonium acetate or Mehlich-3, dried")
    assert (
        in_unit(30.0, "ppm", "lb/ac"),
        in_unit(30.0, "mg/kg", "ppm"),
        in_unit(60.0, "lb/ac", "mg/kg"),
    ) == (60, 30, 30)
    for units in (("ppb", "ppm"), ("ppm", "ppb")):
        with pytest.raises(UnitError, match="'ppb'"):
            in_unit(1.0, *units)


def test_several_systems_side_by_side(ask_systems):
    tests = [(BRAY, 7.0, 28.0, "lb/ac"), (M3, 6.0, 40.0, "ppm"), (M3, 8.0, 30.0, "ppm")]
    rows = ask_systems("P", tests, "corn", 150, cases="high P-supply")
    about = ["critical", "limit", "test_unit", "zone_of_system"]
    assert rows.loc["tri_state_2020", about].tolist() == [20, 40, "ppm", "maintenance"]
    illinois = rows.loc["illinois_handbook"]
    assert (illinois["critical"], illinois["limit"], illinois["test_unit"]) == (40, 60, "lb/ac")
    assert worked_again(illinois["equation"])[1] == pytest.approx(illinois["rate_lb_ac"], abs=0.051)
    assert rows.loc["tri_state_1995", "why_not"] == "needs a test by Bray-P1 on a sample 8 in deep"
    # 28 lb/ac are 14 ppm, in PM1688's low; its samples are 6 in deep, so Bray at 7 in is not asked; 40 ppm of
    # Mehlich-3 is not one of its two; New Jersey states no depth: 40 ppm are 80 lb/ac, above optimum
    assert "iowa_2013" not in rows.index
    assert rows.loc["new_jersey", ["soil_class", "test_unit", "why_not"]].tolist() == [
        "high optimum", "lb/ac", "class high optimum: look up the rate in its guide",
    ]  # fmt: skip
    shallow = [(name, 6.0, value, unit) for name, _, value, unit in tests]
    rows = ask_systems("P", shallow, "corn", 150, cases="high P-supply")
    assert rows.loc["iowa_2013", "soil_class"] == "low"
    assert rows.index.is_unique


def test_buffers_at_their_edges():
    # CIAMPITTI2011: 8-11 kg P/ha per ppm; .2 from 45 ppm and .02 below 25 falling: 5 and 50 kg; P2O5 is
    # 2.2914 P, and a lb/ac 1.12085 kg/ha; RANDALL_P: 30 lb where the test rises
    pound = 2.2914 / 1.12085
    for test, falling, low, high in (
        (24.9, True, 8, 50), (25.0, True, 5, 50), (44.9, True, 5, 50), (45.0, True, 5, 11),
        (45.0, False, 8, 30 / pound), (10.0, False, 8, 30 / pound),
    ):  # fmt: skip
        got = soil_buffer("P2O5", test, falling=falling)
        assert (got.middle, got.low, got.high) == pytest.approx((20.0, low * pound, high * pound), rel=1e-4)
    for cec, middle, low, high in ((None, 8, 6, 10), (5.0, 5, 5, 10), (40.0, 12, 6, 12), (15.0, 7, 6, 10)):
        got = soil_buffer("K2O", 100.0, falling=True, cec=cec)
        assert (got.middle, got.low, got.high) == pytest.approx((middle, low, high))
    with pytest.raises(dataclasses.FrozenInstanceError):
        got.low = 0.0
