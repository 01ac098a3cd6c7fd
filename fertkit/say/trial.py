"""The answer for one trial in a few lines, and the sentences of its page."""

import numpy as np

from fertkit.response.status import Status
from fertkit.results import capital, plain, plain_p
from fertkit.rounding import below
from fertkit.say.line import Kind, Line, lead, notes, told
from fertkit.say.response import analysis_lines, gain_lines


def trial_lines(answer) -> list[Line]:
    """Say the optimum of one trial, its gain and whether the treatments differ; what is doubtful first."""
    response = answer.response
    what = capital(", ".join(word for word in (answer.crop, answer.nutrient) if word))
    rows, optimum, *_ = analysis_text(response)
    said = [Line(rows.kind, rows.text, what), optimum]
    said += [told(text) for text in (" ".join(gain_lines(response)), answer.net.stretch) if text]
    if answer.strips is not None:
        said.append(told(_differ(answer.strips)))
    return [*map(lead, response.first), *said, *notes(answer.notes), *notes(response.notes)]


def analysis_text(response) -> list[Line]:
    """Say what an analysis finds, without what a page says first."""
    return [line for line in analysis_lines(response) if line.kind != Kind.LEAD]


def _differ(strips):
    if not np.isfinite(strips.lsd):
        return "Whether the treatments differ cannot be judged: no error can be estimated."
    verdict = "differ" if below(strips.p_value, 1 - strips.level) else "cannot be told apart"
    noise = f"a single difference below {plain(strips.lsd)} is within the noise"
    return f"The treatments {verdict} (p {plain_p(strips.p_value)}); {noise}."


def one_rate(answer) -> list[str]:
    """Say how the rate of least regret and the reported optimum go together."""
    regret, net = answer.regret, answer.net
    if net.status != Status.INTERIOR:
        return []
    at = regret.at(net.rate).iloc[1]
    return [
        f"The rate reported is the economic optimum, {plain(net.rate)} {net.rate_unit}. Regret weighs "
        "every curve the strips allow, drawn anew many times, not the fitted ones alone, and its least may "
        f"lie at another rate ({plain(regret.rate)} {net.rate_unit}); at the economic optimum it is "
        f"{plain(max(at - regret.expected_regret, 0))} {regret.money}/{regret.area} above that least."
    ]


def expected_regret(answer) -> str:
    """Say what expected regret is, and at which prices."""
    prices = (
        "prices as given" if answer.swing_pct is None
        else f"both prices varying by {plain(answer.swing_pct)} % (coefficient of variation, as asked)"
    )  # fmt: skip
    return (
        "Expected regret is what a rate loses on average against the tested rate that would have been best, "
        f"had the true curve been known; {prices}."
    )


def break_even(net) -> list[str]:
    """Say at which prices the answer would change."""
    mass = {"nutrient": net.rate_unit.split("/")[0], "grain": net.yield_unit.split("/")[0]}
    two = net.curve == "difference"
    return [
        f"{r.question.replace('optimum rate', 'better of the two rates') if two else r.question}: "
        f"{plain(r.price)} {net.prices.money} per {mass[r.price_of]}."
        for r in net.break_even.itertuples()
    ]
