"""Results no range judges: which, why, what to state, and where a near range would call the value short."""

import numpy as np
import pandas as pd

from fertkit.intake.parts import adds_petiole, plant_part
from fertkit.results import plain
from fertkit.rounding import at_most, below
from fertkit.tissue.match import CONDITION
from fertkit.tissue.ranking import limit_text, value_text

KEY = [*CONDITION, "nutrient"]
ASKED = {
    "petiole": "was the petiole on the leaf or off",
    "stage": "is it the stage the file says",
    "part": "is it the part the file says",
}
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


def not_judged_lines(scores, most: int = 6) -> list[str]:
    """For each kind of sample judged in part: the nutrients that were not, why, and what to state."""
    table = scores.unjudged
    held = scores.scored.loc[scores.scored["source_key"] != "", "specimen"].unique()
    partly = table[table["specimen"].isin(held)]
    lines = []
    for (*condition, differs), rows in partly.groupby([*CONDITION, "differs_in"], sort=False):
        nutrients = ", ".join(dict.fromkeys(rows["nutrient"]))
        names = list(dict.fromkeys(rows["label"]))
        who = ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")
        lines.append(f"{nutrients} in {who}: {_why(condition, differs, rows)}")
    return lines


def unjudged_in_short(scores) -> list[str]:
    """One short line: the nutrients that were not judged, in how many samples, and what to state."""
    table = scores.unjudged
    if table.empty:
        return []
    asked = table[table["differs_in"] == "petiole"].drop_duplicates(CONDITION)
    states = dict.fromkeys(s for r in asked.itertuples() for s in _states(r.crop, r.plant_part, r.near_part))
    n = table["specimen"].nunique()
    line = f"{', '.join(dict.fromkeys(table['nutrient']))} in {n} sample{'s' * (n > 1)}"
    return [f"{line}; state the part with {' or '.join(states)}" if states else f"{line}: no range holds"]


def _states(crop, part, near):
    """What to state so that a range of a part with or without petiole holds."""
    parts = [p for p in near.split("; ") if adds_petiole(crop, part, p)]
    kinds = dict.fromkeys(plant_part(crop, p) for p in parts)
    return [f'--part "{sorted(kind.names)[0]} {kind.petiole} petiole"' for kind in kinds]


def _why(condition, differs, rows):
    crop, stage, part = condition
    states = _states(crop, part, "; ".join(rows["near_part"]))
    if differs == "petiole" and states:
        sources = ", ".join(dict.fromkeys("; ".join(rows["near_sources"]).split("; ")))
        return (
            f"the sample does not say whether '{part}' is with or without petiole, and the ranges are for "
            f"one of them ({sources}); state it, e.g. {' or '.join(states)} (Python: part=)"
        )
    if differs:
        return f"no range for {part}, {stage}; ranges of another {differs} are published: {_first(rows)}"
    return f"no range of {crop} is carried for this"


def _first(rows):
    r = rows.iloc[0]
    return f"{r['near_part'].split('; ')[0]} at {r['near_stage'].split('; ')[0]}"


def question_lines(scores) -> list[str]:
    """Values a range of another part or stage would call short: asked about, the clearest first.

    What is asked of several samples is one question: it counts them by nutrient.
    """
    short = scores.unjudged
    short = short[short["near_short"] != ""]
    short = short.assign(
        where=short["near_part"].str.split("; ").str[0] + " at " + short["near_stage"].str.split("; ").str[0],
        every=short["near_short"] == short["near_sources"],
        share=short["value"] / short["near_lowest"],
    ).sort_values(["every", "share"], ascending=[False, True], kind="stable")
    lines = []
    for (where, differs), rows in short.groupby(["where", "differs_in"], sort=False):
        n = rows["specimen"].nunique()
        if n > 1:
            told = [_question_of_many(name, mine) for name, mine in rows.groupby("nutrient", sort=False)]
            of = f" in {n} samples"
        else:
            told, of = [_question(r) for r in rows.itertuples()], ""
        lines.append(f"{ASKED[differs]}{of}? By the range for {where} short would be {'; '.join(told)}")
    return lines


def _question_of_many(nutrient, rows):
    ends = rows["value"].agg(["min", "max"])
    values = " to ".join(dict.fromkeys(map(plain, ends)))
    limits = _limits(rows["near_lowest"].min(), rows["near_highest"].max())
    keys = ", ".join(dict.fromkeys("; ".join(rows["near_short"]).split("; ")))
    n = rows["specimen"].nunique()
    return f"{nutrient} in {n} ({values} {rows['unit'].iloc[0]}; {limits}, {keys})"


def _limits(lowest, highest):
    ends = dict.fromkeys([limit_text(lowest), limit_text(highest)])
    return f"limit{'s' * (len(ends) > 1)} {' to '.join(ends)}"


def _question(r):
    keys = r.near_short.replace("; ", ", ")
    limits = _limits(r.near_lowest, r.near_highest)
    return f"{r.nutrient} {value_text(r)} {r.unit} in {r.label} ({limits}, {keys})"
