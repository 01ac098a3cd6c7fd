"""A table of fields in the words and units that growers use, with what stands in the books beside."""

from io import StringIO

import pandas as pd
import pytest

from fertkit.budget import farm_budget
from fertkit.budget.fields import read_fields
from fertkit.errors import InputError
from fertkit.intake.lists import read_field_table


def table(text, **options):
    problems = []
    found = read_field_table(StringIO(text), problems=problems, **options)
    return found, problems


def test_zone_year_and_crop_before():
    found, problems = table(
        "Field,Zone,Year,Crop,Acres,Yield goal (bu/ac),Previous crop\nNorth,ridge,2027,corn,40,200,soybean\n"
    )
    assert not problems
    row = found.frame.iloc[0].to_dict()
    assert (row["zone"], row["year"], row["previous_crop"]) == ("ridge", 2027, "soybean")
    assert (found.area_unit, row["yield_unit"]) == ("ac", "bu/ac")


@pytest.mark.parametrize(
    ("header", "area", "goal"),
    [("crop,area_ac,yield_goal_bu_ac", "ac", "bu/ac"), ("Crop,Area (ha),Yield goal t/ha", "ha", "t/ha"),
     ("Kultur,Hectares,Target yield [kg/ha]", "ha", "kg/ha"), ("crop,acres,goal lb/ac", "ac", "lb/ac"),
     ("Frucht,ha,Ertragsziel (t/ha)", "ha", "t/ha"), ("Crop,FSA acres,YG (bu/ac)", "ac", "bu/ac"),
     ("Crop,Field size (ac),Exp. yield bu/ac", "ac", "bu/ac")],
)  # fmt: skip
def test_units_stand_in_the_headers(header, area, goal):
    found, problems = table(f"{header}\nwheat,10,80\n")
    assert not problems
    assert (found.area_unit, found.frame["yield_unit"].tolist()) == (area, [goal])


def test_lines_above_and_totals_below():
    found, problems = table(
        "Farm plan (invented),,\n,,\ncrop,area_ac,yield_goal_bu_ac\ncorn,40,200\nTotal,40,\n"
    )
    assert not problems
    assert found.frame["crop"].tolist() == ["corn"]
    assert found.lines == [4]
    assert any("totals" in note for note in found.notes)


def test_rows_of_a_problem_are_those_of_the_file():
    text = "Farm plan (invented),,\n,,\ncrop,area_ac,yield_goal_bu_ac\ncorn,forty,200\nwheat,10,-1\n"
    with pytest.raises(
        InputError, match=r"(?s)row 4, column 'area_ac', value 'forty'.*row 5, column 'yield_goal_bu_ac'"
    ):
        read_fields(StringIO(text))


def test_credits_keep_their_unit_in_the_name():
    found, problems = table(
        "crop,acres,yield goal bu/ac,manure,Manure rate (ton/ac),Manure N (lb/ton),Starter,Starter (gal/ac),"
        "Irrigation (in),Water nitrate (ppm)\ncorn,40,200,own slurry,6,9.5,10-34-0,5,8,4\n"
    )
    assert not problems
    row = found.frame.iloc[0]
    assert (row["manure"], row["starter"]) == ("own slurry", "10-34-0")
    amounts = [
        "manure_rate_ton_ac",
        "manure_n_lb_ton",
        "starter_rate_gal_ac",
        "water_in",
        "water_nitrate_ppm",
    ]
    assert row[amounts].tolist() == [6, 9.5, 5, 8, 4]


def test_an_amount_without_its_unit_is_asked_about():
    _, problems = table("crop,acres,yield goal bu/ac,manure,manure rate\ncorn,40,200,own slurry,6\n")
    assert [p.column for p in problems] == ["manure rate"]
    assert "ton/ac, t/ha, gal/ac or m3/ha" in problems[0].remedy
    _, problems = table(
        "crop,acres,yield goal bu/ac,manure product,manure rate lb/1000 gal\ncorn,40,200,pit,6\n"
    )
    assert "no known unit" in str(problems[0])


@pytest.mark.parametrize(
    ("header", "name"),
    [("Manure rate (gal/ac)", "manure_rate_gal_ac"), ("Manure (gallons/acre)", "manure_rate_gal_ac"),
     ("manure gpa", "manure_rate_gal_ac"), ("Manure rate (m³/ha)", "manure_rate_m3_ha"),
     ("Manure N (lb/1000 gal)", "manure_n_lb_1000_gal"),
     ("manure P2O5 lbs per 1,000 gal", "manure_p2o5_lb_1000_gal"),
     ("Manure N lb/1000gal", "manure_n_lb_1000_gal"), ("Manure K2O (kg/m3)", "manure_k2o_kg_m3"),
     ("Manure N (g/L)", "manure_n_g_l"), ("Manure N (kg/t)", "manure_n_kg_t"),
     ("Manure N (lbs/ton)", "manure_n_lb_ton")],
)  # fmt: skip
def test_manure_by_volume_and_its_analysis(header, name):
    found, problems = table(
        f'crop,acres,yield goal bu/ac,manure product,"{header}"\ncorn,40,200,own slurry,6\n'
    )
    assert not problems
    assert found.frame[name].tolist() == [6]


