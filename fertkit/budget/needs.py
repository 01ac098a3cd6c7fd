"""What a crop takes up, what is removed with the harvest and what stays, study by study."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_list, a_number, a_word, asks, either
from fertkit.budget.need_notes import above_notes, straw_at_most, straw_notes
from fertkit.budget.own import checked_own
from fertkit.budget.rates import AT_HARVEST, RESIDUE_PARTS, nutrient_name, parts_of, residue_lb_ac
from fertkit.budget.studies import (
    AMOUNTS,
    ANALYSIS,
    TRADE,
    default_rows,
    in_form,
    in_order,
    in_unit,
    region_note,
    worked_out,
)
from fertkit.budget.yields import (
    base_of,
    far_outside,
    goal_unit,
    lb_ac_per,
    number,
    refuse,
    residue_share,
    yield_lb_ac,
)
from fertkit.errors import LookupFailed, UnitError, typed
from fertkit.reference.crops import is_known, nitrogen_note, trade_moisture_pct
from fertkit.reference.load import list_sources, load_cautions, load_table
from fertkit.reference.nutrients import OXIDE_OF
from fertkit.reference.own import own_tables
from fertkit.reference.profiles import lineage
from fertkit.results import Result, checks_frame, plain, records
from fertkit.rounding import at_most
from fertkit.units import SHORT_TON_LB, convert_concentration, from_element


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
    table : DataFrame
        crop, nutrient, source_key, uptake with its published range (uptake_low, uptake_high) and what it is
        (counted: total uptake, season maximum or content at harvest), harvested, baled, removed,
        share_removed, stays, low, high (published range of the harvested part), measured_from and measured_to
        (yields at which uptake was measured [lb/ac]), unit, default (what the
        source is the default for), provenance, confidence, derivation, note; with an area also uptake_field,
        removed_field, stays_field and field_unit.
    of_region : tuple of str
        That a region asked for changes nothing.
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
    table: pd.DataFrame
    of_region: tuple[str, ...] = ()

    @property
    def published(self) -> pd.DataFrame:
        """The rows that come from publications (no trade figures, no table or analysis of the user's own)."""
        return self.table[(self.table["source_key"] != TRADE) & (self.table["provenance"] != "own table")]

    @property
    def common_practice(self) -> pd.DataFrame:
        """Trade figures, scaled from the yield they are quoted for; common practice, no source."""
        return self.table[self.table["source_key"] == TRADE]

    @cached_property
    def defaults(self) -> pd.DataFrame:
        """One row per nutrient: the leading study as far as it goes, else what another adds.

        nutrient, uptake, counted, removed, share_removed and stays (only where one source gives both), unit,
        uptake_source, removed_source, uptake_provenance, provenance (of both).
        """
        return default_rows(self.table).drop(columns="at")

    @property
    def at_harvest(self) -> pd.DataFrame:
        """What the crop holds at harvest, by the best source that says so: one row per nutrient.

        nutrient, uptake (content at harvest), removed, share_removed, stays, source_key, provenance.
        """
        rows = self.published[(self.published["counted"] == AT_HARVEST) & self.published["removed"].notna()]
        return rows.sort_values("place", kind="stable").drop_duplicates("nutrient")

    @cached_property
    def spread(self) -> pd.DataFrame:
        """How far the published studies differ: number of them, lowest and highest, per nutrient.

        Copies and summaries of one study count once; a printed range counts with both ends.
        """
        rows = self.published.assign(study=lineage(self.published["source_key"]))
        frames = []
        for name, low, high in (("uptake", "uptake_low", "uptake_high"), ("removed", "low", "high")):
            some = rows[rows[name].notna()]
            whole = (name == "uptake") | some["baled"].eq(0)
            ends = [some[end].where(whole).fillna(some[name]) for end in (low, high)]
            groups = some.assign(low=ends[0], high=ends[1]).groupby("nutrient", sort=False)
            frames.append(groups.agg(**{
                f"{name}_sources": ("study", "nunique"), f"{name}_lowest": ("low", "min"),
                f"{name}_highest": ("high", "max"),
            }))  # fmt: skip
        spread = (
            pd.concat(frames, axis=1).reindex(dict.fromkeys(self.table["nutrient"])).rename_axis("nutrient")
        )
        counts = ["uptake_sources", "removed_sources"]
        return spread.assign(**spread[counts].fillna(0).astype(int)).reset_index().assign(unit=self.unit)

    @property
    def sources(self) -> pd.DataFrame:
        keys = [*self.table["source_key"].unique(), *self.cautions["source_key"]]
        return list_sources(k for k in keys if k != ANALYSIS)

    @property
    def checks(self) -> pd.DataFrame:
        return checks_frame(_range_checks(self))

    @property
    def notes(self) -> tuple[str, ...]:
        """What to know before reading the amounts as needs."""
        fixed = nitrogen_note(self.crop) if is_known(self.crop) else ""
        notes = [f"N: {fixed}."] if fixed and (self.table["nutrient"] == "N").any() else []
        if self.crop == "cotton" and self.yield_unit != "bale/ac":
            bales = plain(self.pounds / lb_ac_per("bale/ac", "cotton"))
            notes.append(f"The yield is read as lint: {bales} bale/ac. Convert seed cotton to lint.")
        measured = self.table[["measured_from", "measured_to"]].to_numpy().ravel()
        measured = measured[~np.isnan(measured)].tolist()
        far = far_outside(self.crop, self.yield_goal, self.yield_unit, self.pounds, measured)
        return (*far, *self.of_region, *notes, *above_notes(self), *straw_notes(self))

    @property
    def at_most_removed(self) -> list[str]:
        """Nutrients whose straw or stover is counted as uptake less grain, the most that it can hold."""
        if not self.baled:
            return []
        return self.table.loc[straw_at_most(self.table, self.baled), "nutrient"].tolist()

    @property
    def cautions(self) -> pd.DataFrame:
        """Cautions about feeding what is harvested, straw and stover among it: topic, text, source_key ..."""
        parts, table = {self.part, *(RESIDUE_PARTS if self.baled else ())}, load_cautions(base_of(self.crop))
        return table[[not parts.isdisjoint(text.split(";")) for text in table["part"]]]


@asks(
    source=a_list,
    without=a_list,
    own=own_tables,
    nutrients=a_list,
    residue=either(a_word, a_number),
    analysis=a_dict,
)
def nutrient_budget(
    crop: str,
    yield_goal: float,
    yield_unit: str | None = None,
    *,
    part: str | None = None,
    source=None,
    without=None,
    region: str | None = None,
    own=None,
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
        Keep these source keys only; the first leads.
    without : list of str, optional
        Leave these source keys out.
    region : str, optional
        Let the studies of this region decide (US Midwest, Eastern Canada, Europe ...); the others are shown
        and fill in what none of them gives.
    own : path, DataFrame or list of them, optional
        Tables of removal or uptake of your own, whose rows lead unless left out, also of a crop the kit
        has never seen (`fertkit.reference.own.read_own`).
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
    values or what follows from them (`derivation`). The leading study of a crop answers for every nutrient it
    gives; what it lacks is taken from the next and named for it. Which study leads, and why, is stated in the
    reference table ``default_sources``.

    Season maximum and content at harvest are two quantities: leaves that fall before harvest, and potassium
    that rain washes out, are counted in the first. Of soybean ``BENDER2015`` gives the season maximum and
    ``KSU_SOY`` the content at harvest, near the figures of common practice.

    Examples
    --------
    40 bushels of soybeans carry 152 N, 32 P2O5 and 56 K2O [lb/ac] off the field (MSU2017):

    >>> from fertkit.budget import nutrient_budget
    >>> budget = nutrient_budget("soybean", 40, source="MSU2017")
    >>> budget.table.set_index("nutrient")["removed"].round(1).to_dict()
    {'N': 152.0, 'P2O5': 32.0, 'K2O': 56.0}
    """
    own = checked_own(own)
    name = own.crop_name(crop)
    if part in RESIDUE_PARTS:
        remedy = f"give the grain yield and the share of {part} baled"
        raise LookupFailed(
            f"{part} is counted with its grain", typed("--baled 1", "residue=1"), remedy=remedy
        )
    part = part or parts_of(name, own)[0]
    baled = residue_share(residue)
    if baled and part != "grain":
        raise refuse("nutrient budget", f"no residue is baled after {part}", "set the share baled to 0",
                     in_code="residue='kept'", column="residue", value=residue)  # fmt: skip
    grain = part == "grain"
    yield_unit = goal_unit(name, yield_unit, part)
    pounds = yield_lb_ac(name, yield_goal, yield_unit, moisture_pct if grain else None, part=part)
    if moisture_pct is not None and not grain and not analysis:
        raise UnitError(f"the moisture of {part} is only for your own analysis", remedy="leave it out")
    if residue_ton_ac is not None and not residue_ton_ac >= 0:
        raise refuse("nutrient budget", "not a weight of residue", "give 0 or more ton/ac",
                     column="residue_ton_ac", value=residue_ton_ac)  # fmt: skip
    grown = residue_lb_ac(name, pounds) if residue_ton_ac is None else residue_ton_ac * SHORT_TON_LB
    field = pd.DataFrame({"at": 0, "crop": name, "part": part, "pounds": pounds, "baled": baled,
                          "residue": grown}, index=[0])  # fmt: skip
    chosen = {"source": source, "without": without, "nutrients": nutrients, "own": own}
    rows = worked_out(field, region=region, **chosen)
    of_region = tuple(region_note(region, field, rows, **chosen))
    extra = [_analysis_rows(name, part, pounds, moisture_pct, analysis, analysis_unit)]
    if baled == 0 and source is None:
        extra.append(_trade_rows(name, part, pounds))
    if nutrients is not None:
        extra = [e[e["nutrient"].isin([nutrient_name(n, own) for n in nutrients])] for e in extra if len(e)]
    rows = pd.concat([rows, *(e for e in extra if len(e))], ignore_index=True)
    rows = in_unit(in_form(in_order(rows), form), unit, area, area_unit)
    rows.attrs["unit"] = unit
    return NutrientBudget(
        name,
        part,
        float(yield_goal),
        yield_unit,
        float(pounds),
        baled,
        unit,
        area,
        area_unit,
        rows,
        of_region,
    )


def _analysis_rows(crop, part, pounds, moisture_pct, analysis, unit) -> pd.DataFrame:
    """Removal from the user's own analysis of the dry harvested part [lb/ac]."""
    if not analysis:
        return pd.DataFrame()
    moisture = trade_moisture_pct(crop) if part == "grain" else moisture_pct
    if moisture is None:
        remedy = f"give the moisture of the {part} as weighed"
        raise UnitError(f"an analysis of {part} is on dry matter", "moisture_pct=...", remedy=remedy)
    rows = []
    for nutrient, value in analysis.items():
        oxide = nutrient_name(nutrient)
        percent = convert_concentration(number("grain analysis", nutrient, value), unit, "%")
        if not 0 <= percent <= 100:
            raise refuse("grain analysis", "not a share of dry matter", f"give 0 to 100 % in {unit}",
                         column=nutrient, value=value)  # fmt: skip
        taken = pounds * (1 - moisture / 100) * percent / 100
        taken = from_element(taken, oxide) if nutrient in OXIDE_OF else taken
        rows.append(_row(crop, oxide, ANALYSIS, removed=taken, harvested=taken, provenance="own table",
                         confidence="as supplied"))  # fmt: skip
    return pd.DataFrame(rows)


def _trade_rows(crop, part, pounds) -> pd.DataFrame:
    """Trade figures of a grain crop scaled to the yield [lb/ac]; common practice, no source."""
    table = load_table("common_practice")
    rows = []
    for r in records(table[(table["crop"] == crop) & (part == "grain")]):
        factor = pounds / yield_lb_ac(crop, r.yield_amount, r.yield_unit)
        taken, off = r.uptake_lb_ac * factor, r.removed_lb_ac * factor
        note = f"{r.note}, published for {r.yield_amount:g} {r.yield_unit}, scaled in proportion"
        rows.append(_row(crop, r.nutrient, r.source_key, uptake=taken, harvested=off, removed=off,
                         share_removed=off / taken if taken else np.nan, stays=taken - off,
                         provenance=r.provenance, confidence=r.confidence, note=note))  # fmt: skip
    return pd.DataFrame(rows)


def _row(crop, nutrient, source, **values):
    blank = dict.fromkeys((*AMOUNTS, "share_removed"), np.nan)
    words = {"unit": "lb/ac", "default": "", "derivation": "", "note": "", "counted": "", "at": 0}
    return {"crop": crop, "nutrient": nutrient, "source_key": source} | blank | words | values


def _range_checks(budget):
    rows = budget.table[budget.table["default"].str.contains("uptake")].dropna(subset="measured_to")
    meaning = ("the source measured at yields as high",
               "above the highest yield of the source; uptake is scaled in proportion")  # fmt: skip
    for row in records(rows):
        goal, highest = f"yield goal within what {row.source_key} measured", row.measured_to
        within = at_most(budget.pounds, highest)
        yield f"{goal} ({row.nutrient})", budget.pounds, highest, within, meaning
