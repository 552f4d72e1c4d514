"""What safety costs: the yearly optimum at many reserve levels, and the price of one more hour of backup.

Between two levels the price of an hour is the difference in bill + wear over the difference in the hours the
reserve promises. At a level it lies between the price on either side, since bill + wear is convex in a constant
floor; the central difference lies between the two.

The knee is the level farthest below the straight line from the first level to the last, both axes scaled to 1:
up to it safety is cheap, beyond it the price climbs.
"""

from __future__ import annotations

import time
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import ScenarioError
from dispatch.safety.levels import AtReserve, carried_hours, most_hours, solve_at
from dispatch.strategies.solve import prepare

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dispatch.arrays import Floats, Progress
    from dispatch.case.case import Case
    from dispatch.outcome import StrategyResult
    from dispatch.program.arrays import Optimum
    from dispatch.program.program import Program
    from dispatch.safety.levels import Measure


FEWEST_LEVELS = 21


MOST_LEVELS = 1000  # each is a solved program


WORKERS = 2


STRAIGHT = 0.02
"""A frontier that stays this close to its chord (both axes scaled to 1) has no knee."""


@dataclass(frozen=True)
class Ladder:
    """Reserve levels, rising: percent of nominal, or hours."""

    measure: Measure
    amounts: tuple[float, ...]


@dataclass(frozen=True)
class Price:
    """Money a year for one more hour of backup at a level: between ``low`` and ``high``; ``central`` within."""

    low: float
    high: float
    central: float | None


@dataclass(frozen=True)
class Mark:
    """A strategy as it stands in the comparison: the least it leaves in the year, and bill + wear."""

    strategy: str
    least_hours: float
    least_percent: float
    burden: float


@dataclass(frozen=True)
class Frontier:
    """Levels in rising order with the price of an hour at each, the knee, and the strategies.

    Attributes
    ----------
    case : Case
    measure : str
        "percent" or "hours".
    levels : tuple of AtReserve
    prices : tuple of Price or None
        None where the neighbours promise the same hours.
    knee : int or None
        Index of the knee, None where the frontier is nearly straight.
    marks : tuple of Mark
    stated_hours : float
        What the reserve of the file carries from the worst instant. [h]
    seconds : float
    """

    case: Case
    measure: Measure
    levels: tuple[AtReserve, ...]
    prices: tuple[Price | None, ...]
    knee: int | None
    marks: tuple[Mark, ...]
    stated_hours: float
    seconds: float


def ladder(case: Case, measure: Measure, count: int = FEWEST_LEVELS, most: float | None = None) -> Ladder:
    """Choose the levels: evenly from an empty reserve to the most the battery holds.

    Parameters
    ----------
    case : Case
    measure : str
        "percent" (empty to ceiling) or "hours" (0 to what a full battery carries from the worst instant).
    count : int
        At least 21.
    most : float, optional
        Another upper end; hours above the default are capped where the battery cannot hold them.

    Raises
    ------
    ScenarioError
        If there are too few levels, or the upper end is none.
    """
    limits = case.limits
    if count < FEWEST_LEVELS:
        raise ScenarioError(f"{case.path}: --levels: {count} is too few to see a price; ask for 21 or more")
    if count > MOST_LEVELS:
        raise ScenarioError(f"{case.path}: --levels: {count} is too many; ask for {MOST_LEVELS:,} or fewer")
    if measure == "percent":
        low, high = (100.0 * level / limits.full_kwh for level in (limits.empty_kwh, limits.ceiling_kwh))
        span = f"from {low:.4g} (empty) to {high:.4g} % (the ceiling)"
    else:
        low, high = 0.0, min(most_hours(case), len(case.times) * case.dt_hours)
        span = f"up to the {len(case.times) * case.dt_hours:g} hours of data"
    longest = high if measure == "percent" else len(case.times) * case.dt_hours
    if most is not None and not low + 0.01 <= most <= longest + 1e-9:
        raise ScenarioError(f"{case.path}: --to: {most:g} {measure} is no upper end; choose one {span}")
    return Ladder(measure, tuple(np.linspace(low, high if most is None else most, count).tolist()))


