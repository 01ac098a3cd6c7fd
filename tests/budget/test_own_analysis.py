"""Removal from a user's own analysis, worked out in plain arithmetic; analyses are made up.

Corn is sold at 15.5 % moisture. P2O5 holds 61.948 / 141.943 of P, and K2O 78.197 / 94.195 of K (IUPAC).
"""

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import farm_budget, nutrient_budget, season_demand
from fertkit.budget.needs import _analysis_rows
from fertkit.budget.studies import ANALYSIS
from fertkit.cli import main
from fertkit.errors import InputError, LookupFailed, UnitError
from fertkit.reference.profiles import read_profile

P2O5, K2O = 141.943 / 61.948, 94.195 / 78.197


@pytest.mark.parametrize(
    ("nutrient", "value", "unit", "name", "share"),
    [
        ("N", 1.3, "%", "N", 0.013), ("N", 0, "%", "N", 0.0), ("N", 100, "%", "N", 1.0),
        ("P", 0.3, "%", "P2O5", 0.003 * P2O5), ("P2O5", 0.3, "%", "P2O5", 0.003),
        ("K", 4.0, "g/kg", "K2O", 0.004 * K2O), ("Zn", 25, "mg/kg", "Zn", 25e-6),
        ("Zn", 1e6, "mg/kg", "Zn", 1.0),
    ],
)  # fmt: skip
@pytest.mark.parametrize(("part", "moisture", "dry"), [("grain", None, 0.845), ("silage", 65.0, 0.35)])
def test_removal_is_dry_matter_times_its_content(nutrient, value, unit, name, share, part, moisture, dry):
    row = _analysis_rows("corn", part, 10_000.0, moisture, {nutrient: value}, unit).iloc[0]
    assert (row["crop"], row["nutrient"], row["source_key"], row["unit"]) == ("corn", name, ANALYSIS, "lb/ac")
    assert row["removed"] == row["harvested"] == pytest.approx(10_000 * dry * share, rel=1e-4)
    assert np.isnan([row[n] for n in ("uptake", "stays", "low", "high", "share_removed")]).all()


def test_analyses_that_cannot_be_are_refused():
    def asked(analysis, part="grain", unit="%"):
        return _analysis_rows("corn", part, 10_000.0, None, analysis, unit)

    assert asked({}).empty
    assert asked(None).empty
    assert asked({"N": 1.3, "K": 0.4})["nutrient"].tolist() == ["N", "K2O"]
    for value, unit in ((-0.1, "%"), (100.1, "%"), (1001, "g/kg")):
        with pytest.raises(InputError):
            asked({"N": value}, unit=unit)
    with pytest.raises(UnitError, match="moisture_pct"):
        asked({"N": 1.3}, "silage")
    with pytest.raises(LookupFailed):
        asked({"Xx": 1.3})


LENTIL = (
    "crop;harvested_part;nutrient;value;unit;source_key\n"
    "lentil;grain;N;38,5;kg/Mg;MINE\nlentil;grain;K;8;kg/Mg;MINE\n"
)
TAKEN = pd.DataFrame({
    "crop": ["lentil"], "measure": "total", "nutrient": "N", "amount": 140.0, "amount_unit": "kg/ha",
    "yield_amount": 2.0, "yield_unit": "Mg/ha", "source_key": "MINE",
})  # fmt: skip


@pytest.fixture
def removal(tmp_path):
    path = tmp_path / "lentil.csv"
    path.write_text(LENTIL, encoding="utf-8")
    return path


def test_a_crop_the_kit_has_never_seen_by_tables_of_the_users_own(removal):
    # invented: 2.5 t/ha at 38.5 kg N a tonne are 96.25 kg; 140 kg of N at 2 t/ha are 175 at 2.5 t/ha
    budget = nutrient_budget("lentil", 2.5, "t/ha", unit="kg/ha", own=[removal, TAKEN])
    shown = budget.defaults.set_index("nutrient")
    assert shown.loc["N", ["uptake", "removed", "stays"]].tolist() == pytest.approx([175, 96.25, 78.75])
    assert shown.loc["K2O", "removed"] == pytest.approx(2.5 * 8 * K2O, rel=1e-4)
    assert set(budget.table["source_key"]) == {"MINE"}
    assert budget.checks["passed"].tolist() == [False]  # the table measured at 2 t/ha
    points = pd.DataFrame({"nutrient": "N", "day": [40, 80], "fraction": [0.4, 1.0]})
    season = season_demand("lentil", 2.5, "t/ha", own=[removal, TAKEN], points=points, unit="kg/ha")
    assert season.at(40)["cumulative"].item() == pytest.approx(0.4 * 175)
    fields = pd.DataFrame({"crop": ["lentil", "corn"], "area_ha": [10.0, 10], "yield_goal_t_ha": [2.5, 10]})
    farm = farm_budget(fields, own=[removal]).table.set_index(["crop", "nutrient"])
    assert farm.loc[("lentil", "N"), "removed_field"] == pytest.approx(962.5)
    with pytest.raises(InputError, match="row 2"):
        farm_budget(fields)


