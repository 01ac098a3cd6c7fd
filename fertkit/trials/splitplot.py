"""Split plots: one treatment on whole strips, a second on parts of them, each against its own error."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_header, a_share, a_word, asks, holding
from fertkit.errors import NotEstimable
from fertkit.results import Result, checks_frame
from fertkit.trials import linear
from fertkit.trials.diagnose import far_row, order_row, strip_names
from fertkit.trials.doubtful import smoother
from fertkit.trials.mixed import components, fit_reml, shared
from fertkit.trials.orders import ORDER
from fertkit.trials.table import column_of, factor, measured, one_trial, places, show


@dataclass(frozen=True)
class SplitPlotAnalysis(Result):
    """Analysis of a split plot.

    Attributes
    ----------
    anova : DataFrame
        stratum, term, df, ss, ms, f, p.
    means : DataFrame
        One row per combination: the two treatments, n and mean [yield unit].
    errors : DataFrame
        Standard error of a difference and least significant difference of each kind of comparison
        [yield unit].
    variances : DataFrame
        term, variance of block, whole plot and part (REML) [yield unit squared].
    whole, part, block, response : str
        Columns.
    level : float
    checks : DataFrame
    """

    anova: pd.DataFrame
    means: pd.DataFrame
    errors: pd.DataFrame
    variances: pd.DataFrame
    whole: str
    part: str
    block: str
    response: str
    level: float
    checks: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.means


@asks(
    trial=holding("table", like="what read_strips gives, or a table of strips"), whole=a_word, part=a_word,
    blocks=a_word, response=a_header, level=a_share,
)  # fmt: skip
def analyse_split_plot(trial, whole, part, *, blocks="block", response=None, level=0.95) -> SplitPlotAnalysis:
    """Analyse a complete split plot.

    Parameters
    ----------
    trial : StripTrial or DataFrame
    whole, part : str
        Columns of the treatment of whole strips and of their parts.
    blocks, response : str, optional
        Columns; the one yield column by default.
    level : float
        Confidence behind the least significant differences.

    Raises
    ------
    InputError
        If a column is not there, or a yield is no number.
    NotEstimable
        If a combination is missing or repeated in a block: the strata are then not orthogonal.

    Examples
    --------
    >>> from fertkit.trials import analyse_split_plot
    >>> from itertools import product
    >>> import pandas as pd
    >>> strips = product([1, 2, 3], ["till", "no-till"], [0, 60])
    >>> trial = pd.DataFrame(strips, columns=["block", "tillage", "rate_lb_ac"])
    >>> trial["yield_bu_ac"] = [50, 56, 48, 57, 52, 57, 49, 55, 51, 58, 50, 58]
    >>> anova = analyse_split_plot(trial, "tillage", "rate_lb_ac").anova
    >>> anova["df"].tolist()  # block, tillage, its error; rate, tillage x rate, their error
    [2, 1, 2, 1, 1, 4]
    """
    table = one_trial(trial)
    response = column_of(table, response, "yield")
    for column in (whole, part, blocks):
        column_of(table, column, "factor")
    strips = table.assign(**{response: measured(table, response)}).dropna(subset=[response])
    counts = strips.pivot_table(response, blocks, [whole, part], aggfunc="count", observed=True)
    complete = counts.shape[1] == len(strips[whole].unique()) * len(strips[part].unique())
    if not complete or not counts.eq(1).all(axis=None) or len(counts) < 2:
        raise NotEstimable(
            "a split plot needs each combination once in each of two or more blocks; with a strip lost, "
            "analyse the parts one by one with analyse_strips"
        )
    y = strips[response].to_numpy(float)
    codes = {name: factor(strips[name])[0] for name in (blocks, whole, part)}
    columns = {name: linear.dummies(c) for name, c in codes.items()}
    plots = linear.interaction(columns[blocks], columns[whole])
    both = f"{whole} x {part}"
    rows = linear.sequential_squares(y, [
        (blocks, columns[blocks]), (whole, columns[whole]), ("whole-strip error", plots),
        (part, columns[part]), (both, linear.interaction(columns[whole], columns[part])),
    ])  # fmt: skip
    upper = linear.anova_table(rows[:3], error="whole-strip error").assign(stratum="whole strips")
    lower = linear.anova_table(rows[3:]).replace({"term": {"error": "part error"}}).assign(stratum="parts")
    anova = pd.concat([upper, lower], ignore_index=True)[["stratum", "term", "df", "ss", "ms", "f", "p"]]
    means = strips.groupby([whole, part], observed=True)[response].agg(n="size", mean="mean").reset_index()
    sizes = tuple(int(codes[name].max()) + 1 for name in (blocks, whole, part))
    return SplitPlotAnalysis(
        anova=anova, means=means, errors=_errors(anova, sizes, whole, part, level),
        variances=_variances(y, codes, columns, blocks, whole, part),
        whole=whole, part=part, block=blocks, response=response, level=level,
        checks=checks_frame([
            *_checks(anova), *_orders(strips, codes, blocks, whole, part),
            _far(strips, y, columns, plots, blocks, whole, part),
        ]),
    )  # fmt: skip


def _errors(anova, sizes, whole, part, level) -> pd.DataFrame:
    """Standard errors of the four kinds of difference (Gomez & Gomez 1984, chapter 3, from memory)."""
    from scipy.stats import t

    r, a, b = sizes
    base = anova.set_index("term")
    upper, lower = base.loc["whole-strip error"], base.loc["part error"]
    ea, eb = upper["ms"], lower["ms"]
    ta, tb = (t.isf((1 - level) / 2, row["df"]) for row in (upper, lower))
    mixed = (b - 1) * eb + ea
    table = pd.DataFrame(
        [
            (f"two {whole} means", 2 * ea / (r * b), ta),
            (f"two {part} means", 2 * eb / (r * a), tb),
            (f"two {part} at one {whole}", 2 * eb / r, tb),
            (
                f"two {whole} at one or different {part}",
                2 * mixed / (r * b),
                ((b - 1) * eb * tb + ea * ta) / mixed,
            ),
        ],
        columns=["comparison", "variance", "t"],
    )
    sed = np.sqrt(table["variance"])
    return pd.DataFrame({"comparison": table["comparison"], "sed": sed, "lsd": table["t"] * sed})


def _variances(y, codes, columns, block, whole, part) -> pd.DataFrame:
    cells = linear.interaction(columns[whole], columns[part])
    design = np.column_stack([np.ones(len(y)), columns[whole], columns[part], cells])
    plot = codes[block] * (codes[whole].max() + 1) + codes[whole]
    build = components([shared(codes[block]), shared(plot), np.eye(len(y))])
    fit = fit_reml(design, y, build, np.full(3, y.var() / 3))
    return pd.DataFrame({"term": [block, f"{whole} strip", "part"], "variance": fit.parameters})


def _checks(anova):
    base = anova.set_index("term")["df"]
    return [
        (f"degrees of freedom, {name}", int(base[name]), ">= 5 (common practice, no source)",
         bool(base[name] >= 5), ("enough to test against", "too few: only large differences can be found"))
        for name in ("whole-strip error", "part error")
    ]  # fmt: skip


def _orders(strips, codes, block, whole, part):
    """Whether whole strips lie in one order in every block, and parts in one order in every whole strip."""
    order = places(strips)[1]
    plot = codes[block] * (codes[whole].max() + 1) + codes[whole]
    first = None if order is None else pd.Series(order).groupby(plot).mean().to_numpy()
    strip = pd.DataFrame({"plot": plot, "whole": codes[whole], "block": codes[block]}).groupby("plot").first()
    return [
        order_row(strip["whole"].to_numpy(), strip["block"].to_numpy(), first, f"{whole}: {ORDER}"),
        order_row(codes[part], plot, order, f"{part}: {ORDER}"),
    ]


def _far(strips, y, columns, plots, block, whole, part):
    """Parts that the others do not expect."""
    rest = np.column_stack([np.ones(len(y)), columns[block], columns[whole], plots])
    design = np.column_stack([rest, columns[part], linear.interaction(columns[whole], columns[part])])
    numeric = pd.api.types.is_numeric_dtype(strips[part])
    given = [f"{show(a)}, {show(b)}" for a, b in zip(strips[whole], strips[part], strict=True)]
    named = strip_names(strips.assign(block=strips[block]), given)
    return far_row(design, y, named, smoother(strips[part], rest) if numeric else None)
