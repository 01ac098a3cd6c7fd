"""Figures of the field: planned strips, harvest points, what cleaning removed."""

import numpy as np

from fertkit.plots.style import COLOURS, SMALL, finish, legend, new_axes
from fertkit.plots.trials import remark
from fertkit.trials.arrange import show, spoken

#: Points drawn at most; a longer log is thinned evenly.
DRAWN = 40_000
_REASONS = [
    (COLOURS["accent"], "o"),
    (COLOURS["warn"], "^"),
    (COLOURS["curve"], "s"),
    ("#b4500f", "v"),
    ("#4c93c9", "D"),
    (COLOURS["ink"], "x"),
    ("#7a1f4f", "+"),
    ("#1d4e89", "1"),
    (COLOURS["quiet"], "*"),
    ("#d1661b", "P"),
]


def field_sketch(plan, ax=None):
    """Draw the planned strips as they lie in the field, darker for a higher rate, the part to harvest framed.

    Parameters
    ----------
    plan : StripPlan
    ax : Axes, optional
    """
    ax = new_axes(height=3.4) if ax is None else ax
    tone = dict(zip(plan.treatments, np.linspace(0.08, 0.85, len(plan.treatments)), strict=True))
    for strip in plan.strips.itertuples():
        _draw_strip(ax, strip, tone[strip.treatment], upright=len(plan.strips) > 14)
    _block_labels(ax, plan)
    ax.set_xlim(plan.strips["left"].min(), plan.strips["right"].max())
    ax.set_ylim(plan.strips["start"].min(), plan.strips["end"].max() * 1.09)
    w = plan.width_unit
    finish(
        ax,
        title=f"Field sketch, seed {plan.seed}",
        xlabel=f"across the field, from the left [{w}]",
        ylabel=f"along the strips, as driven [{w}]",
        grid=None,
    )
    rated = all(isinstance(t, float) for t in plan.treatments)
    what = f"numbers: rate [{plan.unit}]; " if rated else ""
    remark(ax, f"{what}dashed: harvested; hatched: border")
    return ax


def _draw_strip(ax, strip, depth, *, upright):
    """One strip, `depth` (0-1) dark, with its harvested part and its treatment."""
    border = strip.kind == "border"
    face = COLOURS["fill"] if border else _mix("#ffffff", COLOURS["curve"], depth)
    width, length = strip.right - strip.left, strip.end - strip.start
    ax.add_patch(
        _box(strip.left, strip.start, width, length, fc=face, ec="white", lw=1.2, hatch="//" * border)
    )
    if border:
        return
    ax.add_patch(
        _box(
            strip.harvest_left,
            strip.start,
            strip.harvest_right - strip.harvest_left,
            length,
            fc="none",
            ec=COLOURS["quiet"],
            lw=0.6,
            ls=(0, (3, 2)),
        )
    )
    ax.text(
        (strip.left + strip.right) / 2,
        (strip.start + strip.end) / 2,
        show(strip.treatment),
        ha="center",
        va="center",
        fontsize=SMALL,
        rotation=90 if upright else 0,
        color="white" if depth > 0.5 else COLOURS["ink"],
    )


def _block_labels(ax, plan):
    strips = plan.strips[plan.strips["kind"] == "strip"]
    top = plan.strips["end"].max()
    if plan.design == "latin":
        return
    for block, rows in strips.groupby("block"):
        left, right = rows["left"].min(), rows["right"].max()
        gap = 0.06 * (right - left)
        ax.plot([left + gap, right - gap], [top * 1.02] * 2, color=COLOURS["quiet"], lw=1.2)
        ax.text(
            (left + right) / 2,
            top * 1.03,
            f"block {block}",
            ha="center",
            va="bottom",
            fontsize=SMALL,
            color=COLOURS["quiet"],
        )


def _box(x, y, width, height, **options):
    from matplotlib.patches import Rectangle

    return Rectangle((x, y), width, height, **options)


def _mix(one, other, share):
    from matplotlib.colors import to_rgb

    return tuple((1 - share) * np.array(to_rgb(one)) + share * np.array(to_rgb(other)))


def cleaning_map(cleaned, ax=None):
    """Draw the harvest points kept, and those removed with a marker for the step that removed them.

    Parameters
    ----------
    cleaned : CleanedPoints
    ax : Axes, optional
    """
    ax = new_axes(height=5.2) if ax is None else ax
    points = cleaned.points.iloc[:: max(1, len(cleaned.points) // DRAWN)]
    kept = points["removed_by"] == ""
    ax.plot(
        points.loc[kept, "x_m"],
        points.loc[kept, "y_m"],
        ".",
        ms=2,
        color=COLOURS["band"],
        rasterized=True,
        label=f"kept ({cleaned.steps['kept'].iloc[-1]:,})",
    )
    steps = cleaned.steps[cleaned.steps["removed"] > 0]
    for step, (colour, mark) in zip(steps.itertuples(), _REASONS, strict=False):
        here = points["removed_by"] == step.step
        ax.plot(
            points.loc[here, "x_m"],
            points.loc[here, "y_m"],
            mark,
            ms=3.6,
            color=colour,
            mfc="none",
            mew=0.9,
            ls="none",
            rasterized=True,
            label=f"{step.step} ({step.removed:,})",
        )
    ax.set_aspect("equal", adjustable="datalim")
    finish(ax, title="What cleaning removed", xlabel="east [m]", ylabel="north [m]", grid=None)
    legend(ax, loc="center left", bbox_to_anchor=(1.0, 0.5), markerscale=1.8)
    return ax


def yield_map(points, ax=None):
    """Draw the yields of a log where they were cut, darker for more.

    Parameters
    ----------
    points : YieldPoints
    ax : Axes, optional
    """
    from matplotlib.colors import LinearSegmentedColormap

    ax = new_axes(height=4.8) if ax is None else ax
    table = points.points.iloc[:: max(1, len(points.points) // DRAWN)]
    low, high = table[points.yield_column].quantile([0.02, 0.98])
    ramp = LinearSegmentedColormap.from_list("yield", ["#f0bd8f", "#eef1f5", COLOURS["curve"]])
    marks = ax.scatter(
        table["x_m"],
        table["y_m"],
        c=table[points.yield_column],
        s=4,
        cmap=ramp,
        vmin=low,
        vmax=high,
        rasterized=True,
    )
    ax.set_aspect("equal", adjustable="datalim")
    bar = ax.figure.colorbar(marks, ax=ax, shrink=0.7, extend="both")
    bar.set_label(spoken(points.yield_column), fontsize=SMALL)
    finish(ax, title="Harvest points", xlabel="east [m]", ylabel="north [m]", grid=None)
    remark(ax, f"{len(points.points):,} points")
    return ax
