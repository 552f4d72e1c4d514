"""The strategies side by side, and which one to set for a stated backup target."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor, as_completed, wait
from dataclasses import dataclass, field
from queue import SimpleQueue
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

import tariffs
from dispatch.arrays import quiet
from dispatch.backup.hours import backup_summary
from dispatch.case.stored_value import lowest_price_per_kwh
from dispatch.comparison.recommendation import Recommendation, recommend
from dispatch.comparison.reserve_advice import with_reserve
from dispatch.outcome import (
    Earned,
    PeakDay,
    PeakDayStrategy,
    Shortfall,
    StrategyResult,
    bill_of,
    reconcile,
    strategies_as_set,
)
from dispatch.program.program import Program
from dispatch.strategies.kept import is_kept
from dispatch.strategies.solve import grid_only, prepare, solve
from dispatch.strategies.table import NAMES, STRATEGIES
from tariffs.terms.shared_out import step_costs, unit_prices

if TYPE_CHECKING:
    from collections.abc import Sequence
    from concurrent.futures import Future

    from numpy.typing import NDArray

    from dispatch.arrays import Progress
    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.strategies.solved import Solved


BROKEN_KWH = 1e-6  # a slack above this is a broken promise


PEAK_DAYS = 10


WORKERS = 2  # solvers side by side; HiGHS runs outside the interpreter's lock


@dataclass(frozen=True)
class Comparison:
    """Everything ``dispatch compare`` shows.

    ``as_set`` holds the strategies a household can set as an inverter runs them, seeing only the present; what
    ``strategies`` holds was planned knowing the whole period. The recommendation rests on the former.
    """

    case: Case
    strategies: tuple[StrategyResult, ...]
    peak_days: tuple[PeakDay, ...]
    recommendation: Recommendation
    as_set: dict[str, Earned] = field(default_factory=dict)

    def foresight(self, name: str) -> float:
        """Return what knowing the period in advance was worth to a strategy: bill + wear, as set less planned."""
        planned = self[name]
        return self.as_set[name].burden - (planned.burden - (planned.stored_change_value or 0.0))

    def __getitem__(self, name: str) -> StrategyResult:
        """Return the result of the strategy of that name; KeyError if there is none."""
        for result in self.strategies:
            if result.name == name:
                return result
        raise KeyError(name)


def compare(case: Case, progress: Progress | None = None, names: Sequence[str] = NAMES) -> Comparison:
    """Solve and compare the strategies on one case.

    Parameters
    ----------
    case : Case
        From ``load_scenario``.
    progress : callable, optional
        Called with (done, total, label) as the work goes on.
    names : sequence of str
        The order in which to solve; the result does not depend on it and is always in the order of ``NAMES``.

    Returns
    -------
    Comparison

    Raises
    ------
    Infeasible, SolveError
        No certified optimum.
    ReconciliationError
        The program's money and the bill differ by more than 1e-6 relative.
    """
    tell = progress or quiet
    total = len(names) + 2
    tell(0, total, "stating the program")
    reference = bill_of(grid_only(case))
    program = Program(case)
    tell(1, total, "first solve")
    results: dict[str, StrategyResult] = {}
    with ThreadPoolExecutor(WORKERS) as pool:
        futures = _submit(pool, program, names, reference)
        as_set = strategies_as_set(case, float(reference.total))  # while the solvers, outside the lock, solve
        for done, future in enumerate(as_completed(futures), start=2):
            result = future.result()
            results[result.name] = result
            tell(done, total, result.name)
    ordered = tuple(results[name] for name in NAMES if name in results)
    tell(total, total, "done")
    return Comparison(
        case=case,
        strategies=ordered,
        peak_days=_peak_days(case, ordered),
        recommendation=with_reserve(case, recommend(case, ordered, as_set), as_set, float(reference.total)),
        as_set=as_set,
    )


def _submit(
    pool: ThreadPoolExecutor, program: Program, names: Sequence[str], reference: tariffs.Bill
) -> list[Future[StrategyResult]]:
    """Set two solvers to work; what need not start from the reference basis runs while that is found."""
    twin = program.twin()
    cold = [name for name in names if name in STRATEGIES and not STRATEGIES[name].near_reference]
    waiting = [pool.submit(_result, program.case, name, twin, reference) for name in cold]
    if not all(is_kept(program, name) for name in names if name in STRATEGIES):
        prepare(program)
    wait(waiting)
    twin.warm.adopt_reference(program.warm)
    idle: SimpleQueue[Program] = SimpleQueue()
    idle.put(program)
    idle.put(twin)

    def work(name: str) -> StrategyResult:
        solver = idle.get()
        try:
            return _result(program.case, name, solver, reference)
        finally:
            idle.put(solver)

    return [*waiting, *(pool.submit(work, name) for name in names if name not in cold)]


def _result(case: Case, name: str, program: Program, reference: tariffs.Bill) -> StrategyResult:
    started = time.perf_counter()
    solved: Solved | None = None if name == "grid-only" else solve(program, STRATEGIES[name])
    flows = grid_only(case) if solved is None else solved.flows
    bill = bill_of(flows)
    money = solved.money if solved else _terms_money(case, flows)
    difference = reconcile(case, name, money, bill)
    uses_battery, limits = flows.uses_battery, case.limits
    change = float(flows["stored"][-1] - limits.start_kwh) if uses_battery else None
    prices = case.prices
    return StrategyResult(
        name=name,
        status="cannot serve" if flows["unserved_load"].sum() > BROKEN_KWH else "optimal",
        flows=flows,
        bill=bill,
        saving=float(reference.total - bill.total),
        wear=flows.wear,
        seconds=time.perf_counter() - started,
        import_kwh=float(flows["import"].sum()),
        export_kwh=float(flows["export"].sum()),
        sun_used_kwh=float(flows["sun_to_load"].sum() + flows["sun_to_battery"].sum())
        if flows.has_system
        else None,
        spilled_kwh=float(flows["spill"].sum()) if flows.has_system else None,
        cycles=float(flows.cells_out_kwh.sum() / (limits.full_kwh - limits.empty_kwh))
        if uses_battery
        else None,
        idle_kwh=float(flows.idle_kwh.sum()),
        idle_cost=_idle_cost(case, flows) if flows.has_system else None,
        import_kwh_by_band={
            band: float(flows["import"][prices.band == index].sum())
            for index, band in enumerate(prices.band_names)
        },
        floor_broken_hours=_hours_above(case, flows["floor_shortfall"]) if uses_battery else None,
        unserved_kwh=float(flows["unserved_load"].sum()),
        import_excess_kwh=float(flows["import_excess"].sum()),
        closing_shortfall_kwh=flows.closing_shortfall_kwh if uses_battery else None,
        stored_change_kwh=change,
        stored_change_value=None if change is None else change * lowest_price_per_kwh(case),
        backup=backup_summary(case, flows["stored"]) if uses_battery else None,
        shortfalls=_shortfalls(case, flows),
        stage_values={} if solved is None else solved.stage_values,
        residual_kwh=0.0 if solved is None else solved.residual,
        reconciliation=difference,
        gap=None if solved is None else solved.gap,
    )


def _idle_cost(case: Case, flows: Flows) -> float:
    """Price the system's own draw at what bought energy cost in its steps, blocks and netting shared out."""
    return float(flows.idle_kwh @ unit_prices(case.prices, flows["import"], flows["export"]).import_per_kwh)


