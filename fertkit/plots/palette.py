"""One palette, and the marks, dashes and hatches that repeat its message.

Colour is never alone: a curve also has its dash, a class its hatch and marker. The hues (blue against orange,
with neutrals) stay apart under the common colour-vision deficiencies, and the dark, middle and light steps
stay apart in grey print.
"""

from dataclasses import dataclass
from types import SimpleNamespace

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
    "light": "#4c93c9",  # a second blue, for series
    "pale": "#f0bd8f",  # a pale orange, for parts and classes
}
hue = SimpleNamespace(**COLOURS)

#: Type sizes [pt] at the printed size of the figure, and about the width of a letter of the smallest.
SMALL, TEXT, TITLE, LETTER = 9, 10, 11.5, 5.1
#: Printed width of a page [in].
PAGE = 6.7

#: What tells groups, lines and parts of a bar apart: with colour and without.
MARKERS = "os^vPX<>*D"
DASHES = ("solid", (0, (6, 2)), (0, (1, 1.6)), (0, (6, 2, 1, 2)), (0, (3, 1.4)))
HUES = (hue.curve, hue.accent, hue.warn, hue.quiet, hue.light)
FILLS = ((hue.curve, ""), (hue.band, "///"), (hue.accent, ""), (hue.pale, "..."), (hue.quiet, ""))
FILLS += ((hue.grid, "xx"), (hue.warn, ""), (hue.fill, "\\\\"))
#: A hollow mark, the mark of an answer, paper behind a text.
HOLLOW = {"mfc": "white", "ls": "none"}
ANSWER = {"color": hue.accent, "mec": "white", "ms": 8, "ls": "none", "clip_on": False}
PAPER = {"fc": "white", "ec": "none", "pad": 0.8, "alpha": 0.85}
#: Places half in the axes, half in the data: along the upper or lower edge, along a side.
ALONG, BESIDE = ("data", "axes fraction"), ("axes fraction", "data")


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
    "low": Mark(hue.pale, "//", "v", False),
    "sufficient": Mark(hue.fill, "", "o", True),
    "high": Mark(hue.band, "||", "^", False),
    "excessive": Mark(hue.curve, "xxx", "^", True),
    "no published range": Mark("#ffffff", "", "s", False),
    "cannot be classed": Mark("#ffffff", "---", "x", True),
}


def line_of(curve) -> tuple:
    """Colour and dash of a response curve, the same in every figure."""
    colour, dash = curve.look
    return COLOURS[colour], dash
