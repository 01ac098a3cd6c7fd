"""Figures that compare tissue results: good against poor, through a season, by treatment, against norms."""

import numpy as np

from fertkit.errors import unknown
from fertkit.plots.style import CLASS_MARKS, COLOURS, SMALL, finish, legend, new_axes
from fertkit.plots.tissue import ordered_nutrients, ratio_axis
from fertkit.results import plain
from fertkit.tissue.dilution import critical_n


def pair_ratios(comparison, ax=None, *, pair: str | None = None):
    """Draw poor over good, one line per nutrient, with the band that noise alone would fill.

    Parameters
    ----------
    comparison : PairComparison
    ax : Axes, optional
    pair : str, optional
        Which pair; the first if None.

    Returns
    -------
    Axes

    Raises
    ------
    LookupFailed
        If the pair is not known; lists the pairs.
    """
    names = list(dict.fromkeys(comparison.pairs["pair"]))
    pair = names[0] if pair is None else pair
    if pair not in names:
        raise unknown("pair", pair, names)
    rows = comparison.pairs[comparison.pairs["pair"] == pair].set_index("nutrient")
    rows = rows.loc[ordered_nutrients(rows.index)]
    ax = new_axes(height=1.5 + 0.3 * len(rows)) if ax is None else ax
    for y, r in enumerate(rows.itertuples()):
        if np.isfinite(r.noise):
            low, high = np.exp([-r.noise, r.noise])
            ax.plot([low, high], [y, y], color=COLOURS["band"], lw=9, solid_capstyle="butt", zorder=1)
        _ratio_mark(ax, y, r)
    ax.axvline(1, color=COLOURS["ink"], lw=1, zorder=2)
    ratio_axis(ax)
    ax.set_yticks(
        range(len(rows)), [f"{n}  {plain(r.poor)} : {plain(r.good)} {r.unit}" for n, r in rows.iterrows()]
    )
    ax.set_ylim(len(rows) - 0.4, -0.6)
    pattern = comparison.patterns.set_index("pair").loc[pair, "pattern"]
    key = "band: 95 % noise of laboratory and sampling\nfilled: below its range as well"
    return finish(
        ax, title=f"{pair}: {pattern}", xlabel=f"poor area ÷ good area (log scale)\n{key}", grid="x"
    )


def season_lines(path, ax=None, *, sample: str | None = None, nutrient: str | None = None):
    """Draw one nutrient of one field through the season, each date against the ranges of its own stage.

    Parameters
    ----------
    path : SeasonPath
    ax : Axes, optional
    sample, nutrient : str, optional
        Which; the first with a turn, or the first, if None.

    Returns
    -------
    Axes

    Raises
    ------
    LookupFailed
        If the sample or nutrient is not on the path; lists those that are.
    """
    table = path.path
    turned = table[table["turn"] != ""]
    first = (turned if len(turned) else table).iloc[0]
    sample = first["sample_id"] if sample is None else sample
    if sample not in set(table["sample_id"]):
        raise unknown("sample", sample, table["sample_id"].unique())
    table = table[table["sample_id"] == sample]
    nutrient = first["nutrient"] if nutrient is None else nutrient
    if nutrient not in set(table["nutrient"]):
        raise unknown("nutrient", nutrient, table["nutrient"].unique())
    rows = table[table["nutrient"] == nutrient].reset_index(drop=True)
    ax = new_axes(height=3.4) if ax is None else ax
    x = _positions(rows)
    _season_ranges(ax, x, rows)
    for _, part in rows.groupby("plant_part", sort=False):
        ax.plot(x[part.index], part["value"], color=COLOURS["ink"], lw=1.4, zorder=3)
    for xi, r in zip(x, rows.itertuples(), strict=True):
        mark = CLASS_MARKS[r.strictest_class]
        ax.plot(xi, r.value, marker=mark.marker, ms=9, mfc=mark.colour, mec=COLOURS["ink"], mew=1.3, zorder=4)
    ax.set_xticks(x, [_when(r) for r in rows.itertuples()])
    ax.margins(x=0.12)
    ax.set_ylim(0, None)
    legend(ax, loc="lower left")
    ax.set_ylim(0, ax.get_ylim()[1] * 1.08)
    unit = rows["unit"].iloc[0]
    return finish(
        ax, title=f"{sample}: {nutrient} through the season", ylabel=f"{nutrient} [{unit} of dry matter]"
    )


