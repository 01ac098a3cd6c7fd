"""Choosing one rate while curve and prices are uncertain: expected regret.

Regret of a rate is the net return lost against the rate that would have been best, had the curve and the
prices been known. The rate of least expected regret is also the rate of greatest expected net return.

Examples
--------
Two curves equally likely, with optima of 160 and 80 at a price ratio of 0.01; midway each loses the same:

>>> from fertkit.response import Prices, expected_regret
>>> import numpy as np
>>> draws = {"quadratic": np.array([[3.0, 0.05, -0.000125], [3.0, 0.03, -0.000125]])}
>>> round(float(expected_regret(draws, Prices(0.10, 10.0), lowest_rate=0, highest_rate=300).rate))
120
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, amounts, asks, holding, numbers_by_name
from fertkit.errors import NotEstimable
from fertkit.reference.load import list_sources
from fertkit.response.curves import get_curve
from fertkit.response.optimum import economic_optimum_rate
from fertkit.response.prices import MoneyResult, Prices, area_of, column
from fertkit.rounding import at_least, first_smallest


@dataclass(frozen=True)
class Regret(MoneyResult):
    """Expected regret over rates.

    Attributes
    ----------
    rate : float
        Rate with the least expected regret; the lowest such rate [rate unit].
    expected_regret : float
        What is lost on average even there [money per area]: the worth of knowing curve and prices.
    table : DataFrame
        rate, expected_regret, regret_p90 (exceeded in one case in ten), expected_net_return.
    optima : array, shape (cases,)
        Best rate of every case [rate unit].
    weights : array, shape (cases,)
        Weight of every case; they sum to one.
    cases : int
        Curve draws times prices.
    rate_unit, yield_unit, money : str
    """

    rate: float
    expected_regret: float
    table: pd.DataFrame
    optima: np.ndarray
    weights: np.ndarray
    rate_unit: str
    yield_unit: str
    money: str

    @property
    def cases(self) -> int:
        return len(self.optima)

    @property
    def at_top(self) -> float:
        """Share of the cases whose best rate is the highest compared: beyond it nothing is counted."""
        return float(self.weights[at_least(self.optima, self.table.iloc[-1, 0])].sum())

    @property
    def open_above(self) -> bool:
        """Whether the range of the best rates reaches the highest rate compared."""
        return at_least(self.optima_range[1], self.table.iloc[-1, 0])

    @property
    def optima_range(self) -> tuple[float, float]:
        """Rates between which the best rate of nine cases in ten lies [rate unit]."""
        low, high = weighted_quantile(self.optima, self.weights, [0.05, 0.95])
        return float(low), float(high)

    def at(self, rate: float) -> pd.Series:
        """Row of the table at the rate nearest to `rate`."""
        rates = self.table.iloc[:, 0]
        return self.table.iloc[int((rates - rate).abs().argmin())]

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(["PANNELL2006"])


@asks(
    draws=a_dict, prices=holding("nutrient", "grain", like="Prices"), weights=numbers_by_name, rates=amounts,
)  # fmt: skip
def expected_regret(
    draws: Mapping[str, np.ndarray], prices: Prices, *, lowest_rate: float, highest_rate: float,
    weights: Mapping[str, float] | None = None, rates=None, rate_unit: str = "lb/ac",
    yield_unit: str = "bu/ac",
) -> Regret:  # fmt: skip
    """Expected regret of every rate over draws of curve parameters and prices.

    Parameters
    ----------
    draws : mapping
        Curve key -> parameter draws, shape (n, p) (a bootstrap, or sites, or seasons).
    prices : Prices
        One price of each kind, as many as the draws of a curve (then paired, draw by draw), or a table of
        another length (then every row meets every draw).
    lowest_rate, highest_rate : float
        Tested rates [rate unit].
    weights : mapping, optional
        Curve key -> weight (Akaike weights, for instance); equal if None.
    rates : array, optional
        Rates to compare; 201 across the tested rates if None.

    Raises
    ------
    NotEstimable
        If there are no draws, a parameter is not finite, or the rates leave the tested range.
    PriceError, UnitError
        See `Prices`.
    """
    rates, share = _rates(rates, lowest_rate, highest_rate), _shares(draws, weights)
    money = prices.per(rate_unit, yield_unit)
    cases = [_cases(key, params, money, lowest_rate, highest_rate) for key, params in draws.items()]
    nets, best = zip(*cases, strict=True)
    optima, best_net = np.concatenate(best), np.concatenate([net(at) for net, at in cases])
    sizes = [len(part) for part in best]
    weight = np.repeat(share / sizes, sizes)
    rows = []
    for rate in rates:
        net = np.concatenate([net(rate) for net in nets])
        regret = np.maximum(best_net - net, 0.0)
        # sums, no matrix product: at this length its threads wait on each other longer than they work
        p90 = weighted_quantile(regret, weight, [0.9])[0]
        rows.append((rate, (weight * regret).sum(), p90, (weight * net).sum()))
    area = area_of(yield_unit)
    names = [f"{n}_per_{area}" for n in ("expected_regret", "regret_p90", "expected_net_return")]
    frame = pd.DataFrame(rows, columns=[column("rate", rate_unit), *names])
    least = int(first_smallest(frame[names[0]], scale=frame[names[2]].abs().max()))
    return Regret(
        float(rates[least]), float(frame[names[0]].iloc[least]), frame, optima, weight, rate_unit, yield_unit,
        prices.money,
    )  # fmt: skip


def _cases(key, params, money, lowest, highest):
    """Net return at a rate in every case, a draw of one curve met with prices, and the best rates (n,)."""
    curve, params = get_curve(key), _draws(key, params)
    nutrient, grain = (np.atleast_1d(p) for p in np.broadcast_arrays(money.nutrient, money.grain))
    if len(nutrient) not in (1, len(params)):
        n = len(params)
        params = np.repeat(params, len(nutrient), axis=0)
        nutrient, grain = np.tile(nutrient, n), np.tile(grain, n)
    money = money._replace(nutrient=nutrient, grain=grain)
    cost = money.pass_cost / grain
    best = economic_optimum_rate(curve, params, money.ratio, lowest, highest, pass_cost=cost)
    return lambda rate: money.net(curve.value(rate, params), rate), best.rate


def _draws(key, params):
    params = np.atleast_2d(np.asarray(params, float))
    wanted = get_curve(key).n_params
    if params.ndim != 2 or params.shape[1] != wanted or not len(params):
        raise NotEstimable(f"the {key} curve needs draws of shape (n, {wanted}), got {params.shape}")
    if not np.isfinite(params).all():
        raise NotEstimable(f"some draws of the {key} curve are not finite; drop them, and say how many")
    return params


def _shares(draws, weights):
    if not draws:
        raise NotEstimable("expected regret needs the draws of at least one curve")
    share = np.array([1.0 if weights is None else float(weights[key]) for key in draws])
    if not (np.isfinite(share).all() and (share >= 0).all() and share.sum() > 0):
        raise NotEstimable(
            f"weights of curves must be finite and not negative, with a sum above zero: {weights}"
        )
    return share / share.sum()


def _rates(rates, lowest, highest):
    if rates is None:
        return np.linspace(lowest, highest, 201)
    rates = np.unique(np.asarray(rates, float))
    if not rates.size or not (rates[0] >= lowest and rates[-1] <= highest):
        raise NotEstimable(f"compare only rates inside the tested range {lowest:g} to {highest:g}")
    return rates


def weighted_quantile(values, weights, shares):
    """Smallest value whose cumulative weight reaches each share (inverse of the weighted distribution)."""
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(np.asarray(weights)[order])
    place = np.searchsorted(reached, np.asarray(shares) * reached[-1] * (1 - 1e-12))
    return np.asarray(values)[order][np.minimum(place, len(order) - 1)]


# A plateau that varies ----------------------------------------------------------------------------
