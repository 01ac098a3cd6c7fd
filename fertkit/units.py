"""Named conversions between units: the only place where a factor is written.

Exact definitions (pound, acre, US gallon) follow NIST Special Publication 811; oxide factors are
computed from the conventional IUPAC atomic weights below. Bushel weights are facts about crops and
live in ``fertkit.reference`` instead.
"""

from fertkit.errors import UnitError, unknown, unknown_unit

LB_KG = 0.45359237  # exact (NIST SP 811)
ACRE_HA = 0.40468564224  # exact, international acre (NIST SP 811)
US_GALLON_L = 3.785411784  # exact (NIST SP 811)
SHORT_TON_LB = 2000.0
CWT_LB = 100.0
FOOT_M = 0.3048  # exact (NIST SP 811)
INCH_CM = 2.54  # exact (NIST SP 811)

#: Conventional atomic weights [g/mol] (IUPAC, from memory; checked in tests against pint).
ATOMIC_WEIGHT = {
    "H": 1.008, "B": 10.81, "C": 12.011, "N": 14.007, "O": 15.999, "Na": 22.98977, "Mg": 24.305,
    "P": 30.973762, "S": 32.06, "Cl": 35.45, "K": 39.0983, "Ca": 40.078, "Mn": 54.938, "Fe": 55.845,
    "Cu": 63.546, "Zn": 65.38, "Mo": 95.95,
}  # fmt: skip

#: Compound in which a nutrient is traded -> (element, atoms of it, composition).
COMPOUNDS = {
    "P2O5": ("P", 2, {"P": 2, "O": 5}),
    "K2O": ("K", 2, {"K": 2, "O": 1}),
    "CaO": ("Ca", 1, {"Ca": 1, "O": 1}),
    "MgO": ("Mg", 1, {"Mg": 1, "O": 1}),
    "SO3": ("S", 1, {"S": 1, "O": 3}),
    "SO4": ("S", 1, {"S": 1, "O": 4}),
    "NO3": ("N", 1, {"N": 1, "O": 3}),
    "NH4": ("N", 1, {"N": 1, "H": 4}),
    "NH3": ("N", 1, {"N": 1, "H": 3}),
    "CaCO3": ("Ca", 1, {"Ca": 1, "C": 1, "O": 3}),
    "B2O3": ("B", 2, {"B": 2, "O": 3}),
    "ZnO": ("Zn", 1, {"Zn": 1, "O": 1}),
}

#: Area rates, in kg/ha; t is the metric tonne, ton the short ton, q and dt are 100 kg.
AREA_RATE_KG_HA = {
    "kg/ha": 1.0,
    "g/ha": 0.001,
    "t/ha": 1000.0,
    "Mg/ha": 1000.0,
    "q/ha": 100.0,
    "dt/ha": 100.0,
    "lb/ac": LB_KG / ACRE_HA,
    "oz/ac": LB_KG / 16 / ACRE_HA,
    "ton/ac": SHORT_TON_LB * LB_KG / ACRE_HA,
    "cwt/ac": CWT_LB * LB_KG / ACRE_HA,
}

#: Masses in which inputs and grain are priced, in kg; ``bu`` is a fact about the crop (see `mass_kg`).
MASS_KG = {
    "kg": 1.0,
    "g": 0.001,
    "q": 100.0,
    "dt": 100.0,
    "t": 1000.0,
    "Mg": 1000.0,
    "oz": LB_KG / 16,
    "lb": LB_KG,
    "cwt": CWT_LB * LB_KG,
    "ton": SHORT_TON_LB * LB_KG,
}

#: Dry-matter concentrations, in percent.
CONCENTRATION_PCT = {"%": 1.0, "g/kg": 0.1, "mg/kg": 1e-4, "ug/kg": 1e-7}

#: Those in which laboratories state most results: an unstated one is looked for among them alone.
USUAL_CONCENTRATIONS = ("%", "g/kg", "mg/kg")


def element_fraction(compound: str) -> float:
    """Mass of the element in one unit of mass of a compound [kg/kg], e.g. P in P2O5 (0.43643).

    Raises
    ------
    LookupFailed
        If the compound is not listed in `COMPOUNDS`.
    """
    if compound not in COMPOUNDS:
        raise unknown("compound", compound, COMPOUNDS)
    element, atoms, formula = COMPOUNDS[compound]
    return atoms * ATOMIC_WEIGHT[element] / sum(n * ATOMIC_WEIGHT[a] for a, n in formula.items())


def to_element(amount, compound: str):
    """Convert an amount of a compound (P2O5, K2O, ...) to its element, in the same unit of mass."""
    return amount * element_fraction(compound)


def from_element(amount, compound: str):
    """Convert an amount of an element to the compound it is traded as, in the same unit of mass."""
    return amount / element_fraction(compound)


