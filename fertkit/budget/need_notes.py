"""What to know before a budget is read as needs: own rows above all uptake, and what straw holds."""

import pandas as pd

from fertkit.budget.rates import AT_HARVEST, RESIDUE_PARTS
from fertkit.budget.studies import TRADE
from fertkit.reference.crops import related_crops
from fertkit.reference.load import load_table
from fertkit.results import plain, records
from fertkit.rounding import above, same


def above_all_uptake(rows: pd.DataFrame) -> pd.DataFrame:
    """Return own rows whose removal is above all that is published as taken up, and that as `highest`."""
    own = rows["provenance"] == "own table"
    most = rows["uptake_high"].fillna(rows["uptake"]).where(~own & (rows["source_key"] != TRADE))
    highest = most.groupby([rows["at"], rows["nutrient"]]).transform("max")
    return rows.assign(highest=highest)[own & above(rows["removed"], highest)]


def straw_at_most(rows: pd.DataFrame, share) -> pd.Series:
    """Whether the straw or stover baled is counted as its share of uptake less grain, all it can hold."""
    leads = rows["default"].str.contains("uptake") & (rows["counted"] != AT_HARVEST)
    return leads & same(rows["baled"], share * (rows["uptake"] - rows["harvested"])) & (share > 0)


def exceeds(removed: str, source: str, detail: str) -> str:
    """Say that an own removal is above all published uptake."""
    return (
        f"{removed} removed by {source} exceeds the highest published uptake ({detail}): check value and unit"
    )


def above_notes(budget):
    """Say which own removal is above the highest published uptake."""
    for r in records(above_all_uptake(budget.table)):
        removed, most = (f"{plain(v)} {budget.unit}" for v in (r.removed, r.highest))
        yield exceeds(f"{r.nutrient}: {removed}", r.source_key, most) + "."


def straw_notes(budget):
    """Say by which study the straw is counted, and where the most it can hold is counted instead."""
    if budget.baled == 0:
        return
    leads = budget.table[budget.table["default"].str.contains("uptake")]
    fading = set(leads.loc[leads["harvested"].notna() & leads["removed"].isna(), "nutrient"])
    shown = budget.defaults
    for source, some in shown[shown["nutrient"].isin(fading)].groupby("removed_source", sort=False):
        by = f"by {source}, as it is at harvest" if source else f"not published{_bounds(leads, some)}"
        yield (
            f"{', '.join(some['nutrient'])}: leaves lose some before harvest, so residue is not uptake minus "
            f"grain; removal with residue is {by}."
        )
    most = budget.at_most_removed
    if most:
        yield f"{counted_whole(', '.join(most), 'K2O' in most)}.{_straw_content(budget, most)}"


def counted_whole(nutrients: str, washed: bool) -> str:
    """Say that straw is counted as the most it can hold; `washed` where potassium is among it."""
    rain = ", and rain washes potassium out" * washed
    return (
        f"{nutrients}: no published loss before harvest, so residue is counted as uptake minus "
        f"grain, the most it can hold: chaff and stubble stay{rain}"
    )


def _straw_content(budget, nutrients):
    """What publications find in a ton of straw or stover, to bound it by the weight baled."""
    table = load_table("removal")
    rows = table[table["harvested_part"].isin(RESIDUE_PARTS) & table["unit"].eq("lb/ton")]
    rows = rows[rows["crop"].isin(related_crops(budget.crop))]
    ends = rows.assign(low=rows["low"].fillna(rows["value"]), high=rows["high"].fillna(rows["value"]))
    ends = ends.groupby("nutrient").agg({"low": "min", "high": "max"}).reindex(nutrients).dropna()
    per, unit = (0.5, "kg/t") if budget.unit == "kg/ha" else (1.0, "lb/ton")
    said = [
        f"{' to '.join(dict.fromkeys(map(plain, (per * end for end in row[1:]))))} {row.Index}"
        for row in records(ends)
    ]
    part = rows["harvested_part"].iloc[0] if len(rows) else ""
    return f" Published content of {part} [{unit}]: {', '.join(said)}." if said else ""


def _bounds(leads, some):
    """Between what, nutrient by nutrient, the removal with residue lies: grain alone and all uptake."""
    rows = leads[leads["nutrient"].isin(some["nutrient"])]
    ends = [f"{r.nutrient} {plain(r.harvested)} to {plain(r.uptake)}" for r in records(rows)]
    return f", between grain alone and all uptake ({', '.join(ends)} {rows['unit'].iloc[0]})"
