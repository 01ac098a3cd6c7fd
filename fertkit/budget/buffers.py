"""How far a soil test moves per pound of balance, and how much lime a buffer pH asks for, as published."""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from fertkit.asked import a_table_of, above_zero, asks, zero_or_more
from fertkit.budget.soil_reckon import CUT
from fertkit.errors import InputError, Problem, unknown
from fertkit.reference.load import constants, load_table
from fertkit.rounding import at_least, below
from fertkit.units import convert_area_rate, from_element

#: The buffer of the lime equation that is carried.
BUFFER = "Mehlich"
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


@cache
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

    Notes
    -----
    Middle: the Ohio rule (OSU_BUILD2012), 20 lb P2O5, and 4 + 0.2 CEC lb K2O. Range of P: 8-11 kg P/ha per
    mg/kg under a positive balance (CIAMPITTI2011) and 30 lb P2O5 in 12 years of Minnesota (RANDALL_P); under
    a negative one also the declines of the first study for a low or a high start, and both for a start
    between. Range of K: 6-10 lb K2O (OSU_BUILD2012).

    Examples
    --------
    Near 20 lb of P2O5 beyond removal lift a phosphorus test by 1 ppm (OSU_BUILD2012):

    >>> from fertkit.budget.buffers import soil_buffer
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
    pampas, pampas_key = _values("pampas_mollisols", "P")["value"], "CIAMPITTI2011"
    kg_per_ppm = [pampas["buffer_low"], pampas["buffer_high"]]
    if falling and at_least(test_ppm, pampas["low_test_below"]):
        kg_per_ppm.append(1 / pampas["decline_high_test"])
    if falling and below(test_ppm, pampas["high_test_from"]):
        kg_per_ppm.append(1 / pampas["decline_low_test"])
    pounds = [from_element(convert_area_rate(p, "kg/ha", "lb/ac"), "P2O5") for p in kg_per_ppm]
    keys = [ohio["source_key"]["buffer"], pampas_key]
    if not falling:
        minnesota = _values("minnesota_trial", "P")
        pounds.append(minnesota["value"]["buffer"])
        keys.append(minnesota["source_key"]["buffer"])
    return Buffer(ohio["value"]["buffer"], min(pounds), max(pounds), ";".join(keys))


