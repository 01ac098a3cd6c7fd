"""Figures of money against rate: net return, price ratio, regret, pooled trials, a varying plateau.

Each takes the result that holds the numbers and draws them; nothing is computed here.
"""

import numpy as np

from fertkit.plots.style import (
    COLOURS,
    CURVE_LINES,
    SMALL,
    finish,
    interval_mark,
    legend,
    new_axes,
)
from fertkit.response import CURVES
from fertkit.response.verdict import status_in_words
from fertkit.results import plain
from fertkit.rounding import same

#: Marker of an optimum by status: inside, or an arrow to where it may lie beyond.
STATUS_MARKERS = {
    "interior": "D", "tie": "D", "no economic response": "<", "pass not paid": "<",
    "at least the highest rate": ">", "no finite maximum": ">", "at most the first rate": "<",
    "difference only": "s",
}  # fmt: skip
#: Words before the rate of an optimum that only bounds it.
BOUNDS = {
    "at least the highest rate": "at least ", "no finite maximum": "at least ",
    "at most the first rate": "at most ",
}  # fmt: skip


def rate_label(name: str, rate: float, status: str, unit: str, span: float = 0.0) -> str:
    """Label of an optimum: its name and its rate, said as a bound where it is only that."""
    return f"{name}, {BOUNDS.get(status, '')}{plain(rate, span=span)} {unit}"


def net_return(result, ax=None, *, title: str | None = None):
    """Draw net return over the tested rates, the reported rate and the rates nearly as good as the best.

    Parameters
    ----------
    result : NetReturn
    ax : Axes, optional
    title : str, optional

    Returns
    -------
    Axes
    """
    ax = new_axes() if ax is None else ax
    net_return_marks(result, ax)
    unit = f"{result.prices.money}/{result.area}"
    return finish(
        ax, title="Net return" if title is None else title, xlabel=f"rate [{result.rate_unit}]",
        ylabel=f"net return [{unit}]",
    )  # fmt: skip


def net_return_marks(result, ax, *, below: bool = False):
    """Draw the lines and marks of `net_return` on axes that have their form, and its legend.

    With `below`, the figure of an analysis: axes above name the rate and explain the marks.
    """
    rate, net = result.table.iloc[:, 0], result.table.iloc[:, -1]
    unit = f"{result.prices.money}/{result.area}"
    # With a pass to pay, net return jumps down just above zero: leave the jump open.
    start = int(result.prices.pass_cost > 0 and result.lowest_rate == 0)
    if result.curve != "difference":
        _money_line(ax, result, rate[start:], net[start:], unit)
    if start:
        ax.plot(rate[:1], net[:1], "o", color=COLOURS["curve"], mfc="white", label="nothing applied")
    name = "best rate" if same(result.rate, result.peak) else "economic optimum rate (mean of the optima)"
    if result.curve == "difference":
        ax.plot(rate, net, "o", color=COLOURS["curve"], mfc="white", label="the two rates tested")
        name = "better of the two rates"
    label = None if below else rate_label(name, result.rate, result.status, result.rate_unit)
    _best(ax, result.rate, result.net, result.status, label)
    if not same(result.rate, result.peak):
        peak = "highest net return of the average" if below else "best of the averaged curve"
        ax.plot([result.peak], [result.peak_net], "D", color=COLOURS["curve"], mfc="white", ms=7, zorder=5,
                label=peak if below else f"{peak}, {plain(result.peak)} {result.rate_unit}")  # fmt: skip
    if not below:
        legend(ax, loc="best")


def price_ratio(result, ax=None, *, title: str = "Optimum rate against price ratio"):
    """Draw the economic optimum rate of each curve against the price ratio; see `PriceRatioTable`."""
    ax = new_axes() if ax is None else ax
    rate = result.table.columns[2]
    for key, rows in result.table.groupby("curve", sort=False):
        colour, dash = CURVE_LINES[key]
        ax.plot(rows["price_ratio"], rows[rate], color=colour, ls=dash, lw=1.8, label=CURVES[key].label)
    span = result.highest_rate - result.lowest_rate
    for edge, text, side in (
        (result.highest_rate, "highest tested rate: at least this", "bottom"),
        (result.lowest_rate, "lowest tested rate: no economic response", "top"),
    ):
        ax.axhline(edge, color=COLOURS["quiet"], lw=0.8, ls=(0, (2, 3)))
        ax.annotate(text, (0, edge), (2, 3 if side == "bottom" else -3), xycoords=("axes fraction", "data"),
                    textcoords="offset points", va=side, fontsize=SMALL, color=COLOURS["quiet"],
                    bbox={"fc": "white", "ec": "none", "pad": 1}, zorder=5)  # fmt: skip
    ax.set_ylim(result.lowest_rate - 0.12 * span, result.highest_rate + 0.12 * span)
    if result.price_ratio is not None:
        ax.axvline(
            result.price_ratio, color=COLOURS["accent"], lw=1.2, label=f"today, {plain(result.price_ratio)}"
        )
    legend(ax, loc="center left", bbox_to_anchor=(1.0, 0.5), handlelength=3.2)
    return finish(
        ax, title=title, ylabel=f"optimum rate [{result.rate_unit}]",
        xlabel=f"price ratio [{result.yield_unit} per {result.rate_unit}]",
    )  # fmt: skip


