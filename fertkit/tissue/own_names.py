"""Crops, stages and parts that a table of the user's own brings, beside those the kit knows.

A stage of a crop is first read as the kit reads it, then as days, then as a name of the table; a crop without
stages of the kit also takes V and R codes and decimal codes.
"""

import re
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cache, lru_cache

import pandas as pd

from fertkit.errors import LookupFailed, unknown
from fertkit.intake.parts import Part, find_part, known_parts, plant_part, without_petiole
from fertkit.intake.spellings import plain
from fertkit.intake.stages import Span, find_span, known_stages, stage_span
from fertkit.reference.crops import base_crop, is_known, name_words
from fertkit.results import cells

#: Where the names of a table begin on the scale of a crop; every thousand is a scale of its own.
NAMED, APART = 4000.0, 1000.0
_DAYS = (re.compile(r"(\d{1,3}) ?(?:d|days?)(?: after (?:planting|emergence))?"), 1000)
_CODES = (
    _DAYS, (re.compile(r"v(\d+)"), 0), (re.compile(r"r(\d+(?:\.\d)?)"), 100),
    (re.compile(r"(?:gs|bbch|z|zadoks) ?(\d{1,2})"), 3000),
)  # fmt: skip
_LIKE_A_CODE = re.compile(r"[a-z]*[ .-]?\d[\d. ]*")


@dataclass
class OwnNames:
    """What a table brings for one crop: its stages with their place, its parts, and whether it is on its own.

    Attributes
    ----------
    stages : dict of str to float
        In the order of the table.
    parts : set of str
    alone : bool
        The kit carries no stages of the crop.
    known : bool
        The kit knows the crop.
    """

    alone: bool
    known: bool
    stages: dict[str, float] = field(default_factory=dict)
    parts: set[str] = field(default_factory=set)


@lru_cache(maxsize=20_000)
def crop_or_own(text: str) -> str:
    """The crop a text names; its words, in plain letters and the singular, where it is of the user's own."""
    try:
        return base_crop(text)
    except LookupFailed:
        return " ".join(sorted(name_words(text)))


def own_names(ranges: pd.DataFrame) -> dict[str, OwnNames]:
    """Stages and parts by crop that the kit does not know; nothing for a crop of which it knows all."""
    found: dict[str, OwnNames] = {}
    columns = ["crop", "stage_from", "stage_to", "plant_part"]
    for text, *ends, part in dict.fromkeys(cells(ranges, *columns)):
        crop, known = crop_or_own(text), is_known(text)
        names = found.setdefault(crop, OwnNames(not (known and _has_stages(crop)), known))
        for stage in ends:
            if names.alone or find_span(crop, stage, bare_codes=True) is None:
                names.stages.setdefault(plain(stage), NAMED + len(names.stages))
        if not known or find_part(crop, part) is None:
            names.parts.add(without_petiole(plain(part))[0])
    return {crop: names for crop, names in found.items() if names.alone or names.stages or names.parts}


@cache
def _has_stages(crop):
    return bool(known_stages(crop))


def place_stage(crop: str, stage: str, names: OwnNames | None, *, bare_codes: bool = False) -> Span:
    """Place a stage on the scale of its crop.

    Raises
    ------
    LookupFailed
        If neither the kit nor the table knows it; lists the names.
    """
    if names is None:
        return stage_span(crop, stage, bare_codes=bare_codes)
    if not names.alone and (span := find_span(crop, stage, bare_codes)):
        return span
    text = plain(stage)
    for code, offset in _CODES if names.alone else (_DAYS,):
        if hit := code.fullmatch(text):
            return Span(*[offset + float(hit[1])] * 2)
    if text not in names.stages:
        listed = [*names.stages, *([] if names.alone else known_stages(crop))]
        raise unknown(f"growth stage of {crop}" if names.known else "growth stage", stage, listed)
    return Span(names.stages[text], names.stages[text])


def place_part(crop: str, text: str, names: OwnNames | None) -> Part:
    """The part a text names: one the kit knows, or the words of the table, with or without petiole.

    Raises
    ------
    LookupFailed
        If neither the kit nor the table knows it; lists the parts.
    """
    if names is None:
        return plant_part(crop, text)
    words, petiole = without_petiole(plain(text))
    found = find_part(crop, text) if names.known else None
    if found is None and names.known and words not in names.parts:
        return plant_part(crop, text)
    return found or Part(frozenset([words]), petiole or "not stated")


@lru_cache(maxsize=20_000)
def slip_of_stage(crop: str, stage: str) -> bool:
    """Whether a stage the kit does not know is a code, or looks like a slip of a stage of a crop it knows."""
    if find_span(crop, stage, bare_codes=True) or not _has_stages(crop):
        return False
    text, known = plain(stage), [plain(name) for name in known_stages(crop)]
    return bool(_LIKE_A_CODE.fullmatch(text) or get_close_matches(text, known, 1, 0.8))


@lru_cache(maxsize=20_000)
def slip_of_part(crop: str, part: str) -> bool:
    """Whether a part the kit does not know looks like a slip of one of a crop it knows."""
    if find_part(crop, part) is not None:
        return False
    return bool(get_close_matches(without_petiole(plain(part))[0], known_parts(crop), 1, 0.8))
