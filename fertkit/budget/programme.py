"""One mixed-integer programme of products, passes and fields: its matrices and the ways to solve it.

A block is one group of equal fields. Its columns are, in this order: the rate of each entry (a product in a
pass) in steps an operator can spread; whether an entry is used, where rules on products of one pass ask for
it; whether a pass is driven; and what each segment of a target falls short of. All rows read A x <= b. Rates
and shortfalls are for an acre; fields meet only in lots, stock and money. So a farm of many fields is solved
field by field at a price of each product, which also bounds the least cost from below; then the passes driven
and products used are held to what that chose, and lots, stock and rates of all fields are solved together.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from fertkit.errors import NotEstimable
from fertkit.rounding import above

#: Groups of fields up to which the whole is solved at once.
FEW = 20
#: Money below which a unit of value lies: of two plans of the same shortfall the cheaper is taken.
TIE = 1e-4
#: Share of the price by which two looks at each field differ, where fields share a stock or money.
ASIDE = 0.03
#: Acre rates and shares below this are the solver's, not the plan's.
OPEN = 1e-6
_OUT_OF_TIME = 1  # a status of scipy.optimize.milp


@dataclass(frozen=True)
class Block:
    """Fields that are treated alike, in rates for an acre.

    Attributes
    ----------
    acres : float
    entry_pass, product : array of int, (E,)
        Pass (of the farm) and product of each entry.
    step : array (E,)
        Pounds in one step of the rate.
    most : array (E,)
        Highest rate worth having or allowed [lb/ac].
    counted : array (N, E)
        Share of each nutrient that counts toward its target.
    target : array (N,)
        Above zero [lb/ac].
    limits : list of (array (E,), float, str)
        Shares, the most that they may add up to, and its name: caps, limits with the seed.
    late : list of (int, array (E,) of bool, float)
        Nutrient, the entries that are late enough, and the least they must bring [lb/ac].
    apart : list of (int, int)
        Entries of one pass that must not meet.
    most_products : dict
        Pass -> most products in it, where that is fewer than there are.
    segments : list of (int, float, float)
        Nutrient, width [lb/ac] and value of a pound, from the target downward.
    """

    acres: float
    entry_pass: np.ndarray
    product: np.ndarray
    step: np.ndarray
    most: np.ndarray
    counted: np.ndarray
    target: np.ndarray
    limits: list
    late: list
    apart: list
    most_products: dict
    segments: list

    @property
    def passes(self) -> np.ndarray:
        return np.unique(self.entry_pass)


@dataclass(frozen=True)
class Part:
    """The columns and rows of one block: A x <= b, upper bounds, kinds, money (but for products) and value.

    `places` are the columns of each kind, `cover` the rows of the targets, `links` those that let a rate be
    above zero where its switch is on.
    """

    block: Block
    a: np.ndarray
    b: np.ndarray
    upper: np.ndarray
    whole: np.ndarray
    money: np.ndarray
    value: np.ndarray
    places: dict
    cover: np.ndarray
    links: np.ndarray

    @property
    def switches(self) -> slice:
        """Columns that are 0 or 1."""
        return slice(self.places["used"].start, self.places["driven"].stop)

    def of(self, kind: str, x: np.ndarray) -> np.ndarray:
        """Values of one kind of columns: rate, used, driven or short."""
        return x[self.places[kind]]


def part_of(block: Block, pass_cost: np.ndarray, open_: bool) -> Part:
    """Write one block as rows and columns; targets may fall short where it is open."""
    passes, entries, nutrients = block.passes, len(block.product), len(block.target)
    choosy = np.isin(block.entry_pass, list(block.most_products))
    choosy[[e for pair in block.apart for e in pair]] = True
    which = np.flatnonzero(choosy)
    sizes = {"rate": entries, "used": len(which), "driven": len(passes), "short": len(block.segments)}
    ends = np.cumsum([0, *sizes.values()])
    places = {name: slice(ends[i], ends[i + 1]) for i, name in enumerate(sizes)}
    rate, driven = np.arange(entries), ends[2] + np.searchsorted(passes, block.entry_pass)
    used = np.full(entries, -1)
    used[which] = ends[1] + np.arange(len(which))
    short_of = [[ends[3] + j for j, s in enumerate(block.segments) if s[0] == n] for n in range(nutrients)]
    steps = block.most / block.step
    rows, sides, cover, links = [], [], [], []

    def add(columns, values, side):
        row = np.zeros(ends[-1])
        np.add.at(row, columns, values)
        rows.append(row)
        sides.append(side)

    for e in rate:
        switch = used[e] if choosy[e] else driven[e]
        links.append(len(rows))
        add([e, switch], [1.0, -steps[e]], 0.0)
        if choosy[e]:
            add([used[e], driven[e]], [1.0, -1.0], 0.0)
    for one, other in block.apart:
        add([used[one], used[other], driven[one]], [1.0, 1.0, -1.0], 0.0)
    for m, most in block.most_products.items():
        of_pass = np.flatnonzero(block.entry_pass == m)
        add([*used[of_pass], driven[of_pass[0]]], [*np.ones(len(of_pass)), -most], 0.0)
    for n, (target, share) in enumerate(zip(block.target, block.counted, strict=True)):
        short, brings = short_of[n], np.flatnonzero(share)
        cover.append(len(rows))
        add([*brings, *short], [*-(share * block.step)[brings], *-np.ones(len(short))], -target)
        # what is not short comes from some pass: holds for every plan, and spares the solver most branches
        add([*np.unique(driven[brings]), *short],
            [*-np.ones(len(np.unique(driven[brings]))), *np.full(len(short), -1 / target)], -1.0)  # fmt: skip
    for share, most, _ in block.limits:
        add(rate, share * block.step, most)
    for n, late, least in block.late:
        brings = np.flatnonzero((block.counted[n] > 0) & late)
        short = short_of[n]
        add([*brings, *short],
            [*-(block.counted[n] * block.step)[brings], *-np.ones(len(short))], -least)  # fmt: skip
    widths = [s[1] if open_ else 0.0 for s in block.segments]
    upper = np.concatenate([np.full(entries, np.inf), np.ones(len(which) + len(passes)), widths])
    whole = np.zeros(ends[-1])
    whole[ends[1] : ends[3]] = 1
    money, value = np.zeros(ends[-1]), np.zeros(ends[-1])
    money[places["driven"]] = pass_cost[passes]
    value[places["short"]] = [s[2] for s in block.segments]
    return Part(
        block,
        np.array(rows),
        np.array(sides),
        upper,
        whole,
        money,
        value,
        places,
        np.array(cover),
        np.array(links),
    )


@dataclass(frozen=True)
class Answer:
    """What a solver found.

    Attributes
    ----------
    lots : array (P,)
        Lots bought, or pounds where a product comes in any amount.
    parts : list of array
        Columns of each block.
    least : float
        No plan can be better than this.
    best : float
        What was reached.
    """

    lots: np.ndarray
    parts: list
    least: float
    best: float


@dataclass(frozen=True)
class Programme:
    """A farm: its parts, and what fields share.

    Attributes
    ----------
    parts : list of Part
    price : array (P,)
        Of a pound; NaN where only stock can be used.
    lot, stock : array (P,)
        Pounds in a lot (0: any amount) and pounds on hand.
    limit : float or None
        Most that may be spent; targets may then fall short.
    seconds : float
    """

    parts: list
    price: np.ndarray
    lot: np.ndarray
    stock: np.ndarray
    limit: float | None = None
    seconds: float = 60.0

    @property
    def size_of_lot(self) -> np.ndarray:
        return np.where(self.lot > 0, self.lot, 1.0)

    @property
    def price_of_lot(self) -> np.ndarray:
        return np.nan_to_num(self.price) * self.size_of_lot

    def columns(self, name: str) -> np.ndarray:
        """Join a vector of all columns, lots first; `money` and `value` for all acres of a block."""
        lots = {
            "upper": np.where(np.isnan(self.price), 0.0, np.inf),
            "whole": (self.lot > 0).astype(float),
            "money": self.price_of_lot,
            "value": np.zeros(len(self.price)),
        }[name]
        acres = [p.block.acres if name in ("money", "value") else 1.0 for p in self.parts]
        return np.concatenate([lots, *(getattr(p, name) * a for p, a in zip(self.parts, acres, strict=True))])

    def rows(self, spare: float = 0.0):
        """All rows: those of each block, then products (use less lots, no more than stock), then money.

        `spare` steps are allowed above the highest useful rate, for rounding and margins.
        """
        from scipy.sparse import block_diag, coo_array, csr_array, hstack, vstack

        n, starts = len(self.price), self.starts
        a = hstack(
            [csr_array((sum(len(p.b) for p in self.parts), n)),
             block_diag([csr_array(p.a) for p in self.parts], format="csr")], format="csr"
        )  # fmt: skip
        at, cell, pounds = [np.arange(n)], [np.arange(n)], [-self.size_of_lot]
        for part, start in zip(self.parts, starts, strict=False):
            block = part.block
            at.append(block.product)
            cell.append(start + np.arange(len(block.product)))
            pounds.append(block.step * block.acres)
        at, cell, pounds = map(np.concatenate, (at, cell, pounds))
        pounds = pounds / self.size_of_lot[at]
        shared = coo_array((pounds, (at, cell)), shape=(n, starts[-1]))
        sides = [p.b + spare * np.isin(np.arange(len(p.b)), p.links) for p in self.parts]
        b = np.concatenate([*sides, self.stock / self.size_of_lot])
        if self.limit is None:
            return vstack([a, shared], format="csr"), b
        money = csr_array(self.columns("money")[None, :])
        return vstack([a, shared, money], format="csr"), np.append(b, self.limit)

    @property
    def starts(self) -> np.ndarray:
        return len(self.price) + np.cumsum([0, *(len(p.upper) for p in self.parts)])

    def split(self, x: np.ndarray):
        starts = self.starts
        return x[: len(self.price)], [x[a:b] for a, b in pairwise(starts)]

    def aim(self) -> np.ndarray:
        """What is made least: money with every target met, or else the value of what falls short."""
        if self.limit is None:
            return self.columns("money") + self.columns("value")
        return self.columns("value") + TIE * self.columns("money")


def _milp(aim, a, b, lower, upper, whole, gap, seconds, presolve=True):
    """Solve one programme; None where nothing is feasible."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    answer = milp(
        aim, integrality=whole, bounds=Bounds(lower, upper),
        constraints=LinearConstraint(a, -np.inf, b),
        options={"mip_rel_gap": gap, "time_limit": seconds, "presolve": presolve},
    )  # fmt: skip
    if answer.x is None and answer.status == _OUT_OF_TIME:
        remedy = "give more time_limit, or plan fewer fields at a time"
        raise NotEstimable(f"no plan was found within {seconds:g} s", remedy=remedy)
    return None if answer.x is None else answer


