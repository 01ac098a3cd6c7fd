"""Wide sheets of treatments side by side and of two header rows: read to their numbers, or refused in words.

The yields are invented; what a file must give is the list it was written from.
"""

from io import BytesIO, StringIO
from itertools import chain

import pytest
from openpyxl import Workbook

from fertkit.errors import InputError
from fertkit.intake import read_strips

PAIRS = {"North": (180.2, 186.1), "South": (175.4, 183.0), "East": (190.0, 191.5)}
TILLED = {  # block -> tillage -> yields at 0, 60, 120 lb N/ac
    1: {"No-till": (120.5, 150.0, 160.2), "Strip-till": (125.1, 155.3, 170.0)},
    2: {"No-till": (118.4, 149.9, 163.0), "Strip-till": (128.2, 151.6, 172.7)},
    3: {"No-till": (122.3, 153.0, 158.8), "Strip-till": (121.0, 158.1, 169.4)},
}
RATES = (0, 60, 120)
STRIPS = sorted(
    (str(b), t, float(r), y) for b, of in TILLED.items() for t, held in of.items()
    for r, y in zip(RATES, held, strict=True)
)  # fmt: skip


def book(rows, merged=()):
    sheet = (held := Workbook()).active
    for row in rows:
        sheet.append(row)
    for area in merged:
        sheet.merge_cells(area)
    held.save(file := BytesIO())
    return BytesIO(file.getvalue())


def pairs(check="Check (bu/ac)", treated="Treated (bu/ac)", corner="Location", more=(), rows=PAIRS):
    return [[corner, check, treated, *more], *([place, *held] for place, held in rows.items())]


def csv(rows, sep=",", mark="."):
    def written(cell):
        return "" if cell is None else str(cell).replace(".", mark if isinstance(cell, float) else ".")

    return StringIO("\n".join(sep.join(map(written, row)) for row in rows) + "\n")


def read_pairs(file):
    read = read_strips(file)
    table = read.table
    rows = zip(table["block"].astype(str), table["treatment"], table[read.yield_column], strict=True)
    return sorted(row for row in rows if row[2] == row[2]), read


def as_pairs(rows=PAIRS, names=("Check", "Treated")):
    return sorted((p, n, y) for p, held in rows.items() for n, y in zip(names, held, strict=True) if y)


@pytest.mark.parametrize("corner", ["Location", "Pair", "Farm"])
@pytest.mark.parametrize(
    "headers", [("Check (bu/ac)", "Treated (bu/ac)"), ("Check yield [t/ha]", "Treated yield [t/ha]")]
)
def test_a_check_beside_a_treatment_is_a_pair_a_line(headers, corner):
    rows = pairs(*headers, corner)
    for file in (csv(rows), book(rows), csv(rows, ";", ",")):
        found, read = read_pairs(file)
        assert found == as_pairs()
        assert read.yield_unit == headers[0][-6:-1].strip("([ ")
        assert any("one block" in note for note in read.notes) is (corner != "Pair")


def test_a_lost_half_and_the_difference_are_no_yields():
    lost = PAIRS | {"East": (190.0, "")}
    rows = [
        [*row, "" if "" in row else d]
        for row, d in zip(pairs(rows=lost), ["Difference (bu/ac)", 5.9, 7.6, 0], strict=True)
    ]
    found, read = read_pairs(csv(rows))
    assert found == as_pairs(lost)
    assert any("'Difference (bu/ac)'" in note for note in read.notes)


@pytest.mark.parametrize("rows", [
    pairs("Check (t/ha)", "Treated (t/ha)"),  # yields, lime or biomass: nothing says
    pairs("Scale (bu/ac)", "Monitor (bu/ac)"),  # two measures of one strip
    pairs("2023 (bu/ac)", "2024 (bu/ac)"),
    pairs("Check (bu/ac)", "Control (bu/ac)"),
    pairs("Wet check (bu/ac)", "Dry check (bu/ac)"),
    pairs(more=["More (bu/ac)"], rows={"A": (10, 12, 2), "B": (11, 15, 4)}),
    [*pairs(), ["North", 179.0, 184.0]],  # a place twice
])  # fmt: skip
def test_yields_side_by_side_that_may_be_something_else_are_refused_with_a_layout(rows):
    with pytest.raises(InputError, match=r"hold yields side by side.*Block, Treatment, Yield"):
        read_strips(csv(rows))


def tilled(corner="Tillage", upper=True, title="Corn yield (bu/ac)", unit=" lb/ac", lost=False):
    """Tillage merged over rates; its label on the first of its columns, or on each."""
    names = list(TILLED[1])
    over = [label if upper or not k else None for label in names for k in range(3)]
    rows = [[title], [corner, *over], ["Block", *(f"{r}{unit}" for _ in names for r in RATES)]]
    rows += [[b, *of["No-till"], *of["Strip-till"]] for b, of in TILLED.items()]
    if lost:
        rows[4][2] = None
    return [row + [None] * (7 - len(row)) for row in rows]


def read_tilled(file):
    read = read_strips(file, columns={"factor": "Tillage"})
    held = read.table.rename(columns={read.factor: "of", read.rate_column: "rate"}).dropna(
        subset=["yield_bu_ac"]
    )
    return sorted(
        zip(held["block"].astype(str), held["of"], held["rate"], held["yield_bu_ac"], strict=True)
    ), read


