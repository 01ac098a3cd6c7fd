"""Figures of analysed and pooled strip trials: strips and means, pairs, split plots, power, forest."""

import numpy as np

from fertkit.plots.style import COLOURS, SMALL, finish, legend, new_axes
from fertkit.results import plain
from fertkit.trials.arrange import show, spoken

#: Markers that tell blocks and lines apart without colour.
MARKERS = "osD^vPX<>*"
#: Dashes that tell lines apart without colour.
DASHES = ["solid", (0, (6, 2)), (0, (1, 1.6)), (0, (6, 2, 1, 2)), (0, (3, 1.4))]


def strip_means(analysis, ax=None):
    """Draw treatment means with their intervals and letters over the strips they come from.

    Parameters
    ----------
    analysis : StripAnalysis
    ax : Axes, optional
    """
    ax = new_axes() if ax is None else ax
    means = analysis.means
    numeric = all(isinstance(t, float | int | np.number) for t in means["treatment"])
    place = {t: float(t) if numeric else i for i, t in enumerate(means["treatment"])}
    x = np.array([place[t] for t in means["treatment"]])
    gap = np.diff(np.sort(x)).min()
    _strip_marks(ax, analysis, place, gap)
    _mean_marks(ax, analysis, x)
    ax.set_xticks(x, [show(t) for t in means["treatment"]])
    ax.margins(x=0.08, y=0.14)
    finish(
        ax,
        title="Strips and treatment means",
        xlabel=spoken(analysis.treatment),
        ylabel=spoken(analysis.response),
    )
    legend(ax, loc="lower right", ncols=2)
    if means["letters"].str.len().gt(0).all():
        remark(ax, "means that share a letter cannot be told apart")
    return ax


def _mean_marks(ax, analysis, x):
    """Means with their intervals, and the letters above."""
    means, strips = analysis.means, analysis.strips
    half = (means["high"] - means["low"]) / 2
    label = f"mean and {100 * analysis.level:g} % interval" if half.notna().all() else "mean"
    ax.errorbar(
        x,
        means["mean"],
        yerr=half.fillna(0),
        fmt="D",
        ms=7,
        mfc=COLOURS["accent"],
        mec="white",
        ecolor=COLOURS["accent"],
        elinewidth=2.2,
        capsize=5,
        zorder=4,
        label=label,
    )
    highest = strips.groupby(analysis.treatment)[analysis.response].max().loc[means["treatment"]]
    top = np.fmax(means["high"], highest.to_numpy())
    for at, height, letters in zip(x, top, means["letters"], strict=True):
        ax.annotate(
            letters,
            (at, height),
            xytext=(0, 5),
            textcoords="offset points",
            ha="center",
            fontsize=SMALL,
            color=COLOURS["ink"],
        )


def remark(ax, text: str, *, below: bool = False):
    """Write a quiet line right above an axes, or inside its top left corner."""
    ax.annotate(
        text,
        (0, 1) if below else (1, 1),
        xycoords="axes fraction",
        xytext=(4, -4) if below else (0, 6),
        textcoords="offset points",
        ha="left" if below else "right",
        va="top" if below else "bottom",
        fontsize=SMALL,
        color=COLOURS["quiet"],
    )


def _strip_marks(ax, analysis, place, gap):
    """Strips as small marks, each block with its own marker and a little aside."""
    strips = analysis.strips
    groups = list(strips.groupby("block")) if "block" in strips else [("", strips)]
    aside = np.linspace(-0.16, 0.16, len(groups)) * gap if len(groups) > 1 else [0.0]
    for i, ((name, rows), shift) in enumerate(zip(groups, aside, strict=True)):
        ax.plot(
            [place[t] + shift for t in rows[analysis.treatment]],
            rows[analysis.response],
            MARKERS[i % len(MARKERS)],
            ms=4.5,
            mfc="none",
            mec=COLOURS["quiet"],
            mew=0.9,
            ls="none",
            zorder=3,
            label=("strips, a marker a block" if name != "" else "strips") if i == 0 else None,
        )


def trial_strips(trial, ax=None):
    """Draw harvested strips over the rate, a marker a trial or block.

    Parameters
    ----------
    trial : StripTrial or StripMeans
    ax : Axes, optional
    """
    ax = new_axes() if ax is None else ax
    table = trial.table
    rate = next((c for c in table if c.startswith("rate_")), "treatment")
    response = next(c for c in table if c.startswith("yield_"))
    many = table["trial"].nunique() > 1
    by = "trial" if many or "block" not in table else "block"
    groups = list(table.groupby(by, sort=False))
    tones = [COLOURS["curve"], COLOURS["accent"], COLOURS["quiet"], COLOURS["warn"]]
    for i, (name, rows) in enumerate(groups):
        ax.plot(
            rows[rate],
            rows[response],
            MARKERS[i % len(MARKERS)],
            ms=5.5,
            mfc="none",
            mew=1.3,
            ls="none",
            mec=tones[i % len(tones)],
            label=f"{by} {name}" if len(groups) <= 8 else None,
        )
    finish(ax, title="Harvested strips", xlabel=spoken(rate), ylabel=spoken(response))
    legend(ax, loc="lower right", ncols=2 if len(groups) > 4 else 1)
    return ax


