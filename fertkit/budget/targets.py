"""How much of each nutrient every field is to get, by the policy asked for, with all systems beside it."""

from dataclasses import dataclass
from functools import cache, partial

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_list, a_table, asks, either
from fertkit.budget.own import checked_own
from fertkit.budget.policy import (
    Policy,
    caps_of,
    checked_credits,
    checked_trials,
    credited,
    policies,
    word_of,
)
from fertkit.budget.shortfall import corners
from fertkit.budget.system_answers import NO_TEST, is_carried, levels_by_row, removal_of, system_answers
from fertkit.budget.thresholds import OXIDE
from fertkit.errors import InputError
from fertkit.reference.crops import base_crop, is_known, leaf_crop, nitrogen_note
from fertkit.reference.load import list_sources
from fertkit.reference.nutrients import OF_PRODUCTS
from fertkit.reference.regions import region_chain
from fertkit.results import Result
from fertkit.units import ACRE_HA, convert_area_rate

#: Nutrients planned where nothing else is asked for.
USUAL = ("N", "P2O5", "K2O")
#: What tells one row of the fields from another.
PLACE = ["field", "zone", "year"]
ABOUT = ["at", "field", "zone", "year", "crop", "area_ac", "yield_goal", "yield_unit"]
TABLE = [*ABOUT, "nutrient", "policy", "system", "rate_lb_ac", "gross_lb_ac", "credit_lb_ac", "low_lb_ac",
         "high_lb_ac", "cap_lb_ac", "removal_lb_ac", "soil_class", "test", "test_unit", "extractant",
         "zone_of_system", "equation", "source_key", "provenance", "why"]  # fmt: skip
SYSTEMS = ["at", "nutrient", "system", "title", "status", "policy", "region", "at_home", "rate_lb_ac",
           "soil_class", "zone_of_system", "critical", "limit", "test", "test_unit", "extractant", "depth_in",
           "years", "coefficients", "equation", "why_not", "reason", "need", "given", "source_key",
           "provenance", "note", "chosen"]  # fmt: skip

CREDITS = ["nutrient", "kind", "low_lb_ac", "high_lb_ac", "credit_lb_ac", "taken_lb_ac", "total_lb_ac",
           "why_not", "source_key", "provenance", "note"]  # fmt: skip
NUMBERS = ("test", "critical", "limit", "depth_in", "years", "low_lb_ac", "high_lb_ac", "cap_lb_ac")
WORDS = ("soil_class", "test_unit", "extractant", "zone_of_system", "equation", "coefficients", "status",
         "reason", "need", "given")  # fmt: skip


@dataclass(frozen=True)
class Targets(Result):
    """Rates of nutrients for every field, each with its policy, equation and source.

    Attributes
    ----------
    table : DataFrame
        One row a field (zone, year) and nutrient: `TABLE`. rate_lb_ac is gross_lb_ac (the system's, removal,
        an own optimum or a fixed rate) less credit_lb_ac, no more than cap_lb_ac; low_lb_ac and high_lb_ac
        are the interval of an own optimum, else the span of the current systems that answer; removal_lb_ac
        is what leaves with the harvest. `why`: "system", "first of several" (systems that fit), "asked",
        "own trial", "legume"; or why removal stands in: "no test", "no system" (none answers the tests there
        are), "elsewhere" (only systems of other regions or kinds do), "no trial" (then a system or removal).
    systems : DataFrame
        Every system that carries a crop and nutrient, beside the others: `SYSTEMS`; why_not where it gives no
        rate, chosen where it is the one of the table. reason: why it does not decide ("no test", "method",
        "depth" or "unit" of the test, "field": something of it is not stated, "classes" alone; where none
        decides also "region", "superseded" and "policy"); need and given: what it takes, what there is.
    credits : DataFrame
        field, zone, year, nutrient, kind, low_lb_ac, high_lb_ac, credit_lb_ac (the middle), taken_lb_ac
        (never more than the rate), total_lb_ac (all that is brought, also of later years), why_not,
        source_key, provenance, note.
    left_out : DataFrame
        field, zone, year, crop, nutrient, why: what has no rate; `systems` holds the reasons.
    removal : DataFrame
        field, zone, year, crop, nutrient, uptake, removed, residue (of it with baled straw or stover)
        [lb/ac], removed_source, provenance: whatever the policy.
    value : DataFrame
        field, nutrient, crop, rate_lb_ac, gain_per_ac: own response curves, concave; empty without any.
    """

    table: pd.DataFrame
    systems: pd.DataFrame
    credits: pd.DataFrame
    left_out: pd.DataFrame
    removal: pd.DataFrame
    value: pd.DataFrame

    @property
    def sources(self) -> pd.DataFrame:
        keys = ";".join([*self.table["source_key"], *self.credits["source_key"]]).split(";")
        return list_sources(key for key in keys if not key.startswith("own "))


