"""Give the lines of one sample in several tables one context, and split names that tell crop and stage."""

import pandas as pd

from fertkit.errors import Problem
from fertkit.intake.line_words import is_rating
from fertkit.intake.long_names import split_label
from fertkit.tables import text_of

_WHAT = ("lab_id", "field", "crop", "growth_stage", "plant_part", "sampled", "area")
_CONDITION = ("crop", "growth_stage", "plant_part")


def join_tables(lines: pd.DataFrame, layout, notes: list, report: list):
    """Complete `lines` in place: names over two lines, names that tell the crop, samples of several tables.

    A table that lacks the crop (stage, part ...) takes it from the line of the same sample in another table
    of the sheet, if all of these agree; else it stays open, and a note says so.
    """
    _complete_names(lines, layout, report)
    if len(layout.blocks) > 1:
        _fill_by_sample(lines, notes, report)
    nameless = lines["sample_id"] == ""
    lines["sample_id"] = lines["sample_id"].mask(nameless, "sample 1")


def _complete_names(lines, layout, report):
    for b, block in enumerate(layout.blocks):
        for line, more in block.more_names.items():
            at = lines.index[(lines["block"] == b) & (lines["line"] == line)][0]
            lines.loc[at, "sample_id"] = f"{lines.loc[at, 'sample_id']} {more}"
            report.append(("recognised", "sample id", f"'{more}' from the line below", line + 2))
    open_ = lines[list(_CONDITION)].eq("").all(axis=1)
    for at in lines.index[open_]:
        parts = split_label(str(lines.loc[at, "sample_id"]))
        if parts:
            whole = lines.loc[at, "sample_id"]
            for column, text in parts.items():
                lines.loc[at, column] = text
            told = ", ".join(f"{c.replace('_', ' ')} {t}" for c, t in parts.items() if c != "sample_id")
            report.append(("inferred", told, f"from the name '{whole}'", int(lines.loc[at, "row"])))


def _fill_by_sample(lines, notes, report):
    named = lines["sample_id"].ne("") & ~lines["sample_id"].str.fullmatch(r"line \d+")
    doubtful = {}
    for sample, mine in lines[named].groupby("sample_id", sort=False):
        if mine["block"].nunique() < 2:
            continue
        for role in _WHAT:
            texts = mine[role].map(str)
            told = mine[texts != ""]
            values = dict(zip(told[role].map(str), told[role], strict=True))
            blank = mine.index[(texts == "") & ~mine["block"].isin(told["block"])]
            if len(values) == 1 and len(blank):
                lines[role] = lines[role].astype(object)
                lines.loc[blank, role] = pd.Series([next(iter(values.values()))] * len(blank), blank, object)
                report.append(("recognised", role, f"of sample '{sample}' from its other table", None))
            elif len(values) > 1 and len(blank):
                doubtful[sample] = int(lines.loc[blank[0], "row"])
    for sample, row in list(doubtful.items())[:25]:
        what = f"the table at row {row} does not tell which of several samples '{sample}' is meant"
        notes.append(Problem(what, "name crop, stage and part in that table too", row, value=sample))


def unnamed_tables(layout, columns: list) -> list[Problem]:
    """Tables that would count for the sample of another one because no line of theirs names their own.

    Parameters
    ----------
    layout : Layout
    columns : list of ResultColumn

    Returns
    -------
    list of Problem
        One a table that repeats what another table of the same sample gives, or that has no name beside
        tables that have.
    """
    held: dict[int, set] = {}
    for column in columns:
        for (b, _), cell in zip(column.lines, column.cells, strict=True):
            if cell != "" and not is_rating(cell):
                held.setdefault(b, set()).add(column.nutrient)
    named = {b: _named_at(block) for b, block in enumerate(layout.blocks) if _named_above(block)}
    problems, first = [], {}
    for b in [b for b in named if b in held]:
        before = first.setdefault(named[b], {})
        twice = [n for n in held[b] if n in before]
        row = layout.blocks[b].heads[0] + 1 if layout.blocks[b].heads else None
        if named[b] is None and any(named.values()):
            problems.append(Problem("no line above this table names its sample, as others do", _NAME, row))
        elif len(twice) * 2 > len(held[b]):
            what = f"this table gives {', '.join(sorted(twice)[:4])} again and names no sample of its own"
            problems.append(Problem(what, _NAME, row))
        before.update(dict.fromkeys(held[b]))
    return problems


_NAME = "write the sample's name into a line of its own above the table: a separator or a line may be lost"


def _named_above(block):
    """Whether a table of one sample has its name from lines above it, and no column of names."""
    return block.shape == "long" and not any(
        h.kind == "role" and h.name in ("sample_id", "lab_id", "place", "field") for h in block.headers
    )


def _named_at(block):
    """(row, name) of the line that names the sample of a table; None if no line does."""
    told = [
        block.context[role] for role in ("sample_id", "lab_id", "place", "field") if role in block.context
    ]
    return max(((row, text_of(cell)) for cell, row in told), default=None)
