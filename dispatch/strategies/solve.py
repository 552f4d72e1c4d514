"""The operating strategies, each a change of bounds and stages on one program.

Order of stages, the same for all: least ``unserved_load``, ``import_excess``, ``floor_shortfall``,
``closing_shortfall``; then the strategy's own stages; then least ``cost``; then most Σ ``stored`` (ties go to
safety), then least battery ``throughput`` (or free surplus sun would be burnt by cycling), then a fixed generic
weighting of ``stored`` that leaves one schedule, so that the answer does not depend on where the solver stopped.

===============  =====================================================================  ==========================
name             bounds                                                                 own stages
===============  =====================================================================  ==========================
grid-only        no system: load + other from the meter, no idle draw                   none (nothing to decide)
sun-only         no charging, no discharging; idle kept; no floor, no closing level     none
reserve-first    ``battery_to_*`` = 0; sun serves the load first                        most Σ ``stored``
solar-first      sun serves the load first; ``battery_to_grid`` = 0                     least ``grid_to_battery``;
                                                                                        least spill + sun_to_grid
off-peak-first   ``battery_to_*`` = 0 in the local day's cheapest price                 least ``grid_to_battery``
                                                                                        outside that price
least-cost       none but the floor: the bound that perfect foresight sets              none
===============  =====================================================================  ==========================
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.errors import Infeasible, SolveError, StoppedEarly
from dispatch.flows import Flows
from dispatch.program.arrays import dot
from dispatch.program.program import FLOW_FAMILIES, SLACK_FAMILIES, Program
from dispatch.program.whole import settle
from dispatch.strategies.flow_table import flow_table
from dispatch.strategies.table import Stage, Strategy

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.program.arrays import Bounds, Optimum

    Record = Callable[[str, Optimum], None]


HELD_TOLERANCE = 1e-6  # relative; how far a later stage may move an earlier stage's value
LEVEL_SLACKS = ("floor_shortfall", "closing_shortfall")  # the last two slack stages
LEVEL_ROOM_KWH = 1e-7  # what a level may lack, per step, where the solver cannot tell whether it is kept
GRAIN = 1e-6  # kWh for a kWh: what less than this costs an own stage is not held, where charging tapers


@dataclass(frozen=True)
class Solved:
    """A strategy's schedule and how it was found.

    Attributes
    ----------
    flows : Flows
    stage_values : dict of str to float
        Optimum of each stage in the order solved, in the stage's own unit (kWh, or money for ``cost``; Σ stored
        is negative because stages are minimised).
    money : float
        What the flows cost by the program's own account, without wear and what no flow changes.
    iterations, residual, seconds : int, float, float
        Simplex iterations, worst violated row or bound [kWh], wall time [s].
    gap : float or None
        Relative gap proved by the mixed-integer solve, where the tariff needed one.
    """

    flows: Flows
    stage_values: dict[str, float]
    money: float
    iterations: int
    residual: float
    seconds: float
    gap: float | None


def _generic_weights(steps: int) -> Floats:
    """Return fixed weights near 1 with no pattern, so that no two schedules tie under them (golden-ratio sequence)."""
    return 1 + 0.5 * np.modf(np.arange(1, steps + 1) * (math.sqrt(5) - 1) / 2)[0]


def stages_of(program: Program, strategy: Strategy) -> list[Stage]:
    """Return all stages of a strategy in their order, slacks first."""
    own = strategy.own_stages(program.case)
    cost = Stage("cost", program.cost_coefficients)
    if not strategy.uses_battery:
        return [*_slack_stages(program), *own, cost]
    return [
        *_slack_stages(program),
        *own,
        cost,
        Stage("most stored", {"stored": -1.0}),
        Stage("throughput", {"battery_to_load": 1.0, "battery_to_grid": 1.0}),
        Stage("generic", {"stored": -_generic_weights(program.steps)}),
    ]


def _slack_stages(program: Program) -> list[Stage]:
    return [
        Stage(family, {family: 1.0}, often_zero=True)
        for family in SLACK_FAMILIES
        if family in program.columns
    ]


def _at_zero(program: Program, bounds: Bounds, stages: Sequence[Stage]) -> Bounds:
    """Bounds under which each of these stages has the optimum 0."""
    tight = bounds.copy()
    for stage in stages:
        columns = np.flatnonzero(program.vector(stage.coefficients))
        tight.lower[columns] = tight.upper[columns] = 0.0
    return tight


def prepare(program: Program) -> None:
    """Solve the plain cost once; strategies start from that basis, so their order is immaterial."""
    warm = program.warm
    if warm.has_reference:
        return
    for zeros in (_slack_stages(program), []):
        warm.restart(_at_zero(program, program.bounds(), zeros))
        try:
            warm.remember(warm.minimise(program.cost))
        except StoppedEarly:
            raise
        except SolveError:
            continue  # with every promise relaxed the second attempt tells; if that fails too, solve() explains
        return


class _Run:
    """The lexicographic solve of one strategy.

    A stage that is a sum of columns ≥ 0 cannot do better than 0. So the leading stages of that kind are first
    all fixed at 0 and the next one is solved; only if that is infeasible are they solved one by one.
    """

    def __init__(self, program: Program, strategy: Strategy, record: Record | None) -> None:
        self.program, self.strategy, self.record = program, strategy, record
        self.optima: dict[str, Optimum] = {}
        self.found: dict[str, float] = {}
        self.gap: float | None = None
        self.grain = GRAIN if program.case.limits.taper_hours else 0.0
        self.bounds = program.bounds()
        strategy.narrow(program, self.bounds)
        self.stages = stages_of(program, strategy)

    def run(self) -> None:
        """Try what is likeliest first; each rung assumes less, the last leaves a hair of room."""
        hopeful = next(i for i, stage in enumerate(self.stages) if not stage.often_zero)
        slacks = len(_slack_stages(self.program))
        # a level that cannot be held is far commoner than a load that cannot be served
        all_but_levels = sum(stage.name not in LEVEL_SLACKS for stage in _slack_stages(self.program))
        rungs = [(zeros, 0.0) for zeros in dict.fromkeys((hopeful, slacks, all_but_levels, 0))]
        if self.program.case.limits.taper_hours:
            # A tapering charge only approaches full, and the duals of a promise to be full grow with every step
            # until no solver can tell: then a shortfall far below every tolerance settles it.
            rungs.append((slacks, LEVEL_ROOM_KWH))
        for rung, (zeros, room_kwh) in enumerate(rungs, start=1):
            try:
                self._from(zeros, room_kwh)
            except StoppedEarly:
                raise
            except SolveError as error:  # infeasible, or so nearly that the solver cannot tell: assume less
                if rung == len(rungs) or (isinstance(error, Infeasible) and not zeros):
                    raise
            else:
                return

    def _from(self, zeros: int, room_kwh: float) -> None:
        """Take the first ``zeros`` stages at 0 (levels: within ``room_kwh`` of it in each step), solve the rest."""
        self.optima, self.found = {}, {stage.name: 0.0 for stage in self.stages[:zeros]}
        bounds = _at_zero(self.program, self.bounds, self.stages[:zeros])
        for family in LEVEL_SLACKS if room_kwh else ():
            bounds.upper[self.program.columns[family]] = room_kwh
        # with the long rows of a tariff's terms the reference basis is far from the optimum of an own stage
        own_stage = self.program.has_terms and self.stages[zeros].name.startswith("own")
        self.program.warm.restart(bounds, warm=self.strategy.near_reference and not own_stage)
        solved: list[Stage] = []
        for stage in self.stages[zeros:]:
            same = next((s for s in solved if s.same_as(stage)), None)
            if same is None:
                self._solve(stage.name, self.program.vector(stage.coefficients))
            else:  # held already
                self.found[stage.name] = self.found[same.name]
            if stage.name.startswith("own"):
                solved.append(stage)

    def _solve(self, name: str, costs: Floats) -> None:
        if name == "cost" and self.program.has_terms and self.strategy.near_reference:
            self.program.warm.rebase()
        if name == "cost" and len(self.program.warm.integers):
            self.gap = settle(self.program.warm, costs)
        optimum = self.program.warm.minimise(costs)
        if self.record is not None:
            self.record(name, optimum)
        self.optima[name], self.found[name] = optimum, optimum.objective
        self.program.warm.hold(optimum.coarser(self.grain if name.startswith("own") else 0.0))

    @property
    def last(self) -> Optimum:
        """The schedule that all stages together leave."""
        return next(reversed(self.optima.values()))

    def check_held(self) -> None:
        """No stage may have moved an earlier stage's optimum."""
        values = self.last.values  # noqa: PD011 - an array, not a frame
        for name, optimum in self.optima.items():
            drift = abs(dot(optimum.costs, values) - optimum.objective)
            if drift > HELD_TOLERANCE * max(1.0, abs(optimum.objective)):
                raise SolveError(
                    f"{self.program.case.path}: {self.strategy.name}: stage '{name}' moved by {drift:.3g} "
                    "in a later stage; please report this scenario"
                )