@asks(fields=a_table_of("ph", "buffer_ph", "target_ph"))
def lime_rates(fields: pd.DataFrame) -> pd.DataFrame:
    """Work out the lime that fields need by their buffer pH, as North Carolina does.

    Parameters
    ----------
    fields : DataFrame
        ph (in water), buffer_ph (Mehlich buffer; another buffer needs another equation), target_ph; optional
        credit_ton_ac, what is left of lime spread lately, and buffer, whose buffer it is (Mehlich).

    Returns
    -------
    DataFrame
        The table with buffer (Mehlich), acidity [meq/100 cm3], rate_ton_ac (US ton of agricultural lime),
        equation, source_key and provenance. State tables of other buffers differ: ask the laboratory whose
        buffer it is.

    Raises
    ------
    InputError
        With every pH that no soil has, a buffer pH or target above the buffer's own pH, another buffer, or a
        credit below 0.

    Notes
    -----
    (6.6 - buffer pH) x 4 x (target - pH) / (6.6 - pH) - credit, never below zero (NC_LIME).

    Examples
    --------
    pH 5.0, buffer 6.3, target 6.0: 1.2 x 0.625 = 0.75 ton (NC_LIME prints 0.76):

    >>> import pandas as pd
    >>> from fertkit.budget.buffers import lime_rates
    >>> field = pd.DataFrame({"ph": [5.0], "buffer_ph": [6.3], "target_ph": [6.0]})
    >>> float(lime_rates(field)["rate_ton_ac"].round(2).item())
    0.75
    """
    rows = constants("lime")
    neutral, per = rows["value"]["buffer pH without acidity"], rows["value"]["acidity per unit of buffer pH"]
    numbers = fields.assign(credit_ton_ac=fields.get("credit_ton_ac", 0.0))
    numbers = numbers[["ph", "buffer_ph", "target_ph", "credit_ton_ac"]].apply(pd.to_numeric, errors="coerce")
    numbers["credit_ton_ac"] = numbers["credit_ton_ac"].fillna(0.0)
    windows = {"ph": (3, 10), "buffer_ph": (3, neutral), "target_ph": (4, neutral), "credit_ton_ac": (0, 50)}
    asks = dict.fromkeys(windows, "check the number")
    asks["buffer_ph"] = f"give a {BUFFER} buffer pH; other buffers need another equation"
    problems = [
        Problem(f"not between {low:g} and {high:g}", asks[name], at + 2, name, fields[name].iloc[at])
        for name, (low, high) in windows.items()
        for at in np.flatnonzero(~numbers[name].between(low, high))
    ]
    named = fields.get("buffer", pd.Series(BUFFER, fields.index)).astype(str)
    problems += [
        Problem("another buffer", asks["buffer_ph"], at + 2, "buffer", named.iloc[at])
        for at in np.flatnonzero(~named.str.contains(BUFFER, case=False))
    ]
    if problems:
        raise InputError("lime", problems)
    acid = ((neutral - numbers["buffer_ph"]) * per).clip(lower=0)
    due = numbers["target_ph"] > numbers["ph"]
    share = ((numbers["target_ph"] - numbers["ph"]) / (neutral - numbers["ph"])).where(due, 0.0)
    equations = [
        f"{a:g} x ({r.target_ph:g} - {r.ph:g}) / ({neutral:g} - {r.ph:g}) - {r.credit_ton_ac:g}"
        if r.target_ph > r.ph
        else f"pH {r.ph:g} is at or above {r.target_ph:g}: nothing"
        for a, r in zip(acid, numbers.itertuples(), strict=True)
    ]
    left = acid * share - numbers["credit_ton_ac"]
    equations = [
        text + CUT * below(rest, 0.0) for text, rest in zip(equations, left.where(due, 0.0), strict=True)
    ]
    rate = left.clip(lower=0)
    source = {"source_key": rows["source_key"].iloc[0], "provenance": rows["provenance"].iloc[0]}
    return fields.assign(buffer=BUFFER, acidity=acid, rate_ton_ac=rate, equation=equations, **source)


def field_lime(fields: pd.DataFrame, levels: pd.DataFrame, target_ph: float | None) -> pd.DataFrame:
    """Work out the lime of the fields whose laboratory measured a buffer pH, by `lime_rates`.

    Parameters
    ----------
    fields : DataFrame
        field, zone.
    levels : DataFrame
        Soil tests by field, zone and analyte, with the buffer as the method of buffer_pH.
    target_ph : float or None

    Returns
    -------
    DataFrame
        field, zone, ph, buffer_ph, target_ph, rate_ton_ac, equation, source_key, provenance, why_not
        ("no target", "another buffer"): one row a field with a buffer pH.
    """
    ph, buffer = (levels[levels["analyte"] == name] for name in ("pH", "buffer_pH"))
    ph = ph.drop_duplicates(["field", "zone"])[["field", "zone", "value"]].rename(columns={"value": "ph"})
    buffer = buffer.drop_duplicates(["field", "zone"])[["field", "zone", "value", "method"]]
    rows = fields[["field", "zone"]].drop_duplicates().merge(ph, on=["field", "zone"])
    rows = rows.merge(buffer.rename(columns={"value": "buffer_ph"}), on=["field", "zone"])
    rows = rows.assign(target_ph=np.nan if target_ph is None else target_ph)
    neutral = constants("lime")["value"]["buffer pH without acidity"]
    other = (rows["method"] != BUFFER) | (rows["buffer_ph"] > neutral)
    rows["why_not"] = np.where(other, "another buffer", "no target" if target_ph is None else "")
    due, columns = rows[rows["why_not"] == ""], ["rate_ton_ac", "equation", "source_key", "provenance"]
    limed = lime_rates(due)[columns] if len(due) else pd.DataFrame(columns=columns)
    return rows.drop(columns="method").join(limed)
