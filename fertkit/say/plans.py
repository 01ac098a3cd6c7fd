"""Trials planned: the strips as they lie, what a plan can find, how well it will know the optimum."""

from fertkit.response.curves import CURVES
from fertkit.response.expected import bare_plans
from fertkit.results import capital, counted, failed, plain
from fertkit.rounding import same
from fertkit.say.line import Kind, Line, lead, notes, told
from fertkit.trials.arrange import show
from fertkit.trials.layout import DESIGNS, SIDES

_WHERE = {
    "blocks": "within blocks", "pairs": "within pairs", "random": "over the whole field",
    "latin": "within rows and columns",
}  # fmt: skip


def layout_lines(plan) -> list[Line]:
    """Say how the strips lie."""
    w = plan.width_unit
    return [
        lead(f"{DESIGNS[plan.design]}: {len(plan.treatments)} treatments x {plan.blocks}, seed {plan.seed}."),
        told(f"Strips {plan.strip_width:g} {w} wide ({counted(plan.passes, 'applicator pass')}), the middle "
             f"{plan.harvest_width:g} {w} harvested; the trial takes {plan.width:g} x {plan.length:g} {w}."),
        told(f"{capital(SIDES)}."),
        *(Line(Kind.SKETCH, row) for row in sketch(plan)),
        *notes([*plan.notes, *failed(plan.checks)]),
    ]  # fmt: skip


def sketch(plan) -> list[str]:
    """Draw the strips in text, left to right as they lie looking the way they are driven, blocks apart."""
    strips = plan.strips
    cell = max(len(show(t)) for t in plan.treatments) + 1
    rows = []
    for start in sorted(strips["start"].unique(), reverse=True):
        # Borders run the whole length, past every tier.
        tier = strips[(strips["start"] == start) | (strips["kind"] == "border")].sort_values("left")
        row, last = "", None
        for strip in tier.itertuples():
            group = strip.kind if strip.kind == "border" else strip.block
            row += " |" if last is not None and group != last else ""
            row += ("·" if strip.kind == "border" else show(strip.treatment)).rjust(cell)
            last = group
        rows.append("  " + row)
    return rows


def power_lines(plan) -> list[Line]:
    """Say how often a true difference would be found."""
    sizes = plan.sizes.set_index("blocks").loc[plan.blocks]
    smallest, found = sizes["smallest_difference_pct"], 100 * sizes["power"]
    said = (
        f"{plan.blocks} blocks of {plan.treatments} treatments ({plan.design}): with a CV of "
        f"{plan.cv_pct:g} % ({_cv_of(plan)}) a true difference of {plain(plan.difference_pct)} % of "
        f"the mean is found in {found:.0f} of 100 such trials (two-sided, {100 * plan.alpha:g} %)."
    )
    if not same(plan.difference_pct, smallest):
        said += f" The smallest difference found in {100 * plan.power:.0f} of 100 is {plain(smallest)} %."
    return [lead(said)]


def _cv_of(plan):
    """Whose CV it is, so that what blocks or pairs take out is not counted twice."""
    if plan.pair_correlation:
        return f"of single strips over the whole field, correlated {plan.pair_correlation:g} within pairs"
    return f"of single strips {_WHERE[plan.design]}"


def expected_lines(expected) -> list[Line]:
    """Say how well each plan would know the optimum."""
    seed = "" if expected.seed is None else f", seed {expected.seed}"
    how = "as if the curve were known" if expected.known_curve else "by averaging over the curves it may be"
    return [
        lead(
            f"{expected.n} simulated trials of each plan{seed}: {CURVES[expected.curve].label} curve, strips "
            f"with an error of {plain(expected.sd)} {expected.yield_unit} (standard deviation), price ratio "
            f"{plain(expected.price_ratio)} {expected.yield_unit} per {expected.rate_unit}; each is "
            f"analysed {how}."
        ),
        *(told(_of_plan(expected, plan)) for plan in bare_plans(expected).itertuples()),
        told("All this holds as far as the supposed curve and error do."),
    ]


def _of_plan(expected, plan):
    unit, way, true = expected.rate_unit, "above" if plan.bias > 0 else "below", plain(plan.true_optimum)
    parts = [
        f"{plan.plan} ({plan.strips} strips): the {expected.level:.0%} interval of the economic optimum is "
        f"about {plain(plan.median_width)} {unit} wide, in 8 of 10 trials {plain(plan.width_p10)} to "
        f"{plain(plan.width_p90)} {unit}",
        f"it holds the true optimum, {true} {unit}, in {plain(plan.coverage_pct)} of 100 trials",
        f"its upper end is open in {plain(plan.open_pct)} of 100",
        f"no response is found in {plain(plan.no_response_pct)} of 100",
        f"the rate reported lies on average {plain(abs(plan.bias))} {unit} {way} the true optimum, typically "
        f"{plain(plan.rmse)} {unit} from it (root mean square)",
    ]
    return "; ".join(parts) + "."
