"""What a pass plan says: its cost, what goes on in which pass, what to buy, where money is short."""

from fertkit.budget.shortfall import CLASS
from fertkit.response.prices import money_text
from fertkit.results import counted, plain
from fertkit.say.line import GOVERNS, Kind, Line, detail, lead, missing, row, short, told


def pass_plan_lines(plan) -> list[Line]:
    """Say the plan of a farm's passes."""
    acres = plan.applications.drop_duplicates(["field", "zone"])["area_ac"].sum()
    fields = plan.nutrients[["field", "zone"]].drop_duplicates()
    driven = plan.passes[plan.passes["fields"] > 0]
    least = "Most value for" if plan.short_of_money else "Least cost"
    said = [
        lead(
            f"{least} {money_text(plan.cost)}: {counted(len(fields), 'field')}, {plain(acres)} acres treated"
        )
    ]
    said += [row(r.name, f"{counted(r.fields, 'field')}, {plain(r.acres)} acres, {money_text(r.cost)}")
             for r in driven.rename(columns={"pass": "name"}).itertuples()]  # fmt: skip
    said += [row(r.product, _bought(r)) for r in plan.purchases.itertuples() if r.need_lb > 0]
    said += _short(plan)
    said += watch_lines(plan.watch)
    said.append(told(f"The best possible plan is at most {plan.gap:.1%} better."))
    said += [Line(Kind.CAUTION, r.text, r.topic) for r in apart(plan.cautions).itertuples()]
    return [*said, told(GOVERNS)]


def apart(cautions):
    """Return cautions without the one that `GOVERNS` says."""
    return cautions[cautions["topic"] != "who governs"]


#: What to know of fields that are to be looked at twice (common practice).
WATCH = {
    "fall nitrogen": "All nitrogen for {crop} is applied in fall ({amount} on {where}). Nitrate can leach or "
    "denitrify before uptake. Save most for spring or sidedress: add such a pass, or keep nitrogen out of "
    "the fall pass (common practice, no source).",
    "surplus sulfur": "{amount} more sulfur than {crop} needs on {where}. Excess sulfate leaches, and "
    "ammonium sulfate acidifies more than other nitrogen. Supply most nitrogen from another product, "
    "added to the shed (common practice, no source).",
    "surplus phosphate": "{products} supplies {amount} more P2O5 than {crop} needs on {where}. Phosphorus "
    "in runoff feeds algae, and no crop needs it above the maintenance limit. Supply part of the nitrogen "
    "from another product, or spread on the fields lowest in P. Check your state's phosphorus rules.",
}
#: What these cautions rest on, where it is published.
RESTS_ON = {"surplus phosphate": ("NRCS590", "TRI2020")}


def watch_lines(watch, rate: str = "lb/ac") -> list[Line]:
    """Say which fields are to be looked at twice, and why."""
    said = []
    for (what, crop), some in watch.groupby(["what", "crop"], sort=False):
        low, high = short(some["rate_lb_ac"].min()), short(some["rate_lb_ac"].max())
        names = [f"{r.field} {r.zone}".strip() for r in some.itertuples()]
        more = f" and {counted(len(names) - 5, 'more field')}" if len(names) > 5 else ""
        where = ", ".join(names[:5]) + more
        amount = f"{low if low == high else f'{low} to {high}'} {rate}"
        products = " and ".join(some["products"].unique())
        text = WATCH[what].format(crop=crop, amount=amount, where=where, products=products)
        said.append(Line(Kind.CAUTION, text, what.capitalize(), sources=RESTS_ON.get(what, ())))
    return said


def _bought(r):
    stock = f", {short(min(r.need_lb, r.on_hand_lb))} of it on hand" if r.on_hand_lb else ""
    lots = f" in {counted(int(r.lots), 'lot')}" if r.lots == r.lots and r.lots else ""
    bought = f"; buy {r.tons:,.1f} tons{lots}, {money_text(r.cost)}" if r.bought_lb else ""
    return f"{r.need_lb:,.0f} lb needed{stock}{bought}"


def _short(plan):
    """What falls short: for want of money, or of less than a step of the spreader."""
    lacking = plan.nutrients[plan.nutrients["short_lb_ac"] > 0]
    if not plan.short_of_money:
        if len(lacking):
            most = lacking["short_lb_ac"].max()
            cases = counted(len(lacking), "case")
            yield detail(
                f"whole rates leave up to {short(most)} lb/ac of a target unmet, in {cases}", "rounding"
            )
        return
    lacking = lacking[lacking["short_lb_ac"] >= 1].sort_values("short_lb_ac", ascending=False)
    for nutrient, some in lacking.groupby("nutrient", sort=False):
        lacks = [f"{r.field} {r.zone}".strip() + f" {short(r.short_lb_ac)}" for r in some.itertuples()]
        more = f" and {counted(len(lacks) - 5, 'more field')}" if len(lacks) > 5 else ""
        yield missing(f"{nutrient} short [lb/ac]", f"{', '.join(lacks[:5])}{more}")
    for first in plan.shadow.head(1).itertuples():
        place = f"{first.field} {first.zone}".strip()
        gain = "" if first.basis == CLASS else f"returns {plain(plan.next_unit)} per unit and "
        yield told(f"More money {gain}goes to {first.nutrient} on {place} first.")
    if plan.shadow["basis"].eq(CLASS).any():
        yield Line(
            Kind.PRACTICE,
            "Common practice, no source: money goes to nitrogen and the lowest soil tests first.",
        )
