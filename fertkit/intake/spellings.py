"""The words that files use (``spellings.csv``).

What a reader asks or notes stands in ``messages.csv``, a line a question; the code names it and fills it in.
"""

import csv
import re
import unicodedata
from functools import cache, lru_cache
from importlib.resources import files

from fertkit.errors import Note, Problem
from fertkit.reference.nutrients import nutrient_words
from fertkit.results import show

_RANGE = re.compile(
    r"[<>≤≥]?\s*[0-9][0-9.,]*\s*(?:-|–|—|\bto\b|\bbis\b|\ba\b)\s*[<>≤≥]?\s*[0-9][0-9.,]*\s*%?"
)
_NUMBER = re.compile(r"\s*[<>≤≥]?\s*[+-]?[.,]?\d")
_KINDS = ("statistic", "range", "limit", "rating", "quality", "either", "sample")
#: Kinds of words that stand in the table of nutrients; a short symbol may need a unit beside it (Se ppm).
NUTRIENT_KINDS = {"nutrient": (False,), "oxide": (True,), "nutrient with unit": (False, "beside_unit")}
_OF_RANGE = {"range", "limit", "rating", "either", "part of range"}


def plain(text: str) -> str:
    """Return text in lower case and plain characters: accents, µ, superscripts, full width, blanks."""
    text = str(text)
    if text.isascii():
        return " ".join(text.lower().split())
    text = unicodedata.normalize("NFKC", text).replace("\u2212", "-").replace("\u2013", "-")
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return " ".join(bare.lower().split())


def spaced(text) -> str:
    """Return a header with words run together set apart: AppliedRate -> Applied Rate."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", str(text))


def squeezed(text: str) -> str:
    """Return plain text without blanks, underscores and brackets, for comparing names of units."""
    return "".join(c for c in plain(text) if c not in " _()[]{}")


@cache
def table_of(name: str) -> list[dict]:
    """Return the rows of a table of words."""
    with (files("fertkit.intake") / name).open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


@cache
def spellings(kind: str) -> dict[str, str]:
    """Return every spelling of one kind (unit, nutrient, oxide, noise, area ...) with its name."""
    if kind in NUTRIENT_KINDS:
        return {plain(word): name for word, name in nutrient_words(*NUTRIENT_KINDS[kind]).items()}
    rows = (row for row in table_of("spellings.csv") if row["kind"] == kind)
    return {plain(word): row["name"] for row in rows for word in row["spellings"].split("|")}


@cache
def _messages() -> dict[str, dict]:
    return {row["key"]: row for row in table_of("messages.csv")}


def problem(key: str, row=None, column=None, value=None, **words) -> Problem:
    """Return the problem that ``messages.csv`` words, its blanks filled in."""
    what, remedy, in_code = (_messages()[key][part].format(**words) for part in ("what", "remedy", "in_code"))
    return Problem(what, remedy, row, column, value, in_code)


def note(key: str, **words) -> Note:
    """Return the note that ``messages.csv`` words, its blanks filled in."""
    asked = problem(key, **words)
    return Note(asked.what, asked.in_code)


def listed(items, most: int, more: str = ", ...") -> str:
    """Return the first items with commas between, and that there are more."""
    items = list(map(str, items))
    return ", ".join(items[:most]) + more * (len(items) > most)


# ---- what the name or the cells of a line make of it


@lru_cache(maxsize=50_000)
def name_kind(text: str) -> str:
    """Return what the name of a line makes of it.

    Returns
    -------
    str
        'statistic' (mean, total), 'range' (sufficiency low), 'limit' (detection limit), 'rating', 'quality'
        (blank, qc), 'either' (low, normal: a range or a sample), 'sample' (check, control) or ''.
    """
    words = re.sub(r"\(?\bn\s*=\s*\d+\)?|[:.,*_()/\[\]-]+", " ", plain(text)).split()
    for kind in _KINDS:
        if " ".join(words) in spellings(f"line {kind}"):
            return kind
    tokens = [t for t in words if t not in spellings("line filler") and not t.isdigit()]
    kinds = {next((k for k in (*_KINDS, "part of range") if t in spellings(f"line {k}")), "") for t in tokens}
    if "statistic" in kinds and kinds <= {"statistic", *_OF_RANGE}:
        return "statistic"
    if kinds <= _OF_RANGE and len(words) > 1 and not any(t.isdigit() for t in words):
        return "range" if len(tokens) > 1 or kinds & {"range", "limit", "rating"} else ""
    ends = {spellings("line statistic").get(t) for t in (*words[:1], *words[-1:])}
    return "statistic" if ends & {"mean", "median"} else ""


def is_summary(text) -> bool:
    """Tell whether a label says mean, total, LSD ... and nothing else but numbers and levels."""
    told = re.sub(r"\bp(?:r|rob)? ?(?:> ?f\b|\(f\))|\bp[ -]?values?\b", "pvalue", plain(text))
    told = re.sub(r"\bstandard (?:error|deviation)s?\b|\berror d\.?f\b|\bd\.?f\.? error\b", "se", told)
    words = re.findall(r"[^\W\d_]+(?:\.[^\W\d_]+)*", told)
    known, beside = spellings("strip summary"), spellings("strip summary beside")
    return any(w in known for w in words) and all(w in known or w in beside for w in words)


def begins_with(text, kind: str) -> bool:
    """Tell whether a text begins with a word of a kind, whatever marks stand before it."""
    told = re.sub(r"^\W+", "", plain(text))
    return any(re.match(rf"{re.escape(word)}(?!\w)", told) for word in spellings(kind))


def is_rating(cell) -> bool:
    """Tell whether a cell holds a rating in words or letters (L, Suff., very low) and nothing else."""
    return isinstance(cell, str) and bool(cell) and not cell[0].isdigit() and _rates(cell)


@lru_cache(maxsize=20_000)
def _rates(text):
    words = plain(text).strip(" .*()[]:")
    return words in spellings("flag") or words in spellings("rating")


def is_no_result(cell) -> bool:
    """Tell whether a cell holds a laboratory's code for a result it did not get (TNTC, pending)."""
    return isinstance(cell, str) and plain(cell).strip(" .*()[]") in spellings("no result")


def is_range(cell) -> bool:
    """Tell whether a cell holds a range such as 2.7-4.0."""
    return isinstance(cell, str) and bool(_RANGE.fullmatch(cell.strip()))


def number_like(cell) -> bool:
    """Tell whether a cell begins like a number (2.4, <0.05, 7/3/2024), or is one of a spreadsheet."""
    return bool(_NUMBER.match(cell)) if isinstance(cell, str) else True


def untreated(labels):
    """Name the treatment that stands for none (check, control, untreated); None where no name says so."""
    words = spellings("check name") | spellings("untreated")
    return next((one for one in labels if plain(show(one)) in words), None)


def numbered_checks(labels) -> list:
    """Name the checks told apart by a number, or two or more by a letter: Check 1, CheckA and CheckB."""
    words = "|".join(map(re.escape, spellings("check name")))
    told = {one: re.fullmatch(rf"(?:{words})[ _.-]*(\d{{1,2}}|[a-z])", plain(show(one))) for one in labels}
    held = [one for one, found in told.items() if found]
    return held if len(held) > 1 or any(told[one][1].isdigit() for one in held) else []
