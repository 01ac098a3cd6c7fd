"""Which study leads, what stands beside it, and how far the studies differ: against their printed figures."""

import re

import pytest

from fertkit.budget import nutrient_budget, season_demand
from fertkit.budget.rates import parts_of
from fertkit.errors import InputError, LookupFailed
from fertkit.reference import load_table
from fertkit.reference.profiles import read_profile

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


def test_a_share_is_of_one_row_and_never_of_two_classes_of_wheat():
    # RB209 prints uptake of winter and spring wheat and, of durum, grain only: 80 bu of 60 lb are 4800 lb;
    # spring wheat 8.0 and 5.5 kg/t off, that is 38.4 and 26.4 lb, of 8.865 and 16.745 kg/t taken up
    shown = nutrient_budget("wheat", 80, region="Europe").defaults.set_index("nutrient")
    assert shown.loc["P2O5", "share_removed"] == pytest.approx(38.4 / 42.552, rel=1e-3)
    assert shown.loc["K2O", "share_removed"] == pytest.approx(26.4 / 80.376, rel=1e-3)
    for crop in ("wheat", "durum wheat"):
        assert "nan" not in str(nutrient_budget(crop, 80, region="Europe").summary())


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
