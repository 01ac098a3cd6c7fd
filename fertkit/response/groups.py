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
from typing import NamedTuple

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_header, a_share, amounts, asks, either, holding, maybe_headers, off
from fertkit.errors import InputError, NotEstimable, Problem
from fertkit.intake.alike import label_key
from fertkit.reference.load import method_sources
from fertkit.response.analyse import METHODS, ResponseAnalysis, analyse_response
from fertkit.response.average import AVERAGED, SMALL, akaike_weights, floored_rss, mixture_ends, same_as
from fertkit.response.curves import CURVES, MEAN, a_curve, optimum_in_range
from fertkit.response.data import read_trial_data
from fertkit.response.fit import fit_data
from fertkit.response.gain import NetGain, gain_ends, unit_prices
from fertkit.response.group_models import APART, LOOSE, TOGETHER, Grouping, level_contrasts, model_table
from fertkit.response.interval import Interval
from fertkit.response.optimum import TRIFLE
from fertkit.response.prices import Prices, prices_for
from fertkit.results import Result, checks_frame, show
from fertkit.rounding import above, at_least, at_most, below, first_largest, same
from fertkit.trials.table import one_trial

#: Rates at which net returns are compared, and how often the gap beside the best is halved.
POINTS, HALVINGS = 201, 50
FEWEST_RATES = 3
SMALLEST_TAIL = 0.0005  # of the levels at which curves are tabulated


class Uniform(NamedTuple):
    """One rate for all groups.

    Attributes
    ----------
    rate : float
        [rate unit]
    cost : NetGain
        What it costs on average against a rate of its own for each group [money per area].
    """

    rate: float
    cost: NetGain


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

    @cached_property
    def levels(self) -> pd.DataFrame:
        """First, second, difference in yield at the same rate (parallel curves), low, high, df, p."""
        return _levels(self)

    @cached_property
    def common_rate(self) -> float:
        return _common_rate(self.analyses, self.shares)

    @cached_property
    def costs(self) -> dict[str, NetGain]:
        """What each group loses at the common rate against its own optimum [money per area]."""
        return {name: _cost(one, self.common_rate, self.level) for name, one in self.analyses.items()}

    @cached_property
    def uniform(self) -> Uniform:
        """The best common rate and what it costs.

        Errors of groups are independent, so reaches below add by squares. Above they add as they are: past
        joins a loss is the nutrient's cost in every group at once, with no error at all.
        """
        wide = [_cost(one, self.common_rate, self._wide) for one in self.analyses.values()]
        value, low, high = np.array(wide).T
        share = np.array([self.shares[name] for name in self.analyses])
        total = float(share @ value)
        least = total - float(np.linalg.norm(share * (value - low)))
        return Uniform(self.common_rate, NetGain(total, least, float(share @ high)))

    @property
    def net_of_groups(self) -> NetGain:
        """Net gain of a rate for each group over the common one [money per area]."""
        return self.uniform.cost

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

    @cached_property
    def checks(self) -> pd.DataFrame:
        return _checks(self)


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
    models = model_table(grouping, tuple(CURVES) if curve is None else (_any_key(analyses),))
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


def _any_key(analyses):
    return next(iter(analyses.values())).asked


# ---- groups of a table


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
    apart = [own, *([cluster] if cluster else [])]
    data = read_trial_data(_again(trial, named), **read, by=apart)
    rows = data.origin.index
    cells = named.loc[rows, own]
    empty = cells.index[cells.isna() | (cells.astype(str).str.strip() == "")]
    if len(empty):
        remedy = "name it, or leave the row out"
        raise InputError("trial", [Problem(f"no {by} is given", remedy, int(i) + 2, by) for i in empty])
    labels, codes = _levels_of(cells)
    _refuse_spellings(labels, by)
    shared = None if cluster is None else pd.factorize(named.loc[rows, cluster].astype(str))[0]
    without = named.loc[named.index.difference(rows), own]
    lost = tuple(int((without == cell).sum()) for cell in cells.groupby(codes).first())
    grouping = Grouping(data, labels, codes, shared, lost)
    _refuse(grouping, by)
    return grouping


def _again(trial, table):
    return table if isinstance(trial, pd.DataFrame) else trial.with_strips(table)


