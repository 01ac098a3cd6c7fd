"""The optimum rate of a curve, and what may honestly be said of it.

Pure functions of a curve's parameters, vectorised over leading axes (bootstrap draws, trials, prices). They
work in yield units: prices enter as the price ratio (see `prices`), costs as the yield that pays for them.
A recommendation never leaves the tested rates; what lies beyond is said in the status word.
"""

from enum import StrEnum
from typing import NamedTuple

import numpy as np

from fertkit.asked import amounts, asks
from fertkit.errors import NotEstimable
from fertkit.response.curves import a_curve, checked_params, finite, get_curve, optimum_in_range
from fertkit.response.prices import positive
from fertkit.rounding import above, at_least, at_most, below

_HALVINGS = 60  # bisection steps: to the last digit of a double
TRIFLE = 1e-3  # share of the tested rates above the lowest that is the lowest


class Status(StrEnum):
    """Status of an optimum rate; as text it is the word tables carry."""

    INTERIOR = "interior"
    EDGE = "on an edge of the tested rates"
    CORNER = "in a corner of the tested rates"
    NONE = "no economic response"
    TOP = "at least the highest rate"
    STEP = "at most the first rate"
    DIFFERENCE = "difference only"
    UNPAID = "pass not paid"
    ENDLESS = "no finite maximum"
    TIE = "tie"
    REFUSED = "not usable"

    @property
    def meaning(self) -> str:
        """What it means, as part of a sentence."""
        return _MEANINGS[self]


def status_in_words(word: str) -> str:
    """Say a status as tables and figures for people do."""
    return "inside the tested rates" if word == Status.INTERIOR else str(word)


_MEANINGS = {
    Status.INTERIOR: "net return is highest inside the tested rates",
    Status.EDGE: "net return is highest at an end of the tested rates of one nutrient",
    Status.CORNER: "net return is highest at an end of the tested rates of every nutrient",
    Status.NONE: "no tested rate returns more than the lowest",
    Status.TOP: "net return still rises at the highest rate tested",
    Status.STEP: "the first rate above the lowest gives the whole response",
    Status.DIFFERENCE: "two rates give a difference, not a curve; the better is reported",
    Status.UNPAID: "the gain does not pay for the application pass",
    Status.ENDLESS: "at least the highest rate tested: the fitted curve always pays",
    Status.TIE: "several rates return the same; the lowest is reported",
    Status.REFUSED: "no answer; see the reason",
}


class OptimumRate(NamedTuple):
    """Optimum rates [rate unit] and their status words (`Status`), arrays of the same shape."""

    rate: np.ndarray
    status: np.ndarray


@asks(
    curve=a_curve, params=amounts, price_ratio=amounts, lowest_rate=amounts, highest_rate=amounts,
    pass_cost=amounts,
)  # fmt: skip
def economic_optimum_rate(
    curve, params, price_ratio, lowest_rate, highest_rate, *, pass_cost=0.0
) -> OptimumRate:
    """Tested rate with the greatest net return, and whether it is an honest inside answer.

    Parameters
    ----------
    curve : str or Curve
    params : array, shape (..., p)
        Published parameters of the curve; leading axes broadcast against the other arguments.
    price_ratio : float or array
        Price of a unit of nutrient over the price of a unit of yield [yield unit per rate unit]; zero gives
        the agronomic optimum.
    lowest_rate, highest_rate : float or array
        Range of tested rates [rate unit].
    pass_cost : float or array
        Cost of an application pass in the yield that pays for it [yield unit]; spent at every rate above
        zero. It never moves the optimum, but may make zero the best rate where zero was tested.

    Returns
    -------
    OptimumRate
        Ties go to the lowest rate.

    Raises
    ------
    PriceError
        If the price ratio or the cost is negative or missing.
    NotEstimable
        If the tested rates do not span a range, or a parameter is not a finite number.

    References
    ----------
    Formulae: Cerrato & Blackmer (1990) Agron. J. 82:138-143. Fixed costs: Pannell (2006) Rev. Agric. Econ.
    28:553-566.

    Examples
    --------
    The same curve at a price ratio of 0.01 pays up to (0.05 - 0.01) / (2 x 0.000125):

    >>> from fertkit.response import economic_optimum_rate
    >>> found = economic_optimum_rate("quadratic", [3.0, 0.05, -0.000125], 0.01, 0, 300)
    >>> float(found.rate), str(found.status)
    (160.0, 'interior')
    """
    curve = get_curve(curve)
    params = checked_params(curve, params)
    pr = positive(price_ratio, "price ratio", zero_ok=True)
    cost = positive(pass_cost, "cost of the application pass", zero_ok=True)
    low, high = _tested(lowest_rate, highest_rate)
    rate = optimum_in_range(curve, params, pr, low, high)
    status = _status(curve, params, pr, rate, low, high)
    top = curve.value(rate, params)
    gain = top - curve.value(low, params) - pr * (rate - low)
    unpaid = (cost > 0) & (low == 0) & (rate > 0) & at_most(gain, cost, scale=np.abs(top))
    return OptimumRate(np.where(unpaid, low, rate), np.where(unpaid, Status.UNPAID, status))


