"""Every spelling of nutrients and units that laboratories were found to use (from memory, none named)."""

import pytest

from fertkit.intake.headers import begins_with_nutrient, read_header
from fertkit.intake.units import find_unit, is_other_matrix

NUTRIENTS = {
    "N": ["N", "Total N", "TN", "Nitrogen", "N total", "Kjeldahl N", "N (combustion)", "Nitrógeno",
          "Nitrogênio", "Stickstoff", "Azote", "Gesamt-N"],
    "P": ["P", "Phosphorus", "Phosphorous", "Fósforo", "Phosphor"],
    "K": ["K", "Potassium", "Potasio", "Kalium"],
    "Ca": ["Ca", "Calcium", "Calcio", "Kalzium"],
    "Mg": ["Mg", "Magnesium", "Magnesio"],
    "S": ["S", "Sulfur", "Sulphur", "Azufre", "Enxofre", "Schwefel"],
    "Na": ["Na", "Sodium", "Sodio", "Natrium"],
    "Fe": ["Fe", "Iron", "Hierro", "Ferro", "Eisen"],
    "Mn": ["Mn", "Manganese", "Manganeso", "Mangan"],
    "Zn": ["Zn", "Zinc", "Cinc", "Zink"],
    "Cu": ["Cu", "Copper", "Cobre", "Kupfer"],
    "B": ["B", "Boron", "Boro", "Bor"],
    "Mo": ["Mo", "Molybdenum", "Molibdeno", "Molybdän"],
    "Al": ["Al", "Aluminum", "Aluminium", "Aluminio"],
    "Cl": ["Cl", "Chloride", "Cloruro", "Chlorid"],
    "NO3-N": ["NO3-N", "NO3N", "Nitrate-N", "N-NO3", "Nitrat-N", "Nitrate (as N)"],
}  # fmt: skip


@pytest.mark.parametrize(("nutrient", "text"), [(n, t) for n, texts in NUTRIENTS.items() for t in texts])
def test_spellings_of_nutrients(nutrient, text):
    for written in (text, text.upper(), text if "(" in text else f"{text} in leaf"):
        header = read_header(written)
        assert (header.kind, header.name, header.complaint) == ("nutrient", nutrient, "")
    with_unit = read_header(f"{text} [mg/kg]")
    assert (with_unit.name, with_unit.unit) == (nutrient, "mg/kg")


KINDS = {
    "oxide": ["P2O5", "K2O", "Potash", "Kali", "Óxido de potasio"],
    "unclear": ["Nitrate", "Nitrate (as NO3)", "Sulfat"],
    "ratio": ["N:S", "N/S", "NS ratio"],
    "limit": ["N_low", "N max"],
    "rating": ["N rating"],
}


@pytest.mark.parametrize(("kind", "text"), [(k, t) for k, texts in KINDS.items() for t in texts])
def test_headers_that_are_no_plain_nutrient(kind, text):
    assert read_header(text).kind == kind


UNITS = {
    "%": [
        "%",
        "pct",
        "percent",
        "% DM",
        "g/100 g",
        "dag/kg",
        "% TM",
        "% i. d. TS",
        "% MS",
        "Prozent",
        "por ciento",
    ],
    "g/kg": ["g/kg", "g kg-1", "g kg⁻¹", "mg/g", "g/kg TM"],
    "mg/kg": ["mg/kg", "ppm", "ug/g", "µg/g", "μg/g", "mg kg⁻¹", "mg kg-1", "PPM", "mg/kg MS"],
}


@pytest.mark.parametrize(("unit", "text"), [(u, t) for u, texts in UNITS.items() for t in texts])
def test_spellings_of_units(unit, text):
    assert find_unit(text) == unit
    header = read_header(f"Zn ({text})")
    assert (header.name, header.unit) == ("Zn", unit)


