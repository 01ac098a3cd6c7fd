"""The budget of a farm: every field of a table, by crop and in all."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_list, a_table_or_file, asks
from fertkit.budget.fields import is_usual, read_fields
from fertkit.budget.need_notes import above_all_uptake, counted_whole, exceeds, straw_at_most
from fertkit.budget.own import checked_own
from fertkit.budget.rates import nutrient_name
from fertkit.budget.studies import default_rows, region_note, worked_out
from fertkit.budget.yields import AREA_UNITS, FIELD_UNIT, field_amounts
from fertkit.errors import LookupFailed, UnitError
from fertkit.intake.spellings import listed
from fertkit.reference.crops import is_known, nitrogen_note
from fertkit.reference.load import list_sources
from fertkit.reference.own import own_tables
from fertkit.reference.profiles import as_list
from fertkit.results import Result
from fertkit.units import convert_area_rate


@dataclass(frozen=True)
class FarmBudget(Result):
    """Uptake, removal and what stays for every field of a farm.

    Attributes
    ----------
    table : DataFrame
        One row per field and nutrient: field, crop, area, yield_goal, yield_unit, nutrient, uptake, counted,
        removed, share_removed, stays, unit, uptake_source, removed_source, provenance, uptake_field,
        removed_field, stays_field, field_unit; stays only where one source gives both.
    fields : DataFrame
        One row per row of the table that is in the amounts: field, crop, area, yield_goal, yield_unit.
        A field in two crops or years has two.
    left_out : DataFrame
        The rows of the table of which nothing could be worked out: field, crop, area, why.
    area_unit : str
    notes : tuple of str
        What to know before reading nitrogen as a need, and columns of the table that were not used.
    """

    table: pd.DataFrame
    fields: pd.DataFrame
    left_out: pd.DataFrame
    area_unit: str
    notes: tuple[str, ...] = ()

    @property
    def totals(self) -> pd.DataFrame:
        """Whole farm per nutrient, with the number of rows that have a published value.

        uptake and removed are sums over the fields that have each, empty where none has;
        removed_with_uptake is of the fields that have both.
        """
        return self._sums("nutrient").drop(columns="area")

    @property
    def by_crop(self) -> pd.DataFrame:
        """Totals per crop and nutrient."""
        return self._sums(["crop", "nutrient"])

    def _sums(self, keys) -> pd.DataFrame:
        both = self.table["removed_field"].where(self.table["uptake_field"].notna())
        groups = self.table.assign(both=both).groupby(keys, sort=False)
        sums = groups[["uptake_field", "removed_field", "both"]].sum(min_count=1)
        total = pd.DataFrame({
            "area": groups["area"].sum(), "uptake": sums["uptake_field"], "removed": sums["removed_field"],
            "fields_with_uptake": groups["uptake_field"].count(),
            "fields_with_removed": groups["removed_field"].count(),
            "removed_with_uptake": sums["both"], "fields_with_both": groups["both"].count(),
        })  # fmt: skip
        return total.reset_index().assign(unit=self.table["field_unit"].iloc[0])

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources([*self.table["uptake_source"], *self.table["removed_source"]])


@asks(fields=a_table_or_file, source=a_list, without=a_list, own=own_tables, nutrients=a_list)
def farm_budget(
    fields,
    *,
    source=None,
    without=None,
    region: str | None = None,
    own=None,
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
        optional field (its name), part (what is harvested, silage for instance; the usual part of the crop
        if absent or blank) and residue ('kept' or the share baled, 0.8 or 80%; kept if absent or
        blank), also named straw removed, straw removed (%), baled (yes or no) and the like. Units may also
        stand in a column yield_unit, or be said for plain columns area and yield_goal. A file may be CSV with
        any common separator and decimal mark, XLSX, XLS or ODS.
    source, without, region, own
        As for `nutrient_budget`.
    nutrients : sequence of str
        Of `NUTRIENT_ORDER`.
    area_unit : {'ac', 'ha'}, optional
    yield_unit : str, optional
    unit : {'lb/ac', 'kg/ha'}, optional
        Unit of the amounts; the one that goes with the area if None.

    Raises
    ------
    InputError
        With every problem of the table: its row, column, value and remedy.
    LookupFailed
        If a nutrient is not known, or the source has nothing on any field of the table.

    Examples
    --------
    >>> from fertkit.budget import farm_budget
    >>> import pandas as pd
    >>> fields = pd.DataFrame({"crop": ["soybean"], "yield_goal_bu_ac": [40.0], "area_ac": [80.0]})
    >>> table = farm_budget(fields, source="MSU2017").table.set_index("nutrient")
    >>> table["removed"].round(1).to_dict()  # 3.8, 0.80 and 1.40 lb a bushel
    {'N': 152.0, 'P2O5': 32.0, 'K2O': 56.0}
    """
    if area_unit not in (None, *AREA_UNITS) or unit not in (None, *FIELD_UNIT):
        raise UnitError(f"unknown unit '{area_unit}' or '{unit}'; use ac or ha, and lb/ac or kg/ha")
    own = checked_own(own)
    fields, area_unit, notes = read_fields(fields, area_unit, yield_unit, own)
    unit = unit or {"ac": "lb/ac", "ha": "kg/ha"}[area_unit]
    options = {"source": source, "without": without, "nutrients": nutrients, "own": own}
    studied = worked_out(fields, region=region, **options)
    notes = (*notes, *region_note(region, fields, studied, **options))
    rows = default_rows(studied)
    answers = fields["at"].isin(rows["at"])
    asked = [nutrient_name(name, own) for name in as_list(nutrients)]
    left_out = _left_out(fields[~answers], studied, asked, source)
    if rows.empty:
        why = "; ".join(left_out["why"].unique())
        raise LookupFailed(f"no field has an amount: {why}", remedy="choose another source")
    fields = fields.assign(
        crop=fields["crop"].where(is_usual(fields, own), fields["crop"] + " " + fields["part"])
    )
    about = fields[["at", "field", "crop", "area", "yield_goal", "yield_unit"]]
    answered = about[answers].drop(columns="at").reset_index(drop=True)
    rows = about.merge(rows, on="at").drop(columns="at")
    nitrogen = rows.loc[rows["nutrient"] == "N", "crop"].unique()
    said = {crop: nitrogen_note(crop) for crop in nitrogen if is_known(crop)}
    notes = (*(f"N of {crop}: {text}" for crop, text in said.items() if text), *notes)
    notes = (*notes, *_above_notes(studied, fields), *_straw_notes(studied, fields))
    for name in ("uptake", "removed", "stays"):
        rows[f"{name}_field"] = field_amounts(rows[name], rows["area"], area_unit, unit)
        rows[name] = convert_area_rate(rows[name], "lb/ac", unit)
    return FarmBudget(
        rows.assign(unit=unit, field_unit=FIELD_UNIT[unit]), answered, left_out, area_unit, notes
    )