def balance_bars(balance, ax=None, *, sample=None):
    """Draw the balance indices of one sample, needed first on top; hatched where its range says short too.

    Parameters
    ----------
    balance : Balance
    ax : Axes, optional
    sample : str or int, optional
        sample_id or specimen; the first if None.

    Returns
    -------
    Axes
    """
    table = balance.indices
    column = "specimen" if isinstance(sample, int) else "sample_id"
    sample = table["sample_id"].iloc[0] if sample is None else sample
    rows = table[table[column] == sample]
    if rows.empty:
        raise unknown("sample", sample, table[column].unique())
    rows = rows[rows["specimen"] == rows["specimen"].iloc[0]].sort_values("order", kind="stable")
    ax = new_axes(height=1.4 + 0.32 * len(rows)) if ax is None else ax
    for y, r in enumerate(rows.rename(columns={"index": "size"}).itertuples()):
        mark = CLASS_MARKS["low" if r.size < 0 else "high"]
        short = r.verdict == "short by every source"
        ax.barh(
            y,
            r.size,
            0.62,
            color=mark.colour,
            edgecolor=COLOURS["ink"],
            lw=0.8,
            hatch="////" if short else "",
        )
    ax.axvline(0, color=COLOURS["ink"], lw=1)
    ax.set_yticks(range(len(rows)), rows["nutrient"])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    key = "hatched: short by every published range as well"
    title = f"{rows['sample_id'].iloc[0]}: order of need"
    return finish(ax, title=title, xlabel=f"index (negative: short against the others)\n{key}", grid="x")


def treatment_means(comparison, ax=None, *, nutrient: str | None = None, measure: str = "concentration"):
    """Draw the treatment means of one nutrient with half a least significant difference each way.

    Parameters
    ----------
    comparison : TreatmentComparison
    ax : Axes, optional
    nutrient : str, optional
        The one with the smallest p value if None.
    measure : str
        concentration or uptake.

    Returns
    -------
    Axes
    """
    tests = comparison.tests[comparison.tests["measure"] == measure]
    if tests.empty:
        raise unknown("measure", measure, comparison.tests["measure"].unique())
    nutrient = tests.sort_values("p_value")["nutrient"].iloc[0] if nutrient is None else nutrient
    if nutrient not in set(tests["nutrient"]):
        raise unknown("nutrient", nutrient, tests["nutrient"])
    test = tests[tests["nutrient"] == nutrient].iloc[0]
    means = comparison.means[
        (comparison.means["measure"] == measure) & (comparison.means["nutrient"] == nutrient)
    ]
    ax = new_axes(height=3.2) if ax is None else ax
    x = np.arange(len(means))
    look = {"color": COLOURS["curve"], "ecolor": COLOURS["quiet"], "ms": 7, "capsize": 4, "lw": 1.4}
    ax.errorbar(x, means["mean"], yerr=test["lsd"] / 2, fmt="o", **look)
    ax.set_xticks(x, means["treatment"])
    ax.margins(x=0.15, y=0.15)
    key = f"bars that do not overlap differ (LSD 95 %) · p = {test['p_value']:.2g}"
    title = f"{nutrient} {measure} by treatment"
    return finish(ax, title=title, xlabel=key, ylabel=f"{nutrient} [{test['unit']}]")


