"""The answer for one trial as a page to hand over, and its tables."""

import numpy as np

from fertkit.asked import asks, holding
from fertkit.report.advice import LIMITS, ONE_TRIAL, nutrient_cautions, trial_advice
from fertkit.report.answer_table import checks_of
from fertkit.report.page import Section, cited, render_page
from fertkit.report.tables import Table, pick
from fertkit.report.trial_answer import TrialAnswer
from fertkit.response.gain import gain_lines
from fertkit.response.verdict import status_in_words
from fertkit.results import capital, plain, plain_p
from fertkit.rounding import below
from fertkit.trials.arrange import show, spoken


@asks(answer=holding("response", "net", like="what answer_trial gives"))
def trial_page(answer: TrialAnswer) -> str:
    """Put the answer for one trial on one self-contained HTML page.

    Examples
    --------
    >>> from fertkit.report import trial_page
    >>> from fertkit.report import answer_trial
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "block": [1] * 4 + [2] * 4, "rate_lb_ac": [0, 40, 80, 120] * 2,
    ...     "yield_bu_ac": [47.5, 52.5, 55.5, 57.5, 48.5, 51.5, 56.5, 56.5],
    ... })
    >>> answer = answer_trial(trial, nutrient_price=0.45, grain_price=11.0, name="North")
    >>> page = trial_page(answer)
    >>> "North" in page, "<script" in page
    (True, False)
    """
    tables, (cautions, keys) = trial_tables(answer), nutrient_cautions(answer.nutrient)
    sections = [_advice(answer, cautions)]
    if answer.plan is not None:
        sections.append(_layout(answer.plan))
    sections += [_strips(answer, tables), _response(answer, tables), _money(answer, tables)]
    sections.append(_trust(tables))
    return render_page(
        f"{answer.name}: what the strips say", sections, lead=trial_lines(answer),
        sources=cited(answer.sources, keys),
    )  # fmt: skip


@asks(answer=holding("response", "net", like="what answer_trial gives"))
def trial_lines(answer: TrialAnswer) -> list[str]:
    """Say the answer in a few lines.

    Examples
    --------
    >>> from fertkit.report import trial_lines
    >>> from fertkit.report import answer_trial
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "block": [1] * 4 + [2] * 4, "rate_lb_ac": [0, 40, 80, 120] * 2,
    ...     "yield_bu_ac": [47.5, 52.5, 55.5, 57.5, 48.5, 51.5, 56.5, 56.5],
    ... })
    >>> answer = answer_trial(trial, nutrient_price=0.45, grain_price=11.0, name="North")
    >>> any("conomic optimum rate" in line for line in trial_lines(answer))
    True
    """
    response = answer.response
    what = ", ".join(word for word in (answer.crop, answer.nutrient) if word)
    lines = _said(response)[:2]
    lines[0] = f"{capital(what)}: {lines[0]}" if what else lines[0]
    lines += [" ".join(gain_lines(response)), answer.net.stretch]
    if answer.strips is not None:
        lines.append(_differ(answer.strips))
    lines += [f"Note: {note}." for note in answer.notes]
    return [line for line in response.first + lines if line] + [f"Note: {note}." for note in response.notes]


def _said(response):
    """Lines of the analysis after those that the page says first."""
    return response.summary().splitlines()[len(response.first) :]


def trial_tables(answer: TrialAnswer) -> dict[str, Table]:
    """Give the tables of the page, by what they hold."""
    response = answer.response
    tables = {"curves": curves_table(response), "prices": _prices_table(answer)}
    if answer.strips is not None:
        tables |= {"means": _means_table(answer.strips, response.yield_unit),
                   "anova": _anova_table(answer.strips)}  # fmt: skip
    tables["checks"] = checks_table({"strips": answer.strips, "response": response})
    tables["strips"] = _strips_table(answer)
    return tables


def curves_table(response, of: str = "") -> Table:
    """Tabulate what each curve says on its own; with two rates, the difference."""
    title = f"What each curve says{of}"
    if response.comparison is None:
        return Table(f"Difference of the two rates{of}", response.gain)
    return pick(
        title, response.table,
        {"label": "curve",
         "optimum_text": f"optimum and {response.level:.0%} interval [{response.rate_unit}]",
         "aicc": "AICc", "weight": "support among all curves", "average_weight": "weight in the average",
         "lack_of_fit_p": "lack of fit, p", "note": "remark"},
    )  # fmt: skip


def checks_table(results: dict) -> Table:
    """Tabulate what was checked about several results; the meaning is told where a check failed."""
    rows = checks_of(results)
    held = rows["passed"].map({True: "holds", False: "does not hold"}).fillna("not judged")
    rows = rows.assign(result=held, means=rows["meaning"].where(held != "holds", ""))
    rows["value"], rows["limit"] = rows["value"].astype(object), rows["limit"].astype(object)
    names = {"about": "of", "check": "check", "value": "value", "limit": "limit", "result": "result",
             "means": "what it means"}  # fmt: skip
    return pick("What was checked", rows, names)


def _means_table(strips, unit):
    check = None if strips.check_strip is None else show(strips.check_strip)
    names = {"treatment": spoken(strips.treatment), "n": "strips", "mean": f"mean [{unit}]",
             "low": "from", "high": "to", "letters": "letters",
             "difference": f"more than at {check} [{unit}]", "difference_low": "at least",
             "difference_high": "at most", "p_adjusted": "adjusted, p"}  # fmt: skip
    return pick("Means of the treatments", strips.means, names)


