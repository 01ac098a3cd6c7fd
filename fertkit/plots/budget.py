"""Figures of the nutrient budget: what leaves and what stays, through a season, a blend and a rotation."""

import numpy as np

from fertkit.budget.words import mark, parts, short
from fertkit.plots.style import COLOURS, SMALL, finish, legend, new_axes

MACRO = ("N", "P2O5", "P", "K2O", "K", "S", "Ca", "Mg")
LEAVES = {"color": COLOURS["curve"]}
STAYS = {"color": COLOURS["band"], "hatch": "///", "edgecolor": "white"}
UNKNOWN = {"color": COLOURS["fill"], "edgecolor": COLOURS["quiet"], "linewidth": 1.0, "linestyle": "--"}
WHISKER = {"color": COLOURS["ink"], "lw": 1.3, "marker": "|", "ms": 5}
DIAMOND = {"ls": "none", "marker": "D", "ms": 4.5, "mfc": "white", "mec": COLOURS["accent"], "mew": 1.3}
#: How P2O5 and K2O are written in a figure.
SUBSCRIPT = {"P2O5": "P₂O₅", "K2O": "K₂O"}


def budget_bars(budget, ax=None, *, nutrients=MACRO, title: str | None = None):
    """Draw uptake as one bar per nutrient: the part that leaves, then the part that stays.

    Parameters
    ----------
    budget : NutrientBudget
    ax : Axes, optional
    nutrients : sequence of str
        Which nutrients, in this order; those the budget lacks are left out.
    title : str, optional

    Returns
    -------
    Axes
        The whiskers span what the published sources say leaves; the diamonds are trade figures.
    """
    rows = budget.defaults.set_index("nutrient")
    rows = rows.loc[[n for n in nutrients if n in rows.index]]
    ax = new_axes(height=1.5 + 0.5 * len(rows)) if ax is None else ax
    spread = budget.spread.set_index("nutrient")
    trade = budget.common_practice.set_index("nutrient")
    longest = max(rows[["uptake", "removed"]].max().max(), trade["uptake"].max() if len(trade) else 0.0)
    for y, row in enumerate(rows.itertuples()):
        low, high, count = spread.loc[row.Index, ["removed_lowest", "removed_highest", "removed_sources"]]
        _split_bar(ax, y, row)
        _bar_label(ax, y, row, np.nanmax([row.uptake, row.removed, high]) + longest * 0.03)
        if count > 1:
            ax.plot([low, high], [y + 0.38] * 2, zorder=4, **WHISKER)
        if row.Index in trade.index:
            for value in trade.loc[row.Index, ["removed", "uptake"]]:
                ax.plot(
                    value, y - 0.36, marker="D", ms=4.5, mfc="white", mec=COLOURS["accent"], mew=1.3, zorder=4
                )
    _bar_legend(ax, spread, trade)
    _bar_axes(ax, rows.index, longest)
    if title is None:
        baled = f", {budget.baled:.0%} of the residue baled" if budget.baled else ""
        title = f"{budget.crop.capitalize()}, {budget.yield_goal:g} {budget.yield_unit}{baled}"
    return finish(ax, title=title, xlabel=f"taken up [{budget.unit}]", grid="x")


def farm_bars(farm, ax=None, *, title: str = "Whole farm: what leaves and what stays"):
    """Draw the farm's uptake as one bar per nutrient: the part that leaves, then the part that stays.

    Parameters
    ----------
    farm : FarmBudget
    ax : Axes, optional
    title : str

    Returns
    -------
    Axes
    """
    totals = farm.totals.set_index("nutrient")
    whole = totals["fields_with_uptake"] == totals["fields_with_removed"]
    rows = totals.assign(
        stays=(totals["uptake"] - totals["removed"]).where(whole),
        share_removed=totals["removed"] / totals["uptake"],
        uptake=totals["uptake"].where(whole),
    )
    ax = new_axes(height=1.5 + 0.5 * len(rows)) if ax is None else ax
    longest = rows[["uptake", "removed"]].max().max()
    for y, row in enumerate(rows.itertuples()):
        _split_bar(ax, y, row)
        _bar_label(ax, y, row, np.nanmax([row.uptake, row.removed]) + longest * 0.03)
    _bar_legend(ax)
    _bar_axes(ax, rows.index, longest)
    return finish(ax, title=title, xlabel=f"taken up [{totals['unit'].iloc[0]}]", grid="x")


def _split_bar(ax, y, row):
    """One bar: removed and left when one source gives both, else what is known."""
    if not np.isnan(row.stays):
        ax.barh(y, row.removed, height=0.5, **LEAVES)
        ax.barh(y, row.stays, left=row.removed, height=0.5, **STAYS)
    elif np.isnan(row.uptake):
        ax.barh(y, row.removed, height=0.5, **LEAVES)
    else:
        ax.barh(y, row.uptake, height=0.5, **UNKNOWN)


def _bar_label(ax, y, row, start):
    """Say a bar in words beside it, with its sources below."""
    one_source = hasattr(row, "provenance")
    if not np.isnan(row.stays):
        _, removed, stays = parts(row.uptake, row.removed)
        text = f"{removed} leave ({row.share_removed:.0%}), {stays} stay"
    elif np.isnan(row.uptake):
        text = f"{short(row.removed)} leave, uptake not published{'' if one_source else ' for every field'}"
    elif np.isnan(row.removed):
        text = f"{short(row.uptake)} taken up, share not published"
    else:
        text = f"{short(row.uptake)} taken up; {short(row.removed)} leave"
    ax.annotate(text, (start, y), va="center", fontsize=SMALL, color=COLOURS["ink"])
    if not one_source:
        return
    keys = " / ".join(dict.fromkeys(filter(None, [row.uptake_source, row.removed_source])))
    ax.annotate(f"{keys}{mark(row.provenance)}", (start, y), (0, -11), textcoords="offset points",
                va="center", fontsize=SMALL, color=COLOURS["quiet"])  # fmt: skip


def _bar_axes(ax, names, longest):
    ax.set_yticks(range(len(names)), [SUBSCRIPT.get(n, n) for n in names])
    ax.set_ylim(len(names) - 0.45, -0.6)
    ax.set_xlim(0, longest * 1.6)
    if longest >= 10_000:
        ax.xaxis.set_major_formatter("{x:,.0f}")


def _bar_legend(ax, spread=None, trade=()):
    ax.barh(0, 0, label="leaves with the harvest", **LEAVES)
    ax.barh(0, 0, label="stays on the field", **STAYS)
    if spread is not None and (spread["removed_sources"] > 1).any():
        ax.plot(
            [], [], color=COLOURS["ink"], lw=1.3, marker="|", ms=5, label="leaves, lowest to highest source"
        )
    if len(trade):
        ax.plot([], [], label="common practice, no source: leaves, taken up", **DIAMOND)
    legend(
        ax, loc="upper left", bbox_to_anchor=(-0.02, -0.55 / (ax.figure.get_size_inches()[1] - 1.2)), ncols=2
    )
