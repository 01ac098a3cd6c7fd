"""The rows of a budget: one per nutrient and source, in the form and unit the user asked for."""

import numpy as np
import pandas as pd

from fertkit.budget.rates import NUTRIENT_ORDER, OXIDE_OF, default_order, derivation
from fertkit.budget.yields import number, refuse, yield_lb_ac
from fertkit.errors import UnitError, unknown
from fertkit.reference.crops import trade_moisture_pct
from fertkit.reference.load import load_table
from fertkit.units import ACRE_HA, LB_KG, convert_area_rate, convert_concentration, from_element, to_element

AMOUNTS = ("uptake", "harvested", "baled", "removed", "stays", "low", "high")
FIELD_UNIT = {"lb/ac": "lb", "kg/ha": "kg"}
AREA_UNITS = {"ac": 1.0, "ha": 1 / ACRE_HA}
ELEMENT_OF = {oxide: element for element, oxide in OXIDE_OF.items()}
OWN, TRADE = "own analysis", "COMMON_PRACTICE"


def rate_rows(rates, amount) -> pd.DataFrame:
    """Lay out one field's amounts as rows, one per source and nutrient [lb/ac]."""
    rows = pd.DataFrame(
        {
            "crop": [r.crop for r in rates],
            "nutrient": [r.nutrient for r in rates],
            "source_key": [r.source_key for r in rates],
            **{name: values[:, 0] for name, values in amount.items()},
        }
    )
    rows["unit"] = "lb/ac"
    rows["default"] = ""
    rows["provenance"] = [r.provenance for r in rates]
    rows["confidence"] = [r.confidence for r in rates]
    rows["derivation"] = [derivation(r) for r in rates]
    rows["note"] = [r.note for r in rates]
    return rows


def mark_defaults(rows: pd.DataFrame, crop: str) -> None:
    """Fill the `default` column: the first source of the crop's order with both, else one for each."""
    order = default_order(crop)
    trust = {"found": 0, "derived": 1, "mixed": 2}
    cells = rows[["source_key", "provenance", "crop", "nutrient", "uptake", "removed"]].to_dict("list")
    place = [
        (order.index(key) if key in order else len(order), trust.get(provenance, 3), own != crop)
        for key, provenance, own in zip(cells["source_key"], cells["provenance"], cells["crop"], strict=True)
    ]
    ranked = sorted(range(len(place)), key=place.__getitem__)
    default = [""] * len(place)
    for nutrient in dict.fromkeys(cells["nutrient"]):
        mine = [i for i in ranked if cells["nutrient"][i] == nutrient]
        up = [i for i in mine if not np.isnan(cells["uptake"][i])]
        off = [i for i in mine if not np.isnan(cells["removed"][i])]
        both = [i for i in up if i in off][:1]
        for choice, use in ((both or up[:1], "uptake"), (both or off[:1], "removal")):
            for i in choice:
                default[i] = f"{default[i]} and {use}" if default[i] else use
    rows["default"] = default


