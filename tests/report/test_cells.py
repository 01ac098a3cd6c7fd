"""Text that a spreadsheet would run is made inert; numbers stay numbers."""

import unicodedata

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fertkit.cli import main
from fertkit.report.workbook import inert, inert_table

# Leading characters named by the OWASP page on CSV injection, and the full-width forms of the first four.
STARTS = ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠", " =", "\u00a0@"]


@pytest.mark.parametrize("start", STARTS)
def test_formula_starts_are_led_by_an_apostrophe(start):
    assert inert(start + "cmd|' /C calc'!A0").startswith("'")


@pytest.mark.parametrize("text", ["Field 7", "7-3", "", "a=b", "Mühlfeld", "'quoted'"])
def test_other_text_is_left_alone(text):
    assert inert(text) == text


@given(st.text())
def test_no_text_stays_a_formula(text):
    said = inert(text)
    assert unicodedata.normalize("NFKC", said.lstrip())[:1] not in ("=", "+", "-", "@")
    assert inert(said) == said
    said.encode("utf-8")


def test_only_text_cells_change():
    frame = pd.DataFrame({"=id": ["-5", "+x"], "n": [-5.0, np.nan], "k": [-1, 2]})
    frame["when"] = pd.to_datetime(["2026-07-21", None])
    frame["mixed"] = pd.Series([-2.5, "=1"], dtype=object)
    made = inert_table(frame)
    assert list(made) == ["'=id", "n", "k", "when", "mixed"]
    assert made["'=id"].tolist() == ["'-5", "'+x"]
    assert made["n"].iloc[0] == -5.0
    assert made["k"].tolist() == [-1, 2]
    assert made["when"].tolist() == ["2026-07-21", None]
    assert made["mixed"].tolist() == [-2.5, "'=1"]
    assert list(frame) == ["=id", "n", "k", "when", "mixed"]  # the user's table is as it was


def test_tables_of_the_command_line_hold_no_formula(tmp_path, demo):
    strips, table = tmp_path / "strips.csv", tmp_path / "out.csv"
    text = demo("corn_n_strips.csv").read_text(encoding="utf-8")
    strips.write_text(text.replace("Mill Bend N", "=2+5"), encoding="utf-8")
    prices = ["--nutrient-price", "0.45", "--grain-price", "4.5"]
    assert main(["strips", str(strips), "--crop", "corn", *prices, "--table", str(table)]) == 0
    assert set(pd.read_csv(table)["trial"]) == {"'=2+5"}
