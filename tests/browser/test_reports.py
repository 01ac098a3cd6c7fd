"""Pages that the commands write keep nobody out, as axe-core judges them in the system's Chromium."""

import pytest

from fertkit.cli import main

pytestmark = pytest.mark.browser

PRICES = ["--nutrient-price", "0.45", "--grain-price", "11"]


@pytest.fixture(scope="module")
def written(demo, tmp_path_factory):
    """Pages of a field, a trial, a farm and a season, by name."""
    place = tmp_path_factory.mktemp("reports")
    strips, leaf = str(demo("soybean_k_strips.csv")), str(demo("leaf_tests.csv"))
    plan = [str(demo("plan_fields.csv")), "--soil", str(demo("plan_soil.csv")), "--policy", "N=165"]
    asked = {
        "field": ["field", "--crop", "soybean", "--goal", "60", "--leaf", leaf, "--strips", strips, *PRICES],
        "trial": ["strips", strips, "--crop", "soybean", *PRICES],
        "farm": ["farm", str(demo("fields.csv"))],
        "plan": ["plan", *plan],
    }
    for name, words in asked.items():
        assert main([*words, "--page", str(place / f"{name}.html")]) == 0
    return lambda name: (place / f"{name}.html").as_uri()


@pytest.mark.parametrize("name", ["field", "trial", "farm", "plan"])
def test_a_report_keeps_nobody_out(written, barriers, chromium, name):
    context = chromium.new_context()
    page = context.new_page()
    page.goto(written(name))
    assert not barriers(page)
    assert page.locator("img:not([alt])").count() == 0
    context.close()
