"""Many sites in one model: what it finds, the rate for a region, and the rate for a new site."""

import numpy as np

from fertkit.response.curves import CURVES
from fertkit.response.optimum import Status
from fertkit.response.prices import money_text
from fertkit.results import capital, counted, failed, plain, plain_p, show
from fertkit.rounding import below, same
from fertkit.say.advice import listed
from fertkit.say.line import Line, lead, notes, told

HOW = "One model: level, slope and end of the rise vary by site. Uncertain sites are pulled towards the mean."

NEW_SITE = "A field may differ much from this average."


def no_rate(doubts) -> str:
    """Say why a new site gets no rate."""
    return f"No rate for the new site: {doubts[0]}."


def site_doubts(rate) -> list[str]:
    """Say why a site of known facts gets no rate: the mean of such sites, or one of them, may lose."""
    if rate.status == Status.NONE:
        return []
    ends = f"{money_text(rate.gain_low, rate.money)} to {money_text(rate.gain_high, rate.money, rate.area)}"
    if below(rate.gain_low, 0, rate.gain_high) or rate.gain_low == 0:
        return [f"their mean net gain may be a loss ({rate.level:.0%} interval {ends})"]
    if rate.chance < (1 + rate.level) / 2:
        cases = f"{100 * (1 - rate.chance):.0f} of 100 cases"
        return [f"a single site may still lose, in {cases}, though their mean gains"]
    return []


def repeated(trials, sites) -> list[str]:
    """Say that years of one site are no sites of their own."""
    if not trials:
        return []
    return [
        f"{trials} site-years lie on {counted(sites, 'site')}: where the years of a site are alike, the "
        "intervals over sites are too narrow"
    ]


def network_fit_lines(fit) -> list[Line]:
    """Say which curve serves all sites, its means, how far sites differ and what explains it."""
    curve, n = CURVES[fit.curve], counted(len(fit.sites), fit.counts)
    said = [lead(f"{n} in one model: {curve.label}, of lowest AIC among {len(fit.compared)} curves.")]
    if len(fit.compared) == 1:
        said = [lead(f"{n} in one model: {curve.label}, as asked.")]
    means = fit.coefficients[~fit.coefficients["term"].str.contains(", by ", regex=False)]
    said += [
        told(f"{plain(r.estimate)} {r.unit} ({fit.level:.0%} interval {plain(r.low)} to {plain(r.high)}).",
             f"{capital(r.term)}, mean of sites")
        for r in means.itertuples()
    ]  # fmt: skip
    spread = "; ".join(f"{r.effect} {plain(r.sd)} {r.unit}" for r in fit.spread.itertuples())
    said.append(told(f"{spread}.", "Standard deviations"))
    said += known_lines(fit)
    if curve.shape is None:
        said.append(told(NO_JOIN[curve.n_params > 1]))
    far = fit.sites.loc[fit.sites["remark"] != "", "trial"]
    if len(far):
        said.append(told(f"{listed(far)}.", "Rise ends beyond the highest rate tested there"))
    return said + notes(failed(fit.checks))


def known_lines(fit) -> list[Line]:
    """Say what is known of the sites changes in their response, and how surely."""
    said, numeric = [], fit.known.frame.select_dtypes("number").columns
    for r in fit.coefficients[fit.coefficients["p"].notna()].itertuples():
        sure = "" if below(r.p, 1 - fit.level) else "; it may be none"
        ends = f"{fit.level:.0%} interval {plain(r.low)} to {plain(r.high)}, p {plain_p(r.p)}{sure}"
        each = " for each unit more" if any(r.term.endswith(f", by {name}") for name in numeric) else ""
        said.append(told(f"{plain(r.estimate)} {r.unit}{each} ({ends}).", capital(r.term)))
    return said


NO_JOIN = (
    "No rise is shown: the model without response has the lowest AIC.",
    "No bend is shown: the rise ends beyond the rates tested.",
)


def network_rate_lines(rate) -> list[Line]:
    """Say the rate, its interval, the range nearly as good, and what one more site may need."""
    unit = rate.rate_unit
    of = ", ".join(f"{name} {show(value)}" for name, value in rate.given.items())
    where = f"At a new site of {of}" if of else "Over sites like these"
    if rate.status == Status.NONE:
        said = [lead(f"{where} no tested rate returns more than the lowest, on average.")]
    else:
        most = "at least " if rate.status == Status.TOP else ""
        said = [lead(f"{where} mean net return is highest at {most}{plain(rate.rate)} {unit} "
                     f"({_span(rate.low, rate.high, unit, rate.level)}).")]  # fmt: skip
        ends = f"{money_text(rate.gain_low)} to {money_text(rate.gain_high)}"
        gain = money_text(rate.gain, rate.money, rate.area)
        said.append(told(f"It gains {gain} over the lowest rate ({rate.level:.0%} interval {ends})."))
    if rate.within > 0:
        within = money_text(rate.within, rate.money, rate.area)
        by = f" ({rate.within_by})" if rate.within_by else ""
        near = (
            f"From {plain(rate.within_low)} to {plain(rate.within_high)} {unit} it is within {within} of that"
        )
        from_first = same(rate.pays_low, rate.frame.iloc[1, 0])  # the lowest step of the grid
        pays = "up to" if from_first else f"from {plain(rate.pays_low)} to"
        pays = f"{pays} {plain(rate.pays_high)}"
        said.append(told(f"{near}{by}; rates {pays} {unit} return more than the lowest."))
    beyond = f"more than {plain(rate.frame.iloc[-1, 0])}"
    top = plain(rate.own_high) if np.isfinite(rate.own_high) else beyond
    said.append(told(
        f"{plain(rate.own_low)} to {top} {unit} ({rate.level:.0%} of sites).",
        "Where the optimum of one more site may lie",
    ))  # fmt: skip
    if rate.status != Status.NONE:
        cases = "99 of 100 cases or more" if rate.chance > 0.99 else f"{100 * rate.chance:.0f} of 100 cases"
        said.append(told(f"At one more site it beats the lowest rate in {cases}."))
    return said


def _span(low, high, unit, level):
    open_end = not np.isfinite(high)
    ends = f"{plain(low)} {unit} or more, open above" if open_end else f"{plain(low)} to {plain(high)} {unit}"
    return f"{level:.0%} interval {ends}"