def trace(
    program: Program,
    rungs: Ladder,
    *,
    strategy: str = "least-cost",
    progress: Progress | None = None,
    record: Callable[[float, str, Optimum], None] | None = None,
) -> tuple[AtReserve, ...]:
    """Solve a strategy at every level, on two solvers side by side, each going from level to level warm.

    Parameters
    ----------
    program : Program
        Of the case.
    rungs : Ladder
    strategy : str
    progress : callable, optional
        Called with (done, total, label).
    record : callable, optional
        Called with (amount, stage name, Optimum) after every stage of every level.

    Returns
    -------
    tuple of AtReserve
        In the order of the ladder. No level depends on the order: the last stage leaves one schedule.
    """
    prepare(program)
    waiting, found = deque(enumerate(rungs.amounts)), {}

    def along(take: Callable[[], tuple[int, float]]) -> None:
        own = program.twin()
        own.warm.adopt_reference(program.warm)
        while True:
            try:
                place, amount = take()
            except IndexError:  # nothing is waiting any more
                return
            found[place] = _at(own, strategy, rungs.measure, amount, record)
            if progress is not None:
                progress(len(found), len(rungs.amounts), f"{amount:.1f} {rungs.measure}")

    # one solver climbs, the other comes down: neighbours stay neighbours, and neither waits for the other
    with ThreadPoolExecutor(WORKERS) as pool:
        list(pool.map(along, (waiting.popleft, waiting.pop)))
    return tuple(found[place] for place in range(len(rungs.amounts)))


def _at(
    program: Program,
    strategy: str,
    measure: Measure,
    amount: float,
    record: Callable[[float, str, Optimum], None] | None,
) -> AtReserve:
    def recorded(stage: str, optimum: Optimum) -> None:
        if stage == "cost":
            program.warm.remember(optimum)  # the next level begins from this basis
        if record is not None:
            record(amount, stage, optimum)

    return solve_at(program, strategy, measure, amount, recorded)


def frontier(
    program: Program,
    rungs: Ladder,
    results: Sequence[StrategyResult] = (),
    progress: Progress | None = None,
) -> Frontier:
    """Trace the frontier of the least-cost plan and mark the strategies on it.

    Parameters
    ----------
    program : Program
        Of the case.
    rungs : Ladder
    results : sequence of StrategyResult
        Strategies to mark, from a comparison at the stated reserve.
    progress : callable, optional

    Returns
    -------
    Frontier
    """
    started = time.perf_counter()
    levels = trace(program, rungs, progress=progress)
    hours = np.array([level.carried_hours for level in levels])
    money = np.array([level.burden for level in levels])
    return Frontier(
        case=program.case,
        measure=rungs.measure,
        levels=levels,
        prices=prices_of(hours, money),
        knee=knee_of(hours, money),
        marks=tuple(_mark(program.case, result) for result in results if result.backup is not None),
        stated_hours=carried_hours(program.case, program.case.floor_kwh),
        seconds=time.perf_counter() - started,
    )


def prices_of(hours: Floats, money: Floats) -> tuple[Price | None, ...]:
    """Price one more hour at every level from its neighbours.

    Parameters
    ----------
    hours, money : array, shape (levels,)
        Hours promised, rising, and bill + wear.

    Returns
    -------
    tuple of Price or None
        At the ends only one side is known: there ``low`` and ``high`` are equal and ``central`` is None.
    """
    found: list[Price | None] = []
    for at in range(len(hours)):
        sides = [
            (money[b] - money[a]) / (hours[b] - hours[a])
            for a, b in ((at - 1, at), (at, at + 1))
            if a >= 0 and b < len(hours) and hours[b] - hours[a] > 1e-9
        ]
        if not sides:
            found.append(None)
            continue
        central = None
        if len(sides) == 2:
            central = float((money[at + 1] - money[at - 1]) / (hours[at + 1] - hours[at - 1]))
        found.append(Price(float(min(sides)), float(max(sides)), central))
    return tuple(found)


def knee_of(hours: Floats, money: Floats) -> int | None:
    """Find the level farthest below the chord from first to last, or None where all lie close to it."""
    width, height = hours[-1] - hours[0], money[-1] - money[0]
    if width <= 1e-9 or height <= 1e-9 * max(1.0, abs(float(money[-1]))):
        return None
    below = (hours - hours[0]) / width - (money - money[0]) / height
    at = int(np.argmax(below))
    return at if below[at] > STRAIGHT else None


def _mark(case: Case, result: StrategyResult) -> Mark:
    least_kwh = float(result.flows["stored"].min())
    least_hours = float(result.backup.minimum) if result.backup is not None else 0.0
    return Mark(result.name, least_hours, 100.0 * least_kwh / case.limits.full_kwh, result.burden)
