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
from functools import cached_property, partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.errors import FlowsError, Infeasible, SolveError, StoppedEarly
from dispatch.flows import Flows
from dispatch.program.algebra import FLOW_FAMILIES, SLACK_FAMILIES
from dispatch.program.arrays import dot
from dispatch.program.by_level import sweep
from dispatch.program.curves import has_sides_only
from dispatch.program.least import least_slacks
from dispatch.program.longer import lifted, longer_of
from dispatch.program.whole import Settled, settle
from dispatch.strategies.flow_table import flow_table
from dispatch.strategies.kept import keep, recall
from dispatch.strategies.solved import Solved
from dispatch.strategies.table import Stage, Strategy

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.program.arrays import Bounds, Optimum, Start
    from dispatch.program.by_level import Swept
    from dispatch.program.program import Program
    from dispatch.program.watch import Watch

    Record = Callable[[str, Optimum], None]
    Starts = Callable[[], Mapping[str, Start]]


HELD_TOLERANCE = 1e-6  # relative; how far a later stage may move an earlier stage's value
LEVEL_SLACKS = ("floor_shortfall", "closing_shortfall")  # the last two slack stages
LEVEL_ROOM_KWH = 1e-7  # what a level may lack, per step, where the solver cannot tell whether it is kept
GRAIN = 1e-6  # kWh for a kWh: what less than this costs an own stage is not held, where charging tapers
SLACK_PRICE = 100.0  # of a broken promise, in dearest prices: only to find a basis from which to start


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


def at_least(program: Program, bounds: Bounds, stages: Sequence[Stage]) -> tuple[Bounds, dict[str, float]]:
    """Bounds under which each of these sums of columns is the least it can be, and what each then comes to."""
    tight, least = bounds.copy(), least_slacks(program, bounds)
    found = {}
    for stage in stages:
        if stage.name in least:
            columns = np.arange(program.columns[stage.name].start, program.columns[stage.name].stop)
        else:
            columns = np.flatnonzero(program.vector(stage.coefficients))
        at = least.get(stage.name, np.zeros(len(columns)))
        tight.lower[columns] = tight.upper[columns] = at
        found[stage.name] = float(at.sum())
    return tight, found


def prepare(program: Program) -> None:
    """Solve the plain cost once; strategies start from that basis, so their order is immaterial."""
    warm = program.warm
    if warm.has_reference:
        return
    longer, start = longer_of(program), None
    if longer is not None:
        prepare(longer)
        start = longer.warm.reference_start()
    slacks = _slack_stages(program)
    dear = program.cost.copy()  # at the cost alone nothing would be served: no basis to start from
    for stage in slacks:
        dear += (
            program.vector(stage.coefficients) * SLACK_PRICE * max(float(np.abs(program.cost).max()), 1e-3)
        )
    for costs, bounds in (
        (program.cost, at_least(program, program.bounds(), slacks)[0]),
        (dear, program.bounds()),
    ):
        warm.restart(bounds)
        if longer is not None and start is not None:
            warm.begin_at(lifted(program, longer, start))
        try:
            warm.remember(warm.minimise(costs))
        except StoppedEarly:
            raise
        except SolveError:
            continue  # with every promise priced the second attempt tells; if that fails too, solve() explains
        return


class _Run:
    """The lexicographic solve of one strategy.

    A stage that is a sum of columns cannot do better than the sum of their least (`dispatch.program.least`, nearly
    always 0). So the leading stages of that kind are first all fixed there and the next one is solved; only if that
    is infeasible are they solved one by one.
    """

    def __init__(
        self, program: Program, strategy: Strategy, record: Record | None = None, starts: Starts | None = None
    ) -> None:
        self.program, self.strategy, self.record = program, strategy, record
        self.starts = starts or (lambda: starts_of(program, strategy))
        self.held: dict[str, float] = {}  # optimum by stage: whole ones, or their costs, would fill memory
        self.last: Floats | None = None
        self.iterations, self.residual = 0, 0.0
        self.found: dict[str, float] = {}
        self.settled: Settled | None = None
        self.grain = GRAIN if program.case.limits.taper_hours else 0.0
        self.bounds = program.bounds()
        strategy.narrow(program, self.bounds)
        self.stages = stages_of(program, strategy)

    def run(self) -> None:
        """Try what is likeliest first; each rung assumes less, the last leaves a hair of room."""
        hopeful = next(i for i, stage in enumerate(self.stages) if not stage.often_zero)
        slacks = len(_slack_stages(self.program))
        starts = self._starts(hopeful)
        if any(
            stage.name in starts for stage in self.stages[slacks:hopeful]
        ):  # longer steps could not do without
            hopeful = slacks
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
        """Take the first ``zeros`` stages at their least (levels: within ``room_kwh`` in each step), solve the rest."""
        self.held, self.iterations, self.residual = {}, 0, 0.0
        bounds, self.found = at_least(self.program, self.bounds, self.stages[:zeros])
        for family in LEVEL_SLACKS if room_kwh else ():
            bounds.upper[self.program.columns[family]] += room_kwh
        # with the long rows of a tariff's terms the reference basis is far from the optimum of an own stage
        own_stage = self.program.has_terms and self.stages[zeros].name.startswith("own")
        self.program.warm.restart(bounds, warm=self.strategy.near_reference and not own_stage)
        del bounds  # arrays as long as the program
        starts = self._starts(zeros)
        solved: list[Stage] = []
        for stage in self.stages[zeros:]:
            if stage.name in starts:
                self.program.warm.begin_at(starts[stage.name])
            elif stage.name == "cost" and self.program.has_terms and self.strategy.near_reference:
                self.program.warm.rebase()
            same = next((s for s in solved if s.same_as(stage)), None)
            if same is None:
                self._solve(stage.name, self.program.vector(stage.coefficients))
            else:  # held already
                self.found[stage.name] = self.found[same.name]
            if stage.name.startswith("own"):
                solved.append(stage)

    def _starts(self, zeros: int) -> Mapping[str, Start]:
        """Where to begin the stages after the first ``zeros``; to least cost the reference is near enough."""
        return (
            self.lifted_starts if any(stage.name.startswith("own") for stage in self.stages[zeros:]) else {}
        )

    @cached_property
    def lifted_starts(self) -> Mapping[str, Start]:
        """Where to begin each stage; asked for once."""
        return self.starts()

    def _solve(self, name: str, costs: Floats) -> None:
        if name == "cost" and len(self.program.warm.integers):
            program, flows = self.program, slice(self.program.columns["tariff"].start)
            by_level = partial(_swept, program, costs) if has_sides_only(program) else None
            self.settled = settle(program.warm, costs, program.asked_gap, flows, by_level)
        optimum = self.program.warm.minimise(costs)
        if self.record is not None:
            self.record(name, optimum)
        self.held[name] = self.found[name] = optimum.objective
        self.last = optimum.values  # noqa: PD011 - an array; in the end what all stages together leave
        self.iterations += optimum.iterations
        self.residual = max(self.residual, optimum.residual)
        self.program.warm.hold(optimum.coarser(self.grain if name.startswith("own") else 0.0))

    def values(self) -> Floats:
        """Return the columns all stages together leave; no stage may have moved an earlier stage's optimum."""
        if self.last is None:
            raise SolveError(f"{self.program.case.path}: {self.strategy.name}: no stage was solved")
        costs = {stage.name: stage.coefficients for stage in self.stages}
        for name, objective in self.held.items():
            drift = abs(dot(self.program.vector(costs[name]), self.last) - objective)
            if drift > HELD_TOLERANCE * max(1.0, abs(objective)):
                raise SolveError(
                    f"{self.program.case.path}: {self.strategy.name}: stage '{name}' moved by {drift:.3g} "
                    "in a later stage; please report this scenario"
                )
        return self.last


