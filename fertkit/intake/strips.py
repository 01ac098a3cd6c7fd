"""Read a harvested strip trial: any sensible sheet of strips → one tidy table at trade moisture."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.errors import FertkitError, InputError, Problem
from fertkit.intake.files import RawTable, open_table, text_of
from fertkit.intake.numbers import number_style, read_number
from fertkit.intake.strip_doubts import ask_about
from fertkit.intake.strip_headers import (
    MEASURED,
    NUMBER_ROLES,
    OTHER,
    assign_roles,
    each,
    gives_unit,
    read_header,
)
from fertkit.intake.strip_moisture import (
    settle_moisture,
    settle_stated,
    standard_moisture,
    trade_source,
    traded,
)
from fertkit.reference import crop_name, list_sources
from fertkit.results import Result, checks_frame, counted
from fertkit.units import convert_area_rate

#: An applied rate further than this from the planned one is reported [share] (common practice, no source).
APPLIED_OFF = 0.05


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
    nutrient, crop : str
        Empty where the file does not tell.
    standard_moisture_pct : float or None
        Moisture to which the yields were brought [% wet basis].
    name : str
    report : DataFrame
        item, found, taken_as: what was recognised and what was adjusted.
    checks : DataFrame
    notes : tuple of str
        What the user should know of the file: the columns that no answer rests on.
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

    @property
    def table(self) -> pd.DataFrame:
        return self.strips

    @property
    def sources(self) -> pd.DataFrame:
        """Source of the trade moisture, where yields were brought to it."""
        return list_sources([trade_source(self.crop)[0]] if self.standard_moisture_pct is not None else [])

    def summary(self) -> str:
        trials, rates = self.strips["trial"].nunique(), self.strips[self.rate_column].nunique()
        blocks = self.strips.groupby("trial")["block"].nunique() if "block" in self.strips else pd.Series([0])
        span = f"{blocks.min()} to " * bool(blocks.min() < blocks.max()) + counted(blocks.max(), "block")
        lines = [
            f"{self.name}: {counted(len(self.strips), 'strip')}, {counted(trials, 'trial')}, "
            f"{counted(rates, 'rate')} of {self.nutrient or 'the product'} [{self.rate_unit}], {span}."
        ]
        if self.standard_moisture_pct is not None:
            _, mark = trade_source(self.crop)
            how = self.report.loc[self.report["item"] == "yields", "taken_as"].iloc[0]
            lines.append(f"Yields [{self.yield_unit}] {how}{mark}.")
        else:
            lines.append(f"Yields [{self.yield_unit}] as the file gives them.")
        failed = self.checks.loc[self.checks["passed"].eq(False), "meaning"]
        return "\n".join([*lines, *(f"note: {note}" for note in self.notes), *failed])


def read_strips(path_or_buffer, *, crop=None, columns=None, units=None, name=None) -> StripTrial:
    """Read a file of harvested strips.

    Parameters
    ----------
    path_or_buffer : path, bytes, file-like or DataFrame
        CSV, XLSX, XLS or ODS; one row a strip under one line of headers such as ``N rate (lb/ac)``,
        ``rate_kg_ha``, ``Yield, t/ha``, ``Moisture %``, ``rep``.
    crop : str, optional
        Crop of all strips; needed to bring moist yields to trade moisture. May stand in a column instead.
    columns : dict, optional
        Role (rate, planned, yield, moisture, trial, site, year, block, strip, position, treatment, crop,
        width, length) → header, where headers do not tell; ``other`` → one or a list of headers that are
        none of these, whatever they look like.
    units : dict, optional
        Role → unit, where the header has none, e.g. ``{"rate": "lb/ac"}``.
    name : str, optional
        Name for messages, and of the trial where the file has none; the file name by default.

    Returns
    -------
    StripTrial

    Raises
    ------
    InputError
        With every problem of the file: missing column, unknown or mixed unit, text in a number, negative
        yield, moisture that is none, strip given twice, blank trial, unknown crop; or a column without a
        role that looks like blocks or moistures.

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
    raw = _raw(path_or_buffer, name)
    problems: list[Problem] = []
    at, headers = assign_roles(raw, columns or {}, units or {}, problems)
    if problems:
        raise InputError(raw.name, problems)
    body, lines = _body(raw, at)
    problems += raw.shifted([at], [line - 1 for line in lines])
    frame, extra = _read_columns(raw, at, headers, body, lines, problems)
    _check_cells(frame, headers, lines, problems)
    ask_about(frame, extra, headers, each((columns or {}).get(OTHER, [])), problems)
    wet = _moisture(frame, headers, lines, problems)
    settle_stated(frame, headers, problems)
    crop = _find_crop(frame, crop, problems)
    standard = standard_moisture(frame, headers, crop, problems)
    if problems:
        raise InputError(raw.name, sorted(problems, key=lambda p: (p.row is None, p.row or 0)))
    return _assemble(raw, headers, frame, extra, lines, crop, standard, wet)


