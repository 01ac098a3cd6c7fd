"""The answer for one field, as ten lines to read aloud and as a page to hand over."""

import numpy as np
import pandas as pd

from fertkit.asked import asks, holding
from fertkit.report.advice import LIMITS, ONE_TRIAL, listed, nutrient_cautions, trial_advice
from fertkit.report.answer import FieldAnswer
from fertkit.report.page import Section, cited, render_page
from fertkit.report.tables import Table, pick
from fertkit.report.trial import curves_table
from fertkit.response.gain import gain_lines
from fertkit.results import capital, failed, plain
from fertkit.tissue.above import REASONS
from fertkit.tissue.ranking import value_text
from fertkit.tissue.unjudged import unjudged_in_short
from fertkit.tissue.wording import check_now, how_sure


@asks(answer=holding("budget", "scores", like="what answer_field gives"))
def field_lines(answer: FieldAnswer) -> list[str]:
    """The answer in about ten lines.

    Examples
    --------
    >>> from fertkit.report import field_lines
    >>> from fertkit.report import answer_field
    >>> from io import StringIO
    >>> leaf = "Sample,Crop,Stage,Part,K %\\nNorth,soybean,R2,trifoliate,1.31\\n"
    >>> yields = [47.5, 51.5, 55.5, 56.5, 48.5, 52.5, 56.5, 57.5]
    >>> rows = zip([1] * 4 + [2] * 4, [0, 40, 80, 120] * 2, yields)
    >>> strips = "block,K2O lb/ac,yield bu/ac\\n" + "".join(f"{b},{x},{y}\\n" for b, x, y in rows)
    >>> answer = answer_field("soybean", 60, leaf=StringIO(leaf), strips=StringIO(strips),
    ...                       nutrient_price=0.45, grain_price=11.0)
    >>> field_lines(answer)[0]
    'Soybean, yield goal 60 bu/ac.'
    """
    budget = answer.budget
    lines = [
        f"{budget.crop.capitalize()}, yield goal {plain(budget.yield_goal)} {budget.yield_unit}.",
        f"Needs: {_amounts(budget, 'uptake')} {budget.unit} taken up; {_amounts(budget, 'removed')} leave "
        f"with the harvest ({_sources_of(budget)}).",
        *budget.notes,
    ]
    if answer.season is not None:
        lines += _when(answer)
    lines += _leaf_lines(answer.explanation, answer.applied)
    for name, trial in answer.trials.items():
        lines += _trial_lines(name, trial, answer)
    notes = ["; ".join(answer.notes)] if sum(map(len, answer.notes)) < 200 else answer.notes
    return lines + [f"Note: {note}." for note in notes if note]


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
    return render_page(title, sections, lead=field_lines(answer), sources=cited(answer.sources, keys))


def field_tables(answer: FieldAnswer) -> dict[str, Table]:
    """Give the tables of the page, by what they hold; the curves of each trial by its name."""
    tables = {"needs": _needs_table(answer.budget)}
    short = _outside(answer.scores)
    if len(short):
        tables["leaf"] = _leaf_table(short)
    return tables | {
        ("curves", name): curves_table(trial, f": {name}") for name, trial in answer.trials.items()
    }


MAIN = ("N", "P2O5", "K2O")
ELEMENTS = {"P2O5": "P", "K2O": "K"}


def _amounts(budget, column):
    rows = budget.defaults.set_index("nutrient")[column].reindex(MAIN).dropna()
    return ", ".join(f"{plain(value)} {nutrient}" for nutrient, value in rows.items())


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
        parts.append(f"published peak {plain(shown)} {season.unit} a day ({peak['source_key']}{where})")
    return [f"When: of the {nutrient}, {'; '.join(parts)}."] if parts else []


def _leaf_lines(explanation, applied="", most=3):
    """The findings that are not doubtful: the nutrient of the trial first, then worst first; what to do."""
    clear = _clear(explanation)
    tried = clear["nutrient"] == ELEMENTS.get(applied, applied)
    clear = pd.concat([clear[tried], clear[~tried]])
    lines = [f"Leaf: {_words(item)}." for item in clear.head(most).itertuples()]
    lines += [f"Leaf: and {len(clear) - most} more on the page."] if len(clear) > most else []
    if clear.empty:
        lines.append(f"Leaf: {explanation.summary().splitlines()[0]}")
    else:
        first = clear.iloc[0]
        about = f"{first['nutrient']} in {first['label']}"
        lines.append(f"This season, {about}: {_first_look(first)}{first['this_season'] or 'nothing more'}.")
        lines += [f"Caution, {about}: {capital(first['caution'])}."] if first["caution"] else []
    return lines + _leaf_gaps(explanation)


def _leaf_gaps(explanation):
    """In short what is above a range, what no range judges and what is asked about; in full on the page."""
    above, scores = explanation.above, explanation.scores
    lines = []
    if len(above):
        causes = dict.fromkeys(r for text in above["reasons"] for r in REASONS if r in text.lower())
        lines.append(f"Leaf, above the range: {_where(above)}; {' or '.join(causes)}? See the page.")
    lines += [f"Leaf, not read: {r.nutrient}, column '{r.column}'." for r in scores.unread.itertuples()]
    lines += [f"Leaf, not judged: {line}." for line in unjudged_in_short(scores)]
    away = scores.conditions[scores.conditions["why"] != ""]
    if len(away):
        lines.append(f"Leaf, not scored: {'; '.join(away['who'].head(3))}; see the page.")
    asked = scores.unjudged[scores.unjudged["near_short"] != ""]
    asked = asked[asked["near_short"] == asked["near_sources"]]
    return lines + (
        [f"Leaf, question: short by a near range? {_where(asked)}; see the page."] if len(asked) else []
    )


