"""Fertilizer products: rates from an analysis, liquids by density, what to watch."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_table_of, above_zero, amounts_by_name, asks, maybe_a_list
from fertkit.budget.thresholds import speaks_of
from fertkit.budget.yields import refuse
from fertkit.errors import NotEstimable, UnitError, unknown
from fertkit.reference.crops import crop_name
from fertkit.reference.fertilizers import PERCENT, find_product
from fertkit.reference.load import list_sources, load_cautions, load_table
from fertkit.reference.nutrients import OF_PRODUCTS
from fertkit.results import Result, checks_frame
from fertkit.rounding import at_most

#: Topics of the cautions that forbid contact with the seed.
NEVER_WITH_SEED = ("ammonia", "thiosulfate", "boron toxicity")
SEED_MEANINGS = ("within the limit", "above the limit: risk to the seed")
#: Nutrients that a user's own table may leave out.
RARE = OF_PRODUCTS[8:]
_own_products = a_table_of(
    "material", "grade", *(PERCENT[n] for n in OF_PRODUCTS[:8]), "density_lb_gal", "source_key", "provenance"
)


def of_products(value) -> pd.DataFrame:
    """A products table of the user's own; nutrients it does not speak of are not in the products."""
    table = _own_products(value)
    absent = {name: np.nan for name in (PERCENT[n] for n in RARE) if name not in table}
    return table.assign(**absent)


@dataclass(frozen=True)
class ProductRate(Result):
    """Rate of one product that supplies a nutrient, and what else comes with it.

    Attributes
    ----------
    material, grade : str
    nutrient : str
        The nutrient asked for.
    product_lb_ac : float
    product_gal_ac : float
        NaN for dry products.
    table : DataFrame
        nutrient, pct, supplied_lb_ac, source_key, provenance.
    cautions : DataFrame
        topic, text, product, source_key, provenance.
    """

    material: str
    grade: str
    nutrient: str
    product_lb_ac: float
    product_gal_ac: float
    table: pd.DataFrame
    cautions: pd.DataFrame

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources([*self.table["source_key"], *self.cautions["source_key"]])


@asks(products=of_products)
def nutrients_per_gallon(product: str, products: pd.DataFrame | None = None) -> pd.Series:
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
    row = find_product(product, products)
    if np.isnan(row["density_lb_gal"]):
        raise UnitError(f"{row['material']} has no density in the table; give rates by weight")
    share = row[[PERCENT[n] for n in OF_PRODUCTS]].astype(float).fillna(0.0) / 100
    return pd.Series(share.to_numpy() * row["density_lb_gal"], index=OF_PRODUCTS)


@asks(products=of_products)
def product_rate(
    product: str, nutrient: str, rate_lb_ac: float, *, products: pd.DataFrame | None = None
) -> ProductRate:
    """Work out how much of a product supplies a rate of one nutrient, and what else comes with it.

    Parameters
    ----------
    product : str
        Grade or material of a row of the products table.
    nutrient : str
        One of `OF_PRODUCTS` (N, P2O5, K2O, S, ...).
    rate_lb_ac : float
        Rate of the nutrient [lb/ac].
    products : DataFrame, optional
        A products table of the user's own (`fertkit.reference.load_table("products", path)`).

    Returns
    -------
    ProductRate

    Raises
    ------
    LookupFailed
        If the product or nutrient is not known.
    NotEstimable
        If the product holds none of the nutrient.
    InputError
        If the rate is not a number of 0 or more.

    Examples
    --------
    110.4 lb of P2O5 are 212 lb of 11-52-0 (OSU_ANR74 prints 210):

    >>> from fertkit.budget import product_rate
    >>> round(product_rate("monoammonium phosphate", "P2O5", 110.4).product_lb_ac)
    212
    """
    row = find_product(product, products)
    if nutrient not in PERCENT:
        raise unknown("nutrient of a product", nutrient, OF_PRODUCTS)
    if not (np.isfinite(rate_lb_ac) and rate_lb_ac >= 0):
        raise refuse(
            "product rate", "not a rate", "give 0 or more lb/ac", column="rate_lb_ac", value=rate_lb_ac
        )
    percent = row[PERCENT[nutrient]]
    if not percent > 0:
        raise NotEstimable(f"{row['material']} ({row['grade']}) supplies no {nutrient}")
    pounds = rate_lb_ac / percent * 100
    supplied = [n for n in OF_PRODUCTS if row[PERCENT[n]] > 0]
    rows = pd.DataFrame(
        {
            "nutrient": supplied,
            "pct": [row[PERCENT[n]] for n in supplied],
            "supplied_lb_ac": [pounds * row[PERCENT[n]] / 100 for n in supplied],
            "source_key": row["source_key"],
            "provenance": row["provenance"],
        }
    )
    gallons = pounds / row["density_lb_gal"]
    cautions = product_cautions([product], products=products)
    return ProductRate(row["material"], row["grade"], nutrient, pounds, gallons, rows, cautions)


