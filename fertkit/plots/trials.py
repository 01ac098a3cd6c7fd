"""Figures of analysed and pooled strip trials: strips and means, pairs, split plots, power, forest."""

import numpy as np

from fertkit.plots.forms import groups, rows, shown, whiskers
from fertkit.plots.palette import ANSWER, BESIDE, DASHES, HUES, MARKERS, PAPER, hue
from fertkit.plots.style import figure, finish, note
from fertkit.results import plain
from fertkit.trials.table import show, spoken

EXPECTED = {"color": hue.accent, "lw": 2.4, "ls": (0, (2, 1)), "marker": "|", "ms": 9, "mew": 1.6}


@figure()
def strip_means(analysis, ax):
    """Draw treatment means with their intervals and letters over the strips they come from."""
    means, strips, y = analysis.means, analysis.strips, analysis.response
    numeric = all(isinstance(t, float | int | np.number) for t in means["treatment"])
    place = {t: float(t) if numeric else i for i, t in enumerate(means["treatment"])}
    x = np.array([*place.values()])
    blocks = strips["block"] if "block" in strips else strips[y].map(lambda _: "")
    look = {"aside": 0.16 * np.diff(np.sort(x)).min(), "ms": 4.5, "mfc": "none", "mew": 0.9}
    groups(ax, strips[analysis.treatment].map(place), strips[y], blocks, label="strip", **look)
    look = {"ecolor": hue.accent, "lw": 2.2, "capsize": 5, "zorder": 4}
    says = f"{100 * analysis.level:g} % interval of the mean"
    whiskers(ax, means["low"], means["high"], x, upright=True, label=says, **look)
    ax.plot(x, means["mean"], "D", label="mean", **ANSWER | {"ms": 7, "zorder": 5})
    highest = strips.groupby(analysis.treatment)[y].max().loc[means["treatment"]]
    top = np.fmax(means["high"], highest.to_numpy())
    for at, height, letters in zip(x, top, means["letters"], strict=True):
        note(ax, letters, (at, height), (0, 5), ha="center")
    if means["letters"].str.len().gt(0).all():
        ax.add_artist(shown("same letter: cannot be told apart", ls="none"))
    ax.set_xticks(x, [show(t) for t in place])
    ax.margins(x=0.08, y=0.14)
    finish(ax, "Strips and treatment means", spoken(analysis.treatment), spoken(y))


@figure()
def trial_strips(trial, ax):
    """Draw harvested strips over the rate, a marker a trial or block."""
    table = trial.table
    rate = next((c for c in table if c.startswith("rate_")), "treatment")
    response = next(c for c in table if c.startswith("yield_"))
    by = "trial" if table["trial"].nunique() > 1 or "block" not in table else "block"
    look = {"hues": HUES, "mfc": "none", "mew": 1.3, "ms": 5.5}
    groups(ax, table[rate], table[response], table[by], named=by if table[by].nunique() <= 8 else "", **look)
    finish(ax, "Harvested strips", spoken(rate), spoken(response))


@figure(width=4.6)
def pair_lines(analysis, ax):
    """Draw each pair as a line between its two strips, the mean pair bold."""
    pairs = analysis.pairs[[analysis.first, analysis.second]].to_numpy(float)
    for one, other in pairs:
        dash, says = ("solid", "pair that rises") if other >= one else ((0, (4, 2)), "pair that falls")
        ax.plot([0, 1], [one, other], marker="o", ms=4, color=hue.quiet, lw=0.9, ls=dash, label=says)
    interval = f"{100 * analysis.level:g} %: {plain(analysis.low)} to {plain(analysis.high)}"
    says = f"mean; difference {plain(analysis.difference)} ({interval})"
    ax.plot([0, 1], pairs.mean(axis=0), "D-", ms=8, color=hue.accent, lw=2.6, mec="white", label=says)
    ax.set_xticks([0, 1], [show(analysis.first), show(analysis.second)])
    ax.margins(x=0.25, y=0.12)
    finish(ax, "Pairs of strips", ylabel=spoken(analysis.response))


@figure()
def split_plot_lines(analysis, ax):
    """Draw the means of a split plot, a line for each treatment of the whole strips."""
    for i, (name, part) in enumerate(analysis.means.groupby(analysis.whole, observed=True)):
        mark, dash, colour = (of[i % len(of)] for of in (MARKERS, DASHES, HUES))
        look = {"marker": mark, "ls": dash, "color": colour, "label": f"{analysis.whole} {show(name)}"}
        ax.plot(part[analysis.part], part["mean"], ms=6, **look)
    (left, right), top = ax.get_xlim(), ax.get_ylim()[1]
    says = f"least significant difference of two {analysis.part} at one {analysis.whole}"
    place = [top - analysis.errors["lsd"].iloc[2]], [top], [left + 0.02 * (right - left)]
    whiskers(ax, *place, upright=True, capsize=4, label=says)
    finish(ax, "Split plot means", spoken(analysis.part), spoken(analysis.response))


