"""Analyse one strip trial: means, their differences and the checks that say how far to trust them."""

from dataclasses import dataclass
from functools import cache
from string import ascii_letters

import numpy as np
import pandas as pd

from fertkit.asked import a_header, a_label, a_share, asks, holding, maybe_headers
from fertkit.errors import unknown
from fertkit.reference.load import method_sources
from fertkit.results import Result, checks_frame
from fertkit.rounding import above, below, first_largest, first_smallest, levelled
from fertkit.trials import models
from fertkit.trials.diagnose import check_rows, stands_out
from fertkit.trials.residuals import Residuals, leverages, residual_frame
from fertkit.trials.table import Trial, arrange

#: Models by name: how blocks and neighbours are taken.
MODELS = {
    "fixed": models.fixed_blocks,
    "random": models.random_blocks,
    "neighbours": models.neighbour_errors,
}
#: Rules behind the letters: how the probability of a difference allows for looking at many of them.
ADJUSTMENTS = ("tukey", "holm", "protected", "none")
#: What follows every comparison, by its names in ``reference/methods.csv``.
AFTER = ("letters", "assumptions", "outliers")


@dataclass(frozen=True)
class StripAnalysis(Result):
    """Treatment means of one strip trial and what can be said of their differences.

    Attributes
    ----------
    means : DataFrame
        treatment, n, mean, se, low, high, letters; with a check also difference, difference_low,
        difference_high, p and p_adjusted against it [yield unit]. Rates ascend; names stand with the highest
        mean first.
    anova : DataFrame
        term, df, ss, ms, f, p (a mixed model gives F of treatments and the variances instead of squares).
    comparisons : DataFrame
        Every pair: first, second, difference, se, df, low, high, p, p_adjusted.
    strips : DataFrame
        Strips analysed, with ``fitted``, ``residual`` and the ``leverage`` of treatments and fixed groups.
    treatment, response : str
        Names of the columns analysed.
    check_strip : object or None
        Treatment the others are set against.
    variance, error_df : float
        Error variance [yield unit squared] and its degrees of freedom.
    sed, lsd : float
        Standard error of a difference (mean over pairs) and least significant difference of a single
        comparison planned beforehand [yield unit]; what the letters follow is `apart`.
    cv_pct : float
        Standard deviation of a strip in percent of the mean.
    level : float
        Confidence of every interval.
    adjust : str
        Rule behind the letters.
    method : str
    notes : tuple of str
    checks : DataFrame
    methods : tuple of str
        Methods by their names in ``reference/methods.csv``.
    """

    means: pd.DataFrame
    anova: pd.DataFrame
    comparisons: pd.DataFrame
    strips: pd.DataFrame
    treatment: str
    response: str
    check_strip: object
    variance: float
    error_df: float
    sed: float
    lsd: float
    cv_pct: float
    level: float
    adjust: str
    method: str
    notes: tuple[str, ...]
    checks: pd.DataFrame
    methods: tuple[str, ...] = ()

    @property
    def table(self) -> pd.DataFrame:
        return self.means

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources(*self.methods)

    @property
    def p_value(self) -> float:
        """Probability of the F test that all treatments yield alike."""
        return float(self.anova.loc[self.anova["term"] == "treatment", "p"].iloc[0])

    @property
    def apart(self) -> tuple[float, float]:
        """Least and greatest distance, over the pairs, from which two means share no letter [yield unit].

        Infinite where the F test protects against every difference; NaN under Holm's rule, which no one
        distance describes.
        """
        if self.adjust == "holm":
            return np.nan, np.nan
        if self.adjust == "protected" and not below(self.p_value, 1 - self.level):
            return np.inf, np.inf
        pairs, many = self.comparisons, len(self.means) if self.adjust == "tukey" else 0
        distance = pairs["se"] * [reach(self.level, df, many) for df in pairs["df"]]
        return float(distance.min()), float(distance.max())

    @property
    def residuals(self) -> Residuals:
        """Residuals of the treatment means."""
        held = self.strips
        named = held[[self.treatment, *(["block"] if "block" in held else [])]]
        rest = held[["residual", "leverage"]].to_numpy().T
        frame = residual_frame(named, held[self.response], *rest, self.variance)
        unit, usual = "/".join(self.response.split("_")[1:]), float(held["leverage"].mean())
        return Residuals(frame, "treatment means", unit, usual)

    def no_worse_than(self, margin, check=None):
        """Test whether each treatment is within a margin of the check; see `fertkit.trials.equivalence`."""
        from fertkit.trials.equivalence import no_worse_than

        return no_worse_than(self, margin, check)

    @property
    def stands_out(self) -> str:
        """The strips that the others do not expect, as a sentence; empty where there are none."""
        return stands_out(self.checks)

    @property
    def ends(self) -> tuple[pd.Series, pd.Series]:
        """Rows of `means` with the lowest and the highest mean; the same row where all yield alike."""
        mean = self.means["mean"]
        return self.means.iloc[first_smallest(mean)], self.means.iloc[first_largest(mean)]


