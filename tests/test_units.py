"""Conversions against NIST definitions (through pint), published factors and printed trade tables."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import LookupFailed, UnitError
from fertkit.reference import load_crops
from fertkit.reference.crops import bushel_lb, trade_moisture_pct
from fertkit.units import (
    ACRE_HA,
    AREA_RATE_KG_HA,
    ATOMIC_WEIGHT,
    COMPOUNDS,
    CONCENTRATION_PCT,
    CWT_LB,
    FOOT_M,
    LB_KG,
    MASS_KG,
    SHORT_TON_LB,
    US_GALLON_L,
    at_moisture,
    convert_area_rate,
    convert_concentration,
    element_fraction,
    from_element,
    mass_kg,
    restated,
    to_element,
)

PINT_UNITS = {
    "kg/ha": "kg/hectare", "g/ha": "g/hectare", "t/ha": "tonne/hectare", "Mg/ha": "megagram/hectare",
    "q/ha": "100*kg/hectare", "dt/ha": "100*kg/hectare", "lb/ac": "pound/acre",
    "oz/ac": "ounce/acre", "ton/ac": "short_ton/acre", "cwt/ac": "100*pound/acre",
}  # fmt: skip

#: Mass of element per mass of compound, from conventional IUPAC weights, worked out apart from this code.
FACTORS = {
    "P2O5": 0.43643, "K2O": 0.83015, "CaO": 0.7147, "MgO": 0.60304, "SO3": 0.40046, "SO4": 0.33376,
    "NO3": 0.2259, "NH4": 0.77648, "NH3": 0.82244, "CaCO3": 0.40044, "B2O3": 0.31056, "ZnO": 0.8034,
}  # fmt: skip


@pytest.fixture(scope="module")
def nist():
    """Quantities by pint, which takes a second to load."""
    import pint

    return pint.UnitRegistry()


def test_definitions_are_those_of_nist(nist):
    assert nist.Quantity(1, "pound").to("kg").magnitude == pytest.approx(LB_KG, rel=1e-12)
    # pint's acre is the US survey acre (4 parts in a million larger); the international acre is 4840 sq yd
    assert nist.Quantity(4840, "yard**2").to("hectare").magnitude == pytest.approx(ACRE_HA, rel=1e-12)
    assert nist.Quantity(1, "gallon").to("liter").magnitude == pytest.approx(US_GALLON_L, rel=1e-12)


@pytest.mark.parametrize("unit", AREA_RATE_KG_HA)
def test_area_rates_against_pint(nist, unit):
    assert set(PINT_UNITS) == set(AREA_RATE_KG_HA)
    expected = nist.parse_expression(PINT_UNITS[unit]).to("kg/hectare").magnitude
    assert convert_area_rate(1.0, unit, "kg/ha") == pytest.approx(
        expected, rel=5e-6
    )  # survey against international acre


AREA_UNIT = st.sampled_from(sorted(AREA_RATE_KG_HA))
AMOUNT = st.floats(1e-6, 1e6)


@settings(max_examples=60, deadline=None)
@given(AMOUNT, AREA_UNIT, AREA_UNIT)
def test_area_rate_round_trip(amount, unit, other):
    there = convert_area_rate(amount, unit, other)
    assert convert_area_rate(there, other, unit) == pytest.approx(amount, rel=1e-12)


@settings(max_examples=30, deadline=None)
@given(AMOUNT, AREA_UNIT, st.sampled_from(["corn", "wheat", "barley", "canola"]))
def test_bushels_round_trip(amount, unit, crop):
    bushels = convert_area_rate(amount, unit, "bu/ac", lb_per_bushel=bushel_lb(crop))
    assert convert_area_rate(bushels, "bu/ac", unit, lb_per_bushel=bushel_lb(crop)) == pytest.approx(amount)


@settings(max_examples=60, deadline=None)
@given(AMOUNT, st.sampled_from(sorted(COMPOUNDS)))
def test_oxide_round_trip(amount, compound):
    assert from_element(to_element(amount, compound), compound) == pytest.approx(amount, rel=1e-12)
    assert 0 < element_fraction(compound) < 1


@settings(max_examples=40, deadline=None)
@given(AMOUNT, st.sampled_from(sorted(CONCENTRATION_PCT)), st.sampled_from(sorted(CONCENTRATION_PCT)))
def test_concentration_round_trip(amount, unit, other):
    there = convert_concentration(amount, unit, other)
    assert convert_concentration(there, other, unit) == pytest.approx(amount, rel=1e-12)


@settings(max_examples=40, deadline=None)
@given(st.floats(1, 1e5), st.floats(0, 60), st.floats(0, 60))
def test_moisture_keeps_the_dry_matter(amount, moisture, standard):
    restated = at_moisture(amount, moisture, standard)
    assert restated * (100 - standard) == pytest.approx(amount * (100 - moisture))
    assert at_moisture(restated, standard, moisture) == pytest.approx(amount)


@pytest.mark.parametrize("compound", COMPOUNDS)
def test_oxide_factors_against_atomic_weights(compound):
    assert set(FACTORS) == set(COMPOUNDS)
    assert element_fraction(compound) == pytest.approx(FACTORS[compound], abs=6e-6)
    element, atoms, formula = COMPOUNDS[compound]
    assert formula[element] == atoms


def test_atomic_weights():
    # IUPAC abridged standard weights to five figures, as a periodic table prints them (from memory).
    printed = {"H": 1.0080, "B": 10.81, "C": 12.011, "N": 14.007, "O": 15.999, "Na": 22.990, "Mg": 24.305,
               "P": 30.974, "S": 32.06, "Cl": 35.45, "K": 39.098, "Ca": 40.078, "Mn": 54.938, "Fe": 55.845,
               "Cu": 63.546, "Zn": 65.38, "Mo": 95.95}  # fmt: skip
    assert pytest.approx(printed, rel=2e-5) == ATOMIC_WEIGHT
    assert element_fraction("ZnO") == pytest.approx(printed["Zn"] / (printed["Zn"] + printed["O"]), rel=2e-5)


PINT_MASSES = {"kg": "kg", "g": "g", "q": "100*kg", "dt": "100*kg", "t": "tonne", "Mg": "megagram",
               "oz": "ounce", "lb": "pound", "cwt": "100*pound", "ton": "short_ton"}  # fmt: skip


def test_masses_against_pint(nist):
    assert {unit: mass_kg(unit) for unit in MASS_KG} == pytest.approx(
        {unit: nist.parse_expression(words).to("kg").magnitude for unit, words in PINT_MASSES.items()}
    )
    assert mass_kg("bu", lb_per_bushel=56) == pytest.approx(25.40117272)  # 56 x 0.45359237
    assert (SHORT_TON_LB, CWT_LB) == (2000, 100)
    assert pytest.approx(nist.Quantity(1, "foot").to("m").magnitude) == FOOT_M


def test_concentrations_by_arithmetic():
    # 1 % = 10 g in a kilogram = 10,000 mg in a kilogram.
    assert convert_concentration(2.0, "%", "g/kg") == pytest.approx(20)
    assert convert_concentration(2.0, "%", "mg/kg") == pytest.approx(20_000)
    assert convert_concentration(5.0, "mg/kg", "g/kg") == pytest.approx(0.005)


def test_pound_per_acre():
    # check 29, D NIST: 1 lb/ac is 1.12085 kg/ha
    assert convert_area_rate(1, "lb/ac", "kg/ha") == pytest.approx(1.12085, abs=1e-5)


def test_hundred_pounds_of_oxide():
    # check 30, D IUPAC: 43.642 lb P and 83.015 lb K
    assert to_element(100, "P2O5") == pytest.approx(43.642, abs=0.005)
    assert to_element(100, "K2O") == pytest.approx(83.015, abs=0.005)


@pytest.mark.parametrize(
    ("crop", "bushels"),
    [("corn", 39.368), ("wheat", 36.744), ("soybean", 36.744), ("barley", 45.930), ("canola", 44.092)],
)
def test_bushels_in_a_tonne(crop, bushels):
    # check 28, P BUTABLE (quotes U.S. Grains Council)
    assert 1000 / LB_KG / bushel_lb(crop) == pytest.approx(bushels, abs=0.005)


@pytest.mark.parametrize(
    ("crop", "dry", "tolerance"),
    [
        ("corn", 47.32, 0.05),  # check 23, P FERNANDEZ_STOVER, at 15.5 %
        ("wheat", 51.9, 0.05),  # check 24, P FERNANDEZ_STRAW, at 13.5 %
    ],
)
def test_dry_matter_in_a_bushel(crop, dry, tolerance):
    assert at_moisture(bushel_lb(crop), trade_moisture_pct(crop), 0) == pytest.approx(dry, abs=tolerance)


@pytest.mark.parametrize(
    ("pounds", "standard", "moisture", "expected"),
    [
        (56, 15.5, 20, 59.15),  # check 25, P MOCONV
        (1000, 26, 15, 870.588),  # 56,000 lb of corn at 26 % in bu at 15 % (Purdue, printed 870.6)
        (60, 13, 18, 63.66),  # check 26, P MOCONV
        (60, 13, 19, 64.44),  # check 27, D MOCONV; the source prints 64.64, a misprint
    ],
)
def test_printed_moisture_restatements(pounds, standard, moisture, expected):
    assert at_moisture(pounds, standard, moisture) == pytest.approx(expected, abs=0.01)


def test_arrays_and_frames_pass_through():
    amounts = np.array([1.0, 2.0])
    np.testing.assert_allclose(convert_area_rate(amounts, "lb/ac", "kg/ha"), amounts * 1.1208511561944561)
    np.testing.assert_allclose(to_element(amounts, "P2O5"), amounts * 0.43643, rtol=1e-5)


def test_every_bushel_weight_is_plausible():
    weights = load_crops().set_index("crop")["bushel_lb"].dropna()
    assert weights.between(20, 60).all()  # U.S. trade bushels run from sunflower to soybean


@pytest.mark.parametrize(
    ("call", "error", "says"),
    [
        (
            lambda: convert_area_rate(1, "bushel", "kg/ha"),
            UnitError,
            "unknown unit 'bushel'; use one of: bu/ac",
        ),
        (lambda: convert_area_rate(1, "bu/ac", "kg/ha"), UnitError, "needs the crop"),
        (lambda: convert_concentration(1, "ppm", "%"), UnitError, "unknown concentration unit 'ppm'"),
        (lambda: convert_concentration(1, "%", "ppm"), UnitError, "unknown concentration unit 'ppm'"),
        (lambda: convert_area_rate(1, "kg/ha", "bushel"), UnitError, "unknown unit 'bushel'"),
        (lambda: mass_kg("bu"), UnitError, "a bushel needs the crop"),
        (lambda: mass_kg("stone"), UnitError, "unknown unit of mass 'stone'; use one of: bu, kg"),
        (lambda: element_fraction("KCl"), LookupFailed, "unknown compound 'KCl'"),
        (lambda: bushel_lb("alfalfa"), UnitError, "not traded by the bushel"),
        (lambda: trade_moisture_pct("potato"), UnitError, "no trade moisture"),
    ],
)
def test_what_cannot_be_converted_says_so(call, error, says):
    with pytest.raises(error, match=says):
        call()


def test_amounts_restated_in_metric():
    """1 lb/ac is 1.12085 kg/ha, 1 ac 0.404686 ha, 1 gal/ac 9.35396 L/ha (NIST SP 811, arithmetic)."""
    frame = pd.DataFrame({"rate_lb_ac": [100.0], "area_ac": [80.0], "gal_ac": [10.0], "price_per_lb": [0.5],
                          "bought_lb": [2000.0], "field": ["North"]})  # fmt: skip
    moved = restated(frame, "kg/ha").iloc[0]
    assert moved["rate_lb_ac"] == pytest.approx(112.085, abs=1e-3)
    assert moved["area_ac"] == pytest.approx(32.37485, abs=1e-4)
    assert moved["gal_ac"] == pytest.approx(93.5396, abs=1e-3)
    assert moved["price_per_lb"] == pytest.approx(1.102311, abs=1e-5)
    assert moved["bought_lb"] == pytest.approx(907.18474)
    assert moved["field"] == "North"
    assert restated(frame, "lb/ac") is frame
