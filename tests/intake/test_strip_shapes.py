"""Strip files in shapes that people use: read to the numbers they were written from, or asked about.

The trial is invented: four blocks, five rates, yields as listed; what a file must give is that list.
"""

from io import BytesIO, StringIO

import pytest
from openpyxl import Workbook

from fertkit.errors import InputError
from fertkit.intake import read_strips

RATES = (0, 40, 80, 120, 160)
YIELDS = {1: (97.3, 132.4, 159.3, 172.3, 173.0), 2: (100.1, 135.9, 163.2, 175.4, 176.6)}
STRIPS = [(str(b), float(r), y) for b, held in YIELDS.items() for r, y in zip(RATES, held, strict=True)]


def strips_of(text, **asked):
    """Block, rate and yield of each strip as read, and what is said."""
    read = read_strips(StringIO(text) if isinstance(text, str) else text, **asked)
    table = read.table
    rows = zip(table["block"].astype(str), table[read.rate_column], table[read.yield_column], strict=True)
    return sorted(rows), read


def long(of_rate=str, of_yield=str, header="Rep,N rate (lb/ac),Yield (bu/ac)"):
    """One line a strip, rates and yields written as told."""
    return "\n".join([header, *(f"{b},{of_rate(int(r))},{of_yield(y)}" for b, r, y in STRIPS), ""])


def wide(corner, labels, of_block):
    rows = [f"{of_block(b)},{','.join(map(str, held))}" for b, held in YIELDS.items()]
    return "\n".join([f"{corner},{','.join(labels)}", *rows, ""])


@pytest.mark.parametrize("of_rate", [
    lambda r: f"{r} lb", lambda r: f"{r} lb/ac", lambda r: f"{r} N", lambda r: f"{r}N", lambda r: f"N{r}",
    lambda r: f"N {r} lb/ac", lambda r: f"{r} lb N" if r else "none", lambda r: r or "Untreated",
])  # fmt: skip
def test_rates_with_words_beside_them(of_rate):
    found, read = strips_of(long(of_rate))
    assert found == STRIPS
    assert (read.rate_unit, read.nutrient) == ("lb/ac", "N")
    none = of_rate(0) in ("none", "Untreated")
    assert any("read as 0" in note for note in read.notes) is none


@pytest.mark.parametrize(("of_rate", "told"), [
    (lambda r: f"N{r // 40}", "not a number"),  # numbers of treatments, no amounts
    (lambda r: f"{r} K2O", "rates of K2O and N"),
    (lambda r: f"{r} kg", "mixed units"),
    (lambda r: r or "Check", "0 where nothing was applied"),  # a check may have been given some
])  # fmt: skip
def test_rates_that_may_be_something_else_are_asked_about(of_rate, told):
    with pytest.raises(InputError, match=told):
        strips_of(long(of_rate))


def test_rates_in_the_names_of_treatments():
    header = "Rep,Treatment,Yield (bu/ac)"
    found, read = strips_of(long(lambda r: f"{r} lb N", header=header))
    assert found == STRIPS
    assert (read.rate_unit, read.nutrient) == ("lb/ac", "N")
    bare = read_strips(StringIO(long(lambda r: f"{r}N", header=header)))
    assert bare.rate_column == ""
    assert any("--column rate" in getattr(note, "in_code", "") for note in bare.notes)
    told = {"columns": {"rate": "Treatment"}, "units": {"rate": "lb/ac"}}
    assert strips_of(long(lambda r: f"{r}N", header=header), **told)[0] == STRIPS


def test_a_rate_in_one_word():
    told = {"units": {"rate": "lb/ac", "yield": "bu/ac"}}
    assert strips_of(long(header="rep,nrate,yield"), **told)[0] == STRIPS


@pytest.mark.parametrize("lost", ["*", "lost", "ND", "missing", "-99", "."])
def test_words_and_codes_of_a_lost_strip(lost):
    text = long(of_yield=lambda y: lost if y == 159.3 else str(y))
    found, _ = strips_of(text)
    assert sorted(f for f in found if f[2] == f[2]) == [s for s in STRIPS if s[2] != 159.3]


def test_a_corner_that_names_the_rates_across():
    title = "Nitrogen response, yields bu/ac\n"
    found, _ = strips_of(title + wide("N rate lb/ac", map(str, RATES), lambda b: f"Block {b}"))
    assert found == [(f"Block {b}", r, y) for b, r, y in STRIPS]


