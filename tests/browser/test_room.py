"""A class on one machine: its pages are shared with the local network, and nothing else is."""

import re
import shutil
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import psutil
import pytest

from fertkit.panels import seat

pytestmark = pytest.mark.browser
expect = pytest.importorskip("playwright.sync_api").expect

ROOT = Path(__file__).parents[2]
OPTIMUM = "04_optimum_under_price_risk.ipynb"
RATE = "07_workshop_rate_that_pays.ipynb"
PLAN = "11_workshop_season_plan.ipynb"
#: Whether the figure of a guess has all its room.
WHOLE = """() => [...document.querySelectorAll(".fertkit-guess .fertkit-wide")]
  .every((room) => room.scrollWidth <= room.clientWidth)"""
ASKS_FOR_CODE = """async () => {
  const { kernelId } = JSON.parse(document.getElementById('jupyter-config-data').textContent);
  const address = new URL(`/api/kernels/${kernelId}/channels${location.search}`, location.href);
  address.protocol = "ws";
  const line = new WebSocket(address), replies = [];
  await new Promise((done) => { line.onopen = done; });
  line.onmessage = (event) => replies.push(JSON.parse(event.data).msg_type);
  const ask = (msg_type, content) => line.send(JSON.stringify({
    channel: "shell", parent_header: {}, metadata: {}, content,
    header: { msg_id: msg_type, msg_type, username: "", session: "s", version: "5.3" } }));
  ask("execute_request", { code: "1", silent: false });
  ask("kernel_info_request", {});
  for (let waited = 0; waited < 100 && !replies.includes("kernel_info_reply"); waited++)
    await new Promise((done) => setTimeout(done, 100));
  return replies;
}"""


@pytest.fixture(scope="module")
def room(start_server, tmp_path_factory):
    """Pages shared with the network of this machine: of the lessons opened here, as each is rehearsed."""
    place = tmp_path_factory.mktemp("room")
    for name in ("README.md", "pyproject.toml"):
        shutil.copy(ROOT / name, place)
    shutil.copytree(ROOT / "datasets_demo", place / "datasets_demo")
    for name in (OPTIMUM, RATE, PLAN, "educator/notes_for_the_educator.ipynb"):
        (place / "notebooks" / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / "notebooks" / name, place / "notebooks" / name)
    return start_server(room=True, share=True, folder=place / "notebooks")


def is_given(url, **headers) -> bool:
    """Whether a server gives what was asked for, and does not send to its door instead."""
    try:
        with urlopen(Request(url, headers=headers), timeout=30) as answer:
            return "/login" not in answer.url
    except HTTPError as refused:
        refused.close()  # it is an open answer too
        return False


def test_three_seats_have_panels_of_their_own(room, open_page):
    seats = [open_page(room.address(OPTIMUM)) for _ in range(3)]
    prices = [0.3, 0.9, 1.5]
    for page, price in zip(seats, prices, strict=True):
        box = page.get_by_role("spinbutton", name=re.compile("^Price per lb of N"))
        box.wait_for(timeout=120_000)
        box.fill(str(price))
        box.press("Enter")
    said = []
    for page, price in zip(seats, prices, strict=True):
        expect(page.locator(".fertkit-says").first).to_contain_text(f"price ratio {price / 4.5:.3g}")
        said.append(page.locator(".fertkit-says").first.inner_text())
    assert len(set(said)) == 3


def test_guesses_of_two_seats_appear_together(room, open_page):
    """Nothing is given away before a guess; the first seat sees the second's guess without a touch."""
    telephone = {"width": 360, "height": 740}
    seats = [open_page(room.address(RATE), size) for size in (telephone, None)]
    for page, guess in zip(seats, ("10", "25"), strict=True):
        asked = page.locator(".fertkit-guess").nth(1)  # the rate; before it the difference of treatments
        says = asked.locator(".fertkit-says")
        expect(says).to_contain_text("Guess first", timeout=120_000)
        expect(page.get_by_text("The rate that pays", exact=True)).to_be_hidden()
        box = asked.get_by_label(re.compile("^Your guess"))
        asked.get_by_role("button", name="Show the answer").click()
        expect(asked.get_by_role("alert")).to_have_text(re.compile("^Write your guess first: a number"))
        box.fill(guess)
        box.press("Tab")
        asked.get_by_role("button", name="Show the answer").click()
        expect(says).to_contain_text("The truth of the simulation: 15.1 lb/ac.")
        expect(page.get_by_text("The rate that pays", exact=True)).to_be_visible()
    for page in seats:
        expect(page.locator(".fertkit-guess").nth(1).locator(".fertkit-says")).to_contain_text(
            "2 guesses in the room, from 10 to 25"
        )
    seats[0].wait_for_function(WHOLE)


