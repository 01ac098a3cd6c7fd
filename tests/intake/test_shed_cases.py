"""The right reading of sheds and passes: what a product holds, costs a pound, and how much there is.

Every reading is written by hand from the file's own text (``tests/cases/README.md``; invented values).
Grades are those of the trade; 1 lb is 0.45359237 kg, a short ton 2,000 lb (NIST SP 811).
"""

from io import StringIO
from pathlib import Path

import pandas as pd
import pytest

from fertkit.errors import InputError
from fertkit.intake import read_shed

CASES = Path(__file__).parents[1] / "cases" / "shed"
LB_A_TONNE = 1000 / 0.45359237

# file: product: (material's first word, N, P2O5, K2O, form, price a pound, pounds on hand, pounds a lot)
READ = {
    "short_names.csv": {
        "MAP": ("monoammonium", 11, 52, 0, "dry", 0.39, 0, 0),
        "DAP": ("diammonium", 18, 46, 0, "dry", 0.345, 0, 0),
        "MOP": ("potassium", 0, 0, 60, "dry", 0.22, 0, 0),
        "KCl": ("potassium", 0, 0, 60, "dry", 0.2225, 0, 0),
        "AMS": ("ammonium", 21, 0, 0, "dry", 0.205, 0, 0),
        "urea": ("urea", 46, 0, 0, "dry", 0.28, 0, 0),
        "TSP": ("triple", 0, 46, 0, "dry", 0.32, 0, 0),
        "0-0-62": ("potassium", 0, 0, 62, "dry", 0.26, 0, 0),
    },
    "liquids.csv": {
        "UAN 32": ("UAN", 32, 0, 0, "liquid", 1.90 / 11.06, 0, 0),
        "UAN-28": ("UAN", 28, 0, 0, "liquid", 0.15, 0, 0),
        "10-34-0": ("ammonium", 10, 34, 0, "liquid", 3.60 / 11.65, 0, 0),
        "ATS": ("ammonium", 12, 0, 0, "liquid", 2.05 / 11.04, 0, 0),
    },
    "own_analysis.csv": {
        "Starter Seven": ("", 7, 21, 7, "liquid", 0.40, 0, 0),
        "Blue Leaf": ("", 12, 0, 0, "liquid", 0.90, 0, 0),
    },
    "stock_and_lots.csv": {
        "Harnstoff": ("urea", 46, 0, 0, "dry", 420.5 / LB_A_TONNE, 4.5 * LB_A_TONNE, 0),
        "KAS 27-0-0": ("calcium", 27, 0, 0, "dry", 310 / LB_A_TONNE, 0, 25 * LB_A_TONNE),
    },
    "bags.csv": {
        "zinc sulfate monohydrate": ("zinc", 0, 0, 0, "dry", 0.92, 0, 50),
        "boric acid": ("boric", 0, 0, 0, "dry", 30 / 25 * 0.45359237, 0, 25 / 0.45359237),
    },
    "stock_alone.csv": {
        "MAP": ("monoammonium", 11, 52, 0, "dry", float("nan"), 24_000, 0),
        "urea": ("urea", 46, 0, 0, "dry", 0.28, 0, 0),
    },
}

# file: what each message says; all problems at once
REFUSED = {
    "grade_against_columns.csv": [
        "row 2, .*'DAP 18-46-0' is 18 % N, 46 % P2O5 by name but 11 % N, 52 % P2O5 by its columns",
        "row 3, .*'MAP' is 11 % N, 52 % P2O5 by name but 18 % N, 46 % P2O5",
    ],
    "gallon_without_density.csv": ["row 2, .*'Liquid Green' is sold by volume and its density is unknown"],
    "price_without_unit.csv": ["row 2, .*price of 'urea' has no unit", "row 3, .*price of 'MAP'"],
    "unknown_product.csv": [
        "row 2, .*contents of 'Super Grow' are unknown",
        r"row 3, .*contents of 'UAN' are unknown; choose one of: UAN 28 \(28-0-0\), UAN 32",
    ],
    "elements.csv": [
        "column 'P': fertilizer is stated as P2O5 and K2O",
        "column 'K': fertilizer is stated as",
    ],
    "name_and_grade.csv": [
        r"row 4, .*'DAP 11-52-0' means two products: diammonium .*18-46-0\) and monoammonium"
    ],
}


