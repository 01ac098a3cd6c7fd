"""Read several leaf reports as one: whose field each sample is, of which year and by which laboratory."""

import re
from dataclasses import dataclass, replace
from itertools import combinations
from os import PathLike
from pathlib import Path

import pandas as pd

from fertkit.asked import asks, words_by_name
from fertkit.errors import FertkitError, InputError, Note, Problem, unknown
from fertkit.intake.alike import alike, one_spelling
from fertkit.intake.beside import column_named
from fertkit.intake.columns import roles_of
from fertkit.intake.context import pair_name
from fertkit.intake.leaf import TissueSamples, read_tissue
from fertkit.intake.spellings import listed, note, plain, spellings
from fertkit.results import records
from fertkit.tables import open_tables, text_of

KINDS = (".csv", ".tsv", ".txt", ".xlsx", ".xls", ".ods")
_YEAR = re.compile(r"(?<!\d)(?:19|20)\d\d(?!\d)")
_NO_NAME = re.compile(r"\d[\d\s./-]*|[^\W\d_]|(?:line|sample|muestra|probe)\s*\d*", re.IGNORECASE)
_AUTUMN = 8  # month from which a sample may be of next year's crop
_HEAD = 30  # lines of a report in which its laboratory and year are looked for


@dataclass(frozen=True)
class Reports:
    """Leaf reports of several dates, read as one.

    Attributes
    ----------
    samples : TissueSamples
        Every result, specimens numbered through.
    about : DataFrame
        By specimen: report, field (the name the kit goes by), sample_id, area, year (whole number, missing
        where nothing tells it), year_from, laboratory, treatment, block ('' where the report has none).
    read : DataFrame
        report, laboratory, samples, fields, years, units (what was inferred), remarks.
    questions : tuple of Note
        What only the owner can tell: two spellings, names that are numbers, samples without a date.
    notes : tuple of Note
        What was taken for granted, and what was not read.
    unread : DataFrame
        specimen, nutrient, column, why: what of each specimen names a nutrient and was not read.
    """

    samples: TissueSamples
    about: pd.DataFrame
    read: pd.DataFrame
    questions: tuple[Note, ...]
    notes: tuple[Note, ...]
    unread: pd.DataFrame


@asks(same=words_by_name)
def read_reports(source, *, same: dict | None = None, **reading) -> Reports:
    """Read a folder, a workbook or a table of leaf reports, or several of them.

    Parameters
    ----------
    source : path, TissueSamples, or list of these
        A folder is read file by file, a workbook sheet by sheet.
    same : dict of str -> str, optional
        What spellings mean: {'Heron Qtr': 'Heron Quarter'}; a name that means itself is a field of its own.
    **reading
        For `fertkit.intake.read_tissue`, alike for every report.

    Returns
    -------
    Reports
        Fields are matched by name. Names that differ in capitals, blanks and marks alone are one field, and a
        note says so; names that are only alike are asked about and stay apart.

    Raises
    ------
    InputError
        If no report can be read; tells why of each.
    LookupFailed
        If `same` names a field that is in no report.
    """
    reports, unread = [], []
    for one in source if isinstance(source, list | tuple) else [source]:
        found, missed = _opened(one, reading)
        reports += found
        unread += missed
    if not reports:
        raise _none_read([problem for _, problems in unread for problem in problems])
    notes = [said for said, _ in unread]
    reports = _each_once([(samples, _about(samples, lines)) for samples, lines in reports], notes)
    about = pd.concat([of.assign(report=samples.name) for samples, of in reports], ignore_index=True)
    about.index = pd.RangeIndex(1, len(about) + 1, name="specimen")
    questions = _name_fields(about, same or {}, notes)
    questions += _undated(about) + _two_years(about)
    whole = _together([samples for samples, _ in reports])
    read = _summary(reports, about)
    return Reports(whole, about, read, tuple(questions), tuple(notes), _unread_of(reports, about))


# ---- opening


