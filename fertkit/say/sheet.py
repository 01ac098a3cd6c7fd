"""The grower's sheet: what a field's answer says in 250 words, each sentence with the keys of its sources."""

import re
from dataclasses import replace
from itertools import groupby

from fertkit.budget.soil_field import ELEMENT, soil_classes
from fertkit.budget.soil_reckon import rate_plans
from fertkit.results import capital, plain, records
from fertkit.say.advice import listed, trial_advice
from fertkit.say.answers import amounts, carried_text, field_lines, main_rows, needs_text
from fertkit.say.budget import removed_with
from fertkit.say.leaf_compare import apart
from fertkit.say.leaf_results import finding, question_lines
from fertkit.say.leaf_verdict import gaps, verdict
from fertkit.say.line import DEFER, Kind, Line, day_text, lead, notes, told
from fertkit.say.response import fall_text, gain_line, net_line, optimum_text
from fertkit.tissue.explanation import MANY
from fertkit.tissue.verdicts import ACT, TOXIC, UNUSABLE

MOST_WORDS = 250
MOST_STAGES = 2  # of the samples of a field, named one by one
#: Labels in the order of the sheet.
LABELS = ("", "Why here", "Do now", "What not to do", "Next year", "Money", "Needs", "Soil", "Not known",
          "Caution", "Local rules")  # fmt: skip
#: Whose line comes next while there is room: the verdict, then what helps now, at most three cautions.
ROOM = ("", "", "", "", "Local rules", "Do now", "Do now", "What not to do", "Not known", "Caution",
        "Why here", "Money", "Next year", "Soil", "Needs", "Do now", "Not known", "Caution", "What not to do",
        "Next year", "Why here", "Soil", "Money", "Not known", "Caution")  # fmt: skip
BESIDE = told("See the consultant's part for more.", "Local rules")


def sheet_lines(answer, most: int = MOST_WORDS) -> list[Line]:
    """Say the verdict, why, what to do and what not, money, what is not known, cautions and who governs."""
    said = [] if answer.explanation is None else _leaf(answer.explanation)
    said += [] if answer.budget is None else [_needs(answer.budget)]
    said += [] if answer.soil is None else _soil(answer)
    for name, trial in answer.trials.items():
        said += _trial(name, trial, answer)
    if said and not any(line.label == "" for line in said):
        first = next((line for line in said if line.label == "Soil"), said[0])
        said = [replace(first, label=""), *(line for line in said if line is not first)]
    return fitted([*said, told(DEFER, "Local rules")], most)


def fitted(lines, most: int) -> list[Line]:
    """Keep as many lines as there is room for, in the order of `ROOM`.

    Parameters
    ----------
    lines : list of Line
        Under the labels of `LABELS`, most important first.
    most : int
        Words there is room for.
    """
    by = {label: [line for line in lines if line.label == label] for label in LABELS}
    kept, room = {label: [] for label in LABELS}, most - words(BESIDE)
    for label in ROOM:
        if by[label] and words(by[label][0]) <= room:
            kept[label].append(by[label].pop(0))
            room -= words(kept[label][-1])
    shown = [line for group in kept.values() for line in group]
    return shown + ([BESIDE] if len(shown) < len(lines) else [])


def words(text) -> int:
    """Count the words of a sentence and its label."""
    said = f"{text.label} {text.text}" if isinstance(text, Line) else text
    return len(re.findall(r"\S+", said))


# ---- the leaf


def _leaf(explanation) -> list[Line]:
    said = [*_pair(explanation), _verdict(explanation), *_worst(explanation)]
    said += _causes(explanation)
    place = explanation.actions["nutrient"].map(_places(explanation))
    actions = explanation.actions.assign(place=place).sort_values("place", kind="stable")
    for when, label in (("now", "Do now"), ("do not", "What not to do"), ("next year", "Next year")):
        said += _actions(actions, when, label)
    said += _unknown(explanation)
    return said + [_sourced(r.text, "Caution", r.source_key) for r in records(explanation.cautions)]