def nutrition_curve(index, ax=None):
    """Draw shoot nitrogen against biomass with the critical curves; below a curve nitrogen limits growth.

    Parameters
    ----------
    index : NutritionIndex
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    ax = new_axes(height=3.8) if ax is None else ax
    points = index.indices.drop_duplicates(["sample", "biomass_t_ha", "n_pct"])
    top = max(points["biomass_t_ha"].max() * 1.4, 8.0)
    dashes = ["solid", (0, (6, 2)), (0, (1, 1.6)), (0, (6, 2, 1, 2))]
    for k, curve in enumerate(index.curves.itertuples()):
        end = min(top, curve.w_max_t_ha) if np.isfinite(curve.w_max_t_ha) else top
        x = np.linspace(0.3, end, 300)
        y = critical_n(x, curve.a_pct, curve.b, curve.w_min_t_ha, curve.nc_below_w_min_pct)
        star = "*" if curve.provenance == "from_memory" else ""
        label = f"{curve.source_key}{star} {curve.region}".strip()
        ax.plot(x, y, color=COLOURS["curve"], ls=dashes[k % 4], lw=1.6, label=label)
    ax.plot(
        points["biomass_t_ha"], points["n_pct"], "o", mfc="white", mec=COLOURS["ink"], mew=1.5, ms=7, zorder=4
    )
    for r in points.itertuples():
        place = {"xytext": (8, 6), "textcoords": "offset points", "fontsize": SMALL, "zorder": 5}
        paper = {"facecolor": "#ffffffd0", "edgecolor": "none", "pad": 0.8}
        ax.annotate(r.sample, (r.biomass_t_ha, r.n_pct), bbox=paper, **place)
    ax.set_ylim(0, None)
    ax.set_xlim(0, top)
    legend(ax, loc="upper right", title="critical nitrogen (* from memory)", title_fontsize=SMALL)
    return finish(
        ax, title="Nitrogen nutrition", xlabel="shoot dry matter [t/ha]", ylabel="shoot N [% of dry matter]"
    )


def norm_spread(norms, ax=None):
    """Draw norms of one's own: mean of each ratio or component with its spread in the high-yield group.

    Parameters
    ----------
    norms : Norms
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    table = norms.norms
    ax = new_axes(height=1.4 + 0.3 * len(table)) if ax is None else ax
    y = np.arange(len(table))
    if norms.method == "dris":
        middle, spread, names, what = (
            np.ones(len(table)),
            table["cv_pct"] / 100,
            table["ratio"],
            "ratio ÷ its mean",
        )
        names = [f"{n}  {plain(m)}" for n, m in zip(names, table["mean"], strict=True)]
    else:
        middle, spread, names, what = (
            table["clr_mean"],
            table["clr_sd"],
            table["component"],
            "centred log ratio",
        )
    look = {"color": COLOURS["curve"], "ecolor": COLOURS["quiet"], "ms": 6, "capsize": 3, "lw": 1.4}
    ax.errorbar(middle, y, xerr=spread, fmt="o", **look)
    ax.set_yticks(y, names)
    ax.set_ylim(len(table) - 0.4, -0.6)
    title = f"Norms from {norms.n_high} samples that yielded {norms.cutoff:g} or more"
    return finish(ax, title=title, xlabel=f"{what}, one standard deviation each way", grid="x")


def _ratio_mark(ax, y, r):
    ratio = np.exp(r.log_ratio)
    name = {"lower": "low", "higher": "high"}.get(r.difference, "sufficient")
    mark = CLASS_MARKS[name]
    strong = r.evidence.startswith("strong")
    fill = COLOURS["accent"] if strong else "white" if r.difference != "within noise" else mark.colour
    ax.plot([1, ratio], [y, y], color=COLOURS["quiet"], lw=1, zorder=3)
    ax.plot(ratio, y, marker=mark.marker, ms=9, mfc=fill, mec=COLOURS["ink"], mew=1.4, zorder=4)


def _positions(rows):
    """Days from the first date; evenly spaced steps where dates are missing or too close to label."""
    if rows["sampled"].notna().all():
        days = (rows["sampled"] - rows["sampled"].min()).dt.days.to_numpy(float)
        if len(days) < 2 or np.diff(days).min() > 0.12 * np.ptp(days):
            return days
    return rows["step"].to_numpy(float)


def _season_ranges(ax, x, rows):
    gap = np.diff(x).min() if len(x) > 1 else 1.0
    half = 0.3 * gap if gap > 0 else 0.3
    top = np.nanmax(rows[["value", "high"]].to_numpy(float)) * 1.15
    for k, (xi, r) in enumerate(zip(x, rows.itertuples(), strict=True)):
        if not np.isfinite(r.low):
            ax.annotate("no published\nrange", (xi, 0.02), xycoords=("data", "axes fraction"), ha="center",
                        va="bottom", fontsize=SMALL, color=COLOURS["quiet"])  # fmt: skip
            continue
        high = r.high if np.isfinite(r.high) else top
        label = "range of the stage, widest of the sources" if k == 0 else None
        ax.fill_between(
            [xi - half, xi + half], r.low, high, color=COLOURS["band"], lw=0, alpha=0.75, label=label
        )
        ax.plot([xi - half, xi + half], [r.low, r.low], color=COLOURS["curve"], lw=1.6)


def _when(r):
    day = f"{r.sampled:%d %b}\n" if r.sampled == r.sampled else ""
    return f"{day}{r.growth_stage}\n{r.plant_part}"
