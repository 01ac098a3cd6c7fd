"""The right reading of soil reports in shapes laboratories use: field, layer, test, extractant, value.

Every reading is written by hand from the file's own text (``tests/cases/README.md``; invented values).
"""

from io import StringIO
from pathlib import Path

import pytest

from fertkit.errors import InputError, LookupFailed
from fertkit.intake import read_soil

CASES = Path(__file__).parents[1] / "cases" / "soil"
AA, M3, NAN = "ammonium acetate", "Mehlich-3", float("nan")
#: Atomic weight by charge, mg a milliequivalent, times ten for 100 g (K 39.0983, Ca 40.078, Mg 24.305).
MEQ = {"K": 390.983, "Ca": 200.39, "Mg": 121.525}
#: P in P2O5 and K in K2O, by the same weights: 61.947524 of 141.942524 and 78.1966 of 94.1956.
P_IN, K_IN = 0.436427, 0.830151

# file: (options, depth [in], results by sample or field: (analyte, extractant, method): (value, unit))
READ = {
    "wide_titles.csv": ({}, 6, {
        "North": {("pH", "", ""): 6.3, ("buffer_pH", "", ""): 6.8, ("OM", "", ""): (3.1, "%"),
                  ("CEC", "", ""): (16.2, "meq/100 g"), ("P", "Bray-P1", ""): 14, ("K", AA, ""): 131,
                  ("Zn", "DTPA", ""): 0.7},
        "South": {("pH", "", ""): 7.0, ("buffer_pH", "", ""): 7.1, ("OM", "", ""): (2.6, "%"),
                  ("CEC", "", ""): (12.4, "meq/100 g"), ("P", "Bray-P1", ""): 31, ("K", AA, ""): 188,
                  ("Zn", "DTPA", ""): 1.6},
    }),
    "units_row.csv": ({}, NAN, {
        "North 80": {("P", M3, ""): 22, ("K", M3, ""): 140, ("S", M3, "sulfate"): 9,
                     ("OM", "", ""): (3.3, "%"), ("CEC", "", ""): (15, "meq/100 g"), ("pH", "", ""): 6.5},
        "South 40": {("P", M3, ""): 41, ("K", M3, ""): 210, ("S", M3, "sulfate"): 12,
                     ("OM", "", ""): (4.0, "%"), ("CEC", "", ""): (19, "meq/100 g"), ("pH", "", ""): 6.9},
    }),
    "long_methods.csv": ({}, {"NO3-N": 24, "": 6}, {
        "Hill": {("P", "Olsen", ""): 9.5, ("K", AA, ""): 142, ("pH", "", ""): 7.6,
                 ("OM", "", "loss on ignition"): (2.9, "%"), ("Zn", "DTPA", ""): 0.6,
                 ("NO3-N", "nitrate", ""): (38, "lb/ac")},
    }),
    "transposed.csv": ({}, NAN, {
        "North": {("P", M3, "ICP"): 34, ("K", M3, ""): 190, ("pH", "", ""): 6.6},
        "South": {("P", M3, "ICP"): 18, ("K", M3, ""): 128, ("pH", "", ""): 6.1,
                  ("buffer_pH", "", "Sikora"): 6.7},
    }),
    "two_extractants.csv": ({}, NAN, {
        "A": {("P", "Bray-P1", ""): 18, ("P", "Bray-P2", ""): 44, ("P", M3, ""): 25, ("P", "Olsen", ""): 11,
              ("K", M3, ""): 150},
    }),
    "ratings_and_saturations.csv": ({}, NAN, {
        "1-A": {("P", "Bray-P1", ""): 12, ("K", AA, ""): 98, ("pH", "", ""): 6.2},
        "1-B": {("P", "Bray-P1", ""): 55, ("K", AA, ""): 240, ("pH", "", ""): 6.6},
    }),
    "means_below.csv": ({}, NAN, {
        "1": {("P", "Olsen", ""): 8, ("K", AA, ""): 120}, "2": {("P", "Olsen", ""): 10, ("K", AA, ""): 140},
        "3": {("P", "Olsen", ""): 12, ("K", AA, ""): 130},
    }),
    "lb_per_acre.csv": ({}, 7, {"Oak": {("P", "Bray-P1", ""): 20, ("K", AA, ""): 150, ("pH", "", ""): 6.4}}),
    "oxides_de.csv": ({}, 12, {
        "Hofacker": {("pH", "", "CaCl2"): 6.4, ("P", "CAL", ""): 180 * P_IN, ("K", "CAL", ""): 240 * K_IN,
                     ("OM", "", ""): (2.1, "%")},
        "Langes Feld": {("pH", "", "CaCl2"): 5.9, ("P", "CAL", ""): 90 * P_IN, ("K", "CAL", ""): 110 * K_IN,
                        ("OM", "", ""): (1.8, "%")},
    }),
    "espanol.csv": ({}, 8, {
        "La Loma": {("P", "Bray-P1", ""): 11.5, ("K", AA, ""): 245, ("OM", "", ""): (3.4, "%"),
                    ("pH", "", ""): 6.0},
        "El Bajo": {("P", "Bray-P1", ""): 24, ("K", AA, ""): 310, ("OM", "", ""): (4.1, "%"),
                    ("pH", "", ""): 6.3},
    }),
    "exchangeable.csv": ({}, NAN, {
        "A": {("K", AA, ""): 0.4 * MEQ["K"], ("Ca", AA, ""): 9 * MEQ["Ca"], ("Mg", AA, ""): 2.5 * MEQ["Mg"],
              ("CEC", "", ""): (14, "meq/100 g"), ("P", "Olsen", ""): 12},
    }),
    "recommendations.csv": ({}, NAN, {"A": {("P", "Bray-P1", ""): 12, ("K", AA, ""): 110}}),
    "no_extractant.csv": ({"extractant": {"P": "Bray 1", "K": "NH4OAc"}}, NAN, {
        "A": {("P", "Bray-P1", ""): 12, ("K", AA, ""): 110, ("pH", "", ""): 6.4},
        "B": {("P", "Bray-P1", ""): 15, ("K", AA, ""): 150, ("pH", "", ""): 6.6},
    }),
    "no_unit.csv": ({"units": {"P": "mg/kg", "K": "ppm", "OM": "%"}, "depth_in": 6}, 6, {
        "A": {("P", "Olsen", ""): 12, ("K", AA, ""): 110, ("OM", "", ""): (3.1, "%"), ("pH", "", ""): 6.4},
    }),
    "extractant_above.csv": ({}, NAN, {
        "A": {("P", M3, ""): 12, ("K", M3, ""): 110, ("Zn", M3, ""): 1.4, ("pH", "", ""): 6.4},
    }),
    # 1 lb/ac is 1.12085 kg/ha (NIST SP 811), 2 lb/ac a ppm (two million pounds of soil)
    "kg_per_ha.csv": ({}, 6, {
        "A": {("P", "Olsen", ""): 22.4 / 1.12085 / 2, ("K", AA, ""): 269 / 1.12085 / 2},
    }),
    "ppm_beside_lb.csv": ({}, 8, {"A": {("P", M3, ""): 15, ("K", M3, ""): 120}}),
    "stacked.csv": ({}, NAN, {
        "North": {("P", "Olsen", ""): 12, ("K", AA, ""): 140},
        "South": {("P", "Olsen", ""): 22, ("K", AA, ""): 160},
    }),
    "three_headers.csv": ({}, NAN, {
        "A": {("P", "Bray-P1", ""): 12, ("P", M3, ""): 20, ("K", AA, ""): 130, ("K", M3, ""): 140,
              ("pH", "", ""): 6.4},
    }),
    "numbers_and_names.csv": ({}, NAN, {
        "North": {("pH", "", ""): 6.4, ("P", M3, ""): 12, ("K", M3, ""): 120},
        "South": {("pH", "", ""): 6.6, ("P", M3, ""): 22, ("K", M3, ""): 140},
    }),
    "nitrate_ion.csv": ({"columns": {"NO3-N ppm": "Nitrate ppm"}}, NAN, {
        "A": {("NO3-N", "nitrate", ""): 44, ("P", "Olsen", ""): 12},
    }),
}  # fmt: skip


