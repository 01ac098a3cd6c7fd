"""What a season plan asks for, field by field."""

import numpy as np

from fertkit.results import counted
from fertkit.say.line import GOVERNS, Kind, Line, detail, keys, lead, mark, missing, notes, row, short, told
from fertkit.say.plan_notes import plan_notes

#: Why a rate is what it is.
WHY = {
    "system": "by {system}",
    "first of several": "by {system}, the first of several systems",
    "asked": "as entered",
    "own trial": "by the optimum of your own trial",
    "legume": "a legume fixes its own",
    "no test": "by removal: no soil test",
    "no system": "by removal: no system here fits the soil test",
    "elsewhere": "by removal: only systems of other regions or kinds fit the soil test",
    "no trial": "no trial, so by {system}",
}
#: Label of a nutrient that the plan leaves out.
NO_RATE = "No rate"
#: Of these reasons the systems tell more.
UNDECIDED = ("no system", "elsewhere")
LEFT_OUT = {
    "no test": "no soil test that a published system uses",
    "no system": "no system here fits the test",
    "elsewhere": "only systems of other regions or kinds fit",
    "no removal": "no removal is published",
}
#: Why a published system does not decide a rate.
REASONS = {
    "no test": "there is no soil test for it",
    "method": "the tests are by another method, {given}",
    "unnamed": "the report does not say the method of the test",
    "depth": "the samples are {given} deep",
    "no depth": "the depth of the samples is not stated",
    "unit": "the tests are in {given}",
    "field": "something about the field is not stated",
    "classes": "only classes of the test are published, no rates",
    "region": "they are of another region",
    "superseded": "they are superseded",
    "policy": "they are of another kind than the policy",
}
NO_LIME = {
    "no target": "no target pH is given",
    "another buffer": "the equation needs the Mehlich buffer; another or none is named",
}


def target_lines(targets) -> list[Line]:
    """Say the rate of each nutrient over the fields, and why it is so."""
    table, titles = targets.table, titles_of(targets)
    said = [lead(f"Rates for {counted(table.groupby(['field', 'zone']).ngroups, 'field')} [lb/ac]")]
    for (nutrient, crop), some in table.groupby(["nutrient", "crop"], sort=False):
        for (why, system), rows in some.groupby(["why", "system"], sort=False):
            said.append(
                row(
                    nutrient,
                    f"{crop}: {_rates(rows)} {why_of(why, titles.get(system, 'removal'))}{_sources(rows)}",
                )
            )
            said += undecided_lines(targets, rows) if why in UNDECIDED else []
    return [*said, *no_rate_lines(targets, targets.left_out), told(GOVERNS)]


def no_rate_lines(targets, left_out):
    """Say which nutrients have no rate, one line a reason, and what to do."""
    for why, rows in left_out.groupby("why", sort=False):
        where = [f"{nutrient} of {crop} on {places(some)}"
                 for (nutrient, crop), some in rows.groupby(["nutrient", "crop"], sort=False)]  # fmt: skip
        yield Line(
            Kind.MISSING, f"{', '.join(where)}: {LEFT_OUT[why]}; enter your own rate or one from a trial.",
            NO_RATE, in_code=" ".join(f"--policy {n}=RATE" for n in rows["nutrient"].unique()),
        )  # fmt: skip
        yield from undecided_lines(targets, rows)


def places(rows) -> str:
    """Count the fields of some rows, and the zones where fields are split."""
    where = rows[["field", "zone"]].drop_duplicates()
    split = where["zone"] != ""
    if split.any() and not split.all():
        return f"{len(where)} fields and zones"
    return counted(len(where), "zone" if split.any() else "field")


def undecided_lines(targets, rows) -> list[Line]:
    """Say, one line a reason, why no system decides some rows of the rates or of what is left out."""
    silent = targets.systems.merge(rows[["at", "nutrient"]], on=["at", "nutrient"])
    alike = silent.groupby(["reason", "given"], sort=False)
    return [detail(_reason(*one, some), "Why not") for one, some in alike]


