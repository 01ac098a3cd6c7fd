"""Figures that compare tissue results: good against poor, through a season, by treatment, against norms."""

import numpy as np
from matplotlib.patches import Patch

from fertkit.plots.forms import asked, class_look, only, ratio_axis, rows, spans, whiskers
from fertkit.plots.palette import ALONG, CLASS_MARKS, DASHES, HOLLOW, PAPER, hue
from fertkit.plots.style import figure, finish, note
from fertkit.plots.tissue import ordered_nutrients
from fertkit.results import plain, plain_p
from fertkit.tissue.dilution import critical_n


@figure(height=0.9)
def pair_ratios(comparison, ax, *, pair: str | None = None):
    """Draw poor over good, one line per nutrient, with the band that noise alone would fill.

    Parameters
    ----------
    comparison : PairComparison
    ax : Axes, optional
    pair : str, optional
        Which pair; the first if None.

    Raises
    ------
    LookupFailed
        If the pair is not known; lists the pairs.
    """
    pair = asked("pair", pair, comparison.pairs["pair"])
    table = only(comparison.pairs, pair=pair).set_index("nutrient")
    table = table.loc[ordered_nutrients(table.index)]
    at = rows(ax, [f"{n}  {plain(r.poor)} : {plain(r.good)} {r.unit}" for n, r in table.iterrows()])
    low, high = np.exp(-table["noise"]), np.exp(table["noise"])
    spans(ax, low, high, at, zorder=1, label="95 % noise of laboratory and sampling")
    for y, r in enumerate(table.itertuples()):
        ratio, strong = np.exp(r.log_ratio), r.short
        says = {"lower": "lower", "higher": "higher"}.get(r.difference, "within the noise")
        look = class_look({"lower": "low", "higher": "high"}.get(says, "sufficient"))
        look |= {"mfc": hue.accent if strong else "white", "zorder": 4}
        ax.plot([1, ratio], [y, y], color=hue.quiet, lw=1, zorder=3)
        ax.plot(ratio, y, label=says + ", and below its range as well" * strong, **look)
    ratio_axis(ax)
    pattern = comparison.patterns.set_index("pair").loc[pair, "pattern"]
    finish(ax, f"{pair}: {pattern}", "poor area ÷ good area (log scale)", grid="x")


@figure()
def season_lines(path, ax, *, sample: str | None = None, nutrient: str | None = None):
    """Draw one nutrient of one field through the season, each date against the ranges of its own stage.

    Parameters
    ----------
    path : SeasonPath
    ax : Axes, optional
    sample, nutrient : str, optional
        Which; the first with a turn, or the first, if None.

    Raises
    ------
    LookupFailed
        If the sample or nutrient is not on the path; lists those that are.
    """
    table = path.path
    first = (table[table["turn"] != ""] if (table["turn"] != "").any() else table).iloc[0]
    sample = asked("sample", first["sample_id"] if sample is None else sample, table["sample_id"])
    table = only(table, sample_id=sample)
    nutrient = asked("nutrient", first["nutrient"] if nutrient is None else nutrient, table["nutrient"])
    table = only(table, nutrient=nutrient).reset_index(drop=True)
    x = _positions(table)
    _stage_ranges(ax, x, table)
    for _, part in table.groupby("plant_part", sort=False):
        ax.plot(x[part.index], part["value"], color=hue.ink, lw=1.4, zorder=3)
    for at, r in zip(x, table.itertuples(), strict=True):
        ax.plot(at, r.value, zorder=4, label=r.strictest_class, **class_look(r.strictest_class))
    ax.set_xticks(x, [_when(r) for r in table.itertuples()])
    ax.margins(x=0.12)
    ax.set_ylim(0, ax.get_ylim()[1] * 1.03)
    label = f"{nutrient} [{table['unit'].iloc[0]} of dry matter]"
    finish(ax, f"{sample}: {nutrient} through the season", ylabel=label)


@figure(height=0.9)
def balance_bars(balance, ax, *, sample=None):
    """Draw the balance indices of one sample, needed first on top; hatched where its range says short too.

    Parameters
    ----------
    balance : Balance
    ax : Axes, optional
    sample : str or int, optional
        sample_id or specimen; the first if None.
    """
    table, column = balance.indices, "specimen" if isinstance(sample, int) else "sample_id"
    table = only(table, **{column: asked("sample", sample, table[column])})
    table = only(table, specimen=table["specimen"].iloc[0]).sort_values("order", kind="stable")
    at, short = rows(ax, table["nutrient"], pitch=0.32), table["verdict"] == "short by every source"
    colours = [CLASS_MARKS["low" if size < 0 else "high"].colour for size in table["index"]]
    look = {"color": colours, "hatch": ["////" * one for one in short], "edgecolor": hue.ink, "lw": 0.8}
    ax.barh(at, table["index"], 0.62, **look)
    ax.axvline(0, color=hue.ink, lw=1)
    label = "index (negative: short against the others)"
    key = [Patch(fc="white", ec=hue.ink, hatch="////", label="short by every published range as well")]
    title = f"{table['sample_id'].iloc[0]}: order of need"
    finish(ax, title, label, grid="x", explain=key if short.any() else [])


