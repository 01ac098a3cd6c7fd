"""Who, what, where and when of a sample: ids, dates, crop, stage, part, areas, sheets, units vouched for."""

import io

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed
from fertkit.intake import read_tissue
from fertkit.intake.dates import read_dates
from fertkit.intake.parts import parts_match, plant_part
from fertkit.intake.stages import stage_span

HEAD = "Sample,Lab No.,Crop,Growth Stage,Plant Part,Date Sampled,Condition,N (%),P (%)\n"


def read(text, **options):
    return read_tissue(text.encode(), name="lab.csv", **options)


def test_ids_stay_text_and_laboratory_numbers_apart():
    table = read(
        HEAD
        + "007,0012,corn,R1,ear leaf,2024-07-16,,3.1,0.3\n12-3,0013,corn,R1,ear leaf,2024-07-16,,3.0,0.3\n"
    ).table
    assert table["sample_id"].unique().tolist() == ["007", "12-3"]
    assert table["lab_id"].unique().tolist() == ["0012", "0013"]


DATES = [
    "2024-07-16",
    "16-Jul-24",
    "20240716",
    "45489",
    "16/07/2024",
    "7/16/2024",
    "16.07.2024",
    "July 16, 2024",
]


@pytest.mark.parametrize("text", DATES)
def test_dates(text):
    samples = read(HEAD + f'a,1,corn,R1,ear leaf,"{text}",,3.1,0.3\n')
    assert (samples.table["sampled"] == pd.Timestamp("2024-07-16")).all()


def test_a_date_that_reads_two_ways_is_left_empty_and_told():
    text = HEAD + "a,1,corn,R1,ear leaf,03/04/2024,,3.1,0.3\n"
    samples = read(text)
    assert samples.table["sampled"].isna().all()
    assert any("date_format" in str(p) for p in samples.notes)
    assert (read(text, date_format="dmy").table["sampled"] == pd.Timestamp("2024-04-03")).all()
    assert (read(text, date_format="mdy").table["sampled"] == pd.Timestamp("2024-03-04")).all()


def test_one_day_above_twelve_settles_a_column():
    dates, complaints, order = read_dates(["03/04/2024", "25/04/2024"])
    assert [d.day for d in dates] == [3, 25]
    assert order == "dmy: a day above 12 settles it"
    assert complaints == ["", ""]
    _, complaints, order = read_dates(["13/04/2024", "04/13/2024"])
    assert order == ""
    assert all(complaints)


def test_dates_with_points_are_day_month_year():
    """German usage (DIN 5008), as of most countries that write points: 05.07.2026 is 5 July."""
    dates, complaints, order = read_dates(["05.07.2026", "6.7.26", "2026-07-07"])
    assert [(d.day, d.month) for d in dates] == [(5, 7), (6, 7), (7, 7)]
    assert complaints == ["", "", ""]
    assert order.startswith("dmy: ")
    dates, complaints, _ = read_dates(["05.07.2026", "05/07/2026"])  # slashes beside them stay unclear
    assert (dates[0].day, bool(complaints[0]), bool(complaints[1])) == (5, False, True)
    dates, _, order = read_dates(["07.05.2026", "07.21.2026"])  # a day above 12 speaks for month first
    assert [(d.day, d.month) for d in dates] == [(5, 7), (21, 7)]
    assert order.startswith("mdy: ")


@pytest.mark.parametrize(
    ("mark", "area"),
    [("good", "good"), ("G", "good"), ("Healthy", "good"), ("bad", "poor"), ("Poor", "poor")],
)
def test_area_marks(mark, area):
    assert set(read(HEAD + f"a,1,corn,R1,ear leaf,,{mark},3.1,0.3\n").table["area"]) == {area}


def test_area_marks_in_the_names_and_marks_not_understood():
    samples = read("Sample,N (%),P (%)\nNorth good,3.1,0.3\nNorth poor,2.6,0.3\n")
    assert samples.table["area"].unique().tolist() == ["good", "poor"]
    assert "good and poor areas" in set(samples.report["item"])
    odd = read(HEAD + "a,1,corn,R1,ear leaf,,A,3.1,0.3\n")
    assert any("not understood" in str(p) for p in odd.notes)


