"""Pick the result cells out of a laid-out sheet, column by column, each with its place for messages."""

import re
from dataclasses import dataclass

import pandas as pd

from fertkit.errors import Problem
from fertkit.intake.headers import begins_with_nutrient, read_header
from fertkit.intake.layout import Block, Layout
from fertkit.intake.sections import NUTRIENTS
from fertkit.intake.units import find_unit, is_other_matrix
from fertkit.tables import text_of

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


@dataclass(frozen=True)
class Aside:
    """A column or line of results that is not read: what it is, the nutrient it tells of, why, and where."""

    nutrient: str
    label: str
    problem: Problem
    where: str  # 'oxide', 'ion', 'unit' or 'method'


def result_columns(layout: Layout, problems: list[Problem]) -> tuple[list[ResultColumn], list[Aside]]:
    """Collect the result columns of all blocks, and what is set aside beside them.

    An oxide, an ion that may be its element, a second method, or a unit that is not known for a nutrient
    given otherwise too is set aside. Problems that forbid any reading are added to `problems`; where nothing
    is left to read, so are the reasons for setting aside.
    """
    columns: list[ResultColumn] = []
    aside: list[Aside] = []
    for b, block in enumerate(layout.blocks):
        found = (_long if block.shape == "long" else _wide)(b, block, problems, aside)
        for column in found:
            same = [c for c in columns if (c.nutrient, c.unit) == (column.nutrient, column.unit)]
            if b and same:  # a header repeated further down the sheet
                for name in ("cells", "lines", "places", "flags"):
                    getattr(same[0], name).extend(getattr(column, name))
            else:
                columns.append(column)
    held = {c.nutrient for c in columns}
    lost = [a for a in aside if not columns or (a.where == "unit" and a.nutrient not in held)]
    problems += [a.problem for a in lost]
    return columns, list({(a.nutrient, a.label): a for a in aside if a not in lost}.values())


ELEMENT = {"P2O5": "P", "K2O": "K", "CaO": "Ca", "MgO": "Mg", "SO3": "S"}
_CLEARER = {"nitrate": "NO3-N", "sulfate": "SO4-S", "orthophosphate": "PO4-P"}


def _refusal(header, row, label, value=None) -> Aside | Problem | None:
    """Why a header is not read as a nutrient: to be set aside, a problem, or None if it is read."""
    if header.kind == "oxide":
        what = Problem(f"an oxide ({header.name}) in a tissue table", _ELEMENTAL, row, label, value)
        return Aside(ELEMENT[header.name], value or label, what, "oxide")
    if header.kind == "unclear":
        better = _CLEARER[header.name]
        remedy = f"ask the laboratory, then name the column after the element (such as {better})"
        what = Problem(f"{header.name} may be the ion or its element", remedy, row, label, value)
        return Aside(better, value or label, what, "ion")
    if header.complaint:
        what = Problem(header.complaint, _UNITS, row, label, value)
        known = header.complaint.startswith("unknown unit")
        return Aside(header.name, value or label, what, "unit") if known else what
    return None


_UNITS = "use dry-matter results in %, g/kg, mg/g, mg/kg, ppm or ug/g"
_SHIFTED = "the line is broken or shifted: put its cells under their columns again"
_KJELDAHL = re.compile(r"\btkn\b|kjeldahl", re.IGNORECASE)


def _wide(b: int, block: Block, problems, aside):
    columns = []
    # A lone small n beside N, P, K in capitals is the statistician's n.
    all_small = not any(
        t.isupper() for h, t in zip(block.headers, block.labels, strict=True) if h.kind == "nutrient"
    )
    kjeldahl = _beside_total(block)
    for j, header in enumerate(block.headers):
        if header.kind not in NUTRIENTS:
            continue
        label = block.labels[j]
        found = _refusal(header, block.place(0, j)[0] if block.turned else None, label)
        if j in kjeldahl:
            what = Problem("Kjeldahl nitrogen beside total nitrogen", "the total was read", column=label)
            found = Aside(header.name, label, what, "method")
        if isinstance(found, Aside):
            aside.append(found)
        elif found:
            problems.append(found)
        elif label == "n" and not header.unit and not all_small:
            remedy = "rename it: N (%) for nitrogen, or 'samples' for a count"
            problems.append(
                Problem("the column may be nitrogen or a number of samples", remedy, column=label)
            )
        elif any(block.cells[i][j] != "" for i in block.lines):
            columns.append(_column(b, block, j))
    return columns


def misplaced_numbers(layout: Layout) -> list[Problem]:
    """Numbers under crop and plant part: their line is broken or shifted."""
    found = []
    for block in (b for b in layout.blocks if not b.turned):
        named = [
            j for j, h in enumerate(block.headers) if h.kind == "role" and h.name in ("crop", "plant_part")
        ]
        for i, j in ((i, j) for j in named for i in block.lines):
            if re.fullmatch(r"[<>]?\d*[.,]?\d+(?:\s*[*A-Z]{1,2})?", text_of(block.cells[i][j])):
                what = "a number stands where a word is due"
                found.append(Problem(what, _SHIFTED, *block.place(i, j), text_of(block.cells[i][j])))
    return found


