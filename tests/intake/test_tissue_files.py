"""The shapes laboratory files come in, one example each. All examples are written here and invented.

Every readable example holds the same two samples, so that the expected values are the same written numbers
whatever the container, layout, unit and number style.
"""

from io import BytesIO, StringIO

import numpy as np
import openpyxl
import pytest

from fertkit.errors import InputError
from fertkit.intake import read_tissue

A = {"N": 3.21, "P": 0.25, "K": 2.1, "Ca": 0.55, "Mg": 0.2, "S": 0.21, "Zn": 22.0, "Fe": 1320.0}
B = {"N": 2.9, "P": 0.31, "K": 1.85, "Ca": 0.6, "Mg": 0.25, "S": 0.19, "Zn": 31.0, "Fe": 95.0}
BOTH = {"A-01": A, "007": B}

WIDE = """Sample ID,N (%),P (%),K (%),Ca (%),Mg (%),S (%),Zn (ppm),Fe (ppm)
A-01,3.21,0.25,2.10,0.55,0.20,0.21,22,1320
007,2.90,0.31,1.85,0.60,0.25,0.19,31,95
"""
NAKED = WIDE.replace(" (%)", "").replace(" (ppm)", "")
LONG = "Sample,Analyte,Result,Units\n" + "".join(
    f"{s},{n},{v},{'ppm' if n in ('Zn', 'Fe') else '%'}\n"
    for s, held in BOTH.items()
    for n, v in held.items()
)
DOWN = "Nutrient,Unit,A-01,007\n" + "".join(
    f"{n},{'ppm' if n in ('Zn', 'Fe') else '%'},{A[n]},{B[n]}\n" for n in A
)


def retyped(text, old, new):
    assert old in text
    return text.replace(old, new)


SPLIT_HEADER = retyped(WIDE, WIDE.splitlines()[0], "Sample,N,P,K,Ca,Mg,S,Zn,Fe\n,%,%,%,%,%,%,ppm,ppm")
COMMA = WIDE.replace(",", ";").replace(".", ",")

GERMAN = COMMA.replace(
    COMMA.splitlines()[0],
    "Probe;Stickstoff (% i. d. TM);Phosphor (% TM);Kalium (%);Calcium (%);Magnesium (%);Schwefel (%);"
    "Zink (mg/kg TM);Eisen (mg/kg)",
)
SPANISH = COMMA.replace(
    COMMA.splitlines()[0],
    "Muestra;Nitrógeno total (%);Fósforo (%);Potasio en hoja (%);Calcio (%);Magnesio (%);Azufre (% MS);"
    "Cinc (ppm);Hierro (mg/kg base seca)",
)

