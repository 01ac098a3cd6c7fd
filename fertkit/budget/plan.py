"""The season plan of a farm: rates, passes and products, supply against demand, and the rotation's ledger."""

from dataclasses import dataclass
from functools import cached_property, partial
from importlib import import_module

import numpy as np
import pandas as pd

from fertkit.asked import (
    a_dict,
    a_file,
    a_list,
    a_table,
    a_table_or_file,
    asks,
    either,
    holding,
    numbers_by_name,
    zero_or_more,
)
from fertkit.budget.buffers import field_lime
from fertkit.budget.credits import field_credits
from fertkit.budget.fields import is_usual, read_fields
from fertkit.budget.own import checked_own
from fertkit.budget.pass_tables import crops_of
from fertkit.budget.plan_notes import first, of_legumes, of_manure, of_passes, of_rows, unused_tests
from fertkit.budget.policy import word_of
from fertkit.budget.rates import RESIDUE_PARTS
from fertkit.budget.rotation import RotationLedger, rotation_ledger
from fertkit.budget.supply import BEFORE, season_supply
from fertkit.budget.targets import PLACE, Targets, nutrient_targets
from fertkit.budget.yields import AREA_UNITS, base_of
from fertkit.errors import InputError, Problem, unknown_unit
from fertkit.intake.shed import read_shed
from fertkit.intake.soil import read_soil
from fertkit.intake.stages import find_span
from fertkit.reference.fertilizers import PERCENT
from fertkit.reference.load import list_sources, load_table
from fertkit.reference.own import own_tables
from fertkit.results import Result
from fertkit.units import convert_area_rate

