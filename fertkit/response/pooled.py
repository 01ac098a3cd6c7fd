"""One rate for many trials: pool the net-return curves, not the optima.

The rate of greatest mean net return is not the mean of the trials' own optima. Trials without a response and
trials still rising at their highest rate stay in the pool; leaving them out would bias it (the regional
method of Sawyer et al. 2006).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_generator, asks, holding, labels
from fertkit.errors import NotEstimable, UnitError
from fertkit.reference.load import list_sources
from fertkit.response.agreement import SOURCES as AGREEMENT
from fertkit.response.agreement import mean_interval, pool_checks
from fertkit.response.curves import checked_params, finite, get_curve
from fertkit.response.economics import economic_optimum_rate
from fertkit.response.limits import nearly_as_good
from fertkit.response.prices import Prices, area_of, column, positive, single
from fertkit.results import Result, checks_frame, failed
from fertkit.rounding import at_least, at_most, below, first_largest


class Site(NamedTuple):
    """One trial of the pool: its name, curve key, parameters (p,), tested rates [rate unit] and a remark."""

    trial: str
    curve: str
    params: np.ndarray
    lowest_rate: float
    highest_rate: float
    remark: str = ""


@dataclass(frozen=True)
class PooledReturn(Result):
    """The rate of greatest mean net return over trials, and the flat range around it.

    Attributes
    ----------
    rate, gain : float
        Best rate [rate unit] and mean net gain there over the lowest rate [money per area]; no
        recommendation while there are `doubts`.
    gain_low, gain_high : float
        95 % interval of that gain over the trials, by Student's t; nan for one trial.
    within, within_low, within_high : float
        Acceptable loss [money per area] and the rates of the grid within it of the best [rate unit].
    within_by : str
        Whence that loss, where none was asked for.
    interval_low, interval_high : float
        95 % of resampled pools of trials have their best rate between these; nan without resampling.
    frame : DataFrame
        rate, mean_gain (yield), mean_net_gain (money), trials_tested: on the grid of rates.
    sites : DataFrame
        trial, curve, tested rates, own optimum rate and status, loss_at_pooled_rate (nan where the pooled
        rate lies outside the trial's own tested rates), remark.
    rate_unit, yield_unit, money : str
    """

    rate: float
    gain: float
    gain_low: float
    gain_high: float
    within: float
    within_low: float
    within_high: float
    interval_low: float
    interval_high: float
    frame: pd.DataFrame
    sites: pd.DataFrame
    rate_unit: str
    yield_unit: str
    money: str
    within_by: str = ""

    @property
    def highest_rate(self) -> float:
        """Highest rate any trial tested [rate unit]."""
        return float(self.frame.iloc[-1, 0])

    @property
    def interval_open(self) -> bool:
        """Whether the interval is cut off by the highest rate tested, and so open above."""
        return at_least(self.interval_high, self.highest_rate)

    @property
    def doubts(self) -> list[str]:
        """Why the rate is no recommendation: too few trials, or trials that disagree; empty where it is."""
        return failed(pool_checks(self))

    @property
    def table(self) -> pd.DataFrame:
        return self.sites

    @property
    def area(self) -> str:
        return area_of(self.yield_unit)

    @property
    def checks(self) -> pd.DataFrame:
        grid, tested = self.frame.iloc[:, 0], self.frame["trials_tested"]
        reached = int(tested[(grid - self.rate).abs().idxmin()])
        n = len(self.sites)
        rows = checks_frame(
            [
                ("trials with the pooled rate inside their tested rates", reached, n, reached == n,
                 ("every trial tested rates on both sides of the pooled one",
                  "the pooled rate lies beyond the rates of some trials, whose curves are carried on")),
                ("pooled rate below the highest rate of the grid", self.rate, grid.iloc[-1],
                 below(self.rate, grid.iloc[-1]),
                 ("the mean net return falls again above the pooled rate",
                  "the pooled rate is the highest tested: the best is at least this rate")),
            ]
        )  # fmt: skip
        return pd.concat([pool_checks(self), rows], ignore_index=True)

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(["SAWYER2006", *AGREEMENT])


@asks(fits=a_dict)
def sites_of(fits: Mapping) -> list[Site]:
    """Make a pool from fitted trials: name -> `ResponseFit`.

    Raises
    ------
    UnitError
        If the trials do not share the units of rate and yield.

    Examples
    --------
    >>> from fertkit.response import sites_of
    >>> from fertkit.response import fit_response
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
    ...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
    ... })
    >>> [site.trial for site in sites_of({"A": fit_response(trial, "linear_plateau")})]
    ['A']
    """
    units = {(f.rate_unit, f.yield_unit) for f in fits.values()}
    if len(units) > 1:
        raise UnitError(f"the trials mix units: {sorted(units)}; restate them in one")
    return [
        Site(str(name), f.curve.key, f.coef, f.lowest_rate, f.highest_rate, ", ".join(f.status))
        for name, f in fits.items()
    ]


@asks(sites=labels, prices=holding("nutrient", "grain", like="Prices"), rng=a_generator)
def pool_net_return(
    sites: Iterable[Site],
    prices: Prices,
    *,
    within: float | None = None,
    step: float = 1.0,
    rate_unit: str = "lb/ac",
    yield_unit: str = "bu/ac",
    rng=None,
    replicates: int = 2000,
) -> PooledReturn:
    """Find the rate of greatest mean net return over trials.

    Parameters
    ----------
    sites : iterable of Site
        All trials, those without a response included; see `sites_of`.
    prices : Prices
        One price of each kind.
    within : float, optional
        Acceptable loss that defines the flat range [money per area]; if None the usual share of the gain.
    step : float
        Step of the grid of rates, from the lowest to the highest rate of any trial [rate unit].
    rng : numpy.random.Generator, optional
        Resample trials for an interval of the pooled rate.
    replicates : int
        Resampled pools.

    Returns
    -------
    PooledReturn
        Exact ties go to the lowest rate.

    Raises
    ------
    NotEstimable
        If the pool is empty, a parameter is not finite or the step is not positive.
    PriceError, UnitError
        See `Prices`.

    Examples
    --------
    >>> from fertkit.response import pool_net_return
    >>> import numpy as np
    >>> from fertkit.response import Prices, Site
    >>> sites = [Site("A", "quadratic", np.array([3.0, 0.05, -0.000125]), 0.0, 300.0),
    ...          Site("B", "quadratic", np.array([3.0, 0.03, -0.000125]), 0.0, 300.0)]
    >>> pooled = pool_net_return(sites, Prices(0.10, 10.0), within=0.1)
    >>> float(pooled.rate)  # the sites' own optima are 160 and 80
    120.0
    """
    sites = list(sites)
    _check(sites, step)
    money = single(prices.per(rate_unit, yield_unit))
    lows, highs = (np.array([getattr(s, f) for s in sites]) for f in ("lowest_rate", "highest_rate"))
    rates = np.arange(lows.min(), highs.max() + step * 1e-9, step)
    yields = _per_curve(sites, lambda curve, params, _: curve.value(rates, params[:, None, :]), len(rates))
    net = money.net(yields, rates)
    gains = net - net[:, :1]
    mean = gains.mean(axis=0)
    size = np.abs(net).max()
    best = int(first_largest(mean, scale=size))
    within, by = nearly_as_good(mean[best]) if within is None else (within, "")
    near = rates[at_least(mean, mean[best] - float(positive(within, "acceptable loss", zero_ok=True)), size)]
    low, high = _resampled(gains, size, rates, rng, replicates)
    frame = pd.DataFrame(
        {
            column("rate", rate_unit): rates,
            column("mean_gain", yield_unit): (yields - yields[:, :1]).mean(axis=0),
            f"mean_net_gain_per_{area_of(yield_unit)}": mean,
            "trials_tested": (at_most(lows[:, None], rates) & at_most(rates, highs[:, None])).sum(axis=0),
        }
    )
    return PooledReturn(
        float(rates[best]), float(mean[best]), *mean_interval(gains[:, best]),
        float(within), float(near[0]), float(near[-1]), low, high,
        frame,
        _site_table(sites, lows, highs, money, rates[best], rate_unit, yield_unit), rate_unit, yield_unit,
        prices.money, by,
    )  # fmt: skip


def grid_step(sites: Iterable[Site]) -> float:
    """Step of a grid of rates that is round and cuts the range tested into 100 to 1,000 [rate unit]."""
    ends = [(site.lowest_rate, site.highest_rate) for site in sites]
    span = max(high for _, high in ends) - min(low for low, _ in ends)
    return float(10.0 ** (np.floor(np.log10(span)) - 2))


def _check(sites, step):
    if not sites:
        raise NotEstimable("a pool needs at least one trial")
    if not (np.isfinite(step) and step > 0):
        raise NotEstimable(f"the step of the grid of rates must be above zero, not {step}")
    for site in sites:
        try:
            checked_params(get_curve(site.curve), site.params)
            low, high = finite([site.lowest_rate, site.highest_rate], "tested rates")
        except NotEstimable as error:
            raise NotEstimable(f"trial '{site.trial}': {error}") from None
        if not 0 <= low < high:
            raise NotEstimable(f"trial '{site.trial}' spans no range of tested rates: {low:g} to {high:g}")


def _per_curve(sites, function, width):
    """Apply ``function(curve, params, rows)`` once per kind of curve and put the rows back in order."""
    out = np.empty((len(sites), width))
    for key in dict.fromkeys(s.curve for s in sites):
        rows = np.array([i for i, s in enumerate(sites) if s.curve == key])
        out[rows] = function(get_curve(key), np.array([sites[i].params for i in rows], float), rows)
    return out


def _resampled(gains, size, rates, rng, replicates):
    if rng is None:
        return np.nan, np.nan
    shares = rng.multinomial(len(gains), np.full(len(gains), 1 / len(gains)), replicates) / len(gains)
    low, high = np.quantile(rates[first_largest(shares @ gains, scale=size)], [0.025, 0.975])
    return float(low), float(high)


def _site_table(sites, lows, highs, money, pooled, rate_unit, yield_unit):
    status = np.empty(len(sites), dtype=object)

    def own(curve, params, rows):
        cost = money.pass_cost / money.grain
        rate, status[rows] = economic_optimum_rate(
            curve, params, money.ratio, lows[rows], highs[rows], pass_cost=cost
        )
        loss = money.net(curve.value(rate, params), rate) - money.net(curve.value(pooled, params), pooled)
        return np.column_stack([rate, loss])

    rate, loss = _per_curve(sites, own, 2).T
    tested = at_most(lows, pooled) & at_most(pooled, highs)
    return pd.DataFrame(
        {
            "trial": [s.trial for s in sites],
            "curve": [s.curve for s in sites],
            column("lowest_rate", rate_unit): lows,
            column("highest_rate", rate_unit): highs,
            column("own_rate", rate_unit): rate,
            "status": status,
            f"loss_at_pooled_rate_per_{area_of(yield_unit)}": np.where(tested, loss, np.nan),
            "remark": [s.remark for s in sites],
        }
    )
