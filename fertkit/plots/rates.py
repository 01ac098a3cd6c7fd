"""Figures of rates: a least-cost blend, soil-test systems side by side."""

import numpy as np

from fertkit.budget.words import parts
from fertkit.plots.budget import SUBSCRIPT
from fertkit.plots.style import COLOURS, SMALL, finish, legend, new_axes

#: Colour and hatch of each product of a blend.
FILLS = (
    (COLOURS["curve"], ""),
    (COLOURS["band"], "///"),
    (COLOURS["accent"], ""),
    ("#f0bd8f", "..."),
    (COLOURS["quiet"], ""),
    (COLOURS["grid"], "xx"),
    (COLOURS["warn"], ""),
    (COLOURS["fill"], "\\\\"),
)
CURRENT = {"color": COLOURS["curve"]}
OLD = {"color": "white", "edgecolor": COLOURS["curve"], "hatch": "///"}


def blend_bars(blend, ax=None, *, title: str | None = None):
    """Draw what a blend supplies of each nutrient, split by product, against target and cap.

    Parameters
    ----------
    blend : Blend
    ax : Axes, optional
    title : str, optional

    Returns
    -------
    Axes
    """
    supplied = blend.supplied
    names = list(blend.nutrients["nutrient"])
    ax = new_axes(height=1.7 + 0.5 * len(names)) if ax is None else ax
    base = np.zeros(len(names))
    weight, area = blend.unit.split("/")
    volume = "gal" if weight == "lb" else "L"
    for i, row in enumerate(blend.used.itertuples()):
        colour, hatch = FILLS[i % len(FILLS)]
        part = supplied.loc[row.product, names].to_numpy()
        rate = f"{row.rate:.0f} {weight}" if np.isnan(row.volume) else f"{row.volume:.1f} {volume}"
        ax.barh(range(len(names)), part, left=base, height=0.52, color=colour, hatch=hatch, edgecolor="white",
                label=f"{row.product}: {rate}/{area}")  # fmt: skip
        base = base + part
    for y, row in enumerate(blend.balance.itertuples()):
        ax.plot([row.target] * 2, [y - 0.36, y + 0.36], color=COLOURS["ink"], lw=2.4,
                label="target" if y == 0 else None)  # fmt: skip
        if not np.isnan(row.cap):
            ax.plot([row.cap] * 2, [y - 0.36, y + 0.36], color=COLOURS["warn"], lw=1.8, ls=(0, (2, 1)),
                    label=None if "cap" in ax.get_legend_handles_labels()[1] else "cap")  # fmt: skip
        supplied, _, over = parts(row.supplied, row.target)
        over = f", {over} over" if row.over > max(0.005 * row.target, 0.005) else ""
        end = np.nanmax([row.supplied, row.target, row.cap])
        ax.annotate(f"{supplied}{over}", (end, y), (7, 0), textcoords="offset points",
                    va="center", fontsize=SMALL, color=COLOURS["ink"])  # fmt: skip
    ax.set_yticks(range(len(names)), [SUBSCRIPT.get(n, n) for n in names])
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.set_xlim(0, ax.get_xlim()[1] * 1.12)
    below = -0.55 / (ax.figure.get_size_inches()[1] - 1.2)
    legend(ax, loc="upper left", bbox_to_anchor=(-0.02, below), ncols=3)
    if title is None:
        title = f"Least-cost blend, {blend.cost:.2f} per {'acre' if area == 'ac' else 'hectare'}"
    return finish(ax, title=title, xlabel=f"supplied [{blend.unit}]", grid="x")


def system_rates(comparison, ax=None, *, title: str | None = None):
    """Draw the rate each soil-test system gives; a system without a rate says why.

    Parameters
    ----------
    comparison : SystemComparison
    ax : Axes, optional
    title : str, optional

    Returns
    -------
    Axes
    """
    rows = comparison.rows
    ax = new_axes(height=1.1 + 0.42 * len(rows)) if ax is None else ax
    highest = np.nanmax(np.r_[rows["rate_lb_ac"], 1.0])
    for y, row in enumerate(rows.itertuples()):
        if np.isnan(row.rate_lb_ac):
            ax.annotate(row.why_not, (highest * 0.01, y), va="center", fontsize=SMALL,
                        color=COLOURS["quiet"], style="italic")  # fmt: skip
            continue
        old = row.status == "superseded"
        style = (
            {"color": "white", "edgecolor": COLOURS["curve"], "hatch": "///"}
            if old
            else {"color": COLOURS["curve"]}
        )
        ax.barh(y, row.rate_lb_ac, height=0.5, **style)
        ax.annotate(f"{row.rate_lb_ac:.0f}, {row.zone}", (row.rate_lb_ac, y), (6, 0), va="center",
                    textcoords="offset points", fontsize=SMALL, color=COLOURS["ink"])  # fmt: skip
    labels = [f"{r.title}\n(superseded)" if r.status == "superseded" else r.title for r in rows.itertuples()]
    ax.set_yticks(range(len(rows)), labels)
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.set_xlim(0, highest * 1.35)
    name = SUBSCRIPT.get(comparison.nutrient, comparison.nutrient)
    if title is None:
        title = f"{comparison.crop.capitalize()}: {name} by soil test"
    return finish(ax, title=title, xlabel=f"{name} [lb/ac a year]", grid="x")


def soil_rate_line(rate, ax=None, *, title: str | None = None):
    """Draw a system's rate against the soil test, with the field's own test on it.

    Parameters
    ----------
    rate : SoilRate
    ax : Axes, optional
    title : str, optional

    Returns
    -------
    Axes
    """
    ax = new_axes(height=3.4) if ax is None else ax
    corners = rate.line
    end = max(corners["test"].max(), rate.level) * 1.2
    dash = (0, (6, 2)) if rate.status == "superseded" else "solid"
    ax.plot([*corners["test"], end], [*corners["rate"], 0.0], color=COLOURS["curve"], lw=2.4, ls=dash)
    levels = rate.rows[rate.rows["term"].str.contains("critical level|maintenance limit")]
    for term, level in zip(levels["term"], levels["value"], strict=True):
        if level not in set(corners["test"]):
            continue
        ax.axvline(level, color=COLOURS["grid"], lw=1, zorder=0)
        words = term.removesuffix(" (of the rotation)").replace(" ", "\n", 1)
        ax.annotate(f"{words} {level:g}", (level, 0.99), va="top", ha="center",
                    xycoords=("data", "axes fraction"), fontsize=SMALL, color=COLOURS["quiet"],
                    bbox={"fc": "white", "ec": "none", "pad": 1})  # fmt: skip
    ax.plot(rate.level, rate.rate, marker="D", ms=8, color=COLOURS["accent"], mec="white", ls="none",
            label=f"test {rate.level:g}: {rate.rate:.0f} {rate.unit}, {rate.zone}", zorder=5)  # fmt: skip
    legend(ax, loc="lower left")
    ax.set_xlim(0, end)
    ax.set_ylim(0, corners["rate"].max() * 1.15 + 1)
    name = SUBSCRIPT.get(rate.nutrient, rate.nutrient)
    if title is None:
        old = " (superseded)" if rate.status == "superseded" else ""
        title = f"{rate.title}{old}: {name} for {rate.crop}"
    element = rate.nutrient[0]
    return finish(
        ax,
        title=title,
        xlabel=f"soil test {element} [{rate.test_unit}]",
        ylabel=f"{name} [{rate.unit} a year]",
    )