READABLE = {
    "German": "Untersuchungsbericht\nKultur;Mais\n\n"
    + GERMAN
    + "Mittelwert;3,05;0,28;1,98;0,58;0,23;0,2;27;707\n",
    "Spanish": "Informe de análisis foliar\nCultivo: Maíz\n\n"
    + SPANISH
    + "Promedio;3,05;0,28;1,98;0,58;0,23;0,2;27;707\n",
    "Spanish, Windows-1252": SPANISH.encode("cp1252"),
    "long, German": "Probe;Parameter;Messwert;Einheit;Bewertung\n"
    + "".join(
        f"{s};{n};{str(v).replace('.', ',')};{'mg/kg' if n in ('Zn', 'Fe') else '%'};\n"
        for s, held in BOTH.items()
        for n, v in held.items()
    ),
    "long, Spanish": "N° de muestra\tDeterminación\tResultado\tUnidad\tMétodo\n"
    + "".join(
        f"{s}\t{n}\t{v}\t{'ppm' if n in ('Zn', 'Fe') else '%'}\tICP\n"
        for s, held in BOTH.items()
        for n, v in held.items()
    ),
    "wide, unit in brackets": WIDE,
    "wide, unit after underscore": retyped(WIDE.replace(" (%)", "_pct"), " (ppm)", "_mg_kg"),
    "wide, unit after blank": retyped(WIDE.replace(" (%)", " %"), " (ppm)", " ppm"),
    "wide, unit in square brackets": retyped(WIDE.replace("(%)", "[%]"), "(ppm)", "[mg/kg]"),
    "wide, unit before the name": retyped(WIDE, "N (%)", "%N").replace("Zn (ppm)", "ppm Zn"),
    "wide, long names": retyped(WIDE, "N (%),P (%)", '"Total N, %","Phosphorous, %"'),
    "wide, method in the name": retyped(WIDE, "N (%)", "N (combustion) %"),
    "wide, Spanish names": retyped(WIDE, "N (%)", "Nitrógeno (%)").replace("S (%)", "Azufre (%)"),
    "wide, German names": retyped(WIDE, "N (%)", "Stickstoff [%]").replace("K (%)", "Kalium (%)"),
    "wide, superscript units": retyped(WIDE, "(ppm)", "(mg kg⁻¹)"),
    "wide, micro sign": retyped(WIDE, "(ppm)", "(µg/g)"),
    "wide, Greek mu": retyped(WIDE, "(ppm)", "(μg/g)"),
    "two header rows": SPLIT_HEADER,
    "two header rows, symbols below": retyped(
        WIDE,
        WIDE.splitlines()[0],
        "Sample,Nitrogen,Phosphorus,Potassium,Calcium,Magnesium,Sulfur,Zinc,Iron\n"
        ",N (%),P (%),K (%),Ca (%),Mg (%),S (%),Zn (ppm),Fe (ppm)",
    ),
    "group heading row": ",Macronutrients (%),,,,,,Micronutrients (ppm),\n" + NAKED,
    "metadata above, notes below": "Plant analysis report\nGrower: North Creek Growers\nCrop: corn\n\n"
    + WIDE
    + "\nResults on dry basis\nSigned: the laboratory\n",
    "totals and means below": WIDE + "Average,3.05,0.28,1.98,0.58,0.23,0.20,26.5,707\n",
    "header repeated after a page break": retyped(WIDE, "\n007", "\n" + WIDE.splitlines()[0] + "\n007"),
    "ranges beside results": retyped(WIDE, "N (%)", "N (%),N_low,N_high,N rating")
    .replace("3.21,", "3.21,2.90,3.50,S,")
    .replace("2.90,0.31", "2.90,2.90,3.50,S,0.31"),
    "ratio column": retyped(WIDE, "S (%)", "S (%),N:S")
    .replace("0.21,", "0.21,15.3,")
    .replace("0.19,", "0.19,15.3,"),
    "semicolons, decimal comma": COMMA,
    "tabs, decimal comma": COMMA.replace(";", "\t"),
    "decimal comma, thousands point": retyped(COMMA, "1320", "1.320"),
    "thousands comma, quoted": retyped(WIDE, "1320", '"1,320"'),
    "thousands blank": retyped(COMMA, "1320", "1 320"),
    "thousands no-break blank": retyped(COMMA, "1320", "1\u00a0320"),
    "full-width digits": retyped(WIDE, "3.21", "３.２１"),
    "semicolon file told by sep=": "sep=;\n" + COMMA,
    "tab-separated": WIDE.replace(",", "\t"),
    "pipe-separated": WIDE.replace(",", "|"),
    "byte-order mark": b"\xef\xbb\xbf" + WIDE.encode(),
    "UTF-16": WIDE.encode("utf-16"),
    "Windows-1252 with micro sign": retyped(WIDE, "(ppm)", "(µg/g)").encode("cp1252"),
    "Windows line ends": WIDE.replace("\n", "\r\n"),
    "old Mac line ends": WIDE.replace("\n", "\r"),
    "g/kg": "Sample,N (g/kg),P (g/kg),K (g/kg),Ca (g/kg),Mg (g/kg),S (g/kg),Zn (mg/kg),Fe (mg/kg)\n"
    "A-01,32.1,2.5,21,5.5,2.0,2.1,22,1320\n007,29,3.1,18.5,6,2.5,1.9,31,95\n",
    "mg/g and ug/g": "Sample,N (mg/g),P (mg/g),K (mg/g),Ca (mg/g),Mg (mg/g),S (mg/g),Zn (ug/g),Fe (ug/g)\n"
    "A-01,32.1,2.5,21,5.5,2.0,2.1,22,1320\n007,29,3.1,18.5,6,2.5,1.9,31,95\n",
    "macros in ppm": "Sample,N (ppm),P (ppm),K (ppm),Ca (ppm),Mg (ppm),S (ppm),Zn (ppm),Fe (ppm)\n"
    "A-01,32100,2500,21000,5500,2000,2100,22,1320\n007,29000,3100,18500,6000,2500,1900,31,95\n",
    "micros in true percent": WIDE.replace("(ppm)", "(%)")
    .replace(",22,1320", ",0.0022,0.1320")
    .replace(",31,95", ",0.0031,0.0095"),
    "units missing, percent": NAKED,
    "units missing, g/kg": "Sample,N,P,K,Ca,Mg,S,Zn,Fe\nA-01,32.1,2.5,21,5.5,2.0,2.1,22,1320\n"
    "007,29,3.1,18.5,6,2.5,1.9,31,95\n",
    "percent signs in the cells": NAKED.replace("3.21", "3.21%").replace("2.90", "2.90 %"),
    "flags beside numbers": retyped(WIDE, "0.25,2.10", "0.25 L,2.10*").replace("0.31", "0.31 (low)"),
    "long": LONG,
    "long, tabs, other words": retyped(
        LONG, "Sample,Analyte,Result,Units", "Client ID,Element,Concentration,UOM"
    ).replace(",", "\t"),
    "long with method and other analytes": LONG.replace("\n", ",ICP\n").replace("Units,ICP", "Units,Method")
    + "A-01,Moisture,71,%,oven\n",
    "long with limits": retyped(LONG.replace("\n", ",0.01\n"), "Units,0.01", "Units,Detection limit"),
    "transposed": DOWN,
    "transposed, unit in name": "Sample,A-01,007\n"
    + "".join(f"{n} ({'ppm' if n in ('Zn', 'Fe') else '%'}),{A[n]},{B[n]}\n" for n in A),
    "transposed, blank corner, range column": retyped(
        DOWN.replace("\n", ",2.9-3.5\n"), "Nutrient,Unit,A-01,007,2.9-3.5", ",Unit,A-01,007,Normal range"
    ),
    "second table below": "Sample,N (%),P (%),K (%),Ca (%)\nA-01,3.21,0.25,2.1,0.55\n"
    "007,2.9,0.31,1.85,0.6\n\n"
    "Sample,Mg (%),S (%),Zn (ppm),Fe (ppm)\nA-01,0.2,0.21,22,1320\n007,0.25,0.19,31,95\n",
}


