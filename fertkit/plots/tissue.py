"""Figures of tissue scores: samples by nutrients at a glance, and one sample in detail."""

import numpy as np

from fertkit.errors import unknown
from fertkit.plots.forms import cell, class_patches, only, ratio_axis, remark, rows, shown, spans
from fertkit.plots.palette import HOLLOW, SMALL, hue
from fertkit.plots.style import figure, finish, grow
from fertkit.results import plain
from fertkit.tissue.classes import reported_interval

#: Nutrients in the order a report lists them.
ORDER = (
    *("N", "NO3-N", "P", "PO4-P", "K", "Ca", "Mg", "S", "SO4-S", "N:S"),
    *("Zn", "Mn", "Fe", "Cu", "B", "Mo", "Cl", "Na", "Al"),
)
ACROSS = 12  # nutrients side by side; more go into a second band, so that letters stay readable
TICKS = {"color": hue.accent, "marker": "|", "ms": 8, "mew": 1.8, "lw": 1.6, "zorder": 3}


@figure(height=0.9)
def tissue_grid(scores, ax, *, most: int = 40):
    """Draw samples by nutrients, each cell shaded by its class and holding its value.

    Where the sources that hold disagree, the cell is cut: lower left the strictest class, upper right the
    mildest.

    Parameters
    ----------
    scores : TissueScores
    ax : Axes, optional
    most : int
        Samples shown; those with the most certain shortfalls first if there are more.
    """
    table = scores.agreement
    specimens, first = _shown_samples(table, most), table.drop_duplicates("specimen").set_index("specimen")
    nutrients = ordered_nutrients(table["nutrient"].unique())
    bands = np.array_split(nutrients, -(-len(nutrients) // ACROSS))
    step = len(specimens) + 1.3  # from band to band
    place = {n: (x, k * step) for k, band in enumerate(bands) for x, n in enumerate(band)}
    drawn = table[table["specimen"].isin(specimens)]
    for r in drawn.itertuples():
        x, down = place[r.nutrient]
        text = "ND" if r.censored == "not detected" else f"{r.censored}{plain(r.value)}"
        cell(ax, x, down + specimens.index(r.specimen), r.strictest_class, r.mildest_class, text)
    heads = {n: f"{n}\n{_unit(table, n)}" for n in nutrients}
    for n in np.concatenate([[], *bands[1:]]):
        x, down = place[n]
        ax.text(x + 0.5, down - 0.08, heads[n], ha="center", va="bottom", fontsize=SMALL, color=hue.ink)
    labels = [f"{r.label}\n{r.crop} {r.growth_stage}" for r in first.loc[specimens].itertuples()]
    at = [s + 0.5 + k * step for k in range(len(bands)) for s in range(len(specimens))]
    rows(ax, labels * len(bands), pitch=0.36, at=at)
    ax.set_xticks(np.arange(len(bands[0])) + 0.5, [heads[n] for n in bands[0]])
    ax.xaxis.tick_top()
    ax.set(xlim=(0, len(bands[0])), ylim=(at[-1] + 0.5, 0))
    key = class_patches({*drawn["strictest_class"], *drawn["mildest_class"]})
    if (drawn["strictest_class"] != drawn["mildest_class"]).any():
        key.append(shown("cut: sources differ", ls="none"))
    more = f" (first {len(specimens)} of {len(first)})" if len(first) > len(specimens) else ""
    finish(ax, f"Tissue results by class{more}", grid=None, explain=key)
    ax.spines[["left", "bottom"]].set_visible(False)
    ax.tick_params(length=0)


@figure(height=0.9)
def results_strip(samples, ax):
    """Draw every result relative to the middle one of its crop and nutrient, before anything is scored."""
    table = samples.table
    known = table[(table["censored"] == "") & (table["value"] > 0)]
    middle, mixed = known.groupby("nutrient")["value"].median(), known["crop"].nunique() > 1
    share = known["value"] / known.groupby(["crop", "nutrient"])["value"].transform("median")
    nutrients = ordered_nutrients(middle.index)
    for y, nutrient in enumerate(nutrients):
        values = share[known["nutrient"] == nutrient]
        look = {"mfc": "none", "mec": hue.curve, "mew": 1.2, "ms": 6, "alpha": 0.8}
        ax.plot(values, np.full(len(values), y), "o", **look)
    ratio_axis(ax)
    rows(ax, [n if mixed else f"{n}  {plain(middle[n])} {_unit(table, n)}" for n in nutrients], pitch=0.28)
    whose = "its crop" if mixed else "the file"
    finish(ax, samples.name, f"result ÷ middle result of {whose} (log scale)", grid="x")


def explained_grid(explanation, ax=None, **options):
    """Draw the scores behind an explanation; see `tissue_grid`."""
    return tissue_grid(explanation.scores, ax=ax, **options)


def sample_detail(scores, sample, ax=None, **options):
    """Draw one sample on the scale that decides: each value against every source's range.

    All values of a nutrient are divided by the middle one of the lower limits of its sources, so that 1 is
    where sufficiency starts for the middle source. Bars are sufficiency ranges, ticks critical levels; the
    dot is the result with about 95 % of its laboratory and sampling error.

    Parameters
    ----------
    scores : TissueScores
    sample : str or int
        sample_id (its first specimen) or specimen number.
    ax : Axes, optional

    Raises
    ------
    LookupFailed
        If the sample is not among the scores; lists those that are.
    """
    return _detail(scores, ax=ax, sample=sample, **options)


@figure(height=1.0)
def _detail(scores, ax, *, sample):
    mine = only(scores.scored, **{"sample_id" if isinstance(sample, str) else "specimen": sample})
    if mine.empty:
        raise unknown("sample", sample, scores.scored["sample_id"].unique()[:50])
    first = mine.iloc[0]
    title = f"{first['label']}: {first['crop']}, {first['growth_stage']}\n{first['plant_part']}"
    middle = scores.agreement.set_index(["specimen", "nutrient"])["middle_limit"].loc[first["specimen"]]
    mine = only(mine, specimen=first["specimen"])
    mine = mine[(mine["nutrient"].map(middle) > 0) & (mine["low"].notna() | mine["critical"].notna())]
    if mine.empty:
        ax.set_axis_off()
        look = {"transform": ax.transAxes, "ha": "center", "color": hue.quiet}
        ax.text(0.5, 0.5, "no published range holds for this sample", **look)
        finish(ax, title, grid=None)
        return
    top, at, labels, cvs = 0.0, [], [], scores.cvs.set_index("nutrient")["cv_pct"] / 100
    for nutrient in ordered_nutrients(mine["nutrient"].unique()):
        own = only(mine, nutrient=nutrient)
        _sources(ax, own, top + np.arange(len(own)), middle[nutrient])
        at.append(top + (len(own) - 1) / 2)
        labels.append(_result(ax, own.iloc[0], at[-1], len(own), middle[nutrient], cvs.get(nutrient, np.nan)))
        top += len(own) + 0.8
    if (mine["provenance"] == "from_memory").any():
        ax.add_artist(shown("* from memory", ls="none"))
    ratio_axis(ax)
    ax.set_yticks(at, labels)
    ax.set_ylim(top - 0.8, -1)
    grow(ax, 0.18 * len(mine) + 0.14 * len(at))
    finish(ax, title, "result ÷ middle lower limit of the sources (log scale)", grid="x")


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
    unit = table.loc[table["nutrient"] == nutrient, "unit"].iloc[0]
    return "" if unit == "ratio" else unit


def _sources(ax, own, at, middle):
    """Each source: a bar for its range (long if it has no upper end), else ticks for its critical level."""
    high = own["high"].fillna(own["low"] * 8)
    spans(ax, own["low"] / middle, high / middle, at, lw=5, label="sufficiency range")
    for y, r in zip(at, own.itertuples(), strict=True):
        if np.isnan(r.low):
            ends = [r.critical / middle, np.fmax(r.critical_high, r.critical) / middle]
            ax.plot(ends, [y, y], label="critical level, or the span of it", **TICKS)
        remark(ax, y, r.source_key + ("*" if r.provenance == "from_memory" else ""))


def _result(ax, r, y, sources, middle, cv) -> str:
    """The result: a hair through all its sources, its error, and a dot (an arrow if censored); its label."""
    x, unit = r["value"] / middle, "" if r["unit"] == "ratio" else f" {r['unit']}"
    if not np.isfinite(x):
        return f"{r['nutrient']}  ND{unit}"
    ax.plot([x, x], [y - sources / 2, y + sources / 2], color=hue.ink, lw=0.9, zorder=4)
    if r["censored"]:
        look = {"ms": 8, "color": hue.ink, "zorder": 6, "label": "result beyond a limit of detection"}
        ax.plot(x, y, r["censored"], **look)
    else:
        if np.isfinite(cv):
            low, high = reported_interval(x, cv)
            ax.plot([max(low, 0.02), high], [y, y], color=hue.ink, lw=1.4, zorder=5)
        look = HOLLOW | {"ms": 6.5, "mec": hue.ink, "mew": 1.5, "zorder": 6}
        ax.plot(x, y, "o", label="result, with about 95 % of its error", **look)
    return f"{r['nutrient']}  {r['censored']}{plain(r['value'])}{unit}"
