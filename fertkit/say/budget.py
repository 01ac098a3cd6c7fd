"""What a crop needs and when, and what a farm's fields need together."""

import numpy as np
import pandas as pd

from fertkit.budget.rates import SEASON_MAXIMUM
from fertkit.budget.season import THROUGH
from fertkit.budget.studies import ANALYSIS
from fertkit.budget.timing import BOUND, FREE, INTERVAL, ONE_PEAK, code_of
from fertkit.reference.load import read_or_remembered
from fertkit.results import capital, records
from fertkit.rounding import above
from fertkit.say.line import (
    GOVERNS,
    Kind,
    Line,
    daily,
    each_key,
    keys,
    lead,
    mark,
    missing,
    notes,
    parts,
    row,
    short,
    told,
)

#: Parts with which the crop above the stubble is removed, so that removal is uptake.
WHOLE_CROP = ("hay", "silage")

# ---- needs


def _of(*sources: str) -> str:
    """Keys of sources in brackets behind what they say; nothing for none."""
    return f" [{named}]" if (named := keys(sources)) else ""


def _remembered(*columns) -> list[Line]:
    """Say which sources were not read but remembered, of columns of keys, each with its provenance."""
    memory = [key for named, how in columns for key, text in zip(named, how, strict=True) if mark(text)]
    return notes([read_or_remembered("figure", each_key(memory))[1]] if memory else [])


def budget_lines(budget) -> list[Line]:
    """Say what one field needs."""
    kept = ", residue kept" if budget.baled == 0 else f", {budget.baled:.0%} of the residue baled"
    kept = kept if budget.part == "grain" else ""
    head = f"{budget.crop} {budget.part}, {budget.yield_goal:g} {budget.yield_unit}{kept} [{budget.unit}]"
    said, spread = [lead(head)], budget.spread.set_index("nutrient")
    for r in records(budget.defaults):
        said.append(row(r.nutrient, f"{_amounts(r, budget)}{_span(r, spread.loc[r.nutrient])}"))
    own = budget.table[budget.table["source_key"] == ANALYSIS]
    said += [row(r.nutrient, f"{short(r.removed)} removed, your analysis") for r in records(own)]
    said += [*_at_harvest(budget), *_practice(budget), *map(told, budget.notes)]
    for r in records(budget.cautions):
        said.append(Line(Kind.CAUTION, f"Forage: {r.text}{_of(r.source_key)}"))
    shown = budget.defaults
    cited = [*shown["uptake_source"], *shown["removed_source"], *budget.at_harvest["source_key"]]
    some = budget.published[budget.published["source_key"].isin(cited)]
    return [*said, *_remembered((some["source_key"], some["provenance"])), told(GOVERNS)]


def removed_with(budget) -> str:
    """Say what takes the nutrients off the field; with straw or stover baled it is more than the grain."""
    part = "harvest" if budget.baled else budget.part
    part = part.replace(" plus ", " and ") + "s" * (part in ("tuber", "root"))
    return f"removed with the {part}"


def _amounts(r, budget):
    """Uptake, removal and what stays of one nutrient; each amount with its source."""
    if not np.isnan(r.share_removed * r.uptake):
        uptake, removed, stays = parts(r.uptake, r.removed)
        share, most = f"{r.share_removed:.0%}", "at most " * (r.nutrient in budget.at_most_removed)
        return f"{r.counted} {uptake}{_of(r.uptake_source)}; {most}{removed} removed ({share}), {stays} stays"
    up, off = "uptake not published; ", "removal not published"
    if r.uptake_source:
        up = f"{r.counted} {short(r.uptake)}{_of(r.uptake_source)}; "
    if r.removed_source:
        off = f"{short(r.removed)} {removed_with(budget)}{_of(r.removed_source)}"
        if above(r.removed, r.uptake):
            off = f"another study: {off}"
    return f"{'' if budget.part in WHOLE_CROP else up}{off}"


def _span(r, s):
    """Lowest and highest of the studies, or that there is one."""
    said = []
    for name, verb in (("uptake", "uptake"), ("removed", "removed")):
        low, high = short(s[f"{name}_lowest"]), short(s[f"{name}_highest"])
        if s[f"{name}_sources"] and low != high:
            said.append(f"{verb} {low} to {high}")
    if said:
        return f"; published studies: {', '.join(said)}"
    most = max(s["uptake_sources"], s["removed_sources"])
    if most != 1:
        return "; published studies agree" if most else ""
    apart = r.uptake_source and r.removed_source and r.uptake_source != r.removed_source
    return "; one study each" if apart else "; one study"


