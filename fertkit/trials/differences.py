"""Differences of treatment means: all pairs under one rule, against the check, and letters."""

from functools import cache
from string import ascii_letters

import numpy as np
import pandas as pd

from fertkit.errors import unknown
from fertkit.laws import t_below, t_reach
from fertkit.rounding import above, below, levelled

#: Rules behind the letters: how the probability of a difference allows for looking at many of them.
ADJUSTMENTS = ("tukey", "holm", "protected", "none")
#: Pairs, and comparisons with the check, above which probabilities are drawn or read between points, not
#: integrated one by one; draws of a family.
MANY, FAMILY, DRAWS = 300, 20, 50_000


def all_pairs(means, covariance, df, *, level=0.95, adjust: str = "tukey", p_all=0.0) -> pd.DataFrame:
    """Compare every treatment mean with every other.

    Parameters
    ----------
    means : Series
        Estimated means, labelled by treatment [yield unit].
    covariance : (k, k) array
        Of the means [yield unit squared].
    df : float or (k, k) array
        Error degrees of freedom of each difference.
    level : float
        Confidence of the intervals of single differences.
    adjust : {"tukey", "holm", "protected", "none"}
        Tukey-Kramer studentised range; Holm's step-down; no adjustment once the F test of all is significant;
        no adjustment (least significant difference).
    p_all : float
        Probability of the F test of all, for "protected".

    Returns
    -------
    DataFrame
        first, second, difference (second - first), se, df, low, high, p, p_adjusted.
    """
    if adjust not in ADJUSTMENTS:
        raise unknown("adjustment", adjust, ADJUSTMENTS)
    i, j = np.triu_indices(len(means), 1)
    table = _differences(means, covariance, df, i, j, level)
    table.insert(0, "first", means.index[i])
    table.insert(1, "second", means.index[j])
    if adjust == "tukey":
        ratio = np.abs(table["difference"] / table["se"])
        adjusted = _of_range(ratio.to_numpy() * np.sqrt(2), len(means), table["df"].to_numpy())
        table["p_adjusted"] = np.where(np.isfinite(ratio), adjusted, np.nan)
    elif adjust == "protected":
        table["p_adjusted"] = np.maximum(table["p"], p_all)
    else:
        table["p_adjusted"] = holm(table["p"]) if adjust == "holm" else table["p"]
    return table


