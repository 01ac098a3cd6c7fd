"""The models of a strip trial, each giving treatment means with their covariance and degrees of freedom."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.errors import NotEstimable
from fertkit.results import show
from fertkit.rounding import at_least
from fertkit.trials import linear
from fertkit.trials.mixed import RemlFit, components, fit_reml, shared, wald
from fertkit.trials.table import Trial

#: Drawings of new lots behind the test of treatments with correlated neighbours, and their seed.
DRAWS, LOT_SEED = 499, 2024


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
    groups = " and ".join(name for name, _ in trial.blocking)
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
