"""Tables of fields and seasons, whose columns carry units: read with every problem at once."""

import re
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.budget.rates import parts_of, residue_lb_ac
from fertkit.budget.yields import (
    AREA_UNITS,
    YIELD_UNITS,
    beyond,
    highest_lb_ac,
    lb_ac_per,
    residue_share,
    yield_unit,
)
from fertkit.errors import FertkitError, InputError, Problem, UnitError
from fertkit.intake.numbers import number_style, read_number
from fertkit.reference.own import NO_TABLES
from fertkit.reference.text_tables import read_text_table
from fertkit.rounding import above
from fertkit.units import convert_area_rate

TABLE = "farm table"
REQUIRED = ("crop", "area", "yield_goal")
#: Other names of the column residue, in plain words; those that end in percent hold percent.
RESIDUE = ("residue_baled", "residue_removed", "straw_baled", "straw_removed", "stover_baled",
           "stover_removed", "baled", "share_baled")  # fmt: skip
PERCENT = ("_%", "_pct", "_percent")

UNIT_OF = {"lb_ac": "lb/ac", "kg_ha": "kg/ha"}
#: Words and symbols by which a column seems to hold an amount of a nutrient; symbols only in front.
WORDS = {"p2o5", "k2o", "nitrogen", "phosphorus", "phosphate", "potassium", "potash", "sulfur", "sulphur",
         "calcium", "magnesium", "zinc", "boron"}  # fmt: skip
SYMBOLS = {"n", "p", "k", "s", "ca", "mg", "zn", "mn", "b", "fe", "cu"}
#: Words that make it a concentration, a test or a price instead.
NO_AMOUNT = {"ppm", "pct", "percent", "test", "price", "cost"}


def read_fields(source, area_unit=None, goal_unit=None, own=NO_TABLES) -> tuple[pd.DataFrame, str, tuple]:
    """Check a table of fields.

    Parameters
    ----------
    source : path or DataFrame
        See `fertkit.budget.farm_budget`.
    area_unit, goal_unit : str, optional
        Units of columns that do not carry theirs.
    own : OwnTables, optional
        Tables of the user's own.

    Returns
    -------
    fields : DataFrame
        as `checked_rows` gives them, with area.
    area_unit : str
    notes : tuple of str
        Columns that were not used.

    Raises
    ------
    InputError
        With every problem of the table.
    """
    name = TABLE if isinstance(source, pd.DataFrame) else Path(source).name
    raw = source if isinstance(source, pd.DataFrame) else read_text_table(source)
    problems: list[Problem] = []
    frame, area_unit, notes = _named(raw, area_unit, goal_unit, problems)
    if problems or frame.empty:
        raise InputError(name, problems or [Problem("the table has no rows", "fill in at least one field")])
    fields = checked_rows(frame, problems, ("area", "yield_goal"), own, lost=False)
    if problems:
        raise InputError(name, sorted(problems, key=lambda p: p.row or 0))
    return fields, area_unit, notes


