"""Bootstrap replicates of a fitted curve: thousands of refits, each an exact global fit."""

import numpy as np

from fertkit.asked import a_count, a_seed, asks, holding
from fertkit.chance import make_rng
from fertkit.errors import NotEstimable, unknown
from fertkit.response.curves import get_curve, optimum_in_range
from fertkit.response.fit import block_effects
from fertkit.response.intervals import Interval, make_interval
from fertkit.response.many import Fits, fit_sums
from fertkit.response.sums import Sums


@asks(fit=holding("curve", "coef", like="what fit_response gives"), replicates=a_count(1), seed=a_seed)
def bootstrap_fits(fit, replicates: int = 2000, seed=0, kind: str = "residual") -> Fits:
    """Refit a curve to bootstrap replicates of its trial.

    Parameters
    ----------
    fit : ResponseFit
    replicates : int
    seed : int or numpy.random.Generator
    kind : {"residual", "block"}
        ``residual`` draws residuals, inflated by sqrt(n / df), around the fitted curve; ``block`` draws whole
        blocks, which needs complete blocks and is only as good as their number.

    Returns
    -------
    Fits
        Arrays of shape (1, replicates, ...).

    Raises
    ------
    NotEstimable
        Without error degrees of freedom, or for ``block`` without at least three complete blocks.

    Examples
    --------
    >>> from fertkit.response import bootstrap_fits
    >>> from fertkit.response import fit_response
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
    ...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
    ... })
    >>> bootstrap_fits(fit_response(trial, "linear_plateau"), 200, seed=1).params.shape
    (1, 200, 3)
    """
    if fit.df_error <= 0:
        raise NotEstimable(
            "a bootstrap needs error degrees of freedom; there are no more rows than parameters"
        )
    rng = make_rng(seed)
    if kind == "residual":
        return fit_sums(fit.curve.key, residual_sums(fit, replicates, rng))
    if kind == "block":
        return fit_sums(fit.curve.key, block_sums(fit.data, replicates, rng))
    raise unknown("kind of bootstrap", kind, ("residual", "block"))


def residual_sums(fit, replicates: int, rng) -> Sums:
    """Sums of replicates made from the fitted curve and redrawn residuals."""
    data = fit.data
    fitted, effect = fit.predict(data.rate), block_effects(fit)
    if len(effect):
        fitted = fitted + effect[data.sweep.block]
    root = np.sqrt(data.weight)
    rest = (data.yields - fitted) * root * np.sqrt(len(root) / fit.df_error)
    drawn = rest[rng.integers(0, len(rest), (replicates, len(rest)))]
    return data.sweep.sums(fitted + drawn / root)


def block_sums(data, replicates: int, rng) -> Sums:
    """Sums of replicates made of whole blocks drawn with replacement."""
    sweep, n_blocks = data.sweep, data.sweep.n_blocks
    parts = [np.flatnonzero(sweep.block == b) for b in range(n_blocks)]
    designs = [sorted(zip(data.rate[p], data.weight[p], strict=True)) for p in parts]
    if n_blocks < 3 or any(d != designs[0] for d in designs):
        raise NotEstimable(
            "a block bootstrap needs at least three complete blocks; use the residual bootstrap"
        )
    draw = rng.integers(0, n_blocks, (replicates, n_blocks))
    layout = np.concatenate([p[np.argsort(data.rate[p], kind="stable")] for p in parts]).reshape(n_blocks, -1)
    order = layout.ravel()
    rows = np.empty_like(order)
    rows[order] = np.arange(len(order))  # place of each row within the block-by-block layout
    drawn = data.yields[layout][draw].reshape(replicates, -1)
    return sweep.sums(drawn[:, rows])


def optima(curve, params, price_ratio, lowest, highest):
    """Economic optima of parameter draws: inside the tested rates where it lies there, else by formula."""
    curve = get_curve(curve)
    inside = optimum_in_range(curve, params, price_ratio, lowest, highest)
    return np.where(inside < highest, inside, np.maximum(curve.optimum(params, price_ratio), highest))


def percentile_interval(draws, level: float, method: str = "bootstrap") -> Interval:
    """Percentile interval of draws that may be infinite."""
    tail = (1 - level) / 2
    low, high = np.quantile(draws, [tail, 1 - tail], method="inverted_cdf")
    return make_interval(low, high, level, method)


def bootstrap_optimum(fit, price_ratio, level=0.95, replicates=2000, seed=0, kind="residual") -> Interval:
    """Percentile bootstrap interval of the economic optimum; arguments as in `bootstrap_fits`."""
    fits = bootstrap_fits(fit, replicates, seed, kind)
    draws = optima(fit.curve, fits.params[0], price_ratio, fit.lowest_rate, fit.highest_rate)
    return percentile_interval(draws, level)
