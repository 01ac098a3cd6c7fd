"""Class, position and probability of a value against published limits. Arrays in, arrays out.

Limits of one source for one nutrient: ``low`` and ``high`` bound its sufficiency range; ``critical`` (to
``critical_high``) is its critical level; ``toxic_above`` its upper limit. Any may be missing (NaN).

Rule (our own reading, the same for every source): deficient lies below a published critical level; low lies
between it and the foot of the range, or below a range without critical level; high lies above the range;
excessive above the published toxic limit. A source that prints only an upper limit cannot class a value
below it.

One limit a source (`shortage_limit`) says short: values below it are short, and the probability is taken
against it. It is the foot of the sufficient values; where a published critical range reaches that foot, it is
the lower end of that range, and a value inside the range is low but left open by the source.
"""

from enum import StrEnum
from functools import cache
from math import erfc

import numpy as np
import pandas as pd

from fertkit.errors import InputError, Problem, one_of
from fertkit.reference.facts import load_facts
from fertkit.reference.nutrients import NUTRIENTS
from fertkit.rounding import above, at_least, at_most, below


class Class(StrEnum):
    """Class of a result against one source, from short to too much; as text it is the word tables carry."""

    DEFICIENT = "deficient"
    LOW = "low"
    SUFFICIENT = "sufficient"
    HIGH = "high"
    EXCESSIVE = "excessive"
    NO_RANGE = "no published range"
    NOT_CLASSED = "cannot be classed"


#: Texts of the classes by the numbers that `classify` gives, and the number of each.
CLASSES = np.array([*map(str, Class)], dtype=object)
NUMBER = {name: np.int8(i) for i, name in enumerate(Class)}
SHORT = (Class.DEFICIENT, Class.LOW)
OVER = (Class.HIGH, Class.EXCESSIVE)
ENOUGH = (Class.SUFFICIENT, *OVER)


class Reason(StrEnum):
    """Why a class is missing, open or not counted: a row of the table ``reasons``, with text and advice."""

    ZERO = "zero"
    NOT_DETECTED = "not detected"
    LIMIT_INSIDE = "limit inside range"
    MAYBE_DEFICIENT = "low or deficient"
    MAYBE_EXCESSIVE = "high or excessive"
    LIMIT_OPEN = "limit tells nothing"
    UPPER_ONLY = "upper limit alone"
    NO_RANGE = "no range"
    LEFT_OPEN = "left open"
    RATIO_BELOW = "ratio below"
    RATIO_UNKNOWN = "ratio not known"
    ELSEWHERE = "another region"
    REMEMBERED = "from memory"
    COPY = "copy"
    OWN_LEADS = "own table"
    ASSUMED = "petiole assumed"

    @property
    def text(self) -> str:
        """Say the reason as tables do."""
        return _reasons()[self]["text"]

    @property
    def advice(self) -> str:
        """Say what would settle it."""
        return _reasons()[self]["advice"]


@cache
def _reasons() -> dict[str, dict]:
    """Rows of the table by key: asked once a result."""
    return load_facts("reasons").set_index("key").to_dict("index")


def range_foot(low, critical, critical_high):
    """Lowest sufficient value: the range's low end, else the upper end of the critical level."""
    foot = np.where(np.isnan(low), critical_high, low)
    return np.where(np.isnan(foot), critical, foot)


def shortage_limit(low, critical, critical_high):
    """Value below which a source calls a result short; the same rule for every source.

    The foot of the sufficient values (`range_foot`), or the lower end of a critical range that reaches it.
    """
    foot = range_foot(low, critical, critical_high)
    with np.errstate(invalid="ignore"):
        return np.where(below(critical, foot) & at_least(critical_high, foot), critical, foot)


def left_open(classed, value, under, limit):
    """Whether a value classed low lies inside a critical range, where its source leaves open what it is.

    `under` tells of values known only to lie below the one given.
    """
    low = np.flatnonzero(classed == NUMBER[Class.LOW])
    value, limit, found = value[low], limit[low], np.zeros(len(classed), bool)
    with np.errstate(invalid="ignore"):
        found[low] = np.where(under[low], above(value, limit), at_least(value, limit))
    return found


def classify(value, low, high, critical, critical_high, toxic_above):
    """Class of uncensored values.

    Parameters
    ----------
    value, low, high, critical, critical_high, toxic_above : arrays of equal length
        In one unit; NaN where there is none.

    Returns
    -------
    (n,) int8 array
        Numbers of the classes (`CLASSES`).
    """
    foot = range_foot(low, critical, critical_high)
    with np.errstate(invalid="ignore"):
        return _first(
            [
                np.isnan(value) | (value <= 0),
                above(value, toxic_above),
                above(value, high),
                below(value, critical),
                below(value, foot),
                ~np.isnan(foot),
            ],
            [Class.NOT_CLASSED, Class.EXCESSIVE, Class.HIGH, *SHORT, Class.SUFFICIENT],
        )


