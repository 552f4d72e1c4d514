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
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import NoProgram, ScenarioError
from dispatch.program.program import Program
from dispatch.program.watch import Watch, workers
from dispatch.safety.levels import Level, carried_hours, case_at, most_hours, solve_at
from dispatch.strategies.kept import is_kept
from dispatch.strategies.solve import prepare
from dispatch.strategies.swept import Sweep, serves
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dispatch.advice.recommend import Recommendation
    from dispatch.arrays import Floats, Progress
    from dispatch.case.case import Case, Measure
    from dispatch.outcome import Outcome
    from dispatch.program.arrays import Optimum


FEWEST_LEVELS = 21
MOST_LEVELS = 201  # each is a solved program
LIMITS = 4  # searches of full length that all levels together may take; each has its share
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
class Frontier:
    """Levels in rising order: what each costs as the device can be set, and as the best plan with foresight.

    Attributes
    ----------
    advice : Recommendation
    measure : str
        "percent" or "hours".
    levels : tuple of Level
        The least-cost plans: the bound.
    prices : tuple of Price or None
        Of the plans; None where the neighbours promise the same hours.
    knee : int or None
        Index of the knee of the plans, None where they are nearly straight.
    settings : tuple of Outcome or None
        Per level the cheapest strategy and reserve the device can be set to that keeps at least as much at every
        instant, as an inverter runs it; None where none does.
    stated_hours : float
        What the reserve that is set carries from the worst instant. [h]
    seconds : float
    """

    advice: Recommendation
    measure: Measure
    levels: tuple[Level, ...]
    prices: tuple[Price | None, ...]
    knee: int | None
    settings: tuple[Outcome | None, ...]
    stated_hours: float
    seconds: float

    @property
    def case(self) -> Case:
        """The case as loaded."""
        return self.advice.case


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


def trace(  # noqa: PLR0913 - what to solve and who watches
    program: Program,
    rungs: Ladder,
    reference: float,
    *,
    strategy: str = "least-cost",
    progress: Progress | None = None,
    record: Callable[[float, str, Optimum], None] | None = None,
) -> tuple[Level, ...]:
    """Solve a strategy at every level, on two solvers side by side, each going from level to level warm.

    Parameters
    ----------
    program : Program
        Of the case.
    rungs : Ladder
    reference : float
        Unrounded bill of the household without the system. [currency]
    strategy : str
    progress : callable, optional
        Called with (done, total, label).
    record : callable, optional
        Called with (amount, stage name, Optimum) after every stage of every level.

    Returns
    -------
    tuple of Level
        In the order of the ladder. No level depends on the order: the last stage leaves one schedule.
    """
    cases = (case_at(program.case, rungs.measure, amount) for amount in rungs.amounts)
    swept = record is None and serves(program, STRATEGIES[strategy])
    if not swept and not all(is_kept(case, strategy, program.asked_gap) for case in cases):
        prepare(program)
    waiting, found = deque(enumerate(rungs.amounts)), {}

    twin = program.twin()
    twin.adopt_reference(program)

    def along(own: Program, take: Callable[[], tuple[int, float]]) -> None:
        sweep = Sweep(proof=own is program) if swept else None  # one proof will do
        while True:
            try:
                place, amount = take()
            except IndexError:  # nothing is waiting any more
                return
            found[place] = solve_at(
                own,
                strategy,
                rungs.measure,
                amount,
                reference,
                _recorder(own, amount, record),
                sweep=sweep,
            )
            if progress is not None:
                progress(len(found), len(rungs.amounts), f"{amount:.1f} {rungs.measure}")

    # one solver climbs, the other comes down: neighbours stay neighbours, and neither waits for the other
    share = min(LIMITS * WORKERS / len(rungs.amounts), 1.0)
    with Watch.limited(Watch.limit_seconds * share), workers(WORKERS) as pool:
        list(pool.map(along, (program, twin), (waiting.popleft, waiting.pop)))
    return tuple(found[place] for place in range(len(rungs.amounts)))


def _recorder(
    program: Program, amount: float, record: Callable[[float, str, Optimum], None] | None
) -> Callable[[str, Optimum], None]:
    def recorded(stage: str, optimum: Optimum) -> None:
        if stage == "cost":
            program.warm.remember(optimum)  # the next level begins from this basis
        if record is not None:
            record(amount, stage, optimum)

    return recorded


