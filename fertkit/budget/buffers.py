"""How far a soil test moves per pound of balance, as published: middle value and range."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import above_zero, asks, zero_or_more
from fertkit.budget.yields import refuse
from fertkit.errors import unknown
from fertkit.reference.load import load_table
from fertkit.rounding import at_least, below
from fertkit.units import convert_area_rate, from_element

#: Soil-test nutrient of each oxide.
TEST_OF = {"P2O5": "P", "K2O": "K"}


@dataclass(frozen=True)
class Buffer:
    """Pounds of oxide per acre that move a soil test by 1 ppm.

    Attributes
    ----------
    middle, low, high : float
        [lb/ac per ppm]; the low one moves the test most.
    source_key : str
    """

    middle: float
    low: float
    high: float
    source_key: str


def _values(system, nutrient):
    table = load_table("soil_rates")
    rows = table[(table["system"] == system) & (table["nutrient"] == nutrient)]
    return rows.set_index("parameter")


@asks(test_ppm=zero_or_more, cec=above_zero)
def soil_buffer(nutrient: str, test_ppm: float, falling: bool, cec: float | None = None) -> Buffer:
    """Find the published buffering of a soil test.

    Parameters
    ----------
    nutrient : {'P2O5', 'K2O'}
    test_ppm : float
        Test at the start [ppm]; under a negative balance, P falls faster from a high start.
    falling : bool
        Whether the balance is negative.
    cec : float, optional
        Cation exchange capacity [meq/100 g], for the middle value of K; the middle of the published range
        without it.

    Returns
    -------
    Buffer

    Notes
    -----
    Middle: the Ohio rule (OSU_BUILD2012), 20 lb P2O5, and 4 + 0.2 CEC lb K2O. Range of P: 8-11 kg P/ha per
    mg/kg under a positive balance (CIAMPITTI2011); under a negative one also the declines of the same study
    for a low or a high start, and both for a start between. Range of K: 6-10 lb K2O (OSU_BUILD2012).

    Examples
    --------
    Near 20 lb of P2O5 beyond removal lift a phosphorus test by 1 ppm (OSU_BUILD2012):

    >>> from fertkit.budget import soil_buffer
    >>> float(soil_buffer("P2O5", 20, falling=False).middle)
    20.0
    """
    if nutrient not in TEST_OF:
        raise unknown("nutrient of a soil test", nutrient, TEST_OF)
    ohio = _values("ohio_rule", TEST_OF[nutrient])
    if nutrient == "K2O":
        low, high = ohio["value"]["buffer_low"], ohio["value"]["buffer_high"]
        middle = (low + high) / 2
        if cec is not None:
            middle = ohio["value"]["buffer"] + ohio["per_cec"]["buffer"] * cec
        return Buffer(middle, min(low, middle), max(high, middle), ohio["source_key"]["buffer"])
    pampas = _values("pampas_mollisols", "P")["value"]
    kg_per_ppm = [pampas["buffer_low"], pampas["buffer_high"]]
    if falling and at_least(test_ppm, pampas["low_test_below"]):
        kg_per_ppm.append(1 / pampas["decline_high_test"])
    if falling and below(test_ppm, pampas["high_test_from"]):
        kg_per_ppm.append(1 / pampas["decline_low_test"])
    pounds = [from_element(convert_area_rate(p, "kg/ha", "lb/ac"), "P2O5") for p in kg_per_ppm]
    return Buffer(ohio["value"]["buffer"], min(pounds), max(pounds), "OSU_BUILD2012;CIAMPITTI2011")


@asks()
def half_life_years(decline_pct: float) -> float:
    """Years in which a soil test halves that falls by a steady share each year [%/yr].

    Examples
    --------
    A decline of 4.3 % a year halves a test in 15.8 years (DRAWDOWN2025 prints 15.9):

    >>> from fertkit.budget import half_life_years
    >>> round(half_life_years(4.3), 1)
    15.8
    """
    if not 0 < decline_pct < 100:
        raise refuse("decline", "not a yearly decline", "give a percentage above 0 and below 100",
                     column="decline_pct", value=decline_pct)  # fmt: skip
    return float(np.log(0.5) / np.log(1 - decline_pct / 100))


@asks(test_ppm=zero_or_more)
def decline_without_p(test_ppm: float, years: int) -> pd.DataFrame:
    """Where a P test goes without any P, by the meta-analysis of 56 fields (DRAWDOWN2025).

    Returns
    -------
    DataFrame
        year, test_low, test_high [ppm], source_key.

    Examples
    --------
    Tests fell by 4.3 to 8.2 % a year without phosphorus (DRAWDOWN2025):

    >>> from fertkit.budget import decline_without_p
    >>> decline_without_p(30, 1).iloc[-1][["test_low", "test_high"]].astype(float).round(2).tolist()
    [27.54, 28.71]
    """
    rates = _values("fields_without_p", "P")
    fast, slow = (1 - rates["value"][name] / 100 for name in ("decline_high", "decline_low"))
    year = np.arange(int(years) + 1)
    return pd.DataFrame(
        {
            "year": year,
            "test_low": test_ppm * fast**year,
            "test_high": test_ppm * slow**year,
            "source_key": rates["source_key"].iloc[0],
        }
    )
