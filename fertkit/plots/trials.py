"""Figures of strip trials: strips and means, pairs, split plots, pools, and maps of the field."""

from textwrap import fill

import numpy as np
from matplotlib.colors import LinearSegmentedColormap

from fertkit.plots.forms import groups, remark, rows, shown, whiskers
from fertkit.plots.palette import ANSWER, BESIDE, DASHES, HOLLOW, HUES, LETTER, MARKERS, PAPER, SMALL, hue
from fertkit.plots.style import figure, finish, grow, note, panels_beside
from fertkit.response.prices import money_axis
from fertkit.results import heading, plain, records, show

#: Letters of names that stand side by side below a figure; with more, treatments run down the side.
WIDE = 100
#: Points of a map drawn at most; a longer log is thinned evenly.
DRAWN = 40_000

EXPECTED = {"color": hue.accent, "lw": 2.4, "ls": (0, (2, 1)), "marker": "|", "ms": 9, "mew": 1.6}


@figure()
def strip_means(analysis, ax):
    """Draw treatment means with their intervals and letters over the strips they come from."""
    means, strips, y = analysis.means, analysis.strips, analysis.response
    numeric = all(isinstance(t, float | int | np.number) for t in means["treatment"])
    names = [show(t) for t in means["treatment"]]
    if not numeric and len(names) * max(map(len, names)) > WIDE:
        return _mean_rows(analysis, names, ax)
    place = {t: float(t) if numeric else i for i, t in enumerate(means["treatment"])}
    x = np.array([*place.values()])
    blocks = strips["block"] if "block" in strips else strips[y].map(lambda _: "")
    look = {"aside": 0.16 * np.diff(np.sort(x)).min(), "ms": 4.5, "mfc": "none", "mew": 0.9}
    groups(ax, strips[analysis.treatment].map(place), strips[y], blocks, label="strip", **look)
    look = {"ecolor": hue.accent, "lw": 2.2, "capsize": 5, "zorder": 4}
    says = f"{100 * analysis.level:g}% interval of the mean"
    whiskers(ax, means["low"], means["high"], x, upright=True, label=says, **look)
    ax.plot(x, means["mean"], "D", label="mean", **ANSWER | {"ms": 7, "zorder": 5})
    highest = strips.groupby(analysis.treatment)[y].max().loc[means["treatment"]]
    top = np.fmax(means["high"], highest.to_numpy())
    for at, height, letters in zip(x, top, means["letters"], strict=True):
        note(ax, letters, (at, height), (0, 5), ha="center")
    if means["letters"].str.len().gt(0).all():
        ax.add_artist(shown("same letter: no difference shown", marker="$a$", ms=6, ls="none", color=hue.ink))
    letters = int(0.8 * 72 * ax.figure.get_figwidth() / len(x) / LETTER)
    names = [fill(show(t), max(4, letters), break_long_words=False) for t in place]
    ax.set_xticks(x, names)
    grow(ax, 0.15 * max(name.count("\n") for name in names))
    ax.margins(x=0.08, y=0.14)
    finish(ax, "Treatment means and strips", heading(analysis.treatment), heading(y))


@figure(height=2.3)
def residual_panels(result, ax):
    """Draw residuals against fitted yields, against normal scores, and against leverage; see `Residuals`.

    On axes that are given the first is drawn alone.
    """
    table, unit = result.table, f"[{result.unit}]"
    panels = panels_beside(ax, 3)
    columns = [("fitted", f"fitted yield {unit}"), ("normal_score", "normal score"), ("leverage", "leverage")]
    for panel, (column, label) in zip(panels, columns, strict=False):
        heights = table["residual"] if column == "fitted" else table["standardised"]
        panel.plot(table[column], heights, "o", color=hue.ink, **HOLLOW | {"ms": 4})
        panel.axhline(0, color=hue.quiet, lw=0.8)
        finish(panel, "", label, f"residual {unit}" if column == "fitted" else "standardised residual")
    if len(panels) > 1 and table["normal_score"].notna().any():
        ends = np.nanmin(table["normal_score"]), np.nanmax(table["normal_score"])
        panels[1].plot(ends, ends, color=hue.curve, lw=1.2)
        panels[2].axvline(2 * result.usual_leverage, color=hue.accent, lw=1, ls=(0, (4, 2)))


