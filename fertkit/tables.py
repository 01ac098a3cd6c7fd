"""Open a user's table as raw cells: text, CSV in any common dialect, XLSX, XLS or ODS. Nothing is guessed.

Text files give text cells. Spreadsheets give what the cell holds (text, number, date), so that a number
typed as a number is never read through a decimal rule, and an id typed as text keeps its zeros.
"""

import datetime as dt
import io
import re
from dataclasses import dataclass

from fertkit.delimited import check_lengths, cut, decode, find_delimiter
from fertkit.errors import InputError, Problem, harmless
from fertkit.sizes import bytes_of, check_area, check_text
from fertkit.workbooks import check_package

_ZIP, _OLE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
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
    """

    name: str
    cells: list
    delimiter: str = ""
    encoding: str = ""
    sheet: str = ""
    widths: tuple[int, ...] = ()

    def shifted(self, header, lines) -> list[Problem]:
        """Problems of `lines` that a stray comma has shifted against the rows of column names `header`."""
        return check_lengths(self.cells, self.widths, header, lines, self.delimiter)


def open_table(source, *, name: str | None = None, sheet: str | None = None) -> RawTable:
    """Open one table of raw cells.

    Parameters
    ----------
    source : path, bytes or file-like
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
    tables = open_tables(source, name=name)
    names = [t.sheet for t in tables]
    if sheet is not None:
        if sheet not in names:
            raise _refuse(tables[0].name, f"no sheet '{sheet}'", f"the filled sheets are: {', '.join(names)}")
        return tables[names.index(sheet)]
    if len(tables) > 1:
        raise _refuse(tables[0].name, "several sheets hold cells", f"name one of: {', '.join(names)}")
    return tables[0]


def open_tables(source, *, name: str | None = None) -> list[RawTable]:
    """Open every filled sheet of a workbook, or the one table of a text file; see `open_table`."""
    data, name = bytes_of(source, name)
    if not data.strip():
        raise _refuse(name, "the file is empty", "save the table again")
    if data.startswith((_ZIP, _OLE)):
        return _open_workbook(data, name)
    return [_open_text(data, name)]


def text_of(cell) -> str:
    """Text of a raw cell as a person would write it: 12.0 typed as a number is '12'; dates are ISO."""
    if isinstance(cell, str):
        return " ".join(cell.split())
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
    read = _cells_of_package if data.startswith(_ZIP) else _cells_of_xls
    if data.startswith(_ZIP):
        check_package(data, name)
    try:
        sheets = read(data, name)
    except InputError:
        raise
    except ImportError:
        remedy = "install it with: pip install 'fertkit[excel]'"
        raise _refuse(name, "spreadsheet files need one more package", remedy) from None
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # a broken workbook can make the compiled reader panic, beyond Exception
        reason = f"not a readable spreadsheet ({type(error).__name__})"
        raise _refuse(name, reason, "save it again as XLSX or CSV") from None
    try:
        filled = [
            RawTable(name, _even([list(map(_shown, row)) for row in rows], name), sheet=harmless(sheet))
            for sheet, rows in sheets.items()
            if any(cell != "" for row in rows for cell in row)
        ]
    except MemoryError:
        reason = "the workbook is too large for the memory at hand"
        raise _refuse(name, reason, "keep the cells that are needed") from None
    if not filled:
        raise _refuse(name, "the workbook has no filled sheet", "save the table again")
    return filled


def _shown(cell):
    return harmless(cell) if isinstance(cell, str) else cell


def _cells_of_package(data, name) -> dict:
    """Rows of each sheet of an XLSX or ODS file."""
    from python_calamine import CalamineWorkbook

    book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    return {s: book.get_sheet_by_name(s).to_python(skip_empty_area=False) for s in book.sheet_names}


def _cells_of_xls(data, name) -> dict:
    """Rows of each sheet of an XLS file; read by xlrd, since a damaged one can end the compiled reader."""
    import xlrd

    book = xlrd.open_workbook(file_contents=data, logfile=io.StringIO())

    def value(cell):
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
