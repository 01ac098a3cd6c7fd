"""Number styles and single cells, by hand."""

import datetime as dt
import math
from dataclasses import FrozenInstanceError
from itertools import product

import pytest

from fertkit.cell_formats import Formatted
from fertkit.intake.numbers import (
    NumberStyle,
    Reading,
    could_be_grouped,
    number_style,
    read_number,
    read_typed,
    settle_codes,
)
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
    with pytest.raises(ValueError, match=r"may be|not a number"):
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
    assert "unclear decimal" in read_number(text, UNTOLD).problem
    assert number_style([text], "\t").decimal == ""


@pytest.mark.parametrize("text", ["1234,567", "0,123", "12345,678"])
def test_other_digits_before_a_comma_make_it_a_decimal_comma(text):
    assert number_style([text], "\t").decimal == ","


# ---- numbers written in every way, and read back


NUMBERS = [
    ("0", "5"),
    ("7", ""),
    ("12", "305"),
    ("123", "4"),
    ("1234", "56"),
    ("1234567", "8"),
    ("1234567", ""),
]
GROUPS = {".": ["", ",", " ", "'"], ",": ["", ".", " ", "'"]}
CENSORS = {"": "", "<": "<", "<= ": "<", "≤": "<", "less than ": "<", "below ": "<", "LT ": "<", "nd <": "<",
           "bdl (": "<", "<LOD=": "<", "＜": "<", ">": ">", "≥ ": ">", "more than ": ">", "GT ": ">",
           "＞": ">"}  # fmt: skip
TAILS = {"": ("", ""), " L": ("L", ""), " (high)": ("high", ""), "*": ("*", ""), " d ²": ("d ²", ""),
         " %": ("", "%"), " mg/kg": ("", "mg/kg"), "% *": ("*", "%"), " ppm": ("", "mg/kg")}  # fmt: skip


def written(whole, fraction, mark, group):
    """A number in groups of three before its decimal mark."""
    head = len(whole) % 3 or 3
    parts = [whole[:head], *(whole[i : i + 3] for i in range(head, len(whole), 3))]
    return (group.join(parts) if group else whole) + (mark + fraction if fraction else "")


@pytest.mark.parametrize("mark", [".", ","])
def test_a_number_is_read_as_it_was_written(mark):
    style = NumberStyle(mark, "")
    for (whole, fraction), group in product(NUMBERS, GROUPS[mark]):
        value = float(f"{whole}.{fraction or 0}")
        text = written(whole, fraction, mark, group)
        for sign, exponent in product(("", "+", "+ "), ("", "e2", "E-3", "e+1")):
            if exponent and group in (" ", "'"):
                continue
            found = read_number(f" {sign}{text}{exponent} ", style)
            assert (found.value, found.problem) == (pytest.approx(value * 10 ** int(exponent[1:] or 0)), "")
            assert (found.censored, found.flag, found.unit) == ("", "", "")


@pytest.mark.parametrize(("before", "censored"), CENSORS.items())
@pytest.mark.parametrize(("after", "said"), TAILS.items())
def test_limits_flags_and_units_beside_a_number(before, censored, after, said):
    closed = ")" if "(" in before else ""
    if closed and "(" in after:
        return
    found = read_number(f"{before}0.25{after}{closed}", POINT)
    assert (found.value, found.censored, found.flag, found.unit, found.problem) == (0.25, censored, *said, "")


