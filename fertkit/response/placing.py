"""Where to place the rates of a trial so that they tell the economic optimum most sharply.

A strip at rate x tells of the parameters of a curve by the slopes f(x) of yield in them; strips of a block
give M = sum f f', and an optimum of slope c in the parameters has the variance c' M^-1 c per error variance
and block. D-optimal weights make det M largest, c-optimal ones that variance least (Elfving 1952); where
the curve is not known well, both are averaged over a range of it (Chaloner & Verdinelli 1995). No trial has
such weights: whole strips are placed by exchange, with more distinct rates than parameters, so that the
curve can be judged.
"""

from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_count, a_number, a_word, above_zero, amounts, asks
from fertkit.errors import NotEstimable
from fertkit.reference.load import method_sources
from fertkit.response.curves import CURVES, QUADRATIC_PLATEAU, Curve, a_curve, get_curve, optimum_in_range
from fertkit.response.plan import curve_through
from fertkit.response.prices import column, one_ratio
from fertkit.results import Result, plain
from fertkit.rounding import below

GRID = 101  # rates among which weights are shared
_TOLD = 1e-6  # part of a combination that may be lost to rounding
TURNS = 3000  # of the multiplicative search; weights settle long before
SUPPOSED = 7  # curves over a range of the rate of the best yield
STEP = 1e-5  # share of a parameter or of the rates, for slopes
EQUAL, GIVEN = "equal spacing", "the rates given"


@dataclass(frozen=True)
class RatePlacing(Result):
    """Rates of a block, placed in several ways.

    Attributes
    ----------
    table : DataFrame
        plan, rates (in one block), distinct, optimum_se (of one block, median over the supposed curves) [rate
        unit, in its name], against_equal_pct (blocks of equal spacing that would tell as much, in percent),
        efficiency_pct (of the least variance any weights could have).
    by_curve : DataFrame
        The same standard error where another curve through the same yields is true: a row a curve, a column a
        plan.
    plans : dict of str to tuple
        Rates of one block, by plan.
    weights : DataFrame
        rate, d_weight, c_weight of the best weights, those above a thousandth.
    curve : str
    best_rates : tuple of float
        Rates of the best yield that were supposed.
    rate_unit : str
    """

    table: pd.DataFrame
    by_curve: pd.DataFrame
    plans: dict[str, tuple[float, ...]]
    weights: pd.DataFrame
    curve: str
    best_rates: tuple[float, ...]
    rate_unit: str

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources("D-optimal", "c-optimal", *["prior"] * (len(self.best_rates) > 1))


def yield_slopes(curve: Curve, params, rates) -> np.ndarray:
    """Slopes (n, p) of yield in the parameters; a rate on a join counts as on the plateau."""
    params, rates = np.asarray(params, float), np.asarray(rates, float)
    rates = rates + 3 * STEP * np.ptp(rates) if curve.shape is not None and curve.shape.has_join else rates
    steps = np.diag(STEP * np.where(params, np.abs(params), 1.0))
    return np.stack(
        [(curve.value(rates, params + h) - curve.value(rates, params - h)) / (2 * h.sum()) for h in steps],
        axis=1,
    )


def optimum_slopes(curve: Curve, params, price_ratio) -> np.ndarray:
    """Slopes (p,) of the economic optimum in the parameters."""
    params = np.asarray(params, float)
    steps = np.diag(STEP * np.where(params, np.abs(params), 1.0))
    ends = [(curve.optimum(params + h, price_ratio) - curve.optimum(params - h, price_ratio)) / (2 * h.sum())
            for h in steps]  # fmt: skip
    return np.array(ends, float)


