"""Curves by group: whether they differ, which rate each needs, and whether a rate for each is worth it."""

from dataclasses import replace

import numpy as np

from fertkit.response.curves import MEAN
from fertkit.response.grouping import APART, LOOSE, TOGETHER
from fertkit.response.prices import area_of, money_text
from fertkit.results import capital, plain, plain_p
from fertkit.rounding import below, same
from fertkit.say.advice import ELSEWHERE
from fertkit.say.line import Kind, Line, lead, notes, told
from fertkit.say.response import CAUTIONED, first, net_gain_text, optimum_text
from fertkit.say.worth import against_text

_STRUCTURES = {
    "common": "common to all groups", "parallel": "of one shape at different levels",
    "separate": "separate for each group",
}  # fmt: skip

_THROUGH = (
    "strips run through several groups: parts of a strip share its error, and groups are compared within it"
)
_GROUND = {
    TOGETHER: "groups are compared within blocks by the error between strips of a block and group, as in a "
    "split plot; with fully randomised plots this is conservative",
    APART: "each group has its own blocks: yield differences include the ground's and are tested against "
    "those between blocks of a group",
    LOOSE: "no blocks are given: groups are compared by the error of single strips; yield differences of "
    "groups that lie apart include the ground's",
}


def grouped_lines(result) -> list[Line]:
    """Say whether a rate for each group pays, the optimum of each, and how their curves differ."""
    return [
        lead(verdict(result)),
        told(common_rate(result)),
        *optima(result),
        *map(told, (*differences(result), *curves(result), *levels(result))),
        *ground_lines(result),
        CAUTIONED,
    ]


def groups_answer_lines(answer) -> list[Line]:
    """Say what the trial is about, then what its groups say, then what the reader of the file noted."""
    what = capital(", ".join(word for word in (answer.crop, answer.nutrient) if word))
    first_line, *rest, caution = grouped_lines(answer.groups)
    worths = [
        told(against_text(one, over), f"{answer.groups.by} {name}")
        for name, one in answer.worths.items() for over in one.references if not same(over, one.chosen)
    ]  # fmt: skip
    return [replace(first_line, label=what), *rest, *worths, *notes(answer.notes), caution]


def brief_lines(answer) -> list[Line]:
    """Say the verdict and the optima, which stand at the top of a page."""
    said = [line for line in groups_answer_lines(answer) if line.kind == Kind.LEAD]
    return [*said, told(common_rate(answer.groups)), *optima(answer.groups)]


def optima(result) -> list[Line]:
    """Say the optimum of each group with its interval."""
    return [
        told(f"{optimum_text(one.optimum)}.", f"Economic optimum rate, {result.factor} {name}")
        for name, one in result.analyses.items()
    ]


def short_verdict(result) -> str:
    """Say in a few words whether a rate for each group pays."""
    shown = "pays" if result.pays else "is not shown to pay"
    return f"A separate rate for each {result.factor} {shown}"


def advice(result) -> tuple[list[str], list[str]]:
    """What to do and what not after a trial with groups."""
    unit, by = result.rate_unit, result.factor
    rates = "; ".join(f"{name} {optimum_text(one.optimum)}" for name, one in result.analyses.items())
    own = [f"Try a rate for each {by} in strips beside the common rate: {rates}."]
    one = [
        f"Use one rate for every {by}: about {plain(result.common_rate)} {unit} did best overall.",
        f"Add blocks or seasons to learn whether {by} matters: the net gain may lie between "
        f"{_between(result)}.",
    ]
    doubts = [f"{name}: {text}" for name, one_of in result.analyses.items() for text in first(one_of)]
    never = [f"Do not vary the rate by {by} on these strips alone."] if not result.pays else []
    return [*doubts, *(own if result.pays else one)], [*never, ELSEWHERE]


def _between(result):
    net, area = result.net_of_groups, area_of(result.yield_unit)
    low, high = (money_text(end, result.prices.currency, area) for end in (net.low, net.high))
    return f"{low} and {high}"


