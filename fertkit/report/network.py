"""The answer for several trials as a page to hand over, and its tables."""

import numpy as np
import pandas as pd

from fertkit.asked import asks, holding
from fertkit.report.network_answer import NetworkAnswer
from fertkit.report.page import Section, cited, render_page
from fertkit.report.tables import Table, pick
from fertkit.report.trial import checks_table
from fertkit.response.curves import CURVES
from fertkit.response.status import status_in_words
from fertkit.results import plain
from fertkit.say.advice import LIMITS, listed, network_advice, nutrient_cautions
from fertkit.say.answers import contrast_text
from fertkit.say.trials import pooled_lines, site_intervals
from fertkit.trials.table import show


@asks(answer=holding("pooled", "trials", like="what answer_network gives"))
def network_page(answer: NetworkAnswer) -> str:
    """Put the answer for several trials on one self-contained HTML page.

    Examples
    --------
    >>> from fertkit.report import network_page
    >>> from fertkit.report import answer_network
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "block": [1] * 4 + [2] * 4, "rate_lb_ac": [0, 40, 80, 120] * 2,
    ...     "yield_bu_ac": [47.5, 52.5, 55.5, 57.5, 48.5, 51.5, 56.5, 56.5],
    ... })
    >>> both = pd.concat([trial.assign(trial="North"), trial.assign(trial="South")])
    >>> answer = answer_network(both, nutrient_price=0.45, grain_price=11.0)
    >>> page = network_page(answer)
    >>> "North" in page, "<script" in page
    (True, False)
    """
    tables, (cautions, keys) = network_tables(answer), nutrient_cautions(answer.nutrient)
    sections = [
        _advice(answer, cautions),
        _return(answer),
        _gain(answer, tables),
        _sites(answer, tables),
        _one_model(answer, tables),
        Section("How far can it be trusted?", tables=(tables["checks"],)),
    ]
    of = f" of {answer.nutrient}" if answer.nutrient else ""
    return render_page(
        f"{len(answer.trials)} trials{of} together", [s for s in sections if s],
        lead=[str(line) for line in answer.lines()], sources=cited(answer.sources, keys),
    )  # fmt: skip


def network_tables(answer: NetworkAnswer) -> dict[str, Table]:
    """Give the tables of the page, by what they hold."""
    tables = {"sites": _sites_table(answer)}
    if answer.contrast is not None:
        tables |= {"contrast": _contrast_table(answer), "pooled": _pooled_table(answer.contrast)}
    if answer.one_stage is not None:
        names = {"term": "term", "estimate": "estimate", "se": "standard error"}
        tables["one_stage"] = pick("One curve through all sites", answer.one_stage.coefficients, names)
    tables["checks"] = checks_table(
        {"common rate": answer.pooled, "pooled gain": answer.contrast, "one curve": answer.one_stage}
    )
    return tables


def _sites_table(answer):
    # Without a common rate there is nothing to lose at it.
    sites = answer.pooled.sites.set_index("trial")
    loss = sites.filter(like="loss").iloc[: 0 if answer.doubts else None, 0]
    curves = sites["curve"].map(lambda key: CURVES[key].label)
    rows = [
        _site_row(name, trial) | {"loss": loss.get(name, np.nan), "curve": curves.get(name, "")}
        for name, trial in answer.trials.items()
    ]
    rows += [{"trial": name, "status": f"not analysed: {why}"} for name, why in answer.failed.items()]
    unit, money = answer.pooled.rate_unit, f"{answer.pooled.money}/{answer.pooled.area}"
    names = {
        "trial": "trial", "strips": "strips", "left_out": "without a yield",
        "tested": f"rates tested [{unit}]",
        "rate": f"economic optimum [{unit}]", "low": "from", "high": "to", "open": "upper end",
        "status": "status", "gain": f"yield gain there [{answer.pooled.yield_unit}]",
        "curve": "curve pooled", "loss": f"lost at the common rate [{money}]",
    }  # fmt: skip
    return pick("Every trial by itself", pd.DataFrame(rows), names)


