"""Figures of yield against rate: one curve, a whole analysis with its money below, curves side by side."""

import numpy as np

from fertkit.plots.returns import BOUNDS, STATUS_MARKERS, net_return_marks, rate_label
from fertkit.plots.style import (
    COLOURS,
    CURVE_LINES,
    PAGE,
    SMALL,
    entitle,
    finish,
    interval_mark,
    legend,
    new_axes,
    redrawn,
)
from fertkit.response.net_return import net_return_of
from fertkit.response.prices import area_of
from fertkit.response.verdict import NONE
from fertkit.results import plain

POINTS = 301  # rates at which a curve is drawn
SHOWN = 0.05  # curves of less weight than this are left out of an analysis' figure
BLOCK_MARKERS = "os^Dv<>pPX"


def response_fit(fit, ax=None, *, title: str | None = None):
    """Draw one fitted curve through its plots or strips, and its join; see `ResponseFit`."""
    ax = new_axes() if ax is None else ax
    table = fit.data.table
    _strips(ax, table["rate"], table["yield"], table["block"])
    rates = np.linspace(fit.lowest_rate, fit.highest_rate, POINTS)
    ax.plot(rates, fit.predict(rates), color=COLOURS["curve"], lw=2, label=fit.curve.label)
    if fit.join_set is not None:
        join = fit.join_set.within(fit.lowest_rate, fit.highest_rate)
        point = join.low == join.high
        name = f"join {join.text()} {fit.rate_unit}" if point else f"join anywhere up to {join.high:g}"
        interval_mark(ax, join.low, join.high, 0.0, point=join.low if point else None,
                      open_low=point and join.low_open, open_high=join.high_open, colour=COLOURS["quiet"],
                      label=name)  # fmt: skip
    legend(ax, loc="best")
    return _yield_axes(
        ax, fit, f"{fit.curve.label[0].upper()}{fit.curve.label[1:]}" if title is None else title
    )


def response_analysis(analysis, ax=None, *, within: float | None = None, title: str | None = None):
    """Draw strips and curve, the optimum with its interval on the rate axis, and the money below.

    Parameters
    ----------
    analysis : ResponseAnalysis
    ax : Axes, optional
        Draw the yield alone on it; a figure of two panels is made if None.
    within : float, optional
        Loss whose stretch of rates is marked in the lower panel [money per area].
    title : str, optional

    Returns
    -------
    Axes
        Of the yield; the money is ``ax.figure.axes[1]``.
    """
    money = ()
    if ax is None:
        ax, *money = new_axes(2, height=6.8, sharex=True, height_ratios=[3, 2])
    strips = analysis.strips
    _strips(ax, strips.iloc[:, 0], strips.iloc[:, 2], strips["block"])
    _analysis_curves(ax, analysis)
    behind = {"color": COLOURS["quiet"], "mfc": "white", "ms": 10, "zorder": 6}
    _on_axis(ax, analysis.agronomic_optimum, "agronomic optimum", **behind)
    if analysis.optimum.status == NONE:  # the noise of level strips would fill the figure like a response
        low, high = ax.get_ylim()
        ax.set_ylim(low - 0.75 * (high - low), high)
    _yield_axes(ax, analysis, "", adjusted=(strips["block"] != "").any())
    move_prices(analysis, ax, *money, within=within, title=title)
    for one in money:
        ax.set_xlabel("")
        unit = f"{analysis.prices.money}/{area_of(analysis.yield_unit)}"
        finish(one, xlabel=f"rate [{analysis.rate_unit}]", ylabel=f"net return [{unit}]")
    return ax


def move_prices(analysis, ax, money=None, *, within: float | None = None, title: str | None = None):
    """Draw what prices move, instead of what an analysis at other prices showed there.

    Parameters
    ----------
    analysis : ResponseAnalysis
        The one the axes were drawn for, at other prices.
    ax, money : Axes
        Of the yield and of the money, as `response_analysis` made them.
    within, title
        As there.
    """
    optimum = analysis.optimum
    with redrawn(*(one for one in (ax, money) if one is not None)):
        _optimum(ax, optimum, told=title is None)
        entitle(ax, _wrapped(f"Economic optimum: {optimum.text}" if title is None else title))
        if money is not None:
            net = analysis.net_return if within is None else net_return_of(analysis, within=within)
            net_return_marks(net, money, below=True)
            span = optimum.interval
            money.axvspan(span.low, span.high, color=COLOURS["accent"], alpha=0.10, lw=0)
    _explain(ax, money)


