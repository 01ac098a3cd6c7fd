"""Tell what the columns of a strip-trial file hold from their headers: role, unit, nutrient."""

import re
from dataclasses import dataclass, replace

import numpy as np

from fertkit.errors import Problem
from fertkit.intake.files import text_of
from fertkit.intake.spellings import plain as plain_text
from fertkit.intake.spellings import spellings
from fertkit.units import AREA_RATE_KG_HA

#: Columns that name a place or a season of its own: blocks are counted within each.
SITE_COLUMNS = ("trial", "site", "location", "field", "site_year", "year")
#: Words that name a role, the surest first.
ROLE_WORDS = {
    "moisture": ("moisture", "moist", "moisture_pct", "mc", "water"),
    "planned": ("planned", "target", "prescribed", "intended", "plan"),
    "rate": ("rate", "applied", "dose"),
    "yield": ("yield", "yld", "harvested", "grain"),
    "width": ("width",),
    "length": ("length",),
    "trial": ("trial", "experiment", "study", "siteyear", "site-year", "site_year"),
    "site": ("site", "location", "loc", "farm", "field"),
    "year": ("year", "season"),
    "block": ("block", "blk", "rep", "replicate", "replication", "reps", "blocks"),
    "strip": ("strip", "plot"),
    "position": ("position", "place", "order"),
    "treatment": ("treatment", "trt", "product"),
    "crop": ("crop",),
}
#: Roles that hold numbers and those whose unit has to be known.
NUMBER_ROLES = ("rate", "planned", "yield", "moisture", "width", "length", "position")
MEASURED = ("rate", "planned", "yield", "width", "length")

_NUTRIENTS = spellings("nutrient") | spellings("oxide")
_STANDARD = {"adjusted", "standard"}
_FRACTION = {"fraction", "frac", "decimal", "proportion"}
_DRY_BASIS = re.compile(r"\bdry[ _-]?(?:basis|weight|matter)\b|\bdb\b|\bd\.b\.")
_MASSES = {
    "lbs": "lb", "pound": "lb", "pounds": "lb", "bushel": "bu", "bushels": "bu", "tonne": "t", "tonnes": "t",
    "mg": "Mg", "tons": "ton", "dt": "q", "quintal": "q", "quintals": "q", "kgs": "kg", "ounces": "oz",
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


def read_header(text) -> Header:
    """Read one header such as ``N rate (lb/ac)``, ``rate_kg_ha``, ``Yield, t/ha`` or ``Moisture %``."""
    plain = plain_text(text)
    words = _words(plain)
    unit, nutrient, rest = _take_unit(words)
    if nutrient:
        rest = [*rest, nutrient.lower()]
    nutrient = nutrient or next((_NUTRIENTS[w] for w in rest if w in _NUTRIENTS), "")
    role, rank = _role(plain, rest, unit)
    if role == "yield":
        at_pct = _stated_moisture(plain, rest)
        dry = at_pct is not None or bool(_STANDARD & set(rest))
        return Header(str(text), role, rank, unit, dry=dry, at_pct=at_pct)
    if role == "moisture":
        fraction, dry_basis = bool(_FRACTION & set(rest)), bool(_DRY_BASIS.search(plain))
        return Header(str(text), role, rank, unit, fraction=fraction, dry_basis=dry_basis)
    return Header(str(text), role, rank, unit, nutrient if role in ("rate", "planned") else "")


def _stated_moisture(plain, words) -> float | None:
    """Moisture at which a header states the yield [%]: 15.5 % moisture, 85 % dry matter, dry."""
    stated = re.search(r"(\d+(?:\.\d+)?)\s*%", plain)
    matter = "dm" in words or {"dry", "matter"} <= set(words)
    if stated:
        return 100 - float(stated[1]) if matter and "moisture" not in words else float(stated[1])
    return 0.0 if matter or ("dry" in words and not _STANDARD & set(words)) else None


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
        Role -> header and role -> unit, where the caller says so.
    problems : list of Problem
        Filled with whatever is missing or can be read two ways.

    Returns
    -------
    line : int
        Index of the header line.
    roles : dict
        Role -> (column index, Header).
    """
    known = [[read_header(cell) for cell in row] for row in raw.cells[:_HEADER_DEPTH]]
    wanted = {" ".join(str(h).split()).lower() for h in columns.values()}
    score = [sum(bool(h.role) or " ".join(h.text.split()).lower() in wanted for h in row) for row in known]
    at = int(np.argmax(score))
    taken = _by_choice(raw.name, known[at], columns, problems)
    for role in ROLE_WORDS:
        if role not in taken:
            found = [(i, h) for i, h in enumerate(known[at]) if h.role == role and i not in _used(taken)]
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
                f"write a header such as '{example}' or say columns={{'{role}': 'your header'}}",
            ))  # fmt: skip


def _listed(row) -> str:
    return ", ".join(h.text for h in row if h.text)


def _used(taken):
    return {i for i, _ in taken.values()}


def _by_choice(file, row, columns, problems):
    taken = {}
    for role, header in columns.items():
        if role not in ROLE_WORDS:
            problems.append(
                Problem(f"columns names an unknown role '{role}'", f"use one of: {', '.join(ROLE_WORDS)}")
            )
            continue
        key = " ".join(str(header).split()).lower()
        hits = [(i, h) for i, h in enumerate(row) if " ".join(h.text.split()).lower() == key]
        if not hits:
            problems.append(Problem(
                f"no column '{header}' for the {role}; the headers are: {_listed(row)}",
                "give the header as the file writes it",
            ))  # fmt: skip
        else:
            taken[role] = (hits[0][0], replace(hits[0][1], role=role))
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
            f"several columns could be the {role}: {names}", f"choose one with columns={{'{role}': ...}}"
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
            what, f"write the unit in the header, as in '{role} ({examples.split(',')[0]})', or say "
            f"units={{'{role}': ...}}; known are {examples}, ...", column=header.text,
        ))  # fmt: skip
    return replace(header, unit="t/ha" if unit == "Mg/ha" else unit)  # one name for one unit


def _unit_column(role, raw, at, problems):
    """Read a unit from a column such as ``Rate unit``; '' if there is none, None if it is mixed."""
    for i, cell in enumerate(raw.cells[at]):
        words = str(cell).lower().replace("_", " ").split()
        if ("unit" in words or "units" in words) and (role in words or len(words) == 1):
            written = sorted({text_of(row[i]) for row in raw.cells[at + 1 :] if text_of(row[i])})
            if len(written) > 1:
                problems.append(Problem(
                    f"mixed units: {', '.join(written)}", "bring all strips to one unit first",
                    column=text_of(cell),
                ))  # fmt: skip
                return None
            return area_unit(written[0]) if written else ""
    return ""


# ---- words of a header


def _words(plain):
    """Words of a header; a hyphen between letters and a raised dot part words too (N-rate, kg·ha-1)."""
    parted = re.sub(r"(?<=[a-z])-(?=[a-z])|[·⋅∙•]", " ", plain.replace("site-year", "siteyear"))
    return [w for w in re.split(r"[\s,;:_()\[\]@%]+", parted) if w]


def _role(plain, words, unit):
    if "unit" in words or "units" in words:
        return "", 0
    for role, names in ROLE_WORDS.items():
        for rank, name in enumerate(names):
            # "Yield (bu/ac at 15.5 % moisture)" is no moisture.
            if (name in words or name == plain) and not (role == "moisture" and unit):
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
