"""The answer for fields over the years: one page a field with small panels, an index for several."""

from dataclasses import dataclass, replace
from functools import partial
from itertools import chain
from pathlib import Path

import pandas as pd

from fertkit.asked import a_path, asks
from fertkit.plots.history import bands_of, telling
from fertkit.report.answer import Answer
from fertkit.report.page import render_page
from fertkit.report.sections import Section, Table, checks_table, pick
from fertkit.report.workbook import sources_sheet, workbook_bytes
from fertkit.results import failed, plain
from fertkit.say.history import field_lines
from fertkit.say.line import DEFER, Kind
from fertkit.tissue.history import FieldHistory, State, field_history
from fertkit.writing import named, write_whole

PATH = {
    "crop": "crop", "season": "season", "sampled": "sampled", "growth_stage": "stage", "plant_part": "part",
    "spot": "area or treatment", "nutrient": "nutrient", "censored": "limit", "value": "value",
    "unit": "unit", "samples": "samples", "low": "lowest lower limit", "strict": "highest lower limit",
    "high": "upper limit", "state": "verdict", "turn": "change",
}  # fmt: skip
REPEATS = {
    "spot": "area or treatment", "nutrient": "nutrient", "judged": "seasons judged", "short": "seasons short",
    "possibly": "of these possibly short", "open": "seasons left open", "where": "short at",
}  # fmt: skip
PAIRS = {
    "crop": "crop", "season": "season", "sampled": "sampled", "growth_stage": "stage", "nutrient": "nutrient",
    "good": "good area", "poor": "poor area", "unit": "unit", "difference": "poor area is",
    "evidence": "evidence",
}  # fmt: skip
TREATMENTS = {
    "crop": "crop", "season": "season", "growth_stage": "stage", "nutrient": "nutrient", "means": "means",
    "unit": "unit", "samples": "samples", "p_value": "p", "lsd": "LSD (95%)",
}  # fmt: skip
_SAID_OF_REPORTS = 2  # checks: laboratories, leaps


@dataclass(frozen=True)
class HistoryAnswer(Answer):
    """What the kit says about fields over their seasons.

    Attributes
    ----------
    history : FieldHistory
        Of one field or several.
    """

    history: FieldHistory

    def lines(self) -> list:
        """Say what repeats, what turned and what only the owner can tell."""
        return self.history.lines()

    @property
    def table(self) -> pd.DataFrame:
        """Every value with the range of its stage."""
        return self.history.path

    @property
    def sources(self) -> pd.DataFrame:
        """Citations of the ranges."""
        return self.history.sources

    @property
    def checks(self) -> pd.DataFrame:
        return self.history.checks

    def plot(self, ax=None, **options):
        """Draw the small panels of a field."""
        return self.history.plot(ax, **options)

    @property
    def title(self) -> str:
        fields = self.history.fields
        return f"{fields[0] if len(fields) == 1 else f'{len(fields)} fields'} over the seasons"

    @property
    def lead(self) -> list:
        """The verdict of each field, and what only the owner can tell."""
        return [line for line in self.lines() if line.kind in (Kind.LEAD, Kind.QUESTION)]

    @property
    def sections(self) -> list[Section]:
        each = [self.history.only(name) for name in self.history.fields]
        told, others = zip(*map(_panels, each), strict=True)
        first, *rest = _sections(self.history)
        return [*chain(*told), first, *chain(*others), *rest]  # short tables fill a sheet before tall figures

    @asks(path=a_path)
    def write_workbook(self, path) -> Path:
        """Write every value and comparison as XLSX; a page shows those that tell something."""
        tables = [*_tables(self.history), *_read(self.history).tables, _checks(self.checks)]
        return write_whole(workbook_bytes([*tables, sources_sheet(self.sources)]), named(path, ".xlsx"))

    @asks(path=a_path)
    def write_page(self, path) -> Path:
        """Write the page; of several fields an index, and beside it a page each."""
        fields = self.history.fields
        if len(fields) == 1:
            return write_whole(self.page(), named(path, ".html"))
        path = named(path, ".html")
        pages = {name: f"{path.stem}_{n}{path.suffix}" for n, name in enumerate(fields, 1)}
        for name, page in pages.items():
            write_whole(HistoryAnswer(self.history.only(name)).page(), path.with_name(page))
        sections = [_index(self.history.only(name), page) for name, page in pages.items()]
        sections.append(_read(self.history))
        index = render_page(self.title, sections, lead=self.lead, sources=self.sources)
        return write_whole(index, path)


