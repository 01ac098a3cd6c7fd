"""What the name or the cells of a line make of it: a mean, a range, a limit, a rating, or none."""

import re
from functools import lru_cache

from fertkit.intake.spellings import plain, spellings

_RANGE = re.compile(
    r"[<>≤≥]?\s*[0-9][0-9.,]*\s*(?:-|–|—|\bto\b|\bbis\b|\ba\b)\s*[<>≤≥]?\s*[0-9][0-9.,]*\s*%?"
)
_KINDS = ("statistic", "range", "limit", "rating", "quality", "either", "sample")
_OF_RANGE = {"range", "limit", "rating", "either", "part of range"}


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
