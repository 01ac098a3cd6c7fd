"""A narrow page says how much room it has; figures are drawn for it, and below the panel too."""

import re

import pytest

from fertkit.panels import OptimumPanel

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
