"""Figures of planned trials: power, sites, placed rates, where strips go, intervals to be expected."""

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.patches import Patch, Rectangle

from fertkit.plots.forms import remark, rows, spans, whiskers
from fertkit.plots.palette import ANSWER, DASHES, HUES, SMALL, hue
from fertkit.plots.style import figure, finish, grow, is_narrow, note
from fertkit.results import counted, plain, records, show
from fertkit.rounding import above, below

_SHADES = LinearSegmentedColormap.from_list("rate", ["#ffffff", hue.curve])
HARVEST = {"fc": "none", "ec": hue.quiet, "lw": 0.6, "ls": (0, (3, 2)), "label": "part to harvest"}
BORDER = {"fc": hue.fill, "ec": "white", "hatch": "//", "lw": 1.2, "label": "border"}
SHOWN = 100  # simulated trials drawn of one plan


@figure(width=4.6, height=2.8)
def power_curve(plan, ax):
    """Draw the chance of finding the difference against the number of blocks."""
    blocks, power, wanted = plan.sizes["blocks"], 100 * plan.sizes["power"], 100 * plan.power
    chosen = power[blocks == plan.blocks].iloc[0]
    ax.plot(blocks, power, "o-", color=hue.curve, ms=5, label="power")
    ax.axhline(wanted, color=hue.quiet, lw=1, ls=(0, (4, 2)), label=f"asked for, {wanted:g}%")
    ax.plot([plan.blocks], [chosen], "D", zorder=4, **ANSWER)
    note(ax, f"{plan.blocks} blocks", (plan.blocks, chosen), (8, -14))
    ax.xaxis.get_major_locator().set_params(integer=True, min_n_ticks=1)
    ax.set_ylim(0, 103)
    title = f"Chance of detecting {plain(plan.difference_pct)}% at a CV of {plan.cv_pct:g}%"
    finish(ax, title, "blocks", "power [%]")


@figure()
def network_sizes(plan, ax):
    """Draw how many sites the width needs against the blocks of each, a line for each number of years."""
    reached = plan.table.dropna(subset="sites")
    for (years, part), colour, dash in zip(reached.groupby("years"), HUES * 3, DASHES * 3, strict=False):
        ax.plot(part["blocks"], part["sites"], "o", color=colour, ls=dash, label=counted(int(years), "year"))
    ax.xaxis.get_major_locator().set_params(integer=True)
    ax.set_ylim(0, 1.08 * max(reached["sites"].max(), 1) if len(reached) else None)
    title = f"Sites needed for an interval {plain(plan.width)} {plan.unit} wide"
    finish(ax, title, "blocks per site", "sites")


@figure(height=1.0)
def placed_rates(placing, ax):
    """Draw the rates of each way of placing them, and what each is worth; see `RatePlacing`."""
    at = rows(ax, placing.table["plan"])
    for y, row in zip(at, records(placing.table), strict=True):
        held, count = np.unique(placing.plans[row.plan], return_counts=True)
        ax.plot(held, [y] * len(held), "o", color=hue.curve, ms=7, label="strip, x2: two of a block")
        for rate, many in zip(held, count, strict=True):
            if many > 1:
                note(ax, f"x{many}", (rate, y), (0, 6), ha="center")
        remark(ax, y, f"worth {plain(row.against_equal_pct)}%")
    low, high = placing.best_rates[0], placing.best_rates[-1]
    supposed = {"color": hue.band, "label": "assumed rate of the best yield"}
    if low < high:
        ax.axvspan(low, high, alpha=0.4, lw=0, **supposed)
    else:  # a band of no width would not be seen
        ax.axvline(low, lw=2, **supposed)
    finish(ax, "Rates of a block", f"rate [{placing.rate_unit}]", grid="x")


