"""Explanations: ranked, doubted where they should be, with a caution and a source for each word of advice."""

import re

import pandas as pd
import pytest

from fertkit.errors import LookupFailed
from fertkit.reference.facts import load_facts
from fertkit.tissue import explain, score_tissue
from fertkit.tissue.causes import RESIDUE, _residue

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
    # petioles, stage and part are known, and every nutrient of the sample has a range
    assert nothing.summary().startswith("Nothing needs action: nothing is short by any source")


def test_only_doubtful_findings_wait(tidy):
    # K 1.80 % lies above 1.7 (KSU_SOY) and inside the critical band 1.56-1.99 of one other source.
    result = explained(tidy, FULL | {"K": 1.9})
    assert set(result.table["confidence"]) == {"doubtful"}
    assert result.summary().startswith("Nothing needs action: no result is clearly short. Too close to call")
    told = {"symptoms": "new leaves", "soil_tests": {"K": "enough"}}
    held = explained(tidy, FULL | {"K": 1.2}, where=SOY | {"growth_stage": "R2"}, **told)
    assert held.summary().startswith("No action yet: what looks short is doubtful (K in North).")


def test_symptoms_on_the_wrong_leaves_and_a_good_soil_test_lower_confidence(tidy):
    low, early = FULL | {"K": 1.2}, SOY | {"growth_stage": "R2"}
    right, wrong = (explained(tidy, low, where=early, symptoms=f"{age} leaves") for age in ("old", "new"))
    assert right.table.iloc[0]["confidence"] == "likely"
    assert wrong.table.iloc[0]["confidence"] == "possible"
    pods = explained(tidy, low, symptoms="new leaves")  # from pod set on upper leaves show it too
    assert pods.table.iloc[0]["confidence"] == "likely"
    both = explained(tidy, low, where=early, symptoms="new leaves", soil_tests={"K": "enough"})
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
    assert {"STAMMER2018", "ARK_K2016"} <= set(result.sources["source_key"])
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
    assert late[["N", "Zn"]].tolist() == ["too late for a useful application (after tasseling)"] * 2
    tassel = explained(tidy, values, where=corn | {"growth_stage": "VT"}).table.set_index("nutrient")
    assert "side-dress" in tassel.loc["N", "this_season"]
    for stage, words in (("R3", "granular potash"), ("R4", "granular potash")):
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


WHEAT = {"crop": "wheat", "growth_stage": "GS 31", "plant_part": "whole plant"}
HUNGRY = {"N": 2.85, "P": 0.22, "K": 2.1, "Mg": 0.08, "S": 0.18, "Zn": 17.5, "Cu": 3.0, "B": 2.0}


def test_a_severe_value_is_never_left_for_later(tidy):
    """Wheat far below the one remembered Mg limit (KSU_WHEAT 0.15 %) while many others are short."""
    result = explained(tidy, HUNGRY, where=WHEAT)
    words = result.table.set_index("nutrient")["confidence"]
    assert {"many short together", "values from memory"} <= set(result.doubts["key"])
    assert words["Mg"] == "look first"
    assert words["S"] == "doubtful"  # 0.18 against 0.19 %: near the limit
    text = result.summary()
    assert "Short, but look first at roots, water and sampling: Mg 0.08 %" in text
    assert "check now: Dig plants" in text
    later = next(line for line in text.splitlines() if line.startswith("Too close to call"))
    assert "Mg" not in later
    assert "North S" in later


def test_short_by_most_sources_and_many_short_together_is_no_reason_to_wait(tidy):
    corn = {"crop": "corn", "plant_part": "ear leaf", "growth_stage": "R1"}
    low = {"N": 2.2, "P": 0.22, "K": 1.45, "Mg": 0.1, "S": 0.08, "Zn": 10.0, "Mn": 10.0}
    words = explained(tidy, low, where=corn).table.set_index("nutrient")["confidence"]
    assert words["P"] == "look first"
    # K 1.45 % is short of 1.8 (SCSB394_UDEL) alone: two trials in Iowa print 1.02 to 1.42 %
    assert words.drop("K").isin(["possible", "look first"]).all()


def test_a_doubt_that_explains_the_value_still_makes_it_doubtful(tidy):
    low = HUNGRY | {"Mg": 0.08, "K": 4.5}
    result = explained(tidy, low, where=WHEAT, soil_tests={"Mg": "enough"}, told=["drought"])
    assert result.table.set_index("nutrient").loc["Mg", "confidence"] == "doubtful"


def test_every_short_nutrient_is_named_however_many_there_are(tidy):
    low = {name: HUNGRY for name in ("North", "South", "East", "West")}
    result = explain(score_tissue(tidy(low, **WHEAT)))
    text = result.summary()
    for r in result.table.itertuples():
        assert re.search(rf"{r.sample_id} {r.nutrient}\b", text) or f"{r.nutrient} " in text
    rest = next(line for line in text.splitlines() if line.startswith("Short as well"))
    assert "West K (look first)" in rest


def test_doubts_name_sample_and_nutrient(tidy):
    text = explained(tidy, HUNGRY, where=WHEAT).summary()
    line = next(line for line in text.splitlines() if "values from memory (" in line)
    named = line.partition("(")[2].partition(")")[0]
    assert "Mg" in named
    assert not re.search(r"\bN\b|\bP\b", named)  # of N and P CIMMYT_WHEAT prints ranges


def test_results_above_a_range_say_what_could_make_them_so(tidy):
    corn = {"crop": "corn", "plant_part": "ear leaf", "growth_stage": "R1"}
    result = explained(tidy, {"N": 3.0, "Fe": 1250.0}, where=corn)
    assert result.above["nutrient"].tolist() == ["Fe"]
    assert result.above["class"].item() in ("high", "excessive")
    line = next(line for line in result.summary().splitlines() if line.startswith("Above the range"))
    assert "Fe 1250 mg/kg" in line
    assert "Soil or dust on the leaf" in line
    assert "WYTTENBACH1998" in set(result.sources["source_key"])
    texts = [t.get_text() for t in result.plot().texts]
    assert "1250" in texts


def test_one_sprayed_element_far_above_the_others_looks_like_residue():
    first, second = list(RESIDUE)[:2]
    one = pd.DataFrame({"nutrient": [first, second, "K"], "class": ["excessive", "sufficient", "excessive"]})
    assert _residue(one) == [first]
    assert _residue(one.assign(**{"class": ["excessive", "excessive", "low"]})) == []
    assert _residue(one.assign(**{"class": "sufficient"})) == []