def test_lines_above_the_table_and_arguments_fill_what_the_table_leaves_open():
    text = (
        "Crop: maize\nGrowth stage,R1\nDate sampled,2024-07-16\n\n"
        "Sample,Plant part,N (%),P (%)\na,ear leaf,3.1,0.3\nb,,3.0,0.3\n"
    )
    samples = read(text, part="leaf below the whorl", stage="V8")
    table = samples.table.drop_duplicates("sample_id").set_index("sample_id")
    assert set(table["crop"]) == {"corn"}
    assert set(table["growth_stage"]) == {"R1"}  # the file's own word stands
    assert (table["sampled"] == pd.Timestamp("2024-07-16")).all()
    assert table["plant_part"].tolist() == ["ear leaf", "leaf below the whorl"]
    assert sum("the file's own entry was kept" in str(p) for p in samples.notes) == 2


def test_scale_columns_name_the_scale():
    assert set(read("Sample,Feekes,N (%),P (%)\na,6,3.1,0.3\n").table["growth_stage"]) == {"Feekes 6"}
    assert set(read("Sample,GS,N (%),P (%)\na,31,3.1,0.3\n").table["growth_stage"]) == {"GS 31"}


def test_duplicates_are_kept_and_told():
    samples = read("Sample,N (%),P (%)\na,3.1,0.3\na,3.2,0.31\n")
    assert samples.table["specimen"].nunique() == 2
    assert any("'a' appears 2 times (rows 2, 3)" in str(p) for p in samples.notes)
    long = read("Sample,Analyte,Result,Unit\na,N,3.1,%\na,N,3.2,%\na,P,0.3,%\n")
    assert long.table["specimen"].tolist() == [1, 1, 2]


def test_same_field_at_two_dates_is_no_duplicate():
    samples = read(
        HEAD + "a,,corn,V6,whole plant,2024-06-05,,3.6,0.4\na,,corn,R1,ear leaf,2024-07-16,,3.0,0.3\n"
    )
    assert not samples.notes
    assert samples.table["specimen"].nunique() == 2


def test_other_columns_are_kept_as_text():
    samples = read("Sample,Variety,Soil pH,N (%),P (%)\na,early,6.1,3.1,0.3\n")
    assert samples.others.iloc[0].to_dict() == {
        "specimen": 1,
        "sample_id": "a",
        "Variety": "early",
        "Soil pH": "6.1",
    }
    told = samples.report.set_index("item")["what"]
    # a fact on the field helps to explain the leaf, so it is used
    assert (told["column 'Variety'"], told["field fact ph"]) == ("not used", "recognised")


def test_samples_without_a_name_are_numbered_by_line_and_told():
    samples = read("N (%),P (%)\n3.1,0.3\n2.9,0.28\n")
    assert samples.table["sample_id"].unique().tolist() == ["line 2", "line 3"]
    assert "sample id" in set(samples.report["item"])


def test_units_the_user_vouches_for_override_and_are_told():
    text = "Sample,N (%),P (%),K (%),S (%)\na,32,3.1,21,2.2\nb,29,2.9,18,2.4\n"
    with pytest.raises(InputError, match="units="):
        read(text)
    samples = read(text, units="g/kg")
    assert samples.table["value"].tolist() == pytest.approx([3.2, 0.31, 2.1, 0.22, 2.9, 0.29, 1.8, 0.24])
    assert "you entered" in samples.report["detail"].str.cat(sep=" ")
    with pytest.raises(LookupFailed, match="Zn"):
        read(text, units={"Zn": "ppm"})


def test_inferred_units_are_reported():
    samples = read("Sample,N,P,K,Zn\na,31,3.1,21,22\nb,29,2.9,18,24\n")
    assert samples.table["value"].tolist() == pytest.approx([3.1, 0.31, 2.1, 22, 2.9, 0.29, 1.8, 24])
    told = samples.report[samples.report["what"] == "inferred"].set_index("item")["detail"]
    assert told["unit of N"].startswith("g/kg")
    assert told["unit of Zn"].startswith("mg/kg")


def test_missing_unit_follows_the_stated_ones_only_if_plausible():
    samples = read("Sample,N (g/kg),P (g/kg),K\na,31,3.1,21\nb,29,2.9,18\n")
    assert samples.table.loc[samples.table["nutrient"] == "K", "value"].tolist() == pytest.approx([2.1, 1.8])
    with pytest.raises(InputError, match="implausible"):
        read("Sample,N (g/kg),P (g/kg),K\na,31,3.1,0.21\nb,29,2.9,0.18\n")


