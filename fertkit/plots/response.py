"""Figures of yield and money against rate: curves, optima, net return, and the optima of many trials."""

import numpy as np

from fertkit.plots.forms import bars, groups, interval, remark, rows
from fertkit.plots.palette import ANSWER, BESIDE, CLASS_MARKS, HOLLOW, HUES, PAPER, hue, line_of
from fertkit.plots.style import entitle, figure, finish, is_narrow, legend, note, panel_below, redrawn
from fertkit.response.curves import CURVES
from fertkit.response.optimum import Status, status_in_words
from fertkit.response.prices import area_of, money_axis, money_text
from fertkit.results import capital, plain, records
from fertkit.rounding import same
from fertkit.say.response import optimum_text
from fertkit.say.worth import name_of, percent

#: Marker of an optimum by status: inside, or an arrow to where it may lie beyond.
STATUS_MARKERS = {
    Status.INTERIOR: "D", Status.TIE: "D", Status.NONE: "<", Status.UNPAID: "<", Status.TOP: ">",
    Status.ENDLESS: ">", Status.STEP: "<", Status.DIFFERENCE: "s",
}  # fmt: skip
#: Words before the rate of an optimum that only bounds it.
BOUNDS = {Status.TOP: "at least ", Status.ENDLESS: "at least ", Status.STEP: "at most "}

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
        says = f"join {join.text()} {unit}" if point else f"join at any rate up to {join.high:g} {unit}"
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
    what = "yield, adjusted for blocks" if (strips["block"] != "").any() else "yield"
    rate = f"rate [{analysis.rate_unit}]"
    finish(ax, "", "" if money else rate, f"{what} [{unit}]", explain=[])
    if money:
        finish(money, "", rate, money_axis("net return", analysis.prices.money, area_of(unit)), explain=[])
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
        entitle(ax, f"Economic optimum: {optimum_text(optimum)}" if title is None else title)
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
    optima = panel_below(ax, (0.42 if is_narrow(ax) else 0.28) * (len(table) + 1) + 0.4)
    groups(ax, data.table["rate"], data.table["yield"], data.table["block"])
    rates = np.linspace(data.rates[0], data.rates[-1], POINTS)
    for row in records(table):
        fit = comparison.fits[row.curve]
        colour, dash = line_of(fit.curve)
        ax.plot(rates, fit.predict(rates), color=colour, ls=dash, lw=1.7, label=row.label)
    title, rate = "Each curve and its economic optimum", f"rate [{data.rate_unit}]"
    key = ax.get_legend_handles_labels()[0]
    finish(ax, title, "" if optima else rate, f"yield [{data.yield_unit}]", explain=[] if optima else key)
    if optima:
        _optima(optima, comparison)
        finish(optima, "", f"economic optimum {rate}", grid="x", explain=key)


def _optima(ax, comparison):
    """One row a curve: its optimum, the interval within the tested rates, its weight in words.

    On a narrow page name and weight stand above the interval: beside it they would take most of the width.
    """
    table, span, top = comparison.table, comparison.averaged_interval, comparison.data.rates[-1]
    names, narrow = [*table["label"], "average"], is_narrow(ax)
    rows(ax, [""] * len(names) if narrow else names, pitch=0)

    def say(y, text):
        if narrow:
            note(ax, f"{names[y]}, {text}", (0, y), (4, 10), BESIDE, va="center", bbox=PAPER, zorder=6)
        else:
            remark(ax, y, text)

    for y, r in enumerate(records(table)):
        low, high = (r.low, r.high) if np.isfinite([r.low, r.high]).all() else (r.optimum, r.optimum)
        look = {"opens": (False, r.high >= top), "colour": line_of(comparison.fits[r.curve].curve)[0]}
        if np.isfinite(r.optimum):
            interval(ax, low, high, y, point=r.optimum, row=True, **look)
        weight = "weight below 0.01" if r.weight < 0.005 else f"weight {r.weight:.2f}"
        same = f"counted as {CURVES[r.same_as].label}" if r.same_as else weight
        say(y, same)
    look = {"point": comparison.averaged_optimum, "opens": (False, span.high_open), "row": True}
    interval(ax, span.low, span.high, len(table), **look)
    say(len(table), "weighted")


def _analysis_curves(ax, analysis):
    """Draw the reported line, and thinly the single curves behind an average."""
    rates = np.linspace(analysis.data.rates[0], analysis.data.rates[-1], POINTS)
    behind = analysis.weights[(analysis.weights >= SHOWN) & (analysis.curve == "averaged")]
    says = f"single curves (weight {SHOWN:g} or more)"
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


@figure()
def net_return(result, ax):
    """Draw net return over the tested rates, the reported rate and the rates nearly as good as the best."""
    net_return_marks(result, ax)
    label = money_axis("net return", result.prices.money, result.area)
    finish(ax, "Net return", f"rate [{result.rate_unit}]", label)


