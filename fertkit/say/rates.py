"""What soil tests ask for, which products give it, and what carries over."""

import numpy as np

from fertkit.budget import blends
from fertkit.budget.ledger import TEST_OF
from fertkit.say.line import (
    GOVERNS,
    Line,
    detail,
    keys,
    lead,
    mark,
    parts,
    row,
    short,
    told,
)

# ---- rates by soil test, products and blends


_PER = {"lb/ac": "lb {} per acre", "kg/ha": "kg {} per hectare"}


def soil_rate_lines(rate) -> list[Line]:
    """Say the rate of one system, with its equation."""
    memory = rate.table.loc[rate.table["provenance"].isin(["from_memory", "mixed"]), "term"]
    amount = f"{rate.rate:.0f} {_PER[rate.unit].format(rate.nutrient)}"
    said = [
        lead(f"{_titled(rate)}, {rate.crop}: {amount} and year, {rate.zone}"),
        detail(f"{rate.equation}{'' if rate.unit == rate.equation_unit else f' {rate.equation_unit}'}"),
        detail(keys(rate.table["source_key"]), "numbers of the equation"),
    ]
    said += [detail(", ".join(memory), "from memory, check before use")] if len(memory) else []
    said += [detail(rate.note, "note")] if rate.note else []
    return [*said, told(GOVERNS)]


def _titled(system):
    return f"{system.title} (superseded)" if system.status == "superseded" else system.title


def system_lines(comparison) -> list[Line]:
    """Say what each system asks for."""
    said = [lead(f"{comparison.crop}, {comparison.nutrient} by soil test [lb/ac a year]")]
    rows = comparison.table
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
    with_it = ", ".join(f"{r.supplied_lb_ac:.1f} {r.nutrient}" for r in product.table.itertuples())
    source = f"{keys(product.table['source_key'])}{mark(' '.join(product.table['provenance']))}"
    amount = f"{product.material} {product.grade}: {product.product_lb_ac:.0f} lb/ac{liquid}"
    return [lead(f"{amount} supplies {with_it} lb/ac (analysis: {source})"), *_cautions(product)]


def blend_lines(blend) -> list[Line]:
    """Say the mix of least cost and what it supplies."""
    _, volume, area = blends.NAMES[blend.unit]
    said = [lead(f"Least cost {blend.cost:.2f} per {area}")]
    analysis = blend.table.set_index("product")
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
    years = ledger.table.drop_duplicates("season")["year"].tolist()
    when = f"{len(years)} seasons, {years[0]} to {years[-1]}" if len(years) > 1 else f"1 season, {years[0]}"
    ends = ledger.end.set_index("nutrient")
    by_nutrient = ledger.table.groupby("nutrient", sort=False)
    rows = [row(name, _balance_of(ledger, name, group, ends.loc[name])) for name, group in by_nutrient]
    removal, trend = keys(ledger.table["removed_source"]), keys(ledger.table["buffer_source"])
    return [
        lead(f"{when} [{ledger.unit}]"), *rows,
        told(f"Removal: {removal}." + (f" Trend of the test: {trend}." if trend else "")),
        told("Soil tests also vary with season, depth and laboratory: test again."),
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
    return f"; excess over removal cost {over['over_cost'].sum():.2f}, saves {saved} the next season"


def skipped_lines(skipped) -> list[Line]:
    """Say what a year without fertilizer saves and costs."""
    rows = [row(r.nutrient, _not_applied(r, skipped.planned.unit)) for r in skipped.table.itertuples()]
    return [lead(f"Nothing applied in {skipped.year}"), *rows, told(GOVERNS)]


def _not_applied(r, unit):
    saved = "" if np.isnan(r.saved) else f", saves {r.saved:.2f} now"
    text = f"{short(r.not_applied)} {unit} not applied{saved}"
    if r.nutrient == "N":
        return f"{text}; soil does not store N, so that crop goes short"
    if np.isnan(r.test_skipped):
        return text
    span = f"{r.test_skipped_low:.0f} to {r.test_skipped_high:.0f}"
    return f"{text}; test ends at {r.test_skipped:.0f} ppm ({span}) instead of {r.test_planned:.0f}"
