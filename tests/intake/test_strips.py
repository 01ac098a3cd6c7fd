"""Strip files: what is recognised, what is adjusted, and every problem of a bad file at once."""

import io
from itertools import permutations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import InputError
from fertkit.intake.strip_headers import read_header
from fertkit.intake.strips import read_strips

GOOD = """Rep,Strip,Applied N kg N/ha,Yield t/ha,Moisture %
1,1,0,8.1,17
1,2,50,9.2,16
2,3,50,9.4,16
2,4,0,8.0,18
"""
MOIST = "rate_lb_ac,yield_bu_ac,{}\n0,75,{}\n50,80,{}\n"


def read(text, **options):
    return read_strips(io.StringIO(text), name="sheet.csv", **options)


def problems(text, **options):
    with pytest.raises(InputError) as caught:
        read(text, **options)
    assert caught.value.file == "sheet.csv"
    return caught.value.problems


# ---- headers


@pytest.mark.parametrize(
    ("text", "role", "unit", "nutrient"),
    [
        ("N rate (lb/ac)", "rate", "lb/ac", "N"),
        ("rate_kg_ha", "rate", "kg/ha", ""),
        ("n_kg_ha", "rate", "kg/ha", "N"),
        ("K2O rate (lbs/acre)", "rate", "lb/ac", "K2O"),
        ("Applied, kg N ha⁻¹", "rate", "kg/ha", "N"),
        ("Target rate (lb per acre)", "planned", "lb/ac", ""),
        ("Yield, t/ha", "yield", "t/ha", ""),
        ("yield_bu_ac", "yield", "bu/ac", ""),
        ("Grain yield [Mg/ha]", "yield", "Mg/ha", ""),
        ("Yield (bu/ac at 15.5 % moisture)", "yield", "bu/ac", ""),
        ("Moisture %", "moisture", "", ""),
        ("rep", "block", "", ""),
        ("Strip width (ft)", "width", "ft", ""),
        ("Plot no", "strip", "", ""),
        ("Soil test K", "other", "", ""),
        ("Soil moisture (%)", "other", "", ""),
        ("pH (H2O)", "other", "", ""),
        ("N-Rate kg/ha", "rate", "kg/ha", "N"),
        ("N kg·ha⁻¹", "rate", "kg/ha", "N"),
        ("kg-N/ha", "rate", "kg/ha", "N"),
        ("Site-year", "trial", "", ""),
        ("Site-Year code", "trial", "", ""),
        # German and Spanish words of the trade (from memory, none named).
        *[
            (text, role, "", "")
            for role, texts in {
                "block": ["Wiederholung", "Wdh", "Wdh.", "Rep.", "Bloque", "Repetición"],
                "trial": ["Versuch", "Ensayo", "Variety trial"],
                "strip": ["Parzelle", "Streifen", "Parcela", "Parz. Nr."],
                "moisture": ["Feuchte (%)", "Kornfeuchte %", "Feuchtigkeit", "H2O %", "Humedad (%)"],
                "site": ["Schlag"],
                "year": ["Jahr", "Año", "Erntejahr"],
                "crop": ["Kultur", "Cultivo"],
                "treatment": ["Variante", "Tratamiento"],
                "other": ["Zone", "Sorte", "Rohprotein (%)", "Proteína (%)", "Bodenfeuchte (%)"],
            }.items()
            for text in texts
        ],
        ("Kornertrag [dt/ha]", "yield", "dt/ha", ""),
        ("Ertrag (t/ha)", "yield", "t/ha", ""),
        ("Rendimiento (kg/ha)", "yield", "kg/ha", ""),
        ("N-Menge (kg/ha)", "rate", "kg/ha", "N"),
        ("Düngung kg K2O/ha", "rate", "kg/ha", "K2O"),
        ("N-Gabe kg/ha", "rate", "kg/ha", "N"),
        ("Dosis de N (kg/ha)", "rate", "kg/ha", "N"),
    ],
)
def test_headers(text, role, unit, nutrient):
    header = read_header(text)
    assert (header.role, header.unit, header.nutrient) == (role, unit, nutrient)


