"""What the cells of a workbook show is what is read: percents, zeros of ids, limits. Files are invented."""

import io
import zipfile
from pathlib import Path

import odf.opendocument
import odf.table
import odf.text
import openpyxl
import pytest
import xlwt

from fertkit.cell_formats import formatted, mark_of
from fertkit.errors import InputError
from fertkit.intake import read_strips, read_tissue
from fertkit.intake.numbers import NumberStyle, read_number
from fertkit.tables import open_table, text_of

# Each cell: number, number format, text that a spreadsheet shows.
CELLS = [
    (0.0142, "0.00%", "1.42 %"),
    (0.155, "0.0%", "15.5 %"),
    (99.0, "0000", "0099"),
    (12345.0, "000", "12345"),
    (1234.0, "00-000", "01-234"),
    (7.0, '"S-"000', "S-007"),
    (0.05, '"<"0.00', "<0.05"),
    (18.0, '0" ppm"', "18 ppm"),
    (2.45, "General", "2.45"),
    (2.45, "#,##0.00", "2.45"),
    (2.5, "0000", "2.5"),  # no whole number: kept as it is
]
HEADERS = ["Sample", "Crop", "Stage", "Part", "N %", "K %"]


def xlsx(rows, formats=None):
    book = openpyxl.Workbook()
    for i, row in enumerate(rows, 1):
        for j, value in enumerate(row, 1):
            cell = book.active.cell(i, j, value)
            if formats and i > 1 and formats[j - 1]:
                cell.number_format = formats[j - 1]
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def xls(rows, formats=None):
    book = xlwt.Workbook()
    sheet = book.add_sheet("results")
    for i, row in enumerate(rows):
        for j, value in enumerate(row):
            given = formats[j] if formats and i else None
            sheet.write(i, j, value, xlwt.easyxf(num_format_str=given) if given else xlwt.Style.default_style)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def ods(rows, formats=None):
    """As a spreadsheet program writes it: the type of a cell, its value, and the text it shows."""
    document = odf.opendocument.OpenDocumentSpreadsheet()
    table = odf.table.Table(name="results")
    for i, row in enumerate(rows):
        line = odf.table.TableRow()
        for j, value in enumerate(row):
            mark = mark_of(formats[j]) if formats and i and formats[j] else ""
            if isinstance(value, str):
                cell = odf.table.TableCell(valuetype="string")
                shown = value
            else:
                shown = text_of(formatted(float(value), mark) if mark else float(value))
                kind = "percentage" if mark == "%" else "float"
                cell = odf.table.TableCell(valuetype=kind, value=repr(float(value)))
            cell.addElement(odf.text.P(text=shown))
            line.addElement(cell)
        table.addElement(line)
    document.spreadsheet.addElement(table)
    stream = io.BytesIO()
    document.save(stream)
    return stream.getvalue()


BOOKS = {"xlsx": xlsx, "xls": xls, "ods": ods}


@pytest.mark.parametrize(("value", "code", "shown"), CELLS)
def test_a_cell_shows_what_its_format_says(value, code, shown):
    assert text_of(formatted(value, mark_of(code)) if mark_of(code) else value) == shown


@pytest.mark.parametrize("make", [xlsx, xls], ids=["xlsx", "xls"])
def test_formats_of_a_file_reach_its_cells(make):
    rows = [[f"c{j}" for j in range(len(CELLS))], [value for value, _, _ in CELLS]]
    table = open_table(make(rows, [code for _, code, _ in CELLS]))
    assert [text_of(cell) for cell in table.cells[1]] == [shown for _, _, shown in CELLS]


@pytest.mark.parametrize(
    ("code", "value", "reading"),
    [("0.00%", 0.0142, (1.42, "", "%")), ('"<"0.00', 0.05, (0.05, "<", "")),
     ('0" ppm"', 18.0, (18.0, "", "mg/kg")), ("0000", 99.0, (99.0, "", "")), ('"S-"000', 7.0, (7.0, "", ""))],
)  # fmt: skip
def test_a_number_is_read_as_it_is_shown(code, value, reading):
    found = read_number(formatted(value, mark_of(code)), NumberStyle(",", "the rest of the file"))
    assert (found.value, found.censored, found.unit) == reading


