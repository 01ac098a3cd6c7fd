"""What one header of a strip sheet says: role, unit, nutrient, and at which moisture a yield is stated."""

import re
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

from fertkit.intake.columns import OTHER, roles_of, roles_said
from fertkit.intake.spellings import plain as plain_text
from fertkit.intake.spellings import spellings
from fertkit.intake.units import (
    NUTRIENT_WORDS,
    debagged,
    is_of_plot,
    take_length,
    take_mass,
    take_unit,
    words_of,
)

#: Columns that name a place or a season of its own: blocks are counted within each.
SITE_COLUMNS = ("trial", "site", "location", "field", "site_year", "year")
#: Roles of a sheet that name where a strip lies, and those that tell its treatment.
PLACES, RATES = ("trial", "site", "year"), ("rate", "planned")
#: Roles of a second factor, beside the rates or treatments: of whole strips, or of any.
FACTORS = ("whole", "factor")
ROLES = roles_of("strips")
MEASURED = tuple(role for role, of in ROLES.items() if of.measures)
_LABELS = tuple(role for role, of in ROLES.items() if of.holds == "label" and role != OTHER)

_SENSES = spellings("strip word")
_DRY_BASIS = re.compile(r"\bdry[ _-]?(?:basis|weight|matter)\b|\bdb\b|\bd\.b\.|\bbase seca\b")
#: A moisture in the header of a yield: 15.5 %, 13 pct, 15.5 moisture; @15.5, at 13, adj. to 15; 15.5 alone.
_STATED = re.compile(
    r"(\d+(?:[.,]\d+)?)\s*(?:%|(?:pct|percent|moist\w*|mc|h2o|feuchte|humedad)\b)"
    r"|(?:@|\b(?:at|to|bei|auf|al?)\b)\s*(\d\d(?:[.,]\d)?)(?=\s*(?:[()\[\];]|,(?!\d)|$))"
    r"|(?<![\w.,])([12]\d[.,]\d)(?=\s*(?:[()\[\];]|,(?!\d)|$))"
)
#: The weight of a bushel, a hectolitre or a thousand kernels is no harvest weight.
_GRAIN_WEIGHT = re.compile(
    r"\b(?:test|bushel|kernel|seed|1000|thousand|hl|hectolit\w*|tausend\w*|tkm|tkg|tkw)\b.*"
)
#: An analysis N-P2O5-K2O as fertilizers are named.
GRADE = re.compile(r"\d{1,2}(?:\.\d)?-\d{1,2}(?:\.\d)?-\d{1,2}(?:\.\d)?(?:-\d{1,2}s)?")


@dataclass(frozen=True)
class Header:
    """What one header says.

    Attributes
    ----------
    text : str
        As the file writes it.
    role : str
        A role of ``roles.csv``, or empty.
    rank : int
        How sure the word is (0 first); settles two headers of one role.
    unit : str
        Unit in fertkit's spelling, else empty.
    nutrient : str
        Nutrient or compound of a rate, else empty.
    dry : bool
        The yield is said to be at a standard moisture already.
    at_pct : float or None
        Moisture at which the yield is said to be stated [%]; 0 for dry matter.
    fraction, dry_basis : bool
        A moisture is a fraction of one, or of the dry weight.
    mass : str
        Mass that stands without an area (lbs, bu), else empty.
    grade, product : str
        Analysis (0-0-60) and trade name (UAN) of a product that a rate names, else empty.
    assumed : str
        The mass of a unit whose area was taken from another column, else empty.
    bare : bool
        The header says a nutrient's name and nothing else: a rate where no other column is one.
    bag : float
        What a bag holds of the unit, in which a yield is counted; 0 where it is not.
    """

    text: str
    role: str = ""
    rank: int = 0
    unit: str = ""
    nutrient: str = ""
    dry: bool = False
    at_pct: float | None = None
    fraction: bool = False
    dry_basis: bool = False
    mass: str = ""
    grade: str = ""
    product: str = ""
    assumed: str = ""
    bare: bool = False
    bag: float = 0.0


