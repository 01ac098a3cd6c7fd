"""What a rotation applies, removes and leaves."""

import numpy as np

from fertkit.budget.ledger import TEST_OF
from fertkit.budget.words import GOVERNS, keys, parts, short
from fertkit.say.line import Line, lead, row, told


def ledger_lines(ledger) -> list[Line]:
    """Say the balance of each nutrient and where the soil test goes."""
    years = ledger.rows.drop_duplicates("season")["year"].tolist()
    when = f"{len(years)} seasons, {years[0]} to {years[-1]}" if len(years) > 1 else f"1 season, {years[0]}"
    ends = ledger.end.set_index("nutrient")
    by_nutrient = ledger.rows.groupby("nutrient", sort=False)
    rows = [row(name, _of_nutrient(ledger, name, group, ends.loc[name])) for name, group in by_nutrient]
    removal, trend = keys(ledger.rows["removed_source"]), keys(ledger.rows["buffer_source"])
    return [
        lead(f"{when} [{ledger.unit}]"), *rows,
        told(f"Removal: {removal}." + (f" Trend of the test: {trend}." if trend else "")),
        told("A soil test moves with season, depth and laboratory beyond any ledger: test again."),
        told(GOVERNS),
    ]  # fmt: skip


def _of_nutrient(ledger, name, group, end):
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
