"""What a pound that a target falls short of is worth: by own response, a given value, or soil test."""

from functools import cache
from itertools import pairwise

import numpy as np
import pandas as pd

from fertkit.reference.load import constants

OWN, GIVEN, CLASS = "own response", "value", "common practice, no source"


def concave(rate: np.ndarray, gain: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Least concave curve above some points, rising in rate and never falling.

    Examples
    --------
    >>> from fertkit.budget.shortfall import concave
    >>> [list(map(float, side)) for side in concave([0, 50, 100, 150], [0, 20, 90, 80])]
    [[0.0, 100.0, 150.0], [0.0, 90.0, 90.0]]
    """
    order = np.argsort(rate)
    rate, gain = np.asarray(rate, float)[order], np.maximum.accumulate(np.asarray(gain, float)[order])
    return tuple(np.array(corners(zip(rate, gain, strict=True))).T)


def corners(points) -> list[tuple[float, float]]:
    """Corners of the least concave line above some points in order of their rate."""
    kept: list[tuple] = []
    for c in points:
        while len(kept) > 1:
            a, b = kept[-2:]
            if (b[1] - a[1]) * (c[0] - b[0]) > (c[1] - b[1]) * (b[0] - a[0]):
                break
            kept.pop()
        kept.append(c)
    return kept


def curve_segments(rate, gain, target: float) -> list[tuple[float, float]]:
    """Widths [lb/ac] and values of a pound, from the target downward; nothing is gained beyond the curve."""
    rate, gain = concave(rate, gain)
    ends = np.unique([0.0, target, *rate[rate < target]])
    heights = np.interp(ends, rate, gain)
    falls = [(b - a, (high - low) / (b - a)) for (a, b), (low, high) in zip(
        pairwise(ends), pairwise(heights), strict=True)]  # fmt: skip
    return falls[::-1]


@cache
def class_weight(nutrient: str, text: str) -> float:
    """Place of a soil-test class in the order in which money goes to fields (common practice)."""
    order = constants("class_order")["value"]
    word = "nitrogen" if nutrient == "N" else text.lower()
    fits = [item for item in order.index if word.startswith(item)]
    return float(order[max(fits, key=len) if fits else "no test"])


def value_of(row, value, pound: float) -> tuple[list[tuple[float, float]], str]:
    """Segments of one target and what they rest on; `pound` is the least money a pound costs."""
    target = row.rate_lb_ac
    if isinstance(value, pd.DataFrame):
        fits = value["nutrient"].eq(row.nutrient) & value["field"].isin(["", row.field])
        if "crop" in value:
            fits &= value["crop"].isin(["", row.crop])
        named = value[fits & value["field"].eq(row.field)]
        curve = value[fits] if named.empty else named
        if len(curve):
            return curve_segments(curve["rate_lb_ac"], curve["gain_per_ac"], target), OWN
    elif value and row.nutrient in value:
        return [(target, float(value[row.nutrient]))], GIVEN
    return [(target, pound * class_weight(row.nutrient, row.soil_class))], CLASS
