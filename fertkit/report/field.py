"""The answer for one field, as ten lines to read aloud and as a page to hand over."""

import numpy as np
import pandas as pd

from fertkit.reference import list_sources
from fertkit.report.answer import FieldAnswer
from fertkit.report.page import Section, render_page
from fertkit.units import convert_area_rate

LIMITS = (
    "Rates and products differ by soil, state and season: follow the local nutrient-management rules and the "
    "product label, and ask a licensed or certified adviser before you buy or spread.",
)


def field_lines(answer: FieldAnswer) -> list[str]:
    """The answer in about ten lines."""
    budget = answer.budget
    lines = [
        f"{budget.crop.capitalize()}, yield goal {budget.yield_goal:g} {budget.yield_unit}.",
        f"Needs: {_amounts(budget, 'uptake')} {budget.unit} taken up; {_amounts(budget, 'removed')} leave "
        f"with the harvest ({_sources_of(budget)}).",
        *budget.notes,
    ]
    if answer.season is not None:
        lines += _when(answer)
    lines += _leaf_lines(answer.explanation)
    for name, trial in answer.trials.items():
        lines += _trial_lines(name, trial, answer)
    return lines + [f"Note: {note}." for note in answer.notes]


def field_page(answer: FieldAnswer) -> str:
    """The answer as one self-contained HTML page."""
    sections = [_needs_section(answer)]
    if answer.season is not None:
        sections.append(_season_section(answer))
    sections += [_leaf_section(answer), _explanation_section(answer)]
    sections += [_trial_section(name, trial, answer) for name, trial in answer.trials.items()]
    title = f"{answer.budget.crop.capitalize()}: what it needs, what the leaf says, what the strips say"
    return render_page(title, sections, lead=field_lines(answer), sources=_citations(answer))


MAIN = ("N", "P2O5", "K2O")


def _amounts(budget, column):
    rows = budget.defaults.set_index("nutrient")[column].reindex(MAIN).dropna()
    return ", ".join(f"{value:.0f} {nutrient}" for nutrient, value in rows.items())


def _sources_of(budget):
    rows = budget.defaults[budget.defaults["nutrient"].isin(MAIN)]
    return "; ".join(k for k in dict.fromkeys([*rows["uptake_source"], *rows["removed_source"]]) if k)


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
        parts.append(f"published peak {shown:.2g} {season.unit} a day ({peak['source_key']}{where})")
    return [f"When: of the {nutrient}, {'; '.join(parts)}."] if parts else []


def _leaf_lines(explanation, most=3):
    """The findings that are not doubtful, worst first, and what can still be done about the first."""
    items = explanation.items[explanation.items["confidence"] != "doubtful"].head(most)
    lines = [f"Leaf: {item.confidence} short, {item.finding}." for item in items.itertuples()]
    if len(items):
        worst = items.iloc[0]
        return [
            *lines,
            f"This season: {worst['this_season'] or 'nothing more'}.",
            f"Caution: {worst['caution']}.",
        ]
    return [f"Leaf: {explanation.summary().splitlines()[0]}"]


def _trial_lines(name, trial, answer):
    of = f" of {answer.applied}" if answer.applied else ""
    gain, net = (
        f"{row.quantity}: {row.value:.3g} {row.unit}" for row in trial.gain.iloc[[0, -1]].itertuples()
    )
    lines = [f"{name}: economic optimum{of} {trial.optimum.text}.", f"{name}: {gain}; {net}."]
    notes = trial.checks.loc[~trial.checks["passed"].astype(bool), "meaning"]
    lines += [f"{name}: note: {note}." for note in notes]
    if name in answer.carried:
        lines.append(f"Carries over, {name}: {_carried(answer.carried[name], answer.budget.unit)}.")
    return lines


def _carried(ledger, unit):
    """What stays of the optimum rate once the yield of the strips has left."""
    row = ledger.rows.iloc[0]
    applied, removed = (
        round(float(convert_area_rate(row[name], "lb/ac", unit))) for name in ("applied", "removed")
    )
    text = f"{applied} {unit} of {row['nutrient']} applied, {removed} leave with what the strips yield at it"
    if row["nutrient"] == "N":
        return text + "; nitrogen is not counted on for next year"
    return text + f", balance {applied - removed:+d} for the next crop ({row['removed_source']})"