def _at_harvest(budget):
    """What the crop holds at harvest by another study, where a season maximum leads."""
    shown = budget.defaults.set_index("nutrient")["counted"]
    for r in records(budget.at_harvest):
        if shown.get(r.nutrient) == SEASON_MAXIMUM:
            uptake, removed, stays = parts(r.uptake, r.removed)
            text = f"content {uptake}{_of(r.source_key)}; {removed} removed ({r.share_removed:.0%})"
            yield told(f"{text}, {stays} stays", f"{r.nutrient} at harvest, another study")


def _practice(budget):
    trade = budget.common_practice.to_dict("records")
    if trade and budget.pounds > 0:
        taken, left = (
            ", ".join(f"{short(r[name])} {r['nutrient']}" for r in trade if r[name] > 0)
            for name in ("uptake", "removed")
        )
        text = f"uptake {taken} {budget.unit}; removed {left}"
        yield Line(Kind.PRACTICE, f"Common practice, no source: {text}.")


def farm_lines(farm) -> list[Line]:
    """Say what a whole farm needs, and who governs what is applied."""
    return [*farm_needs(farm), told(GOVERNS)]


def farm_needs(farm) -> list[Line]:
    """Say what a whole farm needs."""
    n, fields = len(farm.fields), pd.concat([farm.fields, farm.left_out])
    unit, names, all_of_them = farm.table["field_unit"].iloc[0], fields["field"].nunique(), len(fields)
    them, ends = ("fields" if names == all_of_them else "rows"), "s" if names > 1 else ""
    count = f"{names} field{ends}" if them == "fields" else f"{n} rows of {names} field{ends}"
    area = f"{farm.fields['area'].sum():,g}"
    if n < all_of_them:
        count, area = f"{n} of {all_of_them} {them}", f"{area} of {fields['area'].sum():,g}"
    said = [lead(f"{count}, {area} {farm.area_unit}; amounts in {unit} on the whole farm.")]
    said += [row(r.nutrient, _farm_row(r, n, them)) for r in records(farm.totals)]
    for why, some in farm.left_out.groupby("why", sort=False):
        size = f"{some['area'].sum():,g} {farm.area_unit}"
        said.append(missing("Left out", f"{', '.join(map(str, some['field']))} ({size}): {why}"))
    return [*said, *_sources(farm), *notes(farm.notes)]


def _farm_row(r, n, them):
    """Sums of uptake and removal, each with the fields it is of where those differ."""
    up, off = r.fields_with_uptake, r.fields_with_removed
    alike = up == off == r.fields_with_both
    uptake, removed, stays = parts(r.uptake, r.removed) if alike else (short(r.uptake), short(r.removed), "")
    apart = up and off and not alike
    taken = f"total uptake {uptake}{_of_fields(up, n, them, apart)}" if up else "uptake not published"
    left = f"{removed} removed{_of_fields(off, n, them, apart)}" if off else "removal not published"
    if alike:
        kept = up == n and not above(r.removed, r.uptake)
        return f"{taken}; {left}{f', {stays} stays' if kept else ''}"
    if apart and r.fields_with_both:
        left += f"; {short(r.removed_with_uptake)} removed where both are published"
    return f"{taken}; {left}"


def _of_fields(some, n, them, apart):
    if some < n:
        return f" on {some} of {n} {them} (not published for the rest)"
    return f" on all {n} {them}" if apart else ""


def _sources(farm):
    """One line a crop: where its numbers come from, and which of them are from memory."""
    for crop, rows in farm.table.groupby("crop", sort=False):
        memory = rows.loc[rows["provenance"].map(mark) != "", "nutrient"].unique()
        marked = f"; {', '.join(memory)} [from memory]" if len(memory) else ""
        yield told(f"{keys(rows['uptake_source'], rows['removed_source'])}{marked}", f"Sources, {crop}")


# ---- the season


