"""What stands against a rate: credits, own trials; each read with every problem at once."""

from functools import cache
from itertools import pairwise

import numpy as np
import pandas as pd

from fertkit.budget.policy import NAMES, lines_of, word_of
from fertkit.errors import InputError, Problem
from fertkit.reference.crops import base_crop, is_known
from fertkit.reference.load import load_table
from fertkit.reference.nutrients import OF_PRODUCTS

KINDS_OF_CREDIT = ("manure", "legume", "soil nitrate", "water nitrate", "starter")
#: Credits that an own trial leaves open.
OPEN = ("manure", "starter", "water nitrate")
ABOUT = ("kind", "low_lb_ac", "high_lb_ac", "source_key", "provenance", "note")


def checked_credits(given, rows):
    """Credits by the row of the fields and the nutrient; nothing half-read."""
    credits, problems = {}, []
    for line, record, fits in _read(given, rows, problems, ("low_lb_ac", "high_lb_ac"), ("kind",)):
        if record["kind"] not in KINDS_OF_CREDIT:
            remedy = f"use one of: {', '.join(KINDS_OF_CREDIT)}"
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
    frame, needed = given.reset_index(drop=True), ("nutrient", *words, *ends)
    missing = [name for name in needed if name not in frame]
    remedy = f"needed are {', '.join(needed)}"
    problems += [Problem("column is missing", remedy, column=name) for name in missing]
    for line, record, fits in lines_of(frame, rows, problems) if not missing else ():
        nutrient, record["nutrient"] = record["nutrient"], NAMES.get(word_of(record["nutrient"]).casefold())
        if record["nutrient"] not in OF_PRODUCTS:
            known = f"use one of: {', '.join(OF_PRODUCTS)}"
            problems.append(Problem("not a nutrient of a plan", known, line, "nutrient", nutrient))
        numbers = [float(pd.to_numeric(record[name], errors="coerce")) for name in ends]
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
        return "the rate is set"
    if pick["policy"] == "trial" and kind not in OPEN:
        return "in the trial"
    if pick["system"] and kind == "soil nitrate":
        return "in the equation"
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
