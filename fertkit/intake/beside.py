"""Numbers that stand beside the results of a leaf file: yields, biomass."""

import re

import numpy as np
import pandas as pd

from fertkit.errors import InputError, Problem, unknown
from fertkit.intake.leaf import TissueSamples
from fertkit.intake.numbers import read_typed
from fertkit.intake.spellings import plain, spellings
from fertkit.intake.units import area_unit
from fertkit.units import convert_area_rate


def column_named(others: pd.DataFrame, words) -> str | None:
    """Name of the first column whose header is one of some words, units and marks left out."""
    bare = {name: re.sub(r"[(\[].*", "", plain(name)).strip(" :._") for name in others}
    return next((name for name, text in bare.items() if text in words), None)


def numbers_beside(samples: TissueSamples, column: str) -> pd.Series:
    """Numbers of a column of the file by specimen, NaN where it is blank.

    Raises
    ------
    LookupFailed
        If the file has no such column; lists those it has.
    InputError
        If a cell is no number.
    """
    others = samples.others.set_index("specimen").drop(columns="sample_id")
    name = next((one for one in others if plain(one) == plain(column)), None)
    if name is None:
        raise unknown("column beside the results", column, list(others))
    rows = samples.table.drop_duplicates("specimen").set_index("specimen")["row"]
    numbers, problems = {}, []
    for specimen, cell in others[name].fillna("").astype(str).items():
        try:
            numbers[specimen] = read_typed(cell) if cell.strip() else np.nan
        except ValueError:
            place = rows.get(specimen)
            problems.append(Problem("not a number", "write one, or leave it blank", place, name, cell))
    if problems:
        raise InputError(samples.name, problems)
    return pd.Series(numbers, name=name, dtype=float)


def biomass_of(samples: TissueSamples) -> pd.Series:
    """Dry matter of the shoots by specimen [t/ha], from the column of the file that gives it.

    Raises
    ------
    InputError
        If no column gives it, or its header names no unit.
    """
    name = column_named(samples.others, spellings("biomass"))
    if name is None:
        remedy = "add a column such as 'Biomass (t/ha)': dry matter of whole shoots at sampling"
        raise InputError(samples.name, [Problem("no column of shoot dry matter", remedy)])
    unit = area_unit(name)
    if not unit:
        remedy = "write it in the header, such as 'Biomass (t/ha)' or 'Biomass (lb/ac)'"
        raise InputError(samples.name, [Problem("shoot dry matter without a unit", remedy, column=name)])
    return convert_area_rate(numbers_beside(samples, name), unit, "t/ha")
