"""Strip files of every shape that growers keep: each is read as its text says, or refused in words.

The right readings are written by hand from the text of the files in ``tests/cases/strips``. Degrees of
freedom and least significant differences (LSD) named as outside values stand in ``tests/cases/README.md``.
"""

import io
from pathlib import Path

import pandas as pd
import pytest
from scipy import stats

from fertkit.cli import main
from fertkit.errors import InputError, NotEstimable
from fertkit.intake import read_strips
from fertkit.response import analyse_response
from fertkit.trials import analyse_strips

CASES = Path(__file__).parents[1] / "cases" / "strips"
#: Yields [bu/ac] that most of the files hold, by block at 0, 50, 100, 150 and 200.
YIELDS = {
    1: [120.0, 158.9, 181.2, 189.3, 186.6],
    2: [121.0, 162.2, 190.0, 194.5, 190.1],
    3: [118.5, 156.1, 179.3, 186.2, 184.9],
    4: [124.1, 156.0, 182.6, 188.3, 186.1],
}
RATES = [0, 50, 100, 150, 200]


def case(name, **options):
    return read_strips(CASES / name, **{"crop": "corn"} | options)


def text(lines, **options):
    return read_strips(io.StringIO(lines), name="sheet.csv", **options)


def refusal(lines, **options):
    with pytest.raises(InputError) as caught:
        text(lines, **options) if "\n" in lines else case(lines, **options)
    return str(caught.value)


def grid(trial, treated=None):
    """Yields by block and treatment, blocks and treatments in order."""
    cells = trial.table.set_index(["block", treated or trial.rate_column])[trial.yield_column]
    assert cells.index.is_unique
    return cells.unstack()  # noqa: PD010


def long_sheet(headers="Rep,N rate (lb/ac),Yield (bu/ac)", line="{block},{rate},{harvest}", extra=""):
    """The strips of `YIELDS`, one a line."""
    lines = [
        line.format(block=block, rate=rate, harvest=harvest)
        for block, yields in YIELDS.items()
        for rate, harvest in zip(RATES, yields, strict=True)
    ]
    return "\n".join([headers, *lines, extra]) + "\n"


# ---- the files of tests/cases, each with what must be said


@pytest.mark.parametrize(
    ("name", "options", "rates", "said"),
    [
        ("mean_rows.csv", {}, RATES, ["lines 22 to 26 set aside", "'Mean'"]),
        ("merged_blocks.csv", {}, RATES, ["16 blank cells are filled"]),
        ("unit_cells.csv", {}, RATES, []),
        ("wide.csv", {}, RATES, ["5 rates in columns", "read as bu/ac"]),
        ("wide.csv", {"units": {"yield": "bu/ac"}}, RATES, ["5 rates in columns"]),
        # 50 lb of 0-0-60 hold 30 lb K2O.
        ("product_grade.csv", {}, [0, 30, 60, 90, 120], ["0-0-60", "price is per lb of K2O"]),
        ("product_grade.csv", {"analysis": "none"}, RATES, ["per lb of 0-0-60"]),
        (
            "split_timing.csv",
            {"columns": {"rate": "Preplant N (lb/ac) + Sidedress N (lb/ac)"}},
            RATES,
            ["the sum of the columns 'Preplant N (lb/ac)' and 'Sidedress N (lb/ac)'"],
        ),
        # A gallon of 10 lb of 28 % N holds 2.8 lb N.
        (
            "product_gallons.csv",
            {"analysis": "28-0-0", "density": 10.0},
            [0, 46.76, 93.24, 140, 186.76],
            ["price is per lb of N", "of product by 2.8"],
        ),
        # The table of products has UAN 28 at 10.67 lb/gal: 2.9876 lb N a gallon.
        (
            "product_gallons.csv",
            {"analysis": "UAN 28"},
            [x * 2.9876 for x in (0, 16.7, 33.3, 50, 66.7)],
            ["10.67 lb/gal (table of products"],
        ),
    ],
)
def test_four_blocks_of_five_rates(name, options, rates, said):
    trial = case(name, **options)
    assert len(trial.table) == 20
    held = grid(trial)
    assert held.columns.tolist() == pytest.approx(rates)
    assert held.to_numpy().tolist() == pytest.approx([pytest.approx(y) for y in YIELDS.values()])
    notes = " | ".join(trial.notes)
    assert all(word in notes for word in said), notes
    analysis = analyse_strips(trial)
    # 4 blocks x 5 rates leave (4 - 1) x (5 - 1) degrees of freedom; LSD 3.09 by tests/cases/README.md.
    assert analysis.error_df == 12
    assert analysis.lsd == pytest.approx(3.09, abs=0.005)


