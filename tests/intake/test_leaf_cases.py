"""The right reading of reports in shapes laboratories use: sample, crop, stage, part, values and ratings.

Every reading is written by hand from the file's own text (``tests/cases/README.md``; invented values), macros
in % and the others in mg/kg. A value is a number, or (number, the laboratory's rating or mark).
"""

from pathlib import Path

import numpy as np
import pytest

from fertkit.errors import InputError
from fertkit.intake import read_tissue

CASES = Path(__file__).parents[1] / "cases" / "leaf"
CORN = ("corn", "R1", "ear leaf")
SOY = ("soybean", "R2", "upper trifoliate without petiole")
NONE = ("", "", "")
NAN = float("nan")

READ = {
    "names_like_totals.csv": {
        "Check": (CORN, {"N": 2.1, "K": 1.2}),
        "Standard": (CORN, {"N": 2.2, "K": 1.3}),
        "Low": (CORN, {"N": 2.0, "K": 1.1}),
        "High": (CORN, {"N": 3.1, "K": 2.3}),
        "Treated": (CORN, {"N": 3.1, "K": 2.2}),
    },
    "stacked_blocks.csv": {
        "A-01": (CORN, {"N": (2.45, "Low"), "K": (1.42, "Low"), "Zn": (18, "Low")}),
        "B-02": (SOY, {"N": (5.1, "Suff"), "K": (1.22, "Low"), "Zn": (33, "Suff")}),
    },
    "glued_units.csv": {
        "1": (CORN, {"N": 3.05, "P": 0.31, "K": 2.1, "S": 0.2, "Zn": 9, "Mn": 42, "B": 9}),
    },
    "rating_rows.csv": {
        "West 80": (CORN, {"N": (2.61, "L"), "P": (0.29, "S"), "K": (1.95, "S"), "Ca": (0.48, "S"),
                           "Mg": (0.21, "S"), "S": (0.16, "S"), "Zn": (19, "L"), "Mn": (42, "S"),
                           "Fe": (110, "S"), "Cu": (8, "S"), "B": (7, "S")}),
        "East 40": (CORN, {"N": (3.11, "S"), "P": (0.33, "S"), "K": (2.05, "S"), "Ca": (0.50, "S"),
                           "Mg": (0.25, "S"), "S": (0.21, "S"), "Zn": (26, "S"), "Mn": (50, "S"),
                           "Fe": (99, "S"), "Cu": (9, "S"), "B": (9, "S")}),
    },
    "extra_columns.csv": {
        "D1": (CORN, {"N": 2.95, "NO3-N": 310, "P": 0.31, "K": 1.9, "Ca": 0.52, "Mg": 0.2, "S": 0.19,
                      "Na": 0.005, "Cl": 0.31, "Fe": 980, "Al": 1250, "Mn": 88, "Zn": 24, "Cu": 9, "B": 9,
                      "Mo": 0.21}),
    },
    "wrapped_report.csv": {
        "0031": (CORN, {"N": (2.8, "L"), "P": (0.27, "S"), "K": (1.7, "S"), "Mg": (0.17, "S"),
                        "Ca": (0.44, "S"), "S": (0.17, "S"), "Na": 0.01, "B": (6, "S"), "Zn": (17, "L"),
                        "Mn": (33, "S"), "Fe": (88, "S"), "Cu": (7, "S"), "Al": 41}),
    },
    "analyte_names.csv": {
        "1": (CORN, {"N": 2.61, "P": 0.28, "K": 1.42, "SO4-S": 900, "Ni": 0.5, "Si": 0.6, "Se": 0.1,
                     "Co": 0.02})
    },
    "oxide_beside_element.csv": {"1": (CORN, {"N": 2.45, "P": 0.28, "K": 1.42})},
    "flags_and_footer.csv": {
        "1": (CORN, {"N": 2.45, "K": 1.42, "S": 0.13}),
        "2": (CORN, {"N": (NAN, "<RL"), "K": 1.9}),
        "3": (CORN, {"K": (NAN, "TNTC"), "S": 0.2}),
        "4": (CORN, {"N": (2.9, "*"), "K": (1.9, "L"), "S": (0.14, "DEF")}),
        "5": (CORN, {"N": 2.9, "K": 1.9, "S": (NAN, "Low")}),
    },
    "commodity.csv": {
        "0099": (CORN, {"N": 2.6, "P": 0.28, "K": 1.4, "S": 0.15, "NO3-N": 200, "Mn": 25, "Zn": 17, "Fe": 70,
                        "B": 5}),
    },
    "result_low_high.csv": {"1": (CORN, {"N": 2.45, "K": 1.42})},
    "grouped_headers.csv": {
        "S1": (("canola", "rosette", "youngest mature leaf"),
               {"N": 4.2, "P": 0.35, "K": 2.9, "Ca": 1.8, "Mg": 0.3, "S": 0.31, "Zn": 22, "Fe": 90, "Mn": 35,
                "Cu": 3.2, "B": 18}),
    },
    "your_level.csv": {
        "sample 1": (NONE, {"N": (2.45, "Low"), "K": (1.42, "Low"), "S": (0.13, "Low"), "Zn": (18, "Low")}),
    },
    "two_blocks.csv": {
        "1": (CORN, {"N": 2.5, "P": 0.25, "K": 1.5, "S": 0.14, "Fe": 88, "Mn": 33, "Zn": 13, "B": 6}),
        "2": (CORN, {"N": 3.0, "P": 0.31, "K": 2.1, "S": 0.21, "Fe": 92, "Mn": 41, "Zn": 28, "B": 8}),
    },
    "range_rows.csv": {
        "West 80": (NONE, {"N": 2.61, "P": 0.29, "K": 1.95, "S": 0.16, "Zn": 19, "Mn": 42}),
    },
}  # fmt: skip

