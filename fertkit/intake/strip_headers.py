"""Tell what the columns of a strip-trial file hold from their headers: role, unit, nutrient."""

import re
from dataclasses import dataclass

from fertkit.errors import typed
from fertkit.intake.spellings import plain as plain_text
from fertkit.intake.spellings import spellings
from fertkit.intake.strip_units import (
    MASS_WORDS,
    NUTRIENT_WORDS,
    area_unit,
    take_length,
    take_mass,
    take_square,
    take_unit,
    words_of,
)

__all__ = ["OTHER", "ROLE_WORDS", "SITE_COLUMNS", "Header", "area_unit", "each", "header_key", "read_header"]

#: Columns that name a place or a season of its own: blocks are counted within each.
SITE_COLUMNS = ("trial", "site", "location", "field", "site_year", "year")
#: Role -> words that name it, the surest first; roles in the order they are looked for. "other" are columns
#: known to be none of them (protein, soil).
ROLE_WORDS: dict[str, tuple[str, ...]] = {}
for _word, _role_named in spellings("strip").items():
    ROLE_WORDS[_role_named] = (*ROLE_WORDS.get(_role_named, ()), _word)
OTHER = "other"
#: Roles that hold numbers and those whose unit has to be known.
NUMBER_ROLES = (
    "rate", "planned", "yield", "weight", "moisture", "stated", "width", "length", "area", "position",
)  # fmt: skip
MEASURED = ("yield", "weight", "width", "length", "area", "rate", "planned")

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


@dataclass(frozen=True)
class Header:
    """What one header says.

    Attributes
    ----------
    text : str
        As the file writes it.
    role : str
        One of `ROLE_WORDS`, or empty.
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


def read_header(text, role=None) -> Header:
    """Read one header such as ``N rate (lb/ac)``, ``rate_kg_ha``, ``Yield, t/ha`` or ``Moisture %``.

    The role is told from its words unless it is given.
    """
    plain = plain_text(text)
    words = words_of(text)
    unit, nutrient, rest = take_unit(words)
    if nutrient:
        rest = [*rest, nutrient.lower()]
    nutrient = nutrient or next((NUTRIENT_WORDS[w] for w in rest if w in NUTRIENT_WORDS), "")
    mass = "" if unit else take_mass(rest)[0]
    role, rank = (role, 0) if role else _role(plain, rest, unit, mass)
    if unit == "bu/ac" and role in ("rate", "planned"):  # "Rate mean (bu/ac)" is a yield
        role = "yield"
    senses = _senses(rest)
    if role == "yield":
        at_pct = _stated_moisture(plain, senses)
        dry = at_pct is not None or "standard" in senses
        return Header(str(text), role, rank, unit, dry=dry, at_pct=at_pct, mass=mass)
    if role == "moisture":
        fraction, dry_basis = "fraction" in senses, bool(_DRY_BASIS.search(plain))
        return Header(str(text), role, rank, unit, fraction=fraction, dry_basis=dry_basis)
    if role in ("rate", "planned"):
        product = (
            ""
            if nutrient
            else next((spellings("strip product")[w] for w in rest if w in spellings("strip product")), "")
        )
        grade = next((_grade(w) for w in rest if _grade(w)), "") or _stated_share(plain, product)
        bare = rank > len(ROLE_WORDS["rate"])
        return Header(
            str(text), role, rank, unit, nutrient, mass=mass, grade=grade, product=product, bare=bare
        )
    if role in ("width", "length", "area"):
        return Header(
            str(text), role, rank, take_square(rest + words) if role == "area" else take_length(rest)
        )
    return Header(str(text), role, rank, unit, mass=mass)


def _grade(word) -> str:
    """An analysis N-P2O5-K2O as fertilizers are named; '' if the word is none."""
    return (
        word
        if re.fullmatch(r"\d{1,2}(?:\.\d)?-\d{1,2}(?:\.\d)?-\d{1,2}(?:\.\d)?(?:-\d{1,2}s)?", word)
        else ""
    )


def _stated_share(plain, product) -> str:
    """The analysis of a nitrogen solution that a header gives as its percent: 28% UAN, UAN 32."""
    hit = re.search(r"\b(28|30|32)(?: ?%)? ?uan\b|\buan ?-?(28|30|32)\b", plain) if product == "UAN" else None
    return f"{hit[1] or hit[2]}-0-0" if hit else ""


def states_dry_matter(text) -> bool:
    """Whether a header speaks of dry matter (DM, TS, materia seca)."""
    return "matter" in _senses(words_of(text))


def _senses(words) -> set[str]:
    """What the words beside the role say: dry, dry matter, standard moisture, a fraction."""
    pairs = {"dry", "matter"} <= set(words) or {"materia", "seca"} <= set(words)
    return {_SENSES[w] for w in words if w in _SENSES} | ({"matter"} if pairs else set())


def _stated_moisture(plain, senses) -> float | None:
    """Moisture at which a header states the yield [%]: 15.5 % moisture, 85 % dry matter, dry."""
    stated = _STATED.search(plain)
    matter = "matter" in senses
    if stated:
        percent = float(next(filter(None, stated.groups())).replace(",", "."))
        return 100 - percent if matter and "moisture" not in senses else percent
    return 0.0 if matter or ("dry" in senses and "standard" not in senses) else None


def each(named):
    """One header or several, as a list."""
    return [named] if isinstance(named, str) or not isinstance(named, list | tuple) else named


def header_key(header) -> str:
    """A header for comparing: lower case, single blanks."""
    return " ".join(str(header).split()).lower()


def say_column(role, header) -> str:
    """How to name a column, on the command line and in Python."""
    return typed(f'--column {role}="{header}"', f"columns={{'{role}': '{header}'}}")


# ---- words of a header


def _role(plain, words, unit, mass):
    if "unit" in words or "units" in words:
        return "", 0
    role, rank = _named(plain, words, unit, mass)
    # "Soil moisture", "Grain protein", "Test weight" and "pH (water)" are no moisture, yield or weight.
    named = set(words) & set(ROLE_WORDS[OTHER]) or _GRAIN_WEIGHT.fullmatch(plain)
    return (OTHER, 0) if named and not unit and role in ("", "moisture", "yield", "weight") else (role, rank)


def _named(plain, words, unit, mass):
    carried = any(_SENSES.get(w) == "carried" for w in words)  # N removed, soil N: no rate applied
    for role, names in ROLE_WORDS.items():
        for rank, name in enumerate(names):
            # "Yield (bu/ac at 15.5 % moisture)" is no moisture; only a moisture can be the stated one.
            if role == OTHER or (role == "stated" and "moisture" not in words):
                continue
            if (name.rstrip(".") in words or name == plain) and not (
                role in ("moisture", "stated", "weight") and unit
            ):
                return role, rank
    if unit == "bu/ac" or (mass == "bu" and len(words) == 1):
        return "yield", len(ROLE_WORDS["yield"])
    if carried:
        return "", 0
    if unit and (any(w in NUTRIENT_WORDS or w in spellings("strip product") or _grade(w) for w in words)):
        return "rate", len(ROLE_WORDS["rate"])
    if (
        words
        and "%" not in plain
        and set(words) <= {*NUTRIENT_WORDS, *MASS_WORDS}
        and any(w in NUTRIENT_WORDS for w in words)
    ):
        return "rate", len(ROLE_WORDS["rate"]) + 1
    return "", 0
