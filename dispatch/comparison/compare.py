"""The strategies side by side: as an inverter runs them, and as plans that knew the whole period would."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor, as_completed, wait
from dataclasses import dataclass, field
from functools import partial
from queue import SimpleQueue
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.advice.recommend import Recommendation, recommend
from dispatch.arrays import quiet
from dispatch.errors import NoProgram
from dispatch.outcome import Outcome, planned_outcome
from dispatch.program.longer import longer_of
from dispatch.program.program import Program
from dispatch.program.watch import workers
from dispatch.strategies.kept import recall
from dispatch.strategies.solve import or_why, prepare, solve, solve_or_why, starts_of
from dispatch.strategies.table import CHOICES, STRATEGIES
from tariffs.terms.shared_out import step_costs

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Mapping
    from concurrent.futures import Executor, Future

    from numpy.typing import NDArray

    from dispatch.arrays import Floats, Progress
    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.program.arrays import Start
    from dispatch.strategies.solve import Starts
    from dispatch.strategies.swept import Sweep


PEAK_DAYS = 10

WORKERS = 2  # solvers side by side; HiGHS runs outside the interpreter's lock

SIDE_BY_SIDE_STEPS = 20_000
"""Above this a second solver of the year takes half a gigabyte; one of longer steps runs ahead of the first instead."""


@dataclass(frozen=True)
class PeakDayRun:
    """One run on one peak day: energy cost, lowest level [kWh] with the end of its step, hours left then."""

    cost: float
    lowest_kwh: float
    lowest_at: pd.Timestamp
    backup_hours: float


@dataclass(frozen=True)
class PeakDay:
    """One of the local days on which the household without the system pays most for energy; runs as set by name."""

    date: dt.date
    no_system_cost: float
    runs: dict[str, PeakDayRun]


@dataclass(frozen=True)
class Comparison:
    """Everything ``dispatch compare`` shows.

    Attributes
    ----------
    advice : Recommendation
        The strategies as an inverter runs them, each at its own best reserve, and which to set.
    planned : dict of str to Outcome
        With perfect foresight: ``sun-only``, the strategies that can be set, each at the reserve it is set to, and
        ``least-cost``, the least bill + wear at the reserve of what is set: the bound.
    peak_days : tuple of PeakDay
    unplanned : dict of str to str
        Why the others of these have no plan: the search was stopped before it had one, or none can be stated.
    """

    advice: Recommendation
    planned: dict[str, Outcome]
    peak_days: tuple[PeakDay, ...]
    unplanned: dict[str, str] = field(default_factory=dict)

    @property
    def case(self) -> Case:
        """The case as loaded."""
        return self.advice.case

    def foresight(self, name: str) -> float | None:
        """Return what knowing the period in advance would save a strategy at the reserve it is set to."""
        plan = self.planned.get(name)
        return None if plan is None else self.advice.outcomes[name].compared_cost - plan.compared_cost

    @property
    def best_plan(self) -> Outcome | None:
        """The plan of least cost; None where none was found."""
        return self.planned.get("least-cost")

    @property
    def unproven(self) -> tuple[Outcome, ...]:
        """Plans whose search was stopped: the best found."""
        return tuple(plan for plan in self.planned.values() if plan.stopped)

    @property
    def bound(self) -> float | None:
        """What no plan at the reserve that is set can cost less than; the best plan's cost where that is proven."""
        return None if self.best_plan is None else self.best_plan.bound

    @property
    def bound_gap(self) -> float | None:
        """How much what is set costs more than the least any plan with perfect foresight could cost."""
        return None if self.bound is None else self.advice.chosen.compared_cost - self.bound


