"""Figures of the season: demand with growth stages, supply against demand."""

import numpy as np

from fertkit.budget.peaks import UNSCALED
from fertkit.budget.timing import OWN_POINTS
from fertkit.plots.budget import SUBSCRIPT
from fertkit.plots.style import COLOURS, SMALL, finish, legend, new_axes

#: Dash of each nutrient's curve; a nutrient beyond the list starts again.
DASHES = ("solid", (0, (6, 2)), (0, (1, 1.6)), (0, (6, 2, 1, 2)), (0, (3, 1.4)))
HUES = (COLOURS["curve"], COLOURS["accent"], COLOURS["warn"], COLOURS["quiet"], "#4c93c9")


def season_curves(demand, ax=None, *, nutrients=("N", "P2O5", "K2O"), daily: bool = True):
    """Draw cumulative uptake through the season, its published points, and below it the daily demand.

    Parameters
    ----------
    demand : SeasonDemand
    ax : Axes, optional
        Draws the cumulative curves only.
    nutrients : sequence of str
    daily : bool
        Add the panel of daily demand; only without `ax`.

    Returns
    -------
    Axes
        The cumulative panel. Thin stretches of a curve are interpolation, far from any published point.
    """
    names = [n for n in nutrients if n in demand.nutrients]
    lower = None
    if ax is None and daily:
        ax, lower = new_axes(2, height=5.4, sharex=True, height_ratios=[1.5, 1])
    elif ax is None:
        ax = new_axes(height=3.8)
    for name, hue, dash in zip(names, HUES, DASHES, strict=False):
        rows = demand.rows[demand.rows["nutrient"] == name]
        _curve(ax, rows, "cumulative", hue, dash)
        _points(ax, demand, name, hue)
        ax.plot([], [], color=hue, ls=dash, lw=2, label=SUBSCRIPT.get(name, name))
        if lower is not None:
            _demand(lower, demand, rows, name, hue, dash)
            _published_peak(lower, demand, name, hue)
    _point_legend(ax, demand, names)
    _stages(ax, demand)
    goal = f"{demand.yield_goal:g} {demand.yield_unit}"
    finish(ax, title=f"{demand.crop.capitalize()}, {goal}: uptake through the season",
           ylabel=f"taken up [{demand.unit}]")  # fmt: skip
    ax.set_ylim(0, ax.get_ylim()[1] * 1.03)
    legend(ax, loc="upper left", bbox_to_anchor=(0.0, 0.94))
    last = ax if lower is None else lower
    if lower is not None:
        few = demand.stretches["nutrient"].isin(names).any()
        what = "mean demand" if few else "demand"
        finish(lower, ylabel=f"{what}\n[{demand.unit} per day]")
        lower.set_ylim(min(0.0, demand.rows["daily"].min() * 1.3), lower.get_ylim()[1] * 1.3)
        _peak_legend(lower, demand, names)
    last.set_xlabel("days after emergence", fontsize=10, color=COLOURS["ink"])
    last.set_xlim(0, demand.rows["day"].max())
    return ax


def _curve(ax, rows, column, hue, dash):
    day, value = rows["day"].to_numpy(), rows[column].to_numpy()
    near = rows["near_point"].to_numpy()
    ax.plot(day, value, color=hue, ls=dash, lw=1.3, alpha=0.9)
    ax.plot(day, np.where(near, value, np.nan), color=hue, lw=3, solid_capstyle="butt")


def _demand(ax, demand, rows, name, hue, dash):
    """Daily demand: the curve's, or where its points are few the mean from one to the next."""
    means = demand.stretches
    means = means[means["nutrient"] == name]
    if means.empty:
        _curve(ax, rows, "daily", hue, dash)
        return
    days = np.r_[means["day_from"], means["day_to"].iloc[-1]]
    ax.stairs(means["daily"], days, color=hue, ls=dash, lw=1.8, baseline=None)


def _points(ax, demand, name, hue):
    total = demand.totals.set_index("nutrient")["uptake"][name]
    mine = demand.points[(demand.points["nutrient"] == name) & ~demand.points["bound"]]
    for used, style in ((True, {"mfc": hue, "mec": "white"}), (False, {"mfc": "white", "mec": hue})):
        some = mine[mine["used"] == used]
        ax.plot(some["day"], some["fraction"] * total, ls="none", marker="o", ms=6, zorder=5, **style)


