"""What a user says of each nutrient on each field: policies, caps, credits, trials; all problems at once."""

import re
from dataclasses import dataclass
from functools import cache, partial
from itertools import pairwise
from numbers import Real

import numpy as np
import pandas as pd

from fertkit.asked import columned
from fertkit.budget.soil_reckon import rate_plans
from fertkit.budget.thresholds import OXIDE
from fertkit.errors import InputError, Problem, missing_columns, one_of
from fertkit.reference.crops import base_crop, crop_name, is_known
from fertkit.reference.load import load_table
from fertkit.reference.nutrients import OF_PRODUCTS
from fertkit.reference.own import NO_TABLES
from fertkit.units import from_element

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
    frame, problems = pd.DataFrame([dict(given)]) if whole else columned(given), []
    written = {NAMES.get(str(column).strip().casefold(), column): column for column in frame}
    for column in set(frame) - set(written.values()):
        problems.append(Problem("the same nutrient or key twice", "keep one", column=column))
    frame = frame[[*written.values()]].set_axis([*written], axis=1)
    for column in frame:
        if column not in (*OF_PRODUCTS, *KEYS):
            known = one_of((*OF_PRODUCTS, *KEYS))
            problems.append(Problem("not a nutrient of a plan", known, column=column))
    for line, record, fits in lines_of(frame, rows, problems):
        named = bool(word_of(record.get("field")) or word_of(record.get("crop")))
        for nutrient in OF_PRODUCTS:
            if word_of(record.get(nutrient)):
                cell, place = record[nutrient], (None if whole else line, written[nutrient])
                value = read(cell, named, problems, place)
                problems += _element(written[nutrient], [_number(word_of(cell))], *place, cell)
                for i in fits:
                    told[i][nutrient] = value
    if problems:
        raise InputError(table, problems)
    return told


def _element(name, amounts, line, column, cell):
    """Refuse an amount of P or K, which may be one of the element or of the oxide that is sold."""
    element = str(name).strip().upper()
    if element in OXIDE and any(amount > 0 for amount in amounts):
        oxide, factor = OXIDE[element], from_element(1.0, OXIDE[element])
        what = f"an amount of {element} may be one of {element} or of {oxide}"
        yield Problem(what, f"write it as {oxide}: {factor:.4g} times the {element}", line, column, cell)


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


# ---- credits and own trials, and what they leave of a rate

KINDS_OF_CREDIT = ("manure", "earlier manure", "legume", "soil nitrate", "water nitrate", "starter")
#: Credits that an own trial leaves open.
OPEN = ("manure", "earlier manure", "starter", "water nitrate")
ABOUT = ("kind", "low_lb_ac", "high_lb_ac", "source_key", "provenance", "note")


def checked_credits(given, rows):
    """Credits by the row of the fields and the nutrient; nothing half-read."""
    credits, problems = {}, []
    for line, record, fits in _read(given, rows, problems, ("low_lb_ac", "high_lb_ac"), ("kind",)):
        if record["kind"] not in KINDS_OF_CREDIT:
            remedy = one_of(KINDS_OF_CREDIT)
            problems.append(Problem("not a kind of credit", remedy, line, "kind", record["kind"]))
        for i in fits:
            credits.setdefault((i, record["nutrient"]), []).append(record)
    if problems:
        raise InputError("credits", problems)
    return credits


def checked_trials(given, rows, per=1.0):
    """Own optimum rates by the row of the fields and the nutrient, of the field itself before all fields.

    `per` is lb/ac in a unit of the rates.
    """
    trials, problems = {}, []
    for line, record, fits in _read(given, rows, problems, ("low", "rate", "high")):
        if not word_of(record.get("crop")) and len(set(rows["crop"].iloc[fits])) > 1:
            what = "the fields have several crops and the trial names none"
            problems.append(Problem(what, "fill in a column crop", line, "crop"))
        record |= {name: record[name] * per for name in ("low", "rate", "high")}
        record["source_key"] = word_of(record.get("source_key")) or "own trial"
        record["own"] = bool(word_of(record.get("field")))
        if isinstance(record.get("curve"), str):
            record["curve"] = _points(record["curve"], line, problems)
        for i in fits:
            before = trials.setdefault((i, record["nutrient"]), record)
            if before is not record and before["own"] == record["own"]:
                problems.append(Problem("a second trial of the same field", "keep one", line, "nutrient"))
                break
            if record["own"]:
                trials[i, record["nutrient"]] = record
    if problems:
        raise InputError("own trials", problems)
    return trials


