"""Figures of a trial of several nutrients: net return over two rates, the best combination and its region."""

import numpy as np
from matplotlib.patches import Patch

from fertkit.plots.forms import shown
from fertkit.plots.palette import ANSWER, HOLLOW, PAPER, SMALL, hue
from fertkit.plots.style import figure, finish, note
from fertkit.response.prices import area_of, money_axis, money_text
from fertkit.response.surface_parts import grid_of
from fertkit.results import plain
from fertkit.say.surface import combination

_LEVELS, _STEPS = 9, ("#ffffff", "#f3f6fa", "#e3ebf4", "#d0deed", "#bbd0e6")


@figure(height=4.6)
def surface_contours(analysis, ax, *, pair: tuple[int, int] = (0, 1)):
    """Draw net return over the rates of two nutrients, the answer, its joint region and the cheapest way.

    Parameters
    ----------
    analysis : SurfaceAnalysis
    ax : Axes, optional
    pair : (int, int)
        Which nutrients; a third is at its best rate.
    """
    from matplotlib.ticker import MaxNLocator

    grid, data, (i, j) = grid_of(analysis, *pair), analysis.data, pair
    levels = MaxNLocator(_LEVELS).tick_values(grid.net.min(), grid.net.max())
    shades = np.array(_STEPS)[np.linspace(0, len(_STEPS) - 1, len(levels) - 1).astype(int)]
    ax.contourf(grid.first, grid.second, grid.net, levels, colors=shades, zorder=0)
    lines = ax.contour(grid.first, grid.second, grid.net, levels, colors=hue.curve, linewidths=0.9, zorder=2)
    ax.clabel(lines, fmt=plain, fontsize=SMALL, colors=hue.ink)
    area = area_of(analysis.yield_unit)
    says = money_axis("net return over the lowest rates", analysis.currency, area)
    key = [shown(says, color=hue.curve, lw=0.9)]
    best = analysis.net_over_lowest(analysis.optimum.rates)
    if analysis.within > 0:
        look = {"colors": [hue.accent], "linestyles": [(0, (5, 2))], "linewidths": 1.8, "zorder": 3}
        ax.contour(grid.first, grid.second, grid.net, [float(best) - analysis.within], **look)
        says = f"within {money_text(analysis.within, analysis.currency, area)} of the best"
        key.append(shown(says, color=hue.accent, ls=(0, (5, 2)), lw=1.8))
    key += _joint_region(ax, analysis, grid)
    tried = np.unique(data.rates[:, [i, j]], axis=0)
    ax.plot(*tried.T, "o", ms=3.4, color=hue.quiet, **HOLLOW, zorder=4, clip_on=False)
    key.append(shown("combination tested", marker="o", ms=3.4, **HOLLOW))
    if len(analysis.path):
        way = analysis.path[[data.nutrients[i], data.nutrients[j]]].to_numpy(float)
        way = np.vstack([[data.low[i], data.low[j]], way])
        ax.plot(*way.T, color=hue.ink, ls=(0, (1, 1.4)), lw=2, zorder=5, clip_on=False)
        key.append(shown("cheapest combination for each yield", color=hue.ink, ls=(0, (1, 1.4)), lw=2))
    at = analysis.optimum.rates
    ax.plot([at[i]], [at[j]], marker="D", **ANSWER | {"ms": 10}, zorder=7)
    key.append(shown(f"best combination, {combination(analysis, at)}", marker="D", **ANSWER))
    _beside_points(ax, analysis, i, j)
    ax.set_xlim(data.low[i], data.high[i])
    ax.set_ylim(data.low[j], data.high[j])
    rest = [k for k in range(len(data.nutrients)) if k not in pair]
    fixed = "".join(f", {data.nutrients[k]} at {plain(at[k])} {data.rate_units[k]}" for k in rest)
    names = [f"{data.nutrients[k]} [{data.rate_units[k]}]" for k in pair]
    title = f"Net return by {data.nutrients[i]} and {data.nutrients[j]}{fixed}"
    return finish(ax, title, *names, grid=None, explain=key)


def _joint_region(ax, analysis, grid):
    """Hatch the joint region; its mark for the key."""
    if not (grid.joint <= 1).any():
        return []
    name = f"joint {analysis.level:.0%} region of the best combination"
    held = np.minimum(grid.joint, 9.0)
    ax.contourf(grid.first, grid.second, held, levels=[-1, 1], colors="none", hatches=["////"], zorder=3)
    ax.contour(grid.first, grid.second, held, levels=[1], colors=[hue.warn], linewidths=1.8, zorder=4)
    return [Patch(fc="none", ec=hue.warn, hatch="////", lw=1.4, label=name)]


def _beside_points(ax, analysis, i, j):
    """Name where the greatest yield lies, if it is elsewhere."""
    most = analysis.agronomic_optimum.rates
    look = {"color": hue.quiet, "mec": hue.quiet, "mfc": "white", "ms": 8, "zorder": 6, "clip_on": False}
    ax.plot([most[i]], [most[j]], marker="s", ls="none", **look)
    near_top = most[j] > 0.85 * analysis.data.high[j]
    near_right = most[i] > 0.7 * analysis.data.high[i]
    offset = (-8 if near_right else 8, -12 if near_top else 8)
    side = {"ha": "right" if near_right else "left", "bbox": PAPER, "zorder": 6}
    note(ax, "greatest yield", (most[i], most[j]), offset, **side)
