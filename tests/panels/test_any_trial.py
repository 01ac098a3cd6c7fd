"""The panel for trials of any shape: it asks what the command asks, offers what a file makes possible."""

import io
import zipfile

import pandas as pd
import pytest

from fertkit.panels.any_trial import AnyTrialPanel
from fertkit.report.asking import kind_of_file, read_trial_files

CODE = ("--", "Python", "={", "='", "=)")
MONEY = {"nutrient_price": 0.45, "grain_price": 4.5}
SITES = {"known": "Soil nitrate (lb/ac)", "new_site": "Soil nitrate (lb/ac)=40"}


@pytest.fixture(scope="module")
def examples(demo):
    log = {"log": demo("combine_log.csv"), "zones": "Soil"}
    return {
        "groups": (demo("tillage_n_strips.csv"), {"crop": "corn", "by": "Tillage", **MONEY}),
        "nutrients": (demo("np_strips.csv"), {"crop": "corn", "second_price": 0.6, **MONEY}),
        "means": (demo("product_strips.csv"), {"crop": "soybean", "costs": "foliar boron=0.5x12"}),
        "rate": (demo("applied_map.csv"), {**log, "crop": "corn", **MONEY}),
        "network": (demo("network_strips.csv"), {"crop": "corn", "way": "network", **SITES, **MONEY}),
    }


@pytest.fixture(scope="module")
def made():
    """Panels by their example, and the settings each began with."""
    return {}


@pytest.fixture
def showing(made, examples, undrawn):
    def show(name):
        if name in made:
            panel, settings = made[name]
            panel.set(**settings)
        else:
            panel = AnyTrialPanel(examples={name: examples[name]})
            made[name] = panel, vars(panel.settings)
        assert panel.error is None, panel.error
        return panel

    return show


@pytest.fixture
def fresh(demo, undrawn):
    """A panel for files that are handed over."""
    return AnyTrialPanel(demo("product_strips.csv"), crop="soybean", costs="foliar boron=0.5x12")


def visible(panel):
    """The controls that a user sees, those folded away included."""
    fields = panel.fields | {name: panel.controls[name] for name in panel.folded}
    return {name for name, field in fields.items() if field.layout.display != "none"}


SHOWN = {
    "groups": ({"by", "nutrient_price", "against"}, {"robust", "design", "second_price", "zones", "known"}),
    "nutrients": ({"nutrient_price", "second_price", "surface"}, {"third_price", "against", "free"}),
    "means": ({"grain_price", "design", "check", "costs", "no_worse_than"}, {"nutrient_price", "against"}),
    "rate": ({"zones", "delay", "against", "robust"}, {"by", "trial", "design", "known"}),
    "network": ({"known", "new_site", "against", "robust"}, {"trial", "design", "swing"}),
}


@pytest.mark.parametrize("name", SHOWN)
def test_only_what_the_question_takes_is_asked(showing, name):
    panel = showing(name)
    there, hidden = SHOWN[name]
    assert panel.settings.way == name
    assert there <= visible(panel)
    assert not hidden & visible(panel)


def test_the_answer_is_that_of_the_command(showing, demo):
    panel = showing("groups")
    files = read_trial_files(demo("tillage_n_strips.csv"), crop="corn", columns={"factor": ["Tillage"]})
    pd.testing.assert_frame_equal(panel.result.table, files.answer("groups", **MONEY).table)
    before = panel.result
    panel.set(nutrient_price=0.9, against="100; 150")
    assert panel.result.against == (100, 150)
    panel.set(nutrient_price=0.6)
    assert (panel.result.groups.groups["rate"] < before.groups.groups["rate"]).all()
    panel.set(way="means")
    assert "split plot" in panel._banner.value  # how the factors lay has to be said
    panel.set(design="split-plot")
    assert panel.result.analysis.whole == "tillage"


def test_a_price_fits_nothing_again(showing):
    panel = showing("groups")
    models = panel.result.groups.models
    panel.controls["nutrient_price"].value = 0.9
    assert panel.result.groups.models is models


def test_a_line_of_text_begins_empty(showing):
    controls = showing("rate").controls
    assert [name for name in ("costs", "new_site", "against") if controls[name].value] == []


def test_costs_are_read_as_the_command_reads_them(showing):
    panel = showing("means")
    panel.set(grain_price=11.0)
    assert panel.result.worth.table.set_index("treatment")["cost"]["foliar boron"] == pytest.approx(6.0)