@asks(
    trial=holding("table", like="what read_strips gives, or a table of strips"), treatment=a_header,
    response=a_header, blocks=maybe_headers, check=a_label, level=a_share,
)  # fmt: skip
def analyse_strips(
    trial, *, treatment=None, response=None, blocks=None, check=None,
    model: str = "fixed", trend: bool = False, adjust: str = "tukey", level: float = 0.95,
) -> StripAnalysis:  # fmt: skip
    """Compare the treatments of one strip trial.

    Parameters
    ----------
    trial : StripTrial or DataFrame
        Strips of one trial as `fertkit.intake.read_strips` gives them; a strip without a yield is lost and
        handled exactly.
    treatment, response : str, optional
        Columns to compare and to analyse; found by default (planned rate or rate, and the yield).
    blocks : str or list of str, optional
        Grouping columns. ``block`` by default; ``["row", "column"]`` for a Latin square; ``[]`` for none.
        Where a site or year column holds several values, groups are counted within each of them.
    check : object, optional
        Treatment that is the check strip; others are also compared with it alone.
    model : {"fixed", "random", "neighbours"}
        Blocks fixed; blocks random (REML); blocks fixed with neighbouring strips correlated.
    trend : bool
        Enter a straight trend across the field (needs the place of each strip).
    adjust : {"tukey", "holm", "protected", "none"}
        Rule behind the letters: Tukey's honestly significant difference, Holm's steps, the least significant
        difference after a significant F test, or without one.
    level : float
        Confidence of intervals and letters.

    Returns
    -------
    StripAnalysis

    Raises
    ------
    LookupFailed
        If the check or an option is not known.
    InputError
        If a column or a cell of the table cannot be used.
    NotEstimable
        If there is nothing to compare, or the design cannot tell treatments from blocks.

    Examples
    --------
    Two blocks of three rates (invented); the means by hand are 48, 55 and 57.

    >>> from fertkit.trials import analyse_strips
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "block": [1, 1, 1, 2, 2, 2], "rate_lb_ac": [0, 60, 120, 0, 60, 120],
    ...     "yield_bu_ac": [47.5, 55.5, 56.5, 48.5, 54.5, 57.5],
    ... })
    >>> analysis = analyse_strips(trial, check=0)
    >>> analysis.table["mean"].round(1).tolist()
    [48.0, 55.0, 57.0]
    """
    if model not in MODELS:
        raise unknown("model", model, MODELS)
    arranged = arrange(trial, treatment=treatment, response=response, blocks=blocks, trend=trend)
    if check is not None and check not in arranged.labels:
        raise unknown("check treatment", check, arranged.labels)
    models.need_differences(arranged)
    estimate = MODELS[model](arranged)
    return conclude(arranged, estimate, check=check, adjust=adjust, level=level)