@pytest.mark.parametrize(("unit", "taken"), [("dt/ha", "dt/ha"), ("bu/ac", "bu/ac")])
def test_units_in_the_headers_of_blocks_across(unit, taken):
    rows = [f"{r},{','.join(str(held[i]) for held in YIELDS.values())}" for i, r in enumerate(RATES)]
    per = unit.split("/")[1]
    mass = "lb" if per == "ac" else "kg"
    glued = "\n".join([f"N rate ({mass}/{per}),Rep 1 ({unit}),Rep 2 ({unit})", *rows, ""])
    below = "\n".join(
        ["N rate,Rep 1,Rep 2", f"{mass}/{per},{unit},{unit}", *rows, "Yields are at 15.5 %,,", ""]
    )
    for text in (glued, below):
        found, read = strips_of(text)
        assert found == [(f"Rep {b}", r, y) for b, r, y in STRIPS]
        assert read.yield_unit == taken
        assert not any("gives no yield unit" in note for note in read.notes)


def test_weights_of_blocks_across_are_no_yields():
    rows = [f"{r},{','.join(str(held[i]) for held in YIELDS.values())}" for i, r in enumerate(RATES)]
    for header in ("Rep 1 (lb),Rep 2 (lb)", "Rep 1 (bu/ac),Rep 2 (lb/ac)"):
        with pytest.raises(InputError):
            read_strips(StringIO("\n".join([f"N rate (lb/ac),{header}", *rows, ""])))


def test_a_second_table_below_the_first_is_no_second_strip_of_it():
    once = long()
    again = once.split("\n", 1)[1]
    with pytest.raises(InputError, match="as if from another trial"):
        read_strips(StringIO(f"{once}\nField South\n{once}"))
    with pytest.raises(InputError, match="as if from another trial"):
        read_strips(StringIO(once + "\n" + once.replace("97.3", "98.1")))
    with pytest.raises(InputError, match="as if from another trial"):
        read_strips(StringIO(f"{once}Field South\n{again}"))
    half = once.split("\n")
    paged = "\n".join([*half[:6], "continued on the next page", half[0], *half[6:]])
    assert strips_of(paged)[0] == STRIPS


def test_blocks_in_plots_of_two_numbers():
    lines = [f"{b}-{i % 5 + 1},{r:g},{y}" for i, (b, r, y) in enumerate(STRIPS)]
    found, read = strips_of("\n".join(["Plot,N (lb/ac),Yield (bu/ac)", *lines, ""]))
    assert found == STRIPS
    assert any("blocks are taken from the numbers in 'Plot'" in note for note in read.notes)


#: Four blocks of four rates; each row is a block, as the strips lie beside each other.
DRAWN = ((0, 50, 100, 150), (100, 0, 150, 50), (50, 150, 0, 100), (100, 150, 50, 0))


def plots(named):
    """The drawn trial, its plots named by block and position."""
    lines = [f"{named(b, p)},{rate},{90 + rate / 3 + b}" for b, row in enumerate(DRAWN, 1)
             for p, rate in enumerate(row)]  # fmt: skip
    return read_strips(StringIO("\n".join(["Plot,N (lb/ac),Yield (bu/ac)", *lines, ""])))


@pytest.mark.parametrize(
    "named",
    [lambda b, p: f"{b}{'ABCD'[p]}", lambda b, p: f"{'ABCD'[p]}{b}", lambda b, p: f"{'ABCD'[b - 1]}{p + 1}",
     lambda b, p: f"R{b}P{p + 1}", lambda b, p: f"Rep {b} plot {p + 1}"],
    ids=["1A", "A1", "A1 by letter", "R1P1", "Rep 1 plot 1"],
)  # fmt: skip
def test_blocks_in_plots_of_block_and_position(named):
    read = plots(named)
    held = read.table.assign(row=[b for b in range(4) for _ in range(4)]).groupby("row")["block"]
    assert held.nunique().tolist() == [1, 1, 1, 1]
    assert read.table["block"].nunique() == 4
    assert any("blocks are taken from" in note for note in read.notes)


@pytest.mark.parametrize(
    "named", [lambda b, p: f"{DRAWN[b - 1][p] // 50 + 1}{'ABCD'[b - 1]}", lambda b, p: f"{4 * b + p - 3}A"]
)
def test_numbers_that_name_a_treatment_or_count_on_tell_no_blocks(named):
    """Where one half of a name goes with the rate, the other may be the ends of a strip: none is taken."""
    assert "block" not in plots(named).table


