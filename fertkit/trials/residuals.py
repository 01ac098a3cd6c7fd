"""Residuals of a fitted model with their leverage and normal scores."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.reference.load import method_sources
from fertkit.results import Result
from fertkit.trials.linear import span


@dataclass(frozen=True)
class Residuals(Result):
    """Residuals of one model.

    Attributes
    ----------
    table : DataFrame
        treatment (or rate, or several columns), block, observed, fitted, residual [`unit`], leverage,
        standardised (residual over its standard deviation) and normal_score (its place under a normal
        distribution); a row a strip.
    of, unit : str
        The model in words, and the unit of the yields.
    usual_leverage : float
        Mean leverage: parameters over rows. Twice as much is worth a look (Hoaglin & Welsch 1978).
    """

    table: pd.DataFrame
    of: str
    unit: str
    usual_leverage: float

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources("leverage")


def leverages(design) -> np.ndarray:
    """Diagonal (n,) of the projector on the columns of a design (n, p), which may be short of rank.

    Examples
    --------
    A straight line through four equal steps (by hand, 1/4 + (x - 1.5)^2 / 5):

    >>> from fertkit.trials.residuals import leverages
    >>> leverages([[1, 0], [1, 1], [1, 2], [1, 3]]).round(2).tolist()
    [0.7, 0.3, 0.3, 0.7]
    """
    return (span(np.asarray(design, float)) ** 2).sum(axis=1)


def conditional(design, y, covariance, variance) -> tuple[np.ndarray, np.ndarray]:
    """Conditional residuals and leverages (n,) of a mixed model, given the covariance (n, n) of the rows.

    What is left of y once fixed and random effects are taken out is variance x P y, with P the projector of
    the likelihood; its variance is variance^2 P, so that variance x diag(P) is 1 - leverage (Nobre & Singer
    2007, Biometrical Journal 49:863-875, from memory).
    """
    weighted = np.linalg.solve(covariance, design)
    projector = np.linalg.inv(covariance) - weighted @ np.linalg.solve(design.T @ weighted, weighted.T)
    return variance * (projector @ y), 1 - variance * np.diag(projector)


def normal_scores(values) -> np.ndarray:
    """Quantiles of the standard normal distribution at the ranks of values, at (i - a) / (n + 1 - 2 a).

    a is 3/8 up to ten values (Blom 1958, from memory) and 1/2 above.
    """
    from scipy.special import ndtri

    rank = np.argsort(np.argsort(values, kind="stable"), kind="stable") + 1
    a = 3 / 8 if len(rank) <= 10 else 1 / 2
    return ndtri((rank - a) / (len(rank) + 1 - 2 * a))


def standardised(residuals, leverage, variance, weight=1.0) -> np.ndarray:
    """Residuals over their standard deviations sqrt(variance (1 - leverage) / weight); nan at leverage 1."""
    room = np.where(1 - np.asarray(leverage) > 1e-10, 1 - np.asarray(leverage), np.nan)
    return np.asarray(residuals) * np.sqrt(weight / (variance * room))


def residual_frame(strips, observed, residuals, leverage, variance, weight=1.0) -> pd.DataFrame:
    """Return the columns of `Residuals.table` beside those of `strips`."""
    known = standardised(residuals, leverage, variance, weight) if variance > 0 else np.nan
    frame = strips.reset_index(drop=True).assign(
        observed=np.asarray(observed), fitted=np.asarray(observed) - residuals,
        residual=np.asarray(residuals), leverage=np.asarray(leverage), standardised=known,
    )  # fmt: skip
    judged = frame["standardised"].notna()
    scores = pd.Series(np.nan, index=frame.index)
    scores[judged] = normal_scores(frame.loc[judged, "standardised"]) if judged.any() else np.nan
    return frame.assign(normal_score=scores)