def test_bags_of_a_stated_mass():
    # 60 bags of 60 kg of soybeans are 3.6 t/ha, 3,212 lb/ac (1.12085 kg/ha a lb/ac)
    text = "crop,area_ha,{}\nsoybean,40,60{}\n"
    columns = [("Yield goal (sc 60 kg/ha)", ""), ("Yield goal (sacas de 60 kg/ha)", ""),
               ("Yield goal,Yield unit", ",bags of 60 kg/ha")]  # fmt: skip
    for header, unit in columns:
        fields = read_fields(StringIO(text.format(header, unit)))[0]
        assert fields["pounds"].item() == pytest.approx(3600 / 1.12085, rel=1e-4)
        assert fields["yield_unit"].item() == "bags of 60 kg/ha"
    with pytest.raises(InputError, match="a bag has no mass of its own"):
        read_fields(StringIO(text.format("Yield goal (sc/ha)", "")))


def test_a_workbook_of_fields(tmp_path):
    path = tmp_path / "fields.xlsx"
    frame = pd.DataFrame({"Crop": ["corn", "soybean"], "Acres": [40, 60.5], "Yield goal (bu/ac)": [200, 60]})
    frame.to_excel(path, index=False)
    assert farm_budget(path).fields["area"].tolist() == [40, 60.5]


@pytest.mark.parametrize("goal", ["Rinde objetivo (t/ha)", "Produtividade esperada (t/ha)"])
@pytest.mark.parametrize("remark", ["Nota: valores inventados", "* invented", "Source: farm books"])
def test_words_of_the_plata_and_remarks_below(goal, remark):
    found, problems = table(f"Campo,Cultivo,Superficie (ha),{goal}\nLa Loma,soja,45.5,3.6\n{remark},,,\n")
    assert not problems
    assert found.frame["field"].tolist() == ["La Loma"]
    assert found.frame["yield_unit"].tolist() == ["t/ha"]
    assert any("a remark below the table is not used" in note and remark in note for note in found.notes)


@pytest.mark.parametrize("header", ["Prev crop", "Prev. crop", "Preceding crop", "Last year's crop"])
def test_the_crop_before_under_its_usual_names(header):
    found, problems = table(f"crop,acres,yield goal bu/ac,{header}\ncorn,40,200,alfalfa\n")
    assert not problems
    assert found.frame["previous_crop"].tolist() == ["alfalfa"]
    assert not found.notes


def test_a_yield_per_acre_is_not_an_area():
    _, problems = table("crop,bu per ac\ncorn,200\n")
    assert any("area" in p.what for p in problems)


def test_goals_with_their_unit_in_each_cell():
    head, stated = (
        "Field,Crop,Acres,Yield goal",
        "A,corn,40,210 bu\nB,alfalfa,22,6 tons\nC,wheat,30,85 bu/ac\n",
    )
    in_cells = farm_budget(StringIO(f"{head}\n{stated}")).table
    beside = "A,corn,40,210,bu/ac\nB,alfalfa,22,6,ton/ac\nC,wheat,30,85,bu/ac\n"
    pd.testing.assert_frame_equal(in_cells, farm_budget(StringIO(f"{head},Yield unit\n{beside}")).table)
    with pytest.raises(InputError, match="the header names no unit of yield"):
        farm_budget(StringIO(f"{head}\nA,corn,40,210 bu\nB,corn,30,200\n"))


@pytest.mark.parametrize(
    ("header", "kept", "baled"),
    [
        ("Stroh", "verbleibt", "abgefahren"),
        ("Paille", "restituée", "exportée"),
        ("Palha", "fica", "retirada"),
    ],
)
def test_straw_in_other_words(header, kept, baled):
    lines = "A,corn,40,210,{}\nB,wheat,22,80,{}\n"
    told = farm_budget(StringIO(f"Field,Crop,Acres,Goal (bu/ac),{header}\n" + lines.format(kept, baled)))
    plain = farm_budget(StringIO("Field,Crop,Acres,Goal (bu/ac),Straw\n" + lines.format("kept", "baled")))
    pd.testing.assert_frame_equal(told.table, plain.table)
