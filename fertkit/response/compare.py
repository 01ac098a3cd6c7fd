"""Compare response curves on one trial and average their economic optima.

Curves are ranked by AICc with the error df of the rows given; a curve is counted once, however many families
reach it (a quadratic-plateau whose join lies beyond the top rate is the quadratic); fits without error df
are not ranked. R2 is shown and never used: it cannot rank curves (Spiess & Neumeyer 2010, BMC Pharmacology
10:6).

The averaged optimum weighs the six curves of diminishing returns, all of three parameters, by exp(-AICc/2);
its interval is that of `average`.

Examples
--------
Two strips a rate, half a bushel to either side of a line from 48 bu/ac to a plateau of 57 joined at
90 lb/ac (invented):

>>> from fertkit.response import compare_curves
>>> import pandas as pd
>>> trial = pd.DataFrame({
...     "rate_lb_ac": [0, 40, 80, 120, 160] * 2,
...     "yield_bu_ac": [47.5, 51.5, 55.5, 56.5, 56.5, 48.5, 52.5, 56.5, 57.5, 57.5],
... })
>>> float(compare_curves(trial, 0.45 / 11).table["weight"].sum().round(6))
1.0
"""

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd

from fertkit.asked import a_header, a_list, a_number, a_share, asks, either, holding, maybe_headers, off
from fertkit.errors import InputError, NotEstimable, Problem
from fertkit.laws import f_above
from fertkit.reference.load import list_sources
from fertkit.response.average import (
    AVERAGED,
    SMALL,
    Ladder,
    Rungs,
    akaike_weights,
    average_weights,
    averaged_keys,
    floored_rss,
    ladders_of,
    mean_wins,
    mixture_ends,
    same_as,
)
from fertkit.response.curves import CURVES, get_curve, optimum_in_range
from fertkit.response.data import TrialData, read_trial_data
from fertkit.response.fit import ResponseFit, fit_data, need_contrasts
from fertkit.response.interval import Interval
from fertkit.response.prices import one_ratio
from fertkit.response.search import Fits
from fertkit.results import Result, checks_frame, plain
from fertkit.rounding import at_least, at_most, levelled


