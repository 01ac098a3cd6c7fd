"""Figures of carry-over: the books of a rotation, and a year skipped."""

import numpy as np

from fertkit.budget.buffers import TEST_OF
from fertkit.errors import NotEstimable
from fertkit.plots.budget import SUBSCRIPT
from fertkit.plots.style import COLOURS, SMALL, finish, legend, new_axes

APPLIED = {"color": COLOURS["curve"]}
LABEL = {"textcoords": "offset points", "fontsize": SMALL, "color": COLOURS["ink"]}
PAPER = {"fc": "white", "ec": "none", "pad": 0.8, "alpha": 0.85}
REMOVED = {"color": "white", "edgecolor": COLOURS["accent"], "hatch": "////", "linewidth": 1.0}


def ledger_years(ledger, ax=None, *, nutrient: str = "K2O"):
    """Draw one nutrient's book: applied up, removed down, the running balance, and the soil test below.

    Parameters
    ----------
    ledger : Ledger
    ax : Axes, optional
        Draws the balance only.
    nutrient : str
        The first of the ledger's, if it lacks this one.

    Returns
    -------
    Axes
        The panel of the balance.
    """
    name = nutrient if nutrient in ledger.nutrients else ledger.nutrients[0]
    rows = ledger.rows[ledger.rows["nutrient"] == name].reset_index(drop=True)
    lower = None
    if ax is None and rows["test_ppm"].notna().any():
        ax, lower = new_axes(2, height=5.2, sharex=True, height_ratios=[1.5, 1])
    elif ax is None:
        ax = new_axes(height=3.6)
    x = rows["season"]
    ax.bar(x, rows["applied"], width=0.5, label="applied", **APPLIED)
    ax.bar(x, -rows["removed"], width=0.5, label="removed", **REMOVED)
    ax.axhline(0, color=COLOURS["ink"], lw=1)
    if name != "N":
        ax.plot(x, rows["running"], color=COLOURS["ink"], marker="o", ms=6, lw=2, label="balance carried")
        for season, value in zip(x, rows["running"], strict=True):
            ax.annotate(f"{value:+.0f}", (season, value), (11, 4), bbox=PAPER, **LABEL)
    finish(ax, title=f"{SUBSCRIPT.get(name, name)} through the rotation", ylabel=ledger.unit)
    legend(ax, loc="upper right", ncols=3)
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.22 * (high - low))
    if lower is not None:
        _test_trend(lower, ledger, name, rows)
    last = ax if lower is None else lower
    last.set_xticks(x, [f"{r.year}\n{r.crop}" for r in rows.itertuples()], fontsize=SMALL)
    last.set_xlim(-0.3 if lower is not None else 0.4, x.max() + 0.7)
    return ax


def _test_trend(ax, ledger, name, rows):
    element = TEST_OF[name]
    start = ledger.start[element]
    x = np.r_[0, rows["season"]]
    path = {c: np.r_[start, rows[c]] for c in ("test_ppm", "test_low", "test_high")}
    ax.fill_between(
        x, path["test_low"], path["test_high"], color=COLOURS["band"], lw=0, label="published range"
    )
    ax.plot(x, path["test_ppm"], color=COLOURS["curve"], marker="o", ms=5, lw=2, label="rule of thumb")
    ax.annotate("start", (0, start), (0, 7), ha="center", **LABEL)
    _level_line(ax, ledger, element)
    finish(ax, ylabel=f"soil test {element} [ppm]")
    legend(ax, loc="upper right", ncols=3)


def _level_line(ax, ledger, element):
    """The level to stay above, and room for the legend over the lines."""
    if element in ledger.critical:
        level = ledger.critical[element]
        label = f"level to stay above, {level:g}"
        ax.axhline(level, color=COLOURS["warn"], lw=1.4, ls=(0, (6, 2)), label=label)
    low, high = ax.get_ylim()
    ax.set_ylim(max(low, 0), high + 0.35 * (high - low))


def skipped_year(result, ax=None, *, nutrient: str | None = None):
    """Draw the soil test of a rotation as planned and with one year's fertilizer left out.

    Parameters
    ----------
    result : SkippedYear
    ax : Axes, optional
    nutrient : {'P2O5', 'K2O'}, optional
        The first with a starting soil test, if None.

    Returns
    -------
    Axes

    Raises
    ------
    NotEstimable
        If no starting soil test was given.
    """
    tested = [n for n in result.planned.nutrients if TEST_OF.get(n) in result.planned.start]
    if not tested or (nutrient or tested[0]) not in tested:
        raise NotEstimable("no soil-test trend without a starting test; give start_tests=")
    nutrient = nutrient or tested[0]
    ax = new_axes(height=3.4) if ax is None else ax
    element = TEST_OF[nutrient]
    for book, colour, dash, label in (
        (result.planned, COLOURS["curve"], "solid", "as planned"),
        (result.skipped, COLOURS["accent"], (0, (6, 2)), f"nothing in {result.year}"),
    ):
        rows = book.rows[book.rows["nutrient"] == nutrient]
        x, y = np.r_[0, rows["season"]], np.r_[book.start[element], rows["test_ppm"]]
        ax.plot(x, y, color=colour, ls=dash, marker="o", ms=5, lw=2, label=label)
        ax.annotate(f"{y[-1]:.0f}", (x[-1], y[-1]), (8, -3), **LABEL)
    low, high = (np.r_[book.start[element], rows[c]] for c in ("test_low", "test_high"))
    ax.fill_between(x, low, high, facecolor="none", edgecolor=COLOURS["accent"], hatch="...", lw=0, alpha=0.5,
                    label="published range, year skipped")  # fmt: skip
    _level_line(ax, result.planned, element)
    ax.set_xticks(x, ["start", *(f"{r.year}\n{r.crop}" for r in rows.itertuples())], fontsize=SMALL)
    legend(ax, loc="upper right", ncols=2)
    title = f"Soil test {element} if {result.year} is skipped"
    return finish(ax, title=title, ylabel=f"soil test {element} [ppm]")
