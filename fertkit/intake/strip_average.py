"""Several lines of one strip are averaged to it: parts of a strip are no replicates."""

import pandas as pd

from fertkit.intake.strip_lines import said_lines
from fertkit.results import counted


def average_parts(table, keys, lines) -> tuple[pd.DataFrame, list[int], list[str]]:
    """Average the lines that nothing tells apart as strips of their own.

    Parameters
    ----------
    table : DataFrame
        Tidy strips, one row a line of the file.
    keys : list of str
        Columns that name a strip: trial, site, year, block, strip or position where given, what was planned.
    lines : list of int
        Line of each row.

    Returns
    -------
    table : DataFrame
        One row a strip, in the order of their first lines.
    lines : list of int
        First line of each.
    notes : list of str
        Empty where each line is a strip.
    """
    group = table.groupby(keys, sort=False, dropna=False).ngroup().to_numpy()
    first = pd.Series(range(len(table))).groupby(group).first().tolist()
    if len(first) == len(table):
        return table, lines, []
    columns = {}
    for name in table:
        held = table[name].groupby(group, sort=False)
        measured = pd.api.types.is_float_dtype(table[name]) and name not in keys
        columns[name] = held.mean() if measured else held.agg(_said)
    averaged = pd.DataFrame(columns)[list(table)].reset_index(drop=True)
    parted = [line for line, of in zip(lines, group, strict=True) if (group == of).sum() > 1]
    strips = len(first) - (len(lines) - len(parted))
    note = (
        f"{len(parted)} lines ({said_lines(parted)}) are averaged to {counted(strips, 'strip')}, those of "
        "one block and rate together: parts of a strip are no replicates; if each line was a strip, number "
        "them in a column 'Strip'"
    )
    return averaged, [lines[i] for i in first], [note]


def _said(held):
    """One value where all are alike; else the values side by side."""
    values = list(dict.fromkeys(v for v in held if not pd.isna(v)))
    if len(values) < 2:
        return values[0] if values else None
    if all(str(v).startswith("row ") for v in values):
        return f"rows {', '.join(str(v)[4:] for v in values)}"
    return ", ".join(map(str, values))