def test_workbook_with_several_sheets():
    import openpyxl

    book = openpyxl.Workbook()
    book.active.append(["About this report"])
    for name, value in (("first", 3.1), ("second", 2.8)):
        sheet = book.create_sheet(name)
        sheet.append(["Sample", "N (%)", "P (%)"])
        sheet.append([f"{name}-1", value, 0.3])
    stream = io.BytesIO()
    book.save(stream)
    with pytest.raises(InputError, match="first, second"):
        read_tissue(stream.getvalue())
    assert read_tissue(stream.getvalue(), sheet="second").table["value"].tolist() == [2.8, 0.3]
    with pytest.raises(InputError, match="no sheet 'third'"):
        read_tissue(stream.getvalue(), sheet="third")


def test_sanity_checks_are_rows():
    # Limits of the report-format notes (from memory): sum of macronutrients 1.5-20 %, N:S 4-40, soil at
    # Fe 500 with Al 400 mg/kg.
    text = (
        "Sample,N (%),P (%),K (%),Ca (%),Mg (%),S (%),Fe (ppm),Al (ppm)\n"
        "a,7,1.2,9,5,1.5,0.1,900,800\nb,3,0.3,2,0.6,0.3,0.2,90,60\nc,3,0.3,2,0.6,0.3,0.2,90,60\n"
    )
    failed = read(text).checks
    failed = failed[~failed["passed"].astype(bool)]["check"].tolist()
    assert failed == ["sum of N P K Ca Mg S in a", "N:S in a", "Fe with Al in a", "results of c"]


def test_one_result_in_every_sample_is_asked_about():
    lines = [f"s{i},3.{i},0.3{i},22" for i in range(5)]
    failed = read("Sample,N (%),P (%),Zn (ppm)\n" + "\n".join(lines) + "\n").checks
    assert failed.loc[~failed["passed"].astype(bool), "check"].tolist() == ["Zn in all samples"]
    few = read("Sample,N (%),P (%),Zn (ppm)\n" + "\n".join(lines[:4]) + "\n").checks
    assert few["passed"].astype(bool).all()


def test_summary_can_be_read_aloud():
    text = read("Sample,N,P,K\na,31,3.1,ND\nb,29,2.9,18\nMean,30,3,18\n").summary()
    assert text.startswith("lab.csv: 2 samples, 3 nutrients (N, P, K)")
    for words in ("inferred: unit of N", "not used: summary line 'Mean'", "Note: "):
        assert words in text


def test_values_are_floats_and_missing_ones_nan():
    table = read("Sample,N (%),P (%)\na,3,QNS\n").table
    assert table["value"].dtype == float
    assert np.isnan(table["value"].iloc[1])
    assert table["flag"].iloc[1] == "sample too small"


def test_tables_below_each_other_meet_in_one_sample():
    samples = read("Sample,N (%),P (%)\na,3.1,0.3\nb,3.0,0.3\n\nSample,Zn (ppm),B (ppm)\na,22,9\nb,25,8\n")
    assert samples.table.groupby("sample_id")["specimen"].nunique().tolist() == [1, 1]
    assert not samples.notes


def test_a_name_with_fresh_in_it_is_no_fresh_weight():
    samples = read("Grower: Fresh Creek Growers\nSample,N (%),P (%)\na,3.1,0.3\n")
    assert len(samples.table) == 2


def test_a_small_n_beside_capitals_is_asked_about():
    with pytest.raises(InputError, match="number of samples"):
        read("Treatment,n,K (%),P (%)\nwith,4,2.1,0.3\nwithout,4,1.7,0.3\n")
    assert len(read("Sample,n,p,k\na,3.1,0.3,2.1\nb,2.9,0.3,1.7\n").table) == 6


def test_percent_formatted_cells_are_told():
    with pytest.raises(InputError, match="look like fractions"):
        read("Sample,N (%),P (%),K (%)\na,0.031,0.003,0.021\nb,0.029,0.0031,0.018\n")


def test_an_unusual_value_is_noted():
    samples = read("Sample,N (%),P (%)\na,12,0.3\nb,3.0,0.3\n")
    assert [str(p).startswith("row 2, column 'N'") for p in samples.notes] == [True]


