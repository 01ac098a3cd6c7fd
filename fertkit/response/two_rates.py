"""What two rates say: the difference between them, never a curve or a rate between."""

import numpy as np

from fertkit.response.curves import LINEAR
from fertkit.response.data import TrialData
from fertkit.response.fit import ResponseFit, fit_data
from fertkit.response.status import Status
from fertkit.results import plain

#: Status of a trial of two rates.


def difference(fit: ResponseFit, level: float) -> tuple[float, float]:
    """Gain of the higher of two rates and half the width of its interval, nan without error df.

    Parameters
    ----------
    fit : ResponseFit
        The straight line through both [yield unit].
    level : float
    """
    from scipy.stats import t

    low, high = fit.data.rates
    half = np.nan
    if fit.df_error > 0:
        half = t.ppf(0.5 + level / 2, fit.df_error) * fit.params["se"].iloc[1] * (high - low)
    return float(fit.predict(high) - fit.predict(low)), float(half)


def difference_row(data: TrialData, level: float) -> dict:
    """Row of a survey for a trial of two rates: no optimum; the difference stands in words."""
    gain, half = difference(fit_data(data, LINEAR), level)
    low, high = data.rates
    return {
        "n": len(data.rate), "n_rates": 2, "lowest_rate": low, "highest_rate": high,
        "optimum": np.nan, "low": np.nan, "high": np.nan, "high_open": False, "status": Status.DIFFERENCE,
        "message": f"two rates give a difference, not a curve: {plain(high)} less {plain(low)} "
        f"{data.rate_unit} yields {plain(gain)} {data.yield_unit} more ({level:.0%} interval "
        f"{plain(gain - half)} to {plain(gain + half)})",
    }  # fmt: skip


def has_curve(data: TrialData) -> bool:
    """Whether there are rates enough for a curve."""
    return len(data.rates) > 2
