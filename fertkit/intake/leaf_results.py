"""The results of a laid-out sheet, column by column: picked out, read as numbers, brought to one unit."""

import re
from dataclasses import dataclass, field

import numpy as np

from fertkit.errors import LookupFailed, Problem
from fertkit.intake.columns import OTHER, say_column
from fertkit.intake.headers import ELEMENT, OTHER_MATRIX, begins_with_nutrient, read_header
from fertkit.intake.leaf_tables import Block, Layout
from fertkit.intake.numbers import NumberStyle, Reading, could_be_grouped, read_number, settle_results
from fertkit.intake.plausible import home_unit, impossible, infer_units, mislabelled, share_plausible, too_low
from fertkit.intake.spellings import problem
from fertkit.intake.units import find_unit, is_other_matrix
from fertkit.tables import text_of
from fertkit.units import USUAL_CONCENTRATIONS, convert_concentration

LENT_COLUMNS = ["specimen", "what"]
UNREAD_COLUMNS = ["nutrient", "column", "why", "specimen"]
_CLEARER = {"nitrate": "NO3-N", "sulfate": "SO4-S", "orthophosphate": "PO4-P"}
_KJELDAHL = re.compile(r"\btkn\b|kjeldahl", re.IGNORECASE)
_ALIKE = 0.02  # relative difference that rounding of two printed units can make


@dataclass
class ResultColumn:
    """Cells of one nutrient in one stated unit, and what they are read as.

    Attributes
    ----------
    nutrient, unit, label : str
        The unit is the stated one, and that of `numbers` once it is settled.
    cells, flags : list
    lines : list of (int, int)
        Block and line of each cell, from which `specimens` are numbered.
    places : list of (int, str)
        Row and label of each cell, for messages.
    readings : list of Reading
    numbers : array
    """

    nutrient: str
    unit: str
    label: str
    cells: list = field(default_factory=list)
    lines: list = field(default_factory=list)
    places: list = field(default_factory=list)
    flags: list = field(default_factory=list)
    specimens: list | None = None
    readings: list[Reading] = field(default_factory=list)
    numbers: np.ndarray | None = None

    def add(self, cell, line, place, flag):
        for name, value in (("cells", cell), ("lines", line), ("places", place), ("flags", flag)):
            getattr(self, name).append(value)

    @property
    def plain(self) -> np.ndarray:
        """Uncensored values above zero."""
        uncensored = np.array([not r.censored for r in self.readings], bool)
        with np.errstate(invalid="ignore"):
            return self.numbers[uncensored & (self.numbers > 0)]


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
    refused: list[Aside | Problem] = []
    for b, block in enumerate(layout.blocks):
        for column in (_long if block.shape == "long" else _wide)(b, block, refused):
            same = [c for c in columns if (c.nutrient, c.unit) == (column.nutrient, column.unit)]
            if b and same:  # a header repeated further down the sheet
                for cell in zip(column.cells, column.lines, column.places, column.flags, strict=True):
                    same[0].add(*cell)
            else:
                columns.append(column)
    problems += [r for r in refused if isinstance(r, Problem)]
    aside, read = [r for r in refused if isinstance(r, Aside)], {c.nutrient for c in columns}
    lost = [a for a in aside if not columns or (a.where == "unit" and a.nutrient not in read)]
    problems += [a.problem for a in lost]
    return columns, list({(a.nutrient, a.label): a for a in aside if a not in lost}.values())


def _refusal(header, row, label, value=None) -> Aside | Problem | None:
    """Why a header is not read as a nutrient: to be set aside, a problem, or None if it is read."""
    name, known = header.name, value or label
    if header.kind == "oxide":
        return Aside(ELEMENT[name], known, problem("oxide", row, label, value, name=name), "oxide")
    if header.kind == "unclear":
        better = _CLEARER[name]
        return Aside(better, known, problem("ion", row, label, value, name=name, better=better), "ion")
    if header.complaint:
        what = problem("no unit of dry matter", row, label, value, what=header.complaint)
        return Aside(name, known, what, "unit") if header.complaint.startswith("unknown unit") else what
    return None