def test_a_rate_of_a_nutrient_in_bushels_is_a_wrong_unit_and_no_second_yield():
    text = long(header="Rep,N rate (bu/ac),Yield (bu/ac)")
    with pytest.raises(InputError, match=r"'N rate \(bu/ac\)': not a known unit.*--units rate=lb/ac"):
        read_strips(StringIO(text))
    assert strips_of(text, units={"rate": "lb/ac"})[0] == STRIPS
    assert strips_of(long(header="Rep,N rate (lb/ac),Rate mean (bu/ac)"))[0] == STRIPS


def test_a_column_without_a_header_is_asked_about_and_can_be_named():
    text = long(header=",N rate (lb/ac),Yield (bu/ac)")
    with pytest.raises(InputError, match=r'looks like blocks.*--column block="column 1"'):
        read_strips(StringIO(text))
    assert strips_of(text, columns={"block": "column 1"})[0] == STRIPS


def test_two_columns_that_say_the_same_are_one_but_halves_of_a_rate_are_two():
    lines = [f"{b},{r:g},{y},corn,corn" for b, r, y in STRIPS]
    found, read = strips_of("\n".join(["Rep,N (lb/ac),Yield (bu/ac),Crop,Crop", *lines, ""]))
    assert (found, read.crop) == (STRIPS, "corn")
    lines = [f"{b},{r / 2:g},{r / 2:g},{y}" for b, r, y in STRIPS]
    with pytest.raises(InputError, match="for their sum"):
        read_strips(StringIO("\n".join(["Rep,N early (lb/ac),N late (lb/ac),Yield (bu/ac)", *lines, ""])))


def test_a_sheet_of_remarks_beside_the_strips():
    book = Workbook()
    for row in [["Rep", "N rate (lb/ac)", "Yield (bu/ac)"], *([int(b), r, y] for b, r, y in STRIPS)]:
        book.active.append(row)
    book.create_sheet("Remarks").append(["the east side was wet"])
    content = BytesIO()
    book.save(content)
    found, read = strips_of(content.getvalue())
    assert found == STRIPS
    assert "sheet 'Remarks' holds only words and is not read" in read.notes


@pytest.mark.parametrize("mark", ["*", "-", "-99", ""])
@pytest.mark.parametrize("label", ["R{}", "Rep {}", "Block {}"])
def test_lost_strips_of_a_wide_sheet(mark, label):
    labels = {b: label.format(b) for b in YIELDS}
    held = {b: [mark if y == 135.9 else str(y) for y in ys] for b, ys in YIELDS.items()}
    rows = [f"{r},{','.join(held[b][i] for b in YIELDS)}" for i, r in enumerate(RATES)]
    text = "\n".join([f"N (lb/ac),{','.join(f'{name} (bu/ac)' for name in labels.values())}", *rows, ""])
    found, _ = strips_of(text)
    assert [f for f in found if f[2] == f[2]] == [(labels[int(b)], r, y) for b, r, y in STRIPS if y != 135.9]


@pytest.mark.parametrize("row", [
    "Standard Error,,1.1", "Tukey HSD (0.05),,3.3", "Error df,,12", "Prob(F),,0.0001", "Std. dev.,,1.2",
])  # fmt: skip
def test_lines_of_statistics_are_no_strips(row):
    found, read = strips_of(long() + row + "\n")
    assert found == STRIPS
    assert any("a summary, not a strip" in note for note in read.notes)


@pytest.mark.parametrize(
    "mark", [("Type", "Buffer", "trial"), ("Buffer", "yes", ""), ("Nota", "bordura", "")]
)
def test_strips_beside_the_trial_are_no_strips_of_it(mark):
    header, of_buffer, of_trial = mark
    first, *rows = long().splitlines()
    rows = [
        f"{first},{header}",
        *(f"{row},{of_trial}" for row in rows),
        *(f"{b},90,60,{of_buffer}" for b in "12"),
    ]
    found, read = strips_of("\n".join(rows) + "\n")
    assert found == STRIPS
    assert any("a strip beside the trial" in note and of_buffer in note for note in read.notes)


@pytest.mark.parametrize(
    "mark",
    [("Exclude", "yes", "no"), ("Discard", "x", ""), ("Use", "no", "yes"), ("Include in analysis", "0", "1")],
)
def test_strips_that_the_file_leaves_out_are_left_out(mark):
    header, out, kept = mark
    first, *rows = long().splitlines()
    rows = [f"{first},{header}", *(f"{row},{kept}" for row in rows), *(f"{b},90,9,{out}" for b in "12")]
    found, read = strips_of("\n".join(rows) + "\n")
    assert found == STRIPS
    assert any(f"left out by the file ('{header}: {out}')" in note for note in read.notes)
    assert not any("not used" in note for note in read.notes)


