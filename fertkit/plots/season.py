"""Figures of the season: demand with growth stages, supply against demand, two crops' peaks."""

from itertools import cycle

import numpy as np

from fertkit.budget.peaks import UNSCALED
from fertkit.budget.timing import OWN_POINTS
from fertkit.plots.forms import apart, only, rows, shown, stages
from fertkit.plots.palette import BESIDE, DASHES, HOLLOW, HUES, PAPER, hue
from fertkit.plots.style import figure, finish, note, panel_below, subscript

EDGE = {"color": hue.ink, "lw": 0.8, "ls": (0, (1, 2)), "label": "span of the demand"}
SHORT = {"hatch": "////", "facecolor": "none", "edgecolor": hue.accent, "lw": 0}


@figure(height=3.2)
def season_curves(demand, ax, *, nutrients=("N", "P2O5", "K2O"), daily: bool = True):
    """Draw cumulative uptake through the season, its published points, and below it the daily demand.

    Thin stretches of a curve are interpolation, far from any published point.

    Parameters
    ----------
    demand : SeasonDemand
    ax : Axes, optional
        Draws the cumulative curves only.
    nutrients : sequence of str
    daily : bool
        Add the panel of daily demand; only without `ax`.
    """
    names, end = [n for n in nutrients if n in demand.nutrients], demand.rows["day"].max()
    lines = dict(zip(names, zip(cycle(HUES), cycle(DASHES)), strict=False))
    lower = panel_below(ax, 2.0) if daily else None
    for name, (colour, dash) in lines.items():
        table, points = (only(t, nutrient=name) for t in (demand.rows, demand.points))
        _curve(ax, table, "cumulative", colour, dash)
        total = demand.totals.set_index("nutrient")["uptake"][name]
        for used, mfc, mec in ((True, colour, "white"), (False, "white", colour)):
            some = only(points, used=used, bound=False)
            ax.plot(some["day"], some["fraction"] * total, "o", ms=6, zorder=5, mfc=mfc, mec=mec)
        if lower is not None:
            _daily(lower, demand, table, name, colour, dash)
    stages(ax, demand)
    ax.set(xlim=(0, end), ylim=(0, ax.get_ylim()[1] * 1.05))
    key = [shown(subscript(name), color=colour, ls=dash, lw=2) for name, (colour, dash) in lines.items()]
    key += _explained(demand, names, lower is not None)
    goal, days = f"{demand.yield_goal:g} {demand.yield_unit}", "days after emergence"
    title = f"{demand.crop.capitalize()}, {goal}: uptake through the season"
    finish(ax, title, "" if lower else days, f"taken up [{demand.unit}]", explain=[] if lower else key)
    if lower is not None:
        _peaks(lower, demand, lines, end)
        what = "mean demand" if demand.stretches["nutrient"].isin(names).any() else "demand"
        finish(lower, "", days, f"{what}\n[{demand.unit} per day]", explain=key)


def _curve(ax, table, column, colour, dash):
    day, value = table["day"].to_numpy(), table[column].to_numpy()
    ax.plot(day, value, color=colour, ls=dash, lw=1.3, alpha=0.9)
    ax.plot(day, np.where(table["near_point"], value, np.nan), color=colour, lw=3, solid_capstyle="butt")


def _daily(ax, demand, table, name, colour, dash):
    """Daily demand: the curve's, or where its points are few the mean from one to the next."""
    means = only(demand.stretches, nutrient=name)
    if means.empty:
        _curve(ax, table, "daily", colour, dash)
    else:
        days = [*means["day_from"], means["day_to"].iloc[-1]]
        ax.stairs(means["daily"], days, color=colour, ls=dash, lw=1.8, baseline=None)


def _explained(demand, names, daily: bool) -> list:
    """Marks of the key for the points and stretches of curves, and for the published peaks."""
    points, peaks = (table[table["nutrient"].isin(names)] for table in (demand.points, demand.peaks))
    points, peaks = only(points, bound=False), peaks[(peaks["source_key"] != "") & daily]
    own, unscaled = points["source_key"].eq(OWN_POINTS).any(), peaks["basis"] == UNSCALED
    basis = ", not scaled" if unscaled.all() else ", some not scaled" if unscaled.any() else ""
    used, staged = points["used"], peaks["published_day"].notna()
    dot, bar = {"ls": "none", "marker": "o"}, {"ls": "none", "marker": "_", "ms": 16, "mew": 2.6}
    marks = (
        (True, "heavy: near a point; thin: interpolated", {"lw": 3}),
        (used.any(), "own point" if own else "published point, used", dot | {"mec": "white"}),
        (not used.all(), "own point" if own else "published point, other", dot | {"mfc": "white"}),
        (staged.any(), f"published peak{basis}", bar),
        (not staged.all(), f"published peak{basis}, stage not stated", {"lw": 0.9, "ls": (0, (1, 4))}),
    )
    return [shown(says, **look) for some, says, look in marks if some]


