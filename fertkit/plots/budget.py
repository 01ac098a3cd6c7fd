"""Figures of the budget: what is removed and what stays, rates by soil test, blends, what carries over."""

from itertools import cycle

import numpy as np

from fertkit.budget.buffers import TEST_OF
from fertkit.errors import NotEstimable
from fertkit.plots.forms import bars, only, rows, ticks, whiskers
from fertkit.plots.palette import ALONG, ANSWER, FILLS, HOLLOW, PAPER, hue
from fertkit.plots.style import figure, finish, is_narrow, note, panel_below, subscript
from fertkit.reference.load import short_names
from fertkit.say.line import mark, parts, short

MACRO = ("N", "P2O5", "P", "K2O", "K", "S", "Ca", "Mg")
REMOVED = {"color": hue.curve, "label": "removed with the harvest"}
STAYS = {"color": hue.band, "hatch": "///", "edgecolor": "white", "label": "stays on the field"}
UPTAKE = {
    "color": hue.fill,
    "edgecolor": hue.quiet,
    "ls": "--",
    "label": "total uptake, from another study",
}
TRADE = HOLLOW | {"marker": "D", "ms": 4.5, "mec": hue.accent, "mew": 1.3, "zorder": 4}


@figure(height=1.3)
def budget_bars(budget, ax, *, nutrients=MACRO):
    """Draw uptake as one bar per nutrient: the part that is removed, then the part that stays.

    The whiskers span what the published sources say is removed; the diamonds are trade figures.

    Parameters
    ----------
    budget : NutrientBudget
    ax : Axes, optional
    nutrients : sequence of str
        Which nutrients, in this order; those the budget lacks are left out.
    """
    shown = budget.defaults.set_index("nutrient")
    shown = shown.loc[[n for n in nutrients if n in shown.index]]
    spread = budget.spread.set_index("nutrient").loc[shown.index]
    trade = budget.common_practice.set_index("nutrient")[["removed", "uptake"]].reindex(shown.index)
    ends = shown[["uptake", "removed"]].assign(high=spread["removed_highest"]).max(axis=1)
    at = _split_bars(ax, shown, ends, trade["uptake"].max())
    low, high = spread[["removed_lowest", "removed_highest"]][spread["removed_sources"] > 1].T.to_numpy()
    at_several = at[spread["removed_sources"] > 1] + 0.38
    whiskers(ax, low, high, at_several, label="removed: range of the sources")
    if trade.notna().any(axis=None):
        ax.plot(trade, at - 0.36, label="common practice, no source: removed and total", **TRADE)
    baled = f", {budget.baled:.0%} of the residue baled" if budget.baled else ""
    baled += ": at most" if budget.at_most_removed else ""
    title = f"{budget.crop.capitalize()}, {budget.yield_goal:g} {budget.yield_unit}{baled}"
    finish(ax, title, f"total uptake [{budget.unit}]", grid="x")


@figure(height=1.3)
def farm_bars(farm, ax):
    """Draw the farm's uptake as one bar per nutrient: the part that is removed, then the part that stays."""
    totals = farm.totals.set_index("nutrient")
    counts = totals[["fields_with_uptake", "fields_with_removed"]].max(axis=1)
    whole = (totals["fields_with_both"] == counts) | (totals["fields_with_removed"] == 0)
    share, uptake = totals["removed"] / totals["uptake"], totals["uptake"].where(whole)
    shown = totals.assign(stays=uptake - totals["removed"], share_removed=share, uptake=uptake)
    _split_bars(ax, shown, shown[["uptake", "removed"]].max(axis=1))
    unit = totals["unit"].iloc[0]
    finish(ax, "Whole farm: removed with the harvest, and residue", f"total uptake [{unit}]", grid="x")


def _split_bars(ax, shown, ends, least: float = 0.0):
    """Bars of removed and left where one source gives both, else of what is known; said from `ends` on."""
    split, uptake = shown["stays"].notna(), shown["uptake"].notna()
    bars(ax, shown["uptake"].where(uptake & ~split), **UPTAKE)
    bars(ax, shown["removed"], **REMOVED)
    bars(ax, shown["stays"], left=shown["removed"], **STAYS)
    longest = np.nanmax([*shown["uptake"], *shown["removed"], least])
    for y, (row, end) in enumerate(zip(shown.itertuples(), ends, strict=True)):
        start = (end + longest * 0.03, y)
        sourced, words = hasattr(row, "provenance"), _in_words(row)
        note(ax, words if sourced or not is_narrow(ax) else words.replace(", ", ",\n"), start, va="center")
        if sourced:
            keys = " / ".join(dict.fromkeys(filter(None, [row.uptake_source, row.removed_source])))
            says = f"{short_names(keys)}{mark(row.provenance)}"
            note(ax, says, start, (0, -11), va="center", color=hue.quiet)
    ax.set_xlim(0, longest * 1.6)
    if longest >= 10_000:
        ax.xaxis.set_major_formatter("{x:,.0f}")
    return rows(ax, [subscript(n) for n in shown.index], pitch=0.5)


