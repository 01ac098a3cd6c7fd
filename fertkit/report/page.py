"""Assemble one self-contained HTML page: text, figures, tables, cautions and sources.

The page holds no script and asks nothing of the network: figures are inlined as SVG pictures with their
message as alternative text; the style sheet is inside and has a print form.
"""

import re
import warnings
from base64 import b64encode
from functools import cache
from importlib.resources import files
from io import BytesIO

import pandas as pd

import fertkit
from fertkit.asked import asks, each_of, holding, lines
from fertkit.errors import harmless
from fertkit.reference.load import PART_OF_A_NAME, keys_within, list_sources
from fertkit.results import alike, plain, plain_p
from fertkit.say.line import HANGING, Deferring, Kind

#: Said at the foot of every page.
ROUNDING = (
    "Numbers are rounded to three significant digits, or to whole units where these are more; probabilities "
    "to two, the smallest as < 0.001, those next to 1 as > 0.99."
)

# What a drawing is made lighter by: a hundredth of a point is seen by nobody, indents and names of groups by
# no reader, and every text of a figure has the same family.
_TAG = re.compile("<[^>]*>")
_PLACES = re.compile(r' (?:d|x|y|transform)="[^"]*"')
_DIGITS = re.compile(r"(\.\d\d)\d+")
_ZEROS = re.compile(r"(\.\d*?)0+(?!\d)")
_BARE = re.compile(r"(?<=[A-Za-z]) (?=[-\d])|(?<=\d) (?=[A-Za-z])|\.(?!\d)")
_FAMILY = re.compile(r" font-family: ([^;\"]*);")
_INDENTS = re.compile(r">\s+<")
_GROUPS = re.compile(r'<g id="[^"]*"')


class Notes:
    """Numbers of the sources of a page, by which sentences and cells for people name them.

    Parameters
    ----------
    cited : DataFrame, optional
        Sources, in the order of their numbers; others get the next number when a sentence names them.
    first : iterable of str
        Keys whose numbers come before.

    Attributes
    ----------
    used : set of str
        Keys for which a number was put.
    """

    def __init__(self, cited: pd.DataFrame | None = None, first=()):
        given = [] if cited is None or cited.empty else cited.to_dict("records")
        self._rows = {row["source_key"]: row for row in given}
        self._of, self.used = {key: n for n, key in enumerate(first, 1)}, set()
        for key in self._rows:
            self._number(key)

    def _number(self, key: str) -> str:
        """The number of a source; a table of the user's own keeps its name."""
        if key not in _bundled() and key not in self._of:
            return key
        return str(self._of.setdefault(key, len(self._of) + 1))

    @property
    def listed(self) -> list[tuple[str, dict]]:
        """Number and row of every source, those that were named among them."""
        held = self._rows | {
            row["source_key"]: row for row in list_sources(list(self._of)).to_dict("records")
        }
        return [(self._number(key), held[key]) for key in dict.fromkeys([*self._of, *self._rows])]

    def anew(self) -> "Notes":
        """Return these notes with none of them used."""
        self.used.clear()
        return self

    def put(self, text: str) -> str:
        """Return a text with numbers in place of the keys of its sources."""
        keys = keys_within(text)
        return _runs(keys).sub(self._put, text) if keys else text

    def _put(self, run) -> str:
        opened, closed = run[1], run[3]
        if not opened and PART_OF_A_NAME.search(run.string, 0, run.start()):
            return run[0]
        keys = re.split("[,;] ?", run[2])
        self.used.update(keys)
        numbers = sorted(map(self._number, keys), key=lambda one: (len(one), one))
        one = f"[{', '.join(numbers)}]"
        return one if opened and closed else f"{opened}{one}{closed}"


@cache
def _bundled() -> frozenset[str]:
    return frozenset(list_sources()["source_key"])


@cache
def _runs(keys: frozenset) -> re.Pattern:
    """Keys of sources beside each other, with the brackets around them."""
    one = rf"\b(?:{'|'.join(sorted(keys))})\b"
    return re.compile(rf"([\[(]?)({one}(?:[,;] ?{one})*)([\])]?)")