@dataclass(frozen=True)
class CurveComparison(Result):
    """Curves side by side on one trial.

    Attributes
    ----------
    fits : dict of str to ResponseFit
    price_ratio, level : float
    averaged_weights : Series
        Weights of the curves in the averaged optimum, by key.
    data : TrialData
    asked : int
        How many curves were to be fitted.
    ladders : dict of str to Ladder or Rungs
        Intervals of the curves with error df, ready for any price ratio.
    """

    fits: dict[str, ResponseFit]
    price_ratio: float
    level: float
    averaged_weights: pd.Series
    data: TrialData
    asked: int
    ladders: dict[str, Ladder | Rungs] = field(compare=False)  # made of the fits

    @cached_property
    def table(self) -> pd.DataFrame:
        """A row per curve, best AICc first.

        Columns curve, label, df_error, rss, r2, aicc, delta, weight (support among all curves),
        average_weight (in the averaged optimum), lack_of_fit_f, lack_of_fit_p, same_as, note, optimum, low,
        high, optimum_text; optima are in tested rates.
        """
        ranking, rows = self.ranking, []
        ends, best = self.data.rates[[0, -1]], np.fmin.reduce(list(ranking.aicc.values()))
        for key in ranking.order:
            fit, same = self.fits[key], ranking.same_as[key]
            averaged = self.averaged_weights.get(key, np.nan)
            f, p = lack_of_fit(fit)
            optimum, interval = self.optima[key], self.interval(key)
            rows.append({
                "curve": key, "label": fit.curve.label, "df_error": fit.df_error, "rss": fit.rss,
                "r2": fit.r2, "aicc": ranking.aicc[key], "delta": ranking.aicc[key] - best,
                "weight": ranking.weight[key], "average_weight": averaged, "lack_of_fit_f": f,
                "lack_of_fit_p": p, "same_as": same, "note": _note(fit, same, averaged), "optimum": optimum,
                "low": interval.low, "high": interval.high,
                "optimum_text": _optimum_text(optimum, interval, *ends),
            })  # fmt: skip
        return pd.DataFrame(rows)

    @cached_property
    def ranking(self) -> "Ranking":
        """How well the yields support each curve."""
        n, blocks = len(self.data.rate), max(int(self.data.sums.n_blocks[0]), 1)
        same = [str(v[0, 0]) for v in same_as(arrays_of(self.fits), self.data.sums).values()]
        mean_params = np.array([fit.curve.n_params - 1 + blocks for fit in self.fits.values()])
        rss = np.array([floored_rss(fit.fits.rss, self.data.sums)[0, 0] for fit in self.fits.values()])
        values, keys = aicc(rss, n, mean_params), list(self.fits)
        weights = akaike_weights(np.where([word == "" for word in same], values, np.nan))
        order = [keys[i] for i in np.argsort(levelled(values), kind="stable")]
        return Ranking(*(dict(zip(keys, v, strict=True)) for v in (values, weights, same)), order)

    @cached_property
    def flat(self) -> bool:
        """Whether no curve beats the mean."""
        return bool(mean_wins(arrays_of(self.fits), self.data.sums)[0, 0])

    @property
    def best(self) -> str:
        """Key of the curve with the lowest AICc, or of the first averaged curve when none can be ranked."""
        return self.ranking.order[0]

    @cached_property
    def optima(self) -> dict[str, float]:
        """Optimum of each curve within the tested rates [rate_unit]."""
        ends = self.data.rates[[0, -1]]
        return {
            key: float(optimum_in_range(fit.curve, fit.coef, self.price_ratio, *ends))
            for key, fit in self.fits.items()
        }

    @property
    def averaged_optimum(self) -> float:
        """Mean of the curves' optima within the tested rates [rate_unit]."""
        return float(self.averaged_weights @ [self.optima[k] for k in self.averaged_weights.index])

    @cached_property
    def averaged_interval(self) -> Interval:
        """Within the tested rates."""
        return self.interval()

    @property
    def between_curve_sd(self) -> float:
        """Weighted standard deviation of the optima among the averaged curves [rate_unit]."""
        values = np.array([self.optima[k] for k in self.averaged_weights.index])
        return float(np.sqrt(self.averaged_weights @ (values - self.averaged_optimum) ** 2))

    @property
    def check_rows(self) -> list[tuple]:
        """Rows of `checks`."""
        data, fitted = self.data, len(self.fits)
        return [
            ("rows for AICc", len(data.rate), f">= {_rows_needed(data)}", self.ranked,
             ("enough rows to rank curves by AICc",
              "too few rows to rank curves by AICc; they are weighted by fit alone")),
            ("curves fitted", fitted, f">= {self.asked}", fitted == self.asked,
             ("every curve was fitted",
              "some curves cannot be fitted with rates so far from zero")),
            ("distinct rates", len(data.rates), ">= 4", len(data.rates) > 3,
             ("enough rates to distinguish three-parameter curves",
              "with three rates all three-parameter curves fit equally well")),
        ]  # fmt: skip

    @property
    def checks(self) -> pd.DataFrame:
        return checks_frame(self.check_rows)

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(["SPIESS2010", "TUREK2012"])

    @property
    def ranked(self) -> bool:
        """Whether there are rows enough to rank the curves of three parameters by AICc."""
        return len(self.data.rate) >= _rows_needed(self.data)

    def interval(self, curve: str | None = None, price_ratio: float | None = None) -> Interval:
        """Interval of one curve's optimum, else of the averaged, cut to the tested rates.

        At the price ratio of the comparison unless another is asked for.
        """
        ratio = self.price_ratio if price_ratio is None else price_ratio
        if curve is None:
            return _averaged_interval(self, ratio)
        ladder = self.ladders.get(curve)
        return _interval(curve, ladder and ladder.ends(ratio), self.level).within(*self.data.rates[[0, -1]])

    def at_price_ratio(self, price_ratio: float) -> "CurveComparison":
        """The same fits at another price ratio; nothing is refitted."""
        moved = replace(self, price_ratio=one_ratio(price_ratio))
        vars(moved)["ranking"] = self.ranking  # whatever the prices
        return moved


class Ranking(NamedTuple):
    """Support of curves by key: AICc, its weight, the curve each is in disguise; their order, best first."""

    aicc: dict[str, float]
    weight: dict[str, float]
    same_as: dict[str, str]
    order: list[str]


@asks(
    trial=holding("table", of="read_strips"), price_ratio=a_number,
    curves=a_list, level=a_share, rate=a_header, response=a_header, blocks=either(maybe_headers, off),
    weight=a_header,
)  # fmt: skip
def compare_curves(
    trial, price_ratio, *, curves=tuple(CURVES), level=0.95, rate=None, response=None, blocks=None,
    weight=None,
) -> CurveComparison:  # fmt: skip
    """Fit all curves to one trial, rank them and average the optimum they imply.

    Parameters
    ----------
    trial : DataFrame, StripTrial or TrialData
    price_ratio : float
        Price of a unit of nutrient over the price of a unit of yield [yield unit per rate unit].
    curves : iterable of str
        Keys to compare.
    level : float
        Confidence level of the intervals.
    rate, response, blocks, weight
        See `fertkit.response.data.read_trial_data`.

    Raises
    ------
    InputError
        If the table cannot be used as it stands.
    NotEstimable
        With fewer than three distinct rates, several trials in the table, or a level that is none.
    PriceError
        For a price ratio that is negative or missing.
    """
    data = read_trial_data(trial, rate=rate, response=response, blocks=blocks, weight=weight)
    return compare(data, price_ratio, level, curves)


