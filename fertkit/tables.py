"""Open a user's table as raw cells: text, CSV in any common dialect, XLSX, XLS or ODS. Nothing is guessed.

Text files give text cells. Spreadsheets give what the cell holds (text, number, date), so that a number
typed as a number is never read through a decimal rule, and an id typed as text keeps its zeros.
"""

import datetime as dt
import io
import re
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.asked import columned
from fertkit.cell_formats import Formatted, formatted, mark_of
from fertkit.delimited import cut, decode, find_delimiter
from fertkit.errors import InputError, Problem, harmless, installing, typed
from fertkit.line_lengths import check_lengths
from fertkit.sizes import MOST_COLUMNS, bytes_of, check_area, check_text
from fertkit.workbooks import FORMULA, CellMarks, check_package

_ZIP, _OLE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
_XLS_NUMBER, _FIRST_XLS_MARK, _MOST_XLS_MARKS = 2, 100, 150  # types of cells; xlrd keeps them in a byte
_NAMED = 12  # cells without a value that a message names
_HEAD = 1_000_000  # characters in which the delimiter is looked for


@dataclass(frozen=True)
class RawTable:
    """Cells of one sheet as found.

    Attributes
    ----------
    name : str
        File name for messages.
    cells : list of list
        Rows of equal length; cell ``cells[i][j]`` stands in line i + 1. Text, or float, int, bool, date,
        datetime from a spreadsheet; empty cells are ``""``.
    delimiter : str
        Of a text file; empty for a spreadsheet.
    encoding : str
        Of a text file; empty for a spreadsheet.
    sheet : str
        Of a spreadsheet; empty for a text file.
    widths : tuple of int
        Cells of each line of a text file as written, before short lines are filled up.
    unvalued : tuple of str
        Addresses of the first cells of a spreadsheet whose formula holds no value.
    merged : tuple of (int, int, int, int)
        First row, first column, last row and last column of merged cells of a spreadsheet, from 0.
    remarks : tuple of str
        Other sheets of the workbook, which hold words alone.
    hidden : tuple of int
        Rows of a spreadsheet that are hidden or filtered away, from 0.
    """

    name: str
    cells: list
    delimiter: str = ""
    encoding: str = ""
    sheet: str = ""
    widths: tuple[int, ...] = ()
    unvalued: tuple[str, ...] = ()
    merged: tuple[tuple[int, int, int, int], ...] = ()
    remarks: tuple[str, ...] = ()
    hidden: tuple[int, ...] = ()

    def shifted(self, header, lines) -> list[Problem]:
        """Problems of `lines` that a stray comma has shifted against the rows of column names `header`."""
        return check_lengths(self.cells, self.widths, header, lines, self.delimiter)


def frame_grid(frame, name: str | None = None) -> RawTable:
    """Take a DataFrame for a table of raw cells under its column names, those of its index among them."""
    frame = columned(frame)
    rows = frame.astype(object).where(frame.notna(), "").to_numpy().tolist()
    rows = [[c.item() if isinstance(c, np.generic) else c for c in row] for row in rows]
    return RawTable(name or "table", [list(map(str, frame.columns)), *rows])


def open_table(source, *, name: str | None = None, sheet: str | None = None) -> RawTable:
    """Open one table of raw cells.

    Parameters
    ----------
    source : path, bytes, file-like or DataFrame
        The file; its kind is told by its content, not its ending.
    name : str, optional
        Name for messages; the file name if None.
    sheet : str, optional
        Sheet of a workbook. Needed only when more than one sheet holds cells.

    Raises
    ------
    InputError
        If the file is missing, empty, not a table, or has several filled sheets and none is named.
    """
    tables = open_tables(source, name=name, sheet=sheet)
    numbered = [t for t in tables if holds_numbers(t)] or tables
    if len(numbered) == 1:
        remarks = tuple(t.sheet for t in tables if t is not numbered[0])
        return replace(whole(numbered[0]), remarks=remarks)
    sheets = ", ".join(t.sheet for t in tables)
    what, in_code = "several sheets hold data", typed("--sheet NAME", "sheet='NAME'")
    raise InputError(tables[0].name, [Problem(what, f"name one of: {sheets}", in_code=in_code)])


