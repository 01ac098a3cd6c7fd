"""Forms of figures with lines: money over a rate, the days of a season, a fan of what may come, a map."""

import numpy as np

from fertkit.plots.palette import ALONG, ANSWER, BESIDE, PAPER, hue
from fertkit.plots.style import finish, note
from fertkit.response.optimum import Status
from fertkit.results import plain

#: Marker of an optimum by status: inside, or an arrow to where it may lie beyond.
STATUS_MARKERS = {
    Status.INTERIOR: "D", Status.TIE: "D", Status.NONE: "<", Status.UNPAID: "<", Status.TOP: ">",
    Status.ENDLESS: ">", Status.STEP: "<", Status.DIFFERENCE: "s",
}  # fmt: skip
#: Words before the rate of an optimum that only bounds it.
BOUNDS = {Status.TOP: "at least ", Status.ENDLESS: "at least ", Status.STEP: "at most "}
#: Points of a map drawn at most; a longer log is thinned evenly.
DRAWN = 40_000


def answer(
    ax, rate, height, name=None, unit="", *, status=Status.INTERIOR, span=0.0, lead: bool = True, **look
):
    """Mark an answer at a height on its curve, or on the rate axis without one, and lead the eye to it.

    With a `unit` the key says the rate, as a bound where the status makes it only that.
    """
    if lead:
        ax.axvline(rate, color=hue.accent, lw=1.2, zorder=1)
    if height is None:
        height, look = 0, {"transform": ax.get_xaxis_transform()} | look
    says = f"{name}, {BOUNDS.get(status, '')}{plain(rate, span=span)} {unit}" if name and unit else name
    mark = {"marker": STATUS_MARKERS[status], "zorder": 7, "label": says}
    ax.plot([rate], [height], **ANSWER | mark | look)


def money_line(ax, result, rate, net, unit: str) -> None:
    """Draw net return over rates, heavy where it is within the acceptable loss of the best."""
    ax.plot(rate, net, color=hue.curve, lw=1.8)
    if result.within is not None:
        inside = (rate >= result.within_low) & (rate <= result.within_high)
        ax.axvspan(result.within_low, result.within_high, color=hue.fill, zorder=0)
        says = f"within {plain(result.within)} {unit} of the best"
        ax.plot(rate[inside], net[inside], color=hue.curve, lw=4, solid_capstyle="butt", label=says)


def level(ax, value, text: str, *, above: bool = True) -> None:
    """Draw a thin line across, said at its left end above or below it."""
    ax.axhline(value, color=hue.quiet, lw=0.8, ls=(0, (2, 3)))
    look = {"va": "bottom" if above else "top", "color": hue.quiet, "bbox": PAPER, "zorder": 5}
    note(ax, text, (0, value), (2, 3 if above else -3), BESIDE, **look)


def stages(ax, demand) -> None:
    """Write growth stages along the top of a season, those too close together left out."""
    end, last = demand.rows["day"].max(), 0.0
    look = {"va": "top", "ha": "center", "color": hue.quiet, "bbox": PAPER | {"alpha": 1}, "zorder": 6}
    for row in demand.stages.itertuples():
        if row.days - last >= end * 0.045 and 0 < row.days <= end:
            last = row.days
            ax.axvline(row.days, color=hue.grid, lw=0.8, zorder=0)
            note(ax, row.stage, (row.days, 1), (0, -3), ALONG, **look)


def apart(values, gap: float) -> np.ndarray:
    """Move heights up where they lie closer than a gap, so that what is written there can be read."""
    values = np.asarray(values, float)
    placed, last = values.copy(), -np.inf
    for i in np.argsort(values, kind="stable"):
        placed[i] = last = max(values[i], last + gap)
    return placed


def fan(ax, x, low, middle, high, label: str, *, band: str = "", skipped: bool = False) -> None:
    """Draw a line from what is known into what may come, with the range around it; or one beside it."""
    colour, dash = (hue.accent, (0, (6, 2))) if skipped else (hue.curve, "solid")
    dots = {"facecolor": "none", "edgecolor": colour, "hatch": "...", "alpha": 0.5}
    if band:
        ax.fill_between(x, low, high, lw=0, label=band, **(dots if skipped else {"color": hue.band}))
    ax.plot(x, middle, color=colour, ls=dash, marker="o", ms=5, lw=2, label=label)


def map_axes(ax, title: str) -> None:
    """Make axes of a field, north up."""
    ax.set_aspect("equal", adjustable="datalim")
    finish(ax, title, "east [m]", "north [m]", grid=None)


def thinned(points):
    """Give the points of a log that are drawn."""
    return points.iloc[:: max(1, len(points) // DRAWN)]
