"""One rate for many trials: pool the net-return curves, not the optima.

The rate of greatest mean net return is not the mean of the trials' own optima. Trials without a response and
trials still rising at their highest rate stay in the pool; leaving them out would bias it (the regional
method of Sawyer et al. 2006). Whether the trials are many enough, and agree well enough, for one rate to be
named for other fields, the checks say.

Examples
--------
>>> from fertkit.response import Prices, pool_net_return
>>> from fertkit.response.pooled import Site
>>> import numpy as np
>>> sites = [Site("A", "quadratic", np.array([3.0, 0.05, -0.000125]), 0.0, 300.0),
...          Site("B", "quadratic", np.array([3.0, 0.03, -0.000125]), 0.0, 300.0)]
>>> float(pool_net_return(sites, Prices(0.10, 10.0), within=0.1).rate)  # the sites' own optima are 160 and 80
120.0
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_generator, amounts, asks, either, holding, labels
from fertkit.errors import NotEstimable, UnitError
from fertkit.reference.load import list_sources
from fertkit.response.curves import checked_params, finite, get_curve
from fertkit.response.fit import inside_tested
from fertkit.response.optimum import Status, economic_optimum_rate
from fertkit.response.prices import (
    MoneyResult,
    Prices,
    area_of,
    column,
    limit,
    money_text,
    nearly_as_good,
    positive,
    single,
)
from fertkit.results import checks_frame, failed, plain
from fertkit.rounding import above, at_least, at_most, below, first_largest
from fertkit.trials.limits import check_row

#: The pool, and the limits of one.
SOURCES = ("SAWYER2006", "JACKSON2017", "HIGGINS2003")
LEVEL = 0.95
SMOOTH, STRETCHES = 0.42, 11  # width of the kernel in standard deviations, and its steps

_check_row = partial(check_row, "one rate")


class Site(NamedTuple):
    """One trial of the pool: its name, curve key, parameters (p,), tested rates [rate unit] and a remark."""

    trial: str
    curve: str
    params: np.ndarray
    lowest_rate: float
    highest_rate: float
    remark: str = ""


@dataclass(frozen=True)
class PooledReturn(MoneyResult):
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
    against : DataFrame
        rate, over [rate unit]; gain (mean yield), net, net_low, net_high [money per area] and the number of
        sites that lose: the best rate over others asked for.
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
    against: pd.DataFrame | None = None

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
    def checks(self) -> pd.DataFrame:
        grid, tested = self.frame.iloc[:, 0], self.frame["trials_tested"]
        reached = int(tested[(grid - self.rate).abs().idxmin()])
        n, highest = len(self.sites), grid.iloc[-1]
        falls = below(self.rate, highest)
        inside = "trials with the pooled rate inside their tested rates"
        rows = [
            _check_row(inside, reached, reached == n, limit=n),
            _check_row("pooled rate below the highest rate of the grid", self.rate, falls, limit=highest),
        ]
        return pd.concat([pool_checks(self), checks_frame(rows)], ignore_index=True)

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(SOURCES)


@asks(
    sites=either(a_dict, labels),
    prices=holding("nutrient", "grain", like="Prices"),
    rng=a_generator,
    against=either(amounts, labels),
)
def pool_net_return(
    sites, prices: Prices, *, within: float | None = None, step: float | None = None, rng=None,
    rate_unit: str = "lb/ac", yield_unit: str = "bu/ac", replicates: int = 2000, against=(),
) -> PooledReturn:  # fmt: skip
    """Find the rate of greatest mean net return over trials.

    Parameters
    ----------
    sites : mapping of str to ResponseFit, or iterable of Site
        All trials, those without a response included; fits bring their own units.
    prices : Prices
        One price of each kind.
    within : float, optional
        Acceptable loss that defines the flat range [money per area]; if None the usual share of the gain.
    step : float or None
        Step of the grid of rates, from the lowest to the highest rate of any trial [rate unit]; a round one
        of 100 to 1,000 if None.
    rng : numpy.random.Generator, optional
        Resample trials for an interval of the pooled rate.
    replicates : int
        Resampled pools.
    against : sequence of float
        Rates to hold the best one against, within those tested.

    Returns
    -------
    PooledReturn
        Exact ties go to the lowest rate.

    Raises
    ------
    NotEstimable
        If the pool is empty, a parameter is not finite or the step is not positive.
    PriceError, UnitError
        See `Prices`; also if trials do not share the units of rate and yield.
    """
    if isinstance(sites, Mapping):
        units = {(fit.rate_unit, fit.yield_unit) for fit in sites.values()}
        sites, (rate_unit, yield_unit) = sites_of(sites), next(iter(units), (rate_unit, yield_unit))
    sites = list(sites)
    _check(sites, 1.0 if step is None else step)
    step = grid_step(sites) if step is None else step
    money = single(prices.per(rate_unit, yield_unit))
    lows, highs = (np.array([getattr(s, f) for s in sites]) for f in ("lowest_rate", "highest_rate"))
    rates = np.append(np.arange(lows.min(), highs.max() - step * 1e-9, step), highs.max())
    yields = _per_curve(sites, lambda curve, params, _: curve.value(rates, params[:, None, :]), len(rates))
    net = money.net(yields, rates)
    gains = net - net[:, :1]
    mean = gains.mean(axis=0)
    size = np.abs(net).max()
    best = int(first_largest(mean, scale=size))
    within, by = nearly_as_good(mean[best]) if within is None else (within, "")
    near = rates[at_least(mean, mean[best] - float(positive(within, "acceptable loss", zero_ok=True)), size)]
    table = _site_table(sites, lows, highs, money, rates[best], rate_unit, yield_unit)
    own = table[column("own_rate", rate_unit)].where(table["status"] == Status.INTERIOR).to_numpy(float)
    low, high = _resampled(sites, own, money, rates, rng, replicates)
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
        frame, table, rate_unit, yield_unit,
        prices.money, by, _against(sites, money, float(rates[best]), against, rate_unit),
    )  # fmt: skip


def _against(sites, money, best, against, rate_unit) -> pd.DataFrame:
    """The best rate over others: mean gain and net with Student's interval over the sites, and who loses."""
    lowest, highest = min(s.lowest_rate for s in sites), max(s.highest_rate for s in sites)
    inside_tested(np.array(against, float), lowest, highest, rate_unit)
    at = np.array([best, *against], float)
    yields = _per_curve(sites, lambda curve, params, _: curve.value(at, params[:, None, :]), len(at))
    net = money.net(yields, at)
    rows = []
    for i, over in enumerate(at[1:], 1):
        more = net[:, 0] - net[:, i]
        gain = float((yields[:, 0] - yields[:, i]).mean())
        rows.append((best, over, gain, more.mean(), *mean_interval(more), int((more < 0).sum())))
    return pd.DataFrame(rows, columns=["rate", "over", "gain", "net", "net_low", "net_high", "sites_losing"])


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


