"""Arguments of the wrong kind end in a message of our own, and one name serves where a list is due."""

import inspect
from importlib import import_module
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fertkit import asked
from fertkit.budget import farm_budget, nutrient_budget, season_demand
from fertkit.errors import InputError, LookupFailed
from fertkit.intake import read_strips
from fertkit.response import optima_of_trials
from fertkit.response.curves import a_curve
from fertkit.response.search import fit_sums
from fertkit.tissue import score_tissue
from fertkit.trials import analyse_strips

FLOORS = (
    "reference", "intake", "budget", "tissue", "trials", "response", "report", "batch", "panels",
)  # fmt: skip
TABLE = pd.DataFrame({"a": [1]})
NO_NUMBER = [None, "1", [], [1], np.nan, np.inf, -np.inf, 10**400, True, TABLE]
NO_PATH = [None, 5, "", ["a.csv"], {}, np.nan, object()]
#: What is no value of each kind (``_kind`` is what `asked.holding` makes).
WRONG = {
    "a_word": [None, 5, np.nan, "", "  ", [], {}, TABLE],
    "a_flag": [None, 1, "yes", [], np.nan, TABLE],
    "a_list": [None, 5, np.nan, "", [], {}, [None], [""], TABLE],
    "maybe_a_list": [None, 5, np.nan, "", [None], pd.DataFrame()],
    "a_number": NO_NUMBER,
    "above_zero": [*NO_NUMBER, 0, -1],
    "zero_or_more": [*NO_NUMBER, -1],
    "a_share": [*NO_NUMBER, 0, 1, -1],
    "a_count": [None, "1", [], [1], np.nan, np.inf, True, TABLE, -1, 10.5],
    "a_text": [5, np.nan, ["a"], {}, TABLE],
    "a_maybe_infinite": [None, "1", [1], True],
    "numbers": [None, 5, "12", [], ["1"], [1, None], [1, np.nan], [[1, 2]], [True], {"a"}, np.array(3.0)],
    "amounts": [None, "1", "", [], ["1"], [1, None], [True], [[1, 2], [3]], {"a": 1}, TABLE, object()],
    "many_amounts": [None, 5, "1", [], ["1"], [1, None], [True], [1e101], {"a": 1}, TABLE, object()],
    "labels": [None, 5, np.nan, "North", np.array(3.0), TABLE],
    "a_label": [None, "", [], [1], {}, TABLE, object()],
    "a_header": [None, "", [], [1], {}, TABLE, object()],
    "a_length": [None, 30, "30 ft", (30,), ("30", "ft"), (30, 1)],
    "a_path": [*NO_PATH, TABLE],
    "a_saved_file": [*NO_PATH, TABLE],
    "a_file": NO_PATH,
    "a_table_or_path": NO_PATH,
    "a_content": [None, 5, [], TABLE],
    "a_seed": [None, -1, 10.5, "1", [], np.nan, TABLE],
    "a_curve": [None, 5, "", [], TABLE],
    "either": [None, object(), True],
    "each_of": [None, 5, "text", ["text"], [None], pd.DataFrame()],
    "maybe_headers": [None, "", [None], [""], TABLE, object()],
    "lines": [None, 5, [None], [5], pd.DataFrame(), object()],
    "headers": [None, "", [], [None], [""], TABLE, object()],
    "by_name": [5, "N", ["N"], pd.DataFrame(), {"": "a"}, {1: "a"}, {"yield": None}, {"yield": object()}],
    "word_or_words_by_name": [5, ["N"], pd.DataFrame(), {"Zn": 5}, {"Zn": None}],
    "a_table": [None, "table", [], {}, 5, np.nan],
    "a_table_of": [None, 5, "table", np.nan, TABLE],
    "of_products": [None, 5, "table", np.nan, TABLE],
    "some_reports": [None, 5, {}, object(), [None], [5]],
    "a_dict": [None, "N", ["N"], 5, np.nan, pd.DataFrame()],
    "_kind": [None, 10.5, "text", [], object(), np.nan],
}
KINDS = {kind: name for name, kind in vars(asked).items() if inspect.isfunction(kind)}
KINDS[a_curve] = "a_curve"
HOMES = [import_module(f"fertkit.{floor}") for floor in FLOORS]
PUBLIC = [(name, getattr(home, name)) for home in HOMES for name in home.__all__]
PUBLIC = [(name, thing) for name, thing in PUBLIC if inspect.isfunction(thing)]


def kinds_of(function):
    """Argument -> name of its kind, as the function states them; empty without a check."""
    if function.__code__ is not asked.asks()(lambda: 0).__code__:
        return {}
    cells = dict(zip(function.__code__.co_freevars, function.__closure__, strict=True))
    due = {name: kind for name, kind in cells["due"].cell_contents.items() if kind}
    made_by = {name: kind.__qualname__.partition(".")[0] for name, kind in due.items()}
    return {name: KINDS[kind] if KINDS.get(kind) in WRONG else made_by[name] for name, kind in due.items()}


@pytest.mark.parametrize(("name", "function"), PUBLIC, ids=[name for name, _ in PUBLIC])
def test_every_argument_of_a_public_function_has_a_kind(name, function):
    parameters = inspect.signature(function).parameters.values()
    named = {p.name for p in parameters if p.kind not in (p.VAR_POSITIONAL, p.VAR_KEYWORD)}
    assert named <= set(kinds_of(function))


