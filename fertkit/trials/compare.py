"""Differences between treatment means: intervals, allowance for many comparisons, compact letters."""

from itertools import combinations
from string import ascii_letters

import numpy as np
import pandas as pd

from fertkit.errors import unknown
from fertkit.rounding import above, below, levelled

#: How the probability of a difference is adjusted for looking at many of them.
ADJUSTMENTS = ("tukey", "holm", "none")


def all_pairs(means, covariance, df, *, level: float = 0.95, adjust: str = "tukey") -> pd.DataFrame:
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
    adjust : {"tukey", "holm", "none"}
        Tukey-Kramer studentised range; Holm's step-down; no adjustment (least significant difference).

    Returns
    -------
    DataFrame
        first, second, difference (second - first), se, df, low, high, p, p_adjusted.
    """
    from scipy.stats import studentized_range, t

    if adjust not in ADJUSTMENTS:
        raise unknown("adjustment", adjust, ADJUSTMENTS)
    k = len(means)
    pairs = np.array(list(combinations(range(k), 2)), dtype=int).reshape(-1, 2)
    i, j = pairs.T
    table = pd.DataFrame({"first": means.index[i], "second": means.index[j]})
    table["difference"] = means.to_numpy()[j] - means.to_numpy()[i]
    apart = np.diag(covariance)[i] + np.diag(covariance)[j]
    spread = apart - 2 * covariance[i, j]
    table["se"] = np.sqrt(np.where(above(spread, 0, scale=apart), spread, np.nan))
    table["df"] = np.broadcast_to(df, (k, k))[i, j]
    ratio = np.abs(table["difference"] / table["se"])
    table = _with_intervals(table, level, t)
    if adjust == "tukey":
        adjusted = studentized_range.sf(ratio * np.sqrt(2), k, table["df"])
        table["p_adjusted"] = np.where(np.isfinite(ratio), adjusted, np.nan)
    else:
        table["p_adjusted"] = holm(table["p"]) if adjust == "holm" else table["p"]
    return table


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
        treatment, difference (from the check), se, df, low, high, p, p_adjusted.
    """
    from scipy.stats import t

    at = list(means.index).index(check)
    others = [i for i in range(len(means)) if i != at]
    contrasts = np.zeros((len(others), len(means)))
    contrasts[range(len(others)), others] = 1
    contrasts[:, at] = -1
    spread = contrasts @ covariance @ contrasts.T
    table = pd.DataFrame({"treatment": means.index[others], "difference": contrasts @ means.to_numpy()})
    known = above(np.diag(spread), 0, scale=np.diag(covariance)[others] + covariance[at, at])
    table["se"] = np.sqrt(np.where(known, np.diag(spread), np.nan))
    table["df"] = np.broadcast_to(df, (len(means), len(means)))[others, at]
    table = _with_intervals(table, level, t)
    table["p_adjusted"] = _largest_of(table, spread)
    return table


def _with_intervals(table, level, t):
    half = t.isf((1 - level) / 2, table["df"]) * table["se"]
    table["low"], table["high"] = table["difference"] - half, table["difference"] + half
    table["p"] = 2 * t.sf(np.abs(table["difference"] / table["se"]), table["df"])
    return table


def _largest_of(table, spread):
    """Probability that the largest |t| of the family exceeds each one seen, under a multivariate t."""
    from scipy.stats import multivariate_t

    ratio = np.abs(table["difference"] / table["se"]).to_numpy()
    if len(table) == 1 or not np.isfinite(ratio).all():
        return table["p"]
    correlation = spread / np.sqrt(np.outer(np.diag(spread), np.diag(spread)))
    family = multivariate_t(
        shape=correlation, df=max(float(table["df"].mean()), 1.0), allow_singular=True, seed=20240
    )
    inside = [family.cdf(np.full(len(ratio), r), lower_limit=np.full(len(ratio), -r)) for r in ratio]
    # Never below the unadjusted probability: the integral is a simulation good to about four digits.
    return np.maximum(1 - np.array(inside), table["p"])


def holm(p) -> np.ndarray:
    """Holm's step-down adjustment of probabilities, in the order given."""
    p = np.asarray(p, dtype=float)
    order = np.argsort(p)
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def compact_letters(means, pairs, alpha: float = 0.05) -> pd.Series:
    """Give treatments that cannot be told apart a letter in common, "a" going to the highest mean.

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