DOSES = ["at", "nutrient", "pass", "stage", "applied"]
UNITS = {"ac": "lb/ac", "ha": "kg/ha"}
AS_AREAS = "as areas"


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
        Of the first year; None without a shed, or where no rate is above zero.
    ledger : RotationLedger
    year : object
        The season planned: the first year.
    levels : DataFrame or None
        Soil tests by field, zone and analyte.
    lime : DataFrame
        Of the fields with a buffer pH: see `field_lime`.
    trend : DataFrame or None
        Older and newer samplings of each test.
    shed : Shed or None
    left_out : DataFrame
        field, zone, year, crop, nutrient, why.
    notes : tuple
        What the readers say of the files, in words; and findings, a kind and what it is about.
    cautions : DataFrame
        topic, text, source_key, provenance.
    unit : str
        Unit of `table` (lb/ac or kg/ha); the parts of the plan are in lb/ac.
    """

    fields: pd.DataFrame
    targets: Targets
    passes: object
    ledger: RotationLedger
    year: object
    levels: pd.DataFrame | None
    lime: pd.DataFrame
    trend: pd.DataFrame | None
    shed: object
    left_out: pd.DataFrame
    notes: tuple
    cautions: pd.DataFrame
    unit: str = "lb/ac"

    @property
    def rates(self) -> pd.DataFrame:
        """Rates of the season planned [lb/ac]: the rows of `targets.table` of its year."""
        return self.targets.table[self.targets.table["year"] == self.year]

    @cached_property
    def doses(self) -> pd.DataFrame:
        """What each pass brings of each nutrient on each field, and by which stage [lb/ac]."""
        if self.passes is None:
            return pd.DataFrame(columns=DOSES)
        return _doses(self.rates, self.passes.applications, self.shed)

    @property
    def nitrogen_passes(self) -> pd.DataFrame:
        """The pass that brings most nitrogen of each crop that has a rate of it: crop, pass, share."""
        wanted = self.rates[(self.rates["nutrient"] == "N") & (self.rates["rate_lb_ac"] > 0)]
        areas = wanted[["at", "crop", "area_ac"]]
        rows = self.doses[self.doses["nutrient"] == "N"].merge(areas, on="at")
        pounds = (rows["applied"] * rows["area_ac"]).groupby([rows["crop"], rows["pass"]]).sum()
        share = (pounds / pounds.groupby("crop").transform("sum")).rename("share").reset_index()
        return share.loc[share.groupby("crop")["share"].idxmax()]

    @property
    def brought(self) -> pd.DataFrame:
        """The rates of the season with what the passes bring, `brought_lb_ac` (without passes the rate)."""
        if self.passes is None:
            return self.rates.assign(brought_lb_ac=self.rates["rate_lb_ac"])
        sums = self.doses.groupby(["at", "nutrient"])["applied"].sum().rename("brought_lb_ac")
        rows = self.rates.join(sums, on=["at", "nutrient"])
        return rows.fillna({"brought_lb_ac": 0.0})

    @property
    def table(self) -> pd.DataFrame:
        """One row a field, nutrient and pass of the season [`unit`]: the rate, and what the pass brings."""
        driven = self.doses.rename(columns={"applied": "brought_lb_ac"}).drop(columns="stage")
        rows = self.rates.merge(driven, on=["at", "nutrient"], how="left").drop(columns="at")
        rows["pass"] = rows["pass"].where(rows["pass"].notna(), "")
        if self.unit == "lb/ac":
            return rows
        amounts = [name for name in rows if name.endswith("_lb_ac")]
        rows[amounts] = convert_area_rate(rows[amounts].astype(float), "lb/ac", self.unit)
        return rows.rename(columns={name: name.replace("_lb_ac", "_kg_ha") for name in amounts})

    @cached_property
    def season(self) -> pd.DataFrame:
        """Supply under demand: field, zone, crop and the columns of `season_supply`."""
        uptake = self.targets.removal[["at", "nutrient", "uptake"]]
        crops, doses = self.rates["crop"].unique(), None if self.passes is None else self.doses
        last = {} if self.shed is None else {crop: _last(self.shed.passes, crop) for crop in crops}
        paced = season_supply(self.rates, uptake, doses, last, _soil_of(self.rates, self.levels))
        places = self.rates[["at", "field", "zone", "crop"]].drop_duplicates("at")
        return places.merge(paced, on="at").drop(columns="at")

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
        rows = self.rates
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
    fields=a_table_or_file, soil=either(holding("levels", like="soil tests"), a_file),
    shed=either(holding("products", like="a shed"), a_file), passes=a_file, policy=either(a_table, a_dict),
    credits=a_table, trials=a_table, caps=either(a_table, a_dict), prices=numbers_by_name, source=a_list,
    without=a_list, own=own_tables, spending_limit=zero_or_more,
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
    target_ph: float | None = None,
    region: str | None = None,
    source=None,
    without=None,
    own=None,
    unit: str = "lb/ac",
    **options,
) -> SeasonPlan:
    """Plan a season for all fields of a farm, and keep the books of its rotation.

    Parameters
    ----------
    fields : path or DataFrame
        As for `farm_budget`, one row a field (zone) and year; optional zone, year, previous_crop, cases, and
        what `field_credits` reads (manure, starter, nitrate of the water).
    soil : path, DataFrame or SoilTests, optional
        A laboratory's file; fields without a test get removal only, and the plan says so.
    shed : path, DataFrame or Shed, optional
        Products and passes, as for `read_shed`; without it the plan ends at rates.
    passes : path or DataFrame, optional
        Passes of the year, where the file of the shed does not hold them.
    policy, credits, trials, caps, region, source, without, own
        As for `nutrient_targets`.
    spending_limit : float, optional
        Most that may be spent on the season.
    prices : dict, optional
        Nutrient -> price [per lb], for the ledger; from the pass plan without.
    target_ph : float, optional
        To which fields with a buffer pH are limed.
    unit : {'lb/ac', 'kg/ha', 'as areas'}
        Of the rates in `policy`, `caps` and `trials`, and of the plan's table; 'as areas': kg/ha where
        the areas are in hectares.
    **options
        Of `plan_passes`.

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
    if unit not in (AS_AREAS, *UNITS.values()):
        raise unknown_unit(unit, UNITS.values())
    _check_shed(shed, passes, {"spending_limit": spending_limit} | options)
    (rows, stated), area_unit, notes, tests, things = _read(fields, soil, shed, passes, own)
    unit = UNITS[area_unit] if unit == AS_AREAS else unit
    levels = None if tests is None else tests.levels
    credits = pd.concat([part for part in (credits, stated) if part is not None and len(part)] or [stated])
    asked = {"policy": policy, "credits": credits, "trials": trials, "caps": caps, "unit": unit}
    studied = {"region": region, "own": own, "source": source, "without": without}
    targets = nutrient_targets(rows, levels, **asked, **studied)
    notes = (*notes, *of_legumes(rows, targets, region))
    year = rows["year"].iloc[first(rows["year"])]
    driven, now = None, targets.table[targets.table["year"] == year]
    if things is not None and not (now["rate_lb_ac"] > 0).any():
        notes = (*notes, ("nothing needed", {}))
    elif things is not None:
        plan_passes = import_module("fertkit.budget.passes").plan_passes
        own_curves = targets.value if len(targets.value) else None
        options = {"spending_limit": spending_limit, "value": own_curves, "within_targets": True} | options
        driven = plan_passes(now, things.products, things.passes, **options)
        costs = things.passes.set_index("pass")["cost_per_ac"]
        notes = (*notes, *of_passes(driven, costs, set(now["crop"])))
    books = rotation_ledger(
        targets, levels, applied=_applied(driven, year), prices=_prices(driven) | (prices or {})
    )
    lime = pd.DataFrame() if levels is None else field_lime(rows, levels, target_ph)
    parts = (targets, driven, books, year, levels, lime, None if tests is None else tests.trend, things)
    out = targets.left_out.drop(columns="at")
    return SeasonPlan(rows, *parts, out, notes, _cautions(targets, rows), unit)


