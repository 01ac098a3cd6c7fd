"""A part of a batch of rate trials: each trial read, all of them fitted together, the bad ones told apart."""

import csv
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import pandas as pd

from fertkit.batch.pages import write_page
from fertkit.batch.parts import REFUSED, Part, numbers_where_they_are, refusal, rows_of_part
from fertkit.batch.sources import PLACE
from fertkit.batch.store import typed
from fertkit.errors import FertkitError, InputError, Problem
from fertkit.intake import read_strips
from fertkit.intake.files import open_table, text_of
from fertkit.intake.strips import lines_of
from fertkit.response.averaging import AVERAGED
from fertkit.response.data import TrialData, unit_of
from fertkit.response.doubtful import doubtful_rows, order_said, say_rows
from fertkit.response.survey import read_for_survey, survey_trials

_NUMBERS = ("n", "n_rates", "lowest_rate", "highest_rate", "optimum", "low", "high")


@dataclass(frozen=True)
class Found:
    """One trial: its names in the `by` columns, its file, and its data or the words of its refusal."""

    names: tuple[str, ...]
    file: str
    data: TrialData | None = None
    message: str = ""
    n: int | None = None
    nutrient: str = ""
    crop: str = ""
    notes: str = ""

    @property
    def doubtful(self) -> str:
        """The strips that lie far from the rest, by name; "" where there are none."""
        return say_rows(doubtful_rows(self.data), self.data) if self.data else ""


def result_types(by: list[str]) -> dict[str, str]:
    """Columns of the result and their types."""
    numbers = {name: "whole" if name in ("n", "n_rates") else "number" for name in _NUMBERS}
    return {
        "file": "text", **dict.fromkeys(by, "text"), "status": "text",
        **{n: numbers[n] for n in ("optimum", "low", "high")}, "high_open": "flag", "rate_unit": "text",
        "yield_unit": "text", "nutrient": "text", "crop": "text", **numbers,
        **{f"weight_{k}": "number" for k in AVERAGED}, "doubtful": "text", "notes": "text", "message": "text",
    }  # fmt: skip


def is_tidy(columns, settings) -> bool:
    """Whether column names are those of a tidy data set of trials, or hold the columns asked for."""
    asked = {"rate_": settings.rate, "yield_": settings.yield_}
    return set(settings.by) <= set(columns) and all(
        named in columns
        if named
        else any(str(c).startswith(start) and "/" in unit_of(str(c), "") for c in columns)
        for start, named in asked.items()
    )


def first_units(source, settings) -> tuple[str, str]:
    """Units of rate and yield in the first file that can be read; ("", "") if none can."""
    for file in source.files:
        try:
            strips, _ = _read_around(file, source.name(file), settings)
        except FertkitError:
            continue
        if strips is not None and strips.rate_column:
            return strips.rate_unit, strips.yield_unit
    return "", ""


def survey_part(part: Part, settings) -> pd.DataFrame:
    """A row for every trial of a part, in its order, with the columns of `result_types`."""
    found = list(_of_rows(part, settings) if part.tidy else _of_files(part, settings))
    rows = pd.DataFrame([f.names for f in found], columns=settings.by, dtype=object)
    rows["file"] = [f.file for f in found]
    rows["status"] = REFUSED
    for name in ("message", "n", "nutrient", "crop", "doubtful", "notes"):
        rows[name] = [getattr(f, name) for f in found]
    good = [i for i, f in enumerate(found) if f.data is not None]
    if good:
        data = [found[i].data for i in good]
        optima = survey_trials(data, settings.price_ratio, settings.level).set_axis(good)
        optima["rate_unit"] = [found[i].data.rate_unit for i in good]
        optima["yield_unit"] = [found[i].data.yield_unit for i in good]
        rows = optima.combine_first(rows)
    if settings.pages:
        for i in good:
            write_page(found[i], settings, Path(part.target).parent.parent / "pages")
    return typed(rows, result_types(settings.by))[list(result_types(settings.by))]


# ---- reading


def _of_rows(part, settings):
    """Trials of a part cut from a data set."""
    frame = rows_of_part(part)
    numeric = [c for c in frame if str(c).startswith(("rate_", "yield_"))]
    for name in {*numeric, *filter(None, (settings.rate, settings.yield_, settings.weight))} & set(frame):
        frame[name] = numbers_where_they_are(frame[name], settings.decimal)
    frame[settings.by] = frame[settings.by].fillna("")
    for names, rows in frame.groupby(settings.by, sort=False):
        yield _one(names, rows, settings, str(rows[PLACE[0]].iloc[0]))


