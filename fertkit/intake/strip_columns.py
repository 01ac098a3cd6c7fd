"""The columns of a strip sheet: which role each plays, and in which unit it is measured."""

import re
from dataclasses import replace

import numpy as np

from fertkit.intake.columns import (
    OTHER,
    RATE_HEADER,
    assign_roles,
    left_over,
    no_column,
    say_column,
    which_column,
)
from fertkit.intake.grid import header_key
from fertkit.intake.spellings import is_summary, problem, spellings
from fertkit.intake.strip_headers import MEASURED, RATES, ROLES, read_header, says
from fertkit.intake.strip_nutrients import OF, split_rates
from fertkit.intake.units import MEASURES, cell_parts, is_bags, measured_in, rate_unit, says_none, words_of
from fertkit.rounding import same
from fertkit.tables import text_of

# ---- the role of each column


def strip_columns(sheet, columns, units, problems) -> dict:
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
    free = {i: known[i] for i in left_over(sheet.headers, columns)}

    def rivals_of(role, left):
        return _surest(role, [(i, known[i]) for i in left if known[i].role == role], sheet)

    def several(role, rivals, at):
        rivals = [(i, known[i]) for i in sorted(rivals)]
        split = role == "rate" and split_rates(rivals, at)
        return None if split else _which(role, [h for _, h in rivals])

    at = assign_roles(sheet.headers, columns, ROLES, problems, rivals_of, several=several, sums=RATES)
    taken = {role: (i, free.get(i) or read_header(known[i].text, base(role))) for role, i in at.items()}
    if not {*RATES, "treatment"} & set(taken) and len(named := _named_kinds(sheet, free.items())) == 1:
        taken["treatment"] = named[0][0], replace(named[0][1], role="treatment")
    if not {*RATES} & set(taken) and "treatment" in taken and _names_rates(sheet, taken["treatment"]):
        i, header = taken.pop("treatment")
        taken["rate"] = i, read_header(header.text, "rate")
    if "rate" in taken and "treatment" not in taken and _names_only(sheet, taken["rate"], units):
        i, header = taken.pop("rate")
        taken["treatment"] = i, replace(header, role="treatment")
    if "rate" not in taken and "planned" in taken:
        taken["rate"] = taken.pop("planned")
    if not {*RATES, "treatment"} & set(taken) and (beside := _side_by_side(free.items())):
        problems[:] = [p for p in problems if "'yield'" not in p.in_code]
        problems.append(problem("yields side by side", names=", ".join(f"'{h.text}'" for h in beside)))
        return taken
    _settle_units(sheet, taken, units, problems)
    if "yield" in taken:  # weights beside yields, and sizes that nothing is reckoned from, play no role
        taken.pop("weight", None)
        taken.pop("area", None)
    for role in ("width", "length"):
        if "weight" not in taken and role in taken and not taken[role][1].unit:
            del taken[role]
    _ask_for_missing(sheet.headers, taken, problems)
    return taken


def _side_by_side(free) -> list:
    """Two or more headers with one unit of yields, where nothing names a rate or a treatment."""
    headers = [h for _, h in free if h.unit and h.unit in MEASURES["amount"]]
    return headers if len(headers) > 1 and len({h.unit for h in headers}) == 1 else []


def _named_kinds(sheet, free) -> list:
    """Columns of several hybrids, varieties or tillages: the treatments, where nothing else names any."""
    kinds = set(spellings("strip kind"))
    named = [(i, h) for i, h in free if kinds & set(words_of(h.text))]
    return [(i, h) for i, h in named if len({text_of(cell) for cell in sheet.column(i)} - {""}) > 1]


def _ask_for_missing(headers, taken, problems):
    asked = [("rate", RATE_HEADER)] * ("treatment" not in taken)
    asked += [("yield", "Yield (bu/ac)")] * ("weight" not in taken)
    for role, example in asked:
        if role not in taken and not any(f"'{role}'" in p.in_code for p in problems):
            used = {i for i, _ in taken.values()}
            rates = [h for i, h in enumerate(headers) if i not in used and rate_unit(h) in MEASURES["rate"]]
            own = rates[0] if role == "rate" and len(rates) == 1 else "your header"
            problems.append(no_column(role, headers, example, own=own))
    if "weight" in taken and "area" not in taken and not {"width", "length"} <= set(taken):
        problems.append(problem("no size", column=taken["weight"][1].text))


