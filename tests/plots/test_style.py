"""The palette keeps its promises: apart in grey, apart for colour-blind eyes, never colour alone."""

import subprocess
import sys
from itertools import combinations, pairwise

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from fertkit.plots.forms import interval
from fertkit.plots.palette import CLASS_MARKS, COLOURS, SMALL, line_of
from fertkit.plots.style import finish, legend, new_axes, on_a_page
from fertkit.response import CURVES

# Simulation of full protanopia and deuteranopia in linear RGB: Machado, Oliveira & Fernandes (2009) IEEE
# Trans. Vis. Comput. Graph. 15:1291-1298, severity 1.0 (matrices from memory; their rows sum to one).
PROTAN = [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
DEUTAN = [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]


def linear(colour):
    rgb = np.array(to_rgb(colour))
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def luminance(colour):
    """Relative luminance of the Web Content Accessibility Guidelines 2."""
    return linear(colour) @ [0.2126, 0.7152, 0.0722]


def contrast(a, b):
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_text_is_readable_on_white():
    # The guidelines ask 4.5 for text and 3 for marks.
    for name in ("ink", "quiet", "curve", "warn"):
        assert contrast(COLOURS[name], "white") >= 4.5
    assert contrast(COLOURS["accent"], "white") >= 3


@pytest.mark.parametrize("eye", [np.eye(3), PROTAN, DEUTAN])
def test_main_colours_stay_apart_for_every_eye(eye):
    seen = [np.asarray(eye) @ linear(COLOURS[name]) for name in ("curve", "accent", "band", "ink")]
    for i, one in enumerate(seen):
        for other in seen[i + 1 :]:
            assert np.abs(one - other).max() > 0.05


def test_no_red_against_green():
    for colour in [*COLOURS.values(), *(m.colour for m in CLASS_MARKS.values())]:
        red, green, blue = to_rgb(colour)
        assert not (green > red + 0.15 and green > blue + 0.15), f"{colour} is a green"


def test_neighbouring_classes_differ_in_grey_and_every_class_has_its_own_marks():
    ladder = [CLASS_MARKS[c] for c in ("deficient", "low", "sufficient", "high", "excessive")]
    for one, other in pairwise(ladder):
        assert contrast(one.colour, other.colour) > 1.25
    assert len({m.hatch for m in ladder}) == 5
    assert len({(m.marker, m.filled) for m in CLASS_MARKS.values()}) == len(CLASS_MARKS)


def test_every_curve_has_a_line_of_its_own():
    assert len({str(line_of(curve)) for curve in CURVES.values()}) == len(CURVES)


def test_curves_of_one_dash_stay_apart_in_grey():
    """Luma weights of ITU-R BT.601, as in a grey print; an eighth of the scale is seen at a glance."""
    lines = {key: line_of(curve) for key, curve in CURVES.items()}
    luma = {
        key: sum(w * int(colour[k : k + 2], 16) for w, k in ((0.299, 1), (0.587, 3), (0.114, 5)))
        for key, (colour, _) in lines.items()
    }
    for one, other in combinations(lines, 2):
        if lines[one][1] == lines[other][1]:
            assert abs(luma[one] - luma[other]) > 32, (one, other)


def test_axes_show_themselves_and_leave_no_open_figure():
    import matplotlib.pyplot as plt

    before = plt.get_fignums()
    ax = finish(new_axes(height=2), title="t", xlabel="x", ylabel="y")
    assert ax._repr_png_()[:8] == b"\x89PNG\r\n\x1a\n"
    assert ax.figure._repr_png_()[:8] == b"\x89PNG\r\n\x1a\n"
    assert plt.get_fignums() == before
    assert legend(ax) is None
    ax.plot([0, 1], [0, 1], label="a")
    sizes = [
        t.get_fontsize() for t in [*ax.get_xticklabels(), ax.xaxis.label, ax.title, *legend(ax).get_texts()]
    ]
    assert min(sizes) >= SMALL >= 9


def test_an_open_end_is_an_arrow_and_hides_the_diamond_that_would_stand_on_it():
    ax = new_axes(height=2)
    interval(ax, 1, 3, 0.5, point=3, opens=(False, True))
    assert [line.get_marker() for line in ax.lines] == ["None", "|", ">"]
    interval(ax, 1, 3, 0.5, point=2)
    assert [line.get_marker() for line in ax.lines[3:]] == ["None", "|", "|", "D"]


@pytest.mark.parametrize("inches", [2.8, 3.2, 6.7])
@pytest.mark.parametrize("spread", [1, 1e6])
def test_a_title_ends_on_its_page(inches, spread):
    """Wide letters and long numbers beside the axes: what matplotlib measures lies within the figure."""
    with on_a_page(inches):
        ax = new_axes()
    ax.plot([0, 1], [0, -1.25 * spread])
    finish(ax, "WWMM economic optimum: 16.4 lb/ac (95 % interval 9.1 to 27.9) in Heron Quarter", "x", "y")
    ax.figure.draw_without_rendering()
    title = next(t for t in ax.get_children() if getattr(t, "get_text", str)().startswith("WWMM"))
    assert title.get_window_extent().x1 <= ax.figure.bbox.x1
    assert " ".join(title.get_text().split()) == ax.titled


def test_what_is_loaded_without_help_draws_the_same():
    """Against matplotlib as it loads by itself: the same drawing; an artist made later has its help."""
    draws = """
from matplotlib.lines import Line2D
from fertkit.plots.forms import shown, spans
from fertkit.plots.style import finish, new_axes
from fertkit.report.page import svg_picture
ax = new_axes()
spans(ax, [1, 2], [3, 4], [0, 1], label="span")
finish(ax, "title", "x", "y", explain=[shown("mark", marker="o")])
later = type("Later", (Line2D,), {"set_word": lambda self, word: None})
print(svg_picture(ax), "word" in str(later.set.__signature__), "linewidth" in later.set.__doc__)
"""
    ways = ["", "from fertkit.plots import quick; quick.load()"]
    run = [[sys.executable, "-c", way + draws] for way in ways]
    plain, quick = (subprocess.run(one, capture_output=True, text=True, check=True).stdout for one in run)
    assert plain == quick
    assert plain.split()[1:] == ["True", "True"]
