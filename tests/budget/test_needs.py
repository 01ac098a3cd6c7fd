"""Removal, uptake and what stays against figures printed by the publications.

Checks are numbered; P: printed by the source, D: derived from printed numbers, M: from memory.
"""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.budget import nutrient_budget, season_demand
from fertkit.budget.ledger import season_book
from fertkit.budget.rates import amounts, derivation, parts_of, published_rates, residue_lb_ac
from fertkit.budget.yields import far_outside
from fertkit.errors import InputError, LookupFailed, UnitError
from fertkit.reference import cite, load_table
from fertkit.reference.profiles import read_profile


def one(budget, nutrient, source, column="removed"):
    rows = budget.table[(budget.table["nutrient"] == nutrient) & (budget.table["source_key"] == source)]
    assert len(rows) == 1
    return rows[column].iloc[0]


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
def test_removal_printed_by_the_source(case):
    _, crop, goal, unit, options, source, expected, tolerance = case
    budget = nutrient_budget(crop, goal, unit, **options)
    for nutrient, pounds in expected.items():
        assert one(budget, nutrient, source) == pytest.approx(pounds, abs=tolerance)


def test_baled_stover():
    # checks 2 and 3, P IPNI2008: 200 bu of corn hold 220 lb K2O in all stover; half of it baled takes 110
    assert one(nutrient_budget("corn", 200, residue=1), "K2O", "IPNI2008", "baled") == pytest.approx(220)
    half = nutrient_budget("corn", 200, residue=0.5)
    assert one(half, "K2O", "IPNI2008", "baled") == pytest.approx(110)
    assert one(half, "K2O", "IPNI2008", "removed") == pytest.approx(54 + 110)


def test_straw_by_weight():
    # check 15, P PSU_STRAW: 2 tons of straw left on the field keep 40 lb K2O there; baled, they take it away
    kept = nutrient_budget("wheat", 80, residue_ton_ac=2)
    assert one(kept, "K2O", "PSU_STRAW", "stays") == pytest.approx(40)
    baled = nutrient_budget("wheat", 80, residue=1, residue_ton_ac=2)
    assert one(baled, "K2O", "PSU_STRAW", "baled") == pytest.approx(40)


def test_rotation_total_of_ohio():
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
def test_canola_ranges(goal, expected):
    budget = nutrient_budget("canola", goal)
    for nutrient, (low, high) in expected.items():
        assert one(budget, nutrient, "CCC2010", "low") == pytest.approx(low, abs=1)
        assert one(budget, nutrient, "CCC2010", "high") == pytest.approx(high, abs=1)


def test_minnesota_interquartile():
    # check 22, P UMN2022: 200 bu corn, 50-66 lb P2O5 and 36-44 lb K2O
    budget = nutrient_budget("corn", 200)
    for nutrient, ends in (("P2O5", (50, 66)), ("K2O", (36, 44))):
        found = [one(budget, nutrient, "UMN2022", end) for end in ("low", "high")]
        assert found == pytest.approx(ends, abs=0.1)


@pytest.mark.parametrize(
    ("crop", "goal", "unit", "far"),
    [
        ("soybean", 150, "bu/ac", True),
        ("wheat", 8.5, "bu/ac", True),  # 8.5 t/ha typed without its unit
        ("wheat", 8.5, "t/ha", False),
        ("soybean", 60, "bu/ac", False),
        ("soybean", 90, "bu/ac", False),
        ("canola", 20, "bu/ac", False),
        ("sorghum", 5, "bu/ac", False),  # no source gives its yields
    ],
)
def test_a_goal_far_from_the_yields_of_the_sources(crop, goal, unit, far):
    # Yields as printed: KSU_SOY 40, SNYDER2000 40 to 70, PSU_STRAW 100, ECANADA2001 75, CCC2010 35 bu/ac.
    budget = nutrient_budget(crop, goal, unit)
    told = [note for note in budget.notes if "far outside" in note]
    assert len(told) == far
    assert ("far outside" in budget.summary()) == far