def pair_lines(analysis, ax=None):
    """Draw each pair as a line between its two strips, the mean pair bold.

    Parameters
    ----------
    analysis : PairedAnalysis
    ax : Axes, optional
    """
    ax = new_axes(width=4.6) if ax is None else ax
    pairs = analysis.pairs[[analysis.first, analysis.second]].to_numpy(float)
    for one, other in pairs:
        ax.plot(
            [0, 1],
            [one, other],
            marker="o",
            ms=4,
            color=COLOURS["quiet"],
            lw=0.9,
            ls="solid" if other >= one else (0, (4, 2)),
        )
    ax.plot(
        [0, 1], pairs.mean(axis=0), "D-", ms=8, color=COLOURS["accent"], lw=2.6, mec="white", label="mean"
    )
    ax.set_xticks([0, 1], [show(analysis.first), show(analysis.second)])
    ax.margins(x=0.25, y=0.12)
    finish(ax, title="Pairs of strips", ylabel=spoken(analysis.response))
    text = (
        f"{plain(analysis.difference)} "
        f"({100 * analysis.level:g} %: {plain(analysis.low)} to {plain(analysis.high)})"
    )
    remark(ax, f"difference {text}; a dashed pair falls", below=True)
    return ax


def split_plot_lines(analysis, ax=None):
    """Draw the means of a split plot, a line for each treatment of the whole strips.

    Parameters
    ----------
    analysis : SplitPlotAnalysis
    ax : Axes, optional
    """
    ax = new_axes() if ax is None else ax
    tones = [COLOURS["curve"], COLOURS["accent"], COLOURS["quiet"], COLOURS["warn"]]
    for i, (name, rows) in enumerate(analysis.means.groupby(analysis.whole, observed=True)):
        ax.plot(
            rows[analysis.part],
            rows["mean"],
            MARKERS[i % len(MARKERS)],
            ls=DASHES[i % len(DASHES)],
            ms=6,
            color=tones[i % len(tones)],
            label=show(name),
        )
    finish(ax, title="Split plot means", xlabel=spoken(analysis.part), ylabel=spoken(analysis.response))
    legend(ax, title=analysis.whole, loc="lower right")
    bar = analysis.errors["lsd"].iloc[2]
    right, top = ax.get_xlim()[0] + 0.02 * np.ptp(ax.get_xlim()), ax.get_ylim()[1]
    ax.errorbar([right], [top - bar / 2], yerr=[bar / 2], color=COLOURS["ink"], capsize=4, lw=1.4)
    remark(ax, f"bar: least significant difference of two {analysis.part} at one {analysis.whole}")
    return ax


def power_curve(plan, ax=None):
    """Draw the chance of finding the difference against the number of blocks.

    Parameters
    ----------
    plan : PowerPlan
    ax : Axes, optional
    """
    ax = new_axes(width=4.6) if ax is None else ax
    sizes = plan.sizes
    ax.plot(sizes["blocks"], 100 * sizes["power"], "o-", color=COLOURS["curve"], ms=5)
    ax.axhline(100 * plan.power, color=COLOURS["quiet"], lw=1, ls=(0, (4, 2)))
    chosen = sizes.set_index("blocks").loc[plan.blocks, "power"]
    ax.plot([plan.blocks], [100 * chosen], "D", ms=9, color=COLOURS["accent"], mec="white", zorder=4)
    ax.annotate(
        f"{plan.blocks} blocks",
        (plan.blocks, 100 * chosen),
        xytext=(8, -14),
        textcoords="offset points",
        fontsize=SMALL,
        color=COLOURS["accent"],
    )
    ax.xaxis.get_major_locator().set_params(integer=True)
    ax.set_ylim(0, 103)
    title = f"Chance of finding {plain(plan.difference_pct)} % at a CV of {plan.cv_pct:g} %"
    return finish(ax, title=title, xlabel="blocks", ylabel="power [%]")


