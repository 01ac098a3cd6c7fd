"""Figures of tissue scores: samples by nutrients at a glance, and one sample in detail."""

import numpy as np
from matplotlib.patches import Patch, Polygon

from fertkit.errors import unknown
from fertkit.plots.style import CLASS_MARKS, COLOURS, PAGE, SMALL, finish, new_axes
from fertkit.results import plain
from fertkit.tissue.classes import CLASSES, reported_interval

#: Nutrients in the order a report lists them.
ORDER = (
    *("N", "NO3-N", "P", "PO4-P", "K", "Ca", "Mg", "S", "SO4-S", "N:S"),
    *("Zn", "Mn", "Fe", "Cu", "B", "Mo", "Cl", "Na", "Al"),
)
DARK = ("deficient", "excessive")


def tissue_grid(scores, ax=None, *, most: int = 40):
    """Draw samples by nutrients, each cell shaded by its class and holding its value.

    Where the sources that hold disagree, the cell is cut: lower left the strictest class, upper right the
    mildest.

    Parameters
    ----------
    scores : TissueScores
    ax : Axes, optional
    most : int
        Samples shown; those with the most certain shortfalls first if there are more.

    Returns
    -------
    Axes
    """
    table = scores.agreement
    shown = _shown_samples(table, most)
    nutrients = ordered_nutrients(table["nutrient"].unique())
    height = 1.5 + 0.38 * len(shown)
    ax = new_axes(width=max(PAGE, 1.2 + 0.5 * len(nutrients)), height=height) if ax is None else ax
    row = {specimen: y for y, specimen in enumerate(shown)}
    column = {nutrient: x for x, nutrient in enumerate(nutrients)}
    for r in table[table["specimen"].isin(row)].itertuples():
        _cell(ax, column[r.nutrient], row[r.specimen], r)
    first = table.drop_duplicates("specimen").set_index("specimen")
    named = first.loc[shown, ["label", "crop", "growth_stage"]].itertuples()
    labels = [f"{r.label}\n{r.crop} {r.growth_stage}" for r in named]
    ax.set_xlim(0, len(nutrients))
    ax.set_ylim(len(shown), 0)
    ax.set_yticks(np.arange(len(shown)) + 0.5, labels)
    ax.set_xticks(np.arange(len(nutrients)) + 0.5, [f"{n}\n{_unit(table, n)}" for n in nutrients])
    ax.xaxis.tick_top()
    _class_legend(ax, table[table["specimen"].isin(row)])
    more = f" (first {len(shown)} of {len(first)})" if len(first) > len(shown) else ""
    finish(ax, title=f"Tissue results by class{more}", grid=None)
    ax.spines[["left", "bottom"]].set_visible(False)
    ax.tick_params(length=0)
    return ax


