"""Rates and yields that have to be reckoned: sums of two columns, rates of a product, yields from weights."""

import re
from dataclasses import dataclass

from fertkit.errors import FertkitError, typed
from fertkit.intake.spellings import note, plain, problem
from fertkit.intake.strip_headers import RATES, read_header
from fertkit.intake.strip_nutrients import OF
from fertkit.intake.units import AREA_UNITS, LENGTH_M, NUTRIENT_WORDS, PLOT_M2, VOLUME_UNITS, says_none
from fertkit.reference.crops import bushel_lb
from fertkit.reference.load import load_table
from fertkit.results import plain as number
from fertkit.tables import text_of
from fertkit.units import AREA_RATE_KG_HA, LB_KG, US_GALLON_L, convert_area_rate, mass_kg

#: Said for the analysis of a product whose rates are to stay as they are.
AS_PRODUCT = "none"
_GRADE = re.compile(r"(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)(?:-(\d+(?:\.\d+)?)s)?")
_PERCENT = re.compile(r"(\d+(?:\.\d+)?) ?% ?([a-z0-9]+)|([a-z0-9]+) ?[=: ] ?(\d+(?:\.\d+)?) ?%?")


@dataclass(frozen=True)
class _Product:
    """What a product holds: its name for messages, percent by nutrient, weight of a gallon and its source."""

    name: str
    contents: dict
    lb_gal: float | None = None
    source: str = ""

    @property
    def listed(self) -> str:
        return " and ".join(f"{number(pct)} % {n}" for n, pct in self.contents.items())


def none_applied(sheet, headers) -> list[str]:
    """Say which words in the rates were read as 0."""
    columns = [sheet.column(i) for role, (i, _) in headers.items() if role in RATES or role.startswith(OF)]
    words = sorted({text_of(cell) for cells in columns for cell in cells if says_none(cell)})
    return [f"rates written as {' and '.join(map(repr, words))} are read as 0"] if words else []


def add_rates(draft) -> list[str]:
    """Add the further columns of a rate that the caller asked to sum; say so."""
    notes = []
    for role in RATES:
        more = [r for r in draft.headers if r.startswith(f"{role} ") and not r.startswith(OF)]
        if not more:
            continue
        first = draft.header(role)
        texts = [first.text, *map(draft.text, more)]
        for further in more:
            other, cells = draft.headers.pop(further)[1], draft.frame.pop(further)
            if first.nutrient != other.nutrient or not {first.unit, other.unit} <= set(AREA_RATE_KG_HA):
                draft.ask("no sum", other.text, first=first.text, second=other.text)
                continue
            added = convert_area_rate(cells, other.unit, first.unit)
            draft.frame[role] = (draft.frame[role] + added).round(9)
        draft.change(role, text=" + ".join(texts))
        notes.append(f"the {role} is the sum of the columns {' and '.join(map(repr, texts))}")
    return notes


# ---- rates of a product


def settle_product(draft, analysis, density) -> list[str]:
    """Turn the rates of a product into those of its nutrient, in place; say how, and what the price is for.

    Parameters
    ----------
    draft : Draft
    analysis : str or None
        What the product holds, as the caller says: 28-0-0, ``46 % P2O5``, a product of the table, or "none".
    density : float or None
        Weight of a gallon [lb], or of a litre where rates are litres per hectare [kg].
    """
    if "rate" not in draft.headers:
        return []
    rate = draft.header("rate")
    volume, as_product = rate.unit in VOLUME_UNITS, analysis is not None and plain(analysis) == AS_PRODUCT
    if rate.nutrient and not volume and not (rate.grade and analysis is not None and not as_product):
        if rate.grade and not as_product:
            draft.ask("nutrient and grade", rate.text, nutrient=rate.nutrient, grade=rate.grade)
        elif analysis is not None and not as_product:
            draft.ask("nutrient and analysis", rate.text, nutrient=rate.nutrient)
        return []
    if not (volume or rate.grade or rate.product or analysis is not None):
        return []
    if as_product and not volume:
        name = rate.product or rate.grade or "the product"
        return [note("left as product", unit=rate.unit, name=name, mass=rate.unit.split("/")[0])]
    product = _product(draft, rate, analysis)
    if product is None:
        return []
    nutrient = _nutrient(draft, product, rate)
    heavy = _weight(draft, product, rate, density) if volume else None
    return [] if not nutrient or (volume and heavy is None) else [_converted(draft, product, nutrient, heavy)]


