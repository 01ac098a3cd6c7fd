"""What is asked of a budget: goals, units, parts, and requests that are refused with a remedy."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.budget import nutrient_budget
from fertkit.budget.rates import parts_of
from fertkit.budget.yields import far_outside
from fertkit.errors import InputError, LookupFailed, UnitError


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


def test_a_goal_far_outside_is_set_against_the_yields_measured():
    # 5,600 and 11,200 lb of corn at 56 lb a bushel are 100 and 200 bu; the goal is ten times the higher.
    said = far_outside("corn", 2000, "bu/ac", 2000 * 56, [11200, 5600])
    assert "those of the sources (100 to 200 bu/ac)" in said[0]
    assert "(100 bu/ac)" in far_outside("corn", 2000, "bu/ac", 2000 * 56, [5600])[0]
    assert far_outside("corn", 150, "bu/ac", 150 * 56, [11200, 5600]) == []


@pytest.mark.parametrize("goal", [-1, 2000, float("nan"), float("inf")])
def test_impossible_yield(goal):
    with pytest.raises(InputError, match=r"cannot yield|not a number|number above 0"):
        nutrient_budget("corn", goal)


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


@settings(max_examples=8, deadline=None)
@given(st.floats(1, 250))
def test_units_do_not_change_the_answer(goal):
    # 39.368 bu of corn weigh 1 Mg (BUTABLE) and 2.47105 ac are 1 ha
    us = nutrient_budget("corn", goal)
    kg = nutrient_budget("corn", goal * 2.4710538 / 39.36826, "Mg/ha", unit="kg/ha")
    np.testing.assert_allclose(kg.table["removed"], us.table["removed"] * 1.1208511561944561, rtol=1e-5)


@pytest.mark.parametrize(
    ("words", "unit"), [("tonnes/ha", "t/ha"), ("dt/ha", "q/ha"), ("bushels per acre", "bu/ac")]
)
def test_units_in_words(words, unit):
    # a metric tonne is 1000 kg and a decitonne 100 kg (SI brochure, table 8); q is the same 100 kg
    spelled, coded = nutrient_budget("wheat", 6, words), nutrient_budget("wheat", 6, unit)
    assert spelled.pounds == coded.pounds
    assert nutrient_budget("cotton", 2, "bales/ac").pounds == nutrient_budget("cotton", 2, "bale/ac").pounds


def test_field_totals():
    budget = nutrient_budget("corn", 200, area=10, area_unit="ha")
    acres = 10 / 0.40468564224
    np.testing.assert_allclose(budget.table["removed_field"], budget.table["removed"] * acres)
    assert set(budget.table["field_unit"]) == {"lb"}


def test_a_nutrient_is_known_in_any_case():
    for written in ("k2o", ["K2o"], "k"):
        assert nutrient_budget("corn", 200, nutrients=written).table["nutrient"].unique().tolist() == ["K2O"]


def test_result_verbs():
    budget = nutrient_budget("soybean", 80)
    assert isinstance(budget.table, pd.DataFrame)
    assert set(budget.sources["source_key"]) == set(budget.table["source_key"])
    assert not budget.checks["passed"].all()  # 80 bu is more than any of the studies measured
    assert "<table" in budget._repr_html_()
