"""Diagnosis and Recommendation Integrated System: indices from ratios of nutrients against norms.

For a ratio r of A over B with norm mean m and coefficient of variation CV [%]:

- beaufils: 1000/CV (r/m - 1) for r >= m, 1000/CV (1 - m/r) below. Two branches and the CV follow Beaufils
  1973 as described by Maia; the constant 1000 is from memory.
- jones: k (r - m)/s with s = CV m/100 on both sides (Jones 1981 as described by Maia; k = 10 from memory).
- elwali_gascho: beaufils, but 0 within m - s to m + s (Elwali and Gascho 1984, from memory).

The index of a nutrient is the mean of the functions that hold it, positive where it stands on top.
"""

import numpy as np
import pandas as pd

from fertkit.asked import a_path, a_table_of, above_zero, asks, either, holding
from fertkit.errors import NotEstimable, unknown
from fertkit.reference import load_table
from fertkit.rounding import at_most
from fertkit.tissue.balance import Balance, choose_norms, make_balance, results_grid

FORMULAS = ("beaufils", "jones", "elwali_gascho")
DRY_MATTER = "DM"


def dris_function(ratio, mean, cv_pct, formula: str = "beaufils", k: float = 10.0):
    """DRIS function of a ratio against its norm.

    Parameters
    ----------
    ratio : float or array
    mean, cv_pct : float or array
        Norm mean and coefficient of variation [%].
    formula : str
        One of `FORMULAS`.
    k : float
        Constant; the beaufils constant is 100 k.

    Returns
    -------
    float or array

    Raises
    ------
    LookupFailed
        If the formula is not known.
    """
    if formula not in FORMULAS:
        raise unknown("DRIS formula", formula, FORMULAS)
    ratio, mean, cv = (np.asarray(x, float) for x in (ratio, mean, cv_pct))
    above = 100 * k / cv * (ratio / mean - 1)
    if formula == "jones":
        return above
    value = np.where(ratio >= mean, above, 100 * k / cv * (1 - mean / ratio))
    if formula == "elwali_gascho":
        inside = at_most(np.abs(ratio - mean), cv * mean / 100, scale=mean)
        value = np.where(inside, 0.0, value)
    return value


@asks(
    samples=holding("table", like="what read_tissue gives, or its table"),
    norms=either(a_path, a_table_of("crop", "plant_part", "ratio", "mean", "cv_pct", "source_key")),
    k=above_zero,
)  # fmt: skip
def dris(
    samples,
    norms=None,
    *,
    formula: str = "beaufils",
    source: str | None = None,
    dry_matter: bool = False,
    k: float = 10.0,
) -> Balance:
    """DRIS indices and nutrient balance index of samples.

    Parameters
    ----------
    samples : TissueSamples or DataFrame
    norms : DataFrame or path, optional
        crop, plant_part, ratio (such as N/P), mean, cv_pct; the bundled norms if None. Means are ratios of
        concentrations in fertkit's own units (% for macronutrients, mg/kg for the others).
    formula : str
        beaufils, jones or elwali_gascho; stored with the result.
    source : str, optional
        Source key of the norms where several fit.
    dry_matter : bool
        Include ratios with dry matter (N/DM), whose norm is the concentration itself.
    k : float
        Constant of the function.

    Returns
    -------
    Balance
        ``totals`` hold nbi (sum of absolute indices) and mean_nbi.

    Raises
    ------
    NotEstimable
        If no norms fit, or the norms lack the coefficient of variation of a ratio; says which.

    Examples
    --------
    Norms from memory with made-up coefficients of variation, to show the arithmetic and judge no crop:

    >>> from fertkit.tissue import dris
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> import pandas as pd
    >>> norms = pd.DataFrame({
    ...     "crop": "corn", "plant_part": "ear leaf", "ratio": ["N/P", "N/K", "K/P"],
    ...     "mean": [10.04, 1.49, 6.74], "cv_pct": [14.0, 22.0, 22.0],
    ...     "source_key": "own", "provenance": "from_memory",
    ... })
    >>> sheet = "Sample,Crop,Stage,Part,N %,P %,K %\\nA,corn,R1,ear leaf,3.30,0.20,1.40\\n"
    >>> dris(read_tissue(StringIO(sheet)), norms).table.set_index("nutrient")["index"].round(1).to_dict()
    {'N': 36.2, 'P': -23.9, 'K': -12.3}
    """
    grid, context = results_grid(samples)
    norms = norms if isinstance(norms, pd.DataFrame) else load_table("dris_norms", norms)
    norms = choose_norms(norms, context, source, "DRIS")
    if not dry_matter:
        with_dm = norms["ratio"].map(lambda ratio: DRY_MATTER in ratio.split("/"))
        norms = norms[~with_dm].reset_index(drop=True)
    bare = norms[~(norms["cv_pct"] > 0)]
    if len(bare):
        raise NotEstimable(
            f"the norms {', '.join(bare['source_key'].unique())} hold no coefficient of variation for "
            f"{', '.join(bare['ratio'])}: an index cannot be made. Give norms with cv_pct, or build your own "
            "with build_norms"
        )
    grid = grid.assign(**{DRY_MATTER: 1.0})
    sums, counts = _sum_functions(grid, norms, formula, k)
    index = (sums / counts.replace(0, np.nan)).dropna(axis=1, how="all").dropna(how="all")
    size = index.abs()
    totals = pd.DataFrame({"nbi": size.sum(axis=1), "mean_nbi": size.mean(axis=1)})
    lost = grid.index.difference(index.index)
    why = pd.Series("none of the norm ratios can be made from its results", index=lost)
    title = f"DRIS, {formula} function" + (", with dry matter" if dry_matter else "")
    return make_balance(title, "dris", samples, index, totals, norms, why)


def _sum_functions(grid, norms, formula, k):
    """Signed sum of functions and their number, per specimen and nutrient."""
    names = list(dict.fromkeys(name for ratio in norms["ratio"] for name in ratio.split("/")))
    sums = pd.DataFrame(0.0, index=grid.index, columns=names)
    counts = pd.DataFrame(0, index=grid.index, columns=names)
    for r in norms.itertuples():
        top, under = r.ratio.split("/")
        if top not in grid or under not in grid:
            continue
        value = pd.Series(
            dris_function(grid[top] / grid[under], r.mean, r.cv_pct, formula, k), index=grid.index
        )
        there = value.notna()
        for name, sign in ((top, 1), (under, -1)):
            sums[name] += sign * value.fillna(0)
            counts[name] += there
    return sums, counts
