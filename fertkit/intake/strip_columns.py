"""The columns of a strip sheet: what a header says, which role its column plays, and in which unit."""

import re
from dataclasses import dataclass, replace

import numpy as np

from fertkit.errors import typed
from fertkit.intake.line_words import is_summary
from fertkit.intake.spellings import plain as plain_text
from fertkit.intake.spellings import problem, roles_of, spellings
from fertkit.intake.units import (
    MEASURES,
    NUTRIENT_WORDS,
    cell_parts,
    measured_in,
    rate_unit,
    says_none,
    take_length,
    take_mass,
    take_unit,
    words_of,
)
from fertkit.rounding import same
from fertkit.tables import text_of

#: Columns that name a place or a season of its own: blocks are counted within each.
SITE_COLUMNS = ("trial", "site", "location", "field", "site_year", "year")
#: Roles of a sheet that name where a strip lies, and those that tell its treatment.
PLACES, RATES = ("trial", "site", "year"), ("rate", "planned")
#: Columns known to be of no role (protein, soil).
OTHER = "other"
ROLES = roles_of("strips")
MEASURED = tuple(role for role, of in ROLES.items() if of.measures)

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
    plain, words = plain_text(text), words_of(text)
    unit, nutrient, rest = take_unit(words)
    rest = [*rest, nutrient.lower()] if nutrient else rest
    nutrient = nutrient or next((NUTRIENT_WORDS[w] for w in rest if w in NUTRIENT_WORDS), "")
    mass = "" if unit else take_mass(rest)[0]
    role, rank = (role, 0) if role else _role(plain, rest, unit, mass)
    if unit == "bu/ac" and role in RATES:  # "Rate mean (bu/ac)" is a yield
        role = "yield"
    header, senses = Header(str(text), role, rank, unit), _senses(rest)
    if role == "yield":
        at_pct = _stated_moisture(plain, senses)
        return replace(header, mass=mass, dry=at_pct is not None or "standard" in senses, at_pct=at_pct)
    if role == "moisture":
        return replace(header, fraction="fraction" in senses, dry_basis=bool(_DRY_BASIS.search(plain)))
    if role in RATES:
        known = (spellings("strip product")[w] for w in rest if w in spellings("strip product"))
        product = "" if nutrient else next(known, "")
        grade = next(filter(GRADE.fullmatch, rest), "") or _stated_share(plain, product)
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


def each(named):
    """Return one header or several as a list."""
    return [named] if isinstance(named, str) or not isinstance(named, list | tuple) else named


def header_key(header) -> str:
    """Return a header for comparing: lower case, single blanks."""
    return " ".join(str(header).split()).lower()


def say_column(role, header) -> str:
    """Return how to name a column, on the command line and in Python."""
    return typed(f'--column {role}="{header}"', f"columns={{'{role}': '{header}'}}")


def _role(plain, words, unit, mass):
    if "unit" in words or "units" in words:
        return "", 0
    role, rank = _named(plain, words, unit, mass)
    # "Soil moisture", "Grain protein", "Test weight" and "pH (water)" are no moisture, yield or weight.
    named = set(words) & set(ROLES[OTHER].words) or _GRAIN_WEIGHT.fullmatch(plain)
    return (OTHER, 0) if named and not unit and role in ("", "moisture", "yield", "weight") else (role, rank)


def _named(plain, words, unit, mass):
    for role, of in ROLES.items():
        # "Yield (bu/ac at 15.5 % moisture)" is no moisture; only a moisture can be the stated one.
        if role == OTHER or (role == "stated" and "moisture" not in words):
            continue
        if role in ("moisture", "stated", "weight") and unit:
            continue
        for rank, name in enumerate(of.words):
            if name.rstrip(".") in words or name == plain:
                return role, rank
    if unit == "bu/ac" or (mass == "bu" and len(words) == 1):
        return "yield", len(ROLES["yield"].words)
    if any(_SENSES.get(w) == "carried" for w in words):  # N removed, soil N: no rate applied
        return "", 0
    sure, named = len(ROLES["rate"].words), any(w in NUTRIENT_WORDS for w in words)
    if unit and (named or any(w in spellings("strip product") or GRADE.fullmatch(w) for w in words)):
        return "rate", sure
    if named and "%" not in plain and set(words) <= {*NUTRIENT_WORDS, *spellings("mass")}:
        return "rate", sure + 1
    return "", 0


# ---- the role of each column