def test_every_case_is_read_here_or_refused():
    names = {path.name for path in CASES.iterdir()}
    assert names == {*READ, *REFUSED, *OTHERWISE}


@pytest.mark.parametrize("file", READ)
def test_the_right_reading(file):
    options, depth, samples = READ[file]
    tests = read_soil(CASES / file, **options)
    table = tests.table
    got = {}
    for r in table.itertuples():
        name = r.sample if r.sample in samples else r.field
        assert (name, r.analyte, r.extractant, r.method) not in got
        got[name, r.analyte, r.extractant, r.method] = r.value, r.unit
        assert r.censored == ""
        wanted = depth.get(r.analyte, depth[""]) if isinstance(depth, dict) else depth
        assert r.depth_in == wanted or (wanted != wanted and r.depth_in != r.depth_in)
    right = {}
    for name, results in samples.items():
        for (analyte, *how), value in results.items():
            own = value if isinstance(value, tuple) else (value, "" if analyte.endswith("pH") else "ppm")
            right[name, analyte, *how] = own
    assert got.keys() == right.keys()
    for key, (value, unit) in right.items():
        assert got[key] == (pytest.approx(value, rel=1e-5), unit), key
    assert tests.summary()


# file: (options, what each message says); all problems at once
REFUSED = {
    "no_extractant.csv": ["column 'P ppm': the extractant of P", "column 'K ppm': the extractant of K"],
    "no_unit.csv": ["the unit of P", "the unit of K", "the unit of OM"],
    "slipped.csv": ["row 2, .*'12000': .* K lies between", "row 2, .*'65': .* pH lies between"],
    "nitrate_ion.csv": ["'Nitrate ppm': ion or element.* NO3 or NO3-N"],
    "dates_two_ways.csv": ["row 2, .*'03/04/2025': day and month order", "row 3, .*day and month order"],
    "two_columns.csv": [r"row 2, .*'P Bray P1 \(ppm\)': a second column for P \(Bray-P1\)"],
    "field_gap.csv": ["row 4: the field is missing"],
}


