"""Number styles and single cells, by hand."""

import math

import pytest

from fertkit.intake.numbers import NumberStyle, number_style, read_number, read_typed
from fertkit.intake.units import find_unit, is_other_matrix


@pytest.mark.parametrize(
    "text", ["ND", "n.d.", "n.n.", "N.N.", "n. n.", "nicht nachgewiesen", "no detectado"]
)
def test_not_detected(text):
    reading = read_number(text, NumberStyle(",", ""))
    assert (reading.censored, reading.flag, reading.problem) == ("not detected", text, "")
    assert math.isnan(reading.value)


@pytest.mark.parametrize("text", ["n.b.", "n. b.", "N.B.", "nicht bestimmt", "n.a.", "no determinado"])
def test_not_determined_is_missing(text):
    reading = read_number(text, NumberStyle(",", ""))
    assert (reading.censored, reading.problem) == ("", "")
    assert math.isnan(reading.value)


@pytest.mark.parametrize(
    ("text", "value"),
    [("4,5", 4.5), ("4.5", 4.5), ("0,755", 0.755), ("1.234,5", 1234.5), ("1,234.5", 1234.5), ("1500", 1500)],
)
def test_a_number_typed_by_itself(text, value):
    assert read_typed(text) == value


@pytest.mark.parametrize("text", ["1,500", "1,2,3", "<5", "4,5 t", "", "x", "n.n."])
def test_what_is_no_number_or_two(text):
    with pytest.raises(ValueError, match=r"can be read as|not a number"):
        read_typed(text)


POINT, COMMA, UNTOLD = NumberStyle(".", ""), NumberStyle(",", ""), NumberStyle("", "")


@pytest.mark.parametrize(
    ("cells", "delimiter", "decimal"),
    [
        (["3.21", "22"], ",", "."),
        (["3,21", "22"], ";", ","),
        (["2.9", "3.1", "1,320"], "\t", "."),
        (["2,9", "3,1", "1.320"], "\t", ","),
        (["1,320", "450"], ",", "."),
        (["1,320", "450"], ";", ","),
        (["1,320", "450"], "\t", ""),  # nothing tells
        (["3.21", "3,21"], ";", ""),  # as many of one as of the other
        (["3.210", "2.100", "0,5"], ";", ""),  # three decimals, or thousands?
        (["1,320.5"], ";", "."),
        (["1.320,5"], "\t", ","),
        (["1.234.567"], ";", ","),
        ([3.21, 22], "", "."),  # numbers of a spreadsheet need no rule
    ],
)
def test_decimal_mark_of_a_file(cells, delimiter, decimal):
    assert number_style(cells, delimiter).decimal == decimal


@pytest.mark.parametrize(
    ("cell", "style", "value"),
    [
        ("3.21", POINT, 3.21),
        ("3,21", COMMA, 3.21),
        ("1,320", POINT, 1320),
        ("1,320", COMMA, 1.32),
        ("1 320,5", COMMA, 1320.5),
        ("1'320", POINT, 1320),
        (".25", POINT, 0.25),
        ("5.", POINT, 5),
        ("5,", COMMA, 5),
        ("1e3", POINT, 1000),
        ("３．２", POINT, 3.2),
        ("3.2¹", POINT, 3.2),
        (3.2, UNTOLD, 3.2),
        (45, COMMA, 45),
    ],
)
def test_numbers(cell, style, value):
    reading = read_number(cell, style)
    assert (reading.value, reading.problem) == (pytest.approx(value), "")


WORDS = ["3,21", "3,", "1,32,0", "3.2.1", "abc", "3k", "٣.٢", "½", "-3", "3 May", "2.9-3.5", "12 34"]


@pytest.mark.parametrize("cell", [*WORDS, "0x1F", "1_000", "inf", "1e400", True])
def test_what_is_not_a_number_is_told(cell):
    reading = read_number(cell, POINT)
    assert math.isnan(reading.value)
    assert reading.problem


def test_units():
    # 1 % = 10 g/kg = 10000 mg/kg; mg/g = g/kg; ppm = ug/g = mg/kg on dry matter.
    spellings = {
        "%": ["pct", "% DM", "g/100 g", "dag/kg"],
        "g/kg": ["g kg⁻¹", "mg/g"],
        "mg/kg": ["ppm", "µg/g", "μg/g", "mg kg-1"],
    }
    for unit, words in spellings.items():
        assert [find_unit(w) for w in words] == [unit] * len(words)
    for word in ("lb/ac", "mg/L", "furlong", ""):
        assert find_unit(word) == ""
    assert is_other_matrix("results as fresh weight")
    assert not is_other_matrix("dried fresh at 60 degrees, dry weight basis")


@pytest.mark.parametrize(
    ("text", "style", "value"),
    [("123,456.7", POINT, 123456.7), ("1,234,567.8", POINT, 1234567.8), ("1234,567", COMMA, 1234.567),
     ("1234567,8", COMMA, 1234567.8), ("1 234,5", COMMA, 1234.5), ("12'345.6", POINT, 12345.6)],
)  # fmt: skip
def test_digits_are_grouped_in_threes_behind_one_to_three(text, style, value):
    # The rule of groups: International System of Units, 9th edition, 5.4.4.
    assert read_number(text, style).value == value


@pytest.mark.parametrize("text", ["1234,567.8", "12,34.5", "0123,456.7", "1234 567", "1,2345.6"])
def test_digits_grouped_otherwise_are_no_number(text):
    reading = read_number(text, POINT)
    assert math.isnan(reading.value)
    assert reading.problem == "not a number"


@pytest.mark.parametrize("text", ["1,234", "12,345", "123,456"])
def test_one_to_three_digits_before_a_comma_and_three_behind_can_be_read_two_ways(text):
    assert "cannot be told" in read_number(text, UNTOLD).problem
    assert number_style([text], "\t").decimal == ""


@pytest.mark.parametrize("text", ["1234,567", "0,123", "12345,678"])
def test_other_digits_before_a_comma_make_it_a_decimal_comma(text):
    assert number_style([text], "\t").decimal == ","
