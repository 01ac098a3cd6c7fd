"""Whether a treatment is no worse than the check, or as good, within a margin that the grower names."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_label, above_zero, asks, holding
from fertkit.errors import NotEstimable, unknown
from fertkit.reference.load import method_sources
from fertkit.results import Result
from fertkit.rounding import below


@dataclass(frozen=True)
class Equivalence(Result):
    """Treatments held against the check with a margin.

    Attributes
    ----------
    rows : DataFrame
        treatment, difference from the check, low, high [yield unit], p_worse (of being worse by the margin or
        more), p_better, p_equivalent (the greater of the two) and verdict: ``as good`` within the margin
        both ways, ``no worse``, ``worse`` by more than the margin, or ``open``.
    check : object
    margin : float
        [yield unit]
    level : float
        Each one-sided test is made at 1 - level; low to high is the interval at 2 level - 1.
    response : str
    """

    rows: pd.DataFrame
    check: object
    margin: float
    level: float
    response: str

    @property
    def table(self) -> pd.DataFrame:
        return self.rows

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources("equivalence")


@asks(analysis=holding("comparisons", "means", of="analyse_strips"), margin=above_zero,
      check=a_label)  # fmt: skip
def no_worse_than(analysis, margin: float, check=None) -> Equivalence:
    """Test each treatment against the check by two one-sided t tests (Schuirmann 1987).

    Parameters
    ----------
    analysis : StripAnalysis
    margin : float
        Loss that would not matter [yield unit].
    check : object, optional
        The check of the analysis by default.

    Raises
    ------
    NotEstimable
        If the strips give no error to test against.

    Examples
    --------
    >>> from fertkit.trials import analyse_strips
    >>> import pandas as pd
    >>> trial = pd.DataFrame({
    ...     "block": [1, 2, 3, 4] * 2, "treatment": ["check"] * 4 + ["new"] * 4,
    ...     "yield_bu_ac": [50.0, 52, 51, 53, 50.2, 51.9, 51.1, 52.8],
    ... })
    >>> analyse_strips(trial, check="check").no_worse_than(2).table["verdict"].tolist()
    ['as good']
    """
    from scipy.stats import t

    check = analysis.check_strip if check is None else check
    if check is None or check not in set(analysis.means["treatment"]):
        raise unknown("check treatment", check, analysis.means["treatment"])
    pairs = analysis.comparisons
    pairs = pairs[pairs["first"].eq(check) | pairs["second"].eq(check)]
    ahead = np.where(pairs["first"] == check, 1, -1)
    rows = pd.DataFrame({
        "treatment": np.where(ahead > 0, pairs["second"], pairs["first"]),
        "difference": ahead * pairs["difference"],
    })  # fmt: skip
    se, df = pairs["se"], pairs["df"]
    if not (np.isfinite(se) & np.isfinite(df)).all():
        raise NotEstimable("no error can be estimated, so no treatment can be called as good")
    half = t.isf(1 - analysis.level, df) * se
    rows["low"], rows["high"] = rows["difference"] - half, rows["difference"] + half
    rows["p_worse"] = t.sf((rows["difference"] + margin) / se, df)
    rows["p_better"] = t.sf((margin - rows["difference"]) / se, df)
    rows["p_equivalent"] = rows[["p_worse", "p_better"]].max(axis=1)
    alpha = 1 - analysis.level
    rows["verdict"] = np.select(
        [below(rows["p_equivalent"], alpha), below(rows["p_worse"], alpha), below(rows["high"], -margin)],
        ["as good", "no worse", "worse"], "open",
    )  # fmt: skip
    return Equivalence(rows.reset_index(drop=True), check, float(margin), analysis.level, analysis.response)