def _tested(lowest, highest):
    low, high = np.asarray(lowest, float), np.asarray(highest, float)
    if not (np.isfinite(low).all() and np.isfinite(high).all() and (low >= 0).all() and (low < high).all()):
        raise NotEstimable(f"an optimum needs 0 <= lowest < highest rate; got {lowest} to {highest}")
    return low, high


def _status(curve, params, pr, rate, low, high):
    formula = curve.optimum(params, pr)
    at_top, at_foot = at_least(rate, high), at_most(rate, low, scale=high)
    return np.select(
        [_ties(curve, params, pr, rate, high), at_foot, at_top & np.isinf(formula), at_top],
        [Status.TIE, Status.NONE, Status.ENDLESS, Status.TOP],
        Status.INTERIOR,
    )


def _ties(curve, params, pr, rate, high):
    """Whether a higher rate, the join or the top, returns the same; a free plateau (pr = 0) is no tie."""
    top = curve.value(rate, params)
    net, equal = top - pr * rate, False
    for other in (np.clip(curve.join(params), None, high), high):
        loss = net - (curve.value(other, params) - pr * other)
        equal |= above(other, rate) & at_most(loss, 0, scale=np.abs(top))
    return equal & (pr > 0)


def rates_within(net, best_rate, lowest_rate, highest_rate, amount):
    """Stretch of rates around the best whose net return is within `amount` of it.

    Parameters
    ----------
    net : callable
        Net return at rates of shape (..., m) [money or yield unit per area].
    best_rate : float or array, shape (...)
    lowest_rate, highest_rate : float or array
        Ends beyond which the stretch is not followed.
    amount : float
        Loss that is still acceptable [unit of `net`].

    Returns
    -------
    low, high : array, shape (...)
        Ends to the last digit; where net return falls and rises again, the piece holding the best rate.

    Examples
    --------
    A parabola of returns loses 0.01 d^2 at a distance d from its best rate of 100:

    >>> from fertkit.response.optimum import rates_within
    >>> low, high = rates_within(lambda x: 50 - 0.01 * (x - 100) ** 2, 100.0, 0, 160, 1.0)
    >>> round(float(low), 3), round(float(high), 3)
    (90.0, 110.0)
    """
    best = finite(best_rate, "best rates")[..., None]
    lowest_rate, highest_rate = (finite(end, "ends of the stretch") for end in (lowest_rate, highest_rate))
    floor = finite(net(best), "net returns at the best rates") - positive(
        amount, "acceptable loss", zero_ok=True
    )
    ends = [_walk(net, best, edge[..., None], floor) for edge in (lowest_rate, highest_rate)]
    return ends[0][..., 0], ends[1][..., 0]


def _walk(net, best, edge, floor):
    """Go from the best rate to an edge until net return falls below the floor."""
    path = best + (edge - best) * np.linspace(0, 1, 201)
    lost = below(net(path), floor)
    first = np.argmax(lost, axis=-1)[..., None]
    inside = np.take_along_axis(path, np.maximum(first - 1, 0), -1)
    outside = np.take_along_axis(path, first, -1)
    for _ in range(_HALVINGS):
        middle = (inside + outside) / 2
        good = at_least(net(middle), floor)
        inside, outside = np.where(good, middle, inside), np.where(good, outside, middle)
    return np.where(lost.any(-1, keepdims=True), inside, np.broadcast_to(edge, inside.shape))


def break_even_ratio(curve, params, lowest_rate, highest_rate, *, pass_cost=0.0):
    """Price ratio above which no tested rate returns more than the lowest.

    Parameters
    ----------
    curve, params, lowest_rate, highest_rate, pass_cost
        See `economic_optimum_rate`; the pass is charged against every rate above the lowest.

    Returns
    -------
    array
        Greatest ``(gain - pass_cost) / (rate - lowest rate)`` over the tested rates [yield unit per rate
        unit]: without a pass, the initial slope of a curve of diminishing returns. Zero where no rate pays
        even if the nutrient is free.

    Examples
    --------
    >>> from fertkit.response.optimum import break_even_ratio
    >>> float(break_even_ratio("quadratic", [3.0, 0.05, -0.000125], 0, 300))  # the slope at the lowest rate
    0.05
    """
    curve = get_curve(curve)
    params = checked_params(curve, params)
    cost = positive(pass_cost, "cost of the application pass", zero_ok=True)
    low, high = _tested(lowest_rate, highest_rate)

    def gain(rate):
        return curve.value(rate, params) - curve.value(low, params) - cost

    # The chord from the lowest rate is steepest where it touches the curve: bisect for that rate.
    left, right = np.broadcast_arrays(low, high + 0.0 * gain(high))
    for _ in range(_HALVINGS):
        middle = (left + right) / 2
        rising = curve.slope(middle, params) * (middle - low) > gain(middle)
        left, right = np.where(rising, middle, left), np.where(rising, right, middle)
    far = np.where(cost > 0, right, high)
    start = np.where(cost > 0, 0.0, curve.slope(low, params))
    return np.maximum(np.maximum(start, gain(far) / (far - low)), 0.0)