def _names_only(sheet, column, units) -> bool:
    """Whether a column of rates without a unit holds names alone: low, high; without, with 15 lb S."""
    i, header = column
    texts = [t for t in {text_of(cell) for cell in sheet.column(i)} - {""} if not is_summary(t)]
    amounts = [t for t in texts if not says_none(t) and re.match(r"\W*\d", text_of(cell_parts(t, "rate")[0]))]
    return len(texts) > 1 and not (amounts or header.unit or "rate" in units)


def _names_rates(sheet, column) -> bool:
    """Whether all treatments of a column are amounts, per area or of a nutrient: 50 lb N/ac, 50 lb N."""
    labels = {text_of(cell) for cell in sheet.column(column[0])} - {""}
    labels = [label for label in labels if not is_summary(label) and not says_none(label)]
    parts = [cell_parts(label, "rate") for label in labels]
    return len(parts) > 1 and all(unit in MEASURES["rate"] or (unit and n) for _, unit, n in parts)


def _surest(role, candidates, sheet) -> list[int]:
    """Candidates as sure as each other, the first choice first; two are a problem, never a guess."""
    for sure in (
        lambda i, h: not h.bare,
        lambda i, h: not _is_mean(h),
        lambda i, h: role != "yield" or not says(h.text, "compared"),  # a goal or a difference
        lambda i, h: role != "rate" or len({text_of(cell) for cell in sheet.column(i)} - {""}) != 1,
    ):
        candidates = [(i, h) for i, h in candidates if sure(i, h)] or candidates
    if role == "rate":
        candidates = _total(candidates, sheet) or candidates
    if role not in (*RATES, "yield", "weight"):  # two halves of a rate may be alike
        candidates = _unlike(candidates, sheet)
    best = sorted(candidates, key=lambda pair: pair[1].rank)
    return [i for i, h in best if role in ("rate", "yield", "moisture") or h.rank == best[0][1].rank]


def _which(role, rivals):
    asked = which_column(role, [h.text for h in rivals])
    if role != "rate" or len({header_key(h.text) for h in rivals}) == 1:
        return asked
    both = say_column(role, " + ".join(h.text for h in rivals))
    if len({h.nutrient for h in rivals}) == 1:
        return replace(asked, remedy=f"{asked.remedy}; for their sum, write it in one column",
                       in_code=f"{asked.in_code}; for their sum {both}")  # fmt: skip
    more = f"{say_column(OTHER, rivals[1].text)} if the other does not affect yield"
    return replace(asked, in_code=f"{asked.in_code}; {more}")


def _unlike(candidates, sheet) -> list:
    """Candidates without those that say in every cell, and of the unit, what an earlier one says."""
    texts = {(h.unit, *map(text_of, sheet.column(i))): (i, h) for i, h in reversed(candidates)}
    return [pair for pair in candidates if pair in texts.values()]


def _is_mean(header) -> bool:
    """Whether a header says mean, of a column beside the one it was taken from."""
    words = set(words_of(header.text)) - {"total", "gesamt"}
    return bool(words & set(spellings("strip summary")))


def _total(candidates, sheet) -> list:
    """The one rate that is the sum of the others on every line; none if there is no such."""
    columns = [np.array([_plain_number(c) for c in sheet.column(i)]) for i, _ in candidates]
    if len(columns) < 3:
        return []
    whole = sum(columns)
    finite = np.isfinite(whole)  # means and remarks among the lines
    sums = [finite.any() and bool(np.all(same(2 * own[finite], whole[finite]))) for own in columns]
    return [pair for pair, total in zip(candidates, sums, strict=True) if total][:1]


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
        asked = any(p.column == header.text for p in problems)
        if needed and header.unit not in MEASURES[measures] and not asked:
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
    if (given := role if role in units or not role.startswith(OF) else base(role)) in units:
        return measured_in(measures, units[given])
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
    areas = {header.unit.split("/")[1] for _, header in taken.values() if "/" in header.unit}
    if "weight" in taken:
        sizes = [taken[r][1].unit for r in ("length", "area") if r in taken]
        areas |= {"ha" if unit in ("m", "cm", "m2", "ha") else "ac" for unit in sizes if unit}
    return areas


def _unit_problem(kind, header, given):
    kind = "rate" if kind == "planned" else kind
    examples = ROLES[kind].examples
    unknown = "not a known unit"
    if given is not None:
        unknown = f"unknown unit '{given}'"
    elif header.mass and kind in ("rate", "yield"):
        unknown = f"'{header.mass}' is a mass, not an amount per area: not a known unit"
    first = examples.split(",")[0]
    if is_bags(given if given is not None else header.text):
        return problem("bags", column=header.text)
    return problem("no unit", column=header.text, what=unknown, kind=kind, first=first, examples=examples)