def classify_below(limit, low, critical, critical_high):
    """Class of values known only to lie below a limit: short if the limit itself is, else not classed.

    A limit between the critical level and the foot of the range says low; the value may be deficient.
    """
    foot = range_foot(low, critical, critical_high)
    with np.errstate(invalid="ignore"):
        return _first([at_most(limit, critical), at_most(limit, foot)], SHORT)


def classify_above(limit, low, high, critical, critical_high, toxic_above):
    """Class of values known only to lie above a limit, where every value above it falls in one class.

    Above the range but not above a published toxic limit says high; the value may be excessive.
    """
    foot = range_foot(low, critical, critical_high)
    with np.errstate(invalid="ignore"):
        enough = at_least(limit, foot) & np.isnan(high) & np.isnan(toxic_above)
        cases = [at_least(limit, toxic_above), at_least(limit, high), enough]
        return _first(cases, [Class.EXCESSIVE, Class.HIGH, Class.SUFFICIENT])


def _first(cases, classes):
    """Class of the first case that holds; the class of none where none does."""
    return np.select(cases, [NUMBER[name] for name in classes], NUMBER[Class.NOT_CLASSED])


def position_in_range(value, low, high):
    """Place in the sufficiency range: 0 at its low end, 1 at its high end; NaN without both ends."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(high > low, (value - low) / (high - low), np.nan)


def distance_from_range(value, low, high, foot):
    """Signed distance outside the range on its own scale, 0 inside.

    In widths of the range where it has both ends; else relative to its foot (or its high end).
    """
    position = position_in_range(value, low, high)
    with np.errstate(invalid="ignore", divide="ignore"):
        by_width = np.where(position < 0, position, np.where(position > 1, position - 1, 0.0))
        by_foot = np.where(value < foot, value / foot - 1, np.where(value > high, value / high - 1, 0.0))
    known = ~np.isnan(position)
    return np.where(
        known, by_width, np.where(np.isnan(foot) & np.isnan(high) | np.isnan(value), np.nan, by_foot)
    )


def probability_below(value, limit, cv):
    """Probability that the true concentration lies below a limit.

    Parameters
    ----------
    value : float or array
        Reported concentration.
    limit : float or array
        Lower limit [same unit].
    cv : float or array
        Relative standard deviation of the report, laboratory and sampling in quadrature [fraction].

    Returns
    -------
    float or array
        ``Phi((limit - value) / (value * cv))``: a normal error around the reported value, nothing else known.
    """
    value = np.asarray(value, float)
    with np.errstate(invalid="ignore", divide="ignore"):
        z = -((limit - value) / np.where(value > 0, value * cv, np.nan)) / np.sqrt(2)
    # The plain function, for any number of values: loading scipy would take longer than most files do.
    return np.fromiter(map(erfc, z.ravel().tolist()), float, z.size).reshape(z.shape) / 2


def reported_interval(value, cv, z: float = 1.96):
    """About 95 % interval of the true concentration around the reported one: ``value * (1 -+ z * cv)``."""
    return value * np.maximum(1 - z * cv, 0), value * (1 + z * cv)


def combine_cvs(*cvs):
    """Independent relative standard deviations in quadrature."""
    return np.sqrt(sum(np.square(c) for c in cvs))


def _cv_problems(given):
    known = (*NUTRIENTS, "sampling")
    for name, value in given.items():
        if not set(name.split(":")) <= set(known):
            yield Problem("not a nutrient", one_of(known), column=name, value=value)
        elif not (value > 0 or (name == "sampling" and value >= 0)):
            yield Problem("a CV must be above zero", "give it in %", column=name, value=value)


def cvs_told(what: str) -> tuple[str, str]:
    """Say that all errors are the user's own, or that `what` assumes typical ones."""
    return (
        "all laboratory and sampling errors are yours",
        f"{what} assume typical laboratory and sampling errors, from memory; enter your laboratory's",
    )


def settle_cvs(cvs=None) -> pd.DataFrame:
    """Total CV of each nutrient [%], with where it comes from.

    Raises
    ------
    InputError
        If a CV is not a number above zero, or of no nutrient.
    """
    table = load_facts("cvs", ("cv_pct",)).set_index("nutrient")
    laboratory, origin = table["cv_pct"].drop("sampling"), pd.Series("placeholder", index=table.index)
    sampling = table.loc["sampling", "cv_pct"]
    if cvs is not None:
        given = pd.Series(cvs if isinstance(cvs, dict) else dict.fromkeys(laboratory.index, cvs), dtype=float)
        if not isinstance(cvs, dict):
            given["sampling"] = 0.0
        if problems := list(_cv_problems(given)):
            raise InputError("cvs", problems)
        sampling = given.pop("sampling") if "sampling" in given else sampling
        laboratory = given.combine_first(laboratory)
        origin = origin.reindex(laboratory.index, fill_value="placeholder")
        origin[given.index] = "given"
    total = combine_cvs(laboratory, sampling)
    columns = {"nutrient": total.index, "cv_pct": total.to_numpy(), "origin": origin[total.index].to_numpy()}
    return pd.DataFrame(columns | {"source_key": "MEMO"})