@pytest.mark.parametrize("kind", BOOKS)
def test_percents_and_zeros_of_a_leaf_file(kind):
    rows = [HEADERS, [45, "corn", "R1", "ear leaf", 0.0245, 1.42], [46, "corn", "R1", "ear leaf", 0.031, 1.9]]
    table = read_tissue(BOOKS[kind](rows, ["0000", None, None, None, "0.00%", None])).table
    assert table["sample_id"].unique().tolist() == ["0045", "0046"]
    assert table.loc[table["nutrient"] == "N", "value"].tolist() == [2.45, 3.1]
    assert table.loc[table["nutrient"] == "K", "value"].tolist() == [1.42, 1.9]


def test_a_percent_cell_of_a_report():
    # The right reading stands in tests/cases/README.md: K 1.42 % in the formatted cell.
    table = read_tissue(Path(__file__).parent.parent / "cases" / "leaf" / "percent_cell.xlsx").table
    assert table.loc[table["nutrient"] == "K", "value"].tolist() == [1.42, 1.42]
    assert table["sample_id"].unique().tolist() == ["0045", "0046"]


@pytest.mark.parametrize("kind", BOOKS)
def test_percent_moistures_of_strips(kind):
    rows = [["Rep", "N rate (lb/ac)", "Yield (bu/ac)", "Moisture (%)"]]
    rows += [[b, rate, 150.0 + rate / 2, 0.155] for b in (1, 2) for rate in (0, 50)]
    trial = read_strips(BOOKS[kind](rows, [None, None, None, "0.0%"]), crop="corn")
    assert trial.table["moisture_pct"].tolist() == [15.5] * 4
    # 15.5 % is the trade moisture of corn, so the yields stay.
    assert trial.table["yield_bu_ac"].tolist() == pytest.approx([150, 175, 150, 175])


def test_a_percent_in_a_column_of_another_unit_is_told():
    rows = [["Sample", "Crop", "Zn ppm"], ["a", "corn", 0.0018], ["b", "corn", 0.002]]
    with pytest.raises(InputError, match="Zn"):
        read_tissue(xlsx(rows, [None, None, "0.00%"]))


@pytest.mark.parametrize("read", [read_tissue, read_strips], ids=["leaf", "strips"])
def test_formulas_never_worked_out_are_named(read):
    # A program that writes formulas without working them out leaves cells that hold no value.
    rows = [["Sample", "N rate (lb/ac)", "Yield (bu/ac)", "N %", "K %"]]
    rows += [[f"s{i}", 50.0 * i, "=100+50", 2.45, "=1.2+0.2"] for i in range(3)]
    with pytest.raises(InputError) as caught:
        read(xlsx(rows))
    for word in ("C2, E2, C3, E3, C4, E4", "open and save the file in a spreadsheet program"):
        assert word in str(caught.value)


def test_a_formula_that_gives_an_empty_text_has_a_value():
    data = with_cell(
        xlsx([["Sample", "N %", "K %"], ["a", 2.4, 1.5]]), b'<c r="D2" t="str"><f>IF(1,"","")</f><v></v></c>'
    )
    assert len(read_tissue(data).table) == 2
    data = with_cell(xlsx([["Sample", "N %", "K %"], ["a", 2.4, 1.5]]), b'<c r="D2"><f>1+1</f><v>2</v></c>')
    assert open_table(data).cells[1][3] == 2.0


def test_an_ods_formula_without_a_value_is_named():
    data = ods([["Sample", "N %", "K %"], ["a", 2.4, 1.5]])
    cell = b'<table:table-cell table:formula="of:=1+1"/>'
    data = repacked(
        data,
        "content.xml",
        lambda xml: xml.replace(
            b"</table:table-row></table:table>", cell + b"</table:table-row></table:table>"
        ),
    )
    with pytest.raises(InputError, match="the formulas in D2 of sheet 'results' have no value"):
        read_tissue(data)