def solve(farm: Programme, gap: float) -> Answer | None:
    """Find the best plan of a farm; None where no plan meets every row."""
    if len(farm.parts) <= FEW:
        return _together(farm, gap)
    prices, worth = _relaxed(farm)
    if prices is None:
        return None
    alike = farm.limit is None and not farm.stock.any()
    looks, least = [], 0.0
    for share in (0.0,) if alike else (-ASIDE, ASIDE):
        # a pound is never worth more than its price, nor a bound valid where it is
        moved = np.fmin(prices * (1 + share), farm.price if farm.limit is None else np.inf)
        money = worth * (1 + share) if farm.limit is not None else worth
        look = _each(farm, moved, money)
        if look is None or any(one is None for one in look):
            return None
        least = max(least, _bound(farm, look, moved, money))
        looks.append([one[1] for one in look])
    chosen = [sum(columns) for columns in zip(*looks, strict=True)]
    if len(looks) > 1:
        whole = farm.columns("whole")
        whole[: len(farm.price)] = 0  # lots of any size: which passes, where the looks differ
        answer = _together(farm, gap, *_held(farm, chosen, len(looks)), whole)
        if answer is None:
            return None
        chosen = [np.round(x) for x in answer.parts]
    answer = _together(farm, gap / 4, *_held(farm, chosen, 1))
    return None if answer is None else replace(answer, least=least)