@pytest.mark.parametrize(
    "text",
    ["mg/L", "% fresh weight", "ppm sap", "mg/kg FW", "% FM", "Frischmasse", "materia fresca", "savia"],
)
def test_other_matrices_are_told_apart(text):
    assert is_other_matrix(text)
    assert find_unit(text) == ""


GLUED = {
    "Znppm": ("Zn", "mg/kg"),
    "Mn_ppm": ("Mn", "mg/kg"),
    "B(ppm)": ("B", "mg/kg"),
    "Zn_mg_kg": ("Zn", "mg/kg"),
    "N_pct": ("N", "%"),
    "ZnPPM": ("Zn", "mg/kg"),
    "K-%": ("K", "%"),
    "Npct": ("N", "%"),
    "Mgg/kg": ("Mg", "g/kg"),
    "Zn|ppm": ("Zn", "mg/kg"),
    "B mg/kg dw": ("B", "mg/kg"),
    "N % d.m.": ("N", "%"),
    "Cu [ppm i.d.TS]": ("Cu", "mg/kg"),
    "N (% of dry matter)": ("N", "%"),
    "Zn(mg/kg)dw": ("Zn", "mg/kg"),
}


@pytest.mark.parametrize("text", ["SE", "Co", "Si", "NI", "se %m"])
def test_a_short_symbol_that_means_other_things_needs_its_unit(text):
    """A standard error, a county: selenium and cobalt are read beside a unit alone."""
    assert not read_header(text).names_nutrient
    assert read_header(f"{text[:2]} (mg/kg)").name == text[:2].capitalize()


@pytest.mark.parametrize("text", GLUED)
def test_names_and_units_written_together(text):
    header = read_header(text)
    assert (header.kind, header.name, header.unit, header.complaint) == ("nutrient", *GLUED[text], "")


@pytest.mark.parametrize(
    ("text", "nutrient"),
    [
        *[("Zn xyz", "Zn"), ("ZnDTPA", "Zn"), ("P Olsen", "P"), ("Boronx", "B"), ("Nickel", "Ni")],
        *[("Pottasium %", "K"), ("Sulpher", "S"), ("Magneisum ppm", "Mg"), ("Coper", "Cu")],
        *[(text, "") for text in ("Name", "SPAD", "pH", "NH4-N", "Ni ppm", "Plot", "Colour", "Position")],
    ],
)
def test_texts_that_begin_with_a_nutrient(text, nutrient):
    assert begins_with_nutrient(text) == nutrient


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("ClientID", "sample_id"),
        ("GrowthStage", "growth_stage"),
        ("DateSampled", "sampled"),
        ("FieldName", "place"),
    ],
)
def test_names_written_without_blanks(text, name):
    assert (read_header(text).kind, read_header(text).name) == ("role", name)


@pytest.mark.parametrize(
    "text", ["K+ (%)", "N-K", "K-60", "Ca++ %", "N % ¹", "Zn ppm†", "P-Olsen", "Zn (mg·kg⁻¹)"]
)
def test_charges_dashes_and_footnotes(text):
    named = {
        "K+ (%)": "K",
        "Ca++ %": "Ca",
        "N % ¹": "N",
        "Zn ppm†": "Zn",
        "Zn (mg·kg⁻¹)": "Zn",
        "K % (ICP-OES)": "K",
        "N %, Dumas": "N",
    }
    assert (read_header(text).name if read_header(text).kind == "nutrient" else None) == named.get(text)


@pytest.mark.parametrize(
    ("text", "role"),
    [("Growth stage (BBCH)", "bbch"), ("Stadium (BBCH)", "bbch"), ("EC-Stadium", "bbch"),
     ("Feekes growth stage", "feekes"), ("Growth stage (Zadoks)", "zadoks"), ("Growth stage (GS)", "unknown"),
     ("Your ID", "sample_id"), ("Customer reference", "sample_id")],
)  # fmt: skip
def test_stages_by_a_scale_and_names_given_by_who_sampled(text, role):
    read = read_header(text)
    assert (read.name or read.kind) == role
