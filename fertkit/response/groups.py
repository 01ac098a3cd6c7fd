"""Curves by groups of one trial (hybrids, timings, tillage, zones), and whether a rate for each is worth it.

* Each group has its own answer, from its own strips, blocks and error. Where no curve is asked for, curves
  are weighted by how well each fits all groups together: one kind of curve, of a shape for each group.
* Whether curves differ is asked of all strips together: common, parallel or separate (`group_models`).
* The difference of two optima has the interval that their own intervals give by squares of their reaches
  (Zou & Donner 2008), curve by curve and averaged as these are; it is open where one of them is.
* One common rate is where the curves of the groups, each by its share, return most together, averaged over
  the curves as an optimum is. What it costs a group is a contrast of two rates on the group's curve. Over all
  groups the interval is as wide as for the best of all contrasts among them (Scheffe): the rates were chosen
  on the data that judge them, and the estimate alone can hardly be below zero.

Examples
--------
Two hybrids, half a bushel to either side of 48 + 0.2 x - 0.001 x^2 and of 48 + 0.2 x - 0.0005 x^2 (invented).
At a price ratio of 0.04 their optima are 0.16 / 0.002 = 80 and 0.16 / 0.001 = 160:

>>> from fertkit.response.groups import compare_groups
>>> import pandas as pd
>>> rows = [
...     (hybrid, x, 48 + 0.2 * x - c * x**2 + d)
...     for hybrid, c in (("A", 0.001), ("B", 0.0005)) for d in (-0.5, 0.5) for x in (0, 50, 100, 150, 200)
... ]
>>> trial = pd.DataFrame(rows, columns=["hybrid", "rate_lb_ac", "yield_bu_ac"])
>>> both = compare_groups(trial, "hybrid", nutrient_price=0.4, grain_price=10, curve="quadratic")
>>> both.groups["rate"].round(3).tolist()
[80.0, 160.0]
"""

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_header, a_share, amounts, asks, either, holding, maybe_headers, off
from fertkit.errors import InputError, NotEstimable, Problem
from fertkit.reference.load import method_sources
from fertkit.response import group_models
from fertkit.response.analyse import METHODS, ResponseAnalysis, analyse_response
from fertkit.response.average import AVERAGED, akaike_weights, floored_rss, same_as
from fertkit.response.curves import CURVES, MEAN, a_curve, get_curve
from fertkit.response.gain import NetGain
from fertkit.response.group_rates import common_rate, cost_of, difference_of
from fertkit.response.grouping import Grouping, group_rows
from fertkit.response.prices import Prices, prices_for
from fertkit.results import Result, show
from fertkit.rounding import above, below

#: Rates at which net returns are compared, and how often the gap beside the best is halved.
POINTS, HALVINGS = 201, 50
SMALLEST_TAIL = 0.0005  # of the levels at which curves are tabulated


