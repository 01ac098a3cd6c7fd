"""A farm table gives the same numbers as field by field, and every problem of it at once."""

import re

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import farm_budget, nutrient_budget
from fertkit.errors import InputError, LookupFailed, UnitError
from fertkit.report import answer_farm

FARM = pd.DataFrame(
    {
        "field": ["north", "south", "creek", "hill", "road"],
        "crop": ["Soybeans", "corn", "winter wheat", "alfalfa", "corn"],
        "area_ac": [80, 120.0, 40, 10, 30],
        "yield_goal": [60, 200, 90, 5, 150],
        "yield_unit": ["bu/ac", "bu/ac", "bu/ac", "ton/ac", "bu/ac"],
        "residue": ["kept", 0.5, 1, "kept", "kept"],
    }
)


def test_same_as_field_by_field():
    rows = farm_budget(FARM).table
    for field in FARM.to_dict("records"):
        mine = rows[rows["field"] == field["field"]].set_index("nutrient")
        request = {k: field[k] for k in ("crop", "yield_goal", "yield_unit", "residue")}
        request["area"] = field["area_ac"]
        single = nutrient_budget(**request).defaults.set_index("nutrient")
        for column in ("uptake", "removed", "stays"):
            np.testing.assert_allclose(mine[column], single.loc[mine.index, column])
        assert list(mine["removed_source"]) == list(single.loc[mine.index, "removed_source"])


def test_totals():
    farm = farm_budget(FARM)
    total = farm.totals.set_index("nutrient").loc["K2O"]
    mine = farm.table[farm.table["nutrient"] == "K2O"]
    assert total["removed"] == pytest.approx((mine["removed"] * mine["area"]).sum())
    assert (total["fields_with_removed"], total["fields_with_uptake"]) == (5, 4)
    assert farm.by_crop["removed"].sum() == pytest.approx(farm.totals["removed"].sum())
    assert "5 fields, 280 ac" in farm.summary()


def test_trade_printed_rotation():
    # OSU_ANR74 prints 100-120 lb each of P2O5 and K2O for 180 bu corn and 60 bu soybean
    rotation = pd.DataFrame({"crop": ["corn", "soybean"], "area_ac": [1, 1], "yield_goal_bu_ac": [180, 60]})
    totals = farm_budget(rotation, source="TRI2020").totals.set_index("nutrient")["removed"]
    assert totals["P2O5"] == pytest.approx(110.4, abs=0.1)
    assert totals["K2O"] == pytest.approx(104.4, abs=0.1)


def test_metric_farm():
    us = farm_budget(FARM).totals.set_index("nutrient")["removed"]
    metric = farm_budget(FARM.drop(columns="area_ac").assign(area_ha=FARM["area_ac"] * 0.40468564224))
    np.testing.assert_allclose(metric.totals.set_index("nutrient")["removed"], us * 0.45359237)


def test_every_problem_at_once():
    bad = pd.DataFrame(
        {
            "crop": ["corn", "kale", "soybean"],
            "area_ac": [1, -2, 3],
            "yield_goal": ["x", 100, -4],
            "yield_unit": ["bu/ac", "bushel", "bu/ac"],
            "residue": ["kept", 2, "some"],
        }
    )
    with pytest.raises(InputError) as caught:
        farm_budget(bad)
    places = {(p.row, p.column) for p in caught.value.problems}
    assert places == {(2, "yield_goal"), (3, "crop"), (3, "area_ac"), (3, "yield_unit"), (3, "residue"),
                      (4, "yield_goal"), (4, "residue")}  # fmt: skip


def test_impossible_yield_and_unit_of_a_crop():
    bad = pd.DataFrame({"crop": ["corn", "alfalfa"], "area_ac": [1, 2], "yield_goal_bu_ac": [2000, 5]})
    with pytest.raises(InputError) as caught:
        farm_budget(bad)
    places = [(p.row, p.column) for p in caught.value.problems]
    assert places == [(2, "yield_goal_bu_ac"), (3, "yield_goal_bu_ac")]


def test_missing_columns_and_rows():
    with pytest.raises(InputError, match="required: crop, area, yield goal"):
        farm_budget(pd.DataFrame({"crop": ["corn"]}))
    with pytest.raises(InputError, match="no rows"):
        farm_budget(FARM.iloc[:0])


