# ruff: noqa: E501
"""Files whose numbers are known, written in the ways people write them and damaged in the ways files are damaged.

A case is a `Sheet` (title lines, lines of cells, the truth behind them), dressed in habits that a right reading
sees through (units, summaries, encodings, workbooks) and, mostly, damaged by something that has to be noticed.
`judge_leaf` and `judge_strips` hold what a reader made of it against the truth.
"""

import io
import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from fertkit.errors import FertkitError
from fertkit.intake import read_points, read_shed, read_soil, read_strips, read_tissue
from fertkit.intake.parts import plant_part
from fertkit.intake.stages import stage_span
from fertkit.reference import load_ranges
from fertkit.reference.crops import unknown_crops
from fertkit.units import convert_area_rate, convert_concentration

CORN_LB = 56.0  # a bushel of shelled corn [lb], US trade standard


@dataclass
class Sheet:
    """Cells of a file as its writer meant them, and what a right reading holds."""

    rows: list  # of lists of text
    head: int  # index of the header line
    truth: list
    said: list = field(default_factory=list)  # habits and damages, in order
    delimiter: str = ","
    decimal: str = "."
    options: dict = field(default_factory=dict)


# ---- leaf reports

PLANTS = (
    ("corn", "R1", "ear leaf"),
    ("soybean", "R2", "upper trifoliate without petiole"),
    ("wheat", "Feekes 10", "flag leaf"),
    ("alfalfa", "early bloom", "top third"),
)
#: Spans of common leaf contents in home units, only to draw numbers from (invented for the purpose).
SPANS = {
    "N": (2.2, 4.6), "P": (0.21, 0.45), "K": (1.1, 2.9), "Ca": (0.32, 1.1), "Mg": (0.17, 0.55), "S": (0.14, 0.38),
    "Fe": (45, 180), "Mn": (18, 120), "Zn": (14, 62), "Cu": (4, 14), "B": (5, 38),
}  # fmt: skip
MACRO = ("N", "P", "K", "Ca", "Mg", "S")
NAMES = (
    "A-1", "B-2", "007", "North 80", "Check", "Control", "Low", "High", "Standard", "Treated", "12", "S4", "West", "0099",
    "Block 2", "Hill 3a", "Mean Creek", "Total Farm 1", "Optimum 5",
)  # fmt: skip
UNIT_STYLES = ("{n} {u}", "{n} ({u})", "{n}, {u}", "{n}_{u}", "{n}{u}", "{n} [{u}]", "row")
WORDS = {
    "N": "Nitrogen", "P": "Phosphorus", "K": "Potassium", "Ca": "Calcium", "Mg": "Magnesium", "S": "Sulfur",
    "Fe": "Iron", "Mn": "Manganese", "Zn": "Zinc", "Cu": "Copper", "B": "Boron",
}  # fmt: skip


@dataclass
class Leaf:
    name: str
    crop: str
    stage: str
    part: str
    values: dict  # nutrient -> value as written, in `unit_of`


def leaf_sheet(rng) -> tuple[Sheet, dict]:
    """A wide, long, transposed or stacked report; also the unit in which each nutrient is written."""
    held = [n for n in SPANS if rng.random() < 0.7] or ["N", "K", "S"]
    if not set(held) & set(MACRO):
        held = ["N", "K", *held]
    macro_unit = rng.choice(("%", "%", "%", "g/kg"))
    unit_of = {n: macro_unit if n in MACRO else rng.choice(("ppm", "ppm", "mg/kg")) for n in held}
    plants = rng.choice(((rng.choice(PLANTS),), PLANTS))
    leaves = []
    for name in rng.sample(NAMES, rng.randint(1, 6)):
        values = {}
        for n in held:
            value = rng.uniform(*SPANS[n]) * (10 if unit_of[n] == "g/kg" else 1)
            values[n] = f"{value:.{2 if n in MACRO else rng.choice((0, 0, 1))}f}"
        leaves.append(Leaf(name, *rng.choice(plants), values))
    shape = rng.choice(("wide", "wide", "wide", "long", "transposed", "stacked"))
    make = {"wide": _wide, "long": _long, "transposed": _transposed, "stacked": _stacked}[shape]
    sheet = make(leaves, held, unit_of, rng)
    sheet.said.append(shape)
    return sheet, unit_of


def _named(n, rng_word):
    return WORDS[n] if rng_word else n


def _wide(leaves, held, unit_of, rng):
    style, in_words = rng.choice(UNIT_STYLES), rng.random() < 0.25
    if in_words and style == "{n}{u}":
        style = "{n} ({u})"
    head = ["Sample", "Crop", "Stage", "Part"]
    units = [""] * 4 + [unit_of[n] for n in held]
    if style == "row":
        head += [_named(n, in_words) for n in held]
    else:
        head += [style.format(n=_named(n, in_words), u=unit_of[n]) for n in held]
    rows = [head] + ([units] if style == "row" else [])
    rows += [[x.name, x.crop, x.stage, x.part, *(x.values[n] for n in held)] for x in leaves]
    return Sheet(rows, 0, leaves, [f"units {style}"])