def test_title_lines_and_a_line_of_units():
    trial = case("units_row.csv")
    assert (trial.nutrient, trial.rate_unit, trial.yield_unit) == ("N", "lb/ac", "bu/ac")
    held = grid(trial)
    assert held.shape == (4, 5)
    # 158.9 bu/ac at 16.8 % are 158.9 x 83.2 / 84.5 at the 15.5 % of trade.
    assert held.loc[1, 50] == pytest.approx(158.9 * 83.2 / 84.5)


def test_blocks_from_the_hundreds_of_plot_numbers():
    trial = case("plot_codes.csv")
    held = grid(trial)
    assert held.index.tolist() == [1, 2, 3, 4]
    assert held.loc[3, 150] == pytest.approx(186.2 * (100 - 19.5) / 84.5)
    assert any("101 to 105 block 1" in note for note in trial.notes)
    assert "block" not in case("plot_codes.csv", columns={"other": "Plot"}).table


def test_yields_from_weight_moisture_length_and_width():
    trial = case("weights.csv")
    # 3027 lb from 981 x 20 ft (43,560 ft2 an acre) at 18 %; a bushel of corn is 56 lb at 15.5 %.
    by_hand = 3027 / (981 * 20 / 43_560) / 56 * 82 / 84.5
    assert grid(trial).loc[1, 0] == pytest.approx(by_hand, rel=1e-6)
    assert grid(trial).shape == (4, 5)
    assert any("computed from 'Harvest weight (lb)'" in note for note in trial.notes)


def test_two_lines_a_rate_are_averaged_and_leave_the_same_freedom():
    trial = case("two_rows_a_rate.csv")
    # The second line of each pair lies 1.1 bu/ac above the first.
    assert grid(trial).to_numpy().tolist() == [
        pytest.approx([y + 0.55 for y in ys]) for ys in YIELDS.values()
    ]
    assert any("40 lines" in note and "20 strips" in note for note in trial.notes)
    assert analyse_strips(trial).error_df == 12


def test_treatments_by_name_are_compared_and_have_no_curve():
    trial = case("treatment_names.csv")
    assert (trial.rate_column, trial.rate_unit) == ("", "")
    held = grid(trial, "treatment")[["Check", "0.5x", "1x", "1.5x", "2x"]]
    assert held.to_numpy().tolist() == list(YIELDS.values())
    assert any("no curve" in note for note in trial.notes)
    assert analyse_strips(trial).lsd == pytest.approx(3.09, abs=0.005)
    with pytest.raises(NotEstimable, match="treatments without rates"):
        analyse_response(trial, nutrient_price=0.5, grain_price=4.5)


def test_a_second_factor_is_refused_and_each_level_can_be_a_trial():
    told = refusal("hybrid.csv")
    assert "column 'Hybrid'" in told
    assert '--column trial="Hybrid"' in told
    apart = case("hybrid.csv", columns={"trial": "Hybrid"})
    assert apart.table.groupby("trial").size().to_dict() == {"A": 40, "B": 40}
    remark = case("hybrid.csv", columns={"other": "Hybrid"})
    assert remark.table.groupby("trial").size().to_dict() == {"Home": 20, "North 80": 20}
    # Home, block I, rate 0: 119.0 of hybrid A and 124.2 of hybrid B.
    assert remark.table["yield_bu_ac"].iloc[0] == pytest.approx((119.0 + 124.2) / 2)


@pytest.mark.parametrize(
    ("name", "options", "said"),
    [
        ("split_timing.csv", {}, ["several columns could be the rate", "Preplant N (lb/ac) + Sidedress N"]),
        (
            "split_timing.csv",
            {"columns": {"rate": "Sidedress N (lb/ac)"}},
            ["'Preplant N (lb/ac)'", "write the sum in one column"],
        ),
        ("product_gallons.csv", {}, ["--analysis 28-0-0", "--density", "UAN 28 is 28-0-0, 10.67 lb/gal"]),
        ("product_gallons.csv", {"analysis": "18-46-0", "density": 9}, ["18 % N and 46 % P2O5"]),
        ("product_grade.csv", {"analysis": "0-0-62"}, ["the header says 0-0-60"]),
        ("product_grade.csv", {"analysis": "much"}, ["is not an analysis"]),
        ("weights.csv", {"crop": None}, ["need the crop, for its bushel weight"]),
    ],
)
def test_what_a_file_does_not_say_is_asked_for(name, options, said):
    told = refusal(name, **options)
    assert all(word in told for word in said), told


