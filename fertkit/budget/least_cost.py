"""The least cost of a farm: field by field at a price of each product, then all fields together.

Fields meet only in lots, stock and money. So a farm of many fields is solved field by field at a price of
each product, which also bounds the least cost from below; then the passes driven and products used are held
to what that chose, and lots, stock and rates of all fields are solved together. Of what is found, margins
tell what one more pound and one more unit of money would do; of what is not, what falls short and where.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from fertkit.budget.block_search import best_of_blocks, switched
from fertkit.budget.programme import OPEN, TIE, Answer, Programme, whole_numbers, without_whole_numbers
from fertkit.rounding import above, at_least, below

#: Groups of fields up to which the whole is solved at once.
FEW = 20
#: Share of the price by which two looks at each field differ, where fields share a stock or money.
ASIDE = 0.03
#: Times that looks which all spend too much, or too little, are moved further aside.
WIDER = 4


def solve(farm: Programme, gap: float) -> Answer | None:
    """Find the best plan of a farm; None where no plan meets every row."""
    if len(farm.parts) <= FEW:
        return _together(farm, gap)
    prices, worth = _relaxed(farm)
    looks = None if prices is None else _looks(farm, prices, worth)
    if looks is None:
        return None
    chosen = [sum(columns) for columns in zip(*(look.parts for look in looks), strict=True)]
    if len(looks) > 1:
        whole = farm.columns("whole")
        whole[: len(farm.price)] = 0  # lots of any size: which passes, where the looks differ
        answer = _together(farm, gap, *_held(farm, chosen, len(looks)), whole)
        if answer is None:
            return None
        chosen = [np.round(x) for x in answer.parts]
    answer = _together(farm, gap / 4, *_held(farm, chosen, 1))
    return None if answer is None else replace(answer, least=max([0.0, *(look.least for look in looks)]))


def _looks(farm, prices, worth):
    """Each field by itself a little aside of these prices, where fields share a stock or money; else at them.

    Of money, one look spends more than there is and one does not: its worth moves until that is so.
    """
    shares = (-ASIDE, ASIDE) if farm.limit is not None or farm.stock.any() else (0.0,)
    looks = {share: _look(farm, prices, worth, share) for share in shares}
    if None in looks.values():
        return None
    if farm.limit is None:
        return list(looks.values())
    for _ in range(WIDER):
        least, most = min(looks), max(looks)
        if above(looks[most].spent, farm.limit):
            share = 2 * most - least
        elif above(looks[least].spent, farm.limit):
            break
        else:
            share = 2 * least - most
        looks[share] = _look(farm, prices, worth, share)
    spends = {share: above(look.spent, farm.limit) for share, look in looks.items()}
    ends = (max((s for s in looks if spends[s]), default=min(looks)),
            min((s for s in looks if not spends[s]), default=max(looks)))  # fmt: skip
    return [looks[share] for share in ends]


def _look(farm, prices, worth, share):
    """The best of each field at prices moved by a share; None where a field has no plan."""
    # a pound is never worth more than its price, nor a bound valid where it is
    moved = np.fmin(prices * (1 + share), farm.price if farm.limit is None else np.inf)
    money = worth * (1 + share) if farm.limit is not None else worth
    aims = [_aim_at(farm, part, moved, money) for part in farm.parts]
    found = best_of_blocks(farm.parts, aims, [part.upper for part in farm.parts], farm.seconds)
    if None in found:
        return None
    parts = [x for _, x in found]
    return _Look(_bound(farm, found, moved, money), parts, _spent(farm, parts))


@dataclass(frozen=True)
class _Look:
    """What no plan can beat, the columns of each block, and the money they take without whole lots."""

    least: float
    parts: list
    spent: float


def _spent(farm, parts):
    pounds, driven = np.zeros(len(farm.price)), 0.0
    for part, x in zip(farm.parts, parts, strict=True):
        block = part.block
        np.add.at(pounds, block.product, block.acres * block.step * part.of("rate", x))
        driven += block.acres * (part.money @ x)
    return driven + np.nan_to_num(farm.price) @ np.maximum(pounds - farm.stock, 0.0)


def _held(farm, sums, looks):
    """Bounds that hold passes and products to what some looks chose, of which there were so many."""
    lower, upper = np.zeros(farm.starts[-1]), farm.columns("upper")
    for part, start, total in zip(farm.parts, farm.starts, sums, strict=False):
        inside = part.switches
        lower[start:][inside], upper[start:][inside] = total[inside] == looks, total[inside] > 0
    return lower, upper


def _together(farm, gap, lower=None, upper=None, whole=None, spare=0.0) -> Answer | None:
    """Solve the whole at once, within bounds."""
    a, b = farm.rows(spare)
    lower = np.zeros(a.shape[1]) if lower is None else lower
    upper = farm.columns("upper") if upper is None else upper
    whole = farm.columns("whole") if whole is None else whole
    aim = farm.aim() + farm.columns("early")
    answer = whole_numbers(aim, a, b, lower, upper, whole, gap, farm.seconds)
    if answer is None:
        return None
    lots, parts = farm.split(answer.x)
    return Answer(np.where(farm.lot > 0, np.round(lots), lots), parts, float(answer.mip_dual_bound))


def _relaxed(farm):
    """What a pound of each product and a unit of money is worth, without whole numbers."""
    answer = without_whole_numbers(farm, np.zeros(farm.starts[-1]), farm.columns("upper"))
    if not answer.success:
        return None, None
    dual = -answer.ineqlin.marginals
    worth = dual[-1] + TIE if farm.limit is not None else 1.0
    shared = len(farm.price) + (farm.limit is not None)
    of_lots = dual[len(dual) - shared :][: len(farm.price)]
    return of_lots / farm.size_of_lot, worth


def costs_more(farm: Programme, money: float) -> bool:
    """Whether every target can be met and that surely costs more; no where only a solve can tell."""
    answer = without_whole_numbers(farm, np.zeros(farm.starts[-1]), farm.columns("upper"))
    if not answer.success or not above(answer.fun, money):
        return False
    every = zip(farm.parts, farm.split(answer.x)[1], strict=True)
    return all(switched(part, x, part.of("driven", x) > OPEN) is not None for part, x in every)


def _aim_at(farm, part, prices, worth):
    """What a block makes least by itself, at prices of products."""
    aim = part.money * worth if farm.limit is not None else part.money.copy()
    aim[part.places["rate"]] += prices[part.block.product] * part.block.step
    return aim + part.early + part.value


def _bound(farm, looks, prices, worth):
    """What no plan can beat: fields alone at these prices, less what the shared stock and money are worth."""
    alone = sum(look[0] * part.block.acres for look, part in zip(looks, farm.parts, strict=True))
    free = float(np.nan_to_num(prices) @ farm.stock)
    return alone - free - (0.0 if farm.limit is None else (worth - TIE) * farm.limit)


def without_trifles(farm: Programme, answer: Answer, least: float, gap: float) -> Answer | None:
    """Solve again without rates that bring less than a share of every target.

    None where there are none, where that would lose more than a share `gap` of the money, or where money is
    short: what is bought then goes by what it gains. Passes and products stay, but for those of such rates.
    """
    lower, upper, some = np.zeros(farm.starts[-1]), farm.columns("upper"), False
    for part, start, x in zip(farm.parts, farm.starts, answer.parts, strict=False):
        block, rate = part.block, part.of("rate", x)
        brings = (block.counted * block.step * rate / block.target[:, None]).max(axis=0)
        few, kept = (rate > OPEN) & below(brings, least), at_least(brings, least)
        some = some or few.any()
        upper[start:][part.places["rate"]][few] = 0.0
        upper[start:][part.switches] = np.round(x[part.switches])
        lower[start:][part.places["used"]] = kept[part.choosy]
        lower[start:][part.places["driven"]] = np.isin(block.passes, block.entry_pass[kept])
    found = _together(farm, gap / 4, lower, upper) if some and farm.limit is None else None
    if found is None or above(_money(farm, found), _money(farm, answer) * (1 + gap)):
        return None
    return replace(found, least=answer.least)


def _money(farm, answer):
    return farm.columns("money") @ np.concatenate([answer.lots, *answer.parts])


def rounded(farm: Programme, answer: Answer, gap: float) -> Answer | None:
    """Solve again for whole steps of every rate, each next to its first answer; passes and products stay."""
    whole, lower = farm.columns("whole"), np.zeros(farm.starts[-1])
    upper = farm.columns("upper")
    for part, start, x in zip(farm.parts, farm.starts, answer.parts, strict=False):
        rate, at = part.of("rate", x), part.places["rate"]
        inside = slice(start, start + at.stop)
        whole[inside] = 1
        lower[inside] = np.floor(rate + OPEN)
        upper[inside] = np.minimum(np.ceil(rate - OPEN), upper[inside])
        held, short = part.switches, part.places["short"]
        lower[start:][held] = upper[start:][held] = np.round(x[held])
        upper[start:][short] = part.opened[short]
    found = _together(farm, gap, lower, upper, whole, spare=1.0)
    if found is None:
        return None
    parts = [np.concatenate([np.round(x[: len(p.block.product)]), x[len(p.block.product) :]])
             for x, p in zip(found.parts, farm.parts, strict=True)]  # fmt: skip
    return replace(found, parts=parts, least=answer.least)


@dataclass(frozen=True)
class Margins:
    """What one more pound, and one more unit of money, would do while passes and products stay as they are.

    Attributes
    ----------
    pound : list of array (N,)
        Of each block: cost of one more pound an acre [money/lb]; NaN where no money could buy it.
    money : float
        Value that one more unit of money gains; 0 where money is enough.
    gains : list of array
        Value of it in each block, by segment.
    """

    pound: list
    money: float
    gains: list


def margins(farm: Programme, answer: Answer) -> Margins:
    """Reckon margins by the linear programme in which lots can be of any size.

    Where money is short a pass not driven yet may cover a part of a field, or else no next unit could gain.
    """
    lower, upper = np.zeros(farm.starts[-1]), farm.columns("upper")
    for part, start, x in zip(farm.parts, farm.starts, answer.parts, strict=False):
        at = part.switches
        lower[start:][at] = np.round(x[at])
        upper[start:][at] = lower[start:][at] if farm.limit is None else 1.0
    now = without_whole_numbers(farm, lower, upper, spare=1.0)
    if not now.success:  # rates rounded against a cap or a stock
        return Margins([np.full(len(p.block.target), np.nan) for p in farm.parts], 0.0, [])
    dual, at, pound = -now.ineqlin.marginals, 0, []
    gain = dual[-1] if farm.limit is not None else 1.0
    for part in farm.parts:
        pound.append(dual[at + part.cover] / part.block.acres / (gain or np.nan))
        at += len(part.b)
    if farm.limit is None:
        return Margins(pound, 0.0, [])
    more = max(1.0, 1e-4 * farm.limit)
    then = without_whole_numbers(replace(farm, limit=farm.limit + more), lower, upper, spare=1.0)
    value, starts = farm.columns("value"), farm.starts
    fall = value * (now.x - then.x) / more
    gains = [fall[a:b] for a, b in pairwise(starts)]
    return Margins(pound, float(gain), [p.of("short", g) for p, g in zip(farm.parts, gains, strict=True)])


def short_alone(farm: Programme) -> list[tuple | None]:
    """What each block falls short of by itself [lb/ac], and its rates in steps; None where of nothing."""
    aims = [np.zeros(len(part.upper)) for part in farm.parts]
    for part, aim in zip(farm.parts, aims, strict=True):
        aim[part.places["short"]] = 1 / part.block.target
    short = []
    found = best_of_blocks(farm.parts, aims, [part.opened for part in farm.parts], farm.seconds)
    for part, (_, x) in zip(farm.parts, found, strict=True):
        lacks = part.of("short", x)
        lacking = (lacks > OPEN * part.block.target).any()
        short.append((lacks, part.of("rate", x)) if lacking else None)
    return short


def short_of_stock(farm: Programme) -> list[np.ndarray]:
    """What each block falls short of [lb/ac] where the fields share a stock that is too small."""
    upper = np.concatenate([farm.columns("upper")[: len(farm.price)], *(part.opened for part in farm.parts)])
    answer = without_whole_numbers(farm, np.zeros(len(upper)), upper, aim=farm.columns("value"))
    return [part.of("short", x) for part, x in zip(farm.parts, farm.split(answer.x)[1], strict=True)]
