"""Figure of what planned rate trials will tell of the optimum: trial by trial, or plans side by side."""

from fertkit.plots.forms import remark, rows, spans, whiskers
from fertkit.plots.palette import ANSWER, hue
from fertkit.plots.style import figure, finish, grow
from fertkit.results import plain
from fertkit.rounding import above, below

SHOWN = 100  # simulated trials drawn of one plan


@figure(height=1.0)
def expected_intervals(result, ax):
    """Draw the intervals that simulated trials give beside the true optimum; see `ExpectedInterval`."""
    many, unit = len(result.plans) > 1, result.rate_unit
    true = _of(result, "true_optimum")
    if many and true.nunique() > 1:
        ax.plot(true, range(len(true)), "D", zorder=5, label="true optimum", **ANSWER | {"ms": 6})
    else:
        says = f"true optimum, {plain(true.iloc[0])} {unit}"
        ax.axvline(true.iloc[0], color=hue.accent, lw=1.4, ls=(0, (4, 2)), zorder=1, label=says)
    (_plans if many else _trials)(ax, result)
    title = f"{result.level:.0%} intervals of the economic optimum to expect"
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
    at, ends = rows(ax, result.plans["plan"], pitch=0.55), result.trials.groupby("plan", sort=False)
    low, middle, high = (ends[["low", "high"]].quantile(share) for share in (0.1, 0.5, 0.9))
    spans(ax, middle["low"], middle["high"], at, lw=11, label="interval of the middle trial")
    for end in ("low", "high"):
        look = {"ecolor": hue.curve, "lw": 1.6, "capsize": 4.5, "label": "its ends in 8 of 10 trials"}
        whiskers(ax, low[end], high[end], at, **look)
    for y, width, opened in zip(at, _of(result, "median_width"), result.plans["open_pct"], strict=True):
        remark(ax, y, f"width {plain(width)}, open {plain(opened, 2)} %")


def _of(result, name):
    """Column of the plans by its name without the rate unit."""
    return result.plans[f"{name}_{result.rate_unit.replace('/', '_')}"]
