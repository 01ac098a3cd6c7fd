"""Read a harvested strip trial: any sensible sheet of strips → one tidy table at trade moisture."""

from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.asked import a_file, a_flag, a_text, above_zero, asks, headers_by_role, words_by_name
from fertkit.errors import FertkitError, InputError, Note, Problem
from fertkit.intake.files import RawTable, open_table, text_of
from fertkit.intake.strip_average import average_parts
from fertkit.intake.strip_blocks import APPLIED_OFF, blocks_from_plots, check_written_twice, join_near_rates
from fertkit.intake.strip_cells import already, check_cells, complain, read_columns
from fertkit.intake.strip_doubts import ask_about, place_of
from fertkit.intake.strip_factor import check_second_factor
from fertkit.intake.strip_headers import MEASURED, OTHER, area_unit, each, read_header, say_column
from fertkit.intake.strip_lines import fill_down, set_aside
from fertkit.intake.strip_moisture import (
    dried,
    settle_moisture,
    settle_stated,
    standard_moisture,
    traded,
)
from fertkit.intake.strip_plausible import ask_whether_real
from fertkit.intake.strip_points import points_in
from fertkit.intake.strip_rates import add_rates, none_applied, settle_product
from fertkit.intake.strip_roles import assign_roles, gives_unit
from fertkit.intake.strip_sheet import find_sheet
from fertkit.intake.strip_trial import StripTrial
from fertkit.intake.strip_units import cell_parts
from fertkit.intake.strip_weight import yields_from_weights
from fertkit.intake.strip_wide import lengthen
from fertkit.reference.crops import crop_name
from fertkit.results import checks_frame
from fertkit.units import convert_area_rate


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
        crop, width, length, area) → header, where headers do not tell; ``other`` → one or a list of headers
        that are none of these, whatever they look like. ``A + B`` as the rate is the sum of two columns.
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

    Returns
    -------
    StripTrial

    Raises
    ------
    InputError
        With every problem of the file: missing column, unknown or mixed unit, text in a number, negative or
        impossible yield, a yield of zero, moisture that is none, strip given twice, blank trial, unknown
        crop; a column without a role that looks like blocks or moistures; a second factor; a product whose
        analysis is not known.

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
    raw = _raw(path_or_buffer, name, sheet)
    columns, units = columns or {}, units or {}
    problems: list[Problem] = []
    lines, headers = lines_of(raw, columns, units, problems)
    problems += raw.shifted([lines.header_line - 1], sorted({line - 1 for line in lines.lines}))
    frame, extra = read_columns(lines, headers, problems)
    crop = _find_crop(frame, crop, problems)
    notes = [f"sheet '{other}' holds words alone and is not read" for other in raw.remarks]
    notes += [*lines.notes, *none_applied(lines, headers), *add_rates(frame, headers, problems)]
    notes += settle_product(frame, headers, analysis, density, problems)
    wanted = area_unit(units.get("yield", ""))
    notes += yields_from_weights(frame, headers, lines.lines, crop, wanted, problems)
    notes += blocks_from_plots(frame, headers)
    _set_apart_coarse_names(frame, extra, headers)
    if not problems and "yield" in frame and (told := points_in(frame, extra)):
        raise _refusal(raw, [told])
    check_cells(frame, headers, lines, problems)
    known = each(columns.get(OTHER, []))
    ask_about(frame, extra, headers, known, problems)
    if "yield" not in frame:
        raise _refusal(raw, problems)
    wet = _moisture(frame, headers, lines.lines, problems)
    settle_stated(frame, headers, problems)
    standard = standard_moisture(frame, headers, crop, problems)
    ask_whether_real(frame, headers, lines.lines, crop, standard, real_yields, problems)
    if not problems:
        check_second_factor(frame, extra, headers, known, problems)
    if not problems:
        notes += join_near_rates(frame, headers)
        notes += check_written_twice(frame, headers, lines.lines, problems)
    if problems:
        raise _refusal(raw, problems)
    return _assemble(raw, headers, frame, extra, lines.lines, crop, standard, wet, notes)


def _set_apart_coarse_names(frame, extra, headers):
    """Keep names of treatments that stand for several rates of a block as a column nothing rests on."""
    if {"treatment", "rate"} <= set(frame):
        rate = frame["planned" if "planned" in frame else "rate"]
        by = [place_of(frame), frame["treatment"], *([frame["block"]] if "block" in frame else [])]
        if rate.groupby(by).transform("first").ne(rate).any():
            extra[headers.pop("treatment")[1].text] = frame.pop("treatment")