GERMAN = "Labor-Nr.;Probenbezeichnung;Schlag;Kultur;Stadium;Pflanzenteil;Datum;Zustand;N (%);K (%)\n"
SPANISH = "N° laboratorio;Muestra;Lote;Cultivo;Estadio;Órgano;Fecha de toma;Condición;N (%);K (%)\n"


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        (GERMAN + "0012;007;Hang;Mais;VT;Kolbenblatt;16.07.2024;gut;3,1;2,0\n", ("VT", "ear leaf")),
        (
            SPANISH + "0012;007;Loma;Maíz;emisión de panoja;hoja de la mazorca;16/07/2024;bueno;3,1;2,0\n",
            ("VT", "ear leaf"),
        ),
    ],
)  # fmt: skip
def test_headers_and_words_of_other_languages(text, parts):
    samples = read(text)
    row = samples.table.iloc[0]
    assert (row["lab_id"], row["crop"], row["area"]) == ("0012", "corn", "good")
    assert row["field"] in ("Hang", "Loma")
    assert row["sample_id"] == f"{row['field']} 007"
    assert row["sampled"] == pd.Timestamp("2024-07-16")
    assert stage_span("corn", row["growth_stage"]) == stage_span("corn", parts[0])
    assert parts_match(plant_part("corn", row["plant_part"]), plant_part("corn", parts[1])) == "same part"
    assert not {"Schlag", "Lote"} & set(samples.others)


def test_a_zone_column_of_good_and_poor_marks_the_areas_of_paddocks():
    samples = read("Sample,Paddock,Zone,N (%),P (%)\n1,North,good,3.1,0.3\n2,North,poor,2.6,0.3\n")
    areas = samples.table.drop_duplicates("sample_id").set_index("sample_id")["area"]
    assert areas.to_dict() == {"North 1": "good", "North 2": "poor"}
    assert samples.table["field"].unique().tolist() == ["North"]
    assert "from column 'Zone'" in set(samples.report["detail"])
    named = read("Paddock,Zone,N (%),P (%)\nNorth,good,3.1,0.3\nNorth,poor,2.6,0.3\n").table
    assert set(named["sample_id"]) == {"North"}
    assert named["area"].unique().tolist() == ["good", "poor"]
    places = read("Sample,Zone,N (%),P (%)\n1,hill,3.1,0.3\n2,good,2.6,0.3\n")
    assert set(places.table["area"]) == {""}
    assert "Zone" in places.others


def test_a_rating_of_the_laboratory_marks_no_area():
    samples = read("Sample,N (%),Rating,P (%)\n1,3.1,good,0.3\n2,2.6,poor,0.3\n")
    assert set(samples.table["area"]) == {""}


def test_bbch_columns_keep_their_scale():
    table = read("Sample,Crop,BBCH,N (%),P (%)\na,Winterweizen,31,3.1,0.3\nb,trigo,GS 32,3.1,0.3\n").table
    assert table["growth_stage"].unique().tolist() == ["BBCH 31", "GS 32"]
    assert table["crop"].unique().tolist() == ["winter wheat", "wheat"]


def test_crops_not_known_are_told_once_for_the_file():
    lines = "".join(f"s{i},{crop},3.1,0.3\n" for i, crop in enumerate(["mango"] * 40 + ["corn", "hops"]))
    samples = read("Sample,Crop,N (%),P (%)\n" + lines)
    told = [p for p in samples.notes if "unknown crop" in str(p)]
    assert len(told) == 1
    for words in ("row 2", "'mango' (40 lines), 'hops' (1 line)", "soybean"):
        assert words in str(told[0])
    assert samples.table["crop"].unique().tolist() == ["mango", "corn", "hops"]


def test_dates_that_read_two_ways_are_told_once():
    lines = "".join(f"s{i},03/04/2024,3.1,0.3\n" for i in range(40))
    (note,) = read("Sample,Date sampled,N (%),P (%)\n" + lines).notes
    assert "40 dates, rows 2, 3, 4, 5, 6, 7, ..." in str(note)


def test_the_field_goes_before_the_sample_unless_its_name_holds_it():
    samples = read("Sample,Field,N (%),P (%)\n1,North,3.1,0.3\nSouth 2,South,2.6,0.3\n3,,2.6,0.3\n").table
    assert samples["sample_id"].unique().tolist() == ["North 1", "South 2", "3"]
    assert samples["field"].unique().tolist() == ["North", "South", ""]