def compare(data: TrialData, price_ratio, level: float, curves=tuple(CURVES)) -> CurveComparison:
    """Compare curves on a checked trial; see `compare_curves`."""
    if len(data.rates) < 3:
        raise NotEstimable("curves need three or more rates")
    need_contrasts(data, 2, "a comparison of curves")
    fits = _fit_all(data, curves)
    if not averaged_keys(fits):
        what, remedy = "no curve of diminishing returns to average", f"add one of: {', '.join(AVERAGED)}"
        if averaged_keys(curves):
            raise NotEstimable(f"{what} could be fitted to this trial")
        raise InputError("compare_curves", [Problem(what, remedy, column="curves", value=", ".join(curves))])
    ladders = ladders_of({k: fit.fits for k, fit in fits.items() if fit.df_error > 0}, data.sums, level)
    weights = average_weights(arrays_of(fits), data.sums)[0, 0]
    averaged, asked = pd.Series(weights, index=averaged_keys(fits)), len(list(curves))
    return CurveComparison(fits, one_ratio(price_ratio), level, averaged, data, asked, ladders)


def aicc(rss, n, n_mean_params):
    """AICc = n ln(RSS/n) + 2K + 2K(K+1)/(n-K-1), K = mean parameters + 1; nan where n <= K + 1."""
    k = np.asarray(n_mean_params, float) + 1
    room = np.asarray(n - k - 1, float)
    with np.errstate(divide="ignore"):
        value = n * np.log(np.asarray(rss, float) / n) + 2 * k + 2 * k * (k + 1) / np.where(room > 0, room, 1)
    return np.where(room > 0, value, np.nan)


def lack_of_fit(fit: ResponseFit) -> tuple[float, float]:
    """F test of a curve's lack of fit against the error within rates: (F, p), nan without replication."""
    pure_ss, pure_df = float(fit.data.sums.pure_ss[0, 0]), int(fit.data.sums.pure_df[0])
    df = fit.df_error - pure_df
    if pure_df <= 0 or df <= 0 or pure_ss <= 0:
        return float("nan"), float("nan")
    value = max(fit.rss - pure_ss, 0.0) / df / (pure_ss / pure_df)
    return value, float(f_above(df, pure_df, value))


def arrays_of(fits: dict[str, ResponseFit]) -> dict[str, Fits]:
    """The fits in the form the vectorised functions use."""
    return {key: fit.fits for key, fit in fits.items()}


def _fit_all(data, curves):
    """All the curves that have finite parameters on this trial."""
    fits = {}
    for key in curves:
        try:
            fits[key] = fit_data(data, get_curve(key))
        except NotEstimable:  # only with rates far from zero; the checks name how many are left
            continue
    return fits


def _note(fit, same, averaged):
    words = [f"same fit as {CURVES[same].label}, counted once"] if same else []
    words += ["stands for it in the average"] if same and averaged > SMALL else []
    words += ["not ranked: no error df"] if fit.df_error <= 0 else []
    return "; ".join(words + [w.replace("_", " ") for w in fit.status if w != "saturated"])


def _interval(curve, ends, level):
    """Interval at the asked level, the last of the ladder's; nan without one."""
    low, high = (np.nan, np.nan) if ends is None else (float(end[0, 0, -1]) for end in ends)
    return Interval(low, high, False, False, level, "profile" if CURVES[curve].shape else "exact")


def _averaged_interval(comparison, price_ratio):
    low = high = np.nan
    ladders, weights, data = comparison.ladders, comparison.averaged_weights, comparison.data
    if set(weights.index) <= set(ladders):
        used = {k: w for k, w in weights.items() if w > SMALL}
        each = [ladders[k].ends(price_ratio) for k in used]
        pair = mixture_ends(each, np.array([[[*used.values()]]]), data.sums, comparison.level)
        low, high = (float(end[0, 0]) for end in pair)
    interval = Interval(low, high, False, False, comparison.level, "averaged")
    return interval.within(*data.rates[[0, -1]])


def _optimum_text(optimum, interval, lowest, highest):
    rate = plain(optimum, span=highest - lowest)
    value = f"at least {highest:g}" if at_least(optimum, highest) else rate
    value = f"{lowest:g} (lowest rate)" if at_most(optimum, lowest, scale=highest) else value
    return f"{value} ({interval.text()})"


def _rows_needed(data) -> int:
    """Rows from which AICc of a curve of three parameters is known: n > K + 1."""
    return 3 - 1 + max(int(data.sums.n_blocks[0]), 1) + 3