def demand_lines(demand) -> list[Line]:
    """Say how demand runs through the season."""
    last = demand.table["day"].max()
    goal = f"{demand.yield_goal:g} {demand.yield_unit}"
    means = dict(list(demand.stretches.groupby("nutrient")))
    days = f"first {last:.0f} days" if demand.unfinished else f"{last:.0f} days"
    head = lead(f"{demand.crop}, {goal}, {days} from {demand.starts} [{demand.unit}]")
    said = [row(t.nutrient, _season_of(demand, t, means)) for t in records(demand.totals)]
    memory = _remembered(
        (demand.totals["uptake_source"], demand.totals["uptake_provenance"]),
        (demand.points["source_key"], demand.points["provenance"]),
        (demand.stages["source_key"], demand.stages["provenance"]),
    )
    return [head, *said, _basis(demand), *memory]


def _season_of(demand, total, means):
    """Total, peak, published shares and peaks, and what is lost of one nutrient."""
    peaks = demand.peaks[demand.peaks["nutrient"] == total.nutrient]
    top, compared = peaks.iloc[0], total.nutrient not in means
    said = [f"{total.counted} {short(total.uptake)} {demand.unit}{_of(total.uptake_source)}"]
    if compared:
        highest = "highest so far" if demand.unfinished else "peak"
        said.append(f"{highest} {daily(top['curve'])} a day on day {top['curve_day']:.0f}")
    else:
        said.append(
            _stretches(means[total.nutrient], "the last day given" if demand.unfinished else "maturity")
        )
    said.append(f"curve through {_conditions(demand.points, total)}")
    said += [_peak(r, compared and not demand.unfinished) for r in records(peaks) if r.source_key]
    if not np.isnan(total.at_harvest):
        lost = total.uptake - total.at_harvest
        why = f"lost with fallen leaves and rain after flowering{_of(total.loss_source)}"
        said.append(f"content at harvest {short(total.at_harvest)}; {short(lost)} {why}")
    return "; ".join(said)


def _conditions(points, total):
    """Which published shares a curve follows, and how near it comes."""
    used = points[points["used"] & points["form"].ne(BOUND) & points["nutrient"].eq(total.nutrient)]
    said = []
    for (source, _), some in used.sort_values("day").groupby(["source_key", "provenance"], sort=False):
        shares = [f"{_share(r)} {_place(r)}" for r in records(some)]
        other = ", another study" if some["joined"].any() else ""
        said.append(f"{', '.join(shares)}{_of(source)}{other}")
    off = f" (within {total.misfit:.1%} of the season)" if total.misfit >= 0.001 else ""
    return f"{', '.join(said)}{off}"


def _share(r):
    if r.low == r.high:
        return f"{r.low:.0%}"
    return f"more than {r.low:.0%}" if r.high == 1 else f"{r.low:.0%} to {r.high:.0%}"


def _place(r):
    place = code_of(r.stage) if r.stage else f"day {r.day:.0f}"
    return f"in {place}" if r.form == INTERVAL else f"by {place}"


def _stretches(rows, end):
    """Mean demand of each stretch."""
    ends = [f"{daily(r.daily)} a day to {r.to_stage or end}" for r in records(rows)]
    return f"on average {', '.join(ends)}"


def _peak(r, compared):
    """A published peak, and how far the curve's is from it where the two can be compared."""
    scaled = not np.isnan(r.published_scaled)
    shown = daily(r.published_scaled if scaled else r.published)
    if not scaled and r.published_low < r.published_high:
        shown = f"{daily(r.published_low)} to {daily(r.published_high)}"
    when = f" on days {r.day_from:.0f} to {r.day_to:.0f}" if r.day_from < r.day_to and not r.stage else ""
    whose = "own" if r.provenance == "own table" else "published"
    text = f"{whose} peak {shown} a day{when}{_of(r.source_key)}, {r.basis}"
    if not scaled or not compared:
        return text
    if abs(r.difference_pct) < 0.5:
        return f"{text}, equal to the curve's"
    side = "above" if r.difference_pct >= 0 else "below"
    return f"{text}; the curve's peak is {abs(r.difference_pct):.0f}% {side} it"


def _basis(demand):
    placed = _of(*demand.stages["source_key"])
    kinds = {
        ONE_PEAK: "one daily peak where shares allow it",
        FREE: "several peaks where they do not",
        THROUGH: "through every point; the daily rate may pause",
    }
    used = ", ".join(text for kind, text in kinds.items() if (demand.totals["curve"] == kind).any())
    days = f" Days of stages after {demand.starts}:{placed}." if placed else ""
    return Line(Kind.NOTE, f"Between published shares the curve is interpolated ({used}).{days}")


