"""Checks among the other strips: each strip adjusted by what the checks near it say of its soil."""

from dataclasses import replace

import numpy as np
import pandas as pd

from fertkit.errors import NotEstimable
from fertkit.results import counted, plain, plain_p
from fertkit.trials import linear
from fertkit.trials.models import Estimate, fixed_blocks
from fertkit.trials.table import Trial

#: Checks that a field needs before they can tell its soil; those that a strip on a grid is set against
#: (common practice, no source).
FEWEST, NEAREST = 4, 4


def near_checks(trial: Trial, checks) -> tuple[Trial, Estimate]:
    """Analysis of variance with the mean of the neighbouring checks as a covariate.

    Each strip, a check too, is set against the checks next to it, never itself: along a line the nearest on
    either side, on a grid of rows and columns (diagonal checks) the four nearest, the nearer the heavier. How
    much of their deviation from the mean of their kind a strip shares is estimated, not supposed (Richey
    1924, Journal of Agricultural Research 27:79-90, from memory).

    Parameters
    ----------
    trial : Trial
    checks : sequence of labels

    Raises
    ------
    NotEstimable
        If the places of the strips are not known, or the checks are too few.
    """
    x = _index(trial, np.isin(trial.codes, np.flatnonzero(trial.labels.isin(list(checks)))))
    adjusted = replace(trial, beside=(("neighbouring checks", x - x.mean()),))
    design = adjusted.design()
    fit = linear.fit(design, trial.y)
    at = adjusted.without_treatments().shape[1] - 1
    if fit.df < 2 or not fit.estimable(np.eye(design.shape[1])[at])[0]:
        raise NotEstimable(
            "too few checks to separate soil from treatments", remedy="compare without adjustment"
        )
    estimate = fixed_blocks(adjusted)
    share, p = (
        float(fit.coefficients[at]),
        float(estimate.anova.set_index("term").loc["neighbouring checks", "p"]),
    )
    # In soil without any pattern 5 to 6 of 100 trials of equal treatments are then called different.
    helped = "" if p < 0.05 else ": near checks tell little here; also compare without adjustment"
    note = (
        f"means are adjusted by neighbouring checks: a strip shares {plain(share)} of their deviation "
        f"(p {plain_p(p)}){helped}"
    )
    method = f"{estimate.method}, mean of the neighbouring checks as a covariate"
    ways = (*estimate.methods, "near checks")
    return adjusted, replace(estimate, method=method, notes=(*estimate.notes, note), methods=ways)


def _index(trial, is_check) -> np.ndarray:
    """Weighted mean of the deviations of the checks near each strip [yield unit]."""
    if is_check.sum() < FEWEST:
        raise NotEstimable(
            f"{counted(int(is_check.sum()), 'strip')} of checks: adjustment by neighbouring checks needs "
            f"{FEWEST}"
        )
    kinds = pd.Series(trial.y[is_check]).groupby(trial.codes[is_check])
    off = trial.y[is_check] - kinds.transform("mean").to_numpy()
    place, line, on_grid = _places(trial)
    apart = np.linalg.norm(place[:, None] - place[is_check][None], axis=2)
    apart[(line[:, None] != line[is_check][None]) | (apart == 0)] = np.inf
    side = np.sign(place[is_check][None, :, 0] - place[:, None, 0])
    weights = np.zeros_like(apart)
    for near in [apart] if on_grid else [np.where(side == way, apart, np.inf) for way in (-1, 1)]:
        reach = np.sort(near, axis=1)[:, [min(NEAREST if on_grid else 1, near.shape[1]) - 1]]
        weights += np.where(near <= reach * (1 + 1e-9), 1 / near, 0)  # checks as near as the last count too
    total = weights.sum(axis=1)
    if not total.all():
        raise NotEstimable("no check is next to another strip; number strips across the field")
    return weights @ off / total


def _places(trial) -> tuple[np.ndarray, np.ndarray, bool]:
    """Coordinates of the strips [(n, 1) or (n, 2)], the run each lies in, and whether they lie on a grid."""
    names = {str(c).lower(): c for c in trial.strips}
    axes = [names[n] for n in ("row", "column") if n in names]
    if len(axes) == 2:
        grid = trial.strips[axes].apply(pd.to_numeric, errors="coerce").to_numpy(float)
        if np.isfinite(grid).all() and len(np.unique(grid, axis=0)) == len(grid):
            return grid, np.zeros(len(grid), dtype=int), True
    if trial.order is None:
        raise NotEstimable(
            "neighbouring checks need strip positions",
            remedy="add a column 'position', or rows and columns",
        )
    return trial.order[:, None].astype(float), trial.line, False
