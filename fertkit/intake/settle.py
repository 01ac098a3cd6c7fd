"""Give every column of results its unit (the user's, the stated, or one told together), and convert it."""

from dataclasses import dataclass

import numpy as np

from fertkit.errors import LookupFailed, Problem, typed
from fertkit.intake.numbers import NumberStyle, Reading, could_be_grouped
from fertkit.intake.plausible import home_unit, impossible, infer_units, mislabelled, share_plausible
from fertkit.intake.results import ResultColumn
from fertkit.intake.units import find_unit
from fertkit.units import convert_concentration


@dataclass
class ReadColumn:
    """A result column with its cells read; ``numbers`` are in `unit`."""

    column: ResultColumn
    readings: list[Reading]
    numbers: np.ndarray
    unit: str = ""

    @property
    def plain(self) -> np.ndarray:
        """Uncensored values above zero."""
        uncensored = np.array([not r.censored for r in self.readings], bool)
        with np.errstate(invalid="ignore"):
            return self.numbers[uncensored & (self.numbers > 0)]


def settle_units(columns: list[ReadColumn], given, problems: list[Problem]) -> list:
    """Set the unit of every column and convert its values to home units, in place.

    Returns
    -------
    list of (what, item, detail, row)
        What was inferred, for the report. Problems are added to `problems`.
    """
    vouched = _given_units(given, columns, problems)
    report = [line for read in columns for line in _stated(read, vouched, problems)]
    unstated = {read.column.nutrient: read.plain for read in columns if not read.unit}
    told, why = infer_units(unstated, {r.column.nutrient: r.unit for r in columns if r.unit})
    for read in columns:
        nutrient = read.column.nutrient
        if read.unit:
            continue
        read.unit = told.get(nutrient, "")
        if read.unit:
            report.append(("inferred", f"unit of {nutrient}", f"{read.unit}: {why[nutrient]}", None))
        else:
            what = f"the unit is missing and cannot be told: {why[nutrient]}"
            remedy = "put the unit in the header"
            problems.append(Problem(what, remedy, column=read.column.label, in_code=_units(nutrient)))
    known = [read for read in columns if read.unit]
    slip = mislabelled(
        {r.column.nutrient: r.plain for r in known}, {r.column.nutrient: r.unit for r in known}
    )
    if slip and not vouched:
        problems.append(slip)
    for read in known:
        _convert(read, problems)
    return report


def _given_units(given, columns, problems):
    if given is None:
        return {}
    held = {read.column.nutrient for read in columns}
    if isinstance(given, str):
        given = {nutrient: given for nutrient in held if home_unit(nutrient) == "%"}
    if not set(given) <= held:
        strange = ", ".join(sorted(set(given) - held))
        raise LookupFailed(f"units are given for {strange}, which the file does not hold")
    known = {nutrient: find_unit(unit) for nutrient, unit in given.items()}
    for nutrient in [n for n, unit in known.items() if not unit]:
        remedy = "use one of: %, g/kg, mg/g, mg/kg, ppm, ug/g"
        problems.append(Problem(f"unknown unit for {nutrient}", remedy, value=given[nutrient]))
    return {n: u for n, u in known.items() if u}


def _stated(read: ReadColumn, vouched, problems):
    nutrient, header = read.column.nutrient, read.column.unit
    stated = {r.unit for r in read.readings} | {header}
    stated.discard("")
    if nutrient in vouched:
        read.unit = vouched[nutrient]
        if header and header != read.unit:
            detail = f"{read.unit} as the user vouches; the file says {header}"
            yield "inferred", f"unit of {nutrient}", detail, None
    elif len(stated) > 1:
        remedy = "state one unit for the column"
        problems.append(
            Problem("two units in one column", remedy, column=read.column.label, in_code=_units(nutrient))
        )
        read.unit = header or sorted(stated)[0]  # settled only so that nothing else is complained of
    else:
        read.unit = next(iter(stated), "")


def _units(nutrient):
    return typed(f"--units {nutrient}=%", f"units={{'{nutrient}': '%'}}")


def _convert(read: ReadColumn, problems):
    nutrient, home = read.column.nutrient, home_unit(read.column.nutrient)
    for i in np.flatnonzero(impossible(nutrient, read.numbers, read.unit)):
        row, label = read.column.places[i]
        value = f"{read.numbers[i]:g}"
        what = f"no plant dry matter holds {value} {read.unit} {nutrient}"
        remedy = "check the decimal mark and the unit; correct the header"
        problems.append(Problem(what, remedy, row, label, value, _units(nutrient)))
    if read.unit != home:
        read.numbers = convert_concentration(read.numbers, read.unit, home)


def unsure_marks(columns: list[ReadColumn], style: NumberStyle) -> list[Problem]:
    """Numbers such as 24,500 whose mark no number of the file tells, and that are a leaf's the other way."""
    if not style.guessed:
        return []
    what = "nothing in the file tells whether the mark is the decimal mark or parts thousands"
    remedy = "write the numbers without a mark of thousands, or with a point as the decimal mark"
    in_code = typed("--decimal , or --decimal .", "decimal=',' or decimal='.'")
    return [
        Problem(what, remedy, row, label, cell, in_code)
        for read in columns
        for cell, value, (row, label) in zip(read.column.cells, read.numbers, read.column.places, strict=True)
        if isinstance(cell, str) and could_be_grouped(cell) and _other_way(read.column.nutrient, value)
    ]


def _other_way(nutrient, value):
    """Whether a value is unusual, and usual if its mark is taken the other way."""
    usual = [share_plausible([x], nutrient, home_unit(nutrient)) for x in (value, value / 1000, value * 1000)]
    return not usual[0] and any(usual)


_ALIKE = 0.02  # relative difference that rounding of two printed units can make


def drop_copies(columns: list[ReadColumn], problems: list[Problem]) -> list:
    """Drop, in place, a second column of a nutrient that gives the same values; others become problems.

    Returns
    -------
    list of (what, item, detail, row)
        What was dropped, for the report.
    """
    report, kept = [], []
    for read in columns:
        lines = dict(zip(read.column.lines, read.numbers, strict=True))
        twin = next((k for k in kept if _share_lines(k, read)), None)
        if twin is None:
            kept.append(read)
            continue
        first = dict(zip(twin.column.lines, twin.numbers, strict=True))
        both = np.array([(first[k], lines[k]) for k in lines if k in first], float)
        neither = np.isnan(both).all(axis=1)
        alike = (neither | (np.ptp(both, axis=1) <= _ALIKE * both.max(axis=1))).all()
        names = f"'{twin.column.label}'"
        if alike and set(lines) <= set(first):
            report.append(("not used", f"column '{read.column.label}'", f"the same values as {names}", None))
            continue
        remedy = "keep one of them, or rename the one that is not a result"
        what = f"a second column for {read.column.nutrient} beside {names}"
        problems.append(Problem(what, remedy, column=read.column.label))
    columns[:] = kept
    return report


def _share_lines(one: ReadColumn, other: ReadColumn) -> bool:
    same = one.column.nutrient == other.column.nutrient
    return same and bool(set(one.column.lines) & set(other.column.lines))
