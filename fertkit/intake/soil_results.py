"""The results of a soil report, cell by cell: which test each is of, by which extractant, in one unit."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd

from fertkit.errors import LookupFailed, unknown
from fertkit.intake.headers import begins_with_nutrient
from fertkit.intake.leaf_tables import Block, Layout
from fertkit.intake.numbers import read_number, settle_results
from fertkit.intake.soil_headers import (
    BASES,
    analytes,
    extractant_of,
    read_soil_header,
    serves,
    soil_unit,
    units_of,
)
from fertkit.intake.spellings import listed, number_like, plain, problem, spellings
from fertkit.reference.load import load_table
from fertkit.results import plain as number
from fertkit.rounding import above
from fertkit.tables import text_of
from fertkit.units import ATOMIC_WEIGHT, convert_area_rate, element_fraction

#: Analytes whose rates hang on the extractant, with one of the trade as an example.
EXTRACTED = {"P": "Mehlich-3", "K": "Mehlich-3"}
_ALIKE = 0.02  # relative difference that rounding of two printed units can make
_FURROW_SLICE_IN = (6, 7)
_MOST_NOTES = 25
_ASIDE = {True: "set aside", False: "holds no value"}


def results_of(layout: Layout, problems, notes):
    """Collect the cells of all results of a sheet.

    Returns
    -------
    cells : DataFrame
        block, line, row, column, cell, flag, and what its header says: analyte, unit, compound, span,
        extractant, method.
    report : list of (what, item, detail, row)
        What was recognised and set aside. Problems and notes are added to `problems` and `notes`.
    """
    records, report = [], []
    for b, block in enumerate(layout.blocks):
        report.append(("recognised", "layout", f"{block.shape} table", None))
        records += (_long if block.shape == "long" else _wide)(b, block, problems, report)
        kinds = ("ratio", "limit", "unknown")
        for j in [*(j for kind in kinds for j in block.columns(kind)), *block.results]:
            label, filled = block.labels[j], any(block.cells[i][j] != "" for i in block.lines)
            missed = not filled and re.search(r"\d", label)  # a header with its value in one cell
            if missed or filled != block.headers[j].names_nutrient:
                report.append(("not used", f"column '{label}'", _ASIDE[filled], None))
            if filled and block.headers[j].kind == "unknown" and begins_with_nutrient(label):
                notes.append(problem("soil header not known", column=label))
    return pd.DataFrame(records), report


def _record(b, block, i, j, header, cell, flag):
    row, column = block.place(i, j)
    return {
        "block": b, "line": i, "row": row, "column": column, "cell": cell, "flag": flag,
        "analyte": header.name, "unit": header.unit, "compound": header.compound, "span": header.span,
        "extractant": header.extractant, "method": header.method,
    }  # fmt: skip


def _wide(b, block: Block, problems, report):
    for j in block.results:
        header, label = block.headers[j], block.labels[j]
        filled = [i for i in block.lines if block.cells[i][j] != ""]
        if header.unit == "%" and header.name in BASES:
            report.append(("not used", f"column '{label}'", "a share of the exchange capacity", None))
        elif header.complaint and filled:
            problems.append(_complaint(header, block.place(filled[0], j)[0] if block.turned else None, label))
        elif filled:
            report.append(("recognised", _test_name(header), f"column '{label}'", None))
            rated = _rating_of(block, j)
            for i in filled:
                flag = "" if rated is None else text_of(block.cells[i][rated])
                flag = flag or block.ratings.get((i, j), "")
                yield _record(b, block, i, j, header, block.cells[i][j], flag)


def _rating_of(block, j):
    """Column with the laboratory's ratings of a test: it names the test, or stands right of it."""
    own = block.headers[j]
    named = [
        k for k in block.columns("rating", own.name) if block.headers[k].extractant in ("", own.extractant)
    ]
    return next(iter([*named, *(k for k in block.columns("role", "flag") if k == j + 1)]), None)


def _long(b, block: Block, problems, report):
    at = {role: block.column(role) for role in ("analyte", "value", "unit", "flag", "method")}
    several = [block.labels[j] for j in block.columns("role", "value")]
    if len(several) > 1:
        problems.append(problem("several results", names=", ".join(several)))

    def said(i, role):
        return "" if at[role] is None else text_of(block.cells[i][at[role]])

    for i in block.lines:
        text, cell = said(i, "analyte"), block.cells[i][at["value"]]
        header = read_soil_header(text)
        if not header.names_nutrient:
            report.append(("not used", f"analyte '{text}'", "set aside", None))
            continue
        method = "" if number_like(said(i, "method")) else said(i, "method")
        more = read_soil_header(f"{text} {method}")
        header = more if (more.kind, more.name) == (header.kind, header.name) else header
        header = _with_unit(header, said(i, "unit") or block.headers[at["value"]].unit)
        if header.unit == "%" and header.name in BASES:
            report.append(("not used", f"analyte '{text}' in %", "a share of the exchange capacity", None))
            continue
        if header.complaint:
            problems.append(_complaint(header, i + 1, block.labels[at["analyte"]], text))
            continue
        report.append(("recognised", _test_name(header), f"analyte '{text}'", None))
        flag = said(i, "flag") or block.ratings.get((i, at["value"]), "")
        yield _record(b, block, i, at["value"], header, cell, flag) | {"column": text}