def test_a_rate_that_other_blocks_have_is_no_odd_rate_of_a_block_that_lost_another():
    _, read = strips_of(
        "Block,N (lb/ac),Yield (bu/ac)\n1,0,60\n1,60,70\n1,180,81\n2,0,61\n2,60,71\n2,120,79\n"
        "3,0,60\n3,60,73\n3,120,80\n4,0,62\n4,60,72\n4,120,79\n4,180,82\n"
    )
    assert not any("check that rate" in note for note in read.notes)


def test_buffers_among_rates_are_no_strips_and_a_field_of_that_name_is_one():
    found, _ = strips_of(long() + "1,buffer,188\n")
    assert found == STRIPS
    first, *rows = long().splitlines()
    found, _ = strips_of("\n".join([f"Field,{first}", *(f"Border,{row}" for row in rows)]) + "\n")
    assert found == STRIPS


@pytest.mark.parametrize("header", [
    "Yield goal (bu/ac)", "Yield difference (bu/ac)", "Relative yield (%)", "Expected yield (bu/ac)",
])  # fmt: skip
def test_a_yield_that_was_not_harvested_is_not_the_yield(header):
    lines = [f"{b},{r:g},60,{y}" for b, r, y in STRIPS]
    found, read = strips_of("\n".join([f"Rep,N (lb/ac),{header},Yield (bu/ac)", *lines, ""]))
    assert found == STRIPS
    assert f"not used: column '{header}'" in read.notes


def test_yields_stated_at_a_moisture_without_a_crop_are_left_there():
    found, read = strips_of(long(header="Pair,N rate (lb/ac),Yield (bu/A @15.5%)"))
    assert found == STRIPS
    assert "yields stay at 15.5 % moisture, as stated; the file names no crop" in read.notes


def test_semicolons_cut_a_file_of_decimal_commas_whose_header_holds_none():
    lines = [f"{b};{r:g};{y:.1f};ok".replace(".", ",") for b, r, y in STRIPS]
    text = "\n".join(["Rep;N (kg/ha);Yield (dt/ha);Remark", *lines, "Mean;;148,5", "CV %;;2,3", ""])
    assert strips_of(text)[0] == STRIPS


def test_rates_of_two_nutrients_beside_blocks_across_keep_their_headers():
    lines = [f"{n},{p},{48 + n / 10 + p / 20},{49 + n / 10 + p / 20}" for n in (0, 60, 120) for p in (0, 40)]
    text = "\n".join(["N lb/ac,P2O5 lb/ac,Rep 1 bu/ac,Rep 2 bu/ac", *lines])
    found = read_strips(text.encode(), crop="corn")
    assert found.rate_columns == {"N": "rate_n_lb_ac", "P2O5": "rate_p2o5_lb_ac"}
    assert found.table[["rate_n_lb_ac", "rate_p2o5_lb_ac"]].max().tolist() == [120, 40]
    assert len(found.table) == 12


@pytest.mark.parametrize("weight", [
    "Peso (kg/parcela)", "Weight (kg/plot)", "Yield (kg/plot)", "Yield, kg per plot", "Ertrag (kg/Parzelle)",
])  # fmt: skip
def test_what_a_plot_weighed_is_no_yield_until_its_size_is_known(weight):
    # 9 kg of 18 m2 are 5 t/ha
    text = f"Wdh;N (kg/ha);{weight};Fläche (m2)\n1;0;9;18\n1;60;10,8;18\n2;0;9;18\n2;60;10,8;18\n"
    read = read_strips(StringIO(text))
    assert read.yield_unit == "t/ha"
    assert read.table["yield_t_ha"].tolist() == pytest.approx([5, 6, 5, 6])
    with pytest.raises(InputError, match="without strip size"):
        read_strips(StringIO(text.replace("Fläche (m2)", "Note")))


def test_a_harvested_area_is_an_area():
    # 2,800 lb of half an acre are 100 bushels of 56 lb an acre
    text = "Rep,N (lb/ac),Weight (lb),Harvested area (ac)\n1,0,2800,0.5\n1,60,5600,0.5\n"
    assert read_strips(StringIO(text), crop="corn").table["yield_bu_ac"].tolist() == pytest.approx([100, 200])


@pytest.mark.parametrize("unit", ["bu/ac at 15.5%", "(bu/ac @ 15.5 %)"])
def test_a_line_of_units_may_state_the_moisture(unit):
    first, *rows = long(header="Rep,N rate,Grain").splitlines()
    read = read_strips(StringIO("\n".join([first, f",lb/ac,{unit}", *rows]) + "\n"), crop="corn")
    assert sorted(read.table["yield_bu_ac"]) == sorted(y for _, _, y in STRIPS)