def _none_read(problems: list[Problem]) -> InputError:
    """Name every problem: of the one file there is, or each with its file."""
    files = {one.file for one in problems}
    if len(files) != 1:
        return InputError("reports", problems)
    return InputError(*files, [replace(one, file="") for one in problems])


def _opened(source, reading) -> tuple[list, list[tuple[Note, list[Problem]]]]:
    """(samples, lines above) of every report of a source; of what was not read a note and its problems."""
    if isinstance(source, TissueSamples):
        return [(source, [])], []
    name, content = source if isinstance(source, tuple) else (None, source)
    if name is None and not isinstance(source, str | PathLike):
        remedy = "give the path of a folder or file, or the result of read_tissue"
        raise InputError("reports", [Problem("not a report", remedy, value=type(source).__name__)])
    if name is None and Path(source).is_dir():
        files = sorted(path for path in Path(source).iterdir() if path.is_file())
        files = [path for path in files if not path.name.startswith((".", "~$"))]
        kept = [path for path in files if path.suffix.lower() in KINDS]
        unread = [_left(note("no table", name=path.name)) for path in files if path not in kept]
        if not kept:
            unread.append(_left(note("no tables", name=Path(source).name, kinds=", ".join(KINDS))))
        parts = [_opened(path, reading) for path in kept]
        unread += [one for _, missed in parts for one in missed]
        return [one for found, _ in parts for one in found], unread
    try:
        tables = open_tables(content, name=name, sheet=reading.get("sheet"))
    except InputError as error:
        return [], [_unread(name or Path(source).name, error)]
    sheets = [raw.sheet for raw in tables] if len(tables) > 1 else [None]
    reports, failed = [], []
    for raw, sheet in zip(tables, sheets, strict=True):
        called = f"{raw.name}, {sheet}" if sheet else raw.name
        try:
            samples = read_tissue(content, name=name, **reading | ({"sheet": sheet} if sheet else {}))
            reports.append((replace(samples, name=called), raw.cells[:_HEAD]))
        except FertkitError as error:
            failed.append(_unread(called, error))
    return reports, failed


def _each_once(reports, notes) -> list:
    """The reports without copies of one another, each under a name of its own."""
    kept, seen, taken = [], {}, set()
    for samples, about in reports:
        held = samples.table.drop(columns="row").to_csv(index=False) + about["year"].to_csv(index=False)
        if held in seen:
            notes.append(note("report again", name=samples.name, other=seen[held]))
            continue
        name, n = samples.name, 1
        while name in taken:
            n += 1
            name = f"{samples.name} ({n})"
        seen[held] = name
        taken.add(name)
        kept.append((replace(samples, name=name), about))
    return kept


def _left(said: Note) -> tuple[Note, list[Problem]]:
    return said, [Problem(said, "give a table, or leave it out", file="reports")]


def _unread(name, error) -> tuple[Note, list[Problem]]:
    problems = getattr(error, "problems", None) or [error.problem()]
    more = f" (and {len(problems) - 1} more)" * (len(problems) > 1)
    said = note("report not read", name=name, why=problems[0].plain, more=more)
    return said, [replace(one, file=name) for one in problems]


def _together(parts: list[TissueSamples]) -> TissueSamples:
    """One set of samples, their specimens numbered through."""
    if len(parts) == 1 and list(parts[0].others["specimen"]) == list(range(1, len(parts[0].others) + 1)):
        return parts[0]
    moved, before = {name: [] for name in ("tidy", "others", "report", "unread", "lent")}, 0
    for part in parts:
        number = {old: before + i for i, old in enumerate(part.others["specimen"], 1)} | {0: 0}
        for name, frames in moved.items():
            frame = getattr(part, name)
            if "specimen" in frame:
                frame = frame.assign(specimen=frame["specimen"].map(number))
            frames.append(frame)
        before += len(part.others)
    frames = {name: _stacked(frames) for name, frames in moved.items()}
    return TissueSamples(**frames, notes=sum((part.notes for part in parts), ()), name="reports")


