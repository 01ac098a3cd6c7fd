"""Tell what the columns of a strip-trial file hold from their headers: role, unit, nutrient."""

import re
from dataclasses import dataclass, replace

import numpy as np

from fertkit.errors import InputError, Problem
from fertkit.intake.files import text_of
from fertkit.intake.spellings import plain as plain_text
from fertkit.intake.spellings import spellings
from fertkit.units import AREA_RATE_KG_HA

#: Columns that name a place or a season of its own: blocks are counted within each.
SITE_COLUMNS = ("trial", "site", "location", "field", "site_year", "year")
#: Role -> words that name it, the surest first; roles in the order they are looked for. "other" are columns
#: known to be none of them (protein, soil).
ROLE_WORDS: dict[str, tuple[str, ...]] = {}
for _word, _role_named in spellings("strip").items():
    ROLE_WORDS[_role_named] = (*ROLE_WORDS.get(_role_named, ()), _word)
OTHER = "other"
#: Roles that hold numbers and those whose unit has to be known.
NUMBER_ROLES = ("rate", "planned", "yield", "moisture", "stated", "width", "length", "position")
MEASURED = ("rate", "planned", "yield", "width", "length")

_NUTRIENTS = spellings("nutrient") | spellings("oxide")
_SENSES = spellings("strip word")
_DRY_BASIS = re.compile(r"\bdry[ _-]?(?:basis|weight|matter)\b|\bdb\b|\bd\.b\.|\bbase seca\b")
_MASSES = {
    "lbs": "lb", "pound": "lb", "pounds": "lb", "bushel": "bu", "bushels": "bu", "tonne": "t", "tonnes": "t",
    "mg": "Mg", "tons": "ton", "quintal": "q", "quintals": "q", "kgs": "kg", "ounces": "oz",
}  # fmt: skip
_AREAS = {
    "ac": "ac", "acre": "ac", "acres": "ac", "a": "ac", "ac-1": "ac", "acre-1": "ac",
    "ha": "ha", "hectare": "ha", "hectares": "ha", "ha-1": "ha",
}  # fmt: skip
_LENGTHS = {
    "ft": "ft", "feet": "ft", "foot": "ft",
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
}  # fmt: skip
AREA_UNITS = ("bu/ac", *AREA_RATE_KG_HA)
#: The line of headers is looked for in this many first lines.
_HEADER_DEPTH = 30


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


def read_header(text, role=None) -> Header:
    """Read one header such as ``N rate (lb/ac)``, ``rate_kg_ha``, ``Yield, t/ha`` or ``Moisture %``.

    The role is told from its words unless it is given.
    """
    plain = plain_text(text)
    words = _words(plain)
    unit, nutrient, rest = _take_unit(words)
    if nutrient:
        rest = [*rest, nutrient.lower()]
    nutrient = nutrient or next((_NUTRIENTS[w] for w in rest if w in _NUTRIENTS), "")
    role, rank = (role, 0) if role else _role(plain, rest, unit)
    senses = _senses(rest)
    if role == "yield":
        at_pct = _stated_moisture(plain, senses)
        dry = at_pct is not None or "standard" in senses
        return Header(str(text), role, rank, unit, dry=dry, at_pct=at_pct)
    if role == "moisture":
        fraction, dry_basis = "fraction" in senses, bool(_DRY_BASIS.search(plain))
        return Header(str(text), role, rank, unit, fraction=fraction, dry_basis=dry_basis)
    return Header(str(text), role, rank, unit, nutrient if role in ("rate", "planned") else "")


def states_dry_matter(text) -> bool:
    """Whether a header speaks of dry matter (DM, TS, materia seca)."""
    return "matter" in _senses(_words(plain_text(text)))


def _senses(words) -> set[str]:
    """What the words beside the role say: dry, dry matter, standard moisture, a fraction."""
    pairs = {"dry", "matter"} <= set(words) or {"materia", "seca"} <= set(words)
    return {_SENSES[w] for w in words if w in _SENSES} | ({"matter"} if pairs else set())


def _stated_moisture(plain, senses) -> float | None:
    """Moisture at which a header states the yield [%]: 15.5 % moisture, 85 % dry matter, dry."""
    stated = re.search(r"(\d+(?:[.,]\d+)?)\s*%", plain)
    matter = "matter" in senses
    if stated:
        percent = float(stated[1].replace(",", "."))
        return 100 - percent if matter and "moisture" not in senses else percent
    return 0.0 if matter or ("dry" in senses and "standard" not in senses) else None


