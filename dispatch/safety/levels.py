"""A strategy's yearly optimum under another reserve, re-solved warm on one program.

Only the floor's rows change; hardware, tariff and all stages stay what they are, so every level is what the whole
comparison would give with that reserve in the file. Raised times of the reserve stay on top.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from dispatch.backup.hours import backup_hours
from dispatch.case.case import start_on_floor
from dispatch.case.floor import Floor, Ground, floor_of, hours_level_kwh
from dispatch.case.limits import resolve_limits, usable_share
from dispatch.outcome import bill_of, reconcile
from dispatch.scenario.model import Reserve
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from collections.abc import Callable

    import tariffs
    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.program.arrays import Optimum
    from dispatch.program.program import Program

    Record = Callable[[str, Optimum], None]


Measure = Literal["percent", "hours", "kwh"]


BROKEN_KWH = 1e-6


@dataclass(frozen=True)
class AtReserve:
    """One strategy under one reserve.

    Attributes
    ----------
    strategy, measure, amount
        Which strategy, and the reserve as it would stand in the file.
    floor : Floor
        The level asked for at the end of every step.
    flows : Flows
    bill : tariffs.Bill
    wear : float
        Money beside the bill.
    hours : array, shape (n,)
        Backup hours at the end of every step, without sun. [h]
    carried_hours : float
        Least hours the floor itself carries: what this reserve promises. [h]
    residual_kwh : float
        Worst violation of any limit in the solver's answer.
    """

    strategy: str
    measure: Measure
    amount: float
    floor: Floor
    flows: Flows
    bill: tariffs.Bill
    wear: float
    hours: Floats
    carried_hours: float
    residual_kwh: float

    @property
    def burden(self) -> float:
        """Bill + wear, unrounded: what levels are ranked by."""
        return float(self.bill.total_unrounded) + self.wear

    @property
    def serves(self) -> bool:
        """Whether the whole load is served in daily use."""
        return not bool((self.flows["unserved_load"] > BROKEN_KWH).any())

    @property
    def capped_hours(self) -> float:
        """Hours of the year at which the reserve asks for more than the ceiling."""
        return float(self.floor.capped.sum() * self.flows.case.dt_hours)

    @property
    def broken_hours(self) -> float:
        """Hours of the year at which the schedule lies below the floor."""
        return float((self.flows["floor_shortfall"] > BROKEN_KWH).sum() * self.flows.case.dt_hours)


def ground_of(case: Case) -> Ground:
    """Return what a floor is computed from."""
    return Ground(case.limits, case.times, case.dt_hours, case.critical_kwh, case.sun_kwh)


def reserve_of(case: Case, measure: Measure, amount: float) -> Reserve:
    """Write a reserve as the file would hold it, with the case's raised times on top; hours count no sun."""
    stated = case.scenario.reserve
    raised = stated.raised if stated is not None else ()
    if measure == "hours" and amount <= 0:
        return Reserve(kwh=0.0, raised=raised)
    return Reserve(raised=raised, **{measure: amount})


def case_at(case: Case, measure: Measure, amount: float) -> tuple[Case, Floor]:
    """Return the case as the file would give it with this reserve: its floor, and a start the file leaves open."""
    floor = floor_of(reserve_of(case, measure, amount), ground_of(case), case.path)
    limits = start_on_floor(
        case.scenario,
        resolve_limits(case.scenario, case.path, usable_share(case.scenario, case.limits)),
        float(floor.level_kwh[0]),
    )
    changed = replace(case, limits=limits, floor_kwh=floor.level_kwh, floor_capped_steps=floor.capped)
    return changed, floor


def stated_reserve(case: Case) -> tuple[Measure, float]:
    """Return the reserve of the file; none is 0 kWh."""
    stated = case.scenario.reserve
    for measure in ("percent", "hours", "kwh"):
        amount: float | None = getattr(stated, measure, None)
        if amount is not None:
            return measure, amount
    return "kwh", 0.0


def level_for_hours(case: Case, hours: float) -> float:
    """Return the constant level that carries so many hours from every instant; it may lie above full. [kWh]."""
    return float(hours_level_kwh(ground_of(case), hours).max())


def most_hours(case: Case) -> float:
    """Return the hours a battery at its ceiling carries from the worst instant. [h]."""
    return float(backup_hours(case, np.full(len(case.times), case.limits.ceiling_kwh), with_sun=False).min())


def carried_hours(case: Case, floor_kwh: Floats) -> float:
    """Return the least hours a floor carries over all instants. [h]."""
    return float(backup_hours(case, floor_kwh, with_sun=False).min())


def solve_at(
    program: Program, strategy: str, measure: Measure, amount: float, record: Record | None = None
) -> AtReserve:
    """Solve one strategy, all stages, under another reserve.

    Parameters
    ----------
    program : Program
        Of the case; its solver and basis are used.
    strategy : str
        A name in ``STRATEGIES``.
    measure, amount
        The reserve: percent of nominal, hours of critical load, or kWh.
    record : callable, optional
        Called with (stage name, Optimum) after every stage.

    Raises
    ------
    ScenarioError
        If the reserve is more than the battery may hold.
    SolveError
        No certified optimum, or the program's money and the bill disagree.
    """
    case, floor = case_at(program.case, measure, amount)
    solved = solve(program.under(case), STRATEGIES[strategy], record)
    flows = solved.flows
    bill = bill_of(flows)
    reconcile(case, strategy, solved.money, bill)
    return AtReserve(
        strategy=strategy,
        measure=measure,
        amount=amount,
        floor=floor,
        flows=flows,
        bill=bill,
        wear=flows.wear,
        hours=backup_hours(case, flows["stored"], with_sun=False),
        carried_hours=carried_hours(case, floor.level_kwh),
        residual_kwh=solved.residual,
    )
