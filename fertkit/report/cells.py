"""Text cells that a spreadsheet shows and never runs; the one place for every table that leaves the kit."""

import unicodedata

import pandas as pd

from fertkit.errors import harmless

#: First characters by which spreadsheets take a text for a formula; full-width forms are folded to these.
FORMULA_STARTS = frozenset("=+-@\u2212")
LONGEST_CELL = 32_767  # characters a cell of an XLSX sheet may hold


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
    if value is None or value is pd.NaT or value is pd.NA or value != value:
        return None
    if pd.api.types.is_number(value) or pd.api.types.is_bool(value):
        return value
    return inert(value if isinstance(value, str) else str(value).removesuffix(" 00:00:00"))
