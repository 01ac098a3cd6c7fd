"""From a trial and two prices to a rate, with what the data leave open said in words.

The reporting rule
------------------
1. When no curve beats the mean (AICc; plain AIC while the small-sample correction would outweigh any
   response), the answer is the lowest rate: no economic response.
2. Otherwise the optimum is averaged over the six curves of diminishing returns (`compare`), unless a curve
   is asked for: the choice of curve alone can move an optimum by more than its standard error, and
   averaging lowers that bias (Matavel, Meyer-Aurich & Piepho 2024, Precision Agric. 25:1324-1339).
3. A rate is never reported outside the tested range: where most of the weight still rises at the highest
   rate, the answer is "at least the highest rate tested", and the interval's upper end is open.
4. With two rates there is no curve: only the gain, and the gain minus its cost.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from fertkit.errors import PriceError
from fertkit.response.bootstrap import bootstrap_fits
from fertkit.response.compare import CurveComparison, compare_curves, lack_of_fit, rankable_rss
from fertkit.response.curves import CURVES, get_curve
from fertkit.response.data import TrialData, read_trial_data
from fertkit.response.fit import ResponseFit, fit_data
from fertkit.response.intervals import Interval, make_interval, optimum_interval
from fertkit.response.prices import Prices, column
from fertkit.results import Result, checks_frame

SOURCES = {
    "exact interval of a quadratic's optimum": "Bachmaier 2009, Statistical Papers 50:649-660",
    "optimum differs between curves": "Cerrato & Blackmer 1990, Agron. J. 82:138-143",
    "averaging over curves": "Matavel, Meyer-Aurich & Piepho 2024, Precision Agric. 25:1324-1339",
    "global fit over the join": "Lerman 1980, Applied Statistics 29:77-84",
}
MEANINGS = {
    "interior": "net return is greatest inside the tested rates",
    "no economic response": "no tested rate returns more than the lowest",
    "at least the highest rate": "net return still rises at the highest rate tested",
    "at most the first rate": "all of the response is reached by the first rate above the lowest",
    "difference only": "two rates give a difference, not a curve; the better of the two is named",
    "pass not paid": "the gain does not pay for the application pass",
}


@dataclass(frozen=True)
class Optimum:
    """A rate with its interval and an honest status.

    Attributes
    ----------
    rate : float
        Within the tested rates [unit].
    interval : Interval
        Cut to the tested rates, with open ends; nan ends when no error can be estimated.
    status : str
        Key of `MEANINGS`.
    unit : str
    """

    rate: float
    interval: Interval
    status: str
    unit: str

    @property
    def text(self) -> str:
        """The rate as a person would say it."""
        rate = f"{self.rate:.3g} {self.unit}"
        said = {
            "no economic response": f"no economic response; the lowest rate tested, {rate}",
            "at least the highest rate": f"at least the highest rate tested, {rate}",
            "at most the first rate": f"at most {rate}, the first rate above the lowest",
            "pass not paid": f"{rate}: the gain does not pay for the application pass",
        }.get(self.status, rate)
        if np.isnan(self.interval.low):
            return f"{said} (no interval: no error can be estimated)"
        return f"{said} ({self.interval.level:.0%} interval {self.interval.text()})"


@dataclass(frozen=True)
class ResponseAnalysis(Result):
    """What a trial says about the rate to use.

    Attributes
    ----------
    optimum, agronomic_optimum : Optimum
        Economic optimum rate at `prices`, and the lowest rate with the greatest yield.
    curve : str
        ``averaged``, the key of the curve asked for, ``mean`` without a response, or ``difference``.
    fits : dict of str to ResponseFit
    comparison : CurveComparison or None
        None with two rates.
    weights : Series
        Weight of each curve in the answer, by key.
    gain : DataFrame
        quantity, value, low, high, unit: yield gain of the reported (with two rates, the higher) rate over
        the lowest, its cost, and gain minus cost; ends nan where they are not estimated.
    prices : Prices
    draws : dict of str to array (replicates, p)
        Bootstrap draws of the parameters of every curve with error df.
    strips : DataFrame
        rate, yield, yield with the block effect taken out, block, weight; units in the column names.
    data : TrialData
    level : float
    checks : DataFrame
    """

    optimum: Optimum
    agronomic_optimum: Optimum
    curve: str
    fits: dict[str, ResponseFit]
    comparison: CurveComparison | None
    weights: pd.Series
    gain: pd.DataFrame
    prices: Prices
    draws: dict[str, np.ndarray]
    strips: pd.DataFrame
    data: TrialData
    level: float
    checks: pd.DataFrame
    asked: str | None = field(default=None, repr=False)

    @property
    def rate_unit(self) -> str:
        return self.data.rate_unit

    @property
    def yield_unit(self) -> str:
        return self.data.yield_unit

    @property
    def price_ratio(self) -> float:
        """Price of a unit of nutrient over the price of a unit of yield [yield unit per rate unit]."""
        return ratio_of(self.prices, self.data)

    @property
    def table(self) -> pd.DataFrame:
        return self.gain if self.comparison is None else self.comparison.table

    @property
    def sources(self) -> pd.DataFrame:
        return pd.DataFrame({"used_for": list(SOURCES), "source": list(SOURCES.values())})

    def predict(self, rate):
        """Yield of the average block at `rate`, averaged over the curves as the optimum is [yield unit]."""
        return sum(w * self.fits[k].predict(rate) for k, w in self.weights.items() if w > 0)

    def at_prices(self, *, nutrient_price=None, grain_price=None, prices=None) -> "ResponseAnalysis":
        """The same fits at other prices; nothing is refitted."""
        prices = _prices(self.data, nutrient_price, grain_price, prices)
        comparison = self.comparison and self.comparison.at_price_ratio(ratio_of(prices, self.data))
        return _report(replace(self, prices=prices, comparison=comparison))

    def summary(self) -> str:
        n, rates = len(self.data.rate), len(self.data.rates)
        lines = [
            f"{n} rows at {rates} rates, {self.data.rates[0]:g} to {self.data.rates[-1]:g} {self.rate_unit}; "
            f"price ratio {self.price_ratio:.4g} {self.yield_unit} per {self.rate_unit}.",
            f"Economic optimum rate: {self.optimum.text}.",
            f"Agronomic optimum rate: {self.agronomic_optimum.text}.",
        ]
        for row in self.gain.itertuples():
            ends = (
                "" if np.isnan(row.low) else f" ({self.level:.0%} interval {row.low:.3g} to {row.high:.3g})"
            )
            lines.append(f"{row.quantity.capitalize()}: {row.value:.3g} {row.unit}{ends}.")
        if self.curve == "averaged":
            named = ", ".join(f"{CURVES[k].label} {w:.2f}" for k, w in self.weights.items() if w >= 0.005)
            lines.append(f"Averaged over curves by their support in the data: {named}.")
        failed = self.checks.loc[~self.checks["passed"].astype(bool), "meaning"]
        return "\n".join(lines + [f"Note: {m}." for m in failed])


def analyse_response(
    trial, *, nutrient_price=None, grain_price=None, prices=None, curve=None, level=0.95, replicates=2000,
    seed=0, rate=None, yield_=None, block=None, weight=None,
) -> ResponseAnalysis:  # fmt: skip
    """Analyse one rate trial: all curves, the economic optimum and its interval.

    Parameters
    ----------
    trial : DataFrame or TrialData
        One row per strip or plot, or per rate mean with `weight`.
    nutrient_price, grain_price : float
        Price per mass unit of the rate column and of the yield column, e.g. per lb and per bu.
    prices : Prices, optional
        Instead of the two: prices with units and costs of their own.
    curve : str, optional
        Report this curve instead of the average.
    level : float
        Confidence level.
    replicates : int
        Bootstrap draws per curve (0 for none).
    seed : int or numpy.random.Generator
    rate, yield_, block, weight
        See `fertkit.response.data.read_trial_data`.

    Returns
    -------
    ResponseAnalysis

    Raises
    ------
    InputError
        If the table cannot be used as it stands.
    PriceError
        For prices that are zero, negative or missing.
    NotEstimable
        If all rates are equal.
    """
    data = trial if isinstance(trial, TrialData) else read_trial_data(
        trial, rate=rate, yield_=yield_, block=block, weight=weight
    )  # fmt: skip
    prices = _prices(data, nutrient_price, grain_price, prices)
    asked = get_curve(curve).key if curve is not None else None
    draws: dict[str, np.ndarray] = {}
    if len(data.rates) < 3:
        fits, comparison = {"linear": fit_data(data, CURVES["linear"])}, None
        weights = pd.Series({"linear": 1.0})
    else:
        comparison = compare_curves(data, ratio_of(prices, data), level=level)
        fits = comparison.fits
        weights = _weights(comparison, asked)
        rng = np.random.default_rng(seed)
        if replicates:
            judged = {k: fit for k, fit in fits.items() if fit.df_error > 0}
            draws = {k: bootstrap_fits(fit, replicates, rng).params[0] for k, fit in judged.items()}
    nothing = Optimum(np.nan, make_interval(np.nan, np.nan, level, "averaged"), "interior", data.rate_unit)
    blank = ResponseAnalysis(
        nothing, nothing, "", fits, comparison, weights, pd.DataFrame(), prices, draws, _strips(fits, data),
        data, level, pd.DataFrame(), asked,
    )  # fmt: skip
    return _report(blank)


def ratio_of(prices: Prices, data: TrialData) -> float:
    """Price ratio in the units of the trial [yield unit per rate unit]."""
    return float(prices.per(data.rate_unit, data.yield_unit).ratio)


def no_response(fits: dict[str, ResponseFit], data: TrialData) -> bool:
    """Whether no curve beats the mean, by AICc, or AIC where AICc's correction exceeds its penalty."""
    n, blocks = len(data.rate), max(int(data.sums.n_blocks[0]), 1)
    k = np.array([fit.curve.n_params + blocks for fit in fits.values()])
    judged = np.array([fit.df_error > 0 for fit in fits.values()])
    score = n * np.log(rankable_rss(fits, data) / n) + 2 * k
    if n - k.max() - 1 > k.max():
        score = score + 2 * k * (k + 1) / (n - k - 1)
    return list(fits)[int(np.argmin(np.where(judged, score, np.inf)))] == "mean"


