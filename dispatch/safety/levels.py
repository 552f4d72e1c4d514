"""A plan under another reserve, re-solved warm on one program, and what the device can be set to instead.

Only the floor's rows and the level the period begins and ends with change; hardware, tariff and all stages stay what
they are. Raised times of the reserve stay on top.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, partial
from typing import TYPE_CHECKING

import numpy as np

from dispatch.case.floor import hours_level_kwh
from dispatch.errors import StoppedEarly
from dispatch.outages.hours import backup_hours
from dispatch.outcome import planned_outcome
from dispatch.strategies.solve import or_why, solve
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
    case : Case
        Holds the floor asked for at the end of every step.
    found : Outcome or str
        The plan, or why there is none: its search was stopped before it had one.
    carried_hours : float
        Least hours the floor itself carries: what this reserve promises. [h]
    """

    measure: Measure
    amount: float
    case: Case
    found: Outcome | str
    carried_hours: float

    @property
    def plan(self) -> Outcome:
        """The plan.

        Raises
        ------
        StoppedEarly
            If there is none.
        """
        if isinstance(self.found, str):
            raise StoppedEarly(f"{self.case.path}: at {self.amount:g} {self.measure}: {self.found}")
        return self.found

    @property
    def cost(self) -> float | None:
        """Bill + wear of the plan; None where there is none. [currency]."""
        return None if isinstance(self.found, str) else self.found.bill_and_wear

    @property
    def bound(self) -> float | None:
        """What no plan under this reserve can cost less than, as settings are compared; None without a plan."""
        return None if isinstance(self.found, str) else self.found.bound

    @cached_property
    def least_hours(self) -> float | None:
        """Fewest backup hours the plan leaves, without sun; None where there is none. [h]."""
        if isinstance(self.found, str):
            return None
        return self.found.backup.minimum if self.found.backup else 0.0

    @property
    def broken_hours(self) -> float:
        """Hours in which the plan is below the reserve."""
        return 0.0 if isinstance(self.found, str) else self.found.floor_broken_hours or 0.0

    @property
    def capped_hours(self) -> float:
        """Hours of the year at which the reserve asks for more than the ceiling."""
        return float(self.case.floor_capped_steps.sum() * self.case.dt_hours)


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
    Infeasible, ReconciliationError
        A plan that nothing could keep, or the program's money and the bill disagree.
    """
    case = case_at(program.case, measure, amount, start_kwh)
    under, chosen = program.under(case), STRATEGIES[strategy]
    solved = or_why(partial(solve if sweep is None else sweep.solve, under, chosen, record))
    found = solved if isinstance(solved, str) else planned_outcome(solved, reference)
    return Level(measure, amount, case, found, carried_hours(case, case.floor_kwh))