def test_unknown_source_nutrient_and_unit():
    with pytest.raises(LookupFailed, match="unknown source"):
        farm_budget(FARM, source="NOBODY")
    with pytest.raises(LookupFailed, match="unknown nutrient"):
        farm_budget(FARM, nutrients=["Xx"])
    with pytest.raises(UnitError, match="ac or ha"):
        farm_budget(FARM, area_unit="acre")


def test_summary_says_what_is_missing_and_adds_up():
    # alfalfa has removal only, so nothing is said to stay; parts as printed add up to the whole
    two = pd.DataFrame(
        {
            "crop": ["corn", "alfalfa"],
            "area_ac": [80, 20],
            "yield_goal": [200, 6],
            "yield_unit": ["bu/ac", "ton/ac"],
        }
    )
    text = farm_budget(two).summary()
    assert "on 1 of 2 fields (not published for the rest)" in text
    assert "stays" not in text
    assert "alfalfa: UKY142, IPNI2014; S [from memory]" in text
    for line in farm_budget(two.head(1)).summary().splitlines()[1:5]:
        up, off, left = (
            int(n.replace(",", "")) for n in re.findall(r"(?<![\w,])\d[\d,]*(?= removed| stays|;)", line)
        )
        assert up == off + left


def test_units_come_with_the_columns():
    us = farm_budget(pd.DataFrame({"crop": ["soybean"], "area_ac": [10.0], "yield_goal_bu_ac": [60.0]}))
    # 60 bu of 60 lb are 4.035 t/ha (NIST: 1 lb/ac = 1.12085 kg/ha)
    metric = pd.DataFrame(
        {"crop": ["soybean"], "area_ha": [4.0468564224], "yield_goal_t_ha": [3.6 * 1.12085116]}
    )
    found = farm_budget(metric)
    assert found.totals["unit"].unique().tolist() == ["kg"]
    assert found.totals["removed"].to_numpy() == pytest.approx(us.totals["removed"] * 0.45359237, rel=1e-6)


def test_a_column_without_a_unit_is_a_question():
    bare = pd.DataFrame({"crop": ["soybean"], "area": [12.5], "yield_goal": [4.0]})
    with pytest.raises(InputError, match="the header names no unit of area") as caught:
        farm_budget(bare)
    assert {p.column for p in caught.value.problems} == {"area", "yield_goal"}
    said = farm_budget(bare, area_unit="ha", yield_unit="t/ha")
    assert said.table["yield_unit"].unique().tolist() == ["t/ha"]


def test_a_file_with_decimal_commas(tmp_path):
    file = tmp_path / "fields.csv"
    lines = [
        "Field;Crop;Area (ha);Yield goal t/ha;Residue",
        "Nord;soybean;12,5;4,0;kept",
        "Sued;corn;8,25;11,5;0,5",
    ]
    file.write_text("\n".join(lines))
    rows = farm_budget(file).table
    assert rows["area"].unique().tolist() == [12.5, 8.25]
    assert rows["unit"].unique().tolist() == ["kg/ha"]


@pytest.mark.parametrize(
    ("names", "count", "labels"),
    [
        (["Home", "Home", "Miller", "Miller"], "4 rows of 2 fields", 4),
        (["Home", None, "", "Miller"], "4 fields", 4),
        (["Home", "  ", "Home", "Home"], "4 rows of 2 fields", 3),
    ],
)
def test_rows_of_one_name_keep_their_acres(names, count, labels):
    # 80 + 80 + 120 + 40 = 320 ac; 80 x 200 x 0.35 is the P2O5 of Home's corn (TRI2020, 0.35 lb a bushel)
    crops = {"crop": ["corn", "soybean", "corn", "wheat"], "area_ac": [80, 80, 120, 40]}
    table = pd.DataFrame({"field": names} | crops | {"yield_goal_bu_ac": [200, 60, 190, 80]})
    farm = farm_budget(table, source="TRI2020")
    head = farm.summary().splitlines()[0]
    assert head.startswith(f"{count}, 320 ac")
    assert len(farm.fields) == 4
    assert "not published" not in farm.summary().replace("uptake not published", "")
    rows = answer_farm(table, source="TRI2020").table
    assert rows["about"].nunique() == labels  # Home in corn twice
    first = rows[rows["item"].str.startswith("P2O5")].iloc[0]
    assert first["value"] == pytest.approx(200 * 0.35)


