"""Units as strip files write them: amounts per area, masses, volumes and lengths, in fertkit's spelling."""

import re
from itertools import pairwise

from fertkit.intake.numbers import MISSING
from fertkit.intake.spellings import plain, spellings
from fertkit.units import ACRE_HA, AREA_RATE_KG_HA, FOOT_M

NUTRIENT_WORDS = spellings("nutrient") | spellings("oxide") | spellings("strip material")
AREA_UNITS = ("bu/ac", *AREA_RATE_KG_HA)
#: Volumes of a product per area, in gallons an acre or litres a hectare.
VOLUME_UNITS = {"gal/ac": 1.0, "qt/ac": 1 / 4, "pt/ac": 1 / 8, "L/ha": 1.0, "hL/ha": 100.0}
#: Lengths [m] and areas [m2] of strips.
LENGTH_M = {"ft": FOOT_M, "in": FOOT_M / 12, "yd": 3 * FOOT_M, "m": 1.0, "cm": 0.01}
PLOT_M2 = {"ft2": FOOT_M**2, "m2": 1.0, "ac": 10_000 * ACRE_HA, "ha": 10_000.0}

_MASSES = {
    **{word: word for word in ("lb", "bu", "t", "ton", "q", "dt", "kg", "g", "oz", "cwt")},
    "lbs": "lb", "pound": "lb", "pounds": "lb", "#": "lb", "bushel": "bu", "bushels": "bu", "bus": "bu",
    "tonne": "t", "tonnes": "t", "tonnen": "t", "mt": "t", "mg": "Mg", "tons": "ton", "quintal": "q",
    "quintals": "q", "kgs": "kg", "kilo": "kg", "kilos": "kg", "ounces": "oz", "doppelzentner": "dt",
}  # fmt: skip
_VOLUMES = {
    "gal": "gal", "gals": "gal", "gallon": "gal", "gallons": "gal", "qt": "qt", "quart": "qt", "quarts": "qt",
    "pt": "pt", "pint": "pt", "pints": "pt", "l": "L", "liter": "L", "litre": "L", "liters": "L",
    "litres": "L", "litros": "L", "hl": "hL",
}  # fmt: skip
_AREAS = {
    "ac": "ac", "acre": "ac", "acres": "ac", "a": "ac", "ac-1": "ac", "acre-1": "ac", "a-1": "ac",
    "ha": "ha", "hectare": "ha", "hectares": "ha", "hektar": "ha", "hectarea": "ha", "ha-1": "ha",
}  # fmt: skip
_LENGTHS = {
    "ft": "ft", "feet": "ft", "foot": "ft", "in": "in", "inch": "in", "inches": "in", "yd": "yd",
    "yards": "yd", "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m", "metros": "m",
    "cm": "cm",
}  # fmt: skip
_SQUARES = {
    "ft2": "ft2", "sqft": "ft2", "sq ft": "ft2", "square feet": "ft2", "m2": "m2", "sqm": "m2", "sq m": "m2",
    "qm": "m2", "square meters": "m2", "square metres": "m2", "ac": "ac", "acre": "ac", "acres": "ac",
    "ha": "ha", "hectare": "ha", "hectares": "ha",
}  # fmt: skip
#: Words of their own for an amount per area.
_WHOLE = {
    "bpa": "bu/ac", "gpa": "gal/ac", "ppa": "lb/ac", "buac": "bu/ac", "lbac": "lb/ac", "lbsac": "lb/ac",
    "kgha": "kg/ha", "tha": "t/ha", "dtha": "dt/ha",
}  # fmt: skip


MASS_WORDS = frozenset(_MASSES)


def words_of(text) -> list[str]:
    """Words of a header in plain letters; hyphens between letters and raised dots part words too (N-rate)."""
    bare = plain(text).replace("site-year", "siteyear")
    bare = re.sub(r"\b(n|p|k|s|p2o5|k2o)(?=rate\b)", r"\1 ", bare)  # nrate
    parted = re.sub(r"(?<=[a-z])-(?=[a-z])|[·⋅∙•]", " ", bare)
    parted = re.sub(r"(?<=[a-z])\.(?=\s*[/)\]\s]|$)", "", parted)  # bu./ac, lbs. per ac.
    parted = re.sub(r"(?<![\w./])#(?=\s*(?:n|p2o5|k2o|s)?\s*/|\s*per\b)", "lb", parted)  # #/ac
    return [w for w in re.split(r"[\s,;:_()\[\]@%\\|]+", parted) if w]


def take_unit(words) -> tuple[str, str, list[str]]:
    """Find an amount per area among words: (unit, nutrient inside it, the other words)."""
    for length in (5, 4, 3, 2, 1):
        for start in range(len(words) - length + 1):
            unit, nutrient = _unit(words[start : start + length])
            if unit:
                return unit, nutrient, words[:start] + words[start + length :]
    return "", "", words


