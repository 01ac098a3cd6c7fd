"""The notebooks as pages: what a person does with mouse, keys and files, in the system's Chromium.

Every page opened here also fails its test on a page error, a console error or a request that leaves the
machine.
"""

import re
from pathlib import Path

import pandas as pd
import pytest

from fertkit import analyse_response, read_strips, read_tissue, score_tissue
from fertkit.say.response import optimum_text

pytestmark = pytest.mark.browser
expect = pytest.importorskip("playwright.sync_api").expect

OPTIMUM, LEAF, NEEDS, PLAN = (
    "04_optimum_under_price_risk.ipynb",
    "01_explain_a_shortfall.ipynb",
    "02_budget_and_season.ipynb",
    "05_plan_next_year.ipynb",
)
PRICE, CROP_PRICE = "Price per lb of N", "Price per bu of corn"
READY = 120_000
DRAWN = "!document.querySelector('.voila-skeleton-post')"  # every cell of the page has its output


@pytest.fixture(scope="session")
def corn(demo):
    """The trial of the optimum page, and its optimum by the library at two prices."""
    table = read_strips(demo("corn_n_strips.csv"), crop="corn").table
    analysis = analyse_response(table, nutrient_price=0.45, grain_price=4.5)
    return lambda nutrient, grain=4.5: optimum_text(
        analysis.at_prices(nutrient_price=nutrient, grain_price=grain).optimum
    )


@pytest.fixture
def opened(pages, open_page):
    """Open a page and wait for its first answer."""

    def open_one(notebook, size=None):
        page = open_page(pages.address(notebook), size)
        says(page).wait_for(timeout=READY)
        return page

    return open_one


def says(page):
    """The message of the first panel."""
    return page.locator(".fertkit-says").first


def box(page, label):
    """The number box of a label, whatever bounds the label names."""
    return page.get_by_label(re.compile(rf"^{re.escape(label)}"), exact=False).and_(
        page.get_by_role("spinbutton")
    )


def upload(page, name, content):
    """Hand a file to the first panel."""
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name=re.compile("^Open a ")).first.click()
    chooser.value.set_files({"name": name, "mimeType": "text/csv", "buffer": content})


def test_a_typed_price_gives_the_optimum_of_the_library_and_comes_back_with_its_settings(
    opened, corn, shots, tmp_path
):
    page = opened(OPTIMUM)
    expect(says(page)).to_contain_text(corn(0.45))
    page.screenshot(path=shots / "optimum.png")
    box(page, PRICE).fill("1.2")
    box(page, PRICE).press("Enter")
    expect(says(page)).to_contain_text(corn(1.2))
    assert corn(1.2) != corn(0.45)
    figure = page.locator("img.fertkit-figure").first
    expect(figure).to_have_attribute("alt", re.compile(re.escape(corn(1.2))))
    assert figure.evaluate("image => image.complete && image.naturalWidth > 0")
    page.get_by_role("button", name="Keep").first.click()
    with page.expect_download() as saved:
        page.get_by_role("link", name="Save settings").click()
    path = tmp_path / "kept.json"
    saved.value.save_as(path)
    page.get_by_role("button", name="Start over").click()
    expect(says(page)).to_contain_text(corn(0.45))
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name=re.compile("Load settings")).click()
    chooser.value.set_files(path)
    expect(says(page)).to_contain_text(corn(1.2))


def test_a_reload_begins_anew_and_two_tabs_stay_apart(opened, corn):
    first, second = opened(OPTIMUM), opened(OPTIMUM)
    box(first, CROP_PRICE).fill("3")
    box(first, CROP_PRICE).press("Enter")
    expect(says(first)).to_contain_text(corn(0.45, 3.0))
    expect(says(second)).to_contain_text(corn(0.45))
    assert box(second, CROP_PRICE).input_value() == "4.5"
    first.reload()
    says(first).wait_for(timeout=READY)
    expect(says(first)).to_contain_text(corn(0.45))