def test_acres_of_one_name_in_the_totals():
    one = pd.DataFrame({"field": ["a", "a"], "crop": ["corn", "corn"], "area_ac": [80, 20]})
    farm = farm_budget(one.assign(yield_goal_bu_ac=[200, 100]), source="TRI2020")
    p2o5 = farm.totals.set_index("nutrient").loc["P2O5"]
    assert p2o5["removed"] == pytest.approx((80 * 200 + 20 * 100) * 0.35)
    assert farm.summary().startswith("2 rows of 1 field, 100 ac")


def test_fields_left_out_are_named_with_the_reason():
    # TRI2020 gives corn 0.35 lb P2O5 a bushel, no straw, and nothing on oats: 80 ac of 80 + 55 + 15.5 + 30
    table = pd.DataFrame(
        {
            "field": ["North", "Creek", "Johnson", "Back"],
            "crop": ["corn", "wheat", "oats", "corn"],
            "area_ac": [80, 55, 15.5, 30],
            "yield_goal_bu_ac": [200, 85, 80, 190],
            "residue": ["kept", 0.8, "kept", 0.5],
        }
    )
    farm = farm_budget(table, source="TRI2020")
    lines = farm.summary().splitlines()
    assert lines[0] == "1 of 4 fields, 80 of 180.5 ac; amounts in lb on the whole farm."
    left = [line.removeprefix("Left out: ") for line in lines if line.startswith("Left out")]
    assert [line.split(":")[0] for line in left] == ["Creek (55 ac)", "Johnson (15.5 ac)", "Back (30 ac)"]
    assert ["no straw or stover" in line for line in left] == [True, False, True]
    assert "of oats in TRI2020" in left[1]
    removed = farm.totals.set_index("nutrient").loc["P2O5", "removed"]
    assert removed == pytest.approx(80 * 200 * 0.35)
    assert farm_budget(table).left_out.empty


def test_a_source_without_straw_for_straw_that_is_baled():
    table = pd.DataFrame({"crop": ["wheat", "corn"], "area_ac": [55, 1030], "yield_goal_bu_ac": [85, 190]})
    with pytest.raises(LookupFailed, match="no straw or stover of wheat in TRI2020; no straw or stover of"):
        farm_budget(table.assign(residue=[0.8, 0.5]), source="TRI2020")


def test_sums_of_uptake_and_removal_are_of_the_same_fields():
    # no uptake of alfalfa is published; alone, 40 ac of soybean are what both sums have in common
    hay = {"field": "Hay", "crop": "alfalfa", "area_ac": 22, "yield_goal": 5, "yield_unit": "ton/ac"}
    bean = {"field": "Bean", "crop": "soybean", "area_ac": 40, "yield_goal": 60, "yield_unit": "bu/ac"}
    farm = farm_budget(pd.DataFrame([hay, bean]))
    alone = nutrient_budget("soybean", 60).defaults.set_index("nutrient").loc["N"]
    both = farm.totals.set_index("nutrient").loc["N"]
    assert (both["uptake"], both["removed_with_uptake"]) == pytest.approx(
        (40 * alone["uptake"], 40 * alone["removed"])
    )
    # UKY142: 50 lb of N a ton of hay, 5 ton on 22 ac
    assert both["removed"] - both["removed_with_uptake"] == pytest.approx(22 * 5 * 50)
    line = farm.summary().splitlines()[1]
    assert f"{40 * alone['removed']:,.0f} removed where both are published" in line
    assert "on 1 of 2 fields" in line
    assert "removed on all 2 fields" in line


