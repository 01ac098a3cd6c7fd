"""What is checked of one analysed trial: what its tests assume, strips far from the rest, drawn lots."""

from math import factorial

import numpy as np
import pandas as pd

from fertkit.laws import f_above
from fertkit.results import failed, heading, show
from fertkit.rounding import above, same
from fertkit.trials import linear
from fertkit.trials.doubtful import doubtful_strips, say_doubtful, smoother
from fertkit.trials.limits import check_row
from fertkit.trials.strips import describe
from fertkit.trials.table import Trial

_UNCHECKED = "could not be checked with these strips"
ORDER, FAR = "order of the treatments drawn by lot", "strips far from the rest"
#: A repeated order less likely than this by lot counts as laid on purpose.
BY_LOT = 0.05


def check_rows(trial: Trial, estimate) -> list[tuple]:
    """Check the error degrees of freedom and, where there are any, what the tests assume.

    Returns
    -------
    list of (check, value, limit, passed, meaning)
        ``passed`` is None where a check could not be made.
    """
    df = estimate.error_df
    rows = [check_row("strips", "error degrees of freedom", df), *order_check(trial)]
    if df < 2 or same(np.ptp(estimate.residuals), 0, scale=np.abs(trial.y).max()):
        return rows
    fit = linear.fit(trial.design(), trial.y)
    return [
        *rows,
        check_row("strips", "normality (Shapiro-Wilk)", _normality(trial, fit)),
        check_row("strips", "equal variance (Brown-Forsythe)", _equal_variance(trial, fit)),
        check_row("strips", "blocks and treatments add up (Tukey)", _additivity(trial, fit)),
        _far(trial),
        _neighbours(trial, fit),
        _bend(trial),
    ]


def _normality(trial, fit) -> float | None:
    from scipy.stats import shapiro

    design = trial.design()
    free = np.einsum("ij,jk,ik->i", design, fit.covariance, design) < 1 - 1e-8  # alone, a strip fits itself
    return shapiro(fit.residuals[free]).pvalue if free.sum() > 2 else None


def _equal_variance(trial, fit) -> float | None:
    from scipy.stats import levene

    groups = [fit.residuals[trial.codes == code] for code in range(len(trial.labels))]
    groups = [g for g in groups if len(g) > 2]
    return levene(*groups, center="median").pvalue if len(groups) > 1 else None


def _additivity(trial, fit) -> float | None:
    """Tukey's one degree of freedom for non-additivity (1949, Biometrics 5:232-242, from memory)."""
    fitted = trial.y - fit.residuals
    if not trial.blocking or not above(np.ptp(fitted), 0, scale=np.abs(trial.y).max()):
        return None
    bow = ((fitted - fitted.mean()) / np.ptp(fitted)) ** 2  # of the size of the other columns in any unit
    wider = linear.fit(np.column_stack([trial.design(), bow]), trial.y)
    if wider.rank > fit.rank and above(wider.rss, 0, scale=fit.rss):
        return float(f_above(1, wider.df, (fit.rss - wider.rss) / wider.variance))
    return None


def _neighbours(trial, fit) -> tuple:
    name = "neighbouring strips alike"
    if trial.order is None:
        why = "strip positions are missing; add a column 'position'"
        return check_row("strips", name, None, why=why)
    _, z, p = linear.neighbour_statistic(fit.residuals, trial.design(), trial.line, trial.order)
    alike = p if z > 0 else 1.0 if np.isfinite(z) else None
    return check_row("strips", name, alike, why=_UNCHECKED)


def _bend(trial) -> tuple:
    """Lack of fit of a quadratic in the rate, against the error of the full treatment model."""
    name = "lack of fit of a quadratic in the rate"
    if not pd.api.types.is_numeric_dtype(trial.labels) or len(trial.labels) < 4:
        return check_row("strips", name, None, why="needs four or more rates")
    (_, df1, more), (_, df2, error) = polynomial_squares(trial)[-2:]
    p = None
    if df1 > 0 and df2 > 0 and above(error, 0, scale=more):
        p = float(f_above(df1, df2, more / df1 / (error / df2)))
    return check_row("strips", name, p, why=_UNCHECKED)


