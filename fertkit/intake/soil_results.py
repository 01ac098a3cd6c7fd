"""The results of a soil report, cell by cell: which test each is of, by which extractant, in one unit."""

import math
import re
from collections import Counter
from dataclasses import replace
from functools import cache
from operator import itemgetter

import numpy as np

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
FURROW_SLICE_IN = (6, 7)
_MOST_NOTES = 25
_ASIDE = {True: "set aside", False: "holds no value"}


def results_of(layout: Layout, problems, notes):
    """Collect the cells of all results of a sheet.

    Returns
    -------
    results : list of dict
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
    return records, report


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
    own = analytes()[header.name]["unit"]
    blanks = {"analyte": header.name, "unit": own, "units": ", ".join(units_of(header.name))}
    if "ion" in header.complaint:
        return problem("soil ion", row, column, value, **blanks)
    key = "soil unit unknown" if any(units_of(header.name)) else "soil unit of none"
    return problem(key, row, column, value, what=header.complaint, **blanks)


# ---- extractants


def set_extractants(results, layout, given, problems):
    """Give each result its extractant and method: stated, given by the caller, or of the lines above.

    An index is of the one extractant that the file names for its analyte.
    """
    wanted = given if isinstance(given, dict) else {"": given} if given else {}
    named = {analyte: _extractant_given(analyte, text) for analyte, text in wanted.items()}
    for_all = named.get("", ("", "")), _named_above(layout)
    stated: dict[str, set] = {}
    for r in results:
        stated.setdefault(r["analyte"], set()).update({r["extractant"]} - {""})
    asked = {}
    for r in results:
        analyte = r["analyte"]
        if r["unit"] == "index" and not r["extractant"] and len(stated[analyte]) == 1:
            (r["extractant"],) = stated[analyte]
        if not r["extractant"]:
            fitting = (one for one in for_all if analyte in serves(one[0]))
            r["extractant"], method = named.get(analyte) or next(fitting, ("", ""))
            r["method"] = r["method"] or method
        if not r["extractant"] and analyte in EXTRACTED and not _perhaps_recommended(r):
            key = "index without extractant" if r["unit"] == "index" else "extractant missing"
            blanks = {"analyte": analyte, "example": EXTRACTED[analyte]}
            asked[problem(key, column=r["column"], **blanks)] = True
    problems += asked


def _extractant_given(analyte, text):
    """(extractant, method) that the caller states for an analyte, or for all ('')."""
    if analyte and analyte not in analytes():
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


def _perhaps_recommended(r) -> bool:
    return r["compound"] != "" and r["unit"] in ("lb/ac", "kg/ha") and not r["extractant"]


def without_recommendations(results, notes) -> list[dict]:
    """Set aside oxides per area without an extractant: what a laboratory advises, not what it found."""
    advice = dict.fromkeys(r["column"] for r in results if _perhaps_recommended(r))
    notes += [problem("soil recommendation", column=column) for column in advice]
    return [r for r in results if not _perhaps_recommended(r)]


# ---- numbers: read, brought to one unit, and asked about where no soil holds as much


def read_numbers(results, style, problems):
    """Read every cell, in place: value, censored, flag and the unit that stands in it."""
    columns: dict[tuple, list] = {}
    for r in results:
        columns.setdefault((r["analyte"], r["column"]), []).append(r)
    for (analyte, column), of in columns.items():
        readings, units = zip(*(_reading(r["cell"], r["unit"], style) for r in of), strict=True)
        cells, places, most = (
            [r["cell"] for r in of],
            [(r["row"], column) for r in of],
            analytes()[analyte]["most"],
        )
        could_be = lambda value, most=most: value <= most  # noqa: E731
        readings = settle_results(readings, cells, places, could_be, "no soil result", problems)
        for r, reading, unit in zip(of, readings, units, strict=True):
            flag = "; ".join(filter(None, (reading.flag, r["flag"])))
            r |= {"value": reading.value, "censored": reading.censored, "flag": flag, "in_cell": unit}


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


def settle_units(results, given, problems, report):
    """Bring each result to the unit its analyte is known in, in place; what cannot be is asked about."""
    if strange := sorted(set(given) - {"", "depth", *analytes()}):
        raise LookupFailed(f"units are given for {', '.join(strange)}, not soil tests")
    asked = {}
    for r in results:
        analyte, column, own = r["analyte"], r["column"], analytes()[r["analyte"]]["unit"]
        stated = {r["unit"], r["in_cell"]} - {""}
        unit = _unit_of(analyte, own, stated, given)
        if analyte in given and stated - {unit}:
            said = f"{unit} as you entered; the file says {' and '.join(sorted(stated))}"
            report.append(("inferred", f"unit of '{column}'", said, None))
        if unit is None:
            asked[problem("two units", column=column, nutrient=analyte)] = True
        elif own and unit not in units_of(analyte) and (unit or r["value"] == r["value"]):
            key, blanks = "not a soil unit" if unit else "soil unit missing", {"unit": own, "stated": unit}
            blanks |= {"analyte": analyte, "units": ", ".join(units_of(analyte))}
            asked[problem(key, column=column, **blanks)] = True
        elif own and unit:
            layer = r["top_in"], r["depth_in"]
            pounds = unit in ("lb/ac", "kg/ha")
            r["value"], unit, how = converted(r["value"], analyte, unit, r["compound"], *layer)
            per = 1.0 if unit == "lb/ac" else furrow_slice()["value"]
            r["pounds"] = r["value"] * per if pounds else math.nan
            what = "kept" if unit == "lb/ac" else "converted"
            report += [(what, f"{analyte} of '{column}'", "; ".join(how), None)] * bool(how)
        r["unit"] = unit if own else ""
    problems += asked


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
    if unit == "lb/ac" and not (top_in == 0 and FURROW_SLICE_IN[0] <= depth_in <= FURROW_SLICE_IN[1]):
        return value, unit, [*how, "left in lb/ac; only a layer of 6 to 7 in counts as two million pounds"]
    factors = {
        "lb/ac": ("ppm", 1 / furrow_slice()["value"]), "mg/100 g": ("ppm", 10.0), "g/kg": ("%", 0.1),
    }  # fmt: skip
    if analyte in BASES:
        gram = ATOMIC_WEIGHT[analyte] / analytes()[analyte]["valence"]  # of one equivalent
        factors |= {
            "meq/100 g": ("ppm", 10 * gram),
            "cmol/dm3": ("mg/l", 10 * gram),
            "mmol/dm3": ("mg/l", gram),
        }
    if unit in factors:
        to, factor = factors[unit]
        how.append(f"{unit} to {to}, times {factor:g}")
        value, unit = value * factor, to
    return value, unit, how


@cache
def furrow_slice():
    """Return the row of the constant that makes ppm of pounds in a layer of two million pounds."""
    return load_table("constants").set_index("item").loc["ppm_to_lb_per_ac"]


def ask_whether_real(results, problems, notes):
    """Ask about tests no soil has, and note rare ones, results of a rating alone and odd limits."""
    strange: dict[str, list] = {"impossible soil test": [], "unusual soil test": []}
    alone = [r for r in results if r["value"] != r["value"]]
    for r in results:
        limits, below = analytes()[r["analyte"]], r["censored"] == "<"
        value = r["value"] / (furrow_slice()["value"] if r["unit"] == "lb/ac" else 1.0)
        if r["unit"] not in (limits["unit"], "lb/ac", "mg/l"):
            continue
        if value > limits["most"] or (value < limits["least"] and not below):
            strange["impossible soil test"].append(r)
        elif value > limits["high"] or (value < limits["low"] and not below):
            strange["unusual soil test"].append(r)
    for (key, rows), told in zip(strange.items(), (problems, notes), strict=True):
        for r in rows[:_MOST_NOTES]:
            limits = analytes()[r["analyte"]]
            blanks = {end: f"{limits[end]:g}" for end in ("least", "most")} | {"own": limits["unit"]}
            blanks |= {"analyte": r["analyte"], "amount": f"{number(r['value'])} {r['unit']}".strip()}
            told.append(problem(key, r["row"], r["column"], text_of(r["cell"]), **blanks))
    for r in alone[:_MOST_NOTES]:
        key = "rating alone" if r["censored"] == "" else "soil limit not given"
        notes.append(problem(key, r["row"], r["column"], r["flag"], analyte=r["analyte"], word=r["flag"]))


_TEST = ("analyte", "extractant", "method", "top_in", "depth_in")
_test_of = itemgetter("block", "line", *_TEST)
_sample_of = itemgetter("field", "zone", "sample", "sampled", *_TEST, "unit")


def without_copies(results, problems, report, notes) -> list[dict]:
    """Keep one of two columns or lines that say the same; ask about columns that do not."""
    tests: dict[tuple, list] = {}
    for r in results:
        if r["value"] == r["value"]:
            tests.setdefault(_test_of(r), []).append(r)
    copies = set()
    for of in tests.values():
        kept = min(of, key=lambda r: r["unit"] != "ppm")
        for r in of:
            units = {r["unit"], kept["unit"]}
            if r is kept or (len(units) > 1 and units & {"index", "mg/l"}):
                continue
            alike = not above(abs(r["value"] - kept["value"]), _ALIKE * max(r["value"], kept["value"]))
            if alike or r["unit"] == "lb/ac" != kept["unit"]:
                copies.add(id(r))
                same = f"the same test as '{kept['column']}'"
                report.append(("not used", f"column '{r['column']}'", same, None))
            else:
                blanks = {"analyte": r["analyte"], "first": kept["column"]}
                blanks["extractant"] = r["extractant"] or "no extractant"
                problems.append(problem("soil second column", r["row"], r["column"], **blanks))
    return _without_lines_again([r for r in results if id(r) not in copies], notes)


def _without_lines_again(results, notes) -> list[dict]:
    """Leave out lines that repeat an earlier one, and note samples that are given again otherwise."""
    keys = list(map(_sample_of, results))
    seen, again, new = set(), set(), set()
    for r, key in zip(results, keys, strict=True):
        result = *key, r["censored"], r["value"] if r["value"] == r["value"] else None
        (again if r["sample"] and result in seen else new).add(r["row"])
        seen.add(result)
    lines = again - new
    notes += [problem("soil line again", rows=listed(sorted(lines), 8))] * bool(lines)
    kept = [(r, key) for r, key in zip(results, keys, strict=True) if r["row"] not in lines]
    often = Counter(key for _, key in kept)
    names = dict.fromkeys(r["sample"] for r, key in kept if r["sample"] and often[key] > 1)
    notes += [problem("soil sample again", names=listed(names, 6))] * bool(names)
    return [r for r, _ in kept]