def assign_roles(sheet, columns, units, problems) -> dict:
    """Find which column plays which role.

    Parameters
    ----------
    sheet : Sheet
    columns, units : dict
        Role -> header (a list of them for "other") and role -> unit, where the caller says so. ``A + B`` as
        the rate is the sum of two columns; the further ones play the roles "rate 2", "rate 3", ...
    problems : list of Problem
        Filled with whatever is missing or can be read two ways.

    Returns
    -------
    dict
        Role -> (column index, Header).
    """
    known = [read_header(header) for header in sheet.headers]
    chosen = [(role, header) for role, named in columns.items() for header in each(named)]
    taken = _by_choice(known, chosen, problems)
    wanted = {header_key(part) for _, header in chosen for part in _parts(header, known)}
    free = [(i, h) for i, h in enumerate(known) if header_key(h.text) not in wanted]
    for role in ROLES:
        if role not in taken and role != OTHER:
            used = {i for i, _ in taken.values()}
            _settle(
                role, [(i, h) for i, h in free if h.role == role and i not in used], taken, sheet, problems
            )
    if not {*RATES} & set(taken) and "treatment" in taken and _names_rates(sheet, taken["treatment"]):
        i, header = taken.pop("treatment")
        taken["rate"] = i, read_header(header.text, "rate")
    if "rate" in taken and "treatment" not in taken and _names_only(sheet, taken["rate"], units):
        i, header = taken.pop("rate")
        taken["treatment"] = i, replace(header, role="treatment")
    if "rate" not in taken and "planned" in taken:
        taken["rate"] = taken.pop("planned")
    _settle_units(sheet, taken, units, problems)
    if "yield" in taken:  # weights beside yields, and sizes that nothing is reckoned from, play no role
        taken.pop("weight", None)
        taken.pop("area", None)
    for role in ("width", "length"):
        if "weight" not in taken and role in taken and not taken[role][1].unit:
            del taken[role]
    _ask_for_missing(known, taken, problems)
    return taken


def _ask_for_missing(row, taken, problems):
    asked = [("rate", "N rate (lb/ac)")] * ("treatment" not in taken)
    asked += [("yield", "Yield (bu/ac)")] * ("weight" not in taken)
    for role, example in asked:
        if role not in taken and not any(f"'{role}'" in p.in_code for p in problems):
            in_code = say_column(role, "your header")
            problems.append(problem("no column", role=role, all=_all(row), example=example, in_code=in_code))
    if "weight" in taken and "area" not in taken and not {"width", "length"} <= set(taken):
        problems.append(problem("no size", column=taken["weight"][1].text))


def _all(row) -> str:
    return ", ".join(h.text for h in row if h.text)


def _parts(header, row) -> list[str]:
    """The headers that ``A + B`` names; the whole, where it is a header itself."""
    whole = header_key(header)
    if "+" not in whole or any(header_key(h.text) == whole for h in row):
        return [header]
    return [part.strip().strip("\"'") for part in str(header).split("+")]


def _by_choice(row, chosen, problems):
    taken = {}
    for role, header in chosen:
        if role not in ROLES:
            problems.append(problem("unknown role", role=role, roles=", ".join(ROLES)))
            continue
        parts = _parts(header, row) if role in RATES else [header]
        for part in parts:
            hits = [i for i, h in enumerate(row) if header_key(h.text) == header_key(part)]
            if not hits:
                problems.append(problem("no such column", header=part, role=role, all=_all(row)))
            elif role == OTHER:
                continue
            elif role in taken and part is parts[0]:
                sum_ = ", or both with a + between for their sum" if role == "rate" else ""
                first = taken[role][1].text
                problems.append(
                    problem("column given twice", role=role, first=first, second=header, sum=sum_)
                )
            else:
                n = sum(r.split()[0] == role for r in taken)
                taken[f"{role} {n + 1}" if n else role] = hits[0], read_header(row[hits[0]].text, role)
    return taken


def _names_only(sheet, column, units) -> bool:
    """Whether a column of rates without a unit holds words alone: low, medium, high."""
    i, header = column
    texts = {text_of(cell) for cell in sheet.column(i)} - {""}
    words = [text for text in texts if not re.search(r"\d", text) and not is_summary(text)]
    stated = header.unit or "rate" in units
    return len(words) > 1 and not stated and all(t in words or is_summary(t) for t in texts)


