"""The answer for one field as a page to hand over."""

import pandas as pd

from fertkit.asked import asks, holding
from fertkit.report.answer import FieldAnswer
from fertkit.report.page import Section, cited, render_page
from fertkit.report.tables import Table, pick
from fertkit.report.trial import curves_table
from fertkit.results import capital
from fertkit.say.advice import LIMITS, ONE_TRIAL, listed, nutrient_cautions, trial_advice
from fertkit.say.answers import MAIN, amounts, carried_text, clear_findings, small
from fertkit.say.leaf_results import check_now, how_sure, value_text
from fertkit.say.line import Kind


@asks(answer=holding("budget", "scores", like="what answer_field gives"))
def field_page(answer: FieldAnswer) -> str:
    """The answer as one self-contained HTML page.

    Examples
    --------
    >>> from fertkit.report import field_page
    >>> from fertkit.report import answer_field
    >>> from io import StringIO
    >>> leaf = "Sample,Crop,Stage,Part,K %\\nNorth,soybean,R2,trifoliate,1.31\\n"
    >>> yields = [47.5, 51.5, 55.5, 56.5, 48.5, 52.5, 56.5, 57.5]
    >>> rows = zip([1] * 4 + [2] * 4, [0, 40, 80, 120] * 2, yields)
    >>> strips = "block,K2O lb/ac,yield bu/ac\\n" + "".join(f"{b},{x},{y}\\n" for b, x, y in rows)
    >>> answer = answer_field("soybean", 60, leaf=StringIO(leaf), strips=StringIO(strips),
    ...                       nutrient_price=0.45, grain_price=11.0)
    >>> page = field_page(answer)
    >>> "Economic optimum rate" in page, "<script" in page
    (True, False)
    """
    tables, (cautions, keys) = field_tables(answer), nutrient_cautions(answer.applied)
    sections = [_advice_section(answer, cautions), _needs_section(answer, tables)]
    if answer.season is not None:
        sections.append(_season_section(answer))
    sections += [_leaf_section(answer, tables), _explanation_section(answer)]
    sections += [_trial_section(name, trial, answer, tables) for name, trial in answer.trials.items()]
    title = f"{answer.budget.crop.capitalize()}: what it needs, what the leaf says, what the strips say"
    return render_page(
        title, sections, lead=[str(line) for line in answer.lines()], sources=cited(answer.sources, keys)
    )


def field_tables(answer: FieldAnswer) -> dict[str, Table]:
    """Give the tables of the page, by what they hold; the curves of each trial by its name."""
    tables = {"needs": _needs_table(answer.budget)}
    short = _outside(answer.scores)
    if len(short):
        tables["leaf"] = _leaf_table(short)
    return tables | {
        ("curves", name): curves_table(trial, f": {name}") for name, trial in answer.trials.items()
    }


def _needs_table(budget):
    names = {
        "nutrient": "nutrient",
        "uptake": f"taken up [{budget.unit}]",
        "removed": f"leaves [{budget.unit}]",
        "share": "share leaving [%]",
        "stays": f"stays [{budget.unit}]",
        "uptake_source": "source of uptake",
        "removed_source": "source of removal",
        "provenance": "provenance",
    }
    return pick(
        "Needs and removal", budget.defaults.assign(share=100 * budget.defaults["share_removed"]), names
    )


def _needs_section(answer, tables):
    budget = answer.budget
    return Section(
        "What the crop needs and what leaves",
        figure=budget.plot(),
        figure_says=f"{amounts(budget, 'uptake')} {budget.unit} are taken up for the yield goal; "
        f"{amounts(budget, 'removed')} leave with the harvest and the rest stays on the field.",
        tables=(tables["needs"],),
        paragraphs=(*_of_kind(budget, Kind.PRACTICE), *budget.notes),
    )


def _season_section(answer):
    season = answer.season
    by_nutrient = [f"{line.label} {line.text}." for line in season.lines() if line.label in MAIN]
    says = " ".join(
        ["Above, what is taken up so far; below, the demand a day.", *_of_kind(season, Kind.NOTE)]
    )
    return Section("When it needs it", paragraphs=tuple(by_nutrient), figure=season.plot(), figure_says=says)


