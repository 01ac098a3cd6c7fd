"""Whatever is written in a supported shape is read back; whatever is broken is told, never guessed."""

import io
import math
from functools import cache

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from fertkit.errors import FertkitError
from fertkit.intake import read_tissue
from fertkit.units import convert_concentration

# Windows of plausible results from the report-format notes (from memory): wide of any crop's usual values.
PLAUSIBLE = {
    "N": (1.5, 6), "P": (0.15, 0.8), "K": (0.8, 5), "Ca": (0.3, 3), "Mg": (0.12, 0.9), "S": (0.12, 0.6),
    "Zn": (8, 150), "Mn": (10, 400), "Fe": (30, 900), "Cu": (2, 40), "B": (3, 90), "Mo": (0.1, 9),
}  # fmt: skip
MICROS = {"Zn", "Mn", "Fe", "Cu", "B", "Mo"}
IDS = st.text("ABCXYZ0123456789-_", min_size=1, max_size=8).map(lambda s: "S" + s)


@st.composite
def frames(draw):
    """A frame of results: ids by nutrients, some cells empty, as numbers of three significant digits."""
    nutrients = draw(st.lists(st.sampled_from(list(PLAUSIBLE)), min_size=2, max_size=7, unique=True))
    ids = draw(st.lists(IDS, min_size=1, max_size=5, unique=True))
    cells = {
        n: [draw(st.floats(*PLAUSIBLE[n]).map(lambda v: float(f"{v:.3g}"))) for _ in ids] for n in nutrients
    }
    frame = pd.DataFrame(cells, index=ids)
    gaps = draw(st.lists(st.booleans(), min_size=len(ids), max_size=len(ids)))
    frame.loc[[g and len(nutrients) > 2 for g in gaps], nutrients[-1]] = np.nan
    return frame


def written(value, decimal, thousands):
    if math.isnan(value):
        return ""
    text = f"{value:,.6f}".rstrip("0").rstrip(".") if thousands else repr(float(value)).removesuffix(".0")
    return text.translate(str.maketrans({",": ".", ".": ","})) if decimal == "," else text


def unit_of(nutrient, macro_unit):
    return "ppm" if nutrient in MICROS else macro_unit


def as_cells(frame, shape, macro_unit, write):
    """Lay a frame out as rows of text in one of the shapes."""
    label = {n: f"{n} ({unit_of(n, macro_unit)})" for n in frame}
    if shape == "wide":
        return [["Sample", *label.values()], *([i, *map(write, row)] for i, *row in frame.itertuples())]
    if shape == "two header rows":
        units = ["", *(unit_of(n, macro_unit) for n in frame)]
        return [["Sample", *frame], units, *([i, *map(write, row)] for i, *row in frame.itertuples())]
    if shape == "group headings":
        groups = ["", *(f"Nutrients ({unit_of(n, macro_unit)})" for n in frame)]
        return [groups, ["Sample", *frame], *([i, *map(write, row)] for i, *row in frame.itertuples())]
    if shape == "wide with ranges":
        names = [text for n in frame for text in (label[n], f"{n}_low", f"{n} high", f"{n} rating")]
        beside = lambda v: [write(v), write(0.5), write(2.5), "low"]  # noqa: E731
        return [
            ["Sample", *names],
            *([i, *(text for v in row for text in beside(v))] for i, *row in frame.itertuples()),
        ]
    if shape == "transposed":
        return [["Nutrient", *frame.index], *([label[n], *map(write, frame[n])] for n in frame)]
    rows = [[i, n, write(frame.loc[i, n]), unit_of(n, macro_unit)] for i in frame.index for n in frame]
    return [["Sample", "Analyte", "Result", "Unit"], *(row for row in rows if row[2])]


SHAPES = st.sampled_from(
    ["wide", "two header rows", "group headings", "wide with ranges", "transposed", "long"]
)


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    frame=frames(), shape=SHAPES, macro_unit=st.sampled_from(["%", "g/kg", "mg/g", "ppm"]),
    decimal=st.sampled_from([".", ","]), thousands=st.booleans(), delimiter=st.sampled_from([";", "\t", "|"]),
    above=st.sampled_from([[], [["Plant analysis"], []]]), below=st.sampled_from([[], [[], ["Dry basis"]]]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
)  # fmt: skip
def test_written_frames_are_read_back(
    frame, shape, macro_unit, decimal, thousands, delimiter, above, below, encoding
):
    stated = frame.copy()
    for n in stated:
        if n not in MICROS:
            stated[n] = convert_concentration(
                stated[n], "%", {"mg/g": "g/kg", "ppm": "mg/kg"}.get(macro_unit, macro_unit)
            )
            stated[n] = stated[n].map(lambda v: float(f"{v:.6g}"))
    rows = above + as_cells(stated, shape, macro_unit, lambda v: written(v, decimal, thousands)) + below
    text = "\n".join(delimiter.join(row) for row in rows) + "\n"
    samples = read_tissue(text.encode(encoding), decimal=decimal)
    back = samples.table.pivot_table(index="sample_id", columns="nutrient", values="value")
    left = frame.dropna(how="all")
    pd.testing.assert_frame_equal(
        back.loc[left.index, [n for n in frame if n in back]],
        left.dropna(axis=1, how="all"),
        check_names=False, check_index_type=False, check_column_type=False, rtol=1e-9,
    )  # fmt: skip
    assert (samples.table["censored"] == "").all()