def _prices(data, nutrient_price, grain_price, prices):
    if prices is not None:
        return prices
    if nutrient_price is None or grain_price is None:
        raise PriceError("give the nutrient price and the grain price, or `prices`")
    rate_mass, yield_mass = data.rate_unit.split("/")[0], data.yield_unit.split("/")[0]
    return Prices(nutrient_price, grain_price, rate_mass, yield_mass)


def _weights(comparison, asked):
    if asked is not None:
        return pd.Series({asked: 1.0})
    if no_response(comparison.fits, comparison.data):
        return pd.Series({"mean": 1.0})
    return comparison.averaged_weights


def _report(analysis):
    """Fill in optimum, gain and checks for the prices of the analysis."""
    ratio = analysis.price_ratio
    curve = "difference" if analysis.comparison is None else analysis.asked or (
        "mean" if "mean" in analysis.weights.index else "averaged"
    )  # fmt: skip
    analysis = replace(analysis, curve=curve)
    agronomic = analysis.comparison and analysis.comparison.at_price_ratio(0.0)
    optimum = _pay_pass(analysis, _optimum(analysis, analysis.comparison, ratio))
    analysis = replace(analysis, optimum=optimum, agronomic_optimum=_optimum(analysis, agronomic, 0.0))
    analysis = replace(analysis, gain=_gain(analysis, ratio))
    return replace(analysis, checks=_checks(analysis))


