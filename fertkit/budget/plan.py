"""The season plan of a farm: rates, passes and products, supply against demand, and the rotation's ledger."""

from dataclasses import dataclass
from importlib import import_module

import numpy as np
import pandas as pd

from fertkit.asked import (
    a_dict,
    a_file,
    a_list,
    a_saved_file,
    a_table,
    asks,
    either,
    holding,
    numbers_by_name,
    zero_or_more,
)
from fertkit.budget.fields import read_fields
from fertkit.budget.own import checked_own
from fertkit.budget.rotation import RotationLedger, rotation_ledger
from fertkit.budget.targets import PLACE, Targets, nutrient_targets
from fertkit.budget.yields import AREA_UNITS
from fertkit.errors import InputError, Problem
from fertkit.intake.soil import SoilTests, read_soil
from fertkit.reference.load import list_sources, load_table
from fertkit.reference.own import own_tables
from fertkit.results import Result

#: Columns of the fields beside those of every farm table.


@dataclass(frozen=True)
class SeasonPlan(Result):
    """The plan of a season: what goes on each field, in which product and pass, and what is left after.

    Attributes
    ----------
    fields : DataFrame
        As read: field, zone, year, crop, area_ac, yield_goal, yield_unit, ...
    targets : Targets
        Rates of every year of the plan.
    passes : PassPlan or None
        Of the first year; None without a shed.
    ledger : RotationLedger
    season : object
        First year of the plan.
    left_out : DataFrame
        field, zone, year, crop, nutrient, why, detail.
    notes : tuple of str
    cautions : DataFrame
        topic, text, source_key, provenance.
    """

    fields: pd.DataFrame
    targets: Targets
    passes: object
    ledger: RotationLedger
    season: object
    left_out: pd.DataFrame
    notes: tuple
    cautions: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        """One row a field and nutrient of the season, and pass where there is a shed."""
        rates = self.targets.table[self.targets.table["year"] == self.season]
        if self.passes is None:
            return rates.drop(columns="at").reset_index(drop=True)
        return rates.drop(columns="at").merge(self.passes.nutrients, how="left")

    @property
    def applications(self) -> pd.DataFrame:
        """What is driven where: a row a field, pass and product."""
        return pd.DataFrame() if self.passes is None else self.passes.applications

    @property
    def purchases(self) -> pd.DataFrame:
        """What to buy."""
        return pd.DataFrame() if self.passes is None else self.passes.purchases

    @property
    def totals(self) -> pd.DataFrame:
        """Per nutrient of the season: acres, pounds asked for and pounds that leave with the harvest."""
        rows = self.targets.table[self.targets.table["year"] == self.season]
        pounds = rows[["rate_lb_ac", "credit_lb_ac", "removal_lb_ac"]].mul(rows["area_ac"], axis=0)
        pounds.columns = ["rate_lb", "credit_lb", "removal_lb"]
        pounds = pounds.assign(area_ac=rows["area_ac"])
        return pounds.groupby(rows["nutrient"], sort=False).sum().reset_index()

    @property
    def sources(self) -> pd.DataFrame:
        keys = pd.concat(
            [part.sources for part in (self.targets, self.ledger, self.passes) if part is not None]
        )
        return list_sources(keys["source_key"].drop_duplicates())


