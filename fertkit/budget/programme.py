"""One mixed-integer programme of products, passes and fields: its columns, rows and aim.

A block is one group of equal fields. Its columns are, in this order: the rate of each entry (a product in a
pass) in steps an operator can spread; whether an entry is used, where rules on products of one pass ask for
it; whether a pass is driven; and what each segment of a target falls short of. All rows read A x <= b. Rates
and shortfalls are for an acre; fields meet only in lots, stock and money.
"""

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from fertkit.errors import NotEstimable

#: Money below which a unit of value lies: of two plans of the same shortfall the cheaper is taken.
TIE = 1e-4
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
    early : array (E,), optional
        Money that a pound counts dearer, so that of passes as cheap the later one is taken.
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
    early: np.ndarray | None = None

    @property
    def passes(self) -> np.ndarray:
        return np.unique(self.entry_pass)


@dataclass(frozen=True)
class Part:
    """The columns and rows of one block: A x <= b, upper bounds, kinds, money (but for products), value.

    `places` are the columns of each kind, `cover` the rows of the targets, `links` those that let a rate be
    above zero where its switch is on, `choosy` the entries with a switch of their own; `early` leans to later
    passes.
    """

    block: Block
    a: np.ndarray
    b: np.ndarray
    upper: np.ndarray
    whole: np.ndarray
    money: np.ndarray
    early: np.ndarray
    value: np.ndarray
    places: dict
    cover: np.ndarray
    links: np.ndarray
    choosy: np.ndarray

    @property
    def switches(self) -> slice:
        """Columns that are 0 or 1."""
        return slice(self.places["used"].start, self.places["driven"].stop)

    @cached_property
    def sparse(self):
        """`a`, for programmes of many blocks."""
        from scipy.sparse import csr_array

        return csr_array(self.a)

    @property
    def opened(self) -> np.ndarray:
        """Upper bounds where every target may fall short."""
        upper = self.upper.copy()
        upper[self.places["short"]] = [s[1] for s in self.block.segments]
        return upper

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
    early = np.zeros(ends[-1])
    if block.early is not None and not open_:
        early[places["rate"]] = block.early * block.step
    value[places["short"]] = [s[2] for s in block.segments]
    return Part(
        block,
        np.array(rows),
        np.array(sides),
        upper,
        whole,
        money,
        early,
        value,
        places,
        np.array(cover),
        np.array(links, int),
        which,
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
    """

    lots: np.ndarray
    parts: list
    least: float


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

    def columns(self, name: str) -> np.ndarray:
        """Join a vector of all columns, lots first; money and value for all acres of a block."""
        lots = {
            "upper": np.where(np.isnan(self.price), 0.0, np.inf),
            "whole": (self.lot > 0).astype(float),
            "money": np.nan_to_num(self.price) * self.size_of_lot,
            "early": np.zeros(len(self.price)),
            "value": np.zeros(len(self.price)),
        }[name]
        acres = [p.block.acres if name in ("money", "early", "value") else 1.0 for p in self.parts]
        return np.concatenate([lots, *(getattr(p, name) * a for p, a in zip(self.parts, acres, strict=True))])

    def rows(self, spare: float = 0.0):
        """All rows: those of each block, then products (use less lots, no more than stock), then money.

        `spare` steps are allowed above the highest useful rate, for rounding and margins.
        """
        from scipy.sparse import block_diag, coo_array, csr_array, hstack, vstack

        n, starts = len(self.price), self.starts
        a = hstack(
            [csr_array((sum(len(p.b) for p in self.parts), n)),
             block_diag([p.sparse for p in self.parts], format="csr")], format="csr"
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


def whole_numbers(aim, a, b, lower, upper, whole, gap, seconds, presolve=True):
    """Solve one programme; None where nothing is feasible."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    answer = milp(
        aim, integrality=whole, bounds=Bounds(lower, upper),
        constraints=LinearConstraint(a, -np.inf, b),
        options={"mip_rel_gap": gap, "time_limit": seconds, "presolve": presolve},
    )  # fmt: skip
    if answer.x is None and answer.status == _OUT_OF_TIME:
        remedy = "raise time_limit, or plan fewer fields at a time"
        raise NotEstimable(f"no plan was found within {seconds:g} s", remedy=remedy)
    return None if answer.x is None else answer


def without_whole_numbers(farm, lower, upper, spare=0.0, aim=None):
    """Solve the programme without whole numbers."""
    from scipy.optimize import linprog

    a, b = farm.rows(spare)
    aim = farm.aim() if aim is None else aim
    return linprog(aim, A_ub=a, b_ub=b, bounds=np.column_stack([lower, upper]))