@figure()
def treatment_means(comparison, ax, *, nutrient: str | None = None, measure: str = "concentration"):
    """Draw the treatment means of one nutrient with half a least significant difference each way.

    Parameters
    ----------
    comparison : TreatmentComparison
    ax : Axes, optional
    nutrient : str, optional
        The one with the smallest p value if None.
    measure : str
        concentration or uptake.
    """
    tests = only(comparison.tests, measure=asked("measure", measure, comparison.tests["measure"]))
    nutrient = asked("nutrient", nutrient, tests.sort_values("p_value")["nutrient"])
    test = only(tests, nutrient=nutrient).iloc[0]
    means = only(comparison.means, measure=measure, nutrient=nutrient)
    x, mean, half = np.arange(len(means)), means["mean"], test["lsd"] / 2
    says = f"half an LSD (95 %) each way: those that do not overlap differ; p {plain_p(test['p_value'])}"
    whiskers(ax, mean - half, mean + half, x, upright=True, ecolor=hue.quiet, capsize=4, label=says)
    ax.plot(x, mean, "o", color=hue.curve, ms=7, label="mean")
    ax.set_xticks(x, means["treatment"])
    ax.margins(x=0.15, y=0.15)
    finish(ax, f"{nutrient} {measure} by treatment", ylabel=f"{nutrient} [{test['unit']}]")


@figure()
def nutrition_curve(index, ax):
    """Draw shoot nitrogen against biomass with the critical curves; below a curve nitrogen limits growth."""
    points = index.indices.drop_duplicates(["sample", "biomass_t_ha", "n_pct"])
    top = max(points["biomass_t_ha"].max() * 1.4, 8.0)
    for k, curve in enumerate(index.curves.itertuples()):
        x = np.linspace(0.3, np.fmin(top, curve.w_max_t_ha), 300)
        y = critical_n(x, curve.a_pct, curve.b, curve.w_min_t_ha, curve.nc_below_w_min_pct)
        memory = ", from memory" if curve.provenance == "from_memory" else ""
        says = f"{curve.source_key} {curve.region}".strip() + f": critical nitrogen{memory}"
        ax.plot(x, y, color=hue.curve, ls=DASHES[k % len(DASHES)], lw=1.6, label=says)
    look = HOLLOW | {"mec": hue.ink, "mew": 1.5, "ms": 7, "zorder": 4}
    ax.plot(points["biomass_t_ha"], points["n_pct"], "o", label="sample", **look)
    for r in points.itertuples():
        note(ax, r.sample, (r.biomass_t_ha, r.n_pct), (8, 6), bbox=PAPER, zorder=5)
    ax.set(xlim=(0, top), ylim=(0, None))
    finish(ax, "Nitrogen nutrition", "shoot dry matter [t/ha]", "shoot N [% of dry matter]")


@figure(height=0.9)
def norm_spread(norms, ax):
    """Draw norms of one's own: mean of each ratio or component with its spread in the high-yield group."""
    table = norms.norms
    middle, spread, what = table.get("clr_mean"), table.get("clr_sd"), "centred log ratio"
    names = table.get("component")
    if norms.method == "dris":
        middle, spread, what = np.ones(len(table)), table["cv_pct"] / 100, "ratio ÷ its mean"
        names = [f"{n}  {plain(m)}" for n, m in zip(table["ratio"], table["mean"], strict=True)]
    at = rows(ax, names)
    says = "one standard deviation each way"
    whiskers(ax, middle - spread, middle + spread, at, ecolor=hue.quiet, label=says)
    ax.plot(middle, at, "o", color=hue.curve, ms=6, label="mean of the high-yield group")
    finish(ax, f"Norms from {norms.n_high} samples that yielded {norms.cutoff:g} or more", what, grid="x")


def _positions(table):
    """Days from the first date; evenly spaced steps where dates are missing or too close to label."""
    if table["sampled"].notna().all():
        days = (table["sampled"] - table["sampled"].min()).dt.days.to_numpy(float)
        if len(days) < 2 or np.diff(days).min() > 0.12 * np.ptp(days):
            return days
    return table["step"].to_numpy(float)


def _stage_ranges(ax, x, table):
    """The range of the stage at each date, or that none is published."""
    half = 0.3 * (np.diff(x).min() if len(x) > 1 else 1.0) or 0.3
    top = np.nanmax(table[["value", "high"]].to_numpy(float)) * 1.15
    for at, r in zip(x, table.itertuples(), strict=True):
        if not np.isfinite(r.low):
            look = {"ha": "center", "va": "bottom", "color": hue.quiet}
            note(ax, "no published\nrange", (at, 0.02), frame=ALONG, **look)
            continue
        ends, high = [at - half, at + half], r.high if np.isfinite(r.high) else top
        says = "range of the stage, widest of the sources"
        ax.fill_between(ends, r.low, high, color=hue.band, lw=0, alpha=0.75, label=says)
        ax.plot(ends, [r.low, r.low], color=hue.curve, lw=1.6)


def _when(r):
    day = f"{r.sampled:%d %b}\n" if r.sampled == r.sampled else ""
    return f"{day}{r.growth_stage}\n{r.plant_part}"