WRONG = {
    "a price that is not there": ("nutrients", {"second_price": 0.0}, "price per lb of P2O5"),
    "a rate that is none": ("groups", {"against": "usual"}, "'usual' is not a number"),
    "a rate that was not tested": ("groups", {"against": "900"}, "outside the tested rates"),
    "a column that is not there": ("network", {"known": "pH"}, "There is no column 'pH'"),
    "a cost that is none": ("means", {"costs": "foliar boron=dear", "grain_price": 11.0}, "'dear'"),
    "a header without unit": ("rate", {"header_width": "30"}, "write 30 with its unit"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_what_is_wrong_is_said_without_code(showing, wrong):
    name, settings, why = WRONG[wrong]
    panel = showing(name)
    panel.set(**settings)
    assert panel.error is not None
    assert why in panel._banner.value.replace("&#x27;", "'")
    assert not any(code in panel._banner.value for code in CODE[:2])


KINDS = {
    "combine_log.csv": "log",
    "applied_map.csv": "map",
    "np_strips.csv": "strips",
    "fields.csv": "strips",
}


@pytest.mark.parametrize("name", KINDS)
def test_a_file_tells_what_it_is(demo, name):
    assert kind_of_file(demo(name)) == KINDS[name]


def test_polygons_are_a_map_or_zones(tmp_path):
    ring = "[[[0,0],[0,1],[1,1],[0,0]]]"
    for kind, properties in (("map", '{"N rate (lb/ac)": 50}'), ("zones", '{"zone": "sandy"}')):
        path = tmp_path / f"{kind}.geojson"
        path.write_text(
            '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": '
            f'{properties}, "geometry": {{"type": "Polygon", "coordinates": {ring}}}}}]}}'
        )
        assert kind_of_file(path) == kind


def test_a_log_waits_for_its_map(fresh, demo):
    panel = fresh
    panel.take_file("combine_log.csv", demo("combine_log.csv").read_bytes())
    assert "combine_log.csv is kept; open the map of what was applied too" in panel._banner.value
    panel.take_file("applied_map.csv", demo("applied_map.csv").read_bytes())
    assert "one more choice" in panel._banner.value  # a log does not tell its crop
    panel.set(crop="corn", zones="Soil")
    panel.set(**MONEY)
    assert panel.error is None, panel.error
    assert "applied_map.csv with combine_log.csv" in panel._file_line.value
    assert panel.result.groups.groups["group"].tolist() == ["loam", "sandy"]


def test_a_log_and_its_map_are_handed_over_together(fresh, demo, handed_over):
    both = [handed_over(name, demo(name).read_bytes()) for name in ("applied_map.csv", "combine_log.csv")]
    fresh.upload.value = sum(both, ())
    assert "applied_map.csv cannot be read without one more choice" in fresh._banner.value


def test_a_file_with_a_second_factor_asks_for_it(fresh, demo):
    panel = fresh
    panel.take_file("tillage.csv", demo("tillage_n_strips.csv").read_bytes())
    assert "Second factor" in str(panel.error)
    assert "'Tillage'" in str(panel.error)
    panel.set(by="Tillage")
    assert "enter the price per lb of N and the price per bu of crop" in panel._banner.value
    panel.set(**MONEY)
    assert panel.error is None, panel.error
    assert panel.settings.way == "groups"


def test_a_file_that_waits_leaves_nothing_of_the_file_before(fresh, demo):
    panel = fresh
    panel.rest = 0
    place = panel.below(lambda answer: answer.title)
    assert "product_strips" in place.value
    panel.take_file("tillage.csv", demo("tillage_n_strips.csv").read_bytes())
    assert "rows of one rate differ in" in place.value
    panel.take_file("other.csv", b"Rep,N lb/ac,Yield\n1,0,100\n1,50,120\n")
    assert "other.csv is not read yet" in panel._file_line.value


def test_the_files_of_a_paper_ask_again(fresh, monkeypatch, tmp_path, capsys):
    monkeypatch.setattr("fertkit.plots.style.journal_figure", lambda *_: {})
    panel = fresh
    panel.prepare_paper()
    assert 'download="paper.zip"' in panel._paper.value
    with zipfile.ZipFile(io.BytesIO(panel.paper())) as packed:
        names = set(packed.namelist())
        packed.extractall(tmp_path)
    assert {"methods.txt", "tables.xlsx", "paper.html", "reproduce.py", "product_strips.csv"} <= names
    script = tmp_path / "reproduce.py"
    exec(compile(script.read_text(), script, "exec"), {"__file__": str(script)})
    assert "All match the report." in capsys.readouterr().out
    panel.set(no_worse_than="2")
    assert panel._paper.value == ""