def results_strip(samples, ax=None):
    """Draw every result relative to the middle one of its crop and nutrient, before anything is scored.

    Parameters
    ----------
    samples : TissueSamples
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    table = samples.table
    known = table[(table["censored"] == "") & (table["value"] > 0)]
    middle = known.groupby("nutrient")["value"].median()
    mixed = known["crop"].nunique() > 1
    share = known["value"] / known.groupby(["crop", "nutrient"])["value"].transform("median")
    nutrients = ordered_nutrients(middle.index)
    ax = new_axes(height=1.3 + 0.28 * len(nutrients)) if ax is None else ax
    for y, nutrient in enumerate(nutrients):
        values = share[known["nutrient"] == nutrient]
        look = {"mfc": "none", "mec": COLOURS["curve"], "mew": 1.2, "ms": 6, "alpha": 0.8}
        ax.plot(values, np.full(len(values), y), "o", **look)
    ax.axvline(1, color=COLOURS["quiet"], lw=1)
    ratio_axis(ax)
    named = {n: n if mixed else f"{n}  {plain(middle[n])} {_unit(table, n)}" for n in nutrients}
    ax.set_yticks(range(len(nutrients)), named.values())
    ax.set_ylim(len(nutrients) - 0.4, -0.6)
    whose = "its crop" if mixed else "the file"
    return finish(ax, title=samples.name, xlabel=f"result ÷ middle result of {whose} (log scale)", grid="x")


def explained_grid(explanation, ax=None, **options):
    """Draw the scores behind an explanation; see `tissue_grid`."""
    return tissue_grid(explanation.scores, ax=ax, **options)


def sample_detail(scores, sample, ax=None):
    """Draw one sample on the scale that decides: each value against every source's range.

    All values of a nutrient are divided by the middle one of the lower limits of its sources, so that 1 is
    where sufficiency starts for the middle source. Bars are sufficiency ranges, double ticks critical levels;
    the dot is the result with about 95 % of its laboratory and sampling error.

    Parameters
    ----------
    scores : TissueScores
    sample : str or int
        sample_id (its first specimen) or specimen number.
    ax : Axes, optional

    Returns
    -------
    Axes

    Raises
    ------
    LookupFailed
        If the sample is not among the scores; lists those that are.
    """
    rows = _rows_of(scores.scored, sample)
    first = rows.iloc[0]
    title = f"{first['label']}: {first['crop']}, {first['growth_stage']}\n{first['plant_part']}"
    middle = scores.agreement.set_index(["specimen", "nutrient"])["middle_limit"].loc[
        rows["specimen"].iloc[0]
    ]
    nutrients = [n for n in ordered_nutrients(rows["nutrient"].unique()) if middle[n] > 0]
    rows = rows[rows["nutrient"].isin(nutrients) & (rows["low"].notna() | rows["critical"].notna())]
    if ax is None:
        ax = new_axes(height=1.6 + 0.17 * len(rows) + 0.12 * len(nutrients))
    if rows.empty:
        note = "no published range holds for this sample"
        ax.text(0.5, 0.5, note, transform=ax.transAxes, ha="center", color=COLOURS["quiet"])
        ax.set_axis_off()
        return finish(ax, title=title, grid=None)
    cv = scores.cvs.set_index("nutrient")["cv_pct"] / 100
    y, ticks, labels = 0.0, [], []
    for nutrient in nutrients:
        mine = rows[rows["nutrient"] == nutrient]
        for k, r in enumerate(mine.itertuples()):
            _source_bar(ax, r, y + k, middle[nutrient])
        centre = y + (len(mine) - 1) / 2
        _result_mark(ax, mine.iloc[0], centre, len(mine), middle[nutrient], cv.get(nutrient, np.nan))
        ticks.append(centre)
        labels.append(_value_label(mine.iloc[0]))
        y += len(mine) + 0.8
    _detail_axes(ax, ticks, labels, y)
    scale = "result ÷ middle lower limit of the sources (log scale)"
    key = "bar: sufficiency range · ticks: critical level · * from memory"
    dot = "dot: the result, with about 95 % of its error"
    return finish(ax, title=title, xlabel=f"{scale}\n{key}\n{dot}", grid="x")


def _shown_samples(table, most):
    specimens = table["specimen"].unique()
    if len(specimens) <= most:
        return list(specimens)
    chance = table["probability_below"].fillna(0).groupby(table["specimen"]).max()
    return list(chance.sort_values(ascending=False, kind="stable").index[:most])


def ordered_nutrients(nutrients) -> list[str]:
    """Nutrients in the order a report lists them, unknown ones last."""
    place = {n: i for i, n in enumerate(ORDER)}
    return sorted(nutrients, key=lambda n: (place.get(n, len(place)), n))


def _unit(table, nutrient):
    return {"ratio": ""}.get(unit := table.loc[table["nutrient"] == nutrient, "unit"].iloc[0], unit)


def _cell(ax, x, y, r):
    strict, mild = CLASS_MARKS[r.strictest_class], CLASS_MARKS[r.mildest_class]
    box = [(x + 0.03, y + 0.05), (x + 0.97, y + 0.05), (x + 0.97, y + 0.95), (x + 0.03, y + 0.95)]
    corners = {"lower": [box[0], box[2], box[3]], "upper": [box[0], box[1], box[2]]}
    for mark, shape in (
        ((strict, box),) if strict == mild else ((strict, corners["lower"]), (mild, corners["upper"]))
    ):
        edge = COLOURS["quiet"] if mark.colour == "#ffffff" else "white"  # the hatch takes the edge's colour
        ax.add_patch(Polygon(shape, facecolor=mark.colour, hatch=mark.hatch, edgecolor=edge, linewidth=0))
    ax.add_patch(Polygon(box, fill=False, edgecolor=COLOURS["grid"], linewidth=0.8))
    dark = r.strictest_class == r.mildest_class and r.strictest_class in DARK
    text = "ND" if r.censored == "not detected" else f"{r.censored}{plain(r.value)}"
    box_style = {"boxstyle": "round,pad=0.12", "facecolor": "#ffffffd0", "edgecolor": "none"}
    colour = COLOURS["ink"]
    ax.text(x + 0.5, y + 0.52, text, ha="center", va="center", fontsize=SMALL, color=colour,
            fontweight="bold" if dark else "normal", bbox=box_style)  # fmt: skip


def _class_legend(ax, table):
    present = set(table["strictest_class"]) | set(table["mildest_class"])
    handles = []
    for name in CLASSES:
        if name in present:
            mark = CLASS_MARKS[name]
            handles.append(
                Patch(facecolor=mark.colour, hatch=mark.hatch, edgecolor=COLOURS["quiet"], label=name)
            )
    if (table["strictest_class"] != table["mildest_class"]).any():
        handles.append(Patch(facecolor="none", edgecolor="none", label="cut: sources differ"))
    place = {"loc": "upper left", "bbox_to_anchor": (0, -0.02), "borderaxespad": 0, "frameon": False}
    look = {"fontsize": SMALL, "labelcolor": COLOURS["ink"], "handlelength": 1.6}
    ax.legend(handles=handles, ncols=3, **place, **look)  # a fourth column runs off a narrow figure


def _rows_of(scored, sample):
    rows = (
        scored[scored["sample_id"] == sample]
        if isinstance(sample, str)
        else scored[scored["specimen"] == sample]
    )
    if rows.empty:
        raise unknown("sample", sample, scored["sample_id"].unique()[:50])
    return rows[rows["specimen"] == rows["specimen"].iloc[0]]


def _source_bar(ax, r, y, middle):
    """One source: a bar for its range (long if it prints no upper end), ticks for its critical level."""
    if np.isfinite(r.low):
        high = r.high if np.isfinite(r.high) else r.low * 8
        ends = [r.low / middle, high / middle]
        ax.plot(ends, [y, y], color=COLOURS["band"], lw=5, solid_capstyle="butt", zorder=2)
    elif np.isfinite(r.critical):
        top = r.critical_high if np.isfinite(r.critical_high) else r.critical
        style = {"color": COLOURS["accent"], "marker": "|", "ms": 8, "mew": 1.8, "lw": 1.6, "zorder": 3}
        ax.plot([r.critical / middle, top / middle], [y, y], **style)
    else:
        return
    name = r.source_key + ("*" if r.provenance == "from_memory" else "")
    place = {"xycoords": ("axes fraction", "data"), "va": "center", "annotation_clip": False}
    ax.annotate(name, (1.005, y), fontsize=SMALL, color=COLOURS["quiet"], **place)


def _result_mark(ax, r, y, sources, middle, cv):
    """The result: a hair through all its sources, its error, and a dot (an arrow if it is censored)."""
    if not np.isfinite(r["value"]):
        return
    x = r["value"] / middle
    ax.plot([x, x], [y - sources / 2, y + sources / 2], color=COLOURS["ink"], lw=0.9, zorder=4)
    if r["censored"]:
        ax.plot(x, y, marker=r["censored"], ms=8, color=COLOURS["ink"], zorder=6)
        return
    if np.isfinite(cv):
        low, high = reported_interval(x, cv)
        ax.plot([max(low, 0.02), high], [y, y], color=COLOURS["ink"], lw=1.4, zorder=5)
    ax.plot(x, y, marker="o", ms=6.5, mfc="white", mec=COLOURS["ink"], mew=1.5, zorder=6)


def _value_label(r):
    unit = "" if r["unit"] == "ratio" else f" {r['unit']}"
    value = "ND" if not np.isfinite(r["value"]) else f"{r['censored']}{plain(r['value'])}"
    return f"{r['nutrient']}  {value}{unit}"


def _detail_axes(ax, ticks, labels, bottom):
    ax.axvline(1, color=COLOURS["ink"], lw=1, ls=(0, (4, 2)), zorder=1)
    ratio_axis(ax)
    ax.set_yticks(ticks, labels)
    ax.set_ylim(bottom - 0.8, -1)


def ratio_axis(ax):
    """Make the x axis logarithmic, with plain numbers at round ratios."""
    ax.set_xscale("log")
    low, high = ax.get_xlim()
    marks = [0.1, 0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3, 5, 10, 20] + ([0.6, 0.85, 1.2] if high / low < 8 else [])
    marks = sorted(m for m in marks if low <= m <= high)
    ax.set_xticks(marks, [f"{m:g}" for m in marks])
    ax.minorticks_off()