def _check_shed(shed, passes, options):
    """Refuse what is said of passes and money where there is nothing to plan them with."""
    asked = [name for name, value in options.items() if value is not None]
    asked += ["passes"] if passes is not None else []
    if shed is None and asked:
        what, remedy = "no products to plan with", "give a shed, or leave it out"
    elif hasattr(shed, "products") and passes is not None:
        asked, what, remedy = ["passes"], "the shed already holds passes", "read both with read_shed"
    else:
        return
    raise InputError("tables of the season plan", [Problem(what, remedy, column=name) for name in asked])


def _read(fields, soil, shed, passes, own):
    """Fields with their credits, unit of areas, notes, soil tests, shed; problems of all files together."""
    problems, rows, stated, area_unit, notes = [], None, None, "", ()
    try:
        own = checked_own(own)
        (rows, stated), area_unit, notes = read_fields(fields, own=own, then=partial(_placed, own=own))
    except InputError as error:
        problems += error.of_file()
    names = None if rows is None else sorted(set(rows["field"].astype(str)))
    tests = _gathered(problems, read_soil, soil, "levels", fields=names)
    things = _gathered(problems, read_shed, shed, "products", passes=passes)
    if problems:
        raise InputError("tables of the season plan", problems)
    rows = rows.assign(area_ac=rows["area"] * AREA_UNITS[area_unit])
    files = {"soil": tests, "shed": things}
    notes = [
        *notes,
        *(f"{of} file: {note}" for of, read in files.items() for note in getattr(read, "notes", ())),
    ]
    notes = (*notes, *of_rows(rows), *of_manure(rows, stated), *unused_tests(rows, tests))
    return (rows, stated), area_unit, notes, tests, things


def _gathered(problems, read, source, member, **options):
    """What is read already, or a file now, its problems added to those of the others."""
    if source is None or hasattr(source, member):
        return source
    try:
        return read(source, **options)
    except InputError as error:
        problems += error.of_file()
        return None


