"""A part of a batch of rate trials: each trial read, all of them fitted together, the bad ones told apart."""

import csv
from hashlib import blake2b
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.batch.parts import PLACE, Part, numbers_where_they_are, refusal, rows_of_part, typed
from fertkit.errors import FertkitError, InputError, Problem, notes_about
from fertkit.intake.strips import lines_of, read_strips
from fertkit.response.average import AVERAGED
from fertkit.response.data import doubtful_in_trials, unit_of
from fertkit.response.optimum import Status
from fertkit.response.survey import read_for_survey, survey_trials
from fertkit.say.response import doubtful_text, order_text
from fertkit.tables import open_table, text_of
from fertkit.writing import plain_letters

NAME, SIZE, FILES = "trial", 500, 20  # column of the names; trials, and files of unknown size, of a part
EACH = None  # every row is counted
COLUMNS = "rate_<unit> and yield_<unit>, like rate_lb_ac and yield_bu_ac"  # of a data set, beside the names
READING = ("units", "sheet", "analysis", "density", "real_yields")


def reading(settings) -> dict:
    """How files of strips are read, as far as it was said; see `fertkit.read_strips`."""
    return {name: getattr(settings, name) for name in READING if getattr(settings, name)}


def types(by: list[str]) -> dict[str, str]:
    """Columns of the result and their types."""
    return {
        "file": "text", **dict.fromkeys(by, "text"), "status": "text",
        **dict.fromkeys(("optimum", "low", "high"), "number"), "high_open": "flag",
        **dict.fromkeys(("rate_unit", "yield_unit", "nutrient", "crop"), "text"), "n": "whole",
        "n_rates": "whole", **dict.fromkeys(("lowest_rate", "highest_rate"), "number"),
        **{f"weight_{k}": "number" for k in AVERAGED}, "doubtful": "text", "notes": "text", "message": "text",
    }  # fmt: skip


