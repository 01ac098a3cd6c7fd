"""The axes of the house, and what every figure has: a title, units, a key below.

Figures are made without pyplot's global state and show themselves in a notebook.
"""

from contextlib import contextmanager
from contextvars import ContextVar
from functools import partial, wraps
from io import BytesIO
from textwrap import fill, wrap
from warnings import catch_warnings, filterwarnings

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.text import Text
from matplotlib.textpath import text_to_path
from matplotlib.ticker import FixedLocator
from matplotlib.transforms import Bbox, ScaledTranslation

from fertkit.errors import harmless
from fertkit.plots.palette import LETTER, PAGE, SMALL, TEXT, TITLE, hue


class _ShowsItself:
    """Let a notebook show a figure or its axes as a picture, whatever backend is set."""

    def _repr_png_(self) -> bytes:
        picture = BytesIO()
        self.get_figure().savefig(picture, format="png", dpi=110)
        return picture.getvalue()


class _Layout(ConstrainedLayoutEngine):
    """Moves axes twice, as their widths need, and measures what stands around them once.

    What is written along them is broken to the room that is left then.
    """

    def execute(self, fig):
        self._place(fig)
        before = [_along(ax) for ax in fig.axes]
        for ax in fig.axes:
            place = ax.get_position()
            ax.begins = 72 * fig.get_figwidth() * place.x0
            if hasattr(ax, "titled"):
                entitle(ax, ax.titled)
            middle = (place.x0 + place.x1) / 2  # where a label below the axes has its own
            room = 144 * fig.get_figwidth() * min(middle, 1 - middle) - 6
            label = _broken(" ".join(ax.get_xlabel().split()), room, size=ax.xaxis.label.get_size())
            if label != ax.get_xlabel():
                _relabel(ax, label)
        if before != [_along(ax) for ax in fig.axes]:
            self._place(fig)

    def _place(self, fig):
        for ax in fig.axes:
            ax.around = None
        super().execute(fig)


def _along(ax) -> tuple[str, str]:
    return ax.get_title(loc="left"), ax.get_xlabel()


class FertkitFigure(_ShowsItself, Figure):
    """A figure outside pyplot's list of open figures: nothing to close, nothing to leak."""

    grows = False  # whether what is drawn makes its room itself
    anew = None  # draws the same on a figure of its own, as wide as there is room then

    def get_figure(self, root=None):
        return self

    def draw(self, renderer):
        """Draw every text as it stands."""
        as_they_stand(self)
        layout = self.get_layout_engine()
        with rc_context({"text.parse_math": False}):  # for ticks, which are made while drawing
            # A save first draws with nothing to see, for the places alone; then it draws without a layout.
            if self.canvas.is_saving() and isinstance(layout, _Layout):
                layout.execute(self)
            else:
                super().draw(renderer)


def as_they_stand(artist) -> None:
    """Keep the texts of a part of a figure from being read as formulas: a dollar sign in a name is none."""
    for text in artist.findobj(Text):
        text.set_parse_math(False)
        text.set_text(harmless(text.get_text()))


class FertkitAxes(_ShowsItself, Axes):
    """Axes whose notebook picture is their whole figure."""

    around = None  # what stands around the axes in the layout that is being made [pixels]

    def get_tightbbox(self, renderer=None, *, for_layout_only=False, **options):
        """As of all axes; in a layout with what stood around them the first time."""
        if not for_layout_only:
            return super().get_tightbbox(renderer, **options)
        inner = self.get_window_extent(renderer).extents
        if self.around is None:
            self.around = super().get_tightbbox(renderer, for_layout_only=True, **options).extents - inner
        return Bbox.from_extents(*(inner + self.around))


_narrow: ContextVar[float] = ContextVar("narrow", default=np.inf)


@contextmanager
def on_a_page(width: float):
    """Make figures inside this at most so wide [in], as a narrow screen has room."""
    before = _narrow.set(width)
    try:
        yield
    finally:
        _narrow.reset(before)


