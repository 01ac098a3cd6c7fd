"""Read a soil laboratory's file, whatever its shape, into one frame of tests by field, zone and point."""

import re
from collections import Counter
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from fertkit.asked import a_file, a_text, asks, headers_by_role, maybe_a_list, word_or_words_by_name
from fertkit.errors import InputError, Problem
from fertkit.intake.columns import roles_of, which_column
from fertkit.intake.dates import BY_POINTS, NO_ORDER, read_dates
from fertkit.intake.grid import hidden_rows
from fertkit.intake.leaf_lines import lines_set_aside
from fertkit.intake.leaf_tables import Block, open_layout
from fertkit.intake.numbers import NumberStyle, number_style
from fertkit.intake.soil_headers import length_unit, read_depth, read_soil_header, stated_under
from fertkit.intake.soil_layers import whole_layers
from fertkit.intake.soil_results import (
    ask_whether_real,
    furrow_slice,
    read_numbers,
    results_of,
    set_extractants,
    settle_units,
    without_copies,
    without_recommendations,
)
from fertkit.intake.spellings import listed, plain, problem
from fertkit.reference.load import list_sources
from fertkit.results import Result, checks_frame
from fertkit.tables import text_of

COLUMNS = [
    "field", "zone", "sample", "sampled", "depth_in", "top_in", "analyte", "extractant", "method", "value",
    "unit", "censored", "flag", "row", "column", "pounds",
]  # fmt: skip
LEVEL_COLUMNS = [
    "field", "zone", "analyte", "extractant", "method", "value", "unit", "n", "sd", "censored", "sampled",
    "depth_in", "top_in",
]  # fmt: skip
#: What makes results those of one test of a place.
TEST = ["field", "zone", "analyte", "extractant", "method", "unit"]
SAMPLING_DAYS = 60  # samples of a field taken closer to each other are of one sampling

_NAMES = ("sample_id", "field", "zone", "point", "place", "lab_id")
_SAMPLES = ("sample_id", "point", "place", "lab_id")
_ROLES = (*_NAMES, "sampled", "year", "depth", "depth_from", "depth_to")
_REST = re.compile(r"|[\s\-_/#.]+(?:(?:pt\.?|point|sample|s)?[\s\-_#.]*\d{1,3}[a-z]?|[a-z])")
_POINT = re.compile(
    r"(?P<field>.*[^\W\d_].*?)\s*[-_/#.]\s*(?:pt\.?|point|sample|s)?\s*(?P<point>\d{1,3}[a-z]?|[a-z])", re.I
)


