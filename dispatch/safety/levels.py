"""A plan under another reserve, re-solved warm on one program, and what the device can be set to instead.

Only the floor's rows and the level the period begins and ends with change; hardware, tariff and all stages stay what
they are. Raised times of the reserve stay on top.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from dispatch.case.floor import hours_level_kwh
from dispatch.outages.hours import backup_hours
from dispatch.outcome import planned_outcome
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from collections.abc import Callable

    from dispatch.arrays import Floats
    from dispatch.case.case import Case, Measure
    from dispatch.outcome import Outcome
    from dispatch.program.arrays import Optimum
    from dispatch.program.program import Program
    from dispatch.strategies.swept import Sweep

    Record = Callable[[str, Optimum], None]


@dataclass(frozen=True)
class Level:
    """One plan under one reserve.

    Attributes
    ----------
    measure, amount
        The reserve as it would stand in the file.
    plan : Outcome
        Its case holds the floor asked for at the end of every step.
    carried_hours : float
        Least hours the floor itself carries: what this reserve promises. [h]
    """

    measure: Measure
    amount: float
    plan: Outcome
    carried_hours: float

    @cached_property
    def least_hours(self) -> float:
        """Fewest backup hours the plan leaves, without sun. [h]."""
        return self.plan.backup.minimum if self.plan.backup else 0.0

    @property
    def capped_hours(self) -> float:
        """Hours of the year at which the reserve asks for more than the ceiling."""
        return float(self.plan.case.floor_capped_steps.sum() * self.plan.case.dt_hours)


def level_for_hours(case: Case, hours: float) -> float:
    """Return the constant level that carries so many hours from every instant; it may lie above full. [kWh]."""
    return float(hours_level_kwh(case.ground, hours).max())


def most_hours(case: Case) -> float:
    """Return the hours a battery at its ceiling carries from the worst instant. [h]."""
    return carried_hours(case, np.full(len(case.times), case.limits.ceiling_kwh))


def carried_hours(case: Case, floor_kwh: Floats) -> float:
    """Return the least hours a floor carries over all instants. [h]."""
    return float(backup_hours(case, floor_kwh, with_sun=False).min())


def case_at(case: Case, measure: Measure, amount: float, start_kwh: float | None = None) -> Case:
    """Return the case under a reserve, begun and closed on it at least, so that no start decides a price.

    Parameters
    ----------
    case : Case
    measure, amount
        The reserve.
    start_kwh : float, optional
        Another level to begin and close with. [kWh]
    """
    at = case.at_reserve(measure, amount)
    if not case.scenario.repeats:
        return at
    wanted = case.limits.start_kwh if start_kwh is None else start_kwh
    return at.starting_at(max(wanted, float(at.floor_kwh[0])))


def solve_at(  # noqa: PLR0913, PLR0917 - what to solve and who watches
    program: Program,
    strategy: str,
    measure: Measure,
    amount: float,
    reference: float,
    record: Record | None = None,
    start_kwh: float | None = None,
    sweep: Sweep | None = None,
) -> Level:
    """Solve one strategy, all stages, under another reserve.

    Parameters
    ----------
    program : Program
        Of the case; its solver and basis are used.
    strategy : str
        A name in ``STRATEGIES``.
    measure, amount
        The reserve: percent of nominal, hours of critical load, or kWh.
    reference : float
        Unrounded bill of the household without the system. [currency]
    record : callable, optional
        Called with (stage name, Optimum) after every stage.
    start_kwh : float, optional
        See :func:`case_at`.
    sweep : Sweep, optional
        Solves in the program's place where it can; nothing is then recorded.

    Raises
    ------
    ScenarioError
        If the reserve is more than the battery may hold.
    SolveError
        No certified optimum, or the program's money and the bill disagree.
    """
    case = case_at(program.case, measure, amount, start_kwh)
    under, chosen = program.under(case), STRATEGIES[strategy]
    solved = solve(under, chosen, record) if sweep is None else sweep.solve(under, chosen, record)
    plan = planned_outcome(solved, reference)
    return Level(measure, amount, plan, carried_hours(case, case.floor_kwh))
