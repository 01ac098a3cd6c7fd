"""The pass plan of a farm: which product, in which pass, on which field, at least cost."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import a_dict, a_table, asks, either, holding, zero_or_more
from fertkit.budget.least_cost import costs_more, margins, rounded, solve, without_trifles
from fertkit.budget.mixing import BEFORE, pair_rules
from fertkit.budget.pass_blocks import EARLIER, POUND, WHERE, farm_of, loosened, programme_of, why_not
from fertkit.budget.pass_tables import demand_table, passes_table, products_table, targets_table, value_table
from fertkit.budget.products import cautions_of
from fertkit.budget.programme import OPEN, TIE
from fertkit.errors import NotEstimable
from fertkit.reference.fertilizers import PERCENT
from fertkit.reference.load import constants, list_sources
from fertkit.results import Result, checks_frame
from fertkit.rounding import above, at_most
from fertkit.units import SHORT_TON_LB

#: Pounds or money that a sum of whole steps may be off.
SLACK = 1e-4


@dataclass(frozen=True)
class PassPlan(Result):
    """Products, passes and cost of a farm.

    Attributes
    ----------
    applications : DataFrame
        field, zone, crop, area_ac, pass, method, product, material, rate_lb_ac, gal_ac (liquids), pounds,
        cost (of the product, at its price).
    nutrients : DataFrame
        field, zone, crop, nutrient, target_lb_ac, supplied_lb_ac (what counts toward the target),
        short_lb_ac, over_lb_ac, cap_lb_ac, brought_lb_ac (all that goes on), marginal_cost (of one more
        pound, in these passes).
    purchases : DataFrame
        product, need_lb, on_hand_lb (of it from stock), lot_lb, lots (NaN: any amount), bought_lb, tons,
        price_per_lb, cost.
    passes : DataFrame
        pass, method, earliest, fields, acres, cost (of driving), source_key.
    shadow : DataFrame
        What one more unit of money gains: field, zone, crop, nutrient, gain, basis ("own response", "value",
        "common practice, no source"); the field that gains most first; empty where the money is enough.
    unused : DataFrame
        crop, pass, product ("" for all), why it was not used.
    cost : float
        Of products bought and passes.
    gap : float
        Share of the cost (of the value kept, where money is short) by which a better plan may beat this one.
    spending_limit : float
        NaN without one.
    short_of_money : bool
        Whether targets fall short for want of money.
    next_unit : float
        Value that one more unit of money gains; 0 where money is enough.
    watch : DataFrame
        Fields to look at twice: what, field, zone, crop, rate_lb_ac, products (that bring it). "fall
        nitrogen": all of it goes on in fall; "surplus sulfur", "surplus phosphate": more of it beyond the
        target than the table constants lets pass.
    cautions : DataFrame
    checks : DataFrame
        Reckoned from the applications alone.
    """

    applications: pd.DataFrame
    nutrients: pd.DataFrame
    purchases: pd.DataFrame
    passes: pd.DataFrame
    shadow: pd.DataFrame
    unused: pd.DataFrame
    cost: float
    gap: float
    spending_limit: float
    short_of_money: bool
    next_unit: float
    watch: pd.DataFrame
    cautions: pd.DataFrame
    checks: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.applications

    @property
    def sources(self) -> pd.DataFrame:
        keys = [*self.applications["source_key"], *self.passes["source_key"], *self.cautions["source_key"]]
        return list_sources(k for k in keys if k)


@asks(
    targets=holding("table", like="a table of targets"), spending_limit=zero_or_more,
    value=either(a_table, a_dict), demand=a_table,
)  # fmt: skip
def plan_passes(
    targets,
    products: pd.DataFrame,
    passes: pd.DataFrame,
    *,
    spending_limit: float | None = None,
    value=None,
    max_products: int | None = None,
    demand=None,
    seed_row: dict | None = None,
    within_targets: bool = False,
    whole_rates: bool = True,
    gap: float = 0.005,
    time_limit: float = 30.0,
) -> PassPlan:
    """Work out products and passes of a farm for one season, at least cost.

    Parameters
    ----------
    targets : DataFrame or result
        field, crop, area_ac, nutrient, rate_lb_ac; optional zone, cap_lb_ac, soil_class.
    products : DataFrame
        product, form (dry, liquid, gas), price_per_lb (NaN: only what is on hand), analyses (n_pct, ...);
        optional material, density_lb_gal, on_hand_lb (costs nothing more), lot_lb (size of a load or bag; 0:
        any amount), seed_row (most with the seed [lb/ac]), foliar and foliar_limit_lb_ac (the label's).
    passes : DataFrame
        pass, method (`mixing.METHODS`), cost_per_ac, earliest, latest (fall, preplant, planting or a stage of
        the crop); optional max_products, crop, nutrients (that count; else all but P2O5 and K2O after
        planting), source_key.
    spending_limit : float, optional
        Most that may be spent. If it is too little, targets fall short where that costs least.
    value : DataFrame or dict, optional
        Own response: field ("" for all), nutrient, rate_lb_ac, gain_per_ac (optional crop); or nutrient ->
        value of a pound. Else money goes by the class of the soil test (table constants, class_order).
    max_products : int, optional
        Most products in one pass on one field.
    demand : DataFrame, optional
        crop, nutrient, share: least share of the target in passes after planting.
    seed_row : dict, optional
        Crop -> row_spacing_in, soil, opener of `seed_row_limit`; without it the lowest published limit.
    within_targets : bool
        A product goes no further than the target of the nutrient it holds most of (of N, P2O5, K2O and what
        else the field asks for), unless no product on offer reaches another target otherwise. Else a load
        that is paid for anyway may go on as a source of something else.
    whole_rates : bool
        Rates in whole pounds, of liquids in tenths of a gallon.
    gap : float
        Share of the cost by which the plan may miss the best.
    time_limit : float
        For one solve [s]; the best plan found by then is given, with its gap.

    Raises
    ------
    NotEstimable
        If no plan meets the targets; names each field, what it reaches and under what.
    InputError
        With every problem of the tables.

    Notes
    -----
    One mixed-integer programme (scipy.optimize.milp, HiGHS): rates of each product in each pass and field,
    whole lots, passes driven and products used. A farm of many different fields is solved field by field at
    the price of each product first; `gap` then tells how far the plan may be from the best. A rate that
    brings less than a twentieth of every target (table constants, trifle) is left out where that costs no
    more than `gap`.

    Examples
    --------
    46 lb of nitrogen on 40 acres are 100 lb/ac of urea, two tons, of which loads of one ton are bought:

    >>> from fertkit.budget.passes import plan_passes
    >>> import pandas as pd
    >>> targets = pd.DataFrame({"field": ["North"], "crop": ["corn"], "area_ac": [40.0], "nutrient": ["N"],
    ...                         "rate_lb_ac": [46.0]})
    >>> products = pd.DataFrame({"product": ["urea"], "form": ["dry"], "n_pct": [46.0],
    ...                          "price_per_lb": [0.25], "lot_lb": [2000.0]})
    >>> passes = pd.DataFrame({"pass": ["spread"], "method": ["broadcast"], "cost_per_ac": [8.0],
    ...                        "earliest": ["preplant"], "latest": ["planting"]})
    >>> plan = plan_passes(targets, products, passes)
    >>> float(plan.purchases["lots"].iloc[0]), round(plan.cost)
    (2.0, 1320)
    """
    asked = targets_table(targets if isinstance(targets, pd.DataFrame) else targets.table)
    farm = farm_of(asked, products_table(products), passes_table(passes, max_products), demand_table(demand),
                   seed_row or {}, value_table(value), whole_rates, within_targets)  # fmt: skip
    if not farm.blocks:
        raise NotEstimable("no target is above zero: nothing to plan")
    solved = programme_of(farm, None, time_limit)
    short = spending_limit is not None and costs_more(solved, spending_limit)
    if not short:
        answer = _solved(solved, gap, whole_rates)
        for _ in range(2 * within_targets):  # the fields that need it, then all, where they share too little
            if answer is None:
                farm = loosened(farm, solved)
                solved = programme_of(farm, None, time_limit)
                answer = _solved(solved, gap, whole_rates)
        if answer is None:
            raise NotEstimable(why_not(farm, solved))
        short = spending_limit is not None and above(_money(farm, answer), spending_limit)
    if short:
        solved = programme_of(farm, spending_limit, time_limit)
        answer = _solved(solved, gap, whole_rates)
    return _result(farm, solved, answer, spending_limit, short, POUND if whole_rates else 0.0)


def _solved(farm, gap, whole_rates):
    """The plan of least cost, without trifles where that costs next to nothing, in rates that can be set."""
    if (answer := solve(farm, gap)) is None:
        return None
    plain = without_trifles(farm, answer, constants("trifle")["value"].item(), gap)
    ways = [way for way in (plain, answer) if way is not None]
    found = (rounded(farm, way, gap / 4) for way in ways) if whole_rates else ways
    return next((way for way in found if way is not None), None)


def _result(farm, solved, answer, limit, short, step) -> PassPlan:
    """Put the plan into tables."""
    rates = _rates(farm, answer)
    applications = _applications(farm, rates)
    purchases, passes = _purchases(farm, answer, applications), _passes(farm, applications)
    cost = float(purchases["cost"].sum() + passes["cost"].sum())
    edges = margins(solved, answer)
    nutrients = _nutrients(farm, rates, edges)
    limit = np.nan if limit is None else float(limit)
    unused = [(crop, *one) for crop, ways in farm.ways.items() for one in ways.unused]
    return PassPlan(
        applications, nutrients, purchases, passes, _shadow(farm, edges, nutrients, step / 2),
        pd.DataFrame(unused, columns=["crop", "pass", "product", "why"]), cost,
        _gap(solved, answer, cost, short), limit, short, edges.money,
        _watch(farm, rates), _cautions(farm, applications),
        _checks(farm, applications, nutrients, purchases, cost, limit, step),
    )  # fmt: skip


def _rates(farm, answer) -> np.ndarray:
    """Rate of each product in each pass on each field [lb/ac] (F, M, P)."""
    rates = np.zeros((len(farm.fields), len(farm.passes), len(farm.products)))
    for b, (block, x) in enumerate(zip(farm.blocks, answer.parts, strict=True)):
        own = np.zeros(rates.shape[1:])
        own[block.entry_pass, block.product] = x[: len(block.product)] * block.step
        rates[farm.members(b)] = own
    return np.where(rates > OPEN, rates, 0.0)


def _applications(farm, rates):
    at, m, p = np.nonzero(rates)
    fields, passes, products = (
        frame.iloc[rows].reset_index(drop=True)
        for frame, rows in ((farm.fields, at), (farm.passes, m), (farm.products, p))
    )
    rate = rates[at, m, p]
    pounds = rate * fields["area_ac"]
    return fields.drop(columns="block").assign(
        **{"pass": passes["name"], "method": passes["method"]},
        **products[["product", "material", "source_key", "provenance"]],
        rate_lb_ac=rate, gal_ac=rate / products["density_lb_gal"], pounds=pounds,
        cost=pounds * products["price_per_lb"].fillna(0.0),
    )  # fmt: skip


def _purchases(farm, answer, applications):
    """What is needed of each product, taken from stock first, then bought in whole lots."""
    products = farm.products
    need = applications.groupby("product")["pounds"].sum().reindex(products["product"]).fillna(0.0).to_numpy()
    stock, lot = (products[name].to_numpy() for name in ("on_hand_lb", "lot_lb"))
    lack = np.maximum(need - stock, 0.0)
    size = np.where(lot > 0, lot, 1.0)
    lots = np.where(lot > 0, np.maximum(np.ceil(lack / size - SLACK), 0.0), np.nan)
    bought = np.where(lot > 0, lots * lot, lack)
    return pd.DataFrame(
        {
            "product": products["product"], "need_lb": need, "on_hand_lb": stock, "lot_lb": lot, "lots": lots,
            "bought_lb": bought, "tons": bought / SHORT_TON_LB, "price_per_lb": products["price_per_lb"],
            "cost": bought * products["price_per_lb"].fillna(0.0),
        }
    )  # fmt: skip


def _passes(farm, applications):
    driven = applications.drop_duplicates(["field", "zone", "pass"]).groupby("pass")["area_ac"]
    acres, count = (driven.agg(how).reindex(farm.passes["name"]).fillna(0) for how in ("sum", "size"))
    return pd.DataFrame(
        {
            "pass": farm.passes["name"], "method": farm.passes["method"],
            "earliest": farm.passes["earliest"], "fields": count.to_numpy(int),
            "acres": acres.to_numpy(), "cost": acres.to_numpy() * farm.passes["cost_per_ac"],
            "source_key": farm.passes["source_key"],
        }
    )  # fmt: skip


def _money(farm, answer):
    applications = _applications(farm, _rates(farm, answer))
    return _purchases(farm, answer, applications)["cost"].sum() + _passes(farm, applications)["cost"].sum()


def _nutrients(farm, rates, edges):
    """Targets and what counts toward them; a pound of phosphate after planting does not."""
    share, ways = farm.share, farm.ways
    counts = {crop: np.array([ways[crop].counted[n] for n in farm.names]).T for crop in ways}
    count = np.array([counts[crop] for crop in farm.fields["crop"]], float)
    supplied = np.einsum("fmp,np,fmn->fn", rates, share, count)
    brought = np.einsum("fmp,np->fn", rates, share)
    marginal = np.full(supplied.shape, np.nan)
    for b, pound in enumerate(edges.pound):
        members, wanted = farm.members(b), [farm.names.index(n) for n in farm.wanted(b)]
        marginal[np.ix_(members, wanted)] = pound
    asked = farm.asked
    columns = {
        "target_lb_ac": asked, "supplied_lb_ac": supplied, "short_lb_ac": np.maximum(asked - supplied, 0.0),
        "over_lb_ac": np.maximum(brought - asked, 0.0),
        "cap_lb_ac": np.where(np.isinf(farm.caps), np.nan, farm.caps),
        "brought_lb_ac": brought, "marginal_cost": marginal,
    }  # fmt: skip
    table = farm.fields[WHERE].loc[np.repeat(np.arange(len(asked)), len(farm.names))].reset_index(drop=True)
    table["nutrient"] = np.tile(farm.names, len(asked))
    table = table.assign(**{name: values.ravel() for name, values in columns.items()})
    table["short_lb_ac"] = table["short_lb_ac"].mask(table["short_lb_ac"] < OPEN, 0.0)
    return table


def _watch(farm, rates):
    """Fields whose nitrogen all goes on in fall, and those that get much more S or P2O5 than they ask for."""
    least = constants("surplus")["value"]
    time = farm.passes["earliest"].to_numpy()
    sown = farm.fields["crop"].str.startswith("winter").to_numpy()[:, None]  # before its planting is fall too
    fall = np.where(sown, np.isin(time, BEFORE), time == "fall")
    brought = {n: rates * farm.products[PERCENT[n]].to_numpy() / 100 for n in ("N", "S", "P2O5")}
    asked = {n: farm.asked[:, farm.names.index(n)] if n in farm.names else 0.0 for n in brought}
    each = brought["N"].sum(axis=2)
    early = np.where((asked["N"] > 0) & ~(each * ~fall).any(axis=1), (each * fall).sum(axis=1), 0.0)
    over = {n: brought[n].sum(axis=(1, 2)) - asked[n] for n in ("S", "P2O5")}
    names = farm.products["product"].to_numpy()
    parts = []
    for what, nutrient, pounds, most in (
        ("fall nitrogen", "N", early, OPEN),
        ("surplus sulfur", "S", over["S"], least["S"]),
        ("surplus phosphate", "P2O5", over["P2O5"], least["P2O5"]),
    ):
        at = pounds > most
        bring = [", ".join(names[some]) for some in brought[nutrient][at].any(axis=1)]
        some = farm.fields.loc[at, WHERE]
        parts.append(some.assign(what=what, rate_lb_ac=pounds[at], products=np.array(bring, object)))
    return pd.concat(parts, ignore_index=True)[["what", *WHERE, "rate_lb_ac", "products"]]


def _shadow(farm, edges, nutrients, least):
    """Fields that gain by one more unit of money, the first one first; who is short of nothing gains none."""
    rows = []
    for b, gains in enumerate(edges.gains):
        block, members, wanted = farm.blocks[b], farm.members(b), farm.wanted(b)
        for i, name in enumerate(wanted):
            gain = sum(g for g, fall in zip(gains, farm.falls[b], strict=True) if fall[0] == i)
            for at in members if gain > OPEN else ():
                field = farm.fields.iloc[at]
                basis = farm.basis[at, farm.names.index(name)]
                rows.append((*field[WHERE], name, gain * field["area_ac"] / block.acres, basis))
    lacking = nutrients.loc[nutrients["short_lb_ac"] > least, [*WHERE, "nutrient"]]
    table = pd.DataFrame(rows, columns=[*WHERE, "nutrient", "gain", "basis"]).merge(lacking)
    return table.sort_values("gain", ascending=False, kind="stable", ignore_index=True)


def _gap(solved, answer, cost, short):
    """How far the plan may be from the best: of the cost, or of the value of all targets that is kept."""
    if not short:
        least = answer.least / (1 + len(BEFORE) * EARLIER)  # what early nitrogen counts dearer
        return max(0.0, (cost - least) / cost) if cost else 0.0
    stake = sum(p.block.acres * sum(w * v for _, w, v in p.block.segments) for p in solved.parts)
    lost = float(solved.columns("value") @ np.concatenate([answer.lots, *answer.parts]))
    best = stake - max(answer.least - TIE * solved.limit, 0.0)
    return max(0.0, (lost - (stake - best)) / best) if best else 0.0


def _meetings(farm, applications, rules):
    """Pairs of products that rules speak of and that meet in a pass on a field, each with its rule."""
    sets = applications.groupby(["method", "field", "zone", "pass"], sort=False)["product"].agg(frozenset)
    names = farm.products["product"].tolist()
    return [
        (names[i], names[j], rule)
        for method, some in sets.groupby(level="method", sort=False)
        for i, j, rule in pair_rules(farm.products, method, rules)
        for met in some
        if names[i] in met and names[j] in met
    ]


def _cautions(farm, applications):
    """What to watch with the products used, and with pairs that meet in a pass."""
    used = farm.products[farm.products["product"].isin(applications["product"])]
    cautions = cautions_of(used.to_dict("records"))
    rows = [("mixing", rule.text, f"{one}; {other}", rule.source_key, rule.provenance)
            for one, other, rule in _meetings(farm, applications, ("same day",))]  # fmt: skip
    mixing = pd.DataFrame(rows, columns=cautions.columns).drop_duplicates()
    return pd.concat([cautions, mixing], ignore_index=True)


def _checks(farm, applications, nutrients, purchases, cost, limit, step):
    """Reckon the rules of the plan anew from what is applied."""
    banned = len(_meetings(farm, applications, ("never", "one form")))
    short, excess = (
        nutrients["short_lb_ac"].max(),
        (nutrients["brought_lb_ac"] - nutrients["cap_lb_ac"]).max(),
    )
    use = (purchases["need_lb"] - purchases["on_hand_lb"] - purchases["bought_lb"]).max()
    rows = [
        ("largest shortfall [lb/ac]", short, step, bool(short <= step + SLACK),
         ("every target is met, within a spreader step", "some targets fall short")),
        ("above a cap [lb/ac]", excess, 0.0, bool(not excess > SLACK),
         ("no cap is exceeded", "a cap is exceeded")),
        ("products that must not be "
         "mixed", banned, 0, banned == 0, ("none meet", "some are mixed in a pass")),
        ("more used than in stock [lb]", use, 0.0, bool(use <= 1.0),
         ("none", "stock is too small")),
    ]  # fmt: skip
    if not np.isnan(limit):
        rows.append(
            ("spent", cost, limit, at_most(cost, limit + SLACK), ("within the limit", "above the limit"))
        )
    return checks_frame(rows)
