"""The results of a soil report, cell by cell: which test each is of, and by which extractant."""

import re
from dataclasses import replace

import pandas as pd

from fertkit.errors import LookupFailed, unknown
from fertkit.intake.headers import begins_with_nutrient
from fertkit.intake.leaf_tables import Block, Layout
from fertkit.intake.soil_headers import (
    BASES,
    analytes,
    extractant_of,
    read_soil_header,
    serves,
    soil_unit,
    units_of,
)
from fertkit.intake.spellings import number_like, plain, problem
from fertkit.reference.load import load_table
from fertkit.tables import text_of

#: Analytes whose rates hang on the extractant, with one of the trade as an example.
EXTRACTED = {"P": "Mehlich-3", "K": "Mehlich-3"}
_UNITLESS = (
    "-",
    "--",
    "none",
    "unit",
    "units",
    "ph",
    "ph units",
    "ph unit",
    "s.u.",
    "su",
    "standard units",
    "n/a",
)

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
    if stated and not unit and plain(stated) not in _UNITLESS:
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