@pytest.mark.parametrize("file", REFUSED)
def test_what_is_not_said_is_asked_for_at_once(file):
    with pytest.raises(InputError) as caught:
        read_soil(CASES / file)
    assert len(caught.value.problems) == len(REFUSED[file])
    for wanted in REFUSED[file]:
        with pytest.raises(InputError, match=wanted):
            raise caught.value


# ---- read with something to say

OTHERWISE = ("limits.csv", "grid_points.csv", "two_dates.csv", "several_depths.csv", "uk_index.csv",
             "ratings_alone.csv")  # fmt: skip


def test_limits_are_kept_and_said():
    tests = read_soil(CASES / "limits.csv")
    first = tests.table[tests.table["zone"] == "1"].set_index("analyte")
    assert first.loc["P", ["value", "censored"]].tolist() == [1, "<"]
    assert first.loc["K", ["value", "censored"]].tolist() == [200, ">"]
    levels = tests.levels.set_index(["zone", "analyte"])
    assert levels.loc[("1", "P"), "censored"] == 1
    assert ("2", "Zn") not in levels.index  # not detected, without a limit: no number is made of it
    assert any("without a limit" in str(note) for note in tests.notes)
    assert "count at that limit" in tests.summary()


def test_points_are_averaged_by_field_and_sampling():
    tests = read_soil(CASES / "grid_points.csv")
    levels = tests.levels.set_index(["field", "analyte"])
    # 14, 18, 22 on two days in a row are one sampling: mean 18, deviation 4
    assert levels.loc[("North 80", "P"), ["value", "n", "sd"]].tolist() == [18, 3, pytest.approx(4)]
    assert levels.loc[("Creek", "K"), ["value", "n"]].tolist() == [210, 2]
    assert any("points of a field: North 80 (3 samples), Creek (2" in str(n) for n in tests.notes)


