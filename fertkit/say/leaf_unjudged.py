"""Results no range judges: which, why, what to state, and where a near range would call the value short."""

from fertkit.errors import Note, typed
from fertkit.intake.parts import adds_petiole, plant_part
from fertkit.results import counted, plain
from fertkit.say.leaf_words import limits_text, value_text
from fertkit.say.line import Kind, Line
from fertkit.tissue.match import CONDITION

_MOST = 6  # samples named one by one
ASKED = {
    "petiole": "was the petiole on the leaf or off",
    "stage": "is it the stage the file says",
    "part": "is it the part the file says",
}


def not_judged_lines(scores) -> list[Line]:
    """Say, for each kind of sample judged in part, which nutrients were not, why, and what to state."""
    table = scores.unjudged
    held = scores.scored.loc[scores.scored["source_key"] != "", "specimen"].unique()
    partly = table[table["specimen"].isin(held)]
    said = []
    for (*condition, differs), rows in partly.groupby([*CONDITION, "differs_in"], sort=False):
        names = list(dict.fromkeys(rows["label"]))
        who = ", ".join(names[:_MOST]) + (f" and {len(names) - _MOST} more" if len(names) > _MOST else "")
        why = _why(condition, differs, rows)
        text = f"{_nutrients(rows)} in {who}: {why}"
        said.append(Line(Kind.MISSING, text, "Not judged", in_code=why.in_code))
    return said


def _nutrients(rows):
    return ", ".join(dict.fromkeys(rows["nutrient"]))


def unjudged_in_short(scores) -> list[str]:
    """Say in one short line which nutrients were not judged, in how many samples, and what to state."""
    table = scores.unjudged
    if table.empty:
        return []
    asked = table[table["differs_in"] == "petiole"].drop_duplicates(CONDITION)
    states = dict.fromkeys(s for r in asked.itertuples() for s in _states(r.crop, r.plant_part, r.near_part))
    line = f"{_nutrients(table)} in {counted(table['specimen'].nunique(), 'sample')}"
    return [f"{line}; write the plant part as {' or '.join(states)}" if states else f"{line}: no range holds"]


def _states(crop, part, near):
    """What to state so that a range of a part with or without petiole holds."""
    parts = [p for p in near.split("; ") if adds_petiole(crop, part, p)]
    kinds = dict.fromkeys(plant_part(crop, p) for p in parts)
    return [f'"{sorted(kind.names)[0]} {kind.petiole} petiole"' for kind in kinds]


def _why(condition, differs, rows):
    crop, stage, part = condition
    states = _states(crop, part, "; ".join(rows["near_part"]))
    if differs == "petiole" and states:
        return Note(
            f"the sample does not say whether '{part}' is with or without petiole, and the ranges are for "
            f"one of them ({_each(rows['near_sources'])}); write it as the plant part: {' or '.join(states)}",
            typed(f"--part {states[0]}", f"part={states[0]}"),
        )
    if differs:
        first = rows.iloc[0]
        near = f"{first['near_part'].split('; ')[0]} at {first['near_stage'].split('; ')[0]}"
        return Note(f"no range for {part}, {stage}; ranges of another {differs} are published: {near}")
    return Note(f"no range of {crop} is carried for this")


def _each(lists):
    """Entries of some lists, each once."""
    return ", ".join(dict.fromkeys("; ".join(lists).split("; ")))


def question_lines(scores) -> list[Line]:
    """Ask about values a range of another part or stage would call short, the clearest first.

    What is asked of several samples is one question: it counts them by nutrient.
    """
    short = scores.unjudged
    short = short[short["near_short"] != ""]
    short = short.assign(
        where=short["near_part"].str.split("; ").str[0] + " at " + short["near_stage"].str.split("; ").str[0],
        every=short["near_short"] == short["near_sources"],
        share=short["value"] / short["near_lowest"],
    ).sort_values(["every", "share"], ascending=[False, True], kind="stable")
    said = []
    for (where, differs), rows in short.groupby(["where", "differs_in"], sort=False):
        n = rows["specimen"].nunique()
        by_nutrient = rows.groupby("nutrient", sort=False)
        told = [_of_one(r) for r in rows.itertuples()] if n == 1 else [_of_many(*one) for one in by_nutrient]
        text = (
            f"{ASKED[differs]}{f' in {n} samples' if n > 1 else ''}? By the range for {where} short would be"
        )
        said.append(Line(Kind.QUESTION, text, "Question", tuple(told)))
    return said


def _of_many(nutrient, rows):
    ends = rows["value"].agg(["min", "max"])
    values = " to ".join(dict.fromkeys(map(plain, ends)))
    limits = _limits(rows["near_lowest"].min(), rows["near_highest"].max())
    n = rows["specimen"].nunique()
    return f"{nutrient} in {n} ({values} {rows['unit'].iloc[0]}; {limits}, {_each(rows['near_short'])})"


def _limits(lowest, highest):
    limits = limits_text(lowest, highest)
    return f"limits {limits}" if " to " in limits else f"limit {limits}"


def _of_one(r):
    limits = _limits(r.near_lowest, r.near_highest)
    return f"{r.nutrient} {value_text(r)} {r.unit} in {r.label} ({limits}, {_each([r.near_short])})"