# ---- opening


def _raw(source, name) -> RawTable:
    if isinstance(source, pd.DataFrame):
        cells = source.astype(object).where(source.notna(), "").to_numpy().tolist()
        return RawTable(name or "table", [[str(c) for c in source.columns], *cells])
    return open_table(source, name=name)


# ---- cells


def _body(raw, at):
    rows = [(i + 1, row) for i, row in enumerate(raw.cells) if i > at and any(text_of(c) for c in row)]
    if not rows:
        raise InputError(raw.name, [Problem("there are headers but no strips", "add one line per strip")])
    return [row for _, row in rows], [line for line, _ in rows]


def _read_columns(raw, at, headers, body, lines, problems):
    """Read the cells by role; give them and the columns that play none."""
    style = number_style(
        (row[i] for row in body for role, (i, _) in headers.items() if role in NUMBER_ROLES), raw.delimiter
    )
    frame = pd.DataFrame(index=range(len(body)))
    for role, (i, header) in headers.items():
        cells = [row[i] for row in body]
        if role in NUMBER_ROLES:
            frame[role] = [
                _number(c, style, line, header, problems) for c, line in zip(cells, lines, strict=True)
            ]
        else:
            frame[role] = _labels(cells)
    extra = {}
    for i, cell in enumerate(raw.cells[at]):
        if text_of(cell) and i not in {column for column, _ in headers.values()}:
            extra[text_of(cell)] = _labels([row[i] for row in body])
    return frame, extra


def _number(cell, style, line, header, problems):
    reading = read_number(cell, style)
    complaint = reading.problem or ("a limit, not a measured value" if reading.censored else "")
    if not complaint and reading.flag and np.isfinite(reading.value):
        complaint = "text beside the number"
    if not complaint and reading.unit and reading.unit != "%":
        complaint = f"a unit '{reading.unit}' beside the number"
    if complaint:
        remedy = "write the plain number; leave the cell empty where nothing was measured"
        problems.append(Problem(complaint, remedy, line, header.text, text_of(cell)))
        return np.nan
    return reading.value


def _labels(cells):
    """Text of the cells; whole numbers and numbers as such when all of them are."""
    texts = [text_of(c) for c in cells]
    column = pd.Series([t or None for t in texts], dtype=object)
    numbers = pd.to_numeric(column, errors="coerce")
    if numbers.notna().sum() == column.notna().sum() and column.notna().any():
        whole = numbers.notna().all() and (numbers % 1 == 0).all()
        return numbers.astype("int64") if whole else numbers
    return column


def _check_cells(frame, headers, lines, problems):
    """Find empty rates, blocks and trials, and strips given twice."""
    for role in ("rate", "block"):
        if role in frame:
            text = headers[role][1].text
            gap = frame[role].isna() & ~_already(problems, text, lines)
            remedy = f"fill in the {role} or take the line out"
            _complain(gap, lines, text, f"the {role} is missing", remedy, problems)
    for role in ("trial", "site", "year"):
        if role in frame and frame[role].notna().any():
            remedy = f"write the {role} on every line; a merged cell names only its first"
            _complain(
                frame[role].isna(), lines, headers[role][1].text, f"the {role} is missing", remedy, problems
            )
    keys = [c for c in ("trial", "site", "year", "block", "strip") if c in frame]
    if "strip" in frame:
        again, what = (
            frame.duplicated(keys, keep="first") & frame["strip"].notna(),
            "this strip is given twice",
        )
    elif "block" in frame:
        again, what = frame.duplicated(keep="first"), "this line repeats an earlier one"
    else:
        return
    _complain(
        again, lines, None, what, "keep one of the two, or number the strips in a column 'strip'", problems
    )


def _already(problems, column, lines):
    told = {p.row for p in problems if p.column == column}
    return np.array([line in told for line in lines])