def _point_legend(ax, demand, names):
    shown = demand.points[demand.points["nutrient"].isin(names) & ~demand.points["bound"]]
    own = shown["source_key"].eq(OWN_POINTS).any()
    for used, fill, edge in ((True, COLOURS["quiet"], "white"), (False, "white", COLOURS["quiet"])):
        if (shown["used"] == used).any():
            label = "own point" if own else f"published point, {'used' if used else 'other'}"
            ax.plot([], [], ls="none", marker="o", mfc=fill, mec=edge, label=label)


def _published_peak(ax, demand, name, hue):
    for row in demand.peaks[demand.peaks["nutrient"] == name].itertuples():
        value = row.published if np.isnan(row.published_scaled) else row.published_scaled
        if np.isnan(row.published_day):
            ax.axhline(value, color=hue, lw=0.9, ls=(0, (1, 4)), zorder=1)
        else:
            ax.plot(row.published_day, value, color=hue, marker="_", ms=18, mew=2.6, ls="none", zorder=5)
            ax.annotate(SUBSCRIPT.get(name, name), (row.published_day, value), (0, 3), ha="center",
                        textcoords="offset points", fontsize=SMALL, color=COLOURS["ink"])  # fmt: skip


def _peak_legend(ax, demand, names):
    peaks = demand.peaks[(demand.peaks["source_key"] != "") & demand.peaks["nutrient"].isin(names)]
    if peaks.empty:
        return
    unscaled = peaks["basis"] == UNSCALED
    as_measured = "" if not unscaled.any() else ", not scaled" if unscaled.all() else ", some not scaled"
    if peaks["published_day"].notna().any():
        label = f"published peak{as_measured}"
        ax.plot([], [], color=COLOURS["quiet"], marker="_", ms=16, mew=2.6, ls="none", label=label)
    if peaks["published_day"].isna().any():
        label = f"published peak{as_measured}, stage not stated"
        ax.plot([], [], color=COLOURS["quiet"], lw=0.9, ls=(0, (1, 4)), label=label)
    legend(ax, loc="upper right")


def _stages(ax, demand):
    """Growth stages along the top of the panel, those too close together left out."""
    end = demand.rows["day"].max()
    last = 0.0
    for row in demand.stages.itertuples():
        if row.days - last < end * 0.045 or not 0 < row.days <= end:
            continue
        last = row.days
        ax.axvline(row.days, color=COLOURS["grid"], lw=0.8, zorder=0)
        ax.annotate(row.stage, (row.days, 1), (0, -3), xycoords=("data", "axes fraction"), va="top",
                    textcoords="offset points", ha="center", fontsize=SMALL, color=COLOURS["quiet"],
                    bbox={"fc": "white", "ec": "none", "pad": 0.6}, zorder=6)  # fmt: skip


def supply_lines(gap, ax=None, *, nutrient: str | None = None):
    """Draw supply against demand for one nutrient, the shortage shaded from its first day.

    Parameters
    ----------
    gap : SupplyGap
    ax : Axes, optional
    nutrient : str, optional
        The one with the largest gap, if None.

    Returns
    -------
    Axes
    """
    demand = gap.demand
    if nutrient is None:
        nutrient = gap.gaps.loc[gap.gaps["largest_gap"].idxmax(), "nutrient"]
    rows = gap.rows[gap.rows["nutrient"] == nutrient]
    ax = new_axes(height=4.2) if ax is None else ax
    day = rows["day"]
    delayed = not rows["supply_late"].equals(rows["supply_early"])
    if delayed:
        ax.fill_between(day, rows["supply_late"], rows["supply_early"], color=COLOURS["band"], lw=0,
                        step="post", label="supply, by the delay")  # fmt: skip
        ax.plot(day, rows["supply_late"], color=COLOURS["curve"], lw=1.2, ls=(0, (6, 2)),
                drawstyle="steps-post")  # fmt: skip
    ax.plot(day, rows["supply_early"], color=COLOURS["curve"], lw=1.2, drawstyle="steps-post",
            label=None if delayed else "supply")  # fmt: skip
    ax.plot(day, rows["demand"], color=COLOURS["ink"], lw=2.2, label="demand of the crop")
    if (rows["demand_high"] > rows["demand_low"]).any():
        edges = {"color": COLOURS["ink"], "lw": 0.8, "ls": (0, (1, 2))}
        ax.plot(day, rows["demand_low"], label="span of the demand", **edges)
        ax.plot(day, rows["demand_high"], **edges)
    ax.fill_between(day, rows["supply_late"], rows["demand"], where=rows["gap_late"] > 0, hatch="////",
                    facecolor="none", edgecolor=COLOURS["accent"], lw=0,
                    label="short, longest delay" if delayed else "short")  # fmt: skip
    for row in gap.distinct[gap.distinct["nutrient"] == nutrient].itertuples():
        _first_day(ax, row, np.interp(row.first_day, day, rows["demand"]))
    _stages(ax, demand)
    top = max(rows["demand_high"].max(), rows["supply_early"].max())
    ax.set_ylim(0, top * 1.12)
    ax.set_xlim(0, day.max())
    below = -0.6 / (ax.figure.get_size_inches()[1] - 1.2)
    legend(ax, loc="upper left", bbox_to_anchor=(-0.02, below), ncols=2)
    name = SUBSCRIPT.get(nutrient, nutrient)
    return finish(ax, title=f"{demand.crop.capitalize()}: {name} supply against demand",
                  xlabel="days after emergence", ylabel=f"since emergence [{demand.unit}]")  # fmt: skip


