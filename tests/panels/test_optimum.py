"""The optimum panel shows the library's optimum, and a price moves it without a new fit."""

import re
from io import BytesIO
from xml.etree import ElementTree

import pytest
from matplotlib import rc_context

from fertkit.intake import read_strips
from fertkit.panels import trials
from fertkit.panels.trials import OptimumPanel
from fertkit.response import Prices, analyse_response
from fertkit.results import plain
from fertkit.say.response import optimum_text


@pytest.fixture
def drawn(demo):
    return OptimumPanel(demo("soybean_k_strips.csv"), crop="soybean", nutrient_price=0.45, grain_price=11.0)


@pytest.fixture
def panel(undrawn, drawn):
    """The panel for tests of its words and numbers."""
    return drawn


@pytest.fixture(scope="module")
def table(demo):
    return read_strips(demo("soybean_k_strips.csv"), crop="soybean").table


@pytest.mark.parametrize(("nutrient", "grain"), [(0.45, 11.0), (0.9, 11.0), (0.45, 7.5)])
def test_shows_the_optimum_of_the_library(panel, table, nutrient, grain):
    panel.set(nutrient_price=nutrient, grain_price=grain)
    expected = analyse_response(table, nutrient_price=nutrient, grain_price=grain)
    assert panel.result.optimum.rate == pytest.approx(expected.optimum.rate)
    assert optimum_text(expected.optimum) in panel.message()


def test_a_dearer_nutrient_never_raises_the_optimum(panel):
    rates = []
    for price in (0.2, 0.5, 1.0, 2.0):
        panel.controls["nutrient_price"].value = price
        rates.append(panel.result.optimum.rate)
    assert rates == sorted(rates, reverse=True)


def test_moving_a_price_never_fits_again(panel, monkeypatch):
    def refuse(*_, **__):
        raise AssertionError("fitted again")

    monkeypatch.setattr(trials, "analyse_response", refuse)
    panel.controls["grain_price"].value = 8.0
    assert panel.error is None
    panel.controls["pass_cost"].value = 6.0
    assert panel.error is None
    panel.controls["level"].value = 0.8
    assert isinstance(panel.error, AssertionError)


DRAWN = ("g", "path", "use", "text", "image")


def strokes(svg):
    """What an SVG draws, in its order; in place of the names of marks and clips what they are."""
    root = ElementTree.fromstring(svg)
    named = {one.get("id"): one for one in root.iter() if "id" in one.attrib}
    aside = {one for held in root.iter() if held.tag.endswith("}defs") for one in held.iter()}

    def look(one):
        own = {
            key: re.sub(r"(?:^|(?<=\())#(\w+)", lambda name: look(named[name[1]]), value)
            for key, value in sorted(one.attrib.items())
            if key != "id"
        }
        inside = map(look, one) if one.tag.endswith("}clipPath") else ()
        return f"{one.tag} {own} {(one.text or '').strip()} {''.join(inside)}"

    drawn = [one for one in root.iter() if one not in aside and one.tag.split("}")[1] in DRAWN]
    return [look(one) for one in drawn if one.attrib.keys() - {"id"}]


def drawn_as_a_whole(sheet):
    with rc_context({"svg.fonttype": "none"}):
        return sheet.svg()


def test_a_figure_written_again_in_parts_shows_what_one_drawn_as_a_whole_does(drawn):
    """Prices near and far: limits stay, limits move, the optimum leaves the tested rates."""
    for price in (0.46, 0.47, 1.5, 3.0, 20.0, 0.45):
        drawn.set(nutrient_price=price)
        drawn.controls["grain_price"].value += 0.05
        shown = strokes(drawn._sheet.quick())
        assert len(shown) > 100
        assert shown == strokes(drawn_as_a_whole(drawn._sheet))


def test_a_usual_rate_is_held_against_the_optimum_and_follows_the_price(panel, table, monkeypatch):
    panel.set(usual_rate=60.0)
    monkeypatch.setattr(trials, "analyse_response", None)  # nothing is fitted again
    panel.controls["grain_price"].value = 8.0
    row = analyse_response(table, nutrient_price=0.45, grain_price=8.0).worth(60.0)
    row = row.of(row.chosen, 60.0)
    line = panel.message().splitlines()[-1]
    assert line.startswith("Against 60 lb/ac, the usual rate: ")
    assert f"yields {plain(row['gain'])} bu/ac more" in line
    panel.set(usual_rate=500.0)
    assert "outside the tested rates, 0 to 200 lb/ac" in str(panel.error)