def best_weights(slopes, towards=None) -> np.ndarray:
    """Weights (n,) of rates that are best for all parameters, or towards combinations of them.

    Parameters
    ----------
    slopes : array (k, n, p)
        Of k supposed curves at n rates.
    towards : array (k, p), optional
        Combinations whose variance is to be least (c-optimal); all parameters alike if None (D-optimal).

    Notes
    -----
    Multiplicative search (Silvey, Titterington & Torsney 1978): each weight times its share in the
    directional derivative of the mean logarithm of the criterion, or its root towards a combination.

    Examples
    --------
    D-optimal for a quadratic on -1 to 1: thirds at -1, 0 and 1.

    >>> import numpy as np
    >>> from fertkit.response.placing import best_weights
    >>> x = np.linspace(-1, 1, 5)
    >>> best_weights(np.stack([x**0, x, x**2], axis=1)[None]).round(3).tolist()
    [0.333, 0.0, 0.333, 0.0, 0.333]
    """
    slopes, towards = _scaled(slopes, towards)
    weights = np.full(slopes.shape[1], 1 / slopes.shape[1])
    for _ in range(TURNS):
        inverse = np.linalg.pinv(np.einsum("n,knp,knq->kpq", weights, slopes, slopes), hermitian=True)
        if towards is None:
            gain = np.einsum("knp,kpq,knq->kn", slopes, inverse, slopes) / slopes.shape[2]
        else:
            along = np.einsum("knp,kpq,kq->kn", slopes, inverse, towards)
            gain = along**2 / np.einsum("kp,kpq,kq->k", towards, inverse, towards)[:, None]
        share = gain.mean(axis=0)
        weights = weights * (share if towards is None else np.sqrt(share))
        weights = weights / weights.sum()
    return weights


def variance_towards(slopes, towards, weights) -> np.ndarray:
    """Variance (k,) of combinations of parameters per error variance, for weights (n,) of rates.

    It is infinite where the rates tell nothing of a part of the combination.
    """
    slopes, towards = _scaled(slopes, towards)
    held = np.einsum("n,knp,knq->kpq", weights, slopes, slopes)
    inverse = np.linalg.pinv(held, rcond=1e-13, hermitian=True)
    told = np.einsum("kpq,kqr,kr->kp", held, inverse, towards)
    blind = np.abs(told - towards).max(axis=1) > _TOLD * np.abs(towards).max(axis=1)
    return np.where(blind, np.inf, np.einsum("kp,kpq,kq->k", towards, inverse, towards))


def placed_strips(slopes, towards, strips: int, fewest: int) -> np.ndarray:
    """Whole strips (n,) at rates so that the mean logarithm of a variance, or of 1/det, is least.

    The first rate always has a strip, the check, and `fewest` rates have one or more.
    """
    scaled, one = _scaled(slopes)[0], np.eye(slopes.shape[1], dtype=int)

    def loss(counts):
        if counts[0] < 1 or (counts > 0).sum() < fewest:
            return np.inf
        if towards is None:
            return -np.linalg.slogdet(np.einsum("n,knp,knq->kpq", counts, scaled, scaled))[1].mean()
        return np.log(variance_towards(slopes, towards, counts)).mean()

    evenly = np.linspace(0, len(one) - 1, strips).round().astype(int)
    counts = np.bincount(evenly, minlength=len(one))
    best = loss(counts)
    while True:
        pairs = [(i, j) for i in np.flatnonzero(counts) for j in range(len(one)) if i != j]
        least, (i, j) = min((loss(counts - one[i] + one[j]), (i, j)) for i, j in pairs)
        if not below(least, best, abs(best)):
            return counts
        counts, best = counts - one[i] + one[j], least


def _scaled(slopes, towards=None):
    """Slopes and combinations in units of parameters in which they are of one size."""
    scale = np.abs(slopes).max(axis=1, keepdims=True)
    return slopes / scale, None if towards is None else towards / scale[:, 0]


