"""Treatments against the check: no worse within a margin that the grower names, and what each is worth."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_label, above_zero, asks, holding
from fertkit.errors import InputError, NotEstimable, Problem, one_of, unknown
from fertkit.laws import t_below, t_point
from fertkit.reference.load import method_sources
from fertkit.results import Result, show
from fertkit.rounding import below


@dataclass(frozen=True)
class Equivalence(Result):
    """Treatments held against the check with a margin.

    Attributes
    ----------
    table : DataFrame
        treatment, difference from the check, low, high [yield unit], p_worse (of being worse by the margin or
        more), p_better, p_equivalent (the greater of the two) and verdict: ``as good`` within the margin
        both ways, ``no worse``, ``worse`` by more than the margin, or ``open``.
    check : object
    margin : float
        [yield unit]
    level : float
        Each one-sided test is made at 1 - level; low to high is the interval at 2 level - 1.
    response, treatment : str
        Columns of yields and treatments.
    """

    table: pd.DataFrame
    check: object
    margin: float
    level: float
    response: str
    treatment: str

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources("equivalence")


def _over_check(analysis, check) -> pd.DataFrame:
    """Comparisons of the other treatments with the check, each as `treatment` less the check."""
    pairs = analysis.comparisons
    pairs = pairs[pairs["first"].eq(check) | pairs["second"].eq(check)]
    ahead = pairs["first"] == check
    named, difference = pairs["second"].where(ahead, pairs["first"]), pairs["difference"]
    return pairs.assign(treatment=named, difference=difference.where(ahead, -difference))


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
    check = analysis.check_strip if check is None else check
    if check is None or check not in set(analysis.means["treatment"]):
        raise unknown("check treatment", check, analysis.means["treatment"])
    pairs = _over_check(analysis, check)
    rows, se, df = pairs[["treatment", "difference"]].copy(), pairs["se"], pairs["df"]
    if not (np.isfinite(se) & np.isfinite(df)).all():
        raise NotEstimable("no error can be estimated, so no treatment can be called as good")
    half = t_point(df, analysis.level) * se
    rows["low"], rows["high"] = rows["difference"] - half, rows["difference"] + half
    rows["p_worse"] = t_below(df, -(rows["difference"] + margin) / se)
    rows["p_better"] = t_below(df, (rows["difference"] - margin) / se)
    rows["p_equivalent"] = rows[["p_worse", "p_better"]].max(axis=1)
    alpha = 1 - analysis.level
    rows["verdict"] = np.select(
        [below(rows["p_equivalent"], alpha), below(rows["p_worse"], alpha), below(rows["high"], -margin)],
        ["as good", "no worse", "worse"], "open",
    )  # fmt: skip
    rows, of = rows.reset_index(drop=True), (analysis.response, analysis.treatment)
    return Equivalence(rows, check, float(margin), analysis.level, *of)


@dataclass(frozen=True)
class TreatmentReturn(Result):
    """Net return of each treatment over the check.

    Attributes
    ----------
    table : DataFrame
        treatment, gain, gain_low, gain_high [yield unit]; cost above that of the check, break_even (gain that
        pays it) and net, net_low, net_high [money per area]; p_loses, the probability of the t law that it
        returns less than it costs. NaN where no cost is given.
    check : object
    grain_price : float
        [money per unit of grain]
    currency, response : str
    level : float
    treatment : str
        Column of treatments.
    """

    table: pd.DataFrame
    check: object
    grain_price: float
    currency: str
    response: str
    level: float
    treatment: str


@asks(analysis=holding("comparisons", "means", of="analyse_strips"), grain_price=above_zero)
def net_over_check(analysis, grain_price: float, costs, check, *, currency="") -> TreatmentReturn:
    """Return what each treatment earns over the check.

    Parameters
    ----------
    analysis : StripAnalysis
    grain_price : float
        Price of a unit of grain, in the yield's unit.
    costs : dict
        Treatment -> cost per area [money]; the check costs nothing unless it is named.
    check : object
    currency : str

    Raises
    ------
    InputError
        If a cost is given for a treatment that the trial does not have, or is no amount.

    Examples
    --------
    Four pairs that gain 5 bu/ac on average (invented): 5 x 4 less 12 leaves 8 an acre.

    >>> import pandas as pd
    >>> from fertkit.trials.analyse import analyse_strips
    >>> from fertkit.trials.against_check import net_over_check
    >>> trial = pd.DataFrame({
    ...     "block": [1, 2, 3, 4] * 2, "treatment": ["check"] * 4 + ["new"] * 4,
    ...     "yield_bu_ac": [50.0, 52, 51, 53, 54, 58, 55, 59],
    ... })
    >>> net_over_check(analyse_strips(trial), 4.0, {"new": 12}, "check").table["net"].round(6).tolist()
    [8.0]
    """
    costs = _by_label(costs, list(analysis.means["treatment"]))
    means = analysis.means.set_index("treatment")["mean"]
    pairs = _over_check(analysis, check)
    names, gain = pairs["treatment"].to_numpy(), pairs["difference"].to_numpy()
    half = (pairs["high"] - pairs["low"]).to_numpy() / 2
    cost = np.array([costs.get(name, np.nan) for name in names]) - costs.get(check, 0.0)
    rows = pd.DataFrame({
        "treatment": names, "gain": gain, "gain_low": gain - half, "gain_high": gain + half, "cost": cost,
        "break_even": cost / grain_price,
    })  # fmt: skip
    for end in ("", "_low", "_high"):
        rows[f"net{end}"] = grain_price * rows[f"gain{end}"] - cost
    rows["p_loses"] = t_below(pairs["df"], -rows["net"] / (grain_price * pairs["se"].to_numpy()))
    order = (
        means.loc[names].argsort()[::-1] if not pd.api.types.is_numeric_dtype(means.index) else slice(None)
    )
    rows = rows.iloc[order].reset_index(drop=True)
    of = analysis.response, analysis.level, analysis.treatment
    return TreatmentReturn(rows, check, float(grain_price), currency, *of)


def _by_label(costs, labels) -> dict:
    """Costs by the treatments as the trial names them; case and spaces do not matter."""
    known = {" ".join(show(label).lower().split()): label for label in labels}
    problems, found = [], {}
    for name, cost in costs.items():
        key = " ".join(show(name).lower().split())
        if key not in known:
            what = f"a cost for '{name}', which is not in the trial"
            problems.append(Problem(what, one_of(map(show, labels))))
        elif not np.isfinite(cost) or cost < 0:
            problems.append(
                Problem(f"the cost of '{name}' is {cost}", "give an amount per area, zero or more")
            )
        else:
            found[known[key]] = float(cost)
    if problems:
        raise InputError("costs", problems)
    return found
