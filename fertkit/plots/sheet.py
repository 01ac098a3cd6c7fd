"""Figure of the grower's sheet: each result against its range, good beside poor."""

import numpy as np
from matplotlib.lines import Line2D

from fertkit.plots.forms import rows, spans
from fertkit.plots.leaf import ordered_nutrients, ratio_axis
from fertkit.plots.palette import BESIDE, MARKERS, hue
from fertkit.plots.style import figure, finish, note
from fertkit.results import alike, plain, records
from fertkit.tissue.classes import reported_interval

MOST_SAMPLES = 4  # told apart by their marks; more are drawn alike
MARK = {"mec": hue.ink, "mew": 1.3, "ms": 6.5, "ls": "none"}
SAID = ("toxic", "short", "possibly short", "unusable", "marginal", "high")  # statuses named beside a row
OPEN = 6.0  # end of a band without an upper limit


def field_figure(answer, ax=None, **options):
    """Draw the leaf test of a field; without one its first trial, else the needs."""
    if answer.explanation is not None:
        return sample_dots(answer.explanation, ax=ax, **options)
    return answer.results[0].plot(ax, **options)


def fields_figure(answer, ax=None, **options):
    """Draw the first of several fields."""
    return field_figure(next(iter(answer.fields.values())), ax=ax, **options)


@figure(height=0.75)
def sample_dots(explanation, ax):
    """Draw every result of a field in units of its lower limit, with its error and the range's own span.

    Left of 1 a result lies below the middle one of the published lower limits; the band is the sufficiency
    range, its dark part the span of the lower limits of the sources.

    Parameters
    ----------
    explanation : Explanation
    ax : Axes, optional
    """
    table = explanation.verdicts.merge(_limits(explanation.scores), on=["specimen", "nutrient"])
    table = table[(table["middle"] > 0) & np.isfinite(table["value"])]
    if table.empty:
        ax.set_axis_off()
        look = {"transform": ax.transAxes, "ha": "center", "color": hue.quiet}
        ax.text(0.5, 0.5, "no published range fits these samples", **look)
        return
    nutrients = ordered_nutrients(table["nutrient"].unique())
    by = {nutrient: table[table["nutrient"] == nutrient] for nutrient in nutrients}
    at = rows(ax, [f"{n}  {_values(mine)}" for n, mine in by.items()], pitch=0.23)
    _ranges(ax, table.drop_duplicates("nutrient").set_index("nutrient").loc[nutrients], at)
    looks = _looks(table)
    apart = len(looks) <= MOST_SAMPLES
    lanes = np.linspace(-0.2, 0.2, len(looks)) * (apart and len(looks) > 1)
    lane = table["specimen"].map(dict(zip(looks, lanes, strict=True)))
    height = table["nutrient"].map(dict(zip(nutrients, at, strict=True))) + lane
    _results(ax, table.assign(x=table["value"] / table["middle"], y=height), looks, whiskers=apart)
    for y, mine in zip(at, by.values(), strict=True):
        if said := [status for status in SAID if (mine["status"] == status).any()]:
            look = {"va": "center", "annotation_clip": False, "fontweight": "bold"}
            note(ax, said[0], (1, y), (6, 0), BESIDE, **look)
    ratio_axis(ax)
    marks = [Line2D([], [], **look) for look in looks.values()] if len(looks) > 1 else []
    explain = [*marks, *ax.get_legend_handles_labels()[0]]
    finish(ax, xlabel="result ÷ lower limit of the range (log scale)", grid="x", explain=explain)


def _ranges(ax, limits, at):
    """The sufficiency ranges, open to the right where none ends them, and the spans of the lower limits."""
    middle, upper = limits["middle"], limits["upper"]
    top = (upper / middle).where(upper > 0, OPEN)
    spans(ax, np.ones(len(at)), top, at, lw=11, color=hue.grid, label="enough, by the published ranges")
    differ = limits["lowest"] < limits["highest"]
    low, high = (limits[end].where(differ) / middle for end in ("lowest", "highest"))
    spans(ax, low, high, at, lw=11, label="where the published limits differ")


def _limits(scores):
    """Lower limits of each result as the sources give them, and the middle one of the upper ends."""
    names = {"middle_limit": "middle", "lowest_limit": "lowest", "highest_limit": "highest"}
    limits = scores.agreement[["specimen", "nutrient", *names]].rename(columns=names)
    counted = scores.scored[scores.scored["aside"] == ""]
    upper = counted.groupby(["specimen", "nutrient"])["high"].median().rename("upper")
    return limits.merge(upper, left_on=["specimen", "nutrient"], right_index=True, how="left")


def _values(mine):
    """The results of a nutrient in words: the poor one first, the good one beside it; a span of many."""
    unit = mine["unit"].iloc[0]
    by_area = mine.drop_duplicates("area").set_index("area")["value"]
    if {"good", "poor"} <= set(by_area.index):
        poor, good = alike(by_area["poor"], by_area["good"])
        return f"{poor}, good {good} {unit}"
    if len(mine) == 1:
        return f"{mine['censored'].iloc[0]}{plain(mine['value'].iloc[0])} {unit}"
    ends = dict.fromkeys(alike(*mine["value"].agg(["min", "max"])))
    return f"{' to '.join(ends)} {unit}"


def _looks(table):
    """The mark of each sample: poor filled, good hollow, others by shape."""
    first, looks = table.drop_duplicates("specimen"), {}
    for i, r in enumerate(records(first)):
        alike = len(first) > MOST_SAMPLES and not r.area
        shape = {"poor": "D", "good": "o"}.get(r.area, MARKERS[0 if alike else i % len(MARKERS)])
        filled = hue.ink if r.area == "poor" or len(first) == 1 else "white"
        name = "a sample" if alike else r.label
        looks[r.specimen] = MARK | {"marker": shape, "mfc": filled, "label": name}
    return looks


def _results(ax, table, looks, whiskers):
    """The results of each sample at their heights, with their errors; one artist draws many in less time."""
    if whiskers:
        low, high = reported_interval(table["x"], table["error_pct"] / 100)
        known = np.isfinite(table["error_pct"]) & (table["censored"] == "")
        look = {"color": hue.ink, "lw": 1.2, "capstyle": "projecting", "zorder": 5,
                "label": "laboratory and sampling error (95% span)"}  # fmt: skip
        spans(ax, low.clip(lower=0.02).where(known), high.where(known), table["y"], **look)
    for (specimen, sign), mine in table.groupby(["specimen", "censored"], sort=False):
        shape = looks[specimen] | ({"marker": sign} if sign in ("<", ">") else {})
        ax.plot(mine["x"], mine["y"], zorder=6, **shape | {"label": "_"})
