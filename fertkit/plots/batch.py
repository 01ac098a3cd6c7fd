"""Figures of a batch: where the optima of many trials lie, how the samples of many fields were classed."""

import numpy as np

from fertkit.plots.forms import bars, rows
from fertkit.plots.palette import CLASS_MARKS, hue
from fertkit.plots.style import figure, finish
from fertkit.response.optimum import Status, status_in_words

#: Colour and hatch of each status of an optimum.
STATUS_LOOKS = {
    Status.INTERIOR: (hue.curve, ""), Status.STEP: (hue.band, ".."), Status.TOP: (hue.accent, "//"),
    Status.NONE: (hue.quiet, "xx"),
}  # fmt: skip
BINS = 24


def batch_overview(result, ax=None, **options):
    """Draw a `BatchResult`: optima of trials as a histogram, or shares of the classes of samples."""
    return (batch_optima if result.kind == "trials" else batch_classes)(result, ax, **options)


@figure()
def batch_optima(result, ax):
    """Histogram of the economic optimum rates of many trials, by what may be said of each."""
    table = result.table[result.table["optimum"].notna()]
    found = {s: table.loc[table["status"] == s, "optimum"] for s in STATUS_LOOKS}
    found = {s: rates for s, rates in found.items() if len(rates)}
    edges = np.linspace(0, max(table["highest_rate"].max(), 1e-9), BINS + 1)
    look = {"color": [STATUS_LOOKS[s][0] for s in found], "hatch": [STATUS_LOOKS[s][1] for s in found]}
    look["label"] = [f"{status_in_words(s)}, {len(rates):,}" for s, rates in found.items()]
    ax.hist(list(found.values()), edges, stacked=True, edgecolor="white", linewidth=0.6, **look)
    ax.yaxis.get_major_locator().set_params(integer=True)
    ax.set_xlim(0, edges[-1])
    units = table["rate_unit"].unique()
    unit = f" [{units[0]}]" if len(units) == 1 else ""
    finish(ax, "Where the optima of the trials lie", f"economic optimum rate{unit}", "trials")


@figure(height=0.9)
def batch_classes(result, ax):
    """Share of the scored results of each nutrient in each class, all sources together."""
    table = result.table[result.table["class"].isin(list(CLASS_MARKS))]
    shares = table.groupby("nutrient", sort=False)["class"].value_counts(normalize=True).unstack(fill_value=0)
    left = np.zeros(len(shares))
    for name in [name for name in CLASS_MARKS if name in shares]:
        mark, part = CLASS_MARKS[name], shares[name].to_numpy() * 100
        look = {"color": mark.colour, "hatch": mark.hatch, "edgecolor": hue.ink, "linewidth": 0.5}
        bars(ax, part, left=left, height=0.8, label=name, **look)
        left = left + part
    rows(ax, shares.index, pitch=0.28)
    ax.set_xlim(0, 100)
    finish(ax, "How the samples were classed", "share of the results, every source counted [%]", grid="x")