def _pair(explanation):
    """Good against poor, where the field has both."""
    if explanation.pairs is not None:
        rows, treated = explanation.pairs.pairs, explanation.pairs.treated
        yield lead(sentence(apart(rows[rows["pair"] == rows["pair"].iloc[0]], treated)))


def _verdict(explanation):
    acts = explanation.verdicts[explanation.verdicts["status"].isin([*ACT, TOXIC])]
    return replace(lead(verdict(explanation, brief=True)), sources=_keys(acts["source_key"].head(3)))


def _worst(explanation):
    """The worst finding against its limits, and how sure it is."""
    for item in records(_ranked(explanation.items).head(1)):
        yield lead(sentence(finding(item)))


def _ranked(items):
    """Findings that need action over all samples: urgent ones, then short, then possibly short."""
    acts = items[items["confidence"].isin(ACT)]
    place = acts["confidence"].map(list(ACT).index)
    order = acts.assign(place=place).sort_values(["urgent", "place", "rank"], ascending=[False, True, True])
    return order.drop(columns="place")


def _keys(texts) -> tuple[str, ...]:
    """Keys of sources, each once."""
    return tuple(dict.fromkeys(key for text in texts for key in str(text).split(";") if key))


def _sourced(text, label, keys) -> Line:
    return replace(told(sentence(text), label), sources=_keys([keys]))


def sentence(text: str) -> str:
    """Begin with a capital letter and end with a full stop."""
    return capital(text.strip()).rstrip(".") + "."


def _causes(explanation):
    """The likeliest cause of each result that needs action, and what speaks for it."""
    acts = explanation.verdicts[explanation.verdicts["status"].isin([*ACT, TOXIC, UNUSABLE])]
    asked = set(zip(acts["specimen"], acts["nutrient"], strict=True))
    place = _places(explanation)
    first = records(explanation.causes[explanation.causes["rank"] == 1])
    here = [r for r in first if r.about == MANY or (r.specimen, r.about) in asked]
    for _, (r, *_) in groupby(sorted(here, key=lambda r: (place(r.about), r.cause)), key=lambda r: r.cause):
        speaks = "; ".join(r.speaks_for[:2])
        yield _sourced(": ".join(filter(None, [r.cause, speaks])), "Why here", r.source_key)


def _places(explanation):
    """What gives the place of a nutrient: what concerns all first, then those that need action most."""
    first = list(dict.fromkeys(_ranked(explanation.items)["nutrient"]))
    return lambda nutrient: first.index(nutrient) if nutrient in first else -1


def _actions(actions, when, label):
    """What to do at a time, said once for all samples and nutrients that share it."""
    rows = actions[~actions["folded"].astype(bool)]
    several = rows["nutrient"].nunique() > 1
    for text, mine in rows[rows["when"] == when].groupby("text", sort=False):
        about = listed(list(dict.fromkeys(filter(None, mine["nutrient"]))), 4) if several else ""
        yield _sourced(f"{about}: {text}" if about else text, label, ";".join(mine["source_key"]))


def _unknown(explanation):
    """What a word of the reader would settle, and what was not read, not judged or not scored."""
    for line in question_lines(explanation.scores):
        if not line.items:  # values a range of another stage would call short are for the consultant
            yield told(sentence(line.text), "Not known")
    yield from (told(sentence(text), "Not known") for text in gaps(explanation.scores, soil=False))


# ---- needs and strips


def _needs(budget) -> Line:
    taken, off = amounts(budget, "uptake"), amounts(budget, "removed")
    rows = main_rows(budget)
    text = (
        f"At {plain(budget.yield_goal)} {budget.yield_unit}: total uptake {taken} {budget.unit}; {off} "
        f"{removed_with(budget)}."
    )
    return _sourced(text, "Needs", ";".join([*rows["uptake_source"], *rows["removed_source"]]))


