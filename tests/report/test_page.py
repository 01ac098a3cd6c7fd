"""A page is self-contained and safe: user text escaped, nothing fetched."""

import re
from base64 import b64decode
from html.parser import HTMLParser
from itertools import chain
from types import SimpleNamespace
from xml.etree import ElementTree

import pandas as pd
import pytest
from matplotlib.figure import Figure

from fertkit.intake import read_strips
from fertkit.report import Section, answer_groups, render_page
from fertkit.report.page import svg_picture
from fertkit.report.sections import Table
from fertkit.say.line import Deferring


class Links(HTMLParser):
    """Collect what a browser would fetch or run."""

    def __init__(self):
        super().__init__()
        self.fetched, self.tags, self.alts, self.attributes = [], [], [], []

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.tags.append(tag)
        self.attributes += attrs
        self.fetched += [attrs[k] for k in ("src", "href", "data") if k in attrs]
        if tag == "img":
            self.alts.append(attrs.get("alt"))


@pytest.fixture
def axes():
    ax = Figure(figsize=(3, 2)).subplots()
    ax.plot([0, 1], [0, 1])
    return ax


def page(axes, **changes):
    parts = {
        "title": "Field",
        "lines": ("One <b>paragraph</b>.",),
        "figure": axes,
        "figure_says": 'Yield rose "fast" to 60.',
        "tables": (Table("<u>t</u>", pd.DataFrame({"<i>name</i>": ["=1+1<script>"]})),),
        "do": ("<s>do</s>",),
        "leave": ("<s>leave</s>",),
        "cautions": ("Keep off seed.",),
    }
    return render_page("A & B", [Section(**parts | changes)], lead=["short answer"])


def test_user_text_is_escaped_and_nothing_is_fetched_or_run(axes):
    links = Links()
    html = page(axes)
    links.feed(html)
    assert "<b>paragraph</b>" not in html
    assert not {"script", "s", "u", "i"} & set(links.tags)
    assert "script" not in links.tags
    assert "link" not in links.tags
    assert all(address.startswith("data:image/svg+xml") for address in links.fetched)
    assert links.alts == ['Yield rose "fast" to 60.']


KINDS = ("field", "trial", "network", "farm")


@pytest.mark.parametrize("kind", KINDS)
def test_every_page_is_whole_and_safe(kind, page_of):
    """Names of trials may hold markup, a formula, a null and a mark that turns the text around."""
    html = page_of(kind)
    links = Links()
    links.feed(html)
    assert not {"script", "link", "iframe", "object"} & set(links.tags)
    assert not [name for name in links.attributes if name.startswith("on")]
    assert all(address.startswith("data:image/svg+xml") for address in links.fetched)
    assert "url(" not in html
    assert "@import" not in html
    assert not {"\x00", "\u202e"} & set(html)
    assert len(links.alts) >= (1 if kind == "farm" else 3)
    assert all(len(alt) > 20 for alt in links.alts)
    advised = () if kind == "farm" else ("What to do", "What not to do")
    for part in (*advised, "Caution.", ">Sources<", "rounded to three"):
        assert part in html


@pytest.mark.parametrize("kind", ["trial", "network"])
def test_pages_speak_plainly(kind, page_of):
    """Statuses in words, money by the one rounding rule: three digits, no cents beside hundreds."""
    html = page_of(kind)
    assert "<td>interior</td>" not in html
    assert not re.findall(r"[Tt]he the ", html)
    text = html.partition("</style>")[2].partition(">Sources<")[0]
    assert not re.findall(r"[ >(]\d{2,}\.\d{2,}[ ,.<)]", text)
    assert not re.findall(r"\d[eE][+-]?\d", re.sub(r'src="[^"]*"', "", text))


def test_page_of_an_answer_is_the_same_twice(network, page_of):
    assert network.page() == page_of("network")


def test_page_carries_caution_and_deference(axes):
    html = page(axes)
    assert "Keep off seed." in html
    assert "licensed or certified adviser" in html


def test_sources_are_listed_with_their_mark(axes):
    sources = pd.DataFrame(
        [
            SimpleNamespace(source_key="A1", citation="Printed page", address="", obtained="found").__dict__,
            SimpleNamespace(
                source_key="B2", citation="Remembered page", address="", obtained="from_memory"
            ).__dict__,
        ]
    )
    html = render_page("T", [], sources=sources)
    assert "Remembered page <em>[from memory]</em>" in " ".join(html.split())
    assert "[found]" not in html


def test_same_figure_gives_same_bytes(axes):
    assert svg_picture(axes) == svg_picture(axes)


def test_a_drawing_is_light_and_what_is_written_in_it_stays():
    ax = Figure().add_subplot()
    ax.plot([0, 1], [0, 3.14159265])
    written = 'Field x="1.23456" <b>  font-family: Odd; 2.000 L'
    ax.set_title(written)
    drawing = b64decode(svg_picture(ax).partition("base64,")[2]).decode()
    tree = ElementTree.fromstring(drawing)  # well formed
    texts = ["".join(text.itertext()) for text in tree.iter("{http://www.w3.org/2000/svg}text")]
    assert written in texts
    assert drawing.count("font-family") == 1 + 1  # of the figure, and the one written
    assert "\n" not in drawing
    assert not any(path.get("d").endswith(".") or ".000" in path.get("d")
                   for path in tree.iter("{http://www.w3.org/2000/svg}path"))  # fmt: skip


def test_the_page_of_a_farm_says_once_who_governs(farm):
    page = farm.page()
    assert page.count("adviser") == page.count("state or provincial guide") == 1
    assert "Published averages, not rates to apply." in page
    assert "An estimate, not a recommendation." in page


def test_a_caution_that_defers_is_told_from_its_kind_and_not_from_its_words():
    words = "Follow local nutrient rules."
    govern = "a licensed or certified adviser govern"
    assert govern not in " ".join(render_page("Field", [Section("A", cautions=(Deferring(words),))]).split())
    assert govern in " ".join(render_page("Field", [Section("A", cautions=(words,))]).split())


@pytest.mark.parametrize(("says", "shown"), [("K is short.", False), ("Bars show the error.", True)])
def test_what_a_line_says_stands_no_second_time_below_its_figure(axes, says, shown):
    page = render_page("North", [Section("Leaf", ("K is short.",), figure=axes, figure_says=says)])
    assert f'alt="{says}"' in page  # read aloud all the same
    assert ("<figcaption>" in page) == shown


def test_sections_repeat_no_line_of_the_lead(trial, plan, demo):
    strips = read_strips(demo("tillage_n_strips.csv"), columns={"factor": "Tillage"})
    groups = answer_groups(strips, strips.factor, nutrient_price=0.5, grain_price=4.5)
    for answer in (trial, plan, groups):
        lead, sections = map(str, answer.lead), (map(str, one.lines) for one in answer.sections)
        assert not set(lead) & set(chain(*sections)), answer.title
