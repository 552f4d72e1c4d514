"""The plan of least cost for many homes that differ in parts: one program, stated once, solved for each."""

from __future__ import annotations

from queue import SimpleQueue
from typing import TYPE_CHECKING

from dispatch.arrays import quiet
from dispatch.comparison.compare import WORKERS
from dispatch.errors import ScenarioError
from dispatch.outcome import planned_outcome
from dispatch.program.program import Program
from dispatch.program.watch import workers
from dispatch.strategies.solve import prepare, solve_or_why
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Progress
    from dispatch.case.case import Case
    from dispatch.outcome import Outcome


def least_cost_plans(runs: Sequence[Outcome], progress: Progress = quiet) -> list[Outcome | None]:
    """Solve least cost with perfect foresight, each at the reserve and start level of its run.

    Parameters
    ----------
    runs : sequence of Outcome
        Of one home with unlike parts: limits and sun may differ, series and tariff not.
    progress : callable
        Called with (done, total, label).

    Returns
    -------
    list of Outcome or None
        In the same order; None where the search was stopped before it had a plan. Two are solved at a time; every one
        starts from the same basis, so what comes out depends
        neither on that nor on the order.

    Raises
    ------
    Infeasible
        A plan that nothing could keep.
    NoProgram
        If the tariff cannot be stated.
    """
    if not runs:
        return []
    # the home with most sun has every family of columns that another may lack
    program = Program(max(runs, key=lambda run: float(run.case.sun_kwh.sum())).case)
    prepare(program)
    twin = program.twin()
    twin.adopt_reference(program)
    idle: SimpleQueue[Program] = SimpleQueue()
    idle.put(program)
    idle.put(twin)

    def planned(run: Outcome) -> Outcome | None:
        solver = idle.get()
        try:
            solved = solve_or_why(_for(solver, run.case), STRATEGIES["least-cost"])
        finally:
            idle.put(solver)
        return (
            None if isinstance(solved, str) else planned_outcome(solved, run.reference, run.reserve_percent)
        )

    found: list[Outcome | None] = []
    with workers(WORKERS) as pool:
        for done, outcome in enumerate(pool.map(planned, runs), 1):
            progress(done, len(runs), "plans")
            found.append(outcome)
    return found


def _for(program: Program, case: Case) -> Program:
    """Return the program for a home; of its own where the tariff's rows know the sun."""
    try:
        return program.under(case)
    except ScenarioError:
        return Program(case)
