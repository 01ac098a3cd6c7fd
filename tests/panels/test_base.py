"""What every panel can do, shown on a panel of a few lines: a straight line through a file of two columns."""

import asyncio
import json
import re
from dataclasses import dataclass
from types import SimpleNamespace

import pandas as pd
import pytest

from fertkit.errors import InputError, Problem
from fertkit.panels import base, controls, show, uploads
from fertkit.panels.base import Panel
from fertkit.plots.style import new_axes
from fertkit.results import Result, checks_frame
from fertkit.say.line import lead


@dataclass(frozen=True)
class Line(Result):
    x: pd.Series
    slope: float

    @property
    def table(self):
        return pd.DataFrame({"x": self.x, "y": self.x * self.slope})

    def lines(self):
        return [lead(f"the line rises by {self.slope:g}.")]

    checks = checks_frame([])
    sources = pd.DataFrame()


class LinePanel(Panel):
    title, about, file_words = "Line <b>", "A line.", "Open numbers"
    sliders, caution = ("slope",), "Only a line."

    def ask(self):
        return {
            "slope": controls.number("Slope [y per x]", 2.0, 0, 10, step=0.5),
            "name": controls.choice("Name", ["a", "b", "boom"]),
        }

    def read(self, source, name):
        frame = pd.read_csv(source)
        if "x" not in frame:
            raise InputError(name or "file", [Problem("no column x <i>", "add it"), Problem("and", "so on")])
        return frame

    def compute(self, settings):
        if settings.name == "boom":
            raise ZeroDivisionError("kaboom")
        return Line(self.data["x"], settings.slope)

    def draw(self):
        ax = new_axes()
        ax.plot(self.data["x"], self.result.table["y"])
        return ax

    def move(self, ax):
        ax.lines[0].set_ydata(self.result.table["y"])

    def code(self):
        return f"Line(x, {self.settings.slope})"


def set_to(slope=2.0, name="a"):
    """Settings of the panel."""
    return SimpleNamespace(slope=slope, name=name)


@pytest.fixture
def panel(tmp_path):
    path = tmp_path / "one.csv"
    path.write_text("x\n1\n2\n")
    return LinePanel(path)


def test_shows_the_message_the_figure_and_the_cautions(panel):
    assert "rises by 2" in panel._message.value
    assert 'alt="The line rises by 2."' in panel._figure.value
    assert "Only a line" in panel._cautions.value
    assert panel.error is None


@pytest.mark.usefixtures("undrawn")
def test_a_finished_change_is_worked_out(panel):
    panel.controls["slope"].value = 3.0
    assert panel.settings == set_to(slope=3.0)
    assert "rises by 3" in panel._message.value


def test_slider_and_box_move_together(panel):
    box, slider = panel.view.children[1].children[0].children[2].children
    slider.value = 3.5
    assert box.value == 3.5
    assert panel.result.slope == 3.5
    box.value = 1.0
    assert slider.value == 1.0


def test_a_value_beyond_the_slider_is_kept(panel):
    box, slider = panel.view.children[1].children[0].children[2].children
    box.value = 9.0
    assert (box.value, slider.value) == (9.0, slider.max)
    assert panel.result.slope == 9.0
    slider.value = 2.0
    assert box.value == 2.0


@pytest.mark.usefixtures("undrawn")
def test_several_settings_are_worked_out_once(panel, monkeypatch):
    counted = []
    monkeypatch.setattr(panel, "_show", lambda **_: counted.append(1))
    panel.set(slope=5.0, name="b")
    assert counted == [1]


def test_nothing_waits_for_each_keystroke(panel):
    assert not panel.controls["slope"].continuous_update
    assert not panel.view.children[1].children[0].children[2].children[1].continuous_update


def test_the_help_of_a_number_box_names_both_its_bounds(panel):
    box = panel.controls["slope"]
    assert (box.min, box.max) == (0, 10)
    assert (box.description, box.tooltip) == ("Slope [y per x]", "from 0 to 10")


def test_an_error_is_one_plain_sentence_and_takes_the_answer_away(panel):
    panel.controls["name"].value = "boom"
    assert isinstance(panel.error, ZeroDivisionError)
    assert "ZeroDivisionError: kaboom" in panel._banner.value
    assert "Traceback" not in panel._banner.value
    assert panel.result is None
    assert "No result" in panel._figure.value
    panel.controls["name"].value = "a"
    assert panel._banner.value == ""
    assert panel.result is not None


