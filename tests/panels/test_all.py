"""What holds for all panels: they start, are labelled and bounded, and their code gives their result."""

import re

import ipywidgets as widgets
import pandas as pd
import pytest

from fertkit.panels.any_trial import AnyTrialPanel
from fertkit.panels.base import VIEWS
from fertkit.panels.history import BalancePanel, HistoryPanel
from fertkit.panels.leaf import LeafPanel
from fertkit.panels.needs import FarmPanel, NeedsPanel, SupplyPanel
from fertkit.panels.plan import PlanPanel
from fertkit.panels.season import SeasonPanel
from fertkit.panels.trials import OptimumPanel, StripsPanel

NORMS = {"method": "dris", "yield_column": "Yield (bu/ac)", "cutoff": 200.0}
CORN_N = {"nutrient_price": 0.45, "grain_price": 4.5}
MAKE = {
    "leaf": lambda demo: LeafPanel(demo("leaf_tests.csv"), sample="Heron Quarter poor"),
    "history": lambda demo: HistoryPanel(demo("leaf_history"), same="Heron Qtr=Heron Quarter"),
    "balance": lambda demo: BalancePanel(demo("leaf_yields.csv"), **NORMS),
    "ratios": lambda demo: BalancePanel(demo("leaf_tests.csv")),
    "needs": lambda demo: NeedsPanel(crop="corn", yield_goal=210),
    "season": lambda demo: NeedsPanel(question="season"),
    "supply": lambda demo: SupplyPanel(crop="corn", yield_goal=210),
    "fields": lambda demo: FarmPanel(demo("fields.csv")),
    "strips": lambda demo: StripsPanel(demo("soybean_k_strips.csv"), crop="soybean"),
    "optimum": lambda demo: OptimumPanel(demo("corn_n_strips.csv"), crop="corn", **CORN_N),
    "any trial": lambda demo: AnyTrialPanel(demo("product_strips.csv"), crop="soybean", grain_price=11.0),
    "plan": lambda demo: PlanPanel(),
    "farm": lambda demo: SeasonPanel(
        demo("plan_fields.csv"),
        soil=demo("plan_soil.csv"),
        shed=demo("plan_shed.csv"),
        passes=demo("plan_passes.csv"),
    ),
}


@pytest.fixture(scope="module", params=MAKE)
def panel(request, demo):
    """One panel of each kind for all tests of this file: they look, and what they change they change back."""
    made = MAKE[request.param](demo)
    assert made.error is None
    return made


def controls_of(widget):
    """Every control inside a widget."""
    for child in getattr(widget, "children", ()):
        yield from controls_of(child)
    if not isinstance(widget, (widgets.Box, widgets.HTML)):
        yield widget


def test_shows_an_answer_with_its_cautions(panel):
    assert panel.message()
    assert "<svg" in panel._sheet.svg().decode()
    assert any("local" in caution or "another" in caution for caution in panel.cautions())


def test_no_letter_of_a_figure_is_smaller_than_twelve_pixels(panel):
    """The picture may be no narrower than its smallest letters allow; the page scrolls it sideways then."""
    picture = panel._figure.value
    least = int(re.search(r"min-width: (\d+)px", picture)[1])
    svg = panel._sheet.quick().decode()
    width = float(re.search(r'viewBox="0 0 ([\d.]+)', svg)[1])
    sizes = [float(size) for size in re.findall(r"font(?:-size)?: ?(?:\w+ )?([\d.]+)px", svg)]
    assert len(sizes) > 5
    assert min(sizes) * least / width >= 12 - 1e-9
    assert min(sizes) >= 9


def test_the_code_gives_the_same_table_without_the_panel(panel, capsys):
    names = {}
    exec(panel.code(), names)
    pd.testing.assert_frame_equal(names["result"].table, panel.result.table)
    explained = isinstance(panel, LeafPanel)  # whose scores are explained in words
    said = panel.words() if explained else panel.result.lines()
    assert capsys.readouterr().out.strip() == "\n".join(map(str, said)).strip()


def test_every_control_is_labelled_and_bounded(panel):
    for control in controls_of(panel.view):
        if isinstance(control, widgets.FloatSlider):
            continue  # named from its number box in the page
        assert control.description
        if hasattr(control, "max"):
            assert f"from {control.min:g} to " in control.tooltip


@pytest.mark.parametrize("look", VIEWS)
def test_every_closer_look_has_content(panel, look):
    panel._look.value = look
    assert panel.error is None
    assert len(panel._detail.value) > 30
    panel._look.value = VIEWS[0]


@pytest.fixture
def unseen(panel, undrawn, monkeypatch):
    """The panel, which draws nothing meanwhile and then shows what it showed before."""
    figure, picture = panel._sheet, panel._figure.value
    monkeypatch.setattr(panel, "draw", lambda: None)
    yield
    panel._sheet, panel._figure.value = figure, picture


@pytest.mark.usefixtures("unseen")
def test_settings_come_back_through_json(panel):
    kept = panel.settings_json()
    panel.load_settings(kept)
    assert panel.settings_json() == kept


@pytest.mark.usefixtures("unseen")
def test_start_over_ends_where_it_began(panel):
    before = panel.message(), panel.settings
    panel.start_over()
    assert (panel.message(), panel.settings) == before
