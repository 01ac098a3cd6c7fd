"""Units as files write them, in fertkit's spelling: concentrations, amounts per area, masses, lengths."""

import re
from functools import cache
from itertools import pairwise

from fertkit.intake.spellings import plain, spellings, squeezed
from fertkit.units import ACRE_HA, AREA_RATE_KG_HA, FOOT_M, MASS_KG

NUTRIENT_WORDS = spellings("nutrient") | spellings("oxide") | spellings("strip material")
AREA_UNITS = ("bu/ac", *AREA_RATE_KG_HA)
#: Volumes of a product per area, in gallons an acre or litres a hectare.
VOLUME_UNITS = {"gal/ac": 1.0, "qt/ac": 1 / 4, "pt/ac": 1 / 8, "L/ha": 1.0, "hL/ha": 100.0}
#: Lengths [m] and areas [m2] of strips.
LENGTH_M = {"ft": FOOT_M, "in": FOOT_M / 12, "yd": 3 * FOOT_M, "m": 1.0, "cm": 0.01}
PLOT_M2 = {"ft2": FOOT_M**2, "m2": 1.0, "ac": 10_000 * ACRE_HA, "ha": 10_000.0}
#: Units a role of ``roles.csv`` may have, by what they measure.
MEASURES = {
    "rate": {*AREA_UNITS, *VOLUME_UNITS} - {"bu/ac"}, "amount": set(AREA_UNITS), "mass": {*MASS_KG, "bu"},
    "length": set(LENGTH_M), "square": set(PLOT_M2),
}  # fmt: skip

_OTHER_MATRIX = re.compile(
    r"mg\s*/\s*l\b|mg\s*l-1|\bmeq\b|\bmmol|\bsap\b|\bfresh\b|\bfw\b|\bf\.\s?w\.|\bf\.\s?m\.|"
    r"\bwet (?:weight|basis|matter)\b|"
    r"\bas[- ]received\b|mg/100\s*m?l\b|\bfrisch(?:masse|substanz|gewicht)\b|\bfm\b|"
    r"\b(?:press|pflanzen)saft\b|\b(?:materia|peso|base) (?:fresc[oa]|humed[oa])\b|\bsavia\b"
)
_OTHER_MATRIX_NOTE = re.compile(
    r"\b(?:fresh|wet)[ -]?(?:weight|wt|basis|matter|mass)\b|\bas[- ]received basis\b|"
    r"\bfrisch(?:masse|substanz|gewicht)\b|\b(?:press|pflanzen)saft\b|\bsavia\b|"
    r"\b(?:materia|peso|base) (?:fresc[oa]|humed[oa])\b|"
    r"\b(?:plant|petiole|leaf) sap\b|\bsap (?:analysis|test|extract|results?)\b|\bmg/l\b"
)
# What may follow a unit to say that it is one of dry matter: 'dw', 'd.m.', 'i. d. TM', 'en base seca' ...
DRY = (
    r"(?:(?:on|of|in|im|en|de|a)[\s_]+|i\.?\s?d\.?[\s_]*)*"
    r"(?:dry(?:[\s_-]?(?:matter|weight|wt|mass|basis))*|d\.?\s?[mwb]\.?(?:\s+basis)?|t\.?\s?[ms]\.?|trs|"
    r"m\.?\s?s\.?|(?:base|materia|peso)\s+sec[ao]|trocken(?:masse|substanz))"
)


# ---- concentrations in dry matter


@cache
def unit_pattern() -> re.Pattern:
    """Return the regular expression of every unit of concentration, longest first, blanks or '_' optional."""
    words = sorted(spellings("unit"), key=len, reverse=True)
    loose = [re.escape(w).replace(r"\ ", r"[\s_]*").replace("/", r"(?:\s*/\s*|_)") for w in words]
    return re.compile(rf"(?:{'|'.join(loose)})(?:[\s_,(-]*{DRY})?")


@cache
def find_unit(text: str) -> str:
    """Return %, g/kg or mg/kg for what a file writes (``g kg⁻¹`` -> ``g/kg``); '' if it is none of them."""
    words = plain(text).strip(" ()[]{}")
    forms = (words, re.sub(rf"[\s_,;:(-]*{DRY}$", "", words))
    units = (_squeezed_units().get(squeezed(form).rstrip(".")) for form in forms)
    return next(filter(None, units), "")