def _long(leaves, held, unit_of, rng):
    head = ["Sample", "Crop", "Growth Stage", "Plant Part", "Analyte", "Result", "Units"]
    in_words = rng.random() < 0.5
    rows = [
        [x.name, x.crop, x.stage, x.part, _named(n, in_words), x.values[n], unit_of[n]]
        for x in leaves
        for n in held
    ]
    return Sheet([head, *rows], 0, leaves)


def _transposed(leaves, held, unit_of, rng):
    rows = [["Sample", "Unit", *(x.name for x in leaves)]]
    rows += [["Crop", "", *(x.crop for x in leaves)], ["Stage", "", *(x.stage for x in leaves)]]
    rows += [["Plant part", "", *(x.part for x in leaves)]]
    rows += [[n, unit_of[n], *(x.values[n] for x in leaves)] for n in held]
    return Sheet(rows, 0, leaves)


def _stacked(leaves, held, unit_of, rng):
    mark = rng.choice((":", ""))
    rows = []
    for x in leaves:
        rows += [[f"Sample ID{mark}", x.name], [f"Crop{mark}", x.crop], [f"Growth Stage{mark}", x.stage]]
        rows += [[f"Plant Part{mark}", x.part], ["Nutrient", "Units", "Result"]]
        rows += [[_named(n, True), unit_of[n], x.values[n]] for n in held]
        rows.append([])
    return Sheet(rows[:-1], 4, leaves)


def with_summary(sheet, rng):
    """Lines of means, deviations or ranges under a wide table, which are no samples."""
    first = 2 if "units row" in sheet.said else 1
    blank = [""] * 4
    numbers = [_mean([row[j] for row in sheet.rows[first:]]) for j in range(4, len(sheet.rows[0]))]
    for word in rng.sample(
        ("Mean", "Average", "Std Dev", "Total", "Minimum", "Sufficiency range", "Rating"), 2
    ):
        cells = numbers
        if word == "Sufficiency range":
            cells = [f"{x}-{float(x) * 1.5:.2f}" for x in numbers]
        if word == "Rating":
            cells = [rng.choice("LSH") for _ in numbers]
        sheet.rows.append([word, *blank[1:], *cells])


def with_extra_columns(sheet, rng):
    """Columns that are no nutrient of the leaf, anywhere after the part."""
    first = 2 if "units row" in sheet.said else 1
    word, cell = rng.choice(
        (("Moisture %", "71.2"), ("NO3-N ppm", "310"), ("Notes", "sunny"), ("Lab No.", "L-88"), ("K2O %", "2.31"),
         ("Nitrate %", "0.137"), ("N:S", "15.5"), ("Variety", "x1"), ("Dry Matter %", "28.8"), ("Grower", "invented"))
    )  # fmt: skip
    at = rng.randint(4, len(sheet.rows[0]))
    for i, row in enumerate(sheet.rows):
        row.insert(at, word if i == 0 else "" if i < first else cell)


def with_flags(sheet, rng):
    """The laboratory's own mark beside a number."""
    first = 2 if "units row" in sheet.said else 1
    for row in sheet.rows[first:]:
        at = rng.randrange(4, len(row))
        if re.fullmatch(r"[\d.]+", row[at]):
            row[at] += rng.choice(("*", " L", " (L)", " H", " DEF"))


def with_titles(sheet, rng):
    """Lines above the table that say nothing of the samples."""
    width = len(sheet.rows[0])
    pick = (["Tissue report, invented"], ["Grower: nobody"], ["Printed on request", "page 1 of 1"])
    lines = [rng.choice(pick) for _ in range(rng.randint(1, 3))]
    sheet.rows[:0] = [(line + [""] * width)[:width] for line in lines] + [[""] * width]
    sheet.head += len(lines) + 1


def _mean(cells):
    numbers = [float(c) for c in cells if re.fullmatch(r"[\d.]+", c)]
    return f"{np.mean(numbers):.2f}" if numbers else "1.00"


LEAF_HABITS = {
    "summary lines": (with_summary, ("wide",)),
    "other columns": (with_extra_columns, ("wide",)),
    "marks": (with_flags, ("wide",)),
    "title lines": (with_titles, ("wide", "long")),
}


def judge_leaf(data, sheet: Sheet, unit_of: dict) -> str:
    """'right', or 'wrong: ...' for what `read_tissue` makes of a file."""
    got = read_tissue(io.BytesIO(data), **sheet.options)
    told = f"{got.summary()} {got.report.to_string()} {' '.join(map(str, got.notes))}"
    told += getattr(got, "unread", got.report).to_string()
    table, seen = got.table, set()
    for r in table.itertuples():
        # a quote behind a figure is the mark of inches, and part of the name as the file writes it
        mine = [x for x in sheet.truth if x.name == re.sub(r'(?<=[0-9])"$', "", r.sample_id)]
        if not mine:
            return f"wrong: a sample '{r.sample_id}' that is none"
        x = mine[0]
        other = _other_plant(r, x)
        if other:
            return f"wrong: {other} of {x.name}, not {x.crop}, {x.stage}, {x.part}"
        if r.nutrient not in x.values:
            if r.nutrient == "NO3-N" and "other columns" in sheet.said:
                continue
            return f"wrong: {r.nutrient} of {x.name}, not in the file"
        home = "%" if r.nutrient in MACRO else "mg/kg"
        true = float(
            convert_concentration(
                float(x.values[r.nutrient]), unit_of[r.nutrient].replace("ppm", "mg/kg"), home
            )
        )
        if r.unit != home or r.censored or not np.isclose(r.value, true, rtol=1e-9):
            return f"wrong: {r.nutrient} of {x.name} is {r.censored}{r.value} {r.unit}, not {true} {home}"
        seen.add((x.name, r.nutrient))
    for x in sheet.truth:
        for n in x.values:
            if (x.name, n) not in seen and not re.search(
                rf"(?<![A-Za-z]){n}(?![a-z])|{re.escape(x.name)}", told
            ):
                return f"wrong: {n} of {x.name} vanished without a word"
    return "right"


