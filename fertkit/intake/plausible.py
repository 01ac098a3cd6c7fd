"""Tell missing units from all results together, and ask about results, yields and rates that cannot be.

The windows of leaves are adjustable proposals kept in ``reference/nutrients.csv`` and ``tissue/sanity.csv``,
the limits of strips in ``yields.csv`` and ``trial_limits.csv``; they decide what is asked about, never what a
result is.
"""

from functools import cache

import numpy as np
import pandas as pd

from fertkit.errors import Problem
from fertkit.intake.labels import analysis_labels
from fertkit.intake.spellings import plain, problem, spellings
from fertkit.reference.crops import load_crops
from fertkit.reference.facts import load_facts
from fertkit.reference.load import load_table
from fertkit.reference.nutrients import load_nutrients
from fertkit.reference.plausible_yields import plausible_yield
from fertkit.results import checks_frame
from fertkit.results import plain as number
from fertkit.rounding import above, at_least, at_most, below
from fertkit.units import (
    AREA_RATE_KG_HA,
    USUAL_CONCENTRATIONS,
    at_moisture,
    convert_area_rate,
    convert_concentration,
)

MACROS = ("N", "P", "K", "Ca", "Mg", "S")
EVEN_FROM = 5  # samples from which one and the same result in all of them is asked about
CLEAR, RIVAL, FEWEST = 0.9, 0.5, 2  # share inside the window that settles a unit, that spoils it; nutrients


@cache
def _windows() -> dict[str, tuple[str, float, float]]:
    return {r.nutrient: (r.unit, r.low, r.high) for r in load_nutrients().itertuples()}


@cache
def _ends() -> dict[str, tuple[float, float]]:
    """Below and above what no dry matter holds [home unit]."""
    return {r.nutrient: (r.impossible_below, r.impossible_above) for r in load_nutrients().itertuples()}


def home_unit(nutrient: str) -> str:
    """Return the unit fertkit states a nutrient in: % for macronutrients, Cl and Na, mg/kg for the others."""
    return _windows()[nutrient][0] if nutrient in _windows() else "mg/kg"


def share_plausible(values, nutrient: str, unit: str) -> float:
    """Return the share of the values inside the nutrient's window if they were in `unit`."""
    home, low, high = _windows()[nutrient]
    values = convert_concentration(np.asarray(values, float), unit, home)
    return float(np.mean(at_least(values, low) & at_most(values, high)))


def infer_units(unstated: dict, stated: dict) -> tuple[dict, dict]:
    """Tell the unit of nutrients whose header states none.

    Macronutrients are judged together and so are the others; if some of a group are stated in one unit, the
    rest must be plausible in that unit.

    Parameters
    ----------
    unstated : dict of nutrient -> array
        Values without unit.
    stated : dict of nutrient -> str
        Units of the other nutrients.

    Returns
    -------
    units : dict of nutrient -> unit
        Those that could be told.
    why : dict of nutrient -> str
        How, or why they could not be told.
    """
    units, why = {}, {}
    for group, fewest in ((True, FEWEST), (False, 1)):
        values = {n: v for n, v in unstated.items() if (home_unit(n) == "%") == group and len(v)}
        if not values:
            continue
        unit, reason = _group_unit(
            values, {u for n, u in stated.items() if (home_unit(n) == "%") == group}, fewest
        )
        why |= dict.fromkeys(values, reason)
        units |= dict.fromkeys(values, unit) if unit else {}
    empty = {n: v for n, v in unstated.items() if not len(v)}
    return units | {n: home_unit(n) for n in empty}, why | dict.fromkeys(empty, "no value")


def _group_unit(values, stated, fewest):
    # Every nutrient has one vote, however many samples, so that one long column cannot decide alone.
    units = dict.fromkeys((*USUAL_CONCENTRATIONS, *sorted(stated)))
    share = {u: float(np.mean([share_plausible(v, n, u) for n, v in values.items()])) for u in units}
    if len(stated) == 1:
        unit = next(iter(stated))
        if at_least(share[unit], CLEAR):
            return unit, f"like the other nutrients of the file, which are stated in {unit}"
        return "", f"the other nutrients are stated in {unit}, but these values would be implausible in it"
    if len(values) < fewest:
        return "", "one nutrient alone does not tell its unit"
    best, second = sorted(share, key=share.get, reverse=True)[:2]
    if at_least(share[best], CLEAR) and at_most(share[second], RIVAL):
        why = f"{share[best]:.0%} of the {', '.join(values)} values are plausible in {best}"
        return best, f"{why}, {share[second]:.0%} in {second}"
    return "", f"the values are as plausible in {best} as in {second}"