def solve(program: Program, strategy: Strategy, record: Record | None = None) -> Solved:
    """Solve one strategy on a built program, all stages.

    Parameters
    ----------
    program : Program
    strategy : Strategy
        One of ``STRATEGIES``.
    record : callable, optional
        Called with (stage name, Optimum) after every stage; the optimum certifies itself (duals, bounds).

    Raises
    ------
    Infeasible
        Even with every promise relaxed nothing satisfies the hardware's own limits.
    SolveError
        No certified optimum.
    """
    started = time.perf_counter()
    if strategy.near_reference:
        prepare(program)
    run = _Run(program, strategy, record)
    try:
        run.run()
    except Infeasible as error:
        raise Infeasible(_why_infeasible(program.case, strategy)) from error
    run.check_held()
    last = run.last
    values = np.clip(last.values, run.bounds.lower, run.bounds.upper)
    flows = flow_table(program, strategy.name, values, uses_battery=strategy.uses_battery)
    return Solved(
        flows=flows,
        stage_values=run.found,
        money=run.found["cost"] + program.cost_constant - flows.wear,
        iterations=sum(optimum.iterations for optimum in run.optima.values()),
        residual=max(optimum.residual for optimum in run.optima.values()),
        seconds=time.perf_counter() - started,
        gap=run.gap,
    )


