"""Codes for missing values, numbers that are none, and two columns of one role. Files are invented."""

import math

import pandas as pd
import pytest

from fertkit.budget import farm_budget
from fertkit.errors import InputError
from fertkit.intake import read_points, read_strips, read_tissue
from fertkit.intake.numbers import NumberStyle, Reading, read_number, settle_codes

POINT = NumberStyle(".", "")


def strips(yields, unit="kg/ha", other=""):
    lines = [f"Rep,N rate ({unit}),Yield ({unit}){other and ',' + other.split(',')[0]}"]
    cells = zip([1, 1, 1, 2, 2, 2], [0, 60, 120] * 2, yields, strict=True)
    lines += [f"{b},{r},{y}{other and ',' + other.split(',')[1]}" for b, r, y in cells]
    return "\n".join(lines).encode()


def readings(*values):
    return [Reading(float(v)) for v in values]


def test_a_code_is_missing_only_where_the_column_cannot_hold_it():
    assert [r.value for r in settle_codes(readings(9500, 9999, 10100), lambda _: True)] == [9500, 9999, 10100]
    (_, code, _) = settle_codes(readings(2.4, 9999, 2.6), lambda value: value < 100)
    assert math.isnan(code.value)
    assert code.flag == "missing code 9999"
    (_, code, _) = settle_codes(readings(4000, 99999, 4100), lambda _: True)
    assert "may mean a missing value" in code.problem
    (_, code, _) = settle_codes(readings(2.4, 9999, 2.6), lambda _: True)  # 3,800 times the others
    assert math.isnan(code.value)


@pytest.mark.parametrize("code", [-999, -9999, -99999])
def test_a_code_below_zero_is_missing_anywhere(code):
    assert read_number(code, POINT).flag == f"missing code {code}"


def test_a_yield_of_9999_kg_ha_among_such_yields_is_a_yield():
    table = read_strips(strips([9450, 9999, 10210, 9390, 9870, 10110])).table
    assert table["yield_kg_ha"].tolist() == [9450, 9999, 10210, 9390, 9870, 10110]


def test_a_yield_of_9999_kg_ha_among_others_is_asked_about():
    with pytest.raises(InputError, match=r"row 3, column 'Yield \(kg/ha\)', value '9999'.*missing value"):
        read_strips(strips([4450, 9999, 5210, 4390, 4870, 5110]))


def test_9999_bushels_are_a_lost_strip():
    # The highest corn yield weighed is 624 bu/ac (national corn yield contest, 2023).
    data = strips([145, 9999, 181, 141, 160, 179], "lb/ac").replace(b"Yield (lb/ac)", b"Yield (bu/ac)")
    trial = read_strips(data, crop="corn")
    assert trial.table["yield_bu_ac"].isna().tolist() == [False, True, False, False, False, False]
    assert "lost strips: means are adjusted (line 3)" in trial.summary()


def test_a_rate_of_9999_is_named():
    with pytest.raises(InputError, match=r"row 3, column 'N rate \(kg/ha\)', value '9999'"):
        read_strips(strips([9450, 9600, 10210, 9390, 9870, 10110]).replace(b"\n1,60,", b"\n1,9999,"))


@pytest.mark.parametrize(("cell", "right"), [("9999", 9999), ("9,999", 9999), ("8000", 8000)])
def test_potassium_of_9999_ppm_among_such_values_is_a_result(cell, right):
    text = f'Sample,Crop,K ppm,Zn ppm\na,corn,"{cell}",20\nb,corn,11000,21\nc,corn,12500,22\n'
    table = read_tissue(text.encode()).table
    value = table.loc[(table["nutrient"] == "K") & (table["sample_id"] == "a"), "value"].iloc[0]
    assert value == pytest.approx(right / 10_000)  # 1 % is 10,000 mg/kg


@pytest.mark.parametrize("cell", ["1e308", "1e-320", "1e15", "3e-14"])
def test_numbers_that_measure_nothing_are_refused(cell):
    assert read_number(cell, POINT).problem == "not a sensible number"
    with pytest.raises(InputError, match="not a sensible number"):
        read_strips(strips([9450, cell, 10210, 9390, 9870, 10110]))
    with pytest.raises(InputError, match="not a sensible number"):
        read_tissue(f"Sample,N %,K %\na,{cell},1.5\nb,2.4,1.6\n".encode())


@pytest.mark.parametrize(("cell", "value"), [("0", 0.0), ("0.0001", 0.0001), ("1250000", 1250000.0)])
def test_small_and_large_results_stay(cell, value):
    assert read_number(cell, POINT) == Reading(value)


LEAF = "Sample,{0},{1},N %,K %\na,{2},{3},2.4,1.5\nb,{2},{3},2.5,1.6\n"


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [("Crop", "crop", ("corn", "soybean")), ("Stage", "Growth stage", ("R1", "V6")),
     ("Part", "Plant part", ("ear leaf", "whole plant"))],
)  # fmt: skip
def test_two_columns_of_one_role_that_differ_are_told_by_both_headers(first, second, words):
    with pytest.raises(InputError) as caught:
        read_tissue(LEAF.format(first, second, *words).encode())
    for word in (first, second, *words, "row 2"):
        assert word in str(caught.value)


@pytest.mark.parametrize("words", [("corn", "corn"), ("corn", ""), ("", "corn")])
def test_two_columns_of_one_role_that_agree_are_one(words):
    table = read_tissue(LEAF.format("Crop", "crop", *words).encode()).table
    assert set(table["crop"]) == {"corn"}


def test_columns_named_like_our_own_change_nothing():
    table = read_tissue(b"row,block,line,Sample,Crop,N %\n7,8,9,a,corn,2.4\n7,8,9,b,corn,2.5\n").table
    assert table["row"].tolist() == [2, 3]
    assert table["sample_id"].tolist() == ["a", "b"]


@pytest.mark.parametrize("names", [("Rep", "Rep"), ("Rep", "rep ")])
def test_two_block_columns_of_strips_are_told(names):
    data = strips([9450, 9600, 10210, 9390, 9870, 10110], other=f"{names[1]},1")
    with pytest.raises(InputError, match="several columns could be the block"):
        read_strips(data)


def test_two_columns_of_one_name_in_frames_are_told():
    fields = pd.DataFrame(
        [["a", "corn", "corn", 80, 200]], columns=["field", "crop", "Crop", "area_ac", "yield_goal_bu_ac"]
    )
    with pytest.raises(InputError, match="several columns could be the crop: 'crop', 'Crop'"):
        farm_budget(fields)
    fields.columns = ["field", "crop", "crop", "area_ac", "yield_goal_bu_ac"]
    with pytest.raises(InputError, match="several columns could be the crop"):
        farm_budget(fields)
    points = pd.DataFrame([[0.0, 0.0, 1.0]], columns=["Longitude", "Longitude", "Latitude"])
    with pytest.raises(InputError, match="two columns are named 'Longitude'"):
        read_points(points, crop="corn")


def test_zeros_of_names_stay():
    data = strips([9450, 9600, 10210, 9390, 9870, 10110], other="Trial,0099")
    assert set(read_strips(data).table["trial"]) == {"0099"}
