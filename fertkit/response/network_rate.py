"""The rate of a network: of greatest mean net return over sites like these, or at one more site.

It is not the optimum of an average site: the mean of the curves is not the curve of the mean site.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_count, asks, holding, make_rng
from fertkit.response.curves import CURVES, optimum_in_range
from fertkit.response.optimum import Status
from fertkit.response.prices import MoneyResult, Prices, area_of, column, nearly_as_good, positive, single
from fertkit.rounding import at_least, first_largest


@dataclass(frozen=True)
class NetworkRate(MoneyResult):
    """The rate that returns most on average over sites like those of a network.

    Attributes
    ----------
    rate, low, high : float
        Best rate and its interval [rate unit]; `high` is inf where it is open.
    status : str
        A `Status`.
    gain, gain_low, gain_high : float
        Mean net gain there over the lowest rate [money per area].
    within, within_low, within_high : float
        Acceptable loss [money per area] and the rates within it of the best [rate unit].
    within_by : str
    pays_low, pays_high : float
        Rates between which the mean net return is above that of the lowest rate; nan where none is.
    own_low, own_high : float
        Where the optimum of one more site lies, 95 % of sites; `own_high` inf where more rates were needed.
    chance : float
        Chance that the rate returns more than the lowest at one more site.
    given : dict
        What is known of the site asked about; empty for the region.
    frame : DataFrame
        rate, mean_yield, mean_net_gain.
    sites : DataFrame
        trial, rate, status, loss_at_rate: predictions of the sites at these prices.
    rate_unit, yield_unit, money : str
    level : float
    """

    rate: float
    low: float
    high: float
    status: str
    gain: float
    gain_low: float
    gain_high: float
    within: float
    within_low: float
    within_high: float
    within_by: str
    pays_low: float
    pays_high: float
    own_low: float
    own_high: float
    chance: float
    given: dict
    frame: pd.DataFrame
    sites: pd.DataFrame
    rate_unit: str
    yield_unit: str
    money: str
    level: float

    @property
    def table(self) -> pd.DataFrame:
        return self.sites


@asks(fit=holding("mean_curve", "site_curves", of="fit_network"), draws=a_count(1))
def network_rate(
    fit, prices: Prices, *, given: Mapping | None = None, within: float | None = None, seed=0,
    draws: int = 1000,
) -> NetworkRate:  # fmt: skip
    """Find the rate of greatest mean net return over sites like these, or like a new one.

    Parameters
    ----------
    fit : NetworkFit
    prices : Prices
        One price of each kind.
    given : mapping, optional
        What is known of a new site by column, e.g. its soil test; what is not given is averaged over.
    within : float, optional
        Acceptable loss [money per area]; if None the usual share of the gain.
    seed : int or Generator
    draws : int
        Parameters drawn for the intervals.

    Raises
    ------
    InputError
        If what is given is not known of the sites, or lies outside what they span.
    """
    rng, rates, rows = make_rng(seed), fit.rates, fit.standing(given)
    money = single(prices.per(fit.rate_unit, fit.yield_unit))
    yields = fit._means(fit.model.theta[None], rows, rates)[0]
    net = money.net(yields, rates)
    gain, size = net - net[0], np.abs(net).max()
    best = int(first_largest(gain, scale=size))
    thetas = fit.draws(draws, rng)
    shares = fit.shares(draws, rows, rng) if len(rows) > 1 else None
    others = money.net(fit._means(thetas, rows, rates, shares), rates)
    others = others - others[:, :1]
    tails = (1 - fit.level) / 2, (1 + fit.level) / 2
    low, high = np.quantile(rates[first_largest(others, scale=size)], tails)
    within, by = nearly_as_good(gain[best]) if within is None else (within, "")
    near = rates[at_least(gain, gain[best] - float(positive(within, "acceptable loss", zero_ok=True)), size)]
    paying = rates[gain > 1e-9 * size]
    own, chance = _new_site(fit, thetas, rows, money, rates[best], rng)
    top, status = (
        rates[-1],
        Status.NONE if best == 0 else Status.TOP if best == len(rates) - 1 else Status.INTERIOR,
    )
    own_low, own_high = np.quantile(own, tails)
    frame = pd.DataFrame({
        column("rate", fit.rate_unit): rates, column("mean_yield", fit.yield_unit): yields,
        f"mean_net_gain_per_{area_of(fit.yield_unit)}": gain,
    })  # fmt: skip
    return NetworkRate(
        float(rates[best]), float(low), _opened(high, top), status, float(gain[best]),
        *map(float, np.quantile(others[:, best], tails)), float(within), float(near[0]), float(near[-1]), by,
        *(map(float, paying[[0, -1]]) if len(paying) else (np.nan, np.nan)), float(own_low),
        _opened(own_high, top),
        chance, dict(given or {}), frame, _site_rates(fit, money, rates[best]), fit.rate_unit, fit.yield_unit,
        prices.money, fit.level,
    )  # fmt: skip


def _opened(end, top):
    return float(np.inf if at_least(end, top) else end)


def _new_site(fit, thetas, rows, money, rate, rng):
    """Optimum of one more site for each draw, and the chance that a rate pays there."""
    curve, params = CURVES[fit.curve], fit.own_params(thetas, rows, rng)
    lowest, highest = fit.start, fit.start + fit.span
    own = optimum_in_range(curve, params, money.ratio, lowest, highest)
    gain = [money.net(curve.value(at, params), at) for at in (rate, lowest)]
    return own, float((gain[0] > gain[1]).mean())


def _site_rates(fit, money, rate):
    """Best rate of each site as predicted, within the rates it tested, and what the common one loses."""
    rates = fit.rates
    net = money.net(fit.site_curves(rates), rates)
    top = fit.sites["highest_rate"].to_numpy()
    inside = rates <= top[:, None] * (1 + 1e-9)
    masked = np.where(inside, net, -np.inf)
    at = masked.argmax(axis=1)
    last = inside.sum(axis=1) - 1
    status = np.where(at == 0, Status.NONE, np.where(at == last, Status.TOP, Status.INTERIOR))
    common = int(np.abs(rates - rate).argmin())
    loss = np.where(common <= last, masked.max(axis=1) - net[:, common], np.nan)
    return pd.DataFrame({
        "trial": fit.sites["trial"], column("rate", fit.rate_unit): rates[at], "status": status.astype(str),
        f"loss_at_common_rate_per_{area_of(fit.yield_unit)}": loss,
    })  # fmt: skip