@asks(
    curve=a_curve, yield_without=a_number, best_yield=a_number, best_rates=amounts, price_ratio=a_number,
    highest=above_zero, strips=a_count(3), sd=above_zero, step=above_zero, rate_unit=a_word,
)  # fmt: skip
def place_rates(
    *, yield_without: float, best_yield: float, best_rates, price_ratio: float, highest: float,
    strips: int = 6, sd: float = 1.0, step: float | None = None, curve=QUADRATIC_PLATEAU.key,
    rate_unit: str = "lb/ac", given=None,
) -> RatePlacing:  # fmt: skip
    """Place the rates of a block to sharpen the economic optimum, beside equal spacing.

    Parameters
    ----------
    yield_without, best_yield : float
        Supposed yields at rate zero and at best [yield unit].
    best_rates : float or (low, high)
        Rate of the best yield, or the range within which it may lie [rate unit]; see `curve_through`.
    price_ratio : float
        [yield unit per rate unit]
    highest : float
        Highest rate that may be tested; the lowest is zero [rate unit].
    strips : int
        Of a block.
    sd : float
        Error standard deviation of a strip within a block [yield unit].
    step : float, optional
        Rates are multiples of this; a twentieth of the highest if None [rate unit].
    curve : str
    rate_unit : str
    given : sequence of float, optional
        Rates of a block to hold beside those placed, as "the rates given" [rate unit].

    Raises
    ------
    NotEstimable
        If the optimum of a supposed curve does not lie inside the rates, or there are too few strips.
    """
    ratio, record = one_ratio(price_ratio), get_curve(curve)
    ends = np.atleast_1d(np.asarray(best_rates, float))
    supposed = np.linspace(ends.min(), ends.max(), SUPPOSED if np.ptp(ends) > 0 else 1)
    fewest = record.n_params + 1
    if strips < fewest:
        raise NotEstimable(f"use {fewest} or more strips in a block, to test a curve")
    step = highest / 20 if step is None else step
    rates = np.arange(0, highest + step / 2, step)
    slopes, towards = _supposed(record, (yield_without, best_yield), supposed, ratio, highest, rates)
    fine = np.unique(np.r_[np.linspace(0, highest, GRID), rates])
    dense, _ = _supposed(record, (yield_without, best_yield), supposed, ratio, highest, fine)
    shares = {"d_weight": best_weights(dense), "c_weight": best_weights(dense, towards)}
    bound = np.exp(np.log(variance_towards(dense, towards, shares["c_weight"])).mean())
    even = np.abs(rates[:, None] - np.linspace(0, highest, strips)).argmin(axis=0)
    known = _known_curves((yield_without, best_yield), supposed, ratio, highest, rates)
    counts = {
        EQUAL: np.bincount(even, minlength=len(rates)),
        "for the whole curve": placed_strips(slopes, None, strips, fewest),
        "for the optimum": placed_strips(slopes, towards, strips, fewest),
        "for the optimum of any curve": placed_strips(
            *(np.concatenate(parts) for parts in zip(*known.values(), strict=True)), strips, fewest
        ),
    }
    variances = {name: variance_towards(slopes, towards, n) for name, n in counts.items()}
    plans = {name: tuple(np.repeat(rates, n).tolist()) for name, n in counts.items()}
    by_curve = {name: [sd * _median_se(*held, n) for held in known.values()] for name, n in counts.items()}
    if given is not None:
        plans[GIVEN], own = tuple(map(float, given)), np.asarray(given, float)
        asked, each = ((yield_without, best_yield), supposed, ratio, highest, own), np.ones(len(own))
        variances[GIVEN] = variance_towards(*_supposed(record, *asked), each)
        by_curve[GIVEN] = [sd * _median_se(*held, each) for held in _known_curves(*asked).values()]
    mean = {name: np.exp(np.log(v).mean()) for name, v in variances.items()}
    table = pd.DataFrame([
        {"plan": name, "rates": ", ".join(map(plain, held)), "distinct": len(set(held)),
         column("optimum_se", rate_unit): sd * float(np.sqrt(np.median(variances[name]))),
         "against_equal_pct": 100 * mean[EQUAL] / mean[name],
         "efficiency_pct": 100 * bound / len(held) / mean[name]}
        for name, held in plans.items()
    ])  # fmt: skip
    weights = pd.DataFrame({"rate": fine, **shares})
    weights = weights[weights[["d_weight", "c_weight"]].max(axis=1) > 1e-3].reset_index(drop=True)
    others = pd.DataFrame({"curve": list(known), **by_curve})
    return RatePlacing(table, others, plans, weights, record.key, tuple(supposed.tolist()), rate_unit)


def _supposed(record, yields, best_rates, ratio, highest, rates):
    """Slopes of yield (k, n, p) and of the optimum (k, p) of the supposed curves."""
    params = [curve_through(record, *yields, at) for at in best_rates]
    for at, held in zip(best_rates, params, strict=True):
        best = float(optimum_in_range(record, held, ratio, 0, highest))
        if not 0 < best < highest:
            raise NotEstimable(
                f"with the best yield at {plain(at)} the economic optimum, {plain(best)}, is not inside "
                f"rates 0 to {plain(highest)}; test higher rates, or assume another curve or prices"
            )
    slopes = np.stack([yield_slopes(record, held, rates) for held in params])
    return slopes, np.stack([optimum_slopes(record, held, ratio) for held in params])


def _median_se(slopes, towards, counts) -> float:
    return float(np.sqrt(np.median(variance_towards(slopes, towards, counts))))


def _known_curves(yields, best_rates, ratio, highest, rates) -> dict:
    """Slopes under each averaged curve whose optimum lies inside the rates, by its name."""
    held = {}
    for record in CURVES.values():
        if record.in_average:
            with suppress(NotEstimable):
                held[record.label] = _supposed(record, yields, best_rates, ratio, highest, rates)
    return held