@dataclass(frozen=True)
class SoilTests(Result):
    """Soil tests as read.

    Attributes
    ----------
    table : DataFrame
        One row a result: field, zone, sample, sampled (date or NaT), depth_in and top_in (end and top of
        the layer [in]; NaN and 0 where the file does not tell), pounds (lb/ac of the layer, where the file
        tells pounds), analyte (P, K, pH, buffer_pH, OM, CEC, S,
        Zn, ...), extractant, method, value [unit], unit (ppm, lb/ac, mg/l, %, meq/100 g, dS/m, index or
        ''), censored ('', '<' or '>' with the limit as value), flag (the laboratory's rating), row and
        column of the file.
    report : DataFrame
        what, item, detail, row: what was recognised, converted and not used.
    notes : tuple of Problem
        What was doubted, and did not stop the reading.
    name : str
    """

    table: pd.DataFrame
    report: pd.DataFrame
    notes: tuple[Problem, ...] = ()
    name: str = "table"

    @cached_property
    def trend(self) -> pd.DataFrame:
        """Mean over the points of each sampling from the surface; columns as those of `levels`."""
        whole = whole_layers(self.table)
        return sampling_means(pd.concat([self.table, whole], ignore_index=True) if len(whole) else self.table)

    @cached_property
    def levels(self) -> pd.DataFrame:
        """Newest sampling of each test of a field or zone.

        One row a field, zone, analyte, extractant, method, unit and depth_in: value (mean over the points),
        n, sd (NaN of one point), censored (points given as a limit, which count with it), sampled, top_in.
        """
        newest = self.trend.groupby(TEST, sort=False)["sampled"].transform("max")
        last = (self.trend["sampled"] == newest) | newest.isna()
        return self.trend[last].reset_index(drop=True)

    @property
    def checks(self) -> pd.DataFrame:
        """What a user should know of the tests before rates rest on them."""
        levels = self.levels
        undated = int(levels["sampled"].isna().sum())
        shallow = int(levels["depth_in"].isna().sum())
        limits = int((levels["censored"] > 0).sum())
        surface = self.table[self.table["value"].notna() & (self.table["top_in"] == 0)]
        left = len(surface) - int(sampling_means(self.table)["n"].sum())
        rows = [
            ("tests without a date", undated, 0, undated == 0,
             ("every test has a date", "undated tests have no known age")),
            ("tests left out", left, 0, left == 0,
             ("every test counts", f"{left} undated results do not count beside dated ones")),
            ("tests without a depth", shallow, 0, shallow == 0,
             ("every test has its depth", "state the depth: rate systems are calibrated on it")),
            ("tests beyond a limit of detection", limits, 0, limits == 0,
             ("every test is a number", "tests given as a limit count at that limit")),
        ]  # fmt: skip
        return checks_frame(rows)

    @property
    def sources(self) -> pd.DataFrame:
        """Sources of the conversion between pounds per acre and ppm, where one was made."""
        used = self.report["detail"].str.contains("lb/ac", regex=False).any() if len(self.report) else False
        return list_sources([furrow_slice()["source_key"]] if used else [])


@asks(
    source=a_file, columns=headers_by_role, units=word_or_words_by_name, sheet=a_text, decimal=a_text,
    extractant=word_or_words_by_name, date_format=a_text, fields=maybe_a_list, name=a_text,
)  # fmt: skip
def read_soil(
    source, *, columns=None, units=None, sheet=None, decimal=None, extractant=None,
    depth_in: float | None = None, date_format=None, fields=None, name=None,
) -> SoilTests:  # fmt: skip
    """Read a laboratory file of soil tests.

    Wide, long and transposed tables, one or two header rows, CSV, TSV, XLSX, XLS and ODS are told apart by
    their content, as `read_tissue` does. What the file does not state is asked for: the extractant of P and
    K, the unit, the order of dates. Base saturations, ratios and recommendations are set aside and said.

    Parameters
    ----------
    source : path, bytes, file-like or DataFrame
        The file.
    columns : dict, optional
        Role (field, zone, sample_id, sampled, depth, other) or test as a header would say it
        (``P Bray-1 ppm``) → header, where headers do not tell.
    units : str or dict of analyte -> str, optional
        Unit the user vouches for, where the file states none or a wrong one: ppm, lb/ac, mg/l, ... One text
        holds for every nutrient without a unit; ``{"depth": "in"}`` for depths.
    sheet : str, optional
        Sheet of a workbook; needed if several hold soil tests.
    decimal : str, optional
        '.' or ',' where the file does not tell its decimal mark.
    extractant : str or dict of analyte -> str, optional
        Extractant where the file states none: Mehlich-3, Bray-P1, Olsen, ammonium acetate, DTPA, ... One
        text holds for every nutrient it is used for.
    depth_in : float, optional
        Sampling depth [in] where the file states none.
    date_format : str, optional
        'dmy', 'mdy', 'ymd' or a strftime pattern, for dates such as 03/04/2024.
    fields : sequence of str, optional
        Names of the fields: a sample belongs to the one its name begins with.

    Raises
    ------
    InputError
        With every problem of the file: file, row, column, value and remedy.

    Examples
    --------
    >>> from fertkit.intake.soil import read_soil
    >>> from io import StringIO
    >>> sheet = "Sample,P1 ppm,K ppm (M3),pH\\nNorth 80-1,18,141,6.4\\nNorth 80-2,22,155,6.6\\n"
    >>> levels = read_soil(StringIO(sheet)).levels
    >>> levels[["field", "analyte", "extractant", "value", "n"]].values.tolist()[:2]
    [['North 80', 'P', 'Bray-P1', 20.0, 2], ['North 80', 'K', 'Mehlich-3', 148.0, 2]]
    """
    raw, layout = _open(source, name, sheet, columns or {})
    problems = [p for block in layout.blocks for p in raw.shifted(*_rows(block))] + list(layout.asked)
    notes = [*layout.filled, *lines_set_aside(layout, "soil lines set aside")]
    results, report = results_of(layout, problems, notes)
    if not results:
        raise _refused(raw, problems or [problem("no soil tests")])
    style = number_style((r["cell"] for r in results), raw.delimiter)
    style = NumberStyle(decimal, "as given") if decimal else style
    unit_of = units if isinstance(units, dict) else {"": units} if units else {}
    results = with_places(results, layout, fields, date_format, problems, notes)
    set_layers(results, unit_of.get("depth", ""), depth_in, problems)
    set_extractants(results, layout, extractant, problems)
    results = without_recommendations(results, notes)
    read_numbers(results, style, problems)
    settle_units(results, unit_of, problems, report)
    results = [r for r in results if r["value"] == r["value"] or r["flag"]]
    ask_whether_real(results, problems, notes)
    if not problems:
        results = without_copies(results, problems, report, notes)
    if problems or not results:
        asked = dict.fromkeys(problems or [problem("no soil tests")])
        raise _refused(raw, sorted(asked, key=lambda p: p.row or 0))
    notes += hidden_rows(raw, (r["row"] for r in results))
    table = pd.DataFrame(sorted(results, key=lambda r: r["row"]), columns=COLUMNS)
    notes += [*_layers_said(table), *_limits_said(table)]
    rows = pd.DataFrame(list(dict.fromkeys(report)), columns=["what", "item", "detail", "row"])
    return SoilTests(table.astype({"sampled": "datetime64[ns]"}), rows, tuple(notes), raw.name)