def test_a_part_given_says_of_the_petiole_what_the_file_leaves_open():
    sheet = (
        "Sample,Crop,Stage,Part,N (%),P (%)\n1,soybean,R2,Uppermost mature trifoliate,4,0.3\n"
        "2,corn,R1,Ear leaf,3,0.3\n3,soybean,R2,trifoliate with petiole,4,0.3\n"
    )
    samples = read(sheet, part="upper trifoliate without petiole")
    parts = samples.table.drop_duplicates("sample_id")["plant_part"].tolist()
    assert parts == ["upper trifoliate without petiole", "Ear leaf", "trifoliate with petiole"]
    assert any("'Uppermost mature trifoliate'" in text for text in samples.report["detail"])
    assert any("with petiole" in str(note) and "kept" in str(note) for note in samples.notes)


RESULTS = "Nutrient,Result,Unit\nN,{},%\nK,1.5,%\nZn,22,ppm\n"
FIRST = "Crop: Soybean\nStage: R2\nPart: trifoliate\nSample: Poor\n" + RESULTS.format(4.5)


def _crops(text):
    return read(text).table.groupby("sample_id")["crop"].first().to_dict()


@pytest.mark.parametrize("label", ["Cropcorn", "Crop:", "CROP=", "Cropcorn,"])
def test_a_crop_whose_line_is_unread_is_not_that_of_the_sample_above(label):
    # the line names a crop, and no reader can tell which: blank, never soybean
    text = FIRST + f"\n{label}\nSample: East\n" + RESULTS.format(2.5)
    assert _crops(text) == {"Poor": "soybean", "East": ""}


def test_samples_that_state_their_own_crop_lend_it_to_none():
    text = FIRST + "\nSample: East\n" + RESULTS.format(2.5)
    assert _crops(text) == {"Poor": "soybean", "East": "soybean"}  # one crop over the whole page
    text += "\nCrop: wheat\nSample: West\n" + RESULTS.format(3.5)
    assert _crops(text) == {"Poor": "soybean", "East": "", "West": "wheat"}


GROUP = "Crop: {}\nStage: {}\nPart: {}\n"


def test_a_crop_above_each_group_of_samples_holds_for_all_of_the_group():
    groups = [("Soybean", "R2", "trifoliate", "AB"), ("Corn", "R1", "ear leaf", "CDE")]
    text = "".join(
        GROUP.format(*grown) + "".join(f"Sample: {name}\n" + RESULTS.format(3) + "\n" for name in names)
        for *grown, names in groups
    )
    samples = read(text)
    first = samples.table.groupby("sample_id")[["crop", "growth_stage", "plant_part"]].first()
    right = {name: [grown[0].lower(), *grown[1:]] for *grown, names in groups for name in names}
    assert first.T.to_dict("list") == right
    lent = samples.lent.set_index("specimen")["what"].to_dict()
    corn = "crop 'Corn' (row 16), stage 'R1' (row 17), part 'ear leaf' (row 18)"  # 3 + 2 × 6 lines above
    soybean = "crop 'Soybean' (row 1), stage 'R2' (row 2), part 'trifoliate' (row 3)"
    assert lent == {2: soybean, 4: corn, 5: corn}


def test_a_group_of_one_may_be_one_whose_crop_is_lost():
    # C has the line of its crop for itself, so the line of B may be lost
    text = "".join(
        line + f"Sample: {name}\n" + RESULTS.format(3) + "\n"
        for name, line in (("A", GROUP.format("Soybean", "R2", "trifoliate")), ("B", ""),
                           ("C", GROUP.format("Corn", "R1", "ear leaf")))
    )  # fmt: skip
    assert _crops(text) == {"A": "soybean", "B": "", "C": "corn"}


@pytest.mark.parametrize("label", ["Matrix", "Sample type"])
def test_sap_beside_a_plant_part_is_refused_as_sap(label):
    with pytest.raises(InputError, match="sap or fresh-weight results, not dry matter") as caught:
        read(f"Sample,Crop,Stage,Part,{label},N %,K %,Zn ppm\nA,corn,R1,ear leaf,sap,2.5,1.9,30\n")
    assert "differ" not in str(caught.value)


def test_chlorophyll_is_no_chloride_that_went_unread():
    text = "Sample,Crop,Stage,Part,N %,K %,Zn ppm,Chlorophyll SPAD,Chlorophyll,Chloridex\n"
    unread = read(text + "A,corn,R1,ear leaf,2.5,1.9,30,40,35,7\n").unread
    assert unread["column"].tolist() == ["Chloridex"]  # a word like chloride still is
