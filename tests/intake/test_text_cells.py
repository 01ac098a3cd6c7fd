"""Stray quotes and commas of text tables are named or read rightly, by every reader. Files are invented."""

import io

import pytest

from fertkit.delimited import cells_of, cut, find_delimiter
from fertkit.errors import InputError
from fertkit.intake import read_points, read_strips, read_tissue
from fertkit.line_lengths import check_lengths
from fertkit.reference import load_ranges
from fertkit.reference.text_tables import read_text_table

LEAF = "Sample,Crop,Stage,Part,N %,K %,Zn ppm\n" + "".join(
    f"S{i},corn,R1,ear leaf,2.{i},1.{i},2{i}\n" for i in range(1, 7)
)
STRIPS = "Rep,N rate (lb/ac),Yield (bu/ac)\n" + "".join(
    f"{block},{rate},{120 + rate // 2 + block}.5\n" for block in (1, 2, 3) for rate in (0, 50)
)
LOG = "Longitude,Latitude,Flow (lb/s),Seconds,Distance (ft),Swath (ft),Moisture (%)\n" + "".join(
    f"-93.{i:06d},42.5,20.5,1,6.5,30,15.5\n" for i in range(3000)
)
RANGES = (
    "source_key,crop,stage_from,stage_to,plant_part,nutrient,unit,low,high\n"
    "OWN,corn,R1,R1,ear leaf,N,%,2.75,3.5\nOWN,corn,R1,R1,ear leaf,K,%,1.75,2.5\n"
)
READERS = {
    "leaf": (read_tissue, LEAF),
    "strips": (read_strips, STRIPS),
    "long log": (lambda data: read_points(data, crop="corn"), LOG),
    "ranges": (lambda data: load_ranges(_file(data)), RANGES),
    "fields": (
        lambda data: read_text_table(_file(data)),
        "field,crop,area_ac,yield_goal_bu_ac\nA,corn,80.5,200\nB,corn,40,180\n",
    ),
}  # fmt: skip


@pytest.fixture(autouse=True)
def _here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def _file(data):
    with open("own.csv", "wb") as file:
        file.write(data)
    return "own.csv"


def refused(reader, text):
    with pytest.raises(InputError) as caught:
        READERS[reader][0](text.encode())
    return str(caught.value)


def changed(text, row, old, new):
    lines = text.split("\n")
    assert old in lines[row - 1]
    lines[row - 1] = lines[row - 1].replace(old, new, 1)
    return "\n".join(lines)


@pytest.mark.parametrize("reader", READERS)
def test_the_undamaged_file_is_read(reader):
    read, text = READERS[reader]
    read(text.encode())
    lines = [",".join(f'"{cell}"' for cell in line.split(",")) for line in text.splitlines()]
    read("\n".join(lines).encode())  # every cell in quotes


@pytest.mark.parametrize("reader", READERS)
def test_a_quote_that_never_closes_is_named_by_its_line(reader):
    text = READERS[reader][1]
    message = refused(reader, changed(text, 2, ",", ',"'))
    assert "row 2" in message
    assert "quote" in message


@pytest.mark.parametrize("reader", READERS)
def test_two_stray_quotes_swallow_no_row(reader):
    text = READERS[reader][1]
    last = text.count("\n")
    damaged = changed(changed(text, 2, ",", ',"'), last, ",", '",')
    message = refused(reader, damaged)
    assert "row 2" in message
    assert "quote" in message


@pytest.mark.parametrize("reader", READERS)
def test_a_quote_that_closes_in_mid_cell_is_named(reader):
    first = READERS[reader][1].split("\n")[2].split(",")[0]
    message = refused(reader, changed(READERS[reader][1], 3, first, f'"{first}"x'))
    assert "row 3" in message
    assert "closes in mid-cell" in message


@pytest.mark.parametrize("reader", READERS)
def test_a_decimal_comma_in_a_comma_file_is_named_with_both_readings(reader):
    text = READERS[reader][1]
    cell = next(c for c in text.split("\n")[1].split(",") if "." in c and not c.startswith("-"))
    message = refused(reader, changed(text, 2, cell, cell.replace(".", ",")))
    assert "row 2" in message
    whole, part = cell.split(".")
    assert f"{whole} and {part}, or {cell}" in message