ASIDE = {  # lines and columns the report must name as not used
    "rating_rows.csv": [
        "range line 'Sufficiency Low'",
        "range line 'Sufficiency High'",
        "rating line 'Rating'",
    ],
    "extra_columns.csv": [
        "column 'Moisture %'",
        "column 'Dry Matter %'",
        "column 'Nitrate %'",
        "column 'N:S'",
    ],
    "analyte_names.csv": [
        f"column '{name}'" for name in ("TKN %", "NO3 ppm", "Nitrate ppm", "NH4-N ppm", "Crude protein %")
    ],
    "oxide_beside_element.csv": ["column 'P2O5 %'", "column 'K2O %'"],
    "flags_and_footer.csv": [
        "summary line 'Mean'",
        "summary line 'Std Dev'",
        "range line 'Sufficiency range'",
    ],
    "range_rows.csv": ["range line 'Sufficiency Low'", "range line 'Sufficiency High'"],
    "your_level.csv": ["column 'Sufficient range'"],
}


def reading(samples):
    """sample -> ((crop, stage, part), {nutrient: value or (value, flag)}) of what was read."""
    found = {}
    for (_, name), rows in samples.table.groupby(["specimen", "sample_id"], sort=False):
        assert name not in found, f"{name} twice"
        first = rows.iloc[0]
        where = (first["crop"], first["growth_stage"], first["plant_part"].lower())
        cells = {r.nutrient: (r.value, r.flag) for r in rows.itertuples()}
        found[name] = (where, cells)
    return found


def assert_reads(samples, right):
    found = reading(samples)
    assert list(found) == list(right)
    for name, (where, cells) in right.items():
        got, values = found[name]
        assert got[:2] == where[:2]
        assert got[2].replace("earleaf", "ear leaf") == where[2]
        told = {n: c if isinstance(c, tuple) else (c, "") for n, c in cells.items()}
        assert {n: flag for n, (_, flag) in values.items()} == {n: flag for n, (_, flag) in told.items()}
        for nutrient, (value, _) in told.items():
            assert values[nutrient][0] == pytest.approx(value, rel=1e-12, nan_ok=True), (name, nutrient)


@pytest.mark.parametrize("file", READ)
def test_case_files_are_read_rightly(file):
    samples = read_tissue(CASES / file)
    assert_reads(samples, READ[file])
    aside = set(samples.report.loc[samples.report["what"] == "not used", "item"])
    assert set(ASIDE.get(file, ())) <= aside


def test_what_a_verdict_may_not_pass_over_is_listed():
    unread = {file: read_tissue(CASES / file).unread for file in READ}
    listed = {file: list(table["nutrient"]) for file, table in unread.items() if len(table)}
    assert listed == {"flags_and_footer.csv": ["S"]}  # rated Low in sample 5, without a number