def _held(farm, sums, looks):
    """Bounds that hold passes and products to what some looks chose, of which there were so many."""
    lower, upper = np.zeros(farm.starts[-1]), farm.columns("upper")
    for part, start, total in zip(farm.parts, farm.starts, sums, strict=False):
        inside = part.switches
        lower[start:][inside], upper[start:][inside] = total[inside] == looks, total[inside] > 0
    return lower, upper


def _together(farm, gap, lower=None, upper=None, whole=None, spare=0.0) -> Answer | None:
    """Solve the whole at once, within bounds."""
    a, b = farm.rows(spare)
    lower = np.zeros(a.shape[1]) if lower is None else lower
    upper = farm.columns("upper") if upper is None else upper
    whole = farm.columns("whole") if whole is None else whole
    answer = _milp(farm.aim(), a, b, lower, upper, whole, gap, farm.seconds)
    if answer is None:
        return None
    lots, parts = farm.split(answer.x)
    best = float(farm.aim() @ answer.x)
    return Answer(np.where(farm.lot > 0, np.round(lots), lots), parts, float(answer.mip_dual_bound), best)


def _each(farm, prices, worth):
    """Solve every block at prices of products: its least aim for an acre, and its columns.

    All are solved without whole numbers at once; only those that would drive a part of a pass need more.
    """
    from scipy.optimize import linprog
    from scipy.sparse import block_diag, csr_array

    aims = [_aim_at(farm, part, prices, worth) for part in farm.parts]
    upper = np.concatenate([part.upper for part in farm.parts])
    relaxed = linprog(
        np.concatenate(aims), A_ub=block_diag([csr_array(part.a) for part in farm.parts], format="csr"),
        b_ub=np.concatenate([part.b for part in farm.parts]),
        bounds=np.column_stack([np.zeros(len(upper)), upper]),
    )  # fmt: skip
    if not relaxed.success:
        return None
    starts = farm.starts - len(farm.price)
    return [
        _of_field(farm, part, aim, relaxed.x[a:b])
        for part, aim, (a, b) in zip(farm.parts, aims, pairwise(starts), strict=True)
    ]


