"""Strips of a rate trial that the others do not expect, and what the optimum is with and without them."""

import numpy as np

from fertkit.response.data import TrialData
from fertkit.trials import linear
from fertkit.trials.doubtful import LEFT, Doubtful, doubtful_strips, say_doubtful, smoother
from fertkit.trials.linear import rate_groups
from fertkit.trials.orders import SYSTEMATIC, systematic
from fertkit.trials.table import describe, places


def doubtful_rows(data: TrialData) -> Doubtful:
    """Find the doubtful rows of a trial against blocks and rates, or a parabola where rates hardly repeat."""
    ones = np.ones((len(data.rate), 1))
    rest = ones if data.block is None else np.column_stack([ones, linear.dummies(data.sweep.block)])
    smooth = smoother(data.rate, rest)
    design = np.column_stack([rest, linear.dummies(rate_groups(data.rate))])
    if linear.fit(design, data.yields).df - 1 < LEFT and smooth is not None:
        design = smooth
    root = np.sqrt(data.weight)
    weighed = None if smooth is None else smooth * root[:, None]
    found = doubtful_strips(design * root[:, None], data.yields * root, weighed)
    expected = tuple(y / root[i] for i, y in zip(found.rows, found.expected, strict=True))
    return Doubtful(found.rows, expected, found.p, found.undecided)


def say_rows(found: Doubtful, data: TrialData) -> str:
    """Name the doubtful rows by block, strip and rate; empty where there are none."""
    if not found.rows:
        return ""
    names = [""] * len(data.rate)
    for i in found.rows:
        known = data.origin is not None and len(data.origin.columns)
        own = describe(data.origin.iloc[i]) if known else f"row {i + 1}"
        names[i] = f"{own} at {data.rate[i]:g} {data.rate_unit}"
    return say_doubtful(found, names, data.yields)


def say_with_and_without(said: str, several: bool, with_them: str, without: str) -> str:
    """The sentence that comes before an optimum which rests on doubtful strips."""
    them = "them" if several else "it"
    return (
        f"Look at this first: {said}. With {them} the economic optimum rate is {with_them}; without {them}, "
        f"{without}. See the field notes, and leave a yield empty only where something went wrong."
    )


def order_said(data: TrialData) -> str:
    """A sentence where every block repeats one order of the rates; "" where not, or where it is not known."""
    if data.block is None or data.origin is None:
        return ""
    _, order = places(data.origin)
    repeated = systematic(rate_groups(data.rate), data.sweep.block, order)
    return f"{SYSTEMATIC[0].upper()}{SYSTEMATIC[1:]}." if repeated else ""