def net_return_marks(result, ax, *, below: bool = False):
    """Draw the marks of `net_return`; `below` in an analysis, where the axes above name the rate."""
    rate, net = result.table.iloc[:, 0], result.table.iloc[:, -1]
    hollow, best = HOLLOW | {"color": hue.curve}, same(result.rate, result.peak)
    # With a pass to pay, net return jumps down just above zero: leave the jump open.
    start = int(result.prices.pass_cost > 0 and result.lowest_rate == 0)
    name = "best rate" if best else "economic optimum"
    if result.curve == "difference":
        name = "better of the two rates"
        ax.plot(rate, net, "o", label="the two rates tested", **hollow)
    else:
        money_line(ax, result, rate[start:], net[start:], result.prices.money)
    if start:
        ax.plot(rate[:1], net[:1], "o", label="nothing applied", **hollow)
    answer(ax, result.rate, result.net, None if below else name, result.rate_unit, status=result.status)
    if not best and not below:  # in an analysis one optimum is enough
        peak = f"peak of the average curve, {plain(result.peak)} {result.rate_unit}"
        ax.plot([result.peak], [result.peak_net], "D", ms=7, zorder=5, label=peak, **hollow)


@figure(height=3.4)
def price_ratio(result, ax):
    """Draw the economic optimum rate of each curve against the price ratio; see `PriceRatioTable`."""
    rate, low, high = result.table.columns[2], result.lowest_rate, result.highest_rate
    for key, part in result.table.groupby("curve", sort=False):
        colour, dash = line_of(CURVES[key])
        ax.plot(part["price_ratio"], part[rate], color=colour, ls=dash, lw=1.8, label=CURVES[key].label)
    level(ax, high, "highest rate tested: at least this")
    level(ax, low, "lowest rate tested: no economic response", above=False)
    room = 0.22 if is_narrow(ax) else 0.12
    ax.set_ylim(low - room * (high - low), high + room * (high - low))
    if result.price_ratio is not None:
        today = f"today, {plain(result.price_ratio)}"
        ax.axvline(result.price_ratio, color=hue.accent, lw=1.2, label=today)
    ratio = f"price ratio [{result.yield_unit} per {result.rate_unit}]"
    finish(ax, "Optimum rate at each price ratio", ratio, f"optimum rate [{result.rate_unit}]")


@figure(height=3.4)
def regret(result, ax):
    """Draw expected regret against rate, and where the best rate of most cases lies; see `Regret`."""
    rate, expected, p90 = (result.table.iloc[:, i] for i in range(3))
    ax.fill_between(rate, expected, p90, color=hue.band, alpha=0.6, lw=0, label="nine cases in ten lose less")
    ax.plot(rate, p90, color=hue.curve, lw=1, ls=(0, (4, 2)))
    ax.plot(rate, expected, color=hue.curve, lw=2, label="expected loss")
    name = "lowest expected loss"
    answer(ax, result.rate, result.expected_regret, name, result.rate_unit)
    look = {"colour": hue.quiet, "label": "best rate in nine of ten cases"}
    interval(ax, *result.optima_range, 0.03, opens=(False, result.open_above), **look)
    # The middle decides; far from the best, regret runs off the figure.
    ax.set_ylim(0, max(4 * result.expected_regret, 1.15 * float(np.quantile(p90, 0.6)), 1e-9))
    label = money_axis("loss against the best rate", result.money, result.area)
    finish(ax, "Expected loss at each rate", f"rate [{result.rate_unit}]", label)


@figure()
def rate_worth(result, ax):
    """Draw what every rate nets against the lowest and against those asked for; see `RateWorth`."""
    names, at = [], 0
    for colour, over in zip(HUES, result.references, strict=False):
        for r in records(result.table[result.table["over"] == over]):
            names.append(plain(r.rate) + "\nreported" * same(r.rate, result.chosen))
            label = f"against {name_of(result, over)}"
            if np.isnan(r.net_low):
                ax.plot([r.net], [at], "D", color=colour, label=label)
            else:
                interval(ax, r.net_low, r.net_high, at, point=r.net, row=True, colour=colour, label=label)
                remark(ax, at, percent(r.chance_of_loss))
            at += 1
    rows(ax, names)
    remark(ax, -1, "chance\nof loss")
    ax.axvline(0, color=hue.quiet, lw=1)
    finish(ax, "Net gain of each rate over others", money_axis("net", result.money, result.area), grid="x")
    ax.set_ylabel(f"rate [{result.rate_unit}]")


@figure(height=3.4)
def pooled_return(result, ax):
    """Draw mean net gain over trials, its flat range, and every trial's own optimum; see `PooledReturn`."""
    rate, net = result.frame.iloc[:, 0], result.frame.iloc[:, 2]
    money_line(ax, result, rate, net, result.money)
    name = "highest mean of these trials (no recommendation)" if result.doubts else "pooled rate"
    answer(ax, result.rate, result.gain, name, result.rate_unit)
    low, high = net.min(), max(net.max(), 0)
    span = (high - low) or 1.0
    ax.set_ylim(low - 0.25 * span, high + 0.1 * span)
    look = HOLLOW | {"mfc": "none", "mec": hue.quiet, "transform": ax.get_xaxis_transform(), "clip_on": False}
    for status, part in result.sites.groupby("status"):
        says = f"optimum of one trial: {status_in_words(status)} ({len(part)})"
        ax.plot(part.iloc[:, 4], [0.06] * len(part), STATUS_MARKERS[status], label=says, **look)
    if np.isfinite(result.interval_low):
        look = {"opens": (False, result.interval_open), "label": "95% interval"}
        interval(ax, result.interval_low, result.interval_high, 0.13, **look)
    title = f"Mean net gain of {len(result.sites)} trials"
    finish(ax, title, f"rate [{result.rate_unit}]", money_axis("mean net gain", result.money, result.area))


