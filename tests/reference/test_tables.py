"""The carried tables agree with their publications; a user's table meets the same door."""

import csv
from importlib.resources import files

import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed
from fertkit.reference import cite, list_sources, load_crops, load_ranges, load_table
from fertkit.reference.crops import (
    base_crop,
    bushel_lb,
    crop_name,
    nitrogen_note,
    other_crop,
    trade_moisture_pct,
)
from fertkit.reference.facts import load_sheet
from fertkit.reference.load import method_keys, method_sources, short_names
from fertkit.reference.schema import check_table, schemas

EAR_LEAF = {
    # Southern Cooperative Series Bulletin 394, corn ear leaf at tasseling,
    # as reprinted by University of Delaware Extension
    "N": (2.8, 4.0), "P": (0.25, 0.5), "K": (1.8, 3.0), "Ca": (0.25, 0.8), "Mg": (0.15, 0.6),
    "S": (0.15, 0.6), "Fe": (30, 250), "Mn": (15, 150), "Zn": (20, 70), "Cu": (5, 25), "B": (5, 25),
    "Mo": (0.1, 2.0),
}  # fmt: skip


@pytest.mark.parametrize("nutrient", EAR_LEAF)
def test_corn_ear_leaf_against_the_bulletin(nutrient):
    table = load_ranges(source="SCSB394_UDEL", crop="corn").set_index("nutrient")
    assert tuple(table.loc[nutrient, ["low", "high"]]) == EAR_LEAF[nutrient]
    assert set(table["plant_part"]) == {"ear leaf"}


@pytest.mark.parametrize(
    ("stage", "nutrient", "critical"),
    [
        ("V5", "P", (0.33, 0.41)),
        ("V5", "K", (1.89, 2.27)),
        ("R2", "P", (0.35, 0.47)),
        ("R2", "K", (1.56, 1.99)),
    ],
)
def test_soybean_critical_ranges_against_the_paper(stage, nutrient, critical):
    # Stammer & Mallarino 2018, Soil Sci. Soc. Am. J. 82:260-270, abstract (g/kg restated as %)
    table = load_ranges(source="STAMMER2018", crop="soybean")
    row = table[(table["stage_from"] == stage) & (table["nutrient"] == nutrient)].iloc[0]
    assert (row["critical"], row["critical_high"]) == critical


@pytest.mark.parametrize("kind", schemas())
def test_every_bundled_table_keeps_its_schema(kind):
    # read by pandas and checked as a user's own table is; the kit reads its own tables without the check
    home = files("fertkit.reference")
    sheets = sorted((home / kind).glob("*.csv")) or [home / f"{kind}.csv"]
    read = [pd.read_csv(sheet, dtype=str, keep_default_na=False) for sheet in sheets]
    checked = check_table(pd.concat(read, ignore_index=True), kind, f"{kind}.csv")
    pd.testing.assert_frame_equal(load_table(kind), checked, check_exact=True)


def test_every_bundled_line_fits_its_header():
    for sheet in files("fertkit.reference").glob("**/*.csv"):
        with sheet.open(encoding="utf-8", newline="") as handle:
            header, *rows = csv.reader(handle)
        assert len(set(header)) == len(header), sheet
        assert {len(row) for row in rows} == {len(header)}, sheet


@pytest.mark.parametrize("kind", schemas())
def test_every_row_is_traceable(kind):
    table = load_table(kind)
    keys = {part for key in table["source_key"] for part in key.split(";")}
    assert keys <= set(list_sources()["source_key"])
    assert all(cite(key) for key in keys)
    assert "low" not in set(table["confidence"])
    assert "own table" not in set(table["provenance"])


def test_ranges_cover_the_crops_that_have_rows():
    crops = set(load_ranges()["crop"])
    assert {
        "corn",
        "soybean",
        "wheat",
        "alfalfa",
        "cotton",
        "peanut",
        "sorghum",
        "sugar beet",
        "potato",
        "rice",
    } <= crops
    for crop in crops:
        assert crop_name(crop) == crop