def _unread_of(reports, about) -> pd.DataFrame:
    """What was not read, for each specimen: what holds for a whole report, for all of its specimens."""
    rows = []
    for samples, _ in reports:
        mine = about.index[about["report"] == samples.name]
        number = dict(zip(samples.others["specimen"], mine, strict=True))
        for r in records(samples.unread):
            whose = [number[r.specimen]] if r.specimen else mine
            rows += [(specimen, r.nutrient, r.column, r.why) for specimen in whose]
    return pd.DataFrame(rows, columns=["specimen", "nutrient", "column", "why"])


def _stacked(frames):
    filled = [frame for frame in frames if len(frame)] or frames[:1]
    return pd.concat(filled, ignore_index=True)


# ---- what each sample is


def _about(samples: TissueSamples, lines) -> pd.DataFrame:
    """What one report says of each of its specimens."""
    first = samples.table.drop_duplicates("specimen").set_index("specimen")
    first = first.reindex(samples.others["specimen"])
    others = samples.others.set_index("specimen")
    year, whence = _years(samples, first, others, lines)
    names = first["sample_id"].fillna(others["sample_id"])
    bare = [_without_year(name, y) for name, y in zip(names, year, strict=True)]
    named = [_without_year(name, y) for name, y in zip(first["field"].fillna(""), year, strict=True)]
    field = [f or pair_name(name)[0] or name for f, name in zip(named, bare, strict=True)]
    area = [a or pair_name(n)[1] for a, n in zip(first["area"].fillna(""), bare, strict=True)]
    area = pd.Series(area, dtype=object)
    return pd.DataFrame(
        {
            "field": field, "named": first["field"].fillna("").ne("").to_numpy(),
            "sample_id": names.to_numpy(),
            "area": area.where(area.isin(["good", "poor"]), ""),  # check and treated stand under treatment
            "sampled": first["sampled"].to_numpy(), "year": year, "year_from": whence,
            "laboratory": _column(others, spellings("laboratory"), _stated(lines, spellings("laboratory"))),
            "treatment": _column(others, roles_of("strips")["treatment"].words),
            "block": _column(others, roles_of("strips")["block"].words),
        }
    )  # fmt: skip


def _without_year(name, year) -> str:
    """A name without the sample's own year at either end: 'North 2024' of 2024 is the field 'North'."""
    return re.sub(rf"^{year}[\s_\-/]+(?=\S)|(?<=\S)[\s_\-/,(]+{year}\)?$", "", name)


def _column(others, words, otherwise=""):
    name = column_named(others, words)
    if name is None:
        return [otherwise] * len(others)
    return others[name].fillna("").astype(str).where(lambda text: text != "", otherwise).tolist()


def _years(samples, first, others, lines):
    """Year of each specimen and what it was taken from; the surest comes first."""
    months = pd.to_datetime(first["sampled"]).dt.year
    dated = {word for role in ("received", "reported") for word in roles_of("leaf")[role].words}
    words = {**dict.fromkeys(spellings("year"), "the column"), **dict.fromkeys(dated, "the report's date")}
    stated = _only_year(_stated(lines, words))
    names = {_only_year(samples.name.rpartition(", ")[2]), _only_year(samples.name)} - {None}
    name = names.pop() if len(names) == 1 else None
    of_column = _column(others, spellings("year")), _column(others, dated)
    years, whence = [], []
    for month, of_crop, of_report in zip(months, *of_column, strict=True):
        ways = {
            "its column of years": _only_year(of_crop), "": None if pd.isna(month) else int(month),
            "the report's date": _only_year(of_report), "a line above the table": stated,
            "the name of the report": name,
        }  # fmt: skip
        way = next((way for way, year in ways.items() if year is not None), None)
        years.append(ways.get(way))
        whence.append(way or "")
    return pd.array(years, dtype="Int64"), whence


def _only_year(text):
    """The one year a text names; None for none or several."""
    years = set(_YEAR.findall(text or ""))
    return int(years.pop()) if len(years) == 1 else None


