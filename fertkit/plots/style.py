"""One palette and the marks every figure shares.

Colour is never alone: a curve also has its dash, a class its hatch and marker. The hues (blue against orange,
with neutrals) stay apart under the common colour-vision deficiencies, and the dark, middle and light steps
stay apart in grey print. Figures are made without pyplot's global state and show themselves in a notebook.
"""

from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

from fertkit.errors import harmless

#: What each colour is for.
COLOURS = {
    "ink": "#1b2430",  # text, axes, data points
    "quiet": "#5f6b78",  # secondary text and marks
    "grid": "#dde2e8",
    "fill": "#eef1f5",  # quiet background of a region
    "curve": "#1d4e89",  # the fitted curve, the main series
    "accent": "#d1661b",  # the answer: optimum, best rate
    "warn": "#7a1f4f",  # outside the data, not estimable
    "band": "#a9c3e0",  # uncertainty
}

#: Type sizes [pt] at the printed size of the figure.
SMALL, TEXT, TITLE = 9, 10, 11.5
#: Printed widths [in]: one column of a page, the whole page.
COLUMN, PAGE = 3.6, 6.7


@dataclass(frozen=True)
class Mark:
    """How one class of tissue value is drawn; any one of the three tells it apart from its neighbours."""

    colour: str
    hatch: str
    marker: str
    filled: bool


#: Shade runs from dark orange over near-white to dark blue; hatch and marker repeat the message in grey.
CLASS_MARKS = {
    "deficient": Mark("#b4500f", "////", "v", True),
    "low": Mark("#f0bd8f", "//", "v", False),
    "sufficient": Mark("#eef1f5", "", "o", True),
    "high": Mark("#a9c3e0", "..", "^", False),
    "excessive": Mark("#1d4e89", "xxx", "^", True),
    "no published range": Mark("#ffffff", "", "s", False),
    "cannot be classed": Mark("#ffffff", "--", "x", True),
}

#: Colour and dash of each response curve, the same in every figure.
CURVE_LINES = {
    "mean": ("#5f6b78", (0, (1, 4))),
    "linear": ("#5f6b78", (0, (6, 1.6, 1, 1.6, 1, 1.6))),
    "quadratic": ("#d1661b", (0, (6, 2))),
    "square_root": ("#d1661b", (0, (1, 1.6))),
    "linear_plateau": ("#7a1f4f", (0, (6, 2, 1, 2))),
    "quadratic_plateau": ("#1d4e89", "solid"),
    "mitscherlich": ("#4c93c9", "solid"),
    "spherical": ("#4c93c9", (0, (3, 1.4))),
}


class _ShowsItself:
    """Let a notebook show a figure or its axes as a picture, whatever backend is set."""

    def _repr_png_(self) -> bytes:
        picture = BytesIO()
        self.get_figure().savefig(picture, format="png", dpi=110)
        return picture.getvalue()


class FertkitFigure(_ShowsItself, Figure):
    """A figure outside pyplot's list of open figures: nothing to close, nothing to leak."""

    def get_figure(self, root=None):
        return self

    def draw(self, renderer):
        """Draw every text as it stands: a dollar sign in a name is no formula."""
        for text in self.findobj(Text):
            text.set_parse_math(False)
            text.set_text(harmless(text.get_text()))
        with rc_context({"text.parse_math": False}):  # for ticks, which are made while drawing
            super().draw(renderer)


class FertkitAxes(_ShowsItself, Axes):
    """Axes whose notebook picture is their whole figure."""


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
    figure = FertkitFigure(figsize=(width, height), layout="constrained", facecolor="white")
    return figure.subplots(rows, columns, subplot_kw={"axes_class": FertkitAxes}, **options)


def finish(ax, *, title: str = "", xlabel: str = "", ylabel: str = "", grid: str | None = "y"):
    """Give an axes the house form: quiet frame, left-hand title, readable type; return it."""
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_color(COLOURS["quiet"])
    ax.tick_params(labelsize=SMALL, colors=COLOURS["ink"], length=3)
    ax.set_axisbelow(True)
    if grid:
        ax.grid(axis=grid, color=COLOURS["grid"], linewidth=0.7)
    if title:
        entitle(ax, title)
    if xlabel:
        ax.set_xlabel(xlabel, fontsize=TEXT, color=COLOURS["ink"])
    if ylabel:
        ax.set_ylabel(ylabel, fontsize=TEXT, color=COLOURS["ink"])
    return ax


def entitle(ax, title: str) -> None:
    """Set the title of an axes in house form."""
    ax.set_title(title, loc="left", fontsize=TITLE, fontweight="bold", color=COLOURS["ink"])


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


def legend(ax, **options):
    """Add the legend in house form, of `handles` or of all that has a label; none if nothing has."""
    if not options.get("handles", ax.get_legend_handles_labels()[0]):
        return None
    options = {"facecolor": "white", "edgecolor": "none", "framealpha": 0.85} | options
    options = {"fontsize": SMALL, "labelcolor": COLOURS["ink"]} | options
    return ax.legend(**options)


def interval_mark(ax, low, high, y, *, point=None, open_low=False, open_high=False, label=None, colour=None):
    """Draw an interval lengthwise at height `y` (axes fraction): a bar, with an arrow at an open end.

    Parameters
    ----------
    low, high : float
        Ends on the x axis; an open end is drawn there as an arrow.
    y : float
        Height as a fraction of the axes (0-1).
    point : float, optional
        Estimate, marked with a diamond unless an open end stands there.
    """
    colour = colour or COLOURS["accent"]
    place = ax.get_xaxis_transform()
    ax.plot([low, high], [y, y], transform=place, color=colour, lw=3.2, solid_capstyle="butt",
            alpha=0.55, label=label, clip_on=False, zorder=4)  # fmt: skip
    for end, is_open, arrow in ((low, open_low, "<"), (high, open_high, ">")):
        ax.plot([end], [y], transform=place, color=colour, marker=arrow if is_open else "|",
                ms=8 if is_open else 10, mew=1.6, ls="none", clip_on=False, zorder=5)  # fmt: skip
    if point is not None and not (open_high and point >= high) and not (open_low and point <= low):
        ax.plot([point], [y], transform=place, color=colour, marker="D", ms=6, mec="white", mew=0.8,
                ls="none", clip_on=False, zorder=6)  # fmt: skip
