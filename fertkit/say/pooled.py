"""Trials together: what they share, how far they differ, the rate that pays over all of them."""

import numpy as np

from fertkit.response.agreement import LEVEL
from fertkit.response.price_table import column
from fertkit.results import capital, failed, plain, plain_p
from fertkit.rounding import at_least, below
from fertkit.say.line import Line, lead, notes, told
from fertkit.say.money import CAUTIONED


def estimate_lines(pool) -> list[Line]:
    """Say the estimate over all site-years."""
    unit, of = f" {pool.unit}" if pool.unit else "", f"{pool.quantity}: " if pool.quantity else ""
    span = f"{100 * pool.level:g} % interval {plain(pool.low)} to {plain(pool.high)} ({pool.method})"
    new = f"{plain(pool.prediction_low)} and {plain(pool.prediction_high)}{unit}"
    said = [
        lead(f"{of}{pool.k} of {len(pool.sites)} site-years weighted: {plain(pool.estimate)}{unit}, {span}."),
        told(
            f"A new site-year is expected between {new}; {pool.i2_pct:.0f} % of the spread is between sites."
        ),
        told(site_intervals(pool)),
    ]
    for r in pool.coefficients.iloc[1:].itertuples():
        ends = f"{plain(r.low)} to {plain(r.high)}"
        said.append(told(f"{plain(r.estimate)} ({ends}), p {plain_p(r.p)}.", r.term))
    return said + notes(failed(pool.checks))


def site_intervals(pool) -> str:
    """Say how the intervals of the single sites were made."""
    known = pool.sites.loc[pool.sites["weight_pct"] > 0, "df"].notna()
    how = "Student's t with the error degrees of freedom of the site"
    if not known.any():
        how = "the normal distribution, without error degrees of freedom: they may be too narrow"
    elif not known.all():
        how = "Student's t where the error degrees of freedom are given, else the normal distribution"
    return f"Intervals of single sites ({100 * pool.level:g} %) by {how}."


def one_stage_lines(model) -> list[Line]:
    """Say what one model of all strips finds."""
    terms = [f"{r.term} {plain(r.estimate)} (SE {plain(r.se)})" for r in model.coefficients.itertuples()]
    return [
        lead(f"{model.n} strips of {len(model.sites)} site-years in one model: {', '.join(terms)}."),
        told(f"{capital(model.random)} varies between sites with a standard deviation of "
             f"{plain(model.site_sd)}, strips within a site with one of {plain(model.residual_sd)}."),
        *notes(failed(model.checks)),
    ]  # fmt: skip


def return_lines(pooled) -> list[Line]:
    """Say the rate that pays over all trials."""
    own = pooled.sites[column("own_rate", pooled.rate_unit)]
    shown = ", ".join(f"{count} {word}" for word, count in pooled.sites["status"].value_counts().items())
    span = f"{plain(own.min())} to {plain(own.max())} {pooled.rate_unit}"
    said = f"The trials' own optima run from {span}, mean {plain(own.mean())} ({shown}); all are kept."
    return [*pooled_lines(pooled, pooled.doubts), told(said), CAUTIONED]


def pooled_lines(pooled, doubts: list[str]) -> list[Line]:
    """Say what a pool gives; with doubts the verdict, and the rate as a description."""
    unit, money, count = pooled.rate_unit, f"{pooled.money}/{pooled.area}", len(pooled.sites)
    if doubts:
        of = f"The mean net return of these {count} alone peaks at {plain(pooled.rate)} {unit}"
        return [
            lead(f"No common rate can be recommended from these {count} trials."),
            *(told(f"{capital(doubt)}.") for doubt in doubts),
            told(f"{of}; that describes them and is no rate for other fields."),
        ]
    ends = f"{LEVEL:.0%} interval {plain(pooled.gain_low)} to {plain(pooled.gain_high)}"
    more = f"{plain(pooled.gain)} {money} above the lowest rate ({ends})"
    more = more if pooled.gain > 0 else "the lowest rate: no other pays on average"
    first = f"Over {count} trials the mean net return is greatest at {plain(pooled.rate)} {unit}, {more}."
    said = [lead(first)]
    if pooled.within > 0:
        cut = " (the highest tested)" if at_least(pooled.within_high, pooled.highest_rate) else ""
        by = f" ({pooled.within_by})" if pooled.within_by else ""
        said.append(told(
            f"From {plain(pooled.within_low)} to {plain(pooled.within_high)} {unit}{cut} it is within "
            f"{plain(pooled.within)} {money} of that{by}."
        ))  # fmt: skip
    return said + _resampled(pooled)


def _resampled(pooled):
    if not np.isfinite(pooled.interval_low):
        return []
    opened = ", open above: no higher rate was tested" if pooled.interval_open else ""
    high = f"{'> ' * pooled.interval_open}{plain(pooled.interval_high)} {pooled.rate_unit}"
    between = f"lie between {plain(pooled.interval_low)} and {high}"
    between = between if below(pooled.interval_low, pooled.interval_high) else f"be {high} again"
    return [told(
        f"With other trials of the same kind the best rate would {between} (95 % of resampled sets of "
        f"trials{opened})."
    )]  # fmt: skip
