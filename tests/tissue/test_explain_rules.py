"""Rules of the explanation on invented samples and invented options; every answer is worked out here."""

import itertools
from types import SimpleNamespace

import pandas as pd
import pytest

from fertkit.errors import LookupFailed
from fertkit.tissue import causes, explain, score_tissue
from fertkit.tissue.causes import (
    SHORTFALL,
    _from_evidence,
    _item,
    _option,
    _ranked,
    _stories,
    confidence_word,
)

NAN = float("nan")
SOY = {"crop": "soybean", "growth_stage": "R3", "plant_part": "upper trifoliate without petiole"}


@pytest.mark.parametrize(
    ("chance", "share", "doubts", "in_part", "word"),
    [
        # the table: likely from 0.8 and all sources, possible from 0.5 and half of them, look first from 0.67
        (0.8, 1.0, 0, 0, "likely"), (0.79, 1.0, 0, 0, "possible"), (0.9, 0.99, 0, 0, "possible"),
        (0.5, 0.5, 0, 0, "possible"), (0.49, 0.5, 0, 0, "doubtful"), (0.9, 0.49, 0, 0, "doubtful"),
        # one step down for each doubt
        (0.9, 1.0, 1, 0, "possible"), (0.9, 1.0, 2, 0, "doubtful"), (0.9, 1.0, 9, 0, "doubtful"),
        (0.6, 1.0, 1, 0, "doubtful"), (0.1, 0.1, 1, 0, "doubtful"),
        # what only lowers the certainty ends at look first, where the value is clear by itself
        (0.9, 1.0, 0, 1, "possible"), (0.9, 1.0, 0, 2, "look first"), (0.9, 1.0, 0, 9, "look first"),
        (0.9, 1.0, 1, 1, "look first"), (0.9, 1.0, 2, 1, "doubtful"), (0.67, 0.5, 0, 1, "look first"),
        (0.66, 0.5, 0, 1, "doubtful"), (0.9, 0.5, 1, 1, "doubtful"), (0.9, 0.4, 0, 1, "doubtful"),
        # without a chance the share of the sources stands for it
        (NAN, 1.0, 0, 0, "likely"), (NAN, 0.75, 0, 0, "possible"), (NAN, 0.75, 0, 1, "look first"),
        (NAN, 0.6, 0, 1, "doubtful"), (NAN, 0.4, 0, 0, "doubtful"),
    ],
)  # fmt: skip
def test_the_word_for_a_chance_a_share_and_doubts(chance, share, doubts, in_part, word):
    assert confidence_word(chance, share, doubts, in_part) == word


TABLES = {
    "options": pd.DataFrame(
        [
            ("K", "", "", "", "this season", "dress any crop", "mind the salt", "GENERAL", "found"),
            ("K", "soybean", "", "", "this season", "dress soybean", "", "OWN", "found"),
            ("K", "soybean", "R4", "R8", "this season", "too late", "", "STAGES", "from_memory"),
            ("K", "", "", "", "next year", "test the soil", "ask around", "LATER", "found"),
            ("Zn", "", "", "", "this season", "spray zinc", "mind the leaf", "SPRAY", "mixed"),
            ("", "soybean", "R2", "R8", "this season", "past all", "", "STAGES", "from_memory"),
            ("K", "corn", "VT", "R6", "this season", "too late", "", "STAGES", "from_memory"),
            ("N", "corn", "", "", "this season", "side-dress", "mind the roots", "CORN", "found"),
        ],
        columns=[
            *("nutrient", "crop", "stage_from", "stage_to", "when", "option", "caution"),
            *("source_key", "provenance"),
        ],
    ),
    "mobility": pd.DataFrame(
        [
            ("K", "", "", "", "old leaves", "brown margins"),
            ("Mo", "", "", "", "variable", "pale plants"),
            ("Mn", "", "", "", "new leaves", "grey spots"),
            ("K", "soybean", "R5", "R8", "variable", "any leaf"),
        ],
        columns=["nutrient", "crop", "stage_from", "stage_to", "shows_first", "symptom"],
    ),
    "stories": pd.DataFrame(
        [
            ("a", "soybean", "K", "R2", "R4", "why now", "1"),
            ("a", "soybean", "K", "R2", "R4", "this season", "2"),
            ("b", "soybean", "K", "R4", "R6", "why now", "3"),
            ("c", "soybean", "K", "R1", "R2", "why now", "4"),
            ("d", "soybean", "S", "R3", "R3", "why now", "5"),
            ("e", "corn", "K", "R1", "R6", "why now", "6"),
        ],
        columns=["key", "crop", "nutrient", "stage_from", "stage_to", "step", "text"],
    ),
}


@pytest.fixture
def tables(monkeypatch):
    real = causes.load_facts
    monkeypatch.setattr(
        causes, "load_facts", lambda name, numbers=(): TABLES[name] if name in TABLES else real(name, numbers)
    )