@pytest.mark.parametrize(
    ("text", "value", "censored", "flag", "problem"),
    [
        ("5+", 5, ">", "", ""), ("5 +", 5, ">", "", ""), ("5 U", 5, "<", "", ""), ("5u", 5, "<", "", ""),
        ("<5+", None, "", "", "text beside the number"), (">5 U", None, "", "", "text beside the number"),
        ("5 + *", 5, ">", "*", ""), ("5)", None, "", "", "not a number"),
        ("5 ()", None, "", "", "not a number"), ("nd (<0.02)", 0.02, "<", "", ""),
        ("<LOD (0.02)", 0.02, "<", "", ""), ("5 kg", None, "", "", "text beside the number"),
        ("-0", 0, "", "", ""), ("-1", None, "", "", "below zero"), ("<-999", None, "", "", "below zero"),
        ("-999", None, "", "missing code -999", ""), ("-9999.0", None, "", "missing code -9999", ""),
        ("-99999", None, "", "missing code -99999", ""), ("-9,999", None, "", "missing code -9999", ""),
        ("1000000000000", 1e12, "", "", ""), ("1.001e12", None, "", "", "not a sensible number"),
        ("1e-12", 1e-12, "", "", ""), ("0.9e-12", None, "", "", "not a sensible number"),
        ("0", 0, "", "", ""),
        ("1e400", None, "", "", "not a finite number"), ("", None, "", "", ""), ("NaN", None, "", "", ""),
        ("QNS", None, "", "sample too small", ""), ("#DIV/0!", None, "", "spreadsheet error #DIV/0!", ""),
        ("< LOD", None, "not detected", "< LOD", ""), ("1-2", None, "", "", "a range, not a result"),
        ("1 to 2", None, "", "", "a range, not a result"), ("1..2", None, "", "", "a range, not a result"),
    ],
)  # fmt: skip
def test_single_cells(text, value, censored, flag, problem):
    found = read_number(text, POINT)
    assert (found.censored, found.flag, found.problem) == (censored, flag, problem)
    assert found.value == value if value is not None else math.isnan(found.value)


@pytest.mark.parametrize(("wide", "plain"), [
    ("１２３４５６７８９０", 1234567890), ("１．５", 1.5), ("１，２３４．５", 1234.5),
    ("1’234", 1234), ("1‘234", 1234),
])  # fmt: skip
def test_wide_digits_and_marks(wide, plain):
    # Unicode: fullwidth forms FF01 to FF5E stand for the ASCII character FEE0 lower.
    assert read_number(wide, POINT).value == plain


def test_wide_signs():
    for minus in ("-", "\u2212", "\uff0d"):
        assert read_number(f"{minus}3", POINT).problem == "below zero"
    assert read_number("3\uff05", POINT).unit == "%"


@pytest.mark.parametrize("cell", [dt.date(2024, 5, 1), dt.datetime(2024, 5, 1), dt.time(3), dt.timedelta(1)])
def test_dates_are_no_numbers(cell):
    assert "a date" in read_number(cell, POINT).problem
    assert "true or false" in read_number(True, POINT).problem
    assert math.isnan(read_number(None, POINT).value)
    assert read_number(None, POINT).problem == ""


def test_a_formatted_cell_is_read_as_it_shows():
    assert read_number(Formatted(0.25, "25.0 %"), UNTOLD).unit == "%"
    assert read_number(Formatted(45000.0, "2023-03-15"), UNTOLD).value == 45000
    assert read_number(Formatted(0.5, "< 0.50"), UNTOLD).censored == "<"


@pytest.mark.parametrize(
    ("cells", "decimal"),
    [
        # Certain points, certain commas, commas that may group (1,320) and points that may (1.320).
        (["1.5", "1,320"], "."), (["1.5", "1.6", "3,2"], "."), (["1.5", "1.6", "3,2", "1,320"], ""),
        (["1.5", "3,2"], ""), (["1,5", "1.320"], ""), (["1,5", "1,6", "1.320"], ","), (["1,5", "1,320"], ","),
        (["1,5", "1,6", "2.5"], ","), (["1,5", "1,6", "2.5", "1.320"], ""), (["1.320"], "."), ([], "."),
        (["1,320"], ""), (["12", "x"], "."), ([None, 3.5, "1,5"], ","), (["2,5 und 3,5"], ","),
        (["1.234,5"], ","), (["1,234,567"], "."), ([".5"], "."), ([",5"], ","), (["1,2,3"], "."),
        (["0.125"], "."), (["1234.567"], "."), (["1,23.4", "2,5"], ""), (["1.5", "2,5", "3,5", "1.2"], ""),
    ],
)  # fmt: skip
def test_what_settles_the_decimal_mark(cells, decimal):
    assert number_style(cells, "\t").decimal == decimal