def test_decimal_commas_on_every_line():
    every = STRIPS.replace(".5\n", ",5\n")
    message = refused("strips", every)
    assert "the line has 4 cells under 3 column names" in message
    assert "120" not in message.split("value")[0]
    assert "121 and 5, or 121.5" in message


QUOTED = ['top 6"', "5'", 'North "80"', '6" x 4"']


@pytest.mark.parametrize("part", QUOTED)
def test_inch_marks_inside_a_cell_stay(part):
    table = read_tissue(LEAF.replace("S1,", f"{part},").encode()).table
    assert part in set(table["sample_id"])
    assert table["specimen"].nunique() == 6


def test_well_formed_quotes_are_read():
    # RFC 4180: a cell in quotes may hold the separator; a quote in it is written twice.
    assert cells_of('"a, b","say ""x""",c', ",") == (["a, b", 'say "x"', "c"], "")
    assert cells_of('a, "b, c" ,d', ",") == (["a", "b, c", "d"], "")
    table = read_tissue(LEAF.replace("S1,", '"North, 80",').replace("2.1", '"2.1"').encode()).table
    assert table.loc[table["sample_id"] == "North, 80", "value"].tolist() == [2.1, 1.1, 21.0]


def test_quoted_decimal_commas_are_read():
    quoted = LEAF.replace(",2.1,1.1,", ',"2,1","1,1",')
    for i in range(2, 7):
        quoted = quoted.replace(f",2.{i},1.{i},", f',"2,{i}","1,{i}",')
    values = read_tissue(quoted.encode()).table
    assert values.loc[values["nutrient"] == "N", "value"].tolist() == [2.1, 2.2, 2.3, 2.4, 2.5, 2.6]


def test_a_header_cell_may_hold_a_line_end():
    # What a spreadsheet writes for a header with a line break in its cell.
    text = STRIPS.replace("N rate (lb/ac),Yield (bu/ac)", '"N rate\n(lb/ac)","Yield\n(bu/ac)"')
    trial = read_strips(text.encode())
    assert len(trial.table) == 6
    assert (trial.rate_unit, trial.yield_unit) == ("lb/ac", "bu/ac")


@pytest.mark.parametrize("note", ['"wet\nspot"', '"1\n2"'])
def test_a_data_cell_with_a_line_end_is_refused(note):
    text = STRIPS.replace("(bu/ac)", "(bu/ac),Notes").replace("121.5\n", f"121.5,{note}\n", 1)
    message = refused("strips", text)
    assert "row 2" in message
    assert "one line" in message


def test_a_title_over_two_lines_is_read():
    assert cut('"Trial of\n2024, two sites"\na,b\n1,2\n', "\t", "f")[0] == ["Trial of 2024, two sites"]
    assert len(read_strips(('"Nitrogen strips\nof the home farm"\n' + STRIPS).encode()).table) == 6


@pytest.mark.parametrize(
    "text",
    [
        STRIPS.replace("\n", ",,\n"),  # used range of a spreadsheet
        "\n".join(
            line + "," * (i > 0) for i, line in enumerate(STRIPS.split("\n"))
        ),  # a comma ends every line
        "Farm,Home,County,Story,State,Iowa\nYear,2024\n" + STRIPS,  # titles of another width
        STRIPS.replace(",", ";"),
        STRIPS.replace(",", "\t"),
        STRIPS.replace("(bu/ac)", "(bu/ac),Notes").replace("121.5\n", "121.5,wet\n", 1),
        STRIPS.replace(".5\n", "\n"),  # whole numbers throughout
        STRIPS.replace("(bu/ac)", "(bu/ac),Notes").replace(".5\n", ",\n"),
        STRIPS.replace("(bu/ac)", "(bu/ac),Notes").replace(".5\n", ",1\n"),  # one and the same code
    ],
)
def test_ordinary_tables_are_no_false_alarm(text):
    assert len(read_strips(text.encode()).table) == 6


def test_halves_of_numbers_under_notes_are_asked_about():
    lines = ["Rep,N rate (lb/ac),Yield (bu/ac),Moisture (%),Notes"]
    lines += [
        f"{block},{rate},{150 + rate // 9},{10 + rate // 9},{block + 2}"
        for block in (1, 2, 3)
        for rate in (0, 50)
    ]
    message = refused("strips", "\n".join(lines))
    assert "column 'Notes'" in message
    assert "10 and 3, or 10.3" in message


