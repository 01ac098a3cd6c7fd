"""One line of an answer: what kind of thing it tells, what it is about, and the sentence."""

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """What a line tells; pages and panels choose by it and never read the sentence."""

    LEAD = "lead"  # the verdict, or what the answer is about
    TEXT = "text"  # a sentence of the answer
    HEAD = "head"  # begins a group of rows
    ROW = "row"  # a nutrient, product or step, by its label
    DETAIL = "detail"  # belongs to the row or sentence before it
    SOURCE = "source"  # where the row before it comes from
    SKETCH = "sketch"  # a picture in text, which keeps its spaces
    PRACTICE = "practice"  # common practice, without a source
    NOTE = "note"
    MISSING = "missing"  # what was not read, scored or judged
    QUESTION = "question"
    CAUTION = "caution"


_LABELS = {Kind.NOTE: "Note", Kind.QUESTION: "Question", Kind.CAUTION: "Caution"}
_HANGING = (Kind.ROW, Kind.DETAIL, Kind.SOURCE)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of an answer; as text it begins with its label.

    Attributes
    ----------
    kind : Kind
    text : str
    label : str
        What it is about: a nutrient, "This season", "Not judged".
    items : tuple of str
        What the sentence lists, apart by semicolons.
    """

    kind: Kind
    text: str
    label: str = ""
    items: tuple[str, ...] = ()

    def __str__(self) -> str:
        if self.kind == Kind.HEAD:
            return f"{self.text}:"
        if self.kind == Kind.ROW and self.label:
            return f"  {self.label:5} {self.text}"
        text = " ".join(filter(None, [self.text, "; ".join(self.items)]))
        text = f"{self.label}: {text}" if self.label else text
        return f"  {text}" if self.kind in _HANGING else text


def lead(text: str) -> Line:
    """Make the first line of an answer."""
    return Line(Kind.LEAD, text)


def told(text: str, label: str = "") -> Line:
    """Make a sentence of an answer."""
    return Line(Kind.TEXT, text, label)


def row(label: str, text: str) -> Line:
    """Make the line of one nutrient, product or step."""
    return Line(Kind.ROW, text, label)


def detail(text: str, label: str = "") -> Line:
    """Make a line that belongs to the one before it."""
    return Line(Kind.DETAIL, text, label)


def missing(what: str, text: str) -> Line:
    """Make a line on what was not read, scored or judged."""
    return Line(Kind.MISSING, text, what)


def marked(kind: Kind, texts) -> list[Line]:
    """Make notes, questions or cautions of sentences, each once."""
    return [Line(kind, text, _LABELS[kind]) for text in dict.fromkeys(map(str, texts))]


def notes(texts) -> list[Line]:
    """Make notes of sentences without their full stop, each once."""
    return marked(Kind.NOTE, (f"{text}." for text in texts))