def as_bytes(example):
    return example if isinstance(example, bytes) else example.encode()


def held(samples):
    grid = samples.table.pivot_table(index="sample_id", columns="nutrient", values="value", aggfunc="first")
    return {i: grid.loc[i].dropna().to_dict() for i in grid.index}


def assert_both(samples):
    found = held(samples)
    assert set(found) == set(BOTH)
    for sample, values in BOTH.items():
        assert found[sample] == pytest.approx(values, rel=1e-12)
    units = samples.table.drop_duplicates("nutrient").set_index("nutrient")["unit"]
    assert units.to_dict() == {n: "mg/kg" if n in ("Zn", "Fe") else "%" for n in A}
    assert len(samples.table) == 16


@pytest.mark.parametrize("name", READABLE)
def test_every_shape_gives_the_same_numbers(name):
    assert_both(read_tissue(as_bytes(READABLE[name]), name=name))


@pytest.mark.parametrize("kind", ["xlsx", "xls", "ods"])
@pytest.mark.parametrize("typed", [True, False], ids=["numbers", "text"])
def test_spreadsheets(workbook, kind, typed):
    rows = [line.split(",") for line in WIDE.splitlines()]
    if typed:
        rows = [rows[0]] + [[row[0], *map(float, row[1:])] for row in rows[1:]]
    assert_both(read_tissue(workbook([["Lab report"], [], *rows], kind)))