def _wide(b: int, block: Block, refused):
    # A lone small n beside N, P, K in capitals is the statistician's n.
    all_small = not any(block.labels[j].isupper() for j in block.columns("nutrient"))
    kjeldahl = _beside_total(block)
    for j in block.results:
        header, label = block.headers[j], block.labels[j]
        refusal = _refusal(header, block.place(0, j)[0] if block.turned else None, label)
        if j in kjeldahl:
            refusal = Aside(header.name, label, problem("Kjeldahl", column=label), "method")
        elif not refusal and label == "n" and not header.unit and not all_small:
            refusal = problem("small n", column=label)
        if refusal:
            refused.append(refusal)
        elif any(block.cells[i][j] != "" for i in block.lines):
            column, at = ResultColumn(header.name, header.unit, label), _rating_of(block, j)
            for i in block.lines:
                flag = "" if at is None else text_of(block.cells[i][at])
                column.add(
                    block.cells[i][j], (b, i), block.place(i, j), flag or block.ratings.get((i, j), "")
                )
            yield column


def _rating_of(block, j):
    """Column with the laboratory's ratings of a nutrient: it names the nutrient, or stands right of it."""
    named = block.columns("rating", block.headers[j].name)
    if named:
        return named[0]
    flags = block.columns("role", "flag")
    between = {*block.columns("limit"), *block.columns("role", "range")}
    k = next((k for k in range(j + 1, len(block.headers)) if k not in between), None)
    return k if k in flags and (len(block.results) == 1 or len(flags) > 1) else None


def _beside_total(block):
    """Columns of Kjeldahl nitrogen in a table that gives total nitrogen too."""
    nitrogen = block.columns("nutrient", "N")
    by_kjeldahl = {j for j in nitrogen if _KJELDAHL.search(block.labels[j])}
    return by_kjeldahl if len(by_kjeldahl) < len(nitrogen) else set()


def _long(b: int, block: Block, refused):
    analyte, value = block.column("analyte"), block.column("value")
    unit_at, flag_at = block.column("unit"), block.column("flag")
    several = [block.labels[j] for j in block.columns("role", "value")]
    if len(several) > 1:
        refused.append(problem("several results", names=", ".join(several)))
    columns: dict[tuple, ResultColumn] = {}
    for i in block.lines:
        text, label = text_of(block.cells[i][analyte]), block.labels[analyte]
        header = read_header(text)
        if not header.names_nutrient:
            if re.match(r"[<>]?\s*\d*[.,]?\d+(?:\s|$)", text):
                refused.append(problem("number for a nutrient", i + 1, label, text))
            continue
        stated = text_of(block.cells[i][unit_at]) if unit_at is not None else ""
        refusal = _refusal(header, i + 1, label, text)
        unit, complaint = _stated_unit(header.unit, stated or block.headers[value].unit)
        if complaint and refusal is None:
            refusal = problem("no unit of dry matter", i + 1, block.labels[unit_at], stated, what=complaint)
        if refusal:
            refused.append(refusal)
            continue
        new = ResultColumn(header.name, unit, block.labels[value])
        flag = text_of(block.cells[i][flag_at]) if flag_at is not None else ""
        flag = flag or block.ratings.get((i, value), "")
        columns.setdefault((header.name, unit), new).add(
            block.cells[i][value], (b, i), (i + 1, block.labels[value]), flag
        )
    return columns.values()


def _stated_unit(in_name, in_column):
    unit = find_unit(in_column)
    if not in_column or (unit and unit == in_name):
        return in_name, ""
    if not unit:
        return "", OTHER_MATRIX if is_other_matrix(in_column) else "unknown unit"
    return (unit, "") if not in_name else ("", f"the analyte says {in_name}, the unit column {in_column}")


def misplaced_numbers(layout: Layout) -> list[Problem]:
    """Find numbers under crop and plant part: their line is broken or shifted."""
    return [
        problem("number for a word", *block.place(i, j), text_of(block.cells[i][j]))
        for block in layout.blocks
        if not block.turned
        for j in sorted((*block.columns("role", "crop"), *block.columns("role", "plant_part")))
        for i in block.lines
        if re.fullmatch(r"[<>]?\d*[.,]?\d+(?:\s*[*A-Z]{1,2})?", text_of(block.cells[i][j]))
    ]


