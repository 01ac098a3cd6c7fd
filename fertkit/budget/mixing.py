"""What may go together: two products in one mix or pass, a product by a method, salts with the seed."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from fertkit.budget.products import NEVER_WITH_SEED, seed_limits, speaks_of_product
from fertkit.errors import FertkitError
from fertkit.intake.stages import find_span, known_stages
from fertkit.reference.crops import base_crop
from fertkit.reference.fertilizers import PERCENT
from fertkit.reference.load import constants, load_cautions, load_table

#: Times of a pass that are no stage of a crop, in order; a stage is later than all of them.
BEFORE = ("fall", "preplant", "planting")
METHODS = ("broadcast", "band", "seed row", "sidedress", "topdress", "foliar", "fertigation")
#: Nutrients that a pass after planting brings too late to count, unless it says so (common practice).
EARLY = ("P2O5", "K2O")


def pair_rules(products: pd.DataFrame, method: str = "", rules=("never",)) -> list[tuple[int, int, object]]:
    """List pairs of products (positions in the table) that a rule speaks of, each with the rule.

    Parameters
    ----------
    products : DataFrame
        material (or product), form.
    method : str
        Of the pass; rules of a method hold for it alone.
    rules : iterable of {'never', 'same day', 'one form'}

    Examples
    --------
    >>> from fertkit.budget.mixing import pair_rules
    >>> from fertkit.reference import load_table
    >>> products = load_table("products")
    >>> products = products[products["material"].isin(["urea", "ammonium nitrate"])]
    >>> [(i, j) for i, j, rule in pair_rules(products)]
    [(0, 1)]
    """
    table = load_table("mixing")
    table = table[table["rule"].isin(rules) & (table["other"].ne("") | table["other_form"].ne(""))]
    rows = [r for r in table.itertuples() if not r.method or method in r.method.split(";")]
    names, forms = _names(products), _forms(products)
    found = []
    for i, j in combinations(range(len(names)), 2):
        for rule in rows:
            ends = (rule.material, rule.form), (rule.other, rule.other_form)
            fits = [[_fits(*end, names[k], forms[k]) for end in ends] for k in (i, j)]
            if (fits[0][0] and fits[1][1]) or (fits[0][1] and fits[1][0]):
                found.append((i, j, rule))
                break
    return found


def _names(products):
    columns = [c for c in ("product", "material") if c in products]
    return products[columns].fillna("").agg(" ".join, axis=1).str.lower().tolist()


def _forms(products):
    return ["dry" if str(form).startswith("dry") else "liquid" for form in products["form"]]


def _fits(word, form, name, own):
    return (word in ("", "any") or word.lower() in name) and form in ("", own)


@dataclass(frozen=True)
class Routes:
    """Ways a product can reach one crop.

    Attributes
    ----------
    at, product : array of int
        Positions of pass and product of each way.
    most : array
        A limit of its own [lb/ac].
    counted : dict
        Nutrient -> array of bool by pass: whether what the pass brings counts toward the target.
    late : array of bool
        Passes after planting.
    seed : dict
        Position of a pass -> list of (basis, most lb/ac, source), limits with seed or band.
    unused : list of (str, str, str)
        Pass, product ("" for all), why not.
    """

    at: np.ndarray
    product: np.ndarray
    most: np.ndarray
    counted: dict
    late: np.ndarray
    seed: dict
    unused: list


def routes(crop: str, passes: pd.DataFrame, products: pd.DataFrame, seed_row: dict) -> Routes:
    """Find which product may go in which pass of a crop, and what it brings counts for."""
    ways, unused, seed, late = [], [], {}, np.zeros(len(passes), bool)
    counted = {name: np.ones(len(passes), bool) for name in PERCENT}
    table = load_table("mixing")
    placing = list(table[table["other"].eq("") & table["other_form"].eq("")].itertuples())
    harmful = [r for r in load_cautions().itertuples() if r.topic in NEVER_WITH_SEED]
    harms = [any(speaks_of_product(r, p) for r in harmful) for p in products.to_dict("records")]
    names, forms = _names(products), _forms(products)
    for at, one in enumerate(passes.itertuples()):
        late[at] = one.earliest not in BEFORE
        if why := _not_for(crop, one):
            unused.append((one.name, "", why))
            continue
        for name, counts in counted.items():
            counts[at] = name in one.nutrients if one.nutrients else not (late[at] and name in EARLY)
        if one.method == "seed row":
            try:
                seed[at] = seed_limits(crop, **seed_row.get(crop, {}))
            except FertkitError as error:
                unused.append((one.name, "", error.what))
                continue
        elif one.method == "band":
            seed[at] = band_limits()
        rules = [r for r in placing if one.method in r.method.split(";")]
        for p, product in enumerate(products.itertuples()):
            never = [r.text for r in rules if _fits(r.material, r.form, names[p], forms[p])]
            limited = [name for basis, *_ in seed.get(at, ()) for name in basis.split(" + ")]
            bounded = any(getattr(product, PERCENT[name]) > 0 for name in limited)
            why, most = (never[0], 0.0) if never else _by_label(product, one.method, harms[p], bounded)
            if why:
                unused.append((one.name, product.product, why))
            else:
                ways.append((at, p, most))
    at, product, most = zip(*ways, strict=True) if ways else ((), (), ())
    return Routes(np.array(at, int), np.array(product, int), np.array(most), counted, late, seed, unused)


def band_limits() -> list[tuple[str, float, str]]:
    """Return the limits of a band beside and below the row: basis, most [lb/ac], source."""
    return list(constants("band_limit")[["value", "source_key"]].itertuples(name=None))


def _not_for(crop, one):
    """Why a pass is none for a crop: it is another's, or the crop has no such stage."""
    if one.crops and not {crop, base_crop(crop)} & set(one.crops):
        return "for another crop"
    stages = [s for s in (one.earliest, one.latest) if s and s not in BEFORE]
    unplaced = one.crops and not known_stages(crop)  # a crop without a scale goes by what its pass says
    return "" if unplaced or all(find_span(crop, s) for s in stages) else "no stage of this crop"


def _by_label(product, method, harmed, bounded):
    """Why a product cannot go with the seed or on leaves, and the most of it that can."""
    if method == "seed row":
        if harmed:
            return "injures seed", 0.0
        known = product.source_key != "own table"  # of others the limit alone does not tell what harms seed
        if np.isfinite(product.seed_row) or (bounded and known):
            return "", product.seed_row
        return "no seed limit for it" if known else "its contents are unknown", 0.0
    if method == "foliar":
        known = product.foliar and np.isfinite(product.foliar_limit_lb_ac)
        return ("", product.foliar_limit_lb_ac) if known else ("no label rate for leaves", 0.0)
    return "", np.inf