def test_a_closed_page_ends_its_kernel(opened, pages):
    page = opened(OPTIMUM)
    kernel = page.evaluate("JSON.parse(document.getElementById('jupyter-config-data').textContent).kernelId")
    asked = f"{pages.home}/api/kernels/{kernel}?token={pages.token}"
    other = page.context.new_page()
    assert other.request.get(asked).status == 200
    page.goto("about:blank")
    for _ in range(100):
        if other.request.get(asked).status == 404:
            return
        other.wait_for_timeout(100)
    pytest.fail("the kernel of a closed page goes on")


def test_every_control_has_a_name_and_keys_alone_are_enough(opened, corn):
    page = opened(OPTIMUM)
    snapshot = page.locator(".fertkit-panel").first.aria_snapshot()
    lines = snapshot.splitlines()
    for role in ("spinbutton", "slider", "combobox", "button", "img"):
        mine = [line for line in lines if re.match(rf"\s*- '?{role}\b", line)]
        assert mine, f"no {role} in the panel"
        assert all('"' in line for line in mine), f"a {role} without a name: {mine}"
    assert f'spinbutton "{PRICE}' in snapshot
    assert f'slider "Slider: {PRICE}' in snapshot
    assert "status" in snapshot
    handle = page.get_by_role("slider", name=re.compile(rf"^Slider: {PRICE}"))
    for _ in range(40):
        page.keyboard.press("Tab")
        if handle.evaluate("element => element === document.activeElement"):
            break
    else:
        pytest.fail("the price slider is not reached with Tab")
    page.keyboard.press("ArrowRight")
    expect(says(page)).to_contain_text(corn(0.46))
    assert box(page, PRICE).input_value() == "0.46"
    assert handle.evaluate("element => element === document.activeElement"), "the focus is lost"
    page.get_by_role("button", name="Keep").first.press("Enter")
    page.get_by_role("link", name="Save numbers").first.wait_for()
    assert page.get_by_role("button", name="Keep").first.get_attribute("aria-pressed") == "true"


def test_the_saved_table_is_that_of_the_library(opened, demo, tmp_path):
    page = opened(LEAF)
    page.get_by_role("button", name="Keep").first.click()
    with page.expect_download() as saved:
        page.get_by_role("link", name="Save numbers").click()
    path = tmp_path / saved.value.suggested_filename
    saved.value.save_as(path)
    table = score_tissue(read_tissue(demo("leaf_tests.csv"))).table
    assert path.read_text() == table.to_csv(index=False)
    assert len(pd.read_csv(path)) == len(table)


def test_a_button_is_pressed_though_the_page_moves_under_it(opened, corn):
    """Leaving a number box by pressing a button draws the figure anew before the button is let go."""
    page = opened(OPTIMUM)
    page.wait_for_function(DRAWN, timeout=READY)
    keep = page.get_by_role("button", name="Keep").first
    box(page, PRICE).fill("0.8")
    keep.scroll_into_view_if_needed()
    keep.hover()
    page.mouse.down()
    expect(says(page)).to_contain_text(corn(0.8))
    page.evaluate("scrollBy(0, 60)")  # it moves for certain, were the new lines as many as the old
    page.locator(".fertkit-ask").first.evaluate("ask => ask.style.paddingTop = '60px'")
    page.mouse.up()
    page.get_by_role("link", name="Save settings").first.wait_for()


