"""Numbers of soil tests: read, brought to one unit, and asked about where no soil holds as much."""

import re
from dataclasses import replace

import numpy as np

from fertkit.errors import LookupFailed
from fertkit.intake.numbers import Reading, read_number, settle_codes
from fertkit.intake.soil_headers import BASES, analytes, soil_unit, units_of
from fertkit.intake.spellings import is_no_result, is_rating, listed, problem
from fertkit.reference.load import load_table
from fertkit.results import plain as number
from fertkit.rounding import above
from fertkit.tables import text_of
from fertkit.units import ATOMIC_WEIGHT, convert_area_rate, element_fraction

_ALIKE = 0.02  # relative difference that rounding of two printed units can make
_FURROW_SLICE_IN = (6, 7)
_MOST_NOTES = 25


def read_numbers(table, style, problems):
    """Read every cell, in place: value, censored, flag and the unit that stands in it."""
    readings = [_reading(cell, unit, style) for cell, unit in zip(table["cell"], table["unit"], strict=True)]
    for (analyte, _), of in table.groupby(["analyte", "column"], sort=False).groups.items():
        at = table.index.get_indexer(of)
        most = analytes().loc[analyte, "most"]
        settled = settle_codes([readings[k][0] for k in at], lambda value, most=most: value <= most)
        for k, reading in zip(at, settled, strict=True):
            readings[k] = reading, readings[k][1]
    places = zip(table["cell"], table["row"], table["column"], strict=True)
    for k, (cell, row, column) in enumerate(places):
        reading = readings[k][0]
        if reading.problem == "not a number" and (is_rating(cell) or is_no_result(cell)):
            readings[k] = Reading(flag=text_of(cell)), ""
        elif reading.problem:
            mark = "decimal mark" in reading.problem or "mixes" in reading.problem
            key = "two decimal marks" if mark else "no soil result"
            problems.append(problem(key, int(row), column, str(cell), what=reading.problem))
    table["value"] = np.array([r.value for r, _ in readings], float)
    table["censored"] = [r.censored for r, _ in readings]
    table["flag"] = [
        "; ".join(filter(None, (r.flag, f))) for (r, _), f in zip(readings, table["flag"], strict=True)
    ]
    table["in_cell"] = [unit for _, unit in readings]


def _reading(cell, unit, style):
    """(Reading, unit in the cell) of a raw cell; of an index the sign behind it is a mark."""
    if not isinstance(cell, str):
        return read_number(cell, style), ""
    hit = re.fullmatch(r"(?P<number>[<>]?\s*[\d.,]+)\s*(?P<tail>[^\d\s.,].*)", cell.strip())
    if hit and unit == "index" and hit["tail"] in "+-":
        return replace(read_number(hit["number"], style), flag=cell.strip()), ""
    if hit and soil_unit(hit["tail"]):
        return read_number(hit["number"], style), soil_unit(hit["tail"])
    return read_number(cell, style), ""


def settle_units(table, given, problems, report):
    """Bring each result to the unit its analyte is known in, in place; what cannot be is asked about."""
    if strange := sorted(set(given) - {"", "depth", *analytes().index}):
        raise LookupFailed(f"units are given for {', '.join(strange)}, not soil tests")
    alike = ["analyte", "unit", "in_cell", "column", "compound", "top_in", "depth_in"]
    asked, values, units = [], table["value"].copy(), table["unit"].copy()
    for (analyte, *stated, column, compound, top, depth), rows in table.groupby(
        alike, sort=False, dropna=False
    ):
        own = analytes().loc[analyte, "unit"]
        stated = {*stated} - {""}
        unit = _unit_of(analyte, own, stated, given)
        if analyte in given and stated - {unit}:
            said = f"{unit} as the user vouches; the file says {' and '.join(sorted(stated))}"
            report.append(("inferred", f"unit of '{column}'", said, None))
        blanks = {"analyte": analyte, "unit": own, "units": ", ".join(units_of(analyte))}
        if unit is None:
            asked.append(problem("two units", column=column, nutrient=analyte))
        elif own and not unit and rows["value"].notna().any():
            asked.append(problem("soil unit missing", column=column, **blanks))
        elif own and unit and unit not in units_of(analyte):
            asked.append(problem("not a soil unit", column=column, stated=unit, **blanks))
        elif own and unit:
            values[rows.index], unit, how = converted(rows["value"], analyte, unit, compound, top, depth)
            what = "kept" if unit == "lb/ac" else "converted"
            report += [(what, f"{analyte} of '{column}'", "; ".join(how), None)] * bool(how)
        units[rows.index] = unit if own else ""
    table["value"], table["unit"] = values, units
    problems += dict.fromkeys(asked)


def _unit_of(analyte, own, stated, given):
    """The unit that the caller vouches for, or the one that is stated; None of two, '' of none."""
    if vouched := soil_unit(given.get(analyte, "")):
        return vouched
    if not stated and own == "ppm":
        return soil_unit(given.get("", ""))
    return None if len(stated) > 1 else next(iter(stated), "")


