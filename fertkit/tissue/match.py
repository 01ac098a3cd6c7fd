"""Which published ranges hold for a sample: same crop, same part, stage inside the window of the range."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.errors import LookupFailed
from fertkit.intake.plausible import home_unit
from fertkit.reference import base_crop
from fertkit.tissue.parts import parts_match, plant_part
from fertkit.tissue.stages import stage_span
from fertkit.units import convert_concentration

CONDITION = ["crop", "growth_stage", "plant_part"]
LIMITS = ["low", "high", "critical", "critical_high", "toxic_above"]
NEAREST = ("petiole", "stage", "part", "stage and part")
NEAR_COLUMNS = [*CONDITION, "offered_stage", "offered_part", "nutrients", "source_key", "differs_in"]


@dataclass(frozen=True)
class Matches:
    """Ranges that hold under each distinct condition of the samples.

    Attributes
    ----------
    found : DataFrame
        condition (number), nutrient, source_key, range (row of the range table), match (how the part agrees).
    near : DataFrame
        Ranges that do not hold: for conditions with none at all, the others of the crop; for the rest, those
        that would hold if the sample said whether petioles belong to it. Offered, never used.
    why : list of str
        For each condition, why no range holds; '' where one does.
    """

    found: pd.DataFrame
    near: pd.DataFrame
    why: list[str]


def prepare_ranges(ranges: pd.DataFrame) -> pd.DataFrame:
    """Put ranges on fertkit's units and stage scales: limits in home units, ``first`` and ``last`` position.

    The critical value of a ratio such as N:S is an upper one (too wide is short of the lower element), so it
    becomes the high end.
    """
    ranges = ranges.reset_index(drop=True).copy()
    ranges["crop"] = [base_crop(c) for c in ranges["crop"]]
    spans = [
        (stage_span(c, a, bare_codes=True).first, stage_span(c, b, bare_codes=True).last)
        for c, a, b in zip(ranges["crop"], ranges["stage_from"], ranges["stage_to"], strict=True)
    ]
    ranges[["first", "last"]] = spans
    for i, (nutrient, unit) in enumerate(zip(ranges["nutrient"], ranges["unit"], strict=True)):
        home = "ratio" if unit == "ratio" else home_unit(nutrient)
        if unit != home:
            ranges.loc[i, LIMITS] = convert_concentration(ranges.loc[i, LIMITS].astype(float), unit, home)
            ranges.loc[i, "unit"] = home
    ratio = (ranges["unit"] == "ratio") & ranges["high"].isna()
    ranges["high"] = ranges["high"].mask(ratio, ranges["critical"])
    ranges.loc[ratio, ["critical", "critical_high"]] = np.nan
    return ranges


def match_ranges(conditions: pd.DataFrame, ranges: pd.DataFrame) -> Matches:
    """Find the ranges that hold under each condition.

    Parameters
    ----------
    conditions : DataFrame
        Distinct crop, growth_stage, plant_part of the samples.
    ranges : DataFrame
        From `prepare_ranges`.

    Raises
    ------
    LookupFailed
        If a crop, stage or part is not known; every unknown one is named with the valid ones.
    """
    own = {c: frozenset(g) for c, g in ranges.groupby("crop")["plant_part"]}
    found, near, why, unknowns = [], [], [], {}
    for number, condition in enumerate(conditions[CONDITION].itertuples(index=False)):
        missing = [n.replace("_", " ") for n, v in zip(CONDITION, condition, strict=True) if not v]
        if missing:
            why.append(f"the {' and '.join(missing)} of the sample is not stated")
            continue
        try:
            held, offered, reason = _match_one(condition, ranges, own)
        except LookupFailed as error:
            unknowns[str(error)] = None
            continue
        found.append(held.assign(condition=number))
        near += offered
        why.append(reason)
    if unknowns:
        raise LookupFailed("\n".join(unknowns))
    columns = ["condition", "nutrient", "source_key", "range", "match"]
    held = pd.concat(found, ignore_index=True) if found else pd.DataFrame(columns=columns)
    return Matches(held[columns], pd.DataFrame(near, columns=NEAR_COLUMNS), why)


def _match_one(condition, ranges, own):
    crop = base_crop(condition.crop)
    parts = own.get(crop, frozenset())
    part, span = plant_part(crop, condition.plant_part, parts), stage_span(crop, condition.growth_stage)
    mine = ranges[ranges["crop"] == crop]
    if mine.empty:
        return _held(mine, [], crop), [], f"no published range for {crop}"
    published = [plant_part(crop, text, parts) for text in mine["plant_part"]]
    same_part = np.array([parts_match(part, other) for other in published], dtype=object)
    in_stage = np.array([span.within(a, b) for a, b in zip(mine["first"], mine["last"], strict=True)])
    holds = (same_part != "") & in_stage
    held = _held(mine[holds], same_part[holds], crop)
    petiole = np.array([bool(part.names & other.names) for other in published]) & (same_part == "")
    differs = np.select(
        [petiole & in_stage, same_part != "", in_stage], ["petiole", "stage", "part"], "stage and part"
    )
    if len(held):  # what a word on the petiole would add
        unstated = differs == ("petiole" if part.petiole == "not stated" else "")
        return held, _near(condition, mine[unstated], differs[unstated]), ""
    offered = _near(condition, mine, differs)
    what = f"no published range for {crop}, {condition.plant_part}, {condition.growth_stage}"
    return held, offered, f"{what}; near ones: {_named(offered)}"


def _held(mine, match, crop):
    """One range per nutrient and source: where two windows of a source meet, the narrower one."""
    held = mine.assign(match=match, range=mine.index, width=mine["last"] - mine["first"])
    return held.sort_values("width", kind="stable").drop_duplicates(["nutrient", "source_key"])


def _near(condition, mine, differs):
    rows = []
    for (stage, part, key, what), group in mine.assign(differs=differs).groupby(
        [_window(mine), "plant_part", "source_key", "differs"], sort=False
    ):
        rows.append((*condition, stage, part, " ".join(group["nutrient"]), key, what))
    return sorted(rows, key=lambda r: NEAREST.index(r[-1]))


def _window(ranges):
    same = ranges["stage_from"] == ranges["stage_to"]
    return (
        ranges["stage_from"].where(same, ranges["stage_from"] + " to " + ranges["stage_to"]).rename("stage")
    )


def _named(offered, most=4):
    names = list(dict.fromkeys(f"{stage}, {part}" for _, _, _, stage, part, *_ in offered))
    return "; ".join(names[:most]) + (f"; and {len(names) - most} more" if len(names) > most else "")
