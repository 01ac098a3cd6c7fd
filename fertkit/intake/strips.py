"""Read a harvested strip trial: any sensible sheet of strips → one tidy table at trade moisture."""

import re
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from fertkit.asked import a_file, a_flag, a_text, above_zero, asks, headers_by_role, words_by_name
from fertkit.errors import FertkitError, InputError, Note, notes_about
from fertkit.intake import moisture, strip_checks
from fertkit.intake.blocks_told import blocks_from_plots, blocks_from_square
from fertkit.intake.columns import OTHER, chosen_roles, each
from fertkit.intake.grid import find_sheet, header_key, hidden_rows
from fertkit.intake.plausible import ask_whether_real
from fertkit.intake.spellings import note, problem
from fertkit.intake.strip_columns import strip_columns
from fertkit.intake.strip_headers import FACTORS, MEASURED, PLACES, read_header
from fertkit.intake.strip_lines import average_parts, check_cells, fill_down, read_cells, set_aside
from fertkit.intake.strip_notes import (
    assumed_units,
    checks_of,
    one_yield_in_a_block,
    reading_table,
    unused_columns,
    which_rates,
)  # fmt: skip
from fertkit.intake.strip_nutrients import OF, settle_nutrients
from fertkit.intake.strip_rates import add_rates, none_applied, settle_product, yields_from_weights
from fertkit.intake.strip_wide import lengthen
from fertkit.intake.units import area_unit
from fertkit.reference.crops import crop_name
from fertkit.reference.load import list_sources
from fertkit.results import Result, checks_frame, counted
from fertkit.tables import open_table, text_of
from fertkit.units import convert_area_rate


@dataclass(frozen=True)
class StripTrial(Result):
    """Harvested strips of one or several trials, tidy.

    Attributes
    ----------
    strips : DataFrame
        One row a strip: trial, site and year (when given), block (when given), strip, ``rate_<unit>`` as
        applied, ``planned_<unit>`` (when given), ``yield_<unit>`` at trade moisture, ``harvested_<unit>`` as
        harvested, moisture_pct (at harvest), stated_moisture_pct (of ``yield_<unit>``), width and length with
        their unit, and the file's other columns.
    rate_column, yield_column : str
    rate_unit, yield_unit : str
        ``rate_column`` and ``rate_unit`` are empty where the file names treatments and no rates.
    nutrient, crop : str
        Empty where the file does not tell.
    standard_moisture_pct : float or None
        Moisture to which the yields were brought [% wet basis].
    name : str
    report : DataFrame
        item, found, taken_as: what was recognised and what was adjusted.
    checks : DataFrame
    notes : tuple of str
        What the user should know of the file: what was taken otherwise than it stands, and the columns that
        no answer rests on.
    factor : str
        Column of a second factor beside the rates or treatments, empty where there is none.
    factor_header : str
        Its header as the file writes it.
    treatment_header : str
        That of the treatments, empty where they are rates.
    rate_columns : dict of str to str
        Nutrient -> column of its rates, where the file crosses several; `rate_column` is empty then, and
        ``treatment`` names the combinations.
    whole : bool
        The file says that the second factor lies on whole strips, of which the others are parts.
    """

    strips: pd.DataFrame
    rate_column: str
    yield_column: str
    rate_unit: str
    yield_unit: str
    nutrient: str
    crop: str
    standard_moisture_pct: float | None
    name: str
    report: pd.DataFrame
    checks: pd.DataFrame
    notes: tuple[str, ...] = ()
    factor: str = ""
    whole: bool = False
    rate_columns: dict = field(default_factory=dict)
    factor_header: str = ""
    treatment_header: str = ""

    @property
    def table(self) -> pd.DataFrame:
        return self.strips

    def with_strips(self, strips) -> "StripTrial":
        """The same with some of the strips, such as those of one trial."""
        notes = notes_about(self.notes, strips["trial"].astype(str)) if "trial" in strips else self.notes
        return replace(self, strips=strips, notes=notes)

    @property
    def sources(self) -> pd.DataFrame:
        """Source of the trade moisture, where yields were brought to it."""
        brought = self.standard_moisture_pct is not None
        return list_sources([moisture.trade_source(self.crop)[0]] if brought else [])