def _other_plant(r, leaf) -> str:
    """The crop, stage or part of a result where it is another one than the leaf's; an unknown word is asked about."""
    if r.crop != leaf.crop:
        return "" if unknown_crops([r.crop]) or not r.crop else r.crop
    try:
        if stage_span(r.crop, r.growth_stage) != stage_span(r.crop, leaf.stage):
            return r.growth_stage
        return "" if plant_part(r.crop, r.plant_part) == plant_part(r.crop, leaf.part) else r.plant_part
    except FertkitError:
        return ""


SOIL_HABITS = {
    "summary lines": (with_summary, ("wide",)),
    "marks": (with_flags, ("wide",)),
    "title lines": (with_titles, ("wide", "long")),
}


# ---- strips


def strip_sheet(rng) -> tuple[Sheet, dict]:
    """Blocks x rates in lines or across; also the units of rate and yield."""
    rate_unit, yield_unit = rng.choice(
        (("lb/ac", "bu/ac"), ("lb/ac", "bu/ac"), ("kg/ha", "t/ha"), ("kg/ha", "kg/ha"))
    )
    rates = rng.choice(([0, 50, 100, 150, 200], [0, 40, 80, 120], [0, 33.5, 67, 100.5, 134]))
    blocks = rng.choice(
        (["1", "2", "3", "4"], ["I", "II", "III"], ["A", "B", "C"], ["Rep 1", "Rep 2", "Rep 3"])
    )
    scale = {"bu/ac": 1, "t/ha": 0.0628, "kg/ha": 62.8}[yield_unit]
    digits = {"bu/ac": 1, "t/ha": 2, "kg/ha": 0}[yield_unit]
    truth, used = [], set()
    for block in blocks:
        for rate in rates:
            while True:
                text = f"{(120 + 70 * (1 - np.exp(-rate / 60)) + rng.gauss(0, 4)) * scale:.{digits}f}"
                if text not in used:
                    break
            used.add(text)
            truth.append((block, f"{rate:g}", text))
    units = {"rate": rate_unit, "yield": yield_unit}
    nutrient = rng.choice(("N", "K2O", "P2O5"))
    shape = rng.choice(("lines", "lines", "lines", "wide"))
    if shape == "wide":
        rows = [[rng.choice(("Rep", "Block")), *(f"{r:g} {rate_unit}" for r in rates)]]
        rows += [[b, *(y for bb, _, y in truth if bb == b)] for b in blocks]
        sheet = Sheet(rows, 0, truth, ["wide"])
        sheet.options = {"units": {"yield": yield_unit}, "crop": "corn"}
        return sheet, units
    style = rng.choice(("header", "header", "underscored", "row", "cells"))
    head = {
        "header": ["Block", f"{nutrient} rate ({rate_unit})", f"Yield ({yield_unit})"],
        "underscored": [
            "rep",
            f"rate_{rate_unit.replace('/', '_')}",
            f"yield_{yield_unit.replace('/', '_')}",
        ],
        "row": ["Rep", f"{nutrient} rate", "Yield"],
        "cells": ["Rep", "Rate", "Yield"],
    }[style]
    rows = [list(row) for row in truth]
    if style == "cells":
        rows = [[b, f"{r} {rate_unit}", f"{y} {yield_unit}"] for b, r, y in rows]
    rows = [head, *([["", rate_unit, yield_unit]] if style == "row" else []), *rows]
    sheet = Sheet(rows, 0, truth, ["lines", f"units {style}"])
    sheet.options = {"crop": "corn"}
    return sheet, units


def _first_strip(sheet):
    return 2 if "units row" in sheet.said else 1


def merged_blocks(sheet, rng):
    """Blocks as merged cells leave them: named on the first line alone."""
    last = None
    for row in sheet.rows[_first_strip(sheet) :]:
        row[0], last = ("" if row[0] == last else row[0]), row[0]


def plot_codes(sheet, rng):
    """Plots 101, 102, ... 201 in place of the blocks."""
    sheet.rows[0][0] = "Plot"
    blocks = list(dict.fromkeys(b for b, _, _ in sheet.truth))
    count = dict.fromkeys(blocks, 0)
    for row, (block, _, _) in zip(sheet.rows[_first_strip(sheet) :], sheet.truth, strict=True):
        count[block] += 1
        row[0] = str(100 * (blocks.index(block) + 1) + count[block])


