"""Figures of the budget: what is removed and what stays, rates by soil test."""

from textwrap import wrap

import numpy as np

from fertkit.budget.buffers import TEST_OF
from fertkit.plots.forms import bars, rows, whiskers
from fertkit.plots.palette import ALONG, ANSWER, HOLLOW, LETTER, PAPER, hue
from fertkit.plots.style import figure, finish, is_narrow, note, subscript
from fertkit.reference.load import short_names
from fertkit.results import records
from fertkit.say.line import mark, parts, short

MACRO = ("N", "P2O5", "P", "K2O", "K", "S", "Ca", "Mg")
REMOVED = {"color": hue.curve, "label": "removed with the harvest"}
STAYS = {"color": hue.band, "hatch": "///", "edgecolor": "white", "label": "stays on the field"}
UPTAKE = {"color": hue.fill, "edgecolor": hue.quiet, "ls": "--", "label": "total uptake, from another study"}
_RANGE, _TRADE = "removed: range of the sources", "common practice, no source: removed and total"
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
    if is_narrow(ax):  # words in two lines would stand on a diamond
        ends = np.fmax(ends, trade["uptake"])
    at = _split_bars(ax, shown, ends, trade["uptake"].max())
    low, high = spread[["removed_lowest", "removed_highest"]][spread["removed_sources"] > 1].T.to_numpy()
    at_several = at[spread["removed_sources"] > 1] + 0.38
    whiskers(ax, low, high, at_several, label=_RANGE)
    if trade.notna().any(axis=None):
        ax.plot(trade, at - 0.36, label=_TRADE, **TRADE)
    baled = f", {budget.baled:.0%} of the residue baled" if budget.baled else ""
    baled += ": at most" if budget.at_most_removed else ""
    title = f"{budget.crop.capitalize()}, {budget.yield_goal:g} {budget.yield_unit}{baled}"
    marks, bars_first = ax.get_legend_handles_labels()[0], [REMOVED["label"], STAYS["label"], UPTAKE["label"]]
    place = {name: i for i, name in enumerate([*bars_first, _RANGE, _TRADE])}
    explain = sorted(marks, key=lambda mark: place[mark.get_label()])
    finish(ax, title, f"total uptake [{budget.unit}]", grid="x", explain=explain)


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
    across = "total uptake" if uptake.notna().any() else "removed"
    finish(ax, "Whole farm: removed with the harvest, and residue", f"{across} [{unit}]", grid="x")


def _split_bars(ax, shown, ends, least: float = 0.0):
    """Bars of removed and left where one source gives both, else of what is known; said from `ends` on."""
    split, uptake = shown["stays"].notna(), shown["uptake"].notna()
    bars(ax, shown["uptake"].where(uptake & ~split), **UPTAKE)
    bars(ax, shown["removed"], **REMOVED)
    bars(ax, shown["stays"], left=shown["removed"], **STAYS)
    longest = np.nanmax([*shown["uptake"], *shown["removed"], least])
    narrow, deepest = is_narrow(ax), 0
    end_of_axis, inside = longest * (2.1 if narrow else 1.6), 72 * ax.figure.get_figwidth() - 40
    for y, (row, end) in enumerate(zip(records(shown), ends, strict=True)):
        start = (end + longest * (0.06 if narrow else 0.03), y)
        sourced, words = hasattr(row, "provenance"), _in_words(row)
        lines = words.split(", ") if narrow else [words]
        keys = " / ".join(dict.fromkeys([row.uptake_source, row.removed_source])) if sourced else ""
        says = f"{short_names(keys.strip(' /'))}{mark(row.provenance)}" if sourced else ""
        says = wrap(says, 28 if narrow else 40)
        deepest = max(deepest, len(lines) + len(says))
        taken = LETTER * max(map(len, [*lines, *says])) + 6
        end_of_axis = max(end_of_axis, start[0] * inside / max(inside - taken, inside / 4))
        note(ax, ",\n".join(lines), start, (0, 6 * (len(lines) - 1) * sourced), va="center")
        if sourced:
            below = -6 * len(lines) - 5 * len(says)
            note(ax, "\n".join(says), start, (0, below), va="center", color=hue.quiet)
    ax.set_xlim(0, end_of_axis)
    if longest >= 10_000:
        ax.xaxis.set_major_formatter("{x:,.0f}")
        ax.locator_params(axis="x", nbins=3 if narrow else 6)
    pitch = max(0.5, 0.17 * deepest) if narrow else 0.5
    return rows(ax, [subscript(n) for n in shown.index], pitch=pitch)


def _in_words(row) -> str:
    if not np.isnan(row.stays):
        _, removed, stays = parts(row.uptake, row.removed)
        return f"{removed} removed ({row.share_removed:.0%}), {stays} stays"
    if np.isnan(row.uptake):
        whose = "" if hasattr(row, "provenance") else " for every field"
        return f"{short(row.removed)} removed, uptake not published{whose}"
    removed = "share not published" if np.isnan(row.removed) else f"{short(row.removed)} removed"
    return f"{short(row.uptake)} total uptake, {removed}"


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
