"""Figures as pictures inside a panel, and drawing again quickly when only a price has moved.

Layout, ticks and text take nearly all the time of a drawing. A `Sheet` keeps the picture of every part of a
figure and draws a part again only when it has changed; axes and legends keep the places of the first drawing,
which also keeps them from jumping under the eye.
"""

from collections.abc import Callable
from html import escape
from io import BytesIO, StringIO
from math import ceil

from fertkit.panels.show import data_address

DPI = 72  # of SVG, where a point is the unit
POINTS = 72  # in an inch
READABLE = 12  # px, of the smallest letters; a picture that would have smaller ones scrolls sideways
KEPT = 0.5  # limits stay while the data lie within them and span at least this share of them


class Sheet:
    """A figure on show.

    Parameters
    ----------
    ax : Axes
        Of a figure whose parts all belong to axes.
    """

    def __init__(self, ax):
        from matplotlib.backends.backend_svg import FigureCanvasSVG

        self.figure, self._parts, self._places = ax.get_figure(), {}, {}
        self.smallest = smallest_text(self.figure)
        self.figure.set_dpi(DPI)
        FigureCanvasSVG(self.figure)
        self._layout = self.figure.get_layout_engine()
        self._arrange()

    def _arrange(self) -> None:
        """Give axes and legends their places, which they keep."""
        if self._layout:
            self._layout.execute(self.figure)
            self.figure.set_layout_engine("none")

    def whole(self) -> bytes:
        """Draw the figure in one piece, as a file for other programs."""
        file = BytesIO()
        self.figure.canvas.print_svg(file)
        return file.getvalue()

    def picture(self) -> bytes:
        """Draw what changed since the last picture, and lay it over the rest."""
        from matplotlib import rc_context

        with rc_context({"svg.fonttype": "none"}):  # the outlines of a thousand letters keep a browser busy
            parts = {self.figure.patch: self._part(self.figure.patch, None)}
            for ax in self.figure.axes:
                view = ax.viewLim.bounds
                ordered = sorted(ax.get_children(), key=lambda one: (one is not ax.patch, one.get_zorder()))
                parts |= {one: self._part(one, view) for one in ordered}
        self._parts = parts
        return f"{self._start()}{''.join(svg for _, svg in parts.values())}</svg>".encode()

    def again(self, move: Callable) -> None:
        """Let `move` change what the axes show; legends and, where they serve, limits stay."""
        self._places = self._places or {ax: _place(ax) for ax in self.figure.axes}
        before = {ax: (*ax.get_ylim(), ax.get_legend()) for ax in self.figure.axes}
        lines = self._title_lines()
        move(*self.figure.axes)
        other = any(ax.get_legend() is not old and not self._places[ax] for ax, (*_, old) in before.items())
        for ax, (low, high, _) in before.items():
            if self._places[ax] and ax.get_legend():
                ax.get_legend().set_loc(self._places[ax])
            now = ax.get_ylim()
            if low <= now[0] and now[1] <= high and now[1] - now[0] >= KEPT * (high - low):
                ax.set_ylim(low, high, auto=None)  # the next move may need others
            other |= ax.get_ylim() != (low, high)
        if other or lines != self._title_lines():
            self._arrange()  # another legend beside the axes, longer numbers or titles need other room

    def _title_lines(self) -> list[int]:
        return [ax.get_title(loc="left").count("\n") for ax in self.figure.axes]

    def _part(self, artist, view):
        from matplotlib.axis import Axis

        known = self._parts.get(artist)
        stale = artist.stale and not isinstance(
            artist, Axis
        )  # axes' limits set to the same make an axis stale
        return known if known and known[0] == view and not stale else (view, self._svg(artist))

    def _svg(self, artist) -> str:
        from matplotlib.backends.backend_svg import RendererSVG

        file = StringIO()
        renderer = RendererSVG(*self._size(), file, image_dpi=DPI, metadata=NO_METADATA)
        artist.draw(renderer)
        renderer.finalize()
        text = file.getvalue()
        inside = text.index(">", text.index("<svg")) + 1, text.rindex("</svg>")
        return f"<g>{text[slice(*inside)]}</g>"

    def _size(self):
        return self.figure.get_size_inches() * DPI

    def _start(self) -> str:
        width, height = self._size()
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
            f'width="{width}pt" height="{height}pt" viewBox="0 0 {width} {height}">'
        )


def html(sheet: Sheet, picture: bytes, says: str) -> str:
    """Show a picture in a box of fixed proportions that scrolls, its message as the alternative text."""
    width, height = (round(side * 100) for side in sheet.figure.get_size_inches())
    least = ceil(sheet.figure.get_figwidth() * POINTS * READABLE / sheet.smallest)
    return (
        f'<div class="fertkit-wide"><img class="fertkit-figure" '
        f'src="{data_address(picture, "image/svg+xml")}" '
        f'alt="{escape(says, quote=True)}" width="{width}" height="{height}" '
        f'style="aspect-ratio: {width} / {height}; min-width: {least}px"></div>'
    )


def smallest_text(figure) -> float:
    """Give the size of the smallest letters of a figure [pt]; `READABLE` if it has none."""
    from matplotlib.text import Text

    shown = (one.get_fontsize() for one in figure.findobj(Text) if one.get_text() and one.get_visible())
    return min(shown, default=READABLE)


NO_METADATA = dict.fromkeys(("Creator", "Date", "Format", "Type"))


def _place(ax) -> str:
    """Name the corner or side of the axes at which its legend stands; empty if there is none inside."""
    if ax.get_legend() is None:
        return ""
    box, room = ax.get_legend().get_window_extent(), ax.bbox
    if not (room.x0 <= box.x0 and box.x1 <= room.x1 and room.y0 <= box.y0 and box.y1 <= room.y1):
        return ""
    across = _side(box.x0 - room.x0, room.x1 - box.x1, ("left", "center", "right"))
    up = _side(box.y0 - room.y0, room.y1 - box.y1, ("lower", "center", "upper"))
    return "center" if up == across else f"{up} {across}"


def _side(below, above, names):
    return names[1] if abs(below - above) < 2 else names[0] if below < above else names[2]
