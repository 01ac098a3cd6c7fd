"""The best of each block by itself: branch and bound, nodes of all blocks in one linear programme.

A block is small, and a solver takes longer to start than to solve it. So every round halves the most
promising node of each block and solves all halves, without whole numbers, in one sparse programme. Targets
may fall short in a node, at their value, so that none is without an answer; what is short where it must not
be is no plan, and still bounds what the node can reach.
"""

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from fertkit.budget.programme import OPEN, Part, whole_numbers

#: Rounds after which a block that is still open is left to a solver of whole numbers.
ROUNDS = 25
#: Share of its aim by which a better plan of a block is looked for.
BETTER = 1e-6


def best_of_blocks(
    parts: list[Part], aims: list, uppers: list, seconds: float
) -> list[tuple[float, np.ndarray] | None]:
    """Solve every block by itself: its least aim for an acre, and its columns; None where no plan is.

    Parameters
    ----------
    parts : list of Part
    aims, uppers : list of array
        What each makes least, and upper bounds of its columns.
    seconds : float
        Most for a block that is left to the solver.
    """
    searches = [_Search(*about) for about in zip(parts, aims, uppers, strict=True)]
    nodes = [(one, np.zeros(len(one.upper)), one.part.opened) for one in searches]
    for _ in range(ROUNDS):
        if not nodes:
            break
        for (one, lower, upper), x in zip(nodes, _relaxed(nodes), strict=True):
            one.learn(lower, upper, x)
        nodes = [(one, *half) for one in searches for half in one.halves()]
    for one, *_ in nodes:
        one.left = True
    return [one.answer(seconds) for one in searches]


def _relaxed(nodes):
    """Columns of each node without whole numbers; None where the solver fails."""
    from scipy.optimize import linprog
    from scipy.sparse import block_diag

    searches, *bounds = zip(*nodes, strict=True)
    answer = linprog(
        np.concatenate([one.aim for one in searches]),
        A_ub=block_diag([one.part.sparse for one in searches], format="csr"),
        b_ub=np.concatenate([one.part.b for one in searches]),
        bounds=np.column_stack([np.concatenate(side) for side in bounds]), method="highs-ds",
    )  # fmt: skip
    if not answer.success:
        return [None] * len(nodes)
    ends = np.cumsum([0, *(len(one.aim) for one in searches)])
    return [answer.x[a:b] for a, b in pairwise(ends)]


@dataclass
class _Search:
    """What is known of one block.

    Attributes
    ----------
    part : Part
    aim, upper : array
    best : float
        Of the plans found; x are its columns.
    nodes : list of (float, array, array, int)
        Open: bound, lower and upper bounds of the columns, where to branch.
    left : bool
        Whether the block is left to the solver.
    """

    part: Part
    aim: np.ndarray
    upper: np.ndarray
    best: float = np.inf
    x: np.ndarray | None = None
    nodes: list = field(default_factory=list)
    left: bool = False

    def learn(self, lower, upper, x):
        """Take what a node says: a plan, and a bound and a place to branch where a better one may be."""
        if x is None:
            self.left = True
            return
        plan, bound = switched(self.part, x, self.part.of("driven", x) > OPEN), self.aim @ x
        if plan is not None and self.aim @ plan < self.best and (plan <= self.upper + OPEN).all():
            self.best, self.x = self.aim @ plan, plan
        if not self._promising(bound):
            return
        for kind in ("driven", "used"):
            at = self.part.places[kind]
            off = np.minimum(x[at], 1 - x[at])
            if off.max(initial=0.0) > OPEN:
                self.nodes.append((bound, lower, upper, at.start + int(off.argmax())))
                return
        self.left = True  # short, or off by a tolerance, with every pass whole

    def halves(self):
        """Bounds of the two halves of the most promising node; none where the best is known."""
        self.nodes = [] if self.left else [node for node in self.nodes if self._promising(node[0])]
        if not self.nodes:
            return
        first = min(range(len(self.nodes)), key=lambda i: self.nodes[i][0])
        _, lower, upper, at = self.nodes.pop(first)
        for value in (0.0, 1.0):
            low, high = lower.copy(), upper.copy()
            low[at] = high[at] = value
            yield low, high

    def _promising(self, bound):
        return bound < self.best - BETTER * max(1.0, abs(bound))

    def answer(self, seconds):
        """The least aim and the columns; None where no plan is."""
        if not self.left:
            return self.best, with_room(self.part, self.x)
        part = self.part
        answer = whole_numbers(
            self.aim, part.a, part.b, 0, self.upper, part.whole, BETTER, seconds, presolve=False
        )
        if answer is None:
            return None
        x = answer.x.copy()
        x[part.switches] = np.round(x[part.switches])
        return answer.fun, with_room(part, x)


def switched(part: Part, x, driven) -> np.ndarray | None:
    """Columns with these passes driven and the products with a rate used; None where a rule forbids it."""
    x = x.copy()
    x[part.places["used"]] = part.of("rate", x)[part.choosy] > OPEN
    x[part.places["driven"]] = driven
    return x if (part.a @ x <= part.b + OPEN * (1 + np.abs(part.b))).all() else None


def with_room(part: Part, x) -> np.ndarray:
    """Let products without a rate be used too, where no rule forbids it: lots may ask for them."""
    x, most = x.copy(), part.b + OPEN * (1 + np.abs(part.b))
    left = most - part.a @ x
    for at in range(part.places["used"].start, part.places["used"].stop):
        if x[at] < 0.5 and (part.a[:, at] <= left).all():
            x[at] = 1.0
            left -= part.a[:, at]
    return x