@dataclass(frozen=True)
class GroupedResponse(Result):
    """Responses of the groups of one trial, compared.

    Attributes
    ----------
    by : str
        Column of the groups.
    analyses : dict of str to ResponseAnalysis
        Answer of each group alone.
    grouping : Grouping
    models : DataFrame
        See `group_models.model_table`.
    shares : dict of str to float
        Share of the area in each group, which weigh the common rate.
    """

    by: str
    analyses: dict[str, ResponseAnalysis]
    grouping: Grouping
    models: pd.DataFrame
    shares: dict[str, float]

    @property
    def factor(self) -> str:
        """What the groups are called in sentences."""
        return self.by.replace("_", " ")

    @property
    def span(self) -> float:
        """Range of the tested rates [rate unit]."""
        return float(np.ptp(self.grouping.data.rates))

    @property
    def _any(self) -> ResponseAnalysis:
        return next(iter(self.analyses.values()))

    @property
    def rate_unit(self) -> str:
        return self._any.rate_unit

    @property
    def yield_unit(self) -> str:
        return self._any.yield_unit

    @property
    def prices(self) -> Prices:
        return self._any.prices

    @property
    def level(self) -> float:
        return self._any.level

    @property
    def table(self) -> pd.DataFrame:
        return self.groups

    @property
    def sources(self) -> pd.DataFrame:
        return method_sources(*METHODS, *self.methods)

    @property
    def methods(self) -> tuple[str, ...]:
        """What the comparison rests on, by its names in ``reference/methods.csv``."""
        levels = () if self.grouping.random is None else ("reml", "satterthwaite")
        return (*levels, "aicc", "difference", "contrasts")

    @property
    def how(self) -> str:
        """What was done, as a paper says it."""
        error = "of single strips" if self.grouping.random is None else "between the strips that groups share"
        return (
            f"common, parallel and separate curves by {self.factor} were compared by AICc and F tests, "
            f"yields at the same rate against the error {error}; intervals of differences combine those of "
            "the optima; the interval of the net gain of separate rates allows for all contrasts"
        )

    @property
    def best(self) -> pd.Series:
        """Row of `models` of least AICc; of the curve asked for where one was."""
        return self.models.iloc[0]

    def tests(self, structure: str) -> pd.Series:
        """Row of `models` of the best curve in one structure."""
        rows = self.models[self.models["curve"] == self.best["curve"]]
        return rows.set_index("structure").loc[structure]

    @property
    def shapes_differ(self) -> bool:
        """Whether the curves are shown to differ in shape, so that no one difference in yield holds."""
        separate = self.models[self.models["structure"].eq("separate")].set_index("curve")["p"]
        return bool(below(separate.get(self.best["curve"], np.nan), 1 - self.level))

    @cached_property
    def parameters(self) -> pd.DataFrame:
        """Group, curve, param, estimate, se, unit of the best curve in each group."""
        key = self.best["curve"]
        each = {name: one.fits[key].params for name, one in self.analyses.items() if key in one.fits}
        return pd.concat(each, names=["group", None]).reset_index("group").assign(curve=CURVES[key].label)

    @cached_property
    def groups(self) -> pd.DataFrame:
        """Group, strips, share, rate and its interval, status, and what the common rate costs in it."""
        rows = []
        for name, one in self.analyses.items():
            best, cost = one.optimum, self.costs[name]
            ends = best.interval
            rows.append((
                name, len(one.data.rate), self.shares[name], best.rate, ends.low, ends.high, ends.low_open,
                ends.high_open, ends.text(), best.status, *cost,
            ))  # fmt: skip
        names = ["group", "strips", "share", "rate", "low", "high", "low_open", "high_open", "text", "status"]
        return pd.DataFrame(rows, columns=[*names, "cost", "cost_low", "cost_high"])

    @cached_property
    def differences(self) -> pd.DataFrame:
        """First, second, second optimum less the first, its interval, `apart` where that excludes 0."""
        rows = []
        for one, other in combinations(self.analyses, 2):
            pair = self.analyses[one], self.analyses[other]
            value, between = pair[1].optimum.rate - pair[0].optimum.rate, difference_of(*pair)
            apart = bool(np.isfinite(between.low) and 0 not in between)
            rows.append((one, other, value, between.low, between.high, between.low_open, between.high_open,
                         between.text(), apart))  # fmt: skip
        names = ["first", "second", "difference", "low", "high", "low_open", "high_open", "text", "apart"]
        return pd.DataFrame(rows, columns=names)

    levels = cached_property(group_models.levels)

    @cached_property
    def common_rate(self) -> float:
        return common_rate(self.analyses, self.shares)

    @cached_property
    def costs(self) -> dict[str, NetGain]:
        """What each group loses at the common rate against its own optimum [money per area]."""
        return {name: cost_of(one, self.common_rate, self.level) for name, one in self.analyses.items()}

    @cached_property
    def net_of_groups(self) -> NetGain:
        """Net gain of a rate for each group over the common one [money per area].

        Errors of groups are independent, so reaches below add by squares. Above they add as they are: past
        joins a loss is the nutrient's cost in every group at once, with no error at all.
        """
        wide = [cost_of(one, self.common_rate, self._wide) for one in self.analyses.values()]
        value, low, high = np.array(wide).T
        share = np.array([self.shares[name] for name in self.analyses])
        total = float(share @ value)
        return NetGain(total, total - float(np.linalg.norm(share * (value - low))), float(share @ high))

    @property
    def pays(self) -> bool:
        """Whether a rate for each group is shown to pay."""
        return above(self.net_of_groups.low, 0, scale=abs(self.net_of_groups.high))

    @property
    def _wide(self) -> float:
        """Level of t whose reach is that of the best of all contrasts among the groups."""
        from scipy.special import fdtri, stdtr

        more = len(self.analyses) - 1
        df = sum(max(one.data.sums.df_error(3)[0], 1) for one in self.analyses.values())
        tail = 1 - stdtr(df, np.sqrt(more * fdtri(more, df, self.level)))
        return float(1 - 2 * max(tail, SMALLEST_TAIL))

    def at_prices(self, *, nutrient_price=None, grain_price=None, prices=None) -> "GroupedResponse":
        """The same fits at other prices; nothing is refitted."""
        asked = {"nutrient_price": nutrient_price, "grain_price": grain_price, "prices": prices}
        return replace(self, analyses={name: one.at_prices(**asked) for name, one in self.analyses.items()})

    checks = cached_property(group_models.checks)