def regret(result, ax=None, *, title: str = "What a rate may lose"):
    """Draw expected regret against rate, and where the best rate of most cases lies; see `Regret`."""
    ax = new_axes(height=4.6) if ax is None else ax
    rate, expected, p90 = (result.table.iloc[:, i] for i in range(3))
    ax.fill_between(rate, expected, p90, color=COLOURS["band"], alpha=0.6, lw=0,
                    label="up to nine cases in ten")  # fmt: skip
    ax.plot(rate, p90, color=COLOURS["curve"], lw=1, ls=(0, (4, 2)))
    ax.plot(rate, expected, color=COLOURS["curve"], lw=2, label="expected regret")
    _best(ax, result.rate, result.expected_regret, "interior",
          f"least expected regret over drawn curves, {plain(result.rate)} {result.rate_unit}")  # fmt: skip
    low, high = result.optima_range
    interval_mark(ax, low, high, 0.03, open_high=result.open_above, colour=COLOURS["quiet"],
                  label="best rate of nine cases in ten")  # fmt: skip
    # The middle decides; far from the best, regret runs off the figure.
    ax.set_ylim(0, max(4 * result.expected_regret, 1.15 * float(np.quantile(p90, 0.6)), 1e-9))
    legend(ax, loc="upper left", bbox_to_anchor=(0, -0.2))
    return finish(
        ax, title=title, xlabel=f"rate [{result.rate_unit}]",
        ylabel=f"below the best of each case [{result.money}/{result.area}]",
    )  # fmt: skip


def pooled_return(result, ax=None, *, title: str | None = None):
    """Draw mean net gain over trials, its flat range, and every trial's own optimum; see `PooledReturn`."""
    ax = new_axes(height=4.8) if ax is None else ax
    rate, net = result.frame.iloc[:, 0], result.frame.iloc[:, 2]
    unit = f"{result.money}/{result.area}"
    _money_line(ax, result, rate, net, unit)
    name = "highest mean of these trials, no recommendation" if result.doubts else "pooled rate"
    _best(ax, result.rate, result.gain, "interior", f"{name}, {plain(result.rate)} {result.rate_unit}")
    low, high = net.min(), max(net.max(), 0)
    span = (high - low) or 1.0
    ax.set_ylim(low - 0.25 * span, high + 0.1 * span)
    for status, rows in result.sites.groupby("status"):
        ax.plot(rows.iloc[:, 4], np.full(len(rows), 0.06), STATUS_MARKERS[status], ls="none", ms=6,
                mfc="none", mec=COLOURS["quiet"], transform=ax.get_xaxis_transform(), clip_on=False,
                label=f"own optimum of a trial: {status_in_words(status)} ({len(rows)})")  # fmt: skip
    if np.isfinite(result.interval_low):
        interval_mark(ax, result.interval_low, result.interval_high, 0.13, open_high=result.interval_open,
                      label="95 % over resampled trials")  # fmt: skip
    legend(ax, loc="upper left", bbox_to_anchor=(0, -0.2))
    title = f"Mean of {len(result.sites)} trials" if title is None else title
    return finish(ax, title=title, xlabel=f"rate [{result.rate_unit}]", ylabel=f"mean net gain [{unit}]")


def stochastic_plateau(result, ax=None, *, title: str = "Net return where the plateau varies"):
    """Draw expected net return, its best rate and the join of the mean plateau; see `StochasticPlateau`."""
    ax = new_axes() if ax is None else ax
    ax.plot(result.table.iloc[:, 0], result.table.iloc[:, 2], color=COLOURS["curve"], lw=2,
            label="expected over seasons")  # fmt: skip
    _best(ax, result.rate, result.expected_net, result.status,
          f"best rate, {plain(result.rate)} {result.rate_unit}")  # fmt: skip
    ax.plot([result.join_of_mean], [result.net_at_join], "s", color=COLOURS["quiet"], mfc="white", ms=7,
            label=f"join of the mean plateau, {plain(result.join_of_mean)}")  # fmt: skip
    legend(ax, loc="best")
    return finish(
        ax, title=title, xlabel=f"rate [{result.rate_unit}]",
        ylabel=f"expected net return [{result.money}/{result.area}]",
    )  # fmt: skip


def _money_line(ax, result, rate, net, unit):
    """Draw net return over rates, heavy where it is within the acceptable loss of the best."""
    ax.plot(rate, net, color=COLOURS["curve"], lw=1.8)
    if result.within is not None:
        inside = (rate >= result.within_low) & (rate <= result.within_high)
        ax.axvspan(result.within_low, result.within_high, color=COLOURS["fill"], zorder=0)
        ax.plot(rate[inside], net[inside], color=COLOURS["curve"], lw=4, solid_capstyle="butt",
                label=f"within {plain(result.within)} {unit} of the best")  # fmt: skip


def _best(ax, rate, money, status, label):
    """Mark the best rate on its curve and down to the rate axis."""
    ax.axvline(rate, color=COLOURS["accent"], lw=1.2, zorder=1)
    ax.plot([rate], [money], STATUS_MARKERS[status], color=COLOURS["accent"], ms=8, mec="white", label=label,
            zorder=6, clip_on=False)  # fmt: skip
