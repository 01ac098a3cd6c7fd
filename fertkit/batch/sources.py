"""Find the input of a batch, tell its identity, and cut it into parts that each fit into memory."""

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from hashlib import blake2b, file_digest
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.batch.parts import PLACE, ending, write_frame
from fertkit.errors import InputError, Problem, installing
from fertkit.line_lengths import check_long_file

TABLES = (".csv", ".tsv", ".txt", ".xlsx", ".xls", ".ods")
PIECE = 200_000  # rows held in memory at once while a data set is read
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
    columns : tuple of str
        Column names of the files where these are one data set of rows, read in pieces; otherwise empty: each
        file is a user's own table and is read whole.
    dataset : pyarrow.dataset.Dataset or None
        The readable files of a Parquet data set.
    refused : tuple of (str, str)
        Names of its other files, and words of their refusal.
    """

    root: Path
    files: tuple[Path, ...]
    columns: tuple[str, ...] = ()
    dataset: object = None
    refused: tuple[tuple[str, str], ...] = ()

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


def find_source(root, is_tidy, skip: Path) -> Source:
    """Find the files of a batch.

    Parameters
    ----------
    root : path
        A file, or a folder of files; a folder that holds Parquet files is one data set, its sub-folders named
        ``column=value`` give columns.
    is_tidy : callable
        Tells from a list of column names whether a CSV file is a tidy data set.
    skip : Path
        Folder to leave out (the one written to).

    Raises
    ------
    InputError
        If nothing is there, or a folder holds both Parquet and other tables.
    """
    if not root.exists():
        raise _refuse(root, "there is no such file or folder", "check the name")
    inside = [root] if root.is_file() else sorted(p for p in root.rglob("*") if _is_seen(p, root, skip))
    parquet = tuple(p for p in inside if p.suffix.lower() == ".parquet")
    if root.is_file() and not parquet:
        return _one_file(root, is_tidy)
    tables = tuple(p for p in inside if p.suffix.lower() in TABLES)
    if parquet and tables:
        raise _refuse(root, "the folder holds Parquet files and other tables", "use a folder for each")
    if not parquet and not tables:
        raise _refuse(root, "the folder holds no table", f"known endings: .parquet, {', '.join(TABLES)}")
    return _data_set(root, parquet) if parquet else Source(root, tables)


def _is_seen(path, root, skip):
    hidden = any(p.startswith((".", "~")) for p in path.relative_to(root).parts)
    return path.is_file() and not hidden and not path.resolve().is_relative_to(skip)


def _one_file(file, is_tidy):
    named = []
    if file.suffix.lower() == ".csv":
        with suppress(ValueError, UnicodeError):
            named = list(pd.read_csv(file, nrows=0, dtype=str, encoding="utf-8-sig"))
    if is_tidy(named):
        return Source(file, (file,), tuple(named))
    if file.stat().st_size > _WHOLE_FILE:
        remedy = "name its columns as a data set, e.g. trial, block, rate_lb_ac, yield_bu_ac"
        raise _refuse(file, "the file is too large to read at once", remedy)
    return Source(file, (file,))


def _data_set(root, files):
    """All readable files of a Parquet data set under one schema, wide enough for each."""
    try:
        import pyarrow as pa
        import pyarrow.dataset as ds
        import pyarrow.parquet as pq
    except ImportError:
        remedy = installing("parquet")
        raise _refuse(root, "Parquet files need one more package", remedy) from None
    whole, schemas, refused = Source(root, files), {}, []
    for file in files:
        try:
            schemas[file.as_posix()] = pq.read_schema(file).remove_metadata()
        except (ValueError, OSError) as error:  # pyarrow's own errors are of these
            refused.append((whole.name(file), f"{whole.name(file)}: not readable: {_first_line(error)}"))
    if not schemas:
        raise _refuse(root, "none of its files is readable", refused[0][1])
    try:
        found = ds.dataset(
            list(schemas), format="parquet", partitioning=ds.HivePartitioning.discover(),
            partition_base_dir=(root if root.is_dir() else root.parent).as_posix(),
        )  # fmt: skip
        schema = pa.unify_schemas([found.schema, *schemas.values()], promote_options="permissive")
    except (ValueError, TypeError, OSError) as error:
        what = f"its files do not match: {_first_line(error)}"
        raise _refuse(root, what, "write them with the same columns") from None
    return Source(root, files, tuple(schema.names), found.replace_schema(schema), tuple(refused))


# ---- cutting


def rows_of(source: Source, by: list[str], columns=None) -> Iterator[pd.DataFrame]:
    """Rows of a tidy data set in pieces, with the columns of `PLACE`; the `by` columns are text.

    Raises
    ------
    InputError
        If a file of the data set cannot be read.
    """
    files = [source.root] if source.dataset is None else source.dataset.get_fragments()
    for file in files:
        name, at = source.name(Path(getattr(file, "path", file))), 2
        pieces = _csv_pieces if source.dataset is None else _parquet_pieces
        try:
            for piece in pieces(source, file, by, columns):
                names = {c: piece[c].astype(object).astype(str).str.strip() for c in by}
                place = zip(PLACE, (name, np.arange(at, at + len(piece))), strict=True)
                yield piece.assign(**names, **dict(place))
                at += len(piece)
        except (ValueError, OSError, NotImplementedError) as error:  # pyarrow's and pandas' own are of these
            raise _refuse(name, f"not readable: {_first_line(error)}", "repair or remove the file") from None


def _csv_pieces(source, file, by, columns):
    with file.open("rb") as stream:
        check_long_file(stream, ",", file.name)
    with pd.read_csv(
        file, dtype=str, keep_default_na=False, usecols=columns, chunksize=PIECE, encoding="utf-8-sig",
        index_col=False,
    ) as pieces:  # fmt: skip
        for piece in pieces:
            yield piece.reset_index(drop=True)


def _parquet_pieces(source, fragment, by, columns):
    import pyarrow as pa

    for batch in fragment.to_batches(
        schema=source.dataset.schema, columns=columns, batch_size=PIECE, batch_readahead=1, use_threads=False
    ):
        table = pa.Table.from_batches([batch])
        for name in by:
            at = table.schema.get_field_index(name)
            table = table.set_column(at, name, table.column(at).cast(pa.string()).fill_null(""))
        yield table.to_pandas(types_mapper=pd.ArrowDtype)


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
        for key in pd.unique(_key_of(piece, by)):
            rank.setdefault(key, len(rank))
    for number, piece in enumerate(rows_of(source, by)):
        parts = _key_of(piece, by).map(rank).to_numpy(int) // part_size
        for part, rows in piece.groupby(parts):
            write_frame(rows, home / part_name(part) / f"{number:05d}{ending()}")
    return -(-len(rank) // part_size)


def _key_of(frame, by):
    """One text for the names in the `by` columns of each row."""
    key = frame[by[0]]
    for name in by[1:]:
        key = key + "\x1f" + frame[name]
    return key


def part_name(number: int) -> str:
    """Name of a part's file or folder, without ending."""
    return f"part-{number:05d}"


def _first_line(error):
    return str(error).splitlines()[0]


def _refuse(root, what, remedy):
    return InputError(Path(root).name, [Problem(what, remedy)])