def _converted(draft, product, nutrient, heavy):
    """Put in rates of the nutrient; ``heavy`` is (mass of a volume, its unit, words on its source)."""
    share, was = product.contents[nutrient] / 100, draft.header("rate")
    for role in [role for role in RATES if role in draft.headers]:
        header = draft.header(role)
        if header.nutrient and role == "planned":
            continue
        factor, unit = share, header.unit
        if header.unit in VOLUME_UNITS:
            factor = share * heavy[0] * VOLUME_UNITS[header.unit]
            unit = "kg/ha" if was.unit.endswith("/ha") else "lb/ac"
        draft.frame[role] = (draft.frame[role] * factor).round(9)
        draft.change(role, unit=unit, nutrient=nutrient)
    blanks = {"name": product.name, "nutrient": nutrient, "mass": draft.header("rate").unit.split("/")[0]}
    if heavy is None:
        return note("product converted", percent=number(100 * share), share=number(share), **blanks)
    holds = number(share * heavy[0] * VOLUME_UNITS[was.unit])
    each, weight = was.unit.split("/")[0], number(heavy[0], 4)
    return note(
        "volumes converted",
        was=was.unit,
        each=each,
        weight=weight,
        per=heavy[1],
        source=heavy[2],
        holds=holds,
        **blanks,
    )


def _product(draft, rate, analysis):
    """What the caller or the header says of the product; None, with a problem, where nobody does."""
    stated = analysis if analysis is not None else rate.grade
    contents = _contents(stated)
    if analysis is not None and not contents:
        draft.ask("no analysis", analysis=analysis)
    elif analysis is not None and rate.grade and not contents.items() <= _contents(rate.grade).items():
        draft.ask("two analyses", rate.text, grade=rate.grade, analysis=analysis)
    elif not stated and not rate.grade:
        draft.problems.append(_ask_analysis(rate))
    else:
        grade = rate.grade or (plain(analysis) if _GRADE.fullmatch(plain(analysis)) else "")
        lb_gal, source = _gallon(grade or plain(analysis))
        name = " ".join(dict.fromkeys(filter(None, [rate.product, grade or str(analysis)])))
        return _Product(name, contents, lb_gal, source)
    return None


def _contents(text) -> dict:
    """Percent by nutrient of a grade, of ``46 % P2O5`` or of a product of the table; empty if it is none."""
    words = plain(text)
    hit = _GRADE.fullmatch(words)
    if hit:
        shares = zip(("N", "P2O5", "K2O", "S"), hit.groups(), strict=True)
        return {n: float(pct) for n, pct in shares if pct and float(pct)}
    table = load_table("products")
    row = table[table["material"].str.lower() == words]
    if len(row) == 1 and _GRADE.match(str(row["grade"].iloc[0]).lower()):
        return _contents(str(row["grade"].iloc[0]))
    hit = _PERCENT.fullmatch(words)
    pct, name = ((hit[1], hit[2]) if hit[1] else (hit[4], hit[3])) if hit else (0, "")
    return {NUTRIENT_WORDS[name]: float(pct)} if name in NUTRIENT_WORDS and 0 < float(pct) <= 100 else {}


def _gallon(grade):
    """Weight of a gallon of the liquids of the table that have a grade or a name [lb], and its source."""
    table = load_table("products")
    fits = (table["grade"].str.lower() == grade) | (table["material"].str.lower() == grade)
    row = table[fits & table["density_lb_gal"].notna()]
    if row["density_lb_gal"].nunique() != 1:
        return None, ""
    return float(row["density_lb_gal"].iloc[0]), str(row["source_key"].iloc[0]).split(";")[0]


def _nutrient(draft, product, rate) -> str:
    """The nutrient that the rates are reckoned in; '' with a problem where several could be."""
    contents = product.contents
    if rate.nutrient in contents:
        return rate.nutrient
    if len(contents) == 1 and not rate.nutrient:
        return next(iter(contents))
    one = product.listed.split(" and ")[0]
    in_code = typed(f'--analysis "{one}"', f"analysis='{one}'") + " to name the nutrient under test"
    key = "another nutrient" if rate.nutrient else "two nutrients"
    draft.ask(
        key, rate.text, nutrient=rate.nutrient, name=product.name, listed=product.listed, in_code=in_code
    )
    return ""