# ---- lines that are no strips


@pytest.mark.parametrize(
    "line",
    ["Mean,100,183.3", "LSD (0.05),,3.09", "CV %,,1.2", "Average,,167.8", "Total,,3356", "Std. dev.,,25.1",
     "Overall mean,,167.8", "Mittelwert,100,183.3", "Promedio,,167.8", "Mean of reps,0,120.9",
     "Harvested in dry weather; invented,,", "Rep,N rate (lb/ac),Yield (bu/ac)", "SE,,0.9", "p-value,,0.01",
     "Pr > F,,0.01", "Grenzdifferenz 5 %,,3.1"],
)  # fmt: skip
def test_summaries_and_remarks_are_set_aside_and_said(line):
    trial = text(long_sheet(extra=line))
    assert grid(trial).to_numpy().tolist() == list(YIELDS.values())
    assert any("line 22 set aside" in note for note in trial.notes)


@pytest.mark.parametrize("label", ["Check", "High", "Low", "Range 5", "SW", "Standard", "North", "5"])
def test_a_block_of_its_own_is_data_whatever_its_name(label):
    more = "\n".join(f"{label},{x},{y}" for x, y in zip(RATES, YIELDS[1], strict=True))
    assert len(text(long_sheet(extra=more)).table) == 25


def test_the_south_east_is_a_block_among_corners():
    names = dict(zip(YIELDS, ("NE", "NW", "SE", "SW"), strict=True))
    lines = "".join(
        f"{names[b]},{x},{y}\n" for b, ys in YIELDS.items() for x, y in zip(RATES, ys, strict=True)
    )
    assert len(text("Block,N (lb/ac),Yield (bu/ac)\n" + lines).table) == 20


def test_block_means_between_the_blocks():
    lines = ["Rep,N rate (lb/ac),Yield (bu/ac)"]
    for block, yields in YIELDS.items():
        lines += [f"{block},{x},{y}" for x, y in zip(RATES, yields, strict=True)] + [f"{block},Mean,170"]
    assert len(text("\n".join(lines) + "\n").table) == 20


def test_a_label_alone_above_its_strips_is_refused():
    told = refusal("N rate (lb/ac),Yield (bu/ac)\nRep 1,\n0,120\n50,158\nRep 2,\n0,121\n50,162\n")
    assert "only a label" in told


# ---- merged cells


def test_merged_cells_of_sites_and_blocks_are_filled_down():
    trial = text(
        "Site,Rep,N (kg/ha),Yield (t/ha)\nA,1,0,7\n,,60,8\n,2,0,7.2\n,,60,8.1\n"
        "B,1,0,6\n,,60,7\n,2,0,6.2\n,,60,7.1\n"
    )
    assert trial.table["trial"].tolist() == ["A"] * 4 + ["B"] * 4
    assert trial.table["block"].tolist() == [1, 1, 2, 2] * 2


def test_merged_rates_with_blocks_below():
    trial = text("N (kg/ha),Rep,Yield (t/ha)\n0,1,7\n,2,7.2\n,3,7.1\n60,1,8\n,2,8.1\n,3,8.3\n")
    assert grid(trial).to_numpy().tolist() == [[7, 8], [7.2, 8.1], [7.1, 8.3]]


@pytest.mark.parametrize(
    "lines",
    ["1,0,7\n1,60,8\n2,0,7\n,60,8\n",  # one label forgotten among written ones
     "1,0,7\n,60,8\n2,0,7\n,60,8\n,0,7.1\n,60,8.2\n"],  # means without a label below the last block
)  # fmt: skip
def test_a_blank_that_is_no_merged_cell_is_missing(lines):
    assert "the block is missing" in refusal("Rep,N (kg/ha),Yield (t/ha)\n" + lines)


# ---- rates


