"""A field over the years: nutrients by seasons, each value against the range of its own stage."""

from textwrap import fill

import numpy as np

from fertkit.plots.forms import asked, only, shown
from fertkit.plots.leaf import class_look, ordered_nutrients
from fertkit.plots.palette import PAGE, PAPER, SMALL, hue
from fertkit.plots.style import figure, finish, grow, note, widen
from fertkit.results import alike, records
from fertkit.tissue.history import State

ACROSS = 10  # places side by side in one figure, so that letters stay readable
REACH = np.log(3)  # of a row: values beyond three times, or a third of, the limit stand at its edge
HALF = 0.4  # of a row, for that reach
SLOT = ["crop", "season", "step", "growth_stage", "plant_part", "spot"]


def bands_of(history, field: str) -> list[list[tuple]]:
    """Seasons (crop, season) of a field, cut into figures of at most `ACROSS` places each."""
    path = only(history.path, field=field)
    places = path.drop_duplicates(SLOT).groupby(["crop", "season"], sort=False).size()
    bands, room = [], 0
    for season, wide in places.items():
        if not bands or wide > room:
            bands.append([])
            room = ACROSS
        bands[-1].append(season)
        room -= wide
    return bands


def telling(history, field: str) -> list[str]:
    """Nutrients of a field that were short or left open at some time; all that were judged if none was."""
    path = only(history.path, field=field)
    judged = path[path["judged"] > 0]
    some = judged[judged["state"] != State.ENOUGH]
    return ordered_nutrients((some if len(some) else judged)["nutrient"].unique())


@figure(height=1.2)
def history_panels(history, ax, *, field: str | None = None, nutrients=None, band: int = -1):
    """Draw a small panel for each nutrient and season: values against the range of their stage.

    In a row the line is the lower limit (the middle one of several sources), the bar the range above it, pale
    where the sources' limits differ; up is more, on a logarithmic scale, the same in every row.

    Parameters
    ----------
    history : FieldHistory
    ax : Axes, optional
    field : str, optional
        The first if None.
    nutrients : list of str, optional
        Those that were short or left open at some time if None; all if none was.
    band : int
        Which of the figures, where the seasons do not fit in one; the last is -1.
    """
    field = asked("field", field, history.fields)
    path, bands = only(history.path, field=field), bands_of(history, field)
    season = path[["crop", "season"]].apply(tuple, axis=1)
    path = path[season.isin(bands[band])]
    names = ordered_nutrients(nutrients or telling(history, field))
    slots = path.drop_duplicates(SLOT).sort_values(["step", "spot"], kind="stable")
    order = {s: i for i, s in enumerate(bands[band])}
    slots = slots.assign(at=[order[key] for key in zip(slots["crop"], slots["season"], strict=True)])
    slots = slots.sort_values("at", kind="stable").reset_index(drop=True)
    widen(ax, PAGE * len(slots) / ACROSS)
    place = {tuple(r): x for x, r in enumerate(slots[SLOT].itertuples(index=False))}
    for row, nutrient in enumerate(names):
        ax.axhline(-row, color=hue.quiet, lw=0.7, zorder=1)
        mine = only(path, nutrient=nutrient)
        for r, text in zip(records(mine), alike(*mine["value"]), strict=True):
            _value(ax, r, text, place[tuple(getattr(r, name) for name in SLOT)], -row)
    _frame(ax, slots, names, bands[band], path)
    ax.add_artist(shown("line: lower limit of the range"))
    many = f" ({len(bands[band])} of {sum(map(len, bands))} seasons)" if len(bands) > 1 else ""
    finish(ax, f"{field}: values against the range for their stage{many}\n\n", grid=None)
    ax.spines[["left", "bottom"]].set_visible(False)
    ax.tick_params(length=0)


def _value(ax, r, text, x, y):
    """One value: the range of its stage, its mark by class, the number below or above it."""
    if r.middle > 0:
        low, strict, high = (_height(end / r.middle) for end in (r.low, r.strict, r.high))
        look = {"lw": 11, "zorder": 0, "capstyle": "butt"}
        top = HALF if np.isnan(high) else high
        ax.vlines(x, y + strict, y + top, color=hue.band, label="range for its stage", **look)
        if strict - low > 0.01:
            says = "limits differ between sources"
            ax.vlines(x, y + low, y + strict, color=hue.grid, label=says, **look)
    at = y + (_height(r.value / r.middle) if r.middle > 0 else 0.0)
    if np.isfinite(at):
        left = r.state == State.OPEN
        look = class_look(r.strictest_class) | ({"marker": "D", "ms": 7, "mfc": "white"} if left else {})
        ax.plot(x, at, zorder=4, label="not judged: sources differ" if left else r.strictest_class, **look)
    text = "ND" if np.isnan(r.value) else f"{r.censored}{text}"
    note(ax, text, (x, at if np.isfinite(at) else y), (8, 0), va="center", bbox=PAPER, zorder=3.5)


def _height(ratio):
    """Height in a row of a value as a ratio to the lower limit."""
    return HALF * np.clip(np.log(ratio) / REACH, -1, 1) if ratio > 0 else np.nan


def _frame(ax, slots, names, seasons, path):
    """Names of nutrients at the side, stages and areas below, seasons on top with lines between them."""
    units = path.drop_duplicates("nutrient").set_index("nutrient")["unit"]
    ax.set_yticks(-np.arange(len(names)), [f"{n}  {units.get(n, '')}" for n in names])
    labels = [
        "\n".join(filter(None, [fill(s.growth_stage or "?", 9), fill(s.spot, 9)])) for s in records(slots)
    ]
    ax.set_xticks(range(len(slots)), labels)
    ax.set(xlim=(-0.6, len(slots) - 0.25), ylim=(-len(names) + 0.5, 0.62))
    first = 0
    for crop, season in seasons:
        wide = int(((slots["crop"] == crop) & (slots["season"] == season)).sum())
        look = {"xycoords": ("data", "axes fraction"), "ha": "left", "va": "bottom", "fontweight": "bold"}
        ax.annotate(f"{crop}\n{season}", (first - 0.45, 1.0), fontsize=SMALL, **look)
        if first:
            ax.axvline(first - 0.55, color=hue.quiet, lw=0.8, ls=(0, (2, 2)), zorder=0)
        first += wide
    grow(ax, 0.75 * len(names))