@lru_cache(maxsize=20_000, typed=True)
def read_header(text, role=None) -> Header:
    """Read one header such as ``N rate (lb/ac)``, ``rate_kg_ha``, ``Yield, t/ha`` or ``Moisture %``.

    The role is told from its words unless it is given.
    """
    bare, bag = debagged(str(text))
    plain, words = plain_text(bare), words_of(bare)
    unit, nutrient, rest = take_unit(words)
    of_unit, rest = nutrient, [*rest, nutrient.lower()] if nutrient else rest
    nutrient = nutrient or next((NUTRIENT_WORDS[w] for w in rest if w in NUTRIENT_WORDS), "")
    mass = "" if unit else take_mass(rest)[0]
    role, rank = (role, 0) if role else _role(plain, rest, unit, mass)
    if role == "yield" and mass and is_of_plot(rest):  # a yield in kg/plot is what its strip weighed
        role = "weight"
    if unit == "bu/ac" and role in RATES and not nutrient:  # "Rate mean (bu/ac)" is a yield
        role = "yield"
    header, senses = Header(str(text), role, rank, unit), _senses(rest)
    if role == "yield":
        at_pct = _stated_moisture(plain, senses)
        dry = at_pct is not None or "standard" in senses
        return replace(header, mass=mass, dry=dry, at_pct=at_pct, bag=bag)
    if bag:
        header = replace(header, unit="")
    if role == "moisture":
        return replace(header, fraction="fraction" in senses, dry_basis=bool(_DRY_BASIS.search(plain)))
    if role in RATES:
        known = (spellings("strip product")[w] for w in rest if w in spellings("strip product"))
        product = "" if nutrient else next(known, "")
        grade = next(filter(GRADE.fullmatch, rest), "") or _stated_share(plain, product)
        grade = "" if of_unit else grade  # "0-0-60 (lb K2O/ac)" are rates of K2O
        bare = rank > len(ROLES["rate"].words)
        return replace(header, nutrient=nutrient, mass=mass, grade=grade, product=product, bare=bare)
    if role in ("width", "length"):
        return replace(header, unit=take_length(rest))
    if role == "area":
        return replace(header, unit=take_length(rest + words, "square"))
    return replace(header, mass=mass)


def _stated_share(plain, product) -> str:
    """The analysis of a nitrogen solution that a header gives as its percent: 28% UAN, UAN 32."""
    hit = re.search(r"\b(28|30|32)(?: ?%)? ?uan\b|\buan ?-?(28|30|32)\b", plain) if product == "UAN" else None
    return f"{hit[1] or hit[2]}-0-0" if hit else ""


def _senses(words) -> set[str]:
    """What the words beside the role say: dry, dry matter, standard moisture, a fraction."""
    pairs = {"dry", "matter"} <= set(words) or {"materia", "seca"} <= set(words)
    return {_SENSES[w] for w in words if w in _SENSES} | ({"matter"} if pairs else set())


def says(text, *senses) -> bool:
    """Tell whether a header has a word of one of some senses: dry matter, a mean or goal, a remark ..."""
    return bool(_senses(words_of(text)) & set(senses))


def _stated_moisture(plain, senses) -> float | None:
    """Moisture at which a header states the yield [%]: 15.5 % moisture, 85 % dry matter, dry."""
    stated = _STATED.search(plain)
    matter = "matter" in senses
    if stated:
        percent = float(next(filter(None, stated.groups())).replace(",", "."))
        return 100 - percent if matter and "moisture" not in senses else percent
    return 0.0 if matter or ("dry" in senses and "standard" not in senses) else None


def _role(plain, words, unit, mass):
    if "unit" in words or "units" in words:
        return "", 0
    role, rank = _named(plain, words, unit, mass)
    # "Soil moisture", "Grain protein", "Test weight", "Previous crop" are no moisture, yield, weight, crop.
    named = OTHER in roles_said("strips", words) or _GRAIN_WEIGHT.fullmatch(plain)
    doubtful = role in ("", "moisture", "yield", "weight", "crop")
    return (OTHER, 0) if named and not unit and doubtful else (role, rank)


def _named(plain, words, unit, mass):
    said = roles_said("strips", (*words, *map(" ".join, pairwise(words)), plain))
    # "Yield (bu/ac at 15.5 % moisture)" is no moisture; only a moisture can be the stated one.
    none = {OTHER, *["stated"] * ("moisture" not in words), *["moisture", "stated", "weight"] * bool(unit)}
    if "area" in said and not unit and take_length(words, "square"):  # "Harvested area (ac)" is no yield
        return "area", said["area"]
    named = any(w in NUTRIENT_WORDS for w in words)
    role = next((role for role in ROLES if role in said and role not in none), "")
    if role and not (unit and named and role in _LABELS):  # "Sub plot N (lb/ac)" is a rate
        return role, said[role]
    if unit == "bu/ac" or (mass == "bu" and len(words) == 1):
        return "yield", len(ROLES["yield"].words)
    if any(_SENSES.get(w) == "carried" for w in words):  # N removed, soil N: no rate applied
        return "", 0
    sure = len(ROLES["rate"].words)
    if unit and (named or any(w in spellings("strip product") or GRADE.fullmatch(w) for w in words)):
        return "rate", sure
    if named and "%" not in plain and set(words) <= {*NUTRIENT_WORDS, *spellings("mass")}:
        return "rate", sure + 1
    return "", 0