def test_far_strips_and_uneven_errors_can_be_asked_for(drawn):
    drawn.set(robust=True, uneven=True)
    assert drawn.result.treated.ratio is not None
    assert "robust=True, uneven=True" in drawn.code()


def test_a_curve_can_be_asked_for(drawn, table):
    drawn.set(curve="quadratic_plateau")
    expected = analyse_response(table, nutrient_price=0.45, grain_price=11.0, curve="quadratic_plateau")
    assert drawn.result.optimum.rate == pytest.approx(expected.optimum.rate)


def test_labels_carry_the_units_of_the_file(panel, handed_over):
    assert panel.controls["nutrient_price"].description.startswith("Price per lb of K2O")
    panel.upload.value = handed_over("metric.csv", METRIC_FILE)
    assert panel.controls["nutrient_price"].description.startswith("Price per kg of N")
    assert panel.controls["grain_price"].description.startswith("Price per t of")
    assert panel.controls["grain_price"].max > 500


METRIC = [(r, 5 + 0.03 * min(r, 120) + e) for e in (0.1, -0.1, 0.05) for r in (0, 50, 100, 150, 200)]
METRIC_FILE = ("N rate (kg/ha),Yield (t/ha)\n" + "\n".join(f"{r},{y}" for r, y in METRIC)).encode()


def test_no_response_is_said_not_guessed(demo):
    panel = OptimumPanel(
        demo("workshop_strips.csv"), crop="corn", trial="Bramble Rise S", nutrient_price=0.5, grain_price=4.5
    )
    assert "no economic response" in panel.message()


def test_a_price_of_nothing_is_asked_for(panel):
    panel.controls["grain_price"].value = 0.0
    assert "enter the price per bu of soybean" in panel._banner.value
    assert panel.result is None
    panel.controls["grain_price"].value = 11.0
    assert panel.error is None


def test_prices_of_other_units_never_meet_a_file(panel, handed_over):
    panel.controls["pass_cost"].value = 8.0
    panel.upload.value = handed_over("metric.csv", METRIC_FILE)
    assert "enter the price per kg of N and the price per t of crop" in panel._banner.value
    assert panel.result is None
    assert "No result" in panel._figure.value
    assert [panel.controls[key].value for key in ("nutrient_price", "grain_price", "pass_cost")] == [0, 0, 0]
    panel.controls["nutrient_price"].value = 1.1
    assert panel.result is None
    panel.controls["grain_price"].value = 190.0
    assert panel.error is None
    trial = read_strips(BytesIO(METRIC_FILE), name="metric.csv").table
    expected = analyse_response(trial, nutrient_price=1.1, grain_price=190.0)
    assert optimum_text(expected.optimum) in panel.message()


def test_a_price_of_another_crop_is_not_carried_over(panel, handed_over, demo):
    panel.upload.value = handed_over("corn.csv", demo("corn_n_strips.csv").read_bytes())
    panel.controls["crop"].value = "corn"
    assert "enter the price per lb of N and the price per bu of corn" in panel._banner.value


def test_prices_with_units_are_used_for_such_files_alone(demo, tmp_path):
    prices = Prices(0.45, 11.0, "lb", "bu", pass_cost=3.0)
    panel = OptimumPanel(demo("soybean_k_strips.csv"), crop="soybean", prices=prices)
    assert (panel.settings.nutrient_price, panel.settings.grain_price, panel.settings.pass_cost) == (
        0.45, 11.0, 3.0,
    )  # fmt: skip
    path = tmp_path / "metric.csv"
    path.write_bytes(METRIC_FILE)
    panel = OptimumPanel(path, prices=prices)
    assert "enter the price per kg of N" in panel._banner.value
    assert panel.result is None


def test_any_currency_can_be_typed(panel):
    panel.set(nutrient_price=45_000.0, grain_price=250_000.0)
    assert panel.error is None
    panel.controls["grain_price"].value = -1.0
    assert "takes a number from 0 to 1,000,000, not -1. Type another" in panel._banner.value
    assert panel.result is None


def test_the_placeholder_note_goes_when_prices_are_typed(panel):
    assert "placeholders" in " ".join(panel.cautions())
    panel.controls["nutrient_price"].value = 0.5
    assert "placeholders" not in " ".join(panel.cautions())


def test_the_gain_is_told_in_money_too(panel):
    net = panel.result.net_return()
    told = re.search(r"Net gain: ([\d.]+) per acre \(95% interval", panel.message())
    assert plain(float(told[1])) == plain(net.gain)
    in_yield = panel.result.gain.iloc[-1]["value"]
    assert net.gain == pytest.approx(11.0 * in_yield)  # money is yield at its price