def test_own_silage_analysis():
    # check 18 from the laboratory's side, P CORNELL_PO59: 20 ton at 35 % dry matter with 0.62 % P2O5
    budget = nutrient_budget(
        "corn", 20, "ton/ac", part="silage", analysis={"P2O5": 0.62}, moisture_pct=65, nutrients=["P"]
    )
    assert one(budget, "P2O5", "own analysis") == pytest.approx(86.8, abs=0.05)


def test_own_grain_analysis_is_elemental():
    # P given as element comes out as P2O5: 200 bu x 47.32 lb dry x 0.29 % x 2.29133 (IUPAC weights)
    budget = nutrient_budget("corn", 200, analysis={"P": 2.9}, analysis_unit="g/kg")
    assert one(budget, "P2O5", "own analysis") == pytest.approx(200 * 47.32 * 0.0029 * 2.29133, rel=1e-4)


BENDER = {"N": 255.2, "P2O5": 101.7, "K2O": 180.2, "S": 23.2}


@pytest.mark.parametrize("nutrient", BENDER)
def test_bender_corn_totals(nutrient):
    # check 31, D BENDER2013: 286, 114, 202, 26 kg/ha at 12.0 Mg/ha of dry grain
    dry_as_sold = 12.0 / (1 - 0.155)
    budget = nutrient_budget("corn", dry_as_sold, "Mg/ha")
    assert one(budget, nutrient, "BENDER2013", "uptake") == pytest.approx(BENDER[nutrient], abs=0.1)


def test_bender_corn_removed():
    # checks 32-34, D BENDER2013: 12.0 Mg/ha dry is 226 bu/ac; removed 286 x .58 and 114 x .79 kg/ha
    budget = nutrient_budget("corn", 12.0, "Mg/ha", moisture_pct=0, unit="kg/ha")
    assert budget.pounds / 56 == pytest.approx(226, abs=1)
    assert one(budget, "N", "BENDER2013") == pytest.approx(165.9, abs=0.1)
    assert one(budget, "P2O5", "BENDER2013") == pytest.approx(90.1, abs=0.1)


def test_bender_soybean():
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
def test_several_yields_of_one_source(goal, nutrient, pounds):
    budget = nutrient_budget("soybean", goal, source="SNYDER2000")
    assert one(budget, nutrient, "SNYDER2000", "uptake") == pytest.approx(pounds)


def test_corn_residue_potassium():
    # check 41, D MALLARINO2012: 49 lb K2O is 41 % of what is left at maturity, 170 bu
    budget = nutrient_budget("corn", 170)
    assert one(budget, "K2O", "MALLARINO2012", "stays") == pytest.approx(49 / 0.41, abs=1)


# 80 bu/ac soybean: common practice, no source, shown beside the published values
TAKEN = {"N": 348, "P2O5": 78, "K2O": 176, "S": 28, "Ca": 76, "Mg": 40}
LEAVE = {"N": (260, 0.75), "P2O5": (59, 0.75), "K2O": (96, 0.55)}


def test_trade_figures_are_shown_and_marked():
    budget = nutrient_budget("soybean", 80)
    trade = budget.common_practice.set_index("nutrient")
    assert trade["uptake"].round().to_dict() == TAKEN
    for nutrient, (pounds, share) in LEAVE.items():
        assert trade.loc[nutrient, "removed"] == pytest.approx(pounds, abs=0.5)
        assert trade.loc[nutrient, "share_removed"] == pytest.approx(share, abs=0.01)
    assert set(trade["provenance"]) == {"common practice, no source"}
    assert "Common practice, no source" in budget.summary()


