"""A guess before the answer: nothing is given away, those of a room come together, numbers alone are kept."""

import json
from pathlib import Path

import pytest

from fertkit.guesses import LARGEST, PLACE, add_guess, guesses_of
from fertkit.panels import present, serve
from fertkit.panels.guess import AGED, GuessPanel
from fertkit.response import Prices, economic_optimum_rate
from fertkit.response.interval import Interval
from fertkit.response.simulated import read_truth


@pytest.fixture
def room(tmp_path, monkeypatch):
    """The file of a room."""
    monkeypatch.setenv(PLACE, str(tmp_path / "guesses"))
    return tmp_path / "guesses"


def make(**options):
    """Ask for a rate whose answer is 15."""
    return GuessPanel("rate", "Which rate?", "lb/ac", lambda own: (15.0, 9.0, 28.0), high=60.0, **options)


def shown(panel):
    """All text of a panel on show."""
    return panel._says.value + panel._figure.value + panel._banner.value


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("", "Write your guess first: a number from 0 to 60."),
        ("many", "is not a number"),
        ("61", "61&#x27; is not from 0 to 60 lb/ac. Write a guess in between."),
        ("1,234.5", "1,234.5&#x27; is not from 0 to 60 lb/ac"),
        ("NaN", "NaN&#x27; is not a number. Write one from 0 to 60."),
        ("inf", "is not a number"),
        ("1,500", "write one"),
    ],
)
def test_the_answer_waits_for_a_guess(room, typed, said):
    panel, behind = make(), make()
    place = panel.before(behind)
    panel.guess(typed)
    assert said in panel._banner.value
    assert panel.result is None
    assert "15" not in panel._says.value + panel._figure.value
    assert "fertkit-closed" in place._dom_classes
    assert not room.exists()
    panel.guess("22,5")
    assert panel.error is None
    assert panel.result.own == 22.5
    assert "fertkit-closed" not in place._dom_classes
    assert "<img" in panel._figure.value


def test_the_room_is_drawn_together_without_names(room):
    first, second = make(), make()
    first.guess("10")
    second.guess("40")
    assert sorted(second.result.values) == [10, 40]
    assert "2 guesses in the room, from 10 to 40" in second._says.value
    assert "1 of 2 lie inside the interval" in second._says.value  # 10 lies from 9 to 28, 40 does not
    first._look()
    assert sorted(first.result.values) == [10, 40]
    assert "Your guess: 10 lb/ac, 5 too low." in first._says.value
    assert room.read_text() == "rate 10.0\nrate 40.0\n"


def test_a_second_guess_is_drawn_on_this_page_alone_and_every_page_counts_the_first(room):
    first, second = make(), make()
    first.guess("10")
    second.guess("40")
    second.guess("16")
    first._look()
    for page in (first, second):
        assert sorted(page.result.values) == [10, 40]
        assert "2 guesses in the room, from 10 to 40; their median is 25." in page._says.value
    assert "Your guess: 16 lb/ac, 1 too high. The room counts your first one, 40." in second._says.value
    assert "first" not in first._says.value
    kept = second.result.plot().get_legend_handles_labels()[1]
    assert {"your guess now", "your first guess, which counts"} <= set(kept)
    assert guesses_of("rate") == [10, 40]


def test_a_seat_that_loads_its_page_again_counts_once_by_its_first_guess(room):
    """A second guess would know the answer; another seat, and another question, count for themselves."""
    for seat, typed in (("k3v", "10"), ("k3v", "15"), ("p7q", "40")):
        page = make()
        page.view.children[2].value = seat
        page.guess(typed)
    assert guesses_of("rate") == [10, 40]
    assert add_guess("other", 3.0, "k3v") == 3.0
    assert add_guess("other", 4.0, "k3v") == 3.0
    assert room.read_text() == "rate 10.0 k3v\nrate 40.0 p7q\nother 3.0 k3v\n"
    again = make()
    again.view.children[2].value = "k3v"
    again.guess("15")
    assert sorted(again.result.values) == [10, 40]
    assert "Your guess: 15 lb/ac, exactly right. The room counts your first one, 10." in again._says.value


def test_a_mark_that_is_none_is_not_kept(room):
    add_guess("rate", 1.0, "two words\n")
    assert room.read_text() == "rate 1.0\n"


def test_alone_there_are_own_guesses_only(monkeypatch):
    monkeypatch.delenv(PLACE, raising=False)
    first, second = make(), make()
    first.guess("10")
    second.guess("40")
    assert second.result.values == (40,)
    assert "room" not in second._says.value


def test_a_guess_with_own_numbers_is_not_the_rooms(room):
    asked = {"price": ("Price", 0.5, 0, 10)}
    panel = GuessPanel("rate", "Which rate?", "lb/ac", lambda own: 10 * own.price, own=asked)
    panel.own["price"].value = 2.0
    panel.guess("7")
    assert panel.result.answer == 20
    assert not room.exists()
    panel.own["price"].value = 11.0
    panel.guess("7")
    assert "&#x27;Price&#x27; takes a number from 0 to 10, not 11" in panel._banner.value
    panel.own["price"].value = 0.5
    panel.guess("7")
    assert panel.result.answer == 5
    assert guesses_of("rate") == [7]


