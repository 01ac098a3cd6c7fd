"""Two factors in blocks: split plots (two errors), strip plots (three), or all combinations drawn by lot.

A complete trial is analysed by its strata. With strips lost the strata are no longer orthogonal: one mixed
model (REML) takes their place, with the tests and standard errors of Kenward and Roger.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from fertkit.errors import NotEstimable
from fertkit.laws import f_above, t_reach
from fertkit.reference.load import method_sources
from fertkit.results import Result, checks_frame, counted, heading, show
from fertkit.trials import linear
from fertkit.trials.diagnose import ORDER, far_row, order_row, strip_names
from fertkit.trials.differences import all_pairs, compact_letters
from fertkit.trials.doubtful import smoother
from fertkit.trials.limits import check_row
from fertkit.trials.mixed import RemlFit, components, fit_reml, shared
from fertkit.trials.residuals import Residuals, conditional, residual_frame
from fertkit.trials.strips import describe, factor, places
from fertkit.trials.table import column_of, labelled, measured, one_trial

#: Errors against which the first factor, the second and the two together are tested, by layout.
ERRORS = {
    "split plot": ("whole-strip error", "part error", "part error"),
    "strip plot": ("first strip error", "second strip error", "cell error"),
    "factorial": ("error", "error", "error"),
}


@dataclass(frozen=True)
class TwoFactorAnalysis(Result):
    """Analysis of two factors in blocks.

    Attributes
    ----------
    anova : DataFrame
        stratum, term, df, ss, ms, f, error_df, p; with strips lost no squares.
    means : DataFrame
        One row per combination: the two treatments, n and mean, adjusted for lost strips [yield unit].
    margins : DataFrame
        factor, level, mean, sed, letters (Tukey) of each factor over the other [yield unit].
    errors : DataFrame
        comparison, sed, lsd: standard error of a difference and least significant difference of each kind of
        comparison, the mean over its pairs [yield unit].
    variances : DataFrame
        term, variance of block, of the strips of each error and of the rest (REML) [yield unit squared].
    layout : str
        A key of `ERRORS`.
    whole, part, block, response : str
        Columns; `whole` the first factor, of whole strips in a split plot.
    level : float
    method : str
    notes : tuple of str
    checks : DataFrame
    residuals : Residuals
        Conditional ones: blocks and strips are taken out as random effects.
    called : dict of str to str
        Column -> what people call the factor.
    """

    anova: pd.DataFrame
    means: pd.DataFrame
    margins: pd.DataFrame
    errors: pd.DataFrame
    variances: pd.DataFrame
    layout: str
    whole: str
    part: str
    block: str
    response: str
    level: float
    method: str
    notes: tuple[str, ...]
    checks: pd.DataFrame
    residuals: Residuals
    called: dict

    @property
    def table(self) -> pd.DataFrame:
        return self.means

    @property
    def sources(self) -> pd.DataFrame:
        ways = ["anova"] if "ss" in self.anova else ["reml", "kenward-roger"]
        return method_sources(*ways, "tukey", "letters", "outliers")

    @property
    def names(self) -> dict[str, str]:
        """Factors and their combination as people read them, by the terms of `anova`."""
        whole, part = self.called[self.whole], self.called[self.part]
        return {self.whole: whole, self.part: part, f"{self.whole} x {self.part}": f"{whole} x {part}"}

    @property
    def interaction_p(self) -> float:
        """Probability that the two factors add up."""
        return float(self.anova.set_index("term")["p"][f"{self.whole} x {self.part}"])


def _called(trial, columns) -> dict[str, str]:
    """Factors as people call them: the treatments by the header of the file."""
    own = {"treatment": getattr(trial, "treatment_header", "").replace("Treatment", "")}
    return {name: own.get(name) or heading(name).replace("_", " ") for name in columns}


@dataclass(frozen=True)
class _Cells:
    """The strips of two factors in blocks, coded."""

    strips: pd.DataFrame
    response: str
    codes: dict
    labels: tuple
    layout: str
    names: tuple[str, str, str]
    called: dict

    @property
    def y(self) -> np.ndarray:
        return self.strips[self.response].to_numpy(float)

    @property
    def sizes(self):
        """Numbers of blocks and of levels of the two factors."""
        return tuple(int(self.codes[name].max()) + 1 for name in self.names)

    @property
    def columns(self) -> dict:
        return {name: linear.dummies(codes) for name, codes in self.codes.items()}

    def strips_of(self, name) -> np.ndarray:
        """Code the strips that carry a level of a factor across a block."""
        return self.codes[self.names[0]] * self.sizes[self.names.index(name)] + self.codes[name]

    @property
    def cell(self) -> np.ndarray:
        return self.codes[self.names[1]] * self.sizes[2] + self.codes[self.names[2]]

    @property
    def designs(self) -> tuple[np.ndarray, np.ndarray]:
        """Columns of blocks, the first factor and all strips; these with the second factor and the cells."""
        columns, (block, whole, part) = self.columns, self.names
        within = [linear.interaction(columns[block], columns[name]) for name in self.random]
        rest = np.column_stack([np.ones(len(self.y)), columns[block], columns[whole], *within])
        cell = linear.interaction(columns[whole], columns[part])
        return rest, np.column_stack([rest, columns[part], cell])

    @property
    def random(self) -> list[str]:
        """Factors whose strips have an error of their own, wider than that of a cell."""
        errors = ERRORS[self.layout]
        return [name for name, error in zip(self.names[1:], errors, strict=False) if error != errors[2]]


def analyse_two_factors(trial, layout, whole, part, *, blocks="block", response=None, level=0.95):
    """Analyse two factors in blocks; the door is `analyse_strips`, with two columns as treatments.

    Parameters
    ----------
    trial : StripTrial or DataFrame
    layout : str
        A key of `ERRORS`.
    whole, part : str
        Columns of the two factors; in a split plot the first is that of whole strips.
    blocks, response : str, optional
    level : float

    Raises
    ------
    InputError
        If a column is not there, or a yield is no number.
    NotEstimable
        If a combination stands twice in a block or was harvested nowhere, or there are fewer than two blocks.

    Examples
    --------
    Two blocks of two whole strips, each of two parts (invented); the rates yield 48.75 and 54.75 by hand.

    >>> from fertkit.trials import analyse_strips
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "block": [1] * 4 + [2] * 4, "tillage": ["no-till", "no-till", "chisel", "chisel"] * 2,
    ...     "rate_lb_ac": [0, 60] * 4, "yield_bu_ac": [48.0, 55, 49, 54, 50, 56, 48, 54],
    ... })
    >>> found = analyse_strips(trial, treatment=["tillage", "rate_lb_ac"], design="split plot")
    >>> found.margins.loc[found.margins["factor"] == "rate_lb_ac", "mean"].tolist()
    [48.75, 54.75]
    """
    cells, lost = _cells(trial, layout, whole, part, blocks, response)
    if linear.fit(cells.designs[1], cells.y).rss == 0:
        raise NotEstimable(
            f"a {layout} leaves no error to test against: too few strips, or replicates yield exactly the "
            "same"
        )
    fit = _mixed(cells)
    whole_trial = lost.empty
    anova = _strata(cells) if whole_trial else _tests(cells, fit)
    if not whole_trial and not (np.isfinite(anova["p"]) & (anova["error_df"] > 0)).all():
        raise NotEstimable(
            f"too few strips are left to estimate the errors of a {layout}",
            remedy="compare combinations as single treatments in blocks",
        )
    margins = _margins(cells, anova, None if whole_trial else fit, level)
    errors = _errors(cells, anova, level) if whole_trial else _errors_of_fit(cells, fit, level)
    random = [f"{name} strip" for name in cells.random]
    notes = ()
    method = "analysis of variance by strata"
    if not whole_trial:
        method = "mixed model, blocks and strips random (REML), Kenward-Roger tests"
        named = ", ".join(describe(row) for _, row in lost.iterrows())
        notes = (f"{counted(len(lost), 'strip')} without a yield: means are adjusted for it ({named})",)
        flat = [name for name, bound in zip([blocks, *random], fit.at_bound, strict=False) if bound]
        notes += tuple(f"the variance of {name.replace('_', ' ')}s is estimated as zero" for name in flat)
    a, b = cells.sizes[1:]
    index = pd.MultiIndex.from_product(cells.labels, names=[whole, part])
    means = pd.DataFrame({"n": np.bincount(cells.cell, minlength=a * b), "mean": fit.coefficients}, index)
    return TwoFactorAnalysis(
        anova=anova, means=means.reset_index(), margins=margins, errors=errors,
        variances=pd.DataFrame({
            "term": [blocks, *random, "part" if layout == "split plot" else "cell"],
            "variance": fit.parameters,
        }),
        layout=layout, whole=whole, part=part, block=blocks, response=cells.response, level=level,
        method=method, notes=notes,
        checks=checks_frame([*_enough(cells, anova), *_orders(cells), _far(cells)]),
        residuals=_residuals(cells, fit), called=cells.called,
    )  # fmt: skip


def _cells(trial, layout, whole, part, blocks, response) -> tuple[_Cells, pd.DataFrame]:
    """The strips with a yield, coded, and those without; refuse what no layout has."""
    table = one_trial(trial)
    response = column_of(table, response, "yield")
    for column in (whole, part, blocks):
        column_of(table, column, "factor")
    labelled(table, (blocks, whole, part))
    given = table.assign(**{response: measured(table, response)})
    strips = given.dropna(subset=[response])
    coded = {name: factor(strips[name]) for name in (blocks, whole, part)}
    cells = _Cells(
        strips, response, {name: codes for name, (codes, _) in coded.items()},
        tuple(coded[name][1] for name in (whole, part)), layout, (blocks, whole, part),
        _called(trial, (whole, part)),
    )  # fmt: skip
    r, a, b = cells.sizes if len(strips) else (0, 0, 0)
    twice = strips.duplicated([blocks, whole, part]).any()
    if min(r, a, b) < 2 or twice or len(np.unique(cells.cell)) < a * b:
        raise NotEstimable(
            f"a {layout} needs each combination once in each of two or more blocks, harvested at least once "
            f"({whole} and {part})",
            "analyse_strips(...)",
            remedy="average parts of one strip first; if a combination was never grown, compare combinations "
            "as single treatments",
        )
    gone = r * a * b - len(strips)
    lost = given[given[response].isna()]
    if gone > len(lost):  # a strip that is not even listed
        have = pd.MultiIndex.from_frame(given[[blocks, whole, part]])
        full = pd.MultiIndex.from_product([np.unique(strips[blocks]), *cells.labels], names=have.names)
        lost = pd.concat([lost, full.difference(have).to_frame(index=False)])
    return cells, lost


# ---- a complete trial: its strata


def _strata(cells) -> pd.DataFrame:
    """Analysis of variance of a complete trial, each factor against the error of its own strips."""
    block, *factors = cells.names
    columns, errors, both = cells.columns, ERRORS[cells.layout], " x ".join(factors)
    terms = [(block, columns[block])]
    for name, error in zip(factors, errors[:2], strict=True):
        terms.append((name, columns[name]))
        if name in cells.random:
            terms.append((error, linear.interaction(columns[block], columns[name])))
    terms.append((both, linear.interaction(columns[factors[0]], columns[factors[1]])))
    rows = linear.sequential_squares(cells.y, terms)
    table = linear.anova_table(rows).replace({"term": {"error": errors[2]}})
    stratum = table["term"].map({block: errors[0]} | dict(zip([*factors, both], errors, strict=True)))
    table.insert(0, "stratum", stratum.fillna(table["term"]))
    base = table.set_index("term").loc[table["stratum"]].reset_index(drop=True)
    tested = (table["term"] != table["stratum"]) & (base["ms"] > 0) & (base["df"] > 0)
    table["f"], table["error_df"] = (table["ms"] / base["ms"]).where(tested), base["df"].where(tested)
    table["p"] = f_above(table["df"], table["error_df"], table["f"])
    return table[["stratum", "term", "df", "ss", "ms", "f", "error_df", "p"]]


def _errors(cells, anova, level) -> pd.DataFrame:
    """Standard errors of the four kinds of difference (Gomez & Gomez 1984, chapters 3 and 4, from memory).

    Where two errors meet, so do their t values, each weighed by its share of the variance.
    """
    (r, a, b), base = cells.sizes, anova.set_index("term")
    of_a, of_b, of_cell = (base.loc[name] for name in ERRORS[cells.layout])
    kinds = [
        [(of_a, 2 / (r * b))], [(of_b, 2 / (r * a))],
        [(of_cell, 2 * (a - 1) / (r * a)), (of_b, 2 / (r * a))],
        [(of_cell, 2 * (b - 1) / (r * b)), (of_a, 2 / (r * b))],
    ]  # fmt: skip
    shares = [[(one["ms"] * share, one["df"]) for one, share in kind] for kind in kinds]
    variance = pd.Series([sum(v for v, _ in kind) for kind in shares])
    weighed = [sum(v * t_reach(df, level) for v, df in kind) for kind in shares]
    sed = np.sqrt(variance)
    return pd.DataFrame({"comparison": _kinds(cells), "sed": sed, "lsd": pd.Series(weighed) / variance * sed})


def _kinds(cells) -> list[str]:
    one = "one or different" if cells.layout == "split plot" else "one"
    whole, part = (cells.called[name] for name in cells.names[1:])
    margins = [f"two {name} means" for name in (whole, part)]
    return [*margins, f"two {part} means at one {whole}", f"two {whole} means at {one} {part}"]


# ---- a trial with strips lost: one mixed model of the cells


def _model(cells):
    """Design of the cell means, and the covariance with blocks and the strips of each factor random."""
    groups = [cells.codes[cells.names[0]], *map(cells.strips_of, cells.random)]
    design = np.eye(int(np.prod(cells.sizes[1:])))[cells.cell]
    return design, components([*map(shared, groups), np.eye(len(cells.y))]), len(groups) + 1


def _mixed(cells) -> RemlFit:
    """The cell means with blocks and the strips of each factor random."""
    design, build, n = _model(cells)
    return fit_reml(design, cells.y, build, np.full(n, cells.y.var() / n))


def _residuals(cells, fit) -> Residuals:
    """Conditional residuals of that model."""
    design, build, _ = _model(cells)
    variance = fit.parameters[-1]
    rest, leverage = conditional(design, cells.y, build(fit.parameters)[0], variance)
    block, whole, part = cells.names
    named = cells.strips[[whole, part, block]].rename(columns={block: "block"})
    unit = heading(cells.response).partition("[")[2].rstrip("]")
    frame = residual_frame(named, cells.y, rest, leverage, variance)
    of = f"{cells.layout}, given its random effects,"
    return Residuals(frame, of, unit, float(leverage.mean()))


def _differences(k) -> np.ndarray:
    """All pairs of k levels, a row each."""
    eye = np.eye(k)
    return np.array([eye[j] - eye[i] for i, j in combinations(range(k), 2)])


def _tests(cells, fit) -> pd.DataFrame:
    """Tests of Kenward and Roger, NaN where the variances leave none."""
    _, whole, part = cells.names
    _, a, b = cells.sizes
    steps = {k: np.eye(k)[1:] - np.eye(k)[:1] for k in (a, b)}
    terms = {
        whole: np.kron(steps[a], np.full((1, b), 1 / b)), part: np.kron(np.full((1, a), 1 / a), steps[b]),
        f"{whole} x {part}": np.kron(steps[a], steps[b]),
    }  # fmt: skip
    rows = [(error, name, *np.array(fit.kenward_roger(rows))[[1, 0, 2, 3]])
            for error, (name, rows) in zip(ERRORS[cells.layout], terms.items(), strict=True)]  # fmt: skip
    return pd.DataFrame(rows, columns=["stratum", "term", "df", "f", "error_df", "p"]).astype({"df": int})


def _errors_of_fit(cells, fit, level) -> pd.DataFrame:
    _, a, b = cells.sizes
    pairs_a, pairs_b = _differences(a), _differences(b)
    kinds = [
        np.kron(pairs_a, np.full((1, b), 1 / b)), np.kron(np.full((1, a), 1 / a), pairs_b),
        np.kron(np.eye(a), pairs_b), np.kron(pairs_a, np.eye(b)),
    ]  # fmt: skip
    rows = []
    for name, contrasts in zip(_kinds(cells), kinds, strict=True):
        sed = np.sqrt(np.einsum("kp,pq,kq->k", contrasts, fit.adjusted, contrasts))
        reach = t_reach([fit.kenward_roger(c[None])[2] for c in contrasts], level)
        rows.append((name, sed.mean(), (sed * reach).mean()))
    return pd.DataFrame(rows, columns=["comparison", "sed", "lsd"])


# ---- means of each factor over the other


def _margins(cells, anova, fit, level) -> pd.DataFrame:
    """Means of each factor with Tukey letters, from the strata or from the fit."""
    r, *sizes = cells.sizes
    a, b = sizes
    base, tables = anova.set_index("term"), []
    cell_means = pd.Series(cells.y).groupby(cells.cell).mean() if fit is None else fit.coefficients
    grid = np.asarray(cell_means).reshape(a, b)
    for k, name in enumerate(cells.names[1:]):
        size, labels = sizes[k], cells.labels[k]
        means = pd.Series(grid.mean(axis=1 - k), labels)
        if fit is None:
            error = base.loc[ERRORS[cells.layout][k]]
            covariance, df = np.eye(size) * error["ms"] / (r * sizes[1 - k]), float(error["df"])
        else:
            averaged = np.eye(a), np.full((1, b), 1 / b)
            rows = np.kron(*averaged) if k == 0 else np.kron(np.full((1, a), 1 / a), np.eye(b))
            covariance = rows @ fit.adjusted @ rows.T
            pick = [[rows[i] - rows[j] if i != j else rows[i] for j in range(size)] for i in range(size)]
            df = np.array([[fit.kenward_roger(c[None])[2] for c in line] for line in pick])
        pairs = all_pairs(means, covariance, df, level=level)
        letters = compact_letters(means, pairs, 1 - level).to_numpy()
        table = pd.DataFrame({"factor": name, "level": labels.astype(object), "mean": means.to_numpy()})
        tables.append(table.assign(sed=np.sqrt((pairs["se"] ** 2).mean()), letters=letters))
    return pd.concat(tables, ignore_index=True)


# ---- checks


def _enough(cells, anova):
    """Degrees of freedom of each error that a factor is tested against."""
    left = anova.groupby("stratum")["error_df"].max()
    if "ss" in anova:
        left = anova.set_index("term")["df"]
    for name in dict.fromkeys(ERRORS[cells.layout]):
        label = f"degrees of freedom, {name}"
        yield check_row("split plot", "degrees of freedom", float(left[name]), label=label)


def _orders(cells):
    """Whether whole strips lie in one order in every block, and parts in one order in every whole strip."""
    order = places(cells.strips)[1]
    _, whole, part = cells.names
    block, plot = cells.codes[cells.names[0]], cells.strips_of(whole)
    first = None if order is None else pd.Series(order).groupby(plot).mean().to_numpy()
    strip = pd.DataFrame({"plot": plot, "whole": cells.codes[whole], "block": block}).groupby("plot").first()
    if cells.layout != "split plot":
        return []
    return [
        order_row(
            strip["whole"].to_numpy(), strip["block"].to_numpy(), first, f"{cells.called[whole]}: {ORDER}"
        ),
        order_row(cells.codes[part], plot, order, f"{cells.called[part]}: {ORDER}"),
    ]


def _far(cells):
    """Strips that the others do not expect."""
    block, whole, part = cells.names
    strips, (rest, design) = cells.strips, cells.designs
    numeric = pd.api.types.is_numeric_dtype(strips[part])
    given = [f"{show(a)}, {show(b)}" for a, b in zip(strips[whole], strips[part], strict=True)]
    named = strip_names(strips.assign(block=strips[block]), given)
    smooth = smoother(strips[part], rest) if numeric else None
    return far_row(design, cells.y, named, smooth)