def test_the_season_maximum_of_soybean_leads_and_content_at_harvest_stands_beside_it():
    # BENDER2015 (doi 10.2134/agronj14.0435), 275 N, 48 P2O5, 207 K2O, 19 S, 113 Ca, 50 Mg kg/ha at 3500 kg/ha
    # of dry grain, is 328, 57, 247, 23, 135 and 60 lb/ac at 80 bu
    budget = nutrient_budget("soybean", 80)
    shown = budget.defaults.set_index("nutrient")
    leads = {"N": 328, "P2O5": 57, "K2O": 247, "S": 23, "Ca": 135, "Mg": 60}
    for nutrient, pounds in leads.items():
        assert shown.loc[nutrient, "uptake"] == pytest.approx(pounds, abs=0.6)
        assert shown.loc[nutrient, ["uptake_source", "counted"]].tolist() == ["BENDER2015", "season maximum"]
    # KSU_SOY, grain and stover at harvest, is near the trade figures
    held = budget.at_harvest.set_index("nutrient")
    for nutrient in ("P2O5", "K2O"):
        assert held.loc[nutrient, "source_key"] == "KSU_SOY"
        assert held.loc[nutrient, "uptake"] == pytest.approx(TAKEN[nutrient], abs=5)
        assert held.loc[nutrient, "removed"] == pytest.approx(LEAVE[nutrient][0], abs=5)
        assert held.loc[nutrient, "share_removed"] == pytest.approx(LEAVE[nutrient][1], abs=0.01)
        assert f"{nutrient} at harvest, another study: content" in budget.summary()


def test_the_leading_study_answers_for_all_it_gives_and_the_next_is_named():
    shown = nutrient_budget("soybean", 60).defaults.set_index("nutrient")
    for nutrient in ("N", "P2O5", "S", "Cu"):
        assert shown.loc[nutrient, ["uptake_source", "removed_source"]].tolist() == ["BENDER2015"] * 2
    assert shown.loc["K2O", "removed_source"] == "KSU_SOY"
    assert shown.loc["K2O", ["share_removed", "stays"]].isna().all()  # of two studies
    text = nutrient_budget("soybean", 60).summary()
    assert "185 [BENDER2015]; 75 removed with the grain [KSU_SOY]" in text


def test_studies_by_region_by_list_and_left_out():
    def sources(**options):
        shown = nutrient_budget("soybean", 60, **options).defaults.set_index("nutrient")
        return shown.loc["K2O", ["uptake_source", "removed_source"]].tolist()

    assert sources(region="Eastern Canada") == ["ECANADA2001", "ONT2025"]
    assert sources(region="Brazil") == ["BENDER2015", "KSU_SOY"]  # no K2O from there: the others fill in
    assert sources(source=["SNYDER2000", "KSU_SOY"]) == ["SNYDER2000", "KSU_SOY"]
    assert sources(source=["KSU_SOY", "SNYDER2000"]) == ["KSU_SOY", "KSU_SOY"]
    assert sources(without="BENDER2015")[0] == "KSU_SOY"
    everyone = set(nutrient_budget("soybean", 60).table["source_key"])
    assert set(nutrient_budget("soybean", 60, region="Europe").table["source_key"]) == everyone
    for wrong in ({"without": "NOBODY"}, {"region": "Atlantis"}):
        with pytest.raises(LookupFailed, match=r"NOBODY|Atlantis"):
            nutrient_budget("soybean", 60, **wrong)


