"""What a crop needs and when, what soil tests ask for, which products give it, and what carries over."""

import numpy as np

from fertkit.budget import blends
from fertkit.budget.ledger import TEST_OF
from fertkit.budget.needs import OWN
from fertkit.budget.season import ONE_PEAK, THROUGH
from fertkit.budget.timing import code_of
from fertkit.budget.words import GOVERNS, daily, keys, mark, parts, short
from fertkit.results import capital, plain
from fertkit.say.line import Kind, Line, detail, lead, row, told

# ---- needs


def budget_lines(budget) -> list[Line]:
    """Say what one field needs."""
    kept = ", residue kept" if budget.baled == 0 else f", {budget.baled:.0%} of the residue baled"
    kept = kept if budget.part == "grain" else ""
    said = [
        lead(f"{budget.crop} {budget.part}, {budget.yield_goal:g} {budget.yield_unit}{kept} [{budget.unit}]")
    ]
    spread = budget.spread.set_index("nutrient")
    for r in budget.defaults.itertuples():
        said.append(row(r.nutrient, f"{_amounts(r)}{mark(r.provenance)}{_span(spread, r.nutrient)}"))
    own = budget.rows[budget.rows["source_key"] == OWN]
    said += [row(r.nutrient, f"{short(r.removed)} leave by your own analysis") for r in own.itertuples()]
    return [*said, *_practice(budget), *map(told, budget.notes), told(GOVERNS)]


def _practice(budget):
    trade = budget.common_practice.to_dict("records")
    if trade and budget.pounds > 0:
        taken, left = (
            ", ".join(f"{short(r[name])} {r['nutrient']}" for r in trade if r[name] > 0)
            for name in ("uptake", "removed")
        )
        text = f"Common practice, no source: takes up {taken}; {left} leave."
        yield Line(Kind.PRACTICE, text)


def _amounts(r):
    if r.removed_source and r.removed_source == r.uptake_source:
        uptake, removed, stays = parts(r.uptake, r.removed)
        share = f"{r.share_removed:.0%}"
        return f"takes up {uptake} ({r.uptake_source}); {removed} leave ({share}), {stays} stay"
    up = f"takes up {short(r.uptake)} ({r.uptake_source})" if r.uptake_source else "uptake not published"
    off = (
        f"{short(r.removed)} leave ({r.removed_source})"
        if r.removed_source
        else "removal not published with it"
    )
    return f"{up}; {off}"


def _span(spread, nutrient):
    if nutrient not in spread.index:
        return ""
    s, said = spread.loc[nutrient], []
    for name, verb in (("uptake", "are taken up"), ("removed", "leave")):
        count = s[f"{name}_sources"]
        low, high = short(s[f"{name}_lowest"]), short(s[f"{name}_highest"])
        if count > 1:
            said.append(f"; by {count:.0f} sources {low if low == high else f'{low} to {high}'} {verb}")
    return "".join(said)


def farm_lines(farm) -> list[Line]:
    """Say what a whole farm needs."""
    fields = farm.rows.drop_duplicates("field")
    unit = farm.rows["field_unit"].iloc[0]
    n = len(fields)
    area = f"{fields['area'].sum():g} {farm.area_unit}"
    said = [lead(f"{n} field{'s' if n > 1 else ''}, {area} [{unit} on the whole farm]")]
    for r in farm.totals.itertuples():
        up, off = r.fields_with_uptake, r.fields_with_removed
        uptake, removed, stays = parts(r.uptake, r.removed)
        taken = f"takes up {uptake}{_of_fields(up, n)}" if up else "uptake not published"
        left = f"{removed} leave{_of_fields(off, n)}" if off else "removal not published"
        rest = f", {stays} stay" if up == off == n else ""
        said.append(row(r.nutrient, f"{taken}; {left}{rest}"))
    return [*said, *_sources(farm), told(GOVERNS)]


def _of_fields(some, fields):
    return "" if some == fields else f" on {some} of {fields} fields, not published for the others"


def _sources(farm):
    """One line a crop: where its numbers come from, and which of them are from memory."""
    for crop, rows in farm.rows.groupby("crop", sort=False):
        memory = rows.loc[rows["provenance"].map(mark) != "", "nutrient"].unique()
        marked = f"; {', '.join(memory)} [from memory]" if len(memory) else ""
        yield told(f"{keys(rows['uptake_source'], rows['removed_source'])}{marked}", crop)


# ---- the season


