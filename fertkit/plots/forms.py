"""Forms that figures of several files take: bars, intervals, groups of points, stages of a season.

A form draws numbers that it is given and knows no result. Rows run from the top; a value that is not known is
not drawn; a label stands in the key once, however many rows carry it.
"""

from textwrap import fill

import numpy as np
from matplotlib.lines import Line2D

from fertkit.errors import unknown
from fertkit.plots.palette import ALONG, BESIDE, HOLLOW, MARKERS, PAGE, PAPER, hue
from fertkit.plots.style import grow, note
from fertkit.results import records


def asked(kind: str, value, known):
    """Give what was asked for, the first known if None; refuse what is not known."""
    known = list(dict.fromkeys(known))
    if value is None and known:
        return known[0]
    if value not in known:
        raise unknown(kind, value, known)
    return value


def only(table, **values):
    """Rows of a table that hold a value in a column."""
    for column, value in values.items():
        table = table[table[column] == value]
    return table


def rows(ax, names, *, pitch: float = 0.3, at=None) -> np.ndarray:
    """Give each name a row, the first on top, `pitch` high [in]; give the places of the rows."""
    at = np.arange(len(names)) if at is None else np.asarray(at)
    ax.set_yticks(at, names)
    ax.set_ylim(at[-1] + 0.6, -0.6)
    grow(ax, pitch * (at[-1] + 1))
    return at


def bars(ax, widths, *, left=0.0, height: float = 0.52, **look) -> None:
    """Draw a bar in each row whose width is known."""
    widths = np.asarray(widths, float)
    known = np.flatnonzero(~np.isnan(widths))
    if len(known):
        ax.barh(known, widths[known], height, np.broadcast_to(left, widths.shape)[known], **look)


def spans(ax, low, high, at, **look) -> None:
    """Draw a heavy line from end to end in each row where both are known."""
    low, high, at = (np.asarray(x, float) for x in (low, high, at))
    known = np.isfinite(low) & np.isfinite(high)
    if known.any():
        ax.hlines(at[known], low[known], high[known], **{"lw": 9, "color": hue.band} | look)


def whiskers(ax, low, high, at, *, upright: bool = False, **look) -> None:
    """Draw an interval with a foot at each end, where both are known."""
    low, high = np.asarray(low, float), np.asarray(high, float)
    middle, half = (low + high) / 2, (high - low) / 2
    if np.isfinite(half).any():
        place = (at, middle, half, None) if upright else (middle, at, None, half)
        ax.errorbar(*place, **{"fmt": "none", "ecolor": hue.ink, "capsize": 3, "lw": 1.3} | look)


def ticks(ax, values, at, **look) -> None:
    """Draw a short upright line in each row at a value."""
    if np.isfinite(values).any():
        ax.vlines(values, at - 0.36, at + 0.36, **{"color": hue.ink, "lw": 2.4} | look)


def interval(ax, low, high, y, *, point=None, opens=(False, False), label=None, colour=hue.accent, row=False):
    """Draw an interval lengthwise at height `y`: a bar, with an arrow at an open end.

    Parameters
    ----------
    low, high : float
        Ends on the x axis; an open end is drawn there as an arrow.
    y : float
        Height as a fraction of the axes (0-1), or a `row`.
    point : float, optional
        Estimate, marked with a diamond unless an open end stands there.
    opens : (bool, bool)
        Whether the lower and the upper end are open.
    """
    transform = ax.transData if row else ax.get_xaxis_transform()
    look = {"transform": transform, "color": colour, "clip_on": False}
    ax.plot([low, high], [y, y], lw=3.2, solid_capstyle="butt", alpha=0.55, label=label, zorder=4, **look)
    for end, is_open, arrow in zip((low, high), opens, "<>", strict=True):
        mark = {"marker": arrow, "ms": 8} if is_open else {"marker": "|", "ms": 10}
        ax.plot([end], [y], mew=1.6, ls="none", zorder=5, **mark, **look)
    if point is not None and not (opens[1] and point >= high) and not (opens[0] and point <= low):
        ax.plot([point], [y], marker="D", ms=6, mec="white", mew=0.8, ls="none", zorder=6, **look)


def groups(ax, x, y, by, *, label: str = "", named: str = "", hues=(hue.quiet,), aside: float = 0.0, **look):
    """Draw points, each group with a marker of its own while there are markers enough.

    The key holds `label` once, or each group by its name with `named` before it. Groups stand up to `aside`
    beside their place.
    """
    names = sorted(set(by), key=lambda name: (str(type(name)), name))
    apart = len(names) <= len(MARKERS)
    label += ", one marker a block" if label and 1 < len(names) <= len(MARKERS) else ""
    shifts = np.linspace(-aside, aside, len(names)) if len(names) > 1 else [0.0]
    for i, (name, shift) in enumerate(zip(names, shifts, strict=True)):
        mine = np.asarray(by == name)
        mark = {"marker": MARKERS[i] if apart else "o", "mec": hues[i % len(hues)], "ms": 5, "zorder": 3}
        says = f"{named} {name}" if named and apart else label or None
        ax.plot(np.asarray(x)[mine] + shift, np.asarray(y)[mine], label=says, **HOLLOW | mark | look)


def remark(ax, y, text: str) -> None:
    """Write a quiet text beside the axes, at the height of a row."""
    note(ax, text, (1, y), (6, 0), BESIDE, va="center", color=hue.quiet, annotation_clip=False)


def shown(label: str, **look):
    """Make a mark for the key alone."""
    return Line2D([], [], label=label, **{"color": hue.quiet} | look)


def stages(ax, demand) -> None:
    """Write growth stages along the top of a season, those too close together left out.

    Where no stage has a day of its own, what publications call the days of their shares and peaks is written.
    """
    end, last = demand.table["day"].max(), 0.0
    look = {"va": "top", "ha": "center", "color": hue.quiet, "bbox": PAPER | {"alpha": 1}, "zorder": 6}
    for row in records(demand.stages):
        apart = 0.0115 * (len(row.stage) + 2) * PAGE / ax.figure.get_figwidth()
        if row.days - last >= end * apart and 0 < row.days <= end:
            last = row.days
            ax.axvline(row.days, color=hue.grid, lw=0.8, zorder=0)
            note(ax, row.stage, (row.days, 1), (0, -3), ALONG, **look)
    if demand.stages.empty:
        peaks = demand.peaks.dropna(subset="published_day").rename(columns={"published_day": "day"})
        for words, day in {**_words(demand.points), **_words(peaks)}.items():
            side = {"ha": "right"} if day > 0.8 * end else {}
            note(ax, fill(words, 22), (min(day, end), 1), (0, -3), ALONG, **look | side)


def _words(table) -> dict:
    return {row.stage: row.day for row in records(table[["stage", "day"]]) if row.stage}