def test_an_answer_for_other_numbers_than_those_typed_is_marked_as_old(room):
    asked = {"price": ("Price", 0.5, 0, 10)}
    panel = GuessPanel("rate", "Which rate?", "lb/ac", lambda own: 10 * own.price, own=asked)
    panel.own["price"].value = 1.0
    assert not panel._aged.value  # nothing is on show yet
    panel.guess("7")
    for price, old in ((2.0, True), (1.0, False), (3.0, True)):
        panel.own["price"].value = price
        assert (AGED in panel._aged.value, "fertkit-old" in panel._says._dom_classes) == (old, old)
    panel.open()
    assert panel.result.answer == 30
    assert not panel._aged.value


def test_what_is_no_number_or_too_much_is_not_kept(room):
    for key, value in (("rate", float("nan")), ("rate", float("inf")), ("two words", 1.0), ("../x", 1.0)):
        add_guess(key, value)
    assert not room.exists()
    room.write_text("rate 1.0\n" * (LARGEST // 9 + 1))
    size = room.stat().st_size
    add_guess("rate", 2.0)
    assert room.stat().st_size == size
    panel = make()
    panel.guess("30")
    assert panel.result.values[-1] == 30


def test_a_page_that_begins_again_guesses_once(room):
    panel = make()
    panel.guess("12")
    panel.guess("16")
    kept = panel._kept.value.split(">")[1].split("<")[0].replace("&quot;", '"')
    assert json.loads(kept) == {"guess": "16", "own": {}, "first": 12}
    again = make()
    again.take_back(kept)
    assert (again.result.own, again.result.first, again.result.values) == (16, 12, (12,))
    assert guesses_of("rate") == [12]


@pytest.mark.parametrize(
    ("guess", "said"),
    [("95", "95 %, 3.6 too low."), ("99%", "99 %, 0.4 too high."), ("98.6 %", "98.6 %, exactly right.")],
)
def test_a_guess_is_as_far_off_as_who_subtracts_what_is_shown_finds(guess, said):
    """98.58 is shown as 98.6; the unit of the box may be typed behind the number."""
    panel = GuessPanel("chance", "How sure?", "%", lambda own: 98.58, high=100)
    panel.guess(guess)
    assert panel.result.lines()[0].text.endswith(": 98.6 %.")
    assert panel.result.lines()[1].text == f"Your guess: {said}"


def test_an_answer_that_is_not_known_is_no_distance_off():
    panel = GuessPanel("rate", "Which rate?", "lb/ac", lambda own: float("nan"))
    panel.guess("12")
    assert panel.result.lines()[1].text == "Your guess: 12 lb/ac."


def test_an_open_end_holds_what_lies_beyond_it():
    interval = Interval(9.0, 28.0, False, True, 0.95, "exact")
    panel = GuessPanel("rate", "Which rate?", "lb/ac", lambda own: (40.0, interval))
    panel.guess("90")
    assert "9.0 to &gt; 28.0 lb/ac. It holds the answer; your guess lies inside." in panel._says.value


def test_an_answer_in_words_waits_for_the_guess_too(room):
    panel = make()
    place = panel.before(present("It is 15.", folded="Answer 1"))
    assert "It is 15." in place.children[1].value
    assert "fertkit-closed" in place._dom_classes
    panel.guess("12")
    assert "fertkit-closed" not in place._dom_classes


def test_the_folder_of_a_room_goes_with_it():
    with serve.class_guesses(True) as kept:
        folder = Path(kept[PLACE]).parent
        assert folder.is_dir()
    assert not folder.exists()
    with serve.class_guesses(False) as kept:
        assert not kept


def test_the_truth_is_that_of_the_curve(demo):
    """The closed form against the optimum of the quadratic-plateau record."""
    truth = read_truth(demo("simulated_truth.csv"), "Ferry Flat S")
    ratio = Prices(0.50, 4.50).per("lb/ac", "bu/ac").ratio
    curve = [truth.yield_without, truth.slope, -truth.slope / (2 * truth.join)]
    best = economic_optimum_rate("quadratic_plateau", curve, ratio, 0, 32)
    assert truth.best_rate(0.50, 4.50) == pytest.approx(float(best.rate))
    assert truth.gain(32) == pytest.approx(15.2)  # 1.9 x 16 / 2
    assert truth.best_rate(9.0, 4.50) == 0  # the first pound costs more than the 1.9 bu it brings
    flat = read_truth(demo("simulated_truth.csv"), "Bramble Rise S")
    assert (flat.gain(32), flat.best_rate(0.50, 4.50)) == (0, 0)