@pytest.mark.usefixtures("undrawn")
def test_what_is_not_published_is_empty_not_zero():
    hay = pd.DataFrame({"crop": ["alfalfa"], "area_ac": [22], "yield_goal_ton_ac": [5.0]})
    answer = answer_farm(hay)
    for name in ("The whole farm", "Crop by crop"):
        table = answer.tables[name]
        assert table["total uptake [lb]"].isna().all()
        assert (table["fields with a published uptake"] == 0).all()
    # PSU_STRAW gives no removal where a part of the straw is baled, and an uptake all the same
    straw = pd.DataFrame({"crop": ["wheat"], "area_ac": [55], "yield_goal_bu_ac": [85.0], "residue": [0.8]})
    answer = answer_farm(straw, source="PSU_STRAW")
    assert answer.tables["The whole farm"]["removed [lb]"].isna().all()
    assert "removal not published" in answer.page()


def _wheat(**columns):
    return pd.DataFrame({"crop": ["wheat"], "area_ac": [100], "yield_goal_bu_ac": [80]} | columns)


@pytest.mark.parametrize(
    ("column", "cell", "share"),
    [
        ("Straw removed (%)", 80, 0.8),
        ("Straw removed (%)", "80 %", 0.8),
        ("straw removed pct", "0", 0),
        ("straw_removed_percent", None, 0),
        ("Straw baled", 0.8, 0.8),
        ("residue baled", "80%", 0.8),
        ("Baled", "yes", 1),
        ("Baled", "No", 0),
        ("residue", "80%", 0.8),
        ("residue", " ", 0),
        ("residue", np.nan, 0),
        ("Residue", "Kept", 0),
        ("Residue", "baled", 1),
        ("Residue", "Straw removed", 1),
        ("Stover", "Removed", 1),
        ("Straw", "left on field", 0),
        ("Crop residue", "chopped", 0),
    ],
)
def test_a_share_of_straw_under_its_usual_names(column, cell, share):
    # by the budget of one field with that share
    rows = farm_budget(_wheat(**{column: [cell]})).table.set_index("nutrient")
    alone = nutrient_budget("wheat", 80, residue=share).defaults.set_index("nutrient")
    np.testing.assert_allclose(rows["removed"], alone.loc[rows.index, "removed"])


@pytest.mark.parametrize(
    ("column", "cell"),
    [("Straw", "yes"), ("Stover", 0.8),
     ("Straw removed (%)", 0.8), ("residue", "0.8%"), ("residue", "yes"), ("Baled", "some"), ("Baled", 80),
     ("straw removed pct", 101), ("residue", "x%")],
)  # fmt: skip
def test_a_share_of_straw_that_could_mean_two_things_is_refused(column, cell):
    with pytest.raises(InputError, match=re.escape(f"row 2, column '{column}'")):
        farm_budget(_wheat(**{column: [cell]}))


@pytest.mark.parametrize("typed", ["101%", "1.01", "-5%", "some"])
def test_a_share_that_cannot_be_is_shown_as_typed(typed):
    with pytest.raises(InputError, match=f"value '{re.escape(typed)}'"):
        farm_budget(_wheat(residue=[typed]))


def test_straw_baled_without_a_share_is_taken_whole_and_said():
    said = "'baled' is read as all straw or stover"
    assert said in farm_budget(_wheat(residue=["baled"])).summary()
    assert said not in farm_budget(_wheat(residue=["0.8"])).summary()
    with pytest.raises(InputError, match="neither 'kept' nor a share"):
        farm_budget(_wheat(residue=["burned"]))


def test_blank_residue_beside_filled_is_kept():
    two = pd.concat([_wheat(residue=["80%"]), _wheat(residue=[""])])
    removed = farm_budget(two).table.set_index(["field", "nutrient"])["removed"]
    assert removed["row 3", "K2O"] == pytest.approx(
        nutrient_budget("wheat", 80).defaults.set_index("nutrient").loc["K2O", "removed"]
    )


def test_columns_not_used_are_named_and_two_of_straw_are_a_question():
    farm = farm_budget(_wheat(**{"Soil pH": [6.4], "Residue cover (%)": [30]}))
    assert "not used: columns 'Soil pH', 'Residue cover (%)'" in farm.summary()
    assert "not used" not in farm_budget(_wheat(residue=["kept"])).summary()
    with pytest.raises(
        InputError,
        match=r"could be the residue: 'Straw removed \(%\)', 'Baled'; keep one, or rename the others$",
    ):
        farm_budget(_wheat(**{"Straw removed (%)": [80], "Baled": ["yes"]}))


