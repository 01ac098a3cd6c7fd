"""Rates of P2O5 and K2O from a soil test, by published system, with the equation shown."""

from dataclasses import dataclass

import pandas as pd

from fertkit.asked import asks, maybe_a_list, zero_or_more
from fertkit.budget.own import checked_own
from fertkit.budget.soil_reckon import bent, bounded, reckon
from fertkit.budget.thresholds import OXIDE, question_of
from fertkit.budget.yields import goal_unit, yield_lb_ac
from fertkit.errors import unknown_unit
from fertkit.reference.load import list_sources, read_or_remembered
from fertkit.reference.own import own_tables
from fertkit.results import Result, checks_frame
from fertkit.units import convert_area_rate

UNITS = ("lb/ac", "kg/ha")


@dataclass(frozen=True)
class SoilRate(Result):
    """Rate of one nutrient by one published system, with the equation it comes from.

    Attributes
    ----------
    system, title, status : str
        Status is "current" or "superseded".
    nutrient : str
        P2O5, K2O, N, S, Zn or Cl.
    crop : str
    rate_lb_ac : float
    zone : str
        build-up, maintenance, drawdown, none, sufficiency, equation, line of a table, or the system's class.
    equation : str
        The equation with its numbers.
    table : DataFrame
        term, value, unit, source_key, provenance, confidence.
    corners : DataFrame
        test, rate_lb_ac where the system bends; straight lines between them are its rate at any test level.
    level : float
        The test in the system's unit.
    test_unit : str
    unit : str
        Unit of `rate` and `line` (lb/ac or kg/ha).
    equation_unit : str
        Unit of the equation, as it is published.
    note : str
        What else to know of the system.
    """

    system: str
    title: str
    status: str
    nutrient: str
    crop: str
    rate_lb_ac: float
    zone: str
    equation: str
    table: pd.DataFrame
    corners: pd.DataFrame
    level: float
    test_unit: str
    unit: str = "lb/ac"
    equation_unit: str = "lb/ac"
    note: str = ""

    @property
    def rate(self) -> float:
        """The rate [`unit`]."""
        return float(convert_area_rate(self.rate_lb_ac, "lb/ac", self.unit))

    @property
    def line(self) -> pd.DataFrame:
        """`corners` with the rate in `unit`: test, rate."""
        rate = convert_area_rate(self.corners["rate_lb_ac"], "lb/ac", self.unit)
        return pd.DataFrame({"test": self.corners["test"], "rate": rate})

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(k for k in self.table["source_key"].unique() if k not in ("", "own test"))

    @property
    def checks(self) -> pd.DataFrame:
        memory = self.table["provenance"].isin(["from_memory", "mixed"])
        current = ("the system is the current one", "the system is superseded: use the current one")
        read = read_or_remembered("number")
        return checks_frame(
            [
                ("system is current", self.status, "current", self.status == "current", current),
                ("numbers not read in a source", int(memory.sum()), 0, not memory.any(), read),
            ]
        )