def test_summaries_set_aside_are_said_in_notes_and_summary():
    samples = read_tissue(CASES / "flags_and_footer.csv")
    said = "\n".join(map(str, samples.notes))
    assert "'Mean', 'Std Dev' (rows 7, 8)" in said
    assert "'Sufficiency range' (row 9)" in said
    assert "'Mean', 'Std Dev' (rows 7, 8)" in samples.summary()


PAGE = "Sample ID:,{0},,\nCrop:,{1},,\nStage:,{2},,\nPart:,{3},,\nNutrient,Units,Result,Rating\n"
TWO = {
    "A": (CORN, {"N": 2.45, "K": 1.42, "Zn": 14}),
    "B": (SOY, {"N": 5.1, "K": 1.22, "Zn": 33}),
}
RATED = {
    "A": (CORN, {"N": (2.45, "L"), "K": (1.42, "L"), "Zn": (14, "L")}),
    "B": (SOY, {"N": (5.1, "S"), "K": (1.22, "L"), "Zn": (33, "S")}),
}
SHEETS = {
    "long blocks": (
        PAGE.format("A", *CORN) + "N,%,2.45,L\nK,%,1.42,L\nZn,ppm,14,L\nPage 2,,,\n"
        + PAGE.format("B", *SOY) + "N,%,5.1,S\nK,%,1.22,L\nZn,ppm,33,S\n",
        RATED,
    ),
    "long blocks under one header": (
        PAGE.format("A", *CORN) + "N,%,2.45,L\nK,%,1.42,L\nZn,ppm,14,L\n"
        + PAGE.format("B", *SOY).rsplit("\n", 2)[0] + "\nN,%,5.1,S\nK,%,1.22,L\nZn,ppm,33,S\n",
        RATED,
    ),
    "wide blocks, semicolons, decimal commas": (
        "Probe:;A;;\nKultur:;Mais;;\nStadium:;R1;;\nOrgan:;ear leaf;;\nN (%);K (% TM);Zn (mg/kg TM);\n"
        "2,45;1,42;14;\n;;;\nProbe:;B;;\nKultur:;Sojabohne;;\nStadium:;R2;;\n"
        "Organ:;upper trifoliate without petiole;;\nN (%);K (% TM);Zn (mg/kg TM);\n5,1;1,22;33;\n",
        TWO,
    ),
    "lines of context between samples of one table": (
        "Sample,N %,K %,Znppm\nCrop: Corn,Stage: R1,Part: ear leaf,\nA,2.45,1.42,14\n"
        "Crop: Soybean,Stage: R2,Part: upper trifoliate without petiole,\nB,5.1,1.22,33\n",
        TWO,
    ),
    "turned tables, one below the other": (
        "Sample,A\nCrop,Corn\nStage,R1\nPart,Ear leaf\nN %,2.45\nK %,1.42\nZn ppm,14\n"
        "Sample,B\nCrop,Soybean\nStage,R2\nPart,upper trifoliate without petiole\n"
        "N %,5.1\nK %,1.22\nZn ppm,33\n",
        TWO,
    ),
    "tables side by side": (
        "Sample:,A,,,Sample:,B,\nCrop:,Corn,,,Crop:,Soybean,\nStage:,R1,,,Stage:,R2,\n"
        "Part:,Ear leaf,,,Part:,upper trifoliate without petiole,\n"
        "Nutrient,Unit,Result,,Nutrient,Unit,Result\nN,%,2.45,,N,%,5.1\nK,%,1.42,,K,%,1.22\nZn,ppm,14,,Zn,ppm,33\n",
        TWO,
    ),
    "macros left, micros right": (
        "Sample: A,,,,,\nCrop: Corn   Stage: R1   Part: Ear leaf,,,,,\n"
        "Nutrient,Result %,Rating,Nutrient,Result ppm,Rating\nN,2.45,L,Zn,14,L\nK,1.42,L,Fe,88,S\n",
        {"A": (CORN, {"N": (2.45, "L"), "K": (1.42, "L"), "Zn": (14, "L"), "Fe": (88, "S")})},
    ),
    "micros first, joined by sample": (
        "Sample,Zn ppm,Mn ppm,B ppm\nA,14,33,6\nB,33,41,40\n\nSample,Crop,Stage,Part,N %,K %\n"
        "A,Corn,R1,Ear leaf,2.45,1.42\nB,Soybean,R2,upper trifoliate without petiole,5.1,1.22\n",
        {"A": (CORN, {"Zn": 14, "Mn": 33, "B": 6, "N": 2.45, "K": 1.42}),
         "B": (SOY, {"Zn": 33, "Mn": 41, "B": 40, "N": 5.1, "K": 1.22})},
    ),
    "a second sample without a crop does not take the first one's": (
        PAGE.format("A", *CORN) + "N,%,2.45,L\nSample ID:,B,,\nNutrient,Units,Result,Rating\nN,%,5.1,S\n",
        {"A": (CORN, {"N": (2.45, "L")}), "B": (NONE, {"N": (5.1, "S")})},
    ),
    "the second page of a sample keeps its crop": (
        PAGE.format("A", *CORN)
        + "N,%,2.45,L\nSample ID:,A,,\nNutrient,Units,Result,Rating\nZn,ppm,14,L\n",
        {"A": (CORN, {"N": (2.45, "L"), "Zn": (14, "L")})},
    ),
    "names of ranges and totals with a crop of their own": (
        "Sample,Crop,Stage,Part,N %,K %\nRange,Corn,R1,Ear leaf,2.1,1.2\nTotal,Corn,R1,Ear leaf,2.2,1.3\n"
        "Max,Corn,R1,Ear leaf,2.9,1.7\nMean,,,,2.4,1.4\nLSD 0.05,,,,0.3,0.2\n",
        {"Range": (CORN, {"N": 2.1, "K": 1.2}), "Total": (CORN, {"N": 2.2, "K": 1.3}),
         "Max": (CORN, {"N": 2.9, "K": 1.7})},
    ),
    "a mean with the crop filled in is still a mean": (  # 2.1 and 2.9 give 2.5; 1.2 and 1.8 give 1.5
        "Sample,Crop,Stage,Part,N %,K %\nA,Corn,R1,Ear leaf,2.1,1.2\nB,Corn,R1,Ear leaf,2.9,1.8\n"
        "Mean,Corn,R1,Ear leaf,2.5,1.5\n",
        {"A": (CORN, {"N": 2.1, "K": 1.2}), "B": (CORN, {"N": 2.9, "K": 1.8})},
    ),
    "check and standard where the table names no crop": (
        "Sample,N %,K %\nCheck,2.1,1.2\nStandard,2.2,1.3\nTreated,3.1,2.2\nAverage,2.5,1.6\n",
        {"Check": (NONE, {"N": 2.1, "K": 1.2}), "Standard": (NONE, {"N": 2.2, "K": 1.3}),
         "Treated": (NONE, {"N": 3.1, "K": 2.2})},
    ),
    "ranges and ratings in lines without a name": (
        "Sample,Crop,Stage,Part,N %,K %\nA,Corn,R1,Ear leaf,2.45,1.42\n,,,,2.7-4.0,1.7-3.0\n,,,,L,L\n"
        "C,Corn,R1,Ear leaf,3.1,2.2\n,,,,2.7-4.0,1.7-3.0\n,,,,S,S\n",
        {"A": (CORN, {"N": (2.45, "L"), "K": (1.42, "L")}), "C": (CORN, {"N": (3.1, "S"), "K": (2.2, "S")})},
    ),
    "a rating beside each nutrient": (
        "Sample,Crop,Stage,Part,N %,Status,K %,Status\nA,Corn,R1,Ear leaf,2.45,L,1.42,VL\n",
        {"A": (CORN, {"N": (2.45, "L"), "K": (1.42, "VL")})},
    ),
    "names merged over result, low and high": (
        "Sample,Crop,Stage,Part,N (%),,,K (%),,\n,,,,Result,Low,High,Result,Low,High\n"
        "A,Corn,R1,Ear leaf,2.45,2.7,4.0,1.42,1.7,3.0\n",
        {"A": (CORN, {"N": 2.45, "K": 1.42})},
    ),
    "ratings between the samples of a turned table": (
        "Nutrient,Unit,A,Rating,C,Rating,Normal range\nCrop,,Corn,,Corn,,\nStage,,R1,,R1,,\n"
        "Part,,Ear leaf,,Ear leaf,,\nN,%,2.45,L,3.1,S,2.7-4.0\nK,%,1.42,L,2.1,S,1.7-3.0\n",
        {"A": (CORN, {"N": (2.45, "L"), "K": (1.42, "L")}), "C": (CORN, {"N": (3.1, "S"), "K": (2.1, "S")})},
    ),
    "the level as result": (
        "Sample: A\nCrop: corn; Stage: R1; Plant part: ear leaf\nElement\tLevel\tUnit\tLow limit\tStatus\n"
        "N\t2.45\t%\t2.7\tLow\nZn\t18\tppm\t20\tLow\n",
        {"A": (CORN, {"N": (2.45, "Low"), "Zn": (18, "Low")})},
    ),
    "a table of ratings below the values": (
        "Sample,Crop,Stage,Part,N %,K %\nA,Corn,R1,Ear leaf,2.45,1.42\nC,Corn,R1,Ear leaf,3.05,2.1\n\n"
        "Interpretation,,,,,\nSample,Crop,Stage,Part,N,K\nA,Corn,R1,Ear leaf,Low,Low\n"
        "C,Corn,R1,Ear leaf,Sufficient,Sufficient\n",
        {"A": (CORN, {"N": (2.45, "Low"), "K": (1.42, "Low")}),
         "C": (CORN, {"N": (3.05, "Sufficient"), "K": (2.1, "Sufficient")})},
    ),
    "a second column of a nutrient with ratings alone": (
        "Sample,Crop,Stage,Part,N %,N,K %,K\nA,Corn,R1,Ear leaf,2.45,Low,1.42,Low\n",
        {"A": (CORN, {"N": (2.45, "Low"), "K": (1.42, "Low")})},
    ),
    "plots called low and high, then the range in lines without a crop": (
        "Plot,Crop,Stage,Part,N %,K %\nLow,Corn,R1,Ear leaf,2.45,1.42\nHigh,Corn,R1,Ear leaf,3.05,2.1\n"
        "Low,,,,2.7,1.7\nHigh,,,,4.0,3.0\n",
        {"Low": (CORN, {"N": 2.45, "K": 1.42}), "High": (CORN, {"N": 3.05, "K": 2.1})},
    ),
    "units, methods and limits of detection under the header": (
        "Sample,Crop,Stage,Part,N,K,Zn\nUnits,,,,%,%,mg/kg\nMethod,,,,Dumas,ICP,ICP\nLOD,,,,0.01,0.01,1\n"
        "A,Corn,R1,Ear leaf,2.45,1.42,14\nAverage of 1 sample,,,,2.45,1.42,14\n",
        {"A": (CORN, {"N": 2.45, "K": 1.42, "Zn": 14})},
    ),
    "one crop above, a sample line over each table": (
        "Crop: Corn,,\nGrowth stage: R1,,\nPlant part: Ear leaf,,\n,,\nSample ID: A-01,,\n"
        "Nutrient,Result,Unit\nN,2.45,%\nK,1.42,%\n,,\nSample ID: A-02,,\nNutrient,Result,Unit\n"
        "N,3.05,%\nK,2.10,%\n",
        {"A-01": (CORN, {"N": 2.45, "K": 1.42}), "A-02": (CORN, {"N": 3.05, "K": 2.1})},
    ),
    "a printed page with several labels a line": (
        "PLANT REPORT\nSample ID: A        Crop: Corn\nGrowth stage: R1       Plant part: Ear leaf\n\n"
        "Nutrient     Result   Unit    Sufficient     Rating\n"
        "Nitrogen     2.45     %       2.70-4.00      L\n"
        "Potassium    1.42     %       1.70-3.00      L\nZinc         14       ppm     20-70          L\n\n"
        "Sample ID: B        Crop: Soybean\n"
        "Growth stage: R2       Plant part: Upper trifoliate without petiole\n\n"
        "Nutrient     Result   Unit    Sufficient     Rating\n"
        "Nitrogen     5.10     %       4.5-5.5        S\n"
        "Potassium    1.22     %       1.7-2.5        L\nZinc         33       ppm     20-70          S\n",
        RATED,
    ),
    "samples called low, field and range over their tables": (
        "Sample ID,Low,\nCrop,Corn,\nStage,R1,\nPart,Ear leaf,\nNutrient,Units,Result\n"
        "N,%,2.45\nK,%,1.42\n,,\nSample ID,Range,\nCrop,Soybean,\nStage,R2,\n"
        "Part,upper trifoliate without petiole,\n"
        "Nutrient,Units,Result\nN,%,5.1\nK,%,1.22\n",
        {"Low": (CORN, {"N": 2.45, "K": 1.42}), "Range": (SOY, {"N": 5.1, "K": 1.22})},
    ),
    "a mean with the number of the laboratory": (
        "Sample,Crop,Stage,Part,N %,Lab No.,K %\nA,Corn,R1,Ear leaf,2.45,L-88,1.42\n"
        "C,Corn,R1,Ear leaf,3.1,L-88,2.2\nMean,,,,2.9,L-88,1.7\n",
        {"A": (CORN, {"N": 2.45, "K": 1.42}), "C": (CORN, {"N": 3.1, "K": 2.2})},
    ),
    "the header of a turned table repeated": (
        "Sample,Unit,A,C\nCrop,,Soybean,Corn\nStage,,R2,R1\n"
        "Part,,upper trifoliate without petiole,Ear leaf\nN,%,5.1,3.1\nK,%,1.22,2.2\nSample,Unit,A,C\n"
        "Zn,ppm,33,30\nMn,ppm,41,50\n",
        {"A": (SOY, {"N": 5.1, "K": 1.22, "Zn": 33, "Mn": 41}),
         "C": (CORN, {"N": 3.1, "K": 2.2, "Zn": 30, "Mn": 50})},
    ),
    "one nutrient in two units": (
        "Sample,Crop,Stage,Part,N %,N (g/kg),Zn ppm\nA,Corn,R1,Ear leaf,2.45,24.5,14\n",
        {"A": (CORN, {"N": 2.45, "Zn": 14})},
    ),
    "an uptake beside the concentration": (
        "Sample,Crop,Stage,Part,N %,N (lb/ac),Zn ppm\nA,Corn,R1,Ear leaf,2.45,120,14\n",
        {"A": (CORN, {"N": 2.45, "Zn": 14})},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SHEETS)
def test_invented_sheets_are_read_rightly(name):
    text, right = SHEETS[name]
    assert_reads(read_tissue(text.encode()), right)


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_a_page_of_blocks_in_a_workbook(workbook, kind):
    rows = [line.split(",") for line in SHEETS["long blocks"][0].splitlines()]
    rows = [[float(c) if c.replace(".", "", 1).isdigit() else c for c in row] for row in rows]
    assert_reads(read_tissue(workbook(rows, kind)), RATED)


REFUSED = {
    "low and high beside a sample": (
        "Sample,N %,K %\nWest 80,2.45,1.42\nLow,2.7,1.7\nHigh,4.0,3.0\n",
        ["row 3", "row 4", "'Low' may be a sample or the end of a laboratory range", "rename it"],
    ),
    "names below their tables": (
        "Nutrient,Unit,Result\nN,%,2.45\nSample:,A,\nCrop:,Corn,\nNutrient,Unit,Result\nN,%,5.1\n"
        "Sample:,B,\nCrop:,Soybean,\n",
        ["below the last table", "above their table"],
    ),
    "two columns of results without names": (
        "Sample: A,,,\nNutrient,Unit,Result,Result\nN,%,2.45,3.1\nK,%,1.42,2.2\n",
        ["several columns of results", "name the others after their samples"],
    ),
    "a column of fresh weight": (
        "Sample,N %,K (mg/kg f.w.)\nA,2.45,4200\n",
        ["K (mg/kg f.w.)", "dry matter"],
    ),
    "a broken line": (
        "Sample,Crop,Stage,Part,N %,K %\nA,Corn,R1,Ear leaf,2.45,1.42\nC,Corn,R1,Ear leaf\n3.05,2.1,,,,\n",
        ["row 4", "a number where a word belongs", "broken or shifted"],
    ),
    "one nutrient twice, and not alike": (
        "Sample,N %,N (g/kg)\nA,2.45,31.5\n",
        ["second column for N", "keep one,"],
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_can_be_read_two_ways_is_refused_in_words(name):
    text, words = REFUSED[name]
    with pytest.raises(InputError) as error:
        read_tissue(text.encode(), name="lab.csv")
    for word in words:
        assert word in str(error.value)


def test_low_as_the_only_word_of_a_result_is_no_number_and_no_silence():
    text = "Sample,Crop,Stage,Part,N %,K %\nA,Corn,R1,Ear leaf,3.1,Low\n"
    samples = read_tissue(text.encode())
    row = samples.table.set_index("nutrient").loc["K"]
    assert np.isnan(row["value"])
    assert row["flag"] == "Low"
    assert samples.unread[["nutrient", "why"]].values.tolist() == [
        ["K", "rated 'Low' without a number in sample A"]
    ]
    assert "no number in sample" in "\n".join(map(str, samples.notes))