def gap_lines(gap) -> list[Line]:
    """Say when and how far supply falls short of demand."""
    said = [lead(f"{gap.demand.crop} {_runs_short(gap)} (supply against demand, {gap.demand.unit})")]
    for r in records(gap.distinct):
        delay = f"with the {r.delay} delay: " if r.delay else ""
        said.append(row(r.nutrient, f"{delay}{_gap(r, gap.demand.unfinished)}"))
    if gap.demand.unfinished:
        last = gap.demand.table["day"].max()
        said.append(
            told(f"Temperatures end on day {last:.0f}; soil supply is spread over {gap.days:.0f} days.")
        )
    spread = gap.demand.totals["spread"].max()
    if spread > 0:
        said.append(told(
            f"Spans assume that shares are known to {spread:.0%} mid-season, better near the ends (common "
            "practice, no source). Far from a point the error may be larger."
        ))  # fmt: skip
    return [*said, told("Supply and delays are yours; demand is a published average."), told(GOVERNS)]


def _runs_short(gap) -> str:
    """Name the nutrients whose supply falls short whatever the delay, or else those that may."""
    rows = gap.distinct
    late = rows["first_day"].notna().groupby(rows["nutrient"], sort=False)
    if sure := [name for name, all_short in late.all().items() if all_short]:
        return f"runs short of {', '.join(sure)}"
    may = rows.loc[rows["first_day"].notna() | rows["first_day_from"].notna(), "nutrient"]
    if len(may):
        return f"may run short of {', '.join(may.unique())}"
    return "has not run short so far" if gap.demand.unfinished else "does not run short"


def _gap(r, unfinished):
    """First day and size of one gap, each with its span."""
    if np.isnan(r.first_day) and np.isnan(r.first_day_from):
        return "not short so far" if unfinished else "never short"
    if np.isnan(r.first_day):
        return f"short only at the highest demand, from day {r.first_day_from:.0f}"
    where = [span] if (span := _days(r)) else []
    where += ["interpolated"] if r.interpolated else []
    about = "about " if where else ""
    beside = f" ({'; '.join(where)})" if where else ""
    stage = f", after {r.stage}" if r.stage else ""
    low, high = short(r.largest_gap_low), short(r.largest_gap_high)
    end = "on the last day given" if unfinished else "at the end"
    size = f"at most {short(r.largest_gap)}" + ("" if low == high else f" ({low} to {high})")
    return (
        f"short from {about}day {r.first_day:.0f}{stage}{beside}; "
        f"{size} on day {r.largest_gap_day:.0f}; {short(r.gap_at_end)} {end}"
    )


def _days(r):
    if np.isnan(r.first_day_to):
        return f"day {r.first_day_from:.0f} or later, perhaps never"
    if r.first_day_from == r.first_day_to:
        return ""
    return f"day {r.first_day_from:.0f} to {r.first_day_to:.0f}"


# ---- in short, beside a figure


MAIN = ("N", "P2O5", "K2O")


def in_short(result) -> list[str]:
    """Say what a budget or a season comes to for nitrogen, phosphate and potash, in two sentences."""
    goal = f"{capital(result.crop)} at {result.yield_goal:g} {result.yield_unit}"
    if hasattr(result, "peaks"):
        said = [f"{name} {_most(result, name)}" for name in MAIN if name in result.nutrients]
        return [f"{goal} needs {'; '.join(said)}.", f"Days count from {result.starts}."]
    rows = result.defaults.set_index("nutrient").reindex(MAIN)
    taken = "No published total uptake."
    if rows["uptake"].notna().any():
        taken = f"Total uptake {_of_main(rows['uptake'])} {result.unit}."
    return [f"{goal}: {_of_main(rows['removed'])} {result.unit} removed with the harvest.", taken]


def _most(demand, name):
    """The peak of a curve, or the highest mean where little is published."""
    means = demand.stretches[demand.stretches["nutrient"] == name]
    if len(means):
        return f"up to {daily(means['daily'].max())} {demand.unit} a day, mean of a period"
    top = demand.peaks[demand.peaks["nutrient"] == name].iloc[0]
    return f"{daily(top['curve'])} {demand.unit} a day at its peak, day {top['curve_day']:.0f}"


def _of_main(column):
    said = [f"{name} not published" if np.isnan(v) else f"{short(v)} {name}" for name, v in column.items()]
    return f"{', '.join(said[:-1])} and {said[-1]}"