def test_a_missing_column_lists_those_of_the_table():
    table = pd.DataFrame({"Crop type": ["corn"], "Extent (acres)": [100], "yield_goal_bu_ac": [80]})
    with pytest.raises(InputError, match=r"no column for crop, area; headers: 'Crop type', 'Extent \(ac"):
        farm_budget(table)


def test_nitrogen_of_legumes_carries_its_note():
    table = pd.DataFrame({"crop": ["corn", "soybean"], "area_ac": [80, 40], "yield_goal_bu_ac": [200, 60]})
    note = nutrient_budget("soybean", 60).notes[0].removeprefix("N: ")
    assert "legume" in note
    lines = farm_budget(table).summary().splitlines()
    assert [line for line in lines if "legume" in line] == [f"Note: N of soybean: {note}"]
    assert "legume" not in farm_budget(table, nutrients="K2O").summary()
    assert "legume" not in farm_budget(table.head(1)).summary()


def test_a_goal_of_nothing_is_refused_as_of_one_field():
    with pytest.raises(InputError, match=r"row 2, column 'yield_goal_bu_ac', value '0.*a number above 0"):
        farm_budget(_wheat().assign(yield_goal_bu_ac=0.0))
    with pytest.raises(InputError, match="above 0"):
        nutrient_budget("wheat", 0)


def test_an_own_removal_above_all_uptake_is_named_with_its_fields(tmp_path):
    own = tmp_path / "mine.csv"
    own.write_text("crop,harvested_part,nutrient,value,unit,source_key\nsoybean,grain,K2O,14,lb/bu,MINE\n")
    fields = pd.DataFrame(
        {"field": ["North", "South"], "crop": "soybean", "area_ac": 40.0, "yield_goal_bu_ac": [60.0, 55.0]}
    )
    farm = farm_budget(fields, own=own)
    [note] = [text for text in farm.notes if "exceeds the highest" in text]  # 840 lb against 264 at most
    assert "K2O of soybean" in note
    assert "North, South" in note
    [line] = [text for text in farm.summary().splitlines() if text.strip().startswith("K2O  ")]
    assert "stays" not in line


def test_silage_is_not_taken_for_grain():
    # RB209_2020 prints 1.4 kg P2O5 and 4.4 kg K2O per tonne of fresh forage maize
    rows = pd.DataFrame({
        "field": ["Moor", "Hof"], "crop": "maize", "part": ["Silage", ""], "area_ha": 6.0,
        "yield_goal": [45.0, 10.5], "yield_unit": "t/ha",
    })  # fmt: skip
    farm = farm_budget(rows, source=["RB209_2020", "TRI2020"])
    removed = farm.table.set_index(["field", "nutrient"])["removed"]
    assert removed["Moor", "P2O5"] == pytest.approx(63.0)
    assert removed["Moor", "K2O"] == pytest.approx(198.0)
    assert list(farm.fields["crop"]) == ["corn silage", "corn"]
    assert not any("not used" in note for note in farm.notes)


def test_a_harvest_nobody_published_is_refused():
    rows = pd.DataFrame(
        {"crop": ["soybean"], "part": ["forage"], "area_ac": [10], "yield_goal_lb_ac": [4000]}
    )
    with pytest.raises(
        InputError, match=r"row 2.*'part'.*unknown part of soybean 'forage'; choose one of: grain"
    ):
        farm_budget(rows)
    whole = pd.DataFrame({"crop": ["corn silage"], "area_ac": [10], "yield_goal_lb_ac": [40000]})
    with pytest.raises(InputError, match=r"write corn as the crop.*in a column 'Part'"):
        farm_budget(whole)


def test_straw_counted_as_the_most_it_can_hold_is_named():
    # ECANADA2001: barley and no study of what it loses; GREGORY1979 measured what wheat loses of K and S
    rows = pd.DataFrame({
        "crop": ["barley", "wheat", "corn"], "area_ac": 10.0, "yield_goal_bu_ac": [90.0, 80.0, 200.0],
        "residue": [1.0, 0.5, 0.0],
    })  # fmt: skip
    said = {note.split(":")[0] for note in farm_budget(rows).notes if "the most it can hold" in note}
    assert said == {"N, P2O5, K2O, S of barley", "N, P2O5 of wheat"}
