"""Tables of fields and seasons, whose columns carry units: read with every problem at once."""

from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from fertkit.budget.rates import parts_of, residue_lb_ac
from fertkit.budget.yields import (
    YIELD_UNITS,
    beyond,
    goal_unit,
    highest_lb_ac,
    lb_ac_per,
    no_bags,
    residue_share,
    yield_unit,
)
from fertkit.errors import FertkitError, InputError, LookupFailed, Problem, UnitError, one_of, unknown
from fertkit.intake.lists import read_field_table
from fertkit.intake.numbers import number_style, read_number
from fertkit.intake.units import debagged
from fertkit.reference.crops import case_named, leaf_crop
from fertkit.reference.own import NO_TABLES
from fertkit.rounding import above
from fertkit.tables import text_of


def read_fields(
    source, area_unit=None, goal_unit=None, own=NO_TABLES, then=None
) -> tuple[pd.DataFrame, str, tuple]:
    """Check a table of fields.

    Parameters
    ----------
    source : path or DataFrame
        See `fertkit.budget.farm_budget`.
    area_unit, goal_unit : str, optional
        Units of columns that do not carry theirs.
    own : OwnTables, optional
        Tables of the user's own.
    then : callable, optional
        What is made of the rows; its problems are told by the lines of the file.

    Returns
    -------
    fields : DataFrame
        as `checked_rows` gives them, with area and the other columns of `fertkit.intake.lists.FieldTable`;
        or what `then` makes of them.
    area_unit : str
    notes : tuple of str
        Columns that were not used.

    Raises
    ------
    InputError
        With every problem of the table.
    """
    problems: list[Problem] = []
    table = read_field_table(source, area_unit, goal_unit, problems)
    fields = None
    if not problems:
        fields = checked_rows(table.frame, problems, ("area", "yield_goal"), own, lost=False)
        if not problems:
            fields = fields.join(table.frame[[name for name in table.frame if name not in fields]])
            named = [*map(case_named, table.frame["crop"].map(text_of), fields["crop"])]
            if any(named):
                own = fields.get("cases", pd.Series("", index=fields.index)).map(text_of)
                fields["cases"] = [";".join(filter(None, pair)) for pair in zip(own, named, strict=True)]
            try:
                fields = fields if then is None else then(fields)
            except InputError as error:
                problems = error.problems
        problems = [
            replace(p, row=p.row and table.lines[p.row - 2], column=table.header(p.column)) for p in problems
        ]
    if problems:
        raise InputError(table.name, sorted(problems, key=lambda p: p.row or 0))
    return fields, table.area_unit, table.notes


def checked_rows(frame, problems: list, numbers=("yield_goal",), own=NO_TABLES, lost=True) -> pd.DataFrame:
    """Check fields of any table, whose columns have plain names, adding to the problems what cannot be read.

    Parameters
    ----------
    frame : DataFrame
        crop, yield_goal, yield_unit and optionally field, part, residue and others of `numbers`.
    problems : list of Problem
    numbers : sequence of str
        Columns that must be numbers.
    own : OwnTables, optional
        Tables of the user's own.
    lost : bool
        Whether a yield of 0 is one, of a crop that was lost; as a goal it is none.

    Returns
    -------
    DataFrame
        at, field, crop, part, yield_unit, baled, the numbers, pounds [lb/ac as sold] and residue [lb/ac], as
        far as there is no problem.
    """
    frame = frame.reset_index(drop=True)
    fields = pd.DataFrame({"at": np.arange(len(frame))})
    unnamed = pd.Series([f"row {i + 2}" for i in range(len(frame))], dtype=object)
    named = frame.get("field", unnamed).astype(object)
    fields["field"] = named.where(named.fillna("").astype(str).str.strip() != "", unnamed)
    fields["crop"] = _each(frame["crop"], partial(_known_crop, own=own), problems, "crop")
    fields["yield_unit"] = _each(frame["yield_unit"], _known_unit, problems, "yield_unit")
    written = frame[[c for c in ("area", "yield_goal", "residue") if c in frame]].to_numpy(object).ravel()
    style = number_style([cell for cell in written if isinstance(cell, str)])
    residue = frame.get("residue", pd.Series("kept", index=frame.index)).astype(object)
    fields["baled"] = _each(residue, lambda cell: residue_share(_share(cell, style)), problems, "residue")
    for column in numbers:
        fields[column] = _numbers(frame[column], column, style, problems, lost and column == "yield_goal")
    if not problems:
        fields["part"] = _parts(fields["crop"], frame.get("part"), problems, own)
    if not problems:
        problems += _yield_problems(fields)
        for crop, group in fields.groupby("crop"):
            fields.loc[group.index, "residue"] = residue_lb_ac(crop, group["pounds"])
    return fields


