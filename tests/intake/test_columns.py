"""One way to say what a column holds, for every kind of file. Files are invented, headers mean nothing."""

from io import StringIO

import pytest

from fertkit.cli import main
from fertkit.errors import FertkitError, InputError
from fertkit.intake import read_points, read_shed, read_soil, read_strips, read_tissue
from fertkit.intake.columns import columns_by_file
from fertkit.intake.farm import read_farm
from fertkit.intake.shed import read_passes

LEAF = "Aa,Bb,Cc,Dd,Ee,Zn ppm\nEast,soybean,R2,trifoliate,1.31,30\nWest,soybean,R2,trifoliate,1.72,31\n"
SOIL = "1a,Bb,pH\nEast,120,6.4\nWest,150,6.1\n"
STRIPS = "Aa,Bb,Cc\n" + "".join(f"{b},{r},{50 + b + r / 20}\n" for b in (1, 2) for r in (0, 60, 120))
POINTS = "Aa,Bb,Cc,Dd\n" + "".join(f"-93.{i:05d},42.0,{60 + i % 3},15.5\n" for i in range(1, 40))
SHED, PASSES = "Aa,Bb ($/ton)\nMAP,780\n", "Aa,Bb,Cc ($/ac)\nspread,broadcast,7.50\n"
READERS = {
    "leaf": (read_tissue, LEAF, {"sample": "Aa", "crop": "bb", "stage": "Cc", "part": "Dd", "K %": "Ee"}),
    "soil": (read_soil, SOIL, {"field": "1a", "K Mehlich-3 ppm": "Bb"}),
    "strips": (read_strips, STRIPS, {"block": "Aa", "rate": "Bb", "yield": "Cc"}),
    "points": (
        lambda file, **asked: read_points(file, crop="corn", width=(30, "ft"), **asked), POINTS,
        {"lon": "Aa", "lat": "Bb", "yield": "Cc", "moisture": "Dd"},
    ),
    "shed": (read_shed, SHED, {"product": "Aa", "price": "Bb ($/ton)"}),
    "passes": (read_passes, PASSES, {"pass": "Aa", "method": "Bb", "cost": "Cc ($/ac)"}),
}  # fmt: skip
UNITS = {"strips": {"rate": "lb/ac", "yield": "bu/ac"}, "points": {"yield": "bu/ac"}}


def read(kind, columns):
    reader, text, _ = READERS[kind]
    units = {"units": UNITS[kind]} if kind in UNITS else {}
    return reader(StringIO(text), columns=columns, **units)


def test_headers_that_say_nothing_are_named_alike_for_every_file():
    tables = {kind: getattr(read(kind, named), "table", None) for kind, (_, _, named) in READERS.items()}
    leaf = tables["leaf"].query("nutrient == 'K'")
    assert leaf[["sample_id", "value", "unit"]].values.tolist() == [["East", 1.31, "%"], ["West", 1.72, "%"]]
    soil = tables["soil"].query("analyte == 'K'")
    assert soil[["field", "extractant", "value"]].values.tolist() == [
        ["East", "Mehlich-3", 120.0], ["West", "Mehlich-3", 150.0],
    ]  # fmt: skip
    strips = tables["strips"]
    assert strips["rate_lb_ac"].tolist() == [0, 60, 120] * 2
    assert strips["yield_bu_ac"].tolist() == [51, 54, 57, 52, 55, 58]
    assert tables["points"]["yield_bu_ac"].round(6).head(3).tolist() == [61, 62, 60]
    product = read("shed", READERS["shed"][2]).products.iloc[0]
    assert (product["product"], product["price"], product["price_unit"]) == ("MAP", 780, "ton")
    passes = read("passes", READERS["passes"][2])
    assert passes.loc[0, ["pass", "cost_per_ac"]].tolist() == ["spread", 7.5]


@pytest.mark.parametrize("kind", READERS)
def test_a_role_or_header_that_is_none_is_refused_whatever_the_file(kind):
    named = READERS[kind][2]
    role, header = next(iter(named.items()))
    with pytest.raises(InputError, match=r"no column 'Gone' for the .*; headers: .*Bb"):
        read(kind, named | {role: "Gone"})
    with pytest.raises(InputError, match="unknown role 'colour of hat'"):
        read(kind, named | {"colour of hat": header})