def test_a_rate_written_twice_for_another_is_refused():
    told = refusal(long_sheet().replace("3,100,179.3", "3,50,179.3"))
    assert "block 3 has the rate 50 more than once and lacks 100" in told
    assert "row 14" in told


def test_a_rate_that_one_block_has_alone_is_told():
    trial = text(long_sheet().replace("3,100,", "3,115,"))
    assert any("block 3 has 115 where the other blocks have 100" in note for note in trial.notes)


def test_rates_that_differ_slightly_between_blocks_are_one_treatment():
    trial = text(long_sheet().replace("2,50,", "2,50.4,").replace("3,200,", "3,198,"))
    assert sorted(set(trial.table["planned_lb_ac"])) == RATES
    assert trial.table["rate_lb_ac"].nunique() == 7
    assert any("50, 50.4 as 50" in note and "198, 200 as 200" in note for note in trial.notes)
    assert analyse_strips(trial).lsd == pytest.approx(3.09, abs=0.005)


def test_close_rates_of_one_block_stay_apart():
    trial = text("Rep,N (lb/ac),Yield (bu/ac)\n1,0,50\n1,2,51\n1,60,55\n2,0,50\n2,2,52\n2,60,56\n")
    assert not [c for c in trial.table if c.startswith("planned")]


@pytest.mark.parametrize(
    ("headers", "rate_unit", "yield_unit"),
    [
        ("Rep,N_rate_lbs,Bu/A", "lb/ac", "bu/ac"),
        ("Rep,N lb/A,BPA", "lb/ac", "bu/ac"),
        ("Rep,N (#/ac),Yield bu./ac", "lb/ac", "bu/ac"),
        ("Rep,lbs N per acre,Yield_bu_ac", "lb/ac", "bu/ac"),
        ("Rep,N lbs./A,Yield (bushels per acre)", "lb/ac", "bu/ac"),
        ("Wdh,N_kg,Ertrag (dt/ha)", "kg/ha", "dt/ha"),
        ("Rep,kgN/ha,Yield Mg/ha", "kg/ha", "t/ha"),
        ("Rep,N rate (lb/ac),Yield (bu)", "lb/ac", "bu/ac"),
    ],
)
def test_units_as_they_are_written(headers, rate_unit, yield_unit):
    trial = text(long_sheet(headers))
    assert (trial.rate_unit, trial.yield_unit, trial.nutrient) == (rate_unit, yield_unit, "N")
    assert grid(trial).to_numpy().tolist() == list(YIELDS.values())


@pytest.mark.parametrize(
    ("headers", "said"),
    [
        ("Rep,N_rate_lbs,Yield", "not an amount per area"),
        ("Rep,N rate (lb/ac),Yield (lb)", "not an amount per area"),
        ("Rep,Urea (lb/ac),Yield (bu/ac)", "urea is 46-0-0"),
        ("Rep,DAP 18-46-0 (lb/ac),Yield (bu/ac)", "18 % N and 46 % P2O5"),
        ("Rep,N (gal/ac),Yield (bu/ac)", "--analysis"),
    ],
)
def test_units_that_leave_a_question_are_asked_about(headers, said):
    assert said in refusal(long_sheet(headers))


def test_cells_of_two_units_are_refused():
    told = refusal("Rep,Rate,Yield (bu/ac)\n1,0 lb/ac,50\n1,60 kg/ha,55\n2,0 lb/ac,51\n2,60 lb/ac,56\n")
    assert "mixed units: kg/ha, lb/ac" in told


# ---- weights


def test_kilograms_from_square_metres():
    # 9 kg of 18 m2 are 5 t/ha; at 20 % moisture 5 x 80 / 84.5 at 15.5 %.
    trial = text(
        "Wdh;N (kg/ha);Gewicht (kg);Feuchte (%);Länge (m);Breite (m)\n1;0;9;20;12;1,5\n1;60;10;20;12;1,5\n",
        crop="corn",
    )
    assert trial.yield_unit == "t/ha"
    assert trial.table["yield_t_ha"].iloc[0] == pytest.approx(5 * 80 / 84.5)


