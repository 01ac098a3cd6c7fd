"""A narrow page says how much room it has; figures are drawn for it, and below the panel too."""

import re
from base64 import b64decode

import pytest

from fertkit.panels import OptimumPanel, show
from fertkit.plots.palette import SMALL

PIXELS = 360


@pytest.fixture
def panel(demo):
    return OptimumPanel(demo("corn_n_strips.csv"), crop="corn", nutrient_price=0.45, grain_price=4.5)


def least(html) -> int:
    return int(re.search(r"min-width: (\d+)px", html)[1])


def test_a_figure_fits_the_page(panel):
    below = panel.below(lambda trial: trial.comparison.plot())
    assert least(panel._figure.value) > PIXELS
    panel._fit(PIXELS)
    assert least(panel._figure.value) <= PIXELS
    assert least(below.value) <= PIXELS
    panel.controls["nutrient_price"].value = 0.9
    assert least(panel._figure.value) <= PIXELS
    panel._fit(10_000)
    assert least(panel._figure.value) > PIXELS


def test_a_figure_of_no_panel_has_a_form_for_telephones(panel):
    """Its letters have 11 px or more where 300 px are left of 360: a figure of 3.2 in drawn 300 px wide."""
    shown = show.pieces(panel.result.comparison.plot(), still=True)
    small = re.search(r'<source media="[^"]*600px[^"]*" srcset="data:image/svg\+xml;base64,([^"]*)"', shown)[
        1
    ]
    width = float(re.search(r'viewBox="0 0 ([\d.]+)', b64decode(small).decode())[1])
    assert width == pytest.approx(3.2 * 72)
    assert SMALL * 300 / width >= 11
