"""How large a user's file may be, in one place, and the doors at which it is measured.

A file is refused before it is taken apart, so that none can ask for more memory or time than a table needs.
The limits lie far above any laboratory file or strip trial.
"""

import stat
from pathlib import Path

from fertkit.errors import InputError, Problem, harmless

LARGEST_TABLE = 100_000_000  # bytes of a table as it lies on the disk
LARGEST_LOG, MOST_POINTS = 1_000_000_000, 20_000_000  # bytes and rows of a yield-monitor log
LARGEST_WORKBOOK = (
    300_000_000  # bytes of a workbook's parts unpacked, and of its texts written into the cells
)
MOST_PARTS = 1_000  # files packed into a workbook
MOST_COLUMNS = 4_096  # that hold something; beyond any table of samples or strips
MOST_ROWS = 1_048_576  # as in a spreadsheet
MOST_CELLS = 5_000_000  # rows times columns of one sheet
ROOMY, LEAST_FILLED = 500_000, 0.01  # cells a sheet may span however few are filled; share filled beyond that
LONGEST_LINE = 1_000_000  # characters of one line of a text file
LARGEST_NUMBER = 1e100  # of a rate or yield, so that squares of it can still be summed
NO_NUMBER = "not a number, or impossibly large"

DELIMITERS = "\t;,|"
_REMEDY = "delete what is not part of the table, or split it into several files"


def too_large(name, what) -> InputError:
    """Return the error for a file beyond a limit."""
    return InputError(name, [Problem(what, _REMEDY)])


def bytes_of(source, name: str | None = None, largest: int = LARGEST_TABLE) -> tuple[bytes, str]:
    """Read a path, bytes or file-like object whole: (bytes, name for messages).

    Raises
    ------
    InputError
        If the file is missing, cannot be opened or is larger than `largest` [bytes].
    """
    if isinstance(source, (bytes, bytearray)):
        data, label = bytes(source), name or "table"
    elif hasattr(source, "read"):
        data = source.read(largest + 1)
        data = data.encode(errors="replace") if isinstance(data, str) else data
        label = name or Path(str(getattr(source, "name", "table"))).name
    else:
        label = name or Path(source).name
        data = _bytes_at(source, label, largest)
    label = harmless(label)
    if len(data) > largest:
        raise too_large(label, f"the file is larger than {largest / 1e6:g} MB")
    return data, label


def _bytes_at(path, label, largest) -> bytes:
    try:
        with open(path, "rb") as file:
            found = Path(path).stat()
            endless = not stat.S_ISREG(found.st_mode)  # a pipe or a device does not tell its size
            return file.read(min(largest, LARGEST_TABLE if endless else found.st_size) + 1)
    except FileNotFoundError:
        raise InputError(label, [Problem("file not found", "check the name and the folder")]) from None
    except IsADirectoryError:
        raise InputError(label, [Problem("this is a folder", "name one file in it")]) from None
    except (OSError, ValueError) as error:
        what = f"the file cannot be opened ({type(error).__name__})"
        raise InputError(
            label, [Problem(what, "check the name, and that no other program has it open")]
        ) from None


def check_text(text: str, name: str) -> None:
    """Refuse a text table beyond the limits before its lines are cut into cells.

    Raises
    ------
    InputError
        Naming the limit that is broken.
    """
    if text.count("\n") > MOST_ROWS:
        raise too_large(name, f"the table has more than {MOST_ROWS:,} rows")
    if max(map(text.count, DELIMITERS)) > MOST_CELLS:
        raise too_large(name, f"the table is larger than {MOST_CELLS:,} cells")
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) >= MOST_COLUMNS and max(map(line.count, DELIMITERS)) >= MOST_COLUMNS:
            raise too_large(name, f"row {number} has more than {MOST_COLUMNS:,} columns")
        if len(line) > LONGEST_LINE:
            raise too_large(name, f"row {number} is longer than {LONGEST_LINE:,} characters")


def check_area(rows: int, columns: int, name: str) -> None:
    """Refuse a table of more cells than the limit, empty ones counted; see `check_text`."""
    if columns > MOST_COLUMNS:
        raise too_large(name, f"the table has more than {MOST_COLUMNS:,} columns")
    if rows * columns > MOST_CELLS:
        raise too_large(name, f"the table is larger than {MOST_CELLS:,} cells ({rows:,} rows of {columns:,})")
