"""Read the crop, stage and part each line states, and split cells or names that hold several of them.

What the file says stands where it can be read; what the user gives fills blanks and replaces words no table
knows. Both are told.
"""

import re
from collections import Counter
from dataclasses import dataclass, replace
from functools import cache, lru_cache

from fertkit.errors import LookupFailed, Problem, shorten
from fertkit.intake.parts import adds_petiole, find_part
from fertkit.intake.spellings import listed, plain, problem
from fertkit.intake.stages import find_span
from fertkit.reference.crops import base_crop, crop_name, crops_named_in, leaf_crop, load_crops, other_crop
from fertkit.results import counted

ROLES = ("crop", "growth_stage", "plant_part")
_SEAM = re.compile(r"[\s,;:/()\-@|]+(?:(?:at|in|from|taken at|sampled at|during)\s+)?")
_LONGEST, _MOST_WORDS = 120, 16  # characters of a cell, and words of a name, that are searched for entries

#: What is done where an argument and a word of the file that can be read differ.
KEPT = "the file's own entry was kept"


@dataclass(frozen=True)
class Entry:
    """What one line says of crop, stage and part, and how it came to be.

    Attributes
    ----------
    crop, growth_stage, plant_part : str
    taken : tuple of (what, item, detail)
        What was taken from another cell or from the user, for the report.
    doubts : tuple of (what, remedy)
    """

    crop: str
    growth_stage: str
    plant_part: str
    taken: tuple = ()
    doubts: tuple = ()

    def filled(self, role, value, taken):
        """The same with a word taken from elsewhere."""
        return replace(self, **{role: value}, taken=(*self.taken, taken))

    def doubted(self, what, remedy):
        return replace(self, doubts=(*self.doubts, (what, remedy)))


def settle_words(lines, given: dict, notes: list, report: list):
    """Settle crop, stage and part of every line, in place.

    Parameters
    ----------
    lines : list of dict
        With `ROLES` as text and ``row``.
    given : dict
        Role -> what the user gave, or None.
    notes, report : list
        Added to.
    """
    alone = len({line["crop"] for line in lines} - {""}) <= 1
    seen, taken, doubts = {}, Counter(), {}
    for line in lines:
        key = tuple(line[role] for role in ROLES)
        entry = seen[key] = seen.get(key) or _settle(Entry(*key), given, alone)
        line |= {role: getattr(entry, role) for role in ROLES}
        taken.update(entry.taken)
        for doubt in entry.doubts:
            doubts.setdefault(doubt, []).append(line["row"])
    for (what, item, detail), count in taken.items():
        report.append((what, item, f"{detail} ({counted(count, 'line')})", None))
    for (what, remedy), rows in doubts.items():
        where = f" (rows {listed(rows, 6)})" if len(rows) > 1 else ""
        notes.append(Problem(what + where, remedy, rows[0]))
    _tell_unknown_crops(lines, notes)


def _settle(entry, given, alone):
    """Settle one line's words; `alone` if the file names no other crop."""
    entry = _settle_crop(entry, given["crop"], alone)
    settle_role = _settle_role if leaf_crop(entry.crop) else _filled
    for role in ROLES[1:]:
        entry = settle_role(entry, role, given[role])
    return entry


def _settle_crop(entry, given, alone):
    text = entry.crop
    if not text:
        for role in ROLES[1:]:  # 'Corn ear leaf R1' in a column of sample types
            cell = getattr(entry, role)
            parts = _split(cell, "")
            if parts:
                return _spread(replace(entry, **{role: ""}), "crop", cell, parts)
        entry = _filled(entry, "crop", given)
        return replace(entry, crop=leaf_crop(entry.crop) or entry.crop)
    name = leaf_crop(text)
    if name:
        entry = _kept(entry, "crop", given, crop_of(given) == name)
        same = plain(text) == name or (crop_of(text) == name and len(re.findall(r"\w+", text)) == 1)
        taken = ("inferred", "crop", f"'{text}' read as {name}")
        return replace(entry, crop=name) if same else entry.filled("crop", name, taken)
    parts = _split(text, "")
    if parts:
        return _spread(replace(entry, crop=parts["crop"]), "crop", text, parts)
    if given and leaf_crop(given) and (alone or not other_crop(text)):
        return _replaced(entry, "crop", given, other_crop(text))
    return entry


def _settle_role(entry, role, given):
    """Read the stage or the part of a line whose crop is known."""
    text = getattr(entry, role)
    if not text:
        return _filled(entry, role, given)
    if _reads(role, entry.crop, text):
        if role == "plant_part" and given and adds_petiole(entry.crop, text, given):
            taken = ("recognised", role, f"'{given}' completes '{text}' of the file")
            return entry.filled(role, str(given), taken)
        return _kept(entry, role, given, given is not None and plain(given) == plain(text))
    parts = _split(text, entry.crop)
    if parts and role in parts:
        return _spread(replace(entry, **{role: parts[role]}), role, text, parts)
    if given and _reads(role, entry.crop, given):
        return _replaced(entry, role, given)
    return entry


def _spread(entry, role, text, parts):
    """Put what else a cell says where it belongs; what contradicts another cell makes that one unreadable."""
    for other, word in parts.items():
        own, name = getattr(entry, other), other.replace("_", " ")
        if other == role or not own:
            entry = entry.filled(other, word, ("inferred", other, f"'{word}' taken from '{text}'"))
        elif not _agree(other, entry.crop, own, word):
            what = f"'{shorten(text)}' says {word}, the column of the {name} says '{shorten(own)}'"
            entry = replace(entry, **{other: f"{own} or {word}?"})
            entry = entry.doubted(what, f"correct one; the {name} counts as unknown")
    return entry