def left_out_analytes(layout: Layout) -> list[str]:
    """Return the names in the analyte column of long tables that are no nutrient (moisture, ratios ...)."""
    long = (block for block in layout.blocks if block.shape == "long")
    names = (text_of(block.cells[i][block.column("analyte")]) for block in long for i in block.lines)
    return [name for name in dict.fromkeys(names) if not read_header(name).names_nutrient]


def unread_columns(layout: Layout, columns: list[ResultColumn], aside: list[Aside]) -> list[tuple]:
    """List what tells of a nutrient and was not read, and would be missed.

    Columns and analytes that begin with a nutrient's name or symbol and hold numbers; oxides and ions whose
    element is not given in any form that answers for them (N for NO3-N).

    Returns
    -------
    list of tuple
        nutrient, column (as the file writes it), why, specimen (0: of the whole file).
    """
    why, read = "unknown name or note", {c.nutrient for c in columns}
    left = [text for text in left_out_analytes(layout) if read_header(text).kind == "unknown"]
    rows = [(name, text, why) for text in left if (name := begins_with_nutrient(text))]
    lost = [a for a in aside if read.isdisjoint({a.nutrient, a.nutrient.split("-")[-1]})]
    rows += [(a.nutrient, a.label, a.problem.what) for a in lost]
    for block in layout.blocks:
        for j in block.columns("unknown"):
            name = begins_with_nutrient(block.labels[j])
            if name and any(re.search(r"\d", text_of(block.cells[i][j])) for i in block.lines):
                rows.append((name, block.labels[j], why))
    return [(*row, 0) for row in dict.fromkeys(rows)]


# ---- numbers


def read_cells(column: ResultColumn, style: NumberStyle, problems: list[Problem]):
    """Read the cells of a column, in place; what is neither a result nor a rating becomes a problem."""
    readings = [read_number(cell, style) for cell in column.cells]
    unit = column.unit or next((r.unit for r in readings if r.unit), "")
    could_be = lambda value: not unit or not impossible(column.nutrient, value, unit)  # noqa: E731
    settled = settle_results(readings, column.cells, column.places, could_be, "no plain result", problems)
    column.readings, column.numbers = settled, np.array([r.value for r in settled], float)


def settle_units(columns: list[ResultColumn], given, problems: list[Problem], low: list[Problem]) -> list:
    """Set the unit of every column and convert its values to home units, in place.

    Returns
    -------
    list of (what, item, detail, row)
        What was inferred, for the report. Problems are added to `problems`; results lower than any plant
        holds to `low`, since a mark or a whole soil report may be the cause.
    """
    vouched, report = _given_units(given, columns, problems), []
    for column in columns:
        report += _take_stated(column, vouched, problems)
    unstated = {c.nutrient: c.plain for c in columns if not c.unit}
    inferred, why = infer_units(unstated, {c.nutrient: c.unit for c in columns if c.unit})
    for column in [c for c in columns if not c.unit]:
        nutrient = column.nutrient
        column.unit = inferred.get(nutrient, "")
        if column.unit:
            report.append(("inferred", f"unit of {nutrient}", f"{column.unit}: {why[nutrient]}", None))
        else:
            problems.append(
                problem("unit missing", column=column.label, why=why[nutrient], nutrient=nutrient)
            )
    known = [c for c in columns if c.unit]
    slip = mislabelled({c.nutrient: c.plain for c in known}, {c.nutrient: c.unit for c in known})
    if slip and not vouched:
        problems.append(slip)
    for column in known:
        _convert(column, problems, low)
    return report


def _given_units(given, columns, problems):
    if given is None:
        return {}
    nutrients = {c.nutrient for c in columns}
    if isinstance(given, str):
        given = {nutrient: given for nutrient in nutrients if home_unit(nutrient) == "%"}
    if not set(given) <= nutrients:
        strange = ", ".join(sorted(set(given) - nutrients))
        raise LookupFailed(f"units are given for {strange}, not in the file")
    known = {nutrient: find_unit(unit) for nutrient, unit in given.items()}
    strange = [nutrient for nutrient, unit in known.items() if not unit]
    problems += [problem("unknown unit", value=given[nutrient], nutrient=nutrient) for nutrient in strange]
    return {n: u for n, u in known.items() if u}