def area_unit(text) -> str:
    """Give fertkit's unit of an amount per area for what a file writes (``lbs/acre`` -> ``lb/ac``), or ''."""
    words = _words(plain_text(text))
    return _take_unit(words)[0] if words else ""


def assign_roles(raw, columns, units, problems) -> tuple[int, dict[str, tuple[int, Header]]]:
    """Find the line of headers and which column plays which role.

    Parameters
    ----------
    raw : RawTable
    columns, units : dict
        Role -> header (a list of them for "other") and role -> unit, where the caller says so.
    problems : list of Problem
        Filled with whatever is missing or can be read two ways.

    Returns
    -------
    line : int
        Index of the header line.
    roles : dict
        Role -> (column index, Header).
    """
    if not any(raw.cells):
        raise InputError(raw.name, [Problem("the file holds no line", "save the table again")])
    known = [[read_header(cell) for cell in row] for row in raw.cells[:_HEADER_DEPTH]]
    chosen = [(role, header) for role, named in columns.items() for header in each(named)]
    wanted = {header_key(header) for _, header in chosen}
    score = [sum(bool(h.role) or header_key(h.text) in wanted for h in row) for row in known]
    at = int(np.argmax(score))
    taken = _by_choice(known[at], chosen, problems)
    free = [h.role if header_key(h.text) not in wanted else "" for h in known[at]]
    for role in ROLE_WORDS:
        if role not in taken and role != OTHER:
            found = [(i, h) for i, h in enumerate(known[at]) if free[i] == role and i not in _used(taken)]
            _settle(role, found, taken, problems)
    if "rate" not in taken and "planned" in taken:
        taken["rate"] = taken.pop("planned")
    _ask_for_missing(known[at], taken, problems)
    for role in MEASURED:
        if role in taken:
            taken[role] = (taken[role][0], _with_unit(role, taken[role][1], units, taken, raw, at, problems))
    return at, taken


def _ask_for_missing(row, taken, problems):
    for role, example in (("rate", "N rate (lb/ac)"), ("yield", "Yield (bu/ac)")):
        if role not in taken and not any(f"'{role}'" in p.remedy for p in problems):
            problems.append(Problem(
                f"no column for the {role}; the headers are: {_listed(row)}",
                f"write a header such as '{example}', or say {say_column(role, 'your header')}",
            ))  # fmt: skip


def _listed(row) -> str:
    return ", ".join(h.text for h in row if h.text)


def _used(taken):
    return {i for i, _ in taken.values()}


def say_column(role, header) -> str:
    """How to name a column, on the command line and in Python."""
    return f"--column {role}=\"{header}\" (in Python columns={{'{role}': '{header}'}})"


def each(named):
    """One header or several, as a list."""
    return [named] if isinstance(named, str) or not isinstance(named, list | tuple) else named


def header_key(header) -> str:
    """A header for comparing: lower case, single blanks."""
    return " ".join(str(header).split()).lower()


def _by_choice(row, chosen, problems):
    taken = {}
    for role, header in chosen:
        if role not in ROLE_WORDS:
            what = f"a column is given the unknown role '{role}'"
            problems.append(Problem(what, f"use one of: {', '.join(ROLE_WORDS)}"))
            continue
        hits = [i for i, h in enumerate(row) if header_key(h.text) == header_key(header)]
        if not hits:
            problems.append(Problem(
                f"no column '{header}' for the {role}; the headers are: {_listed(row)}",
                "give the header as the file writes it",
            ))  # fmt: skip
        elif role in taken:
            what = f"two columns are given for the {role}: '{taken[role][1].text}' and '{header}'"
            problems.append(Problem(what, "give one"))
        elif role != OTHER:
            taken[role] = (hits[0], read_header(row[hits[0]].text, role))
    return taken


def _settle(role, found, taken, problems):
    """Give a role its column; two candidates as sure as each other are a problem, never a guess."""
    if not found:
        return
    best = min(h.rank for _, h in found)
    sure = [(i, h) for i, h in found if h.rank == best]
    rivals = found if role in ("rate", "yield", "moisture") else sure
    if len(rivals) > 1:
        names = ", ".join(f"'{h.text}'" for _, h in rivals)
        problems.append(Problem(
            f"several columns could be the {role}: {names}",
            f"choose one: {say_column(role, rivals[0][1].text)}",
        ))  # fmt: skip
    taken[role] = sure[0]