def _stated(lines, words) -> str:
    """What a line above the table says after one of some words, as in 'Laboratory: Alpha'."""
    for row in lines:
        cells = [text_of(cell) for cell in row if cell != ""]
        label, _, rest = (cells[0] if cells else "").partition(":")
        if plain(label).strip(" .") in words and len(cells) <= 3:
            return rest.strip() or (cells[1] if len(cells) > 1 else "")
    return ""


# ---- names of fields


def _name_fields(about, same, notes) -> list[Note]:
    """Give each specimen the name its field goes by; ask about names that may be one."""
    questions = _number_names(about)
    meant = {one_spelling(name): told for name, told in same.items()}
    keys = about["field"].map(one_spelling)
    for name in same:
        if one_spelling(name) not in set(keys):
            raise unknown("field", name, about["field"].unique())
    about["field"] = [meant.get(key, name) for key, name in zip(keys, about["field"], strict=True)]
    keys = about["field"].map(one_spelling)
    for key, spelled in about.groupby(keys, sort=False)["field"]:
        names = spelled.value_counts(sort=True).index.tolist()
        if len(names) > 1:
            about.loc[keys == key, "field"] = names[0]
            others = listed((f"'{name}'" for name in names[1:]), 5)
            notes.append(note("one spelling", others=others, name=names[0]))
    for one, other in combinations(about["field"].unique(), 2):
        known = {one_spelling(one), one_spelling(other)} & set(meant)
        if alike(one, other) and not known and not _side_by_side(about, one, other):
            questions.append(note("two spellings", one=one, other=other))
    return questions


def _number_names(about):
    """Samples that only the laboratory's numbers tell apart are no fields across reports."""
    bare = ~about["named"] & about["field"].map(lambda name: bool(_NO_NAME.fullmatch(name)))
    del about["named"]
    if not bare.any() or len(set(about["report"])) < 2:
        return []
    samples = listed(about.loc[bare, "field"] + " of " + about.loc[bare, "report"], 6)
    about.loc[bare, "field"] += " (" + about.loc[bare, "report"] + ")"
    return [note("numbers for names", samples=samples)]


def _side_by_side(about, one, other) -> bool:
    """Whether one report names both for one day: then its owner tells them apart."""
    day = about["report"] + about["sampled"].astype(str) + about["year"].astype(str)
    return bool(set(day[about["field"] == one]) & set(day[about["field"] == other]))


def _undated(about) -> list[Note]:
    """Ask when samples were taken of which nothing tells the year."""
    rows = about[about["year"].isna()]
    if rows.empty:
        return []
    samples = listed((rows["field"] + " of " + rows["report"]).unique(), 6)
    return [note("no year", samples=samples)]


def _two_years(about) -> list[Note]:
    """Ask about a date of another year than its column and leave it; autumn may be of the next crop."""
    date = pd.to_datetime(about["sampled"]).dt
    gap = (about["year"] - date.year).fillna(0)
    odd = about[(gap != 0) & ~((gap == 1) & (date.month >= _AUTUMN))]
    if odd.empty:
        return []
    about.loc[odd.index, "sampled"] = pd.NaT
    samples = listed((odd["field"] + " of " + odd["report"]).unique(), 6)
    return [note("two years", samples=samples)]


def _summary(reports, about) -> pd.DataFrame:
    """One row a report: what was read of it."""
    rows = []
    for samples, _ in reports:
        mine = about[about["report"] == samples.name]
        units = samples.report[samples.report["item"].str.startswith("unit of ", na=False)]
        pairs = zip(units["item"], units["detail"], strict=True)
        inferred = [f"{item.removeprefix('unit of ')} {how.partition(':')[0]}" for item, how in pairs]
        whence = [f"year from {w}" for w in mine["year_from"].unique() if w]
        rows.append(
            {
                "report": samples.name,
                "laboratory": listed((n for n in mine["laboratory"].unique() if n), 3),
                "samples": len(mine), "fields": mine["field"].nunique(),
                "years": listed(sorted(mine["year"].dropna().unique()), 8),
                "units inferred": ", ".join(inferred), "remarks": "; ".join(whence),
            }
        )  # fmt: skip
    return pd.DataFrame(rows).drop_duplicates("report")