@settings(max_examples=12, deadline=None)
@given(frame=frames(), decimal=st.sampled_from([".", ","]))
def test_printed_pages_are_read_back(frame, decimal):
    """One page a sample: nutrient, result, unit, range and rating, set apart by blanks."""
    for sample, row in frame.head(1).iterrows():
        held = row.dropna()
        lines = [
            f"{n:12}{written(v, decimal, False):12}{unit_of(n, '%'):8}0{decimal}5-2{decimal}5     low"
            for n, v in held.items()
        ]
        page = [f"Sample: {sample}", "", "Nutrient    Result      Unit    Normal range    Rating", *lines]
        table = read_tissue("\n".join(page).encode(), decimal=decimal).table
        assert table["sample_id"].unique().tolist() == [sample]
        assert table.set_index("nutrient")["value"].to_dict() == pytest.approx(held.to_dict(), rel=1e-12)


@settings(max_examples=12, deadline=None)
@given(frame=frames(), kind=st.sampled_from(["xlsx", "xls", "ods"]), shape=SHAPES)
def test_written_workbooks_are_read_back(workbook, frame, kind, shape):
    rows = as_cells(frame, shape, "%", lambda v: "" if math.isnan(v) else v)
    back = read_tissue(workbook(rows, kind)).table.pivot_table(
        index="sample_id", columns="nutrient", values="value"
    )
    for nutrient in frame.columns.intersection(back.columns):
        expected = frame[nutrient].dropna()
        assert back.loc[expected.index, nutrient].to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-12)


GOOD = """Sample,Crop,Stage,Part,N (%),P (%),K (%),Zn (ppm),Mn (ppm)
A-01,corn,R1,ear leaf,3.21,0.25,2.10,22,45
A-02,corn,R1,ear leaf,2.90,0.31,1.85,31,60
A-03,corn,R1,ear leaf,2.75,0.28,1.90,18,38
"""


@settings(max_examples=70, deadline=None)
@given(data=st.data())
def test_mutated_bytes_give_values_or_a_told_error(data):
    text = bytearray(GOOD.encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text) - 1))
        kind = data.draw(st.sampled_from(["change", "insert", "delete", "cut"]))
        byte = data.draw(st.sampled_from(list(b'0123456789.,;"<>%-+eENPKabc \n\t\xb5\xff\x00')))
        if kind == "change":
            text[at] = byte
        elif kind == "insert":
            text.insert(at, byte)
        elif kind == "delete":
            del text[at]
        else:
            del text[at:]
        assume(text)
    try:
        samples = read_tissue(bytes(text))
    except FertkitError:
        return
    value = samples.table.loc[samples.table["censored"] != "not detected", "value"].dropna()
    assert np.isfinite(value).all()
    assert (value >= 0).all()


@cache
def _original():
    return read_tissue(GOOD.encode()).table.set_index(["sample_id", "nutrient"])["value"]


ODD_CELLS = st.one_of(
    st.text("0123456789.,<>+-%eE'*L ()", max_size=8),
    st.sampled_from(["ND", "NA", "BDL", "<0.05", ">5", "3,21", "1,320", "1.320", "2.9-3.5", "-999", "QNS"]),
    st.sampled_from(
        ["3.2 L", "3.2k", "٣.٢", "½", "3.2²", "1e2", "0x10", "inf", "nan", "1_000", "3 ppm", "3 %"]
    ),
)


@settings(max_examples=90, deadline=None)
@given(cell=ODD_CELLS, line=st.integers(1, 3), column=st.integers(4, 8))
def test_an_odd_cell_is_read_as_written_or_told(cell, line, column):
    """The other cells keep their values; the odd one is its plain reading, marked, missing, or an error."""
    rows = [row.split(",") for row in GOOD.splitlines()]
    original = _original()
    rows[line][column] = cell
    text = "\n".join("\t".join(row) for row in rows)
    nutrient = rows[0][column].split()[0]
    try:
        table = read_tissue(text.encode()).table.set_index(["sample_id", "nutrient"])
    except FertkitError:
        return
    others = table.drop((rows[line][0], nutrient), errors="ignore")["value"]
    assert others.to_numpy() == pytest.approx(original.loc[others.index].to_numpy(), rel=0)
    assert len(others) == len(original) - 1
    if (rows[line][0], nutrient) not in table.index:
        assert not any(c.isdigit() for c in cell)  # only words and blanks mean not tested
        return
    read = table.loc[(rows[line][0], nutrient)]
    if read["censored"] == "" and read["flag"] == "" and "%" not in cell and "ppm" not in cell:
        plain = cell.strip().replace("'", "").replace(" ", "").lstrip("+")
        grouped = plain.count(",") and all(len(g.split(".")[0]) == 3 for g in plain.split(",")[1:])
        assert read["value"] == pytest.approx(float(plain.replace(",", "") if grouped else plain), rel=0)


def test_reading_twice_from_a_stream_and_a_path_agree(tmp_path):
    path = tmp_path / "lab.csv"
    path.write_text(GOOD, encoding="utf-8")
    pd.testing.assert_frame_equal(read_tissue(path).table, read_tissue(io.BytesIO(GOOD.encode())).table)
