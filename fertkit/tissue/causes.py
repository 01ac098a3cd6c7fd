"""Rank what could be behind a result: the table of causes against what is known of the sample.

Score of a cause: its prior plus the weight of every row of ``evidence`` that holds for what is known, for it
(above zero) or against it (below). Causes, evidence, weights and sources stand in tables; weights are common
practice, no source.
"""

import re
from dataclasses import dataclass
from functools import cache

from fertkit.reference.facts import load_facts, threshold
from fertkit.results import plain, records

#: What a cause is about: one nutrient short or high, many nutrients short together, plants stunted.
SHORT, HIGH, MANY, STUNTED = "short", "high", "many", "stunted"
CAUSE_COLUMNS = [
    "rank", "key", "cause", "score", "speaks_for", "speaks_against", "settle_by", "feeds", "now", "do_not",
    "source_key", "provenance",
]  # fmt: skip
_MOST = 3  # causes named of one result
_SPAN = re.compile(r"(?:(?P<low>\d[\d.]*)-(?P<high>\d[\d.]*)|(?P<sign>[<>])(?P<end>\d[\d.]*))")


@dataclass(frozen=True)
class Cause:
    """A likely cause of one result, with what speaks for and against it.

    Attributes
    ----------
    rank : int
    key, cause : str
    score : float
    speaks_for, speaks_against : tuple of str
    settle_by : str
        The one check that would settle it.
    feeds : bool
        Whether feeding the nutrient helps if this is the cause.
    now, do_not : str
    source_key, provenance : str
    """

    rank: int
    key: str
    cause: str
    score: float
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]
    settle_by: str
    feeds: bool
    now: str
    do_not: str
    source_key: str
    provenance: str


def rank_causes(of: str, known: dict, nutrient: str = "", crop: str = "") -> list[Cause]:
    """Return the likely causes of one result, the likeliest first.

    Parameters
    ----------
    of : {'short', 'high', 'many', 'stunted'}
    known : dict of name -> number, or words
        Field facts (`fertkit.intake.facts`), and what the sample and its pair tell (`known_of`).
    nutrient, crop : str

    Returns
    -------
    list of Cause
        Those whose score reaches a threshold, at most three; of equal scores the first of the table.

    Examples
    --------
    >>> from fertkit.tissue.causes import rank_causes
    >>> first = rank_causes("short", {"ph": 7.6, "soil": ("enough",)}, "Mn", "soybean")[0]
    >>> first.cause, first.speaks_for
    ('High soil pH ties up manganese', ('soil pH 7.6 is above 7.0',))
    """
    ranked = []
    for row, evidence in _table(of):
        if concerns(row, nutrient, crop):
            found = [r for r in evidence if concerns(r, nutrient, crop) and holds(r, known, nutrient)]
            ranked.append((row.prior + sum(r.weight for r in found), row, found))
    least = threshold("score of a cause")
    ranked = sorted((one for one in ranked if one[0] >= least), key=lambda one: -one[0])[:_MOST]
    return [_cause(i, *one, known, nutrient) for i, one in enumerate(ranked, 1)]


@cache
def _table(of: str) -> list[tuple]:
    """Causes of one kind, each with its rows of evidence."""
    causes, evidence = load_facts("causes", ("prior",)), load_facts("evidence", ("weight",))
    rows = {key: list(records(mine)) for key, mine in evidence.groupby("cause")}
    return [(row, rows.get(row.key, [])) for row in records(causes[causes["of"] == of])]


def concerns(row, nutrient: str, crop: str) -> bool:
    """Whether a row of causes or evidence is about a nutrient and a crop; a blank is about all."""
    return nutrient in (row.nutrients.split() or [nutrient]) and crop in (
        row.crops.split("|") if row.crops else [crop]
    )


def holds(row, known: dict, nutrient: str = "") -> bool:
    """Whether a row of evidence holds for what is known: one of its words is, or its span has the number."""
    value, values = known.get(row.known), row.values.replace("{nutrient}", nutrient)
    if value is None:
        return False
    span = _SPAN.fullmatch(values)
    if not span:
        return bool(set(values.split("|")) & set(value))
    if span["sign"]:
        return value < float(span["end"]) if span["sign"] == "<" else value > float(span["end"])
    return float(span["low"]) <= value <= float(span["high"])


def _cause(rank, score, row, found, known, nutrient):
    said = [(r.weight > 0, _filled(r.says, known.get(r.known), known, nutrient)) for r in found]
    speaks = {way: tuple(text for pro, text in said if pro == way) for way in (True, False)}
    keys = dict.fromkeys(k for r in (row, *found) for k in r.source_key.split(";"))
    plainly = [r.provenance for r in (row, *found)]
    return Cause(
        rank, row.key, _filled(row.cause, None, known, nutrient), round(score, 6), speaks[True],
        speaks[False], _filled(_check(row, known), None, known, nutrient), row.feeds == "yes", row.now,
        _filled(row.do_not, None, known, nutrient), ";".join(keys),
        plainly[0] if len(set(plainly)) == 1 else "mixed",
    )  # fmt: skip


def _check(row, known):
    """The check that would settle a cause; where the soil is tested, a test of the better area beside it."""
    return row.settle_tested if row.settle_tested and "soil" in known else row.settle_by


def _filled(text, value, known, nutrient):
    shown = plain(value) if isinstance(value, int | float) else ""
    ratio = " ".join(known.get("ratio name", ()))
    return text.replace("{nutrient}", nutrient).replace("{value}", shown).replace("{ratio}", ratio)