def polynomial_squares(trial: Trial) -> list[tuple[str, int, float]]:
    """Split the treatment sum of squares of a rate trial into linear, quadratic and what lies beyond."""
    rate = np.asarray(trial.labels, dtype=float)[trial.codes]
    scaled = (rate - rate.mean()) / np.ptp(rate)
    terms = [
        ("linear", scaled[:, None]),
        ("quadratic", scaled[:, None] ** 2),
        ("beyond", trial.treatment_columns()),
    ]
    return linear.sequential_squares(trial.y, [*trial.terms(), *terms])


# ---- the order of the treatments


def systematic(treatment, block, order) -> bool | None:
    """Return whether every block repeats one order of the treatments, forwards or also backwards.

    Parameters
    ----------
    treatment, block : (n,) int arrays
    order : (n,) array or None
        Place of each strip within its block or along the field.

    Returns
    -------
    bool or None
        None where the order is not known, or so short that lots repeat it often.

    Examples
    --------
    >>> from fertkit.trials.diagnose import systematic
    >>> blocks = [0] * 4 + [1] * 4
    >>> systematic([0, 1, 2, 3] * 2, blocks, range(8)), systematic([0, 1, 2, 3, 2, 0, 3, 1], blocks, range(8))
    (True, False)
    """
    if order is None:
        return None
    treatment, block, order = map(np.asarray, (treatment, block, order))
    rows = [np.flatnonzero(block == one) for one in np.unique(block)]
    runs = [treatment[at[np.argsort(order[at], kind="stable")]] for at in rows]
    shared = set.intersection(*(set(run) for run in runs))
    if len(runs) < 2 or any(len(set(run)) < len(run) for run in runs):
        return None
    runs = [[one for one in run if one in shared] for run in runs]
    by_lot = 1 / factorial(len(shared))
    forwards = all(run == runs[0] for run in runs)
    either = all(run in (runs[0], runs[0][::-1]) for run in runs)
    if by_lot ** (len(runs) - 1) > BY_LOT:
        return None
    return forwards or (either and (2 * by_lot) ** (len(runs) - 1) <= BY_LOT)


def order_check(trial) -> list[tuple]:
    """Whether each block repeats one order of the treatments."""
    return [order_row(trial.codes, trial.blocking[0][1], trial.order)] if trial.blocking else []


def order_row(codes, groups, order, label=ORDER) -> tuple:
    """Row of a checks table: whether each group of strips repeats one order of the treatments."""
    repeated = systematic(codes, groups, order)
    why = "in so small a trial a random order often repeats"
    if order is None:
        why = "strip order in the field is unknown"
    return check_row(
        "strips", ORDER, np.nan, None if repeated is None else not repeated, label=label, why=why
    )


# ---- strips far from the rest


def _far(trial):
    """Strips that the others do not expect, by `doubtful_strips`."""
    rest, smooth = trial.without_treatments(), None
    if pd.api.types.is_numeric_dtype(trial.labels):
        smooth = smoother(np.asarray(trial.labels, dtype=float)[trial.codes], rest)
    unit = heading(trial.treatment).partition("[")[2].rstrip("]")
    given = [f"{show(trial.labels[code])} {unit}".strip() for code in trial.codes]
    return far_row(trial.design(), trial.y, strip_names(trial.strips, given), smooth)


def far_row(design, y, names, smooth=None) -> tuple:
    """Row of a checks table: the strips, by name, that a linear model of the others does not expect."""
    doubtful = doubtful_strips(design, y, smooth)
    count = np.nan if np.isnan(doubtful.p) else len(doubtful.rows)
    return check_row("strips", FAR, count, strips=say_doubtful(doubtful, names, y))


def strip_names(strips, given) -> list[str]:
    """Name strips by their place and what each was given."""
    return [f"{describe(row)} at {what}" for (_, row), what in zip(strips.iterrows(), given, strict=True)]


def stands_out(checks) -> str:
    """The strips that the others do not expect, as a sentence; empty where there are none."""
    far = failed(checks[checks["check"].eq(FAR)])
    return f"Check this first: {far[0]}." if far else ""
