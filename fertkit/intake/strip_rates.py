"""Rates that are not yet one nutrient per area: sums of two columns, and rates of a product."""

import re
from dataclasses import dataclass, replace

from fertkit.errors import Problem, typed
from fertkit.intake.files import text_of
from fertkit.intake.spellings import plain
from fertkit.intake.strip_units import NUTRIENT_WORDS, VOLUME_UNITS, says_none
from fertkit.reference.load import load_table
from fertkit.results import plain as number
from fertkit.units import AREA_RATE_KG_HA, LB_KG, US_GALLON_L, convert_area_rate

#: Said for the analysis of a product whose rates are to stay as they are.
AS_PRODUCT = "none"
_GRADE = re.compile(r"(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)(?:-(\d+(?:\.\d+)?)s)?")
_PERCENT = re.compile(r"(\d+(?:\.\d+)?) ?% ?([a-z0-9]+)|([a-z0-9]+) ?[=: ] ?(\d+(?:\.\d+)?) ?%?")

#: How a file says what its rates hold.
_SHARE = "write the rates as amounts of a nutrient, as in 'N rate (lb/ac)'"


@dataclass(frozen=True)
class Product:
    """What a product holds: its name for messages, percent by nutrient, weight of a gallon and its source."""

    name: str
    contents: dict
    lb_gal: float | None = None
    source: str = ""


def none_applied(sheet, headers) -> list[str]:
    """Say which words in the rates were read as 0."""
    words = {text_of(cell) for role in ("rate", "planned") if role in headers
             for cell in sheet.column(headers[role][0]) if says_none(cell)}  # fmt: skip
    return [f"rates written as {' and '.join(map(repr, sorted(words)))} are taken as 0"] if words else []


def add_rates(frame, headers, problems) -> list[str]:
    """Add the further columns of a rate that the caller asked to sum; say so."""
    notes = []
    for role in ("rate", "planned"):
        more = [r for r in headers if r.startswith(f"{role} ")]
        if not more:
            continue
        i, first = headers[role]
        texts = [first.text, *(headers[r][1].text for r in more)]
        for r in more:
            other = headers.pop(r)[1]
            cells = frame.pop(r)
            if first.nutrient != other.nutrient or not {first.unit, other.unit} <= set(AREA_RATE_KG_HA):
                problems.append(Problem(
                    f"'{first.text}' and '{other.text}' are not one nutrient in amounts per area",
                    "only rates of one nutrient can be added", column=other.text,
                ))  # fmt: skip
                continue
            frame[role] = (frame[role] + convert_area_rate(cells, other.unit, first.unit)).round(9)
        headers[role] = i, replace(first, text=" + ".join(texts))
        notes.append(f"the {role} is the sum of the columns {' and '.join(map(repr, texts))}")
    return notes


def settle_product(frame, headers, analysis, density, problems) -> list[str]:
    """Turn the rates of a product into those of its nutrient, in place; say how, and what the price is for.

    Parameters
    ----------
    frame : DataFrame
    headers : dict
    analysis : str or None
        What the product holds, as the caller says: 28-0-0, ``46 % P2O5``, a product of the table, or "none".
    density : float or None
        Weight of a gallon [lb], or of a litre where rates are litres per hectare [kg].
    problems : list of Problem
    """
    if "rate" not in headers:
        return []
    rate = headers["rate"][1]
    volume = rate.unit in VOLUME_UNITS
    if rate.nutrient and not volume:
        if analysis is not None and plain(analysis) != AS_PRODUCT:
            problems.append(Problem(
                f"rates are of {rate.nutrient} by their header, and an analysis is given besides",
                "leave the analysis out, or name the product in the header", column=rate.text,
            ))  # fmt: skip
        return []
    if not (volume or rate.grade or rate.product or analysis is not None):
        return []
    if analysis is not None and plain(analysis) == AS_PRODUCT and not volume:
        name = rate.product or rate.grade or "the product"
        mass = rate.unit.split("/")[0]
        return [f"rates are left in {rate.unit} of {name}; the price of the nutrient is per {mass} of {name}"]
    product = _product(rate, analysis, problems)
    if product is None:
        return []
    nutrient = _nutrient(product, rate, problems)
    heavy = _weight(product, rate, density, problems) if volume else None
    if not nutrient or (volume and heavy is None):
        return []
    return _converted(frame, headers, product, nutrient, heavy)