def compare(case: Case, progress: Progress | None = None) -> Comparison:
    """Run the strategies as set, choose what to set, and solve the plans beside them.

    Parameters
    ----------
    case : Case
        From ``load_scenario``.
    progress : callable, optional
        Called with (done, total, label) as the work goes on.

    Raises
    ------
    Infeasible
        A plan that nothing could keep.
    ReconciliationError
        A bill and the same flows priced by the program's terms differ by more than 1e-6 relative.
    """
    tell = progress or quiet
    tell(0, 8, "running the settings")
    advice = recommend(case)
    wanted = [name for name in STRATEGIES if name not in CHOICES or name in advice.outcomes]
    try:
        planned, unplanned = plans(advice, wanted, tell)
    except NoProgram as error:
        planned, unplanned = {}, dict.fromkeys(wanted, str(error))
    tell(8, 8, "done")
    days = peak_days(advice.no_system.flows, advice.outcomes.values())
    return Comparison(advice, planned, days, unplanned)


def plans(
    advice: Recommendation, names: Iterable[str], progress: Progress = quiet
) -> tuple[dict[str, Outcome], dict[str, str]]:
    """Solve strategies with perfect foresight, each at the reserve and start level it is set to.

    Parameters
    ----------
    advice : Recommendation
    names : iterable of str
        Names in ``STRATEGIES``; what cannot be set is solved at the reserve of what is.
    progress : callable
        Called with (done, total, label).

    Returns
    -------
    dict of str to Outcome
        In the order of the names; the order of solving does not matter.
    dict of str to str
        Why the others have no plan.
    """
    wanted = tuple(names)
    total = len(wanted) + 2
    found: dict[str, Outcome | str] = {
        name: outcome for name in wanted if (outcome := _kept(advice, name)) is not None
    }
    left = tuple(name for name in wanted if name not in found)
    if left:
        progress(1, total, "stating the program")
        program = Program(advice.case_to_run)
        progress(2, total, "first solve")
        with workers(WORKERS) as pool:
            solving = _submit(pool, program, advice, left)
            for done, future in enumerate(as_completed(solving), start=3 + len(found)):
                name = solving[future]
                found[name] = future.result()
                progress(min(done, total), total, name)
    each = [(name, found[name]) for name in wanted]
    return (
        {name: plan for name, plan in each if not isinstance(plan, str)},
        {name: why for name, why in each if isinstance(why, str)},
    )


def _submit(
    pool: Executor, program: Program, advice: Recommendation, names: tuple[str, ...]
) -> dict[Future[Outcome | str], str]:
    """Set two solvers to work; what need not start from the reference basis runs while that is found."""
    longer = longer_of(program) if program.steps > SIDE_BY_SIDE_STEPS else None
    if longer is not None:
        return _submit_in_turn(program, longer, advice, names)
    twin = program.twin()
    cold = [name for name in names if not STRATEGIES[name].near_reference]
    waiting = {pool.submit(_planned, advice, name, twin): name for name in cold}
    prepare(program)
    wait(waiting)
    twin.adopt_reference(program)
    idle: SimpleQueue[Program] = SimpleQueue()
    idle.put(program)
    idle.put(twin)

    def work(name: str) -> Outcome | str:
        solver = idle.get()
        try:
            return _planned(advice, name, solver)
        finally:
            idle.put(solver)

    return waiting | {pool.submit(work, name): name for name in names if name not in cold}


def _submit_in_turn(
    program: Program, longer: Program, advice: Recommendation, names: tuple[str, ...]
) -> dict[Future[Outcome | str], str]:
    """Set one solver to work, and one of longer steps to run ahead and find where it begins."""
    # what begins without is first, and what takes longest to find a beginning for is last
    order = sorted(names, key=lambda name: (STRATEGIES[name].near_reference, name in CHOICES))
    ahead, behind = ThreadPoolExecutor(1), ThreadPoolExecutor(1)

    def first() -> bool:
        prepare(longer)
        return longer.warm.has_reference

    def begin(name: str) -> Mapping[str, Start]:
        return starts_of(program.under(_run_of(advice, name).case), STRATEGIES[name])

    prepared = ahead.submit(first)
    beginnings = {name: ahead.submit(begin, name) for name in order if name in CHOICES}

    def work(name: str) -> Outcome | str:
        if STRATEGIES[name].near_reference and not prepared.result():
            wait(beginnings.values())  # else a reference would be looked for here too, on a solver at work
        return _planned(advice, name, program, beginnings[name].result if name in beginnings else None)

    ahead.submit(program.longer.clear)  # what it holds is needed no more
    solving = {behind.submit(work, name): name for name in order}
    for pool in (ahead, behind):
        pool.shutdown(wait=False)
    return solving