@asks(
    trial=holding("table", of="read_strips"), by=a_header,
    nutrient_price=amounts, grain_price=amounts, prices=holding("nutrient", "grain", like="Prices"),
    curve=a_curve, level=a_share, shares=a_dict, cluster=a_header, rate=a_header, response=a_header,
    blocks=either(maybe_headers, off), weight=a_header,
)  # fmt: skip
def compare_groups(
    trial, by, *, nutrient_price=None, grain_price=None, prices=None, curve=None, level=0.95, shares=None,
    cluster=None, rate=None, response=None, blocks=None, weight=None,
) -> GroupedResponse:  # fmt: skip
    """Compare the responses of the groups of one trial: hybrids, timings, tillage, zones.

    Parameters
    ----------
    trial : DataFrame or StripTrial
        One row per plot or strip, or per rate mean with `weight`.
    by : str
        Column of the groups, each with three rates or more.
    nutrient_price, grain_price, prices, curve, level
        See `fertkit.response.analyse_response`.
    shares : dict, optional
        Group -> area in it, in any one unit; all alike by default.
    cluster : str, optional
        Column of what rows share beside their block, such as the strip that runs through several zones.
    rate, response, blocks, weight
        See `fertkit.response.data.read_trial_data`.

    Raises
    ------
    InputError
        If the table cannot be used as it stands, or a row names no group.
    NotEstimable
        With one group, a group of fewer than three rates, groups that are one block each, or no rates in
        common.
    """
    read = {"rate": rate, "response": response, "blocks": blocks, "weight": weight}
    grouping = group_rows(trial, by, cluster, **read)
    prices = prices_for(grouping.data, nutrient_price, grain_price, prices)
    analyses = analyses_of(grouping, by, prices, curve, level)
    models = group_models.model_table(grouping, tuple(CURVES) if curve is None else (get_curve(curve).key,))
    if models.empty:
        raise NotEstimable(f"no curve can be fitted to each level of '{by}' and to all")
    return GroupedResponse(by, analyses, grouping, models, _shares(shares, grouping.labels, by))


def analyses_of(grouping, by, prices, curve=None, level=0.95) -> dict[str, ResponseAnalysis]:
    """Analyse each group of a trial; without a curve asked for, curves weigh alike in all groups."""
    analyses = {}
    for code, name in enumerate(grouping.labels):
        try:
            analyses[name] = analyse_response(
                grouping.rows_of(code), prices=prices, curve=curve, level=level, replicates=0
            )
        except NotEstimable as error:
            raise NotEstimable(f"{by} {name}: {error.what}", error.in_code, remedy=error.remedy) from None
    return _weighted_alike(analyses) if curve is None else analyses


# ---- groups of a table


def _shares(shares, labels, by):
    if shares is None:
        return dict.fromkeys(labels, 1 / len(labels))
    given = {show(name): float(area) for name, area in shares.items()}
    if set(given) != set(labels) or not min(given.values()) >= 0 or not sum(given.values()) > 0:
        named = f"groups are: {', '.join(labels)}"
        what = "an area, 0 or more, is needed for each group"
        raise InputError("compare_groups", [Problem(what, named, column="shares")])
    return {name: given[name] / sum(given.values()) for name in labels}


# ---- what is compared


def _weighted_alike(analyses) -> dict[str, ResponseAnalysis]:
    """The analyses with curves weighted by their fit to all groups, each with an error of its own."""
    if any(one.comparison is None for one in analyses.values()):
        return analyses
    keys = [key for key in AVERAGED if all(key in one.fits for one in analyses.values())]
    score, alike = np.zeros(len(keys)), []
    for one in analyses.values():
        fits, sums = {key: one.fits[key].fits for key in keys}, one.data.sums
        score += [float(sums.n[0] * np.log(floored_rss(fit.rss, sums)[0, 0])) for fit in fits.values()]
        alike.append([str(same[0, 0]) for same in same_as(fits, sums).values()])
    # A curve that is another in disguise in every group counts once.
    again = [len(set(names)) == 1 and names[0] != "" for names in zip(*alike, strict=True)]
    weights = pd.Series(akaike_weights(np.where(again, np.nan, score)), index=keys)
    return {name: _reweighted(one, weights) for name, one in analyses.items()}


def _reweighted(analysis, weights):
    comparison = replace(analysis.comparison, averaged_weights=weights)
    kept = analysis.weights if MEAN.key in analysis.weights.index else weights
    return replace(analysis, comparison=comparison, weights=kept).at_prices(prices=analysis.prices)