#: Colour and hatch of each status of an optimum.
STATUS_LOOKS = {
    Status.INTERIOR: (hue.curve, ""), Status.STEP: (hue.band, ".."), Status.TOP: (hue.accent, "//"),
    Status.NONE: (hue.quiet, "xx"),
}  # fmt: skip
BINS = 24


def batch_overview(result, ax=None, **options):
    """Draw a `BatchResult`: optima of trials as a histogram, or shares of the classes of samples."""
    return (batch_optima if result.kind == "trials" else batch_classes)(result, ax, **options)


@figure()
def batch_optima(result, ax):
    """Histogram of the economic optimum rates of many trials, by what may be said of each."""
    table = result.table[result.table["optimum"].notna()]
    found = {s: table.loc[table["status"] == s, "optimum"] for s in STATUS_LOOKS}
    found = {s: rates for s, rates in found.items() if len(rates)}
    edges = np.linspace(0, max(table["highest_rate"].max(), 1e-9), BINS + 1)
    look = {"color": [STATUS_LOOKS[s][0] for s in found], "hatch": [STATUS_LOOKS[s][1] for s in found]}
    look["label"] = [f"{status_in_words(s)}, {len(rates):,}" for s, rates in found.items()]
    ax.hist(list(found.values()), edges, stacked=True, edgecolor="white", linewidth=0.6, **look)
    ax.yaxis.get_major_locator().set_params(integer=True)
    ax.set_xlim(0, edges[-1])
    units = table["rate_unit"].unique()
    unit = f" [{units[0]}]" if len(units) == 1 else ""
    finish(ax, "Optima of the trials", f"economic optimum rate{unit}", "trials")


@figure(height=0.9)
def batch_classes(result, ax):
    """Share of the scored results of each nutrient in each class, all sources together."""
    tally = result.tally[result.tally["class"].isin(list(CLASS_MARKS))]
    rows_of = tally.groupby(["nutrient", "class"], sort=False)["rows"].sum().unstack(fill_value=0)
    shares = rows_of.div(rows_of.sum(axis=1), axis=0)
    left = np.zeros(len(shares))
    for name in [name for name in CLASS_MARKS if name in shares]:
        mark, part = CLASS_MARKS[name], shares[name].to_numpy() * 100
        look = {"color": mark.colour, "hatch": mark.hatch, "edgecolor": hue.ink, "linewidth": 0.5}
        bars(ax, part, left=left, height=0.8, label=name, **look)
        left = left + part
    rows(ax, shares.index, pitch=0.28)
    ax.set_xlim(0, 100)
    finish(ax, "Samples by class", "share of results over all sources [%]", grid="x")


# ---- forms of these figures


def answer(
    ax, rate, height, name=None, unit="", *, status=Status.INTERIOR, span=0.0, lead: bool = True, **look
):
    """Mark an answer at a height on its curve, or on the rate axis without one, and lead the eye to it.

    With a `unit` the key says the rate, as a bound where the status makes it only that.
    """
    if lead:
        along = ax.get_xaxis_transform()  # `axvline` would work the limits out each time
        ax.plot([rate, rate], [0, 1], color=hue.accent, lw=1.2, zorder=1, transform=along)
    if height is None:
        height, look = 0, {"transform": ax.get_xaxis_transform()} | look
    says = f"{name}, {BOUNDS.get(status, '')}{plain(rate, span=span)} {unit}" if name and unit else name
    mark = {"marker": STATUS_MARKERS[status], "zorder": 7, "label": says}
    ax.plot([rate], [height], **ANSWER | mark | look)


def money_line(ax, result, rate, net, money: str) -> None:
    """Draw net return over rates, heavy where it is within the acceptable loss of the best."""
    ax.plot(rate, net, color=hue.curve, lw=1.8)
    if result.within is not None:
        inside = (rate >= result.within_low) & (rate <= result.within_high)
        ax.axvspan(result.within_low, result.within_high, color=hue.fill, zorder=0)
        says = f"within {money_text(result.within, money, result.area)} of the best"
        ax.plot(rate[inside], net[inside], color=hue.curve, lw=4, solid_capstyle="butt", label=says)


def level(ax, value, text: str, *, above: bool = True) -> None:
    """Draw a thin line across, said at its left end above or below it."""
    ax.axhline(value, color=hue.quiet, lw=0.8, ls=(0, (2, 3)))
    look = {"va": "bottom" if above else "top", "color": hue.quiet, "bbox": PAPER, "zorder": 5}
    text = text.replace(": ", ":\n") if is_narrow(ax) else text
    note(ax, text, (0, value), (2, 3 if above else -3), BESIDE, **look)