def _of_files(part, settings):
    """Trials of users' own files, each read whole."""
    for path, name in part.files:
        try:
            good, refused = _read_around(Path(path), name, settings)
        except FertkitError as error:
            yield Found(_names(settings, ""), name, message=refusal(error))
            continue
        yield from (Found(_names(settings, trial), name, message=why) for trial, why in refused.items())
        if good is not None:
            yield from _of_strips(good, name, settings)


def _of_strips(strips, file, settings):
    units = (strips.rate_unit, strips.yield_unit) if strips.rate_column else settings.units
    for names, rows in strips.table.groupby("trial", sort=False):
        names = _names(settings, str(names))
        if settings.units not in (("", ""), units):
            message = (
                f"{file}: rates in {units[0]} and yields in {units[1]}, but the prices of this batch are for "
                f"{settings.units[0]} and {settings.units[1]}. Run these trials apart, with their prices"
            )
            yield Found(names, file, message=message, n=len(rows))
            continue
        columns = {"rate": strips.rate_column or None, "yield_": strips.yield_column}
        place = dict(zip(PLACE, (file, 0), strict=True))
        yield _one(
            names,
            rows.assign(**place),
            settings,
            file,
            strips.nutrient,
            strips.crop,
            ["trial"],
            strips.notes,
            **columns,
        )


def _one(names, rows, settings, file, nutrient="", crop="", key=None, notes=(), **columns):
    columns = columns or {"rate": settings.rate, "yield_": settings.yield_}
    columns |= {"block": settings.block, "weight": settings.weight}
    own = rows.drop(columns=[*(key or settings.by), *PLACE])
    nutrient, crop = (
        said or (str(own[c].iloc[0] or "") if c in own else "")
        for said, c in ((nutrient, "nutrient"), (crop, "crop"))
    )
    told = {"n": len(rows), "nutrient": nutrient, "crop": crop}
    if not all(names):
        message = f"{file}: {len(rows)} rows without a {' or '.join(settings.by)}. Name the trial on each row"
        return Found(names, file, message=message, **told)
    try:
        data = read_for_survey(own, **columns)
        told["notes"] = " ".join(f"{note.rstrip('.')}." for note in (*_said(data), *notes))
        return Found(names, file, data, **told)
    except FertkitError as error:
        place = rows if key is None else None
        return Found(names, file, message=refusal(_of_file(error, file), place), **told)


def _said(data):
    """What the answer for one trial says beside its optimum: a repeated order, strips without a yield."""
    return filter(None, [order_said(data), *(meaning for *_, meaning in data.losses)])


def _of_file(error, file):
    return InputError(file, error.problems) if isinstance(error, InputError) else error


def _names(settings, trial):
    return (trial, *[""] * (len(settings.by) - 1))


def _read_around(path, name, settings):
    """Strips of a file, and the refusals of trials whose lines cannot be read, the others being read on."""
    asked = {"crop": settings.crop, "columns": settings.columns, **settings.reading}
    try:
        return read_strips(path, name=name, **asked), {}
    except InputError as error:
        raw = open_table(path, name=name, sheet=asked.pop("sheet", None))
        line, labels = _trials_by_line(raw, settings)
        if not labels or not all(p.row and p.row > line for p in error.problems):
            raise
        bad: dict[str, list[Problem]] = {}
        for problem in error.problems:
            bad.setdefault(labels.get(problem.row, ""), []).append(problem)
        kept = [row for i, row in enumerate(raw.cells) if i + 1 < line or labels.get(i + 1, "") not in bad]
        refused = {trial: refusal(InputError(name, problems)) for trial, problems in bad.items()}
        if len(kept) <= line:
            return None, refused
        rest = _rebuilt(raw, kept[line - 1 :])
        return read_strips(rest, name=name, **asked), refused


def _rebuilt(raw, rows):
    """The lines kept, as a table of the same kind, so that its numbers are read by the same rule."""
    if not raw.delimiter:
        return pd.DataFrame(rows[1:], columns=[text_of(c) for c in rows[0]], dtype=object)
    text = StringIO(newline="")
    csv.writer(text, delimiter=raw.delimiter).writerows(rows)
    return text.getvalue().encode()


def _trials_by_line(raw, settings):
    """Line of the headers, and the trial that each line of strips names; none where no column names it."""
    problems: list[Problem] = []
    try:
        sheet, roles = lines_of(raw, settings.columns or {}, settings.reading.get("units", {}), problems)
    except InputError:
        return 0, {}
    if "trial" not in roles:
        return 0, {}
    at = roles["trial"][0]
    labels = (text_of(row[at]) for row in sheet.rows)
    return sheet.header_line, dict(zip(sheet.lines, labels, strict=True))