def _why_infeasible(case: Case, strategy: Strategy) -> str:
    if not case.limits.self_discharge_per_hour:
        return f"{case.path}: {strategy.name}: no schedule respects the hardware's limits; please report this scenario"
    return (
        f"{case.path}: {strategy.name}: no schedule keeps the battery between battery.ceiling and its depth of "
        f"discharge ({case.limits.empty_kwh:g} kWh): self-discharge "
        f"({case.limits.self_discharge_per_hour:g} per hour) drains it and nothing can charge it; "
        "raise charging.grid_w or lower battery.self_discharge_per_hour_fraction"
    )


def grid_only(case: Case) -> Flows:
    """Return the flows of a household without the system: everything from the meter, no idle draw."""
    zero = np.zeros(len(case.times))
    table = {f"{name}_kwh": zero.copy() for name in FLOW_FAMILIES}
    table["import_kwh"] = case.load_kwh + case.other_kwh
    table["grid_to_load_kwh"] = case.load_kwh.copy()
    table["stored_kwh"] = np.full(len(case.times), np.nan)
    if case.limits.import_limit_kw is not None:
        table["import_excess_kwh"] = np.maximum(
            table["import_kwh"] - case.limits.import_limit_kw * case.dt_hours, 0.0
        )
    return Flows(
        case=case,
        name="grid-only",
        frame=pd.DataFrame(table, index=case.times),
        has_system=False,
        uses_battery=False,
    )
