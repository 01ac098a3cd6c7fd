"""An explanation as text a person can read aloud."""

from fertkit.tissue.ranking import VERDICTS, nothing_judged, why_not

DEFER = (
    "Rates are local: follow your state's or province's recommendation, the product label and a certified "
    "adviser."
)
LEAVE = "No action: nothing is short by any source that holds for these samples."
WAIT = "No action yet: everything found is doubtful. Sample again, and take a better area beside it."


def read_explanation(explanation, most: int) -> str:
    """Findings sample by sample with doubts, options and cautions, then what to leave alone, then stories."""
    away = explanation.unscored.rename(columns={"reason": "why"}).assign(samples=1)
    if not explanation.scored:
        return "\n".join([*nothing_judged(away), DEFER])
    items = explanation.items
    lines, certain = [], items[items["confidence"] != "doubtful"].head(most)
    for (_, sample), found in certain.groupby(["specimen", "sample_id"], sort=False):
        lines.append(f"{sample}:")
        for r in found.itertuples():
            lines += _item_lines(r)
    seen = explanation.doubts[explanation.doubts["weakens"] == "yes"].drop_duplicates("key")
    lines += [
        f"What could make it lie, {r.key}: {r.what}. {r.look_for} ({r.source_key})" for r in seen.itertuples()
    ]
    doubtful = items[items["confidence"] == "doubtful"]
    if len(doubtful):
        names = "; ".join(_doubtful(r) for r in doubtful.head(12).itertuples())
        lines.append(f"Doubtful, leave for now: {names}")
    if len(doubtful) == len(items):
        lines.append(WAIT if len(items) else LEAVE)
    for key, told in explanation.stories.groupby("key", sort=False):
        lines.append(f"{key[:1].upper()}{key[1:]}, {', '.join(dict.fromkeys(told['sample_id']))}:")
        steps = told.drop_duplicates("step").itertuples()
        lines += [f"   {r.step}: {r.text} ({r.source_key}, {r.provenance})" for r in steps]
    lines += [f"Not scored: {line}" for line in why_not(away)]
    return "\n".join([*lines, DEFER])


def _item_lines(r):
    finding = r.finding.removeprefix(f"{r.sample_id}: ")
    yield f"{r.rank}. {r.confidence.capitalize()} short, {finding}"
    told = {
        "it could mislead": r.doubts, "look also at": r.also_look, "this season": r.this_season,
        "next year": r.next_year, "caution": r.caution,
    }  # fmt: skip
    yield from (f"   {what}: {text}" for what, text in told.items() if text)
    yield f"   sources: {r.source_key.replace(';', ', ')} ({r.provenance})"


def _doubtful(r):
    within = r.finding.partition(", within the ")[2].partition(": ")[0]
    why = f" (within the {within})" if r.verdict == VERDICTS[4] else ""
    return f"{r.sample_id} {r.nutrient}{why}"