@pytest.mark.parametrize(
    ("text", "at_pct"),
    [
        ("Ertrag (dt/ha, 86 % TS)", 14.0),
        ("Kornertrag dt/ha bei 14,5 % Feuchte", 14.5),
        ("TM-Ertrag (t/ha)", 0.0),
        ("Rendimiento (kg/ha, materia seca)", 0.0),
        ("Ertrag (t/ha)", None),
        ("Yield @15.5 (bu/ac)", 15.5),
        ("Dry yield (bu/ac @15.5)", 15.5),
        ("Yield adj. to 15.5 (bu/ac)", 15.5),
        ("Yield, bu/ac, 13.0 pct", 13.0),
        ("Yield (bu/A) 15.5 moisture", 15.5),
        ("Yield at 13 (bu/ac)", 13.0),
        ("Yield at 12.5 m (t/ha)", None),
        ("Yield 2 (bu/ac)", None),
        ("Yield (bu/ac) 2024", None),
    ],
)
def test_the_moisture_a_yield_is_stated_at(text, at_pct):
    assert read_header(text).at_pct == (at_pct if at_pct is None else pytest.approx(at_pct))


# ---- good files


def test_demo_corn_is_one_row_a_strip_at_trade_moisture(demo):
    trial = read_strips(demo("corn_n_strips.csv"), crop="maize")
    assert [c for c in trial.table if c.startswith("rate_")] == ["rate_lb_ac"]
    assert [c for c in trial.table if c.startswith("yield_")] == ["yield_bu_ac"]
    assert (trial.nutrient, trial.crop, trial.rate_unit, trial.yield_unit) == ("N", "corn", "lb/ac", "bu/ac")
    # Trade moisture of corn 15.5 %: dry matter is the same before and after.
    dry = trial.table["yield_bu_ac"] * 84.5
    assert dry.tolist() == pytest.approx(
        (trial.table["harvested_bu_ac"] * (100 - trial.table["moisture_pct"])).tolist()
    )
    assert trial.checks["passed"].all()
    assert "24 strips" in trial.summary()


def test_shrink_to_trade_moisture_as_published():
    # Corn from 25 to 15.5 % loses 11.24 % of its weight (Pioneer, moisture shrink page).
    trial = read("rate_lb_ac,yield_lb_ac,moisture\n0,1000,25\n10,1000,25.5\n", crop="corn")
    assert trial.table["yield_lb_ac"].iloc[0] == pytest.approx(1000 * (1 - 0.1124), abs=0.05)
    # 1000 lb at 25.5 % are 15.743872 bu at 15.5 %, not the 15.8 of rounded steps (same page, exact).
    assert trial.table["yield_lb_ac"].iloc[1] / 56 == pytest.approx(15.743872, abs=1e-6)
    assert 100 - trial.table["yield_lb_ac"].iloc[1] / 10 == pytest.approx(11.83, abs=0.005)


def test_a_trade_moisture_from_memory_says_so():
    text = "rate_lb_ac,yield_bu_ac,moisture\n0,100,18\n50,120,18\n"
    found, remembered = read(text, crop="corn"), read(text, crop="milo")
    assert "from memory" not in found.summary()
    assert "14 % moisture (from memory)" in remembered.summary()
    assert len(found.sources) == 1
    assert read(text.replace(",moisture", ",note"), crop="corn").sources.empty


def test_five_published_sites_from_one_file(outside):
    # Hernandez & Mulla 2008, Agron. J. 100:1221-1229: 5 sites, 7 rates (site 5: 6) x 4 replicates.
    trial = read_strips(outside("hernandez_corn_n.csv"), name="corn")
    sizes = trial.table.groupby("trial").size()
    assert sizes.to_dict() == {"S1": 28, "S2": 28, "S3": 28, "S4": 28, "S5": 24}
    assert trial.table.groupby("trial")["block"].nunique().eq(4).all()
    assert trial.standard_moisture_pct is None
    assert "loc" in trial.table


def test_site_and_year_make_the_trial(outside):
    # Engelstad & Parks 1971: two Tennessee locations in five years.
    trial = read_strips(outside("engelstad_corn_n.csv"), name="corn")
    assert trial.table["trial"].nunique() == 10
    assert trial.yield_unit == "q/ha"