def convert_area_rate(amount, unit: str, to: str, *, lb_per_bushel: float | None = None):
    """Convert an amount per area between units of `AREA_RATE_KG_HA` and ``bu/ac``.

    Parameters
    ----------
    amount : float or array
        Amount per area [`unit`].
    unit, to : str
        Units; ``bu/ac`` needs `lb_per_bushel`.
    lb_per_bushel : float, optional
        Trade weight of a bushel of the crop [lb/bu].

    Raises
    ------
    UnitError
        If a unit is not known, or a bushel weight is missing.
    """
    return amount * _area_rate(unit, lb_per_bushel) / _area_rate(to, lb_per_bushel)


def _area_rate(unit: str, lb_per_bushel: float | None) -> float:
    if unit == "bu/ac":
        if lb_per_bushel is None:
            raise UnitError(
                "a yield in bu/ac needs the crop, for its bushel weight; name the crop or use lb/ac"
            )
        return lb_per_bushel * AREA_RATE_KG_HA["lb/ac"]
    if unit not in AREA_RATE_KG_HA:
        raise unknown_unit(unit, ("bu/ac", *AREA_RATE_KG_HA))
    return AREA_RATE_KG_HA[unit]


def mass_kg(unit: str, *, lb_per_bushel: float | None = None) -> float:
    """Mass of one unit of `MASS_KG`, or of one bushel [kg].

    Raises
    ------
    UnitError
        If the unit is not known, or a bushel weight is missing.
    """
    if unit == "bu":
        if lb_per_bushel is None:
            raise UnitError("a bushel needs the crop, for its weight; name the crop or use lb")
        return lb_per_bushel * LB_KG
    if unit not in MASS_KG:
        raise unknown_unit(unit, ("bu", *MASS_KG), "unit of mass")
    return MASS_KG[unit]


def convert_concentration(amount, unit: str, to: str):
    """Convert a dry-matter concentration between %, g/kg and mg/kg.

    Raises
    ------
    UnitError
        If a unit is not one of those.
    """
    for name in (unit, to):
        if name not in CONCENTRATION_PCT:
            raise unknown_unit(name, CONCENTRATION_PCT, "concentration unit")
    return amount * CONCENTRATION_PCT[unit] / CONCENTRATION_PCT[to]


def at_moisture(amount, moisture_pct, standard_pct):
    """Restate a weight or yield of grain at another moisture, same dry matter.

    Parameters
    ----------
    amount : float or array
        Weight or yield as harvested [any unit].
    moisture_pct, standard_pct : float or array
        Moisture as harvested and wanted [% wet basis].

    Returns
    -------
    float or array
        ``amount * (100 - moisture) / (100 - standard)`` [same unit].
    """
    return amount * (100.0 - moisture_pct) / (100.0 - standard_pct)


#: Words and factors of the units a plan is told in: rate, area, mass, liquid.
MEASURES = {
    "lb/ac": {"rate": ("lb/ac", 1.0), "area": ("ac", 1.0), "mass": ("lb", 1.0), "liquid": ("gal/ac", 1.0)},
    "kg/ha": {"rate": ("kg/ha", LB_KG / ACRE_HA), "area": ("ha", ACRE_HA), "mass": ("kg", LB_KG),
              "large": ("t", LB_KG / 1000), "liquid": ("L/ha", US_GALLON_L / ACRE_HA)},
}  # fmt: skip
#: Unit of rates -> the unit in which depths are told beside them, and its size.
DEPTHS = {"lb/ac": ("in", 1.0), "kg/ha": ("cm", INCH_CM)}


def depth_text(depth_in: float, unit: str = "lb/ac") -> str:
    """Write a depth [in] in the unit that goes with a unit of rates, centimetres whole.

    Examples
    --------
    >>> from fertkit.units import depth_text
    >>> depth_text(8), depth_text(8, "kg/ha")
    ('8 in', '20 cm')
    """
    word, factor = DEPTHS[unit]
    return f"{depth_in * factor:{'g' if factor == 1 else '.0f'}} {word}"


#: Ends of columns in US units -> what they measure, and whether per unit of it.
_ENDS = {"_lb_ac": ("rate", 1), "area_ac": ("area", 1), "gal_ac": ("liquid", 1), "price_per_lb": ("mass", -1),
         "cost_per_ac": ("area", -1), "_lb": ("mass", 1)}  # fmt: skip


def restated(frame, unit: str, **columns):
    """Return a table of US units with its amounts in other units, under the same names.

    Parameters
    ----------
    frame : DataFrame
        Columns that end in _lb_ac, area_ac, gal_ac, price_per_lb, cost_per_ac or _lb.
    unit : {'lb/ac', 'kg/ha'}
    **columns
        What other columns measure: rate, area, mass or liquid; "per area" and the like.
    """
    factors = MEASURES[unit]
    if unit == "lb/ac":
        return frame
    moved = {}
    for name in frame.columns:
        measure, power = next((held for end, held in _ENDS.items() if name.endswith(end)), ("", 1))
        if name in columns:
            measure = columns[name].removeprefix("per ")
            power = -1 if columns[name].startswith("per ") else 1
        if measure:
            moved[name] = frame[name].astype(float) * factors[measure][1] ** power
    return frame.assign(**moved)
