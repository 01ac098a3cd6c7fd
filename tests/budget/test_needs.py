"""Removal, uptake and what stays against figures printed by the publications.

Checks are numbered; P: printed by the source, D: derived from printed numbers, M: from memory.
"""

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.budget import nutrient_budget
from fertkit.budget.rates import amounts, derivation, published_rates, residue_lb_ac
from fertkit.reference import cite, load_table

PRINTED = [
    # id, crop, yield, unit, options, source, {nutrient: lb/ac}, tolerance
    (1, "corn", 200, "bu/ac", {}, "IPNI2008", {"K2O": 54}, 0.1),  # P IPNI2008
    (4, "corn", 150, "bu/ac", {}, "MSU2017", {"N": 135, "P2O5": 56, "K2O": 41}, 0.6),  # P MSU2017
    (5, "soybean", 40, "bu/ac", {}, "MSU2017", {"N": 152, "P2O5": 32, "K2O": 56}, 0.1),  # P MSU2017
    (6, "soybean", 50, "bu/ac", {}, "CSD2004", {"P2O5": 40, "K2O": 70}, 0.1),  # P CSD2004
    (7, "corn", 150, "bu/ac", {}, "TRI1995", {"P2O5": 55}, 0.6),  # P OSU_BUILD2012, 55.5 exact
    (12, "wheat", 100, "bu/ac", {}, "OSU_KNOX2023", {"P2O5": 50, "K2O": 25}, 0.1),  # P OSU_KNOX2023
    (13, "wheat", 100, "bu/ac", {"residue": 1}, "PSU_STRAW", {"P2O5": 100, "K2O": 180}, 0.1),  # P PSU_STRAW
    (14, "wheat", 60, "bu/ac", {"residue": 1}, "PSU_STRAW", {"P2O5": 60, "K2O": 108}, 0.1),  # P prints 110
    (17, "alfalfa", 5, "ton/ac", {}, "UKY142", {"N": 250, "P2O5": 70, "K2O": 275}, 0.1),  # P UKY142
    (55, "potato", 500, "cwt/ac", {}, "HORNECK2008", {"N": 214, "K2O": 288}, 0.5),  # P HORNECK2008
]


@pytest.mark.parametrize("case", PRINTED, ids=lambda c: f"check-{c[0]}")
def test_removal_printed_by_the_source(case, one):
    _, crop, goal, unit, options, source, expected, tolerance = case
    budget = nutrient_budget(crop, goal, unit, **options)
    for nutrient, pounds in expected.items():
        assert one(budget, nutrient, source) == pytest.approx(pounds, abs=tolerance)


def test_rotation_total_of_ohio(one):
    # check 9, OSU_ANR74 prints 100-120 lb of each for 180 bu corn + 60 bu soybean (range P, rates M)
    corn, soybean = nutrient_budget("corn", 180), nutrient_budget("soybean", 60)
    for nutrient, exact in (("P2O5", 110.4), ("K2O", 104.4)):
        total = one(corn, nutrient, "TRI2020") + one(soybean, nutrient, "TRI2020")
        assert total == pytest.approx(exact, abs=0.1)
        assert 100 <= total <= 120


@pytest.mark.parametrize(
    ("goal", "expected"),
    [
        (50, {"N": (87, 105), "P2O5": (47, 57), "K2O": (23, 29), "S": (14, 17)}),  # check 20, P CCC2010
        (35, {"N": (61, 74), "P2O5": (33, 40), "K2O": (16, 20), "S": (10, 12)}),  # check 21, P CCC2010
    ],
)
def test_canola_ranges(goal, expected, one):
    budget = nutrient_budget("canola", goal)
    for nutrient, (low, high) in expected.items():
        assert one(budget, nutrient, "CCC2010", "low") == pytest.approx(low, abs=1)
        assert one(budget, nutrient, "CCC2010", "high") == pytest.approx(high, abs=1)


def test_minnesota_interquartile(one):
    # check 22, P UMN2022: 200 bu corn, 50-66 lb P2O5 and 36-44 lb K2O
    budget = nutrient_budget("corn", 200)
    for nutrient, ends in (("P2O5", (50, 66)), ("K2O", (36, 44))):
        found = [one(budget, nutrient, "UMN2022", end) for end in ("low", "high")]
        assert found == pytest.approx(ends, abs=0.1)


def test_own_silage_analysis(one):
    # check 18 from the laboratory's side, P CORNELL_PO59: 20 ton at 35 % dry matter with 0.62 % P2O5
    budget = nutrient_budget(
        "corn", 20, "ton/ac", part="silage", analysis={"P2O5": 0.62}, moisture_pct=65, nutrients=["P"]
    )
    assert one(budget, "P2O5", "own analysis") == pytest.approx(86.8, abs=0.05)