def _mean_rows(analysis, names, ax):
    """Many treatments: a row each, with mean, interval and letters."""
    means = analysis.means
    at = rows(ax, names, pitch=0.19)
    says = f"{100 * analysis.level:g}% interval of the mean"
    whiskers(ax, means["low"], means["high"], at, label=says, ecolor=hue.accent, lw=1.6)
    ax.plot(means["mean"], at, "D", label="mean", **ANSWER | {"ms": 5, "zorder": 5})
    for y, letters in zip(at, means["letters"], strict=True):
        remark(ax, y, letters)
    if means["letters"].str.len().gt(0).all():
        ax.add_artist(shown("same letter: no difference shown", marker="$a$", ms=6, ls="none", color=hue.ink))
    return finish(ax, "Treatment means", heading(analysis.response))


@figure(height=1.4)
def return_over_check(worth, ax):
    """Draw the net return over the check of each treatment whose cost is known, with its interval."""
    table = worth.table.dropna(subset=["net"])
    area = heading(worth.response).rpartition("/")[2].rstrip("]")
    _over_check(ax, table, ("net", "net_low", "net_high"), worth.level)
    finish(
        ax,
        "Net return over the check",
        money_axis(f"net return over {show(worth.check)}", worth.currency, area),
        grid="x",
    )


@figure(height=1.4)
def margin_held(test, ax):
    """Draw each difference from the check, with its interval, against the loss that would not matter."""
    _over_check(ax, test.table, ("difference", "low", "high"), 2 * test.level - 1)
    unit = heading(test.response).partition("[")[2].rstrip("]")
    for end in (-test.margin, test.margin):
        says = f"{plain(test.margin)} {unit} either way" if end > 0 else None
        ax.axvline(end, color=hue.ink, lw=1, ls=(0, (4, 2)), zorder=1, label=says)
    finish(ax, "Differences from the check", f"more than at {show(test.check)} [{unit}]", grid="x")


def _over_check(ax, table, columns, level):
    """A row each: what a treatment is ahead of the check by, and its interval; the check is the line at 0."""
    middle, low, high = (table[name].to_numpy(float) for name in columns)
    at = rows(ax, [show(name) for name in table["treatment"]])
    whiskers(ax, low, high, at, label=f"{100 * level:g}% interval", ecolor=hue.accent, lw=1.6)
    ax.plot(middle, at, "D", label="estimate", **ANSWER | {"ms": 5, "zorder": 5})
    ax.axvline(0, color=hue.ink, lw=1, zorder=1)


@figure()
def trial_strips(trial, ax):
    """Draw harvested strips over the rate, a marker a trial or block."""
    table = trial.table
    rate = next((c for c in table if c.startswith("rate_")), "treatment")
    response = next(c for c in table if c.startswith("yield_"))
    by = "trial" if table["trial"].nunique() > 1 or "block" not in table else "block"
    look = {"hues": HUES, "mfc": "none", "mew": 1.3, "ms": 5.5}
    groups(ax, table[rate], table[response], table[by], named=by if table[by].nunique() <= 8 else "", **look)
    finish(ax, "Harvested strips", heading(rate), heading(response))


@figure(width=4.6)
def pair_lines(analysis, ax):
    """Draw each pair as a line between its two strips, the mean pair bold."""
    pairs = analysis.pairs[[analysis.first, analysis.second]].to_numpy(float)
    for one, other in pairs:
        dash, says = ("solid", "pair with a gain") if other >= one else ((0, (4, 2)), "pair with a loss")
        ax.plot([0, 1], [one, other], marker="o", ms=4, color=hue.quiet, lw=0.9, ls=dash, label=says)
    interval = f"{100 * analysis.level:g}%: {plain(analysis.low)} to {plain(analysis.high)}"
    says = f"mean; difference {plain(analysis.difference)} ({interval})"
    ax.plot([0, 1], pairs.mean(axis=0), "D-", ms=8, color=hue.accent, lw=2.6, mec="white", label=says)
    ax.set_xticks([0, 1], [show(analysis.first), show(analysis.second)])
    ax.margins(x=0.25, y=0.12)
    finish(ax, "Pairs of strips", ylabel=heading(analysis.response))