def _index(history, page) -> Section:
    """One field on the index: its seasons and the way to its page."""
    name = history.fields[0]
    seasons = [line for line in field_lines(history) if line.kind == Kind.TEXT]
    return Section(name, tuple(seasons), links=((page, f"{name}: page with figures and numbers"),))


def _panels(history) -> tuple[list[Section], list[Section]]:
    """The figures of one field, newest seasons first, its lines beside the first; the other nutrients."""
    name, bands = history.fields[0], bands_of(history, history.fields[0])
    lines = field_lines(history)
    others = [n for n in history.path["nutrient"].unique() if n not in telling(history, name)]
    sections = []
    for band in reversed(range(len(bands))):
        whose = "; ".join(f"{crop} {season}" for crop, season in bands[band])
        sections.append(
            Section(
                f"{name}: {whose}", tuple(lines[1:]) if not sections else (),
                figure=partial(history.plot, band=band),
                figure_says=f"{', '.join(telling(history, name))} in {whose}.",
            )
        )  # fmt: skip
    says = f"{', '.join(others)}: never short or undecided where judged."
    more = [
        Section(
            "The other nutrients", figure=partial(history.plot, nutrients=others, band=band), figure_says=says
        )
        for band in reversed(range(len(bands) if others else 0))
    ]
    return sections, more


def _sections(history) -> list[Section]:
    """What was short or left open, differed or was tested; what was read; what was checked."""
    repeats, pairs = history.repeats, history.pairs
    telling = replace(
        history, path=history.path[~history.path["state"].isin([State.ENOUGH, State.NOT_JUDGED])],
        repeats=repeats[(repeats["short"] > 0) | (repeats["open"] > 0)],
        pairs=pairs[pairs["difference"] != "within noise"],
    )  # fmt: skip
    tables = tuple(table for table in _tables(telling, len(history.fields)) if len(table.frame))
    whole = "Sufficient values and differences within error are in the workbook."
    checks, said = history.checks, ["see the reports as read"] * _SAID_OF_REPORTS
    checks["meaning"] = [*said, *checks["meaning"][_SAID_OF_REPORTS:]]
    checked = Section("Checks", tables=(_checks(checks),), cautions=(DEFER,))
    return [Section("Shortages and differences", (whole,), tables=tables), _read(history), checked]


def _tables(history, fields: int = 2) -> list[Table]:
    """What repeats, comparisons and values, with the field where there are several."""
    lead = {"field": "field"} if fields > 1 else {}
    pairs, path = (
        rows.assign(sampled=[f"{day:%Y-%m-%d}" if day == day else "" for day in rows["sampled"]])
        for rows in (history.pairs, history.path)
    )
    means = [", ".join(f"{k} {plain(v)}" for k, v in m.items()) for m in history.treatments["means"]]
    return [
        pick("What repeats", history.repeats, lead | REPEATS),
        pick("Poor against good area", pairs, lead | PAIRS),
        pick("Treatments", history.treatments.assign(means=means), lead | TREATMENTS),
        pick("Values", path, lead | PATH),
    ]


def _checks(checks) -> Table:
    return checks_table(checks.assign(about="the history"))


def _read(history) -> Section:
    """The reports as they were read, what was taken for granted, and what makes seasons hard to compare."""
    notes = tuple(f"{note}." for note in history.reports.notes)
    doubts = tuple(f"{text}." for text in failed(history.checks.head(_SAID_OF_REPORTS)))
    table = Table("Reports", history.reports.read)
    return Section("The reports as read", notes, tables=(table,), cautions=doubts)


def answer_history(reports, *, field: str | None = None, **options) -> HistoryAnswer:
    """Answer for fields over the years, from a folder, workbook or table of leaf reports.

    Parameters
    ----------
    reports : path, or as `fertkit.tissue.field_history` takes it
    field : str, optional
        One field alone.
    **options
        For `fertkit.tissue.field_history`.
    """
    history = field_history(reports, **options)
    return HistoryAnswer(history.only(field) if field else history)