def test_planned_and_applied_rates_stand_side_by_side():
    text = (
        GOOD.replace("Rep,", "Rep,Target rate lb/ac,").replace("\n1,", "\n1,0,").replace("\n2,", "\n2,44.6,")
    )
    trial = read(text, crop="corn")
    assert {"rate_kg_ha", "planned_kg_ha"} <= set(trial.table)
    assert trial.table["planned_kg_ha"].iloc[2] == pytest.approx(44.6 * 0.45359237 / 0.40468564224)
    told = trial.checks.set_index("check").loc["applied as planned"]
    assert not told["passed"]
    assert told["value"] == 2
    assert "lines 3, 5" in told["meaning"]


def test_decimal_commas_and_a_line_above():
    trial = read("Harvest of the long field;;\nblock;rate_kg_ha;yield_t_ha\n1;0;8,15\n1;50;9,25\n")
    assert trial.table["yield_t_ha"].tolist() == [8.15, 9.25]
    assert trial.table["strip"].tolist() == ["row 3", "row 4"]


def test_lost_strip_stays_and_is_told():
    trial = read(GOOD.replace("2,4,0,8.0,18", "2,4,0,,18"), crop="corn")
    assert trial.table["yield_t_ha"].isna().sum() == 1
    assert "line" in trial.summary()


def test_columns_and_units_may_be_named():
    trial = read(
        "A,B,C\n0,100,1\n50,120,1\n", columns={"rate": "A", "yield": "B"},
        units={"rate": "lbs/acre", "yield": "bu/ac"},
    )  # fmt: skip
    assert trial.table["rate_lb_ac"].tolist() == [0, 50]


def test_yield_already_at_moisture_is_not_adjusted_twice():
    trial = read("rate_lb_ac,Yield (bu/ac at 15.5%),moisture\n0,100,20\n50,120,20\n", crop="corn")
    assert trial.table["yield_bu_ac"].tolist() == [100, 120]
    trial = read("rate_lb_ac,Yield (bu/ac at 14%)\n0,100\n50,120\n", crop="corn")
    assert trial.table["yield_bu_ac"].iloc[0] == pytest.approx(100 * 86 / 84.5)


@pytest.mark.parametrize("header", ["Moisture (fraction)", "grain_moisture_decimal"])
def test_a_moisture_said_to_be_a_fraction_is_converted_and_told(header):
    trial, percent = (
        read(MOIST.format(*columns), crop="corn") for columns in ((header, 0.18, 0.2), ("Moisture %", 18, 20))
    )
    assert trial.table["yield_bu_ac"].tolist() == pytest.approx(percent.table["yield_bu_ac"].tolist())
    assert trial.table["yield_bu_ac"].iloc[0] == pytest.approx(75 * 82 / 84.5)
    assert "fraction, converted" in trial.report.set_index("item").loc["moistures", "taken_as"]
    assert "moistures" not in set(percent.report["item"])


def test_a_moisture_of_the_dry_weight_is_converted_and_told():
    # 25 kg water to 100 kg dry matter are 20 % of 125 kg; none is 0 %.
    trial = read(MOIST.format("Moisture % (dry basis)", 25, 0), crop="corn")
    assert trial.table["moisture_pct"].tolist() == pytest.approx([20, 0])
    assert trial.table["yield_bu_ac"].tolist() == pytest.approx([75 * 80 / 84.5, 80 * 100 / 84.5])
    assert "dry basis" in trial.report.set_index("item").loc["moistures", "taken_as"]


@pytest.mark.parametrize(
    ("header", "moisture"),
    [("Dry matter yield (t/ha)", 0), ("Dry yield t/ha", 0), ("yield_dm_t_ha", 0), ("Yield t/ha at 0 %", 0),
     ("Yield (t/ha, 85 % dry matter)", 15), ("Dry yield (t/ha at 14 % moisture)", 14)],
)  # fmt: skip
def test_yield_of_dry_matter_comes_to_trade_moisture(header, moisture):
    text = f'rate_lb_ac,"{header}"\n0,8\n50,9\n'
    trial = read(text, crop="corn")
    assert trial.table["yield_t_ha"].iloc[0] == pytest.approx(8 * (100 - moisture) / 84.5)
    told = trial.report.set_index("item").loc["yields", "taken_as"]
    assert ("dry matter" in told) == (moisture == 0)
    assert "15.5 % moisture" in told