def test_own_rows_of_a_known_crop_lead(removal):
    own = pd.DataFrame({"crop": ["Soybeans"], "harvested_part": "grain", "nutrient": "K2O", "value": 1.0,
                        "unit": "lb/bu", "source_key": "MINE"})  # fmt: skip
    shown = nutrient_budget("soybean", 60, own=own).defaults.set_index("nutrient")
    assert shown.loc["K2O", ["removed", "removed_source"]].tolist() == [pytest.approx(60), "MINE"]
    assert shown.loc["N", "removed_source"] == "BENDER2015"
    assert (
        nutrient_budget("soybean", 60).defaults.set_index("nutrient").loc["K2O", "removed_source"]
        == "KSU_SOY"
    )


def test_own_tables_that_cannot_be_read_are_refused(removal):
    bushels = pd.DataFrame({"crop": ["lentil", "corn", "lentil"], "harvested_part": "grain",
                            "nutrient": ["N", "N", "S"], "value": 2.0,
                            "unit": ["lb/bu", "lb/bu", "g/kg"]})  # fmt: skip
    with pytest.raises(InputError) as refused:
        nutrient_budget("lentil", 2, "t/ha", own=bushels)
    assert [(p.row, p.column) for p in refused.value.problems] == [(2, "crop"), (4, "crop")]
    with pytest.raises(InputError, match="no trade moisture"):
        nutrient_budget("lentil", 2, "t/ha", own=[removal, TAKEN.assign(yield_basis="dry")])
    for table, name, near in (
        (TAKEN, "amount_hi", "amount_high"),
        (bushels[1:2], "moisture", "moisture_basis"),
    ):
        with pytest.raises(InputError, match=f"column '{name}': unknown column.*'{near}'"):
            nutrient_budget("lentil", 2, "t/ha", own=[removal, table.assign(**{name: 1})])
    with pytest.raises(LookupFailed, match="unknown crop"):
        nutrient_budget("moonwheat", 2, "t/ha", own=removal)
    with pytest.raises(UnitError, match="not sold by the bushel"):
        nutrient_budget("lentil", 30, "bu/ac", own=removal)
    with pytest.raises(UnitError, match="reported by weight"):
        nutrient_budget("lentil", 2, own=removal)


def test_a_profile_names_own_tables_from_its_folder(removal, capsys):
    profile = removal.parent / "mine.toml"
    profile.write_text('own = "lentil.csv"\n', encoding="utf-8")
    assert read_profile(profile) == {"own": [removal]}
    assert main(["needs", "lentil", "2", "--goal-unit", "t/ha", "--profile", str(profile)]) in (0, None)
    assert "77 removed with the grain" in capsys.readouterr().out  # 38.5 x 2
    main(["needs", "lentil", "2", "--goal-unit", "t/ha", "--own", str(removal)])
    assert "77 removed with the grain" in capsys.readouterr().out


def own_table(*rows):
    names = ["crop", "harvested_part", "nutrient", "value", "unit", "source_key"]
    return pd.DataFrame(rows, columns=names)


def refused_rows(table, crop="corn"):
    with pytest.raises(InputError) as refused:
        nutrient_budget(crop, 100, own=table)
    return [(p.row, p.column, f"{p.what}; {p.remedy}") for p in refused.value.problems]


def test_a_bundled_key_in_an_own_table_is_refused():
    table = own_table(["corn", "grain", "K2O", 0.5, "lb/bu", "TRI2020"])
    [(row, column, text)] = refused_rows(table)
    assert (row, column) == (2, "source_key")
    assert "a name of your own, such as MINE" in text
    mine = nutrient_budget("corn", 200, own=table.assign(source_key="MINE"))
    k2o = mine.defaults.set_index("nutrient").loc["K2O"]
    assert k2o[["removed", "removed_source"]].tolist() == [pytest.approx(100), "MINE"]  # 200 x 0.5


@pytest.mark.parametrize(
    "chosen", [{}, {"source": "TRI2020"}, {"source": ["TRI2020", "MINE"]}, {"region": "US Midwest"},
               {"region": "Europe"}, {"without": "KSU_SOY"}],
)  # fmt: skip
def test_own_rows_lead_whatever_else_is_chosen(chosen):
    table = own_table(
        ["soybean", "grain", "P", 0.32, "lb/bu", "MINE"], ["Soybeans", "Grain", "k2o", 1.10, "lb/bu", "MINE"]
    )
    shown = nutrient_budget("soybean", 60, own=table, **chosen).defaults.set_index("nutrient")
    assert shown.loc["K2O", ["removed", "removed_source"]].tolist() == [pytest.approx(66), "MINE"]  # 60 x 1.1
    assert shown.loc["P2O5", "removed"] == pytest.approx(60 * 0.32 * P2O5, rel=1e-4)
    left_out = nutrient_budget("soybean", 60, own=table, without="MINE")
    assert "MINE" not in set(left_out.table["source_key"])