def _aim_at(farm, part, prices, worth):
    """What a block makes least by itself, at prices of products."""
    aim = part.money * worth if farm.limit is not None else part.money.copy()
    aim[part.places["rate"]] = prices[part.block.product] * part.block.step
    return aim + part.value


def _of_field(farm, part, aim, relaxed):
    """Solve one block, of which the answer without whole numbers is known: its least aim, its columns."""
    if (x := _settled(part, relaxed)) is not None:
        return aim @ x, _with_room(part, x)
    answer = _milp(aim, part.a, part.b, 0, part.upper, part.whole, 1e-6, farm.seconds, presolve=False)
    if answer is None:
        return None
    x = answer.x.copy()
    x[part.switches] = np.round(x[part.switches])
    return answer.fun, _with_room(part, x)


def _with_room(part, x):
    """Let products without a rate be used too, where no rule forbids it: lots may ask for them."""
    x, most = x.copy(), part.b + OPEN * (1 + np.abs(part.b))
    left = most - part.a @ x
    for at in range(part.places["used"].start, part.places["used"].stop):
        if x[at] < 0.5 and (part.a[:, at] <= left).all():
            x[at] = 1.0
            left -= part.a[:, at]
    return x


def _settled(part, x):
    """The relaxed answer of a block where it needs no part of a pass, its products used or not; else None."""
    driven = part.of("driven", x)
    if np.abs(driven - np.round(driven)).max(initial=0.0) > OPEN:
        return None
    return _switched(part, x, np.round(driven))


def _switched(part, x, driven):
    """A block with these passes driven and its products with a rate used; None where a rule forbids it."""
    x, used = x.copy(), np.flatnonzero(part.a[part.links][:, part.places["used"]].any(axis=1))
    x[part.places["used"]] = part.of("rate", x)[used] > OPEN
    x[part.places["driven"]] = driven
    return x if (part.a @ x <= part.b + OPEN * (1 + np.abs(part.b))).all() else None


def _relaxed(farm):
    """What a pound of each product and a unit of money is worth, without whole numbers."""
    answer = _linear(farm, np.zeros(farm.starts[-1]), farm.columns("upper"))
    if not answer.success:
        return None, None
    dual = -answer.ineqlin.marginals
    worth = dual[-1] + TIE if farm.limit is not None else 1.0
    shared = len(farm.price) + (farm.limit is not None)
    of_lots = dual[len(dual) - shared :][: len(farm.price)]
    return of_lots / farm.size_of_lot, worth


def costs_more(farm: Programme, money: float) -> bool:
    """Whether every target can be met and that surely costs more; no where only a solve can tell."""
    answer = _linear(farm, np.zeros(farm.starts[-1]), farm.columns("upper"))
    if not answer.success or not above(answer.fun, money):
        return False
    every = zip(farm.parts, farm.split(answer.x)[1], strict=True)
    return all(_switched(part, x, part.of("driven", x) > OPEN) is not None for part, x in every)


def _linear(farm, lower, upper, spare=0.0, aim=None):
    """Solve the programme without whole numbers."""
    from scipy.optimize import linprog

    a, b = farm.rows(spare)
    aim = farm.aim() if aim is None else aim
    return linprog(aim, A_ub=a, b_ub=b, bounds=np.column_stack([lower, upper]))


def _bound(farm, looks, prices, worth):
    """What no plan can beat: fields alone at these prices, less what the shared stock and money are worth."""
    alone = sum(look[0] * part.block.acres for look, part in zip(looks, farm.parts, strict=True))
    free = float(np.nan_to_num(prices) @ farm.stock)
    return alone - free - (0.0 if farm.limit is None else (worth - TIE) * farm.limit)


