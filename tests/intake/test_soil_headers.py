"""What headers of soil reports say, as laboratories write them; meanings of the trade, from memory."""

from io import StringIO

import pytest

from fertkit.errors import InputError
from fertkit.intake import read_soil
from fertkit.intake.soil_headers import read_depth, read_soil_header, soil_unit

M3, AA = "Mehlich-3", "ammonium acetate"
# header: (analyte, extractant, method, unit)
TESTS = {
    "P1": ("P", "Bray-P1", "", ""),
    "P2 ppm": ("P", "Bray-P2", "", "ppm"),
    "P-Bray1 (ppm)": ("P", "Bray-P1", "", "ppm"),
    "Weak Bray P": ("P", "Bray-P1", "", ""),
    "Phosphorus (Bray P1) lbs/A": ("P", "Bray-P1", "", "lb/ac"),
    "M3-P": ("P", M3, "", ""),
    "M3P": ("P", M3, "", ""),
    "P_M3_ppm": ("P", M3, "", "ppm"),
    "Mehlich P-III ppm P": ("P", M3, "", "ppm"),
    "Mehlich 3 P (ICP)": ("P", M3, "ICP", ""),
    "Mehlich 3 Col P": ("P", M3, "colorimetric", ""),
    "NaHCO3-P (ppm)": ("P", "Olsen", "", "ppm"),
    "P (mg/dm3)": ("P", "", "", "mg/l"),
    "P-Index": ("P", "", "", "index"),
    "Potassium NH4OAc ppm K": ("K", AA, "", "ppm"),
    "K (M3-ICP)": ("K", M3, "", ""),
    "K (meq/100g)": ("K", "", "", "meq/100 g"),
    "Sulfate-S ppm S": ("S", "sulfate", "", "ppm"),
    "S (sulfate) M3": ("S", M3, "sulfate", ""),
    "ZnDTPA": ("Zn", "DTPA", "", ""),
    "B (hot water) ppm": ("B", "hot water", "", "ppm"),
    "Nitrate-N lb N/A": ("NO3-N", "nitrate", "", "lb/ac"),
    "1:1 Soil pH": ("pH", "", "", ""),
    "pH (CaCl2)": ("pH", "", "CaCl2", ""),
    "BpH": ("buffer_pH", "", "", ""),
    "SMP Buffer pH": ("buffer_pH", "", "SMP", ""),
    "WDRF Buffer pH": ("buffer_pH", "", "Woodruff", ""),
    "OM (LOI) %": ("OM", "", "loss on ignition", "%"),
    "Materia orgánica (g/kg)": ("OM", "", "", "g/kg"),
    "CEC/Sum of Cations me/100g": ("CEC", "", "", "meq/100 g"),
    "Soluble Salts 1:1 mmho/cm": ("EC", "", "", "dS/m"),
    "Phosphor (CAL) mg/100g": ("P", "CAL", "", "mg/100 g"),
}


@pytest.mark.parametrize("header", TESTS)
def test_a_soil_test(header):
    read = read_soil_header(header)
    assert (read.kind, read.complaint) == ("nutrient", "")
    assert (read.name, read.extractant, read.method, read.unit) == TESTS[header]


def test_oxides_and_layers():
    assert read_soil_header("P2O5-CAL mg/100g").compound == "P2O5"
    assert read_soil_header("K lb K2O/ac").compound == "K2O"
    assert read_soil_header("NO3-N 0-24 in").span == (0, 24)
    assert read_soil_header('NO3-N 6-24" ppm').span == (6, 24)
    assert read_soil_header("NO3-N (0-60 cm) lb/ac").span == (0, 24)


@pytest.mark.parametrize(
    "header",
    ["% K", "%K Sat", "K Sat %", "% Base Saturation K", "Ca:Mg", "H meq/100g", "Total N %", "P2O5 rec lb/ac",
     "Excess Lime", "Lime Index", "ENR lb/ac", "Aluminum ppm", "Texture", "Mo ppm"],
)  # fmt: skip
def test_what_is_no_test_is_set_aside(header):
    assert read_soil_header(header).kind == "ratio"


@pytest.mark.parametrize("header", ["Nitrate ppm", "Nitratos (ppm)", "Sulfate ppm", "P furlongs/acre"])
def test_what_can_be_read_two_ways_is_a_complaint(header):
    assert read_soil_header(header).complaint


@pytest.mark.parametrize("header", ["P xyz", "Crop zone K", "K2", "Pot", "", "A" * 5000, "P" * 40])
def test_no_soil_test(header):
    assert not read_soil_header(header).names_nutrient


def test_ratings_and_roles():
    assert [read_soil_header(h).kind for h in ("P Rating", "Bray P1 rating", "P optimum")] == [
        "rating", "rating", "limit",
    ]  # fmt: skip
    roles = ("Field ID", "Zone", "Date Sampled", "B Depth", "Depth (in)", "Method", "Sample #")
    named = ["field", "zone", "sampled", "depth_from", "depth", "method", "sample_id"]
    assert [read_soil_header(h).name for h in roles] == named


@pytest.mark.parametrize(
    ("text", "layer"),
    [("0-6 in", (0, 6)), ('0-6"', (0, 6)), ("6 to 24 inches", (6, 24)), ("0-2 ft", (0, 24)),
     ("0-15 cm", (0, 6)), ("0-20cm", (0, 8)), ("8 in", (0, 8)), ("0-6", "the depth states no unit"),
     ("6-0 in", "not a depth"), ("topsoil", "not a depth"), ("0-600 in", "not a depth")],
)  # fmt: skip
def test_depths(text, layer):
    assert read_depth(text) == layer


def test_units_of_soils():
    written = ("lbs/A", "mg kg-1", "MG/L", "me/100 g", "cmolc/kg", "mmhos/cm", "stones")
    assert [soil_unit(unit) for unit in written] == [
        "lb/ac", "ppm", "mg/l", "meq/100 g", "meq/100 g", "dS/m", "",
    ]  # fmt: skip


def test_a_line_of_units_may_say_that_ph_was_read_in_water():
    text = "Field;pH;P Bray-1;K Mehlich-3\n;agua 1:2,5;mg/kg;mg/kg\nLoma;5,9;9,5;145\n"
    found = read_soil(StringIO(text)).levels.set_index("analyte")["value"]
    assert found.to_dict() == {"pH": 5.9, "P": 9.5, "K": 145}
    with pytest.raises(InputError, match=r"unknown unit 'slurry' for pH; delete it: pH has none"):
        read_soil(StringIO(text.replace("agua 1:2,5", "slurry")))


def test_equivalents_by_volume_of_soil():
    # By the atomic weights of IUPAC: 1 cmol of charge holds 0.390983 g K, 0.20039 g Ca, 0.121525 g Mg.
    text = (
        "Talhão;Profundidade (cm);K Mehlich-1 (mmolc/dm³);Ca (cmolc/dm3);Mg cmolc dm-3\nT1;0-20;2,5;3,1;1,0\n"
    )
    found = read_soil(StringIO(text)).levels.set_index("analyte")
    assert found["value"].to_dict() == pytest.approx({"K": 97.74575, "Ca": 621.209, "Mg": 121.525})
    assert set(found["unit"]) == {"mg/l"}
    assert set(found["depth_in"]) == {8}
    with pytest.raises(InputError, match="cmol/dm3 is not a soil-test unit for CEC"):  # by mass it is another
        read_soil(StringIO("Field,CEC (cmolc/dm3),pH\nA,8.1,6\n"))
