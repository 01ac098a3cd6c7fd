"""The tables of an answer: a page shows them rounded, a workbook holds them as they are."""

from dataclasses import dataclass

import pandas as pd

from fertkit.results import ByContent, plain, plain_p

#: Said at the foot of every page.
ROUNDING = (
    "Numbers are rounded to three significant digits, or to whole units where these are more; probabilities "
    "to two, the smallest as < 0.001."
)


@dataclass(frozen=True)
class Table(ByContent):
    """One table for people.

    Attributes
    ----------
    title : str
        Also the name of its sheet in a workbook.
    frame : DataFrame
        Columns named for reading, with units in brackets; a header of ``p`` or ending in ``, p`` is a
        probability. Numbers unrounded.
    """

    title: str
    frame: pd.DataFrame


def pick(title: str, frame: pd.DataFrame, columns: dict) -> Table:
    """Make a table of some columns of a result, in the order and under the names of `columns`."""
    held = {name: header for name, header in columns.items() if name in frame}
    return Table(title, frame[list(held)].rename(columns=held).reset_index(drop=True))


def shown(frame: pd.DataFrame) -> pd.DataFrame:
    """Give the cells of a table as text by the rounding rule: gaps blank, columns of gaps alone left out."""
    text = {
        i: [_text(value, is_p=name == "p" or str(name).endswith(", p")) for value in column]
        for i, (name, column) in enumerate(frame.items())
    }
    held = [i for i, cells in text.items() if any(cells) or not len(frame)]
    return pd.DataFrame({i: text[i] for i in held}).set_axis([frame.columns[i] for i in held], axis=1)


def _text(value, is_p) -> str:
    if isinstance(value, str):
        return value
    if value is None or pd.isna(value):
        return ""
    if isinstance(value, bool) or pd.api.types.is_bool(value):
        return "yes" if value else "no"
    if pd.api.types.is_number(value):
        return plain_p(value).removeprefix("= ").replace(" ", "\u00a0") if is_p else plain(value)
    return str(value)