def impossible(nutrient: str, values, unit: str):
    """Mark values above what any plant dry matter can hold."""
    return convert_concentration(np.asarray(values, float), unit, home_unit(nutrient)) > _ends()[nutrient][1]


def too_low(nutrient: str, values, unit: str):
    """Mark values below what any plant dry matter holds, but for 0, which stands for not detected."""
    values = convert_concentration(np.asarray(values, float), unit, home_unit(nutrient))
    return (values > 0) & below(values, _ends()[nutrient][0])


def _look_like_fractions(values: dict) -> bool:
    as_read = np.mean([share_plausible(v, n, "%") for n, v in values.items()])
    times_100 = np.mean([share_plausible(np.asarray(v) * 100, n, "%") for n, v in values.items()])
    return at_most(as_read, 1 - CLEAR) and at_least(times_100, CLEAR)


def unusual(nutrient: str, value: float) -> bool:
    """Tell whether a result [home unit] lies outside the plausible window of its nutrient."""
    _, low, high = _windows().get(nutrient, ("", value, value))
    return value < low or value > high


def no_leaf(results) -> Problem | None:
    """Return a problem if every macronutrient is far below what a plant holds, as in a soil report.

    `results` have nutrient, value [home unit] and censored.
    """
    macros = [r for r in results if r.nutrient in MACROS and r.value > 0 and not r.censored]
    names = dict.fromkeys(r.nutrient for r in macros)
    if len(names) < FEWEST or any(r.value >= _windows()[r.nutrient][1] for r in macros):
        return None
    return problem("no leaf", nutrients=", ".join(names))


def mislabelled(values: dict, units: dict) -> Problem | None:
    """Return a problem if all stated macronutrients fit another unit and not the stated one; else None."""
    macros = [n for n in MACROS if len(values.get(n, ()))]
    for stated in dict.fromkeys(units[n] for n in macros):
        group = [n for n in macros if units[n] == stated]
        if stated == "%" and len(group) >= FEWEST and _look_like_fractions({n: values[n] for n in group}):
            return problem("fractions as percent", nutrients=", ".join(group))
        if len(group) < 3:
            continue
        tried = dict.fromkeys((*USUAL_CONCENTRATIONS, stated))
        share = {u: np.mean([share_plausible(values[n], n, u) for n in group]) for u in tried}
        best = max(share, key=share.get)
        if at_most(share[stated], 1 - CLEAR) and at_least(share[best], CLEAR):
            return problem("wrong unit", nutrients=", ".join(group), stated=stated, best=best)
    return None


def sanity_checks(table: pd.DataFrame) -> pd.DataFrame:
    """Return checks after reading (sum of macronutrients, N:S, N:P, soil on the leaf, copied lines).

    Parameters
    ----------
    table : DataFrame
        specimen, sample_id, nutrient, value, censored; values in home units.
    """
    measured = table[(table["censored"] == "") & table["value"].notna()]
    grid = measured.pivot_table(index="specimen", columns="nutrient", values="value", aggfunc="first")
    ids = analysis_labels(measured)
    limits = load_facts("sanity", ("low", "high")).set_index("check")
    rows = []
    for name, series in _sanity_values(grid).items():
        low, high = limits.loc[name, "low"], limits.loc[name, "high"]
        out = series[(series < low) | (series > high)]
        limit = f"{low:g} to {high:g}"
        rows += [
            (f"{name} in {ids[i]}", v, limit, False, limits.loc[name, "meaning"]) for i, v in out.items()
        ]
        if len(series) and not len(out):
            rows.append((f"{name} in all samples", series.median(), limit, True, "within the usual"))
    return checks_frame(rows + _soil_checks(grid, ids, limits) + _copy_checks(grid, ids))