def test_a_sheet_of_methods_holds_no_results_and_a_line_of_detection_limits_no_sample():
    book = openpyxl.Workbook()
    book.active.append(["Nutrient", "Method"])
    book.active.append(["N", "Dumas"])
    sheet = book.create_sheet("Results")
    for line in WIDE.splitlines():
        sheet.append(line.split(","))
    sheet.append(["Detection limits", 0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.5, 0.5])
    book.save(held := BytesIO())
    assert_both(read_tissue(held.getvalue(), name="report.xlsx"))


def test_data_frame_is_read_like_a_file():
    import io

    import pandas as pd

    assert_both(read_tissue(pd.read_csv(io.StringIO(WIDE), dtype={"Sample ID": str})))


def test_printed_page_of_one_sample():
    page = """Plant report
Sample: A-01

Nutrient     Result   Unit    Normal range   Rating
Nitrogen     3.21     %       2.75-3.50      Sufficient
Zinc         15       ppm     20 - 70        Low
"""
    samples = read_tissue(page.encode())
    assert held(samples) == {"A-01": {"N": 3.21, "Zn": 15.0}}
    assert list(samples.table["flag"]) == ["Sufficient", "Low"]


CENSORED = {
    "<0.05": (0.05, "<"),
    "< 0.05": (0.05, "<"),
    "LT 0.05": (0.05, "<"),
    "0.05U": (0.05, "<"),
    "BDL (0.05)": (0.05, "<"),
    "≤0.05": (0.05, "<"),
    ">0.5": (0.5, ">"),
    "0.5+": (0.5, ">"),
    "ND": (np.nan, "not detected"),
    "n.d.": (np.nan, "not detected"),
    "BDL": (np.nan, "not detected"),
    "<LOD": (np.nan, "not detected"),
    "<MDL": (np.nan, "not detected"),
}


@pytest.mark.parametrize("cell", CENSORED)
def test_censored_cells(cell):
    samples = read_tissue(retyped(WIDE, "0.25,2.10", f"{cell},2.10").encode())
    row = samples.table[(samples.table["sample_id"] == "A-01") & (samples.table["nutrient"] == "P")].iloc[0]
    value, mark = CENSORED[cell]
    assert row["value"] == pytest.approx(value, nan_ok=True)
    assert row["censored"] == mark
    if mark == "not detected":
        assert any("not measured" in str(p) for p in samples.notes)


@pytest.mark.parametrize("cell", ["", "NA", "N/A", "NT", "NR", "-", "--", ".", "nan"])
def test_untested_cells_give_no_row(cell):
    samples = read_tissue(retyped(WIDE, "0.25,2.10", f"{cell},2.10").encode())
    assert "P" not in held(samples)["A-01"]
    assert len(samples.table) == 15


@pytest.mark.parametrize(
    ("cell", "reason"), [("-999", "missing code"), ("9999", "missing code"), ("QNS", "too small")]
)
def test_missing_with_a_reason_keeps_it(cell, reason):
    samples = read_tissue(retyped(WIDE, ",22,", f",{cell},").encode())
    row = samples.table[(samples.table["sample_id"] == "A-01") & (samples.table["nutrient"] == "Zn")].iloc[0]
    assert np.isnan(row["value"])
    assert reason in row["flag"]


def test_zero_is_noted_not_hidden():
    samples = read_tissue(retyped(WIDE, "0.25,2.10", "0.00,2.10").encode())
    assert held(samples)["A-01"]["P"] == 0
    assert any("is zero" in str(p) for p in samples.notes)


