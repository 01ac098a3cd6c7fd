"""A table of any kind: the line of its headers, the units below it, hidden lines, roles of columns."""

import io

import openpyxl
import pytest

from fertkit.errors import InputError
from fertkit.intake.columns import roles_of
from fertkit.intake.grid import find_sheet, is_merged, name_lines
from fertkit.intake.spellings import plain
from fertkit.intake.strips import read_strips
from fertkit.intake.units import MEASURES
from fertkit.tables import RawTable, open_table

SOIL = b"Report (invented)\n\nField,pH,P,K,OM\n,,ppm,ppm,%\nNorth,6.4,21,140,3.1\n\nSouth,6.9,35,160,\n"


def test_a_reader_names_its_headers_and_the_grid_finds_them():
    # A kind of file that no reader knows yet: its words alone tell where the headers stand.
    words = {"field", "ph", "p", "k", "om"}
    sheet = find_sheet(open_table(SOIL, name="soil.csv"), lambda cell: plain(cell) in words)
    assert sheet.headers == ["Field", "pH", "P (ppm)", "K (ppm)", "OM (%)"]
    assert sheet.header_line == 3
    assert [row[0] for row in sheet.rows if row[0]] == ["North", "South"]
    assert sheet.lines[-1] == 7


def test_a_table_without_a_line_is_refused():
    with pytest.raises(InputError, match="file is empty"):
        find_sheet(RawTable("empty.csv", []), bool)


@pytest.mark.parametrize(
    ("labels", "merged"),
    [(["A", "", "B", ""], True), (["A", "", "B"], False), (["A", "", "A", ""], False), (["", "A", ""], False),
     (["A", "B"], False), ([], False)],
)  # fmt: skip
def test_labels_of_merged_cells(labels, merged):
    assert is_merged(labels) is merged


def test_lines_are_named():
    assert name_lines([7]) == "line 7"
    assert name_lines([22, 23, 24]) == "lines 22 to 24"
    assert name_lines([3, 9]) == "lines 3, 9"


def test_hidden_strips_are_read_and_said():
    book = openpyxl.Workbook()
    rows = [
        ["block", "rate lb/ac", "yield bu/ac"],
        *([b, x, 50 + b + x / 10] for b in (1, 2) for x in (0, 60)),
    ]
    for row in rows:
        book.active.append(row)
    book.active.row_dimensions[3].hidden = True
    stream = io.BytesIO()
    book.save(stream)
    strips = read_strips(stream.getvalue(), name="strips.xlsx")
    assert len(strips.table) == 4
    assert "hidden in the workbook but read: row 3" in strips.notes


@pytest.mark.parametrize("file", ["leaf", "strips", "points"])
def test_roles_measure_what_units_are_known_for(file):
    roles = roles_of(file)
    assert roles
    for name, role in roles.items():
        assert all(role.words), name
        assert role.measures in ("", "flow", "speed", *MEASURES)
        assert role.holds == "number" or not role.measures