def _optimum(analysis, comparison, ratio):
    data = analysis.data
    low, high, first = data.rates[0], data.rates[-1], data.rates[1]
    make = lambda rate, interval, status: Optimum(float(rate), interval, status, data.rate_unit)  # noqa: E731
    if comparison is None:
        fit = analysis.fits["linear"]
        better = high if fit.coef[1] > ratio else low
        if fit.df_error <= 0:
            return make(better, make_interval(np.nan, np.nan, analysis.level, "exact"), "difference only")
        interval = optimum_interval(fit, ratio, analysis.level).within(low, high)
        return make(better, replace(interval, high_open=False, low_open=False), "difference only")
    optima = comparison.table.set_index("curve")["optimum"]
    if analysis.curve == "mean":
        upper = comparison.averaged_interval
        return make(low, replace(upper, low=float(low), low_open=False), "no economic response")
    weights = analysis.weights[analysis.weights > 0]
    if analysis.asked:
        fit = analysis.fits[analysis.asked]
        missing = fit.df_error <= 0
        interval = make_interval(np.nan, np.nan, analysis.level, "profile") if missing else optimum_interval(
            fit, ratio, analysis.level
        ).within(low, high)  # fmt: skip
        rate = optima[analysis.asked]
    else:
        interval, rate = comparison.averaged_interval, comparison.averaged_optimum
    values = optima[weights.index]
    if weights[values >= high].sum() > 0.5:
        return make(high, replace(interval, high=float(high), high_open=True), "at least the highest rate")
    if weights[values <= low].sum() > 0.5:
        return make(low, replace(interval, low=float(low), low_open=False), "no economic response")
    steps = [k for k in weights.index if {"join_not_identified", "step"} & set(analysis.fits[k].status)]
    if weights[steps].sum() > 0.5:
        return make(first, replace(interval, low=float(low), high=max(interval.high, float(first))),
                    "at most the first rate")  # fmt: skip
    return make(rate, interval, "interior")