def test_every_crop_of_every_table_is_known():
    for kind in ("removal", "uptake", "timing"):
        for crop in load_table(kind)["crop"].unique():
            assert crop_name(crop) == crop


@pytest.mark.parametrize(
    ("crop", "words"),
    [
        ("corn", ["Mais", "Körnermais", "Maíz", "maiz", "MAÍZ", "Milho"]),
        ("soybean", ["Soja", "Sojabohne", "Sojabohnen"]),
        ("wheat", ["Weizen", "Trigo"]),
        ("winter wheat", ["Winterweizen", "trigo de invierno"]),
        ("barley", ["Gerste", "Wintergerste", "Cebada"]),
        ("canola", ["Raps", "Colza"]),
        ("sugar beet", ["Zuckerrüben", "Remolacha azucarera"]),
        ("potato", ["Kartoffeln", "Papa"]),
        ("peanut", ["Erdnuß", "Maní"]),
    ],
)
def test_crops_are_known_by_their_german_and_spanish_names(crop, words):
    assert {crop_name(word) for word in words} == {crop}


def test_no_name_means_two_crops():
    table = load_crops()
    names = [*table["crop"], *(a for aliases in table["aliases"] for a in aliases.split(";") if a)]
    assert len(names) == len(set(names))


def test_bushels_and_moistures():
    # University of Florida IFAS AG442 and the USDA bushel weights (sources in crops.csv)
    assert (bushel_lb("corn"), bushel_lb("soybeans"), bushel_lb("winter wheat")) == (56, 60, 60)
    assert (trade_moisture_pct("maize"), trade_moisture_pct("soybean"), trade_moisture_pct("wheat")) == (
        15.5,
        13.0,
        13.5,
    )
    assert base_crop("winter wheat") == "wheat"
    with pytest.raises(LookupFailed, match="soybean"):
        crop_name("soybeen")


OWN = pd.DataFrame(
    {
        "crop": ["soybean"] * 2,
        "stage_from": ["R1"] * 2,
        "stage_to": ["R3"] * 2,
        "plant_part": ["upper trifoliate leaf"] * 2,
        "nutrient": ["K", "Zn"],
        "unit": ["%", "mg/kg"],
        "low": ["1.7", "20"],
        "high": ["2.5", "50"],
    }
)


def test_a_users_own_table_loads_through_the_same_schema(tmp_path):
    path = tmp_path / "county_guide.csv"
    OWN.to_csv(path, index=False)
    table = load_ranges(path)
    assert list(table["low"]) == [1.7, 20.0]
    assert set(table["source_key"]) == {"county_guide"}
    assert set(table["provenance"]) == {"own table"}
    assert list(table.columns) == list(load_ranges().columns)
    assert cite("county_guide") == "the user's own table"
    assert cite("bender2015") == cite("BENDER2015")


def test_all_problems_of_a_users_table_are_named_at_once(tmp_path):
    broken = OWN.assign(unit=["%", "stones"], low=["2.9", "twenty"], nutrient=["P2O5", "Zn"])
    path = tmp_path / "mine.csv"
    broken.to_csv(path, index=False)
    with pytest.raises(InputError) as caught:
        load_ranges(path)
    message = str(caught.value)
    assert "row 3, column 'unit', value 'stones'" in message
    assert "row 3, column 'low', value 'twenty'" in message
    broken.assign(unit=["%", "mg/kg"], low=["2.9", "20"]).to_csv(path, index=False)
    with pytest.raises(InputError) as caught:
        load_ranges(path)
    message = str(caught.value)
    assert "low is above high (2.5)" in message
    assert "an oxide in a tissue table" in message


@pytest.mark.parametrize("content", ["", "a,b\n1,2\n", "crop\ncorn\n", "\x00\x01\x02"])
def test_a_file_that_is_no_such_table_is_refused(tmp_path, content):
    path = tmp_path / "odd.csv"
    path.write_text(content)
    with pytest.raises(InputError, match=r"odd\.csv"):
        load_ranges(path)


