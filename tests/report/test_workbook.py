"""A workbook holds the tables of the page, read back by two libraries that share no code with each other."""

import sys
import unicodedata
import zipfile
from io import BytesIO

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from python_calamine import CalamineWorkbook

from fertkit.errors import FertkitError
from fertkit.report.sections import Table
from fertkit.report.workbook import inert_table, sheet_names, workbook_bytes


def by_openpyxl(data):
    """Rows of each sheet, None for gaps."""
    book = load_workbook(BytesIO(data))
    return {s.title: [list(row) for row in s.iter_rows(values_only=True)] for s in book}


def by_calamine(data):
    """Rows of each sheet, None for gaps."""
    book = CalamineWorkbook.from_filelike(BytesIO(data))
    rows = {name: book.get_sheet_by_name(name).to_python(skip_empty_area=False) for name in book.sheet_names}
    return {name: [[None if c == "" else c for c in row] for row in sheet] for name, sheet in rows.items()}


def rows_of(frame):
    """Header and rows as a reader should find them; an empty text is a gap."""
    held = inert_table(frame).astype(object)
    held = held.where(held.notna() & (held != ""), None)
    return [list(held.columns), *held.to_numpy().tolist()]


def alike(found, wanted):
    """Equal cells; numbers to the sixteen digits a sheet holds."""
    pairs = zip(found, wanted, strict=True)
    return all(a == b or (not isinstance(b, str) and a == pytest.approx(b, rel=1e-15)) for a, b in pairs)


@pytest.mark.parametrize("reader", [by_openpyxl, by_calamine])
@pytest.mark.parametrize("kind", ["field", "trial", "network", "farm"])
def test_workbook_reads_back_as_the_tables(kind, reader, request, tmp_path):
    answer = request.getfixturevalue(kind)
    sheets = reader(answer.write_workbook(tmp_path / "book.xlsx").read_bytes())
    assert len(sheets) == len(answer.tables) + 1
    assert list(sheets)[-1] == "Sources"
    for (title, frame), rows in zip(answer.tables.items(), sheets.values(), strict=False):
        for found, wanted in zip(rows, rows_of(frame), strict=True):
            assert alike(found, wanted), title


@pytest.mark.parametrize("kind", ["trial", "network"])
def test_no_passed_check_reads_as_a_failure(kind, request, tmp_path):
    answer = request.getfixturevalue(kind)
    head, *rows = by_openpyxl(answer.write_workbook(tmp_path / "b.xlsx").read_bytes())["Checks"]
    result, means = head.index("result"), head.index("what it means")
    assert "passed" in {row[result] for row in rows}
    assert {row[means] for row in rows if row[result] == "passed"} == {None}
    assert all(row[means] for row in rows if row[result] == "failed")


def test_sources_sheet_cites_and_defers(trial, tmp_path):
    rows = by_openpyxl(trial.write_workbook(tmp_path / "b.xlsx").read_bytes())["Sources"]
    assert "BACHMAIER2009" in [row[0] for row in rows]
    assert any("certified adviser" in str(row[1]) for row in rows)


def test_same_answer_gives_same_bytes(trial, tmp_path):
    one, other = (trial.write_workbook(tmp_path / name).read_bytes() for name in ("a.xlsx", "b.xlsx"))
    assert one == other


# Ids with every kind of character; "_x0041_" is the format's own way to write a character by its number.
ids = st.text(max_size=40).filter(lambda text: "_x" not in text)


@settings(max_examples=60, deadline=None)
@given(st.lists(ids, min_size=1, max_size=4), st.text(max_size=50), st.floats(-1e9, 1e9))
def test_hostile_ids_stay_text_and_numbers_stay_numbers(names, title, number):
    frame = pd.DataFrame({"id": pd.Series(names, dtype=object), "value": -abs(number), "more": number})
    data = workbook_bytes([Table(title, frame), Table(title, frame)])
    for reader in (by_openpyxl, by_calamine):
        sheets = reader(data)
        assert len(sheets) == 2
        rows = next(iter(sheets.values()))
        assert all(map(alike, rows, rows_of(frame)))
        for identity, low, same in rows[1:]:
            assert isinstance(low, int | float)
            assert same == pytest.approx(number, rel=1e-14)
            assert unicodedata.normalize("NFKC", (identity or "").lstrip())[:1] not in ("=", "+", "-", "@")


def test_no_cell_is_a_formula_and_nothing_is_linked(network, tmp_path):
    data = network.write_workbook(tmp_path / "b.xlsx").read_bytes()
    with zipfile.ZipFile(BytesIO(data)) as package:
        for name in package.namelist():
            assert not {"externalLinks", "vbaProject.bin"} & set(name.split("/"))
            if name.startswith("xl/worksheets/"):
                assert b"<f>" not in package.read(name)


@given(st.lists(st.text(max_size=60), max_size=12))
def test_names_of_sheets_are_legal_and_unique(titles):
    """At most 31 characters, none of []:*?/\\, no apostrophe at an end, unique whatever the case."""
    names = sheet_names(titles)
    assert len({name.casefold() for name in names}) == len(titles)
    for name in names:
        assert 0 < len(name.encode("utf-16-le")) // 2 <= 31
        assert not set(name) & set("[]:*?/\\")
        assert name.strip("'") == name
        assert name.casefold() != "history"


def test_a_refused_write_leaves_the_old_workbook(trial, tmp_path, monkeypatch):
    target = tmp_path / "b.xlsx"
    target.write_bytes(b"old")
    monkeypatch.setattr("fertkit.report.workbook._undated", lambda data: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        trial.write_workbook(target)
    assert target.read_bytes() == b"old"


def test_missing_library_is_named(trial, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with pytest.raises(FertkitError, match=r"pip install 'fertkit\[excel\]'"):
        trial.write_workbook(tmp_path / "b.xlsx")
    assert not list(tmp_path.iterdir())
