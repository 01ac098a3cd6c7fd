"""The answer for one field in about ten lines."""

import numpy as np
import pandas as pd

from fertkit.budget.words import keys
from fertkit.results import capital, failed, plain
from fertkit.say.leaf_unjudged import unjudged_in_short
from fertkit.say.leaf_verdict import verdict
from fertkit.say.leaf_words import check_now, finding, how_sure, low_relative
from fertkit.say.line import Kind, Line, lead, missing, notes, told
from fertkit.say.response import gain_line, net_line

MAIN = ("N", "P2O5", "K2O")
ELEMENTS = {"P2O5": "P", "K2O": "K"}
_SHORT_NOTES = 200  # characters of notes that still share one line


def field_lines(answer) -> list[Line]:
    """Say what the field needs, what the leaf and the strips say, and what carries over."""
    budget, unit = answer.budget, answer.budget.unit
    sources = keys(*(main_rows(budget)[f"{name}_source"] for name in ("uptake", "removed")))
    taken, left = (amounts(budget, name) for name in ("uptake", "removed"))
    said = [
        lead(f"{budget.crop.capitalize()}, yield goal {plain(budget.yield_goal)} {budget.yield_unit}."),
        told(f"{taken} {unit} taken up; {left} leave with the harvest ({sources}).", "Needs"),
        *map(told, budget.notes),
        *([] if answer.season is None else _when(answer)),
        *_leaf(answer.explanation, answer.applied),
    ]
    for name, trial in answer.trials.items():
        said += _trial(name, trial, answer)
    beside = [note for note in answer.notes if note]
    return said + notes(["; ".join(beside)] if 0 < sum(map(len, beside)) < _SHORT_NOTES else beside)


def main_rows(budget) -> pd.DataFrame:
    """Rows of nitrogen, phosphate and potash."""
    return budget.defaults.set_index("nutrient").reindex(MAIN).dropna(subset="uptake_source")


def amounts(budget, column: str) -> str:
    """Say the amounts of nitrogen, phosphate and potash: '246 N, 60 P2O5, 135 K2O'."""
    rows = budget.defaults.set_index("nutrient")[column].reindex(MAIN).dropna()
    return ", ".join(f"{plain(value)} {nutrient}" for nutrient, value in rows.items())


def _when(answer):
    """How much of the nutrient of the trial (else K2O) is taken up by which stage, and the published peak."""
    season = answer.season
    nutrient = answer.applied if answer.applied in season.nutrients else "K2O"
    points = season.points[season.points["used"] & (season.points["nutrient"] == nutrient)]
    points = points[points["source_key"].ne("") & points["fraction"].between(0.01, 0.99)].sort_values("day")
    parts = [f"{p.fraction:.0%} by {p.stage} ({p.source_key})" for p in points.itertuples()]
    peaks = season.peaks[(season.peaks["nutrient"] == nutrient) & season.peaks["source_key"].ne("")]
    if len(peaks):
        peak = peaks.iloc[0]
        scaled = not np.isnan(peak["published_scaled"])
        shown = peak["published_scaled"] if scaled else peak["published"]
        where = "" if scaled else ", at the yield of that study"
        parts.append(f"published peak {plain(shown)} {season.unit} a day ({peak['source_key']}{where})")
    return [told(f"of the {nutrient}, {'; '.join(parts)}.", "When")] if parts else []


def _leaf(explanation, applied, most=3):
    """The findings that are not doubtful: the nutrient of the trial first, then worst first; what to do."""
    clear = clear_findings(explanation)
    tried = clear["nutrient"] == ELEMENTS.get(applied, applied)
    clear = pd.concat([clear[tried], clear[~tried]])
    said = [told(f"{small(_found(item))}.", "Leaf") for item in clear.head(most).itertuples()]
    said += [told(f"and {len(clear) - most} more on the page.", "Leaf")] if len(clear) > most else []
    if clear.empty:
        return [told(verdict(explanation), "Leaf"), *_gaps(explanation)]
    first = next(clear.itertuples())
    about = f"{first.nutrient} in {first.label}"
    look = f"first {small(check_now(first))}; then " if first.confidence == "look first" else ""
    said.append(told(f"{look}{first.this_season or 'nothing more'}.", f"This season, {about}"))
    if first.caution:
        said.append(Line(Kind.CAUTION, f"{capital(first.caution)}.", f"Caution, {about}"))
    return [*said, *_gaps(explanation)]


def _found(item):
    found = f"{how_sure(item)} {item.label}: {finding(item)}"
    return ". ".join(filter(None, [found, low_relative(item.ratio)]))


def clear_findings(explanation) -> pd.DataFrame:
    """Findings that are not doubtful, worst first."""
    return explanation.items[explanation.items["confidence"] != "doubtful"]


def _gaps(explanation):
    """In short what is above a range, what no range judges and what is asked about; in full on the page."""
    above, scores = explanation.above, explanation.scores
    if len(above):
        causes = dict.fromkeys("; ".join(above["reasons"]).split("; "))
        yield told(f"{_where(above)}; {' or '.join(causes)}? See the page.", "Leaf, above the range")
    for r in scores.unread.itertuples():
        yield missing("Leaf, not read", f"{r.nutrient}, column '{r.column}'.")
    for text in unjudged_in_short(scores):
        yield missing("Leaf, not judged", f"{text}.")
    away = scores.conditions[scores.conditions["why"] != ""]
    if len(away):
        yield missing("Leaf, not scored", f"{'; '.join(away['who'].head(3))}; see the page.")
    asked = scores.unjudged[scores.unjudged["near_short"] != ""]
    asked = asked[asked["near_short"] == asked["near_sources"]]
    if len(asked):
        yield Line(Kind.QUESTION, f"short by a near range? {_where(asked)}; see the page.", "Leaf, question")


def _where(rows, most=3):
    """Nutrients by sample, 'Mn, Zn in North; Fe in South'; of many together, 'Mn, Zn, Fe in 8 samples'."""
    held = [(name, mine["nutrient"]) for name, mine in rows.groupby("label", sort=False)]
    if len(held) > most:
        return f"{', '.join(dict.fromkeys(rows['nutrient']))} in {len(held)} samples"
    return "; ".join(f"{', '.join(nutrients)} in {name}" for name, nutrients in held)


def _trial(name, trial, answer):
    of, best = f" of {answer.applied}" if answer.applied else "", trial.optimum
    if trial.stands_out:
        yield told(small(trial.stands_out), name)
    yield told(f"economic optimum{of}{'' if best.text[0].isdigit() else ':'} {best.text}.", name)
    yield from (told(small(text), name) for text in (gain_line(trial), net_line(trial)) if text)
    yield from (told(f"note: {text}.", name) for text in failed(trial.checks))
    if name in answer.carried:
        yield told(f"{carried_text(answer.carried[name])}.", f"Carries over, {name}")


def carried_text(ledger) -> str:
    """Say what stays of the optimum rate once the yield of the strips has left."""
    row = ledger.rows.iloc[0]
    applied, removed = round(float(row["applied"])), round(float(row["removed"]))
    text = f"{applied} {ledger.unit} of {row['nutrient']} applied, {removed} leave with what the strips yield"
    if row["nutrient"] == "N":
        return f"{text} at it; nitrogen is not counted on for next year"
    return f"{text} at it, balance {applied - removed:+d} for the next crop ({row['removed_source']})"


def small(text: str) -> str:
    """Go on in a sentence with a text that began one."""
    return text[:1].lower() + text[1:]
