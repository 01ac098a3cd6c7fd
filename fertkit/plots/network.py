"""Figures of many sites in one model: their curves, and the rate for one more."""

import numpy as np

from fertkit.plots.forms import interval
from fertkit.plots.palette import hue
from fertkit.plots.response import answer, money_line
from fertkit.plots.style import figure, finish
from fertkit.response.curves import CURVES
from fertkit.response.prices import money_axis

POINTS = 121


@figure()
def network_curves(fit, ax):
    """Draw the curve of every site as predicted, up to its highest rate, and their mean; see `NetworkFit`."""
    rates = fit.start + fit.span * np.linspace(0, 1, POINTS)
    for yields, highest in zip(fit.site_curves(rates), fit.sites["highest_rate"], strict=True):
        tested = rates <= highest * (1 + 1e-9)
        ax.plot(rates[tested], yields[tested], color=hue.quiet, lw=0.8, alpha=0.7, label="site, predicted")
    ax.plot(rates, fit.mean_curve(rates), color=hue.curve, lw=2.6, zorder=5, label="mean over sites")
    title = f"{len(fit.sites)} {fit.counts}s in one model, {CURVES[fit.curve].label}"
    finish(ax, title, f"rate [{fit.rate_unit}]", f"yield [{fit.yield_unit}]")


@figure(height=3.4)
def network_rate(rate, ax):
    """Draw mean net gain, the rates nearly as good, and where the optima of sites lie; see `NetworkRate`."""
    rates, net = rate.frame.iloc[:, 0], rate.frame.iloc[:, 2]
    top = rates.iloc[-1]
    money_line(ax, rate, rates, net, rate.money)
    answer(ax, rate.rate, rate.gain, "best on average", rate.rate_unit, status=rate.status)
    low, high = net.min(), max(net.max(), 0)
    size = (high - low) or 1.0
    ax.set_ylim(low - 0.35 * size, high + 0.1 * size)
    look = {"opens": (False, not np.isfinite(rate.high)), "label": f"{rate.level:.0%} interval of that rate"}
    interval(ax, rate.low, min(rate.high, top), 0.13, **look)
    look = {"opens": (False, not np.isfinite(rate.own_high)), "colour": hue.quiet}
    interval(ax, rate.own_low, min(rate.own_high, top), 0.04, label="range of 95% of site optima", **look)
    label = money_axis("mean net gain", rate.money, rate.area)
    finish(ax, "Mean net gain over the lowest rate", f"rate [{rate.rate_unit}]", label)