def _levels_of(cells):
    codes, levels = pd.factorize(cells, sort=True)
    return tuple(map(show, levels)), codes


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
    comparison = replace(
        analysis.comparison, averaged_weights=weights,
        table=analysis.comparison.table.assign(
            average_weight=lambda table: table["curve"].map(weights)
        ),
    )  # fmt: skip
    kept = analysis.weights if MEAN.key in analysis.weights.index else weights
    return replace(analysis, comparison=comparison, weights=kept).at_prices(prices=analysis.prices)


def difference_of(first, second) -> Interval:
    """Interval of the optimum of the second analysis less that of the first; open where theirs are."""
    one, other = first.optimum.interval, second.optimum.interval
    keys = [key for key, weight in first.weights.items() if weight > SMALL and key in second.weights.index]
    known = np.isfinite([one.low, one.high, other.low, other.high]).all()
    if known and len(keys) > 1:
        low, high = _averaged_difference(first, second, keys)
    else:
        spans = [(a.optimum.rate, a.optimum.interval.low, a.optimum.interval.high) for a in (first, second)]
        low, high = reach(*spans)
    under, over = other.low_open or one.high_open, other.high_open or one.low_open
    if under and over and low == high:  # optima on an end of the tested rates say nothing of their distance
        low, high = -np.inf, np.inf
    return Interval(
        float(low), float(high), under, over, one.level, "by squares", max(one.span, other.span),
    )  # fmt: skip


def reach(first, second):
    """Ends of the difference of two estimates, each given with the ends of its interval."""
    (a, a_low, a_high), (b, b_low, b_high) = first, second
    low = b - a - np.hypot(np.maximum(b - b_low, 0.0), np.maximum(a_high - a, 0.0))
    return low, b - a + np.hypot(np.maximum(b_high - b, 0.0), np.maximum(a - a_low, 0.0))


def _averaged_difference(first, second, keys):
    """Ends of the difference of optima, averaged over the curves as the optima are."""
    ends = [reach(*(_known_of(one, key) for one in (first, second))) for key in keys]
    span = max(np.ptp(one.data.rates) for one in (first, second))
    weights = first.weights[keys].to_numpy()[None, None]
    pair = mixture_ends(ends, weights, first.data.sums, first.level, (-span, span))
    return tuple(float(end[0, 0]) for end in pair)


def _known_of(analysis, key):
    """Optimum of one curve and its ends at all levels, cut to the tested rates."""
    tested, ratio = analysis.data.rates[[0, -1]], analysis.price_ratio
    best = optimum_in_range(CURVES[key], analysis.fits[key].coef, ratio, *tested)
    return best, *(np.clip(end, *tested) for end in analysis.comparison.ladders[key].ends(ratio))


def _common_rate(analyses, shares) -> float:
    """Rate at which the groups return most together: the mean over the curves, each by its weight.

    Where most of the weight lies on an end of the tested rates the rate is that end, as an optimum is.
    """
    low = max(one.data.rates[0] for one in analyses.values())
    high = min(one.data.rates[-1] for one in analyses.values())
    keys = [key for one in analyses.values() for key in one.weights.index if key != MEAN.key]
    rates, weights = [], []
    for key in dict.fromkeys(keys):
        weights.append(sum(shares[name] * one.weights.get(key, 0.0) for name, one in analyses.items()))
        rates.append(_best_rate(_Together(analyses, shares, key), low, high))
    if not sum(weights) > 0:
        return float(low)
    rates, share = np.array(rates), np.array(weights) / sum(weights)
    mean, trifle = float(share @ rates), low + TRIFLE * (high - low)
    if above(share @ at_most(rates, trifle), 0.5) or at_most(mean, trifle):
        return float(low)
    return float(high) if above(share @ at_least(rates, high), 0.5) else mean


class _Together:
    """Net return of the groups together under one curve; a group without response is level."""

    def __init__(self, analyses, shares, key):
        self.parts = [
            (shares[name], one.fits[MEAN.key if MEAN.key in one.weights.index else key], unit_prices(one))
            for name, one in analyses.items()
        ]

    def net(self, rates):
        return sum(share * unit.net(fit.predict(rates), rates) for share, fit, unit in self.parts)

    def slope(self, rate):
        return sum(
            share * (unit.grain * fit.curve.slope(rate, fit.coef) - unit.nutrient)
            for share, fit, unit in self.parts
        )


