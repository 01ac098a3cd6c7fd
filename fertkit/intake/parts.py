"""Bring what people call a plant part to one name per crop; with and without petiole stay apart."""

import re
from dataclasses import dataclass
from functools import cache, lru_cache

from fertkit.errors import LookupFailed, unknown
from fertkit.intake.spellings import plain
from fertkit.reference.crops import base_crop
from fertkit.reference.facts import load_facts

_PETIOLE = r"(?:the\s+|el\s+|o\s+)?(?:petioles?|peciolos?|pet\.|(?:blatt)?stiele?)(?!\w)\)?"
_WITHOUT = re.compile(
    rf"[\s,(]*(?:\b(?:without|w/out|no|minus|excl(?:uding)?\.?|less|ohne|sin|sem|sans)\s+|\bw/o\s*){_PETIOLE}|"
    rf"[\s,(]*\b{_PETIOLE}[\s\-]*(?:(?:were\s+)?(?:removed|excluded|discarded|off)|free)\b\)?"
)
_WITH = re.compile(
    rf"[\s,(]*(?:\b(?:with|incl(?:uding)?\.?|plus|and|mit|con|com|avec)\s+|\bw/\s*|\bw\s+|[+&]\s*){_PETIOLE}"
    rf"(?:\s+(?:attached|included|on|intact))?\b\)?|"
    rf"[\s,(]*\b{_PETIOLE}\s*(?:were\s+)?(?:attached|included|intact|on)\b\)?"
)
_LONGEST = 200  # characters of a cell that may name a part
_YOUNGEST = {"young", "recent", "top"}


@dataclass(frozen=True)
class Part:
    """A plant part: its names (one, or two where a source allows either) and what is said of the petiole."""

    names: frozenset[str]
    petiole: str  # 'with', 'without' or 'not stated'


@cache
def _table() -> dict[tuple[str, str], Part]:
    parts = {}
    for row in load_facts("parts").itertuples():
        part = Part(frozenset(row.part.split(";")), row.petiole or "not stated")
        for word in row.synonyms.split("|"):
            parts[row.crop, plain(word)] = part
    return parts


@cache
def _words() -> list[tuple[re.Pattern, str]]:
    """What each spelling of a word becomes, the longest first."""
    table = [(plain(w), r.word) for r in load_facts("part_words").itertuples() for w in r.words.split("|")]
    edge = lambda w, side: r"(?<!\w)" * (side == 0) + r"(?!\w)" * (side == 1) if w[-side].isalnum() else ""  # noqa: E731
    table.sort(key=lambda pair: -len(pair[0]))
    return [(re.compile(edge(w, 0) + re.escape(w) + edge(w, 1)), f" {to} ") for w, to in table]


@lru_cache(maxsize=20_000)
def _key(text: str) -> frozenset[str]:
    """The words that make a part what it is, in any order: 'Leaf, flag' and 'flag leaves' are one."""
    text = re.sub(r"(?<=\d)(?=[a-z\"])(?!(?:st|nd|rd|th)\b)", " ", text)
    for pattern, word in _words():
        text = pattern.sub(word, text)
    words = set(re.findall(r"[^\W_]+", text))
    if "mature" in words and words & _YOUNGEST:  # the youngest of the mature leaves, however it is put
        words = words - _YOUNGEST | {"youngest"}
    if words & {"blade", "trifoliate"}:
        words.discard("leaf")
    return frozenset(words)


@cache
def _by_words() -> dict[tuple[str, frozenset], Part]:
    """Parts by their words; words that two parts of a crop share name none."""
    names_of = {}
    for (crop, text), part in _table().items():
        bare = without_petiole(text)[0]
        names_of.setdefault((crop, _key(bare)), set()).add(part.names)
    return {
        (crop, key): Part(next(iter(names)), "not stated")
        for (crop, key), names in names_of.items()
        if len(names) == 1 and key
    }


def without_petiole(words: str) -> tuple[str, str]:
    """Return a part's words without those on the petiole, and what they say of it."""
    for pattern, petiole in ((_WITHOUT, "without"), (_WITH, "with")):
        bare = pattern.sub("", words).strip(" ,;-")
        if bare != words and bare:
            return bare, petiole
    return words, ""


def plant_part(crop: str, text: str) -> Part:
    """Return the part a text names.

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
    part = find_part(crop, text)
    if part is None:
        known = {_described(part) for (c, _), part in _table().items() if c in (base_crop(crop), "")}
        raise unknown(f"plant part of {base_crop(crop)}", text, known)
    return part


def known_parts(crop: str) -> list[str]:
    """Return the words by which the parts of a crop are known."""
    return [words for (name, words) in _table() if name in (base_crop(crop), "")]


@lru_cache(maxsize=20_000)
def find_part(crop: str, text: str) -> Part | None:
    """Return the part a text names, as `plant_part` gives it; None if it is not known."""
    crop, words = base_crop(crop), plain(text)
    bare, petiole = without_petiole(words) if len(words) <= _LONGEST else ("", "")
    found = _find(crop, words) or _find(crop, bare) or _find(crop, bare, by_words=True)
    if not found and "blade" in (key := _key(bare)) and "trifoliate" in key:  # leaflets, so no petiole
        found, petiole = _find(crop, "trifoliate", key=key - {"blade"}), petiole or "without"
    return Part(found.names, petiole) if found and petiole else found


def _described(part):
    names = " or ".join(sorted(part.names))
    return names if part.petiole == "not stated" else f"{names} {part.petiole} petiole"


def adds_petiole(crop: str, own: str, given: str) -> bool:
    """Tell whether `given` names the part `own` does and says of the petiole what `own` leaves open."""
    try:
        part, completed = plant_part(crop, own), plant_part(crop, given)
    except LookupFailed:
        return False
    return part.names == completed.names and part.petiole == "not stated" != completed.petiole


def _find(crop, words, by_words=False, key=None):
    table = _by_words() if by_words or key else _table()
    name = key or (_key(words) if by_words else words)
    return table.get((crop, name)) or table.get(("", name))


def parts_match(sample: Part, published: Part) -> str:
    """'same part', 'source does not state the petiole', or '' if the parts are not the same."""
    if not sample.names & published.names:
        return ""
    if sample.petiole == published.petiole:
        return "same part"
    return "source does not state the petiole" if published.petiole == "not stated" else ""