@figure()
def factor_lines(analysis, ax):
    """Draw the means of two factors, a line for each level of the first."""
    whole, part = analysis.names[analysis.whole], analysis.names[analysis.part]
    for i, (name, means) in enumerate(analysis.means.groupby(analysis.whole, observed=True)):
        mark, dash, colour = (of[i % len(of)] for of in (MARKERS, DASHES, HUES))
        look = {"marker": mark, "ls": dash, "color": colour, "label": f"{whole} {show(name)}"}
        x = means[analysis.part]
        ax.plot(x if x.dtype.kind in "if" else x.astype(str), means["mean"], ms=6, **look)
    (left, right), top = ax.get_xlim(), ax.get_ylim()[1]
    says = f"least significant difference of two {part} means at one {whole}"
    place = [top - analysis.errors["lsd"].iloc[2]], [top], [left + 0.02 * (right - left)]
    whiskers(ax, *place, upright=True, capsize=4, label=says)
    finish(ax, f"{analysis.layout.capitalize()} means", part, heading(analysis.response))


@figure(height=1.1)
def forest(pooled, ax):
    """Draw the sites with their intervals, the pooled estimate and the span expected of a new site.

    Notes
    -----
    Marks grow with the weight. A site whose interval runs out of the frame gets an arrow; one without a
    standard error is hollow.
    """
    sites, frame, n = pooled.sites, _frame(pooled), len(pooled.sites)
    names = [*sites["site"].astype(str), "pooled", f"a new {pooled.counts}"]
    rows(ax, names, pitch=0.24, at=[*range(n), n + 0.6, n + 1.6])
    for y, site in enumerate(records(sites)):
        _forest_row(ax, y, site, *frame)
    says = f"pooled, with its {100 * pooled.level:g}% interval"
    diamond = [pooled.low, pooled.estimate, pooled.high, pooled.estimate]
    ax.fill(diamond, n + 0.6 + np.array([0, -0.35, 0, 0.35]), color=hue.accent, zorder=4, label=says)
    ends = [pooled.prediction_low, pooled.prediction_high]
    ax.plot(ends, [n + 1.6] * 2, label=f"expected for a new {pooled.counts}", **EXPECTED)
    ax.axvline(pooled.estimate, color=hue.accent, lw=0.8, ls=(0, (4, 2)), zorder=1)
    ax.axhline(n - 0.2, color=hue.grid, lw=1)
    ax.set_xlim(*frame)
    ax.tick_params(axis="y", length=0)
    unit = f" [{pooled.unit}]" if pooled.unit else ""
    label = f"{pooled.quantity}{unit}" if pooled.quantity else pooled.unit or "estimate"
    finish(ax, f"{pooled.k} {pooled.counts}s pooled", label, grid="x")


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
        says = "site (size shows weight)" if weighted else "site without weight"
        ax.plot([site.estimate], [y], "s", mfc=colour if weighted else "white", label=says, **look)
    else:
        far = f"{plain(site.estimate)}, outside the frame" if np.isfinite(site.estimate) else "no estimate"
        told = f"{told}: {far}" if told else far
    if told:  # on the side of the frame where the mark is not
        side, *place = ("left", 0, 10) if inside and site.estimate > (low + high) / 2 else ("right", 1, -10)
        look = {"ha": side, "va": "center", "color": hue.warn, "bbox": PAPER, "zorder": 5}
        note(ax, told, (place[0], y), (place[1], 0), BESIDE, **look)


_REASONS = ((hue.accent, "o"), (hue.warn, "^"), (hue.curve, "s"), ("#b4500f", "v"), (hue.light, "D"))
_REASONS += ((hue.ink, "x"), (hue.warn, "+"), (hue.curve, "1"), (hue.quiet, "*"), (hue.accent, "P"))
#: Strips that are numbered on a map at most.
MOST_NUMBERED = 60
#: Light for little, dark for much, in grey as well.
_RAMP = LinearSegmentedColormap.from_list("yield", ["#f5d9b8", hue.band, hue.light, hue.curve])