REFUSED = {
    "nothing but oxides": ("Sample,P2O5 (%),K2O (%)\nA,0.6,2.1\n", ["P2O5", "K2O", "elemental"]),
    "fresh weight, German": (GERMAN.replace("Kalium (%)", "Kalium (% FM)"), ["dry matter"]),
    "fresh weight, Spanish note": ("Resultados sobre materia fresca\n" + SPANISH, ["dry matter"]),
    "nothing but nitrate, ion or element": ("Sample,Nitrate (ppm)\nA,500\n", ["NO3-N"]),
    "unknown unit": (WIDE.replace("N (%)", "N (lb/ac)"), ["lb/ac"]),
    "unknown unit in a unit row": (SPLIT_HEADER.replace(",%,%", ",bu,%"), ["bu"]),
    "unknown unit in a long file": (LONG.replace("N,3.21,%", "N,3.21,lb"), ["row 2", "lb"]),
    "sap": (WIDE.replace("K (%)", "K (mg/L)"), ["K (mg/L)", "dry matter"]),
    "fresh weight, header": (WIDE.replace("K (%)", "K (% fresh weight)"), ["dry matter"]),
    "fresh weight, note": ("Results on fresh weight basis\n" + WIDE, ["dry matter"]),
    "sap as the plant part": ("Sample,Plant part,K (%)\nA,petiole sap,3.1\n", ["row 2", "petiole sap"]),
    "text in a number": (WIDE.replace("0.31", "abc"), ["row 3", "P (%)", "abc", "plain number"]),
    "two texts in numbers": (WIDE.replace("0.31", "abc").replace("3.21", "3.2.1"), ["row 2", "3.2.1", "abc"]),
    "a range for a result": (WIDE.replace("0.31", "0.25-0.31"), ["range", "row 3"]),
    "a negative result": (WIDE.replace("0.31", "-0.31"), ["below zero"]),
    "two decimal marks": (WIDE.replace("0.31", '"0,31"'), ["row 3", "decimal mark"]),
    "unclear decimal mark": (b"Sample\tZn (ppm)\tFe (ppm)\nA\t1,320\t2,450\n", ["1,320", "decimal"]),
    "grouping that is none": (WIDE.replace("1320", '"1,32,0"'), ["1,32,0"]),
    "thousand letter": (WIDE.replace("1320", "1.3k"), ["1.3k"]),
    "N in % under ppm": ("Sample,N (ppm)\nA,3.2\nB,49000\n", ["no plant contains 3.2 mg/kg N", "row 2"]),
    "impossible here, usual in g/kg": ("Sample,N (%)\nA,29\nB,2.9\n", ["no plant contains 29 % N", "N=g/kg"]),
    "a soil report": ("Sample,pH,P ppm,K ppm,Ca ppm\nA,6.5,22,145,2200\n", ["'pH'", "a soil report"]),
    "impossible percent": (WIDE.replace("0.25,2.10", "0.25,210"), ["210", "K (%)", "row 2"]),
    "g/kg labelled percent": ("Sample,P (%),Ca (%),S (%)\nA,2.5,15,2.2\nB,3.1,12,2.5\n", ["g/kg"]),
    "one nutrient without unit": ("Sample,N\nA,3.2\nB,2.9\n", ["unit is missing"]),
    "unit as likely as another": ("Sample,K,Ca\nA,7,1.5\nB,8,1.2\n", ["unit is missing"]),
    "two columns for one nutrient": (WIDE.replace("P (%)", "Total N (%)"), ["second column for N"]),
    "unit row against header": ("Sample,N (%)\n,ppm\nA,3\n", ["unit row"]),
    "no nutrients": ("Name,Height\nA,3\n", ["no row or column names nutrients"]),
    "header only": ("Sample,N (%),P (%)\n", ["no results"]),
    "nothing": ("", ["empty"]),
    "a picture": (b"\x89PNG\r\n\x1a\n\x00\x00\x00", ["not a text table"]),
    "a broken workbook": (b"PK\x03\x04nonsense", ["spreadsheet"]),
    "a date in a number": (None, ["a date"]),
}