def forest(pooled, ax=None):
    """Draw the sites with their intervals, the pooled estimate and the span expected of a new site.

    Parameters
    ----------
    pooled : PooledEstimate
    ax : Axes, optional

    Notes
    -----
    Marks grow with the weight. A site whose interval runs out of the frame gets an arrow; one without a
    standard error is hollow.
    """
    sites = pooled.sites
    n = len(sites)
    ax = new_axes(height=1.5 + 0.24 * (n + 2)) if ax is None else ax
    frame = _frame(pooled)
    for row, site in enumerate(sites.itertuples()):
        _forest_row(ax, n + 1 - row, site, frame)
    ax.fill(
        [pooled.low, pooled.estimate, pooled.high, pooled.estimate],
        [0.5, 0.85, 0.5, 0.15],
        color=COLOURS["accent"],
        zorder=4,
    )
    ax.plot(
        [pooled.prediction_low, pooled.prediction_high],
        [-0.5, -0.5],
        color=COLOURS["accent"],
        lw=2.4,
        ls=(0, (2, 1)),
        marker="|",
        ms=9,
        mew=1.6,
    )
    ax.axvline(pooled.estimate, color=COLOURS["accent"], lw=0.8, ls=(0, (4, 2)), zorder=1)
    ax.axhline(1.3, color=COLOURS["grid"], lw=1)
    names = [str(s) for s in sites["site"]] + ["pooled", "a new site-year"]
    ax.set_yticks([*range(n + 1, 1, -1), 0.5, -0.5], names)
    ax.set_xlim(*frame)
    ax.set_ylim(-1.1, n + 1.7)
    unit = f" [{pooled.unit}]" if pooled.unit else ""
    label = f"{pooled.quantity}{unit}" if pooled.quantity else pooled.unit or "estimate"
    finish(ax, title=f"{pooled.k} site-years pooled", xlabel=label, grid="x")
    ax.tick_params(axis="y", length=0)
    return ax


def _frame(pooled) -> tuple[float, float]:
    """Limits of the x axis: sites that carry weight, the pooled value and the one predicted."""
    sites = pooled.sites[pooled.sites["weight_pct"] > 1]
    ends = [*sites["low"], *sites["high"], pooled.prediction_low, pooled.prediction_high]
    ends += list(
        pooled.sites.loc[pooled.sites["weight_pct"] == 0, "estimate"].dropna().clip(min(ends), max(ends))
    )
    margin = 0.05 * (max(ends) - min(ends))
    return min(ends) - margin, max(ends) + margin


def _forest_row(ax, height, site, frame):
    low, high = frame
    inside = low <= site.estimate <= high
    colour = COLOURS["curve"] if site.weight_pct > 0 else COLOURS["quiet"]
    if np.isfinite(site.low):
        ends = np.clip([site.low, site.high], low, high)
        ax.plot(ends, [height, height], color=colour, lw=1.3, solid_capstyle="butt")
        for end, cut, mark in ((low, site.low < low, "<"), (high, site.high > high, ">")):
            if cut:
                ax.plot([end], [height], marker=mark, ms=7, color=colour, clip_on=False)
    if inside:
        size = 3.5 + 1.6 * np.sqrt(site.weight_pct)
        fill = colour if site.weight_pct > 0 else "white"
        ax.plot([site.estimate], [height], "s", ms=size, mfc=fill, mec=colour, zorder=3)
    said = site.note
    if not inside:
        far = f"{plain(site.estimate)}, outside the frame" if np.isfinite(site.estimate) else "no estimate"
        said = f"{said}: {far}" if said else far
    if said:
        # On the side of the frame where the mark is not.
        left = inside and site.estimate > (low + high) / 2
        ax.annotate(
            said,
            (0 if left else 1, height),
            xycoords=("axes fraction", "data"),
            xytext=(10 if left else -10, 0),
            textcoords="offset points",
            ha="left" if left else "right",
            va="center",
            fontsize=SMALL,
            color=COLOURS["warn"],
            bbox={"fc": "white", "ec": "none", "pad": 1},
            zorder=5,
        )


def site_effects(pooled, ax=None):
    """Draw how far each site lies from the mean of a one-stage model.

    Parameters
    ----------
    pooled : OneStage
    ax : Axes, optional
    """
    sites = pooled.sites.sort_values("effect")
    ax = new_axes(height=1.3 + 0.22 * len(sites)) if ax is None else ax
    ax.hlines(range(len(sites)), 0, sites["effect"], color=COLOURS["band"], lw=2)
    ax.plot(sites["effect"], range(len(sites)), "o", color=COLOURS["curve"], ms=6)
    ax.axvline(0, color=COLOURS["ink"], lw=1)
    ax.set_yticks(range(len(sites)), [show(s) for s in sites["site"]])
    finish(
        ax,
        title=f"How far {pooled.random} of a site lies from the mean",
        xlabel=f"deviation of {spoken(pooled.response) if pooled.response else 'the response'}",
        grid="x",
    )
    return ax