def test_pounds_from_an_area_in_acres():
    trial = text("Rep,N (lb/ac),Weight (lb),Area (ac)\n1,0,2800,0.5\n1,60,5600,0.5\n", crop="corn")
    assert trial.table["yield_bu_ac"].tolist() == [pytest.approx(100), pytest.approx(200)]


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("Rep,N (lb/ac),Weight (lb)\n1,0,2800\n1,60,5600\n", "without strip size"),
        ("Rep,N (lb/ac),Weight (lb),Area (ac)\n1,0,2800,0.5\n1,60,5600,\n", "row 3, column 'Area (ac)'"),
        ("Rep,N (lb/ac),Weight (lb),Length,Width (ft)\n1,0,28,500,20\n1,60,56,500,20\n", "column 'Length'"),
    ],
)
def test_weights_of_strips_without_a_size_are_refused(lines, said):
    assert said in refusal(lines, crop="corn")


def test_a_test_weight_is_no_harvest_weight():
    trial = text("Rep,N (lb/ac),Test weight (lb/bu),Yield (bu/ac)\n1,0,56,100\n1,60,57,120\n")
    assert trial.yield_unit == "bu/ac"


# ---- wide sheets


@pytest.mark.parametrize(
    "sheet",
    [
        "Rep,0 lb N/ac,60 lb N/ac,120 lb N/ac\n1,50,55,57\n2,51,56,58\n",
        "Yield (bu/ac)\nRep \\ N rate (lb/ac),0,60,120\n1,50,55,57\n2,51,56,58\nMean,50.5,55.5,57.5\n",
        ",N rate (lb/ac),,,\nRep,0,60,120,Average\n1,50,55,57,54\n2,51,56,58,55\n",
        "N rate (lb/ac);Rep 1;Rep 2;Mean\n0;50,0;51,0;50,5\n60;55,0;56,0;55,5\n120;57,0;58,0;57,5\n",
        "Yield in bu/ac\nN rate (lb/ac),I,II\n0,50,51\n60,55,56\n120,57,58\n",
        "Rep,N0 lb/ac,N60 lb/ac,N120 lb/ac\n1,50 bu/ac,55 bu/ac,57 bu/ac\n2,51 bu/ac,56 bu/ac,58 bu/ac\n",
    ],
)
def test_wide_sheets_of_either_way(sheet):
    trial = text(sheet)
    held = grid(trial)
    assert (trial.nutrient, trial.rate_unit, trial.yield_unit) == ("N", "lb/ac", "bu/ac")
    assert held.columns.tolist() == [0, 60, 120]
    assert held.to_numpy().tolist() == [[50, 55, 57], [51, 56, 58]]
    assert analyse_strips(trial).error_df == 2


def test_treatments_across_where_the_table_says_it_holds_yields():
    sheet = "Block,Check,Urea,UAN\n1,50,55,57\n2,51,56,58\n"
    trial = text("Yield (bu/ac)\n" + sheet)
    assert grid(trial, "treatment")[["Check", "Urea", "UAN"]].to_numpy().tolist() == [
        [50, 55, 57],
        [51, 56, 58],
    ]
    assert "no column for the rate" in refusal(sheet)


def test_a_wide_sheet_without_units_is_asked_about():
    sheet = "Rep,0,60,120\n1,5.0,5.5,5.7\n2,5.1,5.6,5.8\n"
    assert "--units rate=" in refusal(sheet)
    trial = text(sheet, units={"rate": "kg/ha", "yield": "t/ha"})
    assert grid(trial).to_numpy().tolist() == [[5.0, 5.5, 5.7], [5.1, 5.6, 5.8]]


# ---- parts of strips, and what is no second factor


def test_equal_lines_are_refused_and_others_are_not():
    lines = "Rep,N (lb/ac),Note,Yield (bu/ac)\n1,0,,50\n1,60,,55\n2,0,,51\n2,60,,56\n"
    assert "repeats an earlier one" in refusal(lines + "2,60,,56\n")
    assert len(text(lines + "2,60,again,56\n").table) == 4


def test_plot_numbers_tell_replicates_of_a_block_apart():
    lines = "".join(f"{b},{10 * b + k},{x},{50 + k}\n" for b in (1, 2) for k, x in enumerate((0, 0, 60, 60)))
    assert len(text("Block,Plot,N (lb/ac),Yield (bu/ac)\n" + lines).table) == 8


@pytest.mark.parametrize("header", ["Sample", "Pass", "Subsample no."])
def test_numbered_parts_are_no_second_factor(header):
    lines = "".join(
        f"{b},{x},{k},{y + k}\n"
        for b, ys in YIELDS.items() for x, y in zip(RATES, ys, strict=True) for k in (1, 2)
    )  # fmt: skip
    trial = text(f"Rep,N (lb/ac),{header},Yield (bu/ac)\n{lines}")
    assert analyse_strips(trial).error_df == 12


