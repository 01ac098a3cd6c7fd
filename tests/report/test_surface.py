"""A file with the rates of two nutrients, from the file to the page (invented yields)."""

from io import StringIO
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from fertkit.cli import main
from fertkit.errors import InputError
from fertkit.intake import read_strips
from fertkit.report.surface import answer_surface
from fertkit.response.curves.linear import QUADRATIC
from fertkit.response.optimum import Status
from fertkit.say.surface import _most_text

PRICES = {"nutrient_price": {"N": 0.1, "P2O5": 0.1}, "grain_price": 5}


def sheet(rates=None, headers="block,N rate (lb/ac),P2O5 rate (lb/ac),yield (bu/ac)"):
    """Three blocks of 40 + 0.4 N - 0.002 N² + 0.3 P - 0.0025 P² + 0.001 N P, and up to 0.8 more or less."""
    rates = rates or [(n, p) for n in (0, 40, 80, 120) for p in (0, 30, 60, 90)]
    rng, lines = np.random.default_rng(3), [headers]
    for block in (1, 2, 3):
        for n, p in rates:
            mean = 40 + block + 0.4 * n - 0.002 * n**2 + 0.3 * p - 0.0025 * p**2 + 0.001 * n * p
            lines.append(f"{block},{n},{p},{mean + rng.uniform(-0.8, 0.8):.2f}")
    return "\n".join(lines) + "\n"


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "two.csv"
    path.write_text(sheet())
    return path


def test_two_crossed_rates_are_read_as_one_trial():
    strips = read_strips(StringIO(sheet()))
    assert strips.rate_columns == {"N": "rate_n_lb_ac", "P2O5": "rate_p2o5_lb_ac"}
    assert strips.rate_column == ""
    assert len(strips.table) == 48
    assert strips.table["treatment"].nunique() == 16
    assert strips.table.loc[1, "treatment"] == "N 0 + P2O5 30"
    assert any(
        "one trial of N and P2O5" in note and "16 combinations of 4 x 4 rates" in note
        for note in strips.notes
    )
    assert "16 combinations of rates of N and P2O5" in strips.summary()


def test_units_of_bare_headers_may_be_given_once():
    bare = sheet(headers="block,N,P,yield")
    with pytest.raises(InputError, match="not a known unit"):
        read_strips(StringIO(bare))
    strips = read_strips(StringIO(bare), units={"rate": "kg/ha", "yield": "t/ha"})
    assert list(strips.rate_columns.values()) == ["rate_n_kg_ha", "rate_p_kg_ha"]


@pytest.mark.parametrize(
    ("rates", "why"),
    [
        (
            [(0, 0), (40, 20), (80, 40), (120, 60)],
            "rise together as in a blend, 20 of P2O5 for every 40 of N",
        ),
        ([(0, 40), (40, 41), (80, 40), (120, 41)], "P2O5 is 40 to 41 on every strip"),
        ([(0, 0), (40, 0), (80, 0), (0, 30), (0, 60)], "were not combined"),
    ],
)
def test_rates_that_are_not_crossed_are_refused(rates, why):
    with pytest.raises(InputError, match=why) as told:
        read_strips(StringIO(sheet(rates)))
    assert '--column rate="N rate (lb/ac)" ' in str(told.value)
    assert 'with --column other="P2O5 rate (lb/ac)"' in str(told.value)


def test_a_rate_that_differs_by_block_alone_is_refused():
    lines = ["block,N rate (lb/ac),P2O5 rate (lb/ac),yield (bu/ac)"]
    lines += [f"{block},{n},{20 * block},{50 + n / 10}" for block in (1, 2, 3) for n in (0, 40, 80)]
    with pytest.raises(InputError, match="P2O5 differs only between blocks"):
        read_strips(StringIO("\n".join(lines)))


def test_a_constant_rate_beside_is_told():
    strips = read_strips(StringIO(sheet([(n, 30) for n in (0, 40, 80, 120)])))
    assert strips.rate_column == "rate_lb_ac"
    assert "'P2O5 rate (lb/ac)' is 30 on every strip: the answer applies at that rate" in strips.notes