def mean_lines(sheet, rng):
    """Means by rate, or a total, under the strips."""
    word = rng.choice(("Mean", "Average", "Total", "Avg."))
    for rate in dict.fromkeys(r for _, r, _ in sheet.truth):
        cells = [float(y) for _, r, y in sheet.truth if r == rate]
        sheet.rows.append([word, rate, f"{np.mean(cells):.2f}"])


def notes_column(sheet, rng):
    """A column of remarks, most of them empty."""
    for i, row in enumerate(sheet.rows):
        row.append("Notes" if i == 0 else rng.choice(("", "", "wet spot", "wind")) if i > 1 else "")


def moisture_column(sheet, rng):
    """Moistures at harvest beside the yields."""
    first = _first_strip(sheet)
    for i, row in enumerate(sheet.rows):
        row.append("Moisture (%)" if i == 0 else "%" if i < first else f"{rng.uniform(14, 21):.1f}")


def shuffled(sheet, rng):
    """Strips in another order."""
    first = _first_strip(sheet)
    rest = sheet.rows[first:]
    rng.shuffle(rest)
    sheet.rows[first:] = rest


STRIP_HABITS = {
    "merged blocks": (merged_blocks, ("lines",)),
    "plot codes": (plot_codes, ("lines",)),
    "mean lines": (mean_lines, ("lines",)),
    "notes": (notes_column, ("lines",)),
    "moistures": (moisture_column, ("lines",)),
    "shuffled": (shuffled, ("lines",)),
    "title lines": (with_titles, ("lines", "wide")),
}
ALONE = ("merged blocks", "plot codes", "shuffled", "mean lines")  # no two of these at once


def judge_strips(data, sheet: Sheet, units: dict) -> str:
    """'right', or 'wrong: ...' for what `read_strips` makes of a file."""
    got = read_strips(io.BytesIO(data), name="known", **sheet.options)
    table = got.table
    yields = (
        table.filter(regex="^harvested_").iloc[:, 0]
        if table.filter(regex="^harvested_").size
        else table[got.yield_column]
    )
    rates = table[got.rate_column]
    true = {}
    for block, rate, text in sheet.truth:
        r = float(convert_area_rate(float(rate), units["rate"], got.rate_unit))
        y = float(convert_area_rate(float(text), units["yield"], got.yield_unit, lb_per_bushel=CORN_LB))
        true[round(y, 6)] = (block, r)
    if "block" not in table:
        return "wrong: the blocks vanished"
    label = {}
    for b, r, y in zip(table["block"].map(str), rates, yields, strict=True):
        known = true.get(round(float(y), 6)) if np.isfinite(y) else None
        if known is None:
            return f"wrong: a strip ({b}, {r}, {y}) that is none"
        if not np.isclose(r, known[1], rtol=1e-9, atol=1e-9):
            return f"wrong: yield {y} at rate {r}, not {known[1]}"
        if label.setdefault(b, known[0]) != known[0]:
            return f"wrong: block '{b}' holds strips of two blocks"
    if len(set(label.values())) != len(label):
        return "wrong: one block became two"
    lacking = len(true) - yields.map(lambda y: round(float(y), 6)).nunique()
    if lacking and not re.search(r"set aside|left out|not used|averag", got.summary()):
        return f"wrong: {lacking} strips vanished without a word"
    return "right"


# ---- a user's own ranges, and a log of harvest points


def ranges_sheet(rng) -> tuple[Sheet, dict]:
    """Sufficiency ranges of a user's own."""
    head = (
        "source_key,crop,stage_from,stage_to,plant_part,nutrient,unit,low,high,critical,provenance,confidence"
    )
    truth = {
        n: (f"{low * rng.uniform(1, 1.2):.2f}", f"{high * rng.uniform(1, 1.2):.2f}")
        for n, (low, high) in SPANS.items()
    }
    rows = [
        [
            "OWN",
            "corn",
            "R1",
            "R1",
            "ear leaf",
            n,
            "%" if n in MACRO else "mg/kg",
            low,
            high,
            "",
            "found",
            "high",
        ]
        for n, (low, high) in truth.items()
    ]
    return Sheet([head.split(","), *rows], 0, truth, ["ranges"]), {}


def judge_ranges(data, sheet: Sheet, _units) -> str:
    """'right', or 'wrong: ...' for what `load_ranges` makes of a file."""
    path = Path("ranges.xlsx" if data.startswith(b"PK") else "ranges.csv")
    path.write_bytes(data)
    got = load_ranges(path)
    if set(got["nutrient"]) != set(sheet.truth):
        return f"wrong: nutrients {sorted(set(got['nutrient']) ^ set(sheet.truth))} vanished or appeared"
    for r in got.itertuples():
        if (r.low, r.high) != tuple(map(float, sheet.truth[r.nutrient])):
            return f"wrong: {r.nutrient} from {r.low} to {r.high}, not {sheet.truth[r.nutrient]}"
    return "right"


