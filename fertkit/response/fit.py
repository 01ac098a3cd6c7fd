"""Fit one response curve to one trial: exact least squares, honest about what the data leave open.

Examples
--------
Two strips a rate, half a bushel to either side of a line from 48 bu/ac to a plateau of 57 joined at
90 lb/ac (invented):

>>> from fertkit.response import fit_response
>>> import pandas as pd
>>> trial = pd.DataFrame({
...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
... })
>>> fit = fit_response(trial, "linear_plateau")
>>> fit.params["estimate"].round(3).tolist()  # yield at no fertilizer, slope, join
[48.0, 0.1, 90.0]
>>> fit.residuals.table["residual"].round(3).tolist()
[-0.5, -0.5, -0.5, -0.5, -0.5, 0.5, 0.5, 0.5, 0.5, 0.5]
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from fertkit.asked import a_flag, a_header, asks, either, holding, maybe_headers, off
from fertkit.errors import NotEstimable
from fertkit.reference.load import list_sources
from fertkit.response import interval
from fertkit.response.curves import QUADRATIC_PLATEAU, Curve, a_curve, finite, get_curve, optimum_in_range
from fertkit.response.data import TrialData, read_trial_data
from fertkit.response.search import Fits, fit_sums
from fertkit.results import Result, checks_frame, counted, plain
from fertkit.rounding import above, at_most, below, same
from fertkit.trials.residuals import Residuals, leverages, residual_frame

#: What is so where rates are replicated, and where they are not.
REPLICATED = (
    "strips of the same rate measure the error",
    "no replication within rates: the error includes lack of fit",
)


@dataclass(frozen=True)
class ResponseFit(Result):
    """One curve fitted to one trial.

    Attributes
    ----------
    curve : Curve
    data : TrialData
    fits : Fits
        The fit in the form the vectorised functions use.
    """

    curve: Curve
    data: TrialData
    fits: Fits

    @cached_property
    def rss(self) -> float:
        """Residual sum of squares, weighted by replicate counts [yield unit squared]."""
        return float(self.fits.rss[0, 0])

    @cached_property
    def df_error(self) -> int:
        """Error degrees of freedom."""
        return int(self.data.sums.df_error(self.curve.n_params)[0])

    @cached_property
    def status(self) -> tuple[str, ...]:
        """What the fit ran into, e.g. ``join_not_identified``, ``join_beyond_range``, ``straight_line``."""
        return _status(self.curve, self.fits, self.data, self.df_error)

    @cached_property
    def covariance(self) -> np.ndarray:
        """Asymptotic covariance (p, p) of the published parameters; nan where the data identify none.

        By the delta method, from the Jacobian with block columns.
        """
        p, data = self.curve.n_params, self.data
        unknown = {"join_not_identified", "straight_line", "step", "join_at_tested_rate"} & set(self.status)
        if self.df_error <= 0 or unknown:
            return np.full((p, p), np.nan)
        columns, to_published = jacobian(self.curve, self.fits, data)
        design, z = _design(columns, data)
        scaled = design * np.sqrt(data.weight)[:, None]
        norm = np.sqrt((scaled**2).sum(axis=0))
        unit = np.linalg.pinv((scaled / norm).T @ (scaled / norm), hermitian=True) / np.outer(norm, norm)
        if data.through_origin:
            pick = np.vstack([np.zeros(columns.shape[1]), np.eye(columns.shape[1])])
        else:
            pick = np.zeros((1 + columns.shape[1], design.shape[1]))
            pick[0, : z.shape[1]] = 1 / z.shape[1]
            pick[1:, z.shape[1] :] = np.eye(columns.shape[1])
        turn = to_published @ pick
        return turn @ unit @ turn.T * (self.rss / self.df_error)

    @property
    def join_set(self) -> interval.Interval | None:
        """All joins that fit the data equally well; None for curves without a join and where yield falls."""
        # Where yield falls there is nothing to join: a kink is not a join point.
        falls = "falling" in self.status
        return None if falls else interval.join_identified(self.curve, self.fits, self.data.sums)

    @property
    def n(self) -> int:
        """Rows."""
        return len(self.data.rate)

    @property
    def n_rates(self) -> int:
        """Distinct tested rates."""
        return len(self.data.rates)

    @property
    def lowest_rate(self) -> float:
        """Lowest tested rate [rate_unit]."""
        return float(self.data.rates[0])

    @property
    def highest_rate(self) -> float:
        """Highest tested rate [rate_unit]."""
        return float(self.data.rates[-1])

    @property
    def rate_unit(self) -> str:
        return self.data.rate_unit

    @property
    def yield_unit(self) -> str:
        return self.data.yield_unit

    @property
    def r2(self) -> float:
        """Share of the variation left by the blocks that the curve explains; nan for constant yields."""
        total = float(self.data.sums.total_ss()[0, 0])
        return 1 - self.rss / total if total > 0 else float("nan")

    @cached_property
    def params(self) -> pd.DataFrame:
        """Param, estimate, se, unit; se is nan where the data do not identify the parameter."""
        return pd.DataFrame(
            {
                "param": self.curve.param_names,
                "estimate": self.coef,
                "se": np.sqrt(np.diag(self.covariance)),
                "unit": self.curve.units(self.yield_unit, self.rate_unit),
            }
        )

    @cached_property
    def block_effects(self) -> pd.DataFrame:
        """Block, effect: yield of each block above the average block [yield_unit]."""
        data = self.data
        if data.block is None or data.through_origin:
            return pd.DataFrame({"block": np.array([], dtype=str), "effect": np.array([])})
        rest, code = data.yields - self.predict(data.rate), data.sweep.block
        effect = np.bincount(code, rest * data.weight) / np.bincount(code, data.weight)
        return pd.DataFrame({"block": np.unique(data.block).astype(str), "effect": effect})

    @cached_property
    def residuals(self) -> Residuals:
        """Residuals of the rows, with the leverage of the tangent plane; block effects are in the fit."""
        data = self.data
        effect = self.block_effects["effect"].to_numpy()
        fitted = self.predict(data.rate) + (effect[data.sweep.block] if len(effect) else 0.0)
        design, _ = _design(jacobian(self.curve, self.fits, data)[0], data)
        leverage = leverages(design * np.sqrt(data.weight)[:, None])
        named = pd.DataFrame({"rate": data.rate, "block": "" if data.block is None else data.block})
        variance = self.rss / self.df_error if self.df_error > 0 else np.nan
        rest = data.yields - fitted
        frame = residual_frame(named, data.yields, rest, leverage, variance, data.weight)
        return Residuals(frame, f"{self.curve.label} curve", self.yield_unit, float(leverage.mean()))

    @cached_property
    def checks(self) -> pd.DataFrame:
        data, status, n_rates = self.data, self.status, self.n_rates
        n_params, pure_df = self.curve.n_params - data.through_origin, int(data.sums.pure_df[0])
        top, peak = data.sums.rates[0, 1], plain(_peak(self.curve, self.fits, data))
        rows = [
            ("distinct rates", n_rates, f">= {n_params + 1}", n_rates > n_params,
             ("more rates than parameters: the fit can be tested",
              "as many parameters as rates: the fit cannot be tested")),
            ("error df within rates", pure_df, ">= 1", pure_df > 0,
             REPLICATED),
        ]  # fmt: skip
        meanings = {
            "join_not_identified": f"any join up to {top:g} fits the yields",
            "join_beyond_range": "the join is above the highest tested rate",
            "straight_line": "the best fit is a straight line",
            "step": f"the first rate above the lowest, {top:g}, gives the whole response",
            "convex": "the fitted curve bends upwards and has a minimum, not a maximum",
            "falling": "yield falls with the rate",
            "rises_then_falls": f"yield rises to {peak} {data.rate_unit}, then falls below its start",
            "saturated": "no error degrees of freedom",
        }
        rows += data.losses + [(word, 1, 0, False, meanings[word]) for word in status if word in meanings]
        return checks_frame(rows)

    @property
    def coef(self) -> np.ndarray:
        """Published parameters, shape (p,)."""
        return self.fits.params[0, 0]

    @property
    def table(self) -> pd.DataFrame:
        return self.params

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(["LERMAN1980"] if self.curve.shape else [])

    @property
    def sigma(self) -> float:
        """Residual standard deviation of a row of weight one [yield_unit]; nan without degrees of freedom."""
        return float(np.sqrt(self.rss / self.df_error)) if self.df_error > 0 else float("nan")

    optimum_interval = interval.optimum_interval
    join_interval = interval.join_interval
    join_pieces = interval.join_pieces
    plateau_interval = interval.plateau_interval

    def predict(self, rate, *, extrapolate: bool = False):
        """Yield of the average block at `rate` [yield_unit].

        Raises
        ------
        NotEstimable
            If a rate is no finite number, or lies outside the tested rates and `extrapolate` does not ask for
            it: no strip says how yield goes on there.
        """
        rate = finite(rate, "rates")
        if not extrapolate:
            inside_tested(rate, self.lowest_rate, self.highest_rate, self.rate_unit)
        return self.curve.value(rate, self.coef)


@asks(
    trial=holding("table", of="read_strips"), curve=a_curve,
    rate=a_header, response=a_header, blocks=either(maybe_headers, off), weight=a_header,
    through_origin=a_flag,
)  # fmt: skip
def fit_response(
    trial, curve=QUADRATIC_PLATEAU.key, *, rate=None, response=None, blocks=None, weight=None,
    through_origin=False,
) -> ResponseFit:  # fmt: skip
    """Fit one response curve by exact least squares, block and site effects swept out.

    Parameters
    ----------
    trial : DataFrame, StripTrial or TrialData
        One row per strip or plot (or per rate mean, with `weight` the replicate counts).
    curve : str
        Key of `fertkit.response.curves.CURVES`.
    rate, response, blocks, weight, through_origin
        See `fertkit.response.data.read_trial_data`.

    Returns
    -------
    ResponseFit
        The global minimum of the residual sum of squares; no starting value is needed.

    Raises
    ------
    InputError
        If the table cannot be used as it stands.
    NotEstimable
        If the table holds several trials, or too few rates or rows for the curve.
    """
    curve = get_curve(curve)
    data = read_trial_data(
        trial, rate=rate, response=response, blocks=blocks, weight=weight, through_origin=through_origin
    )
    return fit_data(data, curve)


def fit_data(data: TrialData, curve: Curve) -> ResponseFit:
    """Fit a curve to a checked trial; see `fit_response`."""
    sums = data.sums
    n_params = curve.n_params - data.through_origin
    n_rates = int(sums.n_rates[0])
    if n_rates < n_params:
        raise NotEstimable(
            f"the {curve.label} curve needs {n_params} rates, the trial has {n_rates}; choose a simpler "
            "curve, or compare two rates directly"
        )
    need_contrasts(data, curve.n_params - 1, f"the {curve.label} curve")
    fits = fit_sums(curve.key, sums)
    if not np.isfinite(fits.params).all():
        raise NotEstimable(
            f"the {curve.label} curve cannot be fitted: rates are too far from zero for their range; measure "
            "them from the lowest rate"
        )
    return ResponseFit(curve, data, fits)


def inside_tested(rate: np.ndarray, lowest: float, highest: float, unit: str) -> None:
    """Raise NotEstimable where a rate lies outside the tested rates by more than rounding."""
    outside = rate[below(rate, lowest, highest) | above(rate, highest)]
    if outside.size:
        raise NotEstimable(
            f"{plain(outside.flat[0])} {unit} is outside the tested rates, {plain(lowest)} to "
            f"{plain(highest)} {unit}",
            "extrapolate=True to extrapolate",
            remedy="give a rate between them",
        )


def need_contrasts(data: TrialData, n: int, what: str) -> None:
    """Raise NotEstimable unless the blocks leave `n` independent contrasts among the rates."""
    if data.sweep.contrasts < n:
        raise NotEstimable(
            f"rates are confounded with blocks: {what} needs {counted(n, 'contrast')} among rates, and "
            f"blocks that share rates offer {data.sweep.contrasts}; put several rates in each block or site, "
            "one of them common to all"
        )


def join_text(fit: ResponseFit) -> str:
    """The join as a person would say it: a number, a range, or beyond the tested rates."""
    if fit.join_set is None:
        return "none"
    low, high = fit.join_set.low, fit.join_set.high
    if low < high and np.isfinite(high):
        return f"anywhere between {plain(low)} and {plain(high)}"
    return fit.join_set.within(fit.lowest_rate, fit.highest_rate).text()


def _status(curve, fits, data, df_error):
    words = []
    low, high = data.rate.min(), data.rate.max()
    steps = curve.slope(np.linspace(low, high, 3)[1:2], fits.params[0, 0])[0]
    ends = curve.value(np.array([low, high]), fits.params[0, 0])
    size = np.abs(data.yields).max()
    if curve.shape:
        step, line, beyond = (v[0, 0] for v in curve.shape.limits(fits.bend, data.sums.rates))
        words += ["join_not_identified" if curve.shape.has_join else "step"] if step else []
        words += ["join_beyond_range"] if beyond else []
        words += ["straight_line"] if line else []
        at_rate = curve.shape.kinked and same(curve.join(fits.params[0, 0]), data.rates)
        words += ["join_at_tested_rate"] if np.any(at_rate) else []
    elif above(curve.upward(fits.params[0, 0], high), 0, size):
        words.append("convex")
    if above(*ends, size) and at_most(steps * high, 0, size):
        words.append("rises_then_falls" if above(_peak(curve, fits, data), low, high) else "falling")
    return tuple(words + (["saturated"] if df_error <= 0 else []))


def _peak(curve, fits, data) -> float:
    """Tested rate with the greatest yield."""
    return float(optimum_in_range(curve, fits.params[0, 0], 0.0, *data.rates[[0, -1]]))


def _design(columns, data):
    """Columns of all parameters (n, k): the blocks, whose own are given too, and those of the curve."""
    z = (data.sweep.block[:, None] == np.arange(max(data.sweep.n_blocks, 1))).astype(float)
    return columns if data.through_origin else np.hstack([z, columns]), z


def jacobian(curve, fits, data):
    """Columns (n, p - 1) by the internal parameters beside the level, and the map to published ones."""
    if curve.shape is None:
        columns, back = curve.basis.columns(*[data.sweep.rates[None]] * 2)
        return columns[0][data.sweep.code], back[0]
    shape = curve.shape
    start = shape.start(data.sweep.rates[None])[0]
    a, b, bend = fits.level[0, 0], fits.slope[0, 0], fits.bend[0, 0]
    coord, step = shape.coord(bend), 1e-20
    rise, turn, _ = shape.jet(data.rate - start, coord)
    # Complex-step derivatives of the published parameters are exact to rounding.
    moved = np.array([a, b, coord]) + 1j * step * np.eye(3)
    published = shape.publish(moved[:, 0], moved[:, 1], shape.uncoord(moved[:, 2]), start)
    return np.column_stack([rise, b * turn]), np.imag(published).T / step