def checked_rows(frame, problems: list, numbers=("yield_goal",), own=NO_TABLES, lost=True) -> pd.DataFrame:
    """Check fields of any table, whose columns have plain names, adding to the problems what cannot be read.

    Parameters
    ----------
    frame : DataFrame
        crop, yield_goal, yield_unit and optionally field, residue and others of `numbers`.
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
    residue = residue.map(partial(_share, style=style))
    fields["baled"] = _each(residue, residue_share, problems, "residue")
    for column in numbers:
        fields[column] = _numbers(frame[column], column, style, problems, lost and column == "yield_goal")
    if not problems:
        problems += _yield_problems(fields)
        fields["part"] = fields["crop"].map(lambda crop: parts_of(crop, own)[0])
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
        return raw, area_unit, ()
    frame = raw.rename(columns=names)
    shares = {f"{name}{end}": end for name in RESIDUE for end in ("", *PERCENT)}
    areas = {f"area_{unit}": unit for unit in AREA_UNITS} | {"acres": "ac", "hectares": "ha"}
    goals = {f"yield_goal_{unit.replace('/', '_').lower()}": unit for unit in YIELD_UNITS}
    read = {*REQUIRED, "field", "residue", "yield_unit", *areas, *goals, *shares}
    unused = [repr(str(column)) for column in raw if names[column] not in read]
    notes = (f"not used: column{'s' * (len(unused) > 1)} {', '.join(unused)}",) if unused else ()
    frame = frame[[column for column in frame if column in read]]
    for wanted, table in (("area", areas), ("yield_goal", goals), ("residue", shares)):
        named = [column for column in frame if column in {wanted, *table}]
        if len(named) > 1:
            same = ", ".join(repr(str(column)) for column in raw if names[column] in named)
            what = f"several columns give the {wanted.replace('_', ' ')}: {same}"
            problems.append(Problem(what, "keep one"))
        elif named and named[0] in table:
            frame = frame.rename(columns={named[0]: wanted})
            if wanted == "area":
                area_unit = table[named[0]]
            elif wanted == "yield_goal":
                frame["yield_unit"] = table[named[0]]
            else:
                percent = table[named[0]] in PERCENT
                frame["residue"] = frame["residue"].map(partial(_own_words, percent=percent)).astype(object)
    absent = [column for column in REQUIRED if column not in frame]
    if absent and not problems:
        what = f"no column of {', '.join(absent)}; the table has: {', '.join(map(repr, map(str, raw)))}"
        problems.append(Problem(what, f"add it; needed are: {', '.join(REQUIRED)}"))
    if "area" in frame and area_unit is None:
        remedy, in_code = "name the column area_ac or area_ha", "area_unit='ac' or 'ha'"
        problems.append(Problem("the area states no unit", remedy, column="area", in_code=in_code))
    if "yield_goal" in frame and "yield_unit" not in frame:
        if goal_unit is None:
            remedy = "name the column like yield_goal_bu_ac or yield_goal_t_ha, or add a column yield_unit"
            problems.append(Problem("the yield goal states no unit", remedy, column="yield_goal"))
        frame["yield_unit"] = goal_unit or ""
    return frame, area_unit, notes


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
    crop = own.crop_name(text)
    parts_of(crop, own)
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


def _share(cell, style):
    """A cell of residue as a share or 'kept'; as it is where it is neither, or its percent looks a share."""
    text = "" if pd.isna(cell) else str(cell).strip()
    if not text.endswith("%"):
        return _number(cell, style, cell) if text else "kept"
    percent = _number(text.removesuffix("%").strip(), style)
    return percent / 100 if percent == 0 or percent > 1 else cell


def _own_words(cell, percent):
    """A cell of a column of straw removed as one of residue: yes and no, and percent with its sign."""
    text = "" if pd.isna(cell) else str(cell).strip().lower()
    if text in ("yes", "no"):
        return {"yes": 1.0, "no": "kept"}[text]
    return f"{text}%" if percent and text not in ("", "kept") and not text.endswith("%") else cell


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


def applied_columns(rotation: pd.DataFrame, nutrients) -> tuple[dict, list[Problem]]:
    """Find the columns of what was applied.

    Parameters
    ----------
    rotation : DataFrame
    nutrients : sequence of str
        Those that are kept in the books (N, P2O5, K2O).

    Returns
    -------
    columns : dict
        Nutrient -> (column, unit), in the order of `nutrients`.
    problems : list of Problem
        Columns that seem to hold a nutrient but cannot be read, or hold one twice.
    """
    columns, problems = {}, []
    named = {f"{n.lower()}_{end}": (n, unit) for n in nutrients for end, unit in UNIT_OF.items()}
    for column in rotation.columns:
        if column in named:
            nutrient, unit = named[column]
            if nutrient in columns:
                twice = f"{nutrient} is also in {columns[nutrient][0]}"
                problems.append(Problem(twice, "keep one of the two", column=column))
            columns[nutrient] = (column, unit)
        elif _seems_applied(str(column)):
            remedy = f"name it one of: {', '.join(named)}; or leave it out"
            problems.append(Problem("a nutrient amount that cannot be read", remedy, column=column))
    return {n: columns[n] for n in nutrients if n in columns}, problems


def _seems_applied(column):
    words = re.findall(r"[a-z0-9]+", column.lower())
    if not words or NO_AMOUNT & set(words):
        return False
    return words[0] in SYMBOLS or bool(WORDS & set(words))


def applied_rates(rotation: pd.DataFrame, columns: dict, unit: str, problems: list) -> pd.DataFrame:
    """Read the rates of each nutrient [`unit`], adding a problem for every cell that is not one."""
    rates = {}
    for nutrient, (column, own) in columns.items():
        rate = pd.to_numeric(rotation[column], errors="coerce").astype(float)
        for i in rate.index[~(rate >= 0) | ~np.isfinite(rate)]:
            problems.append(
                Problem("not a rate", f"write 0 or more {own}", i + 2, column, rotation[column][i])
            )
        rates[nutrient] = rate if own == unit else convert_area_rate(rate, own, unit)
    return pd.DataFrame(rates, index=rotation.index)