def _complain(rows, lines, column, what, remedy, problems, values=None):
    for i in np.flatnonzero(rows):
        value = None if values is None else f"{values.iloc[i]:g}"
        problems.append(Problem(what, remedy, lines[i], column, value))


def _moisture(frame, headers, lines, problems) -> str:
    """Check the moistures and bring them to percent; say what was converted."""
    if "moisture" not in frame:
        return ""
    header = headers["moisture"][1]
    gap = frame["moisture"].isna() & frame["yield"].notna() & ~_already(problems, header.text, lines)
    remedy = "fill in the moisture or take the yield out"
    _complain(gap, lines, header.text, "a yield without its moisture", remedy, problems)
    given = frame["moisture"].copy()

    def complain(rows, what, remedy):
        _complain(rows, lines, header.text, what, remedy, problems, given)

    return settle_moisture(frame, header, problems, complain)


# ---- crop


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


def _assemble(raw, headers, frame, extra, lines, crop, standard, wet) -> StripTrial:
    rate, harvest = headers["rate"][1], headers["yield"][1]
    suffix = {role: headers[role][1].unit.replace("/", "_").lower() for role in MEASURED if role in headers}
    adjusted, how = traded(frame, harvest, standard)
    table = pd.DataFrame({"trial": _trial(frame, Path(raw.name).stem)})
    for role in ("site", "year", "block"):
        if role in frame:
            table[role] = frame[role]
    table["strip"] = frame["strip"] if "strip" in frame else [f"row {line}" for line in lines]
    for role in ("position", "treatment"):
        if role in frame:
            table[role] = frame[role]
    table[f"rate_{suffix['rate']}"] = frame["rate"]
    if "planned" in frame:
        same = convert_area_rate(frame["planned"], headers["planned"][1].unit, rate.unit)
        table[f"planned_{suffix['rate']}"] = same.round(6)
    table[f"yield_{suffix['yield']}"] = adjusted
    if standard is not None and not harvest.dry:
        table[f"harvested_{suffix['yield']}"] = frame["yield"]
    if "moisture" in frame:
        table["moisture_pct"] = frame["moisture"]
    if standard is not None:
        table["stated_moisture_pct"] = standard
    for role in ("width", "length"):
        if role in frame:
            table[f"{role}_{suffix[role]}"] = frame[role]
    for text, column in extra.items():
        table[_extra_name(text, table)] = column.to_numpy()
    return StripTrial(
        strips=table, rate_column=f"rate_{suffix['rate']}", yield_column=f"yield_{suffix['yield']}",
        rate_unit=rate.unit, yield_unit=harvest.unit, nutrient=rate.nutrient, crop=crop,
        standard_moisture_pct=standard, name=raw.name,
        report=_report(headers, extra, crop, how, wet), checks=checks_frame(_checks(table, lines)),
        notes=_notes(headers, extra),
    )  # fmt: skip


def _trial(frame, fallback):
    named = [role for role in ("trial", "site", "year") if role in frame and frame[role].notna().any()]
    parts = [frame[role].map(text_of) for role in (["trial"] if "trial" in named else named)]
    if not parts:
        return [fallback] * len(frame)
    return parts[0] if len(parts) == 1 else parts[0] + " " + parts[1]


def _extra_name(text, table):
    """Name of a column kept as it is; never one that could pass for the rate or the yield."""
    key = "_".join(text.lower().split())
    return f"other_{key}" if key.startswith(("rate_", "yield_", "planned_")) or key in table else key


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
    rows = [_told("strips without a yield", lost, lines, "lost strips: means are adjusted for them")]
    planned = table.filter(regex="^planned_")
    if len(planned.columns):
        aim, given = planned.iloc[:, 0], table.filter(regex="^rate_").iloc[:, 0]
        off = np.flatnonzero((given - aim).abs() > APPLIED_OFF * aim.abs().max())
        rows.append(_told(
            "applied as planned", off, lines,
            "applied and planned rates differ: curves use the applied rate, comparisons the planned one",
        ))  # fmt: skip
    if "block" not in table:
        rows.append(("blocks", 0, ">= 2", False, "no blocks given: strips are taken as placed at random"))
    return rows


def _told(check, at, lines, meaning):
    where = f" (lines {', '.join(str(lines[i]) for i in at[:12])}{' and more' if len(at) > 12 else ''})"
    return (check, len(at), "0", len(at) == 0, meaning + where if len(at) else "none")
