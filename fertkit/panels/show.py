"""Pieces of a panel as HTML: sentences, tables, links and the figure. All text of a user is escaped here.

HTML pieces are used because the core widgets give pictures no alternative text; a data address needs no file
and no network.
"""

import re
from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from importlib.resources import files
from io import BytesIO, StringIO
from itertools import groupby
from math import ceil
from pathlib import Path

import pandas as pd

from fertkit.asked import a_text, asks
from fertkit.errors import InputError
from fertkit.reference.load import short_names
from fertkit.report.page import Notes, drawn, shown
from fertkit.results import capital, table_html
from fertkit.say.line import HANGING, Kind, Line, told

SHOWN_ROWS = 200
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
POINTS = 72  # in an inch, and of an SVG
TELEPHONE = 3.2  # in; about the width of a page on a telephone, letters at their readable size
READABLE = 12  # px, of the smallest letters; a picture that would have smaller ones scrolls sideways
KEPT = 0.5  # limits stay while the data lie within them and span at least this share of them
#: Names of columns that a reader would not guess.
_SAID = {"p_value": "p", "lsd": "LSD", "probability_below": "chance below the limit", "title": "system",
         "why_not": "why no rate", "test_before": "soil test before [ppm]", "test_low": "after: from [ppm]",
         "test_high": "to [ppm]", "aicc": "AICc", "r2": "R²"}  # fmt: skip
_UNIT = re.compile(r"_(lb_ac|kg_ha|bu_ac|t_ha|gal_ac|pct|ac|ha|days|ft|m|lb)$")
_UNITS = {"pct": "%"}
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
        parts = [_part(section, notes) for section in value.answer.sections]
        return "".join(parts) + _at_the_foot(notes)
    if isinstance(value, pd.DataFrame):
        return table(value)
    if hasattr(value, "lines") and hasattr(value, "summary"):
        notes = Notes(getattr(value, "sources", None))
        return prose(value.lines(), notes) + _at_the_foot(notes)
    sheet = Sheet(value)
    says = in_a_line(sheet.figure)
    return sheet.html(says, still=still)


@dataclass(frozen=True)
class AllParts:
    """An answer to be shown with all its parts, as its page does."""

    answer: object


def _part(section, notes: Notes) -> str:
    """Show one part of an answer, without what it links to."""
    lines = [line if isinstance(line, Line) else told(line) for line in section.lines]
    parts = [f"<h3>{escape(section.title)}</h3>", prose(lines, notes)]
    if section.figure is not None:
        parts.append(Sheet(drawn(section.figure)).html(section.figure_says))
    for title, texts in (("What to do", section.do), ("What not to do", section.leave)):
        if texts:
            parts += [f"<p><b>{title}</b></p>" * (title != section.title), bullets(map(notes.put, texts))]
    for one in section.tables:
        parts += [f"<p><b>{escape(one.title)}</b></p>", table(shown(one.frame), notes)]
    parts += [cautions(map(notes.put, section.cautions))] if section.cautions else []
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


def _piece(line: Line, notes: Notes) -> str:
    if line.kind == Kind.HEAD:
        return f"<h3>{escape(line.text)}</h3>"
    if line.kind == Kind.SKETCH:  # a row that stands for a place in the field keeps its spaces
        return f'<pre class="fertkit-row" tabindex="0">{escape(line.text)}</pre>'
    label = f"{capital(line.label)}: " if line.label else ""
    text = f"<p{_class(line)}>{escape(notes.put(label + _cited(line)))}"
    if not line.items:
        return f"{text}</p>"
    return f'<div class="fertkit-quiet">{text}:</p>{bullets(map(notes.put, line.items))}</div>'


def _item(line: Line, notes: Notes) -> str:
    colon = "" if line.kind == Kind.ROW else ":"
    label = f"<b>{escape(capital(line.label))}{colon}</b> " if line.label else ""
    return f"<li{_class(line)}>{label}{escape(notes.put(_cited(line)))}</li>"


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


# ---- tables and links


def table(frame: pd.DataFrame, notes: Notes | None = None) -> str:
    """Show a table, at most `SHOWN_ROWS` rows of it; it scrolls sideways by keyboard too."""
    shown = for_people(frame.head(SHOWN_ROWS))
    named = notes.put if notes else short_names
    shown = shown.map(lambda cell: named(cell) if isinstance(cell, str) else cell)
    more = f"<p>{len(frame) - len(shown)} more rows in the download.</p>" if len(frame) > len(shown) else ""
    scrolls = '<div class="fertkit-scroll" tabindex="0" role="region" aria-label="table">'
    return f"{scrolls}{table_html(shown)}</div>{more}"