def test_a_good_a_broken_and_a_large_file(opened, demo, shots):
    page = opened(LEAF)
    expect(says(page)).to_contain_text("Heron Quarter poor")
    upload(
        page,
        "broken.csv",
        b"Sample,Crop,Stage,Plant part,K (%)\nA,corn,R1,ear leaf,lots\nB,,R1,ear leaf,-2\n",
    )
    banner = page.get_by_role("alert")
    expect(banner).to_contain_text("broken.csv cannot be used")
    expect(banner).to_contain_text("lots")
    expect(banner).not_to_contain_text("Traceback")
    expect(says(page)).to_contain_text("Heron Quarter poor")
    page.screenshot(path=shots / "broken_file.png")
    answer = page.locator(".fertkit-answer").first  # the banner stays in sight of every control
    answer.evaluate("answer => { answer.scrollIntoView(); scrollBy(0, 300); }")
    page.wait_for_function("document.querySelector('.fertkit-answer').getBoundingClientRect().y < -250")
    assert 0 <= banner.bounding_box()["y"] <= 20
    assert banner.bounding_box()["height"] <= 0.6 * page.viewport_size["height"]
    upload(page, "workshop.csv", demo("workshop_leaf_tests.csv").read_bytes())
    expect(says(page)).to_contain_text("Ferry Flat poor")
    expect(banner).to_have_count(0)
    page.get_by_role("button", name="Numbers").first.click()
    page.wait_for_function("document.querySelector('.fertkit-scroll.fertkit-downward')")
    hints = "box => getComputedStyle(box, '::before').content"  # of many rows, and of the few below the panel
    told = [one.evaluate(hints) for one in page.locator(".fertkit-scroll:visible").all()]
    assert told == ['"More rows than shown: scroll down ↓"', "none"]
    page.get_by_label("Sample").select_option("Ferry Flat poor")
    expect(says(page)).to_contain_text("1. Short: S 0.12 %")
    upload(page, "large.csv", b"x" * 6_000_000)
    expect(banner).to_contain_text("large.csv is larger than 5 MB")


def test_on_a_telephone_what_went_wrong_is_seen_from_a_control_far_down(opened):
    page = opened(PLAN, {"width": 360, "height": 740})
    page.wait_for_function(DRAWN, timeout=READY)
    ratio = box(page, "Price ratio, nutrient to yield")
    ratio.evaluate("ratio => ratio.scrollIntoView({ block: 'center' })")
    ratio.fill("-1")
    ratio.press("Enter")
    told = page.get_by_role("alert")
    expect(told).to_contain_text("takes a number from 0 to 100, not -1", timeout=READY)
    expect(told).to_be_in_viewport(ratio=1)
    expect(ratio).to_be_in_viewport(ratio=1)
    assert told.bounding_box()["y"] + told.bounding_box()["height"] < ratio.bounding_box()["y"]


def test_on_a_telephone_a_long_message_leaves_the_button_of_the_file_in_sight(opened, shots):
    page = opened(LEAF, {"width": 360, "height": 740})
    page.wait_for_function(DRAWN, timeout=READY)
    button = page.get_by_role("button", name=re.compile("^Open a ")).first
    button.evaluate("button => button.scrollIntoView({ block: 'center' })")
    rows = "".join(f"S{i},soybean,R2,trifoliate,many,much,2{i}x,lots,some\n" for i in range(12))
    upload(page, "spoilt.csv", f"Sample,Crop,Stage,Part,N %,P %,K %,S %,Mg %\n{rows}".encode())
    told = page.get_by_role("alert")
    expect(told).to_contain_text("problems to fix", timeout=READY)
    page.screenshot(path=shots / "long_message_phone.png")
    message = told.locator("xpath=ancestor::*[contains(@class, 'widget-html')][last()]").bounding_box()
    assert message["y"] >= 0
    assert message["y"] + message["height"] <= button.bounding_box()["y"]
    expect(button).to_be_in_viewport(ratio=1)


def test_a_question_without_an_answer_is_said(opened):
    page = opened(NEEDS)
    page.get_by_label("Question").first.select_option("When?")
    expect(says(page)).to_contain_text("Days count from emergence")
    page.get_by_label("Crop", exact=True).first.select_option("sorghum")
    expect(page.get_by_role("alert")).to_contain_text("sorghum")
    expect(page.locator(".fertkit-empty")).to_be_visible()