def conclude(trial: Trial, estimate, *, check, adjust: str, level: float) -> StripAnalysis:
    """Turn a model's estimate into means, comparisons and checks."""
    from scipy.stats import t

    anova = estimate.anova.set_index("term")
    pairs = all_pairs(
        estimate.means, estimate.covariance, estimate.df, level=level, adjust=adjust,
        p_all=float(anova.loc["treatment", "p"]),
    )  # fmt: skip
    means = _means(trial, estimate, level)
    means["letters"] = (
        compact_letters(estimate.means, pairs, 1 - level).to_numpy() if _known(estimate) else ""
    )
    if check is not None:
        means = _with_check(means, estimate, check, level)
    if not pd.api.types.is_numeric_dtype(trial.labels):
        falling = np.argsort(-levelled(means["mean"]), kind="stable")
        means = means.iloc[falling].reset_index(drop=True)
    mean = float(trial.y.mean())
    cv = 100 * np.sqrt(estimate.variance) / abs(mean) if mean else np.nan
    sed = float(np.sqrt((pairs["se"] ** 2).mean()))
    return StripAnalysis(
        means=means,
        anova=estimate.anova,
        comparisons=pairs,
        strips=trial.strips.assign(
            **{trial.treatment: trial.labels[trial.codes]},
            fitted=trial.y - estimate.residuals,
            residual=estimate.residuals,
            leverage=leverages(trial.design()),
        ),
        treatment=trial.treatment,
        response=trial.response,
        check_strip=check,
        variance=estimate.variance,
        error_df=estimate.error_df,
        sed=sed,
        lsd=float(t.isf((1 - level) / 2, pairs["df"].mean()) * sed),
        cv_pct=float(cv),
        level=level,
        adjust=adjust,
        method=estimate.method,
        notes=trial.notes + estimate.notes,
        checks=checks_frame(check_rows(trial, estimate)),
        methods=(*estimate.methods, adjust, *["dunnett"] * (check is not None), *AFTER),
    )


def _known(estimate) -> bool:
    return bool(np.isfinite(estimate.covariance).all())


def _means(trial, estimate, level) -> pd.DataFrame:
    from scipy.stats import t

    se = np.sqrt(np.diag(estimate.covariance))
    half = t.isf((1 - level) / 2, np.diag(estimate.df)) * se
    mean = estimate.means.to_numpy()
    return pd.DataFrame(
        {
            "treatment": trial.labels,
            "n": np.bincount(trial.codes, minlength=len(trial.labels)),
            "mean": mean,
            "se": se,
            "low": mean - half,
            "high": mean + half,
        }
    )


def _with_check(means, estimate, check, level):
    set_against = against_check(estimate.means, estimate.covariance, estimate.df, check, level=level)
    names = {"low": "difference_low", "high": "difference_high"}
    columns = ["treatment", "difference", *names, "p", "p_adjusted"]
    return means.merge(set_against[columns].rename(columns=names), on="treatment", how="left")


# ---- differences of means


def all_pairs(means, covariance, df, *, level=0.95, adjust: str = "tukey", p_all=0.0) -> pd.DataFrame:
    """Compare every treatment mean with every other.

    Parameters
    ----------
    means : Series
        Estimated means, labelled by treatment [yield unit].
    covariance : (k, k) array
        Of the means [yield unit squared].
    df : float or (k, k) array
        Error degrees of freedom of each difference.
    level : float
        Confidence of the intervals of single differences.
    adjust : {"tukey", "holm", "protected", "none"}
        Tukey-Kramer studentised range; Holm's step-down; no adjustment once the F test of all is significant;
        no adjustment (least significant difference).
    p_all : float
        Probability of the F test of all, for "protected".

    Returns
    -------
    DataFrame
        first, second, difference (second - first), se, df, low, high, p, p_adjusted.
    """
    from scipy.stats import studentized_range

    if adjust not in ADJUSTMENTS:
        raise unknown("adjustment", adjust, ADJUSTMENTS)
    i, j = np.triu_indices(len(means), 1)
    table = _differences(means, covariance, df, i, j, level)
    table.insert(0, "first", means.index[i])
    table.insert(1, "second", means.index[j])
    if adjust == "tukey":
        ratio = np.abs(table["difference"] / table["se"])
        adjusted = studentized_range.sf(ratio * np.sqrt(2), len(means), table["df"])
        table["p_adjusted"] = np.where(np.isfinite(ratio), adjusted, np.nan)
    elif adjust == "protected":
        table["p_adjusted"] = np.maximum(table["p"], p_all)
    else:
        table["p_adjusted"] = holm(table["p"]) if adjust == "holm" else table["p"]
    return table


@cache
def reach(level: float, df: float, many: int = 0) -> float:
    """Standard errors of a difference that two means lie apart where they just differ.

    Student's t for one comparison; with `many` means Tukey's studentised range over the root of two.
    """
    from scipy.stats import studentized_range, t

    return float(studentized_range.ppf(level, many, df) / 2**0.5 if many else t.isf((1 - level) / 2, df))


