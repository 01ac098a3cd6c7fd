"""Read a laboratory's tissue file, whatever its shape, into one tidy frame of dry-matter concentrations."""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from fertkit.asked import a_file, a_text, asks, word_or_words_by_name
from fertkit.errors import InputError, Problem, typed
from fertkit.intake.context import doubled_columns, other_matrix_cells, specimens_of
from fertkit.intake.joins import unnamed_tables
from fertkit.intake.layout import Layout, find_layout
from fertkit.intake.line_words import is_no_result, is_rating
from fertkit.intake.numbers import NumberStyle, Reading, number_style, read_number, settle_codes
from fertkit.intake.plausible import home_unit, impossible, sanity_checks, unusual
from fertkit.intake.results import (
    LENT_COLUMNS,
    UNREAD_COLUMNS,
    ResultColumn,
    misplaced_numbers,
    result_columns,
    unread_columns,
)
from fertkit.intake.set_aside import aside_notes, aside_report
from fertkit.intake.settle import ReadColumn, drop_copies, settle_units, unsure_marks
from fertkit.intake.units import is_other_matrix
from fertkit.results import Result, plain
from fertkit.tables import RawTable, frame_grid, open_tables, text_of, whole

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
        what (recognised, inferred, not used), item, detail, row.
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
        from fertkit.reference.load import list_sources

        return list_sources(["MEMO"])


