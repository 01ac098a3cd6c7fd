"""What a user wants of each nutrient on each field: words, numbers and caps, all problems at once."""

import re
from dataclasses import dataclass
from functools import partial
from numbers import Real

import numpy as np
import pandas as pd

from fertkit.budget.soil_reckon import rate_plans
from fertkit.budget.thresholds import OXIDE
from fertkit.errors import InputError, Problem
from fertkit.reference.crops import crop_name, is_known
from fertkit.reference.nutrients import OF_PRODUCTS
from fertkit.reference.own import NO_TABLES

#: What a nutrient may follow; a system's name and a number [lb/ac] are policies too.
KINDS = ("sufficiency", "build", "removal", "trial", "none", "fixed", "system")
#: Columns by which a table of policies or caps chooses rows; a blank or absent one chooses all.
KEYS = ("field", "zone", "year", "crop")
#: Names of columns as a user may write them, P and K for the oxides.
NAMES = {name.casefold(): name for name in (*OF_PRODUCTS, *KEYS)} | {
    element.casefold(): oxide for element, oxide in OXIDE.items()
}


@dataclass(frozen=True, slots=True)
class Policy:
    """What one nutrient of one field follows.

    Attributes
    ----------
    kind : str
        One of `KINDS`; "" where nothing is said.
    years : float
        Years of build-up; NaN for the system's own.
    rate_lb_ac : float
        Of a fixed rate.
    system : str
    named : bool
        Whether the field or the crop was named with it.
    """

    kind: str = ""
    years: float = np.nan
    rate_lb_ac: float = np.nan
    system: str = ""
    named: bool = False


def policies(given, rows: pd.DataFrame, own=NO_TABLES, per: float = 1.0) -> list[dict[str, Policy]]:
    """Read policies: for each row, nutrient -> `Policy`; nothing for a nutrient of which nothing is said.

    Parameters
    ----------
    given : dict, DataFrame or None
        Nutrient -> policy; or rows with a column for each nutrient and any of `KEYS`; the last that fits
        holds.
    rows : DataFrame
        The columns of `KEYS`.
    own : OwnTables, optional
        Whose systems may be named too.
    per : float
        lb/ac in a unit of the rates.

    Raises
    ------
    InputError
        With every policy, nutrient and name that cannot be read.
    """
    return _spread(given, rows, "policy", partial(_policy, systems=rate_plans(own), per=per))


def caps_of(given, rows: pd.DataFrame, per: float = 1.0) -> list[dict[str, float]]:
    """Read caps in the same shape as `policies` [lb/ac]."""
    return _spread(given, rows, "caps", partial(_cap, per=per))


def _spread(given, rows, table, read):
    told = [{} for _ in range(len(rows))]
    if given is None:
        return told
    whole = not isinstance(given, pd.DataFrame)
    frame, problems = pd.DataFrame([dict(given)]) if whole else given, []
    frame = frame.rename(columns=lambda column: NAMES.get(str(column).strip().casefold(), column))
    for column in frame:
        if column not in (*OF_PRODUCTS, *KEYS):
            known = f"use one of: {', '.join((*OF_PRODUCTS, *KEYS))}"
            problems.append(Problem("not a nutrient of a plan", known, column=column))
    for line, record, fits in lines_of(frame, rows, problems):
        named = bool(word_of(record.get("field")) or word_of(record.get("crop")))
        for nutrient in OF_PRODUCTS:
            if word_of(record.get(nutrient)):
                value = read(record[nutrient], named, problems, (None if whole else line, nutrient))
                for i in fits:
                    told[i][nutrient] = value
    if problems:
        raise InputError(table, problems)
    return told


def lines_of(frame: pd.DataFrame, rows: pd.DataFrame, problems: list):
    """Give each line of a table, as it counts in a file, with the positions of the fields it speaks of.

    A line speaks of the fields that agree with it in every one of `KEYS` that is filled; a name that no field
    has is a problem, but for crops that the kit knows.
    """
    keys = [name for name in KEYS if name in frame]
    of_rows = {name: rows[name].map(word_of).to_numpy() for name in keys}
    for line, record in enumerate(frame.to_dict("records"), start=2):
        fits = np.ones(len(rows), bool)
        for name in keys:
            word = word_of(record[name])
            known = name == "crop" and word and is_known(word)  # a crop not grown this time
            word = crop_name(word) if known else word
            if word and not known and not (of_rows[name] == word).any():
                what = f"no field of the plan has this {name}"
                problems.append(
                    Problem(
                        what, "write it as in the fields, or leave it blank for all", line, name, record[name]
                    )
                )
            fits &= (of_rows[name] == word) | (word == "")
        yield line, record, np.flatnonzero(fits)


def word_of(value) -> str:
    """A cell as a word; '' where it is blank, a whole number without its point."""
    if value is None or value is pd.NA or value != value:
        return ""
    if isinstance(value, Real) and not isinstance(value, bool | np.bool_):
        return str(int(value)) if float(value).is_integer() else f"{value:.12g}"
    return str(value).strip()


def _policy(value, named, problems, place, systems, per):
    text = word_of(value).casefold().replace(" ", "_")
    build = re.fullmatch(r"build(?:[_-]and[_-]maintain)?_?(?:over_)?(\d*)(?:_years?)?", text)
    if build:
        years = float(build[1]) if build[1] else np.nan
        if not years < 1:
            return Policy("build", years=years, named=named)
    elif text in ("sufficiency", "removal", "trial", "none"):
        return Policy(text, named=named)
    elif text in systems:
        return Policy("system", system=text, named=named)
    number = _number(text)
    if np.isfinite(number) and number >= 0:
        return Policy("fixed", rate_lb_ac=number * per, named=named)
    remedy = (
        "write sufficiency, build, build 6 (years), removal, trial, none, a rate, or the name of a "
        f"system: {', '.join(systems)}"
    )
    problems.append(Problem("not a policy", remedy, *place, value))
    return Policy()


def _cap(value, named, problems, place, per):
    number = _number(word_of(value))
    if not (np.isfinite(number) and number >= 0):
        problems.append(Problem("not a cap", "write a rate, 0 or more", *place, value))
    return number * per


def _number(text):
    try:
        return float(text)
    except ValueError:
        return np.nan