def _layers_said(table):
    """What becomes of layers that begin below the surface."""
    whole, place = whole_layers(table), ["field", "zone", "analyte"]
    said = [
        problem(
            "pounds of layers added" if unit == "lb/ac" else "layers as one",
            test=test, end=listed([f"{end:g}" for end in sorted(set(ends))], 6),
        )
        for (test, unit), ends in whole.groupby(["analyte", "unit"], sort=False)["depth_in"]
    ]  # fmt: skip
    joined = set(whole[place].itertuples(index=False, name=None))
    lower = table[table["top_in"] > 0]
    left = lower[[one not in joined for one in lower[place].itertuples(index=False, name=None)]]
    if len(left):
        tops = listed([f"{top:g}" for top in sorted(set(left["top_in"]))], 6)
        said.append(problem("lower layers", tops=tops, tests=listed(dict.fromkeys(left["analyte"]), 6)))
    return said


def _limits_said(table):
    """Which tests stand for a number nobody knows."""
    of = table[table["censored"].ne("") & table["value"].notna()]
    tests = dict.fromkeys(f"{r.analyte} {r.censored} {r.value:g} {r.unit}".strip() for r in of.itertuples())
    return [problem("tests at a limit", tests=listed(tests, 6))] if tests else []


def sampling_means(table: pd.DataFrame) -> pd.DataFrame:
    """Average the points of each sampling of the surface layer; columns as those of `SoilTests.levels`.

    Samples of a field that are at most `SAMPLING_DAYS` from the next are of one sampling, dated by its last
    day. Samples without a date count only where a test of the field has no date at all.
    """
    rows = table[table["value"].notna() & (table["top_in"] == 0)].copy()
    rows = rows.sort_values(["field", "zone", "sampled"], kind="stable")
    place = [rows["field"], rows["zone"]]
    gap = rows.groupby(place, sort=False)["sampled"].diff() > pd.Timedelta(days=SAMPLING_DAYS)
    rows["sampling"] = gap.groupby(place, sort=False).cumsum().where(rows["sampled"].notna(), -1)
    rows["sampled"] = rows.groupby([*place, rows["sampling"]], sort=False)["sampled"].transform("max")
    dated = rows.groupby(TEST)["sampling"].transform("max") >= 0
    rows = rows[~dated | (rows["sampling"] >= 0)].sort_index()
    rows["limit"] = rows["censored"] != ""
    groups = rows.groupby([*TEST, "sampling", "depth_in"], sort=False, dropna=False)
    means = groups.agg(
        value=("value", "mean"), n=("value", "size"), sd=("value", "std"), censored=("limit", "sum"),
        sampled=("sampled", "max"), top_in=("top_in", "max"),
    )  # fmt: skip
    return means.reset_index()[LEVEL_COLUMNS]