@pytest.mark.parametrize(("name", "function"), PUBLIC, ids=[name for name, _ in PUBLIC])
def test_values_of_the_wrong_kind_are_refused_by_name(name, function):
    parameters = inspect.signature(function).parameters
    needed = {n: None for n, p in parameters.items() if p.default is p.empty and p.kind < p.VAR_POSITIONAL}
    needed |= {n: None for n, p in parameters.items() if p.default is p.empty and p.kind == p.KEYWORD_ONLY}
    for argument, kind in kinds_of(function).items():
        for value in WRONG[kind]:
            if value is parameters[argument].default:
                continue
            with pytest.raises(InputError, match=f"column '{argument}'"):
                function(**(needed | {argument: value}))


@pytest.mark.parametrize("value", [10.5, -1, "ten", None, np.nan, [3], True])
def test_a_count_is_a_whole_number(value):
    with pytest.raises(asked._Wrong, match="whole number"):
        asked.a_count(0)(value)
    assert asked.a_count(0)(np.int64(7)) == 7


@pytest.mark.parametrize("given", [
    [0, 2], (0, 2.0), range(0, 4, 2), np.array([0, 2]), pd.Series([0, 2], index=[7, 8]), pd.Index([0, 2]),
    {"a": 0, "b": 2}.values(), (i for i in (0, 2)), [np.int8(0), np.float32(2)],
    pd.array([0, 2], dtype="Int64"),
])  # fmt: skip
def test_whatever_holds_several_numbers_is_a_list_of_numbers(given):
    assert asked.numbers(given).tolist() == [0, 2]


@pytest.mark.parametrize(
    "given", [{"N": 1}, {"N": 1}.keys(), {"a": "N"}.values(), (n for n in ["N"]), frozenset("N")]
)
def test_whatever_holds_several_names_is_a_list_of_names(given):
    assert asked.a_list(given) == ["N"]
    assert asked.maybe_a_list([]) == []


def test_headers_may_be_numbers_and_lines_may_be_blank():
    assert asked.headers(0) == [0]
    assert asked.headers(name for name in ("N", 1)) == ["N", 1]
    assert asked.headers(pd.Index([0, "year"])) == [0, "year"]
    assert asked.lines(["one", "", "two"]) == ["one", "", "two"]
    assert asked.lines([]) == []


def test_files_are_paths_bytes_open_files_and_tables(tmp_path):
    for given in ("a.csv", tmp_path / "a.csv", b"a,b", bytearray(b"a"), StringIO("a"), pd.DataFrame()):
        assert asked.a_file(given) is given


def test_the_readers_take_headers_and_units_in_every_kind_they_come_in():
    table = pd.DataFrame({0: [1, 1, 2, 2], 1: [0, 60, 0, 60], 2: [48.1, 55, 47.2, 56.3]})
    columns, units = {"block": 0, "rate": [1], "yield": "2"}, {"rate": "lb/ac", "yield": "bu/ac"}
    told = read_strips(table, columns=columns, units=units, name=Path("North.csv"), crop="", sheet=None)
    assert told.table["yield_bu_ac"].tolist() == table[2].tolist()
    assert told.name == "North.csv"


def test_a_column_that_is_not_there_is_named():
    with pytest.raises(LookupFailed, match="trail"):
        optima_of_trials(pd.DataFrame({"trial": ["A"], "rate_lb_ac": [0]}), "trail", 0.1)
    with pytest.raises(LookupFailed, match="quadratik"):
        fit_sums("quadratik", type("Sums", (), {"means": 0, "spread": 0, "pure_ss": 0})())


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


def test_names_of_rows_are_columns_whatever_table_is_asked():
    # four blocks of five rates leave (4 - 1) x (5 - 1) = 12 degrees of freedom, without blocks 20 - 5 = 15
    rates, rng = (0, 40, 80, 120, 160), np.random.default_rng(5)
    rows = [(block, rate, 50 + 0.05 * rate + rng.normal()) for block in "ABCD" for rate in rates]
    strips = pd.DataFrame(rows, columns=["block", "rate_lb_ac", "yield_bu_ac"])
    for named in (strips.set_index("block"), strips.set_index(["block", "rate_lb_ac"])):
        assert "12 error degrees of freedom" in analyse_strips(named).summary()
        assert read_strips(named, crop="soybean").table["block"].tolist() == strips["block"].tolist()
    fields = pd.DataFrame({"crop": ["soybean"], "yield_goal_bu_ac": [40.0], "area_ac": [80.0]})
    assert farm_budget(fields.set_index("crop")).table["crop"].tolist()[0] == "soybean"
    leaf = pd.DataFrame({"sample_id": ["a"], "crop": ["soybean"], "growth_stage": ["R2"], "nutrient": ["K"],
                         "plant_part": ["trifoliate without petiole"], "value": [1.31]})  # fmt: skip
    scored = score_tissue(leaf.set_index(["sample_id", "crop"]), source="STAMMER2018")
    assert scored.table["sample_id"].tolist() == ["a"]


def test_numbers_of_any_size_are_taken_and_truth_is_none():
    # MSU2017: 40 bushels of soybeans carry 56 lb of K2O off the field
    table = nutrient_budget("soybean", np.float32(40), source="MSU2017").table.set_index("nutrient")
    assert table.loc["K2O", "removed"] == pytest.approx(56)
    fields = pd.DataFrame({"crop": ["soybean"], "yield_goal_bu_ac": [40.0], "area_ac": [True]})
    with pytest.raises(InputError, match="row 2, column 'area_ac', value 'True': not a usable area"):
        farm_budget(fields)
    with pytest.raises(InputError, match="neither a table nor the path of a file; Give a DataFrame"):
        farm_budget({"crop": ["soybean"]})
