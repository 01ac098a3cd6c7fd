"""Assemble one self-contained HTML page: text, figures, tables, cautions and sources.

The page holds no script and asks nothing of the network: figures are inlined as SVG pictures with their
message as alternative text; the style sheet is inside and has a print form.
"""

import warnings
from base64 import b64encode
from dataclasses import dataclass
from importlib.resources import files
from io import BytesIO

import pandas as pd

import fertkit
from fertkit.asked import asks, each_of, holding, lines
from fertkit.errors import harmless
from fertkit.reference.load import list_sources
from fertkit.report.tables import ROUNDING, Table, shown
from fertkit.results import plain


@dataclass(frozen=True)
class Section:
    """One part of a page.

    Attributes
    ----------
    title : str
    paragraphs, cautions : tuple of str
        Plain text; cautions are set apart.
    figure : matplotlib Axes or None
        The figure it belongs to is drawn.
    figure_says : str
        The message of the figure in words; shown below it and read by a screen reader.
    tables : tuple of Table
        Numbers are rounded by the one rule.
    do, leave : tuple of str
        What to do and what not, side by side.
    links : tuple of (str, str)
        Address and text of pages beside this one.
    """

    title: str
    paragraphs: tuple[str, ...] = ()
    figure: object = None
    figure_says: str = ""
    tables: tuple[Table, ...] = ()
    do: tuple[str, ...] = ()
    leave: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    links: tuple[tuple[str, str], ...] = ()


def svg_picture(ax) -> str:
    """Give the figure of an axes as an SVG data address, the same bytes for the same figure."""
    import matplotlib as mpl

    picture = BytesIO()
    style = {"svg.hashsalt": "fertkit", "svg.fonttype": "path"}
    with mpl.rc_context(style), warnings.catch_warnings():
        # A name in a script the font lacks is drawn as boxes; the page beside it has it in full.
        warnings.filterwarnings("ignore", message="Glyph", category=UserWarning)
        ax.get_figure().savefig(picture, format="svg", metadata={"Date": None, "Creator": None})
    drawn = harmless(picture.getvalue().decode("utf-8")).encode("utf-8")  # names stand in its comments too
    return "data:image/svg+xml;base64," + b64encode(drawn).decode("ascii")


def inches(ax) -> str:
    """Give the width of the figure of an axes, so that all figures are printed at one scale [in]."""
    return plain(ax.get_figure().get_figwidth())


@asks(
    sections=each_of(holding("title", "paragraphs", "tables", like="a Section or a list of them")),
    lead=lines,
)  # fmt: skip
def render_page(title: str, sections, *, lead=(), sources: pd.DataFrame | None = None) -> str:
    """Render a page.

    Parameters
    ----------
    title : str
    sections : iterable of Section
    lead : iterable of str
        The short answer, as lines at the top.
    sources : DataFrame, optional
        Citations as `fertkit.reference.list_sources` gives them.

    Returns
    -------
    str
        A whole HTML document; every text of the user is escaped.

    Examples
    --------
    >>> from fertkit.report import render_page
    >>> from fertkit.report import Section
    >>> page = render_page("North field", [Section("What was found", paragraphs=("K is <low>.",))])
    >>> "K is &lt;low&gt;." in page
    True
    """
    from jinja2 import Environment

    home = files("fertkit.report") / "templates"
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    environment.filters |= {"svg_picture": svg_picture, "inches": inches, "shown": shown}
    template = environment.from_string((home / "page.html").read_text(encoding="utf-8"))
    page = template.render(
        title=title,
        lead=list(lead),
        sections=list(sections),
        sources=[] if sources is None else sources.to_dict("records"),
        style=(home / "page.css").read_text(encoding="utf-8"),
        rounding=ROUNDING,
        version=fertkit.__version__,
    )
    return harmless(page)


def cited(sources: pd.DataFrame, keys=()) -> pd.DataFrame:
    """Give citations with those of more keys, each once."""
    return list_sources(list(dict.fromkeys([*sources["source_key"], *keys])))
