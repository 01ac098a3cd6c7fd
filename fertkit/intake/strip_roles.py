"""Give the columns of a strip sheet their roles, and the measured ones their units."""

import re
from dataclasses import replace

import numpy as np

from fertkit.errors import Problem, typed
from fertkit.intake.files import text_of
from fertkit.intake.spellings import spellings
from fertkit.intake.strip_headers import OTHER, ROLE_WORDS, each, header_key, read_header, say_column
from fertkit.intake.strip_lines import is_summary
from fertkit.intake.strip_units import (
    AREA_UNITS,
    LENGTH_M,
    PLOT_M2,
    VOLUME_UNITS,
    cell_parts,
    rate_unit,
    says_none,
    take_length,
    take_mass,
    take_square,
    words_of,
)
from fertkit.rounding import same
from fertkit.units import MASS_KG

_EXAMPLES = {
    "rate": "lb/ac, kg/ha", "yield": "bu/ac, lb/ac, t/ha, kg/ha", "weight": "lb, kg", "width": "ft, m",
    "length": "ft, m", "area": "ac, ft2, m2, ha",
}  # fmt: skip
_RATES = {*AREA_UNITS, *VOLUME_UNITS} - {"bu/ac"}
_KNOWN = {
    "rate": _RATES, "yield": set(AREA_UNITS), "weight": {*MASS_KG, "bu"}, "width": set(LENGTH_M),
    "length": set(LENGTH_M), "area": set(PLOT_M2),
}  # fmt: skip


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
    free = [h.role if header_key(h.text) not in wanted else "" for h in known]
    for role in ROLE_WORDS:
        if role not in taken and role != OTHER:
            found = [(i, h) for i, h in enumerate(known) if free[i] == role and i not in _used(taken)]
            _settle(role, found, taken, sheet, problems)
    if (
        not {"rate", "planned"} & set(taken)
        and "treatment" in taken
        and _names_rates(sheet, taken["treatment"])
    ):
        i, header = taken.pop("treatment")
        taken["rate"] = i, read_header(header.text, "rate")
    if "rate" in taken and "treatment" not in taken and _names_only(sheet, taken["rate"], units):
        i, header = taken.pop("rate")
        taken["treatment"] = i, replace(header, role="treatment")
    if "rate" not in taken and "planned" in taken:
        taken["rate"] = taken.pop("planned")
    _settle_units(sheet, taken, units, problems)
    _drop_unneeded(taken)
    _ask_for_missing(known, taken, problems)
    return taken


def _drop_unneeded(taken):
    """Weights beside yields, and sizes of strips that nothing is reckoned from, play no role."""
    if "yield" in taken:
        taken.pop("weight", None)
        taken.pop("area", None)
    for role in ("width", "length"):
        if "weight" not in taken and role in taken and not taken[role][1].unit:
            del taken[role]


def _ask_for_missing(row, taken, problems):
    asked = [("rate", "N rate (lb/ac)")] * ("treatment" not in taken)
    asked += [("yield", "Yield (bu/ac)")] * ("weight" not in taken)
    for role, example in asked:
        if role not in taken and not any(f"'{role}'" in p.in_code for p in problems):
            problems.append(Problem(
                f"no column for the {role}; the headers are: {_listed(row)}",
                f"write a header such as '{example}'", in_code=say_column(role, "your header"),
            ))  # fmt: skip
    sized = "area" in taken or {"width", "length"} <= set(taken)
    if "weight" in taken and not sized:
        problems.append(Problem(
            "harvest weights without the size of the strips",
            "add columns for length and width, such as 'Length (ft)' and 'Width (ft)', or for the area; or "
            "give the yield per area", column=taken["weight"][1].text,
        ))  # fmt: skip


def _listed(row) -> str:
    return ", ".join(h.text for h in row if h.text)


def _used(taken):
    return {i for i, _ in taken.values()}


def _parts(header, row) -> list[str]:
    """The headers that ``A + B`` names; the whole, where it is a header itself."""
    whole = header_key(header)
    if "+" not in whole or any(header_key(h.text) == whole for h in row):
        return [header]
    return [part.strip().strip("\"'") for part in str(header).split("+")]


def _by_choice(row, chosen, problems):
    taken = {}
    for role, header in chosen:
        if role not in ROLE_WORDS:
            what = f"a column is given the unknown role '{role}'"
            problems.append(Problem(what, f"use one of: {', '.join(ROLE_WORDS)}"))
            continue
        parts = _parts(header, row) if role in ("rate", "planned") else [header]
        for part in parts:
            hits = [i for i, h in enumerate(row) if header_key(h.text) == header_key(part)]
            if not hits:
                problems.append(Problem(
                    f"no column '{part}' for the {role}; the headers are: {_listed(row)}",
                    "give the header as the file writes it",
                ))  # fmt: skip
            elif role == OTHER:
                continue
            elif role in taken and part is parts[0]:
                what = f"two columns are given for the {role}: '{taken[role][1].text}' and '{header}'"
                say = f"give one{', or both with a + between for their sum' if role == 'rate' else ''}"
                problems.append(Problem(what, say))
            else:
                n = sum(r.split()[0] == role for r in taken)
                taken[f"{role} {n + 1}" if n else role] = hits[0], read_header(row[hits[0]].text, role)
    return taken


