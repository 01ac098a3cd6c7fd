"""Fertilizer products: liquids by density, what may go with the seed, what to watch."""

import numpy as np
import pandas as pd

from fertkit.asked import above_zero, asks
from fertkit.budget.thresholds import speaks_of
from fertkit.errors import NotEstimable, UnitError, unknown
from fertkit.reference.crops import crop_name
from fertkit.reference.fertilizers import PERCENT, find_product
from fertkit.reference.load import load_cautions, load_table
from fertkit.reference.nutrients import OF_PRODUCTS

#: Topics of the cautions that forbid contact with the seed.
NEVER_WITH_SEED = ("ammonia", "thiosulfate", "boron toxicity")


@asks()
def nutrients_per_gallon(product: str) -> pd.Series:
    """Pounds of each nutrient in a gallon of a liquid product, from its grade and density [lb/gal].

    Raises
    ------
    UnitError
        If the product is not a liquid of known density.

    Examples
    --------
    A gallon of 10-34-0 weighs 11.65 lb (PHYSPROP): 1.165 lb of N and 3.961 lb of P2O5.

    >>> from fertkit.budget.products import nutrients_per_gallon
    >>> nutrients_per_gallon("10-34-0")[["N", "P2O5"]].round(3).tolist()
    [1.165, 3.961]
    """
    row = find_product(product)
    if np.isnan(row["density_lb_gal"]):
        raise UnitError(f"{row['material']} has no density in the table; give rates by weight")
    share = row[[PERCENT[n] for n in OF_PRODUCTS]].astype(float).fillna(0.0) / 100
    return pd.Series(share.to_numpy() * row["density_lb_gal"], index=OF_PRODUCTS)


def cautions_of(chosen) -> pd.DataFrame:
    """List what to watch with some rows of a products table: seed, handling, loss, who governs.

    Returns
    -------
    DataFrame
        topic, text, product ("" for all), source_key, provenance.
    """
    cautions = []
    for row in load_cautions().itertuples():
        concerned = [p["material"] for p in chosen if speaks_of_product(row, p)]
        if concerned or not (row.material or row.nutrient):
            cautions.append((row.topic, row.text, "; ".join(concerned), row.source_key, row.provenance))
    for p in chosen:
        if p.get("cautions"):
            cautions.append((p["grade"], p["cautions"], p["material"], p["source_key"], p["provenance"]))
    return pd.DataFrame(cautions, columns=["topic", "text", "product", "source_key", "provenance"])


def speaks_of_product(caution, product) -> bool:
    """Whether a row of the table cautions speaks of a row of a products table."""
    materials = [word.lower() for word in caution.material.split(";") if word]
    nutrients = [PERCENT[name] for name in caution.nutrient.split(";") if name]
    named = any(word in product["material"].lower() for word in materials)
    return named or any(product[column] > 0 for column in nutrients)


@asks(row_spacing_in=above_zero)
def seed_row_limit(
    crop: str,
    row_spacing_in: float,
    soil: str = "medium to fine",
    *,
    opener: str | None = None,
    basis: str | None = None,
) -> pd.Series:
    """Most that may go with the seed [lb/ac].

    Parameters
    ----------
    crop : str
    row_spacing_in : float
        Row spacing [in]; between published spacings the next wider one counts.
    soil : {'medium to fine', 'sandy', 'medium', 'fine'}
        Any, where the limit of the crop does not depend on it.
    opener : str, optional
        Width over which the opener spreads seed and fertilizer, for crops whose limit depends on it.
    basis : {'N + K2O', 'N', 'P2O5'}, optional
        What the limit is of; needed where a crop has several.

    Returns
    -------
    Series
        Row of the table seed_limits (limit_lb_ac, basis, source_key, ...).

    Raises
    ------
    LookupFailed
        If no limit is carried for the crop, soil or opener.
    NotEstimable
        If the rows are wider than any published.

    Examples
    --------
    >>> from fertkit.budget.products import seed_row_limit
    >>> float(seed_row_limit("corn", 30)["limit_lb_ac"])  # KSU_STARTER, finer soils
    8.0
    """
    rows = _seed_rows(crop)
    known = list(rows["basis"].unique())
    if basis is None and len(known) == 1:
        basis = known[0]
    if basis not in known:
        raise unknown("basis of the seed limits", basis, known)
    rows = rows[rows["basis"] == basis]
    for column, given in (("soil", soil), ("opener", opener)):
        if not (fits := rows[column].isin(["", given])).any():
            raise unknown(f"{column} of the seed limits", given or "not given", rows[column].unique())
        rows = rows[fits]
    rows = rows.sort_values("row_spacing_in")
    fits = rows[rows["row_spacing_in"].isna() | (rows["row_spacing_in"] >= row_spacing_in)]
    if fits.empty:
        widest = rows["row_spacing_in"].max()
        raise NotEstimable(f"no published seed-row limit for rows wider than {widest:g} in")
    return fits.iloc[0]


def _seed_rows(crop):
    table = load_table("seed_limits")
    rows = table[table["crop"].map(lambda words: speaks_of(words, crop_name(crop)))]
    if rows.empty:
        raise unknown("crop in the seed_limits table", crop, table["crop"].unique())
    return rows


def seed_limits(crop: str, **place) -> list[tuple[str, float, str]]:
    """Return every limit with the seed of a crop: its basis, the most [lb/ac] and its source.

    `place` is row_spacing_in, soil and opener as for `seed_row_limit`; without it the lowest counts.
    """
    rows = _seed_rows(crop)
    if place:
        chosen = [seed_row_limit(crop, basis=basis, **place) for basis in rows["basis"].unique()]
    else:
        chosen = [rows.loc[some["limit_lb_ac"].idxmin()] for _, some in rows.groupby("basis", sort=False)]
    return [(row["basis"], float(row["limit_lb_ac"]), row["source_key"]) for row in chosen]