def test_names_of_fields_that_are_known_decide():
    tests = read_soil(CASES / "grid_points.csv", fields=["North 80", "Creek-1", "Creek-2"])
    assert set(tests.levels["field"]) == {"North 80", "Creek-1", "Creek-2"}
    assert not tests.notes


def test_the_newest_sampling_stands_and_the_older_is_the_trend():
    tests = read_soil(CASES / "two_dates.csv")
    levels = tests.levels.set_index("analyte")
    assert levels.loc["P", ["value", "n"]].tolist() == [23, 2]
    assert str(levels.loc["P", "sampled"].date()) == "2025-10-19"
    trend = tests.trend[tests.trend["analyte"] == "K"]
    assert trend["value"].tolist() == [154, 133]
    assert "K by Mehlich-3 went from 154 (2021) to 133 ppm (2025)" in tests.summary()


def test_a_deeper_layer_is_no_level_of_the_surface():
    tests = read_soil(CASES / "several_depths.csv")
    nitrate = tests.table[tests.table["analyte"] == "NO3-N"]
    assert nitrate[["top_in", "depth_in", "value"]].to_numpy().tolist() == [[0, 6, 9], [6, 24, 5]]
    levels = tests.levels[tests.levels["analyte"] == "NO3-N"].set_index("depth_in")["value"]
    assert levels.to_dict() == {6: 9, 24: (6 * 9 + 18 * 5) / 24}


def test_an_index_is_kept_beside_the_measured_value():
    tests = read_soil(CASES / "uk_index.csv")
    own = tests.table[tests.table["field"] == "Church Field"].set_index(["analyte", "unit"])
    assert own.loc[("P", "mg/l"), ["value", "extractant"]].tolist() == [14, "Olsen"]
    assert own.loc[("P", "index"), ["value", "extractant"]].tolist() == [1, "Olsen"]
    assert own.loc[("K", "index"), ["value", "flag"]].tolist() == [2, "2-"]


def test_a_rating_alone_makes_no_level():
    tests = read_soil(CASES / "ratings_alone.csv")
    assert tests.levels[["field", "analyte", "value"]].to_numpy().tolist() == [
        ["A", "K", 110],
        ["B", "P", 12],
    ]
    assert [n.value for n in tests.notes] == ["VL", "H"]


def test_ratings_and_what_is_set_aside_are_named():
    tests = read_soil(CASES / "ratings_and_saturations.csv")
    flags = tests.table.set_index(["sample", "analyte"])["flag"]
    assert flags[["1-A"]].tolist() == ["L", "VL", ""]
    aside = tests.report.loc[tests.report["what"] == "not used", "item"].tolist()
    assert aside == ["column '% K'", "column '% Ca'", "column '% Mg'", "column '% H'", "column 'Ca:Mg ratio'"]
    means = read_soil(CASES / "means_below.csv")
    assert any("'Average', 'Minimum', 'Maximum' (rows 5, 6, 7)" in str(note) for note in means.notes)
    advice = read_soil(CASES / "recommendations.csv")
    assert any("column 'K2O lb/ac'" in str(note) and "recommendation" in str(note) for note in advice.notes)


def test_pounds_stay_pounds_where_the_layer_is_another():
    tests = read_soil(CASES / "long_methods.csv")
    kept = tests.report[tests.report["what"] == "kept"]
    assert kept["detail"].str.contains("left in lb/ac").all()
    assert len(kept) == 1


# ---- what could go wrong without a word


def read(text, **options):
    return read_soil(StringIO(text), **options)


def test_a_line_given_twice_counts_once():
    head = "Field,Sample,P Olsen ppm,K ammonium acetate ppm\n"
    tests = read(f"{head}A,1,10,120\nA,2,20,140\nA,2,20,140\n")
    assert tests.levels.set_index("analyte").loc["P", ["value", "n"]].tolist() == [15, 2]
    assert any("count once: rows 4" in str(note) for note in tests.notes)
    tests = read(f"{head}A,1,10,120\nA,1,20,140\n")
    assert tests.levels.set_index("analyte").loc["P", ["value", "n"]].tolist() == [15, 2]
    assert any("appear twice with different results" in str(note) for note in tests.notes)


