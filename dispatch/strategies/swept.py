"""A strategy solved by the sweep over the stored level where tariff and hardware allow it, else by the program.

The program stays the statement: the sweep takes its rows, bounds and stages from it, and what it finds has to satisfy
the program's own rows and bounds, come to the same in every stage as the sweep's value of the start, and pass the flow
table's checks. On any doubt the program is solved.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import DispatchError, SolveError
from dispatch.program.algebra import FLOW_FAMILIES, SENSES, SLACK_FAMILIES
from dispatch.program.arrays import RESIDUAL_TOLERANCE, dot, worst_violation
from dispatch.program.solver import EQUAL
from dispatch.strategies.certificate import Path, least_money, prices_along
from dispatch.strategies.flow_table import flow_table
from dispatch.strategies.kept import keep, recall
from dispatch.strategies.solve import HELD_TOLERANCE, at_least, solve, stages_of
from dispatch.strategies.solved import Solved
from dispatch.sweep.compiled import IS_COMPILED

if TYPE_CHECKING:
    from dispatch.arrays import Flags, Floats
    from dispatch.program.arrays import Bounds
    from dispatch.program.program import Program
    from dispatch.strategies.solve import Record
    from dispatch.strategies.table import Stage, Strategy
    from dispatch.sweep.backward import Store
    from dispatch.sweep.step_curves import Curves, Steps


LEVEL_FAMILIES = ("stored", "floor_shortfall")
LEVEL_ROWS = ("storage", "taper", "floor", "closing")
BOTH_KWH = 1e-9
"""Charging and discharging in one step by more than this is both: a taper limits what enters, not the change."""
NEARLY_FULL = 0.999
"""Share of full above which, where charging tapers, a promise is left to the program: tolerances alone keep it."""
INTO = ("grid_to_battery", "sun_to_battery")
OUT = ("battery_to_load", "battery_to_grid")


@dataclass(frozen=True)
class Step:
    """What is the same in every step: families and rows of the step, and their coefficients."""

    families: tuple[str, ...]
    row_names: tuple[str, ...]
    rows: Floats
    is_equal: Flags
    into: Floats


@dataclass(frozen=True)
class Found:
    """A schedule found, with all it was found from."""

    bounds: Bounds
    path: Path
    curves: Curves
    store: Store


class Sweep:
    """Solves one strategy at one reserve after another, each step's curve made once where the steps are the same.

    The first plan of least cost is proved by the program's own rows, which takes about as long as all else together;
    if that fails the program solves this one and all that follow.

    Parameters
    ----------
    proof : bool
        Whether the first plan is proved; not needed where another sweep does so for the same home.

    Attributes
    ----------
    found : Found or None
        The last schedule.
    """

    def __init__(self, *, proof: bool = True) -> None:
        self.found: Found | None = None
        self.last: tuple[Steps, Curves] | None = None
        self.proved: bool | None = None if proof else True

    def solve(self, program: Program, strategy: Strategy, record: Record | None = None) -> Solved:
        """Solve as :func:`dispatch.strategies.solve.solve` does; the sweep records nothing."""
        known = recall(program.case, strategy.name, program.asked_gap)
        if known is not None:
            return known
        found = self.attempt(program, strategy) if IS_COMPILED and self.proved is not False else None
        if found is not None and self.proved is None and not strategy.own_stages(program.case):
            self.proved = self._proves(program, found)
        if found is None or self.proved is False:
            return solve(program, strategy, record)
        keep(program.case, strategy.name, found, program.asked_gap)
        return found

    def _proves(self, program: Program, found: Solved) -> bool:
        cost = found.stage_values["cost"]
        try:
            least = self.least_money(program)
        except SolveError:
            return False
        return cost - least <= HELD_TOLERANCE * max(1.0, abs(cost))

    def attempt(self, program: Program, strategy: Strategy) -> Solved | None:
        """Solve by the sweep; None if it does not apply, or what it finds leaves a doubt."""
        if not applies(program, strategy):
            return None
        started = time.perf_counter()
        bounds = program.bounds()
        strategy.narrow(program, bounds)
        stages = stages_of(program, strategy)
        hopeful = next(i for i, stage in enumerate(stages) if not stage.often_zero)
        slacks = sum(stage.name in SLACK_FAMILIES for stage in stages)
        for zeros in dict.fromkeys((hopeful, slacks)):
            found = self._from(program, strategy, bounds, stages, zeros)
            if found is not None:
                return replace(found, seconds=time.perf_counter() - started)
        return None

    def least_money(self, program: Program) -> float:
        """Return what no schedule under the last one's bounds can cost less than, by the program's own rows.

        In the money of the ``cost`` stage; a strategy without stages of its own is proved if it costs as much.
        """
        if self.found is None:
            raise SolveError("nothing has been swept yet")
        path = replace(self.found.path, prices=self.found.path.prices[:, 0])
        y = prices_along(path, self.found.curves, self.found.store, 0)
        return least_money(program, self.found.bounds, y)

    def _from(
        self, program: Program, strategy: Strategy, bounds: Bounds, stages: list[Stage], zeros: int
    ) -> Solved | None:
        """Take the first ``zeros`` stages at their least, as the program does, and sweep for the rest."""
        tight, found = at_least(program, bounds, stages[:zeros])
        costs = [program.vector(stage.coefficients) for stage in stages[zeros:]]
        reached = self._reached(program, tight, np.array(costs))
        if reached is None:
            return None
        values, least = reached
        residual = worst_violation(program.warm.matrix, tight, values)
        if not residual <= RESIDUAL_TOLERANCE:
            return None
        for stage, vector, value in zip(stages[zeros:], costs, least.tolist(), strict=True):
            found[stage.name] = dot(vector, values)
            if not abs(found[stage.name] - value) <= HELD_TOLERANCE * max(1.0, abs(value)):
                return None
        try:
            flows = flow_table(
                program, strategy.name, np.clip(values, tight.lower, tight.upper), uses_battery=True
            )
        except DispatchError:
            return None
        return Solved(
            flows=flows,
            stage_values=found,
            money=found["cost"] + program.cost_constant - flows.wear,
            iterations=0,
            residual=residual,
            seconds=0.0,
            gap=None,
        )

    def _reached(self, program: Program, bounds: Bounds, costs: Floats) -> tuple[Floats, Floats] | None:
        """Return the columns the sweep ends at, and its value of the start by stage."""
        from dispatch.sweep.backward import Store, schedule, swept  # noqa: PLC0415 - loads the compiler

        step = step_of(program)
        curves = None if step is None else self._curves(program, step, bounds, costs)
        if step is None or curves is None:
            return None
        limits, algebra, stored = program.case.limits, program.algebra, program.columns["stored"]
        low = _lowest_levels(program, bounds)
        if algebra.taper and (
            low.max() > NEARLY_FULL * limits.full_kwh or _both(step.families, curves.flows)
        ):
            return None
        store = Store(algebra.keep, float(algebra.taper), limits.full_kwh, limits.start_kwh)
        prices = np.ascontiguousarray(costs[:, stored].T)
        found = swept(curves, store, low, bounds.upper[stored].copy(), prices)
        if found is None:
            return None
        stops, least = found
        levels, flows = schedule(curves, store, stops)
        self.found = Found(bounds, Path(levels, low, bounds.upper[stored], prices), curves, store)
        values = bounds.lower.copy()  # the slacks are fixed
        values[stored] = levels
        for place, family in enumerate(step.families):
            values[program.columns[family]] = flows[:, place]
        return values, least

    def _curves(self, program: Program, step: Step, bounds: Bounds, costs: Floats) -> Curves | None:
        """Trace the curves of all steps, unless the last ones will do."""
        from dispatch.sweep.step_curves import Steps, curves_of  # noqa: PLC0415 - loads the compiler

        def beside(values: Floats, names: tuple[str, ...], where: dict[str, slice]) -> Floats:
            return np.ascontiguousarray(np.stack([values[..., where[name]] for name in names], axis=-1))

        steps = Steps(
            rows=step.rows,
            is_equal=step.is_equal,
            into=step.into,
            right=beside(bounds.row_upper, step.row_names, program.rows),
            lower=beside(bounds.lower, step.families, program.columns),
            upper=beside(bounds.upper, step.families, program.columns),
            costs=beside(costs, step.families, program.columns),
        )
        if self.last is None or not self.last[0].same_as(steps):
            self.last = None
            curves = curves_of(steps)
            if curves is None:
                return None
            self.last = steps, curves
        return self.last[1]


def serves(program: Program, strategy: Strategy) -> bool:
    """Tell whether the sweep is compiled and applies."""
    return IS_COMPILED and applies(program, strategy)


def applies(program: Program, strategy: Strategy) -> bool:
    """Tell whether the sweep can serve: money linear in each step, a battery, and an order that is well posed."""
    plain = not (program.has_tariff_rows or program.has_terms or len(program.warm.integers))
    if not (plain and strategy.uses_battery):
        return False
    algebra = program.algebra
    # where charging tapers, prices of an own stage shrink to nothing from step to step (DEVELOPERS.md)
    return not algebra.taper or (algebra.taper < algebra.keep and not strategy.own_stages(program.case))


def step_of(program: Program) -> Step | None:
    """Read the rows of an inner step from the program's matrix; None if they say more than a step."""
    matrix, columns, rows = program.warm.matrix, program.columns, program.rows
    at = min(1, program.steps - 1)
    families = tuple(name for name in FLOW_FAMILIES if name in columns and name not in LEVEL_FAMILIES)
    place = {columns[name].start + at: k for k, name in enumerate(families)}
    row_names = tuple(
        name for name in SENSES if name not in LEVEL_ROWS and rows[name].start < rows[name].stop
    )

    def entries(row: int) -> dict[int, float]:
        span = slice(matrix.starts[row], matrix.starts[row + 1])
        return dict(zip(matrix.indices[span].tolist(), matrix.values[span].tolist(), strict=True))

    table = np.zeros((len(row_names), len(families)))
    for m, name in enumerate(row_names):
        for column, value in entries(rows[name].start + at).items():
            if column not in place:
                return None
            table[m, place[column]] = value
    into = np.zeros(len(families))
    level = columns["stored"].start + at
    for column, value in entries(rows["storage"].start + at).items():
        if column in place:
            into[place[column]] = -value
        elif column not in {level, level - 1}:
            return None
    is_equal = np.array([SENSES[name] == EQUAL for name in row_names])
    return Step(families, row_names, table, is_equal, into)


def _lowest_levels(program: Program, bounds: Bounds) -> Floats:
    """Return the lowest level at the end of each step that cells, reserve and closing level allow."""
    columns, rows = program.columns, program.rows
    floor = bounds.row_lower[rows["floor"]] - bounds.upper[columns["floor_shortfall"]]
    closing = bounds.row_lower[rows["closing"]] - bounds.upper[columns["closing_shortfall"]]
    low = np.maximum(bounds.lower[columns["stored"]], floor)
    low[-1] = max(low[-1], closing[0])
    return low


def _both(families: tuple[str, ...], flows: Floats) -> bool:
    """Whether some point of a curve charges and discharges."""
    into, out = (
        sum((flows[:, place] for place, name in enumerate(families) if name in names), np.zeros(len(flows)))
        for names in (INTO, OUT)
    )
    return bool(np.any(np.minimum(into, out) > BOTH_KWH))