# ---- the file


def _refused(raw, problems):
    from fertkit.intake.kinds import refusal

    return refusal([raw], "soil", problems)


def _rows(block):
    """Rows of the headers and of the samples; of a turned table every line that says something of them."""
    if not block.turned:
        return block.rows()
    rows = [block.above + j for j, h in enumerate(block.headers) if h.kind == "role" or h.names_nutrient]
    return rows[:1], rows[1:]


def _open(source, name, sheet, columns):
    """The table and its layout; columns that the caller names play the roles they are given."""
    roles = dict.fromkeys([*roles_of("soil"), *roles_of("leaf")])
    try:
        return open_layout(
            source, name, sheet, read_soil_header, stated_under, columns=columns, roles=roles, own="soil"
        )
    except InputError as error:
        swap = {problem("no nutrients"): problem("no soil tests")}
        raise InputError(error.file, [swap.get(p, p) for p in error.problems]) from None


# ---- whose a test is: field, zone, sample, date and layer


def with_places(results, layout, fields, date_format, problems, notes) -> list[dict]:
    """Add field, zone, sample, sampled and the cells of the depth to each result."""
    places = [place for b, block in enumerate(layout.blocks) for place in _places(b, block)]
    gaps = [place for place in places if place["field_column"] and not place["field"]]
    problems += [problem("place missing", place["row"], role="field") for place in gaps]
    nameless = [place for place in places if not (place["field"] or place["zone"] or place["sample"])]
    problems += [problem("soil no field", place["row"]) for place in nameless[:1]]
    for b, block in enumerate(layout.blocks):
        own = [place for place in places if place["block"] == b]
        if block.turned and len(own) > 1 and not any(place["column_named"] for place in own):
            problems.append(problem("soil samples unnamed", own[0]["row"]))
        problems += _named_twice(block)
    _name_fields(places, fields or (), notes)
    _read_dates(places, date_format, problems, notes)
    of = {(place["block"], place["line"]): place for place in places}
    return [of[r["block"], r["line"]] | r for r in results]


def _places(b, block: Block):
    """Field, zone, sample, date and depth of each line of a table, from its columns or the lines above."""
    columns = {role: block.columns("role", role) for role in _ROLES}
    if not any(columns[role] for role in _NAMES):
        loose = (j for j in range(next(iter(block.results), 0)) if _is_loose(block, j))
        columns["sample_id"] = [j for j in loose if any(block.cells[i][j] != "" for i in block.lines)][:1]
    for role in ("field", "sample_id"):  # of 'Sample no' and 'Sample name' the name
        columns[role] = sorted(
            columns[role], key=lambda j: all(text_of(block.cells[i][j]).isdigit() for i in block.lines)
        )
    depth_unit = next((block.headers[j].unit for j in columns["depth"] + columns["depth_to"]), "")
    for i in block.lines:
        said = {}
        for role, at in columns.items():
            cell = next((block.cells[i][j] for j in at if block.cells[i][j] != ""), "")
            said[role] = block.context[role][0] if cell == "" and role in block.context else cell
        top, end = text_of(said["depth_from"]) or "0", text_of(said["depth_to"])
        yield {
            "block": b, "line": i, "row": block.place(i, 0)[0],
            "field": text_of(said["field"]), "zone": text_of(said["zone"]),
            "sample": next((text_of(said[r]) for r in _SAMPLES if said[r] != ""), ""),
            "date": said["sampled"], "year": text_of(said["year"]),
            "field_column": bool(columns["field"]),
            "column_named": any(columns[role] for role in _NAMES),
            "depth": f"{top}-{end}" if end else text_of(said["depth"]), "depth_unit": depth_unit,
        }  # fmt: skip


