"""Tables as people see them: plain numbers, nothing for what is missing, text that stays text."""

import re

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from fertkit.results import records, table_html


def cells(frame):
    return re.findall("<td>(.*?)</td>", table_html(frame))


def test_a_table_shows_whole_units_and_four_digits():
    frame = pd.DataFrame({"a": [12345.67, 0.00012341, np.nan, np.inf], "b": ["<b>", "x", None, "1e5"]})
    assert cells(frame) == ["12346", "&lt;b&gt;", "0.0001234", "x", "", "", "no limit", "1e5"]


def test_a_cell_without_a_value_is_empty_whatever_holds_it_and_a_day_has_no_hour():
    days = [pd.Timestamp("2025-07-01"), pd.NaT]
    frame = pd.DataFrame({"n": [1, None], "so": [None, True], "day": days}).convert_dtypes()
    assert cells(frame) == ["1", "", "2025-07-01", "", "True", ""]


def test_a_cell_gets_the_class_of_its_text():
    frame = pd.DataFrame({"a": ["P > K", 1.5]})
    html = table_html(frame, lambda text: "long" * (len(text) == 5))  # letters as read, not as escaped
    assert re.findall("<td.*?</td>", html) == ['<td class="long">P &gt; K</td>', "<td>1.5</td>"]


@given(st.floats(-1e12, 1e12))
def test_a_table_has_no_exponents_and_keeps_four_digits(number):
    (cell,) = cells(pd.DataFrame({"a": [number, np.nan]}))[:1]
    assert "e" not in cell
    assert abs(float(cell) - number) <= max(5.001e-4 * abs(number), 1e-6)


def test_records_are_what_pandas_gives():
    day = pd.Timestamp("2025-07-01")
    frame = pd.DataFrame({"a": [1, 2], "b": [0.5, np.nan], "class": ["x", None], "day": [day, pd.NaT],
                          "so": [True, False], "kind": pd.Categorical(["k", "l"])}, index=[7, 3])  # fmt: skip
    for mine, theirs in zip(records(frame), frame.itertuples(), strict=True):
        assert (mine._fields, list(map(type, mine)), repr(tuple(mine))) == (
            theirs._fields, list(map(type, theirs)), repr(tuple(theirs))
        )  # fmt: skip
    assert list(records(frame.iloc[:0])) == []