def _unit(words):
    if len(words) == 1 and words[0] in _WHOLE:
        return _WHOLE[words[0]], ""
    parts = [p for p in re.split(r"[\s/]+|\bper\b", " ".join(words)) if p and p != "of"]
    nutrient = ""
    if len(parts) == 3 and parts[1] in NUTRIENT_WORDS:  # kg N/ha
        nutrient, parts = NUTRIENT_WORDS[parts[1]], [parts[0], parts[2]]
    glued = re.fullmatch(r"(kg|lbs?)(n|p2o5|k2o)", parts[0]) if len(parts) == 2 else None
    if glued:  # kgN/ha
        nutrient, parts = NUTRIENT_WORDS[glued[2]], [glued[1], parts[1]]
    if len(parts) != 2 or parts[1] not in _AREAS:
        return "", ""
    amount = _VOLUMES.get(parts[0]) or _MASSES.get(parts[0], parts[0])
    unit = f"{amount}/{_AREAS[parts[1]]}"
    return (unit, nutrient) if unit in AREA_UNITS or unit in VOLUME_UNITS else ("", "")


def take_mass(words) -> tuple[str, list[str]]:
    """Find a mass or volume that stands without an area: (mass, the other words)."""
    for i, word in enumerate(words):
        if word in _MASSES and word != "mg":
            return _MASSES[word], words[:i] + words[i + 1 :]
    return "", words


def take_length(words, table=None) -> str:
    """Find a length among words, or an area of a plot; '' if there is none."""
    table = _LENGTHS if table is None else table
    pairs = [" ".join(pair) for pair in pairwise(words)]
    units = [table[w] for w in [*pairs, *words] if w in table]
    return next((u for u in units if u != "in"), "".join(units[:1]))  # "width in ft" are feet


def take_square(words) -> str:
    """Find an area of a plot among words; '' if there is none."""
    return take_length(words, _SQUARES)


def area_unit(text) -> str:
    """Give fertkit's unit of an amount per area for what a file writes (``lbs/acre`` -> ``lb/ac``), or ''."""
    unit = rate_unit(text)
    return unit if unit in AREA_UNITS else ""


def rate_unit(text) -> str:
    """The same with volumes of a product (``gal/acre`` -> ``gal/ac``)."""
    words = words_of(text)
    return take_unit(words)[0] if words else ""


def is_unit(text) -> bool:
    """Whether a cell is a unit and nothing else: lb/ac, (t/ha), %, lb N/ac, ft."""
    words = words_of(text)
    if not words:
        return "%" in text
    unit, _, rest = take_unit(words)
    alone = " ".join(words)
    known = {*_MASSES, *_VOLUMES, *_LENGTHS, *_SQUARES} - {"t", "g", "q", "l", "m", "a"}
    short = {"t", "g", "q", "l", "m"} if re.fullmatch(r"\s*[(\[]\s*\w\s*[)\]]\s*|\w", str(text)) else set()
    return (bool(unit) and not rest) or alone in known | short or alone in ("pct", "percent", "prozent")


_AHEAD = re.compile(
    r"(?P<name>n|p2o5|k2o|p|k|s)[ _:=-]*(?P<number>0|\d\d+(?:[.,]\d+)?)\s*(?P<tail>[a-z#].*)?"
)
_CELL = re.compile(r"(?P<number>[<>≤≥]?\s*[+-]?[\d.,][\d.,' ]*?)\s*(?P<tail>[^\d\s.,'].*)")


def cell_parts(cell, role) -> tuple[object, str, str]:
    """Part a cell such as '50 lb N/ac' into (number, unit, nutrient); without a known unit it stays whole."""
    rate = role in ("rate", "planned") and isinstance(cell, str)
    if rate and says_none(cell):
        return "0", "", ""
    ahead = _AHEAD.fullmatch(plain(cell)) if rate else None
    if ahead:  # N80 or N 80 lb/ac; N0, N1, N2 are numbers of treatments
        cell = f"{ahead['number']} {ahead['tail'] or ''} {ahead['name']}"
    hit = _CELL.fullmatch(cell.strip()) if isinstance(cell, str) else None
    if not hit:
        return cell, "", ""
    words = words_of(hit["tail"])
    unit, nutrient, rest = take_unit(words)
    if not unit and role in ("width", "length", "area"):
        unit = take_square(words) if role == "area" else take_length(words)
        rest = []
    elif not unit:
        unit, rest = take_mass(words)
    if rest and all(w in NUTRIENT_WORDS for w in rest):
        nutrient, rest = NUTRIENT_WORDS[rest[0]], []
    known = unit or (rate and nutrient)
    return (hit["number"], unit, nutrient) if known and not rest else (cell, "", "")


def lost(cell) -> bool:
    """Whether a cell says in words or by a mark that a strip was lost."""
    return isinstance(cell, str) and (plain(cell) in MISSING or plain(cell) in spellings("strip lost"))


def says_none(cell) -> bool:
    """Whether a cell of rates says in words that nothing was applied; a check may have been given some."""
    return isinstance(cell, str) and plain(cell) in spellings("strip none")