@pytest.mark.parametrize(
    "header", ["Variety", "Timing", "Product", "Placement", "Treatment", "K2O rate (lb/ac)"]
)
def test_any_column_crossed_with_the_rates_is_a_second_factor(header):
    levels = ("0", "60") if "rate" in header else ("early", "late")
    lines = "".join(
        f"{b},{x},{level},{y + k}\n"
        for b, ys in YIELDS.items() for x, y in zip(RATES, ys, strict=True) for k, level in enumerate(levels)
    )  # fmt: skip
    named = {"columns": {"rate": "N rate (lb/ac)"}}
    assert f"column '{header}'" in refusal(f"Rep,N rate (lb/ac),{header},Yield (bu/ac)\n{lines}", **named)


@pytest.mark.parametrize(
    ("header", "cell"),
    [("Hybrid", lambda block, rate: "A"), ("Hybrid", lambda block, rate: "AB"[block % 2]),
     ("Notes", lambda block, rate: "wet" if rate == 50 else ""),
     ("Trt", lambda block, rate: f"T{rate // 50}"),
     ("Protein (%)", lambda block, rate: 8 + rate / 100), ("Stand", lambda block, rate: 30 + block)],
)  # fmt: skip
def test_a_column_that_goes_with_block_or_rate_is_no_second_factor(header, cell):
    lines = "".join(
        f"{b},{x},{cell(b, x)},{y}\n" for b, ys in YIELDS.items() for x, y in zip(RATES, ys, strict=True)
    )
    trial = text(f"Rep,N rate (lb/ac),{header},Yield (bu/ac)\n{lines}")
    assert analyse_strips(trial).error_df == 12


def test_a_name_for_several_rates_does_not_stand_for_them_in_the_comparison():
    lines = "".join(
        f"{b},{'Check' if x == 0 else 'Fertilized'},{x},{y}\n"
        for b, ys in YIELDS.items() for x, y in zip(RATES, ys, strict=True)
    )  # fmt: skip
    trial = text(f"Rep,Treatment,N rate (lb/ac),Yield (bu/ac)\n{lines}")
    assert analyse_strips(trial).lsd == pytest.approx(3.09, abs=0.005)
    assert "not used: column 'Treatment'" in trial.notes


def test_merged_names_of_a_second_factor_are_found():
    lines = "".join(
        f"{hybrid if b == 1 and x == 0 else ''},{b if x == 0 else ''},{x},{y + k}\n"
        for k, hybrid in enumerate(("H1", "H2"))
        for b, ys in YIELDS.items() for x, y in zip(RATES, ys, strict=True)
    )  # fmt: skip
    assert "column 'Hybrid': a second factor" in refusal(f"Hybrid,Rep,N rate (lb/ac),Yield (bu/ac)\n{lines}")


# ---- columns of rates beside each other


def beside(headers, cells):
    """The strips of `YIELDS` with several columns in place of the rate."""
    lines = [
        f"{b},{','.join(map(str, cells(x)))},{y}"
        for b, ys in YIELDS.items()
        for x, y in zip(RATES, ys, strict=True)
    ]
    return "\n".join([f"Rep,{headers},Yield (bu/ac)", *lines]) + "\n"


@pytest.mark.parametrize(
    ("headers", "cells", "options"),
    [
        # A total beside its parts is the rate; a nutrient that is the same everywhere is none.
        ("Fall N (lb/ac),Spring N (lb/ac),Total N (lb/ac)", lambda x: (min(x, 50), max(x - 50, 0), x), {}),
        ("N (lb/ac),K2O (lb/ac)", lambda x: (x, 60), {}),
        ("N (lb/ac),K2O (lb/ac)", lambda x: (x, 2 * x),
         {"columns": {"rate": "N (lb/ac)", "other": "K2O (lb/ac)"}}),
        ("Early N (kg/ha),Late N (kg/ha)", lambda x: (x / 2, x / 2),
         {"columns": {"rate": "Early N (kg/ha)+Late N (kg/ha)"}}),
        ("Treatment", lambda x: (f"{x} lb N/ac",), {}),
        ("28% UAN (GPA)", lambda x: (x / 2.9876,), {}),  # 10.67 lb/gal x 0.28
    ],
)  # fmt: skip
def test_the_rate_among_several_columns(headers, cells, options):
    trial = text(beside(headers, cells), **options)
    assert grid(trial).columns.tolist() == pytest.approx(RATES)
    assert trial.nutrient == "N"