def test_errors_can_be_had_raw(panel):
    panel.raise_errors = True
    with pytest.raises(ZeroDivisionError):
        panel.set(name="boom")


@pytest.mark.usefixtures("undrawn")
def test_an_uploaded_file_is_read_and_its_bytes_dropped(panel, handed_over):
    panel.upload.value = handed_over("two.csv", b"x\n7\n")
    assert panel.result.table["x"].tolist() == [7]
    assert "two.csv" in panel._file_line.value
    assert panel.upload.value == ()


def test_a_broken_file_names_all_its_problems_and_changes_nothing(panel, handed_over):
    panel.upload.value = handed_over("bad.csv", b"y\n7\n")
    assert "bad.csv cannot be used: 2 problems to fix" in panel._banner.value
    assert "No column x &lt;i&gt;; add it" in panel._banner.value
    assert panel.result.table["x"].tolist() == [1, 2]
    assert "one.csv" in panel._file_line.value
    # what still stands on the page is dimmed and told to be of the file before, until it is used again
    assert "Figures shown are from the previous file, one.csv." in panel._banner.value
    pieces = (panel._message, panel._figure, panel._cautions, panel._detail, panel._links)
    assert all("fertkit-old" in piece._dom_classes for piece in pieces)
    assert ".fertkit-old {" in show.style()
    panel.upload.value = handed_over("two.csv", b"x\n7\n")
    assert not any("fertkit-old" in piece._dom_classes for piece in pieces)
    assert panel._banner.value == ""


def test_too_large_a_file_is_refused_unread(panel, handed_over, monkeypatch):
    monkeypatch.setattr(uploads, "LARGEST_FILE", 10)
    panel.upload.value = handed_over("large.csv", b"x\n" + b"1\n" * 20)
    assert "large.csv is larger than" in panel._banner.value
    assert "Figures shown are from the previous file, one.csv." in panel._banner.value
    assert len(panel.data) == 2


def test_a_broken_first_file_is_said_and_another_can_be_uploaded(tmp_path, handed_over):
    path = tmp_path / "bad.csv"
    path.write_text("y\n1\n")
    panel = LinePanel(path)
    assert "2 problems to fix" in panel._banner.value
    panel.upload.value = handed_over("good.csv", b"x\n3\n")
    assert panel.error is None
    assert panel.result.table["x"].tolist() == [3]


@pytest.mark.usefixtures("undrawn")
def test_settings_go_out_and_come_back(panel, handed_over):
    panel.set(slope=6.5, name="b")
    kept = panel.settings_json()
    panel.start_over()
    assert panel.settings == set_to()
    panel.settings_upload.value = handed_over("kept.json", kept.encode())
    assert panel.settings == set_to(6.5, "b")
    assert json.loads(kept)["file"] == "one.csv"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("no json", "not a settings file"),
        ("[1]", "not a settings file"),
        ('{"panel": "OtherPanel", "settings": {}}', "another panel"),
        ('{"panel": "LinePanel", "settings": {"slope": 99}}', "outside 0 to 10"),
        ('{"panel": "LinePanel", "settings": {"slope": NaN}}', "outside 0 to 10"),
        ('{"panel": "LinePanel", "settings": {"slope": "4"}}', "not a number"),
        ('{"panel": "LinePanel", "settings": {"slope": true}}', "not a number"),
        ('{"panel": "LinePanel", "settings": {"name": "z", "tilt": 1}}', "not one of: a, b, boom"),
        ('{"panel": "LinePanel", "settings": {"tilt": 1, "slope": 4}}', "unknown setting 'tilt'"),
    ],
)
@pytest.mark.usefixtures("undrawn")
def test_wrong_settings_change_nothing(panel, handed_over, text, says):
    panel.settings_upload.value = handed_over("kept.json", text.encode())
    assert says in show_text(panel._banner.value)
    assert panel.settings == set_to()
    assert panel.controls["slope"].value == 2.0
    assert panel.result is not None


def show_text(html):
    from html import unescape

    return unescape(html)


