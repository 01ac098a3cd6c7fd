"""Scores as text a person can read aloud: what is short, what was not judged and why."""

import pandas as pd

from fertkit.tissue.oxides import CHECK as OXIDES
from fertkit.tissue.ranking import VERDICTS, named_rows, sentence
from fertkit.tissue.unjudged import not_judged_lines, question_lines
from fertkit.tissue.verdict import all_clear

CHANCES, MEMORY = "laboratory and sampling CVs", "ranges carried from memory"
ASKED = {"crop": "crop", "growth stage": "stage", "plant part": "part"}


def scored_by(scores) -> list[str]:
    """Source keys that hold for at least one result."""
    return [key for key in pd.unique(scores.scored["source_key"]) if key]


def read_aloud(scores, most: int) -> str:
    """Text summary of a TissueScores."""
    if not (scores.agreement["sources"] > 0).any():
        return "\n".join([*nothing_judged(scores.conditions), *_unstated_petioles(scores)])
    short = scores.shortfalls
    lines = [_headline(scores, short)]
    lines += [f"not scored: {line}" for line in why_not(scores.conditions) if "unknown" in line]
    ranked = short.sort_values(["rank", "share_short", "probability_below"], ascending=[True, False, False])
    lines += [sentence(r) for r in ranked.head(most).itertuples()]
    if len(short) > most:
        lines.append(f"and {len(short) - most} more (command line: --table FILE; Python: .shortfalls)")
    if short.empty:
        lines.append(all_clear(scores))
    elif scores.unread.size:
        unread = scores.unread.itertuples()
        lines += [f"not read: {r.nutrient} (column '{r.column}'): {r.why}" for r in unread]
    lines += [f"not scored: {line}" for line in why_not(scores.conditions) if "unknown" not in line]
    lines += [f"not judged: {line}" for line in not_judged_lines(scores)]
    lines += _unstated_petioles(scores)
    lines += [f"question: {line}" for line in question_lines(scores)]
    failed = scores.checks[scores.checks["passed"].eq(False)]
    told = [MEMORY, OXIDES]
    told += [CHANCES] if scores.agreement["probability_below"].notna().any() else []
    lines += [f"caution: {r.meaning}" for r in failed[failed["check"].isin(told)].itertuples()]
    return "\n".join(lines)


def _headline(scores, short):
    n = scores.scored["specimen"].nunique()
    counts = {v: short.loc[short["verdict"] == v, "specimen"].nunique() for v in VERDICTS}
    held = scores.scored.loc[scores.scored["source_key"] != "", "specimen"].nunique()
    of = _count(n, "sample") if held == n else f"{held} of {_count(n, 'sample')}"
    line = (
        f"{of} scored against {_count(len(scored_by(scores)), 'source')}: "
        f"{counts[VERDICTS[0]]} with a shortfall every source agrees on, "
        f"{counts[VERDICTS[1]]} where sources disagree"
    )
    line += f", {counts[VERDICTS[4]]} within a critical range" if counts[VERDICTS[4]] else ""
    return line + (f", {counts[VERDICTS[5]]} where a source cannot tell" if counts[VERDICTS[5]] else "")


def _unstated_petioles(scores):
    """What a word on the petiole would add."""
    unstated = scores.near[scores.near["differs_in"] == "petiole"]
    unstated = unstated[~unstated["source_key"].isin(scored_by(scores))]
    asked = scores.unjudged.loc[scores.unjudged["differs_in"] == "petiole", "plant_part"]
    unstated = unstated[~unstated["plant_part"].isin(asked)]  # already asked for what was not judged
    for part, rows in unstated.groupby("plant_part", sort=False):
        keys = ", ".join(dict.fromkeys(rows["source_key"]))
        yield f"say whether '{part}' is with or without petiole to compare with {keys} as well"


def nothing_judged(conditions: pd.DataFrame) -> list[str]:
    """Lines that say that, and why, no result could be judged (``crop``, ``why`` and ``samples``)."""
    first, *others = why_not(conditions) or ["no result can be classed, see the reason column"]
    return [f"nothing could be judged: {first}", *others]


def why_not(conditions: pd.DataFrame) -> list[str]:
    """One line for each distinct reason why samples were not scored, with what to give."""
    lines = []
    blank = conditions[conditions["why"] != ""]
    for (crop, why), rows in blank.groupby(["crop", "why"], sort=False):
        missing = [option for word, option in ASKED.items() if word in why and why.endswith("not stated")]
        hint = " and ".join(f"{option}=" for option in missing)
        typed = " ".join(f"--{option}" for option in missing)
        remedy = f"; give {hint} (command line: {typed})" if missing else ""
        named = rows["who"].iloc[0] if "who" in rows else named_rows(rows)
        named = f" ({named})" if named else ""
        lines.append(f"{_count(rows['samples'].sum(), f'{crop} sample'.strip())}{named}: {why}{remedy}")
    return lines


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"