def test_the_answer_finds_the_formula():
    """The slopes 0.4 - 0.004 N + 0.001 P and 0.3 - 0.005 P + 0.001 N are the ratio 0.02 at N 115, P 79."""
    answer = answer_surface(read_strips(StringIO(sheet())), **PRICES, surface=QUADRATIC.key)
    n, p = np.linalg.solve([[0.004, -0.001], [-0.001, 0.005]], [0.38, 0.28])
    rows = answer.analysis.intervals.set_index("nutrient")
    assert rows.loc["N", "rate"] == pytest.approx(n, abs=4)
    assert rows.loc["P2O5", "rate"] == pytest.approx(p, abs=4)
    assert rows.loc["N", "joint_low"] < n < rows.loc["N", "joint_high"]
    assert rows.loc["P2O5", "joint_low"] < p < rows.loc["P2O5", "joint_high"]
    gained = 0.4 * n - 0.002 * n**2 + 0.3 * p - 0.0025 * p**2 + 0.001 * n * p
    assert answer.analysis.net_gain.value == pytest.approx(5 * gained - 0.1 * (n + p), rel=0.05)


def test_from_file_to_page_workbook_and_table(file, tmp_path, capsys):
    out = {name: tmp_path / name for name in ("p.html", "b.xlsx", "t.csv", "r.csv")}
    main(["strips", str(file), "--nutrient-price", "N=0.1,P2O5=0.1", "--grain-price", "5", "--currency", "$",
          "--page", str(out["p.html"]), "--workbook", str(out["b.xlsx"]), "--table", str(out["t.csv"]),
          "--rates", str(out["r.csv"])])  # fmt: skip
    said = capsys.readouterr().out
    assert said.startswith("Best combination, ")
    page = out["p.html"].read_text()
    for part in ("Which combination paid best?", "data:image", "Cheapest combination for a yield",
                 "Combinations of equal yield", "Best combination at other prices"):  # fmt: skip
        assert part in page
    table = pd.read_csv(out["t.csv"])
    assert {"best rate of N", "joint region, P2O5", "net gain over the lowest rates"} <= set(table["item"])
    sheets = pd.read_excel(out["b.xlsx"], sheet_name=None, engine="openpyxl")
    coefs = next(frame for name, frame in sheets.items() if name.startswith("Coefficients"))
    assert pd.api.types.is_float_dtype(coefs["estimate"])
    rates = pd.read_csv(out["r.csv"])
    assert "P2O5" in set(rates["nutrient"])


def test_prices_by_name(file, capsys):
    assert main(["strips", str(file), "--nutrient-price", "0.1", "--grain-price", "5"]) != 0
    assert "give a price for each nutrient, or use --nutrient-price N=0.5,P2O5=0.6" in capsys.readouterr().err
    main(["strips", str(file), "--nutrient-price", "N=0.1,P2O5=0.1", "--grain-price", "5", "--within", "3"])
    assert "does not apply to the best combination of nutrients" in capsys.readouterr().err


def test_one_nutrient_may_be_priced_by_name(tmp_path, capsys):
    path = tmp_path / "one.csv"
    path.write_text(sheet([(n, 30) for n in (0, 40, 80, 120)]))
    main(["strips", str(path), "--nutrient-price", "N=0.1", "--grain-price", "5"])
    assert "Economic optimum rate" in capsys.readouterr().out
    main(["strips", str(path), "--nutrient-price", "K2O=0.1", "--grain-price", "5"])
    assert "the file has rates of N alone" in capsys.readouterr().err


def test_a_strip_in_doubt_comes_first():
    lines = sheet().splitlines()
    lines[20] = ",".join([*lines[20].split(",")[:3], "7.4"])
    answer = answer_surface(read_strips(StringIO("\n".join(lines))), **PRICES)
    assert str(answer.lines()[0]).startswith(
        "Check this first: block 2 at N 0 lb/ac and P2O5 90 lb/ac (7.4 where"
    )


def test_a_greatest_yield_at_the_highest_rate_is_said_as_a_bound():
    data = SimpleNamespace(nutrients=("N", "P2O5"), high=(200.0, 80.0), rate_units=("lb/ac", "lb/ac"))
    most = SimpleNamespace(rates=(150.0, 80.0), statuses=(Status.INTERIOR, Status.TOP))
    said = _most_text(SimpleNamespace(data=data, agronomic_optimum=most))
    assert said == "N 150 lb/ac and P2O5 at least 80 lb/ac"


def test_the_cheapest_way_is_rounded_once(file):
    """Table and sentence write the same number: what is rounded twice may differ in its last digit."""
    answer = answer_surface(read_strips(file), **PRICES)
    table = answer.tables["Cheapest combination for a yield"]
    for nutrient in ("N", "P2O5"):
        assert table[f"{nutrient} [lb/ac]"].tolist() == answer.analysis.path[nutrient].tolist()