@pytest.mark.parametrize(
    ("part", "nutrient"),
    [("Grain", "K2O"), ("seed", "K20"), ("Beans", "k2o"), (" kernels ", "K₂O"), ("Grain", "Potash")],
)
def test_spellings_of_part_and_nutrient_are_read(part, nutrient):
    table = own_table(["Corn", part, nutrient, 0.5, "lb/bu", "MINE"])
    shown = nutrient_budget("corn", 100, own=table).defaults.set_index("nutrient")
    assert shown.loc["K2O", ["removed", "removed_source"]].tolist() == [pytest.approx(50), "MINE"]
    # sunflower is carried as seed, which stays its usual part
    seeds = own_table(["sunflower", "grain", nutrient, 2.0, "lb/cwt", "MINE"])
    budget = nutrient_budget("sunflower", 2000, "lb/ac", own=seeds)
    assert budget.part == "seed"
    assert budget.defaults.set_index("nutrient").loc["K2O", "removed"] == pytest.approx(40)


def test_names_that_cannot_be_read_are_refused_by_row():
    table = own_table(
        ["corn", "grian", "K2O", 0.5, "lb/bu", "A"], ["corn", "grain", "Kx", 0.5, "lb/bu", "A"],
        ["soybaen", "grain", "N", 3, "lb/ton", "A"], ["cotton", "grain", "N", 3, "lb/ton", "A"],
    )  # fmt: skip
    where = [(row, column) for row, column, _ in refused_rows(table)]
    assert where == [(2, "harvested_part"), (3, "nutrient"), (4, "crop"), (5, "harvested_part")]


def test_two_rows_of_one_thing_are_refused_naming_both():
    first, again = (["soybean", "grain", "P2O5", v, "lb/bu", "X"] for v in (0.8, 0.7))
    [(row, _, text)] = refused_rows(own_table(first, again), "soybean")
    assert row == 3
    assert "row 2" in text
    [(row, _, text)] = refused_rows(own_table(first, ["soybean", "seed", "P", 0.3, "lb/bu", "X"]), "soybean")
    assert (row, "row 2" in text) == (3, True)


def test_a_row_that_another_table_has_given_is_refused(removal):
    again = removal.with_name("again.csv")
    again.write_text(LENTIL, encoding="utf-8")
    with pytest.raises(InputError, match=r"row 2 of lentil\.csv"):
        nutrient_budget("lentil", 2, "t/ha", own=[removal, again])


@pytest.mark.parametrize("crop", ["lentil", "Lentil", "Lentils"])
def test_a_crop_of_ones_own_is_known_in_any_case_and_in_the_plural(crop, removal):
    both = [removal, TAKEN.assign(crop="LENTILS")]
    shown = nutrient_budget(crop, 2, "t/ha", own=both, unit="kg/ha").defaults.set_index("nutrient")
    assert shown.loc["N", ["uptake", "removed"]].tolist() == pytest.approx([140, 77])  # 2 t of 38.5 kg


def test_leaving_out_the_only_source_says_so(removal):
    with pytest.raises(LookupFailed, match=r"no source is left for lentil.*MINE"):
        nutrient_budget("lentil", 2, "t/ha", own=removal, without="MINE")


def test_own_values_that_cannot_be_are_named_and_never_called_published():
    table = own_table(["corn", "grain", "K2O", 20, "lb/bu", "MINE"])
    bundled = nutrient_budget("corn", 200).spread.set_index("nutrient").loc["K2O"]
    budget = nutrient_budget("corn", 200, own=table)
    shown = budget.spread.set_index("nutrient").loc["K2O"]
    assert shown.drop("unit").tolist() == bundled.drop("unit").tolist()
    # 200 x 20 = 4000
    [note] = [text for text in budget.notes if "MINE" in text]
    assert note.startswith("K2O: 4000 lb/ac removed by MINE")
    assert f"{bundled['uptake_highest']:.0f} lb/ac" in note
    sound = nutrient_budget("corn", 200, own=table.assign(value=0.2))
    assert not any("MINE" in text for text in sound.notes)


def test_more_removed_than_taken_up_by_ones_own_tables_is_refused():
    # 140 kg of N at 2 t/ha are 70 a tonne
    def asked(kilograms, uptake=TAKEN):
        table = own_table(["lentil", "grain", "N", kilograms, "kg/Mg", "MINE"])
        return nutrient_budget("lentil", 2, "t/ha", own=[table, uptake], unit="kg/ha")

    assert asked(70).defaults["share_removed"].tolist() == [pytest.approx(1)]
    with pytest.raises(InputError, match="removal is 2 times the uptake"):
        asked(140)
    with pytest.raises(InputError, match="write the share as 0 to 1"):
        asked(30, TAKEN.assign(harvest_index=55.0))
