"""One curve for several groups of strips: common to all, parallel (levels of their own) or separate.

For a given shape each of these is linear, so that the fits are those of single trials: parallel curves are
one curve with the cells of block and group swept out, separate curves one fit a group. A cell may be a strip
of its own, split for the rates, or plots drawn at random within the block; a level for each cell serves both.
What the cells of a group have in common, its level, is judged by the variance between cells (restricted
maximum likelihood, degrees of freedom of Satterthwaite); with no cell to spare, by that of single strips.
AICc counts the likelihood of the same model, by plain maximum likelihood.
"""

from itertools import combinations

import numpy as np
import pandas as pd

from fertkit.errors import NotEstimable
from fertkit.response.compare import aicc
from fertkit.response.curves import CURVES
from fertkit.response.fit import fit_data, jacobian
from fertkit.response.grouping import LOOSE, TOGETHER, Grouping, Plain
from fertkit.results import checks_frame
from fertkit.rounding import above, at_least
from fertkit.trials import linear
from fertkit.trials.limits import check_row
from fertkit.trials.mixed import wald


def model_table(grouping: Grouping, curves=tuple(CURVES)) -> pd.DataFrame:
    """Fit each curve in the three ways, best AICc first.

    Returns
    -------
    DataFrame
        curve, label, structure, k (parameters of the mean), rss (blocks swept out of common curves, cells of
        block and group out of the others), aicc, delta, and f, df1, df2, p against the simpler structure of
        the same curve.
    """
    rows = []
    for key in curves:
        try:
            rows += rows_of(grouping, CURVES[key])
        except NotEstimable:  # too few rates for this curve in some group
            continue
    names = ["curve", "label", "structure", "k", "rss", "aicc", "f", "df1", "df2", "p"]
    table = pd.DataFrame(rows, columns=names)
    best = table["aicc"].min() if table["aicc"].notna().any() else np.nan
    table.insert(6, "delta", table["aicc"] - best)
    return table.sort_values("aicc", kind="stable", na_position="last", ignore_index=True)


def rows_of(grouping, curve):
    """Rows of one curve; one without a rise, the mean, has no shape to be separate in."""
    data, n = grouping.data, len(grouping.data.rate)
    common, parallel, each = fits = fits_of(grouping, curve)
    rises = [_rise(fit, data.rate) for fit in (common, parallel)]
    apart = [_rise(fit, data.rate) * (grouping.codes == i)[:, None] for i, fit in enumerate(each)]
    base, own, bends = grouping.base, grouping.own, int(curve.shape is not None)
    # With few strips lost, the shape fitted with levels of cells may suit a common curve better.
    rows = [
        ("common", [[base, rise] for rise in rises], bends, common.rss),
        ("parallel", [[base, own, rises[1]]], bends, parallel.rss),
        ("separate", [[base, own, *apart]], bends * len(each), sum(fit.rss for fit in each)),
    ]
    tests = [(np.nan,) * 4, *f_tests(grouping, curve, fits)]
    for (name, designs, bent, rss), test in zip(rows, tests, strict=False):
        designs = list(map(np.column_stack, designs))
        k = designs[0].shape[1] + bent
        likely = min(map(grouping.minus_two_log, designs))
        score = aicc(n * np.exp(likely / n), n, k + (grouping.random is not None))
        yield curve.key, curve.label, name, k, rss, float(score), *test


def fits_of(grouping, curve):
    """Fits of one curve: common to all groups, parallel, and of each group."""
    each = [fit_data(grouping.rows_of(code), curve) for code in range(len(grouping.labels))]
    return fit_data(grouping.data, curve), fit_data(grouping.within, curve), each


def f_tests(grouping, curve, fits=None) -> list[tuple]:
    """F tests (F, df1, df2, p) of one curve: of equal levels, and of equal shapes where it has one."""
    common, parallel, each = fits or fits_of(grouping, curve)
    tests = [_level_test(grouping, common, parallel)]
    return [*tests, _shape_test(grouping, parallel, each)] if curve.n_params > 1 else tests


def _rise(fit, rates) -> np.ndarray:
    """Columns of a fitted curve beside its level, its shape as fitted [(n, q)]."""
    tested, shape = fit.data.rates[None], fit.curve.shape
    if shape is None:
        return fit.curve.basis.columns(tested, rates[None])[0][0]
    with np.errstate(divide="ignore"):
        return shape.rise(rates - shape.start(tested)[0], fit.fits.bend[0, 0])[:, None]


def _level_test(grouping, common, parallel):
    """F test of equal levels under parallel curves."""
    if grouping.random is None:
        return f_test(common.rss - parallel.rss, len(grouping.labels) - 1, parallel.rss, parallel.df_error)
    return _wald(grouping, *level_contrasts(grouping, parallel))


def level_contrasts(grouping, parallel):
    """Design of parallel curves and the rows that pick the levels of all groups but the first."""
    design = np.column_stack([grouping.base, grouping.own, _rise(parallel, grouping.data.rate)])
    first = grouping.base.shape[1]
    return design, np.eye(design.shape[1])[first : first + grouping.own.shape[1]]