def _of_range(q, many, df) -> np.ndarray:
    """Probability of a studentised range beyond q; of very many pairs with one df between computed points."""
    from scipy.interpolate import CubicSpline
    from scipy.stats import studentized_range

    if len(q) <= MANY or np.ptp(df) > 0 or not np.isfinite(q).all():
        return studentized_range.sf(q, many, df)
    knots = np.linspace(0, q.max(), MANY // 2)
    return np.exp(CubicSpline(knots, np.log(np.maximum(studentized_range.sf(knots, many, df[0]), 1e-15)))(q))


@cache
def reach(level: float, df: float, many: int = 0) -> float:
    """Standard errors of a difference that two means lie apart where they just differ.

    Student's t for one comparison; with `many` means Tukey's studentised range over the root of two.
    """
    if not many:
        return float(t_reach(df, level))
    from scipy.stats import studentized_range

    return float(studentized_range.ppf(level, many, df) / 2**0.5)


def against_check(means, covariance, df, check, *, level: float = 0.95) -> pd.DataFrame:
    """Compare every other treatment with the check, adjusted as a family (Dunnett 1955, from memory).

    Parameters
    ----------
    means, covariance, df, level
        As in `all_pairs`.
    check : label
        Treatment the others are set against.

    Returns
    -------
    DataFrame
        treatment, difference (from the check), se, df, low, high (adjusted as a family), p, p_adjusted.
    """
    at = list(means.index).index(check)
    others = np.delete(np.arange(len(means)), at)
    table = _differences(means, covariance, df, np.full(len(others), at), others, level)
    table.insert(0, "treatment", means.index[others])
    with_check = covariance[others, at]
    spread = covariance[np.ix_(others, others)] + covariance[at, at] - with_check[:, None] - with_check
    table["p_adjusted"], many = _largest_of(table, spread, level)
    if many:
        table["low"], table["high"] = (table["difference"] + side * many * table["se"] for side in (-1, 1))
    return table


def _differences(means, covariance, df, base, other, level) -> pd.DataFrame:
    """Differences of means at places `other` from those at `base`: difference, se, df, low, high, p."""
    apart = np.diag(covariance)[base] + np.diag(covariance)[other]
    spread = apart - 2 * covariance[base, other]
    table = pd.DataFrame({"difference": means.to_numpy()[other] - means.to_numpy()[base]})
    table["se"] = np.sqrt(np.where(above(spread, 0, scale=apart), spread, np.nan))
    table["df"] = np.broadcast_to(df, covariance.shape)[base, other]
    half = t_reach(table["df"], level) * table["se"]
    table["low"], table["high"] = table["difference"] - half, table["difference"] + half
    table["p"] = 2 * t_below(table["df"], -np.abs(table["difference"] / table["se"]))
    return table


def _largest_of(table, spread, level):
    """Probability that the largest |t| of the family exceeds each one seen, and its point at `level`.

    Under a multivariate t; the point is None where the family has one member or no error.
    """
    from scipy.optimize import brentq
    from scipy.stats import multivariate_t

    ratio = np.abs(table["difference"] / table["se"]).to_numpy()
    if len(table) == 1 or not np.isfinite(ratio).all():
        return table["p"], None
    correlation, df = spread / np.sqrt(np.outer(np.diag(spread), np.diag(spread))), float(table["df"].mean())
    if len(table) > FAMILY:
        drawn = _drawn(correlation, df, len(ratio))
        return np.maximum(1 - np.searchsorted(drawn, ratio) / DRAWS, table["p"]), np.quantile(drawn, level)
    family = multivariate_t(shape=correlation, df=max(df, 1.0), allow_singular=True, seed=20240)

    def inside(r):
        return family.cdf(np.full(len(ratio), r), lower_limit=np.full(len(ratio), -r))

    single, all_of = (t_reach(max(df, 1.0), 1 - (1 - level) / share) for share in (1, len(ratio)))
    point = brentq(lambda r: inside(r) - level, 0.99 * single, 1.01 * all_of, xtol=1e-4)
    # Never below the unadjusted probability: the integral is a simulation good to about four digits.
    return np.maximum(1 - np.array([inside(r) for r in ratio]), table["p"]), max(point, single)


def _drawn(correlation, df, many) -> np.ndarray:
    """The largest |t| of drawn families in ascending order, good to two or three digits."""
    rng = np.random.default_rng(20240)
    values, vectors = np.linalg.eigh(correlation)
    normal = rng.standard_normal((DRAWS, many)) * np.sqrt(np.maximum(values, 0))
    chi = np.sqrt(rng.chisquare(max(df, 1.0), DRAWS) / max(df, 1.0))
    return np.sort(np.abs(normal @ vectors.T).max(axis=1) / chi)


def holm(p) -> np.ndarray:
    """Holm's step-down adjustment of probabilities, in the order given."""
    p = np.asarray(p, dtype=float)
    order = np.argsort(p)
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def compact_letters(means, pairs, alpha: float = 0.05) -> pd.Series:
    """Return letters of treatments: those that cannot be told apart share one, "a" goes to the highest mean.

    Parameters
    ----------
    means : Series
        Means labelled by treatment.
    pairs : DataFrame
        first, second and p_adjusted of all pairs.
    alpha : float
        Pairs with a smaller adjusted probability share no letter.

    Notes
    -----
    Insert-and-absorb algorithm of Piepho (2004, J. Comput. Graph. Stat. 13:456-466, from memory).
    """
    groups = [frozenset(means.index)]
    for row in pairs[below(pairs["p_adjusted"], alpha)].itertuples():
        split = []
        for group in groups:
            if row.first in group and row.second in group:
                split += [group - {row.first}, group - {row.second}]
            else:
                split.append(group)
        unique = set(split)
        groups = [g for g in unique if not any(g < other for other in unique)]
    rank = pd.Series(levelled(means), index=means.index).rank(ascending=False, method="first")
    groups.sort(key=lambda g: sorted(rank[list(g)]))
    names = [ascii_letters[i] if i < len(ascii_letters) else f"({i})" for i in range(len(groups))]
    return pd.Series(
        ["".join(n for n, g in zip(names, groups, strict=True) if label in g) for label in means.index],
        index=means.index,
    )