def test_own_grain_analysis_is_elemental(one):
    # P given as element comes out as P2O5: 200 bu x 47.32 lb dry x 0.29 % x 2.29133 (IUPAC weights)
    budget = nutrient_budget("corn", 200, analysis={"P": 2.9}, analysis_unit="g/kg")
    assert one(budget, "P2O5", "own analysis") == pytest.approx(200 * 47.32 * 0.0029 * 2.29133, rel=1e-4)


BENDER = {"N": 255.2, "P2O5": 101.7, "K2O": 180.2, "S": 23.2}


@pytest.mark.parametrize("nutrient", BENDER)
def test_bender_corn_totals(nutrient, one):
    # check 31, D BENDER2013: 286, 114, 202, 26 kg/ha at 12.0 Mg/ha of dry grain
    dry_as_sold = 12.0 / (1 - 0.155)
    budget = nutrient_budget("corn", dry_as_sold, "Mg/ha")
    assert one(budget, nutrient, "BENDER2013", "uptake") == pytest.approx(BENDER[nutrient], abs=0.1)


def test_bender_corn_removed(one):
    # checks 32-34, D BENDER2013: 12.0 Mg/ha dry is 226 bu/ac; removed 286 x .58 and 114 x .79 kg/ha
    budget = nutrient_budget("corn", 12.0, "Mg/ha", moisture_pct=0, unit="kg/ha")
    assert budget.pounds / 56 == pytest.approx(226, abs=1)
    assert one(budget, "N", "BENDER2013") == pytest.approx(165.9, abs=0.1)
    assert one(budget, "P2O5", "BENDER2013") == pytest.approx(90.1, abs=0.1)


def test_bender_soybean(one):
    # checks 36-38, BENDER2015: 3500 kg/ha dry is 59.8 bu/ac; P 21 kg = 48.1 P2O5, K 172 kg = 207.2 K2O;
    # removed 275 x .73 N and 21 x .81 P
    budget = nutrient_budget("soybean", 3500, "kg/ha", moisture_pct=0, unit="kg/ha")
    assert budget.pounds / 60 == pytest.approx(59.8, abs=0.3)
    assert one(budget, "P2O5", "BENDER2015", "uptake") == pytest.approx(48.1, abs=0.2)
    assert one(budget, "K2O", "BENDER2015", "uptake") == pytest.approx(207.2, abs=0.3)
    assert one(budget, "N", "BENDER2015") == pytest.approx(200.8, abs=0.1)
    element = nutrient_budget("soybean", 3500, "kg/ha", moisture_pct=0, unit="kg/ha", form="element")
    assert one(element, "P", "BENDER2015") == pytest.approx(17.0, abs=0.1)


@pytest.mark.parametrize(
    ("goal", "nutrient", "pounds"),
    [(40, "K2O", 140), (55, "K2O", 190), (70, "K2O", 220), (70, "N", 360), (55, "P2O5", 53)],  # P SNYDER2000
)
def test_several_yields_of_one_source(goal, nutrient, pounds, one):
    budget = nutrient_budget("soybean", goal, source="SNYDER2000")
    assert one(budget, nutrient, "SNYDER2000", "uptake") == pytest.approx(pounds)


def test_values_of_the_tables_of_eastern_canada_and_the_united_kingdom(one):
    # ECANADA2001 prints barley of 75 bu: 90-110 N and 75-110 K2O taken up, 65-85 N and 20-25 K2O removed
    barley = nutrient_budget("barley", 75)
    assert one(barley, "N", "ECANADA2001", "uptake") == pytest.approx(100)
    assert one(barley, "N", "ECANADA2001", "uptake_low") == pytest.approx(90)
    assert one(barley, "K2O", "ECANADA2001", "uptake_high") == pytest.approx(110)
    for end, pounds in (("low", 20), ("removed", 22.5), ("high", 25)):
        assert one(barley, "K2O", "ECANADA2001", end) == pytest.approx(pounds, rel=1e-4)
    # RB209_2020 prints 6.5 P2O5, 5.5 K2O and 2.0 MgO (1.206 Mg) a tonne of wheat; 14 and 11 of rape
    wheat = nutrient_budget("winter wheat", 8, "t/ha", unit="kg/ha")
    for nutrient, per_tonne in (("P2O5", 6.5), ("K2O", 5.5), ("Mg", 1.206)):
        assert one(wheat, nutrient, "RB209_2020") == pytest.approx(8 * per_tonne, rel=1e-3)
    assert wheat.defaults.set_index("nutrient").loc["Mg", "removed_source"] == "RB209_2020"
    rape = nutrient_budget("oilseed rape", 4, "t/ha", unit="kg/ha")
    assert one(rape, "P2O5", "RB209_2020") == pytest.approx(56)
    # CCC2023 prints 1.68 N removed (1.36-2.00) and 2.38 taken up (1.12-3.64) a bushel
    canola = nutrient_budget("canola", 40)
    assert [one(canola, "N", "CCC2023", c) for c in ("removed", "low", "high", "uptake")] == pytest.approx(
        [67.2, 54.4, 80.0, 95.2]
    )
    assert canola.defaults.set_index("nutrient").loc["N", "removed_source"] == "CCC2023"
    # silage of 25 short tons: 1.4 P2O5 a tonne is 2.8 lb a ton
    silage = nutrient_budget("corn", 25, "ton/ac", part="silage")
    assert one(silage, "P2O5", "RB209_2020") == pytest.approx(70, abs=0.1)
    assert silage.defaults.set_index("nutrient").loc["P2O5", "removed_source"] == "RB209_2020"