def _names_only(sheet, column, units) -> bool:
    """Whether a column of rates without a unit holds words alone: low, medium, high."""
    i, header = column
    texts = {text_of(cell) for cell in sheet.column(i)} - {""}
    words = [text for text in texts if not re.search(r"\d", text) and not is_summary(text)]
    return (
        len(words) > 1
        and not header.unit
        and "rate" not in units
        and all(t in words or is_summary(t) for t in texts)
    )


def _names_rates(sheet, column) -> bool:
    """Whether all treatments of a column are amounts, per area or of a nutrient: 50 lb N/ac, 50 lb N."""
    labels = {text_of(cell) for cell in sheet.column(column[0])} - {""}
    labels = [label for label in labels if not is_summary(label) and not says_none(label)]
    parts = [cell_parts(label, "rate") for label in labels]
    return len(parts) > 1 and all(unit in _RATES or (unit and n) for _, unit, n in parts)


def _settle(role, found, taken, sheet, problems):
    """Give a role its column; two candidates as sure as each other are a problem, never a guess."""
    for sure in (
        lambda i, h: not h.bare,
        lambda i, h: not _is_mean(h),
        lambda i, h: role != "yield" or not _is_compared(h),
        lambda i, h: _varies(role, sheet.column(i)),
    ):
        found = [(i, h) for i, h in found if sure(i, h)] or found
    if role == "rate":
        found = _total(found, sheet) or found
    if role not in ("rate", "planned", "yield", "weight"):  # two halves of a rate may be alike
        found = _unlike(found, sheet)
    if not found:
        return
    best = min(h.rank for _, h in found)
    sure = [(i, h) for i, h in found if h.rank == best]
    rivals = found if role in ("rate", "yield", "moisture") else sure
    if len(rivals) > 1:
        names = ", ".join(f"'{h.text}'" for _, h in rivals)
        remedy, in_code = "keep one of them, or rename the others", say_column(role, rivals[0][1].text)
        if len({header_key(h.text) for _, h in rivals}) == 1:
            remedy, in_code = "rename one of them in the file, or take it out", ""
        if role == "rate":
            both = " + ".join(h.text for _, h in rivals)
            one = len({h.nutrient for _, h in rivals}) == 1
            other = f"{say_column(OTHER, rivals[1][1].text)} if the other does not bear on the yield"
            remedy += "; for their sum, write it in one column" if one else ""
            more = f"for their sum {say_column(role, both)}" if one else other
            in_code = "; ".join(filter(None, [in_code, more]))
        problems.append(Problem(f"several columns could be the {role}: {names}", remedy, in_code=in_code))
    taken[role] = sure[0]


def _unlike(found, sheet) -> list:
    """Candidates without those that say in every cell, and of the unit, what an earlier one says."""
    texts = {(h.unit, *map(text_of, sheet.column(i))): (i, h) for i, h in reversed(found)}
    return [pair for pair in found if pair in texts.values()]


def _is_mean(header) -> bool:
    """Whether a header says mean, of a column beside the one it was taken from."""
    return any(
        w in spellings("strip summary") and w not in ("total", "gesamt") for w in words_of(header.text)
    )


def _is_compared(header) -> bool:
    """Whether a yield is a goal, a difference or a relative one beside the yield that was harvested."""
    return any(spellings("strip word").get(w) == "compared" for w in words_of(header.text))


def _varies(role, cells) -> bool:
    """Whether a column could be the treatment: a rate that is the same everywhere is none."""
    return role != "rate" or len({text_of(cell) for cell in cells} - {""}) != 1


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


# ---- units


def _settle_units(sheet, taken, units, problems):
    """Give each measured column its unit: from the caller, its cells, its header, or a column of units."""
    for role in [r for r in taken if _kind(r) in _KNOWN]:
        i, header = taken[role]
        header = _from_cells(_kind(role), header, sheet.column(i), problems)
        taken[role] = i, replace(header, unit=_find_unit(role, sheet, header, units, problems))
    if "yield" in taken and "weight" not in taken and _is_weight(taken):
        taken["weight"] = taken["yield"][0], replace(taken.pop("yield")[1], role="weight")
        taken["weight"] = taken["weight"][0], replace(taken["weight"][1], unit=taken["weight"][1].mass)
    areas = _areas(taken)
    for role in [r for r in taken if _kind(r) in _KNOWN]:
        i, header = taken[role]
        kind = _kind(role)
        if not header.unit and kind in ("rate", "yield") and len(areas) == 1:
            header = replace(header, unit=_per_area(header, kind, areas), assumed=header.mass)
        if header.unit == "Mg/ha":
            header = replace(header, unit="t/ha")  # one name for one unit
        taken[role] = i, header
        needed = kind in ("rate", "yield", "weight") or "weight" in taken
        if needed and header.unit not in _KNOWN[kind] and not _told_of(header, problems):
            problems.append(_unit_problem(kind, header, units.get(role)))


