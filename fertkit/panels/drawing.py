"""Figures as pictures inside a panel, and drawing again quickly when only a price has moved.

Working out a layout takes longer than drawing: when a slider moves, the figure keeps the places of its axes
and legends from the drawing before, which also keeps them from jumping under the eye.
"""

from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from io import BytesIO

from fertkit.panels.show import data_address


@dataclass(frozen=True)
class Form:
    """Where the parts of a figure lie.

    Attributes
    ----------
    axes : tuple of (left, bottom, width, height)
        As shares of the figure.
    legends : tuple of (x, y) or None
        Lower left corner of the legend of each axes, as shares of the axes; None where it has none.
    """

    axes: tuple
    legends: tuple


def form_of(ax) -> Form:
    """Take the form of a figure that has been drawn."""
    every = ax.get_figure().axes
    return Form(tuple(one.get_position().bounds for one in every), tuple(map(_legend_place, every)))


def draw(make: Callable, form: Form | None = None):
    """Draw a figure, in the form of an earlier one if given.

    Parameters
    ----------
    make : callable
        Makes the figure and gives an axes of it.
    form : Form, optional
        Of an earlier figure with the same axes.

    Returns
    -------
    (Axes, bytes)
        The picture is SVG.
    """
    from matplotlib import rc_context

    # a title at a given height need not be moved out of the way of ticks, which costs a pass over them
    with rc_context({} if form is None else {"axes.titley": 1.0}):
        ax = make()
    if form is not None and len(ax.get_figure().axes) == len(form.axes):
        _take_form(ax, form)
    return ax, _svg(ax)


def html(ax, picture: bytes, says: str) -> str:
    """Show a picture in a box of fixed proportions, its message as the alternative text."""
    width, height = (round(side * 100) for side in ax.get_figure().get_size_inches())
    return (
        f'<img class="fertkit-figure" src="{data_address(picture, "image/svg+xml")}" '
        f'alt="{escape(says, quote=True)}" width="{width}" height="{height}" '
        f'style="aspect-ratio: {width} / {height}">'
    )


def _svg(ax) -> bytes:
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    file = BytesIO()
    FigureCanvasSVG(ax.get_figure()).print_svg(file)
    return file.getvalue()


def _take_form(ax, form: Form) -> None:
    figure = ax.get_figure()
    figure.set_layout_engine("none")
    for one, place, corner in zip(figure.axes, form.axes, form.legends, strict=True):
        one.set_position(place)
        if corner is not None and one.get_legend() is not None:
            one.get_legend().set_loc(corner)


def _legend_place(ax):
    legend = ax.get_legend()
    if legend is None:
        return None
    corner = legend.get_window_extent().min
    return tuple(float(share) for share in ax.transAxes.inverted().transform(corner))