def holds_numbers(raw) -> bool:
    """Tell whether a table holds numbers; a sheet of remarks alone does not."""
    return any(re.match(r"[<>~]?[\d.,+-]*\d", text_of(cell)) for row in raw.cells for cell in row)


def whole(raw: RawTable) -> RawTable:
    """Return a table as it is, or refuse it if a formula of it was never worked out.

    Raises
    ------
    InputError
        Naming the cells.
    """
    if not raw.unvalued:
        return raw
    named = ", ".join(raw.unvalued[:_NAMED]) + " and more" * (len(raw.unvalued) > _NAMED)
    where = f" of sheet '{raw.sheet}'" * bool(raw.sheet)
    remedy = "open and save the file in a spreadsheet program, or type the numbers"
    raise _refuse(raw.name, f"the formulas in {named}{where} have no value", remedy)


def open_tables(source, *, name: str | None = None, sheet: str | None = None) -> list[RawTable]:
    """Open every filled sheet of a workbook, or the one that is named, or the one table of a text file."""
    if isinstance(source, pd.DataFrame):
        return [frame_grid(source, name)]
    data, name = bytes_of(source, name)
    if not data.strip():
        raise _refuse(name, "the file is empty", "save the table again")
    packed = data.startswith((_ZIP, _OLE))
    tables = _open_workbook(data, name) if packed else [_open_text(data, name)]
    named = [t for t in tables if sheet in (None, t.sheet)]
    if not named:
        sheets = ", ".join(t.sheet for t in tables)
        raise _refuse(name, f"no sheet '{sheet}'", f"the filled sheets are: {sheets}")
    return named


def text_of(cell) -> str:
    """Return the text of a cell as a person would write it: 12.0 typed as a number is '12'; dates are ISO."""
    if isinstance(cell, str):
        return " ".join(cell.split())
    if isinstance(cell, Formatted):
        return cell.shown
    if isinstance(cell, bool):
        return str(cell).upper()
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    if isinstance(cell, dt.datetime):
        return cell.date().isoformat() if cell.time() == dt.time() else cell.isoformat(sep=" ")
    return "" if cell is None else str(cell)


def _refuse(name, what, remedy):
    return InputError(name, [Problem(what, remedy)])


def _open_workbook(data, name):
    packed = data.startswith(_ZIP)
    marks = check_package(data, name) if packed else {}
    try:
        sheets = _cells_of_package(data) if packed else _cells_of_xls(data, name)
    except InputError:
        raise
    except ImportError:
        remedy = installing("excel")
        raise _refuse(name, "spreadsheets need one more package", remedy) from None
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # a broken workbook can make the compiled reader panic, beyond Exception
        reason = f"not a readable spreadsheet ({type(error).__name__})"
        raise _refuse(name, reason, "save it again as XLSX or CSV") from None
    try:
        filled = [_sheet(name, sheet, rows, marks.get(sheet, CellMarks())) for sheet, rows in sheets.items()]
        filled = [
            raw for raw in filled if raw.unvalued or any(cell != "" for row in raw.cells for cell in row)
        ]
    except MemoryError:
        reason = "the workbook is too large for memory"
        raise _refuse(name, reason, "keep only the cells needed") from None
    if not filled:
        raise _refuse(name, "the workbook has no filled sheet", "save the table again")
    return filled


def _sheet(name, sheet, rows, marks) -> RawTable:
    """A sheet with what the formats of its cells show, cells whose formula has no value, and merged ones."""
    filled = (max((j + 1 for j, cell in enumerate(row) if cell not in ("", None)), default=0) for row in rows)
    width = max(filled, default=0)
    rows = _even([list(map(_shown, row[:width])) for row in rows], name)
    for mark, cells in marks.places.items():
        for i, j in (divmod(cell, MOST_COLUMNS) for cell in cells if mark != FORMULA):
            if i < len(rows) and j < len(rows[i]) and isinstance(rows[i][j], float):
                rows[i][j] = formatted(rows[i][j], mark)
    unvalued = tuple(_address(cell) for cell in list(marks.places.get(FORMULA, ()))[: _NAMED + 1])
    merged = tuple(_within(marks.merged, len(rows), width))
    kept = {"unvalued": unvalued, "merged": merged, "hidden": tuple(marks.hidden)}
    return RawTable(name, rows, sheet=harmless(sheet), **kept)