@asks(names=maybe_a_list, products=of_products)
def product_cautions(names, *, products: pd.DataFrame | None = None) -> pd.DataFrame:
    """List what to watch with some products: seed safety, handling, loss to water and air, who governs.

    Parameters
    ----------
    names : iterable of str
        Products by grade or material.

    Returns
    -------
    DataFrame
        topic, text, product ("" for all), source_key, provenance.

    Examples
    --------
    >>> from fertkit.budget.products import product_cautions
    >>> cautions = product_cautions(["anhydrous ammonia"])
    >>> "never place it in contact with the seed" in " ".join(cautions.text)
    True
    """
    return cautions_of([find_product(name, products) for name in names])


def cautions_of(chosen) -> pd.DataFrame:
    """List what to watch with some rows of a products table, as `product_cautions` does by name."""
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


@asks(rates=amounts_by_name, row_spacing_in=above_zero, products=of_products)
def check_seed_row(
    rates: dict,
    crop: str,
    row_spacing_in: float,
    soil: str = "medium to fine",
    *,
    opener: str | None = None,
    products=None,
) -> pd.DataFrame:
    """Check products to be placed with the seed against the published limits.

    Parameters
    ----------
    rates : dict
        Product -> rate [lb/ac].
    crop, row_spacing_in, soil, opener
        As for `seed_row_limit`.

    Returns
    -------
    DataFrame
        Checks: each basis (N + K2O, N, P2O5) against its limit, and one row for each product that must not
        touch the seed.

    Examples
    --------
    8 lb/ac of N + K2O is the limit in the furrow for corn in 30 inch rows (KSU_STARTER); 100 lb of 10-34-0
    hold 10:

    >>> from fertkit.budget import check_seed_row
    >>> row = check_seed_row({"10-34-0": 100}, "corn", 30).iloc[0]
    >>> float(row.value), float(row.limit), bool(row.passed)
    (10.0, 8.0, False)
    """
    used = {name: find_product(name, products) for name in rates}
    rows = []
    for basis in _seed_rows(crop)["basis"].unique():
        limit = seed_row_limit(crop, row_spacing_in, soil, opener=opener, basis=basis)
        columns = [PERCENT[nutrient] for nutrient in basis.split(" + ")]
        amount = sum(rates[name] * np.nansum(one[columns].astype(float)) / 100 for name, one in used.items())
        most, source = limit["limit_lb_ac"], f"{limit['note']} ({limit['source_key']})"
        meaning = (
            f"within the limit: {source}",
            f"above the limit, risk to the seed: {source}",
        )
        rows.append((f"{basis} with the seed [lb/ac]", amount, most, at_most(amount, most), meaning))
    cautions = product_cautions(rates, products=products)
    for row in cautions[cautions["topic"].isin(NEVER_WITH_SEED)].itertuples():
        rows.append((f"{row.product} with the seed", "", "", False, f"{row.text} ({row.source_key})"))
    return checks_frame(rows)