def points_sheet(rng) -> tuple[Sheet, dict]:
    """A log of a yield monitor."""
    head = ["Longitude", "Latitude", "Flow (lb/s)", "Seconds", "Distance (ft)", "Swath (ft)", "Moisture (%)"]
    truth = [
        (f"{-93.498 + i * 2.4e-5:.6f}", "42.002", f"{flow / 100}", "1", f"{rng.uniform(5, 8):.1f}", "30",
         f"{rng.uniform(14, 19):.1f}") for i, flow in enumerate(rng.sample(range(1501, 2500), rng.randint(5, 30)))
    ]  # fmt: skip
    return Sheet([head, *map(list, truth)], 0, truth, ["points"]), {}


def judge_points(data, sheet: Sheet, _units) -> str:
    """'right', or 'wrong: ...' for what `read_points` makes of a file."""
    got = read_points(io.BytesIO(data), crop="corn").table
    true = {round(float(cells[2]) * 0.45359237, 6): cells for cells in sheet.truth}  # a pound in kg, exact
    for r in got.itertuples():
        cells = true.get(round(r.mass_kg, 6))
        if cells is None or not np.allclose(
            (r.lon, r.lat, r.moisture_pct), (float(cells[0]), float(cells[1]), float(cells[6]))
        ):
            return f"wrong: a point with {r.mass_kg} kg at {r.lon}, {r.lat} that is none"
    return "right" if len(got) >= len(sheet.truth) else "wrong: points vanished"


# ---- soil reports and sheds

#: Spans of common soil tests in the unit they are written in, only to draw numbers from (invented).
SOIL_SPANS = {
    "P": (4, 70),
    "K": (60, 290),
    "Zn": (0.3, 4),
    "S": (3, 18),
    "pH": (5.3, 7.8),
    "OM": (1.2, 5),
    "CEC": (6, 26),
}
EXTRACTANTS = {
    "P": (("Bray-P1", "Bray P1"), ("Bray-P1", "Bray-1"), ("Mehlich-3", "M3"), ("Olsen", "Olsen")),
    "K": (("Mehlich-3", "M3"), ("ammonium acetate", "NH4OAc"), ("ammonium acetate", "ammonium acetate")),
    "Zn": (("DTPA", "DTPA"), ("Mehlich-3", "M3")), "S": (("Mehlich-3", "Mehlich 3"),),
}  # fmt: skip
FIELD_NAMES = (
    "North 80",
    "A-1",
    "B-2",
    "007",
    "Hill 3a",
    "West",
    "Mill Bend",
    "12",
    "Creek 5",
    "Long Lane",
    "Low Eighty",
)


def soil_sheet(rng) -> tuple[Sheet, dict]:
    """A wide, long or transposed report of soil tests: points of fields; also extractant and unit of each test."""
    held = [n for n in SOIL_SPANS if rng.random() < 0.75] or ["P", "K"]
    held = held if {"P", "K"} & set(held) else ["P", *held]
    of = {n: rng.choice(EXTRACTANTS.get(n, (("", ""),))) for n in held}
    pounds = rng.random() < 0.25
    units = {
        n: {"pH": "", "OM": "%", "CEC": "meq/100 g"}.get(
            n, rng.choice(("lb/ac", "lbs/A") if pounds else ("ppm", "mg/kg"))
        )
        for n in held
    }
    truth = []
    for place in rng.sample(FIELD_NAMES, rng.randint(1, 5)):
        for point in range(1, rng.choice((1, 1, 3)) + 1):
            values = {
                n: f"{rng.uniform(*SOIL_SPANS[n]) * (2 if pounds and units[n][:2] == 'lb' else 1):.{0 if n in 'PK' else 1}f}"
                for n in held
            }
            truth.append((place, str(point), values))
    shape = rng.choice(("wide", "wide", "wide", "long", "transposed"))
    style = rng.choice(("{n} {e} ({u})", "{e} {n} {u}", "{n}, {e} [{u}]", "{n} ({e}) {u}", "row"))
    about = ["Field", "Point", "Sampled", "Depth"]
    lines = [[place, point, "2025-10-14", "0-6 in"] for place, point, _ in truth]
    if shape == "long":
        rows = [[*about, "Test", "Method", "Result", "Units"]]
        rows += [
            [*line, n, of[n][1], x[2][n], units[n]]
            for line, x in zip(lines, truth, strict=True)
            for n in held
        ]
        return Sheet(rows, 0, truth, ["long"]), {n: (of[n][0], units[n]) for n in held}
    heads = [
        re.sub(r" ?[(\[][)\]]|^[ ,]+|[ ,]+$", "", style.format(n=n, e=of[n][1], u=units[n])).strip(" ,")
        for n in held
    ]
    if style == "row" or shape == "transposed":
        heads = [f"{n} {of[n][1]}".strip() for n in held]
    if shape == "transposed":
        heads = [f"{h} ({units[n]})" if units[n] else h for h, n in zip(heads, held, strict=True)]
        rows = [[name, *(line[i] for line in lines)] for i, name in enumerate(about)]
        rows += [[h, *(x[2][n] for x in truth)] for h, n in zip(heads, held, strict=True)]
        return Sheet(rows, 0, truth, ["transposed"]), {n: (of[n][0], units[n]) for n in held}
    rows = [[*about, *heads]] + ([["", "", "", "", *(units[n] for n in held)]] if style == "row" else [])
    rows += [[*line, *(x[2][n] for n in held)] for line, x in zip(lines, truth, strict=True)]
    return Sheet(rows, 0, truth, ["wide", f"units {style}", *(["units row"] if style == "row" else [])]), {
        n: (of[n][0], units[n]) for n in held
    }