def _with_unit(header, stated):
    """The header with the unit that stands beside it, or why both cannot be."""
    unit = soil_unit(stated)
    if stated and not unit and plain(stated) not in spellings("no unit"):
        return replace(header, complaint=f"unknown unit '{stated}'")
    if header.unit and unit and unit != header.unit:
        return replace(header, complaint=f"the name says {header.unit}, the unit column {unit}")
    return replace(header, unit=header.unit or unit)


def _test_name(header):
    how = ", ".join(filter(None, (header.extractant, header.method)))
    return f"{header.name} ({how})" if how else header.name


def _complaint(header, row, column, value=None):
    own = analytes().loc[header.name, "unit"]
    blanks = {"analyte": header.name, "unit": own, "units": ", ".join(units_of(header.name))}
    if "ion" in header.complaint:
        return problem("soil ion", row, column, value, **blanks)
    return problem("soil unit unknown", row, column, value, what=header.complaint, **blanks)


# ---- extractants


def extractants_of(table, layout, given, problems):
    """Give the extractant and method of each result: stated, given by the caller, or of the lines above."""
    wanted = given if isinstance(given, dict) else {"": given} if given else {}
    named = {analyte: _extractant_given(analyte, text) for analyte, text in wanted.items()}
    above_table = _named_above(layout)
    answers = {}
    for analyte in table["analyte"].unique():
        every = named.get("", ("", ""))
        fitting = (one for one in (every, above_table) if analyte in serves(one[0]))
        answers[analyte] = named.get(analyte) or next(fitting, ("", ""))
    extractants = _beside_index(table)
    bare, fallback = extractants == "", table["analyte"].map(answers)
    extractants = extractants.mask(bare, fallback.str[0])
    methods = table["method"].mask(bare & (table["method"] == ""), fallback.str[1])
    advice = _perhaps_recommended(table.assign(extractant=extractants))
    missing = table[(extractants == "") & table["analyte"].isin(EXTRACTED) & ~advice]
    for row in missing[["analyte", "column", "unit"]].drop_duplicates().itertuples():
        blanks = {"analyte": row.analyte, "example": EXTRACTED[row.analyte]}
        key = "index without extractant" if row.unit == "index" else "extractant missing"
        problems.append(problem(key, column=row.column, **blanks))
    return extractants, methods


def _beside_index(table):
    """Extractants as stated; an index is of the one extractant that the file names for its analyte."""
    stated = table[table["extractant"] != ""].drop_duplicates(["analyte", "extractant"])
    alone = stated[~stated.duplicated("analyte", keep=False)]
    alone = dict(zip(alone["analyte"], alone["extractant"], strict=True))
    index = (table["unit"] == "index") & (table["extractant"] == "")
    return table["extractant"].mask(index, [alone.get(analyte, "") for analyte in table["analyte"]])


def _extractant_given(analyte, text):
    """(extractant, method) that the caller states for an analyte, or for all ('')."""
    if analyte and analyte not in analytes().index:
        raise LookupFailed(f"an extractant is given for {analyte}, not a soil test")
    if not extractant_of(text)[0]:
        words = load_table("soil_words")
        raise unknown("extractant", text, words.loc[words["kind"] == "extractant", "name"])
    return extractant_of(text)


def _named_above(layout):
    """The one extractant that a line such as 'Extractant: Mehlich 3' names for a table; ('', '') if none."""
    label = re.compile(r"(?:soil\s*)?(?:extract(?:ant|ion|ing)|method)[^:=]*[:=]\s*(?P<named>.+)")
    said = (label.fullmatch(plain(note)) for note in layout.notes)
    found = {extractant_of(hit["named"]) for hit in said if hit} - {("", "")}
    return found.pop() if len(found) == 1 else ("", "")


def _perhaps_recommended(table):
    return (table["compound"] != "") & table["unit"].isin(["lb/ac", "kg/ha"]) & (table["extractant"] == "")


def without_recommendations(table, notes):
    """Set aside oxides per area without an extractant: what a laboratory advises, not what it found."""
    advice = _perhaps_recommended(table)
    notes += [problem("soil recommendation", column=c) for c in table.loc[advice, "column"].unique()]
    return table[~advice].reset_index(drop=True)


# ---- numbers: read, brought to one unit, and asked about where no soil holds as much


def read_numbers(table, style, problems):
    """Read every cell, in place: value, censored, flag and the unit that stands in it."""
    pairs = [_reading(cell, unit, style) for cell, unit in zip(table["cell"], table["unit"], strict=True)]
    readings = pd.Series([reading for reading, _ in pairs], dtype=object)
    for (analyte, column), of in table.groupby(["analyte", "column"], sort=False):
        most, places = analytes().loc[analyte, "most"], [(int(row), column) for row in of["row"]]
        could_be = lambda value, most=most: value <= most  # noqa: E731
        at = table.index.get_indexer(of.index)
        readings[at] = settle_results(readings[at], of["cell"], places, could_be, "no soil result", problems)
    table["value"] = np.array([r.value for r in readings], float)
    table["censored"] = [r.censored for r in readings]
    flags = zip((r.flag for r in readings), table["flag"], strict=True)
    table["flag"] = ["; ".join(filter(None, pair)) for pair in flags]
    table["in_cell"] = [unit for _, unit in pairs]


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
