"""Read a laboratory's tissue file, whatever its shape, into one tidy frame of dry-matter concentrations."""

from collections import Counter, namedtuple
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from fertkit.asked import a_file, a_text, asks, headers_by_role, word_or_words_by_name
from fertkit.errors import InputError, Problem
from fertkit.intake.columns import roles_of
from fertkit.intake.context import doubled_columns, other_matrix_cells, specimens_of, unnamed_tables
from fertkit.intake.grid import hidden_rows
from fertkit.intake.leaf_lines import lines_set_aside
from fertkit.intake.leaf_results import (
    LENT_COLUMNS,
    UNREAD_COLUMNS,
    Aside,
    ResultColumn,
    drop_copies,
    misplaced_numbers,
    read_cells,
    result_columns,
    settle_units,
    unread_columns,
    unsure_marks,
)
from fertkit.intake.leaf_tables import Layout, open_layout
from fertkit.intake.numbers import NumberStyle, number_style
from fertkit.intake.plausible import home_unit, no_leaf, sanity_checks, unusual
from fertkit.intake.spellings import begins_with, is_rating, problem
from fertkit.intake.units import is_other_matrix
from fertkit.reference.load import list_sources
from fertkit.results import Result, plain

_MOST_NOTES = 25  # results of which one thing is noted

COLUMNS = [
    "specimen", "sample_id", "lab_id", "field", "crop", "growth_stage", "plant_part", "sampled", "area",
    "nutrient", "value", "unit", "censored", "flag", "row",
]  # fmt: skip
REPORT_COLUMNS = ["what", "item", "detail", "row"]


@dataclass(frozen=True)
class TissueSamples(Result):
    """Tissue results as read.

    Attributes
    ----------
    tidy : DataFrame
        One row per result: specimen (1, 2, ... one per analysed sample), sample_id (with the field before it
        where the file names one), lab_id, field, crop, growth_stage, plant_part, sampled, area ('good',
        'poor' or ''), nutrient, value [unit], unit (% or mg/kg of dry matter), censored ('', '<', '>', 'not
        detected'), flag (laboratory's mark), row of the file.
    others : DataFrame
        specimen, sample_id and every other column of the file, as text.
    report : DataFrame
        what (recognised, filled as given, inferred, not used), item, detail, row.
    notes : tuple of Problem
        What was doubted, with row, column and value, and did not stop the reading.
    name : str
        File name.
    unread : DataFrame
        nutrient, column, why, specimen (0 for all of the file): what names a nutrient but was not read. No
        verdict may clear these.
    lent : DataFrame
        specimen, what: crop, stage and part that stand above the table of an earlier sample, with their rows.
    """

    tidy: pd.DataFrame
    others: pd.DataFrame
    report: pd.DataFrame
    notes: tuple[Problem, ...]
    name: str = "table"
    unread: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=UNREAD_COLUMNS))
    lent: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=LENT_COLUMNS))

    @property
    def table(self) -> pd.DataFrame:
        return self.tidy

    @cached_property
    def checks(self) -> pd.DataFrame:
        """Sanity of the numbers: sums, ratios, soil on the leaf, copied lines."""
        return sanity_checks(self.tidy)

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(["MEMO"])