def _take_stated(column, vouched, problems):
    """Take the unit that the user vouches for, or else the stated one; tell where they differ."""
    nutrient, header = column.nutrient, column.unit
    stated = sorted({header, *(r.unit for r in column.readings)} - {""})
    if nutrient in vouched:
        column.unit = vouched[nutrient]
        if header and header != column.unit:
            detail = f"{column.unit} as you entered; the file says {header}"
            yield "inferred", f"unit of {nutrient}", detail, None
        return
    if len(stated) > 1:
        problems.append(problem("two units", column=column.label, nutrient=nutrient))
    column.unit = header or next(iter(stated), "")


def _convert(column, problems, low):
    nutrient, home = column.nutrient, home_unit(column.nutrient)
    # A limit of detection may be lower than anything a plant holds.
    exact = np.where([r.censored == "<" for r in column.readings], 0.0, column.numbers)
    sides = impossible(nutrient, exact, column.unit), too_low(nutrient, exact, column.unit)
    for marked, told in zip(sides, (problems, low), strict=True):
        for i in np.flatnonzero(marked):
            value = f"{column.numbers[i]:g}"
            blanks = {"amount": f"{value} {column.unit}", "nutrient": nutrient}
            other = _unit_that_fits(nutrient, exact[i])
            key = "impossible in this unit" if other else "impossible result"
            told.append(problem(key, *column.places[i], value, unit=other, **blanks))
    if column.unit != home:
        column.numbers = convert_concentration(column.numbers, column.unit, home)


def _unit_that_fits(nutrient, value) -> str:
    """The one unit in which the value is usual for the nutrient; '' where none or several are."""
    usual = [u for u in USUAL_CONCENTRATIONS if share_plausible(np.array([value]), nutrient, u) > 0]
    return usual[0] if len(usual) == 1 else ""


def unsure_marks(columns: list[ResultColumn], style: NumberStyle) -> list[Problem]:
    """Find numbers such as 24,500 whose mark nothing tells, and that are a leaf's the other way."""
    return [
        problem("unsure mark", *place, cell)
        for column in columns
        for cell, value, place in zip(column.cells, column.numbers, column.places, strict=True)
        if style.guessed
        and isinstance(cell, str)
        and could_be_grouped(cell)
        and _other_way(column.nutrient, value)
    ]


def _other_way(nutrient, value):
    """Whether a value is unusual, and usual if its mark is taken the other way."""
    usual = [share_plausible([x], nutrient, home_unit(nutrient)) for x in (value, value / 1000, value * 1000)]
    return not usual[0] and any(usual)


def drop_copies(columns: list[ResultColumn], problems: list[Problem]) -> list:
    """Drop, in place, a second column of a nutrient that gives the same values; others become problems.

    Returns
    -------
    list of (what, item, detail, row)
        What was dropped, for the report.
    """
    report, kept = [], []
    for column in columns:
        lines = dict(zip(column.lines, column.numbers, strict=True))
        same = (k for k in kept if k.nutrient == column.nutrient and set(k.lines) & set(lines))
        twin = next(same, None)
        if twin is None:
            kept.append(column)
            continue
        first = dict(zip(twin.lines, twin.numbers, strict=True))
        both = np.array([(first[k], lines[k]) for k in lines if k in first], float)
        neither = np.isnan(both).all(axis=1)
        alike = (neither | (np.ptp(both, axis=1) <= _ALIKE * both.max(axis=1))).all()
        if alike and set(lines) <= set(first):
            detail = f"the same values as '{twin.label}'"
            report.append(("not used", f"column '{column.label}'", detail, None))
        else:
            leave = f"{say_column(OTHER, twin.label)} or {say_column(OTHER, column.label)}"
            blanks = {"nutrient": column.nutrient, "first": twin.label, "in_code": leave}
            problems.append(problem("second column", column=column.label, **blanks))
    columns[:] = kept
    return report
