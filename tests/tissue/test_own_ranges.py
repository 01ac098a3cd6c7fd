"""A user's own table of ranges: read in any common dialect, checked whole before a sample is scored."""

from io import StringIO

import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed
from fertkit.intake import read_tissue
from fertkit.intake.stages import stage_span
from fertkit.reference import load_ranges
from fertkit.tissue import explain, score_tissue
from fertkit.tissue.match import prepare_ranges

HEAD = "crop,stage_from,stage_to,plant_part,nutrient,unit,low,high\n"
TABLE = HEAD + "corn,R1,R2,ear leaf,N,g/kg,27.5,35\ncorn,R1,R2,ear leaf,Zn,mg/kg,20.5,70\n"
COMMAS = TABLE.replace(",", ";").replace(".", ",")


@pytest.fixture
def written(tmp_path):
    def write(content, name="mine.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


DIALECTS = {
    "commas": TABLE,
    "semicolons": TABLE.replace(",", ";"),
    "tabs": TABLE.replace(",", "\t"),
    "semicolons, decimal commas": COMMAS,
    "tabs, decimal commas": COMMAS.replace(";", "\t"),
    "commas, decimal commas in quotes": TABLE.replace("27.5", '"27,5"').replace("20.5", '"20,5"'),
    "ppm and mg/g": TABLE.replace("mg/kg", "ppm").replace("g/kg", "mg/g"),
    "capitals in units": TABLE.replace("mg/kg", "PPM"),
    "byte-order mark": b"\xef\xbb\xbf" + TABLE.encode(),
    "UTF-16": TABLE.encode("utf-16"),
    "Windows-1252": COMMAS.replace("ear leaf", "última hoja con lígula visible", 1).encode("cp1252"),
    "blank lines": TABLE.replace("\n", "\n\n"),
    "German words": COMMAS.replace("corn", "Mais").replace("ear leaf", "Kolbenblatt"),
}


@pytest.mark.parametrize("name", DIALECTS)
def test_every_dialect_gives_the_same_limits(tidy, written, name):
    path = written(DIALECTS[name])
    part = "leaf below the whorl" if name == "Windows-1252" else "ear leaf"
    for ranges in (path, load_ranges(path)):
        scores = score_tissue(tidy({"a": {"N": 2.7}}, plant_part=part), ranges).table
        row = scores.iloc[0]
        assert (row["low"], row["high"]) == pytest.approx((2.75, 3.5))
        assert (row["class"], row["source_key"], row["provenance"]) == ("low", "mine", "own table")
        zinc = score_tissue(tidy({"a": {"Zn": 20.4}}), ranges).table.iloc[0]
        assert (zinc["low"], zinc["class"]) == (20.5, "low")


@pytest.mark.parametrize("kind", ["xlsx", "xls", "ods"])
def test_a_workbook_of_ranges(tidy, written, workbook, kind):
    rows = [line.split(",") for line in TABLE.splitlines()]
    rows[1:] = [[*row[:6], *map(float, row[6:])] for row in rows[1:]]
    row = score_tissue(tidy({"a": {"N": 2.7}}), written(workbook(rows, kind), f"mine.{kind}")).table.iloc[0]
    assert (row["low"], row["class"]) == (pytest.approx(2.75), "low")


BROKEN = {
    "thousands or decimals": (TABLE.replace("20.5", '"1,320"').replace("27.5", "27"), ["row 3", "1,320"]),
    "two decimal marks": (COMMAS.replace("20,5", "20.5"), ["row 2", "27,5", "decimal point"]),
    "bare decimal commas": (TABLE.replace("27.5", "27,5"), ["row 2", "9 cells under 8 column names"]),
    "a unit of rates": (TABLE.replace("mg/kg", "lb/ac"), ["row 3", "'unit'", "lb/ac", "mg/kg"]),
}


@pytest.mark.parametrize("name", BROKEN)
def test_numbers_and_units_that_read_two_ways_are_refused(written, name):
    content, words = BROKEN[name]
    with pytest.raises(InputError) as error:
        load_ranges(written(content))
    for word in ["mine.csv", *words]:
        assert word in str(error.value)


SLIPS = HEAD + (
    "corn,R1,R2,ear leef,N,%,2.7,3.5\n"
    "corn,R9,R2,ear leaf,N,%,2.7,3.5\n"
    "\n"
    "soybean,R1,brown pods,banana leaf,K,%,1.7,2.5\n"
    "corn,R2,V5,ear leaf,K,%,1.7,2.5\n"
    "wheat,31,32,whole plant,N,%,3,4\n"
)
TOLD = [
    ("row 2, column 'plant_part', value 'ear leef'", "middle third of ear leaf"),
    ("row 3, column 'stage_from', value 'R9'", "silking"),
    ("row 5, column 'stage_from', value 'R1': R1 and brown pods are on two scales", "your own names"),
    ("row 6, column 'stage_from', value 'R2': the window ends (V5) before it begins", ""),
    ("row 7, column 'stage_from', value '31'", "write Feekes 31 or GS 31"),
]


def test_all_stages_and_parts_not_known_are_told_at_once(tidy, written):
    path = written(SLIPS)
    for ranges in (path, load_ranges(path)):
        with pytest.raises(InputError) as error:
            score_tissue(tidy({"a": {"N": 3.0}}), ranges)
        lines = str(error.value).splitlines()
        assert lines[0].startswith(("mine.csv: 6 problems", "ranges: 6 problems"))
        for place, choice in TOLD:
            line = next(line for line in lines if place in line)
            assert choice in line


def test_a_frame_of_ranges_meets_the_same_check(tidy):
    frame = pd.DataFrame(
        {"crop": ["corn"], "stage_from": ["R1"], "stage_to": ["R2"], "plant_part": ["ear leaf"],
         "nutrient": ["N"], "unit": ["ppm"], "low": [27_500.0], "high": [None]}
    )  # fmt: skip
    assert score_tissue(tidy({"a": {"N": 2.7}}), frame).table["low"].item() == pytest.approx(2.75)
    with pytest.raises(InputError, match="'stage_to': column is missing"):
        score_tissue(tidy({"a": {"N": 2.7}}), frame.drop(columns="stage_to"))


def test_a_crop_without_stages_says_so():
    with pytest.raises(LookupFailed, match=r"no growth stages for flax, only for: .*corn"):
        stage_span("flax", "bloom")


LENTIL = HEAD + (
    "Lentil,V6,R1,Top leaflets,N,%,4.0,5.5\n"
    "lentil,40 d,60 days,top leaflets without petiole,K,%,1.8,3.0\n"
    "lentil,first flower,pod fill,whole plant,Zn,mg/kg,20,60\n"
)


def test_a_table_may_bring_a_crop_with_stages_and_parts_of_its_own(written):
    """An invented table for a crop that no table of the kit knows: codes, days and names as its stages."""
    path = written(LENTIL, "lentil.csv")
    sheet = "Sample,Crop,Stage,Part,{}\na,LENTIL,{},{},{}\n"
    for head, stage, part, value, expected in (
        ("N %", "V8", "top leaflets", 3.9, "low"), ("N %", "r1", "Top Leaflets", 4.0, "sufficient"),
        ("N %", "R2", "top leaflets", 3.9, "no published range"),
        ("N %", "V8", "whole plant", 3.9, "no published range"),
        ("K %", "45 days", "top leaflets without petiole", 1.7, "low"),
        ("K %", "61 d", "top leaflets without petiole", 1.7, "no published range"),
        ("K %", "50 d", "top leaflets with petiole", 1.7, "no published range"),
        ("Zn ppm", "first flower", "whole plant", 70, "high"),
        ("Zn ppm", "Pod fill", "whole plant", 19, "low"),
    ):  # fmt: skip
        samples = read_tissue(StringIO(sheet.format(head, stage, part, value)), name="lab.csv")
        scores = score_tissue(samples, path)
        assert scores.table["class"].tolist() == [expected], (stage, part)
        assert explain(scores).summary()
    with pytest.raises(LookupFailed, match="pod fill"):
        score_tissue(
            read_tissue(StringIO(sheet.format("K %", "ripe", "whole plant", 2)), name="lab.csv"), path
        )


NEW = HEAD + (
    "soybean,brown pods,yellow pods,pod wall,K,%,1.0,2.0\n"
    "soybean,40 d,60 d,upper trifoliate,Co,mg/kg,0.1,0.4\n"
    "soybean,R1,R2,pod wall,K,%,1.5,2.5\n"
    "flax,V2,first flower,whole plant,Zn,mg/kg,20,60\n"
    "field pea,first flower,last flower,Tendrils,K,%,1.5,3.0\n"
)


@pytest.mark.parametrize(
    ("crop", "stage", "part", "head", "value", "expected"),
    [
        ("Soybeans", "Yellow pods", "pod wall", "K %", 0.9, "low"),
        ("soybean", "R2", "pod wall", "K %", 2.6, "high"),
        ("soybean", "50 days", "upper trifoliate", "Co ppm", 0.05, "low"),
        ("soybean", "70 days", "upper trifoliate", "Co ppm", 0.05, "no published range"),
        ("flax", "first flower", "whole plant", "Zn ppm", 61, "high"),
        ("field peas", "Last flower", "tendrils", "K %", 1.4, "low"),
    ],
)  # fmt: skip
def test_new_stages_parts_and_nutrients_of_crops_the_kit_knows(
    written, crop, stage, part, head, value, expected
):
    """An invented table: crops that no stages are carried for, a part, stages and cobalt of soybean."""
    path = written(NEW.replace("flax,V2,first", "flax,bud,first"), "new.csv")
    sheet = f"Sample,Crop,Stage,Part,{head}\na,{crop},{stage},{part},{value}\n"
    scores = score_tissue(read_tissue(StringIO(sheet), name="lab.csv"), path)
    assert scores.table["class"].tolist() == [expected]
    assert explain(scores).summary()


def test_a_window_between_a_code_and_a_name_of_ones_own_is_refused(tidy, written):
    with pytest.raises(InputError, match="V2 and first flower are on two scales"):
        score_tissue(tidy({"a": {"K": 1.2}}), written(NEW))


def test_a_slip_of_a_known_crop_is_no_new_crop(written):
    with pytest.raises(InputError, match="soybaen"):
        load_ranges(written(TABLE.replace("corn", "soybaen")))


NEAREST = {
    "critical_level": "write 'critical'",
    "Critical": "write 'critical'",
    "ceiling": "write one of: crop, ",
}


@pytest.mark.parametrize("name", NEAREST)
def test_a_column_that_is_not_known_is_refused_with_the_nearest_name(tidy, written, name):
    path = written(
        HEAD.replace("high\n", f"high,{name},Comments\n") + "corn,R1,R2,ear leaf,K,%,1,2.5,1.9,ours\n"
    )
    for ranges in (path, pd.read_csv(path)):
        with pytest.raises(InputError) as error:
            score_tissue(tidy({"a": {"K": 1.2}}), ranges)
        (problem,) = error.value.problems
        assert problem.column == name
        assert NEAREST[name] in problem.remedy


TWICE = HEAD + "corn,R1,R2,ear leaf,K,%,{}\ncorn,silking,blister,Ear leaf,K,{}\n"


@pytest.mark.parametrize("ends", [("1.0,2.5", "%,1.5,2.5"), ("1.5,2.5", "g/kg,10,25"), ("1.5,2.5", "%,1.5,")])
def test_two_rows_of_a_source_that_contradict_each_other_are_refused(tidy, written, ends):
    path = written(TWICE.format(*ends))
    with pytest.raises(InputError, match=r"row 3, .*contradicts row 2"):
        score_tissue(tidy({"a": {"K": 1.2}}), path)


def test_no_two_published_rows_of_one_source_contradict_each_other():
    published = load_ranges()
    assert len(prepare_ranges(published)) == len(published)  # it refuses rows that do


def test_the_same_row_twice_and_rows_of_two_sources_are_no_contradiction(tidy, written):
    same = written(TWICE.format("1.5,2.5", "g/kg,15,25"))
    assert score_tissue(tidy({"a": {"K": 1.2}}), same).table["class"].tolist() == ["low"]
    two = pd.read_csv(written(TWICE.format("1.0,2.5", "%,1.5,2.5"))).assign(source_key=["A", "B"])
    assert score_tissue(tidy({"a": {"K": 1.2}}), two).table["class"].tolist() == ["sufficient", "low"]


def test_own_ranges_decide_beside_the_published(tidy, written):
    """An invented range from 2.0 % where every published one begins below: short by it alone."""
    row = "soybean,R2,R2,upper trifoliate without petiole,K,%,2.0,3.0\n"
    samples = tidy({"a": {"K": 1.99, "N": 5.0}}, crop="soybean", growth_stage="R2",
                   plant_part="upper trifoliate without petiole")  # fmt: skip
    bundled = score_tissue(samples, own=None)
    scores = score_tissue(samples, own=written(HEAD + row))
    both = scores.table[scores.table["nutrient"] == "K"]
    assert set(both["source_key"]) == {
        "mine",
        *bundled.table.loc[bundled.table["nutrient"] == "K", "source_key"],
    }
    assert both.set_index("source_key").loc["mine", ["class", "aside"]].tolist() == ["low", ""]
    assert (both.loc[both["source_key"] != "mine", "aside"] != "").all()
    of = scores.agreement.set_index("nutrient")
    assert of.loc["K", ["sources", "short"]].tolist() == [1, 1]
    before = bundled.agreement.set_index("nutrient")
    assert of.loc["N", "sources"] == before.loc["N", "sources"]
    left_out = score_tissue(samples, own=written(HEAD + row), without="mine")
    assert "mine" not in set(left_out.table["source_key"])


def test_a_nutrient_of_ones_own_needs_its_table_alone(tidy, written):
    """Iodine in an invented table: nutrient and range are the user's own."""
    names = written("nutrient,also\nI,iodine\n", "names.csv")
    ranges = written(HEAD + "corn,R1,R2,ear leaf,I,mg/kg,0.1,0.5\n", "iodine.csv")
    scores = score_tissue(tidy({"a": {"I": 0.05}}), own=[names, ranges])
    assert scores.table["class"].tolist() == ["low"]
    with pytest.raises(InputError, match="unknown nutrient"):
        score_tissue(tidy({"a": {"K": 1.0}}), own=ranges)