def new_axes(rows: int = 1, columns: int = 1, *, width: float = PAGE, height: float = 3.6, **options):
    """Make a figure of our house and give its axes.

    Parameters
    ----------
    rows, columns : int
        Panels.
    width, height : float
        Size of the printed figure [in].
    **options
        Passed to ``Figure.subplots`` (``sharex``, ``height_ratios``, ...).

    Returns
    -------
    Axes or array of Axes
        The figure is ``ax.figure``.
    """
    figure = FertkitFigure(figsize=(min(width, _narrow.get()), height), layout=_Layout(), facecolor="white")
    figure.subplotpars.update(left=0.07, right=0.985, top=0.95, bottom=0.12)  # about where they end up
    return figure.subplots(rows, columns, subplot_kw={"axes_class": FertkitAxes}, **options)


def figure(*, width: float = PAGE, height: float = 3.1, titled: bool = False):
    """Make a figure of a function that draws a result on axes.

    It gets axes of its own, `height` high before rows and key are added, unless it is given some; a title of
    its own unless the caller has one, of which it is told if `titled`; and returns the axes.
    """

    def made(draw):
        @wraps(draw)
        def drawn(result, ax=None, *, title: str | None = None, **options):
            if ax is None:
                ax = new_axes(width=width, height=height)
                ax.figure.grows = True
                ax.figure.anew = partial(drawn, result, title=title, **options)
            draw(result, ax, **options, **({"title": title} if titled else {}))
            if title is not None:
                entitle(ax, title)
            return ax

        del drawn.__wrapped__  # its own signature is the one to be shown
        return drawn

    return made


def grow(ax, inches: float) -> None:
    """Give a figure more height [in], if it was made for what is drawn on these axes."""
    if getattr(ax.figure, "grows", False):
        ax.figure.set_figheight(ax.figure.get_figheight() + inches)


def is_narrow(ax) -> bool:
    """Whether the page is that of a telephone, about."""
    return bool(ax.figure.get_figwidth() < PAGE / 1.5)


def widen(ax, inches: float) -> None:
    """Give a figure that width [in] at least, on a narrow page too, if it was made for what is drawn here."""
    if getattr(ax.figure, "grows", False):
        ax.figure.set_figwidth(max(ax.figure.get_figwidth(), inches))


def panel_below(ax, height: float):
    """Add axes of the same x axis below, `height` high [in]; None below axes that were given."""
    page = ax.figure
    if not getattr(page, "grows", False):
        return None
    grid = page.add_gridspec(2, 1, height_ratios=[page.get_figheight(), height])
    grow(ax, height)
    ax.set_subplotspec(grid[0])
    ax.tick_params(labelbottom=False)
    return page.add_subplot(grid[1], sharex=ax, axes_class=FertkitAxes)


def panels_beside(ax, count: int) -> list:
    """Add axes beside these, or below where the page is narrow; only these if they were given."""
    page = ax.figure
    if not getattr(page, "grows", False):
        return [ax]
    narrow = is_narrow(ax)
    grid = page.add_gridspec(count, 1) if narrow else page.add_gridspec(1, count)
    grow(ax, narrow * (count - 1) * page.get_figheight())
    ax.set_subplotspec(grid[0])
    return [ax, *(page.add_subplot(grid[i], axes_class=FertkitAxes) for i in range(1, count))]


#: Widths of figures of a paper [mm], and the least size of its letters [pt].
JOURNAL_WIDTHS, LEAST_LETTER = (85, 170), 7


