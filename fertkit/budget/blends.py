"""The cheapest mix of products that meets nutrient targets."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.asked import asks
from fertkit.budget.mixing import pair_rules
from fertkit.budget.products import PERCENT, find_product, of_products, product_cautions
from fertkit.errors import FertkitError, InputError, NotEstimable, Problem, UnitError, unknown
from fertkit.reference.load import list_sources
from fertkit.reference.nutrients import OF_PRODUCTS
from fertkit.results import Result
from fertkit.units import ACRE_HA, LB_KG, SHORT_TON_LB, convert_area_rate, restated

#: Pounds in one unit of a price list; a gallon weighs what the product's density says.
PRICE_UNIT_LB = {"lb": 1.0, "ton": SHORT_TON_LB, "kg": 1 / LB_KG, "Mg": 1000 / LB_KG}
TABLE = "price list"
#: What the solver leaves open of a limit [lb/ac] and of a target (its own tolerance is 1e-7).
OPEN = 1e-6
#: Unit of a blend -> ending of its columns, volume of a liquid, area.
NAMES = {"lb/ac": ("lb_ac", "gal", "acre"), "kg/ha": ("kg_ha", "L", "hectare")}
#: Ends of columns in US units -> the same in metric.
METRIC = {
    "_lb_ac": "_kg_ha", "gal_ac": "l_ha", "price_per_lb": "price_per_kg", "cost_per_ac": "cost_per_ha",
}  # fmt: skip


@dataclass(frozen=True)
class Blend(Result):
    """Least-cost mix of products for nutrient targets.

    Attributes
    ----------
    table : DataFrame
        product, material, source_key, provenance, rate_lb_ac, gal_ac (liquids), price_per_lb, cost_per_ac;
        products of the price list that are not used have rate 0.
    nutrients : DataFrame
        nutrient, target_lb_ac, supplied_lb_ac, over_lb_ac, cap_lb_ac, marginal_cost (what one more pound of
        the target would cost).
    supplied : DataFrame
        What each product brings of each nutrient [`unit`]; index product, one column a nutrient.
    cost_per_ac : float
        In the currency of the price list.
    cautions : DataFrame
    unit : str
        lb/ac or kg/ha; with kg/ha the columns above end in kg_ha, l_ha, per_kg and per_ha.
    """

    table: pd.DataFrame
    nutrients: pd.DataFrame
    supplied: pd.DataFrame
    cost_per_ac: float
    cautions: pd.DataFrame
    unit: str = "lb/ac"

    @property
    def cost(self) -> float:
        """Cost per acre or hectare, as `unit` has it."""
        return self.cost_per_ac if self.unit == "lb/ac" else self.cost_per_ac / ACRE_HA

    @property
    def used(self) -> pd.DataFrame:
        """Products of the mix: product, rate [`unit`], volume [gal or L per area; NaN if dry], cost."""
        columns = ["product", f"rate_{NAMES[self.unit][0]}", *self.table.columns[[-3, -1]]]
        used = self.table[columns].set_axis(["product", "rate", "volume", "cost"], axis=1)
        return used[used["rate"] > 0].reset_index(drop=True)

    @property
    def balance(self) -> pd.DataFrame:
        """`nutrients` without the unit in the names: nutrient, target, supplied, over, cap [`unit`]."""
        return self.nutrients.rename(columns=lambda name: name.removesuffix(f"_{NAMES[self.unit][0]}"))

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources([*self.table["source_key"], *self.cautions["source_key"]])


@asks(products=of_products)
def blend(
    targets: dict,
    prices: pd.DataFrame,
    *,
    caps: dict | None = None,
    product_caps: dict | None = None,
    products=None,
    unit: str = "lb/ac",
) -> Blend:
    """Find the cheapest mix that supplies at least every target.

    Parameters
    ----------
    targets : dict
        Nutrient (`fertkit.reference.nutrients.OF_PRODUCTS`) -> least rate [`unit`].
    prices : DataFrame
        product (grade or material), price, and optionally unit: ton (short ton, the default), lb, gal, kg or
        Mg. Any currency.
    caps : dict, optional
        Nutrient -> most that may be supplied [`unit`].
    product_caps : dict, optional
        Product, as in the price list -> most that may be used [`unit`].
    products : DataFrame, optional
        A products table of the user's own.
    unit : {'lb/ac', 'kg/ha'}
        Unit of the targets and caps and of the result.

    Returns
    -------
    Blend

    Raises
    ------
    NotEstimable
        If no mix can meet the targets; says which target falls short, by how much, and which cap binds.
    InputError
        With every problem of the price list, the targets or the caps.
    LookupFailed, UnitError
        If a nutrient, product or unit is not known.

    Notes
    -----
    Linear program: least price x rate, subject to analysis x rate >= target, analysis x rate <= cap, rate
    >= 0 (scipy.optimize.linprog, HiGHS). Products that must not meet (table mixing: urea and triple
    superphosphate, urea and ammonium nitrate, ...) are never in one mix: the better mix without the one or
    the other is taken.

    Examples
    --------
    104.4 lb of K2O from 0-0-60 are 174 lb of product (OSU_ANR74 prints 180):

    >>> from fertkit.budget import blend
    >>> import pandas as pd
    >>> prices = pd.DataFrame({"product": ["potassium chloride 60"], "price": [450.0], "unit": ["ton"]})
    >>> blend({"K2O": 104.4}, prices).table["rate_lb_ac"].round(1).tolist()
    [174.0]
    """
    if unit not in NAMES:
        raise UnitError(f"unknown unit '{unit}' of a blend; use one of: {', '.join(NAMES)}")
    caps, product_caps = caps or {}, product_caps or {}
    _check_rates("targets", targets, OF_PRODUCTS, unit)
    _check_rates("caps", caps, OF_PRODUCTS, unit)
    listed = _read_prices(prices, products)
    _check_rates("product caps", product_caps, set(listed["product"]), unit)
    targets, caps, product_caps = (
        {name: convert_area_rate(v, unit, "lb/ac") for name, v in rates.items()}
        for rates in (targets, caps, product_caps)
    )
    names = [n for n in OF_PRODUCTS if n in targets or n in caps]
    least = np.array([targets.get(n, 0.0) for n in names])
    most = np.array([caps.get(n, np.inf) for n in names])
    share = listed[[PERCENT[n] for n in names]].to_numpy(dtype=float).T / 100
    upper = [product_caps.get(name) for name in listed["product"]]
    apart = [(i, j) for i, j, _ in pair_rules(listed)]
    cost, rate, marginal = _apart(listed["price_per_lb"].to_numpy(), share, least, most, upper, apart)
    if rate is None:
        raise NotEstimable(_why_not(names, share, least, most, upper, unit))
    supplied = share @ rate
    nutrients = pd.DataFrame(
        {
            "nutrient": names,
            "target_lb_ac": least,
            "supplied_lb_ac": supplied,
            "over_lb_ac": supplied - least,
            "cap_lb_ac": [caps.get(n, np.nan) for n in names],
            "marginal_cost": marginal,
        }
    )
    rows = listed[["product", "material", "source_key", "provenance"]].assign(
        rate_lb_ac=rate,
        gal_ac=rate / listed["density_lb_gal"],
        price_per_lb=listed["price_per_lb"],
        cost_per_ac=rate * listed["price_per_lb"],
    )
    used = rows.loc[rows["rate_lb_ac"] > 0, "product"]
    brought = pd.DataFrame((share * rate).T, index=listed["product"].to_list(), columns=names)
    rows, nutrients = _in_unit(rows, unit), _in_unit(nutrients, unit)
    brought = convert_area_rate(brought, "lb/ac", unit)
    return Blend(rows, nutrients, brought, cost, product_cautions(used, products=products), unit)


def _in_unit(frame, unit):
    """Restate a table made in US units, its columns named for the unit."""
    if unit == "lb/ac":
        return frame
    ends = {name: end for name in frame for end in METRIC if name.endswith(end)}
    named = {name: name.removesuffix(end) + METRIC[end] for name, end in ends.items()}
    marginal = {name: "per mass" for name in frame if name == "marginal_cost"}
    return restated(frame, unit, **marginal).rename(columns=named)


def _check_rates(what, rates, known, unit):
    problems = []
    for name, value in rates.items():
        if name not in known:
            raise unknown(f"name in {what}", name, known)
        if not (np.isfinite(value) and value >= 0):
            problems.append(Problem("not a rate", f"give 0 or more {unit}", column=name, value=value))
    if problems or (what == "targets" and not rates):
        raise InputError(what, problems or [Problem("no target is given", "name at least one nutrient")])


def _read_prices(prices, products):
    missing = [name for name in ("product", "price") if name not in prices]
    if missing or prices.empty:
        raise InputError(TABLE, [Problem("no usable price", "give rows with product and price (and unit)")])
    prices = prices.reset_index(drop=True)
    units = prices.get("unit", pd.Series("ton", index=prices.index))
    cost = pd.to_numeric(prices["price"], errors="coerce")
    problems, rows = [], []
    for i, name in prices["product"].items():
        try:
            found = find_product(name, products)
        except FertkitError as error:
            problems.append(replace(error.problem(), row=i + 2, column="product", value=name))
            continue
        per = found["density_lb_gal"] if units[i] == "gal" else PRICE_UNIT_LB.get(units[i], np.nan)
        if np.isnan(per):
            remedy = f"use one of: {', '.join(PRICE_UNIT_LB)}, or gal for a liquid of known density"
            problems.append(Problem("not a unit for this price", remedy, i + 2, "unit", units[i]))
        if not (np.isfinite(cost[i]) and cost[i] > 0):
            problems.append(
                Problem("not a price", "write a number above 0", i + 2, "price", prices["price"][i])
            )
        rows.append(found.to_dict() | {"product": name, "price_per_lb": cost[i] / per})
    for i in prices.index[prices["product"].duplicated()]:
        problems.append(
            Problem("product listed twice", "keep one price", i + 2, "product", prices["product"][i])
        )
    if problems:
        raise InputError(TABLE, sorted(problems, key=lambda p: p.row))
    listed = pd.DataFrame(rows)
    analysis = list(PERCENT.values())
    return listed.assign(**listed[analysis].astype(float).fillna(0.0))


def _solve(price, share, least, most, upper):
    """Cost, rates and marginal cost of each target; rates None if nothing is feasible."""
    from scipy.optimize import linprog

    capped = np.isfinite(most)
    sides = np.concatenate([-least, most[capped]])
    answer = linprog(
        price, A_ub=np.vstack([-share, share[capped]]), b_ub=sides, bounds=[(0, u) for u in upper]
    )
    if not answer.success:
        return np.nan, None, None
    rate = np.where(answer.x < 1e-9, 0.0, answer.x)
    marginal = np.abs(answer.ineqlin.marginals[: len(least)])
    return float(answer.fun), rate, marginal


def _apart(price, share, least, most, upper, apart):
    """Solve without pairs that must not meet: where the best mix holds one, the better of two without."""
    cost, rate, marginal = _solve(price, share, least, most, upper)
    pair = next(((i, j) for i, j in apart if rate is not None and rate[i] > 0 and rate[j] > 0), None)
    if pair is None:
        return cost, rate, marginal
    without = [[0.0 if i == p else u for i, u in enumerate(upper)] for p in pair]
    mixes = [_apart(price, share, least, most, bounds, apart) for bounds in without]
    return min(mixes, key=lambda mix: np.inf if mix[1] is None else mix[0])


def _why_not(names, share, least, most, upper, unit):
    """Say which target cannot be met: the mix that falls short least, by share of each target."""
    from scipy.optimize import linprog

    lacking = [n for n, row, t in zip(names, share, least, strict=True) if t > 0 and not row.any()]
    if lacking:
        return f"no product in the price list supplies {', '.join(lacking)}; add one"
    n, k = len(upper), len(names)
    worth = np.concatenate([np.zeros(n), np.reciprocal(least, where=least > 0, out=np.zeros(k))])
    capped = np.isfinite(most)
    above = np.hstack([-share, -np.eye(k)])
    below = np.hstack([share[capped], np.zeros((capped.sum(), k))])
    bounds = [(0, u) for u in upper] + [(0, None)] * k
    answer = linprog(
        worth, A_ub=np.vstack([above, below]), b_ub=np.concatenate([-least, most[capped]]), bounds=bounds
    )
    got = share @ answer.x[:n]
    said = convert_area_rate(1.0, "lb/ac", unit)
    lacks = [
        f"{name} reaches {g * said:.0f} of {t * said:.0f} {unit}"
        for name, g, t, gap in zip(names, got, least, answer.x[n:], strict=True)
        if gap > OPEN * t
    ]
    binding = [
        f"the {names[i]} cap of {most[i] * said:g}" for i in np.flatnonzero(capped) if got[i] > most[i] - OPEN
    ]
    if any(u is not None and x > u - OPEN for x, u in zip(answer.x, upper, strict=False)):
        binding.append("a product cap")
    if not lacks:
        return "products that meet the targets must not be mixed; add one that can be"
    under = f" under {' and '.join(binding)}" if binding else ""
    remedy = "raise the cap, add a product or lower the target"
    return f"no blend meets the targets: {', '.join(lacks)}{under}; {remedy}"