def _sanity_values(grid):
    macros = [n for n in MACROS if n in grid]
    values = {}
    if len(macros) == len(MACROS):
        values["sum of N P K Ca Mg S"] = grid[macros].sum(axis=1, skipna=False).dropna()
    for top, under in (("N", "S"), ("N", "P")):
        if {top, under} <= set(grid):
            values[f"{top}:{under}"] = (grid[top] / grid[under].where(grid[under] > 0)).dropna()
    return values


def _soil_checks(grid, ids, limits):
    if not {"Fe", "Al"} <= set(grid):
        return []
    iron, aluminium = limits.loc["Fe with soil", "high"], limits.loc["Al with soil", "high"]
    dirty = grid[(grid["Fe"] > iron) & (grid["Al"] > aluminium)]
    limit = f"Fe {iron:g} with Al {aluminium:g} mg/kg"
    meaning = limits.loc["Fe with soil", "meaning"]
    return [(f"Fe with Al in {ids[i]}", v, limit, False, meaning) for i, v in dirty["Fe"].items()]


def _copy_checks(grid, ids):
    even = [n for n in grid if grid[n].count() >= EVEN_FROM and grid[n].min() == grid[n].max()]
    copied = "is the same in every sample: copied, filled or rounded?"
    rows = [
        (f"{n} in all samples", grid[n].dropna().iloc[0], "differs", False, f"{n} {copied}") for n in even
    ]
    if grid.shape[1] < 4:
        return rows
    copies = grid[grid.duplicated(keep="first") & (grid.notna().sum(axis=1) >= 4)]
    equal = "equals another sample's: copied or filled?"
    return rows + [
        (f"results of {ids[i]}", np.nan, "differ", False, f"every result of {ids[i]} {equal}")
        for i in copies.index
    ]


# ---- yields and rates of strips


def ask_whether_real(draft, crop, standard, real_yields) -> None:
    """Tell of every yield and rate that cannot be, or that looks like a lost strip or a slip of the unit.

    Parameters
    ----------
    draft : Draft
        Strips with their yields.
    crop : str
        "" where it is not known; then the highest yield of all crops is the limit.
    standard : float or None
        Moisture to which the yields are brought [% wet basis].
    real_yields : bool
        The user says that zeros and very low yields were measured.
    """
    harvest = draft.header("yield")
    if harvest.unit == "bu/ac" and crop and not load_crops().set_index("crop")["bushel_lb"].get(crop, 1) > 0:
        draft.ask("not by the bushel", harvest.text, crop=crop)
    elif harvest.unit in ("bu/ac", *AREA_RATE_KG_HA):
        _ask_about_yields(draft, harvest, crop, standard, real_yields)
    for role in ("rate", "planned"):
        if role in draft.frame and draft.header(role).unit in AREA_RATE_KG_HA:
            _ask_about_rates(draft, role)


def could_be(role, header, value) -> bool:
    """Tell whether a column of strips can hold a value at all, whatever the crop."""
    if role in ("moisture", "stated"):
        return value < 100
    if role == "yield" and header.unit in ("bu/ac", *AREA_RATE_KG_HA):
        return value <= max(_bounds_of(header, ""))
    return True


def _ask_about_yields(draft, header, crop, standard, real_yields):
    yields, unit = draft.frame["yield"], header.unit
    at_trade = yields
    if standard is not None and "moisture" in draft.frame and not header.dry:
        at_trade = at_moisture(yields, draft.frame["moisture"].fillna(standard), standard)
    highest, whose = max(_bounds_of(header, crop)), f"{crop} yield" if crop else "yield of any crop"
    too_high = above(at_trade, highest)
    key = "yield too high" if unit == "bu/ac" else "mass too high"
    draft.complain(too_high, "yield", key, yields, whose=whose, highest=number(highest), unit=unit)
    if real_yields:
        return
    kept = yields[np.isfinite(yields) & (yields > 0) & ~too_high]
    middle = float(kept.median()) if len(kept) else np.nan
    limits = {item: _limits().loc[("yield", item)] / 100 for item in ("low column", "low strip")}
    if middle < limits["low column"] * (highest if crop else min(_bounds("", None, unit))):
        draft.ask("yields far too low", header.text, middle=number(middle), unit=unit)
        return
    draft.complain((yields == 0).to_numpy(), "yield", "yield of 0", yields)
    little = (yields > 0) & (yields < limits["low strip"] * middle)
    draft.complain(little, "yield", "yield too low", yields, middle=number(middle), unit=unit)
    _ask_about_tonnes(draft, kept, crop, unit)


