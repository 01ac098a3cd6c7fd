"""Figure of what planned rate trials will tell of the optimum: trial by trial, or plans side by side."""

import numpy as np

from fertkit.plots.style import COLOURS, SMALL, finish, legend, new_axes
from fertkit.results import plain
from fertkit.rounding import above, below

SHOWN = 100  # simulated trials drawn of one plan


def expected_intervals(result, ax=None, *, title: str | None = None):
    """Draw the intervals that simulated trials give beside the true optimum; see `ExpectedInterval`.

    Parameters
    ----------
    result : ExpectedInterval
    ax : Axes, optional
    title : str, optional

    Returns
    -------
    Axes
    """
    many = len(result.plans) > 1
    ax = new_axes(height=max(2.6, 1.2 + 0.62 * len(result.plans)) if many else 4.2) if ax is None else ax
    (_plans if many else _trials)(ax, result)
    given = f"{result.level:.0%} intervals of the economic optimum to expect"
    return finish(
        ax, title=given if title is None else title, xlabel=f"rate [{result.rate_unit}]", grid="x",
        ylabel="" if many else f"simulated trials, {SHOWN} of {result.n} [number]",
    )  # fmt: skip


def _trials(ax, result):
    """A line for each of some trials, by their lower end; those that miss the truth stand out."""
    true = _of(result, "true_optimum").iloc[0]
    trials = result.trials.head(SHOWN).sort_values(["low", "high"], ignore_index=True)
    misses = above(trials["low"], true) | (below(trials["high"], true) & ~trials["high_open"])
    looks = (
        (~misses, COLOURS["curve"], 1.1, "holds the true optimum"),
        (misses, COLOURS["accent"], 2.4, "misses it"),
    )
    for which, colour, width, label in looks:
        rows = trials[which]
        if len(rows):
            ax.hlines(rows.index + 1, rows["low"], rows["high"], color=colour, lw=width,
                      label=f"{label}: {len(rows)}")  # fmt: skip
    ax.plot(trials["optimum"], trials.index + 1, ".", color=COLOURS["ink"], ms=3, label="rate reported")
    ends = trials[trials["high_open"]]
    if len(ends):
        ax.plot(ends["high"], ends.index + 1, ">", color=COLOURS["quiet"], ms=4, clip_on=False,
                label=f"upper end open: {len(ends)}")  # fmt: skip
    _truth(ax, true, result.rate_unit)
    legend(ax, loc="center left", bbox_to_anchor=(1.0, 0.5))


def _plans(ax, result):
    """A row for each plan: median ends as a bar, and the range of eight in ten of each end."""
    names = list(result.plans["plan"])
    for at, (_, rows) in enumerate(result.trials.groupby("plan", sort=False)):
        ax.plot(rows[["low", "high"]].median(), [at, at], color=COLOURS["band"], lw=11, solid_capstyle="butt",
                label="interval of the middle trial" if at == 0 else None)  # fmt: skip
        for end in ("low", "high"):
            ax.plot(rows[end].quantile([0.1, 0.9]), [at, at], "|-", color=COLOURS["curve"], lw=1.6, ms=9,
                    label="its ends in 8 of 10 trials" if at + (end == "high") == 0 else None)  # fmt: skip
        plan = result.plans.iloc[at]
        said = f"width {plain(_of(result, 'median_width').iloc[at])}, open {plain(plan['open_pct'], 2)} %"
        ax.annotate(said, (1.0, at), (6, 0), xycoords=("axes fraction", "data"), textcoords="offset points",
                    va="center", fontsize=SMALL, color=COLOURS["quiet"])  # fmt: skip
    true = _of(result, "true_optimum")
    if true.nunique() == 1:
        _truth(ax, true.iloc[0], result.rate_unit)
    else:
        ax.plot(
            true, np.arange(len(true)), "D", color=COLOURS["accent"], ms=6, mec="white", label="true optimum"
        )
    ax.set_yticks(np.arange(len(names)), names)
    ax.set_ylim(len(names) - 0.4, -0.6)
    legend(ax, loc="upper center", bbox_to_anchor=(0.5, -0.28 if len(names) < 4 else -0.2), ncols=3)


def _truth(ax, rate, unit):
    ax.axvline(rate, color=COLOURS["accent"], lw=1.4, ls=(0, (4, 2)), zorder=1,
               label=f"true optimum, {plain(rate)} {unit}")  # fmt: skip


def _of(result, name):
    """Column of the plans by its name without the rate unit."""
    return result.plans[f"{name}_{result.rate_unit.replace('/', '_')}"]
