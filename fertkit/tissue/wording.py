"""An explanation as text a person can read aloud."""

DEFER = (
    "Rates are local: follow your state's or province's recommendation, the product label and a certified "
    "adviser."
)
LEAVE = "No action: nothing is short by any source that holds for these samples."
NOTHING = "Nothing could be scored, so nothing can be said."
WAIT = "No action yet: everything found is doubtful. Sample again, and take a better area beside it."


def read_explanation(explanation, most: int) -> str:
    """Ranked findings with doubts, other signs, options and cautions, then what to leave alone."""
    items = explanation.items
    lines = []
    for r in items[items["confidence"] != "doubtful"].head(most).itertuples():
        lines += [f"{r.rank}. {r.confidence.capitalize()} short, {r.finding}"]
        lines += [f"   it could mislead: {r.doubts}"] if r.doubts else []
        lines += [f"   look also at: {r.also_look}"]
        lines += [f"   this season: {r.this_season}"] if r.this_season else []
        lines += [f"   next year: {r.next_year}"] if r.next_year else []
        lines += [f"   caution: {r.caution}"] if r.caution else []
        lines += [f"   sources: {r.source_key.replace(';', ', ')} ({r.provenance})"]
    seen = explanation.doubts[explanation.doubts["weakens"] == "yes"].drop_duplicates("key")
    lines += [
        f"What could make it lie, {r.key}: {r.what}. {r.look_for} ({r.source_key})" for r in seen.itertuples()
    ]
    doubtful = items[items["confidence"] == "doubtful"]
    if len(doubtful):
        names = "; ".join(f"{r.sample_id} {r.nutrient}" for r in doubtful.head(12).itertuples())
        lines.append(f"Doubtful, leave for now: {names}")
    if len(doubtful) == len(items):
        lines.append(WAIT if len(items) else LEAVE if explanation.scored else NOTHING)
    lines += [
        f"{r.step}: {r.text} ({r.source_key}, {r.provenance})" for r in explanation.stories.itertuples()
    ]
    lines += [f"Not scored: {r.sample_id}: {r.reason}" for r in explanation.unscored.itertuples()]
    return "\n".join([*lines, DEFER])