def _converted(frame, headers, product, nutrient, heavy):
    """Rates of the nutrient in place of the product's; ``heavy`` is (mass of a volume, its unit, source)."""
    share = product.contents[nutrient] / 100
    was = headers["rate"][1]
    per_ha = was.unit.endswith("/ha")
    for role in ("rate", "planned"):
        if role not in headers or (headers[role][1].nutrient and role == "planned"):
            continue
        i, header = headers[role]
        factor, unit = share, header.unit
        if header.unit in VOLUME_UNITS:
            factor, unit = share * heavy[0] * VOLUME_UNITS[header.unit], "kg/ha" if per_ha else "lb/ac"
        frame[role] = (frame[role] * factor).round(9)
        headers[role] = i, replace(header, unit=unit, nutrient=nutrient)
    mass = headers["rate"][1].unit.split("/")[0]
    if heavy is None:
        return [
            f"rates of {product.name} are turned into {nutrient}, {number(100 * share)} % of it; the price "
            f"of the nutrient is per {mass} of {nutrient}: the price per {mass} of product divided by "
            f"{number(share)}"
        ]
    each = was.unit.split("/")[0]
    holds = share * heavy[0] * VOLUME_UNITS[was.unit]
    return [
        f"rates in {was.unit} of {product.name} are turned into {nutrient}: at {number(heavy[0], 4)} "
        f"{heavy[1]}{heavy[2]} 1 {each} holds {number(holds)} {mass} of {nutrient}; the price of the "
        f"nutrient is per {mass} of {nutrient}: the price per {each} of product divided by {number(holds)}"
    ]


def _product(rate, analysis, problems):
    """What the caller or the header says of the product; None, with a problem, where nobody does."""
    stated = {text for text in (analysis, rate.grade) if text}
    contents = _contents(analysis) if analysis is not None else _contents(rate.grade) if rate.grade else {}
    if analysis is not None and not contents:
        problems.append(Problem(
            f"no analysis can be read from '{analysis}'",
            "write it as 28-0-0 (N-P2O5-K2O), or as '46 % P2O5'",
        ))  # fmt: skip
        return None
    if analysis is not None and rate.grade and not _agree(contents, _contents(rate.grade)):
        problems.append(Problem(
            f"the header says {rate.grade}, the analysis given says {analysis}", "leave the wrong one out",
            column=rate.text,
        ))  # fmt: skip
        return None
    if not stated:
        problems.append(_ask_analysis(rate))
        return None
    grade = rate.grade or (plain(analysis) if _GRADE.fullmatch(plain(analysis)) else "")
    lb_gal, source = _gallon(grade or plain(analysis))
    name = " ".join(dict.fromkeys(filter(None, [rate.product, grade or str(analysis)])))
    return Product(name, contents, lb_gal, source)


def _agree(some, all_) -> bool:
    return all(all_.get(nutrient) == pct for nutrient, pct in some.items())


def _contents(text) -> dict:
    """Percent by nutrient of a grade, of ``46 % P2O5`` or of a product of the table; empty if it is none."""
    words = plain(text)
    hit = _GRADE.fullmatch(words)
    if hit:
        found = zip(("N", "P2O5", "K2O", "S"), hit.groups(), strict=True)
        return {n: float(pct) for n, pct in found if pct and float(pct)}
    table = load_table("products")
    row = table[table["material"].str.lower() == words]
    if len(row) == 1 and _GRADE.match(str(row["grade"].iloc[0]).lower()):
        return _contents(str(row["grade"].iloc[0]).lower())
    hit = _PERCENT.fullmatch(words)
    if hit:
        pct, name = (hit[1], hit[2]) if hit[1] else (hit[4], hit[3])
        if name in NUTRIENT_WORDS and 0 < float(pct) <= 100:
            return {NUTRIENT_WORDS[name]: float(pct)}
    return {}