def _anova_table(strips):
    names = {"term": "source of variation", "df": "degrees of freedom", "ss": "sum of squares",
             "ms": "mean square", "f": "F", "p": "p"}  # fmt: skip
    return pick("Analysis of variance", strips.anova, names)


def _prices_table(answer):
    unit, response = answer.response.rate_unit, answer.response
    rows = answer.by_price.assign(status=answer.by_price["status"].map(status_in_words))
    mass = response.prices.nutrient_per
    names = {"price": f"nutrient price [{response.prices.money} per {mass}]",
             "ratio": f"price ratio [{response.yield_unit} per {unit}]", "rate": f"economic optimum [{unit}]",
             "low": "from", "high": "to", "gain": f"gain minus cost [{response.yield_unit}]",
             "status": "status"}  # fmt: skip
    if response.comparison is None:  # the ends of an optimum mean nothing for two rates
        names = {k: v for k, v in names.items() if k not in ("low", "high")}
        names["rate"] = f"better of the two rates [{unit}]"
        return pick("The better of the two rates at other prices of the nutrient", rows, names)
    return pick("The optimum at other prices of the nutrient", rows, names)


def _strips_table(answer):
    if answer.strips is None:
        frame = answer.response.strips
        return pick("The strips", frame, {name: name.replace("_", " ") for name in frame})
    s, unit = answer.strips, answer.response.yield_unit
    names = {"block": "block", "strip": "strip", s.treatment: spoken(s.treatment),
             s.response: f"yield [{unit}]", "fitted": f"fitted [{unit}]",
             "residual": f"residual [{unit}]"}  # fmt: skip
    return pick("The strips", s.strips, names)


def _differ(strips):
    if not np.isfinite(strips.lsd):
        return "Whether the treatments differ cannot be judged: no error can be estimated."
    said = "differ" if below(strips.p_value, 1 - strips.level) else "cannot be told apart"
    return (
        f"The treatments {said} (p {plain_p(strips.p_value)}); a single difference below {plain(strips.lsd)} "
        "is within the noise."
    )


def _advice(answer, cautions):
    do, leave = trial_advice(answer.response, answer.net, answer.strips)
    return Section(
        "What to do, and what not", do=tuple(do), leave=tuple(leave),
        cautions=(f"{ONE_TRIAL} {LIMITS[0]}", *cautions),
    )  # fmt: skip


def _layout(plan):
    return Section(
        "Where the strips lay", figure=plan.plot(), figure_says=" ".join(plan.summary().splitlines()[:2])
    )


def _strips(answer, tables):
    strips = answer.strips
    title = "Did the treatments differ?"
    if strips is None:
        return Section(title, paragraphs=(f"They cannot be compared: {answer.why_not}.",))
    lines = strips.summary().splitlines()[bool(strips.stands_out) :]
    return Section(
        title, figure=strips.plot(), figure_says=lines[1], paragraphs=(lines[0], *lines[2:]),
        tables=(tables["means"], tables["anova"]),
    )  # fmt: skip


def _response(answer, tables):
    response = answer.response
    of = f" of {answer.nutrient}" if answer.nutrient else ""
    return Section(
        "Which rate paid best?", paragraphs=tuple(_said(response)[2:]),
        figure=response.plot(within=answer.net.within),
        figure_says=f"Above the yield, below the net return. Economic optimum{of}: {response.optimum.text}.",
        tables=(tables["curves"],),
    )  # fmt: skip


def _money(answer, tables):
    regret, net = answer.regret, answer.net
    lines = [_break_even(net, row) for row in net.break_even.itertuples()]
    if regret is None:
        lines += [f"What a rate may lose is not told: {answer.no_regret}."] if answer.no_regret else []
        return Section("What if prices change?", paragraphs=tuple(lines), tables=(tables["prices"],))
    prices = (
        "prices as given" if answer.swing_pct is None
        else f"both prices varying by {plain(answer.swing_pct)} % (coefficient of variation, as asked)"
    )  # fmt: skip
    says = regret.summary().splitlines()[:2]
    return Section(
        "What if prices change, and what may be lost?",
        paragraphs=(*lines, "Expected regret is what a rate loses on average against the tested rate that "
                    f"would have been best, had the true curve been known; {prices}.", *_one_rate(answer)),
        figure=regret.plot(), figure_says=" ".join(says), tables=(tables["prices"],),
    )  # fmt: skip


def _one_rate(answer):
    """How the rate of least regret and the reported optimum go together."""
    regret, net = answer.regret, answer.net
    if net.status != "interior":
        return ()
    at = regret.at(net.rate).iloc[1]
    return (
        f"The rate reported is the economic optimum, {plain(net.rate)} {net.rate_unit}. Regret weighs "
        "every curve the strips allow, drawn anew many times, not the fitted ones alone, and its least may "
        f"lie at another rate ({plain(regret.rate)} {net.rate_unit}); at the economic optimum it is "
        f"{plain(max(at - regret.expected_regret, 0))} {regret.money}/{regret.area} above that least.",
    )


def _break_even(net, row):
    mass = {"nutrient": net.rate_unit.split("/")[0], "grain": net.yield_unit.split("/")[0]}[row.price_of]
    question = row.question
    if net.curve == "difference":
        question = question.replace("optimum rate", "better of the two rates")
    return f"{question}: {plain(row.price)} {net.prices.money} per {mass}."


def _trust(tables):
    return Section("How far can it be trusted?", tables=(tables["checks"], tables["strips"]))