@pytest.mark.parametrize(
    ("headers", "cells", "said"),
    [
        ("N (lb/ac),K2O (lb/ac)", lambda x: (x, 2 * x), '--column other="K2O (lb/ac)"'),
        ("V6 N (lb/ac),V10 N (lb/ac)", lambda x: (x, x), "for their sum"),
    ],
)
def test_several_rates_are_asked_about(headers, cells, said):
    assert said in refusal(beside(headers, cells))


def test_rates_in_words_are_treatments():
    trial = text(beside("N rate", lambda x: (["none", "low", "mid", "high", "top"][x // 50],)))
    assert trial.rate_column == ""
    assert analyse_strips(trial).error_df == 12


# ---- the command line


def run(capsys, *arguments):
    code = main([str(a) for a in arguments])
    return code, "".join(capsys.readouterr())


MONEY = ("--crop", "corn", "--nutrient-price", "0.5", "--grain-price", "4.5")


def test_the_command_compares_treatments_without_rates(capsys):
    code, told = run(capsys, "strips", CASES / "treatment_names.csv", *MONEY)
    assert code == 0
    # the LSD of 3.09 with 12 degrees of freedom (cases/README), brought to Tukey's rule for five means
    tukey = 3.09 / stats.t.isf(0.025, 12) * stats.studentized_range.ppf(0.95, 5, 12) / 2**0.5
    assert f"Tukey's honestly significant difference; means less than {tukey:.2f} apart share one" in told
    assert "no curve is fitted" in told
    code, told = run(capsys, "strips", CASES / "treatment_names.csv", *MONEY, "--rates", "never.csv")
    assert code != 0
    assert "--rates needs a response curve" in told


def test_the_command_takes_units_a_sum_and_an_analysis(capsys):
    both = "rate=Preplant N (lb/ac) + Sidedress N (lb/ac)"
    code, told = run(capsys, "strips", CASES / "split_timing.csv", *MONEY, "--column", both)
    # As the same yields over one column of rates: 126, by tests/cases/README.md.
    assert code == 0
    assert "Economic optimum rate: 126 lb/ac" in told
    code, told = run(capsys, "strips", CASES / "product_gallons.csv", *MONEY, "--analysis", "28-0-0")
    assert code == 0
    assert "1 gal holds 2.99 lb of N" in told
    code, told = run(capsys, "strips", CASES / "wide.csv", *MONEY, "--units", "bu/ac")
    assert code != 0
    assert "--units yield=bu/ac" in told


# ---- workbooks


def test_merged_cells_and_units_below_the_headers_of_a_workbook(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Nitrogen strips (invented)"])
    page.append(["Rep", "N rate", "Yield", "Remarks"])
    page.append([None, "lb/ac", "bu/ac"])
    for block, yields in YIELDS.items():
        for rate, harvest in zip(RATES, yields, strict=True):
            page.append([block, rate, harvest])
        page.merge_cells(f"A{page.max_row - 4}:A{page.max_row}")
    page.append(["Mean", None, 167.8])
    book.save(tmp_path / "strips.xlsx")
    trial = read_strips(tmp_path / "strips.xlsx")
    assert grid(trial).to_numpy().tolist() == list(YIELDS.values())
    pd.testing.assert_series_equal(trial.table["block"].astype(str).value_counts().sort_index(),
                                   pd.Series([5] * 4, index=list("1234")), check_names=False,
                                   check_index_type=False)  # fmt: skip


@pytest.mark.parametrize("header", ["Lime (ton/ac)", "Ag lime (ton/ac)", "Kalk (t/ha)"])
def test_lime_is_lime_and_no_calcium_oxide(header):
    lines = [f"{block},{rate},{50 + 2 * rate + block / 10}" for block in (1, 2, 3) for rate in (0, 1, 2)]
    strips = read_strips(f"Block,{header},Yield (bu/ac)\n{chr(10).join(lines)}\n".encode(), crop="soybean")
    assert "3 rates of lime [t" in strips.summary()
