"""The sections of an answer for several trials: the pooled gain, the model of all sites, trial by trial."""

import numpy as np
import pandas as pd

from fertkit.report import sections as parts
from fertkit.report.sections import Section
from fertkit.response.curves import CURVES
from fertkit.response.optimum import status_in_words
from fertkit.response.prices import column as column_of
from fertkit.response.prices import money_axis
from fertkit.results import plain, show
from fertkit.say import answers as say
from fertkit.say import network
from fertkit.say.trials import against_lines, site_intervals


def gain_section(answer):
    pooled, title = answer.contrast, "How much do the sites gain?"
    if pooled is None:
        return Section(title, lines=(f"Not pooled: {answer.why_not}.",))
    treatment, check = map(show, answer.contrast_of)
    names = {
        "site": "trial", "estimate": f"difference [{pooled.unit}]", "se": "standard error",
        "df": "error degrees of freedom", "low": "from", "high": "to", "weight_pct": "weight [%]",
        "note": "remark",
    }  # fmt: skip
    sites = parts.pick(f"Yield at {treatment} minus yield at {check}", pooled.sites, names)
    return Section(
        title, figure=pooled.plot, figure_says=say.contrast_text(answer),
        tables=(sites, _pooled_table(pooled)),
        lines=(f"Two stages: each site by itself, then {pooled.method}. {site_intervals(pooled)}",),
    )  # fmt: skip


def against_section(pooled):
    net = money_axis("net", pooled.money, pooled.area)
    names = {"rate": f"rate [{pooled.rate_unit}]", "over": f"against [{pooled.rate_unit}]",
             "gain": f"extra yield, mean of the sites [{pooled.yield_unit}]", "net": net,
             "net_low": "from", "net_high": "to", "sites_losing": "sites that lose"}  # fmt: skip
    table = parts.pick("The common rate against others", pooled.against, names)
    return Section("What is it worth against other rates?", lines=against_lines(pooled), tables=(table,))


def model_sections(answer):
    """One model of all sites: its curves, the rate it gives for the region, and for a new site."""
    model, title = answer.model, "One model for all sites"
    if model is None:
        return [Section(title, lines=(f"Not fitted: {answer.no_model}.",))]
    unit, says = model.rate_unit, model.lines()
    columns = {
        "term": "term", "estimate": "estimate", "low": "from", "high": "to", "p": "p", "unit": "unit",
    }  # fmt: skip
    sites = model.sites.merge(answer.model_rate.sites, on="trial")
    sites, y = sites.assign(status=sites["status"].map(status_in_words)), model.yield_unit
    sites = parts.pick("Each site, predicted", sites, {
        "trial": "trial", "n": "strips", "level": f"yield at {plain(model.start)} {unit} [{y}]",
        "slope": f"slope at the start [{y} per {unit}]", "end_of_rise": f"end of the rise [{unit}]",
        column_of("rate", unit): f"best rate [{unit}]", "status": "status", "remark": "remark",
    })  # fmt: skip
    compared = parts.pick("Curves compared", model.compared, {
        "curve": "curve", "parameters": "parameters", "log_likelihood": "log-likelihood", "aic": "AIC",
    })  # fmt: skip
    out = [
        Section(title, lines=(network.HOW, *says), figure=model.plot, figure_says=says[0].plain,
                tables=(parts.pick("Mean curve of the sites", model.coefficients, columns), sites, compared)),
    ]  # fmt: skip
    asked = ("Which rate for the new site?", answer.new_site, (network.NEW_SITE,))
    if answer.new_site is not None and answer.site_doubts:
        return [*out, Section(asked[0], (network.no_rate(answer.site_doubts),))]
    for title, rate, more in (("Which rate does the model give?", answer.model_rate, ()), asked):
        if rate is not None and not (answer.doubts and rate is answer.model_rate):
            lines = rate.lines()
            out.append(Section(title, (*lines, *more), figure=rate.plot, figure_says=lines[0].plain))
    return out


def sites_table(answer):
    # Without a common rate there is nothing to lose at it.
    sites = answer.pooled.sites.set_index("trial")
    loss = sites.filter(like="loss").iloc[: 0 if answer.doubts else None, 0]
    curves = sites["curve"].map(lambda key: CURVES[key].label)
    rows = [
        _site_row(name, trial) | {"loss": loss.get(name, np.nan), "curve": curves.get(name, "")}
        for name, trial in answer.trials.items()
    ]
    rows += [{"trial": name, "status": f"not analysed: {why}"} for name, why in answer.failed.items()]
    unit, lost = answer.pooled.rate_unit, "lost at the common rate"
    names = {
        "trial": "trial", "strips": "strips", "left_out": "without a yield",
        "tested": f"rates tested [{unit}]",
        "rate": f"economic optimum [{unit}]", "low": "from", "high": "to", "open": "upper end",
        "status": "status", "gain": f"yield gain there [{answer.pooled.yield_unit}]",
        "curve": "curve pooled", "loss": money_axis(lost, answer.pooled.money, answer.pooled.area),
    }  # fmt: skip
    return parts.pick("Trial by trial", pd.DataFrame(rows), names)


def _site_row(name, trial):
    best, rates, two = trial.optimum, trial.data.rates, trial.comparison is None
    row = {
        "trial": name, "strips": len(trial.data.rate), "left_out": trial.data.left_out or np.nan,
        "tested": f"{plain(rates[0])} {'and' if two else 'to'} {plain(rates[-1])}",
        "status": status_in_words(best.status), "gain": trial.gain["value"].iloc[0],
    }  # fmt: skip
    if two:  # the better of two rates is no optimum
        return row | {"status": f"{best.status}: {plain(rates[-1])} minus {plain(rates[0])} {best.unit}"}
    open_end = "open" if best.interval.high_open else ""
    return row | {"rate": best.rate, "low": best.interval.low, "high": best.interval.high, "open": open_end}


def _pooled_table(pooled):
    rows = [
        ("mean over sites", pooled.estimate, pooled.low, pooled.high),
        ("a new site", pooled.estimate, pooled.prediction_low, pooled.prediction_high),
        ("standard deviation between sites", pooled.tau2**0.5, pooled.tau2_low**0.5, pooled.tau2_high**0.5),
    ]
    columns = ["quantity", f"value [{pooled.unit}]", "from", "to"]
    return parts.Table("Pooled", pd.DataFrame(rows, columns=columns))
