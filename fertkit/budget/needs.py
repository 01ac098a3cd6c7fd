"""What a crop takes up, what leaves with the harvest and what stays, by source."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_list, a_number, a_word, asks, either
from fertkit.budget.rates import OXIDE_OF, amounts, parts_of, published_rates, residue_lb_ac
from fertkit.budget.rows import (
    OWN,
    TRADE,
    analysis_rows,
    default_rows,
    in_form,
    in_order,
    in_unit,
    keep_nutrients,
    mark_defaults,
    rate_rows,
    trade_rows,
)
from fertkit.budget.yields import far_outside, goal_unit, lb_ac_per, refuse, yield_lb_ac
from fertkit.errors import UnitError, unknown
from fertkit.reference.crops import crop_name, nitrogen_note
from fertkit.reference.load import list_sources
from fertkit.results import Result, checks_frame, plain
from fertkit.rounding import at_most
from fertkit.units import SHORT_TON_LB


@dataclass(frozen=True)
class NutrientBudget(Result):
    """Uptake, removal and what stays for one crop and yield goal, one row per nutrient and source.

    Attributes
    ----------
    crop, part : str
        Crop and harvested part.
    yield_goal : float
    yield_unit : str
    pounds : float
        Yield as sold [lb/ac].
    baled : float
        Share of the straw or stover taken off [0-1].
    unit : str
        Unit of the amounts (lb/ac or kg/ha).
    area : float or None
        Area of the field [`area_unit`].
    area_unit : str
    rows : DataFrame
        crop, nutrient, source_key, uptake, harvested, baled, removed, share_removed, stays, low, high
        (published range of the harvested part), unit, default (what the source is the default for),
        provenance, confidence, derivation, note; with an area also uptake_field, removed_field,
        stays_field and field_unit.
    """

    crop: str
    part: str
    yield_goal: float
    yield_unit: str
    pounds: float
    baled: float
    unit: str
    area: float | None
    area_unit: str
    rows: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.rows

    @property
    def published(self) -> pd.DataFrame:
        """The rows that come from publications (no trade figures, no analysis of the user's own)."""
        return self.rows[~self.rows["source_key"].isin([TRADE, OWN])]

    @property
    def common_practice(self) -> pd.DataFrame:
        """Trade figures, scaled from the yield they are quoted for; common practice, no source."""
        return self.rows[self.rows["source_key"] == TRADE]

    @property
    def defaults(self) -> pd.DataFrame:
        """One row per nutrient from the default sources; a share only where one source gives both."""
        return default_rows(self.rows)

    @property
    def spread(self) -> pd.DataFrame:
        """How far the published sources differ: number of them, lowest and highest, per nutrient."""
        groups = self.published.groupby("nutrient", sort=False)
        spread = groups.agg(
            uptake_sources=("uptake", "count"),
            uptake_lowest=("uptake", "min"),
            uptake_highest=("uptake", "max"),
            removed_sources=("removed", "count"),
            removed_lowest=("removed", "min"),
            removed_highest=("removed", "max"),
        )
        return spread.reset_index().assign(unit=self.unit)

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(k for k in self.rows["source_key"].unique() if k != OWN)

    @property
    def checks(self) -> pd.DataFrame:
        return checks_frame(_range_checks(self))

    @property
    def notes(self) -> tuple[str, ...]:
        """What to know before reading the amounts as needs."""
        fixed = nitrogen_note(self.crop)
        notes = [f"N: {fixed}."] if fixed and (self.rows["nutrient"] == "N").any() else []
        if self.crop == "cotton" and self.yield_unit != "bale/ac":
            bales = plain(self.pounds / lb_ac_per("bale/ac", "cotton"))
            notes.append(f"The yield is read as lint: {bales} bale/ac. Give seed cotton as the lint in it.")
        measured = [y for rate in self._rates() for y in rate.measured_at]
        return (*far_outside(self.crop, self.yield_goal, self.yield_unit, self.pounds, measured), *notes)

    def _rates(self):
        """Published rates of the sources of the budget."""
        keys = set(self.rows["source_key"])
        return [r for r in published_rates(self.crop, self.part) if r.source_key in keys]


@asks(source=a_list, nutrients=a_list, residue=either(a_word, a_number), analysis=a_dict)
def nutrient_budget(
    crop: str,
    yield_goal: float,
    yield_unit: str | None = None,
    *,
    part: str | None = None,
    source=None,
    nutrients=None,
    form: str = "oxide",
    residue="kept",
    residue_ton_ac: float | None = None,
    moisture_pct: float | None = None,
    analysis=None,
    analysis_unit: str = "%",
    area: float | None = None,
    area_unit: str = "ac",
    unit: str = "lb/ac",
) -> NutrientBudget:
    """Work out what a crop takes up, what leaves and what stays, from each published source.

    Parameters
    ----------
    crop : str
        Crop or market class (soybean, winter wheat).
    yield_goal : float
        Yield [`yield_unit`].
    yield_unit : str
        bu/ac, bale/ac (cotton), t/ha (metric tonne), ton/ac (short ton), dt/ha (decitonne) or any other
        unit of `fertkit.units.AREA_RATE_KG_HA`, also in words (tonnes/ha). If None, bu/ac for a crop whose
        yields are reported by the bushel; others ask for the unit.
    part : str, optional
        Harvested part (grain, silage, hay, ...); the usual one if None.
    source : str or list of str, optional
        Keep these source keys only.
    nutrients : list of str, optional
        Keep these nutrients only.
    form : {'oxide', 'element'}
        P and K as P2O5 and K2O or as P and K.
    residue : 'kept' or float
        Share of the straw or stover that is baled [0-1]; ``'kept'`` is 0.
    residue_ton_ac : float, optional
        Straw or stover grown [short ton/ac], for sources that state content per ton; from the usual
        ratio to grain if None.
    moisture_pct : float, optional
        Moisture of the grain as weighed [% wet basis]; trade moisture if None. For silage and hay it
        serves the analysis only.
    analysis : dict, optional
        Nutrient -> concentration in the dry harvested part [`analysis_unit`], from the user's laboratory;
        adds rows marked "own analysis".
    analysis_unit : {'%', 'g/kg', 'mg/kg'}
    area : float, optional
        Area of the field [`area_unit`]; adds amounts per field.
    area_unit : {'ac', 'ha'}
    unit : {'lb/ac', 'kg/ha'}
        Unit of the amounts.

    Returns
    -------
    NutrientBudget

    Raises
    ------
    InputError
        If the yield, share baled, moisture, area or analysis is impossible: no yield of 0, none above the
        highest known of the crop and part (`fertkit.reference.plausible_yield`).
    LookupFailed
        If the crop, part, source or nutrient is not known.
    UnitError
        If a unit does not fit.

    Notes
    -----
    No row mixes sources: uptake, removal and the share come from one publication, by its own printed
    values or what follows from them (`derivation`). Which source is the default for a crop, and why, is
    stated in the reference table ``default_sources``; the first of them with both uptake and removal of a
    nutrient is taken.

    Soybean: the default for P2O5 and K2O is Kansas State University (``KSU_SOY``), which prints grain and
    stover together, so that one source answers uptake, removal and what stays; its shares (75 % and 56 %
    leave) are also those of common practice. Nitrogen, sulfur, calcium, magnesium and the micronutrients
    come from Bender et al. 2015 (``BENDER2015``), the most complete study read; its P2O5 removal is not
    the default, being well below every other source. Corn: Bender et al. 2012 and 2013, one Illinois study.

    Examples
    --------
    40 bushels of soybeans carry 152 N, 32 P2O5 and 56 K2O [lb/ac] off the field (MSU2017):

    >>> from fertkit.budget import nutrient_budget
    >>> budget = nutrient_budget("soybean", 40, source="MSU2017")
    >>> budget.table.set_index("nutrient")["removed"].round(1).to_dict()
    {'N': 152.0, 'P2O5': 32.0, 'K2O': 56.0}
    """
    name = crop_name(crop)
    part = part or parts_of(name)[0]
    rates = _chosen(published_rates(name, part), name, source)
    baled = residue_share(residue)
    if baled and part != "grain":
        raise refuse("nutrient budget", f"no residue is baled after {part}", "set the share baled to 0",
                     in_code="residue='kept'", column="residue", value=residue)  # fmt: skip
    grain = part == "grain"
    yield_unit = goal_unit(name, yield_unit)
    pounds = yield_lb_ac(name, yield_goal, yield_unit, moisture_pct if grain else None, part=part)
    if moisture_pct is not None and not grain and not analysis:
        raise UnitError(f"the moisture of {part} serves an analysis of your own only", remedy="leave it out")
    if residue_ton_ac is not None and not residue_ton_ac >= 0:
        raise refuse("nutrient budget", "not a weight of residue", "give 0 or more ton/ac",
                     column="residue_ton_ac", value=residue_ton_ac)  # fmt: skip
    grown = residue_lb_ac(name, pounds) if residue_ton_ac is None else residue_ton_ac * SHORT_TON_LB
    rows = rate_rows(rates, amounts(rates, pounds, baled, grown))
    mark_defaults(rows, name)
    extra = [analysis_rows(name, part, pounds, moisture_pct, analysis, analysis_unit)]
    if baled == 0 and source is None:
        extra.append(trade_rows(name, part, pounds))
    rows = pd.concat([rows, *(e for e in extra if len(e))], ignore_index=True)
    rows = in_form(in_order(keep_nutrients(rows, nutrients)), form)
    rows = in_unit(rows, unit, area, area_unit)
    rows.attrs["unit"] = unit
    return NutrientBudget(
        name, part, float(yield_goal), yield_unit, float(pounds), baled, unit, area, area_unit, rows
    )


def residue_share(residue) -> float:
    """Read what happens to straw or stover: 'kept' or the share baled [0-1].

    Raises
    ------
    InputError
        If it is neither.
    """
    if isinstance(residue, str) and residue.strip().lower() == "kept":
        return 0.0
    try:
        share = float(residue)
    except (TypeError, ValueError):
        share = np.nan
    if not 0 <= share <= 1:
        raise refuse(
            "nutrient budget",
            "neither 'kept' nor a share",
            "write kept, or the share baled from 0 to 1",
            column="residue",
            value=residue,
        )
    return share


def _chosen(rates, crop, source):
    if source is None:
        return rates
    wanted = [source] if isinstance(source, str) else list(source)
    known = {r.source_key for r in rates}
    for key in wanted:
        if key not in known:
            raise unknown(f"source for {crop}", key, known)
    return tuple(r for r in rates if r.source_key in wanted)


def _range_checks(budget):
    rates = {(r.source_key, r.nutrient): r for r in published_rates(budget.crop, budget.part)}
    for row in budget.rows[budget.rows["default"].str.contains("uptake")].itertuples():
        rate = rates.get((row.source_key, OXIDE_OF.get(row.nutrient, row.nutrient)))
        if rate is None or not rate.measured_at:
            continue
        highest = max(rate.measured_at)
        yield (
            f"yield goal within what {row.source_key} measured ({row.nutrient})",
            budget.pounds,
            highest,
            at_most(budget.pounds, highest),
            (
                "the source measured at yields as high",
                "above the highest yield the source measured; uptake is scaled in proportion",
            ),
        )
