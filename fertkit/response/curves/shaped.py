"""Plateau and saturating curves: linear-plateau, quadratic-plateau, Mitscherlich, spherical."""

import numpy as np

from fertkit.response.curves.linear import QUADRATIC, poly_slope, poly_value
from fertkit.response.curves.record import Curve, Shape, known, param, quiet, split, straight_optimum

_Y, _YX, _YX2 = "{y}", "{y} per {x}", "{y} per ({x})^2"
# Bend times the first gap between rates (or the range of rates) at the ends of the Mitscherlich search:
# beyond the first the curve is a step to double precision, below the second it is a straight line.
STEP_END, LINE_END = 40.0, 1e-6
STEP = 9.2  # ln(1e4): beyond it, 99.99 % of a Mitscherlich rise is made by the first rate
#: Grid nodes between two tested rates, as shares of the gap.
WITHIN = np.concatenate([[1e-9], (np.arange(1, 5) / 5) ** 1.5, [1 - 1e-9]])


def _join_grid(rates, tail):
    """Bends from the first rate above the lowest to the top rate, and `tail` over the top rate beyond it.

    Between two rates the nodes crowd towards the lower, and both sides of each rate have one of their own,
    since RSS bends there. Up to the first of these rates all joins fit alike, so RSS starts out flat there;
    two nodes close behind it show which way RSS then turns.
    """
    low, gap = rates[:, 1:-1], np.diff(rates[:, 1:], axis=1)
    joins = (low[..., None] + gap[..., None] * WITHIN).reshape(len(rates), -1)
    close = low[:, :1] + gap[:, :1] * [1e-4, 1e-2] if low.shape[1] else low
    bends = [1.0 / rates[:, 1:2], 1.0 / close, 1.0 / joins[:, 1:], tail / rates[:, -1:]]
    return np.concatenate(bends, axis=1)


# linear-plateau --------------------------------------------------------------------------------------


def _lp_value(x, params):
    a, b, x0 = split(params)
    return a + b * np.minimum(x, x0)


def _lp_slope(x, params):
    _, b, x0 = split(params)
    return np.where(np.asarray(x) < x0, b, 0.0)


@known
def _lp_optimum(params, pr):
    _, b, x0 = split(params)
    return np.where(b > pr, x0, 0.0)


@quiet
def _lp_plateau(params):
    a, b, x0 = split(params)
    return a + b * x0


def _lp_rise(x, bend):
    with np.errstate(divide="ignore"):
        return np.minimum(x, 1.0 / bend)


def _lp_jet(x, bend):
    """By the bend itself."""
    with np.errstate(divide="ignore", invalid="ignore"):
        join = 1.0 / bend
        bent = x < join
        return np.minimum(x, join), np.where(bent, 0.0, -(join**2)), np.where(bent, 0.0, 2 * join**3)


def _lp_publish(a, b, bend, start):
    return np.stack(np.broadcast_arrays(a - b * start, b, start + 1.0 / bend), axis=-1)


def _lp_exact(x, spread, pull):
    """Best join of the linear-plateau in closed form: stationary point of each interval, and the knots."""
    below = np.tril(np.ones((x.shape[1],) * 2))[:-1]  # interval j: rates up to j rise, the others are level
    p, q = x[:, None, :] * below, np.broadcast_to(1.0 - below, (len(x), *below.shape))
    pp, pq, qq = (np.einsum("djm,djm->dj", v @ spread, w)[:, None] for v, w in ((p, p), (p, q), (q, q)))
    along_p, along_q = pull @ np.swapaxes(p, 1, 2), pull @ np.swapaxes(q, 1, 2)
    low, high = x[:, None, :-1], x[:, None, 1:]
    with np.errstate(divide="ignore", invalid="ignore"):
        inner = (along_p * pq - along_q * pp) / (along_q * pq - along_p * qq)
    inner = np.clip(np.where(np.isfinite(inner), inner, high), low, high)

    def gain(join):
        size = pp + join * (2 * pq + join * qq)
        return (along_p + join * along_q) ** 2 / np.where(size > 0, size, np.inf)

    joins = np.concatenate([np.broadcast_to(high, inner.shape), inner], axis=-1)
    gains = np.concatenate([gain(high), gain(inner)], axis=-1)
    gains = np.where(joins > 0, gains, -1.0)
    best = np.argmax(gains, axis=-1)[..., None]
    return 1.0 / np.take_along_axis(joins, best, axis=-1)[..., 0]