def short_of(nutrient, crop="soybean", stage="R3", **values):
    blank = dict.fromkeys(SHORTFALL, "") | {
        "nutrient": nutrient, "crop": crop, "growth_stage": stage, "probability_below": 0.9,
        "share_short": 1.0, "short_sources": "A; B", "within_sources": "",
    }  # fmt: skip
    return SimpleNamespace(**blank | values)


@pytest.mark.parametrize(
    ("nutrient", "crop", "stage", "option"),
    [
        # the crop's own before the general, the nutrient's own before the crop's, its stage before any
        ("K", "soybean", "R3", "dress soybean"), ("K", "soybean", "R4", "too late"),
        ("K", "soybean", "R3-R4", "dress soybean"),  # it begins in time
        ("Zn", "soybean", "R1", "spray zinc"), ("Zn", "soybean", "R2", "past all"),
        ("K", "corn", "V6", "dress any crop"), ("K", "corn", "VT", "too late"),
        ("N", "corn", "R3", "side-dress"),
        ("N", "wheat", "Feekes 6", None),
    ],
)  # fmt: skip
def test_an_option_of_this_season_is_that_of_crop_nutrient_and_stage(tables, nutrient, crop, stage, option):
    got = _option(short_of(nutrient, crop, stage), crop, "this season")
    assert (None if got is None else got["option"]) == option


def doubts(*rows):
    return pd.DataFrame(rows, columns=["key", "nutrient", "weakens"], dtype=object)


@pytest.mark.parametrize(
    ("held", "soil", "wide", "word"),
    [
        # chance 0.9 by every source: likely, one step down for each doubt of the nutrient or of all
        ((), {}, None, "likely"), ((("x", "K", "yes"),), {}, None, "possible"),
        ((("x", "", "yes"),), {}, None, "possible"), ((("x", "N", "yes"),), {}, None, "likely"),
        ((("x", "K", "no"),), {}, None, "likely"), ((("x", "K", "in part"),), {}, None, "possible"),
        ((("x", "K", "yes"), ("y", "", "yes")), {}, None, "doubtful"),
        ((("x", "K", "in part"), ("y", "", "in part")), {}, None, "look first"),
        # a soil test that is low, or a wide ratio, takes one doubt away, a full one first
        ((("x", "K", "yes"),), {"K": "low"}, None, "likely"), ((), {"K": "low"}, None, "likely"),
        ((("x", "K", "yes"),), {"N": "low"}, None, "possible"),
        ((("x", "K", "yes"),), {"K": "enough"}, None, "possible"),
        ((("x", "K", "yes"), ("y", "K", "yes")), {}, "ratio", "possible"),
        ((("x", "K", "in part"),), {}, "ratio", "likely"),
        ((("x", "K", "in part"), ("y", "K", "in part")), {"K": "low"}, None, "possible"),
        ((("x", "K", "yes"), ("y", "K", "in part")), {"K": "low"}, None, "possible"),
        ((("x", "K", "yes"), ("y", "K", "in part"), ("z", "K", "in part")), {"K": "low"}, None, "look first"),
    ],
)  # fmt: skip
def test_doubts_and_what_speaks_for_a_shortage(tables, held, soil, wide, word):
    item = _item(short_of("K"), doubts(*held), soil, False, wide)
    assert item["confidence"] == word
    assert item["ratio"] == wide
    assert item["doubts"] == "; ".join(key for key, nutrient, _ in held if nutrient in ("", "K"))


def test_a_finding_carries_its_options_their_cautions_and_sources(tables):
    none = doubts()
    item = _item(short_of("K", within_sources="C; A"), none, {}, False, None)
    assert (item["this_season"], item["next_year"]) == ("dress soybean", "test the soil")
    assert item["caution"] == "ask around"  # the other has none
    assert item["source_key"] == "A;B;C;OWN;LATER"
    assert item["provenance"] == "found"
    assert item["also_look"].startswith("symptoms on old leaves first: brown margins; soil test")
    late = _item(short_of("K", stage="R5"), none, {}, False, None)
    assert late["also_look"].startswith("symptoms: any leaf; soil test")
    over = _item(short_of("K"), none, {}, True, None)
    assert (over["this_season"], over["next_year"], over["source_key"]) == (
        "", "test the soil", "A;B;LATER",
    )  # fmt: skip
    zinc = _item(short_of("Zn", "corn", "R1", short_sources=""), none, {}, False, None)
    assert (zinc["this_season"], zinc["next_year"], zinc["caution"]) == ("spray zinc", "", "mind the leaf")
    assert (zinc["source_key"], zinc["provenance"]) == ("SPRAY", "partly from_memory")
    assert zinc["also_look"] == "soil test and roots in this and in a better area"
    both = _item(short_of("K", "wheat", "Feekes 6"), none, {}, False, None)
    assert both["caution"] == "mind the salt; ask around"
    molybdenum = _item(short_of("Mo"), none, {}, False, None)
    assert molybdenum["also_look"].startswith("symptoms: pale plants; ")
    late = _item(short_of("K", stage="R6"), none, {}, False, None)
    assert (late["this_season"], late["provenance"]) == ("too late", "partly from_memory")