def _site_row(name, trial):
    best, rates, two = trial.optimum, trial.data.rates, trial.comparison is None
    row = {
        "trial": name, "strips": len(trial.data.rate), "left_out": trial.data.left_out or np.nan,
        "tested": f"{plain(rates[0])} {'and' if two else 'to'} {plain(rates[-1])}",
        "status": status_in_words(best.status), "gain": trial.gain["value"].iloc[0],
    }  # fmt: skip
    if two:  # the better of two rates is no optimum
        return row | {"status": f"{best.status}: {plain(rates[-1])} less {plain(rates[0])} {best.unit}"}
    open_end = "open" if best.interval.high_open else ""
    return row | {"rate": best.rate, "low": best.interval.low, "high": best.interval.high, "open": open_end}


def _contrast_table(answer):
    unit = answer.contrast.unit
    names = {"site": "trial", "estimate": f"difference [{unit}]", "se": "standard error",
             "df": "error degrees of freedom",
             "low": "from", "high": "to",
             "weight_pct": "weight [%]", "note": "remark"}  # fmt: skip
    return pick(_contrast_title(answer), answer.contrast.sites, names)


def _contrast_title(answer):
    treatment, check = map(show, answer.contrast_of)
    return f"Yield at {treatment} less yield at {check}"


def _pooled_table(pooled):
    rows = [
        ("mean over sites", pooled.estimate, pooled.low, pooled.high),
        ("a new site", pooled.estimate, pooled.prediction_low, pooled.prediction_high),
        ("standard deviation between sites", pooled.tau2**0.5, pooled.tau2_low**0.5, pooled.tau2_high**0.5),
    ]
    return Table("Pooled", pd.DataFrame(rows, columns=["quantity", f"value [{pooled.unit}]", "from", "to"]))


def _advice(answer, cautions):
    do, leave = network_advice(answer.pooled, answer.silent, answer.rising, answer.doubts)
    return Section(
        "What to do, and what not", do=tuple(do), leave=tuple(leave), cautions=(LIMITS[0], *cautions)
    )


def _return(answer):
    return Section(
        "Which rate returns most over all sites?",
        figure=answer.pooled.plot(), figure_says=str(pooled_lines(answer.pooled, answer.doubts)[0]),
        paragraphs=("The net returns of all trials of three or more rates are averaged, rate by rate; trials "
                    "without a response and trials still rising count like the others. Each enters with one "
                    "curve, that of most weight in its own average (named in the table of trials; a straight "
                    "line is not among those averaged), so its own optimum in the figure can differ from the "
                    "averaged one in the table.",),
    )  # fmt: skip


def _gain(answer, tables):
    if answer.contrast is None:
        return Section("How much do the sites gain?", paragraphs=(f"Not pooled: {answer.why_not}.",))
    return Section(
        "How much do the sites gain?", figure=answer.contrast.plot(), figure_says=contrast_text(answer),
        paragraphs=(f"Two stages: each site by itself, then {answer.contrast.method}. "
                    f"{site_intervals(answer.contrast)}",),
        tables=(tables["contrast"], tables["pooled"]),
    )  # fmt: skip


def _sites(answer, tables):
    lines = [
        f"No economic response: {listed(answer.silent) or 'none'}.",
        f"Still rising at the highest rate tested: {listed(answer.rising) or 'none'}.",
    ]
    return Section("Every trial by itself", paragraphs=tuple(lines), tables=(tables["sites"],))


def _one_model(answer, tables):
    if answer.one_stage is None:
        return None
    lines = [str(line) for line in answer.one_stage.lines()]
    return Section(
        "One curve through all sites", figure=answer.one_stage.plot(), figure_says=lines[1],
        paragraphs=(
            "One stage: all strips in one quadratic, each site with a level of its own.", *lines[2:],
        ),
        tables=(tables["one_stage"],),
    )  # fmt: skip