def _reason(reason, given, systems):
    each = [
        " and ".join(some["title"].unique()) + (f": {need}" if need else "")
        for need, some in systems.groupby("need", sort=False)
    ]
    why = REASONS["unnamed" if reason == "method" and not given else reason]
    return why.format(given=given) + f" ({'; '.join(each)})."


def rotation_lines(books) -> list[Line]:
    """Say what is applied, removed and left over the rotation, and where the tests go."""
    return book_lines(books.table, "lb")


def book_lines(table, mass) -> list[Line]:
    """Say the books of a rotation in the mass that their amounts are counted in."""
    years = seasons_of(table)
    when = f"{years[0]} to {years[-1]}" if len(years) > 1 else f"{years[0]}"
    season = f", {when}" if when else ""
    said = [lead(f"Nutrient balance of {places(table)}{season} [{mass} on the farm]")]
    for nutrient, some in table.groupby("nutrient", sort=False):
        counted_on = some[some["left"].notna()]  # a legume's nitrogen comes from the air
        applied, removed = (
            (counted_on[name] * counted_on["area_ac"]).sum() for name in ("applied", "removed")
        )
        text = f"applied {short(applied)}, removed {short(removed)}"
        said.append(row(nutrient, f"{text}{_left(nutrient, some)}"))
    removal, trend = keys(table["removed_source"]), keys(table["buffer_source"])
    said.append(told(f"Removal: {removal}." + (f" Trend of the tests: {trend}." if trend else "")))
    said.append(told("Soil tests also vary with season, depth and laboratory: test again."))
    return [*said, told(GOVERNS)]


def seasons_of(table) -> list:
    """Seasons of a table of books: years in their order, words as they stand."""
    years = list(dict.fromkeys(table["year"]))
    return sorted(years) if all(isinstance(year, int | np.integer) for year in years) else years


def _left(nutrient, some):
    """What stays, and what a surplus means: no waste where the next crop has it, or where it is nitrogen."""
    if nutrient == "N":
        return "; leftover nitrogen is not counted next year"
    left = (some["left"] * some["area_ac"]).sum()
    last = some.groupby(["field", "zone"]).tail(1)
    falls = last[last["test_after"] < last["critical"]]
    text = f", left {short(left)}" + (", partly for the next crop" if some["covers_next"].any() else "")
    return text + (f"; the test ends below the critical level on {places(falls)}" if len(falls) else "")


def _lime_lines(lime) -> list[Line]:
    """Say the lime of fields with a buffer pH, and why others have none."""
    if lime.empty:
        return []
    said = []
    for why, some in lime.groupby("why_not", sort=False):
        names, count = ", ".join(some["field"].unique()), counted(some["field"].nunique(), "field")
        if why:
            said.append(missing("No lime rate", f"{count} ({names}): {NO_LIME[why]}"))
            continue
        low, high = (f"{some['rate_ton_ac'].agg(end):.2f}" for end in ("min", "max"))
        amount = low if low == high else f"{low} to {high}"
        said.append(row("Lime", f"{amount} US ton/ac on {count} by buffer pH ({keys(some['source_key'])})"))
    return said


def plan_lines(plan) -> list[Line]:
    """Say the plan of a season: its rates, its passes, its books."""
    parts = [plan.targets, *([] if plan.passes is None else [plan.passes]), plan.ledger]
    said = [line for part in parts for line in part.lines() if str(line) != GOVERNS]
    return [*said, *_lime_lines(plan.lime), *notes(plan_notes(plan)), told(GOVERNS)]


def why_of(why: str, title: str) -> str:
    """Say why a rate is what it is, by the title of its system."""
    return WHY[why].format(system=title)


def titles_of(targets) -> dict[str, str]:
    """Titles of the systems that were asked."""
    return targets.systems.drop_duplicates("system").set_index("system")["title"].to_dict()


def _rates(rows):
    low, high = short(rows["rate_lb_ac"].min()), short(rows["rate_lb_ac"].max())
    return f"{low if low == high else f'{low} to {high}'} on {places(rows)},"


def _sources(rows):
    named = keys(rows["source_key"])
    return f" ({named}{mark(' '.join(rows['provenance']))})" if named else ""
