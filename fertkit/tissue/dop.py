"""Deviation from optimum percentage, and plain ratios of nutrients."""

import pandas as pd

from fertkit.asked import a_list, asks, holding
from fertkit.errors import InputError, Problem, unknown
from fertkit.intake.plausible import home_unit
from fertkit.tissue.balance import Balance, make_balance, results_grid
from fertkit.units import convert_concentration

RATIOS = ("N:S", "N:P", "N:K", "K:Mg", "K:Ca", "Ca:Mg", "P:Zn", "Fe:Mn")


def deviation_from_optimum(value, optimum):
    """``100 value / optimum - 100`` [%] (Montanes et al. 1995): 0 is the optimum, negative is short."""
    return value * 100.0 / optimum - 100.0


@asks(samples=holding("table", like="what read_tissue gives, or its table"))
def dop(samples, optimum: dict, *, source_key: str = "own table", provenance: str = "own table") -> Balance:
    """Deviation from optimum percentage of each nutrient.

    Parameters
    ----------
    samples : TissueSamples or DataFrame
    optimum : dict of nutrient -> float
        Optimum concentrations for this crop, part and stage [% for N, P, K, Ca, Mg, S, Cl, Na; mg/kg else].
    source_key, provenance : str
        Where the optimum comes from.

    Returns
    -------
    Balance
        ``totals`` hold the sum of absolute deviations. Equal deviations share a place in the order.

    Raises
    ------
    InputError
        If an optimum is not a number above zero.

    Examples
    --------
    A grape leaf with half the reference potassium of 1.42 % (reference: GRAPE_DOP; the sample is made up):

    >>> from fertkit.tissue import dop
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> sheet = "Sample,Crop,Stage,Part,N %,K %\\nA,grape,full bloom,leaf,4.54,0.71\\n"
    >>> table = dop(read_tissue(StringIO(sheet)), {"N": 5.05, "K": 1.42}).table
    >>> table.set_index("nutrient")["index"].round(2).to_dict()
    {'N': -10.1, 'K': -50.0}
    """
    for nutrient, value in optimum.items():
        if not value > 0:
            remedy = "give a concentration above zero"
            raise InputError("optimum", [Problem("not an optimum", remedy, column=nutrient, value=value)])
    grid, context = results_grid(samples)
    shared = [n for n in optimum if n in grid]
    index = deviation_from_optimum(grid[shared], pd.Series(optimum, dtype=float)[shared]).dropna(how="all")
    totals = pd.DataFrame({"sum_abs_dop": index.abs().sum(axis=1)})
    norms = pd.DataFrame({"nutrient": list(optimum), "optimum": list(optimum.values())})
    norms = norms.assign(source_key=source_key, provenance=provenance)
    lost = context.index.difference(index.index)
    why = pd.Series("none of the optimum's nutrients was measured", index=lost)
    return make_balance("Deviation from optimum percentage", "dop", samples, index, totals, norms, why)


@asks(samples=holding("table", like="what read_tissue gives, or its table"), pairs=a_list)
def ratios(samples, pairs=RATIOS) -> pd.DataFrame:
    """Mass ratios of nutrients, both in one unit.

    Parameters
    ----------
    samples : TissueSamples or DataFrame
    pairs : iterable of str
        Such as N:S. A censored or zero result makes no ratio.

    Returns
    -------
    DataFrame
        specimen, sample_id, ratio, value. Published windows of ratios (N:S of some crops) are scored by
        `score_tissue`, beside the nutrients.

    Examples
    --------
    >>> from fertkit.tissue import ratios
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> sheet = "Sample,Crop,Stage,Part,N %,P %,K %\\nA,corn,R1,ear leaf,3.30,0.20,1.40\\n"
    >>> table = ratios(read_tissue(StringIO(sheet)), pairs=("N:P", "N:K"))
    >>> table.set_index("ratio")["value"].round(4).to_dict()
    {'N:P': 16.5, 'N:K': 2.3571}
    """
    grid, context = results_grid(samples)
    rows = []
    for pair in pairs:
        if pair.count(":") != 1:
            raise unknown("ratio", pair, RATIOS)
        top, under = pair.split(":")
        if top not in grid or under not in grid:
            continue
        a, b = (convert_concentration(grid[n], home_unit(n), "mg/kg") for n in (top, under))
        found = pd.DataFrame({"specimen": grid.index, "sample_id": context["sample_id"], "ratio": pair})
        rows.append(found.assign(value=a / b))
    columns = ["specimen", "sample_id", "ratio", "value"]
    table = pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=columns)
    return table.dropna(subset=["value"]).sort_values(["specimen"], kind="stable").reset_index(drop=True)
