"""What is known of one sample, by the names the table of evidence uses; and facts that fit crop and stage."""

from functools import lru_cache

import pandas as pd

from fertkit.intake.stages import find_span, stage_span
from fertkit.reference.crops import unknown_crops
from fertkit.reference.facts import load_facts, threshold
from fertkit.results import cells, records
from fertkit.tissue.classes import OVER
from fertkit.tissue.own_names import crop_or_own
from fertkit.tissue.verdicts import ACT, TOXIC, soil_on_leaf
from fertkit.tissue.verdicts import HIGH as ABOVE
from fertkit.tissue.wide import balanced_with, wide_ratios


def known_of(rows: pd.DataFrame, verdicts: pd.DataFrame, pairs, facts: dict) -> dict:
    """What is known of one sample, by the names the table of evidence uses.

    Parameters
    ----------
    rows, verdicts : DataFrame
        Its rows of ``TissueScores.table`` and of `verdicts_of`.
    pairs : PairComparison or None
    facts : dict
        Its field facts.
    """
    sides = {"short": "short", "possibly short": "short", ABOVE: "high", TOXIC: "high", "enough": "enough"}
    statuses = list(cells(verdicts, "nutrient", "status"))
    leaf = {f"leaf {nutrient}": (sides[one],) for nutrient, one in statuses if one in sides}
    over = [n for n, one in cells(rows, "nutrient", "class") if one in OVER]  # by any table, counted or not
    leaf |= {f"leaf {n}": ("high",) for n in over if leaf.get(f"leaf {n}") == ("enough",)}
    soil = {name.replace("_", " "): value for name, value in facts.items() if name.startswith("soil_")}
    lacking = sum(one in ACT for _, one in statuses)
    judged = sum(sources > 0 for sources in verdicts["sources"].tolist())
    many = lacking >= max(threshold("nutrients short together"), threshold("share short together") * judged)
    far = sum(one in (TOXIC, ABOVE) for _, one in statuses)
    told = {"many short": many, "soil on leaf": soil_on_leaf(rows), "alone": far == 1}
    told = {name: ("yes" if so else "no",) for name, so in told.items()}
    crop = {"crop": (crop_or_own(verdicts["crop"].iloc[0]),)}
    return facts | soil | leaf | _of_pair(verdicts, pairs) | told | crop


def _of_pair(verdicts, pairs):
    """How each nutrient of a poor area stands against the good one of its pair, and the pattern of all."""
    if pairs is None or verdicts["area"].iloc[0] != "poor":
        return {}
    specimen = verdicts["specimen"].iloc[0]
    mine = pairs.pairs[[specimen in members for members in pairs.pairs["poor_specimens"]]]
    if mine.empty:
        return {}
    words = {"lower": "lower", "higher": "higher", "within noise": "alike"}
    known = {f"pair {r.nutrient}": (words[r.difference],) for r in records(mine)}
    pattern = pairs.patterns.set_index("pair")["pattern"][mine["pair"].iloc[0]]
    return known | {"pattern": (pattern,)}


def about_nutrient(known, rows, nutrient, crop, stage, certain):
    """What is known, said of one nutrient: its soil test, its place in the pair, symptoms, ratios."""
    wide = wide_ratios(rows).get(nutrient)
    ratio = ("wide",) if wide else ("balanced",) if nutrient in balanced_with(rows, certain) else None
    fit = _symptoms_fit(known, nutrient, crop, stage)
    own = {
        "soil": known.get(f"soil {nutrient}"), "pair": known.get(f"pair {nutrient}"), "ratio": ratio,
        "ratio name": (wide.ratio,) if wide else (), "symptoms fit": fit,
    }  # fmt: skip
    return known | {name: value for name, value in own.items() if value is not None}


def _symptoms_fit(known, nutrient, crop, stage):
    """Whether symptoms sit where a shortage of the nutrient shows first at this stage."""
    seen, symptom = known.get("symptoms"), symptom_of(nutrient, crop, stage)
    if not seen or symptom is None:
        return None
    if seen == ("none",):
        return ("none seen",)
    places = {"old leaves": {"old leaves"}, "new leaves": {"new leaves", "upper leaves"}}
    shown = places.get(symptom["shows_first"], {"old leaves", "new leaves", "upper leaves"})
    whole = "whole plant" in seen and nutrient in ("N", "S")
    return ("fits" if whole or shown & set(seen) else "other leaves",)


def _fitting(table, nutrient, crop, stage):
    """The row of a table of facts that fits best: the crop's own, the nutrient's own, that of the stage."""
    fits = [
        row
        for row in table
        if row["crop"] in (crop, "")
        and row["nutrient"] in (nutrient, "")
        and _at_stage(crop, stage, row["stage_from"], row["stage_to"])
    ]
    return max(fits, key=lambda row: (row["crop"], row["nutrient"], row["stage_from"])) if fits else None


def _at_stage(crop, stage, first, last):
    """Whether a sample's stage begins within a window; one without ends holds always."""
    if not first:
        return True
    place = find_span(crop, stage)  # a stage of the user's own is in no window of the kit
    return place is not None and stage_span(crop, first).first <= place.first <= stage_span(crop, last).last


@lru_cache(maxsize=20_000)
def symptom_of(nutrient, crop, stage):
    """The row of ``mobility`` for a nutrient, crop and stage, or None."""
    return _fitting(load_facts("mobility").to_dict("records"), nutrient, crop, stage)


@lru_cache(maxsize=20_000)
def option_for(nutrient, crop, stage, when):
    """The row of ``options`` for a nutrient, crop and stage, or None."""
    crop = "own crop" if unknown_crops([crop]) else crop
    form = "-" in nutrient  # such as NO3-N: it takes what its crop is told of the element
    table = [row for row in load_facts("options").to_dict("records")
             if row["when"] == when and (row["crop"] == crop or not form)]  # fmt: skip
    return _fitting(table, nutrient.rpartition("-")[2], crop, stage)