def judge_soil(data, sheet: Sheet, tests: dict) -> str:
    """'right', or 'wrong: ...' for what `read_soil` makes of a file."""
    got = read_soil(io.BytesIO(data), **sheet.options)
    told = f"{got.summary()} {got.report.to_string()} {' '.join(map(str, got.notes))}"
    true = {(place, point): values for place, point, values in sheet.truth}
    seen = set()
    for r in got.table.itertuples():
        place, point = (re.sub(r'(?<=[0-9])"$', "", name) for name in (r.field, r.sample))
        values = true.get((place, point))
        if point == "":  # a table that names the field alone: one of its points
            of_field = [v for (f, _), v in true.items() if f == place]
            written = r.value * (
                2 if r.unit == "ppm" and tests.get(r.analyte, ("", ""))[1][:2] == "lb" else 1
            )
            alike = [v for v in of_field if np.isclose(float(v.get(r.analyte, -1)), written)]
            values = next(iter(alike + of_field), None)
        if values is None:
            return f"wrong: a point '{r.field}' '{r.sample}' that is none"
        if r.analyte not in values:
            return f"wrong: {r.analyte} of {r.field}, not in the file"
        extractant, unit = tests[r.analyte]
        number, home = float(values[r.analyte]), {"mg/kg": "ppm", "lbs/A": "lb/ac"}.get(unit, unit)
        if home == "lb/ac" and r.unit == "ppm":
            number, home = number / 2, "ppm"  # two million pounds of soil in 6 to 7 in
        if (
            (r.extractant, r.unit) != (extractant, home)
            or r.censored
            or not np.isclose(r.value, number, rtol=1e-9)
        ):
            return f"wrong: {r.analyte} of {r.field} is {r.censored}{r.value} {r.unit} by {r.extractant}, not {number} {home} by {extractant}"
        if not (r.depth_in in (6, 0) or r.depth_in != r.depth_in) or (
            r.depth_in != 6 and "0-6" not in told and "depth" not in told
        ):
            return f"wrong: the depth of {r.field} is {r.depth_in}"
        if f"{r.sampled:%Y-%m-%d}" != "2025-10-14" if r.sampled == r.sampled else "date" not in told:
            return f"wrong: {r.field} is sampled {r.sampled}"
        seen.add((place, point, r.analyte))
    for place, point, values in sheet.truth:
        for n in values:
            if (place, point, n) not in seen and not re.search(
                rf"(?<![A-Za-z]){n}(?![a-z])|{re.escape(place)}", told
            ):
                return f"wrong: {n} of {place} vanished without a word"
    return "right"


PRODUCTS = {
    "urea": (46, 0, 0), "MAP": (11, 52, 0), "DAP": (18, 46, 0), "TSP": (0, 46, 0), "MOP": (0, 0, 60), "KCl": (0, 0, 60),
    "AMS": (21, 0, 0), "0-0-62": (0, 0, 62), "SOP": (0, 0, 50), "CAN": (27, 0, 0),
}  # fmt: skip  # grades as the trade sells them
POUNDS = {"ton": 2000, "lb": 1, "cwt": 100, "t": 1000 / 0.45359237, "kg": 1 / 0.45359237, "50 lb bag": 50}


def shed_sheet(rng) -> tuple[Sheet, dict]:
    """Products with a price in any unit, stock and lots."""
    unit, style = rng.choice(("ton", "lb", "cwt", "t", "kg")), rng.choice(("header", "column", "cell"))
    stock = rng.choice(("ton", "lb", "t"))
    truth = []
    for name in rng.sample(list(PRODUCTS), rng.randint(2, 6)):
        price = f"{rng.uniform(300, 900) * POUNDS[unit] / 2000:.{2 if POUNDS[unit] < 200 else 0}f}"
        truth.append((name, price, f"{rng.uniform(1, 30):.1f}" if rng.random() < 0.5 else ""))
    head = ["Product", f"Price ($/{unit})" if style == "header" else "Price", f"On hand ({stock})"]
    rows = [[name, f"{price}/{unit}" if style == "cell" else price, amount] for name, price, amount in truth]
    if style == "column":
        head, rows = [*head, "Price unit"], [[*row, unit] for row in rows]
    if rng.random() < 0.4:
        head = [*head, "N (%)", "P2O5 (%)", "K2O (%)"]
        rows = [[*row, *map(str, PRODUCTS[row[0]])] for row in rows]
    return Sheet([head, *rows], 0, truth, ["shed"]), {"price": unit, "stock": stock}