def verdict(result) -> str:
    """Say whether one rate a group is shown to pay more than one common rate."""
    net, by = result.net_of_groups, result.factor
    gain = net_gain_text(net, result.prices, result.yield_unit, result.level)
    if result.pays:
        return f"A separate rate for each {by} pays: net gain over one common rate {gain}."
    if np.isnan(net.low):
        return f"Whether separate rates by {by} pay is unknown: no error can be estimated."
    return f"A separate rate for each {by} is not shown to pay: net gain over one common rate {gain}."


def common_rate(result) -> str:
    """Say the best common rate and what each group loses by it."""
    shares = "" if len(set(result.shares.values())) == 1 else ", groups weighted by area"
    unit, say = result.yield_unit, lambda cost: net_gain_text(cost, result.prices, unit, result.level)
    costs = {name: cost._replace(value=max(cost.value, 0.0)) for name, cost in result.costs.items()}
    costs = "; ".join(f"{name}, {say(cost)}" for name, cost in costs.items())
    top = same(result.common_rate, result.grouping.data.rates[-1])
    beyond = "at least the highest rate tested, " if top else ""
    best = f"{plain(result.common_rate, span=result.span)} {result.rate_unit}"
    lost = f"Loss at this rate against the optimum of each {result.factor}: {costs}."
    return f"Best common rate{shares}: {beyond}{best}. {lost}"


def differences(result) -> list[str]:
    """Say how far optima lie apart, pair by pair."""
    unit = result.rate_unit
    return [
        f"Optimum of {r.second} minus {r.first}: {plain(r.difference, span=result.span)} {unit} "
        f"({result.level:.0%} interval {r.text}); " + ("significant." if r.apart else "not significant.")
        for r in result.differences.itertuples()
    ]


def curves(result) -> list[str]:
    """Say whether curves are common, parallel or separate, by AICc and by F."""
    best, by = result.best, result.factor
    rows = result.models[result.models["curve"] == best["curve"]].set_index("structure")
    label = capital(best["label"]) if best["curve"] == MEAN.key else f"{capital(best['label'])} curves"
    said = []
    if np.isfinite(best["aicc"]):
        others = rows["delta"][rows["delta"] > 0].items()
        others = ", ".join(f"{name} curves {plain(more)} higher" for name, more in others)
        behind = f": {others}" if others else ""
        verb = "fits" if best["curve"] == MEAN.key else "fit"
        said.append(f"{label} {_STRUCTURES[best['structure']]} {verb} best (lowest AICc){behind}.")
    tests = {"parallel": "Yields", "separate": "Shapes of response"}
    if result.shapes_differ:
        del tests["parallel"]  # one difference at all rates is what the shapes refute
    for name, what in tests.items():
        test = rows.loc[name] if name in rows.index else None
        if test is not None and np.isfinite(test["p"]):
            shown = "differ" if below(test["p"], 1 - result.level) else "do not differ significantly"
            f, df1, df2 = (plain(test[name]) for name in ("f", "df1", "df2"))
            said.append(
                f"{what} {shown} by {by}: F = {f} with {df1} and {df2} degrees of freedom, "
                f"p {plain_p(test['p'])}."
            )
    return said


def levels(result) -> list[str]:
    """Say how far yields lie apart at the same rate, pair by pair; where that changes with the rate, so."""
    if result.shapes_differ:
        return [f"Yield differences by {result.factor} change with the rate: no single difference is given."]
    unit = result.yield_unit
    return [
        f"Yield of {r.second} minus {r.first} at the same rate: {plain(r.difference)} {unit} "
        f"({result.level:.0%} interval {plain(r.low)} to {plain(r.high)})."
        for r in result.levels.itertuples()
    ]


def ground_lines(result) -> list[Line]:
    """Say what the comparison of groups rests on, and what each group's own answer asks to be looked at."""
    told_by = {}
    for name, one in result.analyses.items():
        blocks = one.checks.loc[one.checks["check"] == "blocks", "meaning"].tolist()
        for text in (*first(one), *(note for note in one.notes if note not in blocks)):
            told_by.setdefault(text.removesuffix("."), []).append(name)
    said = [f"{', '.join(names)}: {text}" for text, names in told_by.items()]
    ground = _GROUND[result.grouping.layout] if result.grouping.cluster is None else _THROUGH
    return notes([ground, *said])
