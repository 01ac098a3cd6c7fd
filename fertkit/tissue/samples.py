"""The tidy frame every floor of the tissue tests works on, from a read file or a user's own DataFrame."""

import numpy as np
import pandas as pd

from fertkit.errors import InputError, Problem, unknown
from fertkit.intake import TissueSamples
from fertkit.intake.labels import analysis_labels
from fertkit.intake.plausible import home_unit
from fertkit.reference import NUTRIENTS
from fertkit.tissue.match import CONDITION

NEEDED = ["sample_id", *CONDITION, "nutrient", "value"]


def samples_frame(samples) -> pd.DataFrame:
    """Tidy frame of the samples with every column scoring carries; a user's own DataFrame is completed.

    Raises
    ------
    InputError
        If an own DataFrame lacks a column, or holds a nutrient of one specimen twice.
    LookupFailed
        If it names a nutrient fertkit does not know; lists those it does.
    """
    if isinstance(samples, TissueSamples):
        return _labelled(samples.table)
    if not isinstance(samples, pd.DataFrame):
        problem = Problem(
            f"samples are of type {type(samples).__name__}", "use read_tissue, or a tidy DataFrame"
        )
        raise InputError("samples", [problem])
    missing = [name for name in NEEDED if name not in samples]
    if missing:
        remedy = f"a tidy frame holds: {', '.join(NEEDED)}"
        raise InputError("samples", [Problem("column is missing", remedy, column=name) for name in missing])
    for nutrient in pd.unique(samples["nutrient"]):
        if nutrient not in NUTRIENTS:
            raise unknown("nutrient", nutrient, NUTRIENTS)
    return _labelled(_numbered(_completed(samples.reset_index(drop=True))))


def _labelled(frame):
    return frame.assign(label=frame["specimen"].map(analysis_labels(frame)))


def _completed(frame):
    fill = {
        "censored": "",
        "unit": frame["nutrient"].map({n: home_unit(n) for n in pd.unique(frame["nutrient"])}),
        "flag": "",
        "area": "",
        "field": "",
        "sampled": pd.NaT,
        "row": np.arange(len(frame)) + 2,
    }
    return frame.assign(**{name: value for name, value in fill.items() if name not in frame})


def _numbered(frame):
    """Number the specimens if the frame does not, repeated results apart; else check its numbers."""
    if "specimen" in frame:
        twice = frame[frame.duplicated(["specimen", "nutrient"])]
        if len(twice):
            remedy = "give each analysed sample its own specimen number"
            rows = twice.head(25).itertuples()
            problems = [Problem(f"{r.nutrient} twice in specimen {r.specimen}", remedy, r.row) for r in rows]
            raise InputError("samples", problems)
        return frame
    key = frame[["sample_id", *CONDITION]].fillna("")
    key = key.assign(sampled=frame["sampled"].map(str), area=frame["area"])
    again = key.assign(nutrient=frame["nutrient"]).groupby([*key.columns, "nutrient"]).cumcount()
    groups = key.assign(again=again).groupby([*key.columns, "again"], sort=False)
    return frame.assign(specimen=groups.ngroup() + 1)