@asks(policy=either(a_table, a_dict), caps=either(a_table, a_dict), source=a_list, without=a_list)
def nutrient_targets(
    fields: pd.DataFrame,
    levels: pd.DataFrame | None = None,
    *,
    policy=None,
    credits: pd.DataFrame | None = None,
    trials: pd.DataFrame | None = None,
    caps=None,
    region: str | None = None,
    own=None,
    source=None,
    without=None,
    unit: str = "lb/ac",
) -> Targets:
    """Work out the rate of each nutrient for every field by the policy asked for.

    Parameters
    ----------
    fields : DataFrame
        As `read_fields` gives them: field, crop, area [ac] or area_ac, yield_goal, yield_unit, pounds, baled,
        residue, part; optional zone, year, previous_crop and cases (of the systems, joined by ``;``).
    levels : DataFrame, optional
        Soil tests, one row a field, zone, analyte and extractant: value, unit, depth_in; optional method.
    policy : dict or DataFrame, optional
        Nutrient -> "sufficiency", "build" ("build 6" for six years), "removal", "trial", "none", a rate
        [`unit`] or the name of a system; a table has a column for each nutrient and rows by field, zone, year
        or crop. What is not named follows a current system of the region that answers the field's test; P and
        K else follow removal, and the answer says so.
    credits : DataFrame, optional
        field ("" for all), nutrient, kind (manure, earlier manure, legume, soil nitrate, water nitrate,
        starter), low_lb_ac, high_lb_ac; optional zone, year, source_key, provenance, note.
    trials : DataFrame, optional
        Own optimum rates: field ("" for all), nutrient, rate, low, high [`unit`]; optional crop, curve
        (pairs of rate [`unit`] and gain an acre, or a hectare with kg/ha).
    caps : dict or DataFrame, optional
        Highest rates [`unit`], shaped as `policy`.
    region : str, optional
        Where the fields are: a state or a region.
    own, source, without
        As for `farm_budget`, for removal; own systems of rates too.
    unit : {'lb/ac', 'kg/ha'}
        Of the rates given; the result is in lb/ac.

    Raises
    ------
    InputError
        With every problem of the policies, caps, credits and trials.

    Notes
    -----
    A credit is taken off at the middle of its span. Nitrogen of a legume is nothing unless the field or crop
    is named; nitrogen of other crops is never removal unless asked for.

    Examples
    --------
    Corn of 180 bu/ac on 12 ppm of Mehlich-3 phosphorus: (20 - 12) x 20 / 4 + 63 = 103 lb of P2O5 (TRI2020):

    >>> import pandas as pd
    >>> from fertkit.budget.fields import read_fields
    >>> from fertkit.budget.targets import nutrient_targets
    >>> field = {"field": ["A"], "crop": ["corn"], "area_ac": [80.0], "yield_goal_bu_ac": [180.0]}
    >>> test = {"field": ["A"], "analyte": ["P"], "extractant": ["Mehlich-3"], "value": [12.0]}
    >>> levels = pd.DataFrame(test | {"unit": ["ppm"], "depth_in": [8.0]})
    >>> table = nutrient_targets(read_fields(pd.DataFrame(field))[0], levels, region="Ohio").table
    >>> table.set_index("nutrient").loc["P2O5", "equation"]
    '(20 - 12) x 20 / 4 + 63.0 = 103.0'
    """
    rows, own = _about(fields), checked_own(own)
    region_chain(region or "world")  # refuses a region that is not known
    problems, per = [], convert_area_rate(1.0, unit, "lb/ac")
    asked = _collect(problems, partial(policies, own=own, per=per), policy, rows)
    limits = _collect(problems, partial(caps_of, per=per), caps, rows)
    given = _collect(problems, checked_credits, credits, rows)
    optimum = _collect(problems, partial(checked_trials, per=per), trials, rows)
    if problems:
        raise InputError("tables of the season plan", problems)
    tests = levels_by_row(levels, rows)
    wanted = [
        n
        for n in OF_PRODUCTS
        if n in USUAL or any(n in one for one in asked) or is_carried(n, tests, rows, own)
    ]
    removal = removal_of(rows, wanted, region, {"source": source, "without": without, "own": own})
    systems = system_answers(rows, wanted, asked, tests, removal, region, own, unit)
    answers: dict[tuple, list] = {}
    for record in systems:
        answers.setdefault((record["at"], record["nutrient"]), []).append(record)
    picks, left = [], []
    for i, row in enumerate(rows.to_dict("records")):
        for n in wanted:
            about = (answers.get((i, n), []), removal[n][i], optimum.get((i, n)), region)
            pick = _pick(row, n, asked[i].get(n, Policy()), *about)
            if pick:
                (left if "left" in pick else picks).append({"at": i, "nutrient": n} | pick)
    taken = credited(picks, rows, given, region, limits)
    area = 1.0 if unit == "lb/ac" else ACRE_HA
    return _gathered(rows, picks, left, systems, taken, removal, _value(rows, optimum, per, area))