@pytest.mark.usefixtures("undrawn")
def test_start_over_goes_back_to_first_file_and_settings(tmp_path, handed_over):
    path = tmp_path / "one.csv"
    path.write_text("x\n1\n")
    panel = LinePanel(path, slope=3.0)
    panel.upload.value = handed_over("two.csv", b"x\n7\n")
    panel.set(slope=1.0, name="b")
    panel.again.click()
    assert panel.settings == set_to(slope=3.0)
    assert panel.result.table["x"].tolist() == [1]


@pytest.mark.usefixtures("undrawn")
def test_a_saved_table_is_the_table_of_the_result(panel):
    from base64 import b64decode
    from re import search

    panel._look.value = "Keep"
    found = search(r'download="line.csv" href="data:text/csv;base64,([^"]+)"', panel._links.value)
    assert b64decode(found[1]).decode() == panel.result.table.to_csv(index=False)


@pytest.mark.parametrize("look", base.VIEWS)
def test_each_closer_look_shows_something(panel, look):
    panel._look.value = look
    assert panel._detail.value
    assert (panel._keep.layout.display != "none") == (look == "Keep")


def test_text_of_a_user_is_escaped(panel, handed_over):
    panel.upload.value = handed_over('<img src=x onerror="x">.csv', b"x\n1\n")
    assert "<img" not in panel._file_line.value
    assert "<b>" not in panel.view.children[0].value.split("</style>")[1]


def test_figures_leave_nothing_open(panel):
    from matplotlib import pyplot

    panel.set(slope=5.0)
    assert not pyplot.get_fignums()


def rising(high):
    """A line to a height, with a legend where there is room."""
    ax = new_axes()
    ax.plot([0, 1], [0, high], label="rise")
    ax.legend(loc="best")
    return ax


def test_limits_stay_where_they_serve_and_give_way_where_not():
    ax = rising(10)
    sheet = show.Sheet(ax)
    limits = ax.get_ylim()

    def to(high):
        ax.lines[0].set_ydata([0, high])
        ax.relim()
        ax.autoscale(axis="y")

    sheet.again(lambda _: to(8))
    assert ax.get_ylim() == limits
    sheet.again(lambda _: to(100))
    assert ax.get_ylim()[1] > 100
    sheet.again(lambda _: to(10))
    assert ax.get_ylim() == pytest.approx(limits)


def test_limits_that_stayed_once_follow_the_next_line():
    ax = rising(10)
    sheet = show.Sheet(ax)
    limits = ax.get_ylim()
    sheet.again(lambda _: ax.plot([0, 1], [0, 9]))
    assert ax.get_ylim() == limits
    sheet.again(lambda _: ax.plot([0, 1], [-50, 100]))
    low, high = ax.get_ylim()
    assert low < -50
    assert high > 100


def test_axes_keep_their_places():
    ax = rising(1)
    sheet = show.Sheet(ax)
    place = ax.get_position().bounds
    sheet.again(lambda _: ax.plot([0, 1], [1, 0], color="red"))
    assert ax.get_position().bounds == place


def test_a_picture_is_drawn_with_letters_or_their_outlines():
    sheet = show.Sheet(rising(1))
    assert b">rise</text>" in sheet.quick()
    assert b"<text" not in sheet.svg()


def test_a_title_of_more_lines_gets_its_room():
    ax = rising(1)
    ax.set_title("one line", loc="left")
    sheet = show.Sheet(ax)
    top = ax.get_position().y1
    sheet.again(lambda _: ax.set_title("one line\nand another\nand a third", loc="left"))
    assert ax.get_position().y1 < top - 0.05
    assert ax.get_tightbbox().y1 <= ax.figure.bbox.y1 + 1


def test_a_taller_legend_below_the_axes_gets_its_room():
    ax = rising(1)
    ax.legend(loc="upper left", bbox_to_anchor=(0, -0.2))
    sheet = show.Sheet(ax)
    bottom = ax.get_position().y0

    def explain(_):
        for i in range(4):
            ax.plot([0, 1], [0, 0], label=f"line {i}")
        ax.legend(loc="upper left", bbox_to_anchor=(0, -0.2))

    sheet.again(explain)
    assert ax.get_position().y0 > bottom + 0.1
    assert ax.get_legend().get_window_extent().y0 >= 0


