"""Figures of a batch: where the optima of many trials lie, how the samples of many fields were classed."""

import numpy as np

from fertkit.plots.style import CLASS_MARKS, COLOURS, finish, legend, new_axes
from fertkit.response.verdict import status_in_words

#: Colour and hatch of each status of an optimum.
STATUS_LOOKS = {
    "interior": ("curve", ""),
    "at most the first rate": ("band", ".."),
    "at least the highest rate": ("accent", "//"),
    "no economic response": ("quiet", "xx"),
}
BINS = 24


def batch_overview(result, ax=None, *, title: str | None = None):
    """Draw a `BatchResult`: optima of trials as a histogram, or shares of the classes of samples."""
    return (batch_optima if result.kind == "trials" else batch_classes)(result, ax, title=title)


def batch_optima(result, ax=None, *, title: str | None = None):
    """Histogram of the economic optimum rates of many trials, by what may be said of each."""
    ax = new_axes(height=3.4) if ax is None else ax
    table = result.table[result.table["optimum"].notna()]
    groups = {s: table.loc[table["status"] == s, "optimum"] for s in STATUS_LOOKS}
    groups = {s: rates for s, rates in groups.items() if len(rates)}
    edges = np.linspace(0, max(table["highest_rate"].max(), 1e-9), BINS + 1)
    ax.hist(
        list(groups.values()), edges, stacked=True, edgecolor="white", linewidth=0.6,
        color=[COLOURS[STATUS_LOOKS[s][0]] for s in groups], hatch=[STATUS_LOOKS[s][1] for s in groups],
        label=[f"{status_in_words(s)}, {len(rates):,}" for s, rates in groups.items()],
    )  # fmt: skip
    ax.yaxis.get_major_locator().set_params(integer=True)
    legend(ax, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    units = table["rate_unit"].unique()
    unit = f" [{units[0]}]" if len(units) == 1 else ""
    ax.set_xlim(0, edges[-1])
    title = "Where the optima of the trials lie" if title is None else title
    return finish(ax, title=title, xlabel=f"economic optimum rate{unit}", ylabel="trials")


def batch_classes(result, ax=None, *, title: str | None = None):
    """Share of the scored results of each nutrient in each class, all sources together."""
    table = result.table[result.table["class"].isin(list(CLASS_MARKS))]
    shares = table.groupby("nutrient", sort=False)["class"].value_counts(normalize=True).unstack(fill_value=0)
    ax = new_axes(height=1.2 + 0.28 * len(shares)) if ax is None else ax
    left, rows = np.zeros(len(shares)), np.arange(len(shares))[::-1]
    for name, mark in CLASS_MARKS.items():
        if name in shares:
            ax.barh(rows, shares[name] * 100, left=left, color=mark.colour, hatch=mark.hatch,
                    edgecolor=COLOURS["ink"], linewidth=0.5, label=name)  # fmt: skip
            left += shares[name].to_numpy() * 100
    ax.set_yticks(rows, shares.index)
    ax.set_xlim(0, 100)
    legend(ax, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    title = "How the samples were classed" if title is None else title
    return finish(ax, title=title, xlabel="share of the results, every source counted [%]", grid="x")
