"""One rounding rule: three significant digits or all whole units, no exponent."""

import re
from types import SimpleNamespace

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fertkit.report.page import shown
from fertkit.report.sections import checks_of, checks_table, pick
from fertkit.results import checks_frame, plain, plain_p


@given(st.floats(-1e15, 1e15).filter(lambda v: abs(v) > 1e-5))
def test_numbers_keep_three_digits_or_their_whole_units(value):
    text = plain(value)
    assert re.fullmatch(r"-?\d+(\.\d+)?", text)
    assert abs(float(text) - value) <= max(0.5, 0 if abs(value) >= 100 else 0.005 * abs(value)) * 1.0000001
    if abs(value) < 99:
        assert abs(float(text) - value) <= 0.00501 * abs(value)
    # Three digits from the first that is not zero, unless all of them are whole units.
    digits = text.replace("-", "").replace(".", "").lstrip("0")
    assert "." not in text or (len(digits) <= 3 and not text.endswith("0"))


@given(st.floats(0, 1))
def test_probabilities_never_read_as_nothing_nor_as_certain(p):
    said = plain_p(p)
    if p < 0.001 or 0.995 <= p < 1:
        assert said == ("< 0.001" if p < 0.5 else "> 0.99")
    else:
        assert float(said.removeprefix("= ")) == pytest.approx(p, rel=0.051)


def test_cells():
    frame = pd.DataFrame(
        {"a": [1.23456, float("nan")], "b": ["=x", None], "c": [True, False], "p": [1e-9, 0.0456], "d": None}
    )
    text = shown(frame)
    assert list(text) == ["a", "b", "c", "p"]  # a column of gaps alone is left out
    assert text.iloc[0].tolist() == ["1.23", "=x", "yes", "<\u00a00.001"]
    assert text.iloc[1].tolist() == ["", "", "no", "0.046"]


def test_picked_columns_keep_order_and_numbers():
    table = pick("t", pd.DataFrame({"x": [1.23456], "y": [2]}), {"y": "y [t]", "x": "x [kg]", "z": "z"})
    assert list(table.frame) == ["y [t]", "x [kg]"]
    assert table.frame["x [kg]"].iloc[0] == 1.23456


def test_a_meaning_stands_beside_a_check_that_did_not_hold_alone():
    """A meaning is worded as what a failure would mean; beside "passed" it would read as one."""
    rows = [
        ("number of sites", 9, ">= 5", True, "fewer than five site-years"),
        ("largest weight", 61, "<= 50", False, "one site carries more than half the weight"),
        ("neighbours alike", None, "p >= 0.05", None, "strip positions are missing"),
    ]
    table = checks_table(
        checks_of({"pooled gain": SimpleNamespace(checks=checks_frame(rows)), "one curve": None})
    ).frame
    assert list(table["result"]) == ["passed", "failed", "not judged"]
    assert list(table["what it means"]) == ["", rows[1][4], rows[2][4]]