def _where(rows, most=3):
    """Nutrients by sample, 'Mn, Zn in North; Fe in South'; of many together, 'Mn, Zn, Fe in 8 samples'."""
    held = [(name, mine["nutrient"]) for name, mine in rows.groupby("label", sort=False)]
    if len(held) > most:
        return f"{', '.join(dict.fromkeys(rows['nutrient']))} in {len(held)} samples"
    return "; ".join(f"{', '.join(nutrients)} in {name}" for name, nutrients in held)


def _words(item):
    return f"{_small(how_sure(item))} {item.finding}"


def _first_look(item):
    return f"first {_small(check_now(item))}; then " if item["confidence"] == "look first" else ""


def _small(text):
    return text[:1].lower() + text[1:]


def _clear(explanation):
    """Findings that are not doubtful, worst first."""
    return explanation.items[explanation.items["confidence"] != "doubtful"]


def _trial_lines(name, trial, answer):
    of, best = f" of {answer.applied}" if answer.applied else "", trial.optimum
    lines = [f"{name}: {_small(trial.stands_out)}"] if trial.stands_out else []
    lines.append(f"{name}: economic optimum{of}{'' if best.text[0].isdigit() else ':'} {best.text}.")
    lines += [f"{name}: {_small(line)}" for line in gain_lines(trial)[::2]]
    lines += [f"{name}: note: {note}." for note in failed(trial.checks)]
    if name in answer.carried:
        lines.append(f"Carries over, {name}: {_carried(answer.carried[name])}.")
    return lines


def _carried(ledger):
    """What stays of the optimum rate once the yield of the strips has left."""
    row = ledger.rows.iloc[0]
    applied, removed = round(float(row["applied"])), round(float(row["removed"]))
    text = f"{applied} {ledger.unit} of {row['nutrient']} applied, {removed} leave with what the strips yield"
    text += " at it"
    if row["nutrient"] == "N":
        return text + "; nitrogen is not counted on for next year"
    return text + f", balance {applied - removed:+d} for the next crop ({row['removed_source']})"


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
        figure_says=f"{_amounts(budget, 'uptake')} {budget.unit} are taken up for the yield goal; "
        f"{_amounts(budget, 'removed')} leave with the harvest and the rest stays on the field.",
        tables=(tables["needs"],),
        paragraphs=tuple(line for line in budget.summary().splitlines() if line.startswith("Common practice"))
        + budget.notes,
    )


def _season_section(answer):
    lines = [" ".join(line.split()) for line in answer.season.summary().splitlines()[1:]]
    by_nutrient = tuple(f"{line}." for line in lines[:-1] if line.split()[0] in MAIN)
    says = f"Above, what is taken up so far; below, the demand a day. {lines[-1]}"
    return Section("When it needs it", paragraphs=by_nutrient, figure=answer.season.plot(), figure_says=says)


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


#: Starts of lines on what was not judged; said once, with the scores.
_ASIDE = ("not ", "question", "say ")


def _leaf_section(answer, tables):
    lines = answer.scores.summary().splitlines()
    found = [line for line in lines if not line.startswith((*_ASIDE, "caution: "))]
    return Section(
        "Is it running short now?",
        figure=answer.scores.plot(),
        figure_says=". ".join(found[:4]) + ".",
        tables=(tables["leaf"],) if "leaf" in tables else (),
        paragraphs=tuple(f"{capital(line)}." for line in lines if line.startswith(_ASIDE)),
        cautions=tuple(
            f"{capital(line.removeprefix('caution: '))}." for line in lines if line.startswith("caution: ")
        ),
    )


def _explanation_section(answer):
    return Section(
        "What could be behind it, and what can be done",
        paragraphs=tuple(
            line for line in answer.explanation.summary().splitlines() if not line.lower().startswith(_ASIDE)
        ),
        cautions=LIMITS,
    )


def _trial_section(name, trial, answer, tables):
    of = f" of {answer.applied}" if answer.applied else ""
    carried = (f"Carries over: {_carried(answer.carried[name])}.",) if name in answer.carried else ()
    return Section(
        f"Would more have paid? {name}",
        paragraphs=tuple(trial.summary().splitlines()) + carried,
        figure=trial.plot(),
        figure_says=f"Economic optimum rate{of}: {trial.optimum.text}.",
        tables=(tables["curves", name],),
        cautions=(f"{ONE_TRIAL} {LIMITS[0]}",),
    )


def _advice_section(answer, cautions):
    """What the leaf leaves to do this season and next year, and what the strips say, each once."""
    do, leave = _on_the_leaf(_clear(answer.explanation)), []
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
            shared.setdefault((item.nutrient, _small(". ".join(told))), []).append(item.label)
    return [f"{listed(names, most)}, {nutrient}: {text}." for (nutrient, text), names in shared.items()]