@asks(
    path_or_buffer=a_file, crop=a_text, columns=headers_by_role, units=words_by_name, name=a_text,
    sheet=a_text, analysis=a_text, density=above_zero, real_yields=a_flag,
)  # fmt: skip
def read_strips(
    path_or_buffer,
    *,
    crop=None,
    columns=None,
    units=None,
    name=None,
    sheet=None,
    analysis=None,
    density=None,
    real_yields=False,
) -> StripTrial:
    """Read a file of harvested strips.

    Parameters
    ----------
    path_or_buffer : path, bytes, file-like or DataFrame
        CSV, XLSX, XLS or ODS; one row a strip under one line of headers such as ``N rate (lb/ac)``,
        ``rate_kg_ha``, ``Yield, t/ha``, ``Moisture %``, ``rep``; or a wide sheet, rates across and blocks
        down or the reverse. Treatments may be named instead of given a rate: there is no curve then.
    crop : str, optional
        Crop of all strips; needed to bring moist yields to trade moisture. May stand in a column instead.
    columns : dict, optional
        Role (rate, planned, yield, weight, moisture, trial, site, year, block, strip, position, treatment,
        factor, whole, crop, width, length, area) → header, where headers do not tell; ``other`` → one or a
        list of headers that are none of these, whatever they look like. ``A + B`` as the rate is the sum of
        two columns. ``factor`` is a second factor beside the rates, ``whole`` one that lies on whole strips.
    units : dict, optional
        Role → unit, where the header has none, e.g. ``{"rate": "lb/ac"}``.
    name : str, optional
        Name for messages, and of the trial where the file has none; the file name by default.
    sheet : str, optional
        Sheet of a workbook, where several are filled.
    analysis : str, optional
        What the product holds whose rates the file gives: ``28-0-0``, ``46 % P2O5``, a product of the table
        such as ``urea``; ``none`` leaves the rates in amounts of the product.
    density : float, optional
        Weight of the product where rates are volumes [lb/gal; kg/L for litres per hectare].
    real_yields : bool
        Zeros and very low yields were measured; by default they are asked about, for a strip that was lost
        has no yield.

    Raises
    ------
    InputError
        With every problem of the file: missing column, unknown or mixed unit, text in a number, impossible
        yield or moisture, strip given twice, blank trial, unknown crop; a column without a role that looks
        like blocks or moistures; a second factor; a product whose analysis is not known.

    Examples
    --------
    >>> from fertkit.intake import read_strips
    >>> from io import StringIO
    >>> sheet = "block,rate lb/ac,yield bu/ac\\n1,0,48.1\\n1,60,55.0\\n2,0,47.2\\n2,60,56.3\\n"
    >>> read_strips(StringIO(sheet)).table[["block", "rate_lb_ac", "yield_bu_ac"]]
       block  rate_lb_ac  yield_bu_ac
    0      1         0.0         48.1
    1      1        60.0         55.0
    2      2         0.0         47.2
    3      2        60.0         56.3
    """
    raw = open_table(path_or_buffer, name=name, sheet=sheet)
    columns, units = columns or {}, units or {}
    problems = []
    lines, headers = lines_of(raw, columns, units, problems)
    problems += raw.shifted([lines.header_line - 1], sorted({line - 1 for line in lines.lines}))
    draft = read_cells(lines, headers, problems)
    crop = _find_crop(draft, crop)
    notes = [f"sheet '{other}' holds only words and is not read" for other in raw.remarks]
    notes += [Note(hidden.what, hidden.in_code) for hidden in hidden_rows(raw, draft.lines)]
    notes += [*lines.notes, *none_applied(lines, headers), *settle_nutrients(draft, analysis)]
    notes += add_rates(draft)
    notes += settle_product(draft, analysis, density)
    notes += _yields_from_bags(draft)
    notes += yields_from_weights(draft, crop, area_unit(units.get("yield", "")))
    notes += [*blocks_from_plots(draft), *blocks_from_square(draft), *_named(draft, columns)]
    _set_apart_coarse_names(draft)
    if not problems and "yield" in draft.frame and (points := strip_checks.points_in(draft)):
        raise _refusal(raw, [points])
    check_cells(draft)
    known = each(columns.get(OTHER, []))
    strip_checks.ask_about(draft, known)
    if "yield" not in draft.frame:
        raise _refusal(raw, problems)
    wet = moisture.settle_moisture(draft)
    moisture.settle_stated(draft)
    standard = moisture.standard_moisture(draft, crop)
    ask_whether_real(draft, crop, standard, real_yields)
    if not problems:
        strip_checks.check_second_factor(draft, known)
    if not problems:
        notes += [*strip_checks.join_near_rates(draft), *strip_checks.check_written_twice(draft)]
        notes += strip_checks.levels_left_out(draft, known)
    if problems:
        raise _refusal(raw, problems)
    return _assemble(raw.name, draft, crop, standard, wet, notes)