def _in_words(row) -> str:
    if not np.isnan(row.stays):
        _, removed, stays = parts(row.uptake, row.removed)
        return f"{removed} removed ({row.share_removed:.0%}), {stays} stays"
    if np.isnan(row.uptake):
        whose = "" if hasattr(row, "provenance") else " for every field"
        return f"{short(row.removed)} removed, uptake not published{whose}"
    removed = "share not published" if np.isnan(row.removed) else f"{short(row.removed)} removed"
    return f"{short(row.uptake)} total uptake, {removed}"


CAP = {"color": hue.warn, "lw": 1.8, "ls": (0, (2, 1)), "label": "cap"}
OLD = {"color": "white", "edgecolor": hue.curve, "hatch": "///"}


@figure(height=1.2)
def blend_bars(blend, ax):
    """Draw what a blend supplies of each nutrient, split by product, against target and cap."""
    names, balance = list(blend.nutrients["nutrient"]), blend.balance
    weight, area = blend.unit.split("/")
    volume, base = "gal" if weight == "lb" else "L", np.zeros(len(names))
    for row, (colour, hatch) in zip(blend.used.itertuples(), cycle(FILLS)):
        rate = f"{row.rate:.0f} {weight}" if np.isnan(row.volume) else f"{row.volume:.1f} {volume}"
        part, says = blend.supplied.loc[row.product, names].to_numpy(), f"{row.product}: {rate}/{area}"
        bars(ax, part, left=base, color=colour, hatch=hatch, edgecolor="white", label=says)
        base = base + part
    at = rows(ax, [subscript(n) for n in names], pitch=0.5)
    ticks(ax, balance["target"], at, label="target")
    ticks(ax, balance["cap"], at, **CAP)
    for y, row in enumerate(balance.itertuples()):
        supplied, _, over = parts(row.supplied, row.target)
        over = f", {over} over" if row.over > max(0.005 * row.target, 0.005) else ""
        end = np.nanmax([row.supplied, row.target, row.cap])
        note(ax, f"{supplied}{over}", (end, y), (7, 0), va="center")
    ax.set_xlim(0, ax.get_xlim()[1] * 1.12)
    title = f"Cheapest blend, {blend.cost:.2f} per {'acre' if area == 'ac' else 'hectare'}"
    finish(ax, title, f"supplied [{blend.unit}]", grid="x")


@figure(height=0.8)
def system_rates(comparison, ax):
    """Draw the rate each soil-test system gives; a system without a rate says why."""
    table, name = comparison.table[comparison.table["carried"]], subscript(comparison.nutrient)
    old, rate = table["status"] == "superseded", table["rate_lb_ac"]
    highest = np.nanmax([*rate, 1.0])
    bars(ax, rate.where(~old), color=hue.curve)
    bars(ax, rate.where(old), **OLD)
    for y, row in enumerate(table.itertuples()):
        if np.isnan(row.rate_lb_ac):
            note(ax, row.why_not, (highest * 0.01, y), va="center", color=hue.quiet, style="italic")
        else:
            note(ax, f"{row.rate_lb_ac:.0f}, {row.zone}", (row.rate_lb_ac, y), (6, 0), va="center")
    rows(ax, table["title"].where(~old, table["title"] + "\n(superseded)"), pitch=0.42)
    ax.set_xlim(0, highest * 1.35)
    title = f"{comparison.crop.capitalize()}: {name} by soil test"
    finish(ax, title, f"{name} [lb/ac a year]", grid="x")


@figure()
def soil_rate_line(rate, ax):
    """Draw a system's rate against the soil test, with the field's own test on it."""
    corners, name, old = rate.line, subscript(rate.nutrient), rate.status == "superseded"
    end, dash = max(corners["test"].max(), rate.level) * 1.2, (0, (6, 2)) if old else "solid"
    ax.plot(
        [*corners["test"], end],
        [*corners["rate"], corners["rate"].iloc[-1]],
        color=hue.curve,
        lw=2.4,
        ls=dash,
    )
    levels = rate.table[rate.table["term"].str.contains("critical level|maintenance limit")]
    for term, level in zip(levels["term"], levels["value"], strict=True):
        if level in set(corners["test"]):
            ax.axvline(level, color=hue.grid, lw=1, zorder=0)
            words = term.removesuffix(" (of the rotation)").replace(" ", "\n", 1)
            look = {"va": "top", "ha": "center", "color": hue.quiet, "bbox": PAPER}
            note(ax, f"{words} {level:g}", (level, 0.99), frame=ALONG, **look)
    says = f"test {rate.level:g}: {rate.rate:.0f} {rate.unit}, {rate.zone}"
    ax.plot(rate.level, rate.rate, marker="D", label=says, zorder=5, **ANSWER)
    ax.set(xlim=(0, end), ylim=(0, corners["rate"].max() * 1.15 + 1))
    title = f"{rate.title}{' (superseded)' if old else ''}: {name} for {rate.crop}"
    finish(
        ax,
        title,
        f"soil test {TEST_OF.get(rate.nutrient, rate.nutrient)} [{rate.test_unit}]",
        f"{name} [{rate.unit} a year]",
    )