def _terms_money(case: Case, flows: Flows) -> float:
    """Price flows that no program decided by the terms a program would be given."""
    return tariffs.evaluate(case.prices, flows["import"], flows["export"]) - case.prices.fixed_total


def _hours_above(case: Case, slack_kwh: NDArray[np.float64]) -> float:
    return float(np.sum(slack_kwh > BROKEN_KWH) * case.dt_hours)


def _shortfalls(case: Case, flows: Flows) -> tuple[Shortfall, ...]:
    found = []
    for kind in ("unserved_load", "import_excess", "floor_shortfall"):
        slack = flows[kind]
        broken = np.flatnonzero(slack > BROKEN_KWH)
        if len(broken):
            worst = int(np.argmax(slack))
            kwh = float(slack[worst] if kind == "floor_shortfall" else slack.sum())
            found.append(
                Shortfall(
                    kind=kind,
                    kwh=kwh,
                    hours=_hours_above(case, slack),
                    first=case.times[broken[0]],
                    last=case.times[broken[-1]],
                    worst=case.times[worst],
                    worst_kwh=float(slack[worst]),
                )
            )
    if flows.closing_shortfall_kwh > BROKEN_KWH:
        end, kwh = case.times[-1], flows.closing_shortfall_kwh
        found.append(Shortfall("closing_shortfall", kwh, 0.0, end, end, end, kwh))
    return tuple(found)


def _peak_days(case: Case, results: Sequence[StrategyResult]) -> tuple[PeakDay, ...]:
    day_start = case.times.normalize()
    days, day_of = np.unique(day_start.asi8, return_inverse=True)

    def per_day(flows: Flows) -> NDArray[np.float64]:
        money = step_costs(case.prices, flows["import"], flows["export"])
        return np.bincount(day_of, weights=money, minlength=len(days)).astype(np.float64)

    reference = per_day(grid_only(case))
    costs = {result.name: per_day(result.flows) for result in results}
    dearest = np.argsort(-reference, kind="stable")[:PEAK_DAYS]
    return tuple(
        PeakDay(
            date=day_start[int(np.argmax(day_of == day))].date(),
            grid_only_cost=float(reference[day]),
            by_strategy={
                result.name: _on_peak_day(
                    case, result, np.flatnonzero(day_of == day), float(costs[result.name][day])
                )
                for result in results
            },
        )
        for day in dearest.tolist()
    )


def _on_peak_day(case: Case, result: StrategyResult, steps: NDArray[np.intp], cost: float) -> PeakDayStrategy:
    if result.backup is None:
        return PeakDayStrategy(cost, None, None, None)
    stored = result.flows["stored"][steps]
    lowest = int(steps[np.argmin(np.round(stored, 9))])
    return PeakDayStrategy(
        cost=cost,
        lowest_kwh=float(result.flows["stored"][lowest]),
        lowest_at=case.times[lowest] + pd.Timedelta(hours=case.dt_hours),
        backup_hours=float(result.backup.hours[lowest]),
    )
