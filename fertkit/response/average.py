"""Optima averaged over the six curves of diminishing returns, and their interval; many trials at once.

All six curves have three parameters, so their AICc differ by fit alone. Each curve's intervals at all levels
form its confidence distribution; the weighted mixture of these is inverted at the two tails (model-averaged
tail areas; Turek & Fletcher 2012, Comput. Stat. Data Anal. 56:2809-2815, from memory), so that the interval
holds the spread between the curves as well as the error within each. Mass beyond the tested rates stays
beyond: it opens the end.

Where the true optimum is the least or the greatest of the six, the others outvote its curve: such a mixture
alone held it in 89 to 92 % of trials with few rates or much noise. So the mixture is cut at twice the tail,
and no end cuts into the interval that a curve has of its own: at twice the tail where the trial does not
refute the curve, at the tail itself where it outweighs all others. ``tests/reference/coverage`` shows it.

The reporting rule goes from fitted curves and their weights to one rate and what may honestly be said of it:

1. When no curve beats the mean, the answer is the lowest rate: no economic response. The judge is AICc; where
   its correction for small samples would outweigh any response, an F test of the parabola at 5 %, or plain
   AIC without strips of the same rate to measure the error.
2. Otherwise the optimum is averaged over the six curves of diminishing returns, unless a curve is asked for:
   the choice of curve alone can move an optimum by more than its standard error, and averaging lowers that
   bias (Matavel, Meyer-Aurich & Piepho 2024, Precision Agric. 25:1324-1339).
3. A rate is never reported outside the tested range: where most of the weight still rises at the highest
   rate, the answer is "at least the highest rate tested", and the interval's upper end is open.
"""

from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np

from fertkit.response.curves import CURVES, LINEAR, MEAN, QUADRATIC, best_in_range
from fertkit.response.interval import Interval
from fertkit.response.optimum import TRIFLE, Status
from fertkit.response.region import region, regions
from fertkit.response.search import Fits, gather
from fertkit.response.sums import Sums
from fertkit.rounding import above, at_least, at_most

#: The curves whose optima are averaged.
AVERAGED = tuple(key for key, curve in CURVES.items() if curve.in_average)
#: Tail areas at which each curve's confidence distribution is tabulated.
TAILS = np.array([0.0005, 0.002, 0.005, 0.01, 0.017, 0.025, 0.035, 0.05, 0.08, 0.125, 0.2, 0.3, 0.45])
ALL_SAME = "replicates yield exactly the same: check that each was measured"
EXACT = 1e-12  # a residual this share of the largest yield is rounding
SMALL = 1e-4  # a weight that moves nothing
REFUTED, OUTWEIGHS = 0.04, 0.5  # weights in the interval below and above which a curve has no, or full, say
CHANCE = 0.05  # a response is told from chance below this p
CHUNK = 32  # trials or replicates worked on at once: few enough to stay near the processor


def floored_rss(rss, sums: Sums):
    """Residual sums of squares, floored where they are only rounding, (D, R)."""
    return np.maximum(rss, sums.n[:, None] * (EXACT * sums.largest) ** 2)


def no_error(sums: Sums):
    """Whether replicates yield exactly the same, so that nothing measures the error, (D, R)."""
    return (sums.pure_df[:, None] > 0) & at_most(sums.pure_ss, floored_rss(0.0, sums))


def akaike_weights(values, axis=-1):
    """Akaike weights, nan values getting none; the least is subtracted first, so that nothing overflows."""
    values = np.where(np.isnan(values), np.inf, values)
    least = values.min(axis=axis, keepdims=True)
    weights = np.exp(-0.5 * (values - np.where(np.isfinite(least), least, 0.0)))
    total = weights.sum(axis=axis, keepdims=True)
    return weights / np.where(total > 0, total, 1.0)