def _collect(problems, read, given, rows):
    """What a reader makes of a part of the request; its problems are gathered."""
    try:
        return read(given, rows)
    except InputError as error:
        problems += error.problems
        return None


def _about(fields) -> pd.DataFrame:
    """The fields under the names of the table, with what a system may ask of a field."""
    rows = fields.reset_index(drop=True)
    blank = pd.Series("", index=rows.index)
    if "area_ac" not in rows:
        rows["area_ac"] = rows["area"]
    for name in ("zone", "year", "previous_crop", "cases"):
        rows[name] = rows.get(name, blank).map(lambda cell: "" if cell is None or cell != cell else cell)
    rows["at"], rows["field"], rows["zone"] = rows.index, *(rows[n].map(word_of) for n in ("field", "zone"))
    rows["previous_crop"] = crops_before(rows)
    crops = rows.groupby(["field", "zone"])["crop"].agg(lambda some: list(dict.fromkeys(some)))
    rows["rotation"] = [
        [crop for crop in crops[field, zone] if crop != own]
        for field, zone, own in rows[["field", "zone", "crop"]].itertuples(index=False)
    ]
    rows["cases"] = [_cases(row) for row in rows.to_dict("records")]
    return rows


def crops_before(rows) -> list[str]:
    """Give the crop before of each row by its name here; unless stated, what grew there a year before.

    A cell that names no known crop stays as it is; '' where nothing is known. Whatever was harvested of it,
    silage corn is corn before.
    """
    grown = {tuple(place): crop for *place, crop in rows[[*PLACE, "crop"]].itertuples(index=False, name=None)}
    before = []
    for row in rows.to_dict("records"):
        stated, year = word_of(row.get("previous_crop", "")), row["year"]
        last = grown.get((row["field"], row["zone"], year - 1), "") if isinstance(year, int) else ""
        before.append((leaf_crop(stated) or stated) if stated else last)
    return before


def _cases(row):
    """Cases of the systems that hold by what the row says of crop, crop before and residue."""
    cases = [case.strip() for case in str(row["cases"]).split(";") if case.strip()]
    if row["crop"] == "corn" and str(row["previous_crop"]) == "corn":
        cases.append("continuous corn")
    if is_known(row["crop"]) and base_crop(row["crop"]) == "wheat" and not row["baled"]:
        cases.append("straw incorporated")
    return list(dict.fromkeys(cases))


# ---- the rate by the policy


def _pick(row, nutrient, policy, answers, removal, trial, region):
    """Rate of one nutrient of one field before credits and caps, or why there is none."""
    fixes_nitrogen = nutrient == "N" and is_legume(row["crop"])
    if fixes_nitrogen and policy.kind in ("removal", "fixed", "trial") and not policy.named:
        policy = Policy()
    kind = policy.kind
    if kind == "none":
        return _base("none", 0.0, "asked")
    if kind == "fixed":
        return _base("fixed", policy.rate_lb_ac, "asked") | {
            "source_key": "own rate",
            "provenance": "own table",
        }
    if kind == "trial" and trial:
        return _base("trial", trial["rate"], "own trial") | {
            "low": trial["low"], "high": trial["high"], "source_key": trial["source_key"],
            "provenance": "own table", "equation": "",
        }  # fmt: skip
    if kind == "removal":
        return _by_removal(removal, "asked")
    chosen, several = _chosen(answers, policy, region)
    if chosen:
        why = "no trial" if kind == "trial" else "first of several" if several else "system"
        return _by_system(chosen, answers, why)
    if fixes_nitrogen:
        return _base("none", 0.0, "legume")
    why = _why_none(answers)
    for answer in answers:
        if np.isfinite(answer["rate_lb_ac"]):
            superseded, away = answer["status"] != "current", not answer["at_home"]
            answer["reason"] = "superseded" if superseded else "region" if away else "policy"
    if nutrient in OXIDE.values():
        return _by_removal(removal, "no trial" if kind == "trial" else why)
    if nutrient not in USUAL and not kind and all(r["why_not"] == NO_TEST for r in answers):
        return {}  # nobody asked for it, and no test of the field speaks of it
    return {"left": why}


