"""What was checked about one analysed trial, as rows: value, limit, passed, meaning."""

import numpy as np
import pandas as pd

from fertkit.results import failed
from fertkit.rounding import above, at_least, same
from fertkit.trials import linear
from fertkit.trials.doubtful import doubtful_strips, say_doubtful, smoother
from fertkit.trials.orders import ORDER, SYSTEMATIC, TOO_SHORT, UNKNOWN, systematic
from fertkit.trials.table import Trial, describe, show, spoken

#: Below this probability a check is reported as failed.
ALPHA = 0.05
#: Fewer error degrees of freedom than this make tests weak (common practice, no source).
FEW_DF = 8
FAR = "strips far from the rest"


def check_rows(trial: Trial, estimate) -> list[tuple]:
    """Check the error degrees of freedom and, where there are any, what the tests assume.

    Parameters
    ----------
    trial : Trial
    estimate : Estimate

    Returns
    -------
    list of (check, value, limit, passed, meaning)
        ``passed`` is None where a check could not be made.
    """
    df = estimate.error_df
    rows = [(
        "error degrees of freedom", df, f">= {FEW_DF} (common practice, no source)", at_least(df, FEW_DF),
        ("enough strips to measure the error",
         "few degrees of freedom: only large differences can be found; add blocks next time"),
    )]  # fmt: skip
    rows += order_check(trial)
    if df < 2 or same(np.ptp(estimate.residuals), 0, scale=np.abs(trial.y).max()):
        return rows
    fit = linear.fit(trial.design(), trial.y)
    return [
        *rows,
        _normality(fit),
        _equal_variance(trial, fit),
        _additivity(trial, fit),
        _far(trial),
        _neighbours(trial, fit),
        _bend(trial),
    ]


def _row(name, p, bad, good, missing="could not be checked with these strips", value=None):
    if p is None or not np.isfinite(p):
        return (name, np.nan, f"p >= {ALPHA}", None, missing)
    return name, p if value is None else value, f"p >= {ALPHA}", at_least(p, ALPHA), (good, bad)


def _normality(fit):
    from scipy.stats import shapiro

    return _row(
        "normality (Shapiro-Wilk)", shapiro(fit.residuals).pvalue,
        "residuals are not normal: look for a faulty strip before trusting small probabilities",
        "residuals look normal",
    )  # fmt: skip


def _equal_variance(trial, fit):
    from scipy.stats import levene

    groups = [fit.residuals[trial.codes == code] for code in range(len(trial.labels))]
    groups = [g for g in groups if len(g) > 2]
    p = levene(*groups, center="median").pvalue if len(groups) > 1 else None
    return _row(
        "equal variance (Brown-Forsythe)", p,
        "some treatments vary more than others: compare those pairs with care",
        "treatments vary alike",
    )  # fmt: skip


def _additivity(trial, fit):
    """Tukey's one degree of freedom for non-additivity (1949, Biometrics 5:232-242, from memory)."""
    from scipy.stats import f as f_distribution

    p, fitted = None, trial.y - fit.residuals
    if trial.blocking and above(np.ptp(fitted), 0, scale=np.abs(trial.y).max()):
        bow = ((fitted - fitted.mean()) / np.ptp(fitted)) ** 2  # of the size of the other columns in any unit
        wider = linear.fit(np.column_stack([trial.design(), bow]), trial.y)
        if wider.rank > fit.rank and above(wider.rss, 0, scale=fit.rss):
            p = float(f_distribution.sf((fit.rss - wider.rss) / wider.variance, 1, wider.df))
    return _row(
        "blocks and treatments add up (Tukey)", p,
        "treatments differ more in some blocks than in others: the mean difference hides where",
        "the differences are alike in all blocks",
    )  # fmt: skip


def order_check(trial):
    """Whether each block repeats one order of the treatments."""
    return [order_row(trial.codes, trial.blocking[0][1], trial.order)] if trial.blocking else []


def order_row(codes, groups, order, name=ORDER) -> tuple:
    """Row of a checks table: whether each group of strips repeats one order of the treatments."""
    told = systematic(codes, groups, order)
    meaning = {True: SYSTEMATIC, False: "the order differs from block to block",
               None: UNKNOWN if order is None else TOO_SHORT}[told]  # fmt: skip
    return (name, np.nan, "differs between blocks", None if told is None else not told, meaning)


def _far(trial):
    """Strips that the others do not expect, by `doubtful_strips`."""
    rest, smooth = trial.without_treatments(), None
    if pd.api.types.is_numeric_dtype(trial.labels):
        smooth = smoother(np.asarray(trial.labels, dtype=float)[trial.codes], rest)
    unit = spoken(trial.treatment).partition("[")[2].rstrip("]")
    given = [f"{show(trial.labels[code])} {unit}".strip() for code in trial.codes]
    return far_row(trial.design(), trial.y, strip_names(trial.strips, given), smooth)


def far_row(design, y, names, smooth=None) -> tuple:
    """Row of a checks table: the strips, by name, that a linear model of the others does not expect."""
    found = doubtful_strips(design, y, smooth)
    if np.isnan(found.p):
        return _row(FAR, None, "", "", "not judged: it takes more strips to tell a wrong one from the rest")
    said = say_doubtful(found, names, y)
    meaning = f"{said}: see the field notes, never drop it unseen" if said else "no strip stands out"
    return (FAR, len(found.rows), "0", not found.rows, meaning)


def strip_names(strips, given) -> list[str]:
    """Name strips by their place and what each was given."""
    return [f"{describe(row)} at {what}" for (_, row), what in zip(strips.iterrows(), given, strict=True)]


def stands_out(checks) -> str:
    """The strips that the others do not expect, as a sentence; empty where there are none."""
    far = failed(checks[checks["check"].eq(FAR)])
    return f"Look at this first: {far[0]}." if far else ""


def _neighbours(trial, fit):
    name = "neighbouring strips alike"
    if trial.order is None:
        return _row(name, None, "", "", "the place of the strips is not given; add a column 'position'")
    ratio, z, p = linear.neighbour_statistic(fit.residuals, trial.design(), trial.line, trial.order)
    return _row(
        name, p if z > 0 else 1.0 if np.isfinite(z) else None,
        "neighbouring strips have like residuals: the field changes within blocks; try a trend within blocks "
        "or the model of neighbours",
        "no pattern along the field left in the residuals", value=ratio,
    )  # fmt: skip


def _bend(trial):
    """Lack of fit of a quadratic in the rate, against the error of the full treatment model."""
    name = "lack of fit of a quadratic in the rate"
    if not pd.api.types.is_numeric_dtype(trial.labels) or len(trial.labels) < 4:
        return _row(name, None, "", "", "needs four or more rates")
    from scipy.stats import f as f_distribution

    rows = polynomial_squares(trial)
    beyond, error = rows[-2], rows[-1]
    p = None
    if beyond[1] > 0 and error[1] > 0 and above(error[2], 0, scale=beyond[2]):
        p = float(f_distribution.sf(beyond[2] / beyond[1] / (error[2] / error[1]), beyond[1], error[1]))
    return _row(name, p, "the rates do not follow a quadratic: compare curves before naming an optimum",
                "a quadratic describes the rates")  # fmt: skip


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
