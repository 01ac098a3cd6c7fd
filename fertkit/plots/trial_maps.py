"""Figures of the field: planned strips, harvest points, what cleaning removed."""

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.patches import Patch, Rectangle

from fertkit.plots.forms_lines import map_axes, thinned
from fertkit.plots.palette import SMALL, hue
from fertkit.plots.style import figure, finish
from fertkit.trials.table import show, spoken

_REASONS = ((hue.accent, "o"), (hue.warn, "^"), (hue.curve, "s"), ("#b4500f", "v"), (hue.light, "D"))
_REASONS += ((hue.ink, "x"), (hue.warn, "+"), (hue.curve, "1"), (hue.quiet, "*"), (hue.accent, "P"))
#: Light for little, dark for much, in grey as well.
_RAMP = LinearSegmentedColormap.from_list("yield", ["#f5d9b8", hue.band, hue.light, hue.curve])
_SHADES = LinearSegmentedColormap.from_list("rate", ["#ffffff", hue.curve])
HARVEST = {"fc": "none", "ec": hue.quiet, "lw": 0.6, "ls": (0, (3, 2)), "label": "part to harvest"}
BORDER = {"fc": hue.fill, "ec": "white", "hatch": "//", "lw": 1.2, "label": "border"}


@figure()
def field_sketch(plan, ax):
    """Draw the planned strips as they lie in the field, darker for a higher rate."""
    strips, top, unit = plan.strips, plan.strips["end"].max(), plan.width_unit
    depth = dict(zip(plan.treatments, np.linspace(0.08, 0.85, len(plan.treatments)), strict=True))
    rated = all(isinstance(t, float) for t in plan.treatments)
    says = f"strip, with its rate [{plan.unit}]" if rated else "strip, with its treatment"
    word = {"ha": "center", "va": "center", "fontsize": SMALL, "rotation": 90 if len(strips) > 14 else 0}
    for strip in strips.itertuples():
        length, at = strip.end - strip.start, (strip.left, strip.start)
        border, dark = strip.kind == "border", depth.get(strip.treatment, 0)
        look = BORDER if border else {"fc": _SHADES(dark), "ec": "white", "lw": 1.2}
        ax.add_patch(Rectangle(at, strip.right - strip.left, length, **look))
        if not border:
            width = strip.harvest_right - strip.harvest_left
            ax.add_patch(Rectangle((strip.harvest_left, strip.start), width, length, **HARVEST))
            middle, colour = (strip.left + strip.right) / 2, "white" if dark > 0.5 else hue.ink
            ax.text(middle, strip.start + length / 2, show(strip.treatment), color=colour, **word)
    if plan.design != "latin":
        for block, part in strips[strips["kind"] == "strip"].groupby("block"):
            left, right = part["left"].min(), part["right"].max()
            gap = 0.06 * (right - left)
            ax.plot([left + gap, right - gap], [top * 1.02] * 2, color=hue.quiet, lw=1.2)
            look = {"ha": "center", "va": "bottom", "fontsize": SMALL, "color": hue.quiet}
            ax.text((left + right) / 2, top * 1.03, f"block {block}", **look)
    ax.set(xlim=(strips["left"].min(), strips["right"].max()), ylim=(strips["start"].min(), top * 1.09))
    key = [Patch(fc=_SHADES(0.5), label=says), *ax.get_legend_handles_labels()[0]]
    across, along = f"across the field, from the left [{unit}]", f"along the strips, as driven [{unit}]"
    finish(ax, f"Field sketch, seed {plan.seed}", across, along, grid=None, explain=key)


@figure(height=4.6)
def cleaning_map(cleaned, ax):
    """Draw the harvest points kept, and those removed with a marker for the step that removed them."""
    points, steps = thinned(cleaned.points), cleaned.steps
    kept, look = points[points["removed_by"] == ""], {"color": hue.band, "rasterized": True}
    ax.plot(kept["x_m"], kept["y_m"], ".", ms=2, label=f"kept ({steps['kept'].iloc[-1]:,})", **look)
    for step, (colour, mark) in zip(steps[steps["removed"] > 0].itertuples(), _REASONS, strict=False):
        here = points[points["removed_by"] == step.step]
        look = {"ms": 3.6, "color": colour, "mfc": "none", "mew": 0.9, "rasterized": True}
        ax.plot(here["x_m"], here["y_m"], mark, ls="none", label=f"{step.step} ({step.removed:,})", **look)
    map_axes(ax, "What cleaning removed")


@figure(height=4.8)
def yield_map(points, ax):
    """Draw the yields of a log where they were cut, darker for more."""
    table, column = thinned(points.points), points.yield_column
    low, high = table[column].quantile([0.02, 0.98])
    look = {"s": 4, "cmap": _RAMP, "vmin": low, "vmax": high, "rasterized": True}
    marks = ax.scatter(table["x_m"], table["y_m"], c=table[column], **look)
    bar = ax.figure.colorbar(marks, ax=ax, shrink=0.7, extend="both")
    bar.set_label(spoken(column), fontsize=SMALL)
    bar.ax.tick_params(labelsize=SMALL)
    map_axes(ax, f"Harvest points: {len(points.points):,}")