def _column(b, block, j):
    header, at = block.headers[j], _rating_of(block, j)
    flags = ["" if at is None else text_of(block.cells[i][at]) for i in block.lines]
    flags = [flag or block.ratings.get((i, j), "") for flag, i in zip(flags, block.lines, strict=True)]
    cells = [block.cells[i][j] for i in block.lines]
    places = [block.place(i, j) for i in block.lines]
    lines = [(b, i) for i in block.lines]
    return ResultColumn(header.name, header.unit, block.labels[j], cells, lines, places, flags)


def _rating_of(block, j):
    """Column with the laboratory's ratings of a nutrient: it names the nutrient, or stands right of it."""
    name = block.headers[j].name
    named = next((k for k, h in enumerate(block.headers) if (h.kind, h.name) == ("rating", name)), None)
    if named is not None:
        return named
    for k in range(j + 1, len(block.headers)):
        header = block.headers[k]
        if header.kind == "role" and header.name == "flag":
            alone = sum(h.kind == "role" and h.name == "flag" for h in block.headers) == 1
            single = sum(h.kind in NUTRIENTS for h in block.headers) == 1
            return k if single or not alone else None
        if not (header.kind == "limit" or (header.kind, header.name) == ("role", "range")):
            return None
    return None


def _beside_total(block):
    """Columns of Kjeldahl nitrogen in a table that gives total nitrogen too."""
    nitrogen = [j for j, h in enumerate(block.headers) if (h.kind, h.name) == ("nutrient", "N")]
    by_kjeldahl = {j for j in nitrogen if _KJELDAHL.search(block.labels[j])}
    return by_kjeldahl if len(by_kjeldahl) < len(nitrogen) else set()


def _long(b: int, block: Block, problems, aside):
    role = {h.name: j for j, h in reversed(list(enumerate(block.headers))) if h.kind == "role"}
    value, unit_at, flag_at = role["value"], role.get("unit"), role.get("flag")
    if sum((h.kind, h.name) == ("role", "value") for h in block.headers) > 1:
        labels = [t for h, t in zip(block.headers, block.labels, strict=True) if h.name == "value"]
        remedy = "keep one column of results, or name the others after their samples"
        problems.append(Problem(f"several columns of results: {', '.join(labels)}", remedy))
    columns: dict[tuple, ResultColumn] = {}
    for i in block.lines:
        text = text_of(block.cells[i][role["analyte"]])
        header = read_header(text)
        if header.kind not in NUTRIENTS:
            if re.match(r"[<>]?\s*\d*[.,]?\d+(?:\s|$)", text):
                what = "a number stands where the nutrient is named"
                problems.append(Problem(what, _SHIFTED, i + 1, block.labels[role["analyte"]], text))
            continue
        stated = text_of(block.cells[i][unit_at]) if unit_at is not None else ""
        found = _refusal(header, i + 1, block.labels[role["analyte"]], text)
        unit, complaint = _stated_unit(header.unit, stated or block.headers[value].unit)
        if complaint and found is None:
            found = Problem(complaint, _UNITS, i + 1, block.labels[unit_at], stated)
        if isinstance(found, Aside):
            aside.append(found)
        elif found:
            problems.append(found)
        else:
            key = (header.name, unit)
            new = ResultColumn(header.name, unit, block.labels[value], [], [], [], [])
            column = columns.setdefault(key, new)
            column.cells.append(block.cells[i][value])
            column.lines.append((b, i))
            column.places.append((i + 1, block.labels[value]))
            flag = text_of(block.cells[i][flag_at]) if flag_at is not None else ""
            column.flags.append(flag or block.ratings.get((i, value), ""))
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
            if read_header(text).kind not in NUTRIENTS:
                left[text] = None
    return list(left)


LENT_COLUMNS = ["specimen", "what"]
UNREAD_COLUMNS = ["nutrient", "column", "why", "specimen"]


def unread_columns(layout: Layout, columns: list[ResultColumn], aside: list[Aside]) -> pd.DataFrame:
    """What tells of a nutrient and was not read, and would be missed.

    Columns and analytes that begin with a nutrient's name or symbol and hold numbers; oxides and ions whose
    element is not given.

    Returns
    -------
    DataFrame
        nutrient, column (as the file writes it), why, specimen (0: of the whole file).
    """
    why = "its name or what stands behind it is not known as written"
    left = [text for text in left_out_analytes(layout) if read_header(text).kind == "unknown"]
    rows = [(name, text, why) for text in left if (name := begins_with_nutrient(text))]
    held = {c.nutrient for c in columns}
    rows += [
        (a.nutrient, a.label, a.problem.what) for a in aside if a.where == "oxide" and a.nutrient not in held
    ]
    for block in layout.blocks:
        for j, (header, label) in enumerate(zip(block.headers, block.labels, strict=True)):
            name = begins_with_nutrient(label) if header.kind == "unknown" else ""
            if name and any(re.search(r"\d", text_of(block.cells[i][j])) for i in block.lines):
                rows.append((name, label, why))
    table = pd.DataFrame(rows, columns=UNREAD_COLUMNS[:3], dtype=object)
    return table.drop_duplicates(ignore_index=True).assign(specimen=0)
