"""Pieces of a panel as HTML: sentences, tables, links and the figure. All text of a user is escaped here.

HTML pieces are used because the core widgets give pictures no alternative text; a data address needs no file
and no network.
"""

import re
from dataclasses import dataclass
from html import escape
from importlib.resources import files
from itertools import groupby
from pathlib import Path

import pandas as pd

from fertkit.asked import a_text, asks
from fertkit.errors import FertkitError, InputError
from fertkit.panels.controls import Refused
from fertkit.panels.sheet import Sheet, data_address
from fertkit.reference.load import short_names
from fertkit.report.page import Notes, drawn, shown
from fertkit.results import alike, capital, plain_p, table_html
from fertkit.say.checks import limit_text
from fertkit.say.leaf_results import percent
from fertkit.say.line import HANGING, Kind, Line, told

SHOWN_ROWS = 200
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
#: Names of columns that a reader would not guess.
_SAID = {"p_value": "p", "lsd": "LSD", "probability_below": "chance below the limit", "title": "system",
         "why_not": "why no rate", "test_before": "soil test before [ppm]", "test_low": "after: from [ppm]",
         "test_high": "to [ppm]", "aicc": "AICc", "r2": "R²", "n": "number", "se": "standard error",
         "source_key": "source", "lack_of_fit_p": "lack of fit, p",
         "error_df": "error degrees of freedom"}  # fmt: skip
#: Columns of probabilities: of chances as people say them, and of tests.
_CHANCES, _TESTS = ("probability_below",), ("p_value", "lack_of_fit_p")
_UNIT = re.compile(r"_(lb_ac|kg_ha|bu_ac|t_ha|gal_ac|pct|ac|ha|days|ft|m|lb)$")
_UNITS = {"pct": "%"}
PRINTS = '<button type="button" class="fertkit-print">Print this answer</button>'
_QUIET = (Kind.MISSING, Kind.QUESTION, Kind.SOURCE)


def style() -> str:
    """Give the style sheet of the panels as HTML."""
    return f"<style>{_own('panel.css')}</style>"


def naming_script() -> str:
    """Give the script that names slider handles, which the core widgets leave without a name."""
    return _own("names.js")


def alive_script() -> str:
    """Give the script that says when the kernel behind a panel is gone; "" where no kernel runs this."""
    from IPython import get_ipython

    if not hasattr(get_ipython(), "kernel"):
        return ""
    from ipykernel.connect import get_connection_file

    return _own("alive.js").replace("KERNEL", Path(get_connection_file()).stem.removeprefix("kernel-"))


def kept(settings: str) -> str:
    """Leave settings in the page, unseen, for a page that has to begin again."""
    return f'<span class="fertkit-kept" hidden>{escape(settings)}</span>'


def _own(name: str) -> str:
    return (files("fertkit.panels") / name).read_text(encoding="utf-8")


# ---- sentences


@asks(folded=a_text)
def present(*values, folded: str = ""):
    """Show results below a cell as panels show theirs: words, tables, and figures with a text beside them.

    Parameters
    ----------
    *values : fertkit.results.Result, DataFrame, Axes or str
    folded : str
        What stands on a line that hides the values until it is opened, as an answer to a question.

    Returns
    -------
    IPython.display.HTML
    """
    from IPython.display import HTML

    shown = pieces(values, still=True)
    if folded:
        shown = f'<details class="fertkit-folded"><summary>{escape(folded)}</summary>{shown}</details>'
    return HTML(f'<div class="fertkit-panel">{shown}</div>')


def pieces(values, *, still: bool = False) -> str:
    """Turn what a cell shows into HTML, one value after another.

    A figure that stands `still` is never drawn again, so it comes in a form for telephones too.
    """
    if isinstance(values, list):  # lines of an answer
        return prose(values)
    return "".join(_shown(one, still) for one in (values if isinstance(values, tuple) else (values,)))