def is_tidy(columns, settings) -> bool:
    """Whether column names are those of a tidy data set of trials, or hold the columns asked for."""
    held = {str(c).partition("_")[0] for c in columns if "/" in unit_of(str(c), "")}
    asked = {"rate": settings.rate, "yield": settings.response}
    return set(settings.by) <= set(columns) and all(
        named in columns if named else role in held for role, named in asked.items()
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


def work(part: Part, settings) -> pd.DataFrame:
    """A row for every trial of a part, in its order, with the columns of `types`."""
    found = list((_of_rows if part.tidy else _of_files)(part, settings))
    rows = pd.DataFrame([row for row, _ in found])
    good = {i: data for i, (_, data) in enumerate(found) if data is not None}
    if good:
        optima = survey_trials(list(good.values()), settings.price_ratio, settings.level).set_axis(list(good))
        doubts = zip(doubtful_in_trials(list(good.values())), good.values(), strict=True)
        own = [(d.rate_unit, d.yield_unit, doubtful_text(doubt, d)) for doubt, d in doubts]
        optima[["rate_unit", "yield_unit", "doubtful"]] = own
        rows = optima.combine_first(rows)
    for i, data in good.items() if settings.pages else ():
        _write_page(found[i][0], data, settings, part.target.parent.parent / "pages")
    return typed(rows, types(settings.by))


# ---- reading: each trial is its row as far as it is known, and its data or None


def _of_rows(part, settings):
    """Trials of a part cut from a data set."""
    frame = rows_of_part(part)
    numeric = [c for c in frame if str(c).startswith(("rate_", "yield_"))]
    for name in {*numeric, *filter(None, (settings.rate, settings.response, settings.weight))} & set(frame):
        frame[name] = numbers_where_they_are(frame[name], settings.decimal)
    frame[settings.by] = frame[settings.by].fillna("")
    columns = {"rate": settings.rate, "response": settings.response}
    trial = frame.groupby(settings.by, sort=False).ngroup().to_numpy()
    place, table = frame[list(PLACE)], frame.drop(columns=[*settings.by, *PLACE])
    names = frame[settings.by].iloc[np.unique(trial, return_index=True)[1]]
    return _read(table, trial, list(names.itertuples(index=False, name=None)), columns, settings, place)


def _of_files(part, settings):
    """Trials of users' own files, each read whole."""
    for path, file in part.files:
        try:
            strips, refused = _read_around(Path(path), file, settings)
        except FertkitError as error:
            strips, refused = None, {"": refusal(error)}
        yield from ((_row(settings, [trial], file, message=why), None) for trial, why in refused.items())
        if strips is not None:
            yield from _of_strips(strips, file, settings)


def _of_strips(strips, file, settings):
    """Trials of one file; those in other units than the prices are for cannot be used."""
    priced, table = settings.price_units, strips.table.drop(columns="trial")
    trial, names = pd.factorize(strips.table["trial"])
    units = (strips.rate_unit, strips.yield_unit) if strips.rate_column else priced
    if priced not in (("", ""), units):
        why = (
            f"{file}: rates in {units[0]} and yields in {units[1]}, but prices are for {priced[0]} "
            f"and {priced[1]}. Run these trials separately with their prices"
        )
        often = np.bincount(trial)
        return [
            (_row(settings, [str(name)], file, why, n=n), None) for name, n in zip(names, often, strict=True)
        ]
    columns = {"rate": strips.rate_column or None, "response": strips.yield_column}
    return _read(table, trial, [(str(name),) for name in names], columns, settings, file=file, strips=strips)


def _row(settings, names, file, message="", **told):
    named = zip(settings.by, names, strict=True)
    return {**dict(named), "file": file, "status": Status.REFUSED, "message": message, **told}


def _read(table, trial, names, columns, settings, place=None, file="", strips=None):
    """Rows of the trials of a table, and their data or None; `place` tells where its rows stand in files."""
    found = read_for_survey(table, trial, **columns, blocks=settings.blocks, weight=settings.weight)
    order = np.argsort(trial, kind="stable")
    for i, at in enumerate(np.split(order, np.flatnonzero(np.diff(trial[order])) + 1)):
        row = _row(settings, names[i], str(place[PLACE[0]].iloc[at[0]]) if file == "" else file, n=len(at))
        for name in ("nutrient", "crop"):
            known = getattr(strips, name, "")
            row[name] = known or (str(table[name].iloc[at[0]] or "") if name in table else "")
        data, error = (None, found[i]) if isinstance(found[i], FertkitError) else (found[i], None)
        if not all(row[name] for name in settings.by):
            what = f"{len(at)} rows without a {' or '.join(settings.by)}. Name the trial on each row"
            yield row | {"message": f"{row['file']}: {what}"}, None
        elif error is not None:
            named = InputError(row["file"], error.problems) if isinstance(error, InputError) else error
            yield row | {"message": refusal(named, None if place is None else place.iloc[at])}, None
        else:
            # What the answer for one trial says beside its optimum: a repeated order, strips without a yield.
            said = filter(None, [order_text(data), *(meaning for *_, meaning in data.losses)])
            notes = (*said, *notes_about(getattr(strips, "notes", ()), map(str, names[i])))
            yield row | {"notes": " ".join(f"{note.rstrip('.')}." for note in notes)}, data


def _read_around(path, name, settings):
    """Strips of a file, and the refusals of trials whose lines cannot be read, the others being read on."""
    asked = {"crop": settings.crop, "columns": settings.columns or None, **reading(settings)}
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
        rest = _rebuilt(raw, kept[line - 1 :]) if len(kept) > line else None
        return None if rest is None else read_strips(rest, name=name, **asked), refused


def _rebuilt(raw, rows):
    """The lines kept, as a table of the same kind, so that its numbers are read by the same rule."""
    if not raw.delimiter:
        return pd.DataFrame(rows[1:], columns=[text_of(c) for c in rows[0]], dtype=object)
    text = StringIO(newline="")
    csv.writer(text, delimiter=raw.delimiter).writerows(rows)
    return text.getvalue().encode()


def _trials_by_line(raw, settings):
    """Line of the headers, and the trial that each line of strips names; none where no column names it."""
    try:
        sheet, roles = lines_of(raw, settings.columns, settings.units or {}, [])
        at = roles["trial"][0]
    except (InputError, KeyError):
        return 0, {}
    return sheet.header_line, dict(zip(sheet.lines, (text_of(row[at]) for row in sheet.rows), strict=True))


# ---- a page for each single trial, where asked for, under a file name of plain letters


def page_name(file: str, names) -> str:
    """File name of a trial's page: plain letters and digits of its name, and a fingerprint of all of it."""
    return f"{plain_letters('-'.join(names)) or 'trial'}-{_fingerprint(file, names)[:12]}.html"


def seed_of(seed: int, file: str, names) -> int:
    """Seed of one trial: from the seed of the batch and the trial's name, wherever it is worked."""
    entropy = [seed, int(_fingerprint(file, names), 16)]
    return int(np.random.SeedSequence(entropy).generate_state(1)[0])


def _fingerprint(file, names):
    return blake2b("\x1f".join([file, *names]).encode("utf-8", "surrogatepass"), digest_size=16).hexdigest()


def _write_page(row, data, settings, home):
    """Write the page of a usable trial."""
    from fertkit.report.trial import answer_trial

    names = [row[name] for name in settings.by]
    columns = {"trial": " ".join(names), data.columns[0]: data.rate, data.columns[1]: data.yields}
    columns |= {} if data.block is None else {"block": data.block}
    try:
        answer = answer_trial(
            pd.DataFrame(columns), nutrient_price=settings.nutrient_price, grain_price=settings.grain_price,
            seed=seed_of(settings.seed, row["file"], names),
        )  # fmt: skip
    except FertkitError:  # the table says what can be said of it
        return
    home.mkdir(parents=True, exist_ok=True)
    answer.write_page(home / page_name(row["file"], names))