def _within(merged, rows, width):
    """Merged cells within a sheet; of a crafted workbook, where they overlap, no more than fill it."""
    room = rows * width
    for top, left, bottom, right in merged:
        bottom, right = min(bottom, rows - 1), min(right, width - 1)
        room -= max(bottom - top + 1, 0) * max(right - left + 1, 0)
        if top <= bottom and left <= right and room >= 0:
            yield top, left, bottom, right


def _address(cell):
    row, column = divmod(cell, MOST_COLUMNS)
    letters, column = "", column + 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row + 1}"


def _shown(cell):
    return harmless(cell) if isinstance(cell, str) else cell


def _cells_of_package(data) -> dict:
    """Rows of each sheet of an XLSX or ODS file."""
    from python_calamine import CalamineWorkbook

    book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    return {s: book.get_sheet_by_name(s).to_python(skip_empty_area=False) for s in book.sheet_names}


def _cells_of_xls(data, name) -> dict:
    """Rows of each sheet of an XLS file; read by xlrd, since a damaged one can end the compiled reader."""
    import xlrd

    book = xlrd.open_workbook(file_contents=data, logfile=io.StringIO(), on_demand=True)
    marks = _xls_marks(book)

    def value(cell):
        if cell.ctype in marks:
            return formatted(cell.value, marks[cell.ctype])
        if cell.ctype == xlrd.XL_CELL_DATE:
            return xlrd.xldate_as_datetime(cell.value, book.datemode)
        if cell.ctype == xlrd.XL_CELL_BOOLEAN:
            return bool(cell.value)
        return "#error" if cell.ctype == xlrd.XL_CELL_ERROR else cell.value

    for sheet in book.sheets():
        check_area(sheet.nrows, sheet.ncols, name)
    return {
        sheet.name: [[value(cell) for cell in row] for row in sheet.get_rows()] for sheet in book.sheets()
    }


def _xls_marks(book) -> dict[int, str]:
    """Have xlrd give cells whose format says more than a number a type of their own: type -> mark."""
    marks: dict[int, str] = {}
    types = book._xf_index_to_xl_type_map  # read by each sheet; formats of all blank cells would be kept else
    for index, xf in enumerate(book.xf_list):
        form = book.format_map.get(xf.format_key)
        mark = mark_of(form.format_str) if form is not None and types.get(index) == _XLS_NUMBER else ""
        if mark and len(marks) < _MOST_XLS_MARKS:
            kind = next((k for k, m in marks.items() if m == mark), _FIRST_XLS_MARK + len(marks))
            marks[kind] = mark
            types[index] = kind
    return marks


def _open_text(data, name):
    text, encoding = decode(data, name)
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    check_text(text, name)
    text = harmless(text)
    first, _, rest = text[:_HEAD].partition("\n")
    if re.fullmatch(r"\s*sep=(.)\s*", first, re.IGNORECASE):
        delimiter = first.strip()[-1]
        rows = cut("\n" + text.partition("\n")[2], delimiter, name)  # keep line numbers
    else:
        delimiter = find_delimiter([first, *rest.split("\n")])
        rows = cut(text, delimiter, name)
    rows = [[cell.strip() for cell in row] for row in rows]
    return RawTable(
        name, _even(rows, name), delimiter=delimiter, encoding=encoding, widths=tuple(map(len, rows))
    )


def _even(rows, name):
    width = max((len(row) for row in rows), default=0)
    check_area(len(rows), width, name)
    return [[("" if cell is None else cell) for cell in row] + [""] * (width - len(row)) for row in rows]
