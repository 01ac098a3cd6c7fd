"""Every study asked about every field, and the one that leads: a field is a row.

One field and a table of fields, a season and a rotation go through the same `worked_out`.
"""

import numpy as np
import pandas as pd

from fertkit.budget.rates import (
    AT_HARVEST,
    amounts,
    default_order,
    derivation,
    nutrient_name,
    published_rates,
)
from fertkit.budget.yields import FIELD_UNIT, field_amounts, refuse
from fertkit.errors import LookupFailed, unknown, unknown_unit
from fertkit.reference.nutrients import NUTRIENT_ORDER, OXIDE_OF, place_of
from fertkit.reference.own import NO_TABLES
from fertkit.reference.profiles import as_list, studied_region, studies
from fertkit.reference.regions import region_name
from fertkit.results import cells
from fertkit.units import convert_area_rate, to_element

AMOUNTS = ("uptake", "uptake_low", "uptake_high", "harvested", "baled", "removed", "stays", "low", "high")
ELEMENT_OF = {oxide: element for element, oxide in OXIDE_OF.items()}
#: Rows of no publication: an analysis of the user's own, and trade figures.
ANALYSIS, TRADE = "own analysis", "COMMON_PRACTICE"
#: How far a provenance is trusted where no source is preferred.
TRUST = {"found": 0, "derived": 1, "mixed": 2}
#: Columns of the amounts that answer, from the rows marked as default.
DEFAULTS = ["at", "nutrient", "uptake", "counted", "removed", "share_removed", "stays", "unit",
            "uptake_source", "removed_source", "uptake_provenance", "provenance"]  # fmt: skip


def worked_out(
    fields: pd.DataFrame, *, nutrients=None, source=None, without=None, region=None, own=NO_TABLES
):
    """Uptake and removal of every field by every study: one row per field, nutrient and source [lb/ac].

    Parameters
    ----------
    fields : DataFrame
        at (what tells them apart), crop, part, pounds [lb/ac as sold], baled [0-1], residue [lb/ac].
    nutrients, source, without, region
        As for `nutrient_budget`.
    own : OwnTables, optional
        Tables of the user's own (`fertkit.budget.own.checked_own`), which lead.

    Returns
    -------
    DataFrame
        at and the columns of `NutrientBudget.table`, and place (rank of the source; the lowest leads).

    Raises
    ------
    LookupFailed
        If a source, region or nutrient is not known.
    """
    region = studied_region(region)
    wanted = (*NUTRIENT_ORDER, *own.nutrients)
    wanted = wanted if nutrients is None else [nutrient_name(name, own) for name in nutrients]
    source, without = as_list(source), as_list(without)
    crops = fields[["crop", "part"]].drop_duplicates()
    rates = {(c.crop, c.part): published_rates(c.crop, c.part, own) for c in crops.itertuples()}
    known = {rate.source_key for some in rates.values() for rate in some}
    carried = {key for kind in ("removal", "uptake", "timing") for key in own.table(kind)["source_key"]}
    for key in (*source, *without):  # a list may serve several crops
        if key not in carried.union(own.keys):
            raise unknown(f"source for {', '.join(crops['crop'])}", key, known)
    parts = []
    # share baled decides which sources are complete, so fields are worked out in groups alike in that
    kind = fields["baled"].where(fields["baled"].isin([0, 1]))
    for (crop, part, _), group in fields.groupby(["crop", "part", kind], dropna=False, sort=False):
        chosen = [
            rate for rate in rates[crop, part]
            if rate.nutrient in wanted and rate.source_key not in without
            and (not source or rate.source_key in own.keys.union(source))
        ]  # fmt: skip
        if chosen:
            # what the user chose or brought ranks below 0: it leads, wherever and however it was learnt
            order = {key: i - len(source) for i, key in enumerate(source)} or default_order(crop)
            order |= dict.fromkeys(own.keys, -1 - len(source))
            parts.append(_group_rows(crop, group, chosen, order, region))
    if not parts:
        raise LookupFailed(
            f"no source is left for {', '.join(crops['crop'])}",
            remedy=f"leave out fewer; available: {', '.join(sorted(known))}",
        )
    rows = pd.concat(parts, ignore_index=True)
    order = rows["nutrient"].map(place_of)
    return rows.assign(order=order).sort_values(["at", "order"], kind="stable").drop(columns="order")


def _group_rows(crop, group, rates, order, region):
    """Rows of fields of one crop that are alike in what is baled."""
    amount = amounts(rates, group["pounds"], group["baled"], group["residue"])
    n = len(group)
    each = {"crop": [r.crop for r in rates], "nutrient": [r.nutrient for r in rates],
            "source_key": [r.source_key for r in rates]}  # fmt: skip
    about = {"provenance": [r.provenance for r in rates], "confidence": [r.confidence for r in rates],
             "derivation": [derivation(r) for r in rates], "note": [r.note for r in rates]}  # fmt: skip
    rows = pd.DataFrame(
        {"at": np.tile(group["at"].to_numpy(), len(rates))}
        | {name: np.repeat(values, n) for name, values in each.items()}
        | {name: values.ravel() for name, values in amount.items()}
        | {"counted": np.repeat([r.counted or AT_HARVEST for r in rates], n), "unit": "lb/ac"}
        | {
            name: np.repeat([end(r.measured_at, default=np.nan) for r in rates], n)
            for name, end in (("measured_from", min), ("measured_to", max))
        }
        | {name: np.repeat(values, n) for name, values in about.items()}
    )
    rows["counted"] = rows["counted"].where(rows["uptake"].notna(), "")
    return _with_defaults(rows, crop, order, region)