UNREAD = {
    "oxides": (
        WIDE.replace("P (%)", "P2O5 (%)").replace("K (%)", "K2O (%)"),
        [("P", "P2O5 (%)"), ("K", "K2O (%)")],
    ),
    "potash": (WIDE.replace("K (%)", "Potash (%)"), [("K", "Potash (%)")]),
    "potash, German": (GERMAN.replace("Kalium", "Kali"), [("K", "Kali (%)")]),
    "potash, Spanish": (
        SPANISH.replace("Potasio en hoja", "Óxido de potasio"),
        [("K", "Óxido de potasio (%)")],
    ),
    "a word behind the name": (WIDE.replace("Zn (ppm)", "Zn xyz"), [("Zn", "Zn xyz")]),
    "an oxide in a long table": (LONG.replace("K,2.1,%", "K2O,2.1,%").replace("K,1.85", "K2O,1.85"),
                                 [("K", "K2O")]),
    "an oxide beside its element": (WIDE.replace("Mg (%)", "K2O (%)"), []),
    "nitrate, ion or element": (WIDE.replace("Zn (ppm)", "Nitrate (ppm)"), []),
}  # fmt: skip


@pytest.mark.parametrize("name", UNREAD)
def test_what_is_not_read_is_set_aside_and_named(name):
    data, unread = UNREAD[name]
    samples = read_tissue(as_bytes(data), name="lab.csv")
    assert list(samples.unread[["nutrient", "column"]].itertuples(index=False, name=None)) == unread
    lost = {n for n, _ in unread}
    for sample, values in BOTH.items():
        found = held(samples)[sample]
        assert not lost & set(found)
        assert all(values[n] == pytest.approx(v, rel=1e-12) for n, v in found.items())
    assert len(held(samples)["A-01"]) == len(A) - max(1, len(unread))
    assert "set aside" in samples.summary() or "not read" in samples.summary()


@pytest.mark.parametrize("name", [n for n in REFUSED if REFUSED[n][0] is not None])
def test_bad_files_are_refused_with_place_and_remedy(name):
    data, words = REFUSED[name]
    with pytest.raises(InputError) as error:
        read_tissue(as_bytes(data), name="lab.csv")
    assert "lab.csv" in str(error.value)
    for word in words:
        assert word in str(error.value)


def test_a_number_the_spreadsheet_turned_into_a_date(workbook):
    import datetime as dt

    rows = [["Sample", "N (%)", "P (%)"], ["A", 3.2, dt.date(2024, 3, 21)]]
    with pytest.raises(InputError, match="a date, not a number"):
        read_tissue(workbook(rows, "xlsx"))


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match="file not found"):
        read_tissue(tmp_path / "gone.csv")


def repacked(data, change):
    """The same workbook with the text of its sheets changed."""
    import io
    import zipfile

    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w") as new:
        for part in old.namelist():
            text = old.read(part)
            new.writestr(part, change(text) if "worksheets/" in part else text)
    return stream.getvalue()


def test_a_cell_absurdly_far_away_is_refused(workbook):
    data = workbook([line.split(",") for line in WIDE.splitlines()], "xlsx")
    assert_both(read_tissue(repacked(data, lambda xml: xml)))
    with pytest.raises(InputError, match="absurdly far apart"):
        read_tissue(repacked(data, lambda xml: xml.replace(b'r="A3"', b'r="A39999999"')))


def test_a_damaged_sheet_is_told(workbook):
    data = workbook([line.split(",") for line in WIDE.splitlines()], "xlsx")
    with pytest.raises(InputError):
        read_tissue(repacked(data, lambda xml: xml[: len(xml) // 2]))


@pytest.mark.parametrize("unit", ["ug/kg", "µg/kg", "μg/kg", "ppb", "ug kg-1"])
def test_micrograms_a_kilogram_are_thousandths_of_milligrams(unit):
    sheet = f"Sample,Crop,Stage,Part,N (%),B ({unit})\nA,soybean,R1,trifoliate,5,30000\n"
    rows = read_tissue(StringIO(sheet)).table.set_index("nutrient")
    assert rows["value"]["B"] == pytest.approx(30)  # mg/kg: the SI prefixes
    assert rows["unit"]["B"] == "mg/kg"