def with_cell(data, cell):
    return repacked(
        data, "worksheets/", lambda xml: xml.replace(b"</row></sheetData>", cell + b"</row></sheetData>")
    )


def repacked(data, part, change):
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w") as new:
        for name in old.namelist():
            new.writestr(name, change(old.read(name)) if part in name else old.read(name))
    return stream.getvalue()


def test_formats_belong_to_their_sheet():
    book = openpyxl.Workbook()
    for name, code in (("plain & simple", "General"), ("shown", "0.00%")):
        sheet = book.create_sheet(name)
        sheet.append(["Sample", "N %"])
        sheet.append(["a", 0.0245])
        sheet["B2"].number_format = code
    stream = io.BytesIO()
    book.save(stream)
    assert text_of(open_table(stream.getvalue(), sheet="plain & simple").cells[1][1]) == "0.0245"
    assert text_of(open_table(stream.getvalue(), sheet="shown").cells[1][1]) == "2.45 %"


def test_a_header_with_a_line_break_in_its_cell_is_read():
    table = read_tissue(xlsx([["Sample", "N\n(%)", "K\n(%)"], ["a", 2.4, 1.5]])).table
    assert table["value"].tolist() == [2.4, 1.5]


@pytest.mark.parametrize("make", BOOKS.values(), ids=BOOKS)
def test_cells_right_of_the_table_shift_nothing(make):
    # In a workbook each cell has its column: a remark beside the table is no comma too many.
    rows = [["Sample", "N %", "K %", ""], ["a", 2.4, 1.5, "late"], ["b", 2.5, 1.6, ""]]
    assert len(read_tissue(make(rows)).table) == 4


# ---- merged cells of leaf reports

GROWN = ["Crop", "Growth stage", "Plant part", "Field", "Date", "Sample", "N %", "K %"]
BY_CROP = [
    GROWN,
    ["Corn", "R1", "Ear leaf", "North", "2024-07-01", "A", 2.45, 1.42],
    ["", "", "", "", "", "B", 3.0, 2.1],
    ["Soybean", "R2", "upper trifoliate", "", "2024-07-05", "C", 4.9, 1.2],
    ["", "", "", "", "", "D", 5.1, 2.2],
    ["Mean", "", "", "", "", "", 3.86, 1.73],
]
SPANS = ["A2:A3", "B2:B3", "C2:C3", "D2:D5", "E2:E3", "A4:A5", "B4:B5", "C4:C5", "E4:E5"]


def merged_xlsx(rows, spans):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append([cell if cell != "" else None for cell in row])
    for span in spans:
        book.active.merge_cells(span)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def merged_ods(rows, spans):
    bounds = [openpyxl.utils.range_boundaries(span) for span in spans]  # left, top, right, bottom
    book, table = odf.opendocument.OpenDocumentSpreadsheet(), odf.table.Table(name="results")
    for i, row in enumerate(rows, 1):
        line = odf.table.TableRow()
        for j, value in enumerate(row, 1):
            span = next((b for b in bounds if (b[0], b[1]) == (j, i)), (j, i, j, i))
            size = {"numberrowsspanned": span[3] - i + 1, "numbercolumnsspanned": span[2] - j + 1}
            kind = {} if value == "" else {"valuetype": "string" if isinstance(value, str) else "float"}
            cell = odf.table.TableCell(
                **kind, **({"value": value} if kind.get("valuetype") == "float" else {}), **size
            )
            if value != "":
                cell.addElement(odf.text.P(text=str(value)))
            line.addElement(cell)
        table.addElement(line)
    book.spreadsheet.addElement(table)
    stream = io.BytesIO()
    book.write(stream)
    return stream.getvalue()


def grown(samples):
    columns = ["sample_id", "crop", "growth_stage", "plant_part", "field"]
    first = samples.table.drop_duplicates("specimen")
    return [(*r, f"{day:%Y-%m-%d}") for *r, day in first[[*columns, "sampled"]].itertuples(index=False)]