@asks(
    fields=either(a_table, a_saved_file), soil=either(holding("levels", like="soil tests"), a_file),
    shed=either(holding("products", like="a shed"), a_table), passes=a_table, policy=either(a_table, a_dict),
    credits=a_table, trials=a_table, caps=either(a_table, a_dict), prices=numbers_by_name, source=a_list,
    own=own_tables, spending_limit=zero_or_more,
)  # fmt: skip
def plan_season(
    fields,
    soil=None,
    shed=None,
    *,
    passes=None,
    policy=None,
    credits=None,
    trials=None,
    caps=None,
    spending_limit: float | None = None,
    prices: dict | None = None,
    region: str | None = None,
    source=None,
    own=None,
    **options,
) -> SeasonPlan:
    """Plan a season for all fields of a farm, and keep the books of its rotation.

    Parameters
    ----------
    fields : path or DataFrame
        As for `farm_budget`, one row a field (zone) and year; optional zone, year, previous_crop, cases.
    soil : path, DataFrame or SoilTests, optional
        A laboratory's file; fields without a test get removal only, and the plan says so.
    shed : Shed or DataFrame of products, optional
        Without it the plan ends at rates.
    passes : DataFrame, optional
        Passes of the year, where `shed` holds products alone.
    policy, credits, trials, caps, region, source, own
        As for `nutrient_targets`.
    spending_limit : float, optional
        Most that may be spent on the season.
    prices : dict, optional
        Nutrient -> price [per lb], for the ledger; from the pass plan without.
    **options
        Of `plan_passes`.

    Returns
    -------
    SeasonPlan

    Raises
    ------
    InputError
        With every problem of the files and requests at once.
    NotEstimable
        If no pass plan meets the rates.

    Examples
    --------
    >>> import pandas as pd
    >>> from fertkit.budget.plan import plan_season
    >>> field = {"field": ["A"], "crop": ["soybean"], "area_ac": [80.0], "yield_goal_bu_ac": [60.0]}
    >>> plan = plan_season(pd.DataFrame(field))
    >>> plan.targets.table.set_index("nutrient")["why"].to_dict()
    {'N': 'legume', 'P2O5': 'no test', 'K2O': 'no test'}
    """
    rows, notes, levels = _read(fields, soil, own)
    asked = {"policy": policy, "credits": credits, "trials": trials, "caps": caps}
    targets = nutrient_targets(rows, levels, **asked, region=region, own=own, source=source)
    season = rows["year"].iloc[_first(rows["year"])]
    driven = None
    if shed is not None:
        products, ways = _shed(shed, passes)
        plan_passes = import_module("fertkit.budget.passes").plan_passes
        value = targets.value if len(targets.value) else None
        now = targets.table[targets.table["year"] == season]
        options = {"spending_limit": spending_limit, "value": value} | options
        driven = plan_passes(now, products, ways, **options)
    books = rotation_ledger(
        targets, levels, applied=_applied(driven, season), prices=prices or _prices(driven)
    )
    out = targets.left_out.drop(columns="at")
    return SeasonPlan(rows, targets, driven, books, season, out, notes, _cautions(targets))


def _read(fields, soil, own):
    """Fields, notes and levels of the tests; the problems of both files together."""
    problems, rows, notes, tests = [], None, (), None
    try:
        rows, notes = _read_fields(fields, own)
    except InputError as error:
        problems += error.problems
    names = None if rows is None else sorted(set(rows["field"].astype(str)))
    try:
        tests = soil if soil is None or isinstance(soil, SoilTests) else read_soil(soil, fields=names)
    except InputError as error:
        problems += error.problems
    if problems:
        raise InputError("season plan", problems)
    if tests is None:
        return rows, notes, None
    strange = sorted(set(tests.levels["field"].astype(str)) - set(names))
    more = (f"soil tests of no field of the plan: {', '.join(strange)}",) if strange else ()
    return rows, (*notes, *more, *map(str, tests.notes)), tests.levels


def _read_fields(fields, own):
    rows, area_unit, notes = read_fields(fields, own=checked_own(own))
    rows = rows.assign(area_ac=rows["area"] * AREA_UNITS[area_unit])
    for name in ("zone", "year"):
        rows[name] = rows.get(name, pd.Series("", index=rows.index, dtype=object))
    return _once(rows), notes


def _once(rows):
    """Refuse a field, zone and year given twice."""
    twice = rows[rows.duplicated(PLACE, keep=False)]
    if len(twice):
        what, remedy = "the same field, zone and year twice", "add a column zone or year, or keep one"
        raise InputError(
            "fields", [Problem(what, remedy, i + 2, "field", rows["field"][i]) for i in twice.index]
        )
    if "" in set(rows["year"]) and rows["year"].ne("").any():
        wrong = rows.index[rows["year"] == ""]
        raise InputError(
            "fields", [Problem("no year", "fill in every year, or none", i + 2, "year") for i in wrong]
        )
    return rows


def _first(years):
    """Position of the season to plan: the earliest year, or the first written where years are words."""
    return int(np.argmin(years.to_numpy())) if all(isinstance(year, int) for year in years) else 0


def _shed(shed, passes):
    """Products and passes of a shed."""
    products = getattr(shed, "products", shed)
    ways = getattr(shed, "passes", passes) if passes is None else passes
    if ways is None:
        raise InputError("shed", [Problem("no passes", "give the passes of the year beside the products")])
    return products, ways


def _applied(driven, season):
    """What the passes bring, for the books."""
    if driven is None:
        return None
    return driven.nutrients.rename(columns={"brought_lb_ac": "applied"}).assign(year=season)


def _prices(driven):
    """What one more pound of each nutrient costs in the passes planned; the middle of the fields."""
    if driven is None:
        return None
    cost = driven.nutrients[driven.nutrients["marginal_cost"] > 0]
    return cost.groupby("nutrient")["marginal_cost"].median().to_dict()


def _cautions(targets):
    """Cautions on the nutrients that are applied, and the duties that are to be checked."""
    applied = set(targets.table.loc[targets.table["rate_lb_ac"] > 0, "nutrient"])
    table = load_table("cautions")
    speaks = table["nutrient"].map(lambda named: not named or bool(applied & set(named.split(";"))))
    return table[speaks & (table["material"] == "")].drop(columns="confidence").reset_index(drop=True)
