"""Find a fertilizer in the table of products: by grade, material or short name."""

import pandas as pd

from fertkit.errors import unknown
from fertkit.reference.load import load_table
from fertkit.reference.nutrients import OF_PRODUCTS
from fertkit.results import records

PERCENT = {name: f"{name.lower()}_pct" for name in OF_PRODUCTS}


def find_product(name: str) -> pd.Series:
    """Find one product by its grade (11-52-0, 21-0-0-24), its material (urea) or a short name (MAP, KCl).

    Raises
    ------
    LookupFailed
        If none or more than one fits; lists them.
    """
    table = load_table("products")
    wanted = " ".join(str(name).lower().split())
    materials, grades = table["material"].str.lower(), table["grade"].str.lower()
    fits = (grades == wanted) | (materials == wanted)
    if not fits.any():
        fits = table["also"].str.lower().str.split(";").map(lambda names: wanted in names)
    if not fits.any():  # the fourth number of a grade is sulfur, with or without its letter
        fits = grades.str.removesuffix("s") == wanted.removesuffix("s")
    if not fits.any():
        fits = materials.str.contains(wanted, regex=False)
    if fits.sum() != 1:
        near = table["also"].str.lower().str.contains(wanted, regex=False)
        listed = table[fits] if fits.any() else table[near] if wanted and near.any() else table
        raise unknown("product", name, (f"{r.material} ({r.grade})" for r in records(listed)))
    return table[fits].iloc[0]