def demand_lines(demand) -> list[Line]:
    """Say how demand runs through the season."""
    last = demand.rows["day"].max()
    goal = f"{demand.yield_goal:g} {demand.yield_unit}"
    means = dict(list(demand.stretches.groupby("nutrient")))
    rows = [row(total.nutrient, _season_of(demand, total, means)) for total in demand.totals.itertuples()]
    head = lead(f"{demand.crop}, {goal}, {last:.0f} days from emergence [{demand.unit}]")
    return [head, *rows, _basis(demand)]


def _season_of(demand, total, means):
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
    where = [span] if (span := _days(r)) else []
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


def _days(r):
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


# ---- rates by soil test, products and blends


_PER = {"lb/ac": "lb {} per acre", "kg/ha": "kg {} per hectare"}


def soil_rate_lines(rate) -> list[Line]:
    """Say the rate of one system, with its equation."""
    memory = rate.rows.loc[rate.rows["provenance"].isin(["from_memory", "mixed"]), "term"]
    amount = f"{rate.rate:.0f} {_PER[rate.unit].format(rate.nutrient)}"
    said = [
        lead(f"{_titled(rate)}, {rate.crop}: {amount} and year, {rate.zone}"),
        detail(f"{rate.equation}{'' if rate.unit == rate.equation_unit else f' {rate.equation_unit}'}"),
        detail(keys(rate.rows["source_key"]), "numbers of the equation"),
    ]
    said += [detail(", ".join(memory), "from memory, confirm before use")] if len(memory) else []
    return [*said, told(GOVERNS)]


def _titled(system):
    return f"{system.title} (superseded)" if system.status == "superseded" else system.title


def system_lines(comparison) -> list[Line]:
    """Say what each system asks for."""
    said = [lead(f"{comparison.crop}, {comparison.nutrient} by soil test [lb/ac a year]")]
    rows = comparison.rows
    for r in rows[rows["carried"]].itertuples():
        rate = f"no rate, {r.why_not}" if np.isnan(r.rate_lb_ac) else f"{r.rate_lb_ac:.0f}, {r.zone}"
        said.append(detail(f"{rate} ({keys([r.source_key])}{mark(r.provenance)})", _titled(r)))
    if silent := int((~rows["carried"]).sum()):
        count = "1 other system has" if silent == 1 else f"{silent} other systems have"
        said.append(detail(f"{count} nothing on {comparison.nutrient} for {comparison.crop}"))
    return [*said, told(GOVERNS)]


def product_lines(product) -> list[Line]:
    """Say how much of a product gives a rate, and what comes with it."""
    liquid = "" if np.isnan(product.product_gal_ac) else f" ({product.product_gal_ac:.1f} gal/ac)"
    with_it = ", ".join(f"{r.supplied_lb_ac:.1f} {r.nutrient}" for r in product.rows.itertuples())
    source = f"{keys(product.rows['source_key'])}{mark(' '.join(product.rows['provenance']))}"
    amount = f"{product.material} {product.grade}: {product.product_lb_ac:.0f} lb/ac{liquid}"
    return [lead(f"{amount} supplies {with_it} lb/ac (analysis: {source})"), *_cautions(product)]


def blend_lines(blend) -> list[Line]:
    """Say the mix of least cost and what it supplies."""
    _, volume, area = blends.NAMES[blend.unit]
    said = [lead(f"Least cost {blend.cost:.2f} per {area}, in the money of the price list")]
    analysis = blend.rows.set_index("product")
    for r in blend.used.itertuples():
        liquid = "" if np.isnan(r.volume) else f" ({r.volume:.1f} {volume})"
        of = analysis.loc[r.product]
        source = f"{keys([of['source_key']])}{mark(of['provenance'])}"
        said.append(detail(f"{short(r.rate)} {blend.unit}{liquid} {r.product} ({source}), {r.cost:.2f}"))
    for r in blend.balance.itertuples():
        supplied, target, over = parts(r.supplied, r.target)
        over = f", {over} over" if r.over > max(0.005 * r.target, 0.005) else ""
        asked = f"{target} {blend.unit} asked" if r.target > 0 else "none asked"
        said.append(detail(f"{supplied} supplied, {asked}{over}", r.nutrient))
    return [*said, *_cautions(blend)]


def _cautions(result):
    return [detail(r.text, r.topic) for r in result.cautions.itertuples()]


# ---- what carries over


