"""Whole values for the integer columns of a program that stays a linear one.

Most binaries of a tariff are idle: they say that two things may not happen at once which nothing tempts to happen.
So the program is solved without them first, then with those whole that the solution left undecided, and so on, in
the end with all of them. Each such program allows more than the true one, so the bound it
proves is a true bound, and a solution in which every binary can be whole is the true optimum within the gap proved.

In the end the binaries are fixed and the linear program is solved once more: what follows is exact where a
mixed-integer solution is so only within its integrality tolerance. The gap stated is that of this last solution.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import SolveError, StoppedEarly
from dispatch.program.arrays import NOTICED, Gap
from dispatch.program.branch import MOST_BINARIES, Tree, attempt
from dispatch.program.rounding import whole
from dispatch.program.watch import Watch

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from dispatch.arrays import Flags, Floats
    from dispatch.program.arrays import Optimum
    from dispatch.program.by_level import Swept
    from dispatch.program.solver import Warm


ROUNDS, BESIDE = (
    4,
    2,
)  # rounds in which only some binaries are asked, and how many steps beside an undecided one

SIDES = ("trade", "burn")  # kinds that choose one of two sides of a step: the side on which more is done

FLOWS_SECONDS = 20.0  # for whole values that go with given flows


@dataclass(frozen=True)
class Settled:
    """What was proved.

    Attributes
    ----------
    gap : float
        How much less the best possible may cost, as a share of what was found.
    money : float
        The same as an amount. [currency]
    hard : str
        Where the search was stopped before the gap was as small as asked: what made it hard; else empty.
    """

    gap: float
    money: float
    hard: str = ""

    @property
    def stopped(self) -> bool:
        """Whether the search was stopped before the gap was as small as asked."""
        return bool(self.hard)


def settle(
    warm: Warm,
    costs: Floats,
    asked: Gap = NOTICED,
    flows: slice = slice(0),
    sweep: Callable[[Watch], Swept | None] | None = None,
) -> Settled:
    """Find the best whole values of the integer columns for these costs and fix them there.

    ``flows`` are the columns that say what is done; the rest only says what that costs. ``sweep`` finds best values and
    a bound in another way (`by_level`), for programs that have one; it is asked before any search. A solve that is
    stopped (by hand, or after ``Watch.limit_seconds``) ends with the best values found.

    Raises
    ------
    Infeasible, StoppedEarly, SolveError
        Stopped before any schedule was found; or none exists.
    """
    with Watch(warm.kinds) as watch:
        return _Search(warm, costs, asked, watch).run(flows, sweep)


class _Search:
    """The search, and what it has found: the bound, and the best whole values with what they cost."""

    def __init__(self, warm: Warm, costs: Floats, asked: Gap, watch: Watch) -> None:
        self.warm, self.costs, self.asked, self.watch = warm, costs, asked, watch
        relaxed = warm.minimise(costs)
        self.stated = warm.bounds.copy()
        self.values: Floats | None = relaxed.values
        self.bound = relaxed.objective
        self.best: tuple[float, Floats] | None = None
        self.reached: Optimum | None = None
        self.sides = np.isin(np.array(warm.kinds), SIDES)

    @property
    def proven(self) -> bool:
        """Whether the best is near enough."""
        return self.best is not None and self.asked.holds(self.best[0], self.bound)

    def run(self, flows: slice, sweep: Callable[[Watch], Swept | None] | None) -> Settled:
        """Search until the best is near enough, or the watch is over."""
        among = np.zeros(len(self.warm.integers), dtype=bool)
        undecided = among
        for rounds in count():
            if self.values is not None:
                undecided = self._make_whole(self.values, among, flows if sweep is None else None)
                if not (self.proven or undecided.any() or self.watch.over):
                    break
            if rounds == 0 and not self.proven:
                self._by_other_ways(sweep)
            if self.proven or self.watch.over:
                return self._end()
            among = among | _with_neighbours(undecided) | (rounds >= ROUNDS)
            self.values, least = self.warm.mixed(
                self.costs, self.warm.integers[among], self.reached, self.asked, self.watch
            )
            self.bound = max(self.bound, least)
        raise SolveError("no schedule keeps the whole values that were found; please report this scenario")

    def _make_whole(self, values: Floats, among: Flags, flows: slice | None) -> Flags:
        """Try the whole values nearest to these; return which are undecided though nobody has asked for them."""
        at, undecided = whole(self.warm, values)
        undecided &= ~among
        rounded = (among | undecided) & ~self.sides
        self._try(np.where(rounded, np.round(values[self.warm.integers]), at))
        if self.reached is None and self.best is None and flows is not None:
            found = _of_flows(self.warm, self.costs, values, self.asked, flows)
            if found is not None:
                self._try(found)
        return undecided

    def _try(self, at: Floats) -> None:
        """Solve with these whole values; keep them if they are the best."""
        self.warm.fix(self.warm.integers, at)
        self.reached = attempt(self.warm, self.costs)
        if self.reached is not None and (self.best is None or self.reached.objective < self.best[0]):
            self.best = self.reached.objective, at
        self.warm.loosen(self.stated)

    def _by_other_ways(self, sweep: Callable[[Watch], Swept | None] | None) -> None:
        """Sweep over the level, or branch on few binaries."""
        swept = None if sweep is None else sweep(self.watch)
        if swept is not None:
            self.bound = max(self.bound, swept.bound)
            self._try(swept.whole)
        few = _to_branch_on(self.sides)
        if few.any() and not self.proven:
            tree = Tree(self.warm, self.costs, self.asked, self.stated, self.best, few)
            tree.grow(self.watch)
            self.best, self.bound = tree.best, max(self.bound, tree.bound)

    def _end(self) -> Settled:
        """Fix the best whole values; say what is proved of them."""
        stopped = None if self.proven else self.watch
        if self.best is None:
            hard = self.watch.ended(self.bound, np.inf)
            raise StoppedEarly(f"the search was stopped before it had found a schedule; {hard}")
        reached, at = self.best
        self.warm.fix(self.warm.integers, at)
        money = float(max(reached - self.bound, 0.0))
        hard = "" if stopped is None else stopped.ended(self.bound, reached)
        return Settled(money / max(abs(reached), self.asked.money), money, hard)


def _of_flows(warm: Warm, costs: Floats, values: Floats, asked: Gap, flows: slice) -> Floats | None:
    """Find whole values that go with what is done in these values; None if there are none.

    With the flows given the rest is soon found, and there is a schedule to keep if the solve is stopped.
    """
    stated, fixed = warm.bounds.copy(), warm.bounds.copy()
    low, high = stated.lower[flows], stated.upper[flows]
    fixed.lower[flows] = fixed.upper[flows] = np.clip(values[flows], low, high)
    warm.loosen(fixed)
    try:
        found, _ = warm.mixed(costs, warm.integers, None, asked, Watch((), FLOWS_SECONDS, hears=False))
    except SolveError:
        found = None
    warm.loosen(stated)
    return None if found is None else np.asarray(np.round(found[warm.integers]))


def _to_branch_on(sides: Flags) -> Flags:
    """Mark the binaries for a tree of our own: all if they are few, else all but the sides of steps if those are."""
    if len(sides) <= MOST_BINARIES:
        return np.ones(len(sides), dtype=bool)
    return ~sides if np.sum(~sides) <= MOST_BINARIES else np.zeros(len(sides), dtype=bool)


def _with_neighbours(undecided: Flags) -> NDArray[np.bool_]:
    """Ask the steps beside as well: what is forbidden in one hour moves to the next."""
    beside = undecided.copy()
    for far in range(1, BESIDE + 1):
        beside[far:] |= undecided[:-far]
        beside[:-far] |= undecided[far:]
    return beside