@dataclass(frozen=True)
class Margins:
    """What one more pound, and one more unit of money, would do while passes and products stay as they are.

    Attributes
    ----------
    pound : list of array (N,)
        Of each block: cost of one more pound an acre [money/lb]; NaN where no money could buy it.
    money : float
        Value that one more unit of money gains; 0 where money is enough.
    gains : list of array
        Value of it in each block, by segment.
    """

    pound: list
    money: float
    gains: list


def margins(farm: Programme, answer: Answer) -> Margins:
    """Reckon margins by the linear programme in which lots can be of any size.

    Where money is short a pass not driven yet may cover a part of a field, or else no next unit could gain.
    """
    lower, upper = np.zeros(farm.starts[-1]), farm.columns("upper")
    for part, start, x in zip(farm.parts, farm.starts, answer.parts, strict=False):
        at = slice(start + part.places["used"].start, start + part.places["driven"].stop)
        lower[at] = np.round(x[part.places["used"].start : part.places["driven"].stop])
        upper[at] = lower[at] if farm.limit is None else 1.0
    now = _linear(farm, lower, upper, spare=1.0)
    if not now.success:  # rates rounded against a cap or a stock
        return Margins([np.full(len(p.block.target), np.nan) for p in farm.parts], 0.0, [])
    dual, at, pound = -now.ineqlin.marginals, 0, []
    gain = dual[-1] if farm.limit is not None else 1.0
    for part in farm.parts:
        pound.append(dual[at + part.cover] / part.block.acres / (gain or np.nan))
        at += len(part.b)
    if farm.limit is None:
        return Margins(pound, 0.0, [])
    more = max(1.0, 1e-4 * farm.limit)
    then = _linear(replace(farm, limit=farm.limit + more), lower, upper, spare=1.0)
    value, starts = farm.columns("value"), farm.starts
    fall = value * (now.x - then.x) / more
    gains = [fall[a:b] for a, b in pairwise(starts)]
    return Margins(pound, float(gain), [p.of("short", g) for p, g in zip(farm.parts, gains, strict=True)])


def short_alone(farm: Programme) -> list[tuple | None]:
    """What each block falls short of by itself [lb/ac], and its rates in steps; None where of nothing."""
    short = []
    for part in farm.parts:
        upper, aim = _opened(part), np.zeros(len(part.upper))
        aim[part.places["short"]] = 1 / part.block.target
        x = _milp(aim, part.a, part.b, 0, upper, part.whole, 1e-6, farm.seconds).x
        lacks = part.of("short", x)
        lacking = (lacks > OPEN * part.block.target).any()
        short.append((lacks, part.of("rate", x)) if lacking else None)
    return short


def short_of_stock(farm: Programme) -> list[np.ndarray]:
    """What each block falls short of [lb/ac] where the fields share a stock that is too small."""
    upper = np.concatenate([farm.columns("upper")[: len(farm.price)], *map(_opened, farm.parts)])
    answer = _linear(farm, np.zeros(len(upper)), upper, aim=farm.columns("value"))
    return [part.of("short", x) for part, x in zip(farm.parts, farm.split(answer.x)[1], strict=True)]


def _opened(part):
    """Upper bounds of a part whose targets may all fall short."""
    upper = part.upper.copy()
    upper[part.places["short"]] = [s[1] for s in part.block.segments]
    return upper


def rounded(farm: Programme, answer: Answer, gap: float) -> Answer | None:
    """Solve again for whole steps of every rate, each next to its first answer; passes and products stay."""
    whole, lower = farm.columns("whole"), np.zeros(farm.starts[-1])
    upper = farm.columns("upper")
    for part, start, x in zip(farm.parts, farm.starts, answer.parts, strict=False):
        rate, at = part.of("rate", x), part.places["rate"]
        inside = slice(start, start + at.stop)
        whole[inside] = 1
        lower[inside] = np.floor(rate + OPEN)
        upper[inside] = np.minimum(np.ceil(rate - OPEN), upper[inside])
        held = slice(start + part.places["used"].start, start + part.places["driven"].stop)
        lower[held] = upper[held] = np.round(x[part.places["used"].start : part.places["driven"].stop])
        upper[start + part.places["short"].start : start + part.places["short"].stop] = _opened(part)[
            part.places["short"]
        ]
    found = _together(farm, gap, lower, upper, whole, spare=1.0)
    if found is None:
        return None
    parts = [np.concatenate([np.round(x[: len(p.block.product)]), x[len(p.block.product) :]])
             for x, p in zip(found.parts, farm.parts, strict=True)]  # fmt: skip
    return replace(found, parts=parts, least=answer.least)
