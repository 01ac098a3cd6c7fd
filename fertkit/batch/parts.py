"""One part of a batch: what a worker is told, what it reads, and how a refusal becomes a row."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.batch.sources import PLACE
from fertkit.batch.store import read_frame
from fertkit.errors import FertkitError, InputError, Problem
from fertkit.intake.numbers import NumberStyle, read_number, read_typed
from fertkit.sizes import NO_NUMBER

#: Status of a trial or sample whose error stands in the column `message`.
REFUSED = "not usable"
_TOLD = 5  # problems of one trial that are told


@dataclass(frozen=True)
class Part:
    """A share of the work, told in a few words; the data stay on disk.

    Attributes
    ----------
    number : int
    files : tuple of (str, str)
        Path and name of each file.
    tidy : bool
        Whether the files hold rows cut from a data set, else users' own tables.
    target : str
        File for the rows that come out.
    """

    number: int
    files: tuple[tuple[str, str], ...]
    tidy: bool
    target: str


def rows_of_part(part: Part) -> pd.DataFrame:
    """All rows of a part cut from a data set, in the order of the data set; blank cells are missing."""
    frame = pd.concat([read_frame(Path(path)) for path, _ in part.files], ignore_index=True)
    text = [c for c in frame if frame[c].dtype == object or frame[c].dtype == "str"]
    for name in text:
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


def not_a_number(problem: Problem) -> Problem:
    """The same problem of a data set; where the cell holds a comma, with the way to say what it means."""
    if problem.what in ("not a number", NO_NUMBER) and "," in str(problem.value):
        remedy = "State the decimal mark: --decimal , (Python: decimal=',')"
        return replace(problem, what="not a number", remedy=remedy)
    return problem


def refusal(error: FertkitError, rows: pd.DataFrame | None = None) -> str:
    """Words of an error for one cell: file, row, column, value, remedy; rows are those of the user's file."""
    if not isinstance(error, InputError):
        return " ".join(str(error).split())
    told = []
    for problem in error.problems[:_TOLD]:
        file = error.file
        if rows is not None:
            file = str(rows[PLACE[0]].iloc[0])
            if problem.row is not None:
                at = min(max(problem.row - 2, 0), len(rows) - 1)
                file, problem = rows[PLACE[0]].iloc[at], replace(problem, row=int(rows[PLACE[1]].iloc[at]))
            problem = not_a_number(problem)
        told.append(f"{file}: {problem}")
    if len(error.problems) > _TOLD:
        told.append(f"and {len(error.problems) - _TOLD} more")
    return "; ".join(" ".join(text.split()) for text in told)
