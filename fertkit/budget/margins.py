"""What one more pound and one more unit of money would do in a pass plan, and what falls short and why."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from fertkit.budget.block_search import best_of_blocks
from fertkit.budget.programme import OPEN, Answer, Programme, without_whole_numbers


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
        at = slice(start + part.places["used"].start, start + part.places["driven"].stop)
        lower[at] = np.round(x[part.places["used"].start : part.places["driven"].stop])
        upper[at] = lower[at] if farm.limit is None else 1.0
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