def converted(value, analyte, unit, compound="", top_in=0.0, depth_in=np.nan):
    """Bring a soil test to its element and, where that can be done exactly, to the unit of its analyte.

    Pounds per acre become ppm for the layer of two million pounds alone, from the surface to 6 or 7 in;
    volumes of soil and indices stay.

    Returns
    -------
    value, unit
    how : list of str
        What was done.
    """
    how = []
    if compound and unit != "index":
        value = value * element_fraction(compound)
        how.append(f"{compound} to {analyte}")
    if unit == "kg/ha":
        value, unit = convert_area_rate(value, "kg/ha", "lb/ac"), "lb/ac"
        how.append("kg/ha to lb/ac")
    if unit == "lb/ac" and not (top_in == 0 and _FURROW_SLICE_IN[0] <= depth_in <= _FURROW_SLICE_IN[1]):
        return value, unit, [*how, "left in lb/ac; only a layer of 6 to 7 in counts as two million pounds"]
    factors = {
        "lb/ac": ("ppm", 1 / furrow_slice()["value"]), "mg/100 g": ("ppm", 10.0), "g/kg": ("%", 0.1),
    }  # fmt: skip
    if analyte in BASES:
        factors["meq/100 g"] = "ppm", 10 * ATOMIC_WEIGHT[analyte] / analytes().loc[analyte, "valence"]
    if unit in factors:
        to, factor = factors[unit]
        how.append(f"{unit} to {to}, times {factor:g}")
        value, unit = value * factor, to
    return value, unit, how


def furrow_slice():
    """Return the row of the constant that makes ppm of pounds in a layer of two million pounds."""
    return load_table("constants").set_index("item").loc["ppm_to_lb_per_ac"]


def ask_whether_real(table, problems, notes):
    """Ask about tests no soil has, and note rare ones, results of a rating alone and odd limits."""
    limits = analytes().loc[table["analyte"]].set_index(table.index)
    value = table["value"] / np.where(table["unit"] == "lb/ac", furrow_slice()["value"], 1.0)
    own = (table["unit"] == limits["unit"]) | table["unit"].isin(["lb/ac", "mg/l"])
    judged, below = table["value"].notna() & own, table["censored"] != "<"
    impossible = judged & ((value > limits["most"]) | ((value < limits["least"]) & below))
    unusual = judged & ~impossible & ((value > limits["high"]) | ((value < limits["low"]) & below))
    for key, rows, told in (
        ("impossible soil test", impossible, problems),
        ("unusual soil test", unusual, notes),
    ):
        for at, row in table[rows].head(_MOST_NOTES).iterrows():
            blanks = {end: f"{limits.loc[at, end]:g}" for end in ("least", "most")}
            blanks |= {"analyte": row["analyte"], "amount": f"{number(row['value'])} {row['unit']}".strip()}
            blanks["own"] = limits.loc[at, "unit"]
            told.append(problem(key, int(row["row"]), row["column"], text_of(row["cell"]), **blanks))
    for row in table[table["value"].isna()].head(_MOST_NOTES).itertuples():
        key = "rating alone" if row.censored == "" else "soil limit not given"
        blanks = {"analyte": row.analyte, "word": row.flag}
        notes.append(problem(key, int(row.row), row.column, row.flag, **blanks))


def without_copies(table, problems, report, notes):
    """Keep one of two columns or lines that say the same; ask about columns that do not."""
    keys = ["block", "line", "analyte", "extractant", "method", "top_in", "depth_in"]
    drop = []
    several = table[table["value"].notna()]
    several = several[several.duplicated(keys, keep=False)]
    for _, group in several.groupby(keys, sort=False, dropna=False):
        kept = group.sort_values("unit", key=lambda unit: unit != "ppm", kind="stable").iloc[0]
        for k, row in group.drop(kept.name).iterrows():
            if {row["unit"], kept["unit"]} & {"index", "mg/l"} and row["unit"] != kept["unit"]:
                continue
            alike = not above(abs(row["value"] - kept["value"]), _ALIKE * max(row["value"], kept["value"]))
            if alike or (row["unit"] == "lb/ac" != kept["unit"]):
                drop.append(k)
                same = f"the same test as '{kept['column']}'"
                report.append(("not used", f"column '{row['column']}'", same, None))
            else:
                blanks = {"analyte": row["analyte"], "first": kept["column"]}
                blanks["extractant"] = row["extractant"] or "no extractant"
                problems.append(problem("soil second column", int(row["row"]), row["column"], **blanks))
    table = table.drop(index=drop)
    sample = ["field", "zone", "sample", "sampled", "top_in", "depth_in", *keys[2:5], "unit"]
    named = table["sample"] != ""
    again = named & table.duplicated([*sample, "value", "censored"])
    lines = sorted(set(table.loc[again, "row"]) - set(table.loc[~again, "row"]))
    notes += [problem("soil line again", rows=listed(lines, 8))] * bool(lines)
    table = table[~table["row"].isin(lines)]
    twice = table[(table["sample"] != "") & table.duplicated(sample, keep=False)]
    if len(twice):
        names = listed(twice["sample"].unique(), 6)
        notes.append(problem("soil sample again", names=names))
    return table
