"""Critical level of a soil or tissue test from the relative yields of many sites, by several methods.

The methods of a critical level answer different questions and differ widely on the same data (Rohan & Conyers
2025), so each result names its method, and none gives a number without an interval when sites can be
resampled.

Examples
--------
A step from 60 to 95 % between tests of 12 and 14 (invented):

>>> from fertkit.response import critical_level
>>> test, relative = [6, 8, 10, 12, 14, 16, 18, 20], [60, 60, 60, 60, 95, 95, 95, 95]
>>> float(critical_level(test, relative, "cate_nelson").value)
13.0
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_count, a_generator, a_share, asks, labels
from fertkit.errors import InputError, LookupFailed, NotEstimable, Problem, unknown
from fertkit.reference.load import list_sources
from fertkit.response.curves import CURVES, LINEAR_PLATEAU
from fertkit.response.fit import fit_response, join_text
from fertkit.results import Result, checks_frame, failed
from fertkit.rounding import above, first_smallest
from fertkit.trials.limits import check_row

FEWEST = 4  # sites: two in each class, or two degrees of freedom


@dataclass(frozen=True)
class CriticalLevel(Result):
    """A critical level and how it was found.

    Attributes
    ----------
    method : str
        Cate-Nelson split, arcsine-log calibration, or the curve's name.
    value, low, high : float
        Critical level and the ends of its interval [unit of the test]; nan ends where none was asked for.
    low_open, high_open : bool
        The interval goes on beyond that end.
    level : float
        Confidence level.
    target_pct : float or None
        Relative yield the level stands for [%]; None where the method sets it itself.
    r2 : float
        Share of variation explained.
    sites : DataFrame
        test, relative_yield_pct: the data used, in order of the test.
    table : DataFrame
        Cate-Nelson: every split; otherwise: the estimates of the method.
    line : DataFrame
        test, relative_yield_pct: points of the fitted line to draw; steps for Cate-Nelson.
    remarks : tuple of str
    source_keys : tuple of str
    """

    method: str
    value: float
    low: float
    high: float
    low_open: bool
    high_open: bool
    level: float
    target_pct: float | None
    r2: float
    sites: pd.DataFrame
    table: pd.DataFrame
    line: pd.DataFrame
    remarks: tuple[str, ...]
    source_keys: tuple[str, ...]

    @property
    def checks(self) -> pd.DataFrame:
        test = self.sites["test"]
        inside = bool(test.min() < self.value < test.max())
        bounded = not (self.low_open or self.high_open)
        tests = f"{test.min():g} to {test.max():g}"
        rows = [
            check_row("critical level", "critical level inside the tests", self.value, inside, limit=tests),
            check_row("critical level", "the data bound the level on both sides", self.high, bounded),
        ]
        return checks_frame(rows)

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(self.source_keys)


@asks(test=labels, relative_yield=labels, rng=a_generator, replicates=a_count(1), level=a_share)
def critical_level(
    test, relative_yield, method: str = LINEAR_PLATEAU.key, *, target_pct: float = 90.0, rng=None,
    replicates: int = 2000, level: float = 0.95,
) -> CriticalLevel:  # fmt: skip
    """Find the critical level of a soil or tissue test from the relative yields of many sites.

    Parameters
    ----------
    test : array, shape (n,)
        Soil or tissue test [any unit].
    relative_yield : array, shape (n,)
        Yield without the nutrient in percent of yield with enough of it [%].
    method : str
        ``cate_nelson``: split the sites in two classes that explain most of the variation in relative yield;
        the level is the middle of the gap between them, ties go to the lowest split.
        ``arcsine_log``: ln(test) on the arcsine of relative yield by the standardised major axis,
        ``X = asin sqrt(RY/100) - asin sqrt(target/100)``, ``Y = ln(test)``, slope ``sd(Y)/sd(X)``; the level
        is ``exp(mean Y - slope * mean X)``. Relative yields above 100 % are capped; tests must be above zero.
        Key of a curve with a plateau or an asymptote: its join, or where it reaches the target.
    target_pct : float
        Relative yield the level stands for, where the method does not set it itself [%].
    rng : numpy.random.Generator, optional
        Resample sites for a percentile interval. The join of a curve has a profile interval without; a curve
        without a join has none, since its asymptote is uncertain too.
    replicates : int
    level : float

    Returns
    -------
    CriticalLevel

    Raises
    ------
    InputError
        Naming every site whose test or yield is no number or negative.
    LookupFailed
        For a method that is none, or a curve without a join or asymptote.
    NotEstimable
        With fewer than four sites, where no split leaves two sites on either side, where relative yield does
        not rise with the test, or for a target that is none.

    References
    ----------
    Cate & Nelson (1971) SSSA Proc. 35:658-660. The calibration is from memory of Dyson & Conyers (2013); it
    reproduces an independent calculation. Rohan & Conyers (2025) criticise the division of the slope by the
    correlation.
    """
    x, y = _sites(test, relative_yield)
    drawn = {"rng": rng, "replicates": replicates, "level": level}
    if method == "cate_nelson":
        return _split(x, y, **drawn)
    if method == "arcsine_log":
        return _calibrated(x, y, target_pct, **drawn)
    if method not in CURVES:
        raise unknown("method of a critical level", method, ("cate_nelson", "arcsine_log", *CURVES))
    return _on_curve(x, y, CURVES[method], target_pct, level)


def _split(x, y, **drawn):
    total, inside = _split_ss(x, y)
    if not np.isfinite(inside).any():
        raise NotEstimable("no split leaves two different tests on each side")
    best = int(first_smallest(inside.sum(axis=0), scale=total))
    value = (x[best] + x[best + 1]) / 2
    low, high = _resample(_split_value, x, y, **drawn)
    frame = pd.DataFrame({"below": x[:-1], "above": x[1:], "ss_below": inside[0], "ss_above": inside[1]})
    frame["r2"] = 1.0 - (inside[0] + inside[1]) / total if total > 0 else 0.0
    frame = frame[np.isfinite(frame["ss_below"])].reset_index(drop=True)
    means = y[: best + 1].mean(), y[best + 1 :].mean()
    steps = {"test": [x[0], value, value, x[-1]], "relative_yield_pct": np.repeat(means, 2)}
    remark = f"Mean relative yield {means[0]:.1f}% below and {means[1]:.1f}% above."
    return CriticalLevel(
        "Cate-Nelson split", float(value), low, high, False, False, drawn["level"], None,
        float(frame["r2"].max()), _frame(x, y), frame, pd.DataFrame(steps), (remark,), ("CATE_NELSON1971",),
    )  # fmt: skip


def _calibrated(x, y, target_pct, **drawn):
    if not 0 < target_pct < 100:
        raise NotEstimable(f"the target must be between 0 and 100% of full yield, not {target_pct:g}")
    if x[0] <= 0:
        raise NotEstimable("the arcsine-log calibration needs tests above zero")
    fit = _major_axis(x, y, target_pct)
    if not above(fit["correlation"], 0, scale=1):
        raise NotEstimable("relative yield does not rise with the test; there is no critical level")
    low, high = _resample(lambda a, b: _major_axis(a, b, target_pct)["critical"], x, y, **drawn)
    capped = int((y > 100).sum())
    remarks = (f"{capped} relative yields above 100% were capped.",) if capped else ()
    shares = np.linspace(max(y.min(), 1.0), 100.0, 101)
    at = np.exp(fit["intercept"] + fit["slope"] * _arcsine(shares, target_pct))
    return CriticalLevel(
        "arcsine-log calibration", float(fit["critical"]), low, high, False, False, drawn["level"],
        float(target_pct), float(fit["correlation"] ** 2), _frame(x, y),
        pd.DataFrame({"estimate": list(fit), "value": [float(v) for v in fit.values()]}),
        pd.DataFrame({"test": at, "relative_yield_pct": shares}), remarks, ("DYSON2013", "ROHAN2025"),
    )  # fmt: skip


def _on_curve(x, y, curve, target_pct, level):
    if curve.shape is None:
        raise LookupFailed(f"the {curve.label} curve has no critical level; choose one with a plateau")
    fit = fit_response(_frame(x, y), curve.key, rate="test", response="relative_yield_pct", blocks=False)
    if "falling" in fit.status or fit.fits.slope[0, 0] <= 0:
        raise NotEstimable("relative yield does not rise with the test; there is no critical level")
    rising = not curve.shape.has_join
    if rising:
        value, low, high, opened = _at_share(fit, target_pct / 100), np.nan, np.nan, (False, False)
    else:
        found = fit.join_interval(level).within(x[0], x[-1])
        value, low, high = float(curve.join(fit.coef)), found.low, found.high
        opened = (found.low_open, found.high_open)
    at = np.linspace(x[0], x[-1], 201)
    remarks = [] if rising else [f"Join: {join_text(fit)}; plateau {float(curve.plateau(fit.coef)):.1f}%."]
    remarks += failed(fit.checks)
    return CriticalLevel(
        f"{curve.label} curve", float(value), low, high, *opened, level, target_pct if rising else None,
        float(fit.r2), _frame(x, y), fit.params,
        pd.DataFrame({"test": at, "relative_yield_pct": fit.predict(at)}), tuple(remarks), (),
    )  # fmt: skip


def _at_share(fit, share):
    """Test at which a curve without a join reaches a share of its asymptote; 0 where it starts above."""
    shape, bend = fit.curve.shape, fit.fits.bend[0, 0]
    top, rise = fit.curve.plateau(fit.coef), fit.fits.slope[0, 0] * shape.height(bend)
    if share >= 1:
        raise NotEstimable(f"the {fit.curve.label} curve never reaches its asymptote; use less than 100%")
    left = (1 - share) * top / rise
    return max(0.0, float(shape.start(fit.data.sums.rates)[0] + shape.near(left) / bend))


def _sites(test, relative_yield):
    columns = {"test": np.asarray(test), "relative yield": np.asarray(relative_yield)}
    sizes = {name: values.size for name, values in columns.items()}
    if len(set(sizes.values())) > 1:
        raise NotEstimable(f"each site needs a test and a relative yield; got {sizes}")
    numbers, problems = [], []
    for name, values in columns.items():
        number = pd.to_numeric(pd.Series(values.ravel()), errors="coerce").to_numpy(float)
        for i in np.flatnonzero(~(np.isfinite(number) & (number >= 0))):
            what = "not a number of zero or more"
            problems.append(
                Problem(what, "correct it or leave the site out", int(i) + 1, name, values.ravel()[i])
            )
        numbers.append(number)
    if problems:
        raise InputError("sites", problems)
    if len(numbers[0]) < FEWEST:
        raise NotEstimable(
            f"a critical level needs at least {FEWEST} sites, better twenty; got {len(numbers[0])}"
        )
    order = np.lexsort((numbers[1], numbers[0]))
    return numbers[0][order], numbers[1][order]


def _frame(x, y):
    return pd.DataFrame({"test": x, "relative_yield_pct": y})


def _split_ss(x, y):
    """Total SS, and SS within both classes (2, ..., n - 1) for a split after each site; inf where barred."""
    n = x.shape[-1]
    y = y - y.mean(axis=-1, keepdims=True)
    count = np.arange(1, n)
    square, sums = np.cumsum(y * y, axis=-1), np.cumsum(y, axis=-1)
    below = square[..., :-1] - sums[..., :-1] ** 2 / count
    above = square[..., -1:] - square[..., :-1] - sums[..., :-1] ** 2 / (n - count)
    barred = (np.diff(x, axis=-1) <= 0) | (count < 2) | (count > n - 2)
    return square[..., -1], np.where(barred, np.inf, np.maximum(np.stack([below, above]), 0.0))


def _split_value(x, y):
    total, inside = _split_ss(x, y)
    best = first_smallest(inside.sum(axis=0), scale=total[..., None])[..., None]
    ends = (np.take_along_axis(x, best + step, -1)[..., 0] for step in (0, 1))
    return sum(ends) / 2


def _arcsine(relative_yield, target_pct):
    share = np.minimum(relative_yield, 100.0) / 100.0
    return np.arcsin(np.sqrt(share)) - np.arcsin(np.sqrt(target_pct / 100.0))


def _major_axis(x, y, target_pct):
    """Correlation, slopes, intercept and critical level; vectorised over leading axes."""
    a, b = _arcsine(y, target_pct), np.log(x)
    mean_a, mean_b = a.mean(axis=-1), b.mean(axis=-1)
    da, db = a - mean_a[..., None], b - mean_b[..., None]
    saa, sbb, sab = (da**2).sum(-1), (db**2).sum(-1), (da * db).sum(-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.sqrt(sbb / saa)
        estimates = {"correlation": sab / np.sqrt(saa * sbb), "ols_slope": sab / saa, "slope": slope}
    intercept = mean_b - slope * mean_a
    return estimates | {"intercept": intercept, "critical": np.exp(intercept)}


def _resample(estimate, x, y, rng, replicates, level):
    """Percentile interval over resampled sites, drawn in order of the test."""
    if rng is None:
        return np.nan, np.nan
    rows = np.sort(rng.integers(0, len(x), (replicates, len(x))), axis=1)
    values = estimate(x[rows], y[rows])
    tail = (1 - level) / 2
    low, high = np.quantile(values[np.isfinite(values)], [tail, 1 - tail])
    return float(low), float(high)