def same_as(fits: dict[str, Fits], sums: Sums) -> dict[str, np.ndarray]:
    """For each curve the key of the curve it is in disguise, "" where it stands for itself; arrays (D, R).

    A straight line counts once, as ``linear`` where that was fitted; a curve whose join lies beyond the top
    rate is its `Shape.beyond`; a step at the first rate counts once.
    """
    size = next(iter(fits.values())).rss.shape
    line_of = np.full(size, LINEAR.key if LINEAR.key in fits else "", dtype="<U20")
    step_of, same = np.full(size, "", dtype="<U20"), {}
    for key, fit in fits.items():
        same[key] = np.full(size, "", dtype="<U20")
        shape = CURVES[key].shape
        if shape is None:
            continue
        step, line, beyond = shape.limits(fit.bend, sums.rates)
        if shape.beyond in fits:
            same[key] = np.where(beyond & ~line, shape.beyond, same[key])
        same[key] = np.where(line, line_of, np.where(step, step_of, same[key]))
        line_of = np.where(line & (line_of == ""), key, line_of)
        step_of = np.where(step & (step_of == ""), key, step_of)
    return same


def average_weights(fits: dict[str, Fits], sums: Sums):
    """Weights (D, R, k) of the curves of `AVERAGED` among `fits`, in the order of `averaged_keys`."""
    chosen = {k: fits[k] for k in averaged_keys(fits)}
    same = same_as(chosen, sums)
    n = sums.n[:, None]
    score = [np.where(same[k] == "", n * np.log(floored_rss(f.rss, sums)), np.nan) for k, f in chosen.items()]
    return akaike_weights(np.stack(score, axis=-1))


def averaged_keys(fits) -> list[str]:
    """The averaged curves among the fitted, in fitted order."""
    return [k for k in fits if k in AVERAGED]


def curve_optima(fits: dict[str, Fits], sums: Sums, price_ratio):
    """Economic optima within the tested rates of each of the curves given, (D, R, k)."""
    ends = sums.lowest[:, None], sums.highest[:, None]
    return best_in_range([CURVES[k] for k in fits], [f.params for f in fits.values()], price_ratio, *ends)


class Ladder:
    """Intervals of curves' optima at the levels of ``TAILS`` and at one more, for any price ratio."""

    def __init__(self, make, level):
        # no two alike, and the places among them of those of ``TAILS`` and of one more
        self._levels, self._places = np.unique(np.append(1 - 2 * TAILS, level), return_inverse=True)
        self._make = make  # a function of the levels that gives the region, which only some questions need
        self._told = {}  # gains at single rates, which no price moves, and the optimum at the last ratio

    @cached_property
    def region(self):
        return self._make(self._levels)

    def _placed(self, ends):
        return tuple(end[..., self._places] for end in ends)

    def ends(self, price_ratio):
        """Low and high ends (D, R, T + 1), the asked level last."""
        ratio, ends = self._told.get("optimum", (None, None))
        if ratio != price_ratio:
            ends = self._placed(self.region.optimum(price_ratio))
            self._told["optimum"] = price_ratio, ends
        return ends

    def gains(self, rate, over=None):
        """Ends (D, R, T + 1) of the yield gained at a rate or rates (D, R), as `gain_at`."""
        if np.ndim(rate):
            return self._placed(self.region.gain_at(rate, over))
        asked = float(rate), over
        if asked not in self._told:
            self._told[asked] = self._placed(self.region.gain_at(*asked))
        return self._told[asked]

    @property
    def step(self):
        """Whether a join anywhere up to the first rate is in the interval at the asked level, (D, R)."""
        return self.region.any_join[..., self._places[-1]]


@dataclass(frozen=True)
class Rungs:
    """One curve's part of the ladder of several."""

    ladder: Ladder
    place: slice

    def ends(self, price_ratio):
        return tuple(end[self.place] for end in self.ladder.ends(price_ratio))

    def gains(self, rate, over=None):
        return tuple(end[self.place] for end in self.ladder.gains(rate, over))

    @property
    def step(self):
        return self.ladder.step[self.place]


