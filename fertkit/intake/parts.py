"""Bring what people call a plant part to one name per crop; with and without petiole stay apart."""

import re
from dataclasses import dataclass
from functools import cache

from fertkit.errors import LookupFailed, unknown
from fertkit.intake.spellings import plain
from fertkit.reference import base_crop
from fertkit.reference.facts import load_facts

_PETIOLE = r"(?:the\s+|el\s+)?(?:petioles?|peciolos?|(?:blatt)?stiele?)\b\)?"
_WITHOUT = re.compile(
    rf"[\s,(]*\b(?:without|no|w/o|minus|excl(?:uding)?\.?|less|ohne|sin)\s+{_PETIOLE}|"
    r"[\s,(]*\bpetioles? removed\b\)?"
)
_WITH = re.compile(rf"[\s,(]*\b(?:with|w/|incl(?:uding)?\.?|plus|and|mit|con)\s*{_PETIOLE}")


@dataclass(frozen=True)
class Part:
    """A plant part: its names (one, or two where a source allows either) and what is said of the petiole."""

    names: frozenset[str]
    petiole: str  # 'with', 'without' or 'not stated'


@cache
def _table() -> dict[tuple[str, str], Part]:
    found = {}
    for row in load_facts("parts").itertuples():
        part = Part(frozenset(row.part.split(";")), row.petiole or "not stated")
        for word in row.synonyms.split("|"):
            found[row.crop, plain(word)] = part
    return found


@cache
def plant_part(crop: str, text: str) -> Part:
    """Give the part a text names.

    Parameters
    ----------
    crop : str
    text : str
        Part as a file or a range table writes it.

    Raises
    ------
    LookupFailed
        If the crop has no such part; lists the parts known for it.
    """
    crop, words = base_crop(crop), plain(text)
    found = _find(crop, words)
    if found:
        return found
    for pattern, petiole in ((_WITHOUT, "without"), (_WITH, "with")):
        bare = pattern.sub("", words).strip()
        if bare != words:
            found = _find(crop, bare)
            if found:
                return Part(found.names, petiole)
    known = {_spoken(part) for (c, _), part in _table().items() if c in (crop, "")}
    raise unknown(f"plant part of {crop}", text, known)


def _spoken(part):
    names = " or ".join(sorted(part.names))
    return names if part.petiole == "not stated" else f"{names} {part.petiole} petiole"


def adds_petiole(crop: str, own: str, given: str) -> bool:
    """Whether `given` names the part `own` does and says of the petiole what `own` leaves open."""
    try:
        mine, more = plant_part(crop, own), plant_part(crop, given)
    except LookupFailed:
        return False
    return mine.names == more.names and mine.petiole == "not stated" != more.petiole


def _find(crop, words):
    table = _table()
    return table.get((crop, words)) or table.get(("", words))


def parts_match(sample: Part, published: Part) -> str:
    """'same part', 'source does not state the petiole', or '' if the parts are not the same."""
    if not sample.names & published.names:
        return ""
    if sample.petiole == published.petiole:
        return "same part"
    return "source does not state the petiole" if published.petiole == "not stated" else ""
