"""Figures of money against rate: net return, price ratio, regret, pooled trials, a varying plateau.

Each takes the result that holds the numbers and draws them; nothing is computed here.
"""

import numpy as np

from fertkit.plots.forms import interval
from fertkit.plots.forms_lines import STATUS_MARKERS, answer, level, money_line
from fertkit.plots.palette import HOLLOW, hue, line_of
from fertkit.plots.style import figure, finish
from fertkit.response.curves import CURVES
from fertkit.response.optimum import status_in_words
from fertkit.results import plain
from fertkit.rounding import same


@figure()
def net_return(result, ax):
    """Draw net return over the tested rates, the reported rate and the rates nearly as good as the best."""
    net_return_marks(result, ax)
    unit = f"{result.prices.money}/{result.area}"
    finish(ax, "Net return", f"rate [{result.rate_unit}]", f"net return [{unit}]")


def net_return_marks(result, ax, *, below: bool = False):
    """Draw the marks of `net_return`; `below` in an analysis, where the axes above name the rate."""
    rate, net = result.table.iloc[:, 0], result.table.iloc[:, -1]
    hollow, best = HOLLOW | {"color": hue.curve}, same(result.rate, result.peak)
    # With a pass to pay, net return jumps down just above zero: leave the jump open.
    start = int(result.prices.pass_cost > 0 and result.lowest_rate == 0)
    name = "best rate" if best else "economic optimum rate (mean of the optima)"
    if result.curve == "difference":
        name = "better of the two rates"
        ax.plot(rate, net, "o", label="the two rates tested", **hollow)
    else:
        money_line(ax, result, rate[start:], net[start:], f"{result.prices.money}/{result.area}")
    if start:
        ax.plot(rate[:1], net[:1], "o", label="nothing applied", **hollow)
    answer(ax, result.rate, result.net, None if below else name, result.rate_unit, status=result.status)
    if not best:
        peak = f"best of the averaged curve, {plain(result.peak)} {result.rate_unit}"
        peak = "highest net return of the average" if below else peak
        ax.plot([result.peak], [result.peak_net], "D", ms=7, zorder=5, label=peak, **hollow)


@figure(height=3.4)
def price_ratio(result, ax):
    """Draw the economic optimum rate of each curve against the price ratio; see `PriceRatioTable`."""
    rate, low, high = result.table.columns[2], result.lowest_rate, result.highest_rate
    for key, part in result.table.groupby("curve", sort=False):
        colour, dash = line_of(CURVES[key])
        ax.plot(part["price_ratio"], part[rate], color=colour, ls=dash, lw=1.8, label=CURVES[key].label)
    level(ax, high, "highest tested rate: at least this")
    level(ax, low, "lowest tested rate: no economic response", above=False)
    ax.set_ylim(low - 0.12 * (high - low), high + 0.12 * (high - low))
    if result.price_ratio is not None:
        today = f"today, {plain(result.price_ratio)}"
        ax.axvline(result.price_ratio, color=hue.accent, lw=1.2, label=today)
    ratio = f"price ratio [{result.yield_unit} per {result.rate_unit}]"
    finish(ax, "Optimum rate against price ratio", ratio, f"optimum rate [{result.rate_unit}]")


@figure(height=3.4)
def regret(result, ax):
    """Draw expected regret against rate, and where the best rate of most cases lies; see `Regret`."""
    rate, expected, p90 = (result.table.iloc[:, i] for i in range(3))
    ax.fill_between(rate, expected, p90, color=hue.band, alpha=0.6, lw=0, label="up to nine cases in ten")
    ax.plot(rate, p90, color=hue.curve, lw=1, ls=(0, (4, 2)))
    ax.plot(rate, expected, color=hue.curve, lw=2, label="expected regret")
    name = "least expected regret over drawn curves"
    answer(ax, result.rate, result.expected_regret, name, result.rate_unit)
    look = {"colour": hue.quiet, "label": "best rate of nine cases in ten"}
    interval(ax, *result.optima_range, 0.03, opens=(False, result.open_above), **look)
    # The middle decides; far from the best, regret runs off the figure.
    ax.set_ylim(0, max(4 * result.expected_regret, 1.15 * float(np.quantile(p90, 0.6)), 1e-9))
    label = f"below the best of each case [{result.money}/{result.area}]"
    finish(ax, "What a rate may lose", f"rate [{result.rate_unit}]", label)


@figure(height=3.4)
def pooled_return(result, ax):
    """Draw mean net gain over trials, its flat range, and every trial's own optimum; see `PooledReturn`."""
    rate, net, unit = result.frame.iloc[:, 0], result.frame.iloc[:, 2], f"{result.money}/{result.area}"
    money_line(ax, result, rate, net, unit)
    name = "highest mean of these trials, no recommendation" if result.doubts else "pooled rate"
    answer(ax, result.rate, result.gain, name, result.rate_unit)
    low, high = net.min(), max(net.max(), 0)
    span = (high - low) or 1.0
    ax.set_ylim(low - 0.25 * span, high + 0.1 * span)
    look = HOLLOW | {"mfc": "none", "mec": hue.quiet, "transform": ax.get_xaxis_transform(), "clip_on": False}
    for status, part in result.sites.groupby("status"):
        says = f"own optimum of a trial: {status_in_words(status)} ({len(part)})"
        ax.plot(part.iloc[:, 4], [0.06] * len(part), STATUS_MARKERS[status], label=says, **look)
    if np.isfinite(result.interval_low):
        look = {"opens": (False, result.interval_open), "label": "95 % over resampled trials"}
        interval(ax, result.interval_low, result.interval_high, 0.13, **look)
    title = f"Mean of {len(result.sites)} trials"
    finish(ax, title, f"rate [{result.rate_unit}]", f"mean net gain [{unit}]")


@figure()
def stochastic_plateau(result, ax):
    """Draw expected net return, its best rate and the join of the mean plateau; see `StochasticPlateau`."""
    rate, net, unit = result.table.iloc[:, 0], result.table.iloc[:, 2], result.rate_unit
    ax.plot(rate, net, color=hue.curve, lw=2, label="expected over seasons")
    answer(ax, result.rate, result.expected_net, "best rate", unit, status=result.status)
    join = f"join of the mean plateau, {plain(result.join_of_mean)} {unit}"
    ax.plot([result.join_of_mean], [result.net_at_join], "s", ms=7, mec=hue.quiet, label=join, **HOLLOW)
    label = f"expected net return [{result.money}/{result.area}]"
    finish(ax, "Net return where the plateau varies", f"rate [{unit}]", label)
