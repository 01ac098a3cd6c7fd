"""Results no range judges: which, why, what to state, and where a near range would call the value short."""

import numpy as np
import pandas as pd

from fertkit.rounding import at_most, below
from fertkit.tissue.match import CONDITION

KEY = [*CONDITION, "nutrient"]
UNJUDGED_COLUMNS = [
    *("specimen", "sample_id", "label", *KEY, "value", "unit", "censored"),
    *("differs_in", "near_stage", "near_part", "near_lowest", "near_highest", "near_sources", "near_short"),
]


def unjudged_of(scored: pd.DataFrame, close: pd.DataFrame) -> pd.DataFrame:
    """One row per result without a range, with the nearest ranges that would judge it if one thing were else.

    Parameters
    ----------
    scored : DataFrame
        ``TissueScores.table``.
    close : DataFrame
        ``TissueScores.close``.

    Returns
    -------
    DataFrame
        The sample's columns, then differs_in ('' where no near range is published), near_stage, near_part,
        near_lowest and near_highest limit, near_sources, near_short (sources that would call it short).
    """
    alone = scored[(scored["source_key"] == "") & (scored["value"] > 0) & scored["unit"].ne("ratio")]
    if alone.empty:
        return pd.DataFrame(columns=UNJUDGED_COLUMNS)
    alone = alone[UNJUDGED_COLUMNS[: UNJUDGED_COLUMNS.index("differs_in")]]
    both = alone.merge(close.drop(columns="source_key").assign(key=close["source_key"]), on=KEY, how="left")
    both["limit"] = both["limit"].astype(float)
    known = both["limit"].notna() & both["censored"].isin(["", "<"])
    value, limit = both["value"], both["limit"]
    short = np.where(both["censored"] == "<", at_most(value, limit), below(value, limit))
    both["short"] = both["key"].where(known & short)
    text = {name: lambda v: "; ".join(dict.fromkeys(v.dropna())) for name in ("near_stage", "near_part")}
    rows = both.groupby(["specimen", "nutrient"], sort=False).agg(
        differs_in=("differs_in", lambda v: v.iloc[0] if isinstance(v.iloc[0], str) else ""),
        near_stage=("near_stage", text["near_stage"]),
        near_part=("near_part", text["near_part"]),
        near_lowest=("limit", "min"),
        near_highest=("limit", "max"),
        near_sources=("key", text["near_part"]),
        near_short=("short", text["near_part"]),
    )
    return alone.merge(rows.reset_index(), on=["specimen", "nutrient"])[UNJUDGED_COLUMNS]
