"""An explanation as text a person can read aloud."""

from fertkit.reference.facts import load_facts
from fertkit.results import capital
from fertkit.tissue.ranking import VERDICTS
from fertkit.tissue.ratios import wide_alone
from fertkit.tissue.spoken import nothing_judged, why_not
from fertkit.tissue.unjudged import not_judged_lines, question_lines
from fertkit.tissue.verdict import verdict

DEFER = (
    "Rates are local: follow your state's or province's recommendation, the product label and a certified "
    "adviser."
)


def read_explanation(explanation, most: int) -> str:
    """Findings sample by sample with doubts, options and cautions, then what to leave alone, then stories."""
    away = explanation.unscored.rename(columns={"reason": "why"}).assign(samples=1)
    if not explanation.scored:
        return "\n".join([*nothing_judged(away), DEFER])
    items = explanation.items
    clear = items[items["confidence"] != "doubtful"]
    lines, certain = (
        [verdict(explanation)],
        clear.loc[clear["rank"].sort_values(kind="stable").index[:most].sort_values()],
    )
    for (_, sample), found in certain.groupby(["specimen", "label"], sort=False):
        lines.append(f"{sample}:")
        for r in found.itertuples():
            lines += _item_lines(r)
    rest = [f"{r.label} {r.nutrient} ({r.confidence})" for r in clear.drop(certain.index).itertuples()]
    if rest:
        tail = f"; and {len(rest) - 24} more" if len(rest) > 24 else ""
        lines.append(f"Short as well: {'; '.join(rest[:24])}{tail}")
    wide = wide_alone(explanation.scores.scored, items)
    lines += [f"Ratio: {line}, but not short by any source" for line in wide[:12]]
    lines += _lies(explanation)
    lines += above_lines(explanation, most)
    doubtful = items[items["confidence"] == "doubtful"]
    if len(doubtful):
        names = "; ".join(_doubtful(r) for r in doubtful.head(12).itertuples())
        more = f"; and {len(doubtful) - 12} more" if len(doubtful) > 12 else ""
        lines.append(f"Too close to call, no action on these alone: {names}{more}")
    for key, told in explanation.stories.groupby("key", sort=False):
        lines.append(f"{capital(key)}, {', '.join(dict.fromkeys(told['label']))}:")
        steps = told.drop_duplicates("step").itertuples()
        lines += [f"   {r.step}: {r.text} ({r.source_key}, {r.provenance})" for r in steps]
    lines += [f"Not judged: {line}" for line in not_judged_lines(explanation.scores)]
    lines += [f"Question: {line}" for line in question_lines(explanation.scores)]
    lines += [f"Not scored: {line}" for line in why_not(away)]
    return "\n".join([*lines, DEFER])


def how_sure(item) -> str:
    """'Likely short,' 'Possibly short,' or 'Short, but look first at ...:' for a finding to follow."""
    if item.confidence == "look first":
        return "Short, but look first at roots, water and sampling:"
    how = {"possible": "possibly", "doubtful": "doubtfully"}.get(item.confidence, item.confidence)
    return f"{capital(how)} short,"


def check_now(item) -> str:
    """What to look at before anything is bought, for a finding held back by doubts; '' if there is none."""
    facts = load_facts("distortions").set_index("key")["look_for"]
    found = [key for key in item.doubts.split("; ") if key in ("many short together", "values from memory")]
    looks = [facts[key] for key in found] or [facts["many short together"]]
    return f"{'. '.join(looks)}. See that the sample was of the right part and clean, and take a second one"


def _lies(explanation):
    """Doubts that lower the certainty, with the samples (and nutrients) they are about."""
    doubts, items = explanation.doubts, explanation.items
    doubts = doubts[doubts["weakens"].isin(["yes", "in part"])]
    for key, rows in doubts.groupby("key", sort=False):
        rows = rows[(rows["nutrient"] == "") | rows["nutrient"].isin(items["nutrient"])]
        names = {
            s: " ".join(n for n in mine["nutrient"] if n) for s, mine in rows.groupby("label", sort=False)
        }
        names = ", ".join(f"{sample} {nutrients}".strip() for sample, nutrients in names.items())
        if names:
            r = rows.iloc[0]
            yield f"What could make it lie, {key} ({names}): {r['what']}. {r['look_for']} ({r['source_key']})"


def above_lines(explanation, most: int = 6) -> list[str]:
    """What is above a range, and what could make it so: one line for each reason."""
    above, lines = explanation.above, []
    for reasons, rows in above.groupby("reasons", sort=False):
        named = "; ".join(rows["finding"].head(most))
        more = f"; and {len(rows) - most} more" if len(rows) > most else ""
        lines.append(f"Above the range: {named}{more}. It need not be uptake. {reasons}")
    return lines


def _item_lines(r):
    finding = r.finding.removeprefix(f"{r.label}: ")
    yield f"{r.rank}. {how_sure(r)} {finding}"
    told = {
        "check now": check_now(r) if r.confidence == "look first" else "",
        "it could mislead": r.doubts, "look also at": r.also_look, "this season": r.this_season,
        "next year": r.next_year, "caution": r.caution,
    }  # fmt: skip
    yield from (f"   {what}: {text}" for what, text in told.items() if text)
    yield f"   sources: {r.source_key.replace(';', ', ')} ({r.provenance})"


def _doubtful(r):
    within = r.finding.partition(", within the ")[2].partition(": ")[0]
    why = f" (within the {within})" if r.verdict == VERDICTS[4] else ""
    return f"{r.label} {r.nutrient}{why}"