def journal_figure(draw, millimetres: float) -> dict[str, bytes]:
    """Draw a figure at the width of a journal without a title, as SVG and PDF.

    Parameters
    ----------
    draw : callable
        Draws on the axes it is given as ``ax``, such as the `plot` of a result.
    millimetres : float
    """
    ax = new_axes(width=millimetres / 25.4, height=3.1 if millimetres > 120 else 2.4)
    page = ax.figure
    page.grows = True
    draw(ax=ax, title="")
    for one in page.axes:
        entitle(one, "")
    if millimetres < 120:
        for text in page.findobj(Text):
            text.set_fontsize(min(max(text.get_fontsize() - 1.5, LEAST_LETTER), SMALL))
        for one in page.axes:
            one.set_ylabel(fill(one.get_ylabel(), 26))
            _fit_below(one)
    written, style = {}, {"svg.hashsalt": "fertkit", "svg.fonttype": "none", "pdf.fonttype": 42}
    with rc_context(style), catch_warnings():
        filterwarnings("ignore", message="Glyph", category=UserWarning)  # boxes for a script the font lacks
        for kind, undated in (("svg", {"Date": None, "Creator": None}), ("pdf", {"CreationDate": None})):
            page.savefig(held := BytesIO(), format=kind, metadata=undated)
            written[kind] = held.getvalue()
    return written


def _fit_below(ax) -> None:
    """Break the label below narrow axes to their width, and names of ticks to the room that each has."""
    page = ax.figure
    page.draw_without_rendering()
    width, height = ax.get_window_extent().width / page.dpi * 72, _below(ax)
    names = [text.get_text() for text in ax.get_xticklabels()]
    if len(names) > 1 and isinstance(ax.xaxis.get_major_locator(), FixedLocator):
        room = int(width / len(names) / LETTER)
        ax.set_xticks(ax.get_xticks(), [fill(name, max(4, room), break_long_words=False) for name in names])
    _relabel(ax, fill(ax.get_xlabel(), max(20, int(width / LETTER))))
    grow(ax, (_below(ax) - height) / 72)


def _relabel(ax, label: str) -> None:
    """Break the label below axes; their key moves below what it takes then."""
    ax.set_xlabel(label)
    if (key := ax.get_legend()) is not None:
        key.set_bbox_to_anchor((0, 0), _under(ax))


def finish(ax, title: str = "", xlabel: str = "", ylabel: str = "", *, grid: str | None = "y", explain=None):
    """Give an axes the house form: quiet frame, left-hand title, readable type, a key; return it.

    `explain` are the marks of the key, if not all that have a label.
    """
    for axis in (ax.xaxis, ax.yaxis):
        if hasattr(axis.get_major_formatter(), "set_useOffset"):  # numbers in full, never less an offset
            axis.get_major_formatter().set_useOffset(False)
            axis.get_major_formatter().set_scientific(False)
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_color(hue.quiet)
    ax.tick_params(labelsize=SMALL, colors=hue.ink, length=3)
    ax.set_axisbelow(True)
    if grid:
        ax.grid(axis=grid, color=hue.grid, linewidth=0.7)
    if title:
        entitle(ax, title)
    ax.set_xlabel(xlabel, fontsize=TEXT, color=hue.ink)
    ax.set_ylabel(ylabel, fontsize=TEXT, color=hue.ink)
    legend(ax, explain)
    return ax


def entitle(ax, title: str) -> None:
    """Set the title of axes in house form, broken where it would leave the page."""
    ax.titled = title
    spec = ax.get_subplotspec()
    end = _room(ax) * (spec.colspan.stop if spec else 1)
    room = end - getattr(ax, "begins", end - _room(ax) + _aside(ax)) - 3
    lines = "\n".join(_broken(line, room, size=TITLE, weight="bold") for line in title.split("\n"))
    ax.set_title(lines, loc="left", fontsize=TITLE, fontweight="bold", color=hue.ink)


def _broken(line: str, room: float, **font) -> str:
    """Break a line where it would be wider than the room [pt]."""
    wide = lambda text: text_to_path.get_text_width_height_descent(text, FontProperties(**font), False)[0]  # noqa: E731
    if (whole := wide(line)) <= room:
        return line
    for letters in range(int(len(line) * room / whole) + 3, 11, -1):
        parts = wrap(line, letters)
        if all(wide(part) <= room for part in parts):
            break
    return "\n".join(parts)


