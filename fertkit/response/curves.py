"""The eight response curves, each as pure functions of rate and its published parameters.

Forms and optimum formulae are those compared by Cerrato & Blackmer (1990, Agron. J. 82:138-143) with the
spherical curve added. Every function is vectorised: ``params`` has shape (..., p), the rate and the price
ratio broadcast against its leading axes. Price ratio = (price per unit of nutrient) / (price per unit of
yield), in yield units per unit of rate.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps

import numpy as np

from fertkit.asked import a_word, amounts, asks, either, holding
from fertkit.errors import NotEstimable, unknown
from fertkit.rounding import above

#: What stands for a curve in a question.
a_curve = either(holding("value", "optimum", "param_names", like="a curve of CURVES"), a_word)


@dataclass(frozen=True)
class Curve:
    """One response curve.

    Attributes
    ----------
    key, label, formula : str
        Name in code, name in the literature, and the formula as text.
    param_names, param_units : tuple of str
        Published parameters and their units, written with ``{y}`` (yield unit) and ``{x}`` (rate unit).
    value, slope : callable (x, params) -> array
        Yield and its derivative. At a join the slope is that of the plateau side.
    optimum : callable (params, price_ratio) -> array
        Rate >= 0 where net return is greatest by formula, not clipped to tested rates; inf where net
        return never stops rising; the lowest rate where rates tie.
    join, plateau : callable (params) -> array
        Join point and greatest attainable yield (asymptote or plateau); nan where the curve has none.
    """

    key: str
    label: str
    formula: str
    param_names: tuple[str, ...]
    param_units: tuple[str, ...]
    value: Callable
    slope: Callable
    optimum: Callable
    join: Callable
    plateau: Callable

    @property
    def n_params(self) -> int:
        return len(self.param_names)

    def units(self, yield_unit: str, rate_unit: str) -> list[str]:
        """Units of the parameters, e.g. ``["bu/ac", "bu/ac per lb/ac"]``."""
        return [u.format(y=yield_unit, x=rate_unit) for u in self.param_units]


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


@asks(
    curve=holding("value", "optimum", "param_names", like="one of CURVES"),
    params=amounts, price_ratio=amounts, lowest=amounts, highest=amounts,
)  # fmt: skip
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
    >>> from fertkit.response import optimum_in_range
    >>> from fertkit.response import CURVES
    >>> float(optimum_in_range(CURVES["quadratic"], [3.0, 0.05, -0.000125], 0.01, 0, 120))  # cut at 120
    120.0
    """
    params, price_ratio = checked_params(curve, params), finite(price_ratio, "price ratio")
    lowest, highest = (finite(end, "tested rates") for end in (lowest, highest))
    inner = np.clip(curve.optimum(params, price_ratio), lowest, highest)
    best, net = np.broadcast_arrays(*np.broadcast_arrays(lowest, inner))
    best = np.array(best, float)
    net = curve.value(best, params) - price_ratio * best
    for rate in (inner, np.broadcast_to(highest, inner.shape)):
        other = curve.value(rate, params) - price_ratio * rate
        # A rounding-sized gain is a tie, and ties go to the lower rate.
        better = above(other, net)
        best, net = np.where(better, rate, best), np.where(better, other, net)
    return best


def _split(params):
    return np.moveaxis(np.asarray(params, float), -1, 0)


def _none(params):
    return np.full(np.shape(params)[:-1], np.nan)


def _quiet(function):
    """Run `function` with the expected 0/0 and x/0 of limiting parameters silenced."""

    @wraps(function)
    def wrapped(*args):
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            return function(*args)

    return wrapped


def _known(function):
    """An optimum that is nan where a parameter or the price ratio is: comparisons alone would give 0."""
    quiet = _quiet(function)

    @wraps(function)
    def wrapped(params, pr):
        lost = np.isnan(np.asarray(params, float)).any(axis=-1) | np.isnan(pr)
        return np.where(lost, np.nan, quiet(params, pr))

    return wrapped


