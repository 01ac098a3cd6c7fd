"""Figures of yield against rate: one curve, a whole analysis with its money below, curves side by side."""

import numpy as np

from fertkit.plots.forms import groups, interval, remark, rows
from fertkit.plots.forms_lines import BOUNDS, answer
from fertkit.plots.palette import HOLLOW, hue, line_of
from fertkit.plots.returns import net_return_marks
from fertkit.plots.style import entitle, figure, finish, legend, panel_below, redrawn
from fertkit.response.curves import CURVES
from fertkit.response.optimum import Status
from fertkit.response.prices import area_of
from fertkit.results import capital, plain

POINTS = 301  # rates at which a curve is drawn
SHOWN = 0.05  # curves of less weight than this are left out of an analysis' figure
BEHIND = {"color": hue.quiet, "mec": hue.quiet, "mfc": "white", "ms": 10, "zorder": 6}


@figure()
def response_fit(fit, ax):
    """Draw one fitted curve through its plots or strips, and its join; see `ResponseFit`."""
    table, unit = fit.data.table, fit.rate_unit
    groups(ax, table["rate"], table["yield"], table["block"], label="strip")
    rates = np.linspace(fit.lowest_rate, fit.highest_rate, POINTS)
    ax.plot(rates, fit.predict(rates), color=hue.curve, lw=2, label=fit.curve.label)
    if fit.join_set is not None:
        join = fit.join_set.within(fit.lowest_rate, fit.highest_rate)
        point = join.low == join.high
        says = f"join {join.text()} {unit}" if point else f"join anywhere up to {join.high:g} {unit}"
        if point and not join.low_open and not join.high_open:
            answer(ax, join.low, None, says, lead=False, color=hue.quiet)
        else:
            look = {"point": join.low if point else None, "opens": (point and join.low_open, join.high_open)}
            interval(ax, join.low, join.high, 0.0, colour=hue.quiet, label=says, **look)
    finish(ax, capital(fit.curve.label), f"rate [{unit}]", f"yield [{fit.yield_unit}]")


@figure(height=3.7, titled=True)
def response_analysis(analysis, ax, *, within: float | None = None, title: str | None = None):
    """Draw strips and curve, the optimum with its interval on the rate axis, and the money below.

    Parameters
    ----------
    analysis : ResponseAnalysis
    ax : Axes, optional
        Draw the yield alone on it; if None, the money is in ``ax.figure.axes[1]``.
    within : float, optional
        Loss whose stretch of rates is marked in the lower panel [money per area].
    title : str, optional
        In place of the optimum, which then stands in the key.
    """
    money, strips, unit = panel_below(ax, 2.3), analysis.strips, analysis.yield_unit
    groups(ax, strips.iloc[:, 0], strips.iloc[:, 2], strips["block"], label="strip")
    _analysis_curves(ax, analysis)
    most = analysis.agronomic_optimum
    look = {"status": most.status, "span": most.interval.span, "lead": False}
    answer(ax, most.rate, None, "agronomic optimum", most.unit, **look | BEHIND)
    if analysis.optimum.status == Status.NONE:  # else noise would fill the figure like a response
        low, high = ax.get_ylim()
        ax.set_ylim(low - 0.75 * (high - low), high)
    what = "yield, block effects taken out" if (strips["block"] != "").any() else "yield"
    rate = f"rate [{analysis.rate_unit}]"
    finish(ax, "", "" if money else rate, f"{what} [{unit}]", explain=[])
    if money:
        finish(money, "", rate, f"net return [{analysis.prices.money}/{area_of(unit)}]", explain=[])
    move_prices(analysis, ax, money, within=within, title=title)


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
    optimum, parts = analysis.optimum, [ax] if money is None else [ax, money]
    with redrawn(*parts):
        known = _optimum(ax, optimum, named=title is None)
        entitle(ax, f"Economic optimum: {optimum.text}" if title is None else title)
        if money is not None:
            net_return_marks(analysis.net_return(within), money, below=True)
            if known:
                span = optimum.interval
                money.axvspan(span.low, span.high, color=hue.accent, alpha=0.10, lw=0)
    legend(parts[-1], [mark for one in parts for mark in one.get_legend_handles_labels()[0]])


