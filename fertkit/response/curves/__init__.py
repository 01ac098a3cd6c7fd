"""The response curves: one record each, and what is asked of a record.

Forms and optimum formulae are those compared by Cerrato & Blackmer (1990, Agron. J. 82:138-143) with the
spherical curve added. Every function is vectorised: ``params`` has shape (..., p), the rate and the price
ratio broadcast against its leading axes. Price ratio = (price per unit of nutrient) / (price per unit of
yield), in yield units per unit of rate. A new curve is one record in `linear` or `shaped`.
"""

import copyreg

import numpy as np

from fertkit.asked import a_word, either, holding
from fertkit.errors import NotEstimable, unknown
from fertkit.response.curves.linear import LINEAR, LINEAR_CURVES, MEAN, QUADRATIC
from fertkit.response.curves.record import LEFT, Basis, Curve, Shape
from fertkit.response.curves.shaped import LINEAR_PLATEAU, MITSCHERLICH, QUADRATIC_PLATEAU, SHAPED_CURVES
from fertkit.rounding import above

__all__ = [
    "CURVES", "LEFT", "LINEAR", "LINEAR_PLATEAU", "MEAN", "MITSCHERLICH", "QUADRATIC", "QUADRATIC_PLATEAU",
    "Basis", "Curve", "Shape", "a_curve", "best_in_range", "checked_params", "finite", "get_curve",
    "optimum_in_range",
]  # fmt: skip

#: All curves by key, from the simplest to the most curved.
CURVES: dict[str, Curve] = {curve.key: curve for curve in (*LINEAR_CURVES, *SHAPED_CURVES)}

#: What stands for a curve in a question.
a_curve = either(holding("value", "optimum", "param_names", like="a curve of CURVES"), a_word)


def get_curve(curve) -> Curve:
    """Look a curve up by key; a `Curve` passes through.

    Raises
    ------
    LookupFailed
        If the key is not one of `CURVES`.
    """
    if isinstance(curve, Curve):
        return curve
    if curve not in CURVES:
        raise unknown("response curve", curve, CURVES)
    return CURVES[curve]


def finite(value, what: str) -> np.ndarray:
    """Give numbers as an array, or say which cannot be: a comparison with nan would pass for an answer.

    Raises
    ------
    NotEstimable
        If a value is missing, infinite or no number.
    """
    try:
        array = np.asarray(value, float)
    except (TypeError, ValueError):
        raise NotEstimable(f"the {what} must be numbers, not {value!r}") from None
    if not np.isfinite(array).all():
        first = array[~np.isfinite(array)].flat[0]
        raise NotEstimable(f"the {what} must be finite numbers; got {first:g}")
    return array


def checked_params(curve: Curve, params) -> np.ndarray:
    """Give the parameters of a curve as an array of shape (..., p).

    Raises
    ------
    NotEstimable
        If one is not a finite number, or their count is not that of the curve.
    """
    names = f"parameters of the {curve.label} curve"
    array = finite(params, names)
    if array.shape[-1:] != (curve.n_params,):
        raise NotEstimable(f"the {names} are {', '.join(curve.param_names)}; got shape {array.shape}")
    return array


def optimum_in_range(curve: Curve, params, price_ratio, lowest, highest):
    """Rate in [lowest, highest] with the greatest net return, ties to the lower rate.

    Compares the two edges with the formula optimum, so that a stationary point that is a minimum
    (convex curve) is never taken for the optimum.

    Raises
    ------
    NotEstimable
        If a parameter, the price ratio or a tested rate is not a finite number.

    Examples
    --------
    >>> from fertkit.response.curves import optimum_in_range
    >>> from fertkit.response import CURVES
    >>> float(optimum_in_range(CURVES["quadratic"], [3.0, 0.05, -0.000125], 0.01, 0, 120))  # cut at 120
    120.0
    """
    params, price_ratio = checked_params(curve, params), finite(price_ratio, "price ratio")
    lowest, highest = (finite(end, "tested rates") for end in (lowest, highest))
    return best_in_range([curve], [params], price_ratio, lowest, highest)[..., 0]


def best_in_range(curves, params, price_ratio, lowest, highest):
    """As `optimum_in_range`, (..., k), of several curves with their parameters, all known to be finite."""
    price_ratio, lowest, highest = (np.asarray(v, float)[..., None] for v in (price_ratio, lowest, highest))
    optima = [curve.optimum(own, price_ratio[..., 0]) for curve, own in zip(curves, params, strict=True)]
    inner = np.clip(np.stack(optima, axis=-1), lowest, highest)
    rates = np.stack(np.broadcast_arrays(lowest, inner, highest))
    yields = [
        curve.value(rates[..., i], own) for i, (curve, own) in enumerate(zip(curves, params, strict=True))
    ]
    (best, *rates), (net, *others) = rates, np.stack(yields, axis=-1) - price_ratio * rates
    for rate, other in zip(rates, others, strict=True):
        # A rounding-sized gain is a tie, and ties go to the lower rate.
        better = above(other, net)
        best, net = np.where(better, rate, best), np.where(better, other, net)
    return best


# A record holds functions, some without a name of their own: it is pickled by its key.
copyreg.pickle(Curve, lambda curve: (get_curve, (curve.key,)))