@figure()
def field_sketch(plan, ax):
    """Draw the planned strips as they lie in the field, darker for a higher rate.

    On a narrow page they run across it, the strip at the left of the field on top.
    """
    strips, top, unit, turned = plan.strips, plan.strips["end"].max(), plan.width_unit, is_narrow(ax)
    depth = dict(zip(plan.treatments, np.linspace(0.08, 0.85, len(plan.treatments)), strict=True))
    rated = all(isinstance(t, float) for t in plan.treatments)
    says = f"strip, with its rate [{plan.unit}]" if rated else "strip, with its treatment"
    word = {"ha": "center", "va": "center", "fontsize": SMALL}
    word["rotation"] = 90 if len(strips) > 14 and not turned else 0
    way = slice(None, None, -1 if turned else 1)  # of pairs: across the field, along the strips

    def box(left, right, start, end, **look):
        ax.add_patch(Rectangle((left, start)[way], *(right - left, end - start)[way], **look))

    for strip in records(strips):
        border, dark = strip.kind == "border", depth.get(strip.treatment, 0)
        look = BORDER if border else {"fc": _SHADES(dark), "ec": "white", "lw": 1.2}
        box(strip.left, strip.right, strip.start, strip.end, **look)
        if not border:
            box(strip.harvest_left, strip.harvest_right, strip.start, strip.end, **HARVEST)
            middle = ((strip.left + strip.right) / 2, (strip.start + strip.end) / 2)[way]
            ax.text(*middle, show(strip.treatment), color="white" if dark > 0.5 else hue.ink, **word)
    if plan.design != "latin":
        blocks = strips[strips["kind"] == "strip"].groupby("block")
        word_of, known = ("block {}", None) if len(blocks) <= 10 else ("{}", "block, with its number")
        for block, part in blocks:
            left, right = part["left"].min(), part["right"].max()
            gap, line = 0.06 * (right - left), {"color": hue.quiet, "lw": 1.2, "label": known}
            ax.plot(*([left + gap, right - gap], [top * 1.02] * 2)[way], **line)
            look, known = {"color": hue.quiet, "rotation": 270 if turned else 0}, None
            ax.text(*((left + right) / 2, top * 1.055)[way], word_of.format(block), **word | look)
    ends = (strips["left"].min(), strips["right"].max()), (strips["start"].min(), top * 1.09)
    ax.set(xlim=ends[turned], ylim=ends[not turned][way])
    if turned:
        grow(ax, 0.17 * strips["left"].nunique() - 1)
    key = [Patch(fc=_SHADES(0.5), label=says), *ax.get_legend_handles_labels()[0]]
    names = f"across the field, from the left [{unit}]", f"along the strips, as driven [{unit}]"
    finish(ax, f"Field plan, seed {plan.seed}", *names[way], grid=None, explain=key)


@figure(height=1.0)
def expected_intervals(result, ax):
    """Draw the intervals that simulated trials give beside the true optimum; see `ExpectedInterval`."""
    many, unit = len(result.table) > 1, result.rate_unit
    true = _of(result, "true_optimum")
    if many and true.nunique() > 1:
        ax.plot(true, range(len(true)), "D", zorder=5, label="true optimum", **ANSWER | {"ms": 6})
    else:
        says = f"true optimum, {plain(true.iloc[0])} {unit}"
        ax.axvline(true.iloc[0], color=hue.accent, lw=1.4, ls=(0, (4, 2)), zorder=1, label=says)
    (_plans if many else _trials)(ax, result)
    title = f"Expected {result.level:.0%} intervals of the economic optimum"
    label = "" if many else f"simulated trials, {SHOWN} of {result.n} [number]"
    finish(ax, title, f"rate [{unit}]", label, grid="x")


def _trials(ax, result):
    """A line for each of some trials, by their lower end; those that miss the truth stand out."""
    grow(ax, 2.9)
    true = _of(result, "true_optimum").iloc[0]
    trials = result.trials.head(SHOWN).sort_values(["low", "high"], ignore_index=True)
    misses = above(trials["low"], true) | (below(trials["high"], true) & ~trials["high_open"])
    holds = (trials[~misses], hue.curve, 1.1, "holds the true optimum")
    for some, colour, width, says in (holds, (trials[misses], hue.accent, 2.4, "misses it")):
        look = {"color": colour, "lw": width, "label": f"{says}: {len(some)}"}
        spans(ax, some["low"], some["high"], some.index + 1, **look)
    ax.plot(trials["optimum"], trials.index + 1, ".", color=hue.ink, ms=3, label="rate reported")
    ends = trials[trials["high_open"]]
    if len(ends):
        look = {"color": hue.quiet, "ms": 4, "clip_on": False, "label": f"upper end open: {len(ends)}"}
        ax.plot(ends["high"], ends.index + 1, ">", **look)


def _plans(ax, result):
    """A row for each plan: median ends as a bar, and the range of eight in ten of each end."""
    at, ends = rows(ax, result.table["plan"], pitch=0.55), result.trials.groupby("plan", sort=False)
    low, middle, high = (ends[["low", "high"]].quantile(share) for share in (0.1, 0.5, 0.9))
    spans(ax, middle["low"], middle["high"], at, lw=11, label="median interval")
    for end in ("low", "high"):
        look = {"ecolor": hue.curve, "lw": 1.6, "capsize": 4.5, "label": "its ends in 8 of 10 trials"}
        whiskers(ax, low[end], high[end], at, **look)
    for y, width, opened in zip(at, _of(result, "median_width"), result.table["open_pct"], strict=True):
        remark(ax, y, f"width {plain(width)}, open {plain(opened, 2)}%")


def _of(result, name):
    """Column of the plans by its name without the rate unit."""
    return result.table[f"{name}_{result.rate_unit.replace('/', '_')}"]
