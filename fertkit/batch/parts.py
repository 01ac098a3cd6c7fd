"""One part of a batch: its tables on disk, the rows it holds, and how a refusal becomes a row.

Tables are written whole or not at all: Parquet where pyarrow is there, else CSV.
"""

from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.errors import FertkitError, InputError, Problem
from fertkit.intake.numbers import NumberStyle, read_number, read_typed
from fertkit.sizes import NO_NUMBER
from fertkit.writing import drafted

#: Columns added to the rows of a data set while it is cut: where each row came from.
PLACE = ("fertkit_file", "fertkit_row")
_TOLD = 5  # problems of one trial that are told


@dataclass(frozen=True)
class Part:
    """A share of the work, told in a few words; the data stay on disk.

    Attributes
    ----------
    files : tuple of (str, str)
        Path and name of each file.
    tidy : bool
        Whether the files hold rows cut from a data set, else users' own tables.
    target : Path
        File for the rows that come out.
    """

    files: tuple[tuple[str, str], ...]
    tidy: bool
    target: Path


# ---- tables on disk


def ending() -> str:
    """File ending of the tables written: ``.parquet`` where pyarrow is there, else ``.csv``."""
    return ".parquet" if find_spec("pyarrow") else ".csv"


def write_frame(frame: pd.DataFrame, path: Path) -> None:
    """Write a table whole, in the format its ending names."""
    write_frames([frame], path)


def write_frames(frames: Iterable[pd.DataFrame], path: Path) -> None:
    """Write tables of the same columns one below the other, as one and whole; one is in memory at a time."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with drafted(path) as draft:
        (_to_parquet if path.suffix == ".parquet" else _to_csv)(frames, draft)


def _to_csv(frames, path):
    with path.open("w", newline="", encoding="utf-8") as file:
        for number, frame in enumerate(frames):
            frame.to_csv(file, index=False, header=number == 0)


def _to_parquet(frames, path):
    import pyarrow as pa
    from pyarrow.parquet import ParquetWriter

    with ExitStack() as stack:
        schema = None
        for frame in frames:
            table = pa.Table.from_pandas(frame, schema, preserve_index=False)
            if schema is None:  # a column without a value yet has no type of its own
                typed = [f.with_type(pa.string()) if pa.types.is_null(f.type) else f for f in table.schema]
                schema = pa.schema(typed, table.schema.metadata)
                writer = stack.enter_context(ParquetWriter(path, schema))
            writer.write_table(table.cast(schema))


def read_frame(path: Path) -> pd.DataFrame:
    """Read a table written by `write_frame`; cells of a CSV come back as text, empty ones as ""."""
    if path.suffix == ".parquet":
        return pd.read_parquet(path, partitioning=None)
    return pd.read_csv(path, dtype=str, keep_default_na=False)


def typed(frame: pd.DataFrame, types: dict[str, str]) -> pd.DataFrame:
    """The columns of `types` in that order and of those types, whatever the frame holds."""
    none = pd.Series(None, frame.index, dtype=object)
    return pd.DataFrame({c: _CASTS[kind](frame.get(c, none)) for c, kind in types.items()}, frame.index)


def text(cells: pd.Series) -> pd.Series:
    """Cells as text, what is missing as ""."""
    if isinstance(cells.dtype, pd.StringDtype):
        return cells.fillna("").astype(str)
    return cells.astype(object).where(cells.notna(), "").astype(str)


def _number(cells):
    if pd.api.types.is_numeric_dtype(cells):
        return pd.Series(cells.to_numpy("float64", na_value=np.nan), cells.index)
    return text(cells).replace("", "nan").astype("float64")  # each text to the nearest double


_FLAGS = {"True": True, "true": True, "False": False, "false": False}
_CASTS = {
    "text": text, "number": _number,
    "whole": lambda cells: _number(cells).astype("Int64"),  # what was not counted is no 0
    "flag": lambda cells: text(cells).map(_FLAGS).astype("boolean"),
}  # fmt: skip


# ---- rows of a data set


def rows_of_part(part: Part) -> pd.DataFrame:
    """All rows of a part cut from a data set, in the order of the data set; blank cells are missing."""
    frame = pd.concat([read_frame(Path(path)) for path, _ in part.files], ignore_index=True)
    for name in [c for c in frame if frame[c].dtype == object or frame[c].dtype == "str"]:
        cells = frame[name].astype(object)
        frame[name] = cells.where(cells.notna() & (cells != ""), None)
    return frame.astype({PLACE[1]: "int64"})


def numbers_where_they_are(cells: pd.Series, decimal: str | None = None) -> pd.Series:
    """Cells as the nearest doubles; those that are no numbers stay as they stand, to be complained of.

    A cell with a comma is a number if it can be read in one way only, or by the decimal mark given.
    """
    if cells.dtype.kind in "fiu":
        return cells.astype(float)
    read = [_float(cell, decimal) for cell in cells.astype(object)]
    exact = all(isinstance(cell, float) for cell in read)
    return pd.Series(read, cells.index, dtype=float if exact else object)


def _float(cell, decimal):
    try:
        if cell is None or cell is pd.NA:
            return np.nan
        if decimal == "," and isinstance(cell, str):
            found = read_number(cell, NumberStyle(decimal, "as given"))
            odd = found.problem or found.censored or found.flag or found.unit or np.isnan(found.value)
            return cell if odd else found.value
        return read_typed(cell) if isinstance(cell, str) else float(cell)
    except (TypeError, ValueError):
        return cell


# ---- refusals


def not_a_number(problem: Problem) -> Problem:
    """The same problem of a data set; where the cell holds a comma, with the way to say what it means."""
    if problem.what in ("not a number", NO_NUMBER) and "," in str(problem.value):
        remedy, in_code = (
            "Write numbers with a point as the decimal mark",
            "--decimal , (in Python decimal=',')",
        )
        return replace(problem, what="not a number", remedy=remedy, in_code=in_code)
    return problem


def refusal(error: FertkitError, rows: pd.DataFrame | None = None) -> str:
    """Words of an error for one cell: file, row, column, value, remedy; rows are those of the user's file."""
    if not isinstance(error, InputError):
        return " ".join(str(error).split())
    told = []
    for problem in error.problems[:_TOLD]:
        file = error.file
        if rows is not None:
            at = 0 if problem.row is None else min(max(problem.row - 2, 0), len(rows) - 1)
            file, row = rows[PLACE[0]].iloc[at], int(rows[PLACE[1]].iloc[at])
            problem = not_a_number(problem if problem.row is None else replace(problem, row=row))
        told.append(f"{file}: {problem}")
    if len(error.problems) > _TOLD:
        told.append(f"and {len(error.problems) - _TOLD} more")
    return "; ".join(" ".join(text.split()) for text in told)
