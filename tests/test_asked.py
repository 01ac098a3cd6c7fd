"""Arguments of the wrong kind end in a message of our own, and one name serves where a list is due."""

import inspect
from importlib import import_module

import numpy as np
import pandas as pd
import pytest

from fertkit import asked
from fertkit.budget import farm_budget, nutrient_budget, season_demand
from fertkit.errors import InputError

FLOORS = ("reference", "budget", "tissue", "trials", "response", "report")
#: What is no value of each kind.
WRONG = {
    "a_word": [None, 5, "", "  ", [], {}],
    "a_list": [None, 5, "", [], {}, [None], [""], pd.DataFrame({"a": [1]})],
    "maybe_a_list": [None, 5, "", [None], pd.DataFrame()],
    "a_number": [None, "1", [1], np.nan, np.inf, True, pd.DataFrame({"a": [1]})],
    "a_share": [None, "0.9", 0, 1, -1, np.nan, [0.9]],
    "a_table": [None, "table", [], {}, 5],
    "a_dict": [None, "N", ["N"], 5, pd.DataFrame()],
}
PUBLIC = [
    (name, thing)
    for floor in FLOORS
    for name, thing in vars(import_module(f"fertkit.{floor}")).items()
    if inspect.isfunction(thing) and thing.__code__ is asked.asks()(lambda: 0).__code__
]


def kinds_of(function):
    """Argument -> name of its kind, as the function states them."""
    cells = dict(zip(function.__code__.co_freevars, function.__closure__, strict=True))
    return {name: kind.__name__ for name, kind in cells["kinds"].cell_contents.items()}


def test_most_public_functions_state_what_they_want():
    assert len(PUBLIC) > 60


@pytest.mark.parametrize(("name", "function"), PUBLIC, ids=[name for name, _ in PUBLIC])
def test_values_of_the_wrong_kind_are_refused_by_name(name, function):
    parameters = inspect.signature(function).parameters
    needed = {n: None for n, p in parameters.items() if p.default is p.empty and p.kind < p.VAR_POSITIONAL}
    needed |= {n: None for n, p in parameters.items() if p.default is p.empty and p.kind == p.KEYWORD_ONLY}
    for argument, kind in kinds_of(function).items():
        for value in WRONG.get(kind, [None, 10.5, "text", [], object()]):
            if value is parameters[argument].default:
                continue
            with pytest.raises(InputError, match=f"column '{argument}'"):
                function(**(needed | {argument: value}))


@pytest.mark.parametrize("value", [10.5, -1, "ten", None, np.nan, [3], True])
def test_a_count_is_a_whole_number(value):
    with pytest.raises(asked._Wrong, match="whole number"):
        asked.a_count(0)(value)
    assert asked.a_count(0)(np.int64(7)) == 7


@pytest.mark.parametrize("one", ["K2O", ["K2O"], ("K2O",), {"K2O"}, pd.Series(["K2O"]), np.array(["K2O"])])
def test_one_name_is_a_list_of_one(one):
    assert set(nutrient_budget("soybean", 60, nutrients=one).table["nutrient"]) == {"K2O"}
    assert season_demand("soybean", 60, nutrients=one).nutrients == ["K2O"]
    fields = pd.DataFrame({"crop": ["soybean"], "yield_goal_bu_ac": [40.0], "area_ac": [80.0]})
    assert set(farm_budget(fields, nutrients=one).table["nutrient"]) == {"K2O"}


def test_every_wrong_argument_is_named_at_once():
    with pytest.raises(InputError) as caught:
        nutrient_budget("soybean", 60, source=[], nutrients=5)
    assert {problem.column for problem in caught.value.problems} == {"source", "nutrients"}
