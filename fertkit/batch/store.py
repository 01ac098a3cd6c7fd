"""Tables on disk: read in pieces, written whole or not at all. Parquet where pyarrow is there, else CSV."""

from importlib.util import find_spec
from pathlib import Path

import pandas as pd

from fertkit.report.cells import inert_table
from fertkit.writing import drafted

PIECE = 200_000  # rows held in memory at once while a data set is read


def ending() -> str:
    """File ending of the tables written: ``.parquet`` where pyarrow is there, else ``.csv``."""
    return ".parquet" if find_spec("pyarrow") else ".csv"


def write_frame(frame: pd.DataFrame, path: Path) -> None:
    """Write a table whole, in the format its ending names."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with drafted(path) as draft:
        if path.suffix == ".parquet":
            frame.to_parquet(draft, index=False, engine="pyarrow")
        else:
            frame.to_csv(draft, index=False)


def read_frame(path: Path) -> pd.DataFrame:
    """Read a table written by `write_frame`; cells of a CSV come back as text, empty ones as ""."""
    if path.suffix == ".parquet":
        return pd.read_parquet(path, engine="pyarrow")
    return pd.read_csv(path, dtype=str, keep_default_na=False)


def typed(frame: pd.DataFrame, types: dict[str, str]) -> pd.DataFrame:
    """The columns of `types` in that order and of those types, whatever the frame holds; others follow."""
    columns = {}
    for name, kind in types.items():
        cells = frame[name] if name in frame else pd.Series([None] * len(frame), frame.index, dtype=object)
        columns[name] = _CASTS[kind](cells)
    rest = [c for c in frame if c not in types]
    return pd.DataFrame(columns, index=frame.index).join(frame[rest]) if rest else pd.DataFrame(columns)


def join_frames(paths: list[Path], path: Path, types: dict[str, str]) -> None:
    """Write the rows of many files to one, a file at a time; in a CSV no cell can pass for a formula."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with drafted(path) as draft:
        if path.suffix == ".parquet":
            _join_parquet(paths, draft)
            return
        for i, part in enumerate(paths):
            rows = inert_table(typed(read_frame(part), types))
            rows.to_csv(draft, index=False, header=i == 0, mode="a" if i else "w")


def _join_parquet(paths, draft):
    import pyarrow.parquet as pq

    schema = pq.read_schema(paths[0])
    with pq.ParquetWriter(draft, schema) as out:
        for part in paths:
            out.write_table(pq.read_table(part, partitioning=None).cast(schema))


def _text(cells):
    return cells.astype(object).where(cells.notna(), "").astype(str)


def _number(cells):
    return _text(cells).replace("", "nan").astype("float64")  # each text to the nearest double


def _whole(cells):
    return _number(cells).astype("Int64")  # what was not counted is no 0


def _flag(cells):
    return _text(cells).str.lower().map({"true": True, "false": False}).astype("boolean")


_CASTS = {"text": _text, "number": _number, "whole": _whole, "flag": _flag}
