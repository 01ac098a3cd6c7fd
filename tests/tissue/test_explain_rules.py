"""Rules of the explanation on invented samples and invented options; every answer is worked out here."""

from types import SimpleNamespace

import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed
from fertkit.intake.facts import fact_table, fact_words
from fertkit.reference.schema import NUTRIENTS
from fertkit.tissue import causes, explain, explanation, known, score_tissue
from fertkit.tissue.causes import Cause, rank_causes
from fertkit.tissue.explanation import SHORTFALL, _item, _stories
from fertkit.tissue.known import option_for

NAN = float("nan")
SOY = {"crop": "soybean", "growth_stage": "R3", "plant_part": "upper trifoliate without petiole"}


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
    blank = {"do_not": "", "urgent": ""}
    own = TABLES | {"options": TABLES["options"].assign(**blank)}

    def load(name, numbers=(), real=known.load_facts):
        return own[name] if name in own else real(name, numbers)

    def forget():
        known.symptom_of.cache_clear()
        known.option_for.cache_clear()

    for module in (known, explanation):
        monkeypatch.setattr(module, "load_facts", load)
    forget()
    yield
    forget()


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
    got = option_for(nutrient, crop, stage, "this season")
    assert (None if got is None else got["option"]) == option


def item_of(r, *, status="short", keys="A;B", cause=None, wide=None, many=False, over=False):
    own = {"status": status, "remark": "", "source_key": keys}
    return _item(r, own, cause, wide, many, over)


def cause(feeds):
    return Cause(1, "x", "x", 1.0, (), (), "look", feeds, "", "", "A", "found")


def test_a_recipe_is_folded_behind_many_shortages_or_a_cause_that_feeding_does_not_mend(tables):
    for given, many, folded in (
        (None, False, False), (cause(True), False, False), (cause(False), False, True), (None, True, True),
    ):  # fmt: skip
        assert item_of(short_of("K"), cause=given, many=many)["folded"] == folded


def test_a_marginal_finding_has_no_recipe(tables):
    item = item_of(short_of("K"), status="marginal")
    assert (item["this_season"], item["next_year"], item["caution"]) == ("", "", "")
    assert item["confidence"] == "marginal"


def test_a_finding_carries_its_options_their_cautions_and_sources(tables):
    item = item_of(short_of("K"), keys="A;B;C")
    assert (item["this_season"], item["next_year"]) == ("dress soybean", "test the soil")
    assert item["caution"] == "ask around"  # the other has none
    assert item["source_key"] == "A;B;C;OWN;LATER"
    assert item["provenance"] == "found"
    assert item["also_look"] == "symptoms on old leaves first: brown margins"
    late = item_of(short_of("K", stage="R5"))
    assert late["also_look"] == "symptoms: any leaf"
    over = item_of(short_of("K"), over=True)
    assert (over["this_season"], over["next_year"], over["source_key"]) == (
        "", "test the soil", "A;B;LATER",
    )  # fmt: skip
    zinc = item_of(short_of("Zn", "corn", "R1"), keys="")
    assert (zinc["this_season"], zinc["next_year"], zinc["caution"]) == ("spray zinc", "", "mind the leaf")
    assert (zinc["source_key"], zinc["provenance"]) == ("SPRAY", "partly from_memory")
    assert zinc["also_look"] == ""
    both = item_of(short_of("K", "wheat", "Feekes 6"))
    assert both["caution"] == "mind the salt; ask around"
    molybdenum = item_of(short_of("Mo"))
    assert molybdenum["also_look"] == "symptoms: pale plants"
    late = item_of(short_of("K", stage="R6"))
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
    got = _stories(condition, ["K", "Zn"], over)
    assert "".join(story["text"] for story in got) == texts


CAUSES = [  # invented: of, nutrients, crops, prior
    ("a", "short", "K", "", 1.0), ("b", "short", "", "", 1.0), ("c", "short", "", "corn", 3.0),
    ("d", "short", "Mn", "", 9.0), ("e", "short", "", "", 0.4), ("f", "high", "", "", 2.0),
]  # fmt: skip
EVIDENCE = {  # cause -> (nutrients, crops, known, values, weight)
    "a": [("", "", "ph", "<5.5", 2.0), ("Zn", "", "weather", "dry", 7.0),
          ("", "", "weather", "dry|hot", -0.5)],
    "b": [("", "", "weather", "wet", 3.0), ("", "", "leaf Mg", "high", 0.25), ("", "", "ph", "5.5-6", 1.5)],
    "e": [("", "", "sprayed", "{nutrient}", 0.1)],
}  # fmt: skip


