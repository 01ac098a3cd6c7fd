"""Least squares for designed trials: dummy columns, sums of squares, estimates with their standard errors.

Everything here is plain matrices: n strips, p columns of a design matrix, no frames and no names of columns.
Designs may be unbalanced (a strip lost) or short of rank (a treatment confounded with blocks); what cannot be
estimated is found out, not guessed.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.laws import f_above, normal_below
from fertkit.rounding import same

#: Applied rates nearer than this share of the highest are one rate (common practice, no source).
ONE_RATE = 0.05


@dataclass(frozen=True)
class LeastSquares:
    """An ordinary least squares fit.

    Attributes
    ----------
    coefficients : (p,) array
    covariance : (p, p) array
        Generalised inverse of X'X, times nothing: multiply by a variance.
    residuals : (n,) array
    rss : float
        Residual sum of squares.
    rank, df : int
        Rank of the design and degrees of freedom left for error.
    row_space : (p, p) array
        Projector on the rows of the design, to tell what is estimable.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    residuals: np.ndarray
    rss: float
    rank: int
    df: int
    row_space: np.ndarray

    @property
    def variance(self) -> float:
        """Error mean square; NaN when no degree of freedom is left."""
        return self.rss / self.df if self.df > 0 else np.nan

    def estimable(self, contrasts) -> np.ndarray:
        """Return which rows of a (k, p) contrast matrix the design can estimate."""
        gap = np.atleast_2d(contrasts) @ (np.eye(len(self.row_space)) - self.row_space)
        return np.abs(gap).max(axis=1) < 1e-8


def fit(design, y) -> LeastSquares:
    """Fit y = X b by singular values, so that a design short of rank does no harm.

    Parameters
    ----------
    design : (n, p) array
    y : (n,) array
    """
    left, values, right = np.linalg.svd(design, full_matrices=False)
    keep = values > values[0] * 1e-10
    left, values, right = left[:, keep], values[keep], right[keep]
    residuals = residuals_of(left, y)
    rank = int(keep.sum())
    return LeastSquares(
        coefficients=right.T @ ((left.T @ y) / values),
        covariance=(right.T / values**2) @ right,
        residuals=residuals,
        rss=float(residuals @ residuals),
        rank=rank,
        df=len(y) - rank,
        row_space=right.T @ right,
    )


def residuals_of(left, y) -> np.ndarray:
    """What orthonormal columns leave of yields (..., n); rounding of an exact fit is no error to test by."""
    rest = y - (y @ left) @ left.T
    return np.where(same(rest, 0, scale=np.abs(y).max(axis=-1, keepdims=True)), 0.0, rest)


def span(design) -> np.ndarray:
    """Orthonormal columns that span the same space as those of a design, which may be short of rank."""
    left, values, _ = np.linalg.svd(design, full_matrices=False)
    return left[:, values > values[0] * 1e-10]


def dummies(codes) -> np.ndarray:
    """Make 0/1 columns of a factor, the first level left out [(n, levels - 1)]."""
    codes = np.asarray(codes)
    return (codes[:, None] == np.arange(1, codes.max() + 1)).astype(float)


def interaction(first, second) -> np.ndarray:
    """Multiply every column of one term with every column of another."""
    return (first[:, :, None] * second[:, None, :]).reshape(len(first), first.shape[1] * second.shape[1])


def sequential_squares(y, terms) -> list[tuple[str, int, float]]:
    """Sums of squares of terms, each adjusted for those before it.

    Parameters
    ----------
    y : (n,) array
    terms : list of (name, (n, k) array)
        In the order in which they enter after the mean.

    Returns
    -------
    list of (name, df, sum of squares)
        A term wholly confounded with earlier ones has 0 df; the last row is ``error``.
    """
    columns = np.ones((len(y), 1))
    current = fit(columns, y)
    rows = []
    for name, matrix in terms:
        columns = np.column_stack([columns, matrix])
        nested = fit(columns, y)
        rows.append((name, nested.rank - current.rank, max(current.rss - nested.rss, 0.0)))
        current = nested
    return [*rows, ("error", current.df, current.rss)]


