"""What a reference table must look like, and the check every table passes on being read.

The bundled tables and a user's own go through the same check: all problems of a file are reported
at once, each with its row, column, value and remedy.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import asks
from fertkit.errors import InputError, Problem, unknown
from fertkit.reference.text_tables import with_decimal_points
from fertkit.units import AREA_RATE_KG_HA, COMPOUNDS

PROVENANCE = ("found", "derived", "from_memory", "mixed", "common practice, no source", "own table")
CONFIDENCE = ("high", "medium", "as supplied")
NUTRIENTS = (
    "N",
    "NO3-N",
    "PO4-P",
    "SO4-S",
    "P",
    "K",
    "Ca",
    "Mg",
    "S",
    "Fe",
    "Mn",
    "Zn",
    "Cu",
    "B",
    "Mo",
    "Cl",
    "Na",
    "Al",
)
TISSUE_UNITS = ("%", "g/kg", "mg/kg", "ratio")
_UNIT_WORDS = (
    ("percent", "%"),
    ("pct", "%"),
    ("mg/g", "g/kg"),
    ("ppm", "mg/kg"),
    ("ug/g", "mg/kg"),
    ("µg/g", "mg/kg"),
)


@dataclass(frozen=True)
class Column:
    """One column of a table: its kind ('text' or 'number'), whether it must be filled, what it may hold.

    ``also`` are (word, entry) pairs of other words for an allowed entry.
    """

    name: str
    kind: str = "text"
    required: bool = False
    allowed: tuple[str, ...] = ()
    default: str = ""
    lowest: float = -np.inf
    also: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Schema:
    """Columns of one kind of table, and groups of columns of which at least one must be filled."""

    columns: tuple[Column, ...]
    any_of: tuple[str, ...] = ()
    ordered: tuple[tuple[str, str], ...] = ()  # (lower, upper) pairs of number columns


def _number(name, **options):
    return Column(name, kind="number", **options)


_TRACE = (
    Column("source_key", required=True),
    Column("provenance", allowed=PROVENANCE, default="own table"),
    Column("confidence", allowed=CONFIDENCE, default="as supplied"),
    Column("note"),
)

SCHEMAS: dict[str, Schema] = {
    "ranges": Schema(
        (
            Column("crop", required=True),
            Column("growth_stage"),
            Column("stage_from", required=True),
            Column("stage_to", required=True),
            Column("plant_part", required=True),
            Column("nutrient", required=True),
            Column("unit", required=True, allowed=TISSUE_UNITS, also=_UNIT_WORDS),
            *(_number(n, lowest=0) for n in ("low", "high", "critical", "critical_high", "toxic_above")),
            *_TRACE,
        ),
        any_of=("low", "high", "critical", "toxic_above"),
        ordered=(("low", "high"), ("critical", "critical_high"), ("high", "toxic_above")),
    ),
    "removal": Schema(
        (
            Column("crop", required=True),
            Column("harvested_part", required=True),
            Column("nutrient", required=True),
            _number("value", required=True, lowest=0),
            Column("unit", required=True, allowed=("lb/bu", "lb/ton", "lb/cwt", "lb/bale", "kg/Mg", "g/kg")),
            _number("low", lowest=0),
            _number("high", lowest=0),
            Column("moisture_basis"),
            *_TRACE,
        ),
        ordered=(("low", "value"), ("value", "high")),
    ),
    "uptake": Schema(
        (
            Column("crop", required=True),
            Column("measure", required=True, allowed=("total", "left in residue")),
            Column("nutrient", required=True),
            _number("amount", lowest=0),
            Column("amount_unit", allowed=("lb/ac", "kg/ha", "oz/ac", "")),
            _number("yield_amount", lowest=0),
            Column("yield_unit", allowed=("bu/ac", "Mg/ha", "kg/ha", "cwt/ac", "bale/ac", "")),
            Column("yield_basis"),
            _number("harvest_index", lowest=0),
            _number("removed", lowest=0),
            *_TRACE,
        ),
        any_of=("amount", "harvest_index"),
    ),
    "timing": Schema(
        (
            Column("crop", required=True),
            Column("kind", required=True),
            Column("nutrient"),
            Column("stage"),
            Column("days"),
            Column("days_from"),
            Column("gdd_f50"),
            Column("value", required=True),
            Column("unit"),
            *_TRACE,
        )
    ),
    "soil_tests": Schema(
        (
            Column("system", required=True),
            Column("status", required=True, allowed=("current", "superseded")),
            Column("crop", required=True),
            Column("nutrient", required=True),
            Column("extractant", required=True),
            _number("depth_in", lowest=0),
            Column("unit", required=True),
            Column("parameter", required=True),
            Column("low"),
            Column("high"),
            *_TRACE,
        )
    ),
    "products": Schema(
        (
            Column("material", required=True),
            Column("formula"),
            Column("grade", required=True),
            *(_number(f"{n}_pct", lowest=0) for n in ("n", "p2o5", "k2o", "s", "ca", "mg", "zn", "b")),
            Column("form", required=True),
            _number("density_lb_gal", lowest=0),
            Column("bulk_density_lb_ft3"),
            _number("salt_index", lowest=0),
            Column("critical_humidity_pct"),
            Column("salt_out_f"),
            Column("cautions"),
            *_TRACE,
        )
    ),
    "cautions": Schema(
        (
            Column("topic", required=True),
            Column("nutrient"),
            Column("material"),
            Column("text", required=True),
            *_TRACE,
        )
    ),
    "seed_limits": Schema(
        (
            Column("crop", required=True),
            Column("soil", required=True, allowed=("medium to fine", "sandy")),
            _number("row_spacing_in", lowest=0),
            _number("limit_lb_ac", required=True, lowest=0),
            *_TRACE,
        )
    ),
    "soil_systems": Schema(
        (
            Column("system", required=True),
            Column("title", required=True),
            Column("thresholds", required=True),
            Column("rule", required=True, allowed=("build-up and maintenance", "sufficiency")),
            Column("removal_source", required=True),
            _number("years", required=True, lowest=1),
            Column("at_limit", required=True, allowed=("maintenance", "nothing")),
            *_TRACE,
        )
    ),
    "soil_rates": Schema(
        (
            Column("system", required=True),
            Column("nutrient", required=True, allowed=("P", "K")),
            Column("parameter", required=True),
            _number("value", required=True),
            _number("per_cec", required=True),
            Column("unit", required=True),
            *_TRACE,
        )
    ),
    "stage_scale": Schema(
        (
            Column("crop", required=True),
            Column("stage", required=True),
            _number("days", required=True, lowest=0),
            _number("gdd_f", lowest=0),
            *_TRACE,
        )
    ),
    "yields": Schema(
        (
            Column("crop", required=True),
            Column("harvested_part", required=True),
            Column("measure", required=True, allowed=("highest", "mean")),
            _number("value", required=True, lowest=0),
            Column("unit", required=True, allowed=("bu/ac", *AREA_RATE_KG_HA)),
            Column("year"),
            *_TRACE,
        )
    ),
    "common_practice": Schema(
        (
            Column("crop", required=True),
            _number("yield_amount", required=True, lowest=0),
            Column("yield_unit", required=True),
            Column("nutrient", required=True),
            _number("uptake_lb_ac", required=True, lowest=0),
            _number("removed_lb_ac", lowest=0),
            *_TRACE,
        )
    ),
    "default_sources": Schema(
        (
            Column("crop", required=True),
            Column("use", required=True, allowed=("needs", "season")),
            _number("rank", required=True, lowest=1),
            *_TRACE,
        )
    ),
    "dilution": Schema(
        (
            Column("crop", required=True),
            Column("variant"),
            _number("a_pct", required=True, lowest=0),
            _number("b", required=True, lowest=0),
            _number("w_min_t_ha", lowest=0),
            _number("nc_below_w_min_pct", lowest=0),
            _number("w_max_t_ha", lowest=0),
            Column("region"),
            *_TRACE,
        )
    ),
    "dris_norms": Schema(
        (
            Column("crop", required=True),
            Column("plant_part", required=True),
            Column("ratio", required=True),
            _number("mean", required=True, lowest=0),
            _number("cv_pct", lowest=0),
            _number("n", lowest=0),
            Column("population"),
            *_TRACE,
        )
    ),
    "cnd_norms": Schema(
        (
            Column("crop", required=True),
            Column("plant_part", required=True),
            Column("component", required=True),
            _number("clr_mean", required=True),
            _number("clr_sd", required=True, lowest=0),
            _number("mean_g_kg", lowest=0),
            Column("filling_rule"),
            Column("yield_cutoff"),
            *_TRACE,
        )
    ),
    "constants": Schema(
        (
            Column("group", required=True),
            Column("item", required=True),
            _number("value", required=True),
            Column("unit", required=True),
            *_TRACE,
        )
    ),
}
SCHEMAS["trial_limits"] = SCHEMAS["response_limits"] = SCHEMAS["constants"]


@asks()
def check_table(frame: pd.DataFrame, kind: str, file: str) -> pd.DataFrame:
    """Check a table of text cells against the schema of its kind and convert its numbers.

    Parameters
    ----------
    frame : DataFrame
        Cells as text, one header row; row 2 of the file is index 0.
    kind : str
        A key of `SCHEMAS`.
    file : str
        Name shown in messages; its stem is the source key of rows that name none.

    Returns
    -------
    DataFrame
        Columns in schema order, numbers as float, text stripped, defaults filled.

    Raises
    ------
    InputError
        With every problem of the table.

    Examples
    --------
    >>> from fertkit.reference import check_table
    >>> import pandas as pd
    >>> try:
    ...     check_table(pd.DataFrame({"crop": ["soybean"], "nutrient": ["K2O"]}), "removal", "mine.csv")
    ... except Exception as error:
    ...     print(str(error).splitlines()[0])
    mine.csv: 3 problems
    """
    if kind not in SCHEMAS:
        raise unknown("kind of table", kind, SCHEMAS)
    schema = SCHEMAS[kind]
    frame = frame.rename(columns=lambda c: str(c).strip())
    problems = list(_column_problems(frame, schema))
    if problems:
        raise InputError(file, problems)
    frame = with_decimal_points(frame, [c.name for c in schema.columns if c.kind == "number"])
    stem = file.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0]
    clean = {}
    for column in schema.columns:
        cells = _cells(frame, column, stem)
        clean[column.name], found = _checked(cells, column)
        problems += found
    table = pd.DataFrame(clean)
    if not problems:
        problems += _row_problems(table, schema, kind)
    if problems:
        raise InputError(file, sorted(problems, key=lambda p: p.row or 0))
    return table


def _column_problems(frame, schema):
    names = [c.name for c in schema.columns]
    for column in schema.columns:
        if column.required and column.name not in frame and column.name != "source_key":
            yield Problem(
                "column is missing", f"add it; the columns are: {', '.join(names)}", column=column.name
            )
    for name in frame.columns[frame.columns.duplicated()]:
        yield Problem("column appears twice", "keep one of them", column=name)
    if frame.empty:
        yield Problem("the table has no rows", "fill in at least one row")


def _cells(frame, column, stem):
    if column.name in frame:
        cells = frame[column.name].astype(object)
        cells = cells.where(cells.notna(), "").astype(str).str.strip()
    else:
        cells = pd.Series([""] * len(frame), index=frame.index, dtype=object)
    if column.also:
        words = dict(column.also)
        cells = cells.map(lambda cell: words.get(" ".join(cell.lower().split()), cell))
    default = stem if column.name == "source_key" else column.default
    return cells.mask(cells == "", default)


def _checked(cells, column):
    problems = []
    empty = cells == ""
    if column.required:
        problems += [
            Problem("cell is empty", "fill it in", row=i + 2, column=column.name) for i in cells.index[empty]
        ]
    if column.allowed:
        wrong = ~cells.isin(column.allowed) & ~empty
        remedy = f"use one of: {', '.join(a for a in column.allowed if a)}"
        problems += [
            Problem("not a known entry", remedy, i + 2, column.name, cells[i]) for i in cells.index[wrong]
        ]
    if column.kind == "number":
        numbers = pd.to_numeric(cells.mask(empty), errors="coerce")
        wrong = (numbers.isna() & ~empty) | np.isinf(numbers)
        remedy = "write a plain number with a decimal point"
        problems += [
            Problem("not a number", remedy, i + 2, column.name, cells[i]) for i in cells.index[wrong]
        ]
        low = numbers < column.lowest
        problems += [
            Problem(f"below {column.lowest:g}", "check the value", i + 2, column.name, cells[i])
            for i in cells.index[low]
        ]
        return numbers.astype(float), problems
    return cells.astype(object), problems


def _row_problems(table, schema, kind):
    problems = []
    if schema.any_of:
        bare = table[list(schema.any_of)].isna().all(axis=1)
        names = ", ".join(schema.any_of)
        problems += [
            Problem("no value in the row", f"fill one of: {names}", row=i + 2) for i in table.index[bare]
        ]
    for lower, upper in schema.ordered:
        wrong = table[lower] > table[upper]
        problems += [
            Problem(
                f"{lower} is above {upper} ({table[upper][i]:g})",
                "swap or correct them",
                i + 2,
                lower,
                table[lower][i],
            )
            for i in table.index[wrong]
        ]
    if kind == "ranges":
        for i, name in table["nutrient"].items():
            parts = name.split(":")
            if any(part in COMPOUNDS and part not in NUTRIENTS for part in parts):
                problems.append(
                    Problem(
                        "an oxide in a tissue table",
                        "tissue is elemental: use P, K, ...",
                        i + 2,
                        "nutrient",
                        name,
                    )
                )
            elif any(part not in NUTRIENTS for part in parts):
                remedy = f"use one of: {', '.join(NUTRIENTS)}, or a ratio such as N:S"
                problems.append(Problem("unknown nutrient", remedy, i + 2, "nutrient", name))
    return problems