@cache
def _squeezed_units() -> dict[str, str]:
    return {squeezed(spelling): unit for spelling, unit in spellings("unit").items()}


def is_other_matrix(text: str, *, note: bool = False) -> bool:
    """Tell whether a unit, header or part speaks of fresh weight, sap or a solution, not of dry matter.

    A free line above or below the table (`note`) may hold 'fresh' in a name.
    """
    words = plain(text)
    return bool((_OTHER_MATRIX_NOTE if note else _OTHER_MATRIX).search(words)) and "dry" not in words


# ---- amounts per area, masses, volumes, lengths and areas


def words_of(text) -> list[str]:
    """Return the words of a header in plain letters; hyphens between letters part words too (N-rate)."""
    bare = plain(text).replace("site-year", "siteyear")
    bare = re.sub(r"\b(n|p|k|s|p2o5|k2o)(?=rate\b)|\b(uan|ahl)(?=\d\d\b)", r"\g<0> ", bare)  # nrate, uan32
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
    if len(words) == 1 and words[0] in spellings("per area"):
        return spellings("per area")[words[0]], ""
    parts = [p for p in re.split(r"[\s/]+|\bper\b", " ".join(words)) if p and p != "of"]
    nutrient = ""
    if len(parts) == 3 and parts[1] in NUTRIENT_WORDS:  # kg N/ha
        nutrient, parts = NUTRIENT_WORDS[parts[1]], [parts[0], parts[2]]
    glued = re.fullmatch(r"(kg|lbs?)(n|p2o5|k2o)", parts[0]) if len(parts) == 2 else None
    if glued:  # kgN/ha
        nutrient, parts = NUTRIENT_WORDS[glued[2]], [glued[1], parts[1]]
    if len(parts) != 2 or parts[1] not in spellings("land"):
        return "", ""
    amount = (spellings("mass") | spellings("volume")).get(parts[0], parts[0])
    unit = f"{amount}/{spellings('land')[parts[1]]}"
    return (unit, nutrient) if unit in AREA_UNITS or unit in VOLUME_UNITS else ("", "")


def take_mass(words) -> tuple[str, list[str]]:
    """Find a mass or volume that stands without an area, or for one plot: (mass, the other words)."""
    masses = [_of_plot(word) or word for word in words]
    at = next((i for i, mass in enumerate(masses) if mass in spellings("mass") and mass != "mg"), None)
    return ("", words) if at is None else (spellings("mass")[masses[at]], words[:at] + words[at + 1 :])


def is_of_plot(words) -> bool:
    """Tell whether words state a mass of one plot: kg/plot, g per plot, kg/parcela."""
    after_per = {after for per, after in pairwise(words) if per == "per"}
    return any(map(_of_plot, words)) or bool(after_per & set(spellings("one plot")))


def _of_plot(word) -> str:
    """The mass in kg/plot and the like; '' of other words."""
    mass, slash, plot = word.partition("/")
    return mass if slash and mass in spellings("mass") and plot in spellings("one plot") else ""


def take_length(words, measure="length") -> str:
    """Find a length among words, or an area of a plot ('square'), a flow, a speed; '' if there is none."""
    table = spellings(measure)
    units = [table[w] for w in [*map(" ".join, pairwise(words)), *words] if w in table]
    return next((u for u in units if u != "in"), "".join(units[:1]))  # "width in ft" are feet


def area_unit(text) -> str:
    """Return fertkit's unit of an amount per area that a file writes (``lbs/acre`` -> ``lb/ac``), or ''."""
    unit = rate_unit(text)
    return unit if unit in AREA_UNITS else ""


def is_bags(text) -> bool:
    """Tell whether a text counts bags per area (sc/ha), of whatever mass."""
    return debagged(text)[1] > 0 or any(word.partition("/")[0] in spellings("bag") for word in words_of(text))


