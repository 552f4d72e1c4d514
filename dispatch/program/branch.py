"""Branch and bound by warm solves, for programs with few binaries and many rows.

Blocks and netting bring a few binaries a month to a program of a hundred thousand rows. A general solver spends nearly
all its time there on cuts and heuristics; the tree itself has a handful of nodes, each a warm solve of the linear
program with one more binary fixed. The node with the least bound is opened first, so that no node is opened that a
proof could do without; a node whose binaries can all be made whole without moving a flow is a leaf.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from itertools import count
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dispatch.errors import Infeasible, SolveError, StoppedEarly
from dispatch.program.rounding import whole

if TYPE_CHECKING:
    from dispatch.arrays import Flags, Floats
    from dispatch.program.arrays import Bounds, Gap, Optimum
    from dispatch.program.solver import Warm
    from dispatch.program.watch import Watch


MOST_BINARIES = 150
"""Above this the tree may grow past any use; steps in which a trade with oneself would pay are far more."""


MOST_NODES = 150
MOST_DEAD_ENDS = 3
"""A held stage may leave so little room that most sides are empty: slow to tell here, for a presolve plain to see."""


TOLERANCE = (
    1e-9  # relative; by how much making binaries whole may cost more and still be the node's own optimum
)


class Node(NamedTuple):
    """A part of the choices: what none in it can cost less than, bounds of the binaries, the one to branch on."""

    bound: float
    order: int
    low: Floats
    high: Floats
    pick: int
    toward: float
    """The side of the binary that the relaxed values are nearer to."""


@dataclass
class Tree:
    """The search, and what it has found.

    Attributes
    ----------
    best : tuple of (float, array) or None
        The least cost found, and the whole values it goes with.
    among : array of bool, shape (integers,)
        The binaries to branch on; the others are left to be rounded, and a node in which that costs money is closed at
        the bound of its relaxation.
    bound : float
        What no schedule can cost less than.
    lost : bool
        Whether the rest is for the general solver: a node could not be solved, or too many were empty.
    """

    warm: Warm
    costs: Floats
    asked: Gap
    stated: Bounds
    best: tuple[float, Floats] | None
    among: Flags
    open: list[Node] = field(default_factory=list)
    closed: float = np.inf
    lost: bool = False
    dead_ends: int = 0
    orders: count[int] = field(default_factory=count)

    @property
    def bound(self) -> float:
        """The least of what is open, what was near enough to be closed, and the best."""
        reached = np.inf if self.best is None else self.best[0]
        return min(self.open[0].bound if self.open else np.inf, self.closed, reached)

    @property
    def near_enough(self) -> bool:
        """Whether the best is proved near enough."""
        return self.best is not None and self.asked.holds(self.best[0], self.bound)

    def grow(self, watch: Watch) -> None:
        """Open nodes until the best is proved, the watch is over or there are too many."""
        integers = self.warm.integers
        self._add(self.stated.lower[integers], self.stated.upper[integers])
        for _ in range(MOST_NODES):
            best = np.inf if self.best is None else self.best[0]
            if self.lost or not self.open or self.near_enough or watch.look(self.bound, best):
                break
            node = heapq.heappop(self.open)
            for side in (node.toward, 1.0 - node.toward):
                if self.best is not None and self.asked.holds(self.best[0], node.bound):
                    self.closed = min(self.closed, node.bound)  # the other side cannot be worth a solve
                    break
                low, high = node.low.copy(), node.high.copy()
                low[node.pick] = high[node.pick] = side
                self._add(low, high, node.bound)
        self.warm.loosen(self.stated)

    def _add(self, low: Floats, high: Floats, least: float = -np.inf) -> None:
        """Solve a node; keep it open unless nothing in it can be better than the best by more than the gap."""
        warm, integers = self.warm, self.warm.integers
        bounds = self.stated.copy()
        bounds.lower[integers], bounds.upper[integers] = low, high
        warm.loosen(bounds)
        try:
            relaxed = attempt(warm, self.costs)
        except StoppedEarly:
            raise
        except (
            SolveError
        ):  # the solver cannot tell what this node comes to: the proof is for the general solver
            self.lost, self.closed = True, min(self.closed, least)
            return
        if relaxed is None:
            self.dead_ends += 1
            self.lost |= self.dead_ends >= MOST_DEAD_ENDS
            return
        bound = max(relaxed.objective, least)
        values = relaxed.values[integers]
        at, undecided = whole(warm, relaxed.values)
        free = self.among & (low < high)
        undecided &= free
        if not undecided.any():
            reached = self._try(at)
            if reached is not None and reached <= bound + TOLERANCE * max(1.0, abs(bound)):
                self.closed = min(self.closed, bound)
                return
            undecided = free
        if not undecided.any():  # nothing to branch on
            self.closed = min(self.closed, bound)
            return
        if self.best is not None and self.asked.holds(self.best[0], bound):
            self.closed = min(self.closed, bound)
        else:
            fraction = np.where(undecided, np.minimum(values - low, high - values), -1.0)
            pick = int(np.argmax(fraction))
            toward = float(np.round(values[pick]))
            heapq.heappush(self.open, Node(bound, next(self.orders), low, high, pick, toward))

    def _try(self, at: Floats) -> float | None:
        self.warm.fix(self.warm.integers, at)
        try:
            reached = attempt(self.warm, self.costs)
        except StoppedEarly:
            raise
        except SolveError:
            return None
        if reached is None:
            return None
        if self.best is None or reached.objective < self.best[0]:
            self.best = reached.objective, at
        return reached.objective


def attempt(warm: Warm, costs: Floats) -> Optimum | None:
    """Solve with the binaries as they are bounded; None if they cannot all be so."""
    try:
        return warm.minimise(costs)
    except Infeasible:
        return None