def _of_kind(result, *kinds):
    return [str(line) for line in result.lines() if line.kind in kinds]


def _outside(scores):
    """Results outside a published range; a value known only to lie below or above a limit keeps its sign."""
    rows = scores.table[scores.table["class"].isin(["deficient", "low", "high", "excessive"])]
    values = [r.value if r.censored == "" else value_text(r) for r in rows.itertuples()]
    return rows.assign(value=pd.Series(values, index=rows.index, dtype=object))


def _leaf_table(short):
    names = {
        "label": "sample",
        "nutrient": "nutrient",
        "value": "value",
        "unit": "unit",
        "class": "class",
        "low": "range from",
        "high": "range to",
        "critical": "critical",
        "critical_high": "critical to",
        "probability_below": "below the limit, p",
        "source_key": "source",
        "provenance": "provenance",
        "confidence": "confidence",
    }
    return pick("Results outside a published range", short, names)


def _leaf_section(answer, tables):
    scores = answer.scores
    return Section(
        "Is it running short now?",
        figure=scores.plot(),
        figure_says=". ".join(_of_kind(scores, Kind.LEAD, Kind.TEXT)[:4]) + ".",
        tables=(tables["leaf"],) if "leaf" in tables else (),
        paragraphs=tuple(f"{capital(text)}." for text in _of_kind(scores, Kind.MISSING, Kind.QUESTION)),
        cautions=tuple(f"{capital(line.text)}." for line in scores.lines() if line.kind == Kind.CAUTION),
    )


def _explanation_section(answer):
    aside = (Kind.MISSING, Kind.QUESTION)  # said with the scores
    lines = [str(line) for line in answer.explanation.lines() if line.kind not in aside]
    title = "What could be behind it, and what can be done"
    return Section(title, paragraphs=tuple(lines), cautions=LIMITS)


def _trial_section(name, trial, answer, tables):
    of = f" of {answer.applied}" if answer.applied else ""
    carried = (f"Carries over: {carried_text(answer.carried[name])}.",) if name in answer.carried else ()
    return Section(
        f"Would more have paid? {name}",
        paragraphs=tuple(map(str, trial.lines())) + carried,
        figure=trial.plot(),
        figure_says=f"Economic optimum rate{of}: {trial.optimum.text}.",
        tables=(tables["curves", name],),
        cautions=(f"{ONE_TRIAL} {LIMITS[0]}",),
    )


def _advice_section(answer, cautions):
    """What the leaf leaves to do this season and next year, and what the strips say, each once."""
    do, leave = _on_the_leaf(clear_findings(answer.explanation)), []
    doubtful = answer.explanation.items[answer.explanation.items["confidence"] == "doubtful"]
    if len(doubtful):
        names = dict.fromkeys(f"{r.nutrient} in {r.label}" for r in doubtful.itertuples())
        why = "near a limit, or the sources differ, or a doubt explains the value"
        leave.append(f"Do not act yet on what is doubtful ({why}): {listed(list(names))}.")
    for name, trial in answer.trials.items():
        more, less = trial_advice(trial)
        do += [f"{name}: {line}" for line in more]
        leave += [line for line in less if line not in leave]
    return Section("What to do, and what not", do=tuple(do), leave=tuple(leave), cautions=cautions)


def _on_the_leaf(findings, most=4):
    """What the findings leave to do, said of a nutrient once for all samples that share it."""
    shared: dict[tuple[str, str], list[str]] = {}
    for item in findings.itertuples():
        told = [f"{how_sure(item)} {check_now(item)}"] if item.confidence == "look first" else []
        told += [f"This season, {item.this_season}"] if item.this_season else []
        told += [f"Next year, {item.next_year}"] if item.next_year else []
        if told:
            shared.setdefault((item.nutrient, small(". ".join(told))), []).append(item.label)
    return [f"{listed(names, most)}, {nutrient}: {text}." for (nutrient, text), names in shared.items()]