def test_a_column_of_no_role_is_left_out_whatever_the_file():
    leaf = LEAF.replace("Ee", "K %").replace("Aa", "Sample").replace("Bb", "Crop").replace("Zn ppm", "P %")
    samples = read_tissue(StringIO(leaf), columns={"other": "P %"})
    assert set(samples.table["nutrient"]) == {"K"}
    shed = "Product,Price ($/ton),Cost ($/ton)\nMAP,780,700\n"
    with pytest.raises(InputError, match=r"several columns could be the price.*shed\.price="):
        read_shed(StringIO(shed))
    assert read_shed(StringIO(shed), columns={"other": "Cost ($/ton)"}).products["price"].tolist() == [780]
    assert read_shed(StringIO(shed), columns={"price": "Cost ($/ton)"}).products["price"].tolist() == [700]


def test_files_read_together_are_told_apart_by_name():
    parted = columns_by_file({"soil.field": "A", "yield": "B", "K 0.5 M": "C"}, ("soil",), "strips")
    assert parted == {"soil": {"field": "A"}, "strips": {"yield": "B", "K 0.5 M": "C"}}
    fields = "field,crop,area_ac,yield_goal_bu_ac\nEast,corn,80,200\nWest,corn,40,180\n"
    named = {"soil.field": "1a", "soil.K Mehlich-3 ppm": "Bb", "shed.product": "Aa",
             "shed.price": "Bb ($/ton)", "passes.pass": "Aa", "passes.method": "Bb",
             "passes.cost": "Cc ($/ac)"}  # fmt: skip
    files = [StringIO(text) for text in (SOIL, SHED, PASSES)]
    farm = read_farm(StringIO(fields), *files, columns=named)
    assert farm.soil.levels.query("analyte == 'K'")["value"].tolist() == [120, 150]
    assert farm.shed.products["price"].tolist() == [780]
    with pytest.raises(InputError, match="unknown role 'field'"):
        read_farm(StringIO(fields), columns={"field": "x"})


def test_columns_are_named_on_the_command_line(tmp_path, capsys):
    (tmp_path / "leaf.csv").write_text(LEAF)
    named = [f"--column={role}={header}" for role, header in READERS["leaf"][2].items()]
    assert main(["leaf", str(tmp_path / "leaf.csv"), *named]) == 0
    assert "East" in capsys.readouterr().out
    goal = ["field", "--crop", "soybean", "--goal", "60", "--page", str(tmp_path / "field.html")]
    leaf = [option.replace("--column=", "--column=leaf.") for option in named]
    assert main([*goal, "--leaf", str(tmp_path / "leaf.csv"), *leaf]) == 0
    assert main([*goal, *leaf]) == 2
    assert "columns are named for files that are not given: leaf" in capsys.readouterr().err


def test_columns_of_a_file_that_is_not_given_are_refused():
    from fertkit.report import answer_field

    with pytest.raises(FertkitError, match="files that are not given: strips"):
        answer_field("soybean", 60, columns={"yield": "Grain"})


def test_a_column_the_caller_names_keeps_the_unit_of_its_header():
    # 14,000 ppm are 1.4 %: a percent is 10,000 parts in a million
    text = "Sample,Crop,Stage,Part,K % DM,K ppm\nEast,soybean,R2,trifoliate,1.9,14000\n"
    named = {"K": "K ppm", "other": "K % DM"}
    leaf = read_tissue(StringIO(text), columns=named).table.query("nutrient == 'K'")
    assert leaf["value"].tolist() == pytest.approx([1.4])
    with pytest.raises(InputError, match=r"""second column for K beside.*--column other="K % DM" """):
        read_tissue(StringIO(text))


def test_french_headers_of_strips_and_of_a_laboratory_are_read():
    rows = "".join(f"{b};{t};{y};14\n" for b in "AB" for t, y in (("témoin", "7,1"), ("soufre", "7,5")))
    text = "Bloc;Modalité;Rendement (t/ha);Humidité (%)\n" + rows
    strips = read_strips(StringIO(text), crop="wheat").table
    assert strips["treatment"].unique().tolist() == ["témoin", "soufre"]
    assert strips["block"].tolist() == ["A", "A", "B", "B"]
    leaf = "N° labo;Échantillon;Culture;Stade;Organe;Azote %\nA1;Est;soja;R2;trifoliate;4,9\n"
    tests = read_tissue(StringIO(leaf))
    assert tests.table["nutrient"].tolist() == ["N"]
    assert "not read" not in set(tests.report["what"])
