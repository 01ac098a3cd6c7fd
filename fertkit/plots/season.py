"""Figures of the season: demand with growth stages, supply against demand, two crops' peaks."""

from itertools import cycle

import numpy as np

from fertkit.budget.timing import OWN_POINTS, POINT
from fertkit.plots.forms import only, shown, stages
from fertkit.plots.palette import DASHES, HUES, PAPER, hue
from fertkit.plots.style import figure, finish, note, panel_below, subscript
from fertkit.results import plain, records
from fertkit.rounding import first_largest

EDGE = {"color": hue.ink, "lw": 0.8, "ls": (0, (1, 2)), "label": "span of the demand"}
SHORT = {"hatch": "////", "facecolor": "none", "edgecolor": hue.accent, "lw": 0}
LOWER = 2.3
#: A line below this share of the highest lies on the axis.
LEAST = 0.1
#: A peak that was published for a yield nobody stated.
OTHER_YIELD = {"ls": (0, (2, 1)), "lw": 1.6, "marker": "_", "ms": 6}


@figure(height=2.9)
def season_curves(demand, ax, *, nutrients=None, taken: bool = True):
    """Draw the daily demand with the growth stages above it, and below it what is taken up so far.

    Where few published shares place a curve, the mean demand from one to the next is drawn.

    Parameters
    ----------
    demand : SeasonDemand
    ax : Axes, optional
        Draws the daily demand only.
    nutrients : sequence of str, optional
        N, P2O5 and K2O, and sulfur where its line can be read beside theirs, if None.
    taken : bool
        Add the panel of what is taken up; only without `ax`.
    """
    names, end = _readable(demand, nutrients), demand.table["day"].max()
    look = dict(zip(names, zip(cycle(HUES), cycle(DASHES)), strict=False))
    lower = panel_below(ax, LOWER) if taken else None
    for name, (colour, dash) in look.items():
        _daily(ax, demand, name, colour, dash)
        if lower is not None:
            _taken(lower, demand, name, colour, dash)
    _published(ax, demand, {name: colour for name, (colour, _) in look.items()})
    top = max(ax.get_ylim()[1], 0.0)
    ax.set(xlim=(0, end), ylim=(min(0.0, demand.table["daily"].min() * 1.1), top * 1.2))
    stages(ax, demand)
    days = f"days after {demand.starts}"
    title = f"{demand.crop.capitalize()}, {demand.yield_goal:g} {demand.yield_unit}: daily demand"
    key = [shown(subscript(n), color=colour, ls=dash, lw=2) for n, (colour, dash) in look.items()]
    key += _explained(demand, names, lower is not None)
    finish(ax, title, "" if lower else days, f"[{demand.unit} per day]", explain=[] if lower else key)
    if lower is not None:
        lower.set_ylim(0, lower.get_ylim()[1] * 1.05)
        finish(lower, "", days, f"taken up\n[{demand.unit}]", explain=key)


def _readable(demand, wanted) -> list[str]:
    """Nutrients to draw: those wanted, or the main ones and sulfur where its line is off the axis."""
    if wanted is not None:
        return [n for n in wanted if n in demand.nutrients]
    highest = {n: _level(demand, n)["daily"].max() for n in demand.nutrients}
    lines = [n for n in ("N", "P2O5", "K2O") if n in highest]
    seen = not lines or highest.get("S", 0.0) > LEAST * max(highest[n] for n in lines)
    return [*lines, "S"] if "S" in highest and seen else lines


def _level(demand, name):
    """Mean demand between published shares where few are published, the curve's daily demand elsewhere."""
    means = only(demand.stretches, nutrient=name)
    return only(demand.table, nutrient=name) if means.empty else means


def _daily(ax, demand, name, colour, dash):
    """Daily demand: the curve's with its peak in words, or means where little is published."""
    table = _level(demand, name)
    if "day_to" in table:
        days = [*table["day_from"], table["day_to"].iloc[-1]]
        ax.stairs(table["daily"], days, color=colour, ls=dash, lw=2.0, baseline=None)
        return
    ax.fill_between(table["day"], table["daily"], color=colour, alpha=0.10, lw=0)
    ax.plot(table["day"], table["daily"], color=colour, ls=dash, lw=2.4)
    top = table.iloc[first_largest(table["daily"])]
    says, look = f"{subscript(name)} {plain(top['daily'], 2)} a day", {"ha": "center", "fontweight": "bold"}
    note(ax, says, (top["day"], top["daily"]), (0, 7), color=colour, bbox=PAPER, zorder=7, **look)


def _published(ax, demand, colours):
    """Draw every published peak: on its days, or at the right edge where the study names none.

    A peak that cannot be scaled to this yield is a dashed line from its low to its high end.
    """
    last, beside = demand.table["day"].max(), 0
    peaks = demand.peaks[demand.peaks["nutrient"].isin(colours)].dropna(subset="published")
    for row in records(peaks):
        colour, timed = colours[row.nutrient], not np.isnan(row.published_day)
        beside += not timed
        place = {"transform": ax.get_yaxis_transform(), "clip_on": False} if not timed else {}
        x = row.published_day if timed else 1 + 0.012 * beside
        if not np.isnan(row.published_scaled):
            mark = {"marker": "_", "ms": 18, "mew": 2.6} if timed else {"marker": "<", "ms": 6}
            ax.plot(x, row.published_scaled, color=colour, zorder=5, **mark, **place)
            continue
        x += (list(colours).index(row.nutrient) - 1) * last * 0.012 * timed
        ax.plot(
            [x, x], [row.published_low, row.published_high], color=colour, zorder=5, **OTHER_YIELD, **place
        )


