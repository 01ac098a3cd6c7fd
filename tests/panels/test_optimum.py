"""The optimum panel shows the library's optimum, and a price moves it without a new fit."""

import pytest

from fertkit.intake import read_strips
from fertkit.panels import optimum
from fertkit.panels.optimum import OptimumPanel
from fertkit.response import analyse_response


@pytest.fixture
def panel(demo):
    return OptimumPanel(demo("soybean_k_strips.csv"), crop="soybean")


@pytest.fixture(scope="module")
def table(demo):
    return read_strips(demo("soybean_k_strips.csv"), crop="soybean").table


@pytest.mark.parametrize(("nutrient", "grain"), [(0.45, 11.0), (0.9, 11.0), (0.45, 7.5)])
def test_shows_the_optimum_of_the_library(panel, table, nutrient, grain):
    panel.set(nutrient_price=nutrient, grain_price=grain)
    expected = analyse_response(table, nutrient_price=nutrient, grain_price=grain)
    assert panel.result.optimum.rate == pytest.approx(expected.optimum.rate)
    assert expected.optimum.text in panel.message()


def test_a_dearer_nutrient_never_raises_the_optimum(panel):
    rates = []
    for price in (0.2, 0.5, 1.0, 2.0):
        panel.controls["nutrient_price"].value = price
        rates.append(panel.result.optimum.rate)
    assert rates == sorted(rates, reverse=True)


def test_moving_a_price_never_fits_again(panel, monkeypatch):
    def refuse(*_, **__):
        raise AssertionError("fitted again")

    monkeypatch.setattr(optimum, "analyse_response", refuse)
    panel.controls["grain_price"].value = 8.0
    assert panel.error is None
    panel.controls["pass_cost"].value = 6.0
    assert panel.error is None
    panel.controls["level"].value = 0.8
    assert isinstance(panel.error, AssertionError)


def test_a_curve_can_be_asked_for(panel, table):
    panel.set(curve="quadratic_plateau")
    expected = analyse_response(table, nutrient_price=0.45, grain_price=11.0, curve="quadratic_plateau")
    assert panel.result.optimum.rate == pytest.approx(expected.optimum.rate)


def test_labels_carry_the_units_of_the_file(panel, handed_over):
    assert panel.controls["nutrient_price"].description.startswith("Price per lb of K2O")
    metric = "N rate (kg/ha),Yield (t/ha)\n" + "\n".join(f"{r},{y}" for r, y in METRIC)
    panel.upload.value = handed_over("metric.csv", metric.encode())
    assert panel.controls["nutrient_price"].description.startswith("Price per kg of N")
    assert panel.controls["grain_price"].description.startswith("Price per t of")
    assert panel.controls["grain_price"].max > 500


METRIC = [(r, 5 + 0.03 * min(r, 120) + e) for e in (0.1, -0.1, 0.05) for r in (0, 50, 100, 150, 200)]


def test_no_response_is_said_not_guessed(demo):
    panel = OptimumPanel(demo("workshop_strips.csv"), crop="corn", trial="Bramble Rise S", grain_price=4.5)
    assert "no economic response" in panel.message()


def test_a_price_of_nothing_is_not_taken(panel):
    panel.controls["grain_price"].value = 0.0
    assert panel.controls["grain_price"].value == panel.controls["grain_price"].min > 0
    assert panel.error is None