def lines_of(raw, columns, units, problems):
    """The lines of strips of a table, whatever its shape, and the roles of its columns.

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
    named = [header for of in columns.values() for header in each(of)]
    sheet = lengthen(find_sheet(raw, named), raw, columns, units)
    headers = assign_roles(sheet, columns, units, problems)
    if problems:
        raise _refusal(raw, problems)
    sheet = fill_down(set_aside(sheet, headers, problems), headers)
    if not sheet.rows:
        raise InputError(raw.name, [Problem("there are headers but no strips", "add one line per strip")])
    return sheet, headers


def _refusal(raw, problems):
    return InputError(raw.name, sorted(problems, key=lambda p: (p.row is None, p.row or 0)))


# ---- opening


def _raw(source, name, sheet) -> RawTable:
    if isinstance(source, pd.DataFrame):
        cells = source.astype(object).where(source.notna(), "").to_numpy().tolist()
        return RawTable(name or "table", [[str(c) for c in source.columns], *cells])
    return open_table(source, name=name, sheet=sheet)


# ---- moisture and crop


def _moisture(frame, headers, lines, problems) -> str:
    """Check the moistures and bring them to percent; say what was converted."""
    if "moisture" not in frame:
        return ""
    header = headers["moisture"][1]
    gap = frame["moisture"].isna() & frame["yield"].notna() & ~already(problems, header.text, lines)
    remedy = "fill in the moisture or take the yield out"
    complain(gap, lines, header.text, "a yield without its moisture", remedy, problems)
    given = frame["moisture"].copy()

    def tell(rows, what, remedy):
        complain(rows, lines, header.text, what, remedy, problems, given)

    return settle_moisture(frame, header, problems, tell)


def _find_crop(frame, crop, problems) -> str:
    named = [] if "crop" not in frame else list(dict.fromkeys(frame["crop"].dropna().astype(str)))
    known = []
    for text in [*named, *([crop] if crop else [])]:
        try:
            known.append(crop_name(text))
        except FertkitError as error:
            message = str(error)
            what, _, valid = message.partition("; ")
            problems.append(Problem(what, valid or "name a crop of the table"))
    if len(set(known)) > 1:
        problems.append(Problem(
            f"more than one crop: {', '.join(dict.fromkeys(known))}", "read the trials of one crop at a time"
        ))  # fmt: skip
    return known[0] if known else ""


# ---- the tidy table


def _assemble(raw, headers, frame, extra, lines, crop, standard, wet, notes) -> StripTrial:
    harvest, rate = headers["yield"][1], headers["rate"][1] if "rate" in headers else None
    adjusted, how = traded(frame, harvest, standard)
    table = _tidy(raw, headers, frame, extra, lines, standard, adjusted)
    suffix = {role: _suffix(headers[role][1].unit) for role in ("rate", "yield") if role in headers}
    rate_column = f"rate_{suffix['rate']}" if rate else ""
    keys = _strip_keys(frame, table, rate_column)
    table, lines, said = average_parts(table, keys, lines) if keys else (table, lines, [])
    notes = [*notes, *said, *_assumed(headers), *dried(frame, headers, standard), *_planned(headers)]
    if not rate:
        text = headers["treatment"][1].text
        told = f"'{text}' names treatments and no rates: means are compared, and there is no curve"
        if sum(bool(cell_parts(str(label), "rate")[2]) for label in set(frame["treatment"])) > 1:
            told += "; if the numbers in it are rates, write 'N rate (lb/ac)' or the like as its header"
            told = Note(told, f"{say_column('rate', text)}, and their unit")
        notes.append(told)
    return StripTrial(
        strips=table, rate_column=rate_column, yield_column=f"yield_{suffix['yield']}",
        rate_unit=rate.unit if rate else "", yield_unit=harvest.unit, nutrient=rate.nutrient if rate else "",
        crop=crop, standard_moisture_pct=standard, name=raw.name,
        report=_report(headers, extra, crop, how, wet), checks=checks_frame(_checks(table, lines)),
        notes=(*notes, *_notes(headers, extra)),
    )  # fmt: skip


def _suffix(unit):
    return unit.replace("/", "_").lower()


def _tidy(raw, headers, frame, extra, lines, standard, adjusted) -> pd.DataFrame:
    """The table of strips, a row a line."""
    suffix = {role: _suffix(headers[role][1].unit) for role in MEASURED if role in headers}
    table = pd.DataFrame({"trial": _trial(frame, Path(raw.name).stem)})
    for role in ("site", "year", "block"):
        if role in frame:
            table[role] = frame[role]
    table["strip"] = frame["strip"] if "strip" in frame else _row_names(lines)
    for role in ("position", "treatment"):
        if role in frame:
            table[role] = frame[role]
    if "rate" in frame:
        table[f"rate_{suffix['rate']}"] = frame["rate"].astype(float)
    if "planned" in frame:
        same = convert_area_rate(frame["planned"], headers["planned"][1].unit, headers["rate"][1].unit)
        table[f"planned_{suffix['rate']}"] = same.round(6)
    table[f"yield_{suffix['yield']}"] = adjusted
    if standard is not None and not headers["yield"][1].dry:
        table[f"harvested_{suffix['yield']}"] = frame["yield"]
    if "moisture" in frame:
        table["moisture_pct"] = frame["moisture"]
    if standard is not None:
        table["stated_moisture_pct"] = standard
    for role in ("weight", "width", "length", "area"):
        if role in frame and suffix.get(role):
            table[f"{role}_{suffix[role]}"] = frame[role]
    for text, column in extra.items():
        table[_extra_name(text, table)] = column.to_numpy()
    return table


def _row_names(lines):
    """Names of strips without one: their line, with a number behind where a line holds several."""
    n = pd.Series(lines).groupby(lines).cumcount() + 1
    wide = bool(n.max() > 1)
    return [f"row {line}" + f" ({k})" * wide for line, k in zip(lines, n, strict=True)]


def _strip_keys(frame, table, rate_column):
    """Columns that name a strip, for averaging its parts; none where nothing tells parts from replicates."""
    if not {"block", "strip"} & set(frame):
        return []
    planned = [c for c in table if c.startswith("planned_")]
    named = [c for c in ("strip", "position") if c in frame and frame[c].notna().all()]
    treated = planned[:1] or ([rate_column] if rate_column else ["treatment"])
    return ["trial", *(c for c in ("site", "year", "block") if c in table), *named, *treated]


def _assumed(headers):
    """Say which units were completed from another column."""
    for _, header in dict.fromkeys(headers.values()):
        if header.assumed:
            yield f"'{header.text}' is taken as {header.unit}: the file speaks of no other area"


def _planned(headers):
    """Say which of two columns of rates a curve rests on."""
    if {"rate", "planned"} <= set(headers):
        rate, plan = (headers[role][1].text for role in ("rate", "planned"))
        yield f"curves rest on the rates of '{rate}'; '{plan}' is the plan, which tells the treatments apart"


def _trial(frame, fallback):
    named = [role for role in ("trial", "site", "year") if role in frame and frame[role].notna().any()]
    parts = [frame[role].map(text_of) for role in (["trial"] if "trial" in named else named)]
    if not parts:
        return [fallback] * len(frame)
    return parts[0] if len(parts) == 1 else parts[0] + " " + parts[1]


def _extra_name(text, table):
    """Name of a column kept as it is; never one that could pass for a rate, a yield or a label."""
    key = "_".join(text.lower().split())
    taken = key in (*table, "trial", "site", "year", "block", "strip", "position", "treatment")
    return f"other_{key}" if taken or key.startswith(("rate_", "yield_", "planned_")) else key


def _report(headers, extra, crop, how, wet) -> pd.DataFrame:
    rows = [
        (f"column '{h.text}'", h.unit or "", f"{role}{f' of {h.nutrient}' if h.nutrient else ''}")
        for role, (_, h) in headers.items()
    ]
    rows += [(f"column '{text}'", "", "kept as it is") for text in extra]
    rows += [("crop", crop or "not given", crop or "not given"), ("yields", headers["yield"][1].text, how)]
    rows += [("moistures", headers["moisture"][1].text, wet)] if wet else []
    return pd.DataFrame(rows, columns=["item", "found", "taken_as"])


def _notes(headers, extra) -> tuple[str, ...]:
    """Name the columns that no answer rests on; a column of units that was read is used."""
    unitless = [role for role, (_, h) in headers.items() if role in MEASURED and not read_header(h.text).unit]
    unused = [text for text in extra if not any(gives_unit(text, role) for role in unitless)]
    if not unused:
        return ()
    many = "s" * (len(unused) > 1)
    return (f"not used: column{many} {', '.join(repr(text) for text in unused)}",)


def _checks(table, lines):
    """What a reader should know of strips that are usable all the same."""
    lost = np.flatnonzero(table.filter(like="yield_").iloc[:, 0].isna())
    rows = [
        _told(
            "strips without a yield",
            lost,
            lines,
            "every strip has a yield",
            "lost strips: means are adjusted for them",
        )
    ]
    planned = table.filter(regex="^planned_")
    if len(planned.columns):
        aim, given = planned.iloc[:, 0], table.filter(regex="^rate_").iloc[:, 0]
        off = np.flatnonzero((given - aim).abs() > APPLIED_OFF * aim.abs().max())
        rows.append(_told(
            "applied as planned", off, lines, "the rates applied are those planned",
            "applied and planned rates differ: curves use the applied rate, comparisons the planned one",
        ))  # fmt: skip
    if "block" not in table:
        rows.append(("blocks", 0, ">= 2", False, "no blocks given: strips are taken as placed at random"))
    return rows


def _told(check, at, lines, holds, fails):
    where = f" (lines {', '.join(str(lines[i]) for i in at[:12])}{' and more' if len(at) > 12 else ''})"
    return (check, len(at), "0", len(at) == 0, (holds, fails + where))