LINEAR_PLATEAU = Curve(
    key="linear_plateau", label="linear-plateau", formula="y = a + b min(x, x0)",
    param_names=("a", "b", "x0"), param_units=(_Y, _YX, "{x}"),
    value=_lp_value, slope=_lp_slope, optimum=_lp_optimum, join=param(2), plateau=_lp_plateau,
    look=("warn", (0, (6, 2, 1, 2))), in_average=True,
    shape=Shape(
        rise=_lp_rise, jet=_lp_jet, coord=np.positive, uncoord=np.positive, tall=1.0,
        steep=np.ones_like, publish=_lp_publish, exact=_lp_exact, line=1.0,
        grid=lambda rates: _join_grid(rates, np.ones(1)),
    ),
)  # fmt: skip

# quadratic-plateau -----------------------------------------------------------------------------------


@quiet
def _qp_join(params):
    _, b, c = split(params)
    return np.where(c == 0, np.inf, -b / (2 * c))


@quiet
def _qp_value(x, params):
    x, join = np.asarray(x, float), _qp_join(params)
    return poly_value(np.minimum(x, join), params)


@quiet
def _qp_slope(x, params):
    x = np.asarray(x, float)
    return np.where(x < _qp_join(params), poly_slope(x, params), 0.0)


@known
def _qp_optimum(params, pr):
    _, b, c = split(params)
    bent = np.where((c < 0) & (b > pr), (b - pr) / (-2 * c), 0.0)
    return np.where(c == 0, straight_optimum(b, pr), bent)


@quiet
def _qp_plateau(params):
    a, b, c = split(params)
    return np.where(c == 0, np.nan, a - b * b / (4 * c))


def _qp_rise(x, bend):
    with np.errstate(divide="ignore"):
        x = np.minimum(x, 1.0 / bend)
    return x * (1 - 0.5 * x * bend)


def _qp_jet(x, bend):
    """By the bend itself."""
    with np.errstate(divide="ignore", invalid="ignore"):
        join = 1.0 / bend
        bent, x = x < join, np.minimum(x, join)
        return x * (1 - 0.5 * x * bend), -0.5 * x * x, np.where(bent, 0.0, join**3)


def _qp_publish(a, b, bend, start):
    c = -0.5 * b * bend
    return np.stack(np.broadcast_arrays(a - start * (b - c * start), b - 2 * c * start, c), axis=-1)


QUADRATIC_PLATEAU = Curve(
    key="quadratic_plateau", label="quadratic-plateau",
    formula="y = a + b x + c x² to the join -b/(2c), then level",
    param_names=("a", "b", "c"), param_units=(_Y, _YX, _YX2),
    value=_qp_value, slope=_qp_slope, optimum=_qp_optimum, join=_qp_join, plateau=_qp_plateau,
    look=("curve", "solid"), in_average=True,
    shape=Shape(
        rise=_qp_rise, jet=_qp_jet, coord=np.positive, uncoord=np.positive, tall=0.5,
        steep=lambda share: 1 - share, publish=_qp_publish, line=1e-4, beyond=QUADRATIC.key,
        grid=lambda rates: _join_grid(rates, np.append(1 - WITHIN[:-1], 0.0)),
    ),
)  # fmt: skip

# Mitscherlich ----------------------------------------------------------------------------------------


def _mit_value(x, params):
    a, b, k = split(params)
    u = k * np.asarray(x, float)
    # Near the straight line (huge A and B, tiny k) the second form keeps the digits.
    return np.where(u > 0.5, a - b * np.exp(-u), (a - b) - b * np.expm1(-u))


def _mit_slope(x, params):
    _, b, k = split(params)
    return b * k * np.exp(-k * np.asarray(x, float))


@known
def _mit_optimum(params, pr):
    _, b, k = split(params)
    return np.where(b * k > pr, np.log(b * k / pr) / k, 0.0)


def _mit_rise(x, bend):
    return -np.expm1(-bend * x) / bend