def ladders_of(fits: dict[str, Fits], sums: Sums, level: float) -> dict[str, "Ladder | Rungs"]:
    """The ladder of each curve on one design; those with a shape are worked as one."""
    shaped = {key: fit for key, fit in fits.items() if CURVES[key].shape}
    together = Ladder(partial(regions, shaped, sums), level)
    parts = {key: Rungs(together, slice(i, i + 1)) for i, key in enumerate(shaped)}
    return {
        key: parts.get(key) or Ladder(partial(region, key, fit, sums), level) for key, fit in fits.items()
    }


def averaged_sets(fits: dict[str, Fits], sums: Sums, weights, price_ratio, level=0.95):
    """Ends (low, high), each (D, R), of the averaged optimum's interval; inf where beyond the top rate."""
    designs, reps = weights.shape[:2]
    if designs * reps > CHUNK:
        axis, cut = (0, "take") if designs > 1 else (1, "replicates")
        step = max(1, CHUNK // reps) if designs > 1 else CHUNK
        parts = []
        for rows in (slice(i, i + step) for i in range(0, weights.shape[axis], step)):
            some = {k: getattr(f, cut)(rows) for k, f in fits.items()}
            weight = weights[rows] if axis == 0 else weights[:, rows]
            parts.append(averaged_sets(some, getattr(sums, cut)(rows), weight, price_ratio, level))
        return tuple(np.concatenate(ends, axis=axis) for ends in zip(*parts, strict=True))
    weights = np.where(weights > SMALL, weights, 0.0)
    keys = averaged_keys(fits)
    kept = np.flatnonzero(weights.any(axis=(0, 1))).tolist()
    ends = [Ladder(partial(region, keys[i], fits[keys[i]], sums), level).ends(price_ratio) for i in kept]
    return mixture_ends(ends, weights[..., kept], sums, level)


def mixture_ends(ends, weights, sums: Sums, level, bracket=None):
    """Ends of the averaged interval, from the mixture of confidence distributions and the curves' own ends.

    Only the error df of the n rows can tell curves apart, the rest being spent on blocks and parameters. In
    the interval the weights are therefore those of RSS^(-df/2) instead of RSS^(-n/2), which are less sure.

    Parameters
    ----------
    ends : list of (low, high), arrays (D, R, T + 1)
        From `Ladder.ends`, a pair for each curve.
    weights : array (D, R, k)
    sums : Sums
    level : float
    bracket : (float, float), optional
        Least and greatest value; the tested rates if None.

    Returns
    -------
    low, high : array (D, R)
        inf where the tail starts beyond the bracket.
    """
    ladders, weights = _confidence(ends, weights, sums)
    low, high = bracket or (sums.lowest[:, None], sums.highest[:, None])
    low, high = (np.broadcast_to(v, weights.shape[:2]) for v in (low, high))
    twice = 1 - level  # in either tail
    least, most = _own_ends(ends, weights, twice)
    first, last = np.moveaxis(_quantiles(ladders, weights, low, high, np.array([twice, 1 - twice])), -1, 0)
    from_low, to_high = np.minimum(first, np.maximum(least, low)), np.maximum(last, np.maximum(most, low))
    return tuple(np.where(end > high, np.inf, end) for end in (from_low, to_high))


def share_below(ends, weights, sums: Sums, value):
    """Share (D, R) of the mixture of confidence distributions that lies below a value or values (D, R)."""
    ladders, weights = _confidence(ends, weights, sums)
    at = np.broadcast_to(np.asarray(value, float), weights.shape[:2])
    return _mixture(ladders, weights, at[..., None])[..., 0]


def _confidence(ends, weights, sums):
    """Tabulated quantiles (D, R, k, 2T) of the curves' distributions, and their weights in the interval."""
    weights = weights ** (sums.df_error(3) / sums.n)[:, None, None]
    quantiles = [np.concatenate([low[..., :-1], high[..., -2::-1]], axis=-1) for low, high in ends]
    ladders = np.maximum.accumulate(np.stack(quantiles, axis=2), axis=-1)
    return ladders, weights / weights.sum(axis=-1, keepdims=True)


def _own_ends(ends, weights, tail):
    """Outermost ends (D, R) of the curves that have a say: at a tail tabulated, or at the asked level."""
    rungs = [max(int(at_most(TAILS, tail).sum()) - 1, 0), -1]
    lows, highs = (np.stack(own, axis=2)[..., rungs] for own in zip(*ends, strict=True))
    has_say = at_least(weights[..., None], [REFUTED, OUTWEIGHS])
    least, most = np.where(has_say, lows, np.inf), np.where(has_say, highs, -np.inf)
    return least.min(axis=(2, 3)), most.max(axis=(2, 3))


def _quantiles(ladders, weights, low, high, areas):
    """Least values (D, R, A) in [low, high] at which the mixture reaches areas (A,), inf where never.

    Between any two neighbours of all quantiles tabulated the mixture is a straight line.
    """
    ends = np.stack([low, high], axis=-1)
    inside = np.clip(ladders.reshape(*low.shape, -1), ends[..., :1], ends[..., 1:])
    nodes = np.sort(np.concatenate([ends, inside], axis=-1), axis=-1)
    shares = _mixture(ladders, weights, nodes)
    enough = at_least(shares[..., None, :], areas[:, None])
    last = np.argmax(enough, axis=-1)
    first = np.maximum(last - 1, 0)
    before, end = gather(nodes, first), gather(nodes, last)
    middle = 0.5 * (before + end)
    below = gather(shares, first)
    climb = 2 * (_mixture(ladders, weights, middle) - below)  # up to the end, where there may be a step
    part = np.where(climb > 0, np.maximum(areas - below, 0.0) / np.where(climb > 0, climb, 1.0), 1.0)
    found = np.where(part < 1, before + part * (end - before), end)
    return np.where(enough[..., -1], found, np.inf)


def _mixture(ladders, weights, rates):
    """Weighted distribution function at `rates` (D, R, P), linear between tabulated quantiles."""
    areas = np.concatenate([[0.0], TAILS, 1 - TAILS[::-1], [1.0]])
    last, rates = ladders.shape[-1], rates[..., None, :]
    index = (ladders[..., None] <= rates[..., None, :]).sum(axis=-2)
    left = gather(ladders, np.maximum(index - 1, 0))
    right = gather(ladders, np.minimum(index, last - 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(np.isfinite(right) & (right > left), (rates - left) / (right - left), 0.0)
    value = areas[index] + part * (areas[np.minimum(index + 1, last + 1)] - areas[index])
    value = np.where(index == 0, 0.0, np.where(index == last, 1.0, value))
    return (weights[..., None] * value).sum(axis=-2)


# The reporting rule ------------------------------------------------------------------------------


def mean_wins(fits: dict[str, Fits], sums: Sums):
    """Whether no curve beats the mean (D, R): by AICc, or where that cannot judge by `response_p` or AIC."""
    n, blocks = sums.n[:, None], np.maximum(sums.n_blocks, 1)[:, None]
    k = np.array([CURVES[key].n_params for key in fits]) + blocks  # mean parameters and the error variance
    room = n - k - 1
    small = (n - k.max(axis=1, keepdims=True) - 1) <= k.max(axis=1, keepdims=True)
    penalty = 2 * k + np.where(small, 0.0, 2 * k * (k + 1) / np.where(room > 0, room, 1))
    score = np.stack([n * np.log(floored_rss(f.rss, sums) / n) for f in fits.values()], axis=-1)
    judged = n - k + 1 > 0  # error df left
    score = np.where(judged[:, None], score + penalty[:, None], np.inf)
    by_score = at_most(score[..., list(fits).index(MEAN.key)], score.min(axis=-1))
    p = response_p(fits, sums)
    tested = small & (sums.pure_df[:, None] > 0) & np.isfinite(p)
    return np.where(tested, at_least(p, CHANCE), by_score)


def response_p(fits: dict[str, Fits], sums: Sums):
    """p (D, R) of the F test of a parabola against the mean; nan without a parabola or error df.

    Its size is exact whatever the rates; with three rates it is the test of the rates themselves.
    """
    df = sums.df_error(QUADRATIC.n_params)[:, None]
    if QUADRATIC.key not in fits:
        return np.full(sums.level.shape, np.nan)
    flat, bent = (floored_rss(rss, sums) for rss in (sums.total_ss(), fits[QUADRATIC.key].rss))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        # F has two numerator df, for which its upper tail is (1 + 2F/df) ** (-df / 2)
        return np.where(df > 0, np.minimum(bent / flat, 1.0) ** (df / 2), np.nan)


def verdict(fits: dict[str, Fits], weights, sums: Sums, price_ratio):
    """Rate to report and its status, (D, R) each.

    Parameters
    ----------
    fits : dict of str to Fits
        The curves that carry weight.
    weights : array (D, R, k)
    sums : Sums
    price_ratio : float
    """
    low, high, first = (sums.rates[:, i, None] for i in (0, -1, 1))
    top = high[..., None]
    optima = curve_optima(fits, sums, price_ratio)
    steps = np.stack([_is_step(k, f, sums) for k, f in fits.items()], axis=-1)
    most = lambda which: above((weights * which).sum(axis=-1), 0.5)  # noqa: E731
    mean, trifle = (weights * optima).sum(axis=-1), low + TRIFLE * (high - low)
    none = most(at_most(optima, trifle[..., None], top)) | at_most(mean, trifle, high)
    cases = [most(at_least(optima, high[..., None])), none, most(steps)]
    status = np.select(cases, [Status.TOP, Status.NONE, Status.STEP], Status.INTERIOR)
    rate = np.select(cases, np.broadcast_arrays(high, low, first), mean)
    return rate, status


def settle(low, high, status, sums: Sums):
    """Fit the ends (D, R) of an interval to the status of the rate they belong to."""
    lowest, first = sums.rates[:, :1], sums.rates[:, 1:2]
    low = np.where((status == Status.NONE) | (status == Status.STEP), lowest, low)
    high = np.where(
        status == Status.TOP, np.inf, np.where(status == Status.STEP, np.maximum(high, first), high)
    )
    return low, high


def _is_step(curve, fits, sums):
    shape = CURVES[curve].shape
    return shape.limits(fits.bend, sums.rates)[0] if shape else np.zeros(fits.rss.shape, bool)


@dataclass(frozen=True)
class Optimum:
    """A rate with its interval and an honest status.

    Attributes
    ----------
    rate : float
        Within the tested rates [unit].
    interval : Interval
        Cut to the tested rates, with open ends; nan ends when no error can be estimated.
    status : str
        One of `Status`.
    unit : str
    gap : (float, float)
        The lowest and the first rate above it, between which nothing was tested [unit]; empty for a
        difference.
    any_join : bool
        Whether curves with any join in that gap are in the interval.
    """

    rate: float
    interval: Interval
    status: str
    unit: str
    gap: tuple[float, ...] = ()
    any_join: bool = False


def optimum_at(analysis, price_ratio, interval) -> Optimum:
    """Optimum of an analysed trial at a price ratio, from the interval of its curves there."""
    sums, weights = analysis.data.sums, analysis.weights
    used = {k: analysis.fits[k].fits for k in weights.index}
    rate, status = verdict(used, weights.to_numpy()[None, None], sums, price_ratio)
    low, high = settle(*(np.array([[end]]) for end in (interval.low, interval.high)), status, sums)
    settled = replace(interval, low=float(low[0, 0]), high=float(high[0, 0]), low_open=False)
    settled = settled.within(*analysis.data.rates[[0, -1]])
    return Optimum(
        float(rate[0, 0]), settled, str(status[0, 0]), analysis.rate_unit,
        gap=tuple(analysis.data.rates[:2].tolist()), any_join=_any_join(analysis),
    )  # fmt: skip


def _any_join(analysis):
    """Whether curves with more than a tail's weight leave open any join up to the first rate."""
    ladders = analysis.comparison.ladders
    likely = {k: w for k, w in analysis.weights.items() if w > SMALL and k in ladders}
    open_ = sum(w for k, w in likely.items() if ladders[k].step[0, 0])
    return bool(open_ > (1 - analysis.level) / 2)