def against_check(means, covariance, df, check, *, level: float = 0.95) -> pd.DataFrame:
    """Compare every other treatment with the check, adjusted as a family (Dunnett 1955, from memory).

    Parameters
    ----------
    means, covariance, df, level
        As in `all_pairs`.
    check : label
        Treatment the others are set against.

    Returns
    -------
    DataFrame
        treatment, difference (from the check), se, df, low, high, p, p_adjusted.
    """
    at = list(means.index).index(check)
    others = np.delete(np.arange(len(means)), at)
    table = _differences(means, covariance, df, np.full(len(others), at), others, level)
    table.insert(0, "treatment", means.index[others])
    with_check = covariance[others, at]
    spread = covariance[np.ix_(others, others)] + covariance[at, at] - with_check[:, None] - with_check
    table["p_adjusted"] = _largest_of(table, spread)
    return table


def _differences(means, covariance, df, base, other, level) -> pd.DataFrame:
    """Differences of means at places `other` from those at `base`: difference, se, df, low, high, p."""
    from scipy.stats import t

    apart = np.diag(covariance)[base] + np.diag(covariance)[other]
    spread = apart - 2 * covariance[base, other]
    table = pd.DataFrame({"difference": means.to_numpy()[other] - means.to_numpy()[base]})
    table["se"] = np.sqrt(np.where(above(spread, 0, scale=apart), spread, np.nan))
    table["df"] = np.broadcast_to(df, covariance.shape)[base, other]
    half = t.isf((1 - level) / 2, table["df"]) * table["se"]
    table["low"], table["high"] = table["difference"] - half, table["difference"] + half
    table["p"] = 2 * t.sf(np.abs(table["difference"] / table["se"]), table["df"])
    return table


def _largest_of(table, spread):
    """Probability that the largest |t| of the family exceeds each one seen, under a multivariate t."""
    from scipy.stats import multivariate_t

    ratio = np.abs(table["difference"] / table["se"]).to_numpy()
    if len(table) == 1 or not np.isfinite(ratio).all():
        return table["p"]
    correlation = spread / np.sqrt(np.outer(np.diag(spread), np.diag(spread)))
    family = multivariate_t(
        shape=correlation, df=max(float(table["df"].mean()), 1.0), allow_singular=True, seed=20240
    )
    inside = [family.cdf(np.full(len(ratio), r), lower_limit=np.full(len(ratio), -r)) for r in ratio]
    # Never below the unadjusted probability: the integral is a simulation good to about four digits.
    return np.maximum(1 - np.array(inside), table["p"])


def holm(p) -> np.ndarray:
    """Holm's step-down adjustment of probabilities, in the order given."""
    p = np.asarray(p, dtype=float)
    order = np.argsort(p)
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def compact_letters(means, pairs, alpha: float = 0.05) -> pd.Series:
    """Return letters of treatments: those that cannot be told apart share one, "a" goes to the highest mean.

    Parameters
    ----------
    means : Series
        Means labelled by treatment.
    pairs : DataFrame
        first, second and p_adjusted of all pairs.
    alpha : float
        Pairs with a smaller adjusted probability share no letter.

    Notes
    -----
    Insert-and-absorb algorithm of Piepho (2004, J. Comput. Graph. Stat. 13:456-466, from memory).
    """
    groups = [frozenset(means.index)]
    for row in pairs[below(pairs["p_adjusted"], alpha)].itertuples():
        split = []
        for group in groups:
            if row.first in group and row.second in group:
                split += [group - {row.first}, group - {row.second}]
            else:
                split.append(group)
        unique = set(split)
        groups = [g for g in unique if not any(g < other for other in unique)]
    rank = pd.Series(levelled(means), index=means.index).rank(ascending=False, method="first")
    groups.sort(key=lambda g: sorted(rank[list(g)]))
    names = [ascii_letters[i] if i < len(ascii_letters) else f"({i})" for i in range(len(groups))]
    return pd.Series(
        ["".join(n for n, g in zip(names, groups, strict=True) if label in g) for label in means.index],
        index=means.index,
    )
