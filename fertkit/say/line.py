"""One line of an answer: what kind of thing it tells, what it is about, and the sentence."""

from dataclasses import dataclass, replace
from enum import StrEnum

from fertkit.errors import with_code
from fertkit.results import plain


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
#: Kinds of lines that hang on the one before them.
HANGING = (Kind.ROW, Kind.DETAIL, Kind.SOURCE)


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
    in_code : str
        What to type, for the command line and Python; panels and pages leave it out.
    sources : tuple of str
        Keys of the sources it rests on, in brackets at the end; a page numbers them.
    """

    kind: Kind
    text: str
    label: str = ""
    items: tuple[str, ...] = ()
    in_code: str = ""
    sources: tuple[str, ...] = ()

    def __str__(self) -> str:
        if self.kind == Kind.HEAD:
            return f"{self.text}:"
        if self.kind == Kind.ROW and self.label:
            return f"  {self.label:5} {self.text}"
        text = with_code(" ".join(filter(None, [self.text, "; ".join(self.items)])), self.in_code)
        text = f"{self.label}: {text}" if self.label else text
        text = f"{text} [{', '.join(self.sources)}]" if self.sources else text
        return f"  {text}" if self.kind in HANGING else text

    @property
    def plain(self) -> str:
        """The line without what to type."""
        return str(replace(self, in_code=""))


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
    """Make notes, questions or cautions of sentences or problems, each once."""
    told = {getattr(text, "plain", text): getattr(text, "in_code", "") for text in texts}
    return [Line(kind, text, _LABELS.get(kind, ""), in_code=in_code) for text, in_code in told.items()]


def notes(texts) -> list[Line]:
    """Make notes of sentences without their full stop, each once."""
    return [replace(line, text=f"{line.text}.") for line in marked(Kind.NOTE, texts)]


# ---- numbers and sources in a sentence

#: Whom to follow and to ask, in every caution.
ASK = (
    "Follow local nutrient rules, the label and your state or provincial guide. Ask a licensed or certified "
    "adviser before you buy or spread."
)


class Deferring(str):
    """A caution that says whom to follow and to ask, so that its page need not say it again."""


def but_deferring(lines) -> list:
    """Leave out the lines that say whom to ask, where their page does."""
    return [line for line in lines if not isinstance(line.text, Deferring)]


DEFER = Deferring(f"Rates are local. {ASK}")
NO_TEST = "No error can be estimated, so no difference can be tested."
NO_INTERVAL = "(no interval: no error can be estimated)"
#: Said at the end of every budget.
NO_RATES = "Published averages, not rates to apply"
GOVERNS = Deferring(f"{NO_RATES}. {ASK}")


def mark(provenance: str) -> str:
    """What to add to a number that was not read in its source."""
    return " [from memory]" if "from_memory" in provenance or "mixed" in provenance else ""


def keys(*columns) -> str:
    """Source keys of some columns, each once, in words: A, B, C."""
    return ", ".join(each_key(*columns))


def each_key(*columns) -> list[str]:
    """Source keys of some columns, each once."""
    told = dict.fromkeys(k for column in columns for text in column for k in str(text).split(";"))
    return [k for k in told if k and not k.startswith("own ")]


def day_text(day) -> str:
    """Write a date: 21 July 2026."""
    return f"{day.day} {day:%B %Y}"


def short(value: float) -> str:
    """Write an amount with the digits it deserves: 240, 8.8, 0.047."""
    return f"{value:,.0f}" if abs(value) >= 9.5 else plain(value, 2)


def daily(rate: float) -> str:
    """Write an amount per day so that two near each other differ: 10.4, 9.8, 0.0076."""
    return plain(rate, 3 if abs(rate) >= 9.95 else 2)


def parts(total: float, part: float) -> tuple[str, str, str]:
    """Write a total, a part and the rest so that the numbers shown add up: 328, 240, 88."""
    shown = short(total), short(part)
    digits = max(len(text.partition(".")[2]) for text in shown)
    rest = float(shown[0].replace(",", "")) - float(shown[1].replace(",", ""))
    return *shown, f"{rest + 0.0:,.{digits}f}"