def default_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per nutrient from the rows marked as default."""
    answer = []
    for nutrient, group in rows[rows["default"] != ""].groupby("nutrient", sort=False):
        up = group[group["default"].str.contains("uptake")]
        off = group[group["default"].str.contains("removal")]
        same = len(up) and len(off) and up.index[0] == off.index[0]
        answer.append(
            {
                "nutrient": nutrient,
                "uptake": _only(up, "uptake"),
                "removed": _only(off, "removed"),
                "share_removed": _only(off, "share_removed") if same else np.nan,
                "stays": _only(off, "stays") if same else np.nan,
                "unit": group["unit"].iloc[0],
                "uptake_source": up["source_key"].iloc[0] if len(up) else "",
                "removed_source": off["source_key"].iloc[0] if len(off) else "",
                "provenance": " / ".join(dict.fromkeys(group["provenance"])),
            }
        )
    return pd.DataFrame(answer)


def _only(rows, name):
    return rows[name].iloc[0] if len(rows) else np.nan


def field_amounts(lb_ac, area, area_unit: str, unit: str):
    """Amount in a whole field [lb or kg] from an amount per acre [lb/ac] and an area."""
    if area_unit not in AREA_UNITS:
        raise UnitError(f"unknown unit of area '{area_unit}'; use one of: {', '.join(AREA_UNITS)}")
    return lb_ac * np.asarray(area, dtype=float) * AREA_UNITS[area_unit] * (LB_KG if unit == "kg/ha" else 1.0)


def analysis_rows(crop, part, pounds, moisture_pct, analysis, unit) -> pd.DataFrame:
    """Removal from the user's own analysis of the dry harvested part [lb/ac]."""
    if not analysis:
        return pd.DataFrame()
    moisture = trade_moisture_pct(crop) if part == "grain" else moisture_pct
    if moisture is None:
        what, remedy = (
            f"an analysis of {part} is on dry matter",
            f"give the moisture of the {part} as weighed",
        )
        raise UnitError(what, "moisture_pct=...", remedy=remedy)
    rows = []
    for nutrient, value in analysis.items():
        oxide = OXIDE_OF.get(nutrient, nutrient)
        percent = convert_concentration(number("grain analysis", nutrient, value), unit, "%")
        if oxide not in NUTRIENT_ORDER:
            raise unknown("nutrient", nutrient, (*NUTRIENT_ORDER, *OXIDE_OF))
        if not 0 <= percent <= 100:
            raise refuse("grain analysis", "not a share of dry matter", f"give 0 to 100 % in {unit}",
                         column=nutrient, value=value)  # fmt: skip
        taken = pounds * (1 - moisture / 100) * percent / 100
        taken = from_element(taken, oxide) if nutrient in OXIDE_OF else taken
        rows.append(_row(crop, oxide, OWN, removed=taken, harvested=taken, provenance="own table",
                         confidence="as supplied"))  # fmt: skip
    return pd.DataFrame(rows)


def trade_rows(crop, part, pounds) -> pd.DataFrame:
    """Trade figures of a grain crop scaled to the yield [lb/ac]; common practice, no source."""
    table = load_table("common_practice")
    rows = []
    for r in table[(table["crop"] == crop) & (part == "grain")].itertuples():
        factor = pounds / yield_lb_ac(crop, r.yield_amount, r.yield_unit)
        taken, off = r.uptake_lb_ac * factor, r.removed_lb_ac * factor
        note = f"{r.note}, quoted for {r.yield_amount:g} {r.yield_unit}, scaled in proportion"
        rows.append(_row(crop, r.nutrient, r.source_key, uptake=taken, harvested=off, removed=off,
                         share_removed=off / taken if taken else np.nan, stays=taken - off,
                         provenance=r.provenance, confidence=r.confidence, note=note))  # fmt: skip
    return pd.DataFrame(rows)


def _row(crop, nutrient, source, **values):
    blank = dict.fromkeys((*AMOUNTS, "share_removed"), np.nan)
    words = {"unit": "lb/ac", "default": "", "derivation": "", "note": ""}
    return {"crop": crop, "nutrient": nutrient, "source_key": source} | blank | words | values


def keep_nutrients(rows, nutrients) -> pd.DataFrame:
    """Keep the rows of some nutrients, named as oxide or element."""
    if nutrients is None:
        return rows
    written = {n.casefold(): n for n in (*NUTRIENT_ORDER, *OXIDE_OF)}
    wanted = [OXIDE_OF.get(n, n) for n in (written.get(str(n).strip().casefold(), n) for n in nutrients)]
    for name, oxide in zip(nutrients, wanted, strict=True):
        if oxide not in NUTRIENT_ORDER:
            raise unknown("nutrient", name, (*NUTRIENT_ORDER, *OXIDE_OF))
    return rows[rows["nutrient"].isin(wanted)]


def in_order(rows) -> pd.DataFrame:
    """Sort by nutrient, publications first, then own analysis and trade figures."""
    order = rows["nutrient"].map(NUTRIENT_ORDER.index)
    last = rows["source_key"].isin([OWN, TRADE])
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
        mine = rows["nutrient"] == oxide
        rows.loc[mine, list(AMOUNTS)] = to_element(rows.loc[mine, list(AMOUNTS)], oxide)
        rows.loc[mine, "nutrient"] = element
    return rows


def in_unit(rows, unit, area, area_unit) -> pd.DataFrame:
    """Restate amounts [lb/ac] in another unit and add those of the whole field."""
    if unit not in FIELD_UNIT:
        raise UnitError(f"unknown unit '{unit}' for a nutrient amount; use one of: {', '.join(FIELD_UNIT)}")
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