def _with_defaults(rows, crop, order, region):
    """Add the rank of each source and, per nutrient, for what it is the default: the first that gives it.

    What was read leads before what is remembered, and what is of the region before both.
    """
    keys = list(cells(rows, "crop", "nutrient", "source_key"))
    first = {}
    for i, key in enumerate(keys):
        first.setdefault(key, i)
    uptake, removed, provenance = (rows[name].to_numpy() for name in ("uptake", "removed", "provenance"))
    regions = studies()["region"].to_dict() if region else {}

    def rank(key):
        listed, learnt = order.get(key[2], len(order)), provenance[first[key]]
        by_itself = listed >= 0  # neither chosen nor brought by the user
        away = by_itself and bool(region) and regions.get(key[2]) != region
        remembered = by_itself and learnt == "from_memory"
        return away, remembered, listed, TRUST.get(learnt, len(TRUST)), key[0] != crop

    ranked = sorted(first, key=rank)
    up, off = (
        {key[1]: key for key in reversed(ranked) if not np.isnan(some[first[key]])}
        for some in (uptake, removed)
    )
    # a share is of one row: of two classes of wheat in one source, that of the uptake answers for both
    off |= {n: key for n, key in up.items() if not np.isnan(removed[first[key]]) and off[n][2] == key[2]}
    place = {key: i for i, key in enumerate(ranked)}
    uses = (("uptake", up), ("removal", off))
    default = {key: " and ".join(use for use, leads in uses if leads.get(key[1]) == key) for key in ranked}
    return rows.assign(place=[place[key] for key in keys], default=[default[key] for key in keys])


def default_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per field and nutrient from the rows marked as default; `at` is the field."""
    keys = ["at", "nutrient"]
    both = rows.loc[rows["default"] != "", [*keys, "unit"]].drop_duplicates(keys)
    for use, name, more in (
        ("uptake", "uptake", ["counted"]),
        ("removal", "removed", ["share_removed", "stays"]),
    ):
        some = rows[rows["default"].str.contains(use)].assign(row=lambda table: table.index)
        some = some[[*keys, name, *more, "source_key", "provenance", "row"]]
        names = {"source_key": f"{name}_source", "provenance": f"{name}_provenance", "row": f"{name}_row"}
        both = both.merge(some.rename(columns=names), "left", keys)
    words = ["counted", "uptake_source", "removed_source", "uptake_provenance", "removed_provenance"]
    both[words] = both[words].fillna("")
    apart = both["uptake_row"] != both["removed_row"]
    marks = zip(both["uptake_provenance"], both["removed_provenance"], strict=True)
    return both.assign(
        share_removed=both["share_removed"].mask(apart),
        stays=both["stays"].mask(apart),
        provenance=[" / ".join(dict.fromkeys(filter(None, pair))) for pair in marks],
    )[DEFAULTS]


def region_note(region: str | None, fields: pd.DataFrame, rows: pd.DataFrame, **options) -> list[str]:
    """Say that a region changes nothing in the answer, and why; nothing where it does."""
    leads = ["at", "nutrient", "uptake_source", "removed_source"]
    if region is None or not default_rows(rows)[leads].equals(
        default_rows(worked_out(fields, **options))[leads]
    ):
        return []
    told = rows.loc[rows[["uptake", "removed"]].notna().any(axis=1), "source_key"]
    of_it = told.map(studies()["region"]).eq(studied_region(region)).any()
    why = "its studies lead already" if of_it else "it has no study of this"
    return [f"The region {region_name(region)} changes nothing here: {why}."]


# ---- the rows in another order, form or unit


def in_order(rows) -> pd.DataFrame:
    """Sort by nutrient, publications first, then own analysis and trade figures."""
    order = rows["nutrient"].map(place_of)
    last = rows["source_key"].isin([ANALYSIS, TRADE])
    return (
        rows.assign(order=order, last=last)
        .sort_values(["order", "last"], kind="stable")
        .drop(columns=["order", "last"])
    )


def in_form(rows, form) -> pd.DataFrame:
    """Restate P2O5 and K2O as P and K if asked to."""
    if form == "oxide":
        return rows
    if form != "element":
        raise unknown("form", form, ("oxide", "element"))
    rows = rows.copy()
    for oxide, element in ELEMENT_OF.items():
        oxides = rows["nutrient"] == oxide
        rows.loc[oxides, list(AMOUNTS)] = to_element(rows.loc[oxides, list(AMOUNTS)], oxide)
        rows.loc[oxides, "nutrient"] = element
    return rows


def in_unit(rows, unit, area, area_unit) -> pd.DataFrame:
    """Restate amounts [lb/ac] in another unit and add those of the whole field."""
    if unit not in FIELD_UNIT:
        raise unknown_unit(unit, FIELD_UNIT)
    rows = rows.reset_index(drop=True)
    if area is not None:
        if not (np.isfinite(area) and area > 0):
            raise refuse("nutrient budget", "an area must be above 0", "give the area of the field",
                         column="area", value=area)  # fmt: skip
        for name in ("uptake", "removed", "stays"):
            rows[f"{name}_field"] = field_amounts(rows[name], area, area_unit, unit)
        rows["field_unit"] = FIELD_UNIT[unit]
    rows[list(AMOUNTS)] = convert_area_rate(rows[list(AMOUNTS)], "lb/ac", unit)
    rows["unit"] = unit
    return rows
