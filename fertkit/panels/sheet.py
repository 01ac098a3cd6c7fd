"""A figure on show: drawn for a screen, kept while a control moves what it shows, put in a page"""

from base64 import b64encode
from collections.abc import Callable
from html import escape
from io import BytesIO, StringIO
from math import ceil

POINTS = 72  # in an inch, and of an SVG
TELEPHONE = 3.2  # in; about the width of a page on a telephone, letters at their readable size
READABLE = 12  # px, of the smallest letters; a picture that would have smaller ones scrolls sideways
KEPT = 0.5  # limits stay while the data lie within them and span at least this share of them


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
            f'style="aspect-ratio: {width} / {height}; min-width: {least}px; '
            f'--wide: {width / 100:g}; --deep: {height / 100:g}">'
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


def _svg_address(content: bytes) -> str:
    return data_address(content, "image/svg+xml")


def data_address(content: bytes, kind: str) -> str:
    """Give an address that holds the content itself: it needs no file and no network."""
    return f"data:{kind};base64,{b64encode(content).decode('ascii')}"
