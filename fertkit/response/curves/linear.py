"""Curves linear in their parameters: mean, straight line, quadratic, square root."""

import numpy as np

from fertkit.response.curves.record import Basis, Curve, known, param, quiet, split, straight_optimum

_Y, _YX, _YX2, _YR = "{y}", "{y} per {x}", "{y} per ({x})^2", "{y} per sqrt({x})"


def _powers(q):
    """Columns of a polynomial of degree `q`, up to 2, centred and scaled."""

    def columns(rates, at):
        start, span = rates[:, 0], rates[:, -1] - rates[:, 0]
        span = np.where(span > 0, span, 1.0)
        # No loss with rates like 1,000,050.
        u = (at - start[:, None]) / span[:, None]
        back = np.zeros((len(rates), 3, 3))
        back[:, 0, 0], back[:, 0, 1], back[:, 0, 2] = 1.0, -start / span, (start / span) ** 2
        back[:, 1, 1], back[:, 1, 2], back[:, 2, 2] = 1 / span, -2 * start / span**2, 1 / span**2
        return np.stack([u, u * u], axis=-1)[..., :q], back[:, : q + 1, : q + 1]

    return columns


def poly_value(x, params):
    """Polynomial of the degree of its parameters."""
    parts = split(params)
    value = parts[-1] + 0.0 * np.asarray(x, float)
    for part in parts[-2::-1]:
        value = part + x * value
    return value


def poly_slope(x, params):
    """Derivative of a polynomial by the rate."""
    params = np.asarray(params, float)
    degree = params.shape[-1] - 1
    return (
        poly_value(x, params[..., 1:] * np.arange(1, degree + 1)) if degree else 0.0 * poly_value(x, params)
    )


# mean ------------------------------------------------------------------------------------------------


@known
def _mean_optimum(params, pr):
    (a,) = split(params)
    return 0.0 * (a + np.asarray(pr, float))


MEAN = Curve(
    key="mean", label="mean (no response)", formula="y = a", param_names=("a",), param_units=(_Y,),
    value=poly_value, slope=poly_slope, optimum=_mean_optimum, plateau=param(0),
    look=("quiet", (0, (1, 4))), in_average=False, basis=Basis(columns=_powers(0)),
)  # fmt: skip

# linear ----------------------------------------------------------------------------------------------


@known
def _linear_optimum(params, pr):
    return straight_optimum(split(params)[1], pr)


LINEAR = Curve(
    key="linear", label="linear", formula="y = a + b x", param_names=("a", "b"), param_units=(_Y, _YX),
    value=poly_value, slope=poly_slope, optimum=_linear_optimum,
    look=("quiet", (0, (6, 1.6, 1, 1.6, 1, 1.6))), in_average=False,
    basis=Basis(columns=_powers(1), constant=1),
)  # fmt: skip

# quadratic -------------------------------------------------------------------------------------------


@known
def _quadratic_optimum(params, pr):
    _, b, c = split(params)
    bent = np.maximum((b - pr) / (-2 * c), 0.0)
    return np.where(c < 0, bent, np.where(c > 0, np.inf, straight_optimum(b, pr)))


@quiet
def _quadratic_top(params):
    a, b, c = split(params)
    return np.where(c < 0, a - b * b / (4 * c), np.nan)


QUADRATIC = Curve(
    key="quadratic", label="quadratic", formula="y = a + b x + c x²",
    param_names=("a", "b", "c"), param_units=(_Y, _YX, _YX2),
    value=poly_value, slope=poly_slope, optimum=_quadratic_optimum, plateau=_quadratic_top,
    look=("accent", (0, (6, 2))), in_average=True,
    peaked=lambda without, rise, rate: (without, 2 * rise / rate, -rise / rate**2),
    basis=Basis(  # slope = b + c z with z = 2 x
        columns=_powers(2), constant=1, lead=2, chord=np.add, rate_of=lambda z: 0.5 * z,
    ),
)  # fmt: skip

# square root -----------------------------------------------------------------------------------------


def _square_root_value(x, params):
    a, b, c = split(params)
    x = np.asarray(x, float)
    return a + b * np.sqrt(x) + c * x


@quiet
def _square_root_slope(x, params):
    _, b, c = split(params)
    return b / (2 * np.sqrt(np.asarray(x, float))) + c


@known
def _square_root_optimum(params, pr):
    _, b, c = split(params)
    bent = (b / (2 * (pr - c))) ** 2
    return np.where(pr > c, np.where(b > 0, bent, 0.0), np.where((b > 0) | (c > pr), np.inf, 0.0))


@quiet
def _square_root_plateau(params):
    a, b, c = split(params)
    return np.where((b > 0) & (c < 0), a - b * b / (4 * c), np.nan)


def _root_columns(rates, at):
    root, scale = np.sqrt(at), np.sqrt(rates[:, -1])
    back = np.zeros((len(rates), 3, 3))
    back[:, 0, 0], back[:, 1, 1], back[:, 2, 2] = 1.0, 1 / scale, 1 / scale**2
    return np.stack([root / scale[:, None], at / scale[:, None] ** 2], axis=-1), back


def _rate_of_root(z):
    with np.errstate(divide="ignore"):
        return np.where(z > 0, 1 / (4 * np.maximum(z, 0.0) ** 2), np.inf)


SQUARE_ROOT = Curve(
    key="square_root", label="square root", formula="y = a + b √x + c x",
    param_names=("a", "b", "c"), param_units=(_Y, _YR, _YX),
    value=_square_root_value, slope=_square_root_slope, optimum=_square_root_optimum,
    plateau=_square_root_plateau, look=("accent", (0, (1, 1.6))), in_average=True,
    peaked=lambda without, rise, rate: (without, 2 * rise / np.sqrt(rate), -rise / rate),
    basis=Basis(  # slope = b z + c with z = 1 / (2 sqrt x)
        columns=_root_columns, constant=2, lead=1, falls=True, rate_of=_rate_of_root,
        chord=lambda low, high: 1 / (np.sqrt(low) + np.sqrt(high)),
    ),
)  # fmt: skip


LINEAR_CURVES = (MEAN, LINEAR, QUADRATIC, SQUARE_ROOT)