def _gallon(grade):
    """Weight of a gallon of the liquids of the table that have a grade or a name [lb], and its source."""
    table = load_table("products")
    fits = (table["grade"].str.lower() == grade) | (table["material"].str.lower() == grade)
    row = table[fits & table["density_lb_gal"].notna()]
    if row["density_lb_gal"].nunique() != 1:
        return None, ""
    return float(row["density_lb_gal"].iloc[0]), str(row["source_key"].iloc[0]).split(";")[0]


def _nutrient(product, rate, problems) -> str:
    """The nutrient that the rates are reckoned in; '' with a problem where several could be."""
    held = product.contents
    if rate.nutrient in held:
        return rate.nutrient
    if len(held) == 1 and not rate.nutrient:
        return next(iter(held))
    listed = " and ".join(f"{number(pct)} % {n}" for n, pct in held.items())
    if rate.nutrient:
        what = f"rates are of {rate.nutrient} by their header; {product.name} holds {listed}"
    else:
        what = f"{product.name} holds {listed}: the response cannot be told apart between them"
    n, pct = next(iter(held.items()))
    one = f"{number(pct)} % {n}"
    in_code = typed(f'--analysis "{one}"', f"analysis='{one}'") + " to name the nutrient the trial is about"
    problems.append(Problem(what, _SHARE, column=rate.text, in_code=in_code))
    return ""


def _weight(product, rate, density, problems):
    """Mass of a volume: (amount, unit, words on its source); None with a problem where nobody says."""
    metric = rate.unit.endswith("/ha")
    unit = "kg/L" if metric else "lb/gal"
    if density is not None:
        if density > 0:
            return float(density), unit, ""
        problems.append(Problem(f"a density of {density:g}", f"give the weight of a volume in {unit}"))
        return None
    if product.lb_gal is None:
        problems.append(Problem(
            f"rates are volumes of {product.name}; how much a volume weighs is not known",
            _SHARE, column=rate.text,
            in_code=f"{typed('--density', 'density=...')} in {unit}, as the label has it",
        ))  # fmt: skip
        return None
    heavy = product.lb_gal * (LB_KG / US_GALLON_L if metric else 1)
    return heavy, unit, f" (table of products, {product.source})"


def _ask_analysis(rate) -> Problem:
    """Ask what a product holds, with what the table knows of it."""
    volume = rate.unit in VOLUME_UNITS
    table = load_table("products")
    stem = (rate.product or "").lower()
    like = (
        table[table["material"].str.lower().str.contains(rf"\b{re.escape(stem)}\b", regex=True)]
        if stem
        else table[:0]
    )
    known = [
        f"{r.material} is {r.grade}"
        + (f", {r.density_lb_gal:g} lb/gal" if volume and r.density_lb_gal > 0 else "")
        for r in like.itertuples()
    ]
    listed = f" (in the table of products {'; '.join(known[:4])})" if known else ""
    name = rate.product or rate.nutrient or "a product"
    kind = (
        f"volumes of {name}, no unit that is known for a nutrient"
        if volume
        else f"amounts of a product, {name}"
    )
    grade = like["grade"].iloc[0] if len(like) == 1 else "28-0-0"
    option, python = f"--analysis {grade}", f"analysis='{grade}'"
    if volume:
        example = "1.28 (kg/L)" if rate.unit.endswith("/ha") else "10.67 (lb/gal)"
        option += f" and, if it is not in the table, its weight, such as --density {example}"
        python += ", density=..."
    else:
        option += f"; or --analysis {AS_PRODUCT} to leave the rates in amounts of the product"
    return Problem(
        f"the rates are {kind}", f"{_SHARE}{listed}", column=rate.text, in_code=typed(option, python)
    )