@cache
def is_legume(crop: str) -> bool:
    """Whether a crop takes nitrogen from the air, so that its nitrogen is no need."""
    return is_known(crop) and nitrogen_note(crop) != ""


def _why_none(answers):
    """Why no system gives the rate: none carries the crop, no test, none of the region, or another test."""
    if any(np.isfinite(record["rate_lb_ac"]) for record in answers):
        return "elsewhere"
    untested = answers and all(record["why_not"] == NO_TEST for record in answers)
    return "no test" if untested else "no system"


def _base(policy, gross, why):
    blank = dict.fromkeys(("source_key", "provenance", "system", "region"), "")
    return {"policy": policy, "gross": gross, "why": why} | blank


def _by_removal(removal, why):
    if not np.isfinite(removal["removed"]):
        return {"left": "no removal"}
    base = _base("removal", removal["removed"], why)
    return base | {"source_key": removal["removed_source"], "provenance": removal["provenance"]}


def _by_system(chosen, answers, why):
    chosen["chosen"] = True
    current = [r["rate_lb_ac"] for r in answers if r["status"] == "current" and np.isfinite(r["rate_lb_ac"])]
    span = {"low": min(current), "high": max(current)} if len(current) > 1 else {}
    of_system = TABLE[TABLE.index("soil_class") :]
    names = {"policy", "system", "region", "source_key", "provenance", *of_system} & set(chosen)
    return {name: chosen[name] for name in names} | {"gross": chosen["rate_lb_ac"], "why": why} | span


def _chosen(answers, policy, region):
    """The system that a policy takes, and whether others would fit as well."""
    fits = [r for r in answers if np.isfinite(r["rate_lb_ac"])]
    if policy.kind == "system":
        fits = [r for r in fits if r["system"] == policy.system]
    else:
        kinds = (policy.kind,) if policy.kind in ("sufficiency", "build") else ("sufficiency", "build")
        fits = [r for r in fits if r["status"] == "current" and r["policy"] in kinds]
        fits = [r for r in fits if r["at_home"]] if region or not policy.kind else fits
    return (fits[0], len(fits) > 1) if fits else (None, False)


# ---- the answer


def _gathered(rows, picks, left, systems, taken, removal, value):
    about = rows[ABOUT].set_index("at", drop=False)

    def table(records, columns):
        frame = pd.DataFrame(records, columns=["at", *columns])
        return about.drop(columns="at").join(frame.set_index("at"), how="right").reset_index()

    renamed = {"gross": "gross_lb_ac", "credit": "credit_lb_ac", "cap": "cap_lb_ac", "rate": "rate_lb_ac",
               "low": "low_lb_ac", "high": "high_lb_ac"}  # fmt: skip
    for pick in picks:
        pick["removal_lb_ac"] = removal[pick["nutrient"]][pick["at"]]["removed"]
        for short, name in renamed.items():
            pick[name] = pick.pop(short)
    targets = _filled(table(picks, TABLE[len(ABOUT) :]))
    sides = _filled(table(systems, SYSTEMS[1:]))
    sides["chosen"] = sides["chosen"].eq(True)
    credits = table(taken, CREDITS)
    out = table([{**one, "why": one["left"]} for one in left], ["nutrient", "why"])
    leaves = table(
        [{"at": i, "nutrient": n} | one for n, some in removal.items() for i, one in enumerate(some)],
        ["nutrient", "uptake", "removed", "residue", "removed_source", "provenance"],
    )
    return Targets(targets, sides, credits, out, leaves, value)


def _filled(table):
    """Words of a system '' and its numbers NaN where there are none."""
    words = {n: table[n].astype(object).where(table[n].notna(), "") for n in WORDS if n in table}
    return table.assign(**words, **{n: table[n].astype(float) for n in NUMBERS if n in table})


def _value(rows, trials, per, area):
    """Own response curves as points of a concave line: gain an acre over the rate."""
    curves = [
        rows.loc[at, ["field", "zone", "crop"]].to_dict()
        | {"nutrient": nutrient, "rate_lb_ac": rate * per, "gain_per_ac": gain * area}
        for (at, nutrient), trial in trials.items()
        for rate, gain in corners(_points(trial.get("curve")))
    ]
    names = ["field", "zone", "crop", "nutrient", "rate_lb_ac", "gain_per_ac"]
    return pd.DataFrame(curves, columns=names).drop_duplicates(ignore_index=True)


def _points(curve):
    """Pairs of rate and gain, by rate; none where no curve is given."""
    given = curve if isinstance(curve, list | tuple | np.ndarray) else ()
    return sorted((float(x), float(y)) for x, y in given)
