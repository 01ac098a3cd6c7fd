"""The budget of a whole farm: a table of fields in, amounts per field and totals out."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_list, a_saved_file, a_table, asks, either
from fertkit.budget.farm_table import read_fields
from fertkit.budget.rates import NUTRIENT_ORDER, amounts, published_rates, residue_lb_ac
from fertkit.budget.rows import (
    AREA_UNITS,
    FIELD_UNIT,
    default_rows,
    field_amounts,
    mark_defaults,
    rate_rows,
)
from fertkit.errors import UnitError, unknown
from fertkit.reference.load import list_sources
from fertkit.results import Result
from fertkit.units import convert_area_rate

CARRIED = ["at", "field", "crop", "area", "yield_goal", "yield_unit"]


@dataclass(frozen=True)
class FarmBudget(Result):
    """Uptake, removal and what stays for every field of a farm.

    Attributes
    ----------
    rows : DataFrame
        One row per field and nutrient: field, crop, area, yield_goal, yield_unit, nutrient, uptake,
        removed, stays, unit, uptake_field, removed_field, stays_field, field_unit, uptake_source,
        removed_source, provenance; stays only where one source gives both.
    area_unit : str
    """

    rows: pd.DataFrame
    area_unit: str

    @property
    def table(self) -> pd.DataFrame:
        return self.rows

    @property
    def totals(self) -> pd.DataFrame:
        """Whole farm per nutrient, with the number of fields that have a published value."""
        groups = self.rows.groupby("nutrient", sort=False)
        total = groups.agg(
            uptake=("uptake_field", "sum"),
            removed=("removed_field", "sum"),
            fields_with_uptake=("uptake_field", "count"),
            fields_with_removed=("removed_field", "count"),
        )
        return total.reset_index().assign(unit=self.rows["field_unit"].iloc[0])

    @property
    def by_crop(self) -> pd.DataFrame:
        """Totals per crop and nutrient."""
        groups = self.rows.groupby(["crop", "nutrient"], sort=False)
        total = groups.agg(
            area=("area", "sum"), uptake=("uptake_field", "sum"), removed=("removed_field", "sum")
        )
        return total.reset_index().assign(unit=self.rows["field_unit"].iloc[0])

    @property
    def sources(self) -> pd.DataFrame:
        both = pd.concat([self.rows["uptake_source"], self.rows["removed_source"]])
        return list_sources(k for k in both.unique() if k)


@asks(fields=either(a_table, a_saved_file), nutrients=a_list)
def farm_budget(
    fields,
    *,
    source: str | None = None,
    nutrients=("N", "P2O5", "K2O", "S"),
    area_unit: str | None = None,
    yield_unit: str | None = None,
    unit: str | None = None,
) -> FarmBudget:
    """Work out the budget of every field of a table.

    Parameters
    ----------
    fields : path or DataFrame
        Columns crop, area_ac or area_ha, and yield_goal_<unit> (yield_goal_bu_ac, yield_goal_t_ha, ...);
        optional field (its name) and residue ('kept' or the share baled; kept if absent). Units may also
        stand in a column yield_unit, or be said for plain columns area and yield_goal. A file may be CSV with
        any common separator and decimal mark, XLSX, XLS or ODS.
    source : str, optional
        One source for every field; the default sources of each crop if None (see `nutrient_budget`).
    nutrients : sequence of str
        Of `NUTRIENT_ORDER`.
    area_unit : {'ac', 'ha'}, optional
    yield_unit : str, optional
    unit : {'lb/ac', 'kg/ha'}, optional
        Unit of the amounts; the one that goes with the area if None.

    Returns
    -------
    FarmBudget

    Raises
    ------
    InputError
        With every problem of the table: its row, column, value and remedy.
    LookupFailed
        If a nutrient is not known, or the source has nothing on any crop of the table.

    Examples
    --------
    >>> from fertkit.budget import farm_budget
    >>> import pandas as pd
    >>> fields = pd.DataFrame({"crop": ["soybean"], "yield_goal_bu_ac": [40.0], "area_ac": [80.0]})
    >>> table = farm_budget(fields, source="MSU2017").table.set_index("nutrient")
    >>> table["removed"].round(1).to_dict()  # 3.8, 0.80 and 1.40 lb a bushel
    {'N': 152.0, 'P2O5': 32.0, 'K2O': 56.0}
    """
    for name in nutrients:
        if name not in NUTRIENT_ORDER:
            raise unknown("nutrient", name, NUTRIENT_ORDER)
    if area_unit not in (None, *AREA_UNITS) or unit not in (None, *FIELD_UNIT):
        raise UnitError(f"unknown unit '{area_unit}' or '{unit}'; use ac or ha, and lb/ac or kg/ha")
    fields, area_unit = read_fields(fields, area_unit, yield_unit)
    unit = unit or {"ac": "lb/ac", "ha": "kg/ha"}[area_unit]
    parts = []
    # share baled decides which sources are complete, so fields are worked out in groups alike in that
    kind = fields["baled"].where(fields["baled"].isin([0, 1]))
    for (crop, _), group in fields.groupby(["crop", kind], dropna=False):
        parts.append(_crop_rows(crop, group, source, nutrients))
    parts = [part for part in parts if len(part)]
    if not parts:
        raise unknown("source for these crops", source, _all_sources(fields["crop"].unique()))
    rows = pd.concat(parts, ignore_index=True)
    order = rows["nutrient"].map(NUTRIENT_ORDER.index)
    rows = rows.assign(order=order).sort_values(["at", "order"], kind="stable")
    rows = rows.drop(columns=["at", "order"]).reset_index(drop=True)
    for name in ("uptake", "removed", "stays"):
        rows[f"{name}_field"] = field_amounts(rows[name], rows["area"], area_unit, unit)
        rows[name] = convert_area_rate(rows[name], "lb/ac", unit)
    return FarmBudget(rows.assign(unit=unit, field_unit=FIELD_UNIT[unit]), area_unit)


def _crop_rows(crop, group, source, nutrients):
    rates = [r for r in published_rates(crop) if r.nutrient in nutrients]
    if source is not None:
        rates = [r for r in rates if r.source_key == source]
    if not rates:
        return pd.DataFrame()
    pounds = group["pounds"].to_numpy()
    amount = amounts(rates, pounds, group["baled"].to_numpy(), residue_lb_ac(crop, pounds))
    first = rate_rows(rates, amount)
    mark_defaults(first, crop)
    lines = []
    for choice in default_rows(first).itertuples():
        mine = first[first["nutrient"] == choice.nutrient]
        up = mine.index[mine["default"].str.contains("uptake")]
        off = mine.index[mine["default"].str.contains("removal")]
        nothing = np.full(len(group), np.nan)
        lines.append(
            pd.DataFrame(
                {
                    **{name: group[name].to_numpy() for name in CARRIED},
                    "nutrient": choice.nutrient,
                    "uptake": amount["uptake"][up[0]] if len(up) else nothing,
                    "removed": amount["removed"][off[0]] if len(off) else nothing,
                    "stays": amount["stays"][off[0]] if list(up) == list(off) else nothing,
                    "uptake_source": choice.uptake_source,
                    "removed_source": choice.removed_source,
                    "provenance": choice.provenance,
                }
            )
        )
    return pd.concat(lines, ignore_index=True)


def _all_sources(crops):
    return {r.source_key for crop in crops for r in published_rates(crop)}
