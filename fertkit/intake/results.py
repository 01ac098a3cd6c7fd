"""Pick the result cells out of a laid-out sheet, column by column, each with its place for messages."""

import re
from dataclasses import dataclass

import pandas as pd

from fertkit.errors import Problem
from fertkit.intake.files import text_of
from fertkit.intake.headers import begins_with_nutrient, read_header
from fertkit.intake.layout import Block, Layout
from fertkit.intake.units import find_unit, is_other_matrix

_ELEMENTAL = "tissue is elemental (P, K, Ca, Mg); ask the laboratory, or convert the column and rename it"


@dataclass
class ResultColumn:
    """Cells of one nutrient in one stated unit.

    ``lines`` are (block, line) of each cell, from which `specimens` are numbered; ``places`` (row, label).
    """

    nutrient: str
    unit: str
    label: str
    cells: list
    lines: list
    places: list
    flags: list
    specimens: list | None = None


def result_columns(layout: Layout, problems: list[Problem]) -> list[ResultColumn]:
    """Collect the result columns of all blocks; problems found on the way are added to `problems`."""
    columns: list[ResultColumn] = []
    for b, block in enumerate(layout.blocks):
        found = _long(b, block, problems) if block.shape == "long" else _wide(b, block, problems)
        for column in found:
            same = [c for c in columns if (c.nutrient, c.unit) == (column.nutrient, column.unit)]
            if b and same:  # a header repeated further down the sheet
                for name in ("cells", "lines", "places", "flags"):
                    getattr(same[0], name).extend(getattr(column, name))
            else:
                columns.append(column)
    return columns


def refuse_header(header, row, label, value=None) -> Problem | None:
    """The problem of a header that must not be read as a nutrient, if it is one."""
    if header.kind == "oxide":
        return Problem(f"an oxide ({header.name}) in a tissue table", _ELEMENTAL, row, label, value)
    if header.kind == "unclear":
        remedy = (
            f"ask the laboratory, then name the column after the element (such as {_CLEARER[header.name]})"
        )
        return Problem(f"{header.name} may be the ion or its element", remedy, row, label, value)
    if header.complaint:
        remedy = "use dry-matter results in %, g/kg, mg/g, mg/kg, ppm or ug/g"
        return Problem(header.complaint, remedy, row, label, value)
    return None


_CLEARER = {"nitrate": "NO3-N", "sulfate": "SO4-S", "orthophosphate": "PO4-P"}


def _wide(b: int, block: Block, problems):
    columns, seen = [], {}
    # A lone small n beside N, P, K in capitals is the statistician's n.
    all_small = not any(
        t.isupper() for h, t in zip(block.headers, block.labels, strict=True) if h.kind == "nutrient"
    )
    ratings = {h.name: j for j, h in enumerate(block.headers) if h.kind == "rating"}
    for j, header in enumerate(block.headers):
        if header.kind not in ("nutrient", "oxide", "unclear"):
            continue
        label = block.labels[j]
        problem = refuse_header(header, j + 1 if block.turned else None, label)
        if problem is None and header.name in seen:
            remedy = "keep one of them, or rename the one that is not a result"
            problem = Problem(
                f"a second column for {header.name} beside '{seen[header.name]}'", remedy, column=label
            )
        if problem:
            problems.append(problem)
            continue
        if label == "n" and not header.unit and not all_small:
            remedy = "rename it: N (%) for nitrogen, or 'samples' for a count"
            problems.append(
                Problem("the column may be nitrogen or a number of samples", remedy, column=label)
            )
            continue
        seen[header.name] = label
        cells = [block.cells[i][j] for i in block.lines]
        if all(c == "" for c in cells):
            continue
        rating = ratings.get(header.name)
        flags = ["" if rating is None else text_of(block.cells[i][rating]) for i in block.lines]
        columns.append(
            ResultColumn(header.name, header.unit, label, cells, [(b, i) for i in block.lines],
                         [block.place(i, j) for i in block.lines], flags)
        )  # fmt: skip
    return columns


def _long(b: int, block: Block, problems):
    role = {h.name: j for j, h in reversed(list(enumerate(block.headers))) if h.kind == "role"}
    value, unit_at, flag_at = role["value"], role.get("unit"), role.get("flag")
    columns: dict[tuple, ResultColumn] = {}
    for i in block.lines:
        text = text_of(block.cells[i][role["analyte"]])
        header = read_header(text)
        place = (i + 1, block.labels[value])
        stated = text_of(block.cells[i][unit_at]) if unit_at is not None else ""
        problem = refuse_header(header, i + 1, block.labels[role["analyte"]], text)
        if header.kind not in ("nutrient", "oxide", "unclear"):
            continue
        unit, complaint = _stated_unit(header.unit, stated)
        if complaint and problem is None:
            remedy = "use dry-matter results in %, g/kg, mg/g, mg/kg, ppm or ug/g"
            problem = Problem(complaint, remedy, i + 1, block.labels[unit_at], stated)
        if problem:
            problems.append(problem)
            continue
        column = columns.setdefault(
            (header.name, unit), ResultColumn(header.name, unit, block.labels[value], [], [], [], [])
        )
        column.cells.append(block.cells[i][value])
        column.lines.append((b, i))
        column.places.append(place)
        column.flags.append(text_of(block.cells[i][flag_at]) if flag_at is not None else "")
    return list(columns.values())


def _stated_unit(in_name, in_column):
    unit = find_unit(in_column)
    if not in_column or (unit and unit == in_name):
        return in_name, ""
    if not unit:
        if is_other_matrix(in_column):
            return "", "another matrix than dry matter"
        return "", "unknown unit"
    return (unit, "") if not in_name else ("", f"the analyte says {in_name}, the unit column {in_column}")


def left_out_analytes(layout: Layout) -> list[str]:
    """Names in the analyte column of long tables that are no nutrient (moisture, ratios ...)."""
    left = {}
    for block in layout.blocks:
        if block.shape != "long":
            continue
        at = next(j for j, h in enumerate(block.headers) if h.kind == "role" and h.name == "analyte")
        for i in block.lines:
            text = text_of(block.cells[i][at])
            if read_header(text).kind not in ("nutrient", "oxide", "unclear"):
                left[text] = None
    return list(left)


UNREAD_COLUMNS = ["nutrient", "column", "why"]


def unread_columns(layout: Layout) -> pd.DataFrame:
    """Columns and analytes that begin with a nutrient's name or symbol, hold numbers, and were not read.

    Returns
    -------
    DataFrame
        nutrient, column (as the file writes it), why.
    """
    why = "the words behind the name are neither a unit nor known"
    rows = [(name, text, why) for text in left_out_analytes(layout) if (name := begins_with_nutrient(text))]
    for block in layout.blocks:
        for j, (header, label) in enumerate(zip(block.headers, block.labels, strict=True)):
            name = begins_with_nutrient(label) if header.kind == "unknown" else ""
            if name and any(re.search(r"\d", text_of(block.cells[i][j])) for i in block.lines):
                rows.append((name, label, why))
    return pd.DataFrame(rows, columns=UNREAD_COLUMNS, dtype=object).drop_duplicates(ignore_index=True)