def test_yield_at_standard_moisture_is_left():
    trial = read("rate_lb_ac,Yield adjusted t/ha\n0,8\n50,9\n", crop="corn")
    assert trial.table["yield_t_ha"].tolist() == [8, 9]


def test_forage_stays_dry_matter():
    trial = read("rate_lb_ac,Dry matter yield t/ha\n0,8\n50,9\n", crop="alfalfa")
    assert trial.table["yield_t_ha"].tolist() == [8, 9]
    assert "kept as dry matter" in trial.report.set_index("item").loc["yields", "taken_as"]


def test_megagrams_are_tonnes():
    trial = read("rate_kg_ha,Yield (Mg/ha)\n0,8\n50,9\n")
    assert (trial.yield_column, trial.yield_unit) == ("yield_t_ha", "t/ha")
    assert trial.table["yield_t_ha"].tolist() == [8, 9]


def test_an_empty_trial_column_is_no_trial():
    trial = read("trial,site,rate_kg_ha,yield_t_ha\n,A,0,8\n,A,50,9\n")
    assert trial.table["trial"].tolist() == ["A", "A"]


# ---- bad files


def test_every_problem_of_a_file_at_once():
    text = (
        "Rep,Strip,N rate (kg/ha),Yield t/ha,Moisture %,Crop\n"
        "1,1,0,8.1,17,moonweed\n"
        "1,2,5x,9.2,16,corn\n"
        "1,2,100,-3,120,corn\n"
        ",4,112,9.9,,corn\n"
    )
    found = {(p.row, p.column): str(p) for p in problems(text)}
    assert set(found) == {
        (None, None), (3, "N rate (kg/ha)"), (4, "Yield t/ha"), (4, "Moisture %"), (4, None), (5, "Rep"),
        (5, "Moisture %"),
    }  # fmt: skip
    assert "moonweed" in found[None, None]
    assert "5x" in found[3, "N rate (kg/ha)"]
    assert "twice" in found[4, None]


@pytest.mark.parametrize(
    ("text", "options", "said"),
    [
        ("foo,bar\n1,2\n", {}, "no column for the rate"),
        ("rate,yield_t_ha\n1,2\n", {}, "not a known unit"),
        ("N rate (gal/ac),yield_t_ha\n1,2\n", {}, "not a known nutrient unit"),
        ("rate,yield_t_ha\n1,2\n", {"units": {"rate": "spoons"}}, "unknown unit 'spoons'"),
        ("Rate,Yield (bu/ac),rate unit\n1,100,lb/ac\n2,100,kg/ha\n", {}, "mixed units: kg/ha, lb/ac"),
        ("N rate (lb/ac),K2O rate (lb/ac),yield_bu_ac\n1,2,3\n", {}, "several columns could be the rate"),
        ("rate_lb_ac,yield_bu_ac,yield_t_ha\n1,2,3\n", {}, "several columns could be the yield"),
        (GOOD, {}, "no crop"),
        (GOOD, {"crop": "cotton"}, "no trade moisture"),
        (GOOD, {"crop": "corn", "columns": {"rate": "Nope"}}, "no column 'Nope'"),
        (GOOD, {"crop": "corn", "columns": {"speed": "Rep"}}, "unknown role 'speed'"),
        ("rate_lb_ac,yield_bu_ac\n", {}, "no strips"),
        ("block,rate_lb_ac,yield_bu_ac\n1,0,100\n1,0,100\n", {}, "repeats an earlier one"),
        ("rate_lb_ac,yield_bu_ac\n,100\n", {}, "the rate is missing"),
        ("rate_lb_ac,yield_bu_ac\n0,<100\n", {}, "a limit"),
        ("crop,rate_lb_ac,yield_bu_ac\ncorn,0,100\nwheat,0,90\n", {}, "more than one crop"),
        (MOIST.format("Moisture %", 0.18, 0.2), {"crop": "corn"}, "look like fractions"),
        (MOIST.format("Moisture %", 0.18, 20), {"crop": "corn"}, "row 2, column 'Moisture %', value '0.18'"),
        (MOIST.format("Moisture %", 0, 20), {"crop": "corn"}, "row 2, column 'Moisture %', value '0'"),
        (MOIST.format("Moisture fraction", 0, 0.2), {"crop": "corn"}, "moisture of 0"),
        (MOIST.format("Moisture fraction", 18, 0.2), {"crop": "corn"}, "moisture of 1 or more"),
        ("rate_lb_ac,Dry matter yield t/ha,moisture\n0,8,20\n", {"crop": "corn"}, "beside a moisture column"),
        ("rate_lb_ac,Dry yield t/ha\n0,8\n", {}, "no crop"),
        ("rate_lb_ac,Dry yield bu/ac\n0,8\n", {"crop": "corn"}, "dry bushels may mean"),
        ("trial,rate_lb_ac,yield_t_ha\nA,0,8\nA,25,8\n,50,9\n", {}, "row 4, column 'trial': the trial is"),
        ("site,year,rate_lb_ac,yield_t_ha\nA,2001,0,8\nA,2001,25,8\nA,,50,9\n", {}, "row 4, column 'year'"),
    ],
)
def test_bad_input_is_one_clear_message(text, options, said):
    found = problems(text, **options)
    assert any(said in str(p) for p in found), [str(p) for p in found]
    assert all(p.remedy for p in found)