def _kept(advice: Recommendation, name: str) -> Outcome | None:
    run = _run_of(advice, name)
    solved = recall(run.case, name)
    return None if solved is None else planned_outcome(solved, run.reference, run.reserve_percent)


def _run_of(advice: Recommendation, name: str) -> Outcome:
    """Return the run that a plan stands beside."""
    return advice.outcomes.get(name, advice.chosen)


def _planned(
    advice: Recommendation, name: str, program: Program, starts: Starts | None = None
) -> Outcome | str:
    run = _run_of(advice, name)
    solved = solve_or_why(program.under(run.case), STRATEGIES[name], starts=starts)
    return solved if isinstance(solved, str) else planned_outcome(solved, run.reference, run.reserve_percent)


def plan_of(run: Outcome, name: str) -> Outcome:
    """Solve one strategy with perfect foresight at the reserve and start level of a run."""
    solved = solve(Program(run.case), STRATEGIES[name])
    return planned_outcome(solved, run.reference, run.reserve_percent)


def bounds_of(runs: Mapping[str, Outcome], sweep: Sweep) -> dict[str, Outcome]:
    """Solve the least-cost plan at the reserve and start level of each run of one home; leave out what has none.

    By the sweep over the stored level where the home and its tariff allow it, else on one program.
    """
    found: dict[str, Outcome] = {}
    program = None
    for name, run in runs.items():
        try:
            program = Program(run.case) if program is None else program.under(run.case)
        except NoProgram:
            return {}
        solved = or_why(partial(sweep.solve, program, STRATEGIES["least-cost"]))
        if not isinstance(solved, str):
            found[name] = planned_outcome(solved, run.reference, run.reserve_percent)
    return found


def peak_days(no_system: Flows, runs: Iterable[Outcome]) -> tuple[PeakDay, ...]:
    """Find the days on which the household without the system pays most, and how runs fare on them.

    Parameters
    ----------
    no_system : Flows
    runs : iterable of Outcome
        Runs with a battery.
    """
    case = no_system.case
    day_start = case.times.normalize()
    days, day_of = np.unique(day_start.asi8, return_inverse=True)

    def per_day(flows: Flows) -> Floats:
        money = step_costs(case.prices, flows["import"], flows["export"])
        return np.bincount(day_of, weights=money, minlength=len(days)).astype(np.float64)

    reference = per_day(no_system)
    costs = [(run, per_day(run.flows)) for run in runs]
    dearest = np.argsort(-reference, kind="stable")[:PEAK_DAYS]
    return tuple(
        PeakDay(
            date=day_start[int(np.argmax(day_of == day))].date(),
            no_system_cost=float(reference[day]),
            runs={
                run.name: _on_peak_day(run, np.flatnonzero(day_of == day), float(cost[day]))
                for run, cost in costs
            },
        )
        for day in dearest.tolist()
    )


def _on_peak_day(run: Outcome, steps: NDArray[np.intp], cost: float) -> PeakDayRun:
    case, backup = run.case, run.backup
    assert backup is not None  # noqa: S101 - only runs with a battery are asked about
    stored = run.flows["stored"]
    lowest = int(steps[np.argmin(np.round(stored[steps], 9))])
    return PeakDayRun(
        cost=cost,
        lowest_kwh=float(stored[lowest]),
        lowest_at=case.times[lowest] + pd.Timedelta(hours=case.dt_hours),
        backup_hours=float(backup.hours[lowest]),
    )
