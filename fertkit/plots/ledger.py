"""Figures of carry-over: the books of a rotation, and a year skipped."""

from fertkit.budget.buffers import TEST_OF
from fertkit.errors import NotEstimable
from fertkit.plots.forms import only
from fertkit.plots.forms_lines import fan
from fertkit.plots.palette import PAPER, hue
from fertkit.plots.style import figure, finish, note, panel_below, subscript

APPLIED = {"width": 0.5, "color": hue.curve, "label": "applied"}
REMOVED = {"color": "white", "edgecolor": hue.accent, "hatch": "////", "width": 0.5, "label": "removed"}


@figure()
def ledger_years(ledger, ax, *, nutrient: str = "K2O"):
    """Draw one nutrient's book: applied up, removed down, the running balance, and the soil test below.

    Parameters
    ----------
    ledger : Ledger
    ax : Axes, optional
        Draws the balance only.
    nutrient : str
        The first of the ledger's, if it lacks this one.
    """
    name = nutrient if nutrient in ledger.nutrients else ledger.nutrients[0]
    table = only(ledger.rows, nutrient=name)
    lower = panel_below(ax, 2.0) if table["test_ppm"].notna().any() else None
    x = table["season"]
    ax.bar(x, table["applied"], **APPLIED)
    ax.bar(x, -table["removed"], **REMOVED)
    ax.axhline(0, color=hue.ink, lw=1)
    ax.margins(y=0.1)
    if name != "N":
        ax.plot(x, table["running"], color=hue.ink, marker="o", ms=6, lw=2, label="balance carried")
        for season, value in zip(x, table["running"], strict=True):
            note(ax, f"{value:+.0f}", (season, value), (11, 4), bbox=PAPER)
    key, last = ax.get_legend_handles_labels()[0], lower or ax
    last.set_xticks(x, [f"{r.year}\n{r.crop}" for r in table.itertuples()])
    last.set_xlim(-0.3 if lower else 0.4, x.max() + 0.7)
    title, label = f"{subscript(name)} through the rotation", f"{subscript(name)} [{ledger.unit}]"
    finish(ax, title, ylabel=label, explain=[] if lower else key)
    if lower:
        seasons, *path = _path(ledger, table, name)
        fan(lower, seasons, *path, "soil test by the rule of thumb", band="published range")
        note(lower, "start", (0, path[1][0]), (0, 7), ha="center")
        _test_axes(lower, ledger, name, before=key)


def _path(start, table, nutrient):
    """Seasons from the start, and the lowest, middle and highest soil test after each."""
    first = start.start[TEST_OF[nutrient]]
    tests = ([first, *table[column]] for column in ("test_low", "test_ppm", "test_high"))
    return [0, *table["season"]], *tests


def _test_axes(ax, ledger, nutrient, title="", before=()):
    """Finish axes of a soil test, with the level to stay above."""
    element = TEST_OF[nutrient]
    if element in ledger.critical:
        says = f"level to stay above, {ledger.critical[element]:g}"
        ax.axhline(ledger.critical[element], color=hue.warn, lw=1.4, ls=(0, (6, 2)), label=says)
    ax.margins(y=0.15)
    ax.set_ylim(max(ax.get_ylim()[0], 0), None)
    key = [*before, *ax.get_legend_handles_labels()[0]]
    finish(ax, title, ylabel=f"soil test {element} [ppm]", explain=key)


@figure()
def skipped_year(result, ax, *, nutrient: str | None = None):
    """Draw the soil test of a rotation as planned and with one year's fertilizer left out.

    Parameters
    ----------
    result : SkippedYear
    ax : Axes, optional
    nutrient : {'P2O5', 'K2O'}, optional
        The first with a starting soil test, if None.

    Raises
    ------
    NotEstimable
        If no starting soil test was given.
    """
    planned, year = result.planned, result.year
    tested = [n for n in planned.nutrients if TEST_OF.get(n) in planned.start]
    if not tested or (nutrient or tested[0]) not in tested:
        raise NotEstimable("no soil-test trend without a starting test; give one", "start_tests=...")
    nutrient = nutrient or tested[0]
    left_out = {"skipped": True, "band": "published range, year skipped"}
    for book, says, look in ((planned, "as planned", {}), (result.skipped, f"nothing in {year}", left_out)):
        table = only(book.rows, nutrient=nutrient)
        x, *path = _path(planned, table, nutrient)
        fan(ax, x, *path, says, **look)
        note(ax, f"{path[1][-1]:.0f}", (x[-1], path[1][-1]), (8, -3))
    ax.set_xticks(x, ["start", *(f"{r.year}\n{r.crop}" for r in table.itertuples())])
    _test_axes(ax, planned, nutrient, f"Soil test {TEST_OF[nutrient]} if {year} is skipped")