def test_missing_file_is_named():
    with pytest.raises(InputError, match="file not found"):
        read_strips("no_such_strips.csv")


# ---- invariants


def test_line_order_changes_nothing_but_order():
    head, *lines = GOOD.splitlines()
    one = read(GOOD, crop="corn").table
    for order in permutations(lines):
        other = read("\n".join([head, *order, ""]), crop="corn").table
        pd.testing.assert_frame_equal(one, other.sort_values("strip").reset_index(drop=True))


@settings(max_examples=25, deadline=None)
@given(moisture=st.floats(8, 60), harvested=st.floats(5, 200))
def test_dry_matter_is_kept(moisture, harvested):
    trial = read(f"rate_lb_ac,yield_bu_ac,moisture\n0,{harvested!r},{moisture!r}\n5,60,10\n", crop="soybean")
    assert trial.table["yield_bu_ac"].iloc[0] * 87 == pytest.approx(harvested * (100 - moisture))


# ---- columns that no answer rests on


def rows(header, column, *, decimal="."):
    """Three blocks of four rates, and one more column."""
    lines = [f"rate_kg_ha;yield_t_ha;{header}"]
    for block, lift in enumerate((0, 0.31, 0.12)):
        for step in range(4):
            cell = column(block, step)
            lines.append(f"{40 * step};{3.15 + lift + 0.2 * step:.2f};{cell}".replace(".", decimal))
    return "\n".join(lines) + "\n"


def test_yields_brought_to_trade_moisture_are_said_and_those_stated_at_it_stand():
    text = "Rep,N lb/ac,{},Moisture %\n1,0,100,19\n1,50,120,19\n2,0,101,19\n2,50,119,19\n"
    wet = read(text.format("Yield (bu/ac)"), crop="corn")
    # 100 bu at 19 % hold 81 of dry matter, 81 / 0.845 = 95.86 at 15.5 %.
    assert wet.strips["yield_bu_ac"].iloc[0] == pytest.approx(100 * 81 / 84.5)
    assert "yields already at 15.5 % moisture need the header" in wet.notes[0]
    for said in ("Yield (bu/ac @15.5)", "Dry yield (bu/ac @15.5)", "Corrected yield (bu/ac)"):
        dry = read(text.format(said), crop="corn")
        assert dry.strips["yield_bu_ac"].tolist() == [100, 120, 101, 119]
        assert not dry.notes


def test_quintals_are_read_and_bags_of_a_stated_mass():
    rows = "".join(f"{block};{rate};{30 + block + rate / 20}\n" for block in (1, 2) for rate in (0, 50))
    text = "Block;K2O (kg/ha);Yield ({})\n" + rows
    assert read(text.format("qq/ha"), crop="soybean").yield_unit == "q/ha"
    with pytest.raises(InputError, match="a bag has no mass of its own; state it"):
        read(text.format("sc/ha"), crop="soybean")
    # 31 bags of 60 kg are 1,860 kg
    for header in ("Yield (sc 60 kg/ha)", "Yield [bags of 60 kg/ha]", "Yield, sacas (60 kg)/ha"):
        trial = read(text.replace("Yield ({})", header), crop="soybean")
        assert trial.table["yield_kg_ha"].iloc[0] == 31 * 60
        assert "yields in bags of 60 kg are read in kg/ha" in trial.notes
    with pytest.raises(InputError, match="a bag has no mass of its own"):  # rates are not told in bags
        read(text.replace("K2O (kg/ha)", "K2O (bags of 50 kg/ha)").format("kg/ha"), crop="soybean")
    with pytest.raises(InputError, match="a bag has no mass of its own"):
        read(text.format("x"), crop="soybean", units={"yield": "sc 60 kg/ha"})