@pytest.mark.parametrize(
    ("stage", "over", "texts"),
    [
        ("R2", False, "124"), ("R2", True, "14"), ("R3", False, "12"), ("R4", True, "13"), ("R6", False, "3"),
        ("R1", False, "4"), ("V4", False, ""),
        ("R3-R5", False, ""),  # a sample of several stages fits no story that covers part of them
    ],
)  # fmt: skip
def test_a_story_fits_crop_stage_and_nutrient(tables, stage, over, texts):
    condition = {"crop": "soybean", "growth_stage": stage}
    got = _stories(condition, pd.DataFrame({"nutrient": ["K", "Zn"]}), over)
    assert "".join(got["text"]) == texts


@pytest.mark.parametrize("symptoms", [None, "none", "old leaves", "new leaves"])
@pytest.mark.parametrize("soil", [{}, {"K": "enough", "Mn": "low"}, {"K": "low", "Mn": "enough"}])
def test_evidence_that_disagrees(symptoms, soil):
    # K shows first on old leaves, Mn on new ones, Mo nowhere (mobility.csv); Ni is not in the table
    short = pd.DataFrame({"nutrient": ["K", "Mn", "Mo", "Ni"], "crop": "soybean", "growth_stage": "R1"})
    got = _from_evidence(short, symptoms, soil)
    expected = {("soil test enough", n) for n, told in soil.items() if told == "enough"}
    expected |= {("symptoms disagree", n) for n, place in (("K", "old leaves"), ("Mn", "new leaves"))
                 if symptoms in ("old leaves", "new leaves") and symptoms != place}  # fmt: skip
    assert set(zip(got["key"], got["nutrient"], strict=True)) == expected
    assert set(got["weakens"]) <= {"yes"}


RANGES = {  # invented lower and upper ends, one source
    "K": (2.0, 3.0), "S": (0.2, 0.4), "Mn": (20.0, 100.0), "N": (4.0, 5.5), "Ca": (0.5, 1.5),
}  # fmt: skip


def ranges():
    rows = [
        {"crop": "soybean", "stage_from": "R1", "stage_to": "R4", "nutrient": nutrient, "low": low,
         "plant_part": SOY["plant_part"], "high": high, "unit": "mg/kg" if nutrient == "Mn" else "%"}
        for nutrient, (low, high) in RANGES.items()
    ]  # fmt: skip
    return pd.DataFrame(rows).assign(
        source_key="MINE", provenance="found", confidence="high", note="", critical=NAN, critical_high=NAN,
        toxic_above=NAN,
    )  # fmt: skip


@pytest.fixture(scope="module")
def three(tidy):
    """North short of K and S, South high in K, West at a stage without a range, another North."""
    frame = tidy(
        {
            "North": {"N": 4.5, "K": 1.98, "S": 0.1, "Ca": 1.0, "Zn": 30.0},
            "South": {"N": 4.5, "K": 3.5, "S": 0.3},
            "West": {"K": 1.0, "Zn": 30.0},
            "East": {"N": 4.5, "S": 0.1, "Zn": 30.0},
        },
        **SOY,
    )
    frame.loc[frame["sample_id"] == "West", "growth_stage"] = "V3"
    frame.loc[frame["sample_id"] == "East", "sample_id"] = "North"
    return score_tissue(frame, ranges(), cvs=10.0)


