"""Figures of the nutrient budget: what is removed with the harvest and what stays, of a field and a farm."""

import numpy as np

from fertkit.budget.words import mark, parts, short
from fertkit.plots.forms import bars, rows, whiskers
from fertkit.plots.palette import HOLLOW, hue
from fertkit.plots.style import figure, finish, note, subscript

MACRO = ("N", "P2O5", "P", "K2O", "K", "S", "Ca", "Mg")
REMOVED = {"color": hue.curve, "label": "removed with the harvest"}
STAYS = {"color": hue.band, "hatch": "///", "edgecolor": "white", "label": "stays on the field"}
UPTAKE = {"color": hue.fill, "edgecolor": hue.quiet, "ls": "--", "label": "total uptake, not split"}
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
    whiskers(ax, low, high, at_several, label="removed, lowest to highest source")
    if trade.notna().any(axis=None):
        ax.plot(trade, at - 0.36, label="common practice, no source: removed, total uptake", **TRADE)
    baled = f", {budget.baled:.0%} of the residue baled" if budget.baled else ""
    title = f"{budget.crop.capitalize()}, {budget.yield_goal:g} {budget.yield_unit}{baled}"
    finish(ax, title, f"total uptake [{budget.unit}]", grid="x")


@figure(height=1.3)
def farm_bars(farm, ax):
    """Draw the farm's uptake as one bar per nutrient: the part that is removed, then the part that stays."""
    totals = farm.totals.set_index("nutrient")
    whole = totals["fields_with_uptake"] == totals["fields_with_removed"]
    share, uptake = totals["removed"] / totals["uptake"], totals["uptake"].where(whole)
    shown = totals.assign(stays=uptake - totals["removed"], share_removed=share, uptake=uptake)
    _split_bars(ax, shown, shown[["uptake", "removed"]].max(axis=1))
    unit = totals["unit"].iloc[0]
    finish(ax, "Whole farm: what is removed and what stays", f"total uptake [{unit}]", grid="x")


def _split_bars(ax, shown, ends, least: float = 0.0):
    """Bars of removed and left where one source gives both, else of what is known; said from `ends` on."""
    split, uptake = shown["stays"].notna(), shown["uptake"].notna()
    bars(ax, shown["removed"].where(split | ~uptake), **REMOVED)
    bars(ax, shown["stays"], left=shown["removed"], **STAYS)
    bars(ax, shown["uptake"].where(uptake & ~split), **UPTAKE)
    longest = np.nanmax([*shown["uptake"], *shown["removed"], least])
    for y, (row, end) in enumerate(zip(shown.itertuples(), ends, strict=True)):
        start = (end + longest * 0.03, y)
        note(ax, _in_words(row), start, va="center")
        if hasattr(row, "provenance"):
            keys = " / ".join(dict.fromkeys(filter(None, [row.uptake_source, row.removed_source])))
            note(ax, f"{keys}{mark(row.provenance)}", start, (0, -11), va="center", color=hue.quiet)
    ax.set_xlim(0, longest * 1.6)
    if longest >= 10_000:
        ax.xaxis.set_major_formatter("{x:,.0f}")
    return rows(ax, [subscript(n) for n in shown.index], pitch=0.5)


def _in_words(row) -> str:
    if not np.isnan(row.stays):
        _, removed, stays = parts(row.uptake, row.removed)
        return f"{removed} removed ({row.share_removed:.0%}), {stays} stay"
    if np.isnan(row.uptake):
        whose = "" if hasattr(row, "provenance") else " for every field"
        return f"{short(row.removed)} removed, uptake not published{whose}"
    removed = "share not published" if np.isnan(row.removed) else f"{short(row.removed)} removed"
    return f"{short(row.uptake)} total uptake, {removed}"