def starts_of(program: Program, strategy: Strategy) -> dict[str, Start]:
    """Find where the stages of a strategy end in longer steps; nothing where those cannot be solved."""
    longer = longer_of(program)
    if longer is None:
        return {}
    prepare(longer)
    reached: dict[str, Start] = {}
    run = _Run(longer, strategy, lambda name, _optimum: reached.update({name: longer.warm.reached()}))
    run.stages = run.stages[: 1 + [stage.name for stage in run.stages].index("cost")]  # ties need no start
    try:
        run.run()
    except SolveError:
        return {}
    return {name: lifted(program, longer, start) for name, start in reached.items()}


def _swept(program: Program, costs: Floats, watch: Watch) -> Swept | None:
    return sweep(program, costs, watch, program.asked_gap.money)


def solve(
    program: Program, strategy: Strategy, record: Record | None = None, starts: Starts | None = None
) -> Solved:
    """Solve one strategy on a built program, all stages; or read the result from the store, if one is in use.

    Parameters
    ----------
    program : Program
    strategy : Strategy
        One of ``STRATEGIES``.
    record : callable, optional
        Called with (stage name, Optimum) after every stage that is solved; the optimum certifies itself (duals,
        bounds). Not called where the result is read from the store.
    starts : callable, optional
        Gives what :func:`starts_of` gives, found by another thread.

    Raises
    ------
    Infeasible
        Even with every promise relaxed nothing satisfies the hardware's own limits.
    SolveError
        No certified optimum.
    """
    known = recall(program.case, strategy.name, program.asked_gap)
    if known is not None:
        return known
    solved = _solve(program, strategy, record, starts)
    keep(program.case, strategy.name, solved, program.asked_gap)
    return solved


def solve_or_why(
    program: Program, strategy: Strategy, record: Record | None = None, starts: Starts | None = None
) -> Solved | str:
    """Solve one strategy, or say why there is no plan; see :func:`or_why`."""
    return or_why(partial(solve, program, strategy, record, starts=starts))


def or_why(solving: Callable[[], Solved]) -> Solved | str:
    """Solve, or say why there is no plan: the search was stopped, or the solver cannot tell.

    Raises
    ------
    Infeasible, FlowsError
        Those are faults of the home or of the program, not of the search.
    """
    try:
        return solving()
    except (Infeasible, FlowsError):
        raise
    except SolveError as error:
        return str(error)


def _solve(program: Program, strategy: Strategy, record: Record | None, starts: Starts | None) -> Solved:
    started = time.perf_counter()
    if strategy.near_reference:
        prepare(program)
    run = _Run(program, strategy, record, starts)
    try:
        run.run()
    except Infeasible as error:
        raise Infeasible(_why_infeasible(program.case, strategy)) from error
    values = np.clip(run.values(), run.bounds.lower, run.bounds.upper)
    flows = flow_table(program, strategy.name, values, uses_battery=strategy.uses_battery)
    return Solved(
        flows=flows,
        stage_values=run.found,
        money=run.found["cost"] + program.cost_constant - flows.wear,
        iterations=run.iterations,
        residual=run.residual,
        seconds=time.perf_counter() - started,
        gap=None if run.settled is None else run.settled.gap,
        unproven=0.0 if run.settled is None else run.settled.money,
        hard="" if run.settled is None else run.settled.hard,
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