def test_missing_file_is_said_plainly(tmp_path):
    with pytest.raises(InputError, match="file not found"):
        load_ranges(tmp_path / "nowhere.csv")


def test_unknown_source_lists_the_known_ones():
    with pytest.raises(LookupFailed, match="STAMMER2018"):
        load_ranges(source="NOBODY1900")


def test_a_limit_beyond_all_numbers_is_one_no_plant_can_hold(tmp_path):
    """1e308 % is more mg/kg than a computer's numbers hold: refused without a warning of theirs."""
    path = tmp_path / "mine.csv"
    OWN.assign(high=["1e308", "1e308"], unit=["%", "%"]).to_csv(path, index=False)
    with pytest.raises(InputError, match=r"no dry matter holds 1e[+]308 % of K"):
        load_ranges(path)


def test_ranges_that_no_plant_can_hold_are_refused(tmp_path):
    path = tmp_path / "mine.csv"
    OWN.assign(low=["17", "20"], high=["25", "50"], unit=["%", "%"], crop=["soybean", "soybaen"]).to_csv(
        path, index=False
    )
    with pytest.raises(InputError) as caught:
        load_ranges(path)
    message = str(caught.value)
    assert "no dry matter holds 25 % of K" in message
    assert "no dry matter holds 20 % of Zn" in message
    assert (
        "row 3, column 'crop', value 'soybaen'" in message
    )  # a slip of a known crop is no crop of one's own


def test_ranges_in_a_far_too_small_unit_are_refused(tmp_path):
    # 1.8 mg/kg are 0.00018 % of K, where a leaf short of it still holds near 1 %; 20 mg/kg of Zn are usual
    OWN.assign(low=["1.8", "20"], high=["2.5", "50"], unit=["mg/kg", "mg/kg"]).to_csv(
        tmp_path / "mine.csv", index=False
    )
    with pytest.raises(InputError, match=r"2\.5 mg/kg of K is far below what leaves hold") as caught:
        load_ranges(tmp_path / "mine.csv")
    assert [(p.row, p.column) for p in caught.value.problems] == [(2, "unit")]


def test_legumes_say_that_their_nitrogen_is_no_fertilizer_need():
    assert "comes from the air" in nitrogen_note("soybeans")
    assert "from memory" in nitrogen_note("alfalfa")
    assert nitrogen_note("corn") == ""


def test_every_method_has_its_sources():
    """A method of ``methods.csv`` names keys of ``sources.csv`` alone, and each by the works they are."""
    for method, keys in load_sheet("methods")[["method", "source_keys"]].to_numpy():
        assert set(keys.split(";")) <= set(list_sources()["source_key"]), method
    assert method_keys("tukey", "none", "tukey") == ("TUKEY1949", "KRAMER1956", "FISHER1935")
    assert method_sources("reml")["obtained"].tolist() == ["from_memory"]


def test_readers_see_author_or_publisher_in_place_of_keys_and_each_names_one_source():
    said = "by [Clover 2013, Mengel (soybeans)], Nutrients in crop material (RB209)"
    assert short_names("by [CLOVER2013, KSU_SOY], RB209_2020") == said
    said = "Agronomy page of 10 March (2020) and a COUNTY_GUIDE"
    assert short_names("BENDER2015_PAGE and a COUNTY_GUIDE") == said
    assert short_names("EC750; SCSB394_UDEL") == (
        "South Dakota State University EC750; Campbell 2000 (Corn ear-leaf values)"
    )
    assert short_names("Kansas MF2586, sufficiency") == "Kansas MF2586, sufficiency"  # a name of its own
    assert short_names("MEMO, COMMON_PRACTICE") == "from memory, common practice"
    keys = list_sources()["source_key"]
    assert keys.map(short_names).nunique() == len(keys)


@pytest.mark.parametrize("name", ["rape", "Oilseed rape", "winter oilseed rape", "Rapeseed"])
def test_rape_is_oilseed_rape_and_forage_rape_is_another_crop(name):
    assert crop_name(name) == "canola"
    assert other_crop("forage rape") == "not oilseed rape"