def _needs_section(answer):
    budget = answer.budget
    shown = budget.defaults.assign(
        share=budget.defaults["share_removed"].map(lambda v: "" if np.isnan(v) else f"{v:.0%}")
    )
    columns = {
        "nutrient": "nutrient",
        "uptake": f"taken up [{budget.unit}]",
        "removed": f"leaves [{budget.unit}]",
        "share": "share leaving",
        "stays": f"stays [{budget.unit}]",
        "uptake_source": "source of uptake",
        "removed_source": "source of removal",
        "provenance": "provenance",
    }
    return Section(
        "What the crop needs and what leaves",
        figure=budget.plot(),
        figure_says=f"{_amounts(budget, 'uptake')} {budget.unit} are taken up for the yield goal; "
        f"{_amounts(budget, 'removed')} leave with the harvest and the rest stays on the field.",
        table=_shown(shown, columns),
        paragraphs=tuple(line for line in budget.summary().splitlines() if line.startswith("Common practice"))
        + budget.notes,
    )


def _season_section(answer):
    lines = [" ".join(line.split()) for line in answer.season.summary().splitlines()[1:]]
    says = ". ".join(line for line in lines[:-1] if line.split()[0] in MAIN) + ". " + lines[-1]
    return Section("When it needs it", figure=answer.season.plot(), figure_says=says)


def _leaf_section(answer):
    columns = {
        "sample_id": "sample",
        "nutrient": "nutrient",
        "value": "value",
        "unit": "unit",
        "class": "class",
        "low": "range from",
        "high": "to",
        "critical": "critical",
        "critical_high": "to ",
        "probability_below": "p below",
        "source_key": "source",
        "provenance": "provenance",
        "confidence": "confidence",
    }
    scored = answer.scores.table
    short = scored[scored["class"].isin(["deficient", "low", "high", "excessive"])]
    lines = answer.scores.summary().splitlines()
    return Section(
        "Is it running short now?",
        figure=answer.scores.plot(),
        figure_says=". ".join(lines[:4]) + ".",
        paragraphs=("Results outside a published range, source by source:",) if len(short) else (),
        table=_shown(short, columns) if len(short) else None,
        cautions=tuple(line.removeprefix("caution: ") for line in lines if line.startswith("caution: ")),
    )


def _explanation_section(answer):
    return Section(
        "What could be behind it, and what can be done",
        paragraphs=tuple(answer.explanation.summary().splitlines()),
        cautions=LIMITS,
    )


def _trial_section(name, trial, answer):
    of = f" of {answer.applied}" if answer.applied else ""
    carried = (
        (f"Carries over: {_carried(answer.carried[name], answer.budget.unit)}.",)
        if name in answer.carried
        else ()
    )
    return Section(
        f"Would more have paid? {name}",
        paragraphs=tuple(trial.summary().splitlines()) + carried,
        figure=trial.plot(),
        figure_says=f"Economic optimum rate{of}: {trial.optimum.text}.",
        table=_curves(trial),
        cautions=("One trial is one field in one season. " + LIMITS[0],),
    )


def _curves(trial):
    """What each curve says on its own; with two rates, the difference."""
    if trial.comparison is None:
        return _shown(trial.gain, {name: name for name in trial.gain.columns})
    columns = {
        "label": "curve",
        "optimum_text": f"optimum and {trial.level:.0%} interval [{trial.rate_unit}]",
        "aicc": "AICc",
        "weight": "weight",
        "lack_of_fit_p": "lack of fit, p",
    }
    return _shown(trial.table, columns)


def _shown(frame: pd.DataFrame, columns: dict) -> pd.DataFrame:
    """Columns renamed for reading, numbers to three significant digits, gaps left blank."""
    frame = frame[list(columns)].rename(columns=columns)
    return frame.map(
        lambda cell: (
            "" if cell is None or cell != cell else f"{cell:.3g}" if isinstance(cell, float) else cell
        )
    )


def _citations(answer):
    asked = [answer.budget, answer.season, answer.scores, answer.explanation, *answer.trials.values()]
    return list_sources(pd.concat([result.sources for result in asked if result is not None])["source_key"])
