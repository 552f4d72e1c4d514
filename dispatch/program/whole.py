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
from dispatch.program.branch import MOST_BINARIES, Tree, attempt
from dispatch.program.rounding import whole
from dispatch.program.solver import NOTICED, Gap
from dispatch.program.watch import Watch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Flags, Floats
    from dispatch.program.arrays import Optimum
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


def settle(warm: Warm, costs: Floats, asked: Gap = NOTICED, flows: slice = slice(0)) -> Settled:
    """Find the best whole values of the integer columns for these costs and fix them there.

    ``flows`` are the columns that say what is done; the rest only says what that costs. A solve that is stopped
    (by hand, or after ``Watch.limit_seconds``) ends with the best values found.

    Raises
    ------
    Infeasible, StoppedEarly, SolveError
        Stopped before any schedule was found; or none exists.
    """
    with Watch(warm.kinds) as watch:
        return _settle(warm, costs, asked, watch, flows)


def _settle(warm: Warm, costs: Floats, asked: Gap, watch: Watch, flows: slice) -> Settled:
    relaxed, stated = warm.minimise(costs), warm.bounds.copy()
    values: Floats | None
    values, bound = relaxed.values, relaxed.objective
    best: tuple[float, Floats] | None = None
    among = np.zeros(len(warm.integers), dtype=bool)
    sides = np.isin(np.array(warm.kinds), SIDES)
    for rounds in count():
        if values is not None:
            at_once, undecided = whole(warm, values)
            undecided &= ~among
            rounded = (among | undecided) & ~sides
            at = np.where(rounded, np.round(values[warm.integers]), at_once)
            warm.fix(warm.integers, at)
            reached = attempt(warm, costs)
            if reached is None and best is None:
                warm.loosen(stated)
                at, reached = _of_flows(warm, costs, values, asked, flows)
            if reached is not None and (best is None or reached.objective < best[0]):
                best = reached.objective, at
            if reached is not None and asked.holds(reached.objective, bound):
                return _settled(reached.objective, bound, asked)
            if not undecided.any() and not watch.over:
                break
            warm.loosen(stated)
        if rounds == 0 and len(warm.integers) <= MOST_BINARIES:
            tree = Tree(warm, costs, asked, stated, best)
            tree.grow(watch)
            best, bound = tree.best, max(bound, tree.bound)
            if best is not None and (tree.near_enough or watch.over):
                warm.fix(warm.integers, best[1])
                return _settled(best[0], bound, asked, None if tree.near_enough else watch)
        if watch.over:
            return _stopped(warm, best, bound, asked, watch)
        among |= _with_neighbours(undecided) | (rounds >= ROUNDS)
        values, least = warm.mixed(costs, warm.integers[among], reached, asked, watch)
        bound = max(bound, least)
    raise SolveError("no schedule keeps the whole values that were found; please report this scenario")


def _of_flows(
    warm: Warm, costs: Floats, values: Floats, asked: Gap, flows: slice
) -> tuple[Floats, Optimum | None]:
    """Find the whole values that go with what is done in these values, then the best that goes with those.

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
    if found is None:
        return np.empty(0), None
    at = np.round(found[warm.integers])
    warm.fix(warm.integers, at)
    return at, attempt(warm, costs)


def _stopped(
    warm: Warm, best: tuple[float, Floats] | None, bound: float, asked: Gap, watch: Watch
) -> Settled:
    """Take the best that was found before the solve was stopped."""
    if best is None:
        hard = watch.ended(bound, np.inf)
        raise StoppedEarly(f"the search was stopped before it had found a schedule; {hard}")
    warm.fix(warm.integers, best[1])
    return _settled(best[0], bound, asked, watch)


def _settled(reached: float, bound: float, asked: Gap, stopped: Watch | None = None) -> Settled:
    money = float(max(reached - bound, 0.0))
    hard = "" if stopped is None else stopped.ended(bound, reached)
    return Settled(money / max(abs(reached), asked.money), money, hard)


def _with_neighbours(undecided: Flags) -> NDArray[np.bool_]:
    """Ask the steps beside as well: what is forbidden in one hour moves to the next."""
    beside = undecided.copy()
    for far in range(1, BESIDE + 1):
        beside[far:] |= undecided[:-far]
        beside[:-far] |= undecided[far:]
    return beside