def _resampled(sites, own, money, rates, rng, replicates):
    """95 % of the best rates of pools drawn anew.

    Few sites never hold the least and the greatest of their kind, and the best rate of a pool hangs on its
    sites of late joins. So each site is drawn with its rates stretched by a chance factor (a smoothed
    bootstrap; `own` are the sites' optima, nan where they are at an end), and of so many sites fewer as
    Student's t is wider than the normal.
    """
    from scipy.special import ndtri, stdtrit

    if rng is None or len(sites) < 2:
        return np.nan, np.nan
    n, own = len(sites), np.log(own[np.isfinite(own)])
    spread = own.std(ddof=1) if len(own) > 2 else 0.0
    stretch = np.exp(SMOOTH * n**-0.2 * spread * ndtri((np.arange(STRETCHES) + 0.5) / STRETCHES))
    yields = [
        _per_curve(sites, lambda c, p, _, f=f: c.value(rates / f, p[:, None, :]), len(rates))
        for f in (stretch if spread else [1.0])
    ]
    net = money.net(np.concatenate(yields), rates)
    net -= net[:, :1]
    fewer = (n - 1) * (ndtri(0.5 + LEVEL / 2) / stdtrit(n - 1, 0.5 + LEVEL / 2)) ** 2
    drawn = rng.multinomial(max(1, round(fewer)), np.full(len(net), 1 / len(net)), replicates)
    best = rates[first_largest(drawn @ net, scale=np.abs(net).max())]
    return tuple(map(float, np.quantile(best, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])))


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