@asks(
    path_or_buffer=a_file, crop=a_text, stage=a_text, part=a_text, date_format=a_text,
    columns=headers_by_role, units=word_or_words_by_name, decimal=a_text, sheet=a_text, name=a_text,
)  # fmt: skip
def read_tissue(
    path_or_buffer,
    *,
    crop: str | None = None,
    stage: str | None = None,
    part: str | None = None,
    date_format: str | None = None,
    columns: dict | None = None,
    units: str | dict | None = None,
    decimal: str | None = None,
    sheet: str | None = None,
    name: str | None = None,
) -> TissueSamples:
    """Read a laboratory file of plant tissue results.

    Wide, long and transposed tables, one or two header rows, CSV, TSV, XLSX, XLS and ODS are told apart by
    their content; tables below or beside each other take the lines of context above them. Units stated are
    obeyed; missing units are told from all nutrients together and reported. Means, ranges, oxides and ions
    are set aside and said; fresh-weight and sap results and anything that can be read two ways are refused.

    Parameters
    ----------
    path_or_buffer : path, bytes, file-like or DataFrame
        The file.
    crop, stage, part : str, optional
        Crop, growth stage and plant part where the file states none.
    date_format : str, optional
        'dmy', 'mdy', 'ymd' or a strftime pattern, for dates such as 03/04/2024.
    columns : dict, optional
        Role (sample_id, field, crop, stage, part, sampled, area, other, ...) or nutrient as a header would
        say it (``K %``) → header, where headers do not tell.
    units : str or dict of nutrient -> str, optional
        Unit (%, g/kg, mg/kg ...) the user vouches for; overrides the file, and the report says so. One text
        holds for every macronutrient.
    decimal : str, optional
        '.' or ',' where the file does not tell its decimal mark.
    sheet : str, optional
        Sheet of a workbook; needed if several hold tissue results.
    name : str, optional
        File name for messages.

    Raises
    ------
    InputError
        With every problem of the file: file, row, column, value and remedy.

    Examples
    --------
    A laboratory sheet with decimal commas and a value below the limit of detection:

    >>> from fertkit.intake import read_tissue
    >>> from io import StringIO
    >>> sheet = "Sample;Crop;Stage;Part;K %;Zn ppm\\nPoor;soybean;R2;trifoliate;1,31;<10\\n"
    >>> samples = read_tissue(StringIO(sheet)).table
    >>> samples[["sample_id", "nutrient", "value", "unit", "censored"]].values.tolist()
    [['Poor', 'K', 1.31, '%', ''], ['Poor', 'Zn', 10.0, 'mg/kg', '<']]
    """
    raw, layout = open_layout(path_or_buffer, name, sheet, columns=columns, roles=roles_of("leaf"))
    problems = _foreign(layout)
    if problems:
        raise InputError(raw.name, problems)
    shifted = [p for block in layout.blocks for p in raw.shifted(*block.rows())]
    doubled = [p for block in layout.blocks for p in doubled_columns(block)]
    problems = list(dict.fromkeys([*shifted, *doubled, *layout.asked, *misplaced_numbers(layout)]))
    columns, aside = result_columns(layout, problems)
    problems += unnamed_tables(layout, columns)
    if not columns:
        raise InputError(raw.name, problems or [problem("no results")])
    cells = (cell for column in columns for cell in column.cells)
    style = NumberStyle(decimal, "as given") if decimal else number_style(cells, raw.delimiter)
    given = {"crop": crop, "growth_stage": stage, "plant_part": part}
    specimens, others, notes, report = specimens_of(layout, columns, given, date_format)
    if sap := next((one for one in specimens if is_other_matrix(one["plant_part"])), None):
        raise InputError(raw.name, [problem("other matrix", sap["row"], "plant part", sap["plant_part"])])
    for column in columns:
        read_cells(column, style, problems)
    lines, low = _layout_report(raw, layout, columns, style), []
    lines += settle_units(columns, units, problems, low)
    if not problems:
        lines += drop_copies(columns, problems)
        problems += unsure_marks(columns, style)
    else:
        problems += low
    _refuse(raw.name, problems)
    results = _with_ratings(_results(columns, specimens))
    if asked := no_leaf(results) if results else problem("no results"):
        raise InputError(raw.name, [asked])
    if low and (of_soil := [repr(c) for c in others.columns if begins_with(c, "not leaf")]):
        raise InputError(raw.name, [problem("soil report", names=", ".join(of_soil))])
    _refuse(raw.name, low)  # unless the mark or the whole file tells why
    tidy = pd.DataFrame(results, columns=COLUMNS)
    hidden = hidden_rows(raw, (r.row for r in results))
    set_aside = (
        Problem(f"set aside: {a.problem.what}", a.problem.remedy, a.problem.row, a.label) for a in aside
    )
    lent = [(one["specimen"], one["lent"].removeprefix(", ")) for one in specimens if one["lent"]]
    unread = [*unread_columns(layout, columns, aside), *_rated_only(results)]
    return TissueSamples(
        tidy=tidy.astype({"sampled": "datetime64[ns]"}),
        others=others,
        report=pd.DataFrame([*lines, *report, *_aside_report(layout, aside)], columns=REPORT_COLUMNS),
        notes=(
            *layout.filled, *hidden, *lines_set_aside(layout), *set_aside, *notes, *_value_notes(results)
        ),
        name=raw.name,
        unread=pd.DataFrame(unread, columns=UNREAD_COLUMNS, dtype=object),
        lent=pd.DataFrame(lent, columns=LENT_COLUMNS),
    )  # fmt: skip


def _refuse(name, problems):
    if problems:
        raise InputError(name, sorted(problems, key=lambda p: p.row or 0))


def _foreign(layout):
    """What says that the results are of another matrix than dry matter."""
    notes = (note for note in layout.notes if is_other_matrix(note, note=True))
    return [problem("no dry matter", value=note) for note in notes][:1] or other_matrix_cells(layout)


# ---- the results in order of their samples

_Result = namedtuple("_Result", COLUMNS)