@pytest.fixture
def invented(monkeypatch):
    def table(of):
        for key, kind, nutrients, crops, prior in CAUSES:
            if kind == of:
                row = SimpleNamespace(
                    key=key, nutrients=nutrients, crops=crops, prior=prior, cause=f"{key} of {{nutrient}}",
                    settle_by="look", settle_tested="",
                    feeds="yes", now="", do_not="", source_key="A;B", provenance="found",
                )  # fmt: skip
                rows = [
                    SimpleNamespace(
                        nutrients=n, crops=c, known=k, values=v, weight=w, source_key="C",
                        says="ph {value}" if k == "ph" else k, provenance="found",
                    )
                    for n, c, k, v, w in EVIDENCE.get(key, [])
                ]  # fmt: skip
                yield row, rows

    monkeypatch.setattr(causes, "_table", table)


@pytest.mark.parametrize(
    ("facts", "ranked"),
    [
        # the prior alone; of equal scores the first of the table; 0.4 is below the 0.5 that is named
        ({}, [("a", 1.0), ("b", 1.0)]),
        ({"ph": 5.4}, [("a", 3.0), ("b", 1.0)]), ({"ph": 5.5}, [("b", 2.5), ("a", 1.0)]),
        ({"ph": 6.0}, [("b", 2.5), ("a", 1.0)]), ({"ph": 6.1}, [("a", 1.0), ("b", 1.0)]),
        ({"weather": ("hot", "wet")}, [("b", 4.0), ("a", 0.5)]),
        ({"weather": ("dry",), "leaf Mg": ("high",)}, [("b", 1.25), ("a", 0.5)]),
        ({"sprayed": ("K",)}, [("a", 1.0), ("b", 1.0), ("e", 0.5)]),
        ({"sprayed": ("Zn",)}, [("a", 1.0), ("b", 1.0)]),
    ],
)  # fmt: skip
def test_a_score_is_the_prior_and_the_weights_that_hold(invented, facts, ranked):
    got = rank_causes("short", facts, "K", "soybean")
    assert [(c.key, c.score) for c in got] == ranked
    assert [c.rank for c in got] == list(range(1, len(ranked) + 1))


def test_a_cause_says_what_speaks_for_and_against_it_and_where_that_stands(invented):
    first, second = rank_causes("short", {"ph": 5.4, "weather": ("dry",)}, "K", "soybean")
    assert (first.cause, first.speaks_for, first.speaks_against) == ("a of K", ("ph 5.4",), ("weather",))
    assert (first.source_key, second.source_key) == ("A;B;C", "A;B")
    assert first.settle_by == "look"
    # a crop has its own causes; at most three are named
    corn = rank_causes("short", {"sprayed": ("K",)}, "K", "corn")
    assert [c.key for c in corn] == ["c", "a", "b"]
    assert [c.key for c in rank_causes("high", {}, "K", "corn")] == ["f"]


def test_every_cause_and_every_piece_of_evidence_can_be_reached():
    table, evidence = known.load_facts("causes"), known.load_facts("evidence")
    assert set(evidence["cause"]) <= set(table["key"])
    assert table["key"].is_unique
    named = set(fact_table()["name"].str.replace("soil_", "soil ")) | {"soil", "pair", "pattern", "ratio"}
    named |= {"symptoms fit", "many short", "soil on leaf", "alone", "crop"}
    named |= {f"{what} {n}" for what in ("leaf", "pair") for n in NUTRIENTS}
    assert set(evidence["known"]) <= named
    words = {name: set(fact_words(name).values()) for name in fact_table()["name"]}
    values = 1 + evidence.columns.get_loc("values")
    for r in evidence[evidence["known"].isin(words)].itertuples():
        if words[r.known]:
            assert set(r[values].split("|")) <= words[r.known] | {"{nutrient}"}, r
    patterns = set(known.load_facts("patterns")["pattern"])
    assert set(evidence.loc[evidence["known"] == "pattern", "values"]) <= patterns


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
    got = explain(three, facts={"weather": "dry"})
    assert got.table is got.items
    # S 0.1 of 0.2 %: the chance is 1; K 1.98 of 2.0 %: Phi(0.02 / 0.198) = 0.54
    listed = got.items[["specimen", "sample_id", "nutrient", "confidence", "rank"]].to_numpy().tolist()
    assert listed == [
        [1, "North", "S", "short", 1], [1, "North", "K", "possibly short", 2], [4, "North", "S", "short", 1],
    ]  # fmt: skip
    assert got.items.index.tolist() == [0, 1, 2]
    assert got.scored is True
    status = got.verdicts.set_index(["specimen", "nutrient"])["status"]
    assert (status[1, "Ca"], status[2, "K"], status[3, "K"], status[1, "Zn"]) == (
        "enough", "high", "not judged", "not judged",
    )  # fmt: skip
    assert got.verdicts["error_pct"].unique().tolist() == [10.0]
    assert set(zip(got.causes["specimen"], got.causes["about"], strict=True)) == {
        (1, "S"), (1, "K"), (4, "S"), (2, "K"),
    }  # fmt: skip
    assert got.facts[["specimen", "name", "value", "origin"]].to_numpy().tolist() == [
        [n, "weather", ("dry",), "given"] for n in (1, 2, 3, 4)
    ]
    assert set(got.stories["specimen"]) == {1}  # late potassium; sulfur has no story
    assert got.unscored[["specimen", "sample_id", "growth_stage"]].to_numpy().tolist() == [[3, "West", "V3"]]
    assert got.unscored.index.tolist() == [0]
    assert got.above[["specimen", "nutrient"]].to_numpy().tolist() == [[2, "K"]]
    assert got.checks is three.checks