def _kind(role):
    base = role.split()[0]
    return "rate" if base == "planned" else base


def _from_cells(kind, header, cells, problems):
    """The header with what stands beside the numbers of its cells: a unit, a nutrient."""
    parts = [cell_parts(cell, kind) for cell in cells]
    held = sorted({unit for _, unit, _ in parts if unit})
    stated = header.mass if kind == "weight" or not header.unit else header.unit
    # 80 lb under a header in lb/ac is 80 lb/ac
    held = sorted({stated if stated.split("/")[0] == unit else unit for unit in held})
    nutrients = sorted({n for _, _, n in parts if n} | ({header.nutrient} - {""}))
    if kind == "rate" and len(nutrients) > 1:
        what = f"rates of {' and '.join(nutrients)} in one column"
        problems.append(Problem(what, "one trial, one nutrient: split them", column=header.text))
    if len(held) > 1 or (held and stated and held != [stated]):
        problems.append(Problem(
            f"mixed units: {', '.join(dict.fromkeys([*([stated] if stated else []), *held]))}",
            "bring all strips to one unit first", column=header.text,
        ))  # fmt: skip
    elif kind == "rate" and nutrients and not held:
        return replace(header, nutrient=nutrients[0])
    elif held:
        nutrient = header.nutrient or next((n for _, _, n in parts if n), "")
        alone = kind in ("rate", "yield", "weight") and "/" not in held[0]
        return replace(header, nutrient=nutrient, **{"mass" if alone else "unit": held[0]})
    return header


def _find_unit(role, sheet, header, units, problems) -> str:
    """The unit of one column as the caller, the header or a column of units says it; '' if none does."""
    kind = _kind(role)
    if role in units:
        return _unit_of(kind, units[role])
    if kind == "weight":
        return header.mass
    if header.unit or kind not in ("rate", "yield"):
        return header.unit
    return _unit_column(role, header, sheet, problems)


def _is_weight(taken) -> bool:
    """Whether a yield given as a mass is the weight of a strip whose size is known."""
    harvest, sized = (
        taken["yield"][1],
        {r for r in ("area", "width", "length") if r in taken and taken[r][1].unit},
    )
    return not harvest.unit and bool(harvest.mass) and ("area" in sized or {"width", "length"} <= sized)


def _areas(taken) -> set[str]:
    """Units of area that the file speaks of: ac, ha."""
    found = {header.unit.split("/")[1] for _, header in taken.values() if "/" in header.unit}
    if "weight" in taken:
        sizes = [taken[r][1].unit for r in ("length", "area") if r in taken]
        found |= {"ha" if unit in ("m", "cm", "m2", "ha") else "ac" for unit in sizes if unit}
    return found


def _per_area(header, kind, areas) -> str:
    """A mass without an area is meant per the area that the other column names: N_rate_lbs beside bu/ac."""
    unit = f"{header.mass}/{next(iter(areas))}"
    meant = header.mass and (kind == "rate" or header.mass == "bu")
    return unit if meant and unit in _KNOWN[kind] else ""


def _told_of(header, problems) -> bool:
    return any(p.column == header.text for p in problems)


def _unit_problem(kind, header, given) -> Problem:
    examples = _EXAMPLES[kind]
    first = examples.split(",")[0]
    what = "no unit that is known for it"
    if given is not None:
        what = f"unknown unit '{given}'"
    elif header.mass and kind in ("rate", "yield"):
        what = f"'{header.mass}' is a mass and no amount per area: no unit that is known for it"
    return Problem(
        what, f"write the unit in the header, as in '{kind} ({first})'; known are {examples}, ...",
        column=header.text, in_code=typed(f"--units {kind}={first}", f"units={{'{kind}': '{first}'}}"),
    )  # fmt: skip


def _unit_of(kind, text) -> str:
    words = words_of(text)
    if kind == "weight":
        return take_mass(words)[0]
    if kind in ("width", "length"):
        return take_length(words)
    return take_square(words) if kind == "area" else rate_unit(text)


def _unit_column(role, header, sheet, problems) -> str:
    """Read a unit from a column such as ``Rate unit``; '' if there is none, or several."""
    for i, cell in enumerate(sheet.headers):
        if gives_unit(cell, role):
            written = sorted({text_of(cell) for cell in sheet.column(i) if text_of(cell)})
            if len(written) > 1:
                problems.append(Problem(
                    f"mixed units: {', '.join(written)} in '{cell}'", "bring all strips to one unit first",
                    column=header.text,
                ))  # fmt: skip
                return ""
            return rate_unit(written[0]) if written else ""
    return ""


def gives_unit(cell, role) -> bool:
    """Whether a header is that of a column of units, for a role or for all."""
    words = str(cell).lower().replace("_", " ").split()
    return ("unit" in words or "units" in words) and (role in words or len(words) == 1)