def test_every_case_is_read_here_or_refused():
    assert {path.name for path in CASES.iterdir()} == {*READ, *REFUSED, "passes.csv", "passes_bad.csv"}


@pytest.mark.parametrize("file", READ)
def test_the_right_reading(file):
    shed = read_shed(CASES / file)
    products = shed.products.set_index("product")
    assert list(products.index) == list(READ[file])
    for name, (material, n, p2o5, k2o, form, per_lb, on_hand, lot) in READ[file].items():
        row = products.loc[name]
        assert row["material"].split(" ")[0] == material
        assert row[["n_pct", "p2o5_pct", "k2o_pct", "form"]].tolist() == [n, p2o5, k2o, form]
        assert row["price_per_lb"] == pytest.approx(per_lb, nan_ok=True)
        assert row[["on_hand_lb", "lot_lb"]].tolist() == pytest.approx([on_hand, lot])
    assert not shed.own_passes
    assert "at no cost" in shed.summary()


@pytest.mark.parametrize("file", REFUSED)
def test_contradictions_are_asked_about_at_once(file):
    with pytest.raises(InputError) as caught:
        read_shed(CASES / file)
    assert len(caught.value.problems) == len(REFUSED[file])
    for wanted in REFUSED[file]:
        with pytest.raises(InputError, match=wanted):
            raise caught.value


def test_limits_of_the_label():
    products = read_shed(CASES / "own_analysis.csv").products.set_index("product")
    # 5 gallons of 11.1 lb; 'never' is nothing with the seed
    assert products["seed_row"].tolist() == pytest.approx([55.5, 0])
    assert products["foliar"].tolist() == [False, True]
    assert products["zn_pct"].tolist() == [1, 6]


def test_passes_with_their_cost_and_time():
    passes = read_shed(CASES / "short_names.csv", CASES / "passes.csv").passes.set_index("pass")
    # 18.53 a hectare of 2.47105 acres
    assert passes.loc["Autumn spread", "cost_per_ac"] == pytest.approx(18.53 / 2.4710538)
    assert passes["method"].tolist() == ["broadcast", "seed row", "sidedress"]
    times = passes[["earliest", "latest"]].to_numpy().tolist()
    assert times == [["fall", "fall"], ["planting", "planting"], ["V6", "V10"]]
    assert passes["max_products"].tolist()[:2] == [3, 1]


def test_what_is_wrong_with_passes_is_told_with_the_products():
    with pytest.raises(InputError) as caught:
        read_shed(CASES / "unknown_product.csv", CASES / "passes_bad.csv")
    told = str(caught.value)
    assert len(caught.value.problems) == 6
    for part in (
        "has no unit",
        "'catapult' is not a known application method",
        "the pass is missing",
        "cost of the pass is unknown",
    ):
        assert part in told


def test_one_workbook_holds_products_and_passes(tmp_path):
    path = tmp_path / "shed.xlsx"
    with pd.ExcelWriter(path) as book:
        pd.DataFrame({"Product": ["MAP"], "Price ($/ton)": [780]}).to_excel(
            book, sheet_name="Shed", index=False
        )
        passes = {"Pass": ["spread"], "Method": ["broadcast"], "Cost ($/ac)": 7.5, "Earliest": "fall"}
        pd.DataFrame(passes).to_excel(book, sheet_name="Passes", index=False)
    shed = read_shed(path)
    assert shed.products["price_per_lb"].tolist() == [0.39]
    assert shed.passes[["pass", "cost_per_ac", "earliest"]].to_numpy().tolist() == [["spread", 7.5, "fall"]]
    assert shed.own_passes