def test_a_page_loaded_again_is_the_same_seat(room, open_page):
    """Its first guess counts, for the second knows the answer."""
    page = open_page(room.address(PLAN))
    for guess, said in (("100", "Your guess: 100 lb/ac"), ("108", "Your guess: 108 lb/ac")):
        asked = page.locator(".fertkit-guess").first
        says = asked.locator(".fertkit-says")
        expect(says).to_contain_text("Guess first", timeout=120_000)
        box = asked.get_by_label(re.compile("^Your guess"))
        box.fill(guess)
        box.press("Tab")
        asked.get_by_role("button", name="Show the answer").click()
        expect(says).to_contain_text(said)
        expect(says).not_to_contain_text("in the room")  # it would be told of two
        page.reload()


@pytest.mark.skipif(not seat.can_fork(), reason="this system forks no kernels")
def test_a_kernel_ends_with_its_stand_in(room, open_page):
    page = open_page(room.address(OPTIMUM))
    page.locator(".fertkit-says").first.wait_for(timeout=120_000)
    forks = _forks()
    page.goto("about:blank")
    for _ in range(100):
        if len(_forks()) < len(forks):
            return
        page.wait_for_timeout(100)
    pytest.fail("the fork of a closed page goes on")


def _forks():
    seats = {"fertkit.panels.seat", "keep"}
    asked = [p for p in psutil.process_iter(["cmdline", "ppid"]) if seats <= {*(p.info["cmdline"] or ())}]
    return [p for p in asked if any(q.pid == p.info["ppid"] for q in asked)]


def test_nothing_is_given_without_the_word(room):
    assert is_given(f"{room.home}/?token={room.token}")
    assert not is_given(f"{room.home}/")
    assert not is_given(f"{room.home}/voila/render/{OPTIMUM}?token=wrong")


def test_who_types_the_word_wrong_is_told_so_and_gets_in_with_the_right_one(room, chromium):
    """The page says what is missing; it names no command and leads nowhere else."""
    context = chromium.new_context(viewport={"width": 360, "height": 740})
    page = context.new_page()
    page.goto(f"{room.home}/?token=wrong")
    heading = page.get_by_role("heading", level=1)
    for word in ("wrong", room.token):
        expect(heading).to_have_text("Join with the address you were given")
        expect(page.get_by_role("link")).to_have_count(0)
        page.get_by_label("Behind token=").fill(word)
        page.get_by_role("button", name="Join").click()
        if word == "wrong":
            expect(page.get_by_role("alert")).to_contain_text("That is not it.")
    expect(heading).to_have_text("Choose a page")
    context.close()


def test_the_educators_notes_are_answered_in_words_to_who_is_in(room, chromium):
    """Sent to the door, a browser that is in would be sent back without end."""
    context = chromium.new_context()
    page = context.new_page()
    page.goto(f"{room.home}/?token={room.token}")
    answer = page.goto(f"{room.home}/voila/render/educator/notes_for_the_educator.ipynb")
    assert answer.status == 404
    expect(page.get_by_role("heading")).to_have_text("There is no such page here")
    context.close()


def test_another_host_name_is_refused(room):
    """A page elsewhere that points its own name at this machine gets no answer."""
    assert not is_given(f"{room.home}/?token={room.token}", Host="elsewhere.example")


@pytest.mark.parametrize(
    "path",
    [
        f"voila/files/{RATE}",
        "voila/files/../pyproject.toml",
        "api/contents",
        "voila/render/../README.md",
        "voila/render/educator/notes_for_the_educator.ipynb",
        "voila/render/%65ducator/notes_for_the_educator.ipynb",
    ],
)
def test_no_file_is_given(room, path):
    assert not is_given(f"{room.home}/{path}?token={room.token}")


def test_no_code_is_taken(room, open_page):
    """The server lets widgets speak, and hands no request to run code on to a kernel."""
    page = open_page(room.address(OPTIMUM))
    page.locator(".fertkit-says").first.wait_for(timeout=120_000)
    answers = page.evaluate(ASKS_FOR_CODE)
    assert "kernel_info_reply" in answers
    assert "execute_reply" not in answers
