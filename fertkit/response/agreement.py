"""Whether trials are many enough, and agree well enough, for one rate to be named for other fields."""

import numpy as np
import pandas as pd

from fertkit.response.limits import network_limit
from fertkit.results import checks_frame, plain
from fertkit.rounding import above, at_least, at_most

#: Where the limits of a pool come from.
SOURCES = ("JACKSON2017", "HIGGINS2003")
LEVEL = 0.95


def mean_interval(values, level: float = LEVEL) -> tuple[float, float]:
    """Student's interval of the mean of independent values; nan ends for one value.

    Examples
    --------
    >>> from fertkit.response.agreement import mean_interval
    >>> low, high = mean_interval([1.0, 3.0])  # 2 +- 12.706 x 1, from tables of t with 1 df
    >>> round(low, 2), round(high, 2)
    (-10.71, 14.71)
    """
    from scipy.special import stdtrit

    values = np.asarray(values, float)
    if len(values) < 2:
        return np.nan, np.nan
    half = stdtrit(len(values) - 1, 0.5 + level / 2) * values.std(ddof=1) / np.sqrt(len(values))
    return float(values.mean() - half), float(values.mean() + half)


def pool_checks(pooled) -> pd.DataFrame:
    """What must hold before the rate of a `PooledReturn` may be recommended, as a checks table."""
    k, fewest = len(pooled.sites), network_limit("fewest trials")
    rows = [
        ("trials pooled", k, fewest, k >= fewest,
         (f"{k} trials are enough to name a rate for other fields",
          f"{k} trials are too few to name a rate for other fields: {plain(fewest)} or more are wanted")),
    ]  # fmt: skip
    if pooled.gain > 0:
        unit, lowest = f"{pooled.money}/{pooled.area}", pooled.frame.iloc[0, 0]
        told = f"{LEVEL:.0%} interval {plain(pooled.gain_low)} to {plain(pooled.gain_high)} {unit}"
        rows.append(
            ("mean net gain above zero", pooled.gain_low, 0,
             not at_most(pooled.gain_low, 0, pooled.gain_high),
             (f"the mean net gain is above zero ({told})",
              f"the trials disagree: their mean net gain may be a loss ({told})"))
        )  # fmt: skip
        rows.append(
            ("best rate surely above the lowest", pooled.interval_low, lowest,
             None if np.isnan(pooled.interval_low)
             else above(pooled.interval_low, lowest, pooled.highest_rate),
             ("other trials of the same kind would name a rate above the lowest too",
              "other trials of the same kind might name the lowest rate as the best"))
        )  # fmt: skip
    return checks_frame(rows)


def contrast_checks(contrast) -> pd.DataFrame:
    """What must hold of the gain pooled over sites before a rate may be recommended, as a checks table."""
    most, ends = (
        network_limit("high share between sites"),
        (contrast.prediction_low, contrast.prediction_high),
    )
    level = f"{contrast.level:.0%} interval"
    mean = f"{level} {plain(contrast.low)} to {plain(contrast.high)} {contrast.unit}"
    apart = at_least(contrast.i2_pct, most) and at_most(ends[0], 0, ends[1])
    return checks_frame(
        [
            ("pooled gain above zero", contrast.low, 0, not at_most(contrast.low, 0, contrast.high),
             (f"the gain pooled over {contrast.k} sites is above zero ({mean})",
              f"the gain pooled over {contrast.k} sites may be a loss ({mean})")),
            ("gain of a new site above zero", ends[0], 0, not apart,
             ("the sites do not disagree so far that a new site may lose",
              f"the sites disagree: {plain(contrast.i2_pct)} % of the spread is between them, and a new site "
              f"may lose ({level} {plain(ends[0])} to {plain(ends[1])} {contrast.unit})")),
        ]
    )  # fmt: skip