def _placed(rows, own):
    """Rows with a zone and year, and the credits they state; refuse a field, zone and year given twice."""
    rows = rows.copy()
    if not (usual := is_usual(rows, own)).all():
        what, remedy = (
            "the rates of a plan are for the usual harvest",
            "leave the row out; needs of a farm do take it",
        )
        raise InputError(
            "fields", [Problem(what, remedy, i + 2, "part", rows["part"][i]) for i in rows.index[~usual]]
        )
    for name in ("zone", "year"):
        rows[name] = rows.get(name, pd.Series("", index=rows.index, dtype=object))
    rows[["field", "zone"]] = rows[["field", "zone"]].map(word_of)
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
    words = rows.index[[not isinstance(year, int) for year in rows["year"]]]
    if 0 < len(words) < len(rows):
        what, remedy = "not a year like the others", "write a whole number, such as 2027"
        raise InputError("fields", [Problem(what, remedy, i + 2, "year", rows["year"][i]) for i in words])
    return rows, field_credits(rows)


def _doses(rates, applications, shed):
    """What each pass brings of each nutrient on each field, by the latest stage of the pass."""
    products = shed.products.drop_duplicates("product").set_index("product")
    share = products[list(PERCENT.values())].fillna(0.0) / 100
    share.columns = list(PERCENT)
    place = rates[["at", "field", "zone", "crop"]].drop_duplicates("at")
    driven = place.merge(applications, on=["field", "zone", "crop"])
    brought = share.loc[driven["product"]].mul(driven["rate_lb_ac"].to_numpy(), axis=0).set_axis(driven.index)
    ends = _ends(shed.passes).set_axis(shed.passes["pass"])
    brought = brought.assign(
        at=driven["at"], stage=driven["pass"].map(ends.to_dict()), **{"pass": driven["pass"]}
    )
    sums = brought.groupby(["at", "pass", "stage"], sort=False).sum().reset_index()
    long = sums.melt(["at", "pass", "stage"], var_name="nutrient", value_name="applied")
    return long.loc[long["applied"] > 0, DOSES].reset_index(drop=True)


def _ends(passes):
    """The latest time of each pass, or the one time that is given."""
    return passes["latest"].where(passes["latest"] != "", passes["earliest"])


def _last(passes, crop):
    """The last stage of the crop at which a pass is driven; '' where all are before emergence."""
    mine = [not (some := crops_of(cell)) or bool({crop, base_of(crop)} & {*some}) for cell in passes["crop"]]
    own = [s for s in _ends(passes[mine]) if s and s not in BEFORE and find_span(crop, s)]
    return max(own, key=lambda stage: find_span(crop, stage).last, default="")


def _soil_of(rates, levels):
    """Row of the fields -> CEC and pH, as far as tested."""
    if levels is None:
        return {}
    some = levels[levels["analyte"].isin(["CEC", "pH"])]
    found = {(row.field, row.zone, row.analyte): row.value for row in some.itertuples()}
    places = rates[["at", "field", "zone"]].drop_duplicates("at").itertuples(index=False)
    return {
        at: {
            name: found.get((field, zone, name), found.get((field, "", name), np.nan))
            for name in ("CEC", "pH")
        }
        for at, field, zone in places
    }


def _applied(driven, year):
    """What the passes bring, for the books."""
    if driven is None:
        return None
    return driven.nutrients.rename(columns={"brought_lb_ac": "applied"}).assign(year=year)


def _prices(driven):
    """What one more pound of each nutrient costs in the passes planned; the middle of the fields."""
    if driven is None:
        return {}
    cost = driven.nutrients[driven.nutrients["marginal_cost"] > 0]
    return cost.groupby("nutrient")["marginal_cost"].median().to_dict()


def _cautions(targets, rows):
    """Cautions on the crops, their harvested parts and nutrients of the plan, and the duties to check."""
    applied = targets.table[targets.table["rate_lb_ac"] > 0]
    table = load_table("cautions")
    speaks, baled = table["material"] == "", RESIDUE_PARTS if (rows["baled"] > 0).any() else ()
    named = {"nutrient": set(applied["nutrient"]), "crop": set(targets.table["crop"].map(base_of)),
             "part": {*rows["part"], *baled}}  # fmt: skip
    for column, own in named.items():
        speaks &= table[column].map(lambda of, own=own: not of or bool(own & set(of.split(";"))))
    return table[speaks].drop(columns="confidence").reset_index(drop=True)