def _soil(answer):
    """Classes of the soil tests, and with a goal the rates of the system that leads."""
    if answer.targets is None:
        yield told("Enter the crop for soil-test classes and rates.", "Not known")
        return
    classes = soil_classes(answer.targets)
    told_of = [
        f"{r.nutrient} {plain(r.test)} {r.unit} ({r.extractant}) {_CLASS[r.word]}" for r in records(classes)
    ]
    if told_of:
        yield _sourced("; ".join(told_of), "Soil", ";".join(classes["source_key"]))
    rates = answer.targets.table
    rates = rates[rates["why"].isin(["system", "first of several"])]
    asked = set(answer.soil["analyte"]) & {"P", "K", "Zn", "S"}
    used = {*classes["nutrient"], *(ELEMENT.get(name, name) for name in rates["nutrient"])}
    if left := sorted(asked - used):
        yield told(f"Soil test of {listed(left)}: no current system here uses it.", "Not known")
    if answer.budget is None or rates.empty:
        return
    for system, rows in rates.groupby("system", sort=False):
        amounts = listed([f"{r.rate_lb_ac:.0f} lb {r.nutrient}" for r in records(rows)])
        title = rate_plans()[system]["title"]
        yield _sourced(
            f"For this goal {title} recommends {amounts} per acre", "Soil", ";".join(rows["source_key"])
        )


_CLASS = {
    "low": "is low",
    "enough": "is enough",
    "high": "is high",
    "": "is rated differently by different systems",
}


def _trial(name, trial, answer):
    of = f" of {answer.applied}" if answer.applied else ""
    yield lead(f"{name}: economic optimum rate{of} {optimum_text(trial.optimum)}.")
    yield from map(told, fall_text(trial))
    do, leave = trial_advice(trial)
    yield from (told(text, "Next year") for text in do[:1])
    yield from (told(text, "What not to do") for text in leave[:1])
    for text in (net_line(trial), gain_line(trial)):
        if text:
            yield told(text, "Money")
    if name in answer.carried:
        book = answer.carried[name]
        yield _sourced(carried_text(book, source=False), "Next year", book.source_key)


def field_answer_lines(answer) -> list[Line]:
    """Say a field's answer line by line; of a leaf test alone whose it is, the sheet, and what was read."""
    if answer.budget is not None or answer.trials:
        soil = [] if answer.soil is None else _soil(answer)
        said = field_lines(answer)
        beside = [line for line in said if line.kind == Kind.NOTE]
        return [*(line for line in said if line.kind != Kind.NOTE), *soil, *beside]
    head = filter(None, [answer.name, answer.crop, *(text for _, text in sheet_head(answer))])
    return [lead(sentence(", ".join(head))), *sheet_lines(answer), *notes(answer.notes)]


def fields_lines(answer) -> list[Line]:
    """Say the verdict of each of several fields."""
    said = (told(field_verdict(one), name) for name, one in answer.fields.items())
    return [lead(f"{len(answer.fields)} fields."), *said]


def field_verdict(answer) -> str:
    """Say the verdict of one field among several."""
    if answer.explanation is not None:
        return verdict(answer.explanation, brief=True)
    return next((line.text for line in sheet_lines(answer) if not line.label), "")


def sheet_head(answer) -> tuple[tuple[str, str], ...]:
    """Stage, part and date of the leaf tests of a field."""
    if answer.explanation is None:
        return ()
    first = answer.explanation.verdicts.drop_duplicates("specimen")
    stages = list(dict.fromkeys((first["growth_stage"] + ", " + first["plant_part"]).str.strip(", ")))
    stages = stages if len(stages) <= MOST_STAGES else [f"{len(stages)} stages and parts"]
    days = sorted(first["sampled"].dropna())
    dates = dict.fromkeys(map(day_text, days[:1] + days[-1:]))
    return ("Stage", "; ".join(stages)), ("Sampled", " to ".join(dates))


def figure_says(answer) -> str:
    """Say what the figure of the sheet shows; nothing where there is none."""
    if answer.explanation is not None:
        return LEAF_FIGURE
    if answer.trials:
        return TRIAL_FIGURE
    return "" if answer.budget is None else needs_text(answer.budget)


LEAF_FIGURE = "Each result against published ranges; bars show laboratory and sampling error."
TRIAL_FIGURE = "Yield at each rate, with the fitted curve."