def test_a_comma_too_many_before_empty_columns_is_named():
    # K 1,5 with Zn not tested: five cells of a line of four, the last one empty.
    text = "Sample,N %,K %,Zn ppm\nA,2.45,1,5,\nB,2.6,1.42,18\nC,2.7,1.5,19\n"
    with pytest.raises(InputError, match=r"row 2, value '1 and 5, or 1\.5'"):
        read_tissue(text.encode())


def test_a_table_across_is_checked_against_its_line_of_samples():
    with pytest.raises(InputError, match=r"2 and 45, or 2\.45"):
        read_tissue(b"Nutrient,Unit,A,B\nN,%,2,45,2.6\nK,%,1.5,1.7\n")


def test_a_text_with_a_comma_is_asked_for_in_quotes():
    with pytest.raises(InputError, match="put a cell that holds a comma in quotes"):
        read_tissue(LEAF.replace("S1,corn", "S1,Corn, field").encode())


def test_lengths_are_told_by_arithmetic():
    rows = [["a", "b", ""], ["1", "2", "5"], ["1", "2", ""]]
    found = check_lengths(rows, (2, 3, 2), [0], [1, 2], ",")
    assert [(p.row, p.value) for p in found] == [(2, "2 and 5, or 2.5")]
    assert check_lengths(rows, (2, 3, 2), [0], [1, 2], "") == []


@pytest.mark.parametrize("reader", ["long log", "ranges", "fields"])
def test_two_columns_of_one_name_are_told(reader):
    header = READERS[reader][1].split("\n")[0]
    names = header.split(",")
    message = refused(reader, READERS[reader][1].replace(header, ",".join([names[0], names[0], *names[2:]])))
    assert f"two columns are named '{names[0]}'" in message


def test_a_short_log_is_read_through_the_same_door():
    short = "\n".join(LOG.split("\n")[:20])
    assert len(read_points(io.BytesIO(short.encode()), crop="corn").table) == 19
    with pytest.raises(InputError, match="row 5"):
        read_points(changed(short, 5, ",", ',"').encode(), crop="corn")


def test_two_stray_quotes_swallow_no_line_of_words():
    text = 'Sample,"A,,\nCrop,Corn,,\nStage,R1",,\nNutrient,Units,Result,Rating\nN,%,2.45,Low\nK,%,1.42,Low\n'
    with pytest.raises(InputError, match=r"row 1.*several lines"):
        read_tissue(text.encode())


def test_a_comma_of_prose_may_stand_in_a_header_over_two_lines():
    assert cut('Rep,"Yield, dry\n(bu/ac)"\n1,120.5\n', ",", "f")[0] == ["Rep", "Yield, dry (bu/ac)"]


def test_an_empty_cell_of_a_printed_page_is_named():
    # Zn 19 would move under K.
    page = "Sample   N %   K %   Zn ppm\nA   2.45   1.42   18\nB   2.5      19\n"
    with pytest.raises(InputError, match=r"row 3.*write '-' into the empty cell"):
        read_tissue(page.encode())
    assert len(read_tissue(page.replace("2.5      19", "2.5   -   19").encode()).table) == 5


@pytest.mark.parametrize(
    ("lines", "mark"),
    [
        (["Lon;Lat;N (kg/ha)", *["-93,1;42,0;134,5"] * 5], ";"),  # every cell holds a decimal comma
        (["a;b", *["1,5;2,5"] * 5], ";"),
        (["Rep,N (lb/ac),Yield,Note", *["1,50,158.9,wet; hail"] * 5], ","),
        (["a,b,c", *["1,2;3,4"] * 5], ","),
        # rates for a plan: a curve of many points in one cell, no semicolon in the headers
        (
            ["field,nutrient,rate,curve", *["North,N,118.02,0 0; 15.3 63; 29.7 103; 45 138; 60.3 167"] * 5],
            ",",
        ),
        (["Trial, 2025", "a;b;c", *["1;2;3"] * 5], ";"),
    ],
)
def test_commas_inside_numbers_cut_no_cells(lines, mark):
    assert find_delimiter(lines) == mark