def _with_unit(role, header, units, taken, raw, at, problems) -> Header:
    """Make sure a measured column has a unit: from its header, the caller or a column of units."""
    unit = header.unit
    lengths = role in ("width", "length")
    if role in units:
        unit = str(units[role]) if lengths else area_unit(units[role])
    elif not unit and not lengths:
        unit = _unit_column(role, raw, at, problems)
        if unit is None:
            return header
    fits = unit in ("ft", "m") if lengths else "/" in unit and not (unit == "bu/ac" and role != "yield")
    if not fits:
        examples = "ft, m" if lengths else "lb/ac, kg/ha" if role != "yield" else "bu/ac, lb/ac, t/ha, kg/ha"
        what = f"unknown unit '{units[role]}'" if role in units else "no unit that is known for it"
        problems.append(Problem(
            what, f"write the unit in the header, as in '{role} ({examples.split(',')[0]})' (in Python also "
            f"units={{'{role}': ...}}); known are {examples}, ...", column=header.text,
        ))  # fmt: skip
    return replace(header, unit="t/ha" if unit == "Mg/ha" else unit)  # one name for one unit


def _unit_column(role, raw, at, problems):
    """Read a unit from a column such as ``Rate unit``; '' if there is none, None if it is mixed."""
    for i, cell in enumerate(raw.cells[at]):
        if gives_unit(cell, role):
            written = sorted({text_of(row[i]) for row in raw.cells[at + 1 :] if text_of(row[i])})
            if len(written) > 1:
                problems.append(Problem(
                    f"mixed units: {', '.join(written)}", "bring all strips to one unit first",
                    column=text_of(cell),
                ))  # fmt: skip
                return None
            return area_unit(written[0]) if written else ""
    return ""


def gives_unit(cell, role) -> bool:
    """Whether a header is that of a column of units, for a role or for all."""
    words = str(cell).lower().replace("_", " ").split()
    return ("unit" in words or "units" in words) and (role in words or len(words) == 1)


# ---- words of a header


def _words(plain):
    """Words of a header; a hyphen between letters and a raised dot part words too (N-rate, kg·ha-1)."""
    parted = re.sub(r"(?<=[a-z])-(?=[a-z])|[·⋅∙•]", " ", plain.replace("site-year", "siteyear"))
    return [w for w in re.split(r"[\s,;:_()\[\]@%]+", parted) if w]


def _role(plain, words, unit):
    if "unit" in words or "units" in words:
        return "", 0
    role, rank = _named(plain, words, unit)
    # "Soil moisture", "Grain protein" and "pH (water)" are no moisture or yield of the grain.
    if role in ("", "moisture", "yield") and not unit and set(words) & set(ROLE_WORDS[OTHER]):
        return OTHER, 0
    return role, rank


def _named(plain, words, unit):
    for role, names in ROLE_WORDS.items():
        for rank, name in enumerate(names):
            # "Yield (bu/ac at 15.5 % moisture)" is no moisture; only a moisture can be the stated one.
            if role == OTHER or (role == "stated" and "moisture" not in words):
                continue
            if (name in words or name == plain) and not (role in ("moisture", "stated") and unit):
                return role, rank
    if unit == "bu/ac":
        return "yield", len(ROLE_WORDS["yield"])
    if unit in AREA_RATE_KG_HA and any(w in _NUTRIENTS for w in words):
        return "rate", len(ROLE_WORDS["rate"])
    return "", 0


def _take_unit(words):
    """Find the unit among the words: (unit, nutrient inside it, the other words)."""
    for length in (3, 2, 1):
        for start in range(len(words) - length + 1):
            unit, nutrient = _unit(words[start : start + length])
            if unit:
                return unit, nutrient, words[:start] + words[start + length :]
    return "", "", words


def _unit(words):
    if len(words) == 1 and words[0] in _LENGTHS:
        return _LENGTHS[words[0]], ""
    parts = [p for p in re.split(r"[\s/]+|\bper\b", " ".join(words)) if p]
    nutrient = ""
    if len(parts) == 3 and parts[1] in _NUTRIENTS:  # kg N/ha
        nutrient, parts = _NUTRIENTS[parts[1]], [parts[0], parts[2]]
    if len(parts) != 2 or parts[1] not in _AREAS:
        return "", ""
    unit = f"{_MASSES.get(parts[0], parts[0])}/{_AREAS[parts[1]]}"
    return (unit, nutrient) if unit in AREA_UNITS else ("", "")
