"""The answer for one trial as a page to hand over, and its tables."""

from fertkit.asked import asks, holding
from fertkit.report.answer_table import checks_of
from fertkit.report.page import Section, cited, render_page
from fertkit.report.tables import Table, pick
from fertkit.report.trial_answer import TrialAnswer
from fertkit.response.status import status_in_words
from fertkit.say.advice import LIMITS, ONE_TRIAL, nutrient_cautions, trial_advice
from fertkit.say.answers import analysis_text, break_even, expected_regret, one_rate
from fertkit.say.line import Kind
from fertkit.trials.table import show, spoken


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
        f"{answer.name}: what the strips say", sections, lead=[str(line) for line in answer.lines()],
        sources=cited(answer.sources, keys),
    )  # fmt: skip


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


def _advice(answer, cautions):
    do, leave = trial_advice(answer.response, answer.net, answer.strips)
    return Section(
        "What to do, and what not", do=tuple(do), leave=tuple(leave),
        cautions=(f"{ONE_TRIAL} {LIMITS[0]}", *cautions),
    )  # fmt: skip


def _layout(plan):
    return Section(
        "Where the strips lay", figure=plan.plot(), figure_says=" ".join(map(str, plan.lines()[:2]))
    )


def _strips(answer, tables):
    strips = answer.strips
    title = "Did the treatments differ?"
    if strips is None:
        return Section(title, paragraphs=(f"They cannot be compared: {answer.why_not}.",))
    lines = [str(line) for line in strips.lines() if line.kind != Kind.LEAD]
    return Section(
        title, figure=strips.plot(), figure_says=lines[1], paragraphs=(lines[0], *lines[2:]),
        tables=(tables["means"], tables["anova"]),
    )  # fmt: skip


def _response(answer, tables):
    response = answer.response
    of = f" of {answer.nutrient}" if answer.nutrient else ""
    return Section(
        "Which rate paid best?", paragraphs=tuple(map(str, analysis_text(response)[2:])),
        figure=response.plot(within=answer.net.within),
        figure_says=f"Above the yield, below the net return. Economic optimum{of}: {response.optimum.text}.",
        tables=(tables["curves"],),
    )  # fmt: skip


def _money(answer, tables):
    regret, lines = answer.regret, break_even(answer.net)
    if regret is None:
        lines += [f"What a rate may lose is not told: {answer.no_regret}."] if answer.no_regret else []
        return Section("What if prices change?", paragraphs=tuple(lines), tables=(tables["prices"],))
    says = [str(line) for line in regret.lines() if line.kind != Kind.CAUTION]
    return Section(
        "What if prices change, and what may be lost?",
        paragraphs=(*lines, expected_regret(answer), *one_rate(answer)),
        figure=regret.plot(), figure_says=" ".join(says), tables=(tables["prices"],),
    )  # fmt: skip


def _trust(tables):
    return Section("How far can it be trusted?", tables=(tables["checks"], tables["strips"]))