def test_one_sample_by_number_or_name(three):
    assert set(explain(three, sample=4).items["specimen"]) == {4}
    assert set(explain(three, sample="North").items["specimen"]) == {1, 4}
    alone = explain(three, sample="West")
    assert (alone.scored, len(alone.items), len(alone.causes), len(alone.stories)) == (False, 0, 0, 0)
    assert list(alone.causes.columns) == list(explain(three).causes.columns)
    assert list(alone.actions.columns) == list(explain(three).actions.columns)
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


@pytest.mark.parametrize("facts", [{"symptoms": "roots"}, {"soil_K": "120"}, {"hail": "yes"}, {"ph": 14}])
def test_words_that_are_not_known_are_refused(three, facts):
    with pytest.raises(InputError):
        explain(three, facts=facts)


def test_what_is_more_certain_goes_first(tidy):
    # S 0.1 of 0.2 % (chance 1), Mn 18 of 20 mg/kg: Phi(2 / 1.8) = 0.87; Ca 0.49 of 0.5: Phi(0.2) = 0.58
    values = {"Ca": 0.49, "Mn": 18.0, "S": 0.1, "N": 4.5}
    scores = score_tissue(tidy({"North": values}, **SOY), ranges(), cvs=10.0)
    got = explain(scores).items
    assert list(zip(got["nutrient"], got["confidence"], strict=True)) == [
        ("S", "short"), ("Mn", "short"), ("Ca", "possibly short"),
    ]  # fmt: skip
    assert got["rank"].tolist() == [1, 2, 3]


def test_facts_of_the_file_hold_for_their_own_sample_and_those_given_go_before(tidy):
    frame = tidy({"a": {"K": 1.0}, "b": {"K": 1.0}}, **SOY)
    frame["Soil K"] = ["low", "enough"]
    frame["Soil pH"] = ["6.1", "acid"]
    scores = score_tissue(frame, ranges(), cvs=10.0)
    got = explain(scores)
    first = got.causes[got.causes["rank"] == 1].set_index("specimen")["key"]
    assert first.to_dict() == {1: "soil short", 2: "roots or water"}
    assert [(p.column, p.value) for p in got.unread_facts] == [("Soil pH", "acid")]
    assert any(
        line.startswith("Not read: column 'Soil pH', value 'acid'") for line in got.summary().splitlines()
    )
    given = explain(scores, facts={"soil_K": "low"})
    assert given.causes[given.causes["rank"] == 1]["key"].tolist() == ["soil short"] * 2
    assert set(given.facts["origin"]) == {"given", "file"}


def test_a_soil_test_at_hand_is_not_asked_for_again():
    asked = rank_causes("short", {}, "K", "soybean")[0]
    tested = rank_causes("short", {"soil": ("low",)}, "K", "soybean")[0]
    assert asked.key == tested.key == "soil short"
    assert asked.settle_by == "soil test for K here and in a good area"
    assert tested.settle_by == "soil test a good area for K, to compare with this one"


def test_flooded_rice_is_not_told_to_drain():
    # common practice, no source: lowland rice stands in water, so wet soil says nothing of it
    assert "wet soil" not in [c.key for c in rank_causes("many", {"crop": ("rice",)}, "", "rice")]
    assert "wet soil" in [c.key for c in rank_causes("many", {"crop": ("corn",)}, "", "corn")]


def test_organic_soil_holds_copper_and_binds_manganese():
    # common practice, no source: copper stays in the soil for years, manganese broadcast there is soon bound
    known_soil = {"texture": ("organic",)}
    copper, manganese = (rank_causes("short", known_soil, n, "soybean")[0].do_not for n in ("Cu", "Mn"))
    assert "stays in the soil" in copper
    assert "stays in the soil" not in manganese
    assert "broadcast" in manganese