def judge_shed(data, sheet: Sheet, units: dict) -> str:
    """'right', or 'wrong: ...' for what `read_shed` makes of a file."""
    got = read_shed(io.BytesIO(data)).products
    true = {name: (price, amount) for name, price, amount in sheet.truth}
    for r in got.itertuples():
        name = re.sub(r'(?<=[0-9])"$', "", r.product)
        if name not in true:
            return f"wrong: a product '{r.product}' that is none"
        price, amount = true[name]
        if (r.n_pct, r.p2o5_pct, r.k2o_pct) != PRODUCTS[name]:
            return f"wrong: {name} is {r.n_pct}-{r.p2o5_pct}-{r.k2o_pct}"
        if not np.isclose(r.price_per_lb, float(price) / POUNDS[units["price"]], rtol=1e-9):
            return f"wrong: {name} costs {r.price_per_lb} a pound, not {price} a {units['price']}"
        if not np.isclose(r.on_hand_lb, float(amount or 0) * POUNDS[units["stock"]], rtol=1e-9):
            return f"wrong: {r.on_hand_lb} lb of {name} on hand, not {amount} {units['stock']}"
    return "right" if set(got["product"].str.strip('"')) >= set(true) else "wrong: a product vanished"


MAKERS = {
    "soil": soil_sheet,
    "shed": shed_sheet,
    "leaf": leaf_sheet,
    "strips": strip_sheet,
    "ranges": ranges_sheet,
    "points": points_sheet,
}
JUDGES = {
    "soil": judge_soil,
    "shed": judge_shed,
    "leaf": judge_leaf,
    "strips": judge_strips,
    "ranges": judge_ranges,
    "points": judge_points,
}


# ---- writing and damaging


def written(sheet: Sheet, rng) -> str:
    """The sheet as text: a delimiter, a decimal mark, quotes where they are due."""
    if sheet.decimal == ",":
        sheet.rows = [[re.sub(r"(?<=\d)\.(?=\d)", ",", cell) for cell in row] for row in sheet.rows]
    every = rng.random() < 0.1
    return (
        "\n".join(
            sheet.delimiter.join(_quoted(cell, sheet.delimiter, every) for cell in row) for row in sheet.rows
        )
        + "\n"
    )


def _quoted(cell, delimiter, every):
    if every or delimiter in cell or '"' in cell:
        return '"' + cell.replace('"', '""') + '"'
    return cell


def _ends(line, delimiter):
    """Where the separators of a line stand, those inside quotes left out."""
    return [i for i, c in enumerate(line) if c == delimiter and line[:i].count('"') % 2 == 0]


def _a_line(lines, sheet, rng):
    return rng.randrange(min(sheet.head + 1, len(lines) - 1), len(lines))


def open_quote(text, sheet, rng):
    """A quote before a cell that no other closes."""
    lines = text.rstrip("\n").split("\n")
    i = _a_line(lines, sheet, rng)
    cells = lines[i].split(sheet.delimiter)
    j = rng.randrange(len(cells))
    cells[j] = '"' + cells[j]
    lines[i] = sheet.delimiter.join(cells)
    return "\n".join(lines) + "\n"


def loose_quote(text, sheet, rng):
    """A quote somewhere in a line."""
    lines = text.rstrip("\n").split("\n")
    i = _a_line(lines, sheet, rng)
    at = rng.randrange(len(lines[i]) + 1)
    lines[i] = lines[i][:at] + '"' + lines[i][at:]
    return "\n".join(lines) + "\n"


def one_more(text, sheet, rng):
    """A delimiter too many inside a line."""
    lines = text.rstrip("\n").split("\n")
    i = _a_line(lines, sheet, rng)
    ends = _ends(lines[i], sheet.delimiter)
    if ends:
        at = rng.choice(ends)
        lines[i] = lines[i][:at] + sheet.delimiter + lines[i][at:]
    return "\n".join(lines) + "\n"


def one_less(text, sheet, rng):
    """A delimiter lost inside a line."""
    lines = text.rstrip("\n").split("\n")
    i = _a_line(lines, sheet, rng)
    ends = _ends(lines[i], sheet.delimiter)
    if ends:
        at = rng.choice(ends)
        lines[i] = lines[i][:at] + lines[i][at + 1 :]
    return "\n".join(lines) + "\n"


def commas_for_points(text, sheet, rng):
    """Decimal commas that nobody quoted, in all lines or in one."""
    lines = text.rstrip("\n").split("\n")
    chosen = range(sheet.head + 1, len(lines)) if rng.random() < 0.6 else [_a_line(lines, sheet, rng)]
    for i in chosen:
        lines[i] = re.sub(r"(?<=\d)\.(?=\d)", ",", lines[i])
    return "\n".join(lines) + "\n"


def line_broken(text, sheet, rng):
    """A line that a mail program broke in two."""
    lines = text.rstrip("\n").split("\n")
    i = _a_line(lines, sheet, rng)
    ends = _ends(lines[i], sheet.delimiter)
    if ends:
        at = rng.choice(ends)
        lines[i : i + 1] = [lines[i][:at], lines[i][at + 1 :]]
    return "\n".join(lines) + "\n"