def _weight(draft, product, rate, density):
    """Mass of a volume: (amount, unit, words on its source); None with a problem where nobody says."""
    metric = rate.unit.endswith("/ha")
    unit = "kg/L" if metric else "lb/gal"
    if density is not None and density > 0:
        return float(density), unit, ""
    if density is not None:
        draft.ask("no density", density=f"{density:g}", unit=unit)
        return None
    if product.lb_gal is None:
        draft.ask("weight of a volume", rate.text, name=product.name, unit=unit)
        return None
    heavy = product.lb_gal * (LB_KG / US_GALLON_L if metric else 1)
    return heavy, unit, f" (table of products, {product.source})"


def _ask_analysis(rate):
    """Ask what a product holds, with what the table knows of it."""
    volume, table = rate.unit in VOLUME_UNITS, load_table("products")
    stem = (rate.product or "").lower()
    like = table[table["material"].str.lower().str.contains(rf"\b{re.escape(stem)}\b") & bool(stem)]
    weights = [f", {d:g} lb/gal" if volume and d > 0 else "" for d in like["density_lb_gal"]]
    known = [f"{m} is {g}{w}" for m, g, w in zip(like["material"], like["grade"], weights, strict=True)]
    listed = f" (in the table of products {'; '.join(known[:4])})" if known else ""
    grade = like["grade"].iloc[0] if len(like) == 1 else "28-0-0"
    example = "1.28 (kg/L)" if rate.unit.endswith("/ha") else "10.67 (lb/gal)"
    blanks = {"name": rate.product or rate.nutrient or "a product", "listed": listed, "grade": grade}
    if volume:
        return problem("which liquid", column=rate.text, example=example, **blanks)
    return problem("which product", column=rate.text, **blanks)


# ---- yields from weights


def yields_from_weights(draft, crop, unit) -> list[str]:
    """Fill in the yield as harvested from weight and size of the strips; say how.

    Parameters
    ----------
    draft : Draft
        Strips with ``weight`` and either ``area`` or ``width`` and ``length``; gets ``yield``.
    crop : str
        For the weight of a bushel; may be empty.
    unit : str
        Unit of yield that the caller asks for; empty for the usual one.
    """
    if "weight" not in draft.headers:
        return []
    weighed, before = draft.header("weight"), len(draft.problems)
    size = _size(draft)
    # yields are per hectare as the rates are, or as the sizes are
    like = next(role for role in ("rate", "area", "length") if role in draft.headers)
    metric = draft.header(like).unit in ("m", "cm", "m2", "ha") or draft.header(like).unit.endswith("/ha")
    unit = unit or ("t/ha" if metric else "bu/ac")
    pounds = _bushel(draft, crop, weighed) if unit == "bu/ac" or weighed.unit == "bu" else None
    if len(draft.problems) > before or unit not in AREA_UNITS:
        return []
    kg = draft.frame["weight"] * mass_kg(weighed.unit, lb_per_bushel=pounds)
    draft.frame["yield"] = convert_area_rate(kg / size * 10_000, "kg/ha", unit, lb_per_bushel=pounds)
    draft.headers["yield"] = draft.headers["weight"][0], read_header(weighed.text, "yield")
    draft.change("yield", unit=unit)
    of = "area" if "area" in draft.headers else "length and width"
    bushel = f", a bushel at {pounds:g} lb" if unit == "bu/ac" else ""
    return [f"yields in {unit} are computed from '{weighed.text}' and strip {of}{bushel}"]


def _size(draft):
    """Area of each strip [m2]; a size that is none is a problem."""
    roles = ["area"] if "area" in draft.headers else ["length", "width"]
    for role in roles:
        gap = ~(draft.frame[role] > 0) & draft.frame["weight"].notna()
        draft.complain(gap & ~draft.has_problem(role), role, "weight without size", role=role)
    if roles == ["area"]:
        return draft.frame["area"] * PLOT_M2[draft.header("area").unit]
    length, width = (draft.frame[role] * LENGTH_M[draft.header(role).unit] for role in roles)
    return length * width


def _bushel(draft, crop, weighed):
    if not crop:
        draft.ask("bushels without crop", weighed.text)
        return None
    try:
        return bushel_lb(crop)
    except FertkitError as error:
        draft.ask("no bushel", weighed.text, what=error.plain)
        return None
