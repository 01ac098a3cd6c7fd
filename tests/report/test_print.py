"""Pages on paper and on narrow screens, in the system's Chromium: nothing is wider or cut."""

import re

import pytest

from fertkit.report import field_page, network_page, trial_page

PAGES = {"field": field_page, "trial": trial_page, "network": network_page}
#: Printable width and height of A4 with the style sheet's margins of 15 mm [CSS px].
WIDE, TALL = round(180 / 25.4 * 96), round(267 / 25.4 * 96)

LAID_OUT = """() => {
  const boxes = s => [...document.querySelectorAll(s)].map(e => [e.tagName, e.getBoundingClientRect()]);
  return {
    width: document.documentElement.scrollWidth,
    right: Math.max(...boxes('img, td, th, p, li, h1, h2').map(([, b]) => b.right)),
    tallest: Math.max(...boxes('figure, tr, .short, .caution').map(([, b]) => b.height)),
    cut: [...document.querySelectorAll('figure, tr, .short, .caution')]
      .filter(e => getComputedStyle(e).breakInside !== 'avoid').length,
    pictures: [...document.images].every(i => i.complete && i.naturalWidth > 0),
    text: document.body.innerText,
  };
}"""


@pytest.fixture
def opened(chromium, request, tmp_path):
    """Open a page from its file at a width; fail if it asks for anything else."""
    contexts = []

    def open_one(kind, width, height=900):
        file = tmp_path / f"{kind}.html"
        file.write_text(PAGES[kind](request.getfixturevalue(kind)), encoding="utf-8")
        context = chromium.new_context(viewport={"width": width, "height": height})
        contexts.append((context, asked := []))
        page = context.new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.goto(file.as_uri())
        return page

    yield open_one
    for context, asked in contexts:
        context.close()
        assert [url.partition(":")[0] for url in asked if not url.startswith("data:")] == ["file"]


@pytest.mark.browser
@pytest.mark.parametrize("kind", PAGES)
def test_print(opened, kind):
    page = opened(kind, WIDE)
    page.emulate_media(media="print")
    laid = page.evaluate(LAID_OUT)
    assert laid["pictures"]
    assert laid["width"] <= WIDE
    assert laid["right"] <= WIDE + 1
    assert laid["tallest"] < TALL  # what must not be cut fits on a page
    assert laid["cut"] == 0
    assert "What the numbers rest on" in laid["text"]
    pdf = page.pdf(format="A4", prefer_css_page_size=True)
    pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
    assert 3 <= pages <= 10


@pytest.mark.browser
@pytest.mark.parametrize("kind", PAGES)
@pytest.mark.parametrize("width", [360, 1280])
def test_screen(opened, kind, width):
    """Wide tables scroll by themselves; the page does not."""
    laid = opened(kind, width).evaluate(LAID_OUT)
    assert laid["pictures"]
    assert laid["width"] <= width