def _results(columns: list[ResultColumn], specimens: list[dict]) -> list[_Result]:
    """All columns below each other, a sample after the other; cells that hold nothing are left out."""
    own = {one["specimen"]: [one[name] for name in COLUMNS[: COLUMNS.index("nutrient")]] for one in specimens}
    results = []
    for column in columns:
        nutrient, unit = column.nutrient, home_unit(column.nutrient)
        rows = zip(
            column.specimens,
            column.readings,
            column.numbers.tolist(),
            column.flags,
            column.places,
            strict=True,
        )
        for specimen, reading, value, rating, (row, _) in rows:
            flag = _joined(reading.flag, rating)
            if value == value or reading.censored or flag:
                results.append(_Result(*own[specimen], nutrient, value, unit, reading.censored, flag, row))
    return sorted(results, key=lambda r: r.specimen)


def _joined(flag, note):
    return f"{flag}; {note}" if flag and note else flag or note


def _with_ratings(results):
    """Put a rating that stands in a table of its own beside the value it rates."""
    if not any(map(_is_rated, results)):
        return results
    often = Counter((r.specimen, r.nutrient) for r in results)
    words: dict[tuple, list] = {}
    kept = []
    for r in results:
        if often[r.specimen, r.nutrient] > 1 and _is_rated(r):
            words.setdefault((r.specimen, r.nutrient), []).append(r.flag)
        else:
            kept.append(r)
    more = ("; ".join(words.get((r.specimen, r.nutrient), ())) for r in kept)
    return [r._replace(flag=_joined(r.flag, word)) if word else r for r, word in zip(kept, more, strict=True)]


def _is_rated(r) -> bool:
    """Whether a result is a rating and no number."""
    return r.value != r.value and not r.censored and is_rating(r.flag)


def _rated_only(results):
    """Results the laboratory rated without giving a number: no verdict may pass them over."""
    return [
        (r.nutrient, r.nutrient, f"rated '{r.flag}' without a number in sample {r.sample_id}", r.specimen)
        for r in results
        if _is_rated(r)
    ]


# ---- what is said of it


def _layout_report(raw, layout, columns, style):
    shapes = " and ".join(dict.fromkeys(b.shape for b in layout.blocks))
    how = "; ".join(filter(None, [f"{shapes} table", raw.encoding, raw.sheet and f"sheet '{raw.sheet}'"]))
    report = [("recognised", "layout", how, None)]
    report += [("recognised", f"{c.nutrient}", f"column '{c.label}'", None) for c in columns]
    if style.decimal == ",":
        report.append(("inferred", "decimal mark", f"comma: {style.why}", None))
    for block in layout.blocks:
        unused = {*block.columns("role", "range")}
        unused |= {j for kind in ("limit", "ratio", "unit") for j in block.columns(kind)}
        what = "laboratory range, limit or ratio"
        report += [("not used", f"column '{block.labels[j]}'", what, None) for j in sorted(unused)]
    return report


def _aside_report(layout: Layout, aside: list[Aside]) -> list[tuple]:
    """Rows of the report for lines and columns that were not read as results."""
    lines = []
    for what, row in layout.dropped:
        rating = what.startswith("rating line") and "cannot" not in what
        kept = "its ratings are kept with the values" if rating else "not a sample"
        lines.append(("not used", what, kept, row))
    return lines + [
        ("not used", f"column '{a.label}'", f"{a.problem.what}: set aside", a.problem.row) for a in aside
    ]


def _value_notes(results):
    """What is noted of the values: unusual ones, zeros, words without a number, limits not given."""
    exact = [r for r in results if not r.censored]
    notes = _noted("unusual result", [r for r in exact if r.value > 0 and unusual(r.nutrient, r.value)])
    notes += _noted("result of zero", [r for r in exact if r.value == 0])
    rated: dict[int, list] = {}
    for r in exact:
        if r.value != r.value:
            rated.setdefault(r.specimen, []).append(r)
    for rows in list(rated.values())[:_MOST_NOTES]:
        words = ", ".join(f"{r.nutrient} '{r.flag}'" for r in rows)
        notes.append(problem("word for a number", rows[0].row, sample=rows[0].sample_id, told=words))
    return notes + _noted("no limit given", [r for r in results if r.censored == "not detected"])


def _noted(key, results):
    notes = []
    for r in results[:_MOST_NOTES]:
        blanks = {"shown": r.flag if r.censored else plain(r.value), "unit": r.unit}
        blanks |= {"nutrient": r.nutrient, "sample": r.sample_id}
        notes.append(problem(key, r.row, r.nutrient, blanks["shown"], **blanks))
    return notes
