"""When a crop takes up what it needs, where supply falls short of it, and how two crops' peaks compare."""

import numpy as np

from fertkit.budget.season import ONE_PEAK, THROUGH
from fertkit.budget.timing import code_of
from fertkit.budget.words import GOVERNS, daily, keys, mark, short
from fertkit.results import plain
from fertkit.say.line import Kind, Line, detail, lead, row, told


def demand_lines(demand) -> list[Line]:
    """Say how demand runs through the season."""
    last = demand.rows["day"].max()
    goal = f"{demand.yield_goal:g} {demand.yield_unit}"
    means = dict(list(demand.stretches.groupby("nutrient")))
    rows = [row(total.nutrient, _of_nutrient(demand, total, means)) for total in demand.totals.itertuples()]
    head = lead(f"{demand.crop}, {goal}, {last:.0f} days from emergence [{demand.unit}]")
    return [head, *rows, _basis(demand)]


def _of_nutrient(demand, total, means):
    mine = demand.peaks[demand.peaks["nutrient"] == total.nutrient]
    top, compared = mine.iloc[0], total.nutrient not in means
    at_peak = f"it peaks at {daily(top['curve'])} a day on day {top['curve_day']:.0f}"
    parts = [
        f"{short(total.uptake)} in all ({total.uptake_source}{mark(total.provenance)})",
        f"the curve follows {_points(demand.points, total)}",
        at_peak if compared else _stretches(means[total.nutrient]),
        *(_peak(r, compared) for r in mine.itertuples() if r.source_key),
    ]
    return "; ".join(parts)


def _points(points, total):
    """Which points a curve follows, by source, and how near it comes."""
    mine = points[points["used"] & (points["nutrient"] == total.nutrient)].sort_values("day")
    said = []
    for (source, provenance), some in mine.groupby(["source_key", "provenance"], sort=False):
        places = [f"at {code_of(r.stage)}" if r.stage else f"on day {r.day:g}" for r in some.itertuples()]
        shares = [f"{share:.0%} {place}" for share, place in zip(some["fraction"], places, strict=True)]
        said.append(f"{', '.join(shares)} ({source}{mark(provenance)})")
    off = f" to within {total.misfit:.1%} of the season" if total.misfit >= 0.001 else ""
    return f"{', '.join(said)}{off}"


def _stretches(rows):
    """Mean demand of each stretch."""
    ends = [f"{daily(r.daily)} a day to {r.to_stage or 'maturity'}" for r in rows.itertuples()]
    return f"on average {', '.join(ends)}"


def _peak(r, compared):
    """A published peak, and how far the curve's is from it where the two can be compared."""
    shown = r.published if np.isnan(r.published_scaled) else r.published_scaled
    text = f"published peak {daily(shown)} a day ({r.source_key}{mark(r.provenance)}), {r.basis}"
    if np.isnan(r.difference_pct) or not compared:
        return text
    side = "above" if r.difference_pct >= 0 else "below"
    return f"{text}, the curve's is {abs(r.difference_pct):.0f}% {side} it"


def _basis(demand):
    stages = demand.stages.drop_duplicates("source_key")
    placed = ", ".join(f"{keys([r.source_key])}{mark(r.provenance)}" for r in stages.itertuples())
    kinds = {
        ONE_PEAK: "one peak of daily demand is assumed",
        THROUGH: "the cumulative curve runs through every point and its daily rate may pause there",
    }
    used = "; ".join(text for kind, text in kinds.items() if (demand.totals["curve"] == kind).any())
    days = f" Stages on days after emergence: {placed}." if placed else ""
    text = f"Between the points the curve is interpolation ({used}); it flattens true peaks.{days}"
    return Line(Kind.NOTE, text)


def gap_lines(gap) -> list[Line]:
    """Say when and how far supply falls short of demand."""
    said = [lead(f"{gap.demand.crop}, supply against demand [{gap.demand.unit}]")]
    for r in gap.distinct.itertuples():
        delay = f"with the {r.delay} delay: " if r.delay else ""
        said.append(row(r.nutrient, f"{delay}{_gap(r)}"))
    spread = gap.demand.totals["spread"].max()
    if spread > 0:
        said.append(told(
            f"Spans: a published share is taken to be known to {spread:.0%} of the season in its middle, "
            "better toward its ends (common practice, no source); far from a point it may err more."
        ))  # fmt: skip
    return [*said, told("Soil supply and delays are yours; demand is a published average."), told(GOVERNS)]


def _gap(r):
    """First day and size of one gap, each with its span."""
    if np.isnan(r.first_day) and np.isnan(r.first_day_from):
        return "never short"
    if np.isnan(r.first_day):
        return f"not short by the curve; with the highest demand short from day {r.first_day_from:.0f}"
    where = [span] if (span := _span(r)) else []
    where += ["interpolation, no point near"] if r.interpolated else []
    about = "about " if where else ""
    beside = f" ({'; '.join(where)})" if where else ""
    stage = f", after {r.stage}" if r.stage else ""
    low, high = short(r.largest_gap_low), short(r.largest_gap_high)
    size = f"at most {short(r.largest_gap)}" + ("" if low == high else f" ({low} to {high})")
    return (
        f"short from {about}day {r.first_day:.0f}{stage}{beside}; "
        f"{size}, on day {r.largest_gap_day:.0f}; {short(r.gap_at_end)} at the end"
    )


def _span(r):
    if np.isnan(r.first_day_to):
        return f"day {r.first_day_from:.0f} at the earliest, perhaps never"
    if r.first_day_from == r.first_day_to:
        return ""
    return f"day {r.first_day_from:.0f} to {r.first_day_to:.0f}"


def peak_lines(peaks) -> list[Line]:
    """Say how the peak demand of two crops compares."""
    first, second = peaks.crops
    said = [lead(f"Peak {peaks.nutrient} demand, {first} against {second} [{peaks.unit}/day]")]
    for r in peaks.rows.itertuples():
        values = "" if np.isnan(r.first) else f"{daily(r.first)} against {daily(r.second)}, "
        least = "at least " if r.at_least else ""
        both = " against ".join(filter(None, [r.first_source, r.second_source]))
        beside = "; ".join(filter(None, [both, r.note]))
        text = f"{values}{least}{plain(r.ratio, 2)} times ({beside}{mark(r.provenance)})"
        said.append(detail(text, r.basis))
    return said