def test_samples_short_judged_and_unscored_stand_apart(three):
    got = explain(three, soil_tests={"S": "enough"}, told=["drought"])
    assert got.table is got.items
    # S 0.1 of 0.2 %: the chance is 1, two doubts (drought, the soil test) make it doubtful; K 1.98 of 2.0 %
    # has a chance of 0.54, and one doubt makes it doubtful too: the order stays that of the shortfalls
    listed = got.items[["specimen", "sample_id", "nutrient", "confidence", "rank"]].to_numpy().tolist()
    assert listed == [
        [1, "North", "S", "doubtful", 1], [1, "North", "K", "doubtful", 2], [4, "North", "S", "doubtful", 1],
    ]  # fmt: skip
    plain = explain(three).items[["specimen", "nutrient", "confidence", "rank"]].to_numpy().tolist()
    assert plain == [[1, "S", "likely", 1], [1, "K", "possible", 2], [4, "S", "likely", 1]]
    better = explain(three, soil_tests={"S": "enough"}).items
    assert better[["specimen", "nutrient", "confidence", "rank"]].to_numpy().tolist() == [
        [1, "S", "possible", 1], [1, "K", "possible", 2], [4, "S", "possible", 1],
    ]  # fmt: skip
    turned = explain(three, soil_tests={"S": "enough"}, symptoms="old leaves").items
    assert turned[["specimen", "nutrient", "confidence", "rank"]].to_numpy().tolist() == [
        [1, "K", "possible", 1], [1, "S", "doubtful", 2], [4, "S", "doubtful", 1],
    ]  # fmt: skip
    assert got.items.index.tolist() == [0, 1, 2]
    assert got.scored is True
    named = got.doubts[["specimen", "sample_id", "label", "key", "nutrient"]]
    assert set(named["label"]) == set(three.scored.loc[three.scored["specimen"].isin([1, 4]), "label"])
    assert set(zip(named["specimen"], named["key"], named["nutrient"], strict=True)) == {
        (1, "drought", ""), (4, "drought", ""), (1, "soil test enough", "S"), (4, "soil test enough", "S"),
    }  # fmt: skip
    assert got.doubts.index.tolist() == [0, 1, 2, 3]
    assert set(got.stories["specimen"]) == {1}  # late potassium; sulfur has no story
    assert got.unscored[["specimen", "sample_id", "growth_stage"]].to_numpy().tolist() == [[3, "West", "V3"]]
    assert got.unscored.index.tolist() == [0]
    assert got.above[["specimen", "nutrient"]].to_numpy().tolist() == [[2, "K"]]
    assert got.checks is three.checks


def test_one_sample_by_number_or_name(three):
    assert set(explain(three, sample=4).items["specimen"]) == {4}
    assert set(explain(three, sample="North").items["specimen"]) == {1, 4}
    alone = explain(three, sample="West")
    assert (alone.scored, len(alone.items), len(alone.doubts), len(alone.stories)) == (False, 0, 0, 0)
    assert list(alone.doubts.columns) == list(explain(three).doubts.columns)
    assert list(alone.stories.columns) == list(explain(three).stories.columns)
    assert alone.scores.scored.index.tolist() == list(range(len(alone.scores.scored)))
    assert explain(three, sample=2).unscored.empty
    for unknown in (9, "Nowhere"):
        with pytest.raises(LookupFailed):
            explain(three, sample=unknown)


def test_what_only_lies_in_a_critical_range_tells_no_story(tidy):
    own = ranges()
    own.loc[own["nutrient"] == "K", ["low", "high", "critical", "critical_high"]] = [NAN, NAN, 1.5, 2.0]
    for value, stories in ((1.7, 0), (1.2, 1)):
        got = explain(score_tissue(tidy({"North": {"K": value}}, **SOY), own))
        assert got.items["nutrient"].tolist() == ["K"]
        assert got.stories["key"].nunique() == stories


@pytest.mark.parametrize("words", [{"symptoms": "roots"}, {"soil_tests": {"K": "high"}}, {"told": ["hail"]}])
def test_words_that_are_not_known_are_refused(three, words):
    with pytest.raises(LookupFailed):
        explain(three, **words)


def test_likely_goes_before_what_ranks_higher_and_is_only_possible(tidy):
    # S 0.1 of 0.2 % ranks first (chance 1), and K 1.8 of 2.0 % second: Phi(0.2 / 0.18) = 0.87
    scores = score_tissue(tidy({"North": {"K": 1.8, "S": 0.1, "N": 4.5}}, **SOY), ranges(), cvs=10.0)
    for soil, order in (
        ({}, [("S", "likely"), ("K", "likely")]),
        ({"S": "enough"}, [("K", "likely"), ("S", "possible")]),
        ({"K": "enough"}, [("S", "likely"), ("K", "possible")]),
    ):
        got = explain(scores, soil_tests=soil).items
        assert list(zip(got["nutrient"], got["confidence"], strict=True)) == order
        assert got["rank"].tolist() == [1, 2]


@pytest.mark.parametrize(
    "words",
    [*itertools.permutations(["likely", "possible", "look first", "doubtful"])],
    ids=" > ".join,
)
def test_findings_stand_by_their_word_then_by_the_order_of_the_shortfalls(words):
    items = pd.DataFrame(
        {"specimen": [2] * 4 + [1], "rank": [1, 2, 3, 4, 1], "confidence": [*words, "possible"]}
    )
    got = _ranked(items)
    # likely first, doubtful last, possible and look first between them as they stood
    middle = [word for word in words if word in ("possible", "look first")]
    assert got["confidence"].tolist() == ["possible", "likely", *middle, "doubtful"]
    assert got["rank"].tolist() == [1, 1, 2, 3, 4]
    assert got.index.tolist() == list(range(5))
    assert list(got.columns) == ["specimen", "rank", "confidence"]