@pytest.mark.parametrize(
    ("price", "pounds"),
    [("$600/ton", 2000), ("600 per short ton", 2000), ("600/t", LB_A_TONNE), ("600/metric ton", LB_A_TONNE),
     ("600 a cwt", 100), ("$600/1 ton tote", 2000), ("600/lb", None), ("600/load", None),
     ("600/bushel", None)],
)  # fmt: skip
def test_a_price_in_any_unit(price, pounds):
    file = StringIO(f"Product,Price\nurea,{price}\n")
    if pounds is None:
        with pytest.raises(InputError, match="row 2"):
            read_shed(file)
    else:
        assert read_shed(file).products["price_per_lb"].tolist() == pytest.approx([600 / pounds])


@pytest.mark.parametrize("name", ["Super U", "X", "Sul", "10-10", "potash?", "acid", "sulfate", "UAN"])
def test_a_name_that_is_part_of_another_is_no_product(name):
    with pytest.raises(InputError, match=r"contents of .* are unknown"):
        read_shed(StringIO(f"Product,Price ($/ton)\n{name},600\n"))


@pytest.mark.parametrize("price", ['0".36/kg', '.3"6/kg', '3"60/t'])
def test_a_quote_inside_a_price_is_asked_about(price):
    with pytest.raises(InputError, match=r"column 'Price'.*not a number|a quote inside a cell"):
        read_shed(StringIO(f"Product;Price\nMOP;{price}\nDAP;0.44/kg\n"))


def test_slips_of_a_shed_are_asked_about():
    with pytest.raises(InputError, match="'UREA' is listed twice"):
        read_shed(StringIO("Product,Price ($/ton)\nurea,560\nUREA,570\n"))
    with pytest.raises(InputError, match="looks like a fraction"):
        read_shed(StringIO("Product,N (%),Price ($/ton)\nNitro,0.46,560\n"))
    with pytest.raises(InputError, match="a pound of 'urea' would cost 560"):
        read_shed(StringIO("Product,Price ($/lb)\nurea,560\n"))
    with pytest.raises(InputError, match="'loads' is unknown"):
        read_shed(StringIO("Product,Price ($/ton),Lot\nurea,560,2 loads\n"))


@pytest.mark.parametrize(
    "header", ["Price/ton", "Price per ton", "$/ton", "Cost ($ per ton)", "price_ton", "Price [US$/ton]"]
)
def test_a_price_by_its_header(header):
    products = read_shed(StringIO(f"Product,{header}\nurea,560\n")).products
    assert products["price_per_lb"].tolist() == [0.28]


def test_lines_without_a_product_are_named():
    with pytest.raises(InputError, match=r"(?s)row 2, .*the product is missing.*row 3"):
        read_shed(StringIO("Product,Price ($/ton)\n,560\n,570\nMAP,780\n"))


def a_shed(*names):
    return read_shed(pd.DataFrame({"product": names, "price": 500.0, "price unit": "ton"})).products


def test_a_share_beside_a_name_tells_the_product():
    # grades of the trade: UAN of 28 and 32 %, urea 46, ammonia 82, potash 60, MAP 11-52, AMS 21-0-0-24S
    names = {
        "32% UAN": "UAN 32", "28 UAN": "UAN 28", "UAN 32%": "UAN 32", "UAN (28-0-0)": "UAN 28",
        "46% urea": "urea", "82% anhydrous ammonia": "anhydrous ammonia", "KCl 60": "potassium chloride 60",
        "0-0-60 potash": "potassium chloride 60", "10-34-0 APP": "ammonium polyphosphate",
        "MAP 11-52": "monoammonium phosphate (MAP)", "21-0-0-24 AMS": "ammonium sulfate",
    }  # fmt: skip
    assert dict(a_shed(*names)[["product", "material"]].to_numpy().tolist()) == names


def test_a_share_or_grade_that_contradicts_the_name_is_asked_about():
    with pytest.raises(InputError) as caught:
        a_shed("32% urea", "30% UAN", "46-0-0 UAN", "50 lb urea")
    share, between, grade, size = map(str, caught.value.problems)
    assert "'32%' in '32% urea' is not an analysis of urea (46-0-0)" in share
    assert "'30%' in '30% UAN' is not an analysis of UAN 28 (28-0-0) or UAN 32 (32-0-0)" in between
    assert "means two products: UAN 28 (28-0-0) or UAN 32 (32-0-0) and urea (46-0-0)" in grade
    assert "contents of '50 lb urea' are unknown" in size


