"""Compositional nutrient diagnosis: log ratios of the whole composition against norms.

The parts are the nutrients and a filling value R, everything else of the dry matter (100 % minus their sum).
V = ln(part / geometric mean of all parts); index = (V - V*) / SD*; r2 = sum of squared indices
(Parent and Dafir 1992 as used by Khiari et al. 2001).

Diagnosis and Recommendation Integrated System: indices from ratios of nutrients against norms.

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
from fertkit.intake.plausible import home_unit
from fertkit.reference.facts import threshold
from fertkit.reference.load import load_table
from fertkit.results import records
from fertkit.rounding import at_most
from fertkit.tissue.balance import (
    BUILD,
    BUILD_TYPED,
    UNPUBLISHED,
    Balance,
    choose_norms,
    make_balance,
    results_grid,
)
from fertkit.units import convert_concentration

FILLING = "R"


def close_parts(percent: np.ndarray) -> np.ndarray:
    """Append the filling value R = 100 - sum to nutrient concentrations [% of dry matter], last axis."""
    percent = np.asarray(percent, float)
    return np.concatenate([percent, 100 - percent.sum(axis=-1, keepdims=True)], axis=-1)


def clr(parts: np.ndarray) -> np.ndarray:
    """Centred log ratios, ln(part / geometric mean), along the last axis."""
    logs = np.log(np.asarray(parts, float))
    return logs - logs.mean(axis=-1, keepdims=True)


def critical_r2(low_share: float, parts: int) -> float:
    """Squared distance r2 above which a composition counts as imbalanced.

    The distance that the given share of the samples exceeds, r2 being a chi-square with one degree of freedom
    a part (Khiari et al. 2001; the distribution is from memory).

    Parameters
    ----------
    low_share : float
        Share of the samples that belong to the low-yield group [0 to 1].
    parts : int
        Parts of the composition, filling value included.

    Examples
    --------
    Sweet corn, N, P and filling value, 67.5 % low yields: 1.5 in the paper.

    >>> from fertkit.tissue.indices import critical_r2
    >>> round(critical_r2(0.675, 3), 2)
    1.53
    """
    from scipy.stats import chi2

    return float(chi2.isf(low_share, parts))


def percent_grid(grid: pd.DataFrame, nutrients) -> pd.DataFrame:
    """Columns of a grid in home units, as % of dry matter."""
    return pd.DataFrame({n: convert_concentration(grid[n], home_unit(n), "%") for n in nutrients})


@asks(
    samples=holding("table", of="read_tissue"),
    norms=either(
        a_path,
        a_table_of("crop", "plant_part", "component", "clr_mean", "clr_sd", "mean_g_kg", "source_key"),
    ),
)  # fmt: skip
def cnd(samples, norms=None, *, source: str | None = None) -> Balance:
    """CND indices and squared distance of samples.

    A sample that lacks one of the norms' nutrients, or holds it only as a limit, gets no index: a composition
    cannot be closed without all its parts.

    Parameters
    ----------
    samples : TissueSamples or DataFrame
    norms : DataFrame or path, optional
        crop, plant_part, component, clr_mean, clr_sd, mean_g_kg; the bundled norms if None.
    source : str, optional
        Source key of the norms where several fit.

    Returns
    -------
    Balance
        ``totals`` hold r2.

    Raises
    ------
    NotEstimable
        If no norms fit, or the norms contradict their own mean concentrations.

    Examples
    --------
    A cowpea leaf (made up) against the published norms (GARCIA2005):

    >>> from fertkit.tissue import cnd
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> sheet = "Sample,Crop,Part,N %,P %,K %,Ca %,Mg %\\nA,cowpea,leaf,2.20,0.25,1.40,2.40,0.45\\n"
    >>> found = cnd(read_tissue(StringIO(sheet)))
    >>> found.table.sort_values("order")["nutrient"].tolist(), float(found.totals["r2"].iloc[0].round(1))
    (['K', 'N', 'P', 'R', 'Ca', 'Mg'], 7.8)
    """
    grid, context = results_grid(samples)
    norms = norms if isinstance(norms, pd.DataFrame) else load_table("cnd_norms", norms)
    sets, why = choose_norms(norms, context, source, "CND")
    made = [_cnd_index(grid.loc[at], own) for own, at in sets]
    index = pd.concat([index for index, _ in made])
    totals = pd.DataFrame({"r2": (index**2).sum(axis=1)})
    for _, lost in made:
        why |= {i: f"{_gaps(row)} not measured or only a limit" for i, row in lost.iterrows()}
    title = "Compositional nutrient diagnosis, centred log ratios"
    return make_balance(title, "cnd", samples, index, totals, [own for own, _ in sets], why)


def _cnd_index(grid, norms):
    """Indices of the samples that hold every part of their norms, and the parts of those that do not."""
    nutrients = [c for c in norms["component"] if not _is_filling(c)]
    check_norms(norms)
    missing = [n for n in nutrients if n not in grid]
    parts = percent_grid(grid.assign(**dict.fromkeys(missing, np.nan)), nutrients)
    whole = parts.notna().all(axis=1) & (parts.sum(axis=1) < 100)
    by_part = norms.set_index(norms["component"].map(lambda c: FILLING if _is_filling(c) else c))
    by_part = by_part.loc[[*nutrients, FILLING]]
    v = clr(close_parts(parts[whole].to_numpy()))
    index = (v - by_part["clr_mean"].to_numpy()) / by_part["clr_sd"].to_numpy()
    return pd.DataFrame(index, index=parts.index[whole], columns=by_part.index), parts[~whole]


def check_norms(norms: pd.DataFrame) -> None:
    """Refuse CND norms that their own mean concentrations do not reproduce (table thresholds).

    The log ratio of a mean is not the mean of log ratios, so a small gap is expected; a large one is a slip
    in the filling value or the units.

    Raises
    ------
    NotEstimable
    """
    nutrients = norms[~norms["component"].map(_is_filling)]
    if nutrients["mean_g_kg"].isna().any() or len(nutrients) == len(norms):
        return
    recomputed = clr(close_parts(nutrients["mean_g_kg"].to_numpy() / 10))
    printed = np.append(nutrients["clr_mean"], norms.loc[norms["component"].map(_is_filling), "clr_mean"])
    worst = float(np.abs(recomputed - printed).max())
    rounding = threshold("gap of CND norms")
    if worst > rounding:
        key = ", ".join(norms["source_key"].unique())
        raise NotEstimable(
            f"the norms {key} differ from the log ratios of their own means by {worst:.2g} (up to "
            f"{rounding:g} is rounding): their filling value was not 100 % minus the sum, so they cannot be "
            "used"
        )


def _is_filling(component: str) -> bool:
    return component == FILLING or (component.startswith(FILLING) and component[1:].isdigit())


def _gaps(row):
    return ", ".join(row.index[row.isna()]) or "the sum of the parts"


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
    samples=holding("table", of="read_tissue"),
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
    if not dry_matter:
        with_dm = norms["ratio"].map(lambda ratio: DRY_MATTER in ratio.split("/"))
        norms = norms[~with_dm].reset_index(drop=True)
    sets, why = choose_norms(norms, context, source, "DRIS")
    for own, _ in sets:
        _refuse_bare(own)
    grid = grid.assign(**{DRY_MATTER: 1.0})
    parts = [_sum_functions(grid.loc[at], own, formula, k) for own, at in sets]
    index = pd.concat([sums / counts.replace(0, np.nan) for sums, counts in parts])
    index = index.dropna(axis=1, how="all").dropna(how="all")
    size = index.abs()
    totals = pd.DataFrame({"nbi": size.sum(axis=1), "mean_nbi": size.mean(axis=1)})
    lost = grid.index.difference([*index.index, *why])
    why |= dict.fromkeys(lost, "its results form none of the norm ratios")
    named = " and ".join(one.capitalize() for one in formula.split("_"))
    title = f"DRIS, function of {named}" + (", with dry matter" if dry_matter else "")
    return make_balance(title, "dris", samples, index, totals, [own for own, _ in sets], why)


def _refuse_bare(norms):
    bare = norms[~(norms["cv_pct"] > 0)]
    if len(bare):
        raise NotEstimable(
            f"{UNPUBLISHED}: the norms {', '.join(bare['source_key'].unique())} have no coefficient of "
            f"variation for {', '.join(bare['ratio'])}, so no index",
            BUILD_TYPED,
            remedy=f"{BUILD}, or give norms with their coefficients of variation",
        )


def _sum_functions(grid, norms, formula, k):
    """Signed sum of functions and their number, per specimen and nutrient."""
    names = list(dict.fromkeys(name for ratio in norms["ratio"] for name in ratio.split("/")))
    sums = pd.DataFrame(0.0, index=grid.index, columns=names)
    counts = pd.DataFrame(0, index=grid.index, columns=names)
    for r in records(norms):
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