def test_planned_rates_beside_applied_ones_are_told():
    trial = read(
        "Rep,Target N lb/ac,Applied N lb/ac,Yield bu/ac\n1,0,0,100\n1,50,52,120\n2,0,0,99\n2,50,49,121\n"
    )
    assert trial.strips["rate_lb_ac"].tolist() == [0, 52, 0, 49]
    assert any(
        "'Applied N lb/ac'; treatments are those planned in 'Target N lb/ac'" in note for note in trial.notes
    )


def test_a_date_of_harvest_is_no_yield():
    trial = read("Date harvested,Rep,N lb/ac,Yield bu/ac\n10/12/2025,1,0,100\n10/12/2025,1,50,120\n")
    assert trial.strips["yield_bu_ac"].tolist() == [100, 120]


def test_masses_across_a_wide_sheet_are_rates():
    trial = read("Yield bu/ac by N rate lb/ac\nBlock,0 lb,50 lb\n1,100,120\n2,101,119\n")
    assert (trial.rate_unit, trial.nutrient) == ("lb/ac", "N")
    assert trial.strips["rate_lb_ac"].tolist() == [0, 50, 0, 50]


def test_unused_columns_are_all_named():
    text = rows("Colour;Soil test K", lambda block, step: f"green {block}{step};{140 + step}")
    trial = read(text)
    assert trial.notes == ("not used: columns 'Colour', 'Soil test K'",)
    assert "Note: not used: columns 'Colour', 'Soil test K'" in trial.summary()
    assert not any("not used" in note for note in read(GOOD, crop="corn").notes)


def test_a_column_of_units_that_was_read_is_used():
    text = "rep,rate,Rate unit,yield_bu_ac\n1,0,lb/ac,50\n1,50,lb/ac,55\n2,0,lb/ac,51\n2,50,lb/ac,56\n"
    assert read(text).notes == ()
    told = read(text.replace("rate,Rate", "rate lb/ac,Rate")).notes
    assert told == ("not used: column 'Rate unit'",)


@pytest.mark.parametrize(
    "label", [lambda b: b + 1, lambda b: "ABC"[b], lambda b: f"W{b + 1}", lambda b: ("I", "II", "III")[b]]
)
def test_what_looks_like_blocks_is_asked_about(label):
    text = rows("Kl", lambda block, step: label(block))
    (told,) = problems(text)
    assert told.column == "Kl"
    assert "looks like blocks" in told.what
    assert '--column block="Kl"' in told.in_code
    assert read(text, columns={"block": "Kl"}).table["block"].nunique() == 3
    trial = read(text, columns={"other": "kl"})
    assert "block" not in trial.table
    assert trial.notes == ("not used: column 'Kl'",)


def test_blocks_that_lost_a_strip_are_asked_about_still():
    lines = rows("Kl", lambda block, step: block + 1).splitlines()
    assert "looks like blocks" in problems("\n".join(lines[:-1]))[0].what


@pytest.mark.parametrize(
    "cell",
    [
        lambda block, step: 4 * block + step,  # numbers of the strips
        lambda block, step: "ABCD"[step],  # another name of the rate
        lambda block, step: "clay",  # one label only
    ],
)
def test_what_cannot_be_blocks_is_only_named(cell):
    assert read(rows("Kl", cell)).notes == ("not used: column 'Kl'",)