def _shown(value, still: bool) -> str:
    if isinstance(value, str):
        return paragraphs(value)
    if isinstance(value, AllParts):
        notes = Notes(value.answer.sources)
        parts = [_part(section, notes, value.above) for section in value.answer.sections]
        return "".join(parts) + _at_the_foot(notes)
    if isinstance(value, pd.DataFrame):
        return checks(value) if {"check", "passed"} <= set(value) else table(value)
    if hasattr(value, "lines") and hasattr(value, "summary"):
        notes = Notes(getattr(value, "sources", None))
        return prose(value.lines(), notes) + _at_the_foot(notes)
    sheet = Sheet(value)
    says = in_a_line(sheet.figure)
    return sheet.html(says, still=still)


@dataclass(frozen=True)
class AllParts:
    """An answer to be shown with all its parts, as its page does, but for what stands `above` already."""

    answer: object
    above: tuple = ()  # figures and sentences


def _part(section, notes: Notes, above) -> str:
    """Show one part of an answer, without what it links to."""
    lines = [line if isinstance(line, Line) else told(line) for line in section.lines]
    lines = [line for line in lines if plainly(line) not in above]
    parts = [f"<h3>{escape(section.title)}</h3>", prose(lines, notes) if lines else ""]
    if section.figure is not None and section.figure not in above:
        parts.append(Sheet(drawn(section.figure)).html(section.figure_says))
    for title, texts in (("What to do", section.do), ("What not to do", section.leave)):
        if texts:
            parts += [f"<p><b>{title}</b></p>" * (title != section.title), bullets(map(notes.put, texts))]
    for one in (table for table in section.tables if len(table.frame)):
        parts += [f"<p><b>{escape(one.title)}</b></p>", table(shown(one.frame), notes)]
    if section.cautions:
        beside = "<p><b>Keep in mind</b></p>" if section.do or section.leave else ""
        parts += [beside, cautions(map(notes.put, section.cautions))]
    return f'<div class="fertkit-part">{"".join(parts)}</div>'


def in_a_line(figure) -> str:
    """Say what a figure shows where no sentence of an answer does: its titles and its axes."""
    texts = []
    for ax in figure.axes:
        titles = [ax.get_title(loc="left") or ax.get_title(), ax.get_xlabel(), ax.get_ylabel()]
        across, up = (
            f"{way}: {name}" if name else "" for way, name in zip(("across", "up"), titles[1:], strict=True)
        )
        texts += [part for part in (titles[0], across, up) if part]
    return ". ".join(capital(" ".join(text.split())) for text in dict.fromkeys(texts))


def _at_the_foot(notes: Notes) -> str:
    """List the sources that sentences have named by their number."""
    items = [
        f'<li value="{number}">{escape(row["citation"])}</li>'
        for number, row in notes.listed if row["source_key"] in notes.used
    ]  # fmt: skip
    return f'<ol class="fertkit-notes">{"".join(items)}</ol>' if items else ""


def prose(lines, notes: Notes | None = None) -> str:
    """Turn lines of an answer into HTML: headings, sentences, and what hangs on one as a list."""
    pieces, notes = [], notes or Notes()
    for hanging, group in groupby(lines, lambda line: line.kind in HANGING):
        items = "".join((_item if hanging else _piece)(line, notes) for line in group)
        pieces.append(f"<ul>{items}</ul>" if hanging else items)
    return f'<div class="fertkit-prose">{"".join(pieces)}</div>'


def begun(text: str) -> str:
    """Begin a sentence with a capital letter, unless a name of a file or a symbol stands there."""
    first = text.partition(" ")[0].strip(",.:;")
    return capital(text) if len(first) > 1 and first.isalpha() and first.islower() else text


def _piece(line: Line, notes: Notes) -> str:
    if line.kind == Kind.HEAD:
        return f"<h3>{escape(line.text)}</h3>"
    if line.kind == Kind.SKETCH:  # a row that stands for a place in the field keeps its spaces
        return f'<pre class="fertkit-row" tabindex="0">{escape(line.text)}</pre>'
    text = f"{capital(line.label)}: {_cited(line)}" if line.label else begun(_cited(line))
    text = f"<p{_class(line)}>{escape(notes.put(text))}"
    if not line.items:
        return f"{text}</p>"
    return f'<div class="fertkit-quiet">{text}:</p>{bullets(map(notes.put, line.items))}</div>'