@cache
def debagged(text: str) -> tuple[str, float]:
    """Return a text with a unit of mass in place of bags, and what one holds of it; 0 where it is not stated.

    Examples
    --------
    >>> from fertkit.intake.units import debagged
    >>> debagged("Yield (sc 60 kg/ha)"), debagged("sc/ha")
    (('yield (kg /ha)', 60.0), ('sc/ha', 0.0))
    """
    said = plain(text)
    hit = next(filter(None, (way.search(said) for way in _bags())), None)
    if not hit:
        return text, 0.0
    unit = hit["mass"] + (hit.groupdict().get("per") or "") + " "
    return said[: hit.start()] + unit + said[hit.end() :], float(hit["number"].replace(",", "."))


@cache
def _bags():
    """Patterns of bags of a mass: sc (60 kg)/ha, sc/ha of 60 kg, 60-kg bags/ha."""
    kinds = ("bag", "mass", "land")
    bag, mass, land = ("|".join(word for word in spellings(kind) if word.isalpha()) for kind in kinds)
    per, of = r"\s*(?:/|\bper\b)\s*", r"[\s(\[,=-]*(?:(?:of|de|a|@)\s*)?"
    number = rf"(?P<number>\d+(?:[.,]\d+)?)[\s-]*(?P<mass>{mass})\b[\s)\]]*"
    return (
        re.compile(rf"\b(?:{bag})\b{of}{number}(?={per})"),
        re.compile(rf"\b(?:{bag})(?P<per>{per}(?:{land})\b){of}{number}"),
        re.compile(rf"{number}(?:{bag})\b"),
    )


def rate_unit(text) -> str:
    """Return the same with volumes of a product (``gal/acre`` -> ``gal/ac``); '' of bags."""
    return "" if debagged(str(text))[1] else take_unit(words_of(text))[0]


def measured_in(measure, text) -> str:
    """Return the unit that a text names, of what a role measures (`MEASURES`); '' if it names none."""
    words = words_of(text)
    if measure == "mass":
        return take_mass(words)[0]
    return rate_unit(text) if measure in ("rate", "amount") else take_length(words, measure)


def is_unit(text) -> bool:
    """Tell whether a cell is a unit and nothing else: lb/ac, (t/ha), %, ppm, lb N/ac, ft."""
    words = words_of(text)
    if not words:
        return "%" in text
    unit, _, rest = take_unit(words)
    known = {word for kind in ("mass", "volume", "length", "square") for word in spellings(kind)}
    letters = {"t", "g", "q", "l", "m"}
    alone = letters if re.fullmatch(r"\s*[(\[]\s*\w\s*[)\]]\s*|\w", str(text)) else set()
    return (bool(unit) and not rest) or " ".join(words) in (known - letters) | alone or bool(find_unit(text))


# ---- cells that hold a unit beside their number


_AHEAD = re.compile(
    r"(?P<name>n|p2o5|k2o|p|k|s)[ _:=-]*(?P<number>0|\d\d+(?:[.,]\d+)?)\s*(?P<tail>[a-z#].*)?"
)
_CELL = re.compile(r"(?P<number>[<>≤≥]?\s*[+-]?[\d.,][\d.,' ]*?)\s*(?P<tail>[^\d\s.,'].*)")


def cell_parts(cell, measure) -> tuple[object, str, str]:
    """Part a cell such as '50 lb N/ac' into (number, unit, nutrient); without a known unit it stays whole."""
    rate = measure == "rate" and isinstance(cell, str)
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
    if not unit and measure in ("length", "square"):
        unit, rest = take_length(words, measure), []
    elif not unit:
        unit, rest = take_mass(words)
    if rest and all(w in NUTRIENT_WORDS for w in rest):
        nutrient, rest = NUTRIENT_WORDS[rest[0]], []
    known = unit or (rate and nutrient)
    return (hit["number"], unit, nutrient) if known and not rest else (cell, "", "")


def lost(cell) -> bool:
    """Tell whether a cell says in words or by a mark that a strip was lost."""
    return isinstance(cell, str) and plain(cell) in spellings("missing") | spellings("strip lost")


def says_none(cell) -> bool:
    """Tell whether a cell of rates says that nothing was applied; a check may have been given some."""
    return isinstance(cell, str) and plain(cell) in spellings("strip none")