def lines_of(raw, columns, units, problems):
    """Find the lines of strips of a table, whatever its shape, and the roles of its columns.

    Returns
    -------
    sheet : Sheet
    headers : dict
        Role -> (column index, Header).

    Raises
    ------
    InputError
        If a column is missing or can be read two ways, or there are no strips.
    """
    named = chosen_roles(columns)
    sheet = find_sheet(raw, lambda cell: header_key(cell) in named or bool(read_header(str(cell)).role))
    sheet = lengthen(sheet, raw, columns, units)
    headers = strip_columns(sheet, columns, units, problems)
    if problems:
        from fertkit.intake.kinds import refusal

        raise refusal([raw], "strips", problems)
    sheet = fill_down(set_aside(_without_borders(sheet), headers, problems), headers)
    if not sheet.rows:
        raise InputError(raw.name, [problem("no strips")])
    return sheet, headers


def _without_borders(sheet):
    """Leave out the border strips that the file of a layout lists; they belong to no block."""
    kinds = [i for i, header in enumerate(sheet.headers) if header_key(header) == "kind"]
    borders = [any(text_of(row[i]) == "border" for i in kinds) for row in sheet.rows]
    if not any(borders):
        return sheet
    rows, lines = (
        [v for v, out in zip(of, borders, strict=True) if not out] for of in (sheet.rows, sheet.lines)
    )
    notes = (*sheet.notes, f"{counted(sum(borders), 'border strip')} left out")
    return replace(sheet, rows=rows, lines=lines, notes=notes)


def _refusal(raw, problems):
    return InputError(raw.name, sorted(problems, key=lambda p: (p.row is None, p.row or 0)))


def _set_apart_coarse_names(draft):
    """Keep names of treatments that stand for several rates of a block as a column nothing rests on."""
    frame = draft.frame
    if {"treatment", "rate"} <= set(frame):
        rate = frame["planned" if "planned" in frame else "rate"]
        by = [draft.place, frame["treatment"], *([frame["block"]] if "block" in frame else [])]
        if rate.groupby(by).transform("first").ne(rate).any():
            draft.extra[draft.headers.pop("treatment")[1].text] = frame.pop("treatment")


def _named(draft, columns) -> list[Note]:
    """Call numbered treatments by the one column that has a name of its own for each; say so."""
    frame = draft.frame
    if "treatment" in columns or draft.treated != "treatment" or "treatment" not in frame:
        return []
    numbers = frame["treatment"]
    if not pd.api.types.is_numeric_dtype(numbers):
        return []
    names = [
        text for text, cells in draft.extra.items()
        if cells.notna().all() and all(re.search(r"[^\W\d_]{2}", str(cell)) for cell in set(cells))
        and len({*zip(numbers, cells, strict=True)}) == cells.nunique() == numbers.nunique()
    ]  # fmt: skip
    if len(names) != 1:
        return []
    number, name = draft.text("treatment"), names[0]
    frame["treatment"] = draft.extra.pop(name)
    draft.change("treatment", text=name)
    return [note("treatments named", header=number, names=name)]


def _find_crop(draft, crop) -> str:
    named = draft.frame["crop"].dropna().astype(str).unique() if "crop" in draft.frame else []
    known = {}
    for text in [*named, *([crop] if crop else [])]:
        try:
            known[crop_name(text)] = None
        except FertkitError as error:
            draft.ask("crop not known", what=error.what, remedy=error.remedy)
    if len(known) > 1:
        draft.ask("several crops", crops=", ".join(known))
    return next(iter(known), "")


# ---- the tidy table


def _assemble(name, draft, crop, standard, wet, notes) -> StripTrial:
    harvest, rate = draft.header("yield"), draft.header("rate") if "rate" in draft.headers else None
    adjusted, how = moisture.traded(draft.frame, harvest, standard)
    table, factor = _tidy(name, draft, standard, adjusted)
    rate_column = _column("rate", rate.unit) if rate else ""
    keys, lines = _strip_keys(draft.frame, table, rate_column), draft.lines
    keys += [factor] * bool(keys and factor)
    if keys:
        table, lines, averaged = average_parts(table, keys, lines)
        notes = [*notes, *averaged]
    notes = [*notes, *assumed_units(draft.headers), *moisture.dried(draft, standard)]
    notes += [*which_rates(draft), *unused_columns(draft), *one_yield_in_a_block(table, lines)]
    return StripTrial(
        strips=table, rate_column=rate_column, yield_column=_column("yield", harvest.unit),
        rate_unit=rate.unit if rate else "", yield_unit=harvest.unit, nutrient=rate.nutrient if rate else "",
        crop=crop, standard_moisture_pct=standard, name=name, report=reading_table(draft, crop, how, wet),
        checks=checks_frame(checks_of(table, lines)), notes=tuple(notes),
        factor=factor, whole="whole" in draft.frame,
        factor_header=next((draft.text(role) for role in FACTORS if role in draft.frame), ""),
        treatment_header=draft.text("treatment") if "treatment" in draft.frame else "",
        rate_columns={nutrient: column for nutrient, (_, column) in _several_rates(draft).items()},
    )  # fmt: skip


