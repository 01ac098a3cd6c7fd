"""What a reference table must look like, and the check every table passes on being read.

``schema.csv`` names the columns of each table: what they hold, whether they must be filled, which entries
are allowed, the lowest number, of which columns at least one must be filled, and below which other column a
number may not lie. The bundled tables and a user's own go through the same check: all problems of a file are
reported at once, each with its row, column, value and remedy.
"""

import csv
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd

from fertkit.asked import asks
from fertkit.errors import InputError, Problem, missing_columns, one_of, unknown
from fertkit.reference.nutrients import NUTRIENTS, OF_PRODUCTS
from fertkit.reference.text_tables import with_decimal_points
from fertkit.units import COMPOUNDS

PROVENANCE = ("found", "derived", "from_memory", "mixed", "common practice, no source", "own table")
_REMARKS = ("note", "comment", "remark")  # what the names of columns begin with that nothing is read from
_UNIT_WORDS = {
    "percent": "%", "pct": "%", "mg/g": "g/kg", "ppm": "mg/kg", "ug/g": "mg/kg", "µg/g": "mg/kg",
}  # fmt: skip


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : str
    holds : {'text', 'number'}
    required, one_of : bool
        Whether it must be filled; whether it is one of those of which at least one must be.
    allowed : tuple of str
        All that it may hold; empty for anything.
    lowest : float
    not_below : str
        The column whose number it may not lie below.
    default : str
        What an empty cell stands for.
    """

    name: str
    holds: str = "text"
    required: bool = False
    allowed: tuple[str, ...] = ()
    lowest: float = -np.inf
    one_of: bool = False
    not_below: str = ""
    default: str = ""


_TRACE = (
    Column("source_key", required=True),
    Column("provenance", allowed=PROVENANCE, default="own table"),
    Column("confidence", allowed=("high", "medium", "as supplied"), default="as supplied"),
    Column("note"),
)


def columns_of(kind: str) -> tuple[Column, ...]:
    """Give the columns of one kind of table.

    Raises
    ------
    LookupFailed
        If there is no such kind; lists them.
    """
    if kind not in (kinds := schemas()):
        raise unknown("kind of table", kind, kinds)
    return kinds[kind]


@cache
def schemas() -> dict[str, tuple[Column, ...]]:
    """Give the columns of every kind of table; each ends in those that tell where a row is from."""
    kinds: dict[str, list[Column]] = {}
    with (files("fertkit.reference") / "schema.csv").open(encoding="utf-8") as handle:
        for row in csv.DictReader(handle):
            allowed = tuple(row["allowed"].split("|")) if row["allowed"] else ()
            lowest = float(row["lowest"] or -np.inf)
            rules = bool(row["required"]), allowed, lowest, bool(row["one_of"]), row["not_below"]
            each = OF_PRODUCTS if "<nutrient>" in row["column"] else ("",)
            names = (row["column"].replace("<nutrient>", name.lower()) for name in each)
            kinds.setdefault(row["table"], []).extend(Column(name, row["holds"], *rules) for name in names)
    tables = {kind: (*columns, *_TRACE) for kind, columns in kinds.items()}
    return tables | dict.fromkeys(("trial_limits", "response_limits"), tables["constants"])


@asks()
def check_table(frame: pd.DataFrame, kind: str, file: str, nutrients=()) -> pd.DataFrame:
    """Check a table of text cells against the schema of its kind and convert its numbers.

    Parameters
    ----------
    frame : DataFrame
        Cells as text, one header row; row 2 of the file is index 0.
    kind : str
        ranges, removal, uptake, ... (see `columns_of`).
    file : str
        Name shown in messages; its stem is the source key of rows that name none.
    nutrients : sequence of str
        Nutrients besides the kit's that ranges may name.

    Returns
    -------
    DataFrame
        Columns in schema order, numbers as float, text stripped, defaults filled.

    Raises
    ------
    InputError
        With every problem of the table.

    Examples
    --------
    >>> from fertkit.reference.schema import check_table
    >>> import pandas as pd
    >>> try:
    ...     check_table(pd.DataFrame({"crop": ["soybean"], "nutrient": ["K2O"]}), "removal", "mine.csv")
    ... except Exception as error:
    ...     print(str(error).splitlines()[0])
    mine.csv: 3 problems to fix
    """
    columns = columns_of(kind)
    frame = frame.rename(columns=lambda c: str(c).strip())
    if problems := list(_column_problems(frame, columns)):
        raise InputError(file, problems)
    frame = with_decimal_points(frame, [c.name for c in columns if c.holds == "number"])
    stem = file.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0]
    given = {c.name: _cells(frame, c, stem) for c in columns if c.name in frame or c.required}
    problems = [problem for c in columns if c.name in given for problem in _cell_problems(given[c.name], c)]
    table = pd.DataFrame({
        c.name: _converted(given[c.name], c) if c.name in given else _left_out(frame.index, c, stem)
        for c in columns
    })  # fmt: skip
    if not problems:
        problems += [
            *_row_problems(table, columns),
            *(_nutrient_problems(table, nutrients) if kind == "ranges" else ()),
        ]
    if problems:
        raise InputError(file, sorted(problems, key=lambda p: p.row or 0))
    return table


def table_of(rows: list[dict], kind: str) -> pd.DataFrame:
    """Give rows of text that keep the schema of their kind as `check_table` does, unchecked."""
    table = {}
    for column in columns_of(kind):
        cells = [(row.get(column.name) or "").strip() or column.default for row in rows]
        if column.holds == "number":
            table[column.name] = np.array([float(cell or "nan") for cell in cells])
        else:
            table[column.name] = pd.Series(cells, dtype=object)
    return pd.DataFrame(table)


def _column_problems(frame, columns):
    remedy = f"add it; the columns are: {', '.join(c.name for c in columns)}"
    needed = (column.name for column in columns if column.required and column.name != "source_key")
    yield from missing_columns(frame, needed, remedy)
    names = [c.name for c in columns]
    for name in frame.columns:
        if name not in names and not name.lower().startswith(_REMARKS):
            near = get_close_matches(name.lower().replace(" ", "_"), names, n=1)
            meant = f"'{near[0]}'" if near else f"one of: {', '.join(names)}"
            remedy = f"write {meant}; a column of remarks is named note"
            yield Problem("unknown column, nothing would be read from it", remedy, column=name)
    for name in frame.columns[frame.columns.duplicated()]:
        yield Problem("column appears twice", "keep one of them", column=name)
    if frame.empty:
        yield Problem("the table has no rows", "fill in at least one row")


def _cells(frame, column, stem):
    """Cells of a column as text; what an empty one stands for in its place."""
    given = frame[column.name].astype(object) if column.name in frame else pd.Series("", frame.index, object)
    cells = given.where(given.notna(), "").astype(str).str.strip()
    if "mg/kg" in column.allowed:
        cells = cells.map(lambda cell: _UNIT_WORDS.get(" ".join(cell.lower().split()), cell))
    return cells.mask(cells == "", _default(column, stem))


def _default(column, stem):
    return stem if column.name == "source_key" else column.default


def _left_out(index, column, stem):
    """A column that is not in the file, as if its cells were empty."""
    if column.holds == "text":
        return pd.Series(_default(column, stem), index, dtype=object)
    return pd.Series(float(column.default or "nan"), index)


def _converted(cells, column):
    if column.holds == "text":
        return cells.astype(object)
    return pd.to_numeric(cells.mask(cells == ""), errors="coerce").astype(float)


def _cell_problems(cells, column):
    empty, name = cells == "", column.name
    if column.required:
        yield from (Problem("cell is empty", "fill it in", i + 2, name) for i in cells.index[empty])
    faults = []
    if column.allowed:
        known = one_of(filter(None, column.allowed))
        faults.append((~cells.isin(column.allowed) & ~empty, "not a known entry", known))
    if column.holds == "number":
        numbers = _converted(cells, column)
        wrong = (numbers.isna() & ~empty) | np.isinf(numbers)
        faults.append((wrong, "not a number", "write a plain number with a decimal point"))
        faults.append((numbers < column.lowest, f"below {column.lowest:g}", "check the value"))
    for wrong, what, remedy in faults:
        yield from (Problem(what, remedy, i + 2, name, cells[i]) for i in cells.index[wrong])


def _row_problems(table, columns):
    if names := [c.name for c in columns if c.one_of]:
        bare, remedy = table[names].isna().all(axis=1), f"fill one of: {', '.join(names)}"
        yield from (Problem("no value in the row", remedy, i + 2) for i in table.index[bare])
    for lower, upper in ((c.not_below, c.name) for c in columns if c.not_below):
        for i in table.index[table[lower] > table[upper]]:
            what = f"{lower} is above {upper} ({table[upper][i]:g})"
            yield Problem(what, "swap or correct them", i + 2, lower, table[lower][i])


def _nutrient_problems(table, extra):
    known = (*NUTRIENTS, *extra)
    for i, name in table["nutrient"].items():
        unheard = [part for part in name.split(":") if part not in known]
        if any(part in COMPOUNDS for part in unheard):
            what, remedy = "an oxide in a tissue table", "tissue is elemental: use P, K, ..."
            yield Problem(what, remedy, i + 2, "nutrient", name)
        elif unheard:
            remedy = f"use one of: {', '.join(known)}, or a ratio such as N:S"
            yield Problem("unknown nutrient", remedy, i + 2, "nutrient", name)