def _names_rates(sheet, column) -> bool:
    """Whether all treatments of a column are amounts, per area or of a nutrient: 50 lb N/ac, 50 lb N."""
    labels = {text_of(cell) for cell in sheet.column(column[0])} - {""}
    labels = [label for label in labels if not is_summary(label) and not says_none(label)]
    parts = [cell_parts(label, "rate") for label in labels]
    return len(parts) > 1 and all(unit in MEASURES["rate"] or (unit and n) for _, unit, n in parts)


def _settle(role, found, taken, sheet, problems):
    """Give a role its column; two candidates as sure as each other are a problem, never a guess."""
    for sure in (
        lambda i, h: not h.bare,
        lambda i, h: not _is_mean(h),
        lambda i, h: role != "yield" or not says(h.text, "compared"),  # a goal or a difference
        lambda i, h: role != "rate" or len({text_of(cell) for cell in sheet.column(i)} - {""}) != 1,
    ):
        found = [(i, h) for i, h in found if sure(i, h)] or found
    if role == "rate":
        found = _total(found, sheet) or found
    if role not in (*RATES, "yield", "weight"):  # two halves of a rate may be alike
        found = _unlike(found, sheet)
    if not found:
        return
    best = min(h.rank for _, h in found)
    sure = [(i, h) for i, h in found if h.rank == best]
    rivals = found if role in ("rate", "yield", "moisture") else sure
    if len(rivals) > 1:
        problems.append(_several(role, [h for _, h in rivals]))
    taken[role] = sure[0]


def _several(role, rivals):
    names, in_code = ", ".join(f"'{h.text}'" for h in rivals), say_column(role, rivals[0].text)
    if len({header_key(h.text) for h in rivals}) == 1:
        return problem("several of one name", role=role, names=names)
    if role != "rate":
        return problem("several columns", role=role, names=names, sum="", in_code=in_code)
    both = say_column(role, " + ".join(h.text for h in rivals))
    if len({h.nutrient for h in rivals}) == 1:
        sum_, more = "; for their sum, write it in one column", f"for their sum {both}"
    else:
        more = f"{say_column(OTHER, rivals[1].text)} if the other does not bear on the yield"
        sum_ = ""
    return problem("several columns", role=role, names=names, sum=sum_, in_code=f"{in_code}; {more}")


def _unlike(found, sheet) -> list:
    """Candidates without those that say in every cell, and of the unit, what an earlier one says."""
    texts = {(h.unit, *map(text_of, sheet.column(i))): (i, h) for i, h in reversed(found)}
    return [pair for pair in found if pair in texts.values()]


def _is_mean(header) -> bool:
    """Whether a header says mean, of a column beside the one it was taken from."""
    words = set(words_of(header.text)) - {"total", "gesamt"}
    return bool(words & set(spellings("strip summary")))


def _total(found, sheet) -> list:
    """The one rate that is the sum of the others on every line; none if there is no such."""
    columns = [np.array([_plain_number(c) for c in sheet.column(i)]) for i, _ in found]
    if len(columns) < 3:
        return []
    whole = sum(columns)
    told = np.isfinite(whole)  # means and remarks among the lines
    sums = [told.any() and bool(np.all(same(2 * own[told], whole[told]))) for own in columns]
    return [pair for pair, total in zip(found, sums, strict=True) if total][:1]


def _plain_number(cell) -> float:
    text = text_of(cell_parts(cell, "rate")[0]).replace(",", ".")
    return float(text) if re.fullmatch(r"\d+(?:\.\d+)?", text) else np.nan


# ---- the unit of each measured column


def _settle_units(sheet, taken, units, problems):
    """Give each measured column its unit: from the caller, its cells, its header, or a column of units."""
    measured = [role for role in taken if base(role) in MEASURED]
    for role in measured:
        i, header = taken[role]
        header = _from_cells(base(role), header, sheet.column(i), problems)
        taken[role] = i, replace(header, unit=_find_unit(role, sheet, header, units, problems))
    if "yield" in taken and "weight" not in taken and _is_weight(taken):
        i, header = taken.pop("yield")
        taken["weight"] = i, replace(header, role="weight", unit=header.mass)
    areas = _areas(taken)
    for role in [role for role in taken if base(role) in MEASURED]:
        (i, header), kind = taken[role], base(role)
        measures = ROLES[kind].measures
        if not header.unit and measures in ("rate", "amount") and len(areas) == 1:
            # A mass without an area is meant per the area that the other column names: lbs beside bu/ac.
            unit = f"{header.mass}/{next(iter(areas))}"
            meant = header.mass and (measures == "rate" or header.mass == "bu") and unit in MEASURES[measures]
            header = replace(header, unit=unit if meant else "", assumed=header.mass)
        if header.unit == "Mg/ha":
            header = replace(header, unit="t/ha")  # one name for one unit
        taken[role] = i, header
        needed = measures in ("rate", "amount", "mass") or "weight" in taken
        told = any(p.column == header.text for p in problems)
        if needed and header.unit not in MEASURES[measures] and not told:
            problems.append(_unit_problem(kind, header, units.get(role)))