def shown(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the cells of a table as text by the rounding rule: gaps blank, columns of gaps left out."""
    text = {i: _texts(name, column) for i, (name, column) in enumerate(frame.items())}
    held = [i for i, cells in text.items() if any(cells) or not len(frame)]
    return pd.DataFrame({i: text[i] for i in held}).set_axis([frame.columns[i] for i in held], axis=1)


def _texts(name, column) -> list[str]:
    """The cells of a column; its numbers have equally many decimals."""
    is_p = name == "p" or str(name).endswith(", p")
    if is_p or column.dtype.kind != "f":
        return [_text(value, is_p) for value in column]
    return ["" if gap else text for gap, text in zip(column.isna(), alike(*column), strict=True)]


def _text(value, is_p) -> str:
    if isinstance(value, str):
        return value.replace("from_memory", "from memory")
    if value is None or pd.isna(value):
        return ""
    if pd.api.types.is_bool(value):
        return "yes" if value else "no"
    if pd.api.types.is_number(value):
        return plain_p(value).removeprefix("= ").replace(" ", "\u00a0") if is_p else plain(value)
    return str(value)


def svg_picture(ax) -> str:
    """Return the figure of an axes as an SVG data address, the same bytes for the same figure."""
    import matplotlib as mpl

    picture = BytesIO()
    style = {"svg.hashsalt": "fertkit", "svg.fonttype": "none"}
    with mpl.rc_context(style), warnings.catch_warnings():
        # A name in a script the font lacks is drawn as boxes; the page beside it has it in full.
        warnings.filterwarnings("ignore", message="Glyph", category=UserWarning)
        ax.get_figure().savefig(picture, format="svg", metadata={"Date": None, "Creator": None})
    drawn = _light(harmless(picture.getvalue().decode("utf-8")))  # names stand in it
    return "data:image/svg+xml;base64," + b64encode(drawn.encode("utf-8")).decode("ascii")


def _light(drawn: str) -> str:
    """Return a drawing with the same look in fewer letters; what is written in it stays."""
    drawn = "<svg" + _INDENTS.sub("><", drawn).partition("<svg")[2].rstrip()
    drawn = _GROUPS.sub("<g", re.sub("<metadata>.*?</metadata>", "", drawn))
    families = set(_FAMILY.findall("".join(_TAG.findall(drawn))))
    if len(families) == 1:
        family = f'<style type="text/css">text{{font-family: {families.pop()}}} '
        drawn = _TAG.sub(lambda tag: _FAMILY.sub("", tag[0]), drawn)
        drawn = drawn.replace('<style type="text/css">', family, 1)
    return _TAG.sub(lambda tag: _PLACES.sub(_shorter, tag[0]), drawn)


def _shorter(attribute) -> str:
    name, _, numbers = attribute[0].partition("=")
    numbers = _ZEROS.sub(r"\1", _DIGITS.sub(r"\1", " ".join(numbers.split())))
    return f"{name}={_BARE.sub('', numbers)}"


def _inches(ax) -> str:
    """Width of the figure of an axes, so that all figures are printed at one scale [in]."""
    return plain(ax.get_figure().get_figwidth())


def drawn(figure):
    """Return the axes of a figure, drawn now where it is told how."""
    return figure() if callable(figure) else figure


def _titles(ax):
    """What a figure says above its axes."""
    titles = (axes.get_title(side) for axes in ax.figure.axes for side in ("left", "center", "right"))
    return {" ".join(title.split()) for title in titles}


def _said(line) -> str:
    """A line without what to type: a page has no command line."""
    return getattr(line, "plain", line).strip()


@cache
def _template():
    """The template of every page, compiled once; each page brings the notes that number its sources."""
    from jinja2 import Environment, pass_context

    home = files("fertkit.report") / "templates"
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    noted = pass_context(lambda page, text: page["notes"].put(text))
    environment.filters |= {"inches": _inches, "shown": shown, "drawn": drawn, "said": _said, "noted": noted}
    style = (home / "page.css").read_text(encoding="utf-8")
    same = {"hanging": HANGING, "head": Kind.HEAD, "rounding": ROUNDING, "version": fertkit.__version__}
    return environment.from_string((home / "page.html").read_text(encoding="utf-8"), same | {"style": style})


@asks(
    sections=each_of(holding("title", "lines", "tables", like="a Section or a list of them")), lead=lines,
    sheet=holding("head", "lines", "words", like="a Sheet"),
)  # fmt: skip
def render_page(title: str, sections, *, lead=(), sources: pd.DataFrame | None = None, sheet=None) -> str:
    """Render a page.

    Parameters
    ----------
    title : str
    sections : iterable of Section
    lead : iterable of Line or str
        The short answer, at the top.
    sources : DataFrame, optional
        Citations as `fertkit.reference.list_sources` gives them.
    sheet : Sheet, optional
        What a grower reads (`fertkit.report.sheet`): it leads the page and is printed alone; the sections
        fold away below it until they are opened.

    Returns
    -------
    str
        A whole HTML document; every text of the user is escaped.

    Examples
    --------
    >>> from fertkit.report import Section, render_page
    >>> page = render_page("North field", [Section("What was found", lines=("K is <low>.",))])
    >>> "K is &lt;low&gt;." in page, "<script" in page
    (True, False)
    """
    notes = Notes(sources, sheet.keys if sheet else ())
    sections, lead = list(sections), list(lead)
    cautions = [text for one in sections for text in one.cautions]
    told = [getattr(line, "text", line) for line in lead] + cautions
    page = _template().render(
        title=title, lead=lead, sections=sections, notes=notes, sheet=sheet, svg_picture=svg_picture,
        heard=lambda section, ax: {*map(_said, lead), *map(_said, section.lines), *_titles(ax)},
        deferred=any(isinstance(text, Deferring) for text in told),
    )  # fmt: skip
    return harmless(page)