def sites_of(fits: Mapping) -> list[Site]:
    """Make a pool from fitted trials: name -> `ResponseFit`.

    Raises
    ------
    UnitError
        If the trials do not share the units of rate and yield.
    """
    units = {(f.rate_unit, f.yield_unit) for f in fits.values()}
    if len(units) > 1:
        raise UnitError(f"the trials mix units: {sorted(units)}; restate them in one")
    return [
        Site(str(name), f.curve.key, f.coef, f.lowest_rate, f.highest_rate, ", ".join(f.status))
        for name, f in fits.items()
    ]


# Agreement ---------------------------------------------------------------------------------------


def mean_interval(values, level: float = LEVEL) -> tuple[float, float]:
    """Student's interval of the mean of independent values; nan ends for one value."""
    from scipy.special import stdtrit

    values = np.asarray(values, float)
    if len(values) < 2:
        return np.nan, np.nan
    half = stdtrit(len(values) - 1, 0.5 + level / 2) * values.std(ddof=1) / np.sqrt(len(values))
    return float(values.mean() - half), float(values.mean() + half)


def pool_checks(pooled) -> pd.DataFrame:
    """What must hold before the rate of a `PooledReturn` may be recommended, as a checks table."""
    k, fewest = len(pooled.sites), limit("fewest trials", "network")
    rows = [_check_row("trials pooled", k, k >= fewest, limit=fewest, k=k, fewest=plain(fewest))]
    if pooled.gain > 0:
        low, lowest = pooled.interval_low, pooled.frame.iloc[0, 0]
        high = money_text(pooled.gain_high, pooled.money, pooled.area)
        told = f"{LEVEL:.0%} interval {money_text(pooled.gain_low, pooled.money)} to {high}"
        gains = not at_most(pooled.gain_low, 0, pooled.gain_high)
        clear = None if np.isnan(low) else above(low, lowest, pooled.highest_rate)
        rows.append(_check_row("mean net gain above zero", pooled.gain_low, gains, limit=0, told=told))
        rows.append(_check_row("best rate clearly above the lowest", low, clear, limit=lowest))
    return checks_frame(rows)


def contrast_checks(contrast) -> pd.DataFrame:
    """What must hold of the gain pooled over sites before a rate may be recommended, as a checks table."""
    most = limit("high share between sites", "network")
    ends = contrast.prediction_low, contrast.prediction_high
    spans = (contrast.low, contrast.high), ends
    span, ahead = (f"{plain(low)} to {plain(high)} {contrast.unit}" for low, high in spans)
    apart = at_least(contrast.i2_pct, most) and at_most(ends[0], 0, ends[1])
    facts = {"k": contrast.k, "level": f"{contrast.level:.0%} interval", "span": span, "ahead": ahead,
             "share": plain(contrast.i2_pct)}  # fmt: skip
    gains = not at_most(contrast.low, 0, contrast.high)
    rows = [
        _check_row("pooled gain above zero", contrast.low, gains, limit=0, **facts),
        _check_row("gain of a new site above zero", ends[0], not apart, limit=0, **facts),
    ]
    return checks_frame(rows)