def _points(text, line, problems):
    """Pairs of rate and gain of a curve as text: "0 0; 50 80.5; 100 121"."""
    pairs = [pair.split() for pair in text.split(";") if pair.strip()]
    try:
        return [(float(rate), float(gain)) for rate, gain in pairs]
    except ValueError:
        remedy = "write pairs of rate and gain, such as 0 0; 50 80"
        problems.append(Problem("not a curve", remedy, line, "curve", text))
        return None


def _read(given, rows, problems, ends, words=()):
    """Lines of a table with their fields; its nutrients named, its numbers not negative and in order."""
    if given is None:
        return
    frame, needed = columned(given).reset_index(drop=True), ("nutrient", *words, *ends)
    problems += (missing := missing_columns(frame, needed))
    for line, record, fits in lines_of(frame, rows, problems) if not missing else ():
        nutrient, record["nutrient"] = record["nutrient"], NAMES.get(word_of(record["nutrient"]).casefold())
        if record["nutrient"] not in OF_PRODUCTS:
            known = one_of(OF_PRODUCTS)
            problems.append(Problem("not a nutrient of a plan", known, line, "nutrient", nutrient))
        numbers = [float(pd.to_numeric(record[name], errors="coerce")) for name in ends]
        problems += _element(nutrient, numbers, line, "nutrient", nutrient)
        for name, number in zip(ends, numbers, strict=True):
            if not (np.isfinite(number) and number >= 0):
                problems.append(Problem("not a rate", "write 0 or more lb/ac", line, name, record[name]))
        if any(high < low for low, high in pairwise(numbers)):
            what = f"{', '.join(ends)} are not in order"
            problems.append(Problem(what, "write the lowest first", line, ends[0], record[ends[0]]))
        yield line, record | dict(zip(ends, numbers, strict=True)), fits


def credited(picks, rows, given, region, limits) -> list[dict]:
    """Set credit, cap and rate of every pick; give one record a credit."""
    taken, previous = [], rows["previous_crop"].tolist()
    for pick in picks:
        at, nutrient, left = pick["at"], pick["nutrient"], pick["gross"]
        credits, low, high = given.get((at, nutrient), []), 0.0, 0.0
        if nutrient == "N" and not any(one["kind"] == "legume" for one in credits):
            credits = [*credits, *_legume(previous[at], pick["region"] or region)]
        for one in credits:
            middle, why_not = (one["low_lb_ac"] + one["high_lb_ac"]) / 2, _closed(pick, one["kind"])
            part = 0.0 if why_not else min(middle, left)
            left -= part
            if not why_not:
                low, high = low + one["low_lb_ac"], high + one["high_lb_ac"]
            about = {name: one.get(name, "") for name in ABOUT}
            about["total_lb_ac"] = one.get("total_lb_ac", middle)
            taken.append({"at": at, "nutrient": nutrient, "credit_lb_ac": middle, "taken_lb_ac": part,
                          "why_not": why_not} | about)  # fmt: skip
        cap = limits[at].get(nutrient, np.nan)
        pick |= {"credit": pick["gross"] - left, "cap": cap, "rate": np.fmin(left, cap)}
        for end, off in (("low", high), ("high", low)):
            pick[end] = np.fmin(max(pick[end] - off, 0.0), cap) if end in pick else np.nan
    return taken


def _closed(pick, kind):
    """Why a credit is not taken off; '' where it is."""
    if pick["policy"] in ("none", "fixed"):
        return "your rate is used as entered"
    if pick["policy"] == "trial" and kind not in OPEN:
        return "already in the trial"
    if pick["system"] and kind == "soil nitrate":
        return "already in the equation"
    return ""


def _legume(previous, region):
    """The published credit of a legume before, of the state whose system gives the rate."""
    if not previous or not is_known(previous):
        return ()
    return _book_credit(base_crop(previous), tuple((region or "").split(";")))


@cache
def _book_credit(crop, states):
    table = load_table("legume_credits")
    rows = table[(table["previous_crop"] == crop) & table["region"].isin(states)]
    if rows.empty:
        return ()
    keys, marks = (";".join(rows[name].unique()) for name in ("source_key", "provenance"))
    span = {"low_lb_ac": rows["low"].min(), "high_lb_ac": rows["high"].max()}
    note = "; ".join(filter(None, rows["condition"]))
    return ({"kind": "legume", "source_key": keys, "provenance": marks, "note": note} | span,)
