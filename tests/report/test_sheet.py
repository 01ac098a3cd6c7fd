"""The grower's sheet: one printed page, 250 words, notes at the foot, one a field; words of one's own."""

import re
from io import StringIO
from pathlib import Path

import pytest
from python_calamine import CalamineWorkbook

from fertkit.cli import main
from fertkit.errors import InputError, LookupFailed, NotEstimable, PriceError
from fertkit.reference import list_sources
from fertkit.report import answer_field
from fertkit.report.sheet import read_words
from fertkit.say.line import told
from fertkit.say.sheet import LABELS, fitted

KEYS = re.compile(rf"\b({'|'.join(map(re.escape, list_sources()['source_key']))})\b")
HEAD = "Sample,Field,Crop,Stage,Part,Sampled,N %,P %,K %\n"
PART = "trifoliate without petiole"
TWO = (
    f"1,North,soybean,R2,{PART},2026-07-20,5.0,0.45,1.31\n2,South,corn,R1,ear leaf,2026-07-21,3.1,0.35,2.1\n"
)
SOIL = "Field,Sampled,Depth in,pH,OM %,CEC meq/100 g,P Mehlich-3 ppm,K Mehlich-3 ppm\n"
SOIL += "North,2026-04-10,8,5.4,2.9,14,32,95\nEast,2026-04-10,8,6.8,3.1,18,55,210\n"
#: Reports of each kind: good and poor, many samples, several crops and years, codes, rating rows, wheat.
CASES = ["commodity.csv", "good_bad.csv", "two_years.csv", "wheat_words.csv", "soybean_words.csv",
         "flags_and_footer.csv", "wheat_n_and_s.csv", "rating_rows.csv"]  # fmt: skip


def sheets_of(answer):
    """Every sheet of an answer."""
    return [one.sheet for one in getattr(answer, "fields", {"": answer}).values()]


def counted_words(sheet, title=""):
    """Words between spaces of all that stands on a sheet but its notes and the writer's own words."""
    lines = [f"{line.text} {line.sources and ''}" for line in sheet.lines]
    heads = list(sheet.groups)
    return len(" ".join([*lines, *heads, title, *(" ".join(pair) for pair in sheet.head)]).split())


@pytest.fixture(scope="module")
def heron(demo):
    return answer_field(leaf=demo("leaf_tests.csv"), field="heron quarter")


@pytest.fixture(scope="module", params=CASES)
def case(request):
    return answer_field(leaf=Path(__file__).parents[1] / "cases" / "leaf" / request.param)


@pytest.fixture(scope="module")
def pages(case):
    return [one.page() for one in getattr(case, "fields", {"": case}).values()]


@pytest.fixture(scope="module")
def page_of_heron(heron):
    return heron.page()


def test_a_sheet_holds_250_words_and_speaks_plainly(case):
    for sheet in sheets_of(case):
        assert counted_words(sheet) <= 250
        said = [line.text for line in sheet.lines]
        assert not [text for text in said if KEYS.search(text)]
        assert not [text for text in said if re.search(r"from.memory|--|\.csv|see the page", text)]
        assert all(text[0] == text[0].upper() and text[-1] in ".?" for text in said), said
        labels = [line.label for line in sheet.lines]
        assert labels.count("Caution") <= 3
        assert labels[0] == ""
        assert "Local rules" in labels
        assert len(sheet.notes) == len({number for number, *_ in sheet.notes}) == len(sheet.keys)


def test_the_verdict_stays_when_there_is_no_room():
    lines = [told("word " * 30, "")] + [told("word " * 20, label) for label in LABELS if label]
    kept = fitted(lines, 100)
    assert kept[0].label == ""
    assert "Local rules" in {line.label for line in kept}
    assert sum(len(f"{line.label} {line.text}".split()) for line in kept) <= 100
    assert "consultant" in kept[-1].text  # what was left out is said


def test_good_stands_beside_poor(heron):
    """The demo's own file: K 1.31 % in the poor and 2.16 % in the good area."""
    first = heron.sheet.lines[0].text
    assert "1.31" in first
    assert "2.16" in first
    assert "Mg" in first
    labels = [label.get_text() for label in heron.plot().get_yticklabels()]
    assert any("1.31" in label and "2.16" in label for label in labels)


def test_the_terminal_says_the_sheet(heron):
    said = heron.summary().splitlines()
    assert said[0] == "Heron Quarter, soybean, R2, upper trifoliate leaf, 21 July 2026."
    assert said[1 : len(heron.sheet.lines) + 1] == list(map(str, heron.sheet.lines))