def _above_notes(studied, fields):
    over = above_all_uptake(studied).drop(columns="crop").merge(fields[["at", "field", "crop"]], on="at")
    for (crop, nutrient, source), some in over.groupby(["crop", "nutrient", "source_key"], sort=False):
        where = listed(some["field"].astype(str).unique(), 6)
        yield exceeds(f"{nutrient} of {crop}", source, where)


def _straw_notes(studied, fields):
    """Say of which crops more straw cannot be removed than is counted."""
    share = studied["at"].map(fields.set_index("at")["baled"])
    most = studied[straw_at_most(studied, share)].drop(columns="crop").merge(fields[["at", "crop"]], on="at")
    for crop, some in most.groupby("crop", sort=False):
        nutrients = some["nutrient"].unique()
        yield counted_whole(f"{', '.join(nutrients)} of {crop}", "K2O" in nutrients)


def _left_out(fields, studied, nutrients, source) -> pd.DataFrame:
    """Fields without an amount, each with the reason."""
    listed, grain = fields["at"].isin(studied["at"]), studied.loc[studied["harvested"].notna(), "at"]
    by = f" in {', '.join(as_list(source))}" if source is not None else " in the tables chosen"
    crop, names = fields["crop"], ", ".join(nutrients)
    why = np.select(
        [~listed, fields["at"].isin(grain)],
        ["nothing on " + names + " of " + crop + by, "no straw or stover of " + crop + by],
        "grain and straw of " + crop + " only together" + by,
    )
    return fields[["field", "crop", "area"]].assign(why=why).reset_index(drop=True)
