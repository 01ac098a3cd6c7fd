"""Pages on paper and on narrow screens, in the system's Chromium: nothing is wider or cut."""

import pandas as pd
import pytest
from matplotlib.figure import Figure

from fertkit.reference import list_sources
from fertkit.report import Section, render_page
from fertkit.report.sections import Table

#: Sheets of paper each may take: a plan has a part for each of its twelve fields and zones.
MOST = {"plan": 24}
KINDS = ("trial", "network", "plan")
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
def opened(chromium, page_of, tmp_path):
    """Open a page from its file at a width; fail if it asks for anything else."""
    contexts = []

    def open_one(kind, width, height=900):
        file = tmp_path / f"{kind}.html"
        file.write_text(page_of(kind), encoding="utf-8")
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
@pytest.mark.parametrize("kind", KINDS)
def test_print(opened, filled, kind):
    page = opened(kind, WIDE)
    page.emulate_media(media="print")
    laid = page.evaluate(LAID_OUT)
    assert laid["pictures"]
    assert laid["width"] <= WIDE
    assert laid["right"] <= WIDE + 1
    assert laid["tallest"] < TALL  # what must not be cut fits on a page
    assert laid["cut"] == 0
    assert "Sources" in laid["text"]
    for paper in ("A4", "Letter"):
        *sheets, last = filled(page.pdf(format=paper))
        assert 2 <= len(sheets) <= MOST.get(kind, 9)
        assert min(sheets) > 0.6  # a figure that does not fit leaves no half sheet bare
        assert max(sheets) < 1.005  # sheets are whole points
        assert last > 0.12  # the closing lines alone would fill less


@pytest.fixture(scope="module")
def printed(chromium):
    """Print a page made of sections, and as many sources as asked for."""
    context = chromium.new_context()
    page = context.new_page()

    def write(*sections, sources=0):
        page.set_content(render_page("A page", sections, sources=list_sources().head(sources)))
        return page.pdf(format="A4")

    yield write
    context.close()


def rows(n):
    return Table("Rows", pd.DataFrame({"a long name of something": range(n), "b": 1.5}))


@pytest.mark.browser
@pytest.mark.parametrize("before", [20, 30])
def test_what_follows_fills_the_sheet_a_figure_does_not_fit_on(printed, filled, before):
    tall = Figure(figsize=(6.7, 6.2)).subplots()
    figure = Section("Drawn", lines=("Said.",), figure=tall, figure_says="A figure.", tables=(rows(20),))
    sheets = filled(printed(Section("Told", tables=(rows(before),)), figure))
    assert len(sheets) == 2
    assert sheets[0] > 0.9


@pytest.mark.browser
def test_the_closing_lines_are_never_alone(printed, filled):
    """Whatever stands before them: the sheet they end on holds sources too."""
    (closing,) = filled(printed())
    for before in range(30, 50, 4):
        *_, last = filled(printed(Section("Told", tables=(rows(before),)), sources=20))
        assert last > closing + 0.02


@pytest.mark.browser
def test_a_figure_taller_than_a_sheet_is_made_to_fit(printed, filled):
    tall = Figure(figsize=(6.7, 20)).subplots()
    sheets = filled(printed(Section("Drawn", figure=tall, figure_says="A figure.")))
    assert len(sheets) == 1


@pytest.mark.browser
@pytest.mark.parametrize("kind", ["field", *KINDS])
@pytest.mark.parametrize("width", [360, 1280])
def test_screen(opened, kind, width):
    """Wide tables scroll by themselves; the page does not."""
    laid = opened(kind, width).evaluate(LAID_OUT)
    assert laid["pictures"]
    assert laid["width"] <= width
