"""Explanations: ranked, doubted where they should be, with a caution and a source for each word of advice."""

import re

import pytest

from fertkit.errors import LookupFailed
from fertkit.reference.facts import load_facts
from fertkit.tissue import explain, score_tissue

SOY = {"crop": "soybean", "growth_stage": "R3", "plant_part": "upper trifoliate without petiole"}
FULL = {"N": 4.8, "P": 0.48, "K": 2.2, "Ca": 1.1, "Mg": 0.6, "S": 0.3, "Zn": 45.0, "Mn": 60.0}


def explained(tidy, values, *, where=SOY, **evidence):
    return explain(score_tissue(tidy({"North": values}, **where)), **evidence)


def test_late_potassium_in_soybean(tidy):
    story = explained(tidy, FULL | {"K": 1.2})
    first = story.table.iloc[0]
    assert (first["nutrient"], first["confidence"]) == ("K", "likely")
    assert story.stories["key"].unique().tolist() == ["late potassium in soybean"]
    text = story.summary()
    assert "pods" in text
    assert "strip trial" in text
    early = explained(tidy, FULL | {"K": 1.2}, where=SOY | {"growth_stage": "R1"})
    assert early.stories.empty


def test_no_action_is_an_answer(tidy):
    nothing = explained(tidy, FULL)
    assert nothing.table.empty
    assert "No action" in nothing.summary()


def test_only_doubtful_findings_wait(tidy):
    # K 1.80 % lies above 1.7 (KSU_SOY) and inside the critical band 1.56-1.99 of one other source.
    result = explained(tidy, FULL | {"K": 1.9})
    assert set(result.table["confidence"]) == {"doubtful"}
    assert "No action yet" in result.summary()


def test_symptoms_on_the_wrong_leaves_and_a_good_soil_test_lower_confidence(tidy):
    low = FULL | {"K": 1.2}
    assert explained(tidy, low, symptoms="old leaves").table.iloc[0]["confidence"] == "likely"
    assert explained(tidy, low, symptoms="new leaves").table.iloc[0]["confidence"] == "possible"
    both = explained(tidy, low, symptoms="new leaves", soil_tests={"K": "enough"})
    assert both.table.iloc[0]["confidence"] == "doubtful"
    assert {"symptoms disagree", "soil test enough"} <= set(both.doubts["key"])


def test_soil_on_the_leaf_spoils_iron_not_potassium(tidy):
    dirty = {"K": 1.2, "Fe": 900.0, "Al": 800.0, "Mn": 15.0}
    doubts = explained(tidy, FULL | dirty).doubts
    assert set(doubts.loc[doubts["key"] == "soil on the leaf", "nutrient"]) == {"Fe", "Mn", "Al"}
    clean = explained(tidy, FULL | dirty | {"Al": 60.0}).doubts
    assert "soil on the leaf" not in set(clean["key"])


def test_many_short_together_points_to_roots(tidy):
    starved = {n: v * 0.4 for n, v in FULL.items()}
    result = explained(tidy, starved)
    assert "many short together" in set(result.doubts["key"])
    assert "likely" not in set(result.table["confidence"])


def test_potassium_over_magnesium_is_antagonism_first(tidy):
    result = explained(tidy, FULL | {"K": 3.2, "Mg": 0.2})
    doubts = result.doubts
    assert "Mg" in set(doubts.loc[doubts["key"] == "potassium over magnesium", "nutrient"])


def test_words_the_field_may_use_are_listed(tidy):
    with pytest.raises(LookupFailed, match="drought"):
        explained(tidy, FULL, told=["aliens"])
    with pytest.raises(LookupFailed, match="old leaves"):
        explained(tidy, FULL, symptoms="top")
    with pytest.raises(LookupFailed, match="North"):
        explained(tidy, FULL, sample="East")


def test_every_option_has_caution_and_source_and_no_rate():
    options = load_facts("options")
    assert (options[["caution", "source_key", "provenance"]] != "").all(axis=None)
    for column in ("option", "caution"):
        assert not options[column].str.contains(r"\d+\s*(?:lb|kg|oz|gal|l/ha)", flags=re.IGNORECASE).any()
    for name in ("distortions", "mobility", "stories", "patterns", "cvs", "balance_notes"):
        table = load_facts(name)
        assert (table[["source_key", "provenance"]] != "").all(axis=None)


def test_rates_are_left_to_local_advice(tidy):
    text = explained(tidy, FULL | {"K": 1.2}).summary()
    assert "certified adviser" in text
    assert "label" in text


def test_sources_of_an_explanation_are_cited(tidy):
    result = explained(tidy, FULL | {"K": 1.2})
    assert {"KSU_SOY", "CSD_FOLIAR"} <= set(result.sources["source_key"])
    assert (result.sources["citation"] != "the user's own table").all()


def test_season_over_leaves_out_this_season(tidy):
    result = explained(tidy, FULL | {"K": 1.2}, season_over=True)
    assert (result.table["this_season"] == "").all()
    assert "this season" not in result.summary()
    assert "next year" in result.summary()


def test_advice_for_this_season_ends_with_its_stage(tidy):
    corn = {"crop": "corn", "plant_part": "ear leaf", "growth_stage": "R1"}
    values = {"N": 1.8, "P": 0.3, "K": 2.2, "Ca": 0.4, "Mg": 0.3, "S": 0.25, "Zn": 8.0, "Mn": 60.0}
    late = explained(tidy, values, where=corn).table.set_index("nutrient")["this_season"]
    assert late[["N", "Zn"]].tolist() == ["nothing more (past VT)"] * 2
    tassel = explained(tidy, values, where=corn | {"growth_stage": "VT"}).table.set_index("nutrient")
    assert "side-dress" in tassel.loc["N", "this_season"]
    for stage, words in (("R3", "top-dress"), ("R4", "nothing more (past R3)")):
        table = explained(tidy, FULL | {"K": 1.2}, where=SOY | {"growth_stage": stage}).table
        assert words in table.set_index("nutrient").loc["K", "this_season"]


def test_inside_the_only_critical_range_is_doubtful_and_says_so(tidy):
    # Soybean K 1.71 %: critical concentration range 1.56-1.99 of Stammer and Mallarino 2018.
    scores = score_tissue(tidy({"North": FULL | {"K": 1.71}}, **SOY), source="STAMMER2018")
    result = explain(scores)
    assert result.table["confidence"].tolist() == ["doubtful"]
    assert "STAMMER2018" in result.table["source_key"].item()
    assert result.stories.empty
    assert "North K (within the critical range 1.56 to 1.99 (STAMMER2018))" in result.summary()


def test_findings_are_grouped_by_sample(tidy):
    low = {n: FULL | {"K": 1.2, "Mn": 9.0} for n in ("North", "South")}
    text = explain(score_tissue(tidy(low, **SOY))).summary().splitlines()
    north, south = text.index("North:"), text.index("South:")
    assert text[north + 1].startswith("1. ")
    assert text[south + 1].startswith("1. ")
    assert sum(line.startswith("2. ") for line in text[north:south]) == 1
    assert "Late potassium in soybean, North, South:" in text


def test_one_sample_is_explained_and_drawn_alone(tidy):
    low = {n: FULL | {"K": 1.2} for n in ("North", "South")}
    result = explain(score_tissue(tidy(low, **SOY)), sample="South")
    assert set(result.table["sample_id"]) == {"South"}
    assert [t.get_text().split()[0] for t in result.plot().get_yticklabels()] == ["South"]