def _pay_pass(analysis, optimum):
    """Fall back to no application where the gain does not pay for the pass and zero was tested."""
    unit = analysis.prices.per(analysis.rate_unit, analysis.yield_unit)
    low = analysis.data.rates[0]
    if unit.pass_cost <= 0 or low > 0 or optimum.rate <= 0:
        return optimum
    net = unit.net(analysis.predict(np.array([low, optimum.rate])), np.array([low, optimum.rate]))
    return optimum if net[1] > net[0] else replace(optimum, rate=float(low), status="pass not paid")


def _gain(analysis, ratio):
    data = analysis.data
    low = data.rates[0]
    rate = data.rates[-1] if analysis.comparison is None else analysis.optimum.rate
    gain = float(analysis.predict(rate) - analysis.predict(low))
    cost = ratio * (rate - low)
    half = np.nan
    if analysis.comparison is None:
        fit = analysis.fits["linear"]
        if fit.df_error > 0:
            from scipy.stats import t

            half = t.ppf(0.5 + analysis.level / 2, fit.df_error) * fit.params["se"].iloc[1] * (rate - low)
    rows = [
        (f"yield gain of {rate:.3g} over {low:.3g} {data.rate_unit}", gain, gain - half, gain + half),
        ("its cost in yield", cost, np.nan, np.nan),
        ("gain minus cost", gain - cost, gain - cost - half, gain - cost + half),
    ]
    return pd.DataFrame(rows, columns=["quantity", "value", "low", "high"]).assign(unit=data.yield_unit)


def _strips(fits, data):
    fit = next(iter(fits.values()))
    effect = dict(zip(fit.block_effects["block"], fit.block_effects["effect"], strict=True))
    block = np.full(len(data.rate), "") if data.block is None else data.block
    return pd.DataFrame(
        {
            column("rate", data.rate_unit): data.rate,
            column("yield", data.yield_unit): data.yields,
            column("adjusted_yield", data.yield_unit): data.yields - [effect.get(b, 0.0) for b in block],
            "block": block,
            "weight": data.weight,
        }
    )


def _checks(analysis):
    data, comparison, optimum = analysis.data, analysis.comparison, analysis.optimum
    rates, pure_df = data.rates, int(data.sums.pure_df[0])
    rows = [
        ("distinct rates", len(rates), 3, len(rates) >= 3,
         "fewer than three rates: a difference, not a curve"),
        ("replicates within rates [df]", pure_df, 1, pure_df > 0,
         "no replication within rates: the error includes the curve's own lack of fit"),
        ("optimum inside the tested rates", optimum.rate, rates[-1],
         optimum.status in ("interior", "difference only"),
         MEANINGS[optimum.status]),
        ("interval closed above", optimum.interval.high, rates[-1], not optimum.interval.high_open,
         "the data set no upper limit to the optimum within the tested rates"),
    ]  # fmt: skip
    if comparison is not None:
        fit = analysis.fits[max(analysis.weights.index, key=lambda k: analysis.weights[k])]
        p = lack_of_fit(fit)[1]
        rows.append(
            ("lack of fit [p]", p, 0.05, not p < 0.05,
             f"the rate means depart from the {fit.curve.label} curve by more than chance")
        )  # fmt: skip
        rows += comparison.checks.loc[lambda c: c["check"] != "distinct rates"].itertuples(
            index=False, name=None
        )
        rows.append(
            ("three rates", len(rates), 4, len(rates) > 3, "with three rates the curves cannot be told apart")
        )
    return checks_frame(rows)