def test_a_profile_file_keeps_the_choice(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('region = "Eastern Canada"\nwithout = ["SNYDER2000"]\n', encoding="utf-8")
    chosen = read_profile(path)
    budget = nutrient_budget("soybean", 60, **chosen)
    assert budget.defaults.set_index("nutrient").loc["Ca", "uptake_source"] == "ECANADA2001"
    assert "SNYDER2000" not in set(budget.table["source_key"])
    season = season_demand("soybean", 60, **chosen)
    assert set(season.totals["uptake_source"]) == {"ECANADA2001"}
    path.write_text('regoin = "x"\nsource = 3\n', encoding="utf-8")
    with pytest.raises(InputError) as refused:
        read_profile(path)
    assert [p.column for p in refused.value.problems] == ["regoin", "source"]
    for text in ("region = ", "\xff"):
        path.write_bytes(text.encode("latin-1"))
        with pytest.raises(InputError, match="not a profile"):
            read_profile(path)


def test_values_of_the_tables_of_eastern_canada_and_the_united_kingdom():
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


def test_trade_figures_are_not_a_source():
    budget = nutrient_budget("soybean", 80)
    assert "COMMON_PRACTICE" not in set(budget.published["source_key"])
    alone = nutrient_budget("soybean", 80, source=list(budget.published["source_key"].unique()))
    assert alone.spread.equals(budget.spread)


def test_disagreements_stay_visible():
    # corn grain K2O per bushel runs from .18 (36 lb of 200 bu, UMN2022) to .30 (the high end of ONT2025)
    spread = nutrient_budget("corn", 100).spread.set_index("nutrient").loc["K2O"]
    assert spread["removed_lowest"] == pytest.approx(18, abs=0.1)
    assert spread["removed_highest"] == pytest.approx(30, abs=0.1)
    # soybean Ca at 80 bu from 40 (ECANADA2001, 25 at 50 bu) to 135 (BENDER2015); Mg 16 of 40 bu (SNYDER2000)
    spread = nutrient_budget("soybean", 80).spread.set_index("nutrient")
    assert spread.loc["Ca", ["uptake_lowest", "uptake_highest"]].tolist() == pytest.approx([40, 135], abs=0.5)


def test_copies_of_one_study_count_once():
    # Bender 2015 in a journal and a magazine is one; KSU_SOY, SNYDER2000, PARVEJ2020 and ECANADA2001
    counts = nutrient_budget("soybean", 60).spread.set_index("nutrient")["uptake_sources"]
    assert counts["K2O"] == 5
    assert counts["Zn"] == 1


def test_market_class_takes_base_rows_too():
    keys = set(nutrient_budget("winter wheat", 90).table["source_key"])
    assert {"ONT2025", "OSU_KNOX2023"} <= keys
    crops = set(nutrient_budget("winter wheat", 90).table["crop"])
    assert crops == {"winter wheat", "wheat"}


def test_every_crop_states_its_default():
    chains = load_table("default_sources")
    for crop in load_table("removal")["crop"].unique():
        budget = nutrient_budget(crop, 1, "ton/ac")
        assert len(budget.defaults)
        assert set(budget.table["source_key"]) & set(chains["source_key"])


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


@settings(max_examples=8, deadline=None)
@given(st.floats(1, 250))
def test_units_do_not_change_the_answer(goal):
    # 39.368 bu of corn weigh 1 Mg (BUTABLE) and 2.47105 ac are 1 ha
    us = nutrient_budget("corn", goal)
    kg = nutrient_budget("corn", goal * 2.4710538 / 39.36826, "Mg/ha", unit="kg/ha")
    np.testing.assert_allclose(kg.table["removed"], us.table["removed"] * 1.1208511561944561, rtol=1e-5)


def test_field_totals():
    budget = nutrient_budget("corn", 200, area=10, area_unit="ha")
    acres = 10 / 0.40468564224
    np.testing.assert_allclose(budget.table["removed_field"], budget.table["removed"] * acres)
    assert set(budget.table["field_unit"]) == {"lb"}


@pytest.mark.parametrize("goal", [-1, 2000, float("nan"), float("inf")])
def test_impossible_yield(goal):
    with pytest.raises(InputError, match=r"cannot yield|not a number|number above 0"):
        nutrient_budget("corn", goal)


SILAGE = {"part": "silage", "yield_unit": "ton/ac", "yield_goal": 20}


@pytest.mark.parametrize(
    ("options", "error", "says"),
    [
        ({"crop": "kale"}, LookupFailed, "unknown crop 'kale'"),
        ({"crop": "peanut", "yield_unit": "lb/ac"}, LookupFailed, "no removal values for peanut"),
        ({"yield_unit": "bushel"}, UnitError, "unknown unit 'bushel'"),
        ({"crop": "alfalfa"}, UnitError, "not sold by the bushel; use one of: ton/ac, lb/ac, t/ha, kg/ha"),
        ({"yield_unit": "bale/ac"}, UnitError, "not sold by the bale; use one of: bu/ac, ton/ac"),
        ({"crop": "cotton"}, UnitError, "not sold by the bushel; use one of: bale/ac"),
        ({"source": "NOBODY"}, LookupFailed, "unknown source for corn 'NOBODY'"),
        ({"part": "roots"}, LookupFailed, "choose one of: grain, silage"),
        # 25 bushels of 56 lb would be 0.7 ton of silage: a number alone is no bushels of it
        ({"part": "silage"}, UnitError, "yields of corn silage are reported by weight"),
        ({"part": "silage", "yield_unit": "bu/ac"}, UnitError, "silage is not measured by the bushel"),
        ({"residue": 1.5}, InputError, "share baled from 0 to 1"),
        ({"residue": "burnt"}, InputError, "write kept"),
        ({"moisture_pct": 120}, InputError, "between 0 and 100"),
        ({"yield_goal": "lots"}, InputError, "'yield_goal'.* not a number"),
        ({"residue_ton_ac": -1}, InputError, "0 or more ton/ac"),
        ({"analysis": {"P": "some"}}, InputError, "column 'P', value 'some': not a number"),
        ({"area": -5}, InputError, "area of the field"),
        ({"area": 5, "area_unit": "acre"}, UnitError, "unknown unit of area"),
        ({"unit": "lb"}, UnitError, "unknown unit 'lb'"),
        ({"nutrients": ["Xx"]}, LookupFailed, "unknown nutrient 'Xx'"),
        ({"form": "salt"}, LookupFailed, "unknown form"),
        ({"analysis": {"P": 130}}, InputError, "not a share of dry matter"),
        ({"analysis": {"P": 1}, "analysis_unit": "ppm"}, UnitError, "unknown concentration unit"),
        (
            {"part": "silage", "moisture_pct": 65, "yield_unit": "ton/ac", "yield_goal": 20},
            UnitError,
            "your own analysis",
        ),
        (
            {"part": "silage", "residue": 1, "yield_unit": "ton/ac", "yield_goal": 20},
            InputError,
            "after silage",
        ),
    ],
)
def test_bad_requests_say_what_to_do(options, error, says):
    request = {"crop": "corn", "yield_goal": 100} | options
    with pytest.raises(error, match=says):
        nutrient_budget(**request)


def test_parts():
    assert parts_of("corn") == ["grain", "silage"]
    assert nutrient_budget("alfalfa", 5, "ton/ac").part == "hay"


def test_result_verbs():
    budget = nutrient_budget("soybean", 80)
    assert isinstance(budget.table, pd.DataFrame)
    assert set(budget.sources["source_key"]) == set(budget.table["source_key"])
    assert not budget.checks["passed"].all()  # 80 bu is more than any of the studies measured
    assert "<table" in budget._repr_html_()


@pytest.mark.parametrize(
    ("words", "unit"), [("tonnes/ha", "t/ha"), ("dt/ha", "q/ha"), ("bushels per acre", "bu/ac")]
)
def test_units_in_words(words, unit):
    # a metric tonne is 1000 kg and a decitonne 100 kg (SI brochure, table 8); q is the same 100 kg
    spelled, coded = nutrient_budget("wheat", 6, words), nutrient_budget("wheat", 6, unit)
    assert spelled.pounds == coded.pounds
    assert nutrient_budget("cotton", 2, "bales/ac").pounds == nutrient_budget("cotton", 2, "bale/ac").pounds


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


def test_a_goal_far_outside_is_set_against_the_yields_measured():
    # 5,600 and 11,200 lb of corn at 56 lb a bushel are 100 and 200 bu; the goal is ten times the higher.
    said = far_outside("corn", 2000, "bu/ac", 2000 * 56, [11200, 5600])
    assert "those of the sources (100 to 200 bu/ac)" in said[0]
    assert "(100 bu/ac)" in far_outside("corn", 2000, "bu/ac", 2000 * 56, [5600])[0]
    assert far_outside("corn", 150, "bu/ac", 150 * 56, [11200, 5600]) == []


def test_a_removal_that_the_source_prints_is_not_called_worked_out():
    # BENDER2015 prints uptake, removal and harvest index of soybeans; were removal left out, it would follow.
    rates = [r for r in published_rates("soybean") if r.source_key == "BENDER2015" and r.share > 0]
    assert {r.nutrient for r in rates} >= {"N", "P2O5"}
    for rate in rates:
        assert derivation(rate) == ""
        assert derivation(replace(rate, harvested=np.nan)) == "removed = uptake x harvest index"


def test_a_nutrient_is_known_in_any_case():
    for written in ("k2o", ["K2o"], "k"):
        assert nutrient_budget("corn", 200, nutrients=written).table["nutrient"].unique().tolist() == ["K2O"]


def test_a_share_is_of_one_row_and_never_of_two_classes_of_wheat():
    # RB209 prints uptake of winter and spring wheat and, of durum, grain only: 80 bu of 60 lb are 4800 lb;
    # spring wheat 8.0 and 5.5 kg/t off, that is 38.4 and 26.4 lb, of 8.865 and 16.745 kg/t taken up
    shown = nutrient_budget("wheat", 80, region="Europe").defaults.set_index("nutrient")
    assert shown.loc["P2O5", "share_removed"] == pytest.approx(38.4 / 42.552, rel=1e-3)
    assert shown.loc["K2O", "share_removed"] == pytest.approx(26.4 / 80.376, rel=1e-3)
    for crop in ("wheat", "durum wheat"):
        assert "nan" not in str(nutrient_budget(crop, 80, region="Europe").summary())


def test_with_straw_baled_it_is_the_harvest_that_removes():
    # corn K2O: removal is of another source than uptake, so the sentence names what takes it off
    for residue, what in (("kept", "removed with the grain"), (0.8, "removed with the harvest")):
        said = nutrient_budget("corn", 200, residue=residue).summary()
        assert what in said
        assert said.count("removed with the") == said.count(what)


def test_straw_holds_what_is_there_at_harvest_and_not_the_season_maximum():
    # P OSU_KNOX2023: 80 bu of wheat hold 0.25 lb K2O a bushel in grain and 29 lb a ton in straw; dry straw is
    # as heavy as dry grain: 4800 lb x .865 = 4152 lb or 2.076 tons
    budget = nutrient_budget("winter wheat", 80, residue=1)
    shown = budget.defaults.set_index("nutrient")
    assert shown.loc["K2O", "removed_source"] == "OSU_KNOX2023"
    assert shown.loc["K2O", "removed"] == pytest.approx(80 * 0.25 + 2.076 * 29)
    half = nutrient_budget("winter wheat", 80, residue=0.5).defaults.set_index("nutrient")
    assert half.loc["K2O", "removed"] == pytest.approx(80 * 0.25 + 2.076 * 29 / 2)
    # P ECANADA2001 of N, which wheat does not lose: grain and straw are all of it
    assert shown.loc["N", "removed"] == pytest.approx(shown.loc["N", "uptake"])
    [note] = [text for text in budget.notes if "OSU_KNOX2023" in text]
    assert note.startswith("K2O: leaves lose some before harvest")
    assert "removed with the harvest" in budget.summary()
    # kept straw: removal, uptake and what stays are as before
    assert not nutrient_budget("winter wheat", 80).notes


def test_stover_of_soybean_is_by_the_study_of_harvest():
    # P KSU_SOY, 40 bu: 30 and 50 lb in the grain, 10 and 40 lb in the stover; at 60 bu half as much again
    budget = nutrient_budget("soybean", 60, residue=1)
    shown = budget.defaults.set_index("nutrient")
    assert shown.loc[["P2O5", "K2O"], "removed"].tolist() == pytest.approx([1.5 * 40, 1.5 * 90])
    assert shown.loc["N", "removed_source"] == ""  # nobody prints N in stover
    assert any("removal with residue is not published" in text for text in budget.notes)


def test_the_book_of_a_season_counts_straw_as_it_is_at_harvest():
    budget = nutrient_budget("winter wheat", 80, residue=1)
    book = season_book(budget, "K2O", 60.0, budget.pounds, 0.5)
    assert book.removed == pytest.approx(80 * 0.25 + 2.076 * 29)
    assert (book.cost, book.balance) == pytest.approx((30.0, 60 - book.removed))


def test_straw_without_a_published_loss_is_at_most_uptake_less_grain():
    # ECANADA2001: barley, and no study of what it loses; straw by IPNI2014 39 and RB209 20 lb K2O a ton
    budget = nutrient_budget("barley", 90, residue=1)
    assert {"N", "K2O"} <= set(budget.at_most_removed)
    [line] = [text for text in budget.summary().splitlines() if text.strip().startswith("K2O  ")]
    assert "at most 111 removed" in line
    [note] = [text for text in budget.notes if "the most it can hold" in text]
    assert "20 to 39 K2O" in note
    assert not nutrient_budget("barley", 90).at_most_removed
    # GREGORY1979 measured what wheat loses of K and S
    assert not {"K2O", "S"} & set(nutrient_budget("wheat", 80, residue=1).at_most_removed)


def test_straw_is_asked_for_with_its_grain():
    with pytest.raises(LookupFailed, match=r"counted with its grain.*share of straw baled"):
        nutrient_budget("wheat", 2, "ton/ac", part="straw")


def test_forage_carries_its_cautions_and_grain_none():
    # CLEMSON_NITRATE: safe to 1,000 mg/kg NO3-N; OSU_NITRATE: normal below 700
    silage = nutrient_budget("corn", 25, "ton/ac", part="silage")
    assert "1,000" in silage.summary()
    assert "700" in silage.summary()
    assert {"CLEMSON_NITRATE", "OSU_NITRATE"} <= set(silage.sources["source_key"])
    assert nutrient_budget("corn", 200).cautions.empty
    assert "nitrate in forage" in set(nutrient_budget("corn", 200, residue=0.5).cautions["topic"])


@pytest.mark.parametrize("crop", sorted(set(load_table("removal")["crop"])))
def test_no_amount_rests_on_memory_where_one_was_read(crop):
    part = parts_of(crop)[0]
    unit = {"cotton": "bale/ac"}.get(crop, "t/ha")
    budget = nutrient_budget(crop, 2.0 if unit == "bale/ac" else 3.0, unit, part=part)
    for use in ("uptake", "removed"):
        read = budget.published[budget.published["provenance"] != "from_memory"].dropna(subset=use)
        shown = budget.defaults.set_index("nutrient")[f"{use}_source"]
        memory = budget.published[budget.published["provenance"] == "from_memory"]
        remembered = set(zip(memory["nutrient"], memory["source_key"], strict=True))
        for nutrient in set(read["nutrient"]):
            assert (nutrient, shown[nutrient]) not in remembered


def test_every_nutrient_has_a_span_or_says_of_how_many_studies_it_is():
    for crop, goal in (("soybean", 60), ("barley", 90), ("canola", 45), ("sorghum", 100)):
        rows = [
            line for line in nutrient_budget(crop, goal).summary().splitlines() if re.match(r"  \w+ ", line)
        ]
        assert rows
        assert all(re.search("published studies: .* to |one study|studies agree", row) for row in rows)