def curve_comparison(comparison, ax=None, *, title: str = "Every curve, and the optimum it implies"):
    """Draw all curves on the data and, below, the optimum each implies with its interval and weight.

    Parameters
    ----------
    comparison : CurveComparison
    ax : Axes, optional
        Draw the curves alone on it; a figure of two panels is made if None.
    title : str, optional

    Returns
    -------
    Axes
        Of the curves; the optima are ``ax.figure.axes[1]``.
    """
    optima = None
    if ax is None:
        count = len(comparison.table) + 1
        ax, optima = new_axes(2, height=3.4 + 0.3 * count, sharex=True, height_ratios=[3.0, 0.28 * count])
    data = comparison.data
    _strips(ax, data.table["rate"], data.table["yield"], data.table["block"], label="")
    rates = np.linspace(data.rates[0], data.rates[-1], POINTS)
    for row in comparison.table.itertuples():
        colour, dash = CURVE_LINES[row.curve]
        yields = comparison.fits[row.curve].predict(rates)
        ax.plot(rates, yields, color=colour, ls=dash, lw=1.7, label=row.label)
    legend(ax, loc="center left", bbox_to_anchor=(1.0, 0.5), handlelength=3.2)
    _yield_axes(ax, data, title)
    if optima is not None:
        ax.set_xlabel("")
        _forest(optima, comparison)
    return ax


def critical_level(result, ax=None, *, test_label: str = "test", title: str | None = None):
    """Draw relative yield against the test, the fitted line and the critical level; see `CriticalLevel`."""
    ax = new_axes() if ax is None else ax
    sites, line = result.sites, result.line
    look = {"color": COLOURS["ink"], "mfc": "white", "ms": 5, "zorder": 3, "label": "site"}
    ax.plot(sites["test"], sites["relative_yield_pct"], "o", **look)
    ax.plot(line["test"], line["relative_yield_pct"], color=COLOURS["curve"], lw=2, label=result.method)
    ax.axvline(result.value, color=COLOURS["accent"], lw=1.2)
    known = np.isfinite(result.low)
    low, high = (result.low, min(result.high, sites["test"].max())) if known else (result.value,) * 2
    label = f"critical level{f' and {result.level:.0%} interval' if known else ''}, {plain(result.value)}"
    interval_mark(ax, low, high, 0.0, point=result.value, open_low=result.low_open,
                  open_high=result.high_open, label=label)  # fmt: skip
    if result.target_pct is not None:
        ax.axhline(result.target_pct, color=COLOURS["quiet"], lw=0.8, ls=(0, (2, 3)))
    ax.set_xlim(0, sites["test"].max() * 1.05)
    legend(ax, loc="lower right")
    title = f"{result.method[0].upper()}{result.method[1:]}" if title is None else title
    return finish(ax, title=title, xlabel=test_label, ylabel="relative yield [%]")


def _strips(ax, rate, yields, block, label="strip"):
    """Draw strips or plots, each block with its own marker while there are markers enough."""
    blocks = sorted(set(block))
    if label and len(blocks) > 1:
        label += ", one marker a block"
    for i, name in enumerate(blocks):
        rows = block == name
        mark = BLOCK_MARKERS[i] if len(blocks) <= len(BLOCK_MARKERS) else "o"
        look = {"color": COLOURS["quiet"], "mfc": "white", "ms": 5, "zorder": 3, "ls": "none"}
        ax.plot(rate[rows], yields[rows], mark, label=None if i else label, **look)


def _analysis_curves(ax, analysis):
    """Draw the reported line, and thinly the single curves behind an average."""
    rates = np.linspace(analysis.data.rates[0], analysis.data.rates[-1], POINTS)
    behind = analysis.weights if analysis.curve == "averaged" else analysis.weights.iloc[:0]
    for i, key in enumerate(behind.index[behind >= SHOWN]):
        colour, dash = CURVE_LINES[key]
        ax.plot(rates, analysis.fits[key].predict(rates), color=colour, ls=dash, lw=0.9, alpha=0.8, zorder=2,
                label=None if i else f"single curves of weight {SHOWN:g} or more")  # fmt: skip
    name = {"averaged": "average of the curves", "difference": "difference of two rates"}.get(analysis.curve)
    name = name or analysis.fits[analysis.curve].curve.label
    look = {"ls": (0, (1, 2)), "lw": 1.4} if analysis.curve == "difference" else {"lw": 2.4}
    ax.plot(rates, analysis.predict(rates), color=COLOURS["curve"], zorder=4, label=name, **look)