APPLIED = {"width": 0.5, "color": hue.curve, "label": "applied"}
TAKEN = {"color": "white", "edgecolor": hue.accent, "hatch": "////", "width": 0.5, "label": "removed"}


@figure()
def ledger_years(ledger, ax, *, nutrient: str = "K2O"):
    """Draw one nutrient's book: applied up, removed down, the running balance, and the soil test below.

    Parameters
    ----------
    ledger : Ledger
    ax : Axes, optional
        Draws the balance only.
    nutrient : str
        The first of the ledger's, if it lacks this one.
    """
    name = nutrient if nutrient in ledger.nutrients else ledger.nutrients[0]
    table = only(ledger.table, nutrient=name)
    lower = panel_below(ax, 2.0) if table["test_ppm"].notna().any() else None
    x = table["season"]
    ax.bar(x, table["applied"], **APPLIED)
    ax.bar(x, -table["removed"], **TAKEN)
    ax.axhline(0, color=hue.ink, lw=1)
    ax.margins(y=0.1)
    if name != "N":
        ax.plot(x, table["running"], color=hue.ink, marker="o", ms=6, lw=2, label="balance carried")
        for season, value in zip(x, table["running"], strict=True):
            note(ax, f"{value:+.0f}", (season, value), (11, 4), bbox=PAPER)
    key, last = ax.get_legend_handles_labels()[0], lower or ax
    last.set_xticks(x, [f"{r.year}\n{r.crop}" for r in table.itertuples()])
    last.set_xlim(-0.3 if lower else 0.4, x.max() + 0.7)
    title, label = f"{subscript(name)} through the rotation", f"{subscript(name)} [{ledger.unit}]"
    finish(ax, title, ylabel=label, explain=[] if lower else key)
    if lower:
        seasons, *path = _path(ledger, table, name)
        fan(lower, seasons, *path, "expected soil test", band="published range")
        note(lower, "start", (0, path[1][0]), (0, 7), ha="center")
        _test_axes(lower, ledger, name, before=key)


def _path(start, table, nutrient):
    """Seasons from the start, and the lowest, middle and highest soil test after each."""
    first = start.start[TEST_OF[nutrient]]
    tests = ([first, *table[column]] for column in ("test_low", "test_ppm", "test_high"))
    return [0, *table["season"]], *tests


def _test_axes(ax, ledger, nutrient, title="", before=()):
    """Finish axes of a soil test, with the level to stay above."""
    element = TEST_OF[nutrient]
    if element in ledger.critical:
        says = f"level to stay above, {ledger.critical[element]:g}"
        ax.axhline(ledger.critical[element], color=hue.warn, lw=1.4, ls=(0, (6, 2)), label=says)
    ax.margins(y=0.15)
    ax.set_ylim(max(ax.get_ylim()[0], 0), None)
    key = [*before, *ax.get_legend_handles_labels()[0]]
    finish(ax, title, ylabel=f"soil test {element} [ppm]", explain=key)


@figure()
def skipped_year(result, ax, *, nutrient: str | None = None):
    """Draw the soil test of a rotation as planned and with one year's fertilizer left out.

    Parameters
    ----------
    result : SkippedYear
    ax : Axes, optional
    nutrient : {'P2O5', 'K2O'}, optional
        The first with a starting soil test, if None.

    Raises
    ------
    NotEstimable
        If no starting soil test was given.
    """
    planned, year = result.planned, result.year
    tested = [n for n in planned.nutrients if TEST_OF.get(n) in planned.start]
    if not tested or (nutrient or tested[0]) not in tested:
        raise NotEstimable("no soil-test trend without a starting test; give one", "start_tests=...")
    nutrient = nutrient or tested[0]
    left_out = {"skipped": True, "band": "published range, year skipped"}
    for book, says, look in ((planned, "as planned", {}), (result.skipped, f"nothing in {year}", left_out)):
        table = only(book.table, nutrient=nutrient)
        x, *path = _path(planned, table, nutrient)
        fan(ax, x, *path, says, **look)
        note(ax, f"{path[1][-1]:.0f}", (x[-1], path[1][-1]), (8, -3))
    ax.set_xticks(x, ["start", *(f"{r.year}\n{r.crop}" for r in table.itertuples())])
    _test_axes(ax, planned, nutrient, f"Soil test {TEST_OF[nutrient]} if {year} is skipped")


# ---- forms of these figures


def fan(ax, x, low, middle, high, label: str, *, band: str = "", skipped: bool = False) -> None:
    """Draw a line from what is known into what may come, with the range around it; or one beside it."""
    colour, dash = (hue.accent, (0, (6, 2))) if skipped else (hue.curve, "solid")
    dots = {"facecolor": "none", "edgecolor": colour, "hatch": "...", "alpha": 0.5}
    if band:
        ax.fill_between(x, low, high, lw=0, label=band, **(dots if skipped else {"color": hue.band}))
    ax.plot(x, middle, color=colour, ls=dash, marker="o", ms=5, lw=2, label=label)
