"""Read a table of fields: columns that carry their units, or units said once; every problem at once."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.budget.rates import parts_of, residue_lb_ac
from fertkit.budget.yields import YIELD_UNITS, beyond, highest_lb_ac, lb_ac_per, refuse, yield_unit
from fertkit.errors import FertkitError, InputError, Problem, UnitError
from fertkit.intake.numbers import number_style, read_number
from fertkit.reference.crops import crop_name
from fertkit.reference.text_tables import read_text_table
from fertkit.rounding import above
from fertkit.units import ACRE_HA

TABLE = "farm table"
AREA_UNITS = {"ac": 1.0, "ha": 1 / ACRE_HA}
REQUIRED = ("crop", "area", "yield_goal")


def read_fields(source, area_unit=None, goal_unit=None) -> tuple[pd.DataFrame, str]:
    """Check a table of fields.

    Parameters
    ----------
    source : path or DataFrame
        See `fertkit.budget.farm_budget`.
    area_unit, goal_unit : str, optional
        Units of columns that do not carry theirs.

    Returns
    -------
    fields : DataFrame
        as `checked_rows` gives them, with area.
    area_unit : str

    Raises
    ------
    InputError
        With every problem of the table.
    """
    name = TABLE if isinstance(source, pd.DataFrame) else Path(source).name
    raw = source if isinstance(source, pd.DataFrame) else read_text_table(source)
    problems: list[Problem] = []
    frame, area_unit = _named(raw, area_unit, goal_unit, problems)
    if problems or frame.empty:
        raise InputError(name, problems or [Problem("the table has no rows", "fill in at least one field")])
    fields = checked_rows(frame, problems, ("area", "yield_goal"))
    if problems:
        raise InputError(name, sorted(problems, key=lambda p: p.row or 0))
    return fields, area_unit


def checked_rows(frame, problems: list, numbers=("yield_goal",)) -> pd.DataFrame:
    """Check fields of any table, whose columns have plain names, adding to the problems what cannot be read.

    Parameters
    ----------
    frame : DataFrame
        crop, yield_goal, yield_unit and optionally field, residue and others of `numbers`.
    problems : list of Problem
    numbers : sequence of str
        Columns that must be numbers.

    Returns
    -------
    DataFrame
        at, field, crop, part, yield_unit, baled, the numbers, pounds [lb/ac as sold] and residue [lb/ac], as
        far as there is no problem.
    """
    frame = frame.reset_index(drop=True)
    fields = pd.DataFrame({"at": np.arange(len(frame))})
    fields["field"] = frame["field"] if "field" in frame else [f"row {i + 2}" for i in range(len(frame))]
    fields["crop"] = _each(frame["crop"], _known_crop, problems, "crop")
    fields["yield_unit"] = _each(frame["yield_unit"], _known_unit, problems, "yield_unit")
    written = frame[[c for c in ("area", "yield_goal", "residue") if c in frame]].to_numpy(object).ravel()
    style = number_style([cell for cell in written if isinstance(cell, str)])
    residue = frame["residue"] if "residue" in frame else pd.Series("kept", index=frame.index)
    residue = residue.map(lambda cell: _number(cell, style, cell))
    fields["baled"] = _each(residue, residue_share, problems, "residue")
    for column in numbers:
        fields[column] = _numbers(frame[column], column, style, problems)
    if not problems:
        problems += _yield_problems(fields)
        fields["part"] = fields["crop"].map(lambda crop: parts_of(crop)[0])
        for crop, group in fields.groupby("crop"):
            fields.loc[group.index, "residue"] = residue_lb_ac(crop, group["pounds"])
    return fields


def _named(raw, area_unit, goal_unit, problems):
    """The table under plain names, with its units; a column without a unit is a question, not a guess."""
    names = {column: re.sub(r"[\s/()\[\]]+", "_", str(column).strip().lower()).strip("_") for column in raw}
    alike = {}
    for column in raw:
        alike.setdefault(names[column], []).append(f"'{column}'")
    for name, same in alike.items():
        if len(same) > 1:
            what = f"several columns give the {name.replace('_', ' ')}: {', '.join(same)}"
            problems.append(Problem(what, "keep one, or rename the others"))
    if problems:
        return raw, area_unit
    frame = raw.rename(columns=names)
    areas = {f"area_{unit}": unit for unit in AREA_UNITS} | {"acres": "ac", "hectares": "ha"}
    goals = {f"yield_goal_{unit.replace('/', '_').lower()}": unit for unit in YIELD_UNITS}
    read = {*REQUIRED, "field", "residue", "yield_unit", *areas, *goals}
    frame = frame[[column for column in frame if column in read]]
    for wanted, table in (("area", areas), ("yield_goal", goals)):
        held = [column for column in frame if column in table]
        if len(held) + (wanted in frame) > 1:
            what = f"several columns give the {wanted.replace('_', ' ')}"
            problems.append(Problem(what, "keep one", column=held[0]))
        elif held:
            frame = frame.rename(columns={held[0]: wanted})
            if wanted == "area":
                area_unit = table[held[0]]
            else:
                frame["yield_unit"] = table[held[0]]
    for column in REQUIRED:
        if column not in frame:
            remedy = f"add it; needed are: {', '.join(REQUIRED)}"
            problems.append(Problem("column is missing", remedy, column=column))
    if "area" in frame and area_unit is None:
        remedy, in_code = "name the column area_ac or area_ha", "area_unit='ac' or 'ha'"
        problems.append(Problem("the area states no unit", remedy, column="area", in_code=in_code))
    if "yield_goal" in frame and "yield_unit" not in frame:
        if goal_unit is None:
            remedy = "name the column like yield_goal_bu_ac or yield_goal_t_ha, or add a column yield_unit"
            problems.append(Problem("the yield goal states no unit", remedy, column="yield_goal"))
        frame["yield_unit"] = goal_unit or ""
    return frame, area_unit


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


def _known_crop(text):
    crop = crop_name(text)
    parts_of(crop)
    return crop


def _known_unit(text):
    known = yield_unit(text)
    if known not in YIELD_UNITS:
        raise UnitError("unknown unit", remedy=f"use one of: {', '.join(YIELD_UNITS)}")
    return known


def _number(cell, style, otherwise=np.nan):
    """A cell as a number by the decimal mark of the table; `otherwise` if it is none."""
    if not isinstance(cell, str):
        return cell
    reading = read_number(cell, style)
    plain = not (reading.problem or reading.censored or reading.unit) and np.isfinite(reading.value)
    return reading.value if plain else otherwise


def _numbers(column, name, style, problems):
    cells = column.map(lambda cell: _number(cell, style))
    numbers = pd.to_numeric(cells, errors="coerce").astype(float)
    wrong = ~np.isfinite(numbers) | (numbers < 0) | ((numbers == 0) & (name == "area"))
    remedy = "write a number above 0" if name == "area" else "write a number, 0 or more"
    for i in column.index[wrong]:
        problems.append(Problem(f"not a usable {name.replace('_', ' ')}", remedy, i + 2, name, column[i]))
    return numbers


def _yield_problems(fields):
    fields["pounds"] = np.nan
    for (crop, unit), group in fields.groupby(["crop", "yield_unit"], sort=False):
        try:
            factor = lb_ac_per(unit, crop)
        except UnitError as error:
            for i in group.index:
                yield Problem(str(error), "use a unit of weight per area", i + 2, "yield_unit", unit)
            continue
        pounds = group["yield_goal"] * factor
        fields.loc[group.index, "pounds"] = pounds
        for i in group.index[above(pounds, highest_lb_ac(crop))]:
            yield Problem(*beyond(crop, unit), i + 2, "yield_goal", f"{group['yield_goal'][i]:g}")


def residue_share(residue) -> float:
    """Read what happens to straw or stover: 'kept' or the share baled [0-1].

    Raises
    ------
    InputError
        If it is neither.
    """
    if isinstance(residue, str) and residue.strip().lower() == "kept":
        return 0.0
    try:
        share = float(residue)
    except (TypeError, ValueError):
        share = np.nan
    if not 0 <= share <= 1:
        raise refuse(
            "nutrient budget",
            "neither 'kept' nor a share",
            "write kept, or the share baled from 0 to 1",
            column="residue",
            value=residue,
        )
    return share