def test_notes_carry_the_citation_of_every_number(heron, page_of_heron):
    page = page_of_heron
    assert "contenteditable" in page
    for line in heron.sheet.lines:
        for number in heron.sheet.numbers(line):
            assert f'<li value="{number}">' in page
    assert "Stammer" in page.partition('class="notes"')[2].partition("</ol>")[0]
    assert len(page.encode()) <= 250_000


def test_there_is_one_sheet_a_field(demo):
    answer = answer_field(leaf=demo("leaf_tests.csv"))
    assert list(answer.fields) == ["Heron Quarter", "Otter Bottom", "Mill Bend", "Long Lane"]
    assert set(answer.table["field"]) <= set(answer.fields)
    named = answer_field(leaf=StringIO(HEAD + TWO))
    assert [one.crop for one in named.fields.values()] == ["soybean", "corn"]
    assert [one.name for one in named.fields.values()] == ["North", "South"]


def test_crops_of_one_field_have_a_sheet_each_and_numbers_are_no_fields():
    both = HEAD + TWO.replace("South", "North")
    assert list(answer_field(leaf=StringIO(both)).fields) == ["North, soybean", "North, corn"]
    bare = "Sample,Crop,Stage,Part,K %\nA12,soybean,R2,trifoliate,1.31\nA13,soybean,R2,trifoliate,2.2\n"
    assert answer_field(leaf=StringIO(bare)).name == ""


def test_the_sheet_speaks_of_the_newest_samples():
    rows = HEAD + "".join(
        f"1,North,soybean,{stage},{PART},2026-0{month}-01,5.0,0.45,{k}\n"
        for month, stage, k in ((7, "R1", 2.4), (8, "R3", 1.2))
    )
    answer = answer_field(leaf=StringIO(rows))
    assert set(answer.explanation.verdicts["growth_stage"]) == {"R3"}
    assert set(answer.scores.table["growth_stage"]) == {"R1", "R3"}
    assert "those of 1 July 2026 are in the table" in answer.summary()


def test_one_field_is_picked_by_name():
    assert answer_field(leaf=StringIO(HEAD + TWO), field="south").crop == "corn"
    with pytest.raises(LookupFailed, match="North, South"):
        answer_field(leaf=StringIO(HEAD + TWO), field="West")


def test_any_part_is_enough(demo):
    assert answer_field("soybean", 60).summary().startswith("Soybean, yield goal 60 bu/ac")
    prices = {"nutrient_price": 0.45, "grain_price": 11.0}
    strips = answer_field("soybean", strips=demo("soybean_k_strips.csv"), **prices)
    assert strips.budget is None
    assert "economic optimum" in strips.summary()
    assert any(line.label == "Money" for line in strips.sheet.lines)
    goal = answer_field(goal=60, leaf=StringIO(HEAD + TWO), field="North")
    assert goal.budget.crop == "soybean"
    with pytest.raises(NotEstimable, match="give at least one"):
        answer_field("soybean")
    with pytest.raises(NotEstimable, match="not known"):
        answer_field(goal=60)
    with pytest.raises(PriceError, match="nutrient and of the grain"):
        answer_field("soybean", strips=demo("soybean_k_strips.csv"))


def test_a_soil_test_is_classed_and_told_to_the_explanation():
    """Mehlich-3 K critical level of Tri-State 2020 (TRI2020): 120 ppm above a CEC of 5; 20 ppm for P."""
    answer = answer_field(goal=60, leaf=StringIO(HEAD + TWO), soil=StringIO(SOIL), field="North")
    assert answer.facts == {"ph": 5.4, "om": 2.9, "cec": 14.0, "soil_P": "enough", "soil_K": "low"}
    known = answer.explanation.facts.set_index("name")["value"]
    assert known["soil_K"] == ("low",)
    said = [line.text for line in answer.sheet.lines if line.label == "Soil"]
    assert "K 95 ppm (Mehlich-3) is low" in said[0]
    rates = answer_field("soybean", 60, soil=StringIO(SOIL), field="North").sheet.lines
    assert any("lb K2O" in line.text for line in rates if line.label == "Soil")
    given = answer_field(leaf=StringIO(HEAD + TWO), soil=StringIO(SOIL), field="North", facts={"ph": 7.6})
    assert given.explanation.facts.set_index("name")["value"]["ph"] == 7.6