def _mit_jet(x, log_bend):
    """By the logarithm of the bend."""
    bend = np.exp(log_bend)
    fall = np.expm1(-bend * x)
    rise, tail = -fall / bend, x * (1.0 + fall)
    first = tail - rise
    return rise, first, -bend * x * tail - first


def _mit_publish(a, b, bend, start):
    rise = b / bend
    with np.errstate(over="ignore"):
        return np.stack(np.broadcast_arrays(a + rise, rise * np.exp(bend * start), bend), axis=-1)


def _mit_grid(rates):
    """Bends from a step at the first rate to a straight line, evenly spaced in logarithm."""
    top = rates[:, -1]
    gaps = np.diff(rates, axis=1)
    first = np.min(np.where(gaps > 0, gaps, np.inf), axis=1)
    start, end = np.log(STEP_END / first), np.log(0.01 / top)
    middle = np.exp(start[:, None] + (end - start)[:, None] * np.linspace(0, 1, 36))
    tail = np.array([1e-3, 1e-4, 1e-5, LINE_END]) / top[:, None]
    return np.concatenate([middle, tail], axis=1)


MITSCHERLICH = Curve(
    key="mitscherlich", label="Mitscherlich", formula="y = A - B exp(-k x)",
    param_names=("A", "B", "k"), param_units=(_Y, _Y, "per {x}"),
    value=_mit_value, slope=_mit_slope, optimum=_mit_optimum, plateau=param(0),
    look=("light", "solid"), in_average=True,
    shape=Shape(
        rise=_mit_rise, jet=_mit_jet, coord=np.log, uncoord=np.exp, tall=1.0,
        steep=lambda share: -np.log(share), publish=_mit_publish, grid=_mit_grid,
        line=1e-3, step=STEP, near=lambda left: -np.log(left),
    ),
)  # fmt: skip

# spherical -------------------------------------------------------------------------------------------


@quiet
def _sph_value(x, params):
    a, s, r = split(params)
    u = np.minimum(np.asarray(x, float) / r, 1.0)
    return a + s * u * (1.5 - 0.5 * u * u)


@quiet
def _sph_slope(x, params):
    _, s, r = split(params)
    u = np.minimum(np.asarray(x, float) / r, 1.0)
    return 1.5 * s / r * (1.0 - u * u)


@known
def _sph_optimum(params, pr):
    _, s, r = split(params)
    room = 1.0 - pr * r / (1.5 * s)
    return np.where((s > 0) & (room > 0), r * np.sqrt(room), 0.0)


def _sph_plateau(params):
    a, s, _ = split(params)
    return a + s


def _sph_rise(x, bend):
    x = np.minimum(x, 1.0 / bend)
    return x * (1 - (x * bend) ** 2 / 3)


def _sph_jet(x, squared):
    """By the square of the bend."""
    reach = 1 / np.sqrt(squared)
    bent, x = x < reach, np.minimum(x, reach)
    cube = x * x * x / 3
    return x - squared * cube, -cube, np.where(bent, 0.0, 0.5 * reach / squared**2)


def _sph_publish(a, b, bend, start):
    return np.stack(np.broadcast_arrays(a, b / (1.5 * bend), 1.0 / bend), axis=-1)


SPHERICAL = Curve(
    key="spherical", label="spherical",
    formula="y = a + s (1.5 x/r - 0.5 (x/r)³) to the range r, then level",
    param_names=("a", "s", "r"), param_units=(_Y, _Y, "{x}"),
    value=_sph_value, slope=_sph_slope, optimum=_sph_optimum, join=param(2), plateau=_sph_plateau,
    look=("light", (0, (3, 1.4))), in_average=True,
    shape=Shape(
        rise=_sph_rise, jet=_sph_jet, coord=np.square, uncoord=np.sqrt, tall=2 / 3,
        steep=lambda share: np.sqrt(1 - share), publish=_sph_publish, line=1e-4, shifted=False,
        grid=lambda rates: _join_grid(rates, np.append(1 - WITHIN[:-1], LINE_END)),
    ),
)  # fmt: skip


SHAPED_CURVES = (LINEAR_PLATEAU, QUADRATIC_PLATEAU, MITSCHERLICH, SPHERICAL)