def _ask_about_tonnes(draft, yields, crop, unit):
    """Ask about a trial whose mean is far below that of the others, and like theirs if it was t/ha."""
    means = yields.groupby(draft.place).mean()
    low = means < _limits().loc[("yield", "low trial")] / 100 * means.median()
    theirs, near = means[~low], _limits().loc[("yield", "like others")] / 100
    for place, mean in means[low].items():
        as_tonnes = _from_tonnes(mean, crop, unit)
        alike = as_tonnes[(as_tonnes > near * theirs.min()) & (as_tonnes < theirs.max() / near)]
        if not len(alike):
            continue
        words = {"trial": place.replace("\t", " "), "mean": number(mean), "converted": number(alike[0])}
        span = " to ".join(dict.fromkeys(map(number, (theirs.min(), theirs.max()))))
        draft.complain(draft.place == place, "yield", "trial in tonnes", unit=unit, theirs=span, **words)


def _from_tonnes(mean, crop, unit):
    """A yield in t/ha in the unit of the file; by the bushel of every crop where the crop is not known."""
    weights = load_crops().set_index("crop")["bushel_lb"]
    weights = weights.loc[[crop]] if crop in weights.index else weights[weights > 0]
    bushels = weights.unique() if unit == "bu/ac" else [None]
    return np.array([convert_area_rate(mean, "t/ha", unit, lb_per_bushel=weight) for weight in bushels])


def _ask_about_rates(draft, role):
    rates, header, limits = draft.frame[role], draft.header(role), _limits()
    item = header.nutrient if ("rate", header.nutrient) in limits.index else "any product"
    most = convert_area_rate(limits.loc[("rate", item)], "lb/ac", header.unit)
    blanks = {"item": item, "most": number(most), "unit": header.unit}
    draft.complain(above(rates, most), role, "rate too high", rates, **blanks)
    top = rates[np.isfinite(rates)].max()
    tiny = (rates > 0) & (rates < limits.loc[("rate", "low rate")] / 100 * top)
    draft.complain(tiny, role, "rate too low", rates, top=number(top), unit=header.unit)


def _bounds_of(header, crop) -> tuple[float, ...]:
    """Highest yields of the crop [unit of the header], of the harvested part that the header names."""
    words = set(plain(header.text).replace("(", " ").replace("_", " ").split())
    part = next((name for word, name in spellings("harvest part").items() if word in words), None)
    return _bounds(crop, part, header.unit)


@cache
def _bounds(crop, part, unit) -> tuple[float, ...]:
    """Highest yields [unit] of the parts that may be meant; straw and silage only where they are named."""
    table = load_table("yields")
    table = table[table["measure"].eq("highest")]
    parts = table[["crop", "harvested_part"]].drop_duplicates()
    fodder = ("silage", "straw", "stover")
    parts = parts[parts["harvested_part"].eq(part) if part else ~parts["harvested_part"].isin(fodder)]
    own = parts[parts["crop"].eq(plausible_yield(crop).crop)] if crop else parts
    parts = own if len(own) else parts
    traded = load_crops().set_index("crop")["bushel_lb"]
    highest = [
        plausible_yield(*row).highest_in(unit)
        for row in parts.itertuples(index=False)
        if unit != "bu/ac" or traded[row.crop] > 0
    ]
    return tuple(highest) or _bounds(
        crop if part else "", None, unit
    )  # silage by the bushel: a unit of grain


@cache
def _limits():
    """Limits of plausible strips: (yield or rate, item) -> value [% or lb/ac]."""
    table = load_table("trial_limits")
    table = table[table["group"].isin(("yield", "rate"))]
    return table.set_index(["group", "item"])["value"]