@figure(height=4.6)
def cleaning_map(cleaned, ax):
    """Draw the harvest points kept, and those removed with a marker for the step that removed them."""
    points, steps = thinned(cleaned.points), cleaned.steps
    kept, look = points[points["removed_by"] == ""], {"color": hue.band, "rasterized": True}
    ax.plot(kept["x_m"], kept["y_m"], ".", ms=2, label=f"kept ({steps['kept'].iloc[-1]:,})", **look)
    for step, (colour, mark) in zip(records(steps[steps["removed"] > 0]), _REASONS, strict=False):
        here = points[points["removed_by"] == step.step]
        look = {"ms": 3.6, "color": colour, "mfc": "none", "mew": 0.9, "rasterized": True}
        ax.plot(here["x_m"], here["y_m"], mark, ls="none", label=f"{step.step} ({step.removed:,})", **look)
    map_axes(ax, "Points removed by cleaning")


@figure(height=4.8)
def joined_map(joined, ax):
    """Draw the points that made strips, darker for a higher rate, each strip with its number; others grey."""
    table = joined.points
    shown, look = thinned(table), {"ls": "none", "marker": ".", "rasterized": True}
    rest = shown[shown["strip"] < 0]
    left = int((table["strip"] < 0).sum())
    faint = {"ms": 1.5, "color": hue.quiet, "alpha": 0.3, "label": f"left out ({left:,})"}
    ax.plot(rest["x_m"], rest["y_m"], **faint, **look)
    depth = np.linspace(0.0, 1.0, len(joined.levels))
    for number, name in enumerate(joined.levels):
        here = shown[shown["level"] == number]
        colour = _RAMP(depth[number])
        ax.plot(here["x_m"], here["y_m"], ms=3, color=colour, label=show(name), **look)
    middle = table[table["strip"] >= 0].groupby("strip")[["x_m", "y_m"]].median()
    if len(middle) <= MOST_NUMBERED:
        word = {"ha": "center", "va": "center", "fontsize": SMALL, "color": hue.ink}
        box = {"boxstyle": "round,pad=0.1", "fc": "white", "ec": "none", "alpha": 0.8}
        names = joined.strips["strip"].astype(str)
        for (x, y), name in zip(_clear(ax, shown, middle.to_numpy(), names), names, strict=True):
            ax.text(x, y, name, bbox=box, **word)
    map_axes(ax, f"Strips made of {int((table['strip'] >= 0).sum()):,} points")


@figure(height=4.8)
def yield_map(points, ax):
    """Draw the yields of a log where they were cut, darker for more."""
    table, column = thinned(points.points), points.yield_column
    low, high = table[column].quantile([0.02, 0.98])
    look = {"s": 4, "cmap": _RAMP, "vmin": low, "vmax": high, "rasterized": True}
    marks = ax.scatter(table["x_m"], table["y_m"], c=table[column], **look)
    bar = ax.figure.colorbar(marks, ax=ax, shrink=0.7, extend="both")
    bar.set_label(heading(column), fontsize=SMALL)
    bar.ax.tick_params(labelsize=SMALL)
    map_axes(ax, f"Harvest points: {len(points.points):,}")


# ---- forms of these figures


def map_axes(ax, title: str) -> None:
    """Make axes of a field, north up."""
    ax.set_aspect("equal", adjustable="datalim")
    finish(ax, title, "east [m]", "north [m]", grid=None)


def _clear(ax, points, places, names):
    """Move names of a map away from each other, along the field or across it, where they would overlap."""
    size = 72 * 0.8 * ax.figure.get_size_inches()
    metre = np.min(size / np.maximum([np.ptp(points["x_m"]), np.ptp(points["y_m"])], 1e-9))  # [pt]
    steps = sorted(np.ndindex(15, 15), key=lambda step: np.hypot(step[0] - 7, step[1] - 7))
    steps, taken = np.array(steps) - 7, []
    for place, name in zip(places, names, strict=True):
        box = np.array([LETTER * len(name) + 6, 15]) / metre
        tried = place + steps * box * [0.5, 1]
        free = (
            at for at in tried if all((abs(at - other) >= (box + wide) / 2).any() for other, wide in taken)
        )
        taken.append((next(free, place), box))
    return [at for at, _ in taken]


def thinned(points):
    """Give the points of a log that are drawn."""
    return points.iloc[:: max(1, len(points) // DRAWN)]