def _taken(ax, demand, name, colour, dash):
    """What is taken up so far, and the published shares of it; a wide ring leaves a dot in it to be seen."""
    table, points = (only(t, nutrient=name) for t in (demand.table, demand.points))
    ax.plot(table["day"], table["cumulative"], color=colour, ls=dash, lw=1.8)
    total = only(demand.totals, nutrient=name)["uptake"].iloc[0]
    for used, look in (
        (False, {"ms": 9, "mfc": "none", "mec": colour}),
        (True, {"mfc": colour, "mec": "white"}),
    ):
        some = only(points, used=used, form=POINT)
        ax.plot(some["day"], some["low"] * total, "o", **{"ms": 6, "zorder": 5 + used} | look)


def _explained(demand, names, taken: bool) -> list:
    """Marks of the key for means, published peaks and published points."""
    points, peaks = (table[table["nutrient"].isin(names)] for table in (demand.points, demand.peaks))
    used, own = points[points["form"] == POINT]["used"], points["source_key"].eq(OWN_POINTS).any()
    scaled, timed = peaks["published_scaled"].notna(), peaks["published_day"].notna()
    dot = {"ls": "none", "marker": "o"}
    says = "own point" if own else "published share"
    marks = (
        (demand.stretches["nutrient"].isin(names).any(), "mean between published shares", {"lw": 2}),
        ((scaled & timed).any(), "published peak", {"ls": "none", "marker": "_", "ms": 16, "mew": 2.6}),
        ((scaled & ~timed).any(), "published peak, day not stated", {"ls": "none", "marker": "<"}),
        ((peaks["published"].notna() & ~scaled).any(), "published peak, yield not stated", OTHER_YIELD),
        (taken and used.any(), f"{says}, used", dot | {"mec": "white"}),
        (taken and not used.all(), f"{says} of another study", dot | {"mfc": "none", "ms": 9}),
    )
    return [shown(says, **look) for some, says, look in marks if some]


@figure(height=2.4)
def supply_lines(gap, ax, *, nutrient: str | None = None):
    """Draw daily demand, and beneath it supply against demand, the shortage shaded from its first day.

    Parameters
    ----------
    gap : SupplyGap
    ax : Axes, optional
        Draws supply against demand only.
    nutrient : str, optional
        The one with the largest gap, if None.
    """
    nutrient = nutrient or gap.gaps.loc[gap.gaps["largest_gap"].idxmax(), "nutrient"]
    demand, name = gap.demand, subscript(nutrient)
    title = f"{demand.crop.capitalize()}: {name} supply and demand"
    lower, upper = panel_below(ax, 3.0), ax
    if lower is not None:
        _daily(upper, demand, nutrient, hue.ink, "solid")
        upper.set(ylim=(0, max(upper.get_ylim()[1] * 1.25, 1e-9)))
        stages(upper, demand)
        finish(upper, title, "", f"demand\n[{demand.unit} per day]", explain=[])
    ax = upper if lower is None else lower
    table = only(gap.table, nutrient=nutrient)
    day, wanted, early, late = (table[c] for c in ("day", "demand", "supply_early", "supply_late"))
    delayed, line = not late.equals(early), {"color": hue.curve, "lw": 1.2, "drawstyle": "steps-post"}
    if delayed:
        ax.fill_between(day, late, early, color=hue.band, lw=0, step="post", label="supply: range of delays")
        ax.plot(day, late, ls=(0, (6, 2)), **line)
    ax.plot(day, early, label=None if delayed else "supply", **line)
    ax.plot(day, wanted, color=hue.ink, lw=2.2, label="crop demand")
    if (table["demand_high"] > table["demand_low"]).any():
        ax.plot(day, table[["demand_low", "demand_high"]], **EDGE)
    says = "short at the longest delay" if delayed else "short"
    ax.fill_between(day, late, wanted, where=table["gap_late"] > 0, label=says, **SHORT)
    for row in records(only(gap.distinct, nutrient=nutrient)):
        _first_day(ax, row, np.interp(row.first_day, day, wanted))
    if lower is None:
        stages(ax, demand)
    ax.set(xlim=(0, day.max()), ylim=(0, max(table["demand_high"].max(), early.max()) * 1.12))
    days = f"days after {demand.starts}"
    finish(ax, title if lower is None else "", days, f"sum since {demand.starts} [{demand.unit}]")


def _first_day(ax, row, height):
    """Mark the first day short and its span; the words stand in the key, clear of the curves."""
    if np.isnan(row.first_day):
        return
    end = row.first_day if np.isnan(row.first_day_to) else row.first_day_to
    span = f" ({row.first_day_from:.0f} to {end:.0f})" if row.first_day_from < end else ""
    span = f" ({row.first_day_from:.0f} at the earliest)" if np.isnan(row.first_day_to) else span
    says = f"short from day {row.first_day:.0f}{span}" + (f", {row.delay} delay" if row.delay else "")
    look = {"mfc": "white", "mec": hue.accent} if row.delay == "shortest" else {"mec": "white"}
    look |= {"marker": "D", "ms": 5 if row.delay == "longest" else 7, "ls": "none", "zorder": 6}
    ax.plot([row.first_day_from, end], [height, height], color=hue.accent, lw=1.6, zorder=5)
    ax.plot(row.first_day, height, color=hue.accent, label=says, **look)