@asks(
    path_or_buffer=a_file, crop=a_text, stage=a_text, part=a_text, date_format=a_text,
    units=word_or_words_by_name, decimal=a_text, sheet=a_text, name=a_text,
)  # fmt: skip
def read_tissue(
    path_or_buffer,
    *,
    crop: str | None = None,
    stage: str | None = None,
    part: str | None = None,
    date_format: str | None = None,
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
    units : str or dict of nutrient -> str, optional
        Unit (%, g/kg, mg/kg ...) the user vouches for; overrides the file, and the report says so. One text
        holds for every macronutrient.
    decimal : str, optional
        '.' or ',' where the file does not tell its decimal mark.
    sheet : str, optional
        Sheet of a workbook; needed if several hold tissue results.
    name : str, optional
        File name for messages.

    Returns
    -------
    TissueSamples

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
    raw, layout = _open(path_or_buffer, name, sheet)
    problems: list[Problem] = []
    _refuse_other_matrix(raw, layout)
    if sap := other_matrix_cells(layout):
        raise InputError(raw.name, sap)
    shifted = [p for block in layout.blocks for p in raw.shifted(*block.rows())]
    doubled = [p for block in layout.blocks for p in doubled_columns(block)]
    problems += dict.fromkeys([*shifted, *doubled, *layout.asked, *misplaced_numbers(layout)])
    columns, aside = result_columns(layout, problems)
    problems += unnamed_tables(layout, columns)
    if not columns:
        remedy = "check that the lines under the header hold numbers"
        raise InputError(raw.name, problems or [Problem("the table holds no results", remedy)])
    style = NumberStyle(decimal, "as given") if decimal else _style(columns, raw)
    specimens, others, notes, report = specimens_of(layout, columns, crop, stage, part, date_format)
    _refuse_sap(specimens, raw.name)
    reads = [_read_cells(column, style, problems) for column in columns]
    unit_report = settle_units(reads, units, problems)
    if not problems:
        unit_report += drop_copies(reads, problems)
        problems += unsure_marks(reads, style)
    if problems:
        raise InputError(raw.name, sorted(problems, key=lambda p: p.row or 0))
    tidy = specimens.merge(_long_frame(reads), on="specimen", how="inner", suffixes=("_sample", ""))
    tidy = _with_ratings(tidy.sort_values("specimen", kind="stable")[COLUMNS])
    if tidy.empty:
        remedy = "check that the lines under the header hold numbers"
        raise InputError(raw.name, [Problem("the table holds no results", remedy)])
    report = _layout_report(raw, layout, columns, style) + unit_report + report + aside_report(layout, aside)
    notes = [
        *layout.filled,
        *_hidden_note(raw, tidy),
        *aside_notes(layout, aside),
        *notes,
        *_value_notes(tidy),
    ]
    return TissueSamples(
        tidy,
        others,
        pd.DataFrame(report, columns=REPORT_COLUMNS),
        tuple(notes),
        raw.name,
        pd.concat([unread_columns(layout, columns, aside), _rated_only(tidy)], ignore_index=True),
        _lent(specimens),
    )


def _open(source, name, sheet):
    if isinstance(source, pd.DataFrame):
        raw = frame_grid(source, name)
        return raw, find_layout(raw)
    tables = open_tables(source, name=name)
    if sheet is not None:
        tables = [t for t in tables if t.sheet == sheet] or _no_sheet(tables, sheet)
    found, failure = [], None
    for raw in tables:
        try:
            found.append((raw, find_layout(raw)))
        except InputError as error:
            failure = failure or error
    if not found:
        list(map(whole, tables))
        raise failure
    if len(found) > 1:
        names = ", ".join(raw.sheet for raw, _ in found)
        what = f"several sheets hold tissue results: {names}"
        in_code = typed("--sheet NAME", "sheet='NAME'")
        problem = Problem(what, "keep one of them in the file", in_code=in_code)
        raise InputError(found[0][0].name, [problem])
    return whole(found[0][0]), found[0][1]


def _no_sheet(tables, sheet):
    raise InputError(
        tables[0].name,
        [Problem(f"no sheet '{sheet}'", f"choose one of: {', '.join(t.sheet for t in tables)}")],
    )


def _refuse_other_matrix(raw: RawTable, layout: Layout):
    for note in layout.notes:
        if is_other_matrix(note, note=True):
            problem = Problem(
                "results are not on dry matter (fresh weight, sap or solution)",
                "ask the laboratory for dry-matter results; published ranges hold for nothing else",
                value=note,
            )
            raise InputError(raw.name, [problem])


def _refuse_sap(specimens, name):
    for r in specimens[specimens["plant_part"].map(is_other_matrix)].head(1).itertuples():
        problem = Problem(
            "sap and fresh-weight results are another matrix than dry matter",
            "ask the laboratory for dry-matter results",
            r.row, "plant part", r.plant_part,
        )  # fmt: skip
        raise InputError(name, [problem])


def _style(columns, raw) -> NumberStyle:
    return number_style((cell for column in columns for cell in column.cells), raw.delimiter)


def _read_cells(column: ResultColumn, style, problems) -> ReadColumn:
    readings = [read_number(cell, style) for cell in column.cells]
    unit = column.unit or next((r.unit for r in readings if r.unit), "")
    readings = settle_codes(readings, lambda value: not unit or not impossible(column.nutrient, value, unit))
    for i, (reading, cell, (row, label)) in enumerate(
        zip(readings, column.cells, column.places, strict=True)
    ):
        if reading.problem == "not a number" and (is_rating(cell) or is_no_result(cell)):
            readings[i] = Reading(flag=text_of(cell))
        elif reading.problem:
            problems.append(
                Problem(reading.problem, row=row, column=label, value=str(cell), **_mend(reading.problem))
            )
    return ReadColumn(column, readings, np.array([r.value for r in readings], float))


def _long_frame(reads: list[ReadColumn]) -> pd.DataFrame:
    """All columns below each other: specimen, nutrient, value, unit, censored, flag, row."""
    columns = [(read.column, r, i) for read in reads for i, r in enumerate(read.readings)]
    frame = pd.DataFrame(
        {
            "specimen": [column.specimens[i] for column, _, i in columns],
            "nutrient": [column.nutrient for column, _, _ in columns],
            "value": np.concatenate([read.numbers for read in reads]),
            "unit": [home_unit(column.nutrient) for column, _, _ in columns],
            "censored": [reading.censored for _, reading, _ in columns],
            "flag": [_joined(reading.flag, column.flags[i]) for column, reading, i in columns],
            "row": [column.places[i][0] for column, _, i in columns],
        }
    )
    return frame[frame["value"].notna() | (frame["censored"] != "") | (frame["flag"] != "")]


def _with_ratings(tidy):
    """Put a rating that stands in a table of its own beside the value it rates."""
    twice = tidy.duplicated(["specimen", "nutrient"], keep=False)
    if not twice.any():
        return tidy.reset_index(drop=True)
    rating = twice & tidy["value"].isna() & (tidy["censored"] == "") & tidy["flag"].map(is_rating)
    words = tidy[rating].groupby(["specimen", "nutrient"])["flag"].agg("; ".join)
    tidy = tidy[~rating].reset_index(drop=True)
    if len(words):
        keys = pd.MultiIndex.from_frame(tidy[["specimen", "nutrient"]])
        more = words.reindex(keys).fillna("").tolist()
        tidy["flag"] = [_joined(flag, word) for flag, word in zip(tidy["flag"], more, strict=True)]
    return tidy


def _hidden_note(raw, tidy):
    rows = sorted({row + 1 for row in raw.hidden} & set(tidy["row"]))
    if rows:
        told = f"hidden in the workbook, and read all the same: row{'s' * (len(rows) > 1)} "
        told += ", ".join(map(str, rows[:8])) + ", ..." * (len(rows) > 8)
        yield Problem(told, "delete these rows if they are not meant")


def _lent(specimens):
    lent = specimens.assign(what=specimens["lent"].str.removeprefix(", "))
    return lent.loc[lent["what"] != "", LENT_COLUMNS].reset_index(drop=True)


def _mend(complaint):
    if "decimal mark" in complaint or "mixes" in complaint:
        return {"remedy": "write all numbers alike", "in_code": typed("--decimal ,", "decimal=','")}
    return {"remedy": "write the result as a plain number such as 3.21 or <0.05, or leave the cell empty"}


def _joined(flag, note):
    return "; ".join(filter(None, [flag, note]))


def _value_notes(tidy):
    notes = []
    odd = tidy[unusual(tidy) & (tidy["value"] > 0) & (tidy["censored"] == "")]
    for r in odd.head(25).itertuples():
        what = f"{r.nutrient} of sample {r.sample_id} is {plain(r.value)} {r.unit}: unusual for plant tissue"
        notes.append(Problem(what, "check the unit and the decimal mark", r.row, r.nutrient, plain(r.value)))
    zero = tidy[(tidy["value"] == 0) & (tidy["censored"] == "")]
    for r in zero.head(25).itertuples():
        what = f"{r.nutrient} of sample {r.sample_id} is zero: rounding, or not measured"
        notes.append(Problem(what, "it will not be classed", r.row, r.nutrient, "0"))
    rated = tidy[tidy["value"].isna() & (tidy["censored"] == "")]
    for _, rows in list(rated.groupby("specimen", sort=False))[:25]:
        told = ", ".join(f"{r.nutrient} '{r.flag}'" for r in rows.itertuples())
        what = f"no number but a word or mark in sample {rows['sample_id'].iloc[0]}: {told}"
        remedy = "it is kept as a flag and not classed; ask the laboratory for the number"
        notes.append(Problem(what, remedy, int(rows["row"].iloc[0])))
    unseen = tidy[tidy["censored"] == "not detected"]
    for r in unseen.head(25).itertuples():
        what = f"{r.nutrient} of sample {r.sample_id} is given as '{r.flag}' without a limit"
        remedy = "it may mean not detected or not determined: ask the laboratory; it will not be classed"
        notes.append(Problem(what, remedy, r.row, r.nutrient, r.flag))
    return notes


def _rated_only(tidy):
    """Results the laboratory rated without giving a number: no verdict may pass them over."""
    rows = tidy[tidy["value"].isna() & (tidy["censored"] == "")]
    rows = rows[rows["flag"].map(is_rating).astype(bool)]
    why = [f"rated '{r.flag}' without a number in sample {r.sample_id}" for r in rows.itertuples()]
    table = rows[["nutrient", "specimen"]].assign(column=rows["nutrient"], why=why)
    return table[UNREAD_COLUMNS].astype(object).reset_index(drop=True)


def _layout_report(raw, layout, columns, style):
    shapes = " and ".join(dict.fromkeys(b.shape for b in layout.blocks))
    how = "; ".join(filter(None, [f"{shapes} table", raw.encoding, raw.sheet and f"sheet '{raw.sheet}'"]))
    report = [("recognised", "layout", how, None)]
    report += [("recognised", f"{c.nutrient}", f"column '{c.label}'", None) for c in columns]
    if style.decimal == ",":
        report.append(("inferred", "decimal mark", f"comma: {style.why}", None))
    for block in layout.blocks:
        for header, label in zip(block.headers, block.labels, strict=True):
            if header.kind in ("limit", "ratio", "unit") or (
                header.kind == "role" and header.name == "range"
            ):
                report.append(
                    ("not used", f"column '{label}'", "the laboratory's range, limit or ratio", None)
                )
    return report