def _straight_optimum(slope, pr):
    return np.where(slope > pr, np.inf, 0.0)


# mean ------------------------------------------------------------------------------------------------


def _mean_value(x, params):
    (a,) = _split(params)
    return a + 0.0 * np.asarray(x, float)


def _mean_slope(x, params):
    return 0.0 * _mean_value(x, params)


@_known
def _mean_optimum(params, pr):
    (a,) = _split(params)
    return 0.0 * (a + np.asarray(pr, float))


# linear ----------------------------------------------------------------------------------------------


def _linear_value(x, params):
    a, b = _split(params)
    return a + b * np.asarray(x, float)


def _linear_slope(x, params):
    _, b = _split(params)
    return b + 0.0 * np.asarray(x, float)


@_known
def _linear_optimum(params, pr):
    return _straight_optimum(_split(params)[1], pr)


# quadratic -------------------------------------------------------------------------------------------


def _quadratic_value(x, params):
    a, b, c = _split(params)
    x = np.asarray(x, float)
    return a + x * (b + c * x)


def _quadratic_slope(x, params):
    _, b, c = _split(params)
    return b + 2 * c * np.asarray(x, float)


@_known
def _quadratic_optimum(params, pr):
    _, b, c = _split(params)
    bent = np.maximum((b - pr) / (-2 * c), 0.0)
    return np.where(c < 0, bent, np.where(c > 0, np.inf, _straight_optimum(b, pr)))


@_quiet
def _quadratic_plateau_yield(params):
    a, b, c = _split(params)
    return np.where(c < 0, a - b * b / (4 * c), np.nan)


# square root -----------------------------------------------------------------------------------------


def _square_root_value(x, params):
    a, b, c = _split(params)
    x = np.asarray(x, float)
    return a + b * np.sqrt(x) + c * x


@_quiet
def _square_root_slope(x, params):
    _, b, c = _split(params)
    return b / (2 * np.sqrt(np.asarray(x, float))) + c


@_known
def _square_root_optimum(params, pr):
    _, b, c = _split(params)
    bent = (b / (2 * (pr - c))) ** 2
    return np.where(pr > c, np.where(b > 0, bent, 0.0), np.where((b > 0) | (c > pr), np.inf, 0.0))


@_quiet
def _square_root_plateau(params):
    a, b, c = _split(params)
    return np.where((b > 0) & (c < 0), a - b * b / (4 * c), np.nan)


# linear-plateau --------------------------------------------------------------------------------------


def _lp_value(x, params):
    a, b, x0 = _split(params)
    return a + b * np.minimum(x, x0)


def _lp_slope(x, params):
    _, b, x0 = _split(params)
    return np.where(np.asarray(x) < x0, b, 0.0)


@_known
def _lp_optimum(params, pr):
    _, b, x0 = _split(params)
    return np.where(b > pr, x0, 0.0)


def _lp_join(params):
    return _split(params)[2].copy()


@_quiet
def _lp_plateau(params):
    a, b, x0 = _split(params)
    return a + b * x0


# quadratic-plateau -----------------------------------------------------------------------------------


@_quiet
def _qp_join(params):
    _, b, c = _split(params)
    return np.where(c == 0, np.inf, -b / (2 * c))


@_quiet
def _qp_value(x, params):
    x, join = np.asarray(x, float), _qp_join(params)
    return _quadratic_value(np.minimum(x, join), params)


@_quiet
def _qp_slope(x, params):
    x = np.asarray(x, float)
    return np.where(x < _qp_join(params), _quadratic_slope(x, params), 0.0)


@_known
def _qp_optimum(params, pr):
    _, b, c = _split(params)
    bent = np.where((c < 0) & (b > pr), (b - pr) / (-2 * c), 0.0)
    return np.where(c == 0, _straight_optimum(b, pr), bent)


