"""Sentences about a trial that is planned: two factors, sites and years, rates, and the whole of it."""

from fertkit.response.curves import CURVES
from fertkit.results import counted, plain
from fertkit.say.line import Kind, Line, lead, notes, told

#: The plan of rates that is taken where none are typed.
RECOMMENDED = "for the optimum of any curve"
SUPPOSED = "all this holds as far as what was supposed of the field does"
_LIES = {
    "any strip": "the first factor on any strip", "whole strips": "the first factor on whole strips",
    "zones": "zones that lie once, so that nothing tells their own difference from that of the place",
}  # fmt: skip


def factor_lines(plan) -> list[Line]:
    """Say how many blocks show that one factor changes what the other does."""
    a, b = plan.levels
    last = plan.table.iloc[-1]
    each = " in each zone" if plan.arrangement == "zones" else ""
    return [
        lead(f"{a} x {b} in {counted(plan.blocks, 'block')}{each}, {_LIES[plan.arrangement]}: that a "
             f"difference is {plain(plan.difference_pct)} % of the mean larger at one level than at another "
             f"is found in {100 * last['power']:.0f} of 100 such trials."),
        told(f"The smallest such difference of differences found in {100 * plan.power:.0f} of 100 is "
             f"{plain(last['smallest_difference_pct'])} %; of two rates or treatments over the first factor "
             f"{plain(plan.table['smallest_difference_pct'].iloc[-3])} %."),
    ]  # fmt: skip


def network_plan_lines(plan) -> list[Line]:
    """Say how many sites and years a pooled number needs."""
    table, unit = plan.table, plan.unit
    reached = table.dropna(subset="sites")
    what = f"the {plan.level:.0%} interval of the pooled {plan.quantity} {plain(plan.width)} {unit} wide"
    said = []
    if reached.empty:
        said.append(
            lead(f"No number of sites up to 500 makes {what}: years differ too much, or are too few.")
        )
    for years, rows in reached.groupby("years"):
        ways = ", ".join(f"{plain(r.sites)} sites of {counted(r.blocks, 'block')}" for r in rows.itertuples())
        said.append(lead(f"In {counted(years, 'year')}, {ways} make {what}."))
    missing = sorted(set(table["years"]) - set(reached["years"]))
    if missing and not reached.empty:
        said.append(
            told(f"With {', '.join(counted(int(y), 'year') for y in missing)} no number of sites does.")
        )
    if plan.year_sd > 0 and 1 in set(table["years"]):
        said += notes([
            "one year cannot tell how years differ: its interval is that of this year, and another year may "
            f"lie {plain(plan.year_sd)} {unit} away (standard deviation)"
        ])  # fmt: skip
    return said


def placing_lines(placing) -> list[Line]:
    """Say where rates tell most of the optimum, and what that rests on."""
    table, unit = placing.table.set_index("plan"), placing.rate_unit
    se = table.filter(like="optimum_se").columns[0]
    low, high = placing.best_rates[0], placing.best_rates[-1]
    span = plain(low) if low == high else f"{plain(low)} to {plain(high)}"
    best, equal = table.loc[RECOMMENDED], table.iloc[0]
    said = [
        lead(f"If the best yield lies at {span} {unit} ({CURVES[placing.curve].label} curve), rates at "
             f"{best['rates']} {unit} know the optimum to a standard error of {plain(best[se])} {unit} a "
             f"block, equal spacing ({equal['rates']}) to {plain(equal[se])}."),
        told(f"A hundred blocks of them are worth {best['against_equal_pct']:.0f} blocks of equal spacing; "
             f"were the curve known, {table.loc['for the optimum', 'rates']} {unit} would be worth "
             f"{table.loc['for the optimum', 'against_equal_pct']:.0f}."),
    ]  # fmt: skip
    worst = placing.by_curve.drop(columns="curve").max()
    if worst[RECOMMENDED] > worst.iloc[0]:
        which = placing.by_curve.loc[placing.by_curve[RECOMMENDED].idxmax(), "curve"]
        said.append(told(f"Equal spacing is the safer choice if the {which} curve is true."))
    return [*said, *notes([SUPPOSED])]


def layout_answer_lines(answer) -> list[Line]:
    """Say the plan: size, rates, place."""
    said = [line for name in ("power", "factors", "placing", "network") if (part := getattr(answer, name))
            for line in part.lines() if line.kind in (Kind.LEAD, Kind.TEXT)]  # fmt: skip
    if answer.expected is not None:
        said += [line for line in answer.expected.lines() if line.kind == Kind.TEXT][:-1]
    if answer.placing is not None:
        said += notes([SUPPOSED])
    return [*said, *answer.plan.lines()]