def _item(line: Line, notes: Notes) -> str:
    colon = "" if line.kind == Kind.ROW else ":"
    label = f"<b>{escape(capital(line.label))}{colon}</b> " if line.label else ""
    text = _cited(line) if label else begun(_cited(line))
    return f"<li{_class(line)}>{label}{escape(notes.put(text))}</li>"


def _cited(line: Line) -> str:
    return f"{line.text} [{', '.join(line.sources)}]" if line.sources else line.text


def _class(line: Line) -> str:
    return ' class="fertkit-quiet"' if line.kind in _QUIET else ""


def paragraphs(text: str) -> str:
    """Turn plain text into HTML paragraphs, one a line."""
    return "".join(f"<p>{escape(line.strip())}</p>" for line in text.splitlines() if line.strip())


def bullets(lines) -> str:
    """Turn lines of plain text into an HTML list."""
    return "<ul>" + "".join(f"<li>{escape(str(line))}</li>" for line in lines) + "</ul>"


def said(text: str) -> str:
    """Show the message of a figure; a screen reader says it again when it changes."""
    return f'<div role="status" class="fertkit-says">{paragraphs(text)}</div>'


def cautions(lines) -> str:
    """Show what to keep in mind."""
    return f'<div class="fertkit-cautions">{bullets(lines)}</div>'


def sourced_cautions(lines, notes: Notes) -> str:
    """Show what to keep in mind; where the page is printed the sources named in the answer stand below."""
    shown = cautions(map(notes.put, lines))
    return f'{shown}<div class="fertkit-on-paper">{_at_the_foot(notes)}</div>'


def plainly(line) -> str:
    """Write a line of an answer as a sentence with its label, without what to type."""
    return capital(f"{line.label}: {line.text}" if line.label else line.text)


def said_by(checks) -> list[str]:
    """Say what the failed checks of a result mean, each meaning once."""
    failed = {}
    for check, passed, meaning in zip(checks["check"], checks["passed"], checks["meaning"], strict=True):
        if passed is not None and not passed:
            failed.setdefault(meaning, {})[check] = None
    return [
        f"{capital(meaning)}. See Checks: {next(iter(names))}"
        f"{f', and {len(names) - 1} more' * (len(names) > 1)}."
        for meaning, names in failed.items()
    ]


# ---- tables and links


def table(frame: pd.DataFrame, notes: Notes | None = None) -> str:
    """Show a table, at most `SHOWN_ROWS` rows of it; it scrolls sideways by keyboard too."""
    shown = for_people(frame.head(SHOWN_ROWS))
    named = notes.put if notes else short_names
    shown = shown.map(lambda cell: named(cell) if isinstance(cell, str) else cell)
    more = f"<p>{len(frame) - len(shown)} more rows in the download.</p>" if len(frame) > len(shown) else ""
    scrolls = '<div class="fertkit-scroll" tabindex="0" role="region" aria-label="table">'
    return f"{scrolls}{table_html(shown, _room)}</div>{more}"


def _room(text: str) -> str:
    """Give the class of a cell: a sentence gets room in place of a word a line, a name stays on one line."""
    if len(text) > 40:
        return "fertkit-long"
    first, _, rest = text.partition(" ")
    return "fertkit-name" if first and 0 < len(rest) < 15 else ""


def for_people(frame: pd.DataFrame) -> pd.DataFrame:
    """Write headers, answers of yes or no, and probabilities as people do."""
    shown = {name: _cells(name, column) for name, column in frame.items()}
    return pd.DataFrame(shown, index=frame.index).rename(columns=head)


def _cells(name, column):
    if column.dtype == bool:
        return column.map({True: "yes", False: "no"})
    if name in _CHANCES:
        return column.map(percent, na_action="ignore")
    if name in _TESTS:
        return column.map(_small, na_action="ignore")
    if column.dtype.kind != "f":
        return column
    texts = alike(*column, digits=4)  # numbers below each other have equally many decimals
    return ["" if gap else text for gap, text in zip(column.isna(), texts, strict=True)]


