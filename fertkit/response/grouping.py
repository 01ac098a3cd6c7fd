"""The strips of one trial in groups: read, refused where groups cannot be told apart, and how they lie."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from fertkit.errors import InputError, NotEstimable, Problem
from fertkit.intake.alike import label_key
from fertkit.response.data import TrialData, read_trial_data
from fertkit.results import show
from fertkit.rounding import below
from fertkit.trials import linear
from fertkit.trials.mixed import OneEffect, components, fit_reml, shared
from fertkit.trials.table import one_trial

FEWEST_RATES = 3
#: How groups lie: several in a block, each in blocks of its own, or without blocks.
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
        return replace(self.data, block=np.array([f"{code:05d}" for code in self.cells]))

    def rows_of(self, code: int) -> TrialData:
        """The strips of one group."""
        lost = self.lost[code] if self.lost else self.data.left_out
        return replace(self.data.without(np.flatnonzero(self.codes != code)), left_out=lost)

    def fit(self, design):
        """Linear model whose strips share what is `random`: coefficients, covariance, degrees_of_freedom."""
        data, y = self.data, self.data.yields
        plain = Plain(design, y, data.weight)
        if self.random is None or not plain.error:  # without an error nothing is shared by chance
            return plain
        parts = [shared(self.random), np.diag(1 / data.weight)]
        mixed = fit_reml(design, y, components(parts), np.full(2, y.var() / 2))
        return plain if mixed.at_bound.all() else mixed  # an error at its bound is rounding

    def minus_two_log(self, design) -> float:
        """-2 log likelihood of a linear model, less n (1 + log 2 pi), as AICc of single trials counts it."""
        root, n = np.sqrt(self.data.weight), len(self.codes)
        codes = np.arange(n) if self.random is None else self.random
        full, y = linear.span(design * root[:, None]), root * self.data.yields
        model = OneEffect(full, root, y, codes, restricted=False)
        fit = model.at(0.0) if self.random is None else model.best()
        return fit.criterion - n * (1 + np.log(2 * np.pi))


class Plain:
    """Least squares by the names of a mixed model."""

    def __init__(self, design, y, weight):
        root = np.sqrt(weight)
        fit = linear.fit(design * root[:, None], y * root)
        self.coefficients, self.covariance, self._df = fit.coefficients, fit.covariance * fit.variance, fit.df
        self.error = fit.rss > 0 and fit.df > 0  # rounding is none: see `linear.fit`

    def degrees_of_freedom(self, contrast) -> float:
        return float(self._df)


def group_rows(trial, by, cluster=None, **read) -> Grouping:
    """Read a trial and its groups; refuse what a comparison cannot rest on."""
    table = one_trial(trial)
    missing = [column for column in (by, cluster) if column is not None and column not in table]
    if missing:
        columns = f"columns are: {', '.join(map(str, table))}"
        raise InputError("trial", [Problem(f"there is no column '{column}'", columns) for column in missing])
    # Under a name of its own, for a column of sites or seasons would be swept out.
    own = f"group {by}"
    named = table.rename(columns={by: own}).reset_index(drop=True)
    if getattr(trial, "factor", "") == by:
        by = trial.factor_header or by  # as the file writes it
    held = named if isinstance(trial, pd.DataFrame) else trial.with_strips(named)
    data = read_trial_data(held, **read, by=[own, *([cluster] if cluster else [])])
    rows = data.strips.index
    cells = named.loc[rows, own]
    empty = cells.index[cells.isna() | (cells.astype(str).str.strip() == "")]
    if len(empty):
        remedy = "name it, or leave the row out"
        raise InputError("trial", [Problem(f"no {by} is given", remedy, int(i) + 2, by) for i in empty])
    codes, levels = pd.factorize(cells, sort=True)
    labels = tuple(map(show, levels))
    _refuse_spellings(labels, by)
    shared = None if cluster is None else pd.factorize(named.loc[rows, cluster].astype(str))[0]
    without = named.loc[named.index.difference(rows), own]
    lost = tuple(int((without == cell).sum()) for cell in cells.groupby(codes).first())
    grouping = Grouping(data, labels, codes, shared, lost)
    _refuse(grouping, by)
    return grouping


def strips_through(table, by, rate) -> pd.Series | None:
    """Strip of each row where strips run through several levels of a column; None where nothing tells so.

    Such a strip has one rate and stands once in a level. A label that goes with the rate in every block may
    name the treatment, and is no strip.
    """
    if "strip" not in table or table["strip"].isna().any():
        return None
    place = [column for column in ("block", "strip") if column in table]
    of = table.groupby(place)
    named = max(table.groupby(a)[b].nunique().max() for a, b in (("strip", rate), (rate, "strip"))) == 1
    if named or of[rate].nunique().max() > 1 or of.size().max() < 2 or table.duplicated([*place, by]).any():
        return None
    return table[place].astype(str).agg(" ".join, axis=1)


def _refuse_spellings(labels, by):
    """Raise InputError where two labels are one but for capitals, blanks or hyphens."""
    keys = pd.Series(labels).groupby(list(map(label_key, labels))).agg(list)
    for names in keys[keys.map(len) > 1]:
        what = f"{' and '.join(map(repr, names))} differ only by case, blanks or hyphens"
        remedy = "spell each name one way: a different label makes a separate group"
        raise InputError("trial", [Problem(what, remedy, column=by)])


def _refuse(grouping, by):
    """Raise NotEstimable where the groups cannot be told apart from something else."""
    labels, data = grouping.labels, grouping.data
    if len(labels) < 2:
        raise NotEstimable(f"'{by}' has one level, {labels[0]}; a comparison needs two in one trial")
    few = [
        f"{name} ({', '.join(f'{rate:g}' for rate in np.unique(data.rate[grouping.codes == code]))})"
        for code, name in enumerate(labels)
        if len(np.unique(data.rate[grouping.codes == code])) < FEWEST_RATES
    ]
    if few:
        raise NotEstimable(
            f"curves by '{by}' need three rates per level; too few: {'; '.join(few[:6])}",
            remedy="compare treatments instead, or leave these levels out",
        )
    if grouping.layout == APART and grouping.cells.max() + 1 == len(labels):
        raise NotEstimable(
            f"each level of '{by}' is in its own block, so it cannot be separated from the block",
            "--column other=BLOCK",
            remedy="put every level in every block; if the blocks are the levels (zones), declare that "
            "column as other",
        )
    ends = [data.rate[grouping.codes == code] for code in range(len(labels))]
    if not below(max(map(min, ends)), min(map(max, ends))):
        raise NotEstimable(f"levels of '{by}' were tested at rates that do not overlap")