def frontier(advice: Recommendation, rungs: Ladder, progress: Progress | None = None) -> Frontier:
    """Trace what safety costs: the least-cost plan at every level, and the cheapest setting that keeps as much."""
    started = time.perf_counter()
    try:
        program = Program(advice.case_to_run)
    except NoProgram as error:
        levels = tuple(
            _without_plan(advice.case_to_run, rungs.measure, each, error) for each in rungs.amounts
        )
        settings = _settings(advice, levels)
    else:
        levels = trace(program, rungs, advice.no_system.bill_and_wear, progress=progress)
        settings = _settings(advice, levels)
        sweep = Sweep()
        levels = tuple(_bounding(program, sweep, *pair) for pair in zip(levels, settings, strict=True))
    hours = np.array([level.carried_hours for level in levels])
    money = np.array([np.nan if level.cost is None else level.cost for level in levels])
    return Frontier(
        advice=advice,
        measure=rungs.measure,
        levels=levels,
        prices=prices_of(hours, money),
        knee=knee_of(hours, money),
        settings=settings,
        stated_hours=carried_hours(advice.case, advice.case_to_run.floor_kwh),
        seconds=time.perf_counter() - started,
    )


def _without_plan(case: Case, measure: Measure, amount: float, error: NoProgram) -> Level:
    at = case_at(case, measure, amount)
    return Level(measure, amount, at, str(error), carried_hours(at, at.floor_kwh))


def _bounding(program: Program, sweep: Sweep, level: Level, setting: Outcome | None) -> Level:
    """Plan anew from the level a setting begins with, where it costs less than the plan from the usual one."""
    plan = level.found
    if setting is None or isinstance(plan, str) or setting.compared_cost >= plan.compared_cost - 1e-9:
        return level
    start_kwh = setting.case.limits.start_kwh
    other = solve_at(
        program, "least-cost", level.measure, level.amount, plan.reference, start_kwh=start_kwh, sweep=sweep
    )
    if isinstance(other.found, str) or other.found.compared_cost >= plan.compared_cost:
        return level
    return other


def _settings(advice: Recommendation, levels: tuple[Level, ...]) -> tuple[Outcome | None, ...]:
    """Find the cheapest setting that keeps what each level promises."""
    places = [
        advice.scan.cheapest_with(level.carried_hours)
        if level.measure == "hours"
        else advice.scan.cheapest_above(level.amount)
        for level in levels
    ]
    return _run_once(advice, places)


def _run_once(advice: Recommendation, places: Sequence[int | None]) -> tuple[Outcome | None, ...]:
    found: dict[int, Outcome] = {}
    for at in places:
        if at is not None and at not in found:
            found[at] = advice.run(at)
    return tuple(None if at is None else found[at] for at in places)


def cheapest_settings(
    advice: Recommendation, count: int = FEWEST_LEVELS
) -> tuple[tuple[float, Outcome | None], ...]:
    """Find what :func:`frontier` would set at every level in hours, without solving the plans beside it.

    Parameters
    ----------
    advice : Recommendation
    count : int
        How many levels, at least 21.

    Returns
    -------
    tuple of (float, Outcome or None)
        Hours promised, and the cheapest setting that keeps them at every instant.
    """
    case = advice.case_to_run
    rungs = ladder(advice.case, "hours", count)
    hours = [carried_hours(case, case_at(case, rungs.measure, amount).floor_kwh) for amount in rungs.amounts]
    places = [advice.scan.cheapest_with(each) for each in hours]
    return tuple(zip(hours, _run_once(advice, places), strict=True))


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
            if a >= 0 and b < len(hours) and hours[b] - hours[a] > 1e-9 and np.isfinite(money[b] - money[a])
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
    if not np.isfinite(money).all():  # of some level there is no plan
        return None
    if width <= 1e-9 or height <= 1e-9 * max(1.0, abs(float(money[-1]))):
        return None
    below = (hours - hours[0]) / width - (money - money[0]) / height
    at = int(np.argmax(below))
    return at if below[at] > STRAIGHT else None