@figure(height=3.0)
def curve_comparison(comparison, ax):
    """Draw all curves on the data and, below, the optimum each implies with its interval and weight.

    On axes that are given the curves are drawn alone; else the optima are in ``ax.figure.axes[1]``.
    """
    data, table = comparison.data, comparison.table
    optima = panel_below(ax, 0.28 * (len(table) + 1) + 0.4)
    groups(ax, data.table["rate"], data.table["yield"], data.table["block"])
    rates = np.linspace(data.rates[0], data.rates[-1], POINTS)
    for row in table.itertuples():
        fit = comparison.fits[row.curve]
        colour, dash = line_of(fit.curve)
        ax.plot(rates, fit.predict(rates), color=colour, ls=dash, lw=1.7, label=row.label)
    title, rate = "Every curve, and the optimum it implies", f"rate [{data.rate_unit}]"
    key = ax.get_legend_handles_labels()[0]
    finish(ax, title, "" if optima else rate, f"yield [{data.yield_unit}]", explain=[] if optima else key)
    if optima:
        _optima(optima, comparison)
        finish(optima, "", f"economic optimum {rate}", grid="x", explain=key)


def _optima(ax, comparison):
    """One row a curve: its optimum, the interval within the tested rates, its weight in words."""
    table, span, top = comparison.table, comparison.averaged_interval, comparison.data.rates[-1]
    rows(ax, [*table["label"], "average"], pitch=0)
    for y, r in enumerate(table.itertuples()):
        low, high = (r.low, r.high) if np.isfinite([r.low, r.high]).all() else (r.optimum, r.optimum)
        look = {"opens": (False, r.high >= top), "colour": line_of(comparison.fits[r.curve].curve)[0]}
        if np.isfinite(r.optimum):
            interval(ax, low, high, y, point=r.optimum, row=True, **look)
        same = f"counted as {CURVES[r.same_as].label}" if r.same_as else f"weight {r.weight:.2f}"
        remark(ax, y, same)
    look = {"point": comparison.averaged_optimum, "opens": (False, span.high_open), "row": True}
    interval(ax, span.low, span.high, len(table), **look)
    remark(ax, len(table), "weighted")


@figure()
def critical_level(result, ax, *, test_label: str = "test"):
    """Draw relative yield against the test, the fitted line and the critical level.

    Parameters
    ----------
    result : CriticalLevel
    ax : Axes, optional
    test_label : str
        What the test is, with its unit.
    """
    sites, line, top = result.sites, result.line, result.sites["test"].max()
    site = HOLLOW | {"color": hue.ink, "ms": 5, "zorder": 3, "label": "site"}
    ax.plot(sites["test"], sites["relative_yield_pct"], "o", **site)
    ax.plot(line["test"], line["relative_yield_pct"], color=hue.curve, lw=2, label=result.method)
    if np.isfinite(result.low):
        look = {"opens": (result.low_open, result.high_open), "label": f"its {result.level:.0%} interval"}
        interval(ax, result.low, min(result.high, top), 0.0, **look)
    answer(ax, result.value, None, f"critical level, {plain(result.value)}")
    if result.target_pct is not None:
        ax.axhline(result.target_pct, color=hue.quiet, lw=0.8, ls=(0, (2, 3)))
    ax.set_xlim(0, top * 1.05)
    finish(ax, capital(result.method), test_label, "relative yield [%]")


def _analysis_curves(ax, analysis):
    """Draw the reported line, and thinly the single curves behind an average."""
    rates = np.linspace(analysis.data.rates[0], analysis.data.rates[-1], POINTS)
    behind = analysis.weights[(analysis.weights >= SHOWN) & (analysis.curve == "averaged")]
    says = f"single curves of weight {SHOWN:g} or more"
    for key in behind.index:
        colour, dash = line_of(analysis.fits[key].curve)
        ax.plot(rates, analysis.fits[key].predict(rates), color=colour, ls=dash, lw=0.9, zorder=2, label=says)
    name = {"averaged": "average of the curves", "difference": "difference of two rates"}.get(analysis.curve)
    look = {"ls": (0, (1, 2)), "lw": 1.4} if analysis.curve == "difference" else {"lw": 2.4}
    look["label"] = name or analysis.fits[analysis.curve].curve.label
    ax.plot(rates, analysis.predict(rates), color=hue.curve, zorder=4, **look)


def _optimum(ax, optimum, *, named: bool) -> bool:
    """Mark the economic optimum on the rate axis; tell whether its interval is known, and drawn.

    The key says its rate unless the title has `named` it; a bound stands in both.
    """
    span, two = optimum.interval, optimum.status == "difference only"
    # With two rates the interval that counts is one of money, not of rates.
    known = bool(np.isfinite([span.low, span.high]).all() and not two)
    if known:
        interval(ax, span.low, span.high, 0.0, opens=(span.low_open, span.high_open))
    name = f"economic optimum and {span.level:.0%} interval" if known else "economic optimum"
    name = "better of the two rates" if two else name
    unit = "" if named and optimum.status not in BOUNDS else optimum.unit
    answer(ax, optimum.rate, None, name, unit, status=optimum.status, span=span.span)
    return known