def _explain(ax, money):
    """Explain all marks below the money, or on the yield where it stands alone; what holds already stays."""
    parts = [ax] if money is None else [ax, money]
    marks = [mark for one in parts for mark in one.get_legend_handles_labels()[0]]
    old = parts[-1].get_legend()
    if old and [text.get_text() for text in old.get_texts()] == [mark.get_label() for mark in marks]:
        return
    below = {"loc": "upper left", "bbox_to_anchor": (-0.02, -0.24), "ncols": 2, "markerscale": 0.8}
    legend(parts[-1], handles=marks, **({"loc": "best"} if money is None else below))


def _optimum(ax, optimum, told):
    """Mark the economic optimum on the rate axis with its interval, and lead the eye up to the curve.

    Its rate goes into the legend unless the title has `told` it.
    """
    span, colour = optimum.interval, COLOURS["accent"]
    ax.axvline(optimum.rate, color=colour, lw=1.2, zorder=1)
    two = optimum.status == "difference only"  # the interval that counts is then one of money, not of rates
    known = np.isfinite(span.low) and np.isfinite(span.high) and not two
    if known:
        interval_mark(ax, span.low, span.high, 0.0, open_low=span.low_open, open_high=span.high_open)
    name = f"economic optimum and {span.level:.0%} interval" if known else "economic optimum"
    name = "better of the two rates" if two else name
    named = told and optimum.status not in BOUNDS
    _on_axis(ax, optimum, name, color=colour, mec="white", ms=8, **({"label": name} if named else {}))


def _on_axis(ax, optimum, name, **look):
    label = rate_label(name, optimum.rate, optimum.status, optimum.unit, optimum.interval.span)
    ax.plot([optimum.rate], [0], STATUS_MARKERS[optimum.status], ls="none", clip_on=False,
            transform=ax.get_xaxis_transform(), **{"zorder": 7, "label": label} | look)  # fmt: skip


def _forest(ax, comparison):
    """One row a curve: its optimum, the interval within the tested rates, its weight in words."""
    table, data = comparison.table, comparison.data
    top = data.rates[-1]
    rows = [
        (r.label, CURVE_LINES[r.curve][0], r.optimum, r.low, r.high, r.high >= top,
         f"counted as {r.same_as.replace('_', '-')}" if r.same_as else f"weight {r.weight:.2f}")
        for r in table.itertuples()
    ]  # fmt: skip
    span = comparison.averaged_interval
    rows.append(("average", COLOURS["accent"], comparison.averaged_optimum, span.low, span.high,
                 span.high_open, "weighted"))  # fmt: skip
    for i, (_, colour, rate, low, high, opened, text) in enumerate(rows):
        y = 1 - (i + 0.5) / len(rows)
        if np.isfinite(low) and np.isfinite(high):
            interval_mark(ax, low, high, y, point=rate, open_high=opened, colour=colour)
        elif np.isfinite(rate):
            interval_mark(ax, rate, rate, y, point=rate, colour=colour)
        ax.annotate(text, (1.0, y), (6, 0), xycoords="axes fraction", textcoords="offset points", va="center",
                    fontsize=SMALL, color=COLOURS["quiet"], annotation_clip=False)  # fmt: skip
    ax.set_ylim(0, 1)
    ax.set_yticks([1 - (i + 0.5) / len(rows) for i in range(len(rows))], [r[0] for r in rows])
    finish(ax, xlabel=f"economic optimum rate [{data.rate_unit}]", grid="x")


def _yield_axes(ax, units, title, adjusted=False):
    what = "yield, block effects taken out" if adjusted else "yield"
    return finish(ax, title=title, xlabel=f"rate [{units.rate_unit}]", ylabel=f"{what} [{units.yield_unit}]")


def _wrapped(text):
    """Break a long title at a word, so that it stays inside the printed page."""
    from textwrap import fill

    return fill(text, int(PAGE * 9))
