"""A part of a batch of tissue samples: read, scored against the published ranges, the bad ones told apart."""

from pathlib import Path

import pandas as pd

from fertkit.batch.parts import REFUSED, Part, not_a_number, numbers_where_they_are, refusal, rows_of_part
from fertkit.batch.sources import PLACE
from fertkit.batch.store import typed
from fertkit.errors import FertkitError, InputError, Problem
from fertkit.intake import read_tissue
from fertkit.tissue import score_tissue
from fertkit.tissue.match import CONDITION, LIMITS
from fertkit.tissue.samples import NEEDED

#: Status of a sample that was scored; its `class` says how.
SCORED = "scored"
_TEXT = ("censored", "unit", "flag", "area")
_MEASURES = ("position", "distance", "probability_below")


def result_types(by: list[str]) -> dict[str, str]:
    """Columns of the result and their types: a row per sample, nutrient and source of ranges."""
    return {
        "file": "text", **dict.fromkeys(by, "text"), "analysis": "whole", **dict.fromkeys(CONDITION, "text"),
        "nutrient": "text", "value": "number", "unit": "text", "censored": "text", "status": "text",
        "source_key": "text", "kind": "text", "class": "text", "reason": "text",
        **dict.fromkeys((*LIMITS, "limit", *_MEASURES), "number"), "within_critical": "flag",
        **dict.fromkeys(("match", "range_stage", "range_part", "provenance", "confidence"), "text"),
        "unread": "text", "message": "text",
    }  # fmt: skip


def is_tidy(columns, settings) -> bool:
    """Whether column names are those of a tidy data set of tissue results."""
    return {*NEEDED, *settings.by} <= set(columns)


def score_part(part: Part, settings) -> pd.DataFrame:
    """Rows of scores of a part, in its order, with the columns of `result_types`."""
    done = []
    for frame in _of_rows(part, settings) if part.tidy else _of_files(part, settings):
        if "message" in frame:
            done.append(frame)
        else:
            done += _scored(frame, settings)
    rows = pd.concat(done, ignore_index=True) if done else pd.DataFrame()
    types = result_types(settings.by)
    return typed(rows, types)[list(types)]


# ---- reading: each yields frames to score, or frames with a message for those refused


def _of_rows(part, settings):
    frame = rows_of_part(part)
    frame["value"] = numbers_where_they_are(frame["value"], settings.decimal)
    frame = frame.drop(columns=["file", "row"], errors="ignore")
    frame = frame.rename(columns=dict(zip(PLACE, ("file", "row"), strict=True)))
    for name in ("sample_id", *CONDITION, *(c for c in _TEXT if c in frame)):
        frame[name] = frame[name].astype(object).where(frame[name].notna(), "").astype(str)
    bad = pd.Series([not isinstance(v, float) for v in frame["value"].astype(object)], frame.index)
    bad |= frame["sample_id"] == ""
    for name, rows in frame.groupby("sample_id", sort=False):
        wrong = rows[bad[rows.index]]
        if len(wrong):
            problems = [_complaint(row) for row in wrong.itertuples()]
            frame = frame.drop(index=rows.index)
            yield _refused(name, rows["file"].iloc[0], InputError(rows["file"].iloc[0], problems))
    if len(frame):
        yield frame.reset_index(drop=True).astype({"value": float})


def _complaint(row):
    if row.sample_id == "":
        return Problem("a result without a sample name", "name the sample on each row", row.row, "sample_id")
    remedy = "correct it or leave the row out"
    return not_a_number(Problem("not a number", remedy, row.row, "value", row.value))


def _of_files(part, settings):
    for path, name in part.files:
        try:
            samples = read_tissue(Path(path), crop=settings.crop, decimal=settings.decimal, name=name)
        except FertkitError as error:
            yield _refused("", name, error)
        else:
            yield samples.table.assign(file=name, unread=_unread(samples))


def _unread(samples):
    """What names a nutrient of each result's sample and was not read, with the reason."""
    specimens, lost = samples.table["specimen"], samples.unread.to_dict("records")
    told = {
        specimen: "; ".join(
            f"{row['nutrient']} (column '{row['column']}'): {row['why']}"
            for row in lost
            if row["specimen"] in (0, specimen)
        )
        for specimen in specimens.unique()
    }
    return specimens.map(told)


def _refused(sample, file, error, **known):
    row = {"file": file, "sample_id": sample, "status": REFUSED, "message": refusal(error), **known}
    return pd.DataFrame([row])


# ---- scoring


def _scored(frame, settings) -> list[pd.DataFrame]:
    """Scores of a frame; where something in it is refused, it is narrowed down to the samples at fault."""
    try:
        scored = score_tissue(frame, settings.range_table(), source=settings.source, strict=True).table
    except FertkitError as error:
        return _narrowed(frame, settings, error)
    places = frame.drop_duplicates("sample_id").set_index("sample_id")["file"]
    first = scored.groupby("sample_id")["specimen"].transform("min")
    order = scored.groupby("sample_id")["specimen"].rank("dense")
    scored = scored.assign(
        file=scored["sample_id"].map(places), analysis=order.where(first.notna(), 1), status=SCORED
    )
    if "unread" in frame:
        scored["unread"] = scored["specimen"].map(frame.groupby("specimen")["unread"].first())
    return [scored]


def _narrowed(frame, settings, error):
    ids = list(pd.unique(frame["sample_id"]))
    if len(ids) == 1:
        return [_refused(ids[0], frame["file"].iloc[0], error, **dict(frame[CONDITION].iloc[0]))]
    half = set(ids[: len(ids) // 2])
    first = frame["sample_id"].isin(half)
    return [
        rows
        for half in (frame[first], frame[~first])
        for rows in _scored(half.reset_index(drop=True), settings)
    ]