@asks(
    rotation=maybe_a_list, cases=maybe_a_list, credit_lb_ac=zero_or_more, om_pct=zero_or_more, own=own_tables
)  # fmt: skip
def soil_rate(
    system: str,
    nutrient: str,
    test: float,
    crop: str,
    yield_goal: float,
    yield_unit: str | None = None,
    *,
    extractant: str,
    depth_in: float,
    test_unit: str = "ppm",
    cec: float | None = None,
    om_pct: float | None = None,
    cases=(),
    rotation=(),
    years: float | None = None,
    removal_lb_ac: float | None = None,
    credit_lb_ac: float = 0.0,
    unit: str = "lb/ac",
    own=None,
) -> SoilRate:
    """Work out the yearly rate of a nutrient that a published system gives for a soil test.

    Parameters
    ----------
    system : str
        A row of the table soil_systems (tri_state_2020, illinois_handbook, kansas_build, ontario, ...); each
        knows its own crops and nutrients and says so when asked for others.
    nutrient : {'P', 'K', 'N', 'S', 'Zn', 'Cl'}
    test : float
        Soil test, elemental P or K, nitrate-N, ... [`test_unit`].
    crop, yield_goal, yield_unit
        The crop to be grown, as for `nutrient_budget`.
    extractant : str
        Bray-P1, Mehlich-3, Olsen, ammonium acetate, nitrate, ...; must be the system's.
    depth_in : float
        Sampling depth [in]; must be the system's.
    test_unit : {'ppm', 'mg/kg', 'lb/ac'}
        Or the system's own: mg/l, index, class, lb/ac of profile.
    cec : float, optional
        Cation exchange capacity [meq/100 g].
    om_pct : float, optional
        Organic matter of the soil [%], for systems that count on it.
    cases : str or sequence of str
        What else holds of the field, where a system asks: "high P-supply" (Illinois), "straw incorporated",
        "continuous corn". A case that a system does not ask for is no matter to it.
    rotation : sequence of str
        The other crops of the rotation; wheat or alfalfa raise the P levels of the whole rotation.
    years : float, optional
        Years over which to build the test up; the system's usual number if None.
    removal_lb_ac : float, optional
        Removal of the oxide [lb/ac] in place of the system's own per-bushel value.
    credit_lb_ac : float
        What manure, a legume or irrigation water supplies of the nutrient [lb/ac]; taken off the rate.
    unit : {'lb/ac', 'kg/ha'}
        Unit of the rate in the result; the equation stays in lb/ac, as it is published.
    own : path, DataFrame or list of them, optional
        Tables of your own: systems with their levels and rates (soil_systems, soil_tests, soil_rates), also
        for a crop the kit has never seen, and removal (`fertkit.reference.own.read_own`).

    Raises
    ------
    UnitError
        If the test comes from another extractant or depth, or a unit is not known.
    LookupFailed
        If the system, crop or nutrient is not carried, or the CEC, organic matter or a case is needed.
    NotEstimable
        If the published table could not be read at this test.
    InputError
        If the test, the yield, the CEC or the years are impossible.

    Notes
    -----
    Build-up, test < CL: (CL - test) x build-up per unit / years + removal + extra. Maintenance, CL to ML:
    removal + extra. Drawdown, ML to ML + w: (removal + extra) x (1 - (test - ML) / w). Above: nothing.
    Sufficiency and equation: a sum of products of test, yield and organic matter, each with its coefficient;
    zero from the critical level on, and from where the sum first reaches zero. Table: the line that the test
    reaches, moved with the yield where the table says so. Then caps and credits. The numbers are rows of the
    tables soil_tests, soil_rates, soil_systems and removal.

    Examples
    --------
    Corn of 180 bu/ac on a Mehlich-3 phosphorus of 12 ppm: 103 lb/ac of P2O5 (2020 build-up equation):

    >>> from fertkit.budget import soil_rate
    >>> rate = soil_rate("tri_state_2020", "P", 12, "corn", 180, extractant="Mehlich-3", depth_in=8)
    >>> round(rate.rate_lb_ac, 1)
    103.0
    """
    if unit not in UNITS:
        raise unknown_unit(unit, UNITS)
    own = checked_own(own)
    crop = own.crop_name(crop)
    pounds = yield_lb_ac(crop, yield_goal, goal_unit(crop, yield_unit))
    test = {"test": test, "extractant": extractant, "depth_in": depth_in, "test_unit": test_unit}
    of_field = {"cec": cec, "om_pct": om_pct, "cases": cases, "rotation": rotation}
    options = {"years": years, "removal_lb_ac": removal_lb_ac, "own": own}
    got = reckon(system, nutrient, crop, pounds, **test, **of_field, **options)
    rate, equation, most_and_credit = bounded(got.worked, got.terms, credit_lb_ac, got.plan["rate_unit"])
    corners = bent(got.worked, *most_and_credit, got.plan["rate_unit"])
    about = (system, got.plan["title"], got.lines.status, OXIDE.get(nutrient, nutrient), crop)
    question = question_of(nutrient, test["test"], test_unit)
    note = "; ".join(filter(None, [got.plan["note"], question]))
    shown = (got.level, got.lines.test_unit, unit, got.plan["rate_unit"], note)
    return SoilRate(*about, rate, got.worked.zone, equation, got.terms.frame(), corners, *shown)
