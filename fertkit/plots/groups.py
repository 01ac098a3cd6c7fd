"""Figures of curves by group: the curves with their optima, and how far the optima lie apart."""

import numpy as np

from fertkit.plots.forms import interval, rows, shown
from fertkit.plots.palette import DASHES, HOLLOW, HUES, MARKERS, hue
from fertkit.plots.style import entitle, figure, finish, legend, panel_below, redrawn
from fertkit.results import records
from fertkit.say.groups import short_verdict

POINTS = 301  # rates at which a curve is drawn
MOST_PAIRS = 15  # of which a difference is drawn, the largest first


@figure(height=3.4, titled=True)
def grouped_response(result, ax, *, title: str | None = None):
    """Draw the strips and the curve of each group and, below, the optima with the common rate.

    Parameters
    ----------
    result : GroupedResponse
    ax : Axes, optional
        Draw the curves alone on it; if None, the optima are in ``ax.figure.axes[1]``.
    title : str, optional
        In place of the verdict.
    """
    optima, blocks = panel_below(ax, 0.3 * (len(result.analyses) + 1) + 0.3), False
    for (name, one), (colour, dash, marker) in zip(result.analyses.items(), _looks(result), strict=True):
        strips, rates = one.strips, np.linspace(*one.data.rates[[0, -1]], POINTS)
        blocks |= bool((strips["block"] != "").any())
        points = HOLLOW | {"marker": marker, "mec": colour, "ms": 5, "zorder": 3}
        ax.plot(strips.iloc[:, 0], strips.iloc[:, 2], **points)
        ax.plot([], [], color=colour, ls=dash, lw=2, marker=marker, mfc="white", label=name)
        ax.plot(rates, one.predict(rates), color=colour, ls=dash, lw=2, zorder=4)
    what = "yield, adjusted for blocks" if blocks else "yield"
    rate, key = f"rate [{result.rate_unit}]", ax.get_legend_handles_labels()[0]
    finish(ax, "", "" if optima else rate, f"{what} [{result.yield_unit}]", explain=[] if optima else key)
    if optima:
        key += [shown("economic optimum", marker="o", ms=8, color=hue.quiet, ls="none"),
                shown(f"{result.level:.0%} interval", marker="|", ms=10, mew=1.6, lw=3.2),
                shown("best common rate", color=hue.quiet, lw=0.9, ls=(0, (2, 3)))]  # fmt: skip
        rows(optima, [*result.analyses, "one for all"], pitch=0)
        finish(optima, "", f"economic optimum {rate}", grid="x", explain=key)
    move_group_prices(result, ax, optima, title=title)


def move_group_prices(result, ax, optima=None, *, title: str | None = None):
    """Draw what prices move: the optimum of each group on its curve and, with its interval, below."""
    with redrawn(*[ax] if optima is None else [ax, optima]):
        for y, (one, (colour, _, marker)) in enumerate(
            zip(result.analyses.values(), _looks(result), strict=True)
        ):
            rate, span = one.optimum.rate, one.optimum.interval
            best = {"marker": marker, "ms": 9, "mfc": colour, "mec": "white", "ls": "none", "zorder": 6}
            ax.plot([rate], one.predict(np.array([rate])), **best)
            if optima is not None:
                low, high = (rate, rate) if np.isnan(span.low) else (span.low, span.high)
                look = {"opens": (span.low_open, span.high_open), "colour": colour, "row": True}
                interval(optima, low, high, y, point=rate, **look)
        if optima is not None:
            optima.plot([result.common_rate], [len(result.analyses)], "D", ms=8, color=hue.ink, mec="white")
        ax.axvline(result.common_rate, color=hue.quiet, lw=0.9, ls=(0, (2, 3)), zorder=1)
        entitle(ax, short_verdict(result) if title is None else title)


@figure(height=0.9)
def optimum_differences(result, ax):
    """Draw the differences of optima with their intervals, the largest first where they are many."""
    table = result.differences
    table = table.loc[table["difference"].abs().sort_values(ascending=False, kind="stable").index]
    shown = table.head(MOST_PAIRS).reset_index(drop=True)
    rows(ax, [f"{r.second} minus {r.first}" for r in records(shown)])
    for y, r in enumerate(records(shown)):
        low, high = (r.difference, r.difference) if np.isnan(r.low) else (r.low, r.high)
        colour = hue.accent if r.apart else hue.quiet
        look = {"opens": (r.low_open, r.high_open), "colour": colour, "row": True}
        interval(ax, low, high, y, point=r.difference, **look)
    ax.axvline(0, color=hue.ink, lw=0.9)
    many = f", the {MOST_PAIRS} largest of {len(table)}" if len(table) > MOST_PAIRS else ""
    finish(ax, f"Differences between optima{many}", f"difference [{result.rate_unit}]", grid="x")
    legend(ax)


def _looks(result):
    """Colour, dash and marker of each group."""
    each = (HUES, DASHES, MARKERS)
    return [tuple(looks[i % len(looks)] for looks in each) for i in range(len(result.analyses))]