@pytest.mark.parametrize(
    ("sample", "field"),
    [("Mill Bend-1", "Mill Bend"), ("Mill 3", "Mill"), ("mill", "Mill"), ("Millbrook", "Millbrook"),
     ("Mill Pond 2", "Mill Pond 2"), ("Mill Bend pt 12", "Mill Bend"), ("MILL BEND/A", "Mill Bend")],
)  # fmt: skip
def test_a_known_field_is_never_part_of_another_name(sample, field):
    tests = read(f"Sample,P Olsen ppm\n{sample},10\n", fields=["Mill", "Mill Bend"])
    assert tests.levels["field"].tolist() == [field]


def test_the_case_of_a_field_is_no_other_field():
    tests = read("Field,P Olsen ppm\nHERON quarter,10\n", fields=["Heron Quarter"])
    assert tests.levels["field"].tolist() == ["Heron Quarter"]


def test_two_layers_of_one_sampling_are_not_averaged():
    tests = read("Field,Sampled,Depth,P Olsen ppm\nA,2025-10-01,0-6 in,20\nA,2025-10-01,0-12 in,10\n")
    assert tests.levels[["depth_in", "value"]].to_numpy().tolist() == [[6, 20], [12, 10]]
    tests = read("Field,Sampled,Depth,P Olsen ppm\nA,2021-10-01,0-6 in,20\nA,2025-10-01,0-12 in,10\n")
    assert tests.levels[["depth_in", "value"]].to_numpy().tolist() == [[12, 10]]


def test_undated_samples_beside_dated_ones_are_told():
    tests = read("Field,Sampled,P Olsen ppm\nA,2025-10-01,20\nA,,10\n")
    assert tests.levels["value"].tolist() == [20]
    assert "1 undated results do not count" in tests.summary()


def test_fall_and_spring_are_two_samplings_and_neighbouring_days_one():
    rows = "A,2025-10-30,10\nA,2025-11-04,20\nA,2026-04-01,40\n"
    trend = read(f"Field,Sampled,P Olsen ppm\n{rows}").trend
    assert trend[["value", "n"]].to_numpy().tolist() == [[15, 2], [40, 1]]


def test_an_extractant_serves_its_own_nutrients_alone():
    with pytest.raises(InputError, match="extractant of K is not stated") as caught:
        read("Field,P ppm,K ppm\nA,12,110\n", extractant="Bray 1")
    assert len(caught.value.problems) == 1
    both = read("Field,P ppm,K ppm,Zn ppm\nA,12,110,1.1\n", extractant="M3").table
    assert both["extractant"].tolist() == ["Mehlich-3"] * 3
    with pytest.raises(LookupFailed, match="extractant"):
        read("Field,P ppm\nA,12\n", extractant="coffee")


def test_a_unit_the_user_vouches_for_stands_over_the_header():
    tests = read("Field,Depth,P Olsen ppm\nA,0-6 in,24\n", units={"P": "lb/ac"})
    assert tests.table[["value", "unit"]].to_numpy().tolist() == [[12, "ppm"]]
    assert "lb/ac as you entered; the file says ppm" in tests.report["detail"].tolist()
    with pytest.raises(LookupFailed, match="not soil tests"):
        read("Field,P Olsen ppm\nA,12\n", units={"Q": "ppm"})


@pytest.mark.parametrize("cell", ["12 ppm", "24 lb/A"])
def test_a_unit_in_the_cell_is_read(cell):
    tests = read(f"Field,Depth,P Olsen\nA,0-6 in,{cell}\n")
    assert tests.table[["value", "unit"]].to_numpy().tolist() == [[12, "ppm"]]


def test_a_column_that_is_not_understood_is_noted():
    tests = read("Field,P Olsen ppm,K flux ppm\nA,12,110\n")
    assert [note.column for note in tests.notes] == ["K flux ppm"]