def test_a_problem_of_the_passes_names_their_file_not_the_shed(tmp_path):
    (tmp_path / "trips.csv").write_text("Pass,Method,Cost ($/ac),Earliest\nA,broadcast,7,2026-10-25\n")
    with pytest.raises(InputError) as caught:
        read_shed(CASES / "short_names.csv", tmp_path / "trips.csv")
    assert [problem.file for problem in caught.value.problems] == ["trips.csv"]


def test_a_time_that_is_no_stage_of_any_crop_is_refused():
    """A pass at an unknown time would be left out of every plan without a word."""
    passes = (
        "Pass,Method,Cost ($/ac),Earliest,Latest\nA,broadcast,7,2026-10-25,fall\nB,sidedress,9,V6,green-up\n"
    )
    with pytest.raises(InputError) as caught:
        read_shed(CASES / "short_names.csv", StringIO(passes))
    (one,) = caught.value.problems
    assert (one.row, one.column) == (2, "Earliest")
    assert "'2026-10-25' is not a time" in str(one)


def test_numbers_of_a_workbook_keep_their_point_beside_texts_with_decimal_commas(tmp_path):
    # 1.125 t are 1,125 kg, 2,480.2 lb of 0.45359237 kg; 0,5 t are 1,102.3 lb
    rows = {"Product": ["urea", "MAP"], "Price per tonne": [520.0, 760.5], "On hand (t)": [1.125, "0,5 t"]}
    pd.DataFrame(rows).to_excel(tmp_path / "shed.xlsx", index=False)
    products = read_shed(tmp_path / "shed.xlsx").products
    assert products["price"].tolist() == [520, 760.5]
    assert products["on_hand_lb"].tolist() == pytest.approx([2480.2, 1102.3], abs=0.05)


@pytest.mark.parametrize("header", ["Bag (kg)", "Sack weight (kg)", "Bolsa (kg)"])
def test_a_column_says_what_a_bag_holds(header):
    # 34 a bag of 50 kg are 0.68 a kg; 40 bags are 2,000 kg
    text = f"Product,Price,On hand,{header}\nMAP,34/bag,40 bags,50\nurea,520/t,,\n"
    bagged, loose = read_shed(StringIO(text)).products.to_dict("records")
    assert bagged["price_per_lb"] == pytest.approx(0.68 * 0.45359237)
    assert bagged["on_hand_lb"] == pytest.approx(2000 / 0.45359237)
    assert bagged["lot_lb"] == pytest.approx(50 / 0.45359237)
    assert loose["lot_lb"] == 0
    with pytest.raises(InputError, match="the size of one 'bag' is unknown") as refused:
        read_shed(StringIO(text.replace(",50\n", ",\n")))
    assert len(refused.value.problems) == 2


@pytest.mark.parametrize(
    ("cell", "pounds"), [("50 lb bag", 50), ("bag of 50 lb", 50), ("3 bags of 50 lb", 150)]
)
def test_one_bag_and_several(cell, pounds):
    text = f"Product,Price,On hand\nurea,520/ton,{cell}\n"
    assert read_shed(StringIO(text)).products["on_hand_lb"].tolist() == [pounds]


def test_a_line_that_lost_a_mark_is_no_line_of_units():
    """Below the headers stood DAP;761;;ton: a product, whatever is left of its price."""
    text = "Product;Price;On hand (t);Price unit\nDAP761;;ton\n0-0-62;549;;ton\nMOP;858;;ton\n"
    with pytest.raises(InputError, match=r"row 2, .*3 cells under 4 column names"):
        read_shed(StringIO(text))
    named = read_shed(StringIO("Product;Price;On hand\nname;$/ton;ton\nMOP;858;2\n")).products
    assert named[["price_per_lb", "on_hand_lb"]].iloc[0].tolist() == [858 / 2000, 2 * 2000]
