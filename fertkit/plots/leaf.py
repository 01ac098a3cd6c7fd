"""Figures of leaf tests: samples by nutrients, one sample in detail, and comparisons of samples."""

from textwrap import fill

import numpy as np
from matplotlib.patches import Patch, Polygon

from fertkit.errors import unknown
from fertkit.plots.forms import asked, only, remark, rows, shown, spans, whiskers
from fertkit.plots.palette import CLASS_MARKS, DASHES, HOLLOW, PAPER, SMALL, hue
from fertkit.plots.style import figure, finish, grow, is_narrow, note
from fertkit.reference.load import short_names
from fertkit.reference.nutrients import NUTRIENTS
from fertkit.results import alike, plain, plain_p, records
from fertkit.rounding import below
from fertkit.tissue.agree import Verdict
from fertkit.tissue.classes import reported_interval
from fertkit.tissue.dilution import critical_n

#: Ratios written along a logarithmic axis, and those added where it is short.
RATIOS, BETWEEN = (0.1, 0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3, 5, 10, 20), (0.6, 0.85, 1.2)

ACROSS = 12  # nutrients side by side; more go into further bands, so that letters stay readable
ON_A_TELEPHONE = 5
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
    across, letters, pitch = (ON_A_TELEPHONE, 13, 0.48) if is_narrow(ax) else (ACROSS, 24, 0.36)
    bands = np.array_split(nutrients, -(-len(nutrients) // across))
    step = len(specimens) + 1.3  # from band to band
    place = {n: (x, k * step) for k, band in enumerate(bands) for x, n in enumerate(band)}
    drawn = table[table["specimen"].isin(specimens)]
    written = drawn.groupby("nutrient")["value"].transform(lambda held: alike(*held))
    for r, value in zip(records(drawn), written, strict=True):
        x, down = place[r.nutrient]
        text = {"": value, "not detected": "ND"}.get(r.censored, f"{r.censored}{plain(r.value)}")
        cell(ax, x, down + specimens.index(r.specimen), r.strictest_class, r.mildest_class, text)
    heads = {n: f"{n}\n{_unit(table, n)}" for n in nutrients}
    for n in np.concatenate([[], *bands[1:]]):
        x, down = place[n]
        ax.text(x + 0.5, down - 0.08, heads[n], ha="center", va="bottom", fontsize=SMALL, color=hue.ink)
    labels = [f"{fill(r.label, letters)}\n{r.crop} {r.growth_stage}" for r in records(first.loc[specimens])]
    at = [s + 0.5 + k * step for k in range(len(bands)) for s in range(len(specimens))]
    lines = 1 + max(label.count("\n") for label in labels)
    rows(ax, labels * len(bands), pitch=max(pitch, 0.17 * lines), at=at)
    ax.set_xticks(np.arange(len(bands[0])) + 0.5, [heads[n] for n in bands[0]])
    ax.xaxis.tick_top()
    ax.set(xlim=(0, len(bands[0])), ylim=(at[-1] + 0.5, 0))
    key = class_patches({*drawn["strictest_class"], *drawn["mildest_class"]})
    if (drawn["strictest_class"] != drawn["mildest_class"]).any():
        key.append(shown("split cell: sources differ", marker=(3, 0, 45), ms=9, ls="none"))
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
    finish(ax, samples.name, f"result ÷ median of {whose} (log scale)", grid="x")


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
        ax.text(0.5, 0.5, "no published range fits this sample", **look)
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
    finish(ax, title, "result ÷ median lower limit (log scale)", grid="x")


def _shown_samples(table, most):
    specimens = table["specimen"].unique()
    if len(specimens) <= most:
        return list(specimens)
    chance = table["probability_below"].fillna(0).groupby(table["specimen"]).max()
    return list(chance.sort_values(ascending=False, kind="stable").index[:most])


def ordered_nutrients(nutrients) -> list[str]:
    """Nutrients in the order a report lists them, unknown ones last."""
    place = {n: i for i, n in enumerate(NUTRIENTS)}
    return sorted(nutrients, key=lambda n: (place.get(n, len(place)), n))


def _unit(table, nutrient):
    unit = table.loc[table["nutrient"] == nutrient, "unit"].iloc[0]
    return "" if unit == "ratio" else unit


def _sources(ax, own, at, middle):
    """Each source: a bar for its range (long if it has no upper end), else ticks for its critical level."""
    high = own["high"].fillna(own["low"] * 8)
    spans(ax, own["low"] / middle, high / middle, at, lw=5, label="sufficiency range")
    for y, r in zip(at, records(own), strict=True):
        if np.isnan(r.low):
            ends = [r.critical / middle, np.fmax(r.critical_high, r.critical) / middle]
            ax.plot(ends, [y, y], label="critical level or range", **TICKS)
        remark(ax, y, short_names(r.source_key) + ("*" if r.provenance == "from_memory" else ""))


def _result(ax, r, y, sources, middle, cv) -> str:
    """The result: a hair through all its sources, its error, and a dot (an arrow if censored); its label."""
    x, unit = r["value"] / middle, "" if r["unit"] == "ratio" else f" {r['unit']}"
    if not np.isfinite(x):
        return f"{r['nutrient']}  ND{unit}"
    ax.plot([x, x], [y - sources / 2, y + sources / 2], color=hue.ink, lw=0.9, zorder=4)
    if r["censored"]:
        look = {"ms": 8, "color": hue.ink, "zorder": 6, "label": "result beyond a detection limit"}
        ax.plot(x, y, r["censored"], **look)
    else:
        if np.isfinite(cv):
            low, high = reported_interval(x, cv)
            ax.plot([max(low, 0.02), high], [y, y], color=hue.ink, lw=1.4, zorder=5)
        look = HOLLOW | {"ms": 6.5, "mec": hue.ink, "mew": 1.5, "zorder": 6}
        ax.plot(x, y, "o", label="result and its 95% error", **look)
    return f"{r['nutrient']}  {r['censored']}{plain(r['value'])}{unit}"


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
    at = rows(ax, [f"{n}  {' : '.join(alike(r.poor, r.good))} {r.unit}" for n, r in table.iterrows()])
    low, high = np.exp(-table["noise"]), np.exp(table["noise"])
    spans(ax, low, high, at, zorder=1, label="95% laboratory and sampling error")
    for y, r in enumerate(records(table)):
        ratio, strong = np.exp(r.log_ratio), r.short
        says = {"lower": "lower", "higher": "higher"}.get(r.difference, "within the error")
        look = class_look({"lower": "low", "higher": "high"}.get(says, "sufficient"))
        look |= {"mfc": hue.accent if strong else "white", "zorder": 4}
        ax.plot([1, ratio], [y, y], color=hue.quiet, lw=1, zorder=3)
        ax.plot(ratio, y, label=says + ", and below its range" * strong, **look)
    ratio_axis(ax)
    pattern = comparison.patterns.set_index("pair").loc[pair, "pattern"]
    finish(ax, f"{pair}: {pattern}", "poor area ÷ good area (log scale)", grid="x")


@figure(height=0.9)
def balance_bars(balance, ax, *, sample=None, named=True):
    """Draw the balance indices of one sample, needed first on top; hatched where its range says short too.

    Parameters
    ----------
    balance : Balance
    ax : Axes, optional
    sample : str or int, optional
        sample_id or specimen; the first if None.
    named : bool
        Whether the title names the sample.
    """
    table, column = balance.indices, "specimen" if isinstance(sample, int) else "sample_id"
    table = only(table, **{column: asked("sample", sample, table[column])})
    table = only(table, specimen=table["specimen"].iloc[0]).sort_values("order", kind="stable")
    at, short = rows(ax, table["nutrient"], pitch=0.32), table["verdict"] == Verdict.SHORT
    colours = [CLASS_MARKS["low" if size < 0 else "high"].colour for size in table["index"]]
    look = {"color": colours, "hatch": ["////" * one for one in short], "edgecolor": hue.ink, "lw": 0.8}
    ax.barh(at, table["index"], 0.62, **look)
    ax.axvline(0, color=hue.ink, lw=1)
    own = balance.method.startswith("Deviation")
    label = "deviation from the optimum [%]" if own else "index"
    ends = ("low beside the others", "high beside the others")
    ends = ("below the optimum", "above the optimum") if own else ends
    key = [
        Patch(fc=CLASS_MARKS[kind].colour, ec=hue.ink, label=says)
        for kind, says in zip(("low", "high"), ends, strict=True)
    ]
    if short.any():
        key.append(Patch(fc="white", ec=hue.ink, hatch="////", label="also short by every published range"))
    title = f"{table['sample_id'].iloc[0]}: order of need" if named else "Order of need"
    finish(ax, title, label, grid="x", explain=key)


@figure(height=0.9)
def ratio_rows(table, ax):
    """Draw the ratios that have a published limit as shares of it; beyond 1 the second nutrient is low."""
    held = table.ratios[table.ratios["highest_limit"].notna()]
    if held.empty:
        _ratios_of_a_file(table.ratios, ax)
        return
    at = rows(ax, [f"{r.sample_id}: {r.ratio}  {plain(r.value)}" for r in records(held)])
    low = held["lowest_limit"] / held["highest_limit"]
    spans(ax, low, np.ones(len(held)), at, label="range of published limits")
    for y, r in zip(at, records(held), strict=True):
        wide = r.verdict == "above the limit"
        look = class_look("high" if wide else "sufficient") | {"zorder": 4}
        ax.plot(r.value / r.highest_limit, y, label=r.verdict, **look)
    ratio_axis(ax)
    finish(ax, "Ratios against their limits", "ratio ÷ its highest published limit (log scale)", grid="x")


def _ratios_of_a_file(table, ax):
    """Ratios of samples without any published limit, beside the middle one of their crop."""
    share = table["value"] / table.groupby(["crop", "ratio"])["value"].transform("median")
    names = list(table["ratio"].unique())
    at = rows(ax, names, pitch=0.28)
    look = HOLLOW | {"mec": hue.curve, "mew": 1.2, "ms": 6, "alpha": 0.8}
    for y, name in zip(at, names, strict=True):
        mine = share[table["ratio"] == name]
        ax.plot(mine, np.full(len(mine), y), "o", label="sample", **look)
    ratio_axis(ax)
    finish(ax, "Ratios without a published limit", "ratio ÷ median of its crop (log scale)", grid="x")


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
    says = f"half an LSD (95%) each way: bars that do not overlap differ; p {plain_p(test['p_value'])}"
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
    curves = index.curves.assign(end=np.fmin(top, index.curves["w_max_t_ha"]))
    shape = ["a_pct", "b", "w_min_t_ha", "nc_below_w_min_pct", "end"]
    for k, (_, held) in enumerate(curves.groupby(shape, sort=False, dropna=False)):
        curve = held.iloc[0]
        x = np.linspace(0.3, curve.end, 300)
        y = critical_n(x, curve.a_pct, curve.b, curve.w_min_t_ha, curve.nc_below_w_min_pct)
        says = f"critical nitrogen, {' and '.join(map(_curve_from, records(held)))}"
        ax.plot(x, y, color=hue.curve, ls=DASHES[k % len(DASHES)], lw=1.6, label=says)
    look = HOLLOW | {"mec": hue.ink, "mew": 1.5, "ms": 7, "zorder": 4}
    ax.plot(points["biomass_t_ha"], points["n_pct"], "o", label="sample", **look)
    best = index.indices.groupby("sample")["nni"].max()
    for r in records(points):  # away from the curves
        aside = (8, -20 if below(best[r.sample], 1) else 6)
        note(ax, r.sample, (r.biomass_t_ha, r.n_pct), aside, bbox=PAPER, zorder=3)
    ax.set(xlim=(0, top), ylim=(0, None))
    finish(ax, "Nitrogen nutrition", "shoot dry matter [t/ha]", "shoot N [% of dry matter]")


def _curve_from(curve) -> str:
    """Tell where a critical curve comes from."""
    memory = " (from memory)" if curve.provenance == "from_memory" else ""
    return f"{curve.region or short_names(curve.source_key)}{memory}"


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
    says = "± 1 standard deviation"
    whiskers(ax, middle - spread, middle + spread, at, ecolor=hue.quiet, label=says)
    ax.plot(middle, at, "o", color=hue.curve, ms=6, label="mean of the high-yield group")
    finish(ax, f"Norms from {norms.n_high} samples that yielded {norms.cutoff:g} or more", what, grid="x")


# ---- forms of these figures


def ratio_axis(ax) -> None:
    """Make the x axis logarithmic, with plain numbers at round ratios, and mark 1."""
    ax.axvline(1, color=hue.ink, lw=1, zorder=2)
    ax.set_xscale("log")
    low, high = ax.get_xlim()
    if high / low < 1.1:  # all lie at 1
        low, high = ax.set_xlim(0.7, 1 / 0.7)
    marks = sorted(m for m in (*RATIOS, *(BETWEEN if high / low < 8 else ())) if low <= m <= high)
    ax.set_xticks(marks, [f"{m:g}" for m in marks])
    ax.minorticks_off()


def class_patches(names) -> list:
    """Marks of the key for classes of cells or bars."""
    marks = {name: mark for name, mark in CLASS_MARKS.items() if name in names}
    return [Patch(fc=m.colour, hatch=m.hatch, ec=hue.quiet, label=name) for name, m in marks.items()]


def class_look(name: str) -> dict:
    """Give the look of a point of a class."""
    mark = CLASS_MARKS[name]
    return {"marker": mark.marker, "ms": 9, "mfc": mark.colour, "mec": hue.ink, "mew": 1.3, "ls": "none"}


def cell(ax, x, y, lower: str, upper: str, text: str) -> None:
    """Draw a cell of a matrix shaded by its class; cut from corner to corner where two classes differ."""
    box = [(x + 0.03, y + 0.05), (x + 0.97, y + 0.05), (x + 0.97, y + 0.95), (x + 0.03, y + 0.95)]
    for name, shape in {lower: [box[0], *box[2:]], upper: box if lower == upper else box[:3]}.items():
        mark = CLASS_MARKS[name]
        edge = hue.quiet if mark.colour == "#ffffff" else "white"  # the hatch takes the edge's colour
        ax.add_patch(Polygon(shape, facecolor=mark.colour, hatch=mark.hatch, edgecolor=edge, linewidth=0))
    ax.add_patch(Polygon(box, fill=False, edgecolor=hue.grid, linewidth=0.8))
    paper = {"boxstyle": "round,pad=0.12", "facecolor": "#ffffffd0", "edgecolor": "none"}
    look = {"ha": "center", "va": "center", "fontsize": SMALL, "color": hue.ink, "bbox": paper}
    bold = lower == upper and lower in ("deficient", "excessive")
    ax.text(x + 0.5, y + 0.52, text, fontweight="bold" if bold else "normal", **look)
