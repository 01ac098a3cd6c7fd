"""Fields, products and passes of a farm as blocks of the programme: what may go where, how much, for what."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from fertkit.budget.least_cost import short_alone, short_of_stock
from fertkit.budget.mixing import BEFORE, pair_rules, routes
from fertkit.budget.pass_tables import share_late
from fertkit.budget.programme import OPEN, Block, Programme, part_of
from fertkit.budget.shortfall import value_of
from fertkit.reference.fertilizers import PERCENT
from fertkit.reference.nutrients import OF_PRODUCTS
from fertkit.results import counted

WHERE = ["field", "zone", "crop"]
#: Pounds and tenths of a gallon that a rate can be set to.
POUND, GALLON = 1.0, 0.1
#: Times the dearest pound: what a pound short costs where rates are rounded; no last load is bought for it.
DEAR = 20.0
#: Share of its price by which nitrogen counts dearer a step earlier (planting, preplant, fall).
EARLIER = 2e-4
#: Fields that a refusal names.
SHOWN = 10
#: Nutrients of which a product is a source whether or not a field asks for them.
MAJOR = ("N", "P2O5", "K2O")


class Fair(str):
    """Nutrient whose products are held to its target."""

    __slots__ = ()


@dataclass(frozen=True)
class Farm:
    """Checked tables, and fields gathered into blocks of equal ones.

    Attributes
    ----------
    fields : DataFrame
        field, zone, crop, area_ac, block (-1 where nothing is asked).
    names : list of str
        Nutrients asked for or capped.
    asked, caps : array (F, N)
    blocks : list of Block
        Their targets are the nutrients above zero.
    falls : list of list
        Valued segments of each block.
    basis : dict
        Position of a field and nutrient -> what its value rests on.
    ways : dict
        Crop -> Routes.
    """

    fields: pd.DataFrame
    products: pd.DataFrame
    passes: pd.DataFrame
    names: list
    asked: np.ndarray
    caps: np.ndarray
    blocks: list
    falls: list
    basis: dict
    ways: dict

    @property
    def share(self) -> np.ndarray:
        """Share of each nutrient in each product (N, P)."""
        return shares(self.products, self.names)

    def members(self, block: int) -> np.ndarray:
        """Positions of the fields of a block."""
        return np.flatnonzero(self.fields["block"] == block)

    def wanted(self, block: int) -> list[str]:
        """Nutrients of the targets of a block, in their order."""
        return [n for n, rate in zip(self.names, self.asked[self.members(block)[0]], strict=True) if rate > 0]


def shares(products, names) -> np.ndarray:
    """Share of each nutrient in each product."""
    return products[[PERCENT[n] for n in names]].to_numpy(float).T / 100


def farm_of(targets, products, passes, demand, seed_row, value, whole_rates, within=False) -> Farm:
    """Gather fields of the same crop, targets, caps and values into blocks."""
    names = [n for n in OF_PRODUCTS if n in set(targets["nutrient"])]
    fields = targets.drop_duplicates(["field", "zone"])[[*WHERE, "area_ac"]].reset_index(drop=True)
    at = {key: i for i, key in enumerate(zip(fields["field"], fields["zone"], strict=True))}
    asked, caps = np.zeros((len(fields), len(names))), np.full((len(fields), len(names)), np.inf)
    pound, falls, basis = _least_cost(products, names), {}, {}
    for row in targets.itertuples():
        i, n = at[row.field, row.zone], names.index(row.nutrient)
        asked[i, n], caps[i, n] = row.rate_lb_ac, np.inf if np.isnan(row.cap_lb_ac) else row.cap_lb_ac
        if row.rate_lb_ac > 0:
            falls[i, n], basis[i, n] = value_of(row, value, pound[n])
    kinds: dict = {}
    for i, crop in enumerate(fields["crop"]):
        segments = tuple((n, *fall) for n in range(len(names)) for fall in falls.get((i, n), ()))
        if asked[i].any():
            kinds.setdefault((crop, tuple(asked[i]), tuple(caps[i]), segments), []).append(i)
    ways = {crop: routes(crop, passes, products, seed_row) for crop in fields["crop"].unique()}
    liquid = products["form"].ne("dry") & products["density_lb_gal"].gt(0)
    step = np.where(liquid, GALLON * products["density_lb_gal"], POUND) if whole_rates else 1.0
    step = np.broadcast_to(step, len(products))
    mixes = {m: _apart(products, m) for m in passes["method"].unique()}
    share = dict(zip(PERCENT, shares(products, PERCENT), strict=True))
    blocks, belongs = [], np.full(len(fields), -1)
    for b, (kind, members) in enumerate(kinds.items()):
        belongs[members] = b
        acres = float(fields["area_ac"].to_numpy()[members].sum())
        about = (share, passes, names, step, mixes, demand, within)
        blocks.append(_block(kind, acres, ways[kind[0]], *about))
    farm = fields.assign(block=belongs), products, passes, names, asked, caps
    return Farm(*farm, blocks, [_among_wanted(kind) for kind in kinds], basis, ways)


def _least_cost(products, names):
    """Least money a pound of each nutrient costs; 1 where no price says so."""
    with np.errstate(divide="ignore"):
        costs = products["price_per_lb"].fillna(np.inf).to_numpy() / shares(products, names)
    return np.where(np.isfinite(least := costs.min(axis=1)), least, 1.0)


def _apart(products, method):
    """Pairs of products that must not be mixed in a pass."""
    return [(i, j) for i, j, _ in pair_rules(products, method, ("never", "one form"))]


def _among_wanted(kind):
    """Segments of a block, nutrients counted among those that are wanted."""
    wanted = np.flatnonzero(np.array(kind[1]) > 0).tolist()
    return [(wanted.index(n), width, worth) for n, width, worth in kind[3]]


def _block(kind, acres, ways, shares, passes, names, step, mixes, demand, within) -> Block:
    """Write one kind of fields as a block."""
    crop, asked, caps, _ = kind
    asked, caps, share = np.array(asked), np.array(caps), np.array([shares[n] for n in names])
    wanted = np.flatnonzero(asked > 0)
    at, product = ways.at, ways.product
    counts = np.array([ways.counted[n] for n in names])[:, at] & (share[:, product] > 0)
    useful = counts[wanted].any(axis=0)
    at, product, own = at[useful], product[useful], ways.most[useful]
    brings, counted = share[:, product], (share[:, product] * counts[:, useful])[wanted]
    limits = [
        (brings[n], caps[n], f"the {names[n]} cap of {caps[n]:g}") for n in np.flatnonzero(np.isfinite(caps))
    ]
    for m, seeds in ways.seed.items():
        for basis, most, _ in seeds:
            whole = sum(shares[n] for n in basis.split(" + "))[product] * (at == m)
            where = "in a band" if passes["method"].iloc[m] == "band" else "with the seed"
            limits.append((whole, most, f"the limit of {most:g} {basis} {where}"))
    with np.errstate(divide="ignore", invalid="ignore"):
        worth = np.nanmax(np.where(counted > 0, asked[wanted][:, None] / counted, 0.0), axis=0, initial=0.0)
        for whole, most, _ in limits:
            worth = np.minimum(worth, np.where(whole > 0, most / whole, np.inf))
    most = np.minimum(worth, own)
    kept = most > OPEN
    if within:
        limits += _fair(shares, dict(zip(names, asked, strict=True)), product, step)
    limits = [(whole[kept], top, label) for whole, top, label in limits if (whole[kept] > 0).any()]
    at, product, most, counted = at[kept], product[kept], most[kept], counted[:, kept]
    late = [(i, ways.late[at], share_late(demand, crop, names[n]) * asked[n])
            for i, n in enumerate(wanted) if share_late(demand, crop, names[n])]  # fmt: skip
    return Block(acres, at, product, step[product], most, counted, asked[wanted], limits, late,
                 _pairs(at, product, passes, mixes), _few(at, passes), [])  # fmt: skip


def _fair(shares, asked, product, step):
    """Hold the products of a nutrient to its target: phosphate is no nitrogen, however cheap its load.

    A product is a source of what it holds most of, among N, P2O5, K2O and what else the field asks for.
    """
    names = [*MAJOR, *(n for n, rate in asked.items() if rate > 0 and n not in MAJOR)]
    share = np.array([shares[n][product] for n in names])
    leads = share.argmax(axis=0)
    for i, name in enumerate(names):
        whole = np.where(leads == i, share[i], 0.0)
        if whole.any():
            spare = (whole * step[product]).max()  # a step of the spreader
            yield whole, asked.get(name, 0.0) + spare, Fair(name)


def loosened(farm: Farm, programme: Programme) -> Farm:
    """Let products go beyond the target of their nutrient on fields that no plan serves otherwise."""
    short = short_alone(programme)
    blocks = [
        replace(block, limits=[one for one in block.limits if not isinstance(one[2], Fair)])
        if lacks or not any(short)
        else block
        for block, lacks in zip(farm.blocks, short, strict=True)
    ]
    return replace(farm, blocks=blocks)


def _pairs(at, product, passes, mixes):
    """Entries of one pass whose products must not meet."""
    place = {(m, p): e for e, (m, p) in enumerate(zip(at, product, strict=True))}
    return [
        (place[m, i], place[m, j])
        for m in np.unique(at)
        for i, j in mixes[passes["method"].iloc[m]]
        if (m, i) in place and (m, j) in place
    ]


def _few(at, passes):
    """Passes in which fewer products may be than there are."""
    passing, count = np.unique(at, return_counts=True)
    most = passes["max_products"].to_numpy()
    return {int(m): float(most[m]) for m, n in zip(passing, count, strict=True) if n > most[m]}


def programme_of(farm: Farm, limit: float | None, seconds: float) -> Programme:
    """Write the programme; with a limit on the money every target may fall short, at its value."""
    products, cost = farm.products, farm.passes["cost_per_ac"].to_numpy()
    price = products["price_per_lb"].to_numpy()
    dear = DEAR * (1.0 if np.isnan(price).all() else np.nanmax(price))
    steps = farm.passes["earliest"].map({name: 2 - i for i, name in enumerate(BEFORE)}).fillna(0).to_numpy()
    nitrogen = EARLIER * np.nan_to_num(price) * products["n_pct"].to_numpy() / 100
    parts = []
    for block, falls in zip(farm.blocks, farm.falls, strict=True):
        full = [(i, target, dear) for i, target in enumerate(block.target)]
        segments = full if limit is None else falls
        early = nitrogen[block.product] * steps[block.entry_pass]
        block = replace(block, segments=segments, early=early)
        parts.append(part_of(block, cost, open_=limit is not None))
    stock, lot = products["on_hand_lb"].to_numpy(), products["lot_lb"].to_numpy()
    return Programme(parts, price, lot, stock, limit, seconds)


def why_not(farm: Farm, programme: Programme) -> str:
    """Name every field that falls short of a target, what it reaches and what stands in the way."""
    short = short_alone(programme)
    if any(short):
        said = [line for b, one in enumerate(short) if one for line in _alone(farm, b, *one)]
        remedy = "add a product or a pass, raise the limit or lower the target"
    else:
        stock = ", ".join(farm.products.loc[farm.products["price_per_lb"].isna(), "product"])
        said = [
            f"{named(farm, b)}: {_reached(farm, b, i, lacks[i])} with the stock of {stock}"
            for b, lacks in enumerate(short_of_stock(programme))
            for i in np.flatnonzero(lacks > OPEN * farm.blocks[b].target)
        ]
        said = said or [f"the stock of {stock} is too small"]
        remedy = "give a price to buy more, add a product or lower the target"
    more = f"; and {len(said) - SHOWN} more" if len(said) > SHOWN else ""
    return f"no plan meets every target: {'; '.join(said[:SHOWN])}{more}; {remedy}"


def _alone(farm, b, lacks, steps):
    """What one block reaches of each target it falls short of."""
    block = farm.blocks[b]
    rate = steps * block.step
    binding = [label for whole, most, label in block.limits if whole @ rate > most - OPEN]
    binding += [
        f"at most {counted(int(most), 'product')} in {farm.passes['name'][m]}"
        for m, most in block.most_products.items()
    ]
    binding += ["products that must not be mixed"] * bool(block.apart)
    for i in np.flatnonzero(lacks > OPEN * block.target):
        nutrient = farm.wanted(b)[i]
        if not block.counted[i].any():
            yield f"{named(farm, b)}: no product in a pass of {_crop(farm, b)} supplies {nutrient}"
        else:
            under = f" under {', '.join(binding)}" if binding else ""
            yield f"{named(farm, b)}: {_reached(farm, b, i, lacks[i])}{under}"


def _reached(farm, b, i, lack):
    target = farm.blocks[b].target[i]
    return f"{farm.wanted(b)[i]} reaches {target - lack:.0f} of {target:.0f} lb/ac"


def _crop(farm, b):
    return farm.fields["crop"].iloc[farm.members(b)[0]]


def named(farm: Farm, block: int) -> str:
    """Name the fields of a block."""
    rows = farm.fields.iloc[farm.members(block)]
    names = [f"{r.field} {r.zone}".strip() for r in rows.itertuples()]
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return f"{', '.join(names[:3])}{more}"
