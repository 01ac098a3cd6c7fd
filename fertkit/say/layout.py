"""Sentences about a trial that is planned: two factors, sites and years, rates, and the whole of it."""

from fertkit.response.curves import CURVES
from fertkit.response.placing import EQUAL, GIVEN
from fertkit.response.plan import bare_plans
from fertkit.results import counted, plain
from fertkit.say.line import Kind, Line, lead, notes, told

#: The plan of rates that is taken where none are typed.
RECOMMENDED = "for the optimum of any curve"
SUPPOSED = "all this depends on the assumed field"
WHOLE_PCT = 99.5  # a strip that keeps so much of its ground is whole (common practice, no source)
_ALONE = {
    "any strip": "the layout holds one factor; for both, name each pair: A 0, A 60, B 0, B 60",
    "whole strips": "the layout holds one factor; randomise the first in each block, across or along the "
                    "strips",
    "zones": "lay {blocks} blocks in each zone; strips through all zones serve every zone",
}  # fmt: skip
_LIES = {
    "any strip": "the first factor on any strip", "whole strips": "the first factor on whole strips",
    "zones": "zones that occur once, so their own difference cannot be separated from the place",
}  # fmt: skip


def factor_lines(plan) -> list[Line]:
    """Say how many blocks show that one factor changes what the other does."""
    a, b = plan.levels
    last = plan.table.iloc[-1]
    each = " in each zone" if plan.arrangement == "zones" else ""
    return [
        lead(f"{a} x {b} in {counted(plan.blocks, 'block')}{each}, {_LIES[plan.arrangement]}: an interaction "
             f"of {plain(plan.difference_pct)}% of the mean is detected in {100 * last['power']:.0f} of 100 "
             "trials."),
        told(f"Smallest interaction detected in {100 * plan.power:.0f} of 100: "
             f"{plain(last['smallest_difference_pct'])}%; smallest difference of two rates or treatments "
             f"over the first factor: {plain(plan.table['smallest_difference_pct'].iloc[-3])}%."),
    ]  # fmt: skip


def network_plan_lines(plan) -> list[Line]:
    """Say how many sites and years a pooled number needs."""
    table, unit = plan.table, plan.unit
    reached = table.dropna(subset="sites")
    what = f"the {plan.level:.0%} interval of the pooled {plan.quantity} {plain(plan.width)} {unit} wide"
    said = []
    if reached.empty:
        said.append(lead(f"Even 500 sites do not make {what}: years vary too much or are too few."))
    for years, rows in reached.groupby("years"):
        ways = " or ".join(
            f"{plain(r.sites)} sites of {counted(r.blocks, 'block')}" for r in rows.itertuples()
        )
        said.append(lead(f"In {counted(years, 'year')}, {ways} make {what}."))
    missing = sorted(set(table["years"]) - set(reached["years"]))
    if missing and not reached.empty:
        years = f"{' or '.join(map(str, missing))} {'year' if missing == [1] else 'years'}"
        said.append(told(f"With {years} even 500 sites are not enough."))
    if plan.year_sd > 0 and 1 in set(table["years"]):
        said += notes([
            f"one year says nothing about other years, which may differ by {plain(plan.year_sd)} {unit} "
            "(standard deviation)"
        ])  # fmt: skip
    return said


def placing_lines(placing) -> list[Line]:
    """Say where rates tell most of the optimum, and what that rests on."""
    table, unit = placing.table.set_index("plan"), placing.rate_unit
    se = table.filter(like="optimum_se").columns[0]
    low, high = placing.best_rates[0], placing.best_rates[-1]
    span = plain(low) if low == high else f"{plain(low)} to {plain(high)}"
    best, equal = table.loc[RECOMMENDED], table.iloc[0]
    given = f", your rates {plain(table.loc[GIVEN, se])}" if GIVEN in table.index else ""
    said = [
        lead(f"If the best yield lies at {span} {unit} ({CURVES[placing.curve].label} curve), rates at "
             f"{best['rates']} {unit} give a standard error of the optimum of {plain(best[se])} {unit} per "
             f"block; equal spacing ({equal['rates']}) {plain(equal[se])}{given}."),
        told(f"In standard error 100 such blocks equal {best['against_equal_pct']:.0f} blocks of equal "
             f"spacing; with the curve known, {table.loc['for the optimum', 'rates']} {unit} would equal "
             f"{table.loc['for the optimum', 'against_equal_pct']:.0f}."),
    ]  # fmt: skip
    worst = placing.by_curve.drop(columns="curve").max()
    if worst[RECOMMENDED] > worst.iloc[0]:
        which = placing.by_curve.loc[placing.by_curve[RECOMMENDED].idxmax(), "curve"]
        said.append(told(f"Equal spacing is safer if the {which} curve is true."))
    return [*said, *notes([SUPPOSED])]


def _which_rates(answer) -> list[Line]:
    """Say first which way of placing rates is laid out, and why."""
    if answer.laid not in (EQUAL, RECOMMENDED) or len(answer.expected.table) < 2:
        return []
    wide, unit = bare_plans(answer.expected).set_index("plan")["median_width"], answer.expected.rate_unit
    other = RECOMMENDED if answer.laid == EQUAL else EQUAL
    way = {EQUAL: "equally spaced", RECOMMENDED: "placed for the optimum"}
    return [
        lead(f"Rates are {way[answer.laid]}: the interval of the optimum is then about "
             f"{plain(wide[answer.laid])} {unit} wide, with rates {way[other]} {plain(wide[other])} "
             f"({answer.expected.n} simulated trials)."),
    ]  # fmt: skip


def layout_answer_lines(answer) -> list[Line]:
    """Say the plan: size, rates, place."""
    said = _which_rates(answer)
    said += [line for name in ("power", "factors", "placing", "network") if (part := getattr(answer, name))
            for line in part.lines() if line.kind in (Kind.LEAD, Kind.TEXT)]  # fmt: skip
    if answer.expected is not None:
        said += [line for line in answer.expected.lines() if line.kind == Kind.TEXT][:-1]
    warned = [SUPPOSED] if answer.placing is not None else []
    if answer.factors is not None:
        warned.append(_ALONE[answer.factors.arrangement].format(blocks=answer.factors.blocks))
    if answer.network is not None:
        said += [line for line in answer.network.lines() if line.kind == Kind.NOTE]
    cut = cut_words(answer.features, answer.left_out)
    if answer.headland and not answer.features:
        cut.append(
            "no boundary and no A-B line is given, so the headland is not laid out: add it at both ends"
        )
    return [*said, *notes(warned), *answer.plan.lines(), *notes(cut)]


def cut_words(features, left_out=()) -> list[str]:
    """Say which strips the boundary or the headland cuts, and which are left out."""
    shares = {f["properties"]["position"]: f["properties"]["kept_pct"] for f in features}
    cut = {position: share for position, share in shares.items() if share < WHOLE_PCT}
    short = [
        f"left out, too short to harvest where the boundary cuts: position {', '.join(map(str, left_out))}"
    ] * bool(left_out)
    if not cut:
        return short
    least, where = min(cut, key=cut.get), ", ".join(map(str, cut))
    return [
        *short,
        f"the boundary or headland cuts {len(cut)} of {counted(len(shares), 'strip')}, at position "
        f"{where}; the one at {least} keeps {plain(cut[least])}% of its area (see maps and table); plan "
        "fewer or shorter strips, or move them with an A-B line",
    ]
