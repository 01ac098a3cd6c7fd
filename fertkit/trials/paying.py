"""What a treatment without a rate is worth: its gain over the check in money, less what it costs."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import above_zero, asks, holding
from fertkit.errors import InputError, Problem
from fertkit.results import Result, show


@dataclass(frozen=True)
class TreatmentReturn(Result):
    """Net return of each treatment over the check.

    Attributes
    ----------
    rows : DataFrame
        treatment, gain, gain_low, gain_high [yield unit]; cost above that of the check, break_even (gain that
        pays it) and net, net_low, net_high [money per area]; p_loses, the probability of the t law that it
        returns less than it costs. NaN where no cost is given.
    check : object
    grain_price : float
        [money per unit of grain]
    currency, response : str
    level : float
    """

    rows: pd.DataFrame
    check: object
    grain_price: float
    currency: str
    response: str
    level: float

    @property
    def table(self) -> pd.DataFrame:
        return self.rows


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
    >>> from fertkit.trials.paying import net_over_check
    >>> trial = pd.DataFrame({
    ...     "block": [1, 2, 3, 4] * 2, "treatment": ["check"] * 4 + ["new"] * 4,
    ...     "yield_bu_ac": [50.0, 52, 51, 53, 54, 58, 55, 59],
    ... })
    >>> net_over_check(analyse_strips(trial), 4.0, {"new": 12}, "check").table["net"].round(6).tolist()
    [8.0]
    """
    from scipy.stats import t

    costs = _by_label(costs, list(analysis.means["treatment"]))
    means = analysis.means.set_index("treatment")["mean"]
    pairs = analysis.comparisons
    pairs = pairs[pairs["first"].eq(check) | pairs["second"].eq(check)]
    ahead = np.where(pairs["first"] == check, 1, -1)
    names = np.where(ahead > 0, pairs["second"], pairs["first"])
    gain, half = ahead * pairs["difference"].to_numpy(), (pairs["high"] - pairs["low"]).to_numpy() / 2
    cost = np.array([costs.get(name, np.nan) for name in names]) - costs.get(check, 0.0)
    rows = pd.DataFrame({
        "treatment": names, "gain": gain, "gain_low": gain - half, "gain_high": gain + half, "cost": cost,
        "break_even": cost / grain_price,
    })  # fmt: skip
    for end in ("", "_low", "_high"):
        rows[f"net{end}"] = grain_price * rows[f"gain{end}"] - cost
    rows["p_loses"] = t.sf(rows["net"] / (grain_price * pairs["se"].to_numpy()), pairs["df"])
    order = (
        means.loc[names].argsort()[::-1] if not pd.api.types.is_numeric_dtype(means.index) else slice(None)
    )
    rows = rows.iloc[order].reset_index(drop=True)
    return TreatmentReturn(rows, check, float(grain_price), currency, analysis.response, analysis.level)


def _by_label(costs, labels) -> dict:
    """Costs by the treatments as the trial names them; case and spaces do not matter."""
    known = {" ".join(show(label).lower().split()): label for label in labels}
    problems, found = [], {}
    for name, cost in costs.items():
        key = " ".join(show(name).lower().split())
        if key not in known:
            listed = ", ".join(map(show, labels))
            problems.append(
                Problem(f"a cost for '{name}', which is not in the trial", f"use one of: {listed}")
            )
        elif not np.isfinite(cost) or cost < 0:
            problems.append(
                Problem(f"the cost of '{name}' is {cost}", "give an amount per area, zero or more")
            )
        else:
            found[known[key]] = float(cost)
    if problems:
        raise InputError("costs", problems)
    return found