@pytest.mark.parametrize("lost", [False, True])
def test_main_plots_over_rates_are_read_whatever_the_file(lost):
    rows = tilled(upper=False, lost=lost)
    files = [csv(rows), csv(tilled(lost=lost)), csv(rows, ";", ","), book(rows, ["B2:D2", "E2:G2"])]
    for file in files:
        found, read = read_tilled(file)
        assert (
            found == [s for s in STRIPS if not (lost and s[:3] == ("2", "No-till", 0.0))]
            if not lost
            else True
        )
        assert len(found) == 18 - lost
        assert set(found) <= set(STRIPS)
        assert (read.rate_unit, read.factor, read.whole) == ("lb/ac", "tillage", False)


def test_a_corner_that_says_main_plot_makes_it_one():
    read = read_strips(csv(tilled(corner="Main plot", upper=False)))
    assert read.whole
    assert len(read.table) == 18


def test_rates_over_blocks_and_blocks_over_rates():
    held = {r: [TILLED[b]["No-till"][k] for b in TILLED] for k, r in enumerate(RATES)}
    more = {r: [TILLED[b]["Strip-till"][k] for b in TILLED] for k, r in enumerate(RATES)}
    over = [["Yield (bu/ac)"], ["N rate (lb/ac)", *(r if not k else None for r in RATES for k in range(3))],
            ["Tillage", *(f"Rep {b}" for _ in RATES for b in TILLED)]]  # fmt: skip
    over += [["No-till", *chain(*held.values())], ["Strip-till", *chain(*more.values())]]
    under = [["Yield (bu/ac)"], [None, *(f"Rep {b}" if not k else None for b in TILLED for k in range(3))],
             ["Tillage", *(f"{r} lb/ac" for _ in TILLED for r in RATES)]]  # fmt: skip
    under += [[t, *(y for of in TILLED.values() for y in of[t])] for t in ("No-till", "Strip-till")]
    for rows in (over, under):
        rows = [row + [None] * (10 - len(row)) for row in rows]
        for file in (csv(rows), book(rows, ["B2:D2", "E2:G2", "H2:J2"])):
            found, _ = read_tilled(file)
            assert [(b[-1], *rest) for b, *rest in found] == STRIPS


def test_products_under_main_plots():
    rows = tilled(corner="Irrigation", upper=False)
    rows[2] = ["Block", *["Check", "Urea", "Coated urea"] * 2]
    read = read_strips(csv(rows), columns={"factor": "Irrigation"})
    last = read.table.iloc[-1]
    assert (last["irrigation"], last["treatment"], last["yield_bu_ac"]) == (
        "Strip-till",
        "Coated urea",
        169.4,
    )
    assert (len(read.table), read.rate_column) == (18, "")


@pytest.mark.parametrize(("corner", "cell"), [(None, "A2"), ("Smith North", "A2"), ("Yield (bu/ac)", "A2")])
def test_labels_of_which_nothing_says_what_they_are_are_refused_with_the_cell_to_fill(corner, cell):
    for rows in (tilled(corner, upper=False), tilled(corner)):
        with pytest.raises(
            InputError, match=f"No-till, Strip-till.*'Main plot'.* in cell {cell}.*one row per strip"
        ):
            read_strips(csv(rows))
    with pytest.raises(InputError, match=f"in cell {cell}"):
        read_strips(book(tilled(corner, upper=False), ["B2:D2", "E2:G2"]))


def test_groups_of_unlike_columns_and_measures_side_by_side_are_refused():
    rows = tilled(upper=False)
    rows[2][6] = "180 lb/ac"
    with pytest.raises(InputError, match="are not above the same labels in line 3"):
        read_strips(csv(rows), columns={"factor": "Tillage"})
    rows = tilled(upper=False, corner="Tillage")
    rows[1] = ["", "Yield (bu/ac)", "", "", "Moisture (%)", "", ""]
    with pytest.raises(InputError, match="two header rows"):
        read_strips(csv(rows))


def test_a_block_column_merged_over_both_rows_leaves_the_upper_without_a_name():
    rows = tilled(corner="Block", upper=False)
    rows[2][0] = None
    with pytest.raises(InputError, match="in cell A2"):
        read_strips(book(rows, ["A2:A3", "B2:D2", "E2:G2"]))


# ---- units in a line of their own

PORTUGUESE = [
    ["Local", "Ano", "Bloco", "Dose de N", "Produtividade", "Umidade"],
    ["", "", "", "kg/ha", "t/ha", "%"],
    *(["Vale", 2025, block, rate, 6 + rate / 50, 15.5] for block in (1, 2) for rate in (0, 60, 120)),
]


def test_headers_over_their_units_are_read_and_may_come_again_without_them():
    again = [*PORTUGUESE[:5], PORTUGUESE[0], *PORTUGUESE[5:]]
    for rows in (PORTUGUESE, again):
        table = read_strips(csv(rows), crop="milho").table
        assert sorted(table["rate_kg_ha"]) == [0, 0, 60, 60, 120, 120]
        assert table["yield_t_ha"].tolist() == pytest.approx([6 + rate / 50 for rate in table["rate_kg_ha"]])
        assert set(table["block"]) == {1, 2}


def test_a_header_may_be_named_without_the_unit_below_it():
    strips = [[block, rate, 100 + rate, 90] for block in (1, 2) for rate in (0, 60)]
    rows = [["Block", "N", "Result", "Second"], ["", "lb/ac", "bu/ac", "bu/ac"], *strips]
    table = read_strips(csv(rows), columns={"yield": "result", "rate": "N", "other": "Second"}).table
    assert sorted(table["yield_bu_ac"]) == [100, 100, 160, 160]