def _named_twice(block):
    """Two columns of one name that say whose a sample is."""
    for role in _ROLES:
        names = [block.labels[j] for j in block.columns("role", role)]
        if len(names) > len(set(map(plain, names))):
            yield which_column(role, names, "soil")


def _is_loose(block, j):
    """Whether a column has no header that says what it holds; over the names of a turned table is 'Test'."""
    return block.headers[j].kind in ("blank", "unknown") or (
        block.turned and block.headers[j].name == "analyte"
    )


def _name_fields(places, fields, notes):
    """Name the fields of samples without one: a known one they begin with, or the name that points share."""
    bare = [place for place in places if not place["field"]]
    names = [place["sample"] or place["zone"] for place in bare]
    known = sorted(fields, key=len, reverse=True)
    stems = [hit["field"] if (hit := _POINT.fullmatch(name)) else name for name in names]
    points = Counter(stem for stem, _ in dict.fromkeys(zip(stems, names, strict=True)))
    split = Counter()
    for place, name, stem in zip(bare, names, stems, strict=True):
        shared = stem if points[stem] > 1 else name
        place["field"] = (_known_field(name, known) or name) if known else shared
        split.update([shared] * (shared != name))
    same = {plain(field): field for field in known}
    for place in places:
        place["field"] = same.get(plain(place["field"]), place["field"])
    if split and not known:
        told = (f"{field} ({n} samples)" for field, n in split.items())
        notes.append(problem("points of a field", named=listed(told, 6)))


def _known_field(name, known):
    """The known field that a sample is named after, with the number of a point or without; or ''."""
    bare = plain(name)
    rests = ((f, bare[len(plain(f)) :]) for f in known if bare.startswith(plain(f)))
    return next((f for f, rest in rests if _REST.fullmatch(rest)), "")


def _read_dates(places, date_format, problems, notes):
    """Read the dates of sampling, in place; a year alone is its first day, an unclear one is asked about."""
    alone = [text_of(p["date"]) == "" and bool(re.fullmatch(r"(19|20)\d\d", p["year"])) for p in places]
    cells = [f"{p['year']}-01-01" if year else p["date"] for p, year in zip(places, alone, strict=True)]
    notes += [problem("year alone")] * any(alone)
    dates, complaints, order = read_dates(cells, date_format)
    if order == BY_POINTS:
        notes.append(problem("soil dates read", order=order))
    for place, date, what in zip(places, dates, complaints, strict=True):
        place["sampled"] = date
        if what:
            key = "soil date order" if what == NO_ORDER else "soil date not read"
            problems.append(problem(key, place["row"], "sampled", text_of(place["date"])))


def set_layers(results, unit, depth_in, problems):
    """Give each result the top and end of its layer [in]: of its header, its line, or as the caller says."""
    unit, otherwise = length_unit(unit) if unit else "", np.nan if depth_in is None else depth_in
    asked = {}
    for r in results:
        layer, text = r["span"] or (0.0, otherwise), r["depth"]
        if not r["span"] and plain(text) not in ("", "-", "na", "n/a"):
            layer = read_depth(text, unit or r["depth_unit"])
        if isinstance(layer, str):
            asked.setdefault(text, problem("depth not read", r["row"], "depth", text, what=layer))
            layer = 0.0, np.nan
        r["top_in"], r["depth_in"] = layer
    problems += asked.values()
