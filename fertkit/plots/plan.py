"""Figures of a season plan: what each field gets beside what its harvest removes."""

import numpy as np

from fertkit.errors import NotEstimable
from fertkit.plots.forms import bars, rows, ticks
from fertkit.plots.palette import FILLS, hue
from fertkit.plots.style import figure, finish, subscript
from fertkit.units import restated

MOST = 30  # fields in one figure


@figure(height=1.0)
def farm_rates(plan, ax):
    """Draw a bar for each nutrient that a field gets, with a mark where its harvest removes as much.

    Of a large farm the fields that get most are drawn.

    Parameters
    ----------
    plan : SeasonPlan
    ax : Axes, optional
    """
    rates = restated(plan.brought, plan.unit)
    given = rates[rates.groupby("nutrient")["brought_lb_ac"].transform("max") > 0]
    if given.empty:
        raise NotEstimable("nothing is applied, so there is nothing to draw")
    names = (given["field"] + " " + given["zone"]).str.strip()
    counts = (given["why"] != "legume").astype(float)  # what a legume fixes is not removal to be made good
    wide = given.assign(name=names, counts=counts).pivot_table(
        index="name", columns="nutrient", values=["brought_lb_ac", "removal_lb_ac", "counts"], sort=False
    )
    most = wide["brought_lb_ac"].sum(axis=1).nlargest(MOST).index
    shown = wide[wide.index.isin(most)]
    nutrients = list(shown["brought_lb_ac"].columns)
    lines = np.array([(i, n) for i in range(len(shown)) for n in nutrients], dtype=object)
    at = np.arange(len(lines))
    for n, (colour, hatch) in zip(nutrients, FILLS, strict=False):
        rate = np.where(lines[:, 1] == n, shown["brought_lb_ac"].to_numpy().ravel(), np.nan)
        bars(ax, rate, height=0.8, color=colour, hatch=hatch, edgecolor="white", label=subscript(n))
    removal = shown["removal_lb_ac"].where(shown["counts"] > 0).to_numpy().ravel()
    ticks(ax, removal, at, lw=1.6)
    ax.plot([], [], "|", ms=9, mew=1.6, color=hue.ink, label="removed with the harvest")
    middle = (len(nutrients) - 1) / 2
    rows(ax, [name if n == 0 else "" for name in shown.index for n in range(len(nutrients))], pitch=0.16)
    ax.set_yticks(np.arange(len(shown)) * len(nutrients) + middle, shown.index)
    for edge in np.arange(1, len(shown)) * len(nutrients) - 0.5:
        ax.axhline(edge, color=hue.grid, lw=0.8)
    dropped = len(wide) - len(shown)
    title = "What each field gets" + (
        f" ({len(shown)} fields that get most of {len(wide)})" if dropped else ""
    )
    finish(ax, title, f"rate [{plan.unit}]", grid="x")