@pytest.mark.parametrize("write", [merged_xlsx, merged_ods])
def test_merged_cells_name_every_line_they_span(write):
    samples = read_tissue(write(BY_CROP, SPANS))
    corn, soybean = ("corn", "R1", "Ear leaf", "North"), ("soybean", "R2", "upper trifoliate", "North")
    assert grown(samples) == [
        ("North A", *corn, "2024-07-01"), ("North B", *corn, "2024-07-01"),
        ("North C", *soybean, "2024-07-05"), ("North D", *soybean, "2024-07-05"),
    ]  # fmt: skip
    notes = "\n".join(map(str, samples.notes))
    assert "merged cells (Crop, Growth stage, Plant part, Date) apply to rows 3, 5 too" in notes
    assert "merged cells (Field) apply to rows 3, 4, 5 too" in notes
    assert "summary line 'Mean' (row 6)" in notes


def test_blanks_that_are_not_merged_stay_open():
    for samples in (read_tissue(merged_xlsx(BY_CROP, [])), read_tissue(merged_xlsx(BY_CROP, SPANS[1:3]))):
        crops = samples.table.drop_duplicates("specimen")["crop"].tolist()
        assert crops == ["corn", "", "soybean", ""]


def test_cells_merged_across_the_samples_of_a_turned_report():
    rows = [["Sample", "A", "B", "C"], ["Crop", "Corn", "", "Soybean"], ["Stage", "R1", "", "R2"]]
    rows += [["N %", 2.45, 3.0, 4.9], ["K %", 1.42, 2.1, 1.2]]
    samples = read_tissue(merged_xlsx(rows, ["B2:C2", "B3:C3"]))
    first = samples.table.drop_duplicates("specimen")
    assert first[["crop", "growth_stage"]].values.tolist() == [["corn", "R1"]] * 2 + [["soybean", "R2"]]
    assert "merged cells (Crop, Stage) apply to samples B too" in str(samples.notes[0])


def test_samples_merged_over_the_lines_of_a_long_report_and_headers_over_two_rows():
    rows = [["Sample", "Crop", "Analyte", "Result", "Unit"]]
    rows += [
        ["A", "Corn", "N", 2.45, "%"],
        ["", "", "K", 1.42, "%"],
        ["B", "", "N", 3.0, "%"],
        ["", "", "K", 2.1, "%"],
    ]
    table = read_tissue(merged_xlsx(rows, ["A2:A3", "A4:A5", "B2:B5"])).table
    assert table[["sample_id", "crop", "nutrient", "value"]].values.tolist() == [
        ["A", "corn", "N", 2.45], ["A", "corn", "K", 1.42], ["B", "corn", "N", 3.0], ["B", "corn", "K", 2.1],
    ]  # fmt: skip
    rows = [["Field", "Crop", "Sample", "Macro (%)", "", "Micro (ppm)"], ["", "", "", "N", "K", "Zn"]]
    rows += [["North", "Corn", "A", 2.45, 1.42, 18], ["South", "", "B", 3.0, 2.1, 25]]
    spans = ["A1:A2", "B1:B2", "C1:C2", "D1:E1", "B3:B4"]
    first = read_tissue(merged_xlsx(rows, spans)).table.drop_duplicates("specimen")
    assert first[["field", "crop", "sample_id"]].values.tolist() == [
        ["North", "corn", "North A"], ["South", "corn", "South B"],
    ]  # fmt: skip


def test_absurd_merged_cells_are_harmless():
    for spans in (["A2:A3"] * 3, ["A1:H1048576", "A2:A1048576"]):
        data = merged_xlsx(BY_CROP, [])
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            parts = {p: package.read(p) for p in package.namelist()}
        told = "".join(f'<mergeCell ref="{span}"/>' for span in spans)
        sheet = next(p for p in parts if p.endswith("sheet1.xml"))
        parts[sheet] = parts[sheet].replace(
            b"</sheetData>", f"</sheetData><mergeCells>{told}</mergeCells>".encode()
        )
        stream = io.BytesIO()
        with zipfile.ZipFile(stream, "w") as package:
            for part, content in parts.items():
                package.writestr(part, content)
        assert len(read_tissue(stream.getvalue()).table) == 8
