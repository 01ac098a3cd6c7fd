"""A part of a batch of tissue samples: read, scored against the published ranges, the bad ones told apart."""

from functools import cache
from pathlib import Path

import pandas as pd

from fertkit.batch import parts
from fertkit.batch.parts import PLACE, Part
from fertkit.errors import FertkitError, InputError, Problem
from fertkit.intake.leaf import read_tissue
from fertkit.reference.load import load_ranges
from fertkit.response.optimum import Status
from fertkit.tissue.match import CONDITION, LIMITS, NEEDED
from fertkit.tissue.score import score_tissue

NAME, SIZE, FILES = "sample_id", 2000, 20  # column of the names; samples of a part that takes some seconds
COLUMNS = "crop, growth_stage, plant_part, nutrient and value"  # of a data set, beside the names
EACH = ("file", NAME, "analysis")  # what is counted
#: Status of a sample that was scored; its `class` says how.
SCORED = "scored"
_TEXT = ("censored", "unit", "flag", "area")


def types(by: list[str]) -> dict[str, str]:
    """Columns of the result and their types: a row per sample, nutrient and source of ranges."""
    measures = (*LIMITS, "limit", "position", "distance", "probability_below")
    return {
        "file": "text", **dict.fromkeys(by, "text"), "analysis": "whole", **dict.fromkeys(CONDITION, "text"),
        "nutrient": "text", "value": "number", "unit": "text", "censored": "text", "status": "text",
        "source_key": "text", "kind": "text", "class": "text", "reason": "text",
        **dict.fromkeys(measures, "number"), "within_critical": "flag",
        **dict.fromkeys(("match", "range_stage", "range_part", "provenance", "confidence"), "text"),
        "unread": "text", "message": "text",
    }  # fmt: skip


def is_tidy(columns, settings) -> bool:
    """Whether column names are those of a tidy data set of tissue results."""
    return {*NEEDED, *settings.by} <= set(columns)


def work(part: Part, settings) -> pd.DataFrame:
    """Rows of scores of a part, in its order, with the columns of `types`."""
    done = []
    for frame in (_of_rows if part.tidy else _of_files)(part, settings):
        done += [frame] if "message" in frame else _scored(frame, settings)
    return parts.typed(pd.concat(done, ignore_index=True) if done else pd.DataFrame(), types(settings.by))


# ---- reading: each yields frames to score, or frames with a message for those refused


def _of_rows(part, settings):
    frame = parts.rows_of_part(part).drop(columns=["file", "row"], errors="ignore")
    frame = frame.rename(columns=dict(zip(PLACE, ("file", "row"), strict=True)))
    frame["value"] = parts.numbers_where_they_are(frame["value"], settings.decimal)
    for name in {"sample_id", *CONDITION, *_TEXT} & set(frame):
        frame[name] = parts.text(frame[name])
    bad = frame["value"].astype(object).map(type).ne(float) | frame["sample_id"].eq("")
    wrong = frame["sample_id"].isin(frame.loc[bad, "sample_id"])
    for name, rows in frame[wrong].groupby("sample_id", sort=False):
        file, problems = rows["file"].iloc[0], map(_complaint, rows[bad[rows.index]].itertuples())
        yield _refused(name, file, InputError(file, problems))
    if not wrong.all():
        yield frame[~wrong].reset_index(drop=True).astype({"value": float})


def _complaint(row):
    if row.sample_id == "":
        return Problem("a result without a sample name", "name the sample on each row", row.row, "sample_id")
    remedy = "correct it or leave the row out"
    return parts.not_a_number(Problem("not a number", remedy, row.row, "value", row.value))


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
    lost, specimens = samples.unread, samples.table["specimen"]
    told = lost["nutrient"] + " (column '" + lost["column"] + "'): " + lost["why"]
    own = {one: told[lost["specimen"].isin((0, one))] for one in specimens.unique()}
    return specimens.map({one: "; ".join(words) for one, words in own.items()})


def _refused(sample, file, error, **known):
    row = {"file": file, "sample_id": sample, "status": Status.REFUSED, "message": parts.refusal(error)}
    return pd.DataFrame([row | known])


# ---- scoring


@cache
def _ranges(path):
    """The user's own ranges, read once in a process; None for the bundled ones."""
    return None if path is None else load_ranges(path)


def _scored(frame, settings) -> list[pd.DataFrame]:
    """Scores of a frame; where something in it is refused, it is narrowed down to the samples at fault."""
    try:
        scored = score_tissue(frame, _ranges(settings.ranges), source=settings.source_keys, strict=True).table
    except FertkitError as error:
        return _narrowed(frame, settings, error)
    specimen = scored.groupby("sample_id", observed=True)["specimen"]
    scored = scored.assign(
        file=scored["sample_id"].map(frame.drop_duplicates("sample_id").set_index("sample_id")["file"]),
        analysis=specimen.rank("dense").where(specimen.transform("min").notna(), 1),
        status=SCORED,
    )
    if "unread" in frame:
        scored["unread"] = scored["specimen"].map(frame.groupby("specimen")["unread"].first())
    return [scored]


def _narrowed(frame, settings, error):
    ids = list(pd.unique(frame["sample_id"]))
    if len(ids) == 1:
        return [_refused(ids[0], frame["file"].iloc[0], error, **dict(frame[CONDITION].iloc[0]))]
    first = frame["sample_id"].isin(ids[: len(ids) // 2])
    halves = (frame[first].reset_index(drop=True), frame[~first].reset_index(drop=True))
    return [rows for half in halves for rows in _scored(half, settings)]