def header_again(text, sheet, rng):
    """The header once more, as at the top of a second page."""
    lines = text.rstrip("\n").split("\n")
    last = sheet.head + (2 if "units row" in sheet.said else 1)
    if len(lines) > last + 2:
        at = rng.randrange(last + 1, len(lines))
        lines[at:at] = lines[sheet.head : last]
    return "\n".join(lines) + "\n"


def line_twice(text, sheet, rng):
    """A line given twice."""
    lines = text.rstrip("\n").split("\n")
    i = _a_line(lines, sheet, rng)
    lines.insert(i, lines[i])
    return "\n".join(lines) + "\n"


def column_twice(text, sheet, rng):
    """A column given twice under one header."""
    lines = [line.split(sheet.delimiter) for line in text.rstrip("\n").split("\n")]
    j = rng.randrange(len(lines[sheet.head]))
    for cells in lines:
        if len(cells) > j:
            cells.append(cells[j])
    return "\n".join(sheet.delimiter.join(cells) for cells in lines) + "\n"


DAMAGES = {
    "quote opened": open_quote,
    "quote inside": loose_quote,
    "delimiter added": one_more,
    "delimiter lost": one_less,
    "decimal commas": commas_for_points,
    "line broken": line_broken,
    "header repeated": header_again,
    "line twice": line_twice,
    "column twice": column_twice,
}
ENCODINGS = ("utf-8", "utf-8", "utf-8", "utf-8-sig", "utf-16", "cp1252")


def as_workbook(sheet: Sheet, rng, damage: str) -> bytes:
    """The sheet as XLSX: numbers as numbers, some as text, percent formats, formulas nobody computed."""
    import openpyxl

    book = openpyxl.Workbook()
    page = book.active
    for row in sheet.rows:
        page.append(
            [
                float(c) if re.fullmatch(r"\d+(\.\d+)?", c) and not re.fullmatch(r"0\d+", c) else c or None
                for c in row
            ]
        )
    numbers = [
        c
        for row in page.iter_rows(min_row=sheet.head + 2)
        for c in row[1:]
        if isinstance(c.value, float) and c.value > 0
    ]
    if numbers and damage == "text for numbers":
        for cell in rng.sample(numbers, max(1, len(numbers) // 3)):
            cell.value = f"{cell.value:g}"
    elif numbers and damage == "formula without value":
        one = rng.choice(numbers)
        one.value = f"={one.value}+0"
    elif numbers and damage == "percent format":
        columns = [
            j for j, name in enumerate(sheet.rows[sheet.head]) if re.fullmatch(r"\w+[ ,_(\[]*%[)\]]?", name)
        ]
        for cell in (
            c for row in page.iter_rows(min_row=sheet.head + 2) for c in row if c.column - 1 in columns
        ):
            if isinstance(cell.value, float):
                cell.value, cell.number_format = cell.value / 100, "0.00%"
    elif damage == "zeros by format":
        for row in page.iter_rows(min_row=sheet.head + 2, max_col=1):
            if isinstance(row[0].value, str) and re.fullmatch(r"0\d+", row[0].value):
                width = len(row[0].value)
                row[0].value, row[0].number_format = int(row[0].value), "0" * width
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


BOOK_DAMAGES = ("none", "text for numbers", "formula without value", "percent format", "zeros by format")


def make_case(kind: str, rng):
    """(bytes, sheet, units, kind of damage) of one case."""
    sheet, units = MAKERS[kind](rng)
    habits = {"leaf": LEAF_HABITS, "strips": STRIP_HABITS, "soil": SOIL_HABITS}.get(kind, {})
    chosen = rng.sample(list(habits), min(len(habits), rng.choice((0, 1, 1, 2, 3))))
    chosen = [h for h in chosen if sheet.said[0] in habits[h][1] or sheet.said[-1] in habits[h][1]]
    chosen = [h for i, h in enumerate(chosen) if h not in ALONE or not set(chosen[:i]) & set(ALONE)]
    for habit in sorted(
        chosen, key=lambda h: (h == "title lines", list(habits).index(h) if h != "mean lines" else 0)
    ):
        habits[habit][0](sheet, rng)
        sheet.said.append(habit)
    if rng.random() < 0.2 and not {"stacked", "points"} & set(sheet.said):
        damage = rng.choice(BOOK_DAMAGES)
        sheet.said += ["workbook", damage]
        return (
            as_workbook(sheet, rng, damage),
            sheet,
            units,
            f"workbook, {damage}" if damage != "none" else "none",
        )
    sheet.delimiter = rng.choice((",", ",", ";", "\t", "|"))
    if sheet.delimiter != "," or rng.random() < 0.3:
        sheet.decimal = rng.choice((".", ","))
    text = written(sheet, rng)
    damage = rng.choice(("none", *DAMAGES))
    sheet.said += [f"delimiter {sheet.delimiter!r}", f"decimal {sheet.decimal}", damage]
    if damage != "none":
        text = DAMAGES[damage](text, sheet, rng)
    encoding = rng.choice(ENCODINGS)
    data = text.replace("\n", rng.choice(("\n", "\n", "\r\n", "\r"))).encode(encoding)
    return data, sheet, units, damage