def test_soil_tests_alone_have_a_sheet_a_field_and_others_are_said():
    alone = answer_field("corn", soil=StringIO(SOIL))
    assert list(alone.fields) == ["North", "East"]
    unknown = answer_field(leaf=StringIO(HEAD + TWO), soil=StringIO(SOIL)).fields
    assert list(unknown) == ["North", "South", "East"]
    assert any("other fields (East, North)" in note for note in unknown["South"].notes)


WORDS = """
name = "A. Grower's Adviser"
date = 2026-07-24
greeting = "Dear all,"
own = ["Call before you order."]
[North]
own = ["The tile line <runs> here.", "Look there first."]
"""


@pytest.fixture
def words(tmp_path):
    def write(text):
        file = tmp_path / "words.toml"
        file.write_text(text, encoding="utf-8")
        return file

    return write


@pytest.mark.usefixtures("undrawn")
def test_own_words_stand_on_the_sheet(words):
    answer = answer_field(leaf=StringIO(HEAD + TWO), words=words(WORDS))
    north, south = (one.page() for one in answer.fields.values())
    assert "The tile line &lt;runs&gt; here. Look there first." in north
    assert "Call before you order." in south
    for page in (north, south):
        assert "24 July 2026" in page
        assert "Dear all," in page


def test_words_that_do_not_fit_are_refused_together(words):
    with pytest.raises(InputError) as refused:
        read_words(words('sender = "me"\ndate = 7\nown = ["a", "b", "c", "d"]\n'))
    assert len(refused.value.problems) == 3
    with pytest.raises(InputError, match="own = "):
        read_words(words("name = me"))


@pytest.mark.usefixtures("undrawn")
def test_the_report_writes_its_sheets(tmp_path, demo, capsys):
    home = tmp_path / "sheets"
    book = tmp_path / "sheets.xlsx"
    command = ["leaf", str(demo("leaf_tests.csv")), "--page", str(home), "--workbook", str(book)]
    assert main(command) == 0
    assert sorted(file.name for file in home.iterdir()) == [
        "heron-quarter.html", "index.html", "long-lane.html", "mill-bend.html", "otter-bottom.html",
    ]  # fmt: skip
    index = (home / "index.html").read_text(encoding="utf-8")
    assert 'href="heron-quarter.html"' in index
    assert CalamineWorkbook.from_path(str(book)).sheet_names == ["Field by field", "Every number", "Sources"]
    alone = tmp_path / "one.html"
    words = ["field", "--leaf", str(demo("leaf_tests.csv")), "--field", "Mill Bend", "--page", str(alone)]
    capsys.readouterr()
    assert main(words) == 0
    assert capsys.readouterr().out.startswith("Mill Bend, corn, R1")
    assert "Mill Bend" in alone.read_text(encoding="utf-8")


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_sheet_is_one_sheet_of_paper(chromium, filled, pages, paper):
    context = chromium.new_context()
    page = context.new_page()
    for one in pages:
        page.set_content(one)
        (used,) = filled(page.pdf(format=paper))
        assert used < 1.005
    context.close()


@pytest.mark.browser
def test_what_is_opened_is_printed_and_what_is_changed_stays(chromium, filled, page_of_heron):
    context = chromium.new_context(viewport={"width": 680, "height": 900})
    page = context.new_page()
    page.set_content(page_of_heron)
    page.locator(".own").click()
    page.keyboard.type("Soil samples on Friday.")
    page.emulate_media(media="print")
    assert "Soil samples on Friday." in page.locator(".sheet").inner_text()
    assert not page.locator("details:visible").count()
    assert not page.locator(".greeting:visible").count()  # an empty place leaves no gap on paper
    page.emulate_media(media="screen")
    page.evaluate("document.querySelectorAll('details').forEach(part => part.open = true)")
    page.emulate_media(media="print")
    assert page.locator("details:visible").count() == page.locator("details").count() >= 3
    sheets = filled(page.pdf(format="A4"))
    assert len(sheets) >= 3
    context.close()


def test_a_test_that_a_rate_rests_on_is_not_called_unused():
    # MF2586 (from memory) with KSU_WHEATFERT: S of wheat 0.6 x 60 - 2.5 x 1.6 - 5.4 = 26.6 lb/ac
    soil = "Field,Depth (in),OM (%),SO4-S (ppm),DTPA Zn (ppm)\nW,0-6,1.6,3,0.4\nW,6-24,,0,\n"
    said = [line.text for line in answer_field("wheat", 60, soil=StringIO(soil)).sheet.lines]
    assert any("27 lb S per acre" in text for text in said)
    assert "Soil test of Zn: no current system here uses it." in said
