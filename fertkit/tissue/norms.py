"""Norms of the user's own, from the high-yield part of a data set."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from fertkit.asked import a_list, asks, holding
from fertkit.errors import InputError, NotEstimable, Problem
from fertkit.reference.facts import threshold
from fertkit.reference.load import list_sources
from fertkit.results import Result, checks_frame
from fertkit.rounding import at_least
from fertkit.tissue.balance import results_grid
from fertkit.tissue.indices import DRY_MATTER, FILLING, close_parts, clr, critical_r2, percent_grid

OWN = "own norms"  # source key of norms built here


@dataclass(frozen=True)
class Norms(Result):
    """Norms built from a high-yield group; ``table`` can be given to `dris` or `cnd`.

    Attributes
    ----------
    method : str
        dris or cnd.
    norms : DataFrame
        dris: crop, plant_part, ratio, mean, cv_pct, n, variance_high, variance_low, variance_ratio, p_value,
        source_key, provenance. cnd: crop, plant_part, component, clr_mean, clr_sd, mean_g_kg, n, ...
    cutoff : float
        Yield from which a sample counts as high [the unit of the yields].
    n_high, n_low : int
    """

    method: str
    norms: pd.DataFrame
    cutoff: float
    n_high: int
    n_low: int

    @property
    def table(self) -> pd.DataFrame:
        return self.norms

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources(["KHIARI2001"] if self.method == "cnd" else [])

    @property
    def critical_r2(self) -> float:
        """Squared distance above which a composition counts as imbalanced (`indices.critical_r2`).

        NaN for DRIS norms.
        """
        if self.method != "cnd":
            return np.nan
        return critical_r2(self.n_low / (self.n_high + self.n_low), len(self.norms))

    @property
    def checks(self) -> pd.DataFrame:
        fewest = threshold("samples of norms")
        return checks_frame(
            [
                (
                    "samples in the high-yield group",
                    self.n_high,
                    f"{fewest:g}",
                    self.n_high >= fewest,
                    (
                        "enough samples for stable norms",
                        "few samples: norms are unstable; add high-yielding samples",
                    ),
                )
            ]
        )


@asks(
    samples=holding("table", of="read_tissue"),
    yields=holding("keys", "items", like="a dict or Series of yields by sample"), nutrients=a_list,
)  # fmt: skip
def build_norms(
    samples, yields, *, cutoff: float, method: str = "dris", dry_matter: bool = False, nutrients=None
) -> Norms:
    """Build DRIS or CND norms from the samples that yielded at least `cutoff`.

    Parameters
    ----------
    samples : TissueSamples or DataFrame
        Of one crop and one plant part.
    yields : dict or Series
        Yield by sample_id.
    cutoff : float
        Yield from which a sample belongs to the high group.
    method : str
        dris: each pair of nutrients enters as the ratio, of the two, with the larger variance ratio (low over
        high group; Walworth and Sumner 1987). cnd: centred log ratios with the filling value.
    dry_matter : bool
        dris: add each nutrient over dry matter.
    nutrients : sequence of str, optional
        All that were measured in every sample if None.

    Returns
    -------
    Norms
        ``p_value``: F test that the variance of the low group is the larger (scipy.stats.f).

    Raises
    ------
    InputError
        If a sample has no yield, or the samples mix crops or parts.
    NotEstimable
        If a group is too small for a variance, or no nutrient is complete.

    Examples
    --------
    >>> from fertkit.tissue import build_norms
    >>> import numpy as np
    >>> import pandas as pd
    >>> leaf = np.random.default_rng(1).lognormal(np.log([3.0, 0.3, 2.0]), 0.1, (40, 3))
    >>> samples = pd.DataFrame({
    ...     "sample_id": np.repeat([f"s{i}" for i in range(40)], 3), "crop": "corn", "growth_stage": "R1",
    ...     "plant_part": "ear leaf", "nutrient": ["N", "P", "K"] * 40, "value": leaf.ravel(), "unit": "%",
    ... })
    >>> yields = {f"s{i}": 150.0 + i for i in range(40)}
    >>> norms = build_norms(samples, yields, cutoff=170.0)
    >>> norms.table["ratio"].tolist(), norms.table["n"].unique().tolist()  # 20 of 40 yield 170 or more
    (['K/N', 'K/P', 'N/P'], [20])
    """
    grid, context = results_grid(samples)
    _refuse_mixture(context)
    high = _high_group(context, yields, cutoff)
    held = list(nutrients) if nutrients is not None else list(grid.columns[grid.notna().all()])
    if not held or not set(held) <= set(grid) or grid[held].isna().any(axis=None):
        raise NotEstimable(
            "no nutrient has a plain value in every sample", "nutrients=[...]", remedy="name complete ones"
        )
    n_high, n_low = int(high.sum()), int((~high).sum())
    if n_high < 3 or (method == "dris" and n_low < 3):
        raise NotEstimable(
            f"{n_high} samples yielded at least {cutoff:g} and {n_low} less; each group needs 3 or more"
        )
    first = context.iloc[0]
    common = {"crop": first["crop"], "plant_part": first["plant_part"]}
    trace = {"source_key": OWN, "provenance": "own table", "confidence": "as supplied"}
    if method == "dris":
        table = _dris_norms(grid[held].assign(**{DRY_MATTER: 1.0} if dry_matter else {}), high)
    elif method == "cnd":
        table = _cnd_norms(percent_grid(grid, held)[high], held)
    else:
        raise NotEstimable(f"unknown method '{method}'; choose dris or cnd")
    return Norms(method, table.assign(n=n_high, **common, **trace), float(cutoff), n_high, n_low)


def _refuse_mixture(context):
    for column in ("crop", "plant_part"):
        if len(set(context[column])) > 1:
            what = f"the samples mix {column.replace('_', ' ')}s: {', '.join(context[column].unique()[:5])}"
            raise InputError("samples", [Problem(what, "build norms for one at a time")])


def _high_group(context, yields, cutoff):
    yields = pd.Series(yields, dtype=float)
    lost = context.loc[~context["sample_id"].isin(yields.index[yields.notna()]), "sample_id"]
    if len(lost):
        problems = [
            Problem(f"sample {name} has no yield", "give one, or leave the sample out") for name in lost
        ]
        raise InputError("yields", problems)
    return at_least(context["sample_id"].map(yields), cutoff)


def _dris_norms(grid, high):
    from scipy.stats import f

    rows = []
    for a, b in combinations(grid.columns, 2):
        options = [_variance_row(f"{x}/{y}", grid[x] / grid[y], high) for x, y in ((a, b), (b, a))]
        if DRY_MATTER in (a, b):  # the norm of a concentration, never its inverse
            options = [row for row in options if row["ratio"].endswith(f"/{DRY_MATTER}")]
        rows.append(max(options, key=lambda row: row["variance_ratio"]))
    table = pd.DataFrame(rows)
    low, top = (~high).sum() - 1, high.sum() - 1
    return table.assign(p_value=f.sf(table["variance_ratio"], low, top))


def _variance_row(name, ratio, high):
    top, low = ratio[high], ratio[~high]
    return {
        "ratio": name, "mean": top.mean(), "cv_pct": 100 * top.std() / top.mean(), "variance_high": top.var(),
        "variance_low": low.var(), "variance_ratio": low.var() / top.var() if top.var() > 0 else np.inf,
    }  # fmt: skip


def _cnd_norms(percent, held):
    closed = close_parts(percent.to_numpy())
    v = clr(closed)
    return pd.DataFrame(
        {
            "component": [*held, FILLING], "clr_mean": v.mean(axis=0), "clr_sd": v.std(axis=0, ddof=1),
            "mean_g_kg": [*(percent.mean() * 10), np.nan],
        }
    )  # fmt: skip
