"""What the library says at length is shown without code, in an order that can be read."""

import re
from html import unescape
from io import StringIO
from pathlib import Path

import pytest

from fertkit.errors import InputError
from fertkit.intake import read_strips, read_tissue
from fertkit.panels import present
from fertkit.panels.needs import NeedsPanel
from fertkit.panels.show import prose
from fertkit.report.page import Notes
from fertkit.say.line import Kind, Line, detail, lead
from fertkit.tissue import explain, score_tissue

STRIPS = {
    "no crop": "block,K2O lb/ac,Yield bu/ac,Moisture %\n1,0,50,12\n1,80,55,12\n2,0,51,12\n2,80,56,12\n",
    "no unit": "block,K2O,Yield\n1,0,50\n1,80,55\n2,0,51\n2,80,56\n",
    "two yields": "block,K2O lb/ac,Yield bu/ac,Yield 2 bu/ac\n1,0,50,51\n1,80,55,52\n2,0,51,50\n2,80,56,55\n",
    "no rate": "block,Yield bu/ac\n1,50\n1,55\n2,51\n2,56\n",
    "no block": "Lot,K2O lb/ac,Yield bu/ac\nA,0,50\nA,80,55\nB,0,51\nB,80,56\n",
    "two rates": "block,N lb/ac,S lb/ac,Yield bu/ac\n1,0,0,50\n1,80,9,55\n2,0,9,51\n2,80,0,56\n",
    "nothing harvested": "block,K2O lb/ac,Yield bu/ac\n1,0,50\n1,80,0\n2,0,51\n2,80,56\n",
    "low yields": "block,K2O kg/ha,Yield kg/ha\n1,0,1.234\n1,80,1.333\n2,0,1.222\n2,80,1.345\n",
    "two nutrients": "block,MAP lb/ac,Yield bu/ac\n1,0,50\n1,80,55\n2,0,51\n2,80,56\n",
    "a zone": "zone,K2O lb/ac,Yield bu/ac\n"
    + "".join(f"{z},{r},5{i}\n" for z in "AB" for r in (0, 80) for i in (1, 2)),
}
LEAVES = {
    "no unit": "Sample,Crop,Stage,Part,K\nA,corn,R1,ear leaf,1.2\nB,corn,R1,ear leaf,\n",
    "two marks": 'Sample,Crop,Stage,Part,K %\nA,corn,R1,ear leaf,"1,200.5"\nB,corn,R1,ear leaf,"1,21"\n',
}


CODE = ("--", "Python", "={", "='", "=)")
READERS = {"leaf": read_tissue, "strips": read_strips}  # the files a panel takes
CASES = [p for p in sorted((Path(__file__).parents[1] / "cases").glob("*/*.*")) if p.parent.name in READERS]


def without_markup(shown):
    return unescape(re.sub("<[^>]+>", " ", shown))


def told_of(read, content):
    """Everything said of a file: why it is refused, or the notes on how it was read."""
    try:
        trial = read(content, name="file.csv")
    except InputError as refused:
        return [problem.plain for problem in refused.problems]
    return [getattr(note, "plain", note) for note in trial.notes] + [prose(trial.lines())]


@pytest.mark.parametrize(
    ("read", "content"),
    [(read_strips, text.encode()) for text in STRIPS.values()]
    + [(read_tissue, text.encode()) for text in LEAVES.values()]
    + [(READERS[path.parent.name], path.read_bytes()) for path in CASES],
    ids=[
        *(f"strips, {name}" for name in STRIPS),
        *(f"leaves, {name}" for name in LEAVES),
        *(f"{path.parent.name}, {path.name}" for path in CASES),
    ],
)
def test_a_remedy_for_a_file_is_told_without_code(read, content):
    said = told_of(read, content)
    assert said
    for told in map(without_markup, said):
        assert not any(code in told for code in CODE), told


@pytest.fixture(scope="module")
def explained(demo):
    return explain(score_tissue(read_tissue(demo("leaf_tests.csv"))))


def test_an_explanation_keeps_every_word_but_code(explained):
    shown, notes = unescape(present(explained).data), Notes(explained.sources)
    for line in explained.summary().splitlines():
        if not any(code in line for code in ("--", "(", "would be")):
            label, _, rest = line.strip().rstrip(":").partition(": ")
            assert notes.put(label)[1:] in shown
            assert notes.put(rest) in shown
    cited = explained.sources.set_index("source_key")["citation"]
    assert "CLOVER2013" not in shown
    number = notes.put("[CLOVER2013]").strip("[]")
    assert f'<li value="{number}">{cited["CLOVER2013"]}</li>' in shown
    assert not any(code in shown for code in ("--part", "Python", "from_memory"))


def test_an_explanation_has_headings_labels_and_quiet_sources(explained):
    shown = present(explained).data
    assert "<h3>Heron Quarter poor</h3>" in shown
    assert "<b>This season:</b>" in shown
    assert '<li class="fertkit-quiet"><b>Sources:</b>' in shown


def test_a_question_lists_one_nutrient_a_line():
    leaf = "Sample,Crop,Stage,Part,K %,Mn ppm,Zn ppm\nA,soybean,R2,trifoliate with petiole,2.2,12,12\n"
    explained = explain(score_tissue(read_tissue(StringIO(leaf + leaf.splitlines()[1].replace("A,", "B,")))))
    asked = present(explained).data.partition("Short by the range for")[2].partition("</ul>")[0]
    lines = asked.split("<li>")[1:]
    assert len(lines) > 1
    assert all(line.count("(") == line.count(")") == 1 for line in lines)


def test_the_name_of_a_file_stays_as_it_is():
    assert "<p>strips_k.csv: 24 strips</p>" in prose([lead("strips_k.csv: 24 strips")])


def test_text_is_escaped_and_a_row_of_strips_keeps_its_spaces():
    sketch = Line(Kind.SKETCH, "80  200 | 40   0")
    shown = prose([Line(Kind.HEAD, "<script>"), detail("<b>x</b>", "note"), sketch])
    assert "<script>" not in shown
    assert "<b>x</b>" not in shown
    assert "80  200 | 40   0" in shown


def test_what_is_to_be_kept_in_mind_stands_once():
    panel = NeedsPanel(crop="soybean", yield_goal=60)
    assert "Published averages" in panel._cautions.value
    assert "Published averages" not in panel._detail.value


def test_sentences_begin_with_a_capital_but_names_of_files_do_not():
    lines = [lead("nothing could be judged"), lead("strips_2.csv: 4 strips"), lead("pH 6.2")]
    shown = prose(lines)
    assert all(text in shown for text in ("<p>Nothing could", "<p>strips_2.csv", "<p>pH 6.2"))