@_quiet
def _qp_plateau(params):
    a, b, c = _split(params)
    return np.where(c == 0, np.nan, a - b * b / (4 * c))


# Mitscherlich ----------------------------------------------------------------------------------------


def _mit_value(x, params):
    a, b, k = _split(params)
    u = k * np.asarray(x, float)
    # Near the straight line (huge A and B, tiny k) the second form keeps the digits.
    return np.where(u > 0.5, a - b * np.exp(-u), (a - b) - b * np.expm1(-u))


def _mit_slope(x, params):
    _, b, k = _split(params)
    return b * k * np.exp(-k * np.asarray(x, float))


@_known
def _mit_optimum(params, pr):
    _, b, k = _split(params)
    return np.where(b * k > pr, np.log(b * k / pr) / k, 0.0)


def _mit_plateau(params):
    return _split(params)[0].copy()


# spherical -------------------------------------------------------------------------------------------


@_quiet
def _sph_value(x, params):
    a, s, r = _split(params)
    u = np.minimum(np.asarray(x, float) / r, 1.0)
    return a + s * u * (1.5 - 0.5 * u * u)


@_quiet
def _sph_slope(x, params):
    _, s, r = _split(params)
    u = np.minimum(np.asarray(x, float) / r, 1.0)
    return 1.5 * s / r * (1.0 - u * u)


@_known
def _sph_optimum(params, pr):
    _, s, r = _split(params)
    room = 1.0 - pr * r / (1.5 * s)
    return np.where((s > 0) & (room > 0), r * np.sqrt(room), 0.0)


def _sph_join(params):
    return _split(params)[2].copy()


def _sph_plateau(params):
    a, s, _ = _split(params)
    return a + s


def _mean_plateau(params):
    return _split(params)[0].copy()


_Y, _YX, _YX2, _YR = "{y}", "{y} per {x}", "{y} per ({x})^2", "{y} per sqrt({x})"

#: All curves by key, from the simplest to the most curved.
CURVES: dict[str, Curve] = {
    c.key: c
    for c in (
        Curve("mean", "mean (no response)", "y = a", ("a",), (_Y,),
              _mean_value, _mean_slope, _mean_optimum, _none, _mean_plateau),
        Curve("linear", "linear", "y = a + b x", ("a", "b"), (_Y, _YX),
              _linear_value, _linear_slope, _linear_optimum, _none, _none),
        Curve("quadratic", "quadratic", "y = a + b x + c x²", ("a", "b", "c"), (_Y, _YX, _YX2),
              _quadratic_value, _quadratic_slope, _quadratic_optimum, _none, _quadratic_plateau_yield),
        Curve("square_root", "square root", "y = a + b √x + c x", ("a", "b", "c"), (_Y, _YR, _YX),
              _square_root_value, _square_root_slope, _square_root_optimum, _none, _square_root_plateau),
        Curve("linear_plateau", "linear-plateau", "y = a + b min(x, x0)", ("a", "b", "x0"),
              (_Y, _YX, "{x}"), _lp_value, _lp_slope, _lp_optimum, _lp_join, _lp_plateau),
        Curve("quadratic_plateau", "quadratic-plateau", "y = a + b x + c x² to the join -b/(2c), then level",
              ("a", "b", "c"), (_Y, _YX, _YX2), _qp_value, _qp_slope, _qp_optimum, _qp_join, _qp_plateau),
        Curve("mitscherlich", "Mitscherlich", "y = A - B exp(-k x)", ("A", "B", "k"), (_Y, _Y, "per {x}"),
              _mit_value, _mit_slope, _mit_optimum, _none, _mit_plateau),
        Curve("spherical", "spherical", "y = a + s (1.5 x/r - 0.5 (x/r)³) to the range r, then level",
              ("a", "s", "r"), (_Y, _Y, "{x}"), _sph_value, _sph_slope, _sph_optimum,
              _sph_join, _sph_plateau),
    )
}  # fmt: skip