def _best_rate(together, low, high):
    """Lowest rate of the greatest net return: the best of a grid, then where the slope turns beside it."""
    rates = np.linspace(low, high, POINTS)
    nets = together.net(rates)
    at = int(first_largest(nets))
    ends = rates[max(at - 1, 0)], rates[min(at + 1, POINTS - 1)]
    for _ in range(HALVINGS):
        middle = sum(ends) / 2
        ends = (middle, ends[1]) if together.slope(middle) > 0 else (ends[0], middle)
    turn = sum(ends) / 2
    if at in (0, POINTS - 1):  # a turn beside an end must beat the end itself
        return float(turn if above(together.net(turn), nets[at]) else rates[at])
    return float(rates[at] if above(nets[at], together.net(turn)) else turn)


def _cost(analysis, common, level) -> NetGain:
    """What a group loses at the common rate against its own optimum [money per area]."""
    own, unit = analysis.optimum.rate, unit_prices(analysis)
    if same(own, common, scale=analysis.data.rates[-1]):
        return NetGain(0.0, 0.0, 0.0)
    rates = np.array([own, common])
    yields = analysis.predict(rates)
    value = -float(np.diff(unit.net(yields, rates))[0])
    gain = float(yields[0] - yields[1])
    top, foot = max(own, common), min(own, common)
    low, high = gain_ends(analysis, top, foot, level)
    low, high = (low, high) if own > common else (-high, -low)
    return NetGain(value, value + unit.grain * (low - gain), value + unit.grain * (high - gain))


def _levels(result):
    from scipy.special import stdtr, stdtrit

    grouping, key = result.grouping, result.best["curve"]
    design, contrasts = level_contrasts(grouping, fit_data(grouping.within, CURVES[key]))
    fit, picks = grouping.fit(design), np.vstack([np.zeros(design.shape[1]), contrasts])
    rows = []
    for one, other in combinations(range(len(grouping.labels)), 2):
        contrast = picks[other] - picks[one]
        value, se = contrast @ fit.coefficients, np.sqrt(contrast @ fit.covariance @ contrast)
        se = se if se > 0 else np.nan  # strips without an error tell nothing of it
        df = fit.degrees_of_freedom(contrast)
        reach = stdtrit(df, 0.5 + result.level / 2) * se
        rows.append((grouping.labels[one], grouping.labels[other], value, value - reach, value + reach, df,
                     2 * stdtr(df, -abs(value) / se)))  # fmt: skip
    return pd.DataFrame(rows, columns=["first", "second", "difference", "low", "high", "df", "p"])


def _checks(result):
    grouping = result.grouping
    tested = [set(np.unique(one.data.rate)) for one in result.analyses.values()]
    alike = all(rates == tested[0] for rates in tested)
    p, limit = (
        _same_error([one.fits[result.best["curve"]] for one in result.analyses.values()]),
        1 - result.level,
    )
    rows = [
        ("rates tested alike in every group", len(set.union(*tested)), len(tested[0]), alike,
         ("all groups were tested at the same rates",
          "groups were tested at different rates; curves are compared over shared rates")),
        ("error alike in every group [p]", p, limit, None if np.isnan(p) else at_least(p, limit),
         ("errors of groups are alike, as F tests assume",
          "groups differ in error: rely on intervals of each group more than F tests")),
    ]  # fmt: skip
    if grouping.layout != LOOSE:
        cells, most = grouping.cells.max() + 1, (grouping.blocks.max() + 1) * len(tested)
        meanings = ("groups lie together in blocks", "groups lie in blocks of their own")
        together = grouping.layout == TOGETHER
        rows.append(("blocks hold several groups", int(cells), int(most), together, meanings))
    return checks_frame(rows)


def _same_error(fits) -> float:
    """Probability that the largest and the least of the errors differ by chance, of all their pairs."""
    from scipy.special import fdtrc

    errors = sorted((fit.rss / fit.df_error, fit.df_error) for fit in fits if fit.df_error > 0)
    if len(errors) < 2 or not above(errors[0][0], 0):
        return np.nan
    (low, df_low), (high, df_high) = errors[0], errors[-1]
    pairs = len(errors) * (len(errors) - 1)
    return float(min(1.0, pairs * fdtrc(df_high, df_low, high / low)))