def _peaks(ax, demand, lines, end):
    """Published peaks, each with the name of its nutrient; a line across where no stage is stated."""
    value = demand.peaks["published_scaled"].fillna(demand.peaks["published"])
    peaks = demand.peaks.assign(value=value)[value.notna() & demand.peaks["nutrient"].isin(list(lines))]
    top = np.nanmax([ax.get_ylim()[1], *peaks["value"]]) * 1.1
    ax.set_ylim(min(0.0, demand.rows["daily"].min() * 1.3), top)
    for day, some in peaks.groupby(peaks["published_day"].fillna(-1)):
        for row, height in zip(some.itertuples(), apart(some["value"], 0.11 * top), strict=True):
            colour, place, frame = lines[row.nutrient][0], (1, height), BESIDE
            if day < 0:
                ax.axhline(row.value, color=colour, lw=0.9, ls=(0, (1, 4)), zorder=1)
            else:
                place, frame = (day + 0.025 * end, height), "data"
                ax.plot(day, row.value, color=colour, marker="_", ms=18, mew=2.6, zorder=5)
            look = {"va": "center", "annotation_clip": False, "bbox": PAPER}
            note(ax, subscript(row.nutrient), place, (3, 0), frame, **look)


@figure(height=3.4)
def supply_lines(gap, ax, *, nutrient: str | None = None):
    """Draw supply against demand for one nutrient, the shortage shaded from its first day.

    Parameters
    ----------
    gap : SupplyGap
    ax : Axes, optional
    nutrient : str, optional
        The one with the largest gap, if None.
    """
    nutrient = nutrient or gap.gaps.loc[gap.gaps["largest_gap"].idxmax(), "nutrient"]
    table, demand = only(gap.rows, nutrient=nutrient), gap.demand
    day, wanted, early, late = (table[c] for c in ("day", "demand", "supply_early", "supply_late"))
    delayed, line = not late.equals(early), {"color": hue.curve, "lw": 1.2, "drawstyle": "steps-post"}
    if delayed:
        ax.fill_between(day, late, early, color=hue.band, lw=0, step="post", label="supply, by the delay")
        ax.plot(day, late, ls=(0, (6, 2)), **line)
    ax.plot(day, early, label=None if delayed else "supply", **line)
    ax.plot(day, wanted, color=hue.ink, lw=2.2, label="demand of the crop")
    if (table["demand_high"] > table["demand_low"]).any():
        ax.plot(day, table[["demand_low", "demand_high"]], **EDGE)
    says = "short, longest delay" if delayed else "short"
    ax.fill_between(day, late, wanted, where=table["gap_late"] > 0, label=says, **SHORT)
    for row in only(gap.distinct, nutrient=nutrient).itertuples():
        _first_day(ax, row, np.interp(row.first_day, day, wanted))
    stages(ax, demand)
    ax.set(xlim=(0, day.max()), ylim=(0, max(table["demand_high"].max(), early.max()) * 1.12))
    title = f"{demand.crop.capitalize()}: {subscript(nutrient)} supply against demand"
    finish(ax, title, "days after emergence", f"since emergence [{demand.unit}]")


def _first_day(ax, row, height):
    """Mark the first day short and its span; the words stand in the key, clear of the curves."""
    if np.isnan(row.first_day):
        return
    end = row.first_day if np.isnan(row.first_day_to) else row.first_day_to
    span = f" ({row.first_day_from:.0f} to {end:.0f})" if row.first_day_from < end else ""
    span = f" ({row.first_day_from:.0f} at the earliest)" if np.isnan(row.first_day_to) else span
    says = f"from day {row.first_day:.0f}{span}" + (f", {row.delay} delay" if row.delay else "")
    look = {"mfc": "white", "mec": hue.accent} if row.delay == "shortest" else {"mec": "white"}
    look |= {"marker": "D", "ms": 5 if row.delay == "longest" else 7, "ls": "none", "zorder": 6}
    ax.plot([row.first_day_from, end], [height, height], color=hue.accent, lw=1.6, zorder=5)
    ax.plot(row.first_day, height, color=hue.accent, label=says, **look)


@figure(height=0.9)
def peak_dots(comparison, ax):
    """Draw the peak demand of two crops on every basis, with the ratio of the first to the second in words.

    The trade rule has no dots: it states a ratio and no rates.
    """
    table, name = comparison.rows, subscript(comparison.nutrient)
    at, first, second = rows(ax, table["basis"], pitch=0.5), table["first"], table["second"]
    highest = np.nanmax([*first, *second])
    ax.hlines(at, first, second, color=hue.grid, lw=3, zorder=1)
    ax.plot(first, at, "o", ms=9, color=hue.accent, label=comparison.crops[0])
    ax.plot(second, at, "s", ms=8, mec=hue.curve, mew=2, label=comparison.crops[1], **HOLLOW)
    for y, row in enumerate(table.itertuples()):
        least = "at least " if np.isnan(row.first) else ""
        end = np.nanmax([row.first, row.second, highest * 0.02])
        note(ax, f"{least}{row.ratio:.2g} times", (end, y), (10, 0), va="center")
    ax.set_xlim(0, highest * 1.3)
    title = f"Peak {name} demand, first crop against second"
    finish(ax, title, f"{name} [{comparison.unit} per day]", grid="x")