def for_people(frame: pd.DataFrame) -> pd.DataFrame:
    """Write headers and answers of yes or no as people do."""
    shown = {name: column.map({True: "yes", False: "no"}) if column.dtype == bool else column
             for name, column in frame.items()}  # fmt: skip
    return pd.DataFrame(shown, index=frame.index).rename(columns=head)


def head(column) -> str:
    """Write the name of a column for people: ``rate_lb_ac`` -> ``rate [lb/ac]``."""
    name, unit = _SAID.get(str(column), str(column)), ""
    if not name.isidentifier():
        return name
    if ending := _UNIT.search(name):
        name, unit = name[: ending.start()], f" [{_UNITS.get(ending[1], ending[1].replace('_', '/'))}]"
    return name.removesuffix("_id").replace("_", " ") + unit


def checks(frame: pd.DataFrame) -> str:
    """Show the checks of a result; what one means holds where it is not passed."""
    passed = frame["passed"].map({True: "yes", False: "no"}).fillna("not judged")
    return table(frame.assign(passed=passed).rename(columns={"meaning": "if not passed"}))


def sources(notes: Notes) -> str:
    """List citations by their numbers; a result without any used no published value."""
    rows = [{"no": number} | row for number, row in notes.listed]
    if not rows:
        return "<p>No published value was used.</p>"
    frame = pd.DataFrame(rows).drop(columns="source_key").fillna("")
    return table(frame.replace("from_memory", "from memory", regex=True))


def for_coders(html: str) -> str:
    """Mark what speaks of code; pages leave it out."""
    return f'<span class="lab-only">{html}</span>'


def download(words: str, name: str, content: str | bytes, kind: str = "text/csv") -> str:
    """Give a link that saves a text or a file under a name, without a server."""
    address = _data_address(content.encode("utf-8") if isinstance(content, str) else content, kind)
    return f'<a class="fertkit-save" download="{escape(name)}" href="{address}">{escape(words)}</a>'


def _svg_address(content: bytes) -> str:
    return _data_address(content, "image/svg+xml")


def _data_address(content: bytes, kind: str) -> str:
    return f"data:{kind};base64,{b64encode(content).decode('ascii')}"


# ---- what went wrong


def banner(error: Exception, doing: str = "", old: str = "") -> str:
    """Say in one plain sentence what went wrong, with every problem of a file below it; never a traceback.

    `old` says whose figures are still shown below.
    """
    places = ""
    if isinstance(error, InputError):
        count = len(error.problems)
        text = f"{error.file} cannot be used: {count} problem{'s' * (count > 1)} to fix."
        places = bullets(capital(one.plain) for one in error.problems[: InputError.SHOWN])
    else:
        text = error.plain or type(error).__name__
    stays = f'<div class="fertkit-old-said">{paragraphs(old)}</div>' if old else ""
    return _alert(f"Stopped while {doing}: {text}" if doing else f"{capital(text)}.", places) + stays


def unexpected(error: Exception, doing: str, old: str = "") -> str:
    """Say that something went wrong that nobody foresaw."""
    kind = f"{type(error).__name__}: {' '.join(str(error).split())}"[:300]
    what = f"Stopped while {doing}: an unexpected error ({kind})."
    return _alert(f"{what} Change a setting or press Start over.")


def _alert(text: str, places: str = "") -> str:
    return f'<div role="alert" class="fertkit-banner"><p>{escape(text)}</p>{places}</div>'


# ---- the figure


def empty() -> str:
    """Hold the place of a figure that is not there."""
    return '<div class="fertkit-figure fertkit-empty">No result to show.</div>'