def anova_table(rows, *, error: str = "error") -> pd.DataFrame:
    """Make the analysis-of-variance table from (term, df, ss) rows, tested against one of them.

    Parameters
    ----------
    rows : list of (str, int, float)
        Sums of squares; `error` names the row to test against.

    Returns
    -------
    DataFrame
        term, df, ss, ms, f, p.
    """
    table = pd.DataFrame(rows, columns=["term", "df", "ss"])
    table["ms"] = table["ss"] / table["df"].where(table["df"] > 0)
    base = table.loc[table["term"] == error].iloc[0]
    tested = (table["term"] != error) & (table["df"] > 0) & (base["df"] > 0) & (base["ms"] > 0)
    table["f"] = (table["ms"] / base["ms"]).where(tested)
    table["p"] = f_above(table["df"], base["df"], table["f"])
    return table


def neighbour_statistic(residuals, design, line, order) -> tuple[float, float, float]:
    """Correlation of residuals between neighbouring strips, and how surprising it is.

    Parameters
    ----------
    residuals : (n,) array
        Least squares residuals.
    design : (n, p) array
    line : (n,) array
        Strips of one run across the field share a value.
    order : (n,) array
        Place of the strip within its run.

    Returns
    -------
    correlation, z, p : float
        Sum of neighbour products over the residual sum of squares; its standardised value and two-sided
        normal probability. Mean and variance of the ratio are the exact moments under independent normal
        errors (Durbin & Watson 1950, Biometrika 37:409-428, from memory).
    """
    n = len(residuals)
    link = np.zeros((n, n))
    for run in np.unique(line):
        members = np.flatnonzero(line == run)
        members = members[np.argsort(order[members], kind="stable")]
        link[members[:-1], members[1:]] = link[members[1:], members[:-1]] = 0.5
    left = span(design)
    df, rss = n - left.shape[1], residuals @ residuals
    if df < 2 or rss <= 0 or not link.any():
        return np.nan, np.nan, np.nan
    maker = np.eye(n) - left @ left.T
    product = maker @ link
    mean = np.trace(product) / df
    spread = 2 * (np.sum(product * product.T) - np.trace(product) ** 2 / df) / (df * (df + 2))
    ratio = residuals @ link @ residuals / rss
    z = (ratio - mean) / np.sqrt(spread) if spread > 0 else np.nan
    return float(ratio), float(z), float(2 * normal_below(-abs(z)))


# ---- what a design can compare


def parts(treatment, block) -> np.ndarray:
    """Number the connected part of a design that each row belongs to.

    Parameters
    ----------
    treatment, block : (n,) int arrays

    Returns
    -------
    (n,) int array

    Examples
    --------
    Blocks 0 and 1 hold treatments 0 and 1, block 2 only treatment 2:

    >>> from fertkit.trials.linear import parts
    >>> parts([0, 1, 0, 1, 2], [0, 0, 1, 1, 2]).tolist()
    [0, 0, 0, 0, 1]
    """
    treatment, part = np.asarray(treatment), np.asarray(block).copy()
    while True:
        lowest = np.full(treatment.max() + 1, part.max())
        np.minimum.at(lowest, treatment, part)
        reached = np.full(part.max() + 1, part.max())
        np.minimum.at(reached, part, lowest[treatment])
        if (reached[part] == part).all():
            return np.unique(part, return_inverse=True)[1]
        part = reached[part]


def rate_groups(rates) -> np.ndarray:
    """Code rates 0, 1, ... in ascending order, those that differ by little as one."""
    rates = np.asarray(rates, dtype=float)
    order = np.argsort(rates, kind="stable")
    steps = np.diff(rates[order]) > ONE_RATE * np.abs(rates).max()
    codes = np.empty(len(rates), dtype=int)
    codes[order] = np.concatenate([[0], np.cumsum(steps)])
    return codes


def contrasts_within(rates, block) -> int:
    """Most independent contrasts among rates that one connected part of a design offers.

    A curve needs one for each parameter beside its level; parts that share no block have levels of their own.
    Rates that differ by little are one, unless each comes in several blocks and so was meant.
    """
    codes = np.unique(rates, return_inverse=True)[1]
    if (np.bincount(np.unique(np.column_stack([codes, block]), axis=0)[:, 0]) < 2).any():
        codes = rate_groups(rates)
    part = parts(codes, block)
    offered = np.unique(np.column_stack([part, codes]), axis=0)[:, 0]
    return int(np.bincount(offered).max()) - 1
