"""Field facts: names and words as people write them, and what is refused."""

import pandas as pd
import pytest

from fertkit.errors import InputError
from fertkit.intake.facts import fact_name, fact_table, fact_words, facts_of_file, facts_typed, read_facts


@pytest.mark.parametrize(
    ("header", "name"),
    [
        ("pH", "ph"), ("Soil pH", "ph"), ("Soil K", "soil_K"), ("soil_K", "soil_K"), ("STK", "soil_K"),
        ("Soil test Zn", "soil_Zn"), ("Root notes", "roots"), ("Soil texture:", "texture"),
        ("CEC (meq)", "cec"),
        ("Organic matter", "om"), ("K", ""), ("Moisture %", ""), ("Notes", ""), ("Soil test K ppm", ""),
    ],
)  # fmt: skip
def test_a_header_names_a_fact_or_none(header, name):
    assert fact_name(header) == name


@pytest.mark.parametrize(
    ("name", "value", "read"),
    [
        ("ph", "5,4", 5.4), ("ph", 7, 7.0), ("om", "3.2", 3.2), ("texture", "Sandy loam", ("sand",)),
        ("texture", "silty clay loam", ("clay",)), ("texture", "muck", ("organic",)),
        ("soil_K", "VL", ("low",)), ("soil_P", "very high", ("high",)), ("soil_S", "Medium", ("enough",)),
        ("weather", "dry and hot", ("dry", "hot")), ("weather", ["wet", "cold"], ("wet", "cold")),
        ("roots", "shallow, sideways", ("restricted",)),
        ("roots", "root rot seen on most plants", ("damaged",)),
        ("symptoms", "lower leaves", ("old leaves",)), ("symptoms", "no symptoms", ("none",)),
        ("sprayed", "Zn, Mn", ("Zn", "Mn")), ("sprayed", "none", ("no",)),
        ("sprayed", "foliar Mn and Zn 5 days ago", ("Mn", "Zn")), ("sprayed", "Mn, 2 mo ago", ("Mn",)),
        ("where", "eroded knolls", ("hilltops",)),
    ],
)  # fmt: skip
def test_what_is_said_of_a_fact(name, value, read):
    assert read_facts({name: value}) == {name: read}


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("ph", 14, "3 to 10.5"), ("ph", "acid", "3 to 10.5"), ("ph", "5.4.1", "3 to 10.5"),
        ("soil_K", 120, "low, enough, high"),
        ("texture", "sand, clay", "one"), ("roots", "no compaction", "restricted"),
        ("weather", "hail", "dry"),
        ("sprayed", "water", "nutrients"), ("sprayed", "no Zn this year", "nutrients"),
        ("hail", "yes", "use one of: ph"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_with_what_may_be_given(name, value, words):
    with pytest.raises(InputError) as refused:
        read_facts({name: value})
    assert words in str(refused.value)


def test_every_problem_is_told_at_once():
    with pytest.raises(InputError) as refused:
        read_facts({"ph": 99, "texture": "cheese", "om": 2})
    assert [p.column for p in refused.value.problems] == ["ph", "texture"]


def test_a_blank_is_left_out():
    assert read_facts({"ph": None, "texture": "", "weather": " - ", "om": float("nan"), "cec": "?"}) == {}


def test_facts_as_typed():
    typed = ["ph=5.4", "weather=dry", "weather=cold", "Soil K=low"]
    assert facts_typed(typed) == {"ph": 5.4, "weather": ("dry", "cold"), "soil_K": ("low",)}
    for wrong in ("ph", "ph:5.4", "moon=full"):
        with pytest.raises(InputError):
            facts_typed([wrong])


def test_facts_in_the_columns_of_a_file():
    others = pd.DataFrame(
        {"specimen": [1, 2, 3], "sample_id": ["a", "b", "c"], "Soil pH": ["5.4", "", "basic"],
         "Grower": ["x", "y", "z"], "Texture": ["sand", "sand", "loam"]}
    )  # fmt: skip
    facts, problems = facts_of_file(others)
    assert facts.sort_values(["specimen", "name"]).to_numpy().tolist() == [
        [1, "ph", 5.4, "file"], [1, "texture", ("sand",), "file"], [2, "texture", ("sand",), "file"],
        [3, "texture", ("loam",), "file"],
    ]  # fmt: skip
    assert [(p.column, p.value) for p in problems] == [("Soil pH", "basic")]


def test_no_spelling_means_two_things():
    headers = [plain for names in fact_table()["headers"] for plain in names.lower().split("|")]
    assert len(headers) == len(set(headers))
    for values in fact_table()["values"]:
        listed = [s for entry in values.split(";") for s in entry.partition("=")[2].split("|") if s]
        assert len(listed) == len(set(listed)), values
    assert set(fact_words("symptoms").values()) == {
        "old leaves",
        "new leaves",
        "upper leaves",
        "whole plant",
        "none",
    }