class Sheet:
    """A figure on show: its axes keep their places while a slider moves what they show.

    Finding places takes half the time of a drawing, and a figure that stays put does not jump under the eye.

    Parameters
    ----------
    ax : Axes
        Of a figure whose parts all belong to axes.
    """

    def __init__(self, ax):
        from matplotlib.backends.backend_svg import FigureCanvasSVG

        self.figure = ax.get_figure()
        self._smallest = smallest_text(self.figure)
        self.figure.set_dpi(POINTS)
        FigureCanvasSVG(self.figure)
        self._layout = self.figure.get_layout_engine()
        self._kept = {}  # of each part of the figure where it stood and what was written of it
        self._arrange()

    def _arrange(self) -> None:
        """Give axes and legends their places, which they keep."""
        if self._layout:
            self._layout.execute(self.figure)
            self.figure.set_layout_engine("none")

    def svg(self) -> bytes:
        """Draw the figure, its letters as outlines: it looks the same wherever it is opened."""
        file = BytesIO()
        self.figure.canvas.print_svg(file)
        return file.getvalue()

    def quick(self) -> bytes:
        """Draw the figure for a screen, its letters as letters; what did not change is not written again.

        Axes are kept with their ticks while their limits and places stay, and of the rest what is not stale.
        """
        from matplotlib import rc_context
        from matplotlib.axis import Axis

        kept, self._kept = self._kept, {}
        size = self.figure.get_size_inches() * POINTS
        start, _ = _drawn(None, size)
        with rc_context({"svg.fonttype": "none", "text.parse_math": False}):
            for part, place in _parts(self.figure):
                before, drawn = kept.get(part, (None, ""))
                if before != place or (part.stale and not isinstance(part, Axis)):
                    _, drawn = _drawn(part, size)
                self._kept[part] = place, drawn
        return "".join([start, *(drawn for _, drawn in self._kept.values()), "</svg>"]).encode("utf-8")

    def again(self, move: Callable) -> None:
        """Let `move` change what the axes show; limits stay where they serve, and so do places."""
        before = [(ax, ax.get_ylim(), *_heights(ax)) for ax in self.figure.axes]
        move(*self.figure.axes)
        for ax, (low, high), *_ in before:
            least, most = ax.get_ylim()
            if low <= least and most <= high and most - least >= KEPT * (high - low):
                ax.set_ylim(low, high, auto=None)  # the next move may need others
        if before != [(ax, ax.get_ylim(), *_heights(ax)) for ax in self.figure.axes]:
            self._arrange()  # another legend, longer numbers or more lines of a title need other room

    def html(self, says: str, *, moves: bool = False, still: bool = False) -> str:
        """Show it in a box of fixed proportions that scrolls, its message as the alternative text.

        Of one that `moves` the browser draws the letters, quicker than outlines of a thousand of them. One
        that stands `still` comes with a form for telephones, of which a browser takes the one that fits.
        """
        width, height = self._pixels()
        least = ceil(self.figure.get_figwidth() * POINTS * READABLE / self._smallest)
        image = (
            f'<img class="fertkit-figure" src="{_svg_address(self.quick() if moves else self.svg())}" '
            f'alt="{escape(says)}" width="{width}" height="{height}" '
            f'style="aspect-ratio: {width} / {height}; min-width: {least}px">'
        )
        if still and getattr(self.figure, "anew", None):
            image = f"<picture>{self._for_telephones()}{image}</picture>"
        return f'<div class="fertkit-wide" tabindex="0" role="group" aria-label="figure">{image}</div>'

    def _for_telephones(self) -> str:
        from fertkit.plots.style import on_a_page

        with on_a_page(TELEPHONE):
            small = Sheet(self.figure.anew())
        width, height = small._pixels()
        return (
            f'<source media="(max-width: 600px)" srcset="{_svg_address(small.svg())}" '
            f'width="{width}" height="{height}">'
        )

    def _pixels(self) -> list[int]:
        return [round(side * 100) for side in self.figure.get_size_inches()]


def _heights(ax):
    """What the room around axes depends on: the legend and the lines of the title."""
    return ax.get_legend(), ax.get_title(loc="left").count("\n")


def _parts(figure):
    """Give what a figure is drawn of, in its order, each with what its look depends on beside itself."""
    size = tuple(figure.get_size_inches())
    for one in sorted(figure.get_children(), key=lambda one: (one is not figure.patch, one.get_zorder())):
        if one not in figure.axes:
            yield one, size
            continue
        place = (size, one.get_position().bounds, one.get_xlim(), one.get_ylim())
        for part in sorted(one.get_children(), key=lambda part: (part is not one.patch, part.get_zorder())):
            yield part, place


def _drawn(part, size) -> tuple[str, str]:
    """Give how an SVG of a size begins, and what is written of a part of a figure."""
    from matplotlib.backends.backend_svg import RendererSVG

    from fertkit.plots.style import as_they_stand

    file = StringIO()
    pen = RendererSVG(*size, file, metadata=dict.fromkeys(("Creator", "Date", "Format", "Type")))
    start = file.getvalue()
    if part is not None:
        as_they_stand(part)
        part.draw(pen)
        pen.finalize()
    return start, file.getvalue()[len(start) :].removesuffix("</svg>\n")


def smallest_text(figure) -> float:
    """Give the size of the smallest letters of a figure [pt]; `READABLE` if it has none."""
    from matplotlib.text import Text

    shown = (one.get_fontsize() for one in figure.findobj(Text) if one.get_text() and one.get_visible())
    return min(shown, default=READABLE)