def _yields_from_bags(draft) -> list[str]:
    """Restate yields in bags of a stated mass in its unit; say so."""
    if "yield" not in draft.frame or not (bag := draft.header("yield").bag):
        return []
    draft.frame["yield"] *= bag
    unit = draft.header("yield").unit
    return [note("bags weighed", mass=f"{bag:g} {unit.partition('/')[0]}", unit=unit)]


def _column(role, unit):
    return f"{role}_{unit.replace('/', '_').lower()}"


def _tidy(name, draft, standard, adjusted) -> tuple[pd.DataFrame, str]:
    """The table of strips, a row a line, and its column of a second factor."""
    frame = draft.frame
    columns = {role: _column(role, draft.header(role).unit) for role in MEASURED if role in draft.headers}
    table = pd.DataFrame({"trial": _trial(frame, Path(name).stem)})
    names = frame if "strip" in frame else frame.assign(strip=_row_names(draft.lines))
    for role in ("site", "year", "block", "strip", "position", "treatment"):
        if role in names:
            table[role] = names[role]
    if "rate" in frame:
        table[columns["rate"]] = frame["rate"].astype(float)
    for role, column in _several_rates(draft).values():
        table[column] = frame[role].astype(float)
    if "planned" in frame:
        unit = draft.header("rate").unit
        same = convert_area_rate(frame["planned"], draft.header("planned").unit, unit)
        table[_column("planned", unit)] = same.round(6)
    table[columns["yield"]] = adjusted
    if standard is not None and not draft.header("yield").dry:
        table[columns["yield"].replace("yield", "harvested")] = frame["yield"]
    if "moisture" in frame:
        table["moisture_pct"] = frame["moisture"]
    if standard is not None:
        table["stated_moisture_pct"] = standard
    for role in ("weight", "width", "length", "area"):
        if role in frame and draft.header(role).unit:
            table[columns[role]] = frame[role]
    factor = next((role for role in FACTORS if role in frame), "")
    if factor:
        column, factor = frame[factor], _extra_name(draft.text(factor), table)
        table[factor] = column
    for text, column in draft.extra.items():
        table[_extra_name(text, table)] = column.to_numpy()
    return table, factor


def _several_rates(draft) -> dict[str, tuple[str, str]]:
    """Role and column of the rates of each nutrient, where the file crosses several."""
    roles = [role for role in draft.headers if role.startswith(OF)]
    named = {role: draft.header(role) for role in roles}
    return {h.nutrient: (role, _column(f"rate_{h.nutrient.lower()}", h.unit)) for role, h in named.items()}


def _row_names(lines):
    """Names of strips without one: their line, with a number behind where a line holds several."""
    n = pd.Series(lines).groupby(lines).cumcount() + 1
    return [f"row {line}" + f" ({k})" * bool(n.max() > 1) for line, k in zip(lines, n, strict=True)]


def _trial(frame, fallback):
    named = [role for role in PLACES if role in frame and frame[role].notna().any()]
    parts = [frame[role].map(text_of) for role in (["trial"] if "trial" in named else named)]
    if not parts:
        return [fallback] * len(frame)
    return parts[0] if len(parts) == 1 else parts[0] + " " + parts[1]


def _extra_name(text, table):
    """Name of a column kept as it is; never one that could pass for a rate, a yield or a label."""
    key = "_".join(word if word.isupper() else word.lower() for word in text.split())  # S stays sulfur
    taken = key in (*table, *PLACES, "block", "strip", "position", "treatment")
    if not taken and not key.startswith(("rate_", "yield_", "planned_")):
        return key
    own = text[:1].upper() + text[1:]  # the table's own names are in lower case
    return f"{own}_" if own in table else own


def _strip_keys(frame, table, rate_column):
    """Columns that name a strip, for averaging its parts; none where nothing tells parts from replicates."""
    if not {"block", "strip"} & set(frame):
        return []
    planned = [c for c in table if c.startswith("planned_")]
    named = [c for c in ("strip", "position") if c in frame and frame[c].notna().all()]
    return [
        "trial", *(c for c in ("site", "year", "block") if c in table), *named,
        *(planned[:1] or [rate_column or "treatment"]),
    ]  # fmt: skip
