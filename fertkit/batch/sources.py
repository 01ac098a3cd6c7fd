"""Find the input of a batch, tell its identity, and cut it into parts that each fit into memory."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from hashlib import blake2b, file_digest
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.batch.store import PIECE, ending, write_frame
from fertkit.errors import InputError, Problem
from fertkit.line_lengths import check_long_file

TABLES = (".csv", ".tsv", ".txt", ".xlsx", ".xls", ".ods")
#: Columns added to the rows of a data set while it is cut: where each row came from.
PLACE = ("fertkit_file", "fertkit_row")
_WHOLE_FILE = 200_000_000  # bytes of a file that is read in one go


@dataclass(frozen=True)
class Source:
    """Input of a batch.

    Attributes
    ----------
    root : Path
        The file or folder the user named.
    files : tuple of Path
        Files in the order of their names.
    tidy : bool
        Whether the files are one data set of rows with known column names, read in pieces; otherwise each
        file is a user's own table and is read whole.
    """

    root: Path
    files: tuple[Path, ...]
    tidy: bool

    def name(self, file: Path) -> str:
        """Name of a file for messages, without the folders above the root."""
        return file.name if file == self.root else file.relative_to(self.root).as_posix()

    def digest(self) -> str:
        """Fingerprint of the names and the content of all files."""
        whole = blake2b(digest_size=16)
        for file in self.files:
            whole.update(self.name(file).encode() + b"\0")
            with file.open("rb") as stream:
                whole.update(file_digest(stream, "blake2b").digest())
        return whole.hexdigest()


def find_source(root, needed, skip: Path | None = None) -> Source:
    """Find the files of a batch.

    Parameters
    ----------
    root : path
        A file, or a folder of files; a folder that holds Parquet files is one data set, its sub-folders named
        ``column=value`` give columns.
    needed : callable
        Tells from a list of column names whether a CSV file is a tidy data set.
    skip : Path, optional
        Folder to leave out (the one written to).

    Raises
    ------
    InputError
        If nothing is there, or a folder holds both Parquet and other tables.
    """
    root = Path(root)
    if not root.exists():
        raise _refuse(root, "there is no such file or folder", "check the name")
    if root.is_file():
        tidy = root.suffix.lower() == ".parquet" or (
            root.suffix.lower() == ".csv" and needed(csv_columns(root))
        )
        if not tidy and root.stat().st_size > _WHOLE_FILE:
            remedy = "name its columns as a data set, e.g. trial, block, rate_lb_ac, yield_bu_ac"
            raise _refuse(root, "the file is too large to be read in one go", remedy)
        return Source(root, (root,), tidy)
    inside = sorted(p for p in root.rglob("*") if p.is_file() and not _hidden(p, root, skip))
    parquet = tuple(p for p in inside if p.suffix.lower() == ".parquet")
    tables = tuple(p for p in inside if p.suffix.lower() in TABLES)
    if parquet and tables:
        raise _refuse(root, "the folder holds both Parquet files and other tables", "give a folder for each")
    if not parquet and not tables:
        raise _refuse(root, "the folder holds no table", f"known endings: .parquet, {', '.join(TABLES)}")
    return Source(root, parquet or tables, bool(parquet))


def readable_files(source: Source) -> tuple[Source, list[tuple[str, str]]]:
    """The readable files of a tidy data set, and name and words of refusal of the others."""
    good, refused = [], []
    for file in source.files:
        try:
            if file.suffix.lower() == ".parquet":
                _schema(file)
            good.append(file)
        except (ValueError, OSError) as error:
            reason = str(error).splitlines()[0]
            refused.append((source.name(file), f"{source.name(file)}: not readable: {reason}"))
    return replace(source, files=tuple(good)), refused


def columns_of(source: Source) -> list[str]:
    """Column names of a tidy data set."""
    if source.files[0].suffix.lower() == ".csv":
        return csv_columns(source.files[0])
    good, refused = readable_files(source)
    if not good.files:
        raise _refuse(source.root, "none of its files is readable", refused[0][1])
    return list(_dataset(good).schema.names)


def csv_columns(file: Path) -> list[str]:
    """Column names of a CSV file with commas; empty if it cannot be read as one."""
    try:
        return list(pd.read_csv(file, nrows=0, dtype=str, encoding="utf-8-sig"))
    except (ValueError, UnicodeError):
        return []


def rows_of(source: Source, by: list[str], columns=None) -> Iterator[pd.DataFrame]:
    """Rows of a tidy data set in pieces, with the columns of `PLACE`; the `by` columns are text.

    Raises
    ------
    InputError
        If a file of the data set cannot be read.
    """
    read = _csv_pieces if source.files[0].suffix.lower() == ".csv" else _parquet_pieces
    for file in source.files:
        at = 0
        try:
            for piece in read(source, file, by, columns):
                place = {PLACE[0]: source.name(file), PLACE[1]: np.arange(at, at + len(piece)) + 2}
                yield piece.assign(**place)
                at += len(piece)
        except (ValueError, OSError, NotImplementedError) as error:  # pyarrow's and pandas' own are of these
            reason = str(error).splitlines()[0]
            raise InputError(
                source.name(file), [Problem(f"not readable: {reason}", "mend or remove the file")]
            ) from None


def _csv_pieces(source, file, by, columns):
    with file.open("rb") as stream:
        check_long_file(stream, ",", source.name(file))
    with pd.read_csv(
        file, dtype=str, keep_default_na=False, usecols=columns, chunksize=PIECE, encoding="utf-8-sig",
        index_col=False,
    ) as pieces:  # fmt: skip
        for piece in pieces:
            yield piece.reset_index(drop=True).assign(**{c: piece[c].str.strip().to_numpy() for c in by})


def _parquet_pieces(source, file, by, columns):
    import pyarrow as pa

    dataset = _dataset(source)
    wanted = Path(file).as_posix()
    fragment = next(f for f in dataset.get_fragments() if Path(f.path).as_posix() == wanted)
    for batch in fragment.to_batches(
        schema=dataset.schema, columns=columns, batch_size=PIECE, batch_readahead=1, use_threads=False
    ):
        table = pa.Table.from_batches([batch])
        for name in by:
            at = table.schema.get_field_index(name)
            table = table.set_column(at, name, table.column(at).cast(pa.string()).fill_null(""))
        frame = table.to_pandas(types_mapper=pd.ArrowDtype)
        yield frame.assign(**{c: frame[c].astype(object).astype(str).str.strip() for c in by})


def _schema(file):
    try:
        import pyarrow.parquet as pq
    except ImportError:
        remedy = "install it with: pip install 'fertkit[parquet]'"
        raise _refuse(file, "Parquet files need one more package", remedy) from None
    return pq.read_schema(file)


def _dataset(source: Source):
    """All files of a Parquet data set under one schema, wide enough for each."""
    import pyarrow as pa
    import pyarrow.dataset as ds

    base = source.root if source.root.is_dir() else source.root.parent
    try:
        found = ds.dataset(
            [f.as_posix() for f in source.files], format="parquet",
            partitioning=ds.HivePartitioning.discover(), partition_base_dir=base.as_posix(),
        )  # fmt: skip
        schemas = [found.schema, *(_schema(f).remove_metadata() for f in source.files)]
        return found.replace_schema(pa.unify_schemas(schemas, promote_options="permissive"))
    except (ValueError, TypeError, OSError) as error:  # pyarrow's own errors are of these
        reason = str(error).splitlines()[0]
        raise _refuse(
            source.root, f"its files do not go together: {reason}", "write them with the same columns"
        ) from None


# ---- cutting


def key_of(frame: pd.DataFrame, by: list[str]) -> pd.Series:
    """One text for the names in the `by` columns of each row."""
    key = frame[by[0]]
    for name in by[1:]:
        key = key + "\x1f" + frame[name]
    return key


def cut_rows(source: Source, by: list[str], part_size: int, home: Path) -> int:
    """Cut a tidy data set into parts of `part_size` trials or samples, in the order they first appear.

    Rows of one trial are gathered however far apart they lie: a first pass reads the names alone, a second
    deals the rows out into files ``home/part-00000/00000.parquet``, a piece at a time.

    Returns
    -------
    int
        Number of parts.
    """
    rank: dict[str, int] = {}
    for piece in rows_of(source, by, by):
        for key in pd.unique(key_of(piece, by)):
            rank.setdefault(key, len(rank))
    for number, piece in enumerate(rows_of(source, by)):
        part = key_of(piece, by).map(rank).to_numpy(int) // part_size
        order = np.argsort(part, kind="stable")
        cuts = np.flatnonzero(np.diff(part[order])) + 1
        for rows in np.split(order, cuts):
            if len(rows):
                file = home / part_name(part[rows[0]]) / f"{number:05d}{ending()}"
                write_frame(piece.iloc[rows], file)
    return -(-len(rank) // part_size)


def part_name(number: int) -> str:
    """Name of a part's file or folder, without ending."""
    return f"part-{number:05d}"


def _hidden(path, root, skip):
    return any(p.startswith((".", "~")) for p in path.relative_to(root).parts) or (
        skip is not None and path.resolve().is_relative_to(skip.resolve())
    )


def _refuse(root, what, remedy):
    return InputError(Path(root).name, [Problem(what, remedy)])