@pytest.mark.parametrize(
    ("crop", "goal", "unit"),
    [("corn", 200, "bu/ac"), ("soybean", 60, "bu/ac"), ("wheat", 75, "bu/ac"), ("winter wheat", 80, "bu/ac"),
     ("spring wheat", 60, "bu/ac"), ("durum wheat", 60, "bu/ac"), ("common wheat", 80, "bu/ac"),
     ("barley", 80, "bu/ac"), ("oats", 90, "bu/ac"), ("rye", 50, "bu/ac"), ("cereal rye", 50, "bu/ac"),
     ("sorghum", 100, "bu/ac"), ("rice", 7500, "lb/ac"), ("canola", 40, "bu/ac"), ("potato", 450, "cwt/ac"),
     ("sunflower", 2000, "lb/ac"), ("dry bean", 2400, "lb/ac"), ("field pea", 45, "bu/ac"),
     ("alfalfa", 5, "ton/ac"), ("cotton", 2, "bale/ac"), ("sugar beet", 30, "ton/ac")],
)  # fmt: skip
def test_no_crop_loses_more_than_it_takes_up(crop, goal, unit):
    # usual goals; mass balance: what is removed with the harvest cannot exceed what the crop took up
    shown = nutrient_budget(crop, goal, unit).defaults
    both = shown.dropna(subset=["uptake", "removed"])
    assert (both["removed"] <= both["uptake"] * (1 + 1e-9)).all()
    assert shown[["uptake", "removed"]].notna().any(axis=1).all()


@pytest.mark.parametrize("crop", sorted(set(load_table("removal")["crop"])))
def test_rows_are_whole_and_traceable(crop):
    table = nutrient_budget(crop, 2, "ton/ac").table
    assert not table.duplicated(["crop", "nutrient", "source_key"]).any()
    assert (table["provenance"] != "").all()
    assert all(cite(key) for key in table["source_key"])
    full = table.dropna(subset=["uptake", "removed"])
    np.testing.assert_allclose(full["removed"] + full["stays"], full["uptake"])
    np.testing.assert_allclose(full["share_removed"], full["removed"] / full["uptake"])
    assert (full["stays"] >= -1e-9).all()


CROPS = st.sampled_from(["corn", "soybean", "wheat", "barley", "canola"])


@settings(max_examples=25, deadline=None)
@given(CROPS, st.floats(1, 150), st.floats(0, 1))
def test_no_mass_is_lost(crop, goal, baled):
    rates = published_rates(crop)
    pounds = np.array([goal * 60.0])
    got = amounts(rates, pounds, [baled], residue_lb_ac(crop, pounds))
    whole = ~np.isnan(got["uptake"]) & ~np.isnan(got["removed"])
    np.testing.assert_allclose((got["removed"] + got["stays"])[whole], got["uptake"][whole])
    more = amounts(rates, pounds, [min(1.0, baled + 0.1)], residue_lb_ac(crop, pounds))
    both = whole & ~np.isnan(more["removed"])
    assert (more["removed"][both] >= got["removed"][both] - 1e-9).all()


@pytest.mark.parametrize("crop", ["soybean", "corn", "wheat"])
@pytest.mark.parametrize("goal", [47, 61, 80, 93])
def test_printed_parts_add_up(crop, goal):
    lines = [
        t for t in nutrient_budget(crop, goal).summary().splitlines() if t.endswith("stays") or "stays;" in t
    ]
    assert lines
    for line in lines:
        up, off, left = map(float, re.search(r"(\S+) \[\w+\]; (\S+) removed .*?, (\S+) stays", line).groups())
        assert up == pytest.approx(off + left, abs=1e-9)


def test_a_removal_that_the_source_prints_is_not_called_worked_out():
    # BENDER2015 prints uptake, removal and harvest index of soybeans; were removal left out, it would follow.
    rates = [r for r in published_rates("soybean") if r.source_key == "BENDER2015" and r.share > 0]
    assert {r.nutrient for r in rates} >= {"N", "P2O5"}
    for rate in rates:
        assert derivation(rate) == ""
        assert derivation(replace(rate, harvested=np.nan)) == "removed = uptake x harvest index"