def _filled(entry, role, given):
    own = getattr(entry, role)
    if given is None or own:
        return _kept(entry, role, given, given is None or plain(given) == plain(own))
    return entry.filled(role, str(given), ("filled", role, f"'{given}' as given"))


def _kept(entry, role, given, same):
    if given is None or same:
        return entry
    what = f"the file states {role.replace('_', ' ')} {getattr(entry, role)}; '{given}' was given"
    return entry.doubted(what, KEPT)


def _replaced(entry, role, given, because=""):
    because = f" ({because})" if because else " is not known"
    what = f"the file's {role.replace('_', ' ')} '{shorten(getattr(entry, role))}'{because}"
    value = leaf_crop(given) if role == "crop" else str(given)
    return replace(entry, **{role: value}).doubted(what, f"'{given}' was used, as given")


def crop_of(text) -> str:
    """Return the crop a text names for every purpose; '' if none."""
    try:
        return crop_name(text) if text else ""
    except LookupFailed:
        return ""


@lru_cache(maxsize=20_000)
def _read(role: str, crop: str, text: str):
    """The span of a stage, or the part, that a text names; None if it names none."""
    return (find_span if role == "growth_stage" else find_part)(crop, text)


def _reads(role: str, crop: str, text: str) -> bool:
    return _read(role, crop, text) is not None


def _agree(role, crop, *texts):
    """Whether two entries of a line can both hold; what cannot be read contradicts nothing."""
    one, other = (_read(role, crop, text) for text in texts)
    if one is None or other is None:
        return len(set(map(plain, texts))) == 1
    if role == "plant_part":
        return bool(one.names & other.names)
    return one.first <= other.last and other.first <= one.last


@lru_cache(maxsize=20_000)
def _split(text: str, crop: str) -> dict:
    """Crop (if none is given), stage and part of one cell that holds several; {} unless one reading fits.

    >>> from fertkit.intake.conditions import _split
    >>> _split("Corn R1", "")
    {'crop': 'corn', 'growth_stage': 'R1'}
    """
    if len(text) > _LONGEST:
        return {}
    found = []
    for left, right in _cut(text):
        if crop:
            found += _two(left, right, crop)
            continue
        for named, rest in ((left, right), (right, left)):
            name = leaf_crop(named)
            for role in ROLES[1:] if name else ():
                if _reads(role, base_crop(name), rest):
                    found.append({"crop": name, role: rest})
            both = _split(rest, name) if name else {}
            found += [{"crop": name, **both}] if both else []
    kinds = {tuple(sorted((role, _meaning(role, one, crop)) for role in one)): one for one in reversed(found)}
    return next(iter(kinds.values())) if len(kinds) == 1 else {}


def _two(left, right, crop):
    for stage, part in ((left, right), (right, left)):
        if _reads("growth_stage", crop, stage) and _reads("plant_part", crop, part):
            yield {"growth_stage": stage, "plant_part": part}


def _meaning(role, found, crop):
    if role == "crop":
        return found["crop"]
    return str(_read(role, crop or found["crop"], found[role]))


def _cut(text):
    for seam in _SEAM.finditer(text):
        left, right = text[: seam.start()].strip(" ,;:()-/"), text[seam.end() :].strip(" ,;:()-/")
        if left and right:
            yield left, right


def _tell_unknown_crops(lines, notes):
    """The crops no table knows, once for the file, with what they may be."""
    counts = Counter(line["crop"] for line in lines)
    strange = [text for text in counts if text and not crop_of(text)]
    if not strange:
        return
    named = [f"'{shorten(crop)}' ({counted(counts[crop], 'line')})" for crop in strange]
    named = ", ".join(named[:12]) + f" and {len(strange) - 12} more" * (len(strange) > 12)
    row = next(line["row"] for line in lines if line["crop"] == strange[0])
    hints = list(dict.fromkeys(filter(None, map(crop_hint, strange))))
    blanks = {
        "hints": "; ".join(hints[:6]) + "; " * bool(hints),
        "crops": ", ".join(sorted(load_crops()["crop"])),
    }
    notes.append(problem("crops not known", row, "crop", named=named, **blanks))


def crop_hint(text: str) -> str:
    """Return what a crop's name that is not known may be; '' if nothing comes near."""
    why, near = other_crop(text), crops_named_in(text)
    if why:
        return f"'{shorten(text)}' is {why}"
    if near:
        named = " and ".join(near[:3])
        return f"'{shorten(text)}' names {named} in unknown words: if it is {near[0]}, choose {near[0]}"
    return ""


# ---- names of samples that tell crop, stage and part, as '0031 Corn R1 Ear Leaf' does


@cache
def split_label(label: str) -> dict[str, str]:
    """Split a name that tells sample, crop, stage and part.

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
            named = " ".join(words[first:last])
            crop = _crop_alone(named)
            found = _stage_and_part(crop, words[last:]) if crop else {}
            if found:
                return {"sample_id": " ".join(words[:first]), "crop": named, **found}
    return {}


@cache
def _crop_alone(text):
    return leaf_crop(text) if len(text) > 2 and not text.isdigit() else ""


def _stage_and_part(crop, words):
    for cut in range(len(words), -1, -1):
        found = {"growth_stage": " ".join(words[:cut]), "plant_part": " ".join(words[cut:])}
        if all(not text or _reads(role, crop, text) for role, text in found.items()):
            return {role: text for role, text in found.items() if text}
    return {}


@cache
def _is_part(text):
    crops = load_crops()["crop"] if len(text.split()) > 1 else ()
    return any(_reads("plant_part", crop, text) for crop in crops)


def looks_like_context(text: str) -> bool:
    """Tell whether a text is a crop, a plant part, or a crop with its stage or part, and no sample's name."""
    return bool(_crop_alone(text)) or _is_part(text) or bool(split_label(f"x {text}"))