def _each(column, read, problems, name):
    """Read a column by its distinct values, noting each row that cannot be read."""
    column = column.astype(object).where(column.notna(), "")
    answers, wrong = {}, {}
    for value in column.unique():
        try:
            answers[value] = read(value)
        except InputError as error:
            wrong[value] = error.problems[0]
        except FertkitError as error:
            wrong[value] = error.problem()
    for i in column.index[column.isin(list(wrong))]:
        problems.append(replace(wrong[column[i]], row=i + 2, column=name, value=column[i]))
    return column.map(answers)


def _known_crop(text, own):
    try:
        crop = own.crop_name(text)
    except LookupFailed as error:
        if not (grown := leaf_crop(str(text))):
            raise
        remedy = f"write {grown} as the crop, and what is harvested, such as silage, in a column 'Part'"
        raise LookupFailed(error.what, remedy=remedy) from None
    parts_of(crop, own)
    return crop


def _parts(crops, said, problems, own):
    """What is harvested of each row: as said, the usual part of the crop where nothing is."""
    said = pd.Series("", index=crops.index) if said is None else said.map(text_of).str.lower()
    known, parts = {crop: parts_of(crop, own) for crop in crops.unique()}, []
    for i, (crop, text) in enumerate(zip(crops, said, strict=True)):
        if text and text not in known[crop]:
            problems.append(
                replace(unknown(f"part of {crop}", text, known[crop]).problem(), row=i + 2, column="part")
            )
        parts.append(text or known[crop][0])
    return parts


def is_usual(fields, own=NO_TABLES) -> pd.Series:
    """Whether what is harvested of each row is the usual part of its crop."""
    return fields["part"] == fields["crop"].map(
        {crop: parts_of(crop, own)[0] for crop in fields["crop"].unique()}
    )


def _known_unit(text):
    known = yield_unit(text)
    if known not in YIELD_UNITS and not debagged(known)[1]:
        no_bags(text)
        raise UnitError("unknown unit", remedy=one_of(YIELD_UNITS))
    return known


def _number(cell, style, otherwise=np.nan):
    """A cell as a number by the decimal mark of the table; `otherwise` if it is none."""
    if not isinstance(cell, str):
        return otherwise if isinstance(cell, bool) else cell
    reading = read_number(cell, style)
    plain = not (reading.problem or reading.censored or reading.unit) and np.isfinite(reading.value)
    return reading.value if plain else otherwise


def _share(cell, style):
    """A cell of residue as a share or 'kept'; as it is where it is neither, or its percent looks a share."""
    text = "" if pd.isna(cell) else str(cell).strip()
    if not text.endswith("%"):
        return _number(cell, style, cell) if text else "kept"
    percent = _number(text.removesuffix("%").strip(), style)
    return percent / 100 if percent == 0 or percent > 1 else cell


def _numbers(column, name, style, problems, zero):
    cells = column.map(lambda cell: _number(cell, style))
    numbers = pd.to_numeric(cells, errors="coerce").astype(float)
    wrong = ~np.isfinite(numbers) | (numbers < 0) | ((numbers == 0) & (not zero))
    remedy = "write a number, 0 or more" if zero else "write a number above 0"
    for i in column.index[wrong]:
        problems.append(Problem(f"not a usable {name.replace('_', ' ')}", remedy, i + 2, name, column[i]))
    return numbers


def _yield_problems(fields):
    fields["pounds"] = np.nan
    for (crop, part, unit), group in fields.groupby(["crop", "part", "yield_unit"], sort=False):
        try:
            factor = lb_ac_per(goal_unit(crop, unit, part), crop)
        except UnitError as error:
            for i in group.index:
                yield replace(error.problem(), row=i + 2, column="yield_unit", value=unit)
            continue
        pounds = group["yield_goal"] * factor
        fields.loc[group.index, "pounds"] = pounds
        for i in group.index[above(pounds, highest_lb_ac(crop, part))]:
            yield Problem(*beyond(crop, unit, part), i + 2, "yield_goal", f"{group['yield_goal'][i]:g}")
