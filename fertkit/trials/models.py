"""The models of a strip trial, each giving treatment means with their covariance and degrees of freedom."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.errors import NotEstimable
from fertkit.results import counted, plain, plain_p, show
from fertkit.rounding import at_least
from fertkit.trials import linear
from fertkit.trials.mixed import RemlFit, components, fit_reml, shared, wald
from fertkit.trials.table import Trial

#: Drawings of new lots behind the test of treatments with correlated neighbours, and their seed.
DRAWS, LOT_SEED = 499, 2024
#: Checks that a field needs before they can tell its soil; those that a strip on a grid is set against
#: (common practice, no source).
FEWEST, NEAREST = 4, 4


@dataclass(frozen=True)
class Estimate:
    """What a model says of the treatments.

    Attributes
    ----------
    means : Series
        By treatment [yield unit].
    covariance : (k, k) array
        Of the means.
    df : (k, k) array
        Degrees of freedom of each difference of two means; the diagonal for the means themselves.
    anova : DataFrame
        term, df, ss, ms, f, p; the model's own table.
    residuals : (n,) array
    variance : float
        Error mean square, or the residual variance of a mixed model.
    error_df : float
        Degrees of freedom behind the test of treatments.
    method : str
        The model in a sentence.
    notes, methods : tuple of str
        Methods by their names in ``reference/methods.csv``.
    """

    means: pd.Series
    covariance: np.ndarray
    df: np.ndarray
    anova: pd.DataFrame
    residuals: np.ndarray
    variance: float
    error_df: float
    method: str
    notes: tuple[str, ...] = ()
    methods: tuple[str, ...] = ("anova",)


def fixed_blocks(trial: Trial) -> Estimate:
    """Analysis of variance with blocks as fixed effects; treatments adjusted for everything else.

    With a strip lost this is the exact least-squares analysis: no stand-in value, no lost degree of freedom
    forgotten.

    Raises
    ------
    NotEstimable
        If blocks or the trend cannot be told from the treatments.
    """
    fit = linear.fit(trial.design(), trial.y)
    rows = trial.mean_rows()
    k = len(trial.labels)
    variance = fit.variance
    anova = linear.anova_table(
        linear.sequential_squares(trial.y, [*trial.terms(), ("treatment", trial.treatment_columns())])
    )
    notes = ()
    if fit.df == 0:
        notes = ("no error can be estimated: differences have no intervals or tests",)
    elif fit.rss == 0:
        notes = ("replicates yield exactly the same: no error to test against",)
    groups = " and ".join(f"{name}s" for name, _ in trial.blocking)
    method = (
        f"analysis of variance, {groups} as fixed effects" if groups else "analysis of variance, no blocks"
    )
    return Estimate(
        means=pd.Series(rows @ fit.coefficients, index=trial.labels),
        covariance=rows @ fit.covariance @ rows.T * variance,
        df=np.full((k, k), float(fit.df) if fit.df > 0 else np.nan),
        anova=anova,
        residuals=fit.residuals,
        variance=variance,
        error_df=float(fit.df),
        method=method + (" with a straight trend across the field" if trial.trend else ""),
        notes=notes,
    )


def need_differences(trial: Trial) -> None:
    """Raise NotEstimable unless every difference of treatments can be told from blocks and trend.

    Differences between blocks alone are no substitute where blocks are random: with a handful of blocks they
    rest on a variance that nothing measures.
    """
    rows = trial.mean_rows()
    if linear.fit(trial.design(), trial.y).estimable(rows[1:] - rows[0]).all():
        return
    reason = _apart(trial) if trial.blocking and not trial.covariates else ""
    trend = " (or they follow the trend exactly)" if trial.covariates else ""
    raise NotEstimable(
        f"treatments are confounded with blocks: {reason or 'some treatments'} never meet within a block"
        f"{trend}, so field differences cannot be separated; compare treatments that share blocks"
    )


def _apart(trial) -> str:
    """Which treatments share blocks, part by part, as words; empty where they all do."""
    part = linear.parts(trial.codes, trial.blocking[0][1])
    if part.max() == 0:
        return ""
    codes = (np.unique(trial.codes[part == one]) for one in range(min(part.max() + 1, 6)))
    sets = [f"({', '.join(show(trial.labels[code]) for code in some)})" for some in codes]
    return " and ".join(sets) + (" ..." if part.max() > 5 else "")


def random_blocks(trial: Trial) -> Estimate:
    """Mixed model with random blocks by restricted maximum likelihood, Satterthwaite degrees of freedom.

    Falls back to `fixed_blocks`, and says so, when the block variance is at zero or cannot be estimated.
    """
    if not trial.blocking:
        return fixed_blocks(trial)
    bare = replace(trial, sites=(), groups=())
    design, rows = bare.design(), bare.mean_rows()
    n, groups = len(trial.y), len(trial.blocking)
    start = np.full(groups + 1, linear.fit(design, trial.y).rss / n / (groups + 1))
    build = components([*(shared(codes) for _, codes in trial.blocking), np.eye(n)])
    names = [name for name, _ in trial.blocking]
    try:
        fit = fit_reml(design, trial.y, build, start)
        if fit.at_bound.any():
            return _fall_back(trial, f"the variance between {' or '.join(names)}s is estimated as zero")
        spread = pd.DataFrame({"term": [*names, "strip"], "variance": fit.parameters})
        method = f"mixed model, {' and '.join(names)} random (REML)"
        return _from_reml(trial, fit, rows, design, method, fit.parameters[-1], spread)
    except (NotEstimable, np.linalg.LinAlgError):
        return _fall_back(trial, "the mixed model cannot be fitted")


def neighbour_errors(trial: Trial) -> Estimate:
    """Blocks fixed, errors of neighbouring strips correlated as rho^distance (first-order autoregression).

    The F test of a fitted correlation calls differences too often in small trials; the treatments are tested
    by drawing lots anew instead (`_by_lot`).

    Raises
    ------
    NotEstimable
        If the place of the strips is not known, or too few strips remain to estimate the correlation.
    """
    if trial.order is None:
        raise NotEstimable("correlated neighbours need strip positions; add a column 'position'")
    design, rows = trial.design(), trial.mean_rows()
    if linear.fit(design, trial.y).df < 3:
        raise NotEstimable("too few strips to estimate correlation of neighbours; use blocks")
    distance = np.abs(trial.order[:, None] - trial.order[None, :])
    together = shared(trial.line)

    def build(theta):
        variance, rho = theta
        pattern = together * rho**distance
        slope = together * np.where(distance > 0, distance * rho ** np.maximum(distance - 1, 0), 0)
        return variance * pattern, [pattern, variance * slope]

    limits = [(1e-12, None), (0.0, 0.98)]
    start = [linear.fit(design, trial.y).variance, 0.3]
    fit = fit_reml(design, trial.y, build, start, bounds=limits)
    variance, rho = fit.parameters
    if fit.at_bound[1] and rho < 0.5:
        return _fall_back(trial, "no correlation between neighbouring strips is found")
    spread = pd.DataFrame({"term": ["strip", "neighbour correlation"], "variance": [variance, rho]})
    method = f"{'blocks fixed, ' if trial.blocking else ''}neighbouring strips correlated {rho:.2f} (REML)"
    try:
        estimate = _from_reml(trial, fit, rows, design, method, variance, spread)
        plain = trial.without_treatments()
        alike = fit_reml(plain, trial.y, build, start, bounds=limits)
    except np.linalg.LinAlgError:
        return _fall_back(trial, "the correlation of neighbouring strips cannot be estimated")
    p = _by_lot(trial, plain, build(alike.parameters)[0])
    anova = estimate.anova.assign(p=np.where(estimate.anova["term"] == "treatment", p, np.nan))
    note = (
        f"the p value comes from {DRAWS} new randomisations; intervals of single differences use the fitted "
        "correlation and are slightly short in small trials"
    )
    ways = (*estimate.methods, "neighbours", "lots")
    return replace(estimate, anova=anova, notes=(*estimate.notes, note), methods=ways)


def _by_lot(trial: Trial, plain, cov) -> float:
    """Randomisation test of the treatments under a given covariance of the strips.

    The covariance comes from the strips without their labels, so all labellings that the lots might have
    given are on one footing and the test keeps its level. Labels are drawn within the first grouping.

    Parameters
    ----------
    plain : (n, p) array
        Mean, groups and trend.
    cov : (n, n) array
    """
    rng = np.random.default_rng(LOT_SEED)
    block = trial.blocking[0][1] if trial.blocking else np.zeros(len(trial.y), dtype=int)
    home = np.argsort(block, kind="stable")
    drawn = np.empty((DRAWS + 1, len(block)), dtype=int)
    drawn[0] = np.arange(len(block))
    for i in range(1, DRAWS + 1):
        drawn[i, home] = np.lexsort((rng.random(len(block)), block))
    whiten = np.linalg.inv(np.linalg.cholesky(cov))
    frame, _ = np.linalg.qr(whiten @ plain)
    whiten = whiten - frame @ (frame.T @ whiten)
    y, x = whiten @ trial.y, whiten @ trial.treatment_columns()[drawn]
    along = np.swapaxes(x, 1, 2) @ y
    explained = np.einsum("ij,ijk,ik->i", along, np.linalg.pinv(np.swapaxes(x, 1, 2) @ x), along)
    return float(at_least(explained, explained[0]).mean())


def _fall_back(trial, reason) -> Estimate:
    estimate = fixed_blocks(trial)
    note = f"{reason}; analysed with fixed blocks instead"
    return replace(estimate, notes=(*estimate.notes, note))


def _from_reml(trial, fit: RemlFit, rows, design, method, variance, spread) -> Estimate:
    k = len(trial.labels)
    df = np.empty((k, k))
    for i in range(k):
        for j in range(i + 1):
            df[i, j] = df[j, i] = fit.degrees_of_freedom(rows[i] if i == j else rows[i] - rows[j])
    f, df1, df2, p = wald(fit, rows[1:] - rows[0])
    anova = pd.concat(
        [pd.DataFrame([{"term": "treatment", "df": df1, "f": f, "p": p}]), spread], ignore_index=True
    )
    return Estimate(
        means=pd.Series(rows @ fit.coefficients, index=trial.labels),
        covariance=rows @ fit.covariance @ rows.T,
        df=df,
        anova=anova,
        residuals=trial.y - design @ fit.coefficients,
        variance=float(variance),
        error_df=df2,
        method=method,
        methods=("reml", "satterthwaite"),
    )


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
    x = _beside(trial, np.isin(trial.codes, np.flatnonzero(trial.labels.isin(list(checks)))))
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


def _beside(trial, is_check) -> np.ndarray:
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
            "neighbouring checks need strip positions", remedy="add a column 'position', or rows and columns"
        )
    return trial.order[:, None].astype(float), trial.line, False