NOTEBOOKS = sorted(path.stem for path in (Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_every_page_fits_a_tablet_and_keeps_nobody_out(opened, barriers, shots, name):
    page = opened(f"{name}.ipynb", {"width": 768, "height": 1024})
    page.wait_for_function(DRAWN, timeout=READY)
    wide = page.evaluate(
        """() => [...document.querySelectorAll('.fertkit-panel, .fertkit-panel *, img')]
            .filter(e => !e.closest('.fertkit-scroll, .fertkit-wide'))
            .filter(e => e.getBoundingClientRect().right > innerWidth + 1)
            .map(e => e.className || e.tagName)"""
    )
    assert not wide
    over = "e => e.offsetParent && e.scrollHeight > e.clientHeight + 2"  # it would lie over what follows
    assert not page.evaluate(f"[...document.querySelectorAll('.fertkit-answer > *')].filter({over}).length")
    end = page.evaluate(
        "Math.max(...[...document.querySelectorAll('.jp-Cell')].map(e => e.getBoundingClientRect().bottom))"
    )
    page.set_viewport_size({"width": 768, "height": int(end) + 40})
    page.screenshot(path=shots / f"tablet_{name}.png")
    assert page.locator("img.fertkit-figure").count() > 0
    assert not page.get_by_role("alert").count()
    assert page.locator("img:not([alt])").count() == 0
    assert not barriers(page)


def test_a_page_is_printed_whole_and_scrolls_by_key(opened, tmp_path):
    page = opened(OPTIMUM)
    page.wait_for_function(DRAWN, timeout=READY)
    page.keyboard.press("PageDown")
    page.wait_for_function("scrollY > 400")
    for paper in ("A4", "Letter"):
        sheets = page.pdf(path=tmp_path / "page.pdf", format=paper).count(b"/Type /Page\n")
        assert sheets >= 3  # the panel, what stands below it and the last caution


def test_one_answer_is_printed_by_itself(opened):
    page = opened("02_budget_and_season.ipynb")
    page.wait_for_function(DRAWN, timeout=READY)
    page.evaluate("window.print = () => {}")
    farm = page.locator(".fertkit-panel").filter(has=page.get_by_role("heading", name="What the farm needs"))
    farm = farm.filter(has=page.locator(":scope > .fertkit-body")).first
    farm.get_by_role("button", name="Keep").click()
    farm.get_by_role("button", name="Print this answer").click()
    expect(page.get_by_role("heading", name="What the farm needs")).to_be_visible()
    for other in ("What the crop needs", "Does the supply keep up?"):
        for heading in page.get_by_text(other, exact=True).all():
            expect(heading).to_be_hidden()
    assert page.pdf(format="Letter").count(b"/Type /Page\n") == 1
    page.wait_for_function("!document.body.classList.contains('alone')")


def test_a_whole_trial_is_printed_on_both_sides_of_a_sheet(opened):
    page = opened(PLAN)
    page.wait_for_function(DRAWN, timeout=READY)
    page.evaluate("window.print = () => {}")
    page.get_by_role("button", name="Lay out the whole trial").click()
    expect(page.get_by_role("heading", name="Where do the strips go?")).to_be_visible(timeout=READY)
    page.get_by_role("button", name="Keep").first.click()
    for paper in ("A4", "Letter"):
        page.get_by_role("button", name="Print this answer").first.click()
        assert page.pdf(format=paper).count(b"/Type /Page\n") == 2
        page.wait_for_function("!document.body.classList.contains('alone')")


@pytest.mark.parametrize("name", [name for name in NOTEBOOKS if "_workshop_" in name])
def test_a_handout_is_one_sheet_of_questions_without_answers(opened, name):
    page = opened(f"{name}.ipynb")
    page.wait_for_function(DRAWN, timeout=READY)
    page.evaluate("window.print = () => {}")
    page.emulate_media(media="print")
    waiting = page.locator(".fertkit-closed > :not(:first-child)")  # what waits for a guess
    for piece in waiting.all():
        expect(piece).to_be_hidden()
    assert waiting.count() or name != "06_workshop_shortfall"
    page.emulate_media(media="null")
    page.get_by_role("button", name="Print the handout").click()
    if name == "11_workshop_season_plan":
        expect(page.get_by_text("How much K2O does the west of Heron Quarter need?")).to_be_visible()
        expect(page.get_by_text("Answers 1 and 2")).to_be_hidden()
    expect(page.get_by_role("button", name="Show the answer")).to_have_count(0)
    for paper in ("A4", "Letter"):
        page.evaluate("document.body.classList.add('handout')")  # gone when it is printed
        assert page.pdf(format=paper).count(b"/Type /Page\n") <= 2  # both sides of a sheet
        page.wait_for_function("!document.body.classList.contains('handout')")
    page.evaluate("document.body.classList.add('handout')")
    page.emulate_media(media="print")
    for box in page.locator(".fertkit-guess").all():
        assert box.evaluate("box => getComputedStyle(box).breakInside") == "avoid"


SMALLEST_TEXT, LEAST_CONTRAST = 12, 4.5  # px; ratio of WCAG 2.2, success criterion 1.4.3


def test_text_is_large_and_dark_enough(opened):
    page = opened(OPTIMUM)
    for look in ("In words", "Numbers", "Keep"):
        page.get_by_role("button", name=look).first.click()
        page.wait_for_timeout(300)
        measured = page.evaluate((Path(__file__).parent / "contrast.js").read_text())
        assert len(measured) > 10
        assert not [one for one in measured if one[1] < SMALLEST_TEXT or one[2] < LEAST_CONTRAST], look


def test_a_figure_is_drawn_for_a_telephone_its_letters_large(opened):
    """At its least width its smallest letters have 12 px; what needs more scrolls in its box."""
    page = opened(NEEDS, {"width": 360, "height": 740})
    page.wait_for_function(DRAWN, timeout=READY)
    figure = page.locator("img.fertkit-figure").first
    page.wait_for_function(  # each is drawn anew when its turn comes
        "[...document.querySelectorAll('.fertkit-panel img.fertkit-figure')]"
        ".every(image => parseInt(image.style.minWidth) <= innerWidth)",
        timeout=READY,
    )
    assert figure.evaluate("image => image.getBoundingClientRect().right <= innerWidth")
    for image in page.locator("img.fertkit-figure").all():
        # one that follows no panel comes drawn for a telephone; at its own width its letters have 12 px
        drawn_so = "image => image.clientWidth >= image.naturalWidth * 11 / 12"
        least = "image => image.clientWidth >= parseInt(image.style.minWidth) - 1"
        assert image.evaluate(drawn_so if image.evaluate("image => image.closest('picture')") else least)
    row = "'<pre class=\"fertkit-row\">' + '120 '.repeat(60) + '</pre>'"  # strips as they lie, a long row
    page.locator(".fertkit-panel").first.evaluate(f"panel => panel.insertAdjacentHTML('beforeend', {row})")
    assert page.evaluate("document.documentElement.scrollWidth") <= 361  # parts of a pixel are rounded up
    says_at, asks_at = (
        page.locator(one).first.bounding_box()["y"] for one in (".fertkit-says", ".fertkit-ask")
    )
    assert says_at < asks_at


def test_the_list_of_pages_leads_to_each(pages, open_page, shots):
    page = open_page(f"{pages.home}/?token={pages.token}")
    expect(page.get_by_role("listitem")).to_have_count(len(NOTEBOOKS))
    assert page.get_by_role("heading", level=2).all_inner_texts() == ["Workshops of 45 minutes", "Lessons"]
    shops = [name for name in NOTEBOOKS if "workshop" in name]
    assert page.get_by_role("list").first.get_by_role("link").count() == len(shops)
    page.screenshot(path=shots / "list.png")
    page.get_by_role("link", name="5 · Plan next year", exact=True).click()
    says(page).wait_for(timeout=READY)


def test_a_trial_of_another_shape_is_chosen_and_a_log_handed_over_with_its_map(opened, demo, shots):
    page = opened("12_trials_of_other_shapes.ipynb")
    page.get_by_label("Example").select_option("Products against a check")
    expect(says(page)).to_contain_text("Fungicide at R3 yielded more than untreated check", timeout=READY)
    expect(page.get_by_label("Costs of treatments per area")).to_be_visible()
    expect(box(page, PRICE)).to_be_hidden()
    page.screenshot(path=shots / "other_shapes.png")
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name=re.compile("^Open a strip file")).click()
    chooser.value.set_files([demo("applied_map.csv"), demo("combine_log.csv")])
    expect(page.get_by_role("alert").first).to_contain_text("one more choice: 'Crop'", timeout=READY)