def subscript(nutrient: str) -> str:
    """Write a nutrient as it is printed: P₂O₅."""
    return {"P2O5": "P₂O₅", "K2O": "K₂O"}.get(nutrient, nutrient)


def note(ax, text: str, at, offset=(0, 0), frame="data", **look):
    """Write a small text at a place, so many points aside."""
    look = {"fontsize": SMALL, "color": hue.ink} | look
    return ax.annotate(text, at, offset, xycoords=frame, textcoords="offset points", **look)


@contextmanager
def redrawn(*axes):
    """Take away what was drawn on the axes inside this before; what is drawn now goes the next time."""
    for one in axes:
        if old := getattr(one, "passing", ()):
            for artist in old:
                artist.remove()
            one.relim()
    staying = [set(one.get_children()) for one in axes]
    yield
    for one, kept in zip(axes, staying, strict=True):
        one.passing = [new for new in one.get_children() if new not in kept]


def legend(ax, marks=None):
    """Explain marks, or all that have a label, below the axes: clear of the data, as wide as there is room.

    Each label stands once. None if nothing has one; what is explained already stays.
    """
    named = {}
    for mark in ax.get_legend_handles_labels()[0] if marks is None else marks:
        named.setdefault(mark.get_label(), mark)
    old = ax.get_legend()
    if not named or getattr(old, "named", None) == list(named):
        return old
    texts, columns = _columns([str(label) for label in named], _room(ax))
    look = {"loc": "upper left", "bbox_to_anchor": (0, 0), "bbox_transform": _under(ax), "borderaxespad": 0}
    look |= {"frameon": False, "borderpad": 0, "fontsize": SMALL, "labelcolor": hue.ink, "handleheight": 0.9}
    look["handlelength"] = 2.6  # shows two dashes of a broken line
    # matplotlib fills column by column; people read row by row
    order = [i for column in range(columns) for i in range(column, len(texts), columns)]
    marks = list(named.values())
    new = ax.legend([marks[i] for i in order], [texts[i] for i in order], ncols=columns, **look)
    for mark in new.legend_handles:
        if getattr(mark, "get_marker", str)() == ".":  # a point of a map is too small to tell its colour
            mark.set(markersize=9, alpha=1)
    new.named = list(named)
    if old is None:
        grow(ax, 0.16 + 0.19 * -(-len(texts) // columns))
    return new


def _under(ax):
    """Where a key goes: below what is written below the axes, from the left of the tick labels."""
    return ax.transAxes + ScaledTranslation(-_aside(ax) / 72, -_below(ax) / 72, ax.figure.dpi_scale_trans)


def _aside(ax) -> float:
    """Width of the tick labels left of the axes [pt]."""
    lines = [line for text in ax.get_yticklabels() for line in text.get_text().split("\n")]
    return 8 + LETTER * max(map(len, lines), default=0)


def _below(ax) -> float:
    """Height of what is written below the axes [pt]."""
    ticks = [] if ax.xaxis.get_ticks_position() == "top" else ax.get_xticklabels()
    lines = max((text.get_text().count("\n") + 1 for text in ticks), default=0)
    label = ax.get_xlabel()
    return 10 + 12 * lines + 14 * (label.count("\n") + 1 if label else 0)


def _columns(labels, room: float):
    """Break labels that are too long for the room, and tell in how many columns they go there."""
    texts = [fill(label, max(20, int((room - 46) / LETTER))) for label in labels]
    for count in range(min(4, len(texts)), 1, -1):
        longest = [max(map(len, texts[column::count])) for column in range(count)]
        if sum(49 + LETTER * n for n in longest) <= room - 8:
            return texts, count
    return texts, 1


def _room(ax) -> float:
    """Width of the page that is the axes' own [pt]."""
    spec = ax.get_subplotspec()
    return 72 * ax.figure.get_figwidth() / (spec.get_gridspec().ncols if spec else 1)