def _shape_test(grouping, parallel, each):
    """F test of equal shapes: within cells by sums of squares, else linear about the parallel curves."""
    n_more = (parallel.curve.n_params - 1) * (len(grouping.labels) - 1)
    if grouping.cluster is None:
        rss, df = sum(fit.rss for fit in each), sum(fit.df_error for fit in each)
        return f_test(parallel.rss - rss, n_more, rss, df)
    columns = jacobian(parallel.curve, parallel.fits, parallel.data)[0]
    differ = linear.interaction(grouping.own, columns)
    within = _within_clusters(grouping, np.column_stack([grouping.own, columns]), differ)
    if within is not None:
        return within
    design = np.column_stack([grouping.base, grouping.own, columns, differ])
    return _wald(grouping, design, np.eye(design.shape[1])[-differ.shape[1] :])


def _wald(grouping, design, contrasts):
    """F test of contrasts of a mixed model; nan where there is no error to test against."""
    try:
        fit = grouping.fit(design)
        return (np.nan,) * 4 if isinstance(fit, Plain) else wald(fit, contrasts)
    except NotEstimable:
        return (np.nan,) * 4


def _within_clusters(grouping, held, more):
    """F test of more columns with a level for each cluster; None where clusters do not hold several groups.

    A variance of clusters estimated as zero would take their error for that within, and call too often.
    """
    root = np.sqrt(grouping.data.weight)
    y, levels = root * grouping.data.yields, np.eye(grouping.cluster.max() + 1)[grouping.cluster]
    rss, rank = [], []
    for columns in (held, np.column_stack([held, more])):
        design = np.column_stack([levels, columns]) * root[:, None]
        design /= np.maximum(np.linalg.norm(design, axis=0), 1e-300)
        solved, _, rank_of, _ = np.linalg.lstsq(design, y, rcond=1e-10)
        rss.append(float(((y - design @ solved) ** 2).sum()))
        rank.append(int(rank_of))
    if rank[1] - rank[0] < more.shape[1] or rank[1] >= len(y):
        return None
    return f_test(rss[0] - rss[1], more.shape[1], rss[1], len(y) - rank[1])


def f_test(gained, df1, rss, df2):
    """(F, df1, df2, p) of a sum of squares gained; nan without an error."""
    from scipy.special import fdtrc

    if df1 < 1 or df2 < 1 or not above(rss, 0):
        return (np.nan,) * 4
    f = max(gained, 0.0) / df1 / (rss / df2)
    return f, df1, df2, float(fdtrc(df1, df2, f))


def levels(result):
    """First, second, difference in yield at the same rate (parallel curves), low, high, df, p."""
    from scipy.special import stdtr, stdtrit

    grouping, key = result.grouping, result.best["curve"]
    design, contrasts = level_contrasts(grouping, fit_data(grouping.within, CURVES[key]))
    fit, picks = grouping.fit(design), np.vstack([np.zeros(design.shape[1]), contrasts])
    rows = []
    for one, other in combinations(range(len(grouping.labels)), 2):
        contrast = picks[other] - picks[one]
        value, se = contrast @ fit.coefficients, np.sqrt(contrast @ fit.covariance @ contrast)
        se = se if se > 0 else np.nan  # strips without an error tell nothing of it
        df = fit.degrees_of_freedom(contrast)
        reach = stdtrit(df, 0.5 + result.level / 2) * se
        rows.append((grouping.labels[one], grouping.labels[other], value, value - reach, value + reach, df,
                     2 * stdtr(df, -abs(value) / se)))  # fmt: skip
    return pd.DataFrame(rows, columns=["first", "second", "difference", "low", "high", "df", "p"])


def checks(result):
    """Return what a comparison of groups rests on, as a checks table."""
    grouping = result.grouping
    tested = [set(np.unique(one.data.rate)) for one in result.analyses.values()]
    alike, limit = all(rates == tested[0] for rates in tested), 1 - result.level
    p = _same_error([one.fits[result.best["curve"]] for one in result.analyses.values()])
    many, same = len(set.union(*tested)), None if np.isnan(p) else at_least(p, limit)
    rows = [
        check_row("groups", "rates tested alike in every group", many, alike, limit=len(tested[0])),
        check_row("groups", "error alike in every group [p]", p, same, limit=limit),
    ]
    if grouping.layout != LOOSE:
        cells, most = int(grouping.cells.max() + 1), int((grouping.blocks.max() + 1) * len(tested))
        lie = grouping.layout == TOGETHER
        rows.append(check_row("groups", "blocks hold several groups", cells, lie, limit=most))
    return checks_frame(rows)


def _same_error(fits) -> float:
    """Probability that the largest and the least of the errors differ by chance, of all their pairs."""
    from scipy.special import fdtrc

    errors = sorted((fit.rss / fit.df_error, fit.df_error) for fit in fits if fit.df_error > 0)
    if len(errors) < 2 or not above(errors[0][0], 0):
        return np.nan
    (low, df_low), (high, df_high) = errors[0], errors[-1]
    pairs = len(errors) * (len(errors) - 1)
    return float(min(1.0, pairs * fdtrc(df_high, df_low, high / low)))
