"""The glossary covers the words the kit prints, and each entry leads to a function that exists."""

from importlib import import_module

import pytest

from fertkit.cli import main
from fertkit.errors import LookupFailed
from fertkit.reference import glossary, list_limits
from fertkit.response import CURVES
from fertkit.tissue.classes import Class


def test_every_class_and_curve_is_explained():
    printed = {*Class, *(curve.label for curve in CURVES.values())}
    assert printed <= set(glossary()["term"])


def test_entries_are_whole_and_unique():
    table = glossary()
    assert table["term"].is_unique
    assert (table.drop(columns="also") != "").all(axis=None)
    assert table["meaning"].str.endswith(".").all()


@pytest.mark.parametrize(
    ("short", "term"),
    [
        ("LOD", "limit of detection"), ("cv", "coefficient of variation"), ("EONR", "economic optimum rate"),
        ("EOR", "economic optimum rate"), ("CEC", "cation exchange capacity"),
        ("NNI", "nitrogen nutrition index"),
        ("DOP", "deviation from optimum percentage"), ("CND", "compositional nutrient diagnosis"),
        ("LSD", "LSD"), ("GDD", "growing degree days"),
    ],
)  # fmt: skip
def test_abbreviations_lead_to_their_terms(short, term):
    assert glossary(short)["term"].tolist() == [term]


@pytest.mark.parametrize("place", sorted(set(glossary()["see"])))
def test_entries_lead_to_a_function(place):
    floor, name = place.split(".")
    assert callable(getattr(import_module(f"fertkit.{floor}"), name))


def test_a_misspelt_word_names_its_neighbours():
    with pytest.raises(LookupFailed, match="plateau"):
        glossary("platau")


def test_limits_have_a_remedy_each():
    table = list_limits()
    assert (table != "").all(axis=None)
    assert {"budget", "tissue", "trials", "response", "safety"} == set(table["topic"])
    with pytest.raises(LookupFailed, match="tissue"):
        list_limits("weather")


def test_command_line_shows_both(capsys):
    assert main(["words", "join", "point"]) == 0
    assert capsys.readouterr().out.startswith("join point: ")
    assert main(["limits", "safety"]) == 0
    assert "adviser" in capsys.readouterr().out
    assert main(["limits", "weather"]) == 2
    assert "choose one of" in capsys.readouterr().err
