"""The tables of an answer as a workbook: a sheet a table, numbers unrounded, and a sheet of sources.

Text that a spreadsheet could run is made inert, here for every table that leaves the kit, and the same tables
give the same bytes.
"""

import re
import unicodedata
import zipfile
from functools import lru_cache
from io import BytesIO

import pandas as pd

import fertkit
from fertkit.errors import FertkitError, harmless, installing
from fertkit.report.sections import Table
from fertkit.say.line import ASK

LONGEST_NAME = 31  # characters of a sheet's name
_FORBIDDEN = re.compile(r"[\[\]:*?/\\]")
_WRITTEN = (1980, 1, 1, 0, 0, 0)  # the earliest time an archive can state

#: First characters by which spreadsheets take a text for a formula; full-width forms are folded to these.
FORMULA_STARTS = frozenset("=+-@\u2212")
LONGEST_CELL = 32_767  # characters a cell of an XLSX sheet may hold


@lru_cache(4096)
def inert(text: str) -> str:
    """Give a text that no spreadsheet takes for a formula: an apostrophe goes before one that starts like it.

    Control characters are marked, line ends made alike, and what a cell cannot hold is cut.
    """
    text = harmless(text).replace("\r\n", "\n").replace("\r", "\n")
    first = unicodedata.normalize("NFKC", text.lstrip())[:1]
    if first in FORMULA_STARTS or text[:1] in ("\t", "\n"):
        text = "'" + text
    return text if len(text) <= LONGEST_CELL else text[: LONGEST_CELL - 1] + "…"


def inert_table(frame: pd.DataFrame) -> pd.DataFrame:
    """Make the headers and text cells of a table inert; numbers stay numbers, dates become text."""
    cells = frame.copy()
    for i, (_, column) in enumerate(frame.items()):
        if not (pd.api.types.is_numeric_dtype(column) or pd.api.types.is_bool_dtype(column)):
            texts = [_cell(value) for value in column]
            cells.isetitem(i, pd.Series(texts, index=frame.index, dtype=object))
    return cells.set_axis([inert(str(name)) for name in frame.columns], axis=1)


def _cell(value):
    if isinstance(value, str):
        return inert(value)
    if value is None or value is pd.NaT or value is pd.NA or value != value:
        return None
    if pd.api.types.is_number(value) or pd.api.types.is_bool(value):
        return value
    return inert(str(value).removesuffix(" 00:00:00"))


def workbook_bytes(tables) -> bytes:
    """Give the bytes of a workbook with one sheet a table.

    Parameters
    ----------
    tables : iterable of Table
    """
    try:
        from openpyxl import Workbook
    except ImportError:
        raise FertkitError("workbooks need openpyxl", remedy=installing("excel")) from None
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
        base = " ".join(_FORBIDDEN.sub(" ", inert(str(title))).split()).strip("' ") or "table"
        name, n = _whole_words(base).strip("' "), 1
        while not name or name.casefold() in taken:
            n += 1
            ending = f" {n}"
            name = _cut(base, LONGEST_NAME - len(ending)) + ending
        taken.add(name.casefold())
        names.append(name)
    return names


def _whole_words(text):
    """The start of a text that a sheet's name holds, cut between two words where that leaves half of it."""
    cut = _cut(text, LONGEST_NAME)
    whole = cut if len(cut) == len(text) or text[len(cut)] == " " else cut.rpartition(" ")[0]
    return whole if len(whole) > LONGEST_NAME / 2 else cut


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


def sources_sheet(sources: pd.DataFrame) -> Table:
    """Return the sheet of sources: key, citation, address, how obtained; what governs; the version."""
    frame = sources[["source_key", "citation", "address", "obtained"]]
    about = pd.DataFrame(
        {
            "source_key": ["fertkit", "note"],
            "citation": [fertkit.__version__, f"An estimate, not a recommendation. {ASK}"],
        }
    )
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