@pytest.mark.parametrize(
    ("text", "style", "problem"),
    [
        ("1.5", COMMA, "decimal mark '.' here, ',' in the rest of the file"),
        ("1,5", POINT, "decimal mark ',' here, '.' in the rest of the file"),
        ("1.5", UNTOLD, "unclear decimal"), ("1,320", UNTOLD, "unclear decimal"),
        ("5.", COMMA, "ends in '.'"),
        ("1.5.", POINT, "not a number"), ("1 234.5", COMMA, "decimal mark '.'"),
        ("1,2,34", POINT, "not a number"),
        ("1 234.5", UNTOLD, "unclear decimal"), ("5.", UNTOLD, "ends in '.'"),
        ("1 23", POINT, "not a number"),
        ("1,234.5,6", POINT, "not a number"), ("0,123.5", POINT, "not a number"),
        ("0 123", POINT, "not a number"),
    ],
)  # fmt: skip
def test_marks_that_do_not_fit_the_file(text, style, problem):
    assert problem in read_number(text, style).problem


@pytest.mark.parametrize(
    ("others", "taken"),
    [
        ([99.9, 5.0], "missing"), ([100.0, 5.0], "asked"), ([6665.0], "asked"), ([6666.0], "value"),
        ([14998.0, 16000.0], "value"), ([14999.0, 16000.0], "asked"), ([], "asked"), ([0.0], "asked"),
    ],
)  # fmt: skip
def test_a_code_for_missing_beside_other_values(others, taken):
    """A code within one and a half times the others is one of them, above a hundred times it is none."""
    readings = [*map(Reading, others), Reading(9999.0), Reading()]
    found = settle_codes(readings, lambda value: True)[len(others)]
    told = {
        "missing": Reading(flag="missing code 9999"), "value": Reading(9999.0),
        "asked": Reading(problem="9999 may mean a missing value; if measured, write 10000"),
    }[taken]  # fmt: skip
    assert str(found) == str(told)
    none = settle_codes(readings, lambda value: False)[len(others)]
    assert none.flag == "missing code 9999"
    assert settle_codes(readings, lambda value: True)[: len(others)] == readings[: len(others)]


def test_only_codes_are_settled():
    readings = [Reading(9999.0, "<"), Reading(9998.0), Reading(99998.0)]
    assert settle_codes(readings, lambda value: False) is readings
    mixed = settle_codes([*readings, Reading(99999.0)], lambda value: False)
    assert mixed[:3] == readings
    assert mixed[3].flag == "missing code 99999"


def test_a_reading_cannot_be_changed():
    for made in (read_number("3", POINT), number_style(["3,5"])):
        with pytest.raises(FrozenInstanceError):
            made.why = made.value = None


@pytest.mark.parametrize(("cell", "grouped"), [
    ("1,320", True), ("1.320", True), ("12,345", True), ("1,32", False), ("0,320", False), ("12", False),
    ("1.234,5", False), ("1,320 and 2,5", True),
])  # fmt: skip
def test_marks_that_could_part_thousands(cell, grouped):
    assert could_be_grouped(cell) == grouped


@pytest.mark.parametrize(("cells", "delimiter"), [(["1.320"], "\t"), (["1,320"], ","), (["1,320"], ";")])
def test_a_mark_that_no_number_tells_says_so(cells, delimiter):
    assert number_style(cells, delimiter).guessed
    assert not number_style(["3.25", *cells], delimiter).guessed


@pytest.mark.parametrize("cell", ["< LD", "<LQ", "no detectable", "não detectado", "< RL"])
def test_below_a_limit_that_is_not_told(cell):
    reading = read_number(cell, number_style(["2,5"], ";"))
    assert (reading.censored, reading.problem) == ("not detected", "")