def base(role) -> str:
    """Return the role of a further column of a rate, 'rate 2'."""
    return role.split()[0]


def _from_cells(kind, header, cells, problems):
    """The header with what stands beside the numbers of its cells: a unit, a nutrient."""
    measures = ROLES[kind].measures
    parts = [cell_parts(cell, measures) for cell in cells]
    stated = header.mass if kind == "weight" or not header.unit else header.unit
    # 80 lb under a header in lb/ac is 80 lb/ac
    units = sorted({stated if stated.split("/")[0] == unit else unit for _, unit, _ in parts if unit})
    named = [n for _, _, n in parts if n]
    nutrients = sorted({*named, header.nutrient} - {""})
    if measures == "rate" and len(nutrients) > 1:
        problems.append(problem("several nutrients", column=header.text, nutrients=" and ".join(nutrients)))
    if len(units) > 1 or (units and stated and units != [stated]):
        mixed = ", ".join(dict.fromkeys([stated, *units] if stated else units))
        problems.append(problem("mixed units", column=header.text, units=mixed))
    elif measures == "rate" and nutrients and not units:
        return replace(header, nutrient=nutrients[0])
    elif units:
        alone = measures in ("rate", "amount", "mass") and "/" not in units[0]
        nutrient = header.nutrient or next(iter(named), "")
        return replace(header, nutrient=nutrient, **{"mass" if alone else "unit": units[0]})
    return header


def _find_unit(role, sheet, header, units, problems) -> str:
    """The unit of one column as the caller, the header or a column of units says it; '' if none does."""
    measures = ROLES[base(role)].measures
    if role in units:
        return measured_in(measures, units[role])
    if measures == "mass":
        return header.mass
    if header.unit or measures not in ("rate", "amount"):
        return header.unit
    i = next((i for i, text in enumerate(sheet.headers) if gives_unit(text, role)), None)
    written = [] if i is None else sorted({text_of(cell) for cell in sheet.column(i)} - {""})
    if len(written) > 1:
        mixed = f"{', '.join(written)} in '{sheet.headers[i]}'"
        problems.append(problem("mixed units", column=header.text, units=mixed))
    return rate_unit(written[0]) if len(written) == 1 else ""


def gives_unit(header, role) -> bool:
    """Tell whether a header is that of a column of units, for a role or for all."""
    words = str(header).lower().replace("_", " ").split()
    return ("unit" in words or "units" in words) and (role in words or len(words) == 1)


def _is_weight(taken) -> bool:
    """Whether a yield given as a mass is the weight of a strip whose size is known."""
    harvest = taken["yield"][1]
    sized = {r for r in ("area", "width", "length") if r in taken and taken[r][1].unit}
    return not harvest.unit and bool(harvest.mass) and ("area" in sized or {"width", "length"} <= sized)


def _areas(taken) -> set[str]:
    """Units of area that the file speaks of: ac, ha."""
    found = {header.unit.split("/")[1] for _, header in taken.values() if "/" in header.unit}
    if "weight" in taken:
        sizes = [taken[r][1].unit for r in ("length", "area") if r in taken]
        found |= {"ha" if unit in ("m", "cm", "m2", "ha") else "ac" for unit in sizes if unit}
    return found


def _unit_problem(kind, header, given):
    kind = "rate" if kind == "planned" else kind
    examples = ROLES[kind].examples
    unknown = "no unit that is known for it"
    if given is not None:
        unknown = f"unknown unit '{given}'"
    elif header.mass and kind in ("rate", "yield"):
        unknown = f"'{header.mass}' is a mass and no amount per area: no unit that is known for it"
    first = examples.split(",")[0]
    return problem("no unit", column=header.text, what=unknown, kind=kind, first=first, examples=examples)