@figure(width=4.6, height=2.8)
def power_curve(plan, ax):
    """Draw the chance of finding the difference against the number of blocks."""
    blocks, power, wanted = plan.sizes["blocks"], 100 * plan.sizes["power"], 100 * plan.power
    chosen = power[blocks == plan.blocks].iloc[0]
    ax.plot(blocks, power, "o-", color=hue.curve, ms=5, label="power")
    ax.axhline(wanted, color=hue.quiet, lw=1, ls=(0, (4, 2)), label=f"asked for, {wanted:g} %")
    ax.plot([plan.blocks], [chosen], "D", zorder=4, **ANSWER)
    note(ax, f"{plan.blocks} blocks", (plan.blocks, chosen), (8, -14))
    ax.xaxis.get_major_locator().set_params(integer=True)
    ax.set_ylim(0, 103)
    title = f"Chance of finding {plain(plan.difference_pct)} % at a CV of {plan.cv_pct:g} %"
    finish(ax, title, "blocks", "power [%]")


@figure(height=1.1)
def forest(pooled, ax):
    """Draw the sites with their intervals, the pooled estimate and the span expected of a new site.

    Notes
    -----
    Marks grow with the weight. A site whose interval runs out of the frame gets an arrow; one without a
    standard error is hollow.
    """
    sites, frame, n = pooled.sites, _frame(pooled), len(pooled.sites)
    names = [*sites["site"].astype(str), "pooled", "a new site-year"]
    rows(ax, names, pitch=0.24, at=[*range(n), n + 0.6, n + 1.6])
    for y, site in enumerate(sites.itertuples()):
        _forest_row(ax, y, site, *frame)
    says = f"pooled, with its {100 * pooled.level:g} % interval"
    diamond = [pooled.low, pooled.estimate, pooled.high, pooled.estimate]
    ax.fill(diamond, n + 0.6 + np.array([0, -0.35, 0, 0.35]), color=hue.accent, zorder=4, label=says)
    ends = [pooled.prediction_low, pooled.prediction_high]
    ax.plot(ends, [n + 1.6] * 2, label="expected of a new one", **EXPECTED)
    ax.axvline(pooled.estimate, color=hue.accent, lw=0.8, ls=(0, (4, 2)), zorder=1)
    ax.axhline(n - 0.2, color=hue.grid, lw=1)
    ax.set_xlim(*frame)
    ax.tick_params(axis="y", length=0)
    unit = f" [{pooled.unit}]" if pooled.unit else ""
    label = f"{pooled.quantity}{unit}" if pooled.quantity else pooled.unit or "estimate"
    finish(ax, f"{pooled.k} site-years pooled", label, grid="x")


def _frame(pooled) -> tuple[float, float]:
    """Limits of the x axis: sites that carry weight, the pooled value and the one predicted."""
    sites = pooled.sites[pooled.sites["weight_pct"] > 1]
    ends = [*sites["low"], *sites["high"], pooled.prediction_low, pooled.prediction_high]
    unweighted = pooled.sites.loc[pooled.sites["weight_pct"] == 0, "estimate"].dropna()
    ends += list(unweighted.clip(min(ends), max(ends)))
    margin = 0.05 * (max(ends) - min(ends))
    return min(ends) - margin, max(ends) + margin


def _forest_row(ax, y, site, low, high):
    """One site: its interval cut to the frame, its estimate as large as its weight, what is said of it."""
    inside, weighted = low <= site.estimate <= high, site.weight_pct > 0
    colour = hue.curve if weighted else hue.quiet
    if np.isfinite(site.low):
        ax.plot(np.clip([site.low, site.high], low, high), [y, y], color=colour, lw=1.3)
        for end, cut, mark in ((low, site.low < low, "<"), (high, site.high > high, ">")):
            ax.plot([end] * cut, [y] * cut, mark, ms=7, color=colour, clip_on=False)
    told = site.note
    if inside:
        look = {"ms": 3.5 + 1.6 * np.sqrt(site.weight_pct), "mec": colour, "zorder": 3}
        says = "site, larger with its weight" if weighted else "site without a weight"
        ax.plot([site.estimate], [y], "s", mfc=colour if weighted else "white", label=says, **look)
    else:
        far = f"{plain(site.estimate)}, outside the frame" if np.isfinite(site.estimate) else "no estimate"
        told = f"{told}: {far}" if told else far
    if told:  # on the side of the frame where the mark is not
        side, *place = ("left", 0, 10) if inside and site.estimate > (low + high) / 2 else ("right", 1, -10)
        look = {"ha": side, "va": "center", "color": hue.warn, "bbox": PAPER, "zorder": 5}
        note(ax, told, (place[0], y), (place[1], 0), BESIDE, **look)


@figure(height=0.8)
def site_effects(pooled, ax):
    """Draw how far each site lies from the mean of a one-stage model."""
    sites = pooled.sites.sort_values("effect", ascending=False)
    at = rows(ax, [show(s) for s in sites["site"]], pitch=0.22)
    ax.hlines(at, 0, sites["effect"], color=hue.band, lw=2)
    ax.plot(sites["effect"], at, "o", color=hue.curve, ms=6)
    ax.axvline(0, color=hue.ink, lw=1)
    label = f"deviation of {spoken(pooled.response) if pooled.response else 'the response'}"
    finish(ax, f"How far {pooled.random} of a site lies from the mean", label, grid="x")