def test_numbers_below_a_header_are_no_part_of_it():
    """P over a 2 is not P2, the strong Bray test."""
    for number in ("1", "2", "2-"):
        tests = read(
            f"Field,P Olsen Index,K Index\nA,{number},1\nB,1,2\n", extractant={"K": "ammonium nitrate"}
        )
        assert tests.table["extractant"].tolist() == ["Olsen", "ammonium nitrate"] * 2
        assert tests.table["row"].tolist() == [2, 2, 3, 3]
    ppm = read("Field,P ppm\nA,2\n", extractant="M3").table
    assert ppm[["extractant", "value"]].to_numpy().tolist() == [["Mehlich-3", 2]]
    long = read("Field,Test,Method,Result,Units\nA,P,1,12,ppm\n", extractant="Olsen").table
    assert long["extractant"].tolist() == ["Olsen"]


def test_a_unit_under_the_depth_holds_and_lower_layers_are_said():
    # six inches of an acre weigh two million pounds: 9 lb/ac are 4.5 ppm
    text = "Field,Depth,P (M3),NO3-N\n,in,ppm,lb/ac\nEast,0-6,14,9\nEast,6-24,,21\n"
    tests = read_soil(StringIO(text))
    found = tests.levels[["analyte", "value", "unit", "depth_in"]].values.tolist()
    assert found[:2] == [["P", 14, "ppm", 6], ["NO3-N", 4.5, "ppm", 6]]
    # pounds of one layer each: 9 + 21 to two feet
    assert found[2:] == [["NO3-N", 30, "lb/ac", 24]]
    assert any("added up to one test from the surface" in str(note) for note in tests.notes)
    mixed = read_soil(StringIO(text.replace("9\n", "9\nWest,0-6,14,<2\nWest,8-24,,5\n")))
    assert mixed.levels.query("depth_in > 6")["field"].tolist() == ["East"]
    with pytest.raises(InputError, match="--soil-units depth=in"):
        read_soil(StringIO(text.replace(",in,", ",,")))


def test_nitrate_of_layers_from_the_surface_down_is_their_mean_by_thickness():
    """Nebraska EC117 rests on the mean nitrate of a root zone of 2 to 4 ft; here (6 x 12 + 18 x 9) / 24."""
    text = (
        "Field,Sample,Depth (in),NO3-N ppm,P Olsen ppm\n"
        "A,1,0-6,12,9\nA,1,6-24,9,4\nA,2,0-6,20,\nA,2,6-24,11,\nB,3,0-6,8,\nB,4,6-24,<4,\nB,5,24-48,2,\n"
        "C,6,0-6,10,\nC,7,8-24,5,\nD,8,0-6,10,\nD,9,6-24,7,\nD,10,0-24,6,\n"
    )
    tests = read_soil(StringIO(text))
    deep = tests.levels[tests.levels["depth_in"] > 6]
    assert set(deep["analyte"]) == {"NO3-N"}
    found = deep.sort_values(["field", "depth_in"])[["field", "depth_in", "value", "n", "censored"]]
    assert found.to_numpy().tolist() == [
        ["A", 24, pytest.approx((9.75 + 13.25) / 2), 2, 0],
        ["B", 24, 5, 1, 1],
        ["B", 48, 3.5, 1, 1],
        ["D", 24, 6, 1, 0],  # sampled as a whole
    ]
    said = [str(note) for note in tests.notes]
    assert any("down to 24, 48 in counts as one test" in note for note in said)
    assert any("(at 6, 8 in) are not used: P, NO3-N" in note for note in said)
    assert tests.checks.set_index("check").loc["tests left out", "value"] == 0


def test_the_top_and_bottom_of_a_layer_stand_in_columns_of_their_own():
    tests = read_soil(StringIO("Field,Top (cm),Bottom (cm),NO3-N (ppm)\nA,0,15,6\nA,15,60,5\n"))
    assert tests.table["depth_in"].tolist() == [6, 24]  # as laboratories round centimetres
    deep = tests.levels[tests.levels["depth_in"] > 10]["value"].tolist()
    assert deep == pytest.approx([(15 * 6 + 45 * 5) / 60])
