"""One curve for several groups of strips: common to all, parallel (levels of their own) or separate.

For a given shape each of these is linear, so that the fits are those of single trials: parallel curves are
one curve with the cells of block and group swept out, separate curves one fit a group. A cell may be a strip
of its own, split for the rates, or plots drawn at random within the block; a level for each cell serves both.
What the cells of a group have in common, its level, is judged by the variance between cells (restricted
maximum likelihood, degrees of freedom of Satterthwaite); with no cell to spare, by that of single strips.
AICc counts the likelihood of the same model, by plain maximum likelihood.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from fertkit.errors import NotEstimable
from fertkit.response.compare import aicc
from fertkit.response.curves import CURVES
from fertkit.response.data import TrialData
from fertkit.response.fit import fit_data, jacobian
from fertkit.rounding import above
from fertkit.trials import linear
from fertkit.trials.mixed import OneEffect, components, fit_reml, shared, wald

STRUCTURES = ("common", "parallel", "separate")
#: How groups lie: in blocks together, in blocks of their own, or without blocks.
TOGETHER, APART, LOOSE = "together", "apart", "loose"


@dataclass(frozen=True)
class Grouping:
    """Strips of one trial in groups.

    Attributes
    ----------
    data : TrialData
    labels : tuple of str
    codes : array (n,) of int
        Group of each row.
    cluster : array (n,) of int, or None
        Strips that several rows, of one group or of several, share.
    lost : tuple of int
        Strips without a yield of each group.
    """

    data: TrialData
    labels: tuple[str, ...]
    codes: np.ndarray
    cluster: np.ndarray | None = None
    lost: tuple[int, ...] = ()

    @cached_property
    def blocks(self) -> np.ndarray:
        """Block of each row [(n,) int]; one block where none is named."""
        block = np.zeros(len(self.codes)) if self.data.block is None else self.data.block
        return np.unique(block, return_inverse=True)[1]

    @cached_property
    def layout(self) -> str:
        if self.data.block is None:
            return LOOSE
        return APART if linear.parts(self.codes, self.blocks).any() else TOGETHER

    @cached_property
    def cells(self) -> np.ndarray:
        """Cell of block and group of each row [(n,) int]."""
        pairs = self.blocks * len(self.labels) + self.codes
        return np.unique(pairs, return_inverse=True)[1]

    @cached_property
    def base(self) -> np.ndarray:
        """Mean and blocks; groups in blocks of their own leave the blocks to the variance [(n, p)]."""
        ones = np.ones((len(self.codes), 1))
        return np.column_stack([ones, linear.dummies(self.blocks)]) if self.layout == TOGETHER else ones

    @cached_property
    def own(self) -> np.ndarray:
        """Levels of the groups [(n, groups - 1)]."""
        return linear.dummies(self.codes)

    @cached_property
    def random(self) -> np.ndarray | None:
        """What strips share by chance: their cell, or the cluster given; None where no cell is left over."""
        if self.cluster is not None:
            return self.cluster
        spare = self.cells.max() + 1 - self.base.shape[1] - self.own.shape[1]
        return self.cells if self.layout != LOOSE and spare > 0 else None

    @cached_property
    def within(self) -> TrialData:
        """The trial with a level for each cell."""
        return _with_blocks(self.data, self.cells)

    def rows_of(self, code: int) -> TrialData:
        """The strips of one group."""
        lost = self.lost[code] if self.lost else self.data.left_out
        return replace(self.data.without(np.flatnonzero(self.codes != code)), left_out=lost)

    def fit(self, design):
        """Linear model whose strips share what is `random`: coefficients, covariance, degrees_of_freedom."""
        data, y = self.data, self.data.yields
        plain = _Plain(design, y, data.weight)
        if self.random is None or not plain.error:  # without an error nothing is shared by chance
            return plain
        parts = [shared(self.random), np.diag(1 / data.weight)]
        return fit_reml(design, y, components(parts), np.full(2, y.var() / 2))

    def minus_two_log(self, design) -> float:
        """-2 log likelihood of a linear model, less n (1 + log 2 pi), as AICc of single trials counts it."""
        root, n = np.sqrt(self.data.weight), len(self.codes)
        left, values, _ = np.linalg.svd(design * root[:, None], full_matrices=False)
        codes = np.arange(n) if self.random is None else self.random
        full, y = left[:, values > 1e-10 * values[0]], root * self.data.yields
        model = OneEffect(full, root, y, codes, restricted=False)
        fit = model.at(0.0) if self.random is None else model.best()
        return fit.criterion - n * (1 + np.log(2 * np.pi))


class _Plain:
    """Least squares by the names of a mixed model."""

    def __init__(self, design, y, weight):
        root = np.sqrt(weight)
        fit = linear.fit(design * root[:, None], y * root)
        self.coefficients, self.covariance, self._df = fit.coefficients, fit.covariance * fit.variance, fit.df
        self.error = fit.rss > 0 and fit.df > 0  # rounding is none: see `linear.fit`

    def degrees_of_freedom(self, contrast) -> float:
        return float(self._df)


def _with_blocks(data, codes):
    return replace(data, block=np.array([f"{code:05d}" for code in codes]))


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
        return (np.nan,) * 4 if isinstance(fit, _Plain) else wald(fit, contrasts)
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