def test_a_slider_moves_the_figure_and_any_other_control_draws_a_new_one(panel):
    sheet = panel._sheet
    picture = panel._figure.value
    panel.controls["slope"].value = 3.0
    assert panel._sheet is sheet
    assert panel._figure.value != picture
    assert list(sheet.figure.axes[0].lines[0].get_ydata()) == [3, 6]
    panel.controls["name"].value = "b"
    assert panel._sheet is not sheet


def test_a_long_table_says_how_much_is_left_out():
    html = show.table(pd.DataFrame({"x": range(show.SHOWN_ROWS + 3)}))
    assert "3 more rows" in html


class DividingPanel(LinePanel):
    """A line whose file is read in another unit when told so."""

    reading = ("name",)

    def read(self, source, name):
        frame = super().read(source, name)
        return frame / 10 if self.controls["name"].value == "b" else frame


def test_a_setting_that_decides_how_to_read_has_the_file_read_again(tmp_path, handed_over):
    path = tmp_path / "one.csv"
    path.write_text("x\n1\n2\n")
    panel = DividingPanel(path, name="b")
    assert panel.result.table["x"].tolist() == [0.1, 0.2]
    panel.upload.value = handed_over("two.csv", b"x\n50\n")
    assert panel.result.table["x"].tolist() == [50]  # what the first file was told is not told to another
    panel.set(name="b", slope=1.0)
    assert panel.result.table["x"].tolist() == [5]
    panel.start_over()
    assert panel.result.table["x"].tolist() == [0.1, 0.2]


def test_a_typed_value_outside_its_bounds_is_said_and_not_replaced(panel):
    panel.controls["slope"].value = 99.0
    assert "'Slope [y per x]' takes a number from 0 to 10, not 99. Type" in show_text(panel._banner.value)
    assert panel.result is None
    assert panel.controls["slope"].value == 99.0
    panel.controls["slope"].value = 9.5
    assert panel.result.slope == 9.5


def test_of_an_uploaded_file_it_is_said_where_it_is_shown(panel, handed_over):
    assert "still show" not in panel._file_line.value
    panel.upload.value = handed_over("two.csv", b"x\n7\n")
    assert "This panel uses it; other panels still show one.csv" in panel._file_line.value
    panel.start_over()
    assert "still show" not in panel._file_line.value


@pytest.mark.usefixtures("undrawn")
def test_settings_of_another_file_ask_for_that_file(panel, handed_over):
    kept = panel.settings_json().replace("one.csv", "other.csv")
    panel.settings_upload.value = handed_over("kept.json", kept.encode())
    assert "'other.csv': these settings were saved with another file" in show_text(panel._banner.value)
    assert "open that file first" in panel._banner.value
    assert panel.result is not None


@pytest.mark.usefixtures("undrawn")
def test_an_object_of_the_library_is_taken_as_it_is(panel):
    panel.open(pd.DataFrame({"x": [9.0]}))
    panel.recompute()
    assert panel.result.table["x"].tolist() == [9]


def test_a_check_may_hold_words_beside_chances():
    rows = [("response [p]", 1e-6, 0.05, True, "x"), ("units", "usual", None, True, "y")]
    cells = re.findall("<td[^>]*>(.*?)</td>", show.checks(checks_frame(rows)))
    assert cells[1::5] == ["&lt; 0.001", "usual"]


def test_a_check_that_was_not_judged_is_shown_as_such():
    rows = [("a", 1, 2, True, "x"), ("b", 1, 2, False, "y"), ("c", 1, 2, None, "z")]
    cells = re.findall("<td[^>]*>(.*?)</td>", show.checks(checks_frame(rows)))
    assert cells[3::5] == ["yes", "no", "not judged"]


def test_a_setting_changed_meanwhile_comes_before_the_next_part_below(panel, finish):
    seen = []

    def part(name):
        def view(line):
            seen.append((name, line.slope))
            if seen[-1] == ("first", 3.0):  # a user moves on while this is being shown
                asyncio.get_running_loop().call_soon(lambda: panel.set(slope=4.0))
            return name

        return view

    async def moved():
        panel.rest = 0.01
        panel.below(part("first"))
        panel.below(part("second"))
        seen.clear()
        panel.set(slope=3.0)
        for _ in range(100):
            await asyncio.sleep(0.05)
            if len(seen) > 2:
                return

    finish(moved())
    assert seen == [("first", 3.0), ("first", 4.0), ("second", 4.0)]
