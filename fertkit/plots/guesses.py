"""Figure of guesses: a dot each, stacked over the answer and the interval that the data give."""

import numpy as np

from fertkit.plots.forms import interval
from fertkit.plots.palette import hue
from fertkit.plots.style import figure, finish
from fertkit.say.guesses import with_unit

COLUMNS = 40  # places along the axis where guesses that are nearly the same stack


@figure(height=2.2)
def guess_dots(guesses, ax):
    """Draw each guess that counts as a dot, that of this page filled; see `Guesses`."""
    values, between = np.sort(guesses.values), guesses.between
    ends = [between.low, between.high] if between else []
    known = [0.0, *values, guesses.own, guesses.answer, *ends]  # off from nothing
    width = (max(known) - min(known) or 1.0) / COLUMNS
    places = np.round(values / width)
    heights = np.array([np.sum(places[:i] == place) for i, place in enumerate(places)]) + 1
    first = int(np.argmin(np.abs(values - guesses.first)))
    others = np.arange(len(values)) != first
    dot = {"ls": "none", "marker": "o", "ms": 9, "zorder": 5}
    if others.any():
        look = {"mfc": "white", "mec": hue.curve, "label": "another guess in the room"}
        ax.plot(values[others], heights[others], **dot | look)
    named = "your first guess, which counts" if guesses.again else "your guess"
    ax.plot(values[first], heights[first], color=hue.curve, label=named, **dot)
    if guesses.again:
        height = np.sum(places == np.round(guesses.own / width)) + 1
        look = {"marker": "D", "ms": 7, "color": hue.curve, "label": "your guess now"}
        ax.plot(guesses.own, height, **dot | look)
    ax.axvline(guesses.answer, color=hue.ink, lw=2, ls=(0, (4.8, 2)), label=guesses.named, zorder=3)
    if between:
        opens = between.low_open, between.high_open
        interval(ax, between.low, between.high, 0.0, opens=opens, label=guesses.interval)
    ax.set_ylim(0, max(4, heights.max() + guesses.again) + 0.8)
    ax.set_xlim(min(known) - 3 * width, max(known) + 3 * width)
    ax.set_yticks([])
    title = f"{guesses.named[0].upper()}{guesses.named[1:]}: {with_unit(guesses.answer, guesses.unit)}"
    finish(ax, title, f"guess [{guesses.unit}]", grid=None)
    ax.spines["left"].set_visible(False)
