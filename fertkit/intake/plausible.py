"""Tell missing units from all nutrients together, and check that results can be leaf dry matter at all.

The windows are adjustable proposals kept in ``reference/tissue/windows.csv`` and ``sanity.csv``; they decide
what is asked about, never what a result is.
"""

from functools import cache

import numpy as np
import pandas as pd

from fertkit.errors import Problem, typed
from fertkit.intake.labels import analysis_labels
from fertkit.reference.facts import load_facts
from fertkit.results import checks_frame
from fertkit.rounding import at_least, at_most
from fertkit.units import CONCENTRATION_PCT, convert_concentration

MACROS = ("N", "P", "K", "Ca", "Mg", "S")
EVEN_FROM = 5  # samples from which one and the same result in all of them is asked about
CLEAR, RIVAL, FEWEST = 0.9, 0.5, 2  # share inside the window that settles a unit, that spoils it; nutrients


@cache
def _windows() -> dict[str, tuple[str, float, float, float]]:
    table = load_facts("windows", ("low", "high", "impossible_above"))
    return {r.nutrient: (r.unit, r.low, r.high, r.impossible_above) for r in table.itertuples()}


def home_unit(nutrient: str) -> str:
    """Unit fertkit states a nutrient in: % for macronutrients, Cl and Na, mg/kg for the others."""
    return _windows()[nutrient][0] if nutrient in _windows() else "mg/kg"


def share_plausible(values, nutrient: str, unit: str) -> float:
    """Share of the values inside the nutrient's window if they were in `unit`."""
    home, low, high, _ = _windows()[nutrient]
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
    share = {
        u: float(np.mean([share_plausible(v, n, u) for n, v in values.items()])) for u in CONCENTRATION_PCT
    }
    if len(stated) == 1:
        unit = next(iter(stated))
        if at_least(share[unit], CLEAR):
            return unit, f"like the other nutrients of the file, which are stated in {unit}"
        return "", f"the other nutrients are stated in {unit}, but these values would be implausible in it"
    if len(values) < fewest:
        return "", "one nutrient alone does not tell its unit"
    best, second = sorted(share, key=share.get, reverse=True)[:2]
    if at_least(share[best], CLEAR) and at_most(share[second], RIVAL):
        told = f"{share[best]:.0%} of the {', '.join(values)} values are plausible in {best}"
        return best, f"{told}, {share[second]:.0%} in {second}"
    return "", f"the values are as plausible in {best} as in {second}"


def impossible(nutrient: str, values, unit: str):
    """Mark values no plant dry matter can hold."""
    home, _, _, most = _windows()[nutrient]
    return convert_concentration(np.asarray(values, float), unit, home) > most


def _look_like_fractions(values: dict) -> bool:
    as_read = np.mean([share_plausible(v, n, "%") for n, v in values.items()])
    times_100 = np.mean([share_plausible(np.asarray(v) * 100, n, "%") for n, v in values.items()])
    return at_most(as_read, 1 - CLEAR) and at_least(times_100, CLEAR)


def unusual(tidy: pd.DataFrame) -> pd.Series:
    """Mark results (nutrient, value in home units) outside the plausible window of their nutrient."""
    window = pd.DataFrame(_windows(), index=["unit", "low", "high", "most"]).T
    low, high = (tidy["nutrient"].map(window[end].astype(float)) for end in ("low", "high"))
    return (tidy["value"] < low) | (tidy["value"] > high)


def mislabelled(values: dict, units: dict) -> Problem | None:
    """A problem if all stated macronutrients fit another unit and not the stated one; else None."""
    macros = [n for n in MACROS if len(values.get(n, ()))]
    for stated in {units[n] for n in macros}:
        group = [n for n in macros if units[n] == stated]
        if stated == "%" and len(group) >= FEWEST and _look_like_fractions({n: values[n] for n in group}):
            return Problem(
                f"{', '.join(group)} are labelled % but look like fractions of one",
                "a spreadsheet's percent format hides a factor of 100: show the cells as plain numbers in %",
            )
        if len(group) < 3:
            continue
        share = {u: np.mean([share_plausible(values[n], n, u) for n in group]) for u in CONCENTRATION_PCT}
        best = max(share, key=share.get)
        if at_most(share[stated], 1 - CLEAR) and at_least(share[best], CLEAR):
            return Problem(
                f"{', '.join(group)} are labelled {stated} but hardly any value is plausible in it",
                f"they look like {best}: correct the headers",
                in_code=typed(f"--units {best}", f"units='{best}'"),
            )
    return None


def sanity_checks(table: pd.DataFrame) -> pd.DataFrame:
    """Checks after reading (sum of macronutrients, N:S, N:P, soil on the leaf, copied lines).

    Parameters
    ----------
    table : DataFrame
        specimen, sample_id, nutrient, value, censored; values in home units.
    """
    plain = table[(table["censored"] == "") & table["value"].notna()]
    grid = plain.pivot_table(index="specimen", columns="nutrient", values="value", aggfunc="first")
    ids = analysis_labels(plain)
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
    held = [n for n in MACROS if n in grid]
    found = {}
    if len(held) == len(MACROS):
        found["sum of N P K Ca Mg S"] = grid[held].sum(axis=1, skipna=False).dropna()
    for top, under in (("N", "S"), ("N", "P")):
        if {top, under} <= set(grid):
            found[f"{top}:{under}"] = (grid[top] / grid[under].where(grid[under] > 0)).dropna()
    return found


def _soil_checks(grid, ids, limits):
    if not {"Fe", "Al"} <= set(grid):
        return []
    iron, aluminium = limits.loc["Fe with soil", "high"], limits.loc["Al with soil", "high"]
    dirty = grid[(grid["Fe"] > iron) & (grid["Al"] > aluminium)]
    limit = f"Fe {iron:g} with Al {aluminium:g} mg/kg"
    meaning = limits.loc["Fe with soil", "meaning"]
    return [(f"Fe with Al in {ids[i]}", v, limit, False, meaning) for i, v in dirty["Fe"].items()]


def _copy_checks(grid, ids):
    meaning = "every sample has the same result: copied, filled or rounded?"
    even = [n for n in grid if grid[n].count() >= EVEN_FROM and grid[n].min() == grid[n].max()]
    rows = [(f"{n} in all samples", grid[n].dropna().iloc[0], "differs", False, meaning) for n in even]
    if grid.shape[1] < 4:
        return rows
    copies = grid[grid.duplicated(keep="first") & (grid.notna().sum(axis=1) >= 4)]
    meaning = "every result equals another sample's: copied or filled?"
    return rows + [(f"results of {ids[i]}", np.nan, "differ", False, meaning) for i in copies.index]