def _first_day(ax, row, at):
    """Mark the first day short and its span; the words stand in the legend, clear of the curves."""
    if np.isnan(row.first_day):
        return
    end = row.first_day if np.isnan(row.first_day_to) else row.first_day_to
    span = f" ({row.first_day_from:.0f} to {end:.0f})" if row.first_day_from < end else ""
    span = f" ({row.first_day_from:.0f} at the earliest)" if np.isnan(row.first_day_to) else span
    delay = f", {row.delay} delay" if row.delay else ""
    hollow = {"mfc": "white", "mec": COLOURS["accent"]} if row.delay == "shortest" else {"mec": "white"}
    ax.plot([row.first_day_from, end], [at, at], color=COLOURS["accent"], lw=1.6, zorder=5)
    ax.plot(row.first_day, at, marker="D", ms=5 if row.delay == "longest" else 7, color=COLOURS["accent"],
            ls="none", zorder=6, label=f"from day {row.first_day:.0f}{span}{delay}", **hollow)  # fmt: skip


def peak_dots(comparison, ax=None):
    """Draw the peak demand of two crops on every basis, with the ratio in words.

    Parameters
    ----------
    comparison : PeakComparison
    ax : Axes, optional

    Returns
    -------
    Axes
        The trade rule has no dots: it states a ratio and no rates.
    """
    rows = comparison.rows
    ax = new_axes(height=1.4 + 0.55 * len(rows)) if ax is None else ax
    highest = np.nanmax(rows[["first", "second"]].to_numpy())
    for y, row in enumerate(rows.itertuples()):
        ax.plot([row.first, row.second], [y, y], color=COLOURS["grid"], lw=3, zorder=1)
        ax.plot(row.first, y, marker="o", ms=9, color=COLOURS["accent"], ls="none",
                label=comparison.crops[0] if y == 0 else None)  # fmt: skip
        ax.plot(row.second, y, marker="s", ms=8, mfc="white", mec=COLOURS["curve"], mew=2, ls="none",
                label=comparison.crops[1] if y == 0 else None)  # fmt: skip
        least = "at least " if np.isnan(row.first) else ""
        at = np.nanmax([row.first, row.second, highest * 0.02])
        ax.annotate(f"{least}{row.ratio:.2g} times", (at, y), (10, 0), va="center",
                    textcoords="offset points", fontsize=SMALL, color=COLOURS["ink"])  # fmt: skip
    ax.set_yticks(range(len(rows)), rows["basis"])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.set_xlim(0, highest * 1.3)
    below = -0.55 / (ax.figure.get_size_inches()[1] - 1.0)
    legend(ax, loc="upper left", bbox_to_anchor=(-0.02, below), ncols=2)
    name = SUBSCRIPT.get(comparison.nutrient, comparison.nutrient)
    return finish(ax, title=f"Peak {name} demand", xlabel=f"{name} [{comparison.unit} per day]", grid="x")