def ledger_lines(ledger) -> list[Line]:
    """Say the balance of each nutrient and where the soil test goes."""
    years = ledger.rows.drop_duplicates("season")["year"].tolist()
    when = f"{len(years)} seasons, {years[0]} to {years[-1]}" if len(years) > 1 else f"1 season, {years[0]}"
    ends = ledger.end.set_index("nutrient")
    by_nutrient = ledger.rows.groupby("nutrient", sort=False)
    rows = [row(name, _balance_of(ledger, name, group, ends.loc[name])) for name, group in by_nutrient]
    removal, trend = keys(ledger.rows["removed_source"]), keys(ledger.rows["buffer_source"])
    return [
        lead(f"{when} [{ledger.unit}]"), *rows,
        told(f"Removal: {removal}." + (f" Trend of the test: {trend}." if trend else "")),
        told("A soil test moves with season, depth and laboratory beyond any ledger: test again."),
        told(GOVERNS),
    ]  # fmt: skip


def _balance_of(ledger, name, group, end):
    applied, removed, balance = parts(group["applied"].sum(), group["removed"].sum())
    text = f"applied {applied}, removed {removed}"
    if name == "N":
        return f"{text} (legumes fix their own); not carried{_over(group)}"
    text += f", balance {balance if balance.startswith('-') else '+' + balance}"
    if not np.isnan(end["worth"]):
        text += f" (worth {end['worth']:+.2f})"
    if not np.isnan(end["test_ppm"]):
        span = f"{end['test_low']:.0f} to {end['test_high']:.0f}"
        text += f"; test {ledger.start[TEST_OF[name]]:g} to {end['test_ppm']:.0f} ppm ({span})"
    memory = group["provenance"].str.contains("from_memory|mixed").any()
    return text + _over(group) + ("; removal partly [from memory]" if memory else "")


def _over(group):
    """What was applied beyond removal cost, and what it saves next season."""
    over = group[group["over_cost"] > 0]
    if over.empty:
        return ""
    low, high = over["over_worth_low"].sum(), over["over_worth_high"].sum()
    saved = f"{low:.2f}" if low == high else f"{low:.2f} to {high:.2f}"
    return f"; beyond removal cost {over['over_cost'].sum():.2f}, saves {saved} the season after"


def skipped_lines(skipped) -> list[Line]:
    """Say what a year without fertilizer saves and costs."""
    rows = [row(r.nutrient, _not_applied(r, skipped.planned.unit)) for r in skipped.rows.itertuples()]
    return [lead(f"Nothing applied in {skipped.year}"), *rows, told(GOVERNS)]


def _not_applied(r, unit):
    saved = "" if np.isnan(r.saved) else f", saves {r.saved:.2f} now"
    text = f"{short(r.not_applied)} {unit} not applied{saved}"
    if r.nutrient == "N":
        return f"{text}; the crop of that year goes without: N is not in the bank"
    if np.isnan(r.test_skipped):
        return text
    span = f"{r.test_skipped_low:.0f} to {r.test_skipped_high:.0f}"
    return f"{text}; test ends at {r.test_skipped:.0f} ppm ({span}) instead of {r.test_planned:.0f}"


# ---- in short, beside a figure


MAIN = ("N", "P2O5", "K2O")


def in_short(result) -> list[str]:
    """Say what a budget or a season comes to for nitrogen, phosphate and potash, in two sentences."""
    goal = f"{capital(result.crop)} at {result.yield_goal:g} {result.yield_unit}"
    if hasattr(result, "peaks"):
        peaks = result.peaks.drop_duplicates("nutrient").set_index("nutrient")
        most = [
            f"{name} around day {peaks.loc[name, 'curve_day']:.0f} ({daily(peaks.loc[name, 'curve'])} "
            f"{result.unit} a day)"
            for name in MAIN
            if name in peaks.index
        ]
        return [
            f"{goal} takes up most {'; '.join(most)}; days count from emergence.",
            "Published peaks are higher than such a smooth curve: see In words.",
        ]
    rows = result.defaults.set_index("nutrient").reindex(MAIN)
    taken = "No total uptake is published for it in the tables carried."
    if rows["uptake"].notna().any():
        taken = f"It takes up {_of_main(rows['uptake'])} {result.unit}."
    return [f"{goal}: {_of_main(rows['removed'])} {result.unit} removed with the harvest.", taken]


def _of_main(column):
    said = [f"{name} not published" if np.isnan(v) else f"{short(v)} {name}" for name, v in column.items()]
    return f"{', '.join(said[:-1])} and {said[-1]}"