@pytest.mark.parametrize("decimal", [".", ","])
def test_what_looks_like_a_moisture_is_asked_about(decimal):
    text = rows("Xyz (%)", lambda block, step: 11.5 + 2 * step, decimal=decimal)
    (told,) = problems(text)
    assert "looks like grain moisture" in told.what
    assert '--column moisture="Xyz (%)"' in told.in_code
    known, named = (
        read(t, crop="soybean", columns=c) for t, c in
        [(text.replace("Xyz", "Feuchte"), None), (text, {"moisture": "Xyz (%)"})]
    )  # fmt: skip
    assert known.table["yield_t_ha"].tolist() == named.table["yield_t_ha"].tolist()
    assert read(text, columns={"other": ["Xyz (%)"]}).standard_moisture_pct is None


def test_dry_matter_in_a_column_is_asked_about():
    text = rows("TS (%)", lambda block, step: 88.5 - step)
    assert "looks like grain dry matter" in problems(text)[0].what


@pytest.mark.parametrize("header", ["Protein (%)", "Rohprotein %", "Oil %", "Soil moisture (%)", "Slope (%)"])
def test_other_percents_are_no_moisture(header):
    trial = read(rows(header, lambda block, step: 11.5 + step))
    assert trial.notes == (f"not used: column '{header}'",)
    assert trial.standard_moisture_pct is None


def test_a_file_of_a_byte_order_mark_alone():
    with pytest.raises(InputError, match="strips"):
        read_strips(b"\xef\xbb\xbf", name="strips.csv")


def test_an_endless_header_does_not_flood_the_message():
    with pytest.raises(InputError) as refused:
        read_strips(b"Block," + b"A" * 100_000 + b"\n1,2\n", name="strips.csv")
    assert len(str(refused.value)) < 10_000


@pytest.mark.parametrize(
    "file",
    [
        b"N (%),K2O rate (lb/ac),Yield (t/ha)\n0\n",
        b"lot,Rate (lb/ac),Yield (t/ha)\n1,,\n2,,\n",
        b"site,lot,Rate (lb/ac),Yield (t/ha)\na,1,,9\na,2,,9\nb,1,0,9\nb,2,0,9\n",
    ],
)
def test_lines_without_a_rate_are_named_and_nothing_else_is_said(file, recwarn):
    with pytest.raises(InputError, match="the rate is missing"):
        read_strips(file)
    assert not recwarn.list


@pytest.mark.parametrize(
    ("header", "role"),
    [
        ("Moisture at harvest (%)", "moisture"),  # as it came off the field
        ("Stated moisture", "stated"),  # the one moisture the yields are stated at
        ("Yield (bu/ac at 15.5 % moisture)", "yield"),  # a yield, whatever moisture it names
        ("Soil moisture (%)", "other"),
        ("Moisture (lb/ac)", ""),  # no moisture has a mass over an area
        ("Grain weight (lb)", "weight"),
        ("Grain weight (lb/ac)", "yield"),  # grain over an area
    ],
)
def test_what_a_header_that_names_moisture_or_weight_holds(header, role):
    assert read_header(header).role == role


@pytest.mark.parametrize("column", ["Treatment", "Hybrid"])
def test_a_name_in_another_case_is_no_group_of_its_own(column):
    """Check and CHECK are one treatment, H1 and h1, H2 and H 2 one hybrid: it is asked, row by row."""
    table = pd.DataFrame({"Block": [1, 1, 2, 2, 3, 3], column: ["H1", "H2", "h1", "H2", "H1", "H 2"],
                          "Yield (bu/ac)": [150, 155, 151, 156, 152, 158]})  # fmt: skip
    columns = {}
    if column == "Hybrid":
        table["N rate (lb/ac)"], columns = [0, 50, 50, 0, 100, 100], {"factor": column}
    with pytest.raises(InputError, match="only by case, blanks or hyphens") as error:
        read_strips(table, columns=columns)
    assert [problem.row for problem in error.value.problems if "case" in problem.what] == [4, 7]


def test_a_block_of_one_yield_is_asked_about():
    """Simulated: block 2 holds one figure on every strip, as where a block mean was filled in."""
    rows = [
        (block, rate, 170 if block == 2 else 150 + rate / 10 + block)
        for block in (1, 2)
        for rate in (0, 50, 90)
    ]
    table = pd.DataFrame(rows, columns=["block", "N rate (lb/ac)", "Yield (bu/ac)"])
    told = [note for note in read_strips(table).notes if "one yield" in str(note)]
    assert told == ["all strips of block 2 have one yield (lines 5, 6, 7): check that each was measured"]
