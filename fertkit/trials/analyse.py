"""Analyse one strip trial: means, their differences and the checks that say how far to trust them."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.asked import a_header, a_label, a_share, a_word, asks, holding, maybe_headers
from fertkit.errors import NotEstimable, unknown
from fertkit.laws import t_reach
from fertkit.reference.load import method_sources
from fertkit.results import Result, checks_frame
from fertkit.rounding import below, first_largest, first_smallest, levelled
from fertkit.trials import designs, models
from fertkit.trials.diagnose import check_rows, stands_out
from fertkit.trials.differences import against_check, all_pairs, compact_letters, reach
from fertkit.trials.residuals import Residuals, leverages, residual_frame
from fertkit.trials.table import Trial, arrange

#: Models by name: how blocks and neighbours are taken.
MODELS = {"fixed": models.fixed_blocks, "random": models.random_blocks, "neighbours": models.neighbour_errors}
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
    design : str
        Design of `fertkit.trials.designs`, "" for blocks or none.
    kinds : DataFrame or None
        Least significant difference of each kind of pair of an augmented layout.
    in_every_block : tuple
        Its checks: the treatments of every block.
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
    design: str = ""
    kinds: pd.DataFrame | None = None
    in_every_block: tuple = ()

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
        """Test whether each treatment is within a margin of the check; see `fertkit.trials.against_check`."""
        from fertkit.trials.against_check import no_worse_than

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
    trial=holding("table", of="read_strips"), treatment=maybe_headers,
    response=a_header, blocks=maybe_headers, check=a_label, design=a_word,
    level=a_share,
)  # fmt: skip
def analyse_strips(
    trial, *, treatment=None, response=None, blocks=None, check=None, design=None,
    model: str = "fixed", trend: bool = False, adjust: str = "tukey", level: float = 0.95,
) -> StripAnalysis:  # fmt: skip
    """Compare the treatments of one strip trial, by the design that its columns tell.

    Parameters
    ----------
    trial : StripTrial or DataFrame
        Strips of one trial as `fertkit.intake.read_strips` gives them; a strip without a yield is lost and
        handled exactly.
    treatment, response : str, optional
        Columns to compare and to analyse; found by default (planned rate or rate, and the yield). Two columns
        of treatments in a list are two factors, the first of whole strips in a split plot.
    blocks : str or list of str, optional
        Grouping columns. ``block`` by default; ``["row", "column"]`` for a Latin square; ``[]`` for none.
        Where a site or year column holds several values, groups are counted within each of them.
    check : object, optional
        Treatment that is the check strip; others are also compared with it alone.
    design : str, optional
        ``blocks``; ``pairs`` of two treatments; ``latin square``; ``split plot``, ``strip plot`` or
        ``factorial`` of two factors; ``augmented``, checks in every block and entries once; ``near checks``,
        means adjusted by the checks beside each strip. By default what the table tells: the layout of two
        factors from rows and columns, plot numbers or a column of whole strips, entries that stand once
        beside checks, and Latin squares of four treatments or more.
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
        Of pairs a `fertkit.trials.pairs.PairedAnalysis`, of two factors a
        `fertkit.trials.strata.TwoFactorAnalysis`.

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
    design = design and designs.known_design(design)
    treatment = treatment[0] if isinstance(treatment, list) and len(treatment) == 1 else treatment
    factors = designs.two_factors(trial, treatment, design)
    if factors:
        from fertkit.trials.strata import analyse_two_factors

        block = blocks if isinstance(blocks, str) else "block"
        layout, *factors, told = designs.layout_of(trial, *factors, block, design)
        found = analyse_two_factors(trial, layout, *factors, blocks=block, response=response, level=level)
        return replace(found, notes=(*found.notes, *[f"taken as a {layout}: {told}"] * bool(told)))
    if design == "pairs":
        from fertkit.trials.pairs import analyse_pairs

        pair = blocks if isinstance(blocks, str) else "block"
        return analyse_pairs(
            trial, treatment=treatment, response=response, blocks=pair, check=check, level=level
        )
    if blocks is None and design in (None, designs.LATIN):
        blocks = designs.axes_of_square(trial, treatment, asked=design is not None)
        design = designs.LATIN if blocks else design
    arranged = arrange(trial, treatment=treatment, response=response, blocks=blocks, trend=trend)
    if check is not None and check not in arranged.labels:
        raise unknown("check treatment", check, arranged.labels)
    models.need_differences(arranged)
    checks = designs.augmented(arranged) if design not in ("blocks", designs.LATIN) else ()
    if design == "augmented" and not len(checks):
        raise NotEstimable("not augmented: no treatment is in every block beside entries that occur once")
    if design == "near checks":
        arranged, estimate = models.near_checks(arranged, designs.checks_of(arranged, check, checks))
    else:
        estimate = MODELS[model](arranged)
    found = conclude(arranged, estimate, check=check, adjust=adjust, level=level)
    found = replace(found, design=design or "", in_every_block=tuple(checks))
    if not len(checks) or "ss" not in found.anova:
        return found
    kinds = designs.kinds_of_difference(arranged, checks, found.comparisons, lambda df: reach(level, df))
    anova = designs.split_treatments(arranged, checks, found.anova)
    return replace(found, design=design or "augmented", anova=anova, kinds=kinds)


def conclude(trial: Trial, estimate, *, check, adjust: str, level: float) -> StripAnalysis:
    """Turn a model's estimate into means, comparisons and checks."""
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
        lsd=float(t_reach(pairs["df"].mean(), level) * sed),
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
    se = np.sqrt(np.diag(estimate.covariance))
    half = t_reach(np.diag(estimate.df), level) * se
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
