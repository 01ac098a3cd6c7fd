"""Split a sample's name that also tells its crop, stage and part, as '0031 Corn R1 Ear Leaf' does."""

import re
from functools import cache

from fertkit.errors import LookupFailed
from fertkit.intake.parts import plant_part
from fertkit.intake.stages import stage_span
from fertkit.reference.crops import leaf_crop, load_crops

_MOST_WORDS = 16


@cache
def split_label(label: str) -> dict[str, str]:
    """Sample, crop, stage and part in one name.

    Returns
    -------
    dict of role -> str
        sample_id, crop and growth_stage, plant_part or both; empty unless the words after the crop are a
        stage, a part or both of it, without a rest.
    """
    words = re.sub(r"\s*[,;|/]\s+|\s+-\s+", " ", label).split()
    if not 2 < len(words) <= _MOST_WORDS:
        return {}
    for first in range(1, len(words)):
        for last in range(min(first + 3, len(words) - 1), first, -1):
            crop = _crop(" ".join(words[first:last]))
            found = _stage_and_part(crop, words[last:]) if crop else {}
            if found:
                return {"sample_id": " ".join(words[:first]), "crop": " ".join(words[first:last]), **found}
    return {}


@cache
def _crop(text):
    return leaf_crop(text) if len(text) > 2 and not text.isdigit() else ""


def _stage_and_part(crop, words):
    for cut in range(len(words), -1, -1):
        stage, part = " ".join(words[:cut]), " ".join(words[cut:])
        if _reads(stage_span, crop, stage) and _reads(plant_part, crop, part):
            return {role: text for role, text in (("growth_stage", stage), ("plant_part", part)) if text}
    return {}


def _reads(look_up, crop, text):
    try:
        return not text or bool(look_up(crop, text))
    except LookupFailed:
        return False


@cache
def _is_part(text):
    return len(text.split()) > 1 and any(_reads(plant_part, crop, text) for crop in load_crops()["crop"])


def looks_like_context(text: str) -> bool:
    """Whether a text is a crop, a plant part, or a crop with its stage or part, and no name of a sample."""
    return bool(_crop(text)) or _is_part(text) or bool(split_label(f"x {text}"))