def _small(p: float) -> str:
    return plain_p(p).removeprefix("= ")


def head(column) -> str:
    """Write the name of a column for people: ``rate_lb_ac`` -> ``rate [lb/ac]``."""
    name, unit = _SAID.get(str(column), str(column)), ""
    if not name.isidentifier():
        return name
    if ending := _UNIT.search(name):
        name, unit = name[: ending.start()], f" [{_UNITS.get(ending[1], ending[1].replace('_', '/'))}]"
    return name.removesuffix("_id").replace("_", " ") + unit


def checks(frame: pd.DataFrame, notes: Notes | None = None) -> str:
    """Show the checks of a result."""
    passed = frame["passed"].map({True: "yes", False: "no"}).fillna("not judged")
    tests = frame["check"].str.endswith("[p]")
    value = frame["value"].mask(tests, frame["value"].where(tests).map(_small, na_action="ignore"))
    limit = frame["limit"].map(limit_text)
    return table(frame.assign(passed=passed, value=value, limit=limit), notes)


def sources(notes: Notes) -> str:
    """List citations by their numbers; a result without any used no published value."""
    rows = [{"No.": number} | row for number, row in notes.listed]
    if not rows:
        return "<p>No published value was used.</p>"
    frame = pd.DataFrame(rows).drop(columns="source_key").fillna("")
    shown = table(frame.replace("from_memory", "from memory", regex=True))
    return f'<div class="fertkit-cited">{shown}</div>'


def for_coders(html: str) -> str:
    """Mark what speaks of code; pages leave it out."""
    return f'<span class="lab-only">{html}</span>'


def download(words: str, name: str, content: str | bytes, kind: str = "text/csv") -> str:
    """Give a link that saves a text or a file under a name, without a server."""
    address = data_address(content.encode("utf-8") if isinstance(content, str) else content, kind)
    return f'<a class="fertkit-save" download="{escape(name)}" href="{address}">{escape(words)}</a>'


# ---- what went wrong


def banner(error: Exception, doing: str = "", old: str = "") -> str:
    """Say in one plain sentence what went wrong, with every problem of a file below it; never a traceback.

    `old` says whose figures still show below. What it was `doing` is left out where a control is at fault.
    """
    places = ""
    if isinstance(error, InputError):
        places = bullets(begun(one.plain) for one in error.problems[: InputError.SHOWN])
    elif not isinstance(error, FertkitError):
        old = ""
    text = _reason(error)
    begins = doing and not isinstance(error, Refused)
    stays = f'<div class="fertkit-old-said">{paragraphs(old)}</div>' if old else ""
    text = f"{text.removesuffix('.')}."
    return _alert(f"Stopped while {doing}: {text}" if begins else capital(text), places) + stays


def nothing_below(error: Exception, *, of_panel: bool) -> str:
    """Say why a part below a panel is not there: in short where the banner of the panel says it at length."""
    if not of_panel:
        return banner(error, "updating this part from the panel above")
    alone = isinstance(error, InputError) and len(error.problems) == 1
    why = f"{error.file}: {error.problems[0].plain}" if alone else _reason(error)
    return waits(f"Nothing to show until the panel above has an answer: {why.removesuffix('.')}.")


def _reason(error: Exception) -> str:
    if isinstance(error, InputError):
        count = len(error.problems)
        return f"{error.file} cannot be used: {count} problem{'s' * (count > 1)} to fix"
    if isinstance(error, FertkitError):
        return error.plain or type(error).__name__
    kind = f"{type(error).__name__}: {' '.join(str(error).split())}"[:300]
    return f"an unexpected error ({kind}). Change a setting or press Start over"


def _alert(text: str, places: str = "") -> str:
    return f'<div role="alert" class="fertkit-banner"><p>{escape(short_names(text))}</p>{places}</div>'


def waits(text: str) -> str:
    """Hold the place of what is not shown yet, and say when it will be."""
    return f'<p class="fertkit-waits">{escape(short_names(text))}</p>'


def empty() -> str:
    """Hold the place of a figure that is not there."""
    return '<div class="fertkit-figure fertkit-empty">No result to show.</div>'
