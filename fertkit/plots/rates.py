"""Figures of rates: a least-cost blend, soil-test systems side by side, one system's line."""

from itertools import cycle

import numpy as np

from fertkit.budget.buffers import TEST_OF
from fertkit.budget.words import parts
from fertkit.plots.forms import bars, rows, ticks
from fertkit.plots.palette import ALONG, ANSWER, FILLS, PAPER, hue
from fertkit.plots.style import figure, finish, note, subscript

CAP = {"color": hue.warn, "lw": 1.8, "ls": (0, (2, 1)), "label": "cap"}
OLD = {"color": "white", "edgecolor": hue.curve, "hatch": "///"}


@figure(height=1.2)
def blend_bars(blend, ax):
    """Draw what a blend supplies of each nutrient, split by product, against target and cap."""
    names, balance = list(blend.nutrients["nutrient"]), blend.balance
    weight, area = blend.unit.split("/")
    volume, base = "gal" if weight == "lb" else "L", np.zeros(len(names))
    for row, (colour, hatch) in zip(blend.used.itertuples(), cycle(FILLS)):
        rate = f"{row.rate:.0f} {weight}" if np.isnan(row.volume) else f"{row.volume:.1f} {volume}"
        part, says = blend.supplied.loc[row.product, names].to_numpy(), f"{row.product}: {rate}/{area}"
        bars(ax, part, left=base, color=colour, hatch=hatch, edgecolor="white", label=says)
        base = base + part
    at = rows(ax, [subscript(n) for n in names], pitch=0.5)
    ticks(ax, balance["target"], at, label="target")
    ticks(ax, balance["cap"], at, **CAP)
    for y, row in enumerate(balance.itertuples()):
        supplied, _, over = parts(row.supplied, row.target)
        over = f", {over} over" if row.over > max(0.005 * row.target, 0.005) else ""
        end = np.nanmax([row.supplied, row.target, row.cap])
        note(ax, f"{supplied}{over}", (end, y), (7, 0), va="center")
    ax.set_xlim(0, ax.get_xlim()[1] * 1.12)
    title = f"Least-cost blend, {blend.cost:.2f} per {'acre' if area == 'ac' else 'hectare'}"
    finish(ax, title, f"supplied [{blend.unit}]", grid="x")


@figure(height=0.8)
def system_rates(comparison, ax):
    """Draw the rate each soil-test system gives; a system without a rate says why."""
    table, name = comparison.rows[comparison.rows["carried"]], subscript(comparison.nutrient)
    old, rate = table["status"] == "superseded", table["rate_lb_ac"]
    highest = np.nanmax([*rate, 1.0])
    bars(ax, rate.where(~old), color=hue.curve)
    bars(ax, rate.where(old), **OLD)
    for y, row in enumerate(table.itertuples()):
        if np.isnan(row.rate_lb_ac):
            note(ax, row.why_not, (highest * 0.01, y), va="center", color=hue.quiet, style="italic")
        else:
            note(ax, f"{row.rate_lb_ac:.0f}, {row.zone}", (row.rate_lb_ac, y), (6, 0), va="center")
    rows(ax, table["title"].where(~old, table["title"] + "\n(superseded)"), pitch=0.42)
    ax.set_xlim(0, highest * 1.35)
    title = f"{comparison.crop.capitalize()}: {name} by soil test"
    finish(ax, title, f"{name} [lb/ac a year]", grid="x")


@figure()
def soil_rate_line(rate, ax):
    """Draw a system's rate against the soil test, with the field's own test on it."""
    corners, name, old = rate.line, subscript(rate.nutrient), rate.status == "superseded"
    end, dash = max(corners["test"].max(), rate.level) * 1.2, (0, (6, 2)) if old else "solid"
    ax.plot(
        [*corners["test"], end],
        [*corners["rate"], corners["rate"].iloc[-1]],
        color=hue.curve,
        lw=2.4,
        ls=dash,
    )
    levels = rate.rows[rate.rows["term"].str.contains("critical level|maintenance limit")]
    for term, level in zip(levels["term"], levels["value"], strict=True):
        if level in set(corners["test"]):
            ax.axvline(level, color=hue.grid, lw=1, zorder=0)
            words = term.removesuffix(" (of the rotation)").replace(" ", "\n", 1)
            look = {"va": "top", "ha": "center", "color": hue.quiet, "bbox": PAPER}
            note(ax, f"{words} {level:g}", (level, 0.99), frame=ALONG, **look)
    says = f"test {rate.level:g}: {rate.rate:.0f} {rate.unit}, {rate.zone}"
    ax.plot(rate.level, rate.rate, marker="D", label=says, zorder=5, **ANSWER)
    ax.set(xlim=(0, end), ylim=(0, corners["rate"].max() * 1.15 + 1))
    title = f"{rate.title}{' (superseded)' if old else ''}: {name} for {rate.crop}"
    finish(
        ax,
        title,
        f"soil test {TEST_OF.get(rate.nutrient, rate.nutrient)} [{rate.test_unit}]",
        f"{name} [{rate.unit} a year]",
    )
