"""The tables of an answer as a workbook: a sheet a table, numbers unrounded, and a sheet of sources.

Text that a spreadsheet could run is made inert (see `cells`), and the same answer gives the same bytes.
"""

import re
import zipfile
from io import BytesIO
from pathlib import Path

import pandas as pd

import fertkit
from fertkit.asked import a_path, asks, holding
from fertkit.errors import FertkitError
from fertkit.report.cells import inert, inert_table
from fertkit.report.field import field_tables
from fertkit.report.network import network_tables
from fertkit.report.tables import Table
from fertkit.report.trial import trial_tables
from fertkit.writing import write_whole

#: Which tables each kind of answer holds.
TABLES = {"FieldAnswer": field_tables, "TrialAnswer": trial_tables, "NetworkAnswer": network_tables}
GOVERNS = (
    "An estimate, not a recommendation: local nutrient-management rules, the product label and a licensed or "
    "certified adviser govern what is applied."
)
LONGEST_NAME = 31  # characters of a sheet's name
_FORBIDDEN = re.compile(r"[\[\]:*?/\\]")
_WRITTEN = (1980, 1, 1, 0, 0, 0)  # the earliest time an archive can state


@asks(
    answer=holding("table", "sources", like="an answer for a field, a trial or several trials"), path=a_path
)
def write_workbook(answer, path) -> Path:
    """Write the tables of an answer as XLSX, whole or not at all.

    Parameters
    ----------
    answer : FieldAnswer, TrialAnswer or NetworkAnswer
    path : path

    Raises
    ------
    FertkitError
        If openpyxl is not installed.
    OSError
        If the folder does not exist or cannot be written.

    Examples
    --------
    >>> from fertkit.report import write_workbook
    >>> from fertkit.report import answer_trial
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "block": [1] * 4 + [2] * 4, "rate_lb_ac": [0, 40, 80, 120] * 2,
    ...     "yield_bu_ac": [47.5, 52.5, 55.5, 57.5, 48.5, 51.5, 56.5, 56.5],
    ... })
    >>> answer = answer_trial(trial, nutrient_price=0.45, grain_price=11.0, name="North")
    >>> write_workbook(answer, "north.xlsx").name  # needs the excel extra
    'north.xlsx'
    """
    tables = [*TABLES[type(answer).__name__](answer).values(), _sources(answer)]
    return write_whole(workbook_bytes(tables), path)


def workbook_bytes(tables) -> bytes:
    """Give the bytes of a workbook with one sheet a table.

    Parameters
    ----------
    tables : iterable of Table
    """
    try:
        from openpyxl import Workbook
    except ImportError:
        raise FertkitError("workbooks need openpyxl: pip install fertkit[excel]") from None
    book = Workbook()
    book.remove(book.active)
    tables = list(tables)
    for name, table in zip(sheet_names(t.title for t in tables), tables, strict=True):
        _fill(book.create_sheet(name), inert_table(table.frame))
    written = BytesIO()
    book.save(written)
    return _undated(written.getvalue())


def sheet_names(titles) -> list[str]:
    """Make titles legal and unique as names of sheets, whatever their case."""
    taken: set[str] = {"history"}  # a name spreadsheets keep for themselves
    names = []
    for title in titles:
        base = _FORBIDDEN.sub(" ", inert(str(title))).replace("\n", " ").replace("\t", " ")
        base = base.strip("' ") or "table"
        name, n = _cut(base, LONGEST_NAME).strip("' "), 1
        while not name or name.casefold() in taken:
            n += 1
            ending = f" {n}"
            name = _cut(base, LONGEST_NAME - len(ending)) + ending
        taken.add(name.casefold())
        names.append(name)
    return names


def _cut(text, longest):
    """The start of a text, at most so many UTF-16 units, by which sheets count."""
    return text.encode("utf-16-le")[: 2 * longest].decode("utf-16-le", errors="ignore")


def _fill(sheet, frame):
    """Write header and rows; a text cell is text whatever it looks like."""
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    for i, (name, column) in enumerate(frame.items(), 1):
        head = sheet.cell(1, i, name)
        head.font, head.alignment, head.data_type = Font(bold=True), Alignment(wrap_text=True), "s"
        width = len(name)
        for row, value in enumerate(column, 2):
            if value is None or pd.isna(value):
                continue
            cell = sheet.cell(row, i, value.item() if hasattr(value, "item") else value)
            if isinstance(value, str):
                cell.data_type = "s"
                width = max(width, len(value))
        sheet.column_dimensions[get_column_letter(i)].width = min(max(width, 8), 50) + 2
    sheet.freeze_panes = "A2"


def _sources(answer) -> Table:
    """The sources sheet: key, citation, address and how each was obtained; what governs; the version."""
    frame = answer.sources[["source_key", "citation", "address", "obtained"]]
    about = pd.DataFrame({"source_key": ["fertkit", "note"], "citation": [fertkit.__version__, GOVERNS]})
    return Table("Sources", pd.concat([frame, about], ignore_index=True).fillna(""))


def _undated(data: bytes) -> bytes:
    """The same archive without the time it was written, so that the same tables give the same bytes."""
    out = BytesIO()
    with zipfile.ZipFile(BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb">\d{4}-\d\d-\d\dT[^<]*<", b">1980-01-01T00:00:00Z<", content)
            part = zipfile.ZipInfo(name, _WRITTEN)
            part.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(part, content)
    return out.getvalue()
