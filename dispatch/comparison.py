"""The strategies side by side, and which one to set for a stated backup target."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

import tariffs
from dispatch.backup import BackupSummary, backup_summary
from dispatch.errors import ReconciliationError
from dispatch.program import Program
from dispatch.strategies import CHOICES, NAMES, STRATEGIES, Solved, grid_only, prepare, solve

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from dispatch.case import Case
    from dispatch.flows import Flows

    Progress = Callable[[int, int, str], None]

BROKEN_KWH = 1e-6  # a slack above this is a broken promise
RECONCILE_RELATIVE = 1e-6
PEAK_DAYS = 10
WORKERS = 2  # solvers side by side; HiGHS runs outside the interpreter's lock


@dataclass(frozen=True)
class Shortfall:
    """A promise a strategy could not keep.

    Attributes
    ----------
    kind : str
        ``unserved_load``, ``import_excess``, ``floor_shortfall`` or ``closing_shortfall``.
    kwh, hours : float
        Σ over the steps for the first two; for the levels the deepest shortfall. Hours it lasted (0 for closing).
    first, last, worst : Timestamp
        Start of the first, last and worst step.
    worst_kwh : float
        The worst step's shortfall.
    """

    kind: str
    kwh: float
    hours: float
    first: pd.Timestamp
    last: pd.Timestamp
    worst: pd.Timestamp
    worst_kwh: float


@dataclass(frozen=True)
class StrategyResult:
    """One strategy in money, energy and hours. Energies in kWh over the case; a figure it lacks is None."""

    name: str
    status: str
    flows: Flows
    bill: tariffs.Bill
    saving: float
    wear: float
    seconds: float
    import_kwh: float
    export_kwh: float
    sun_used_kwh: float | None
    spilled_kwh: float | None
    cycles: float | None
    idle_kwh: float
    idle_cost: float | None
    import_kwh_by_band: dict[str, float]
    floor_broken_hours: float | None
    unserved_kwh: float
    import_excess_kwh: float
    closing_shortfall_kwh: float | None
    stored_change_kwh: float | None
    stored_change_value: float | None
    backup: BackupSummary | None
    shortfalls: tuple[Shortfall, ...]
    stage_values: dict[str, float]
    residual_kwh: float
    reconciliation: float

    @property
    def total(self) -> float:
        """The rounded bill as a number, for arithmetic."""
        return float(self.bill.total)

    @property
    def burden(self) -> float:
        """Bill + wear: what strategies are ranked by."""
        return float(self.bill.total_unrounded) + self.wear


@dataclass(frozen=True)
class PeakDayStrategy:
    """One strategy on one peak day: energy cost, lowest level [kWh] with the end of its step, hours left then."""

    cost: float
    lowest_kwh: float | None
    lowest_at: pd.Timestamp | None
    backup_hours: float | None


@dataclass(frozen=True)
class PeakDay:
    """One of the local days on which the household without the system pays most for energy."""

    date: dt.date
    grid_only_cost: float
    by_strategy: dict[str, PeakDayStrategy]


@dataclass(frozen=True)
class Recommendation:
    """Which of the three strategies to set, why, and by how much (bill + wear) over the next that qualifies."""

    strategy: str | None
    reason: str
    margin: float | None
    runner_up: str | None


@dataclass(frozen=True)
class Comparison:
    """Everything ``dispatch compare`` shows."""

    case: Case
    strategies: tuple[StrategyResult, ...]
    peak_days: tuple[PeakDay, ...]
    recommendation: Recommendation

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
    tell = progress or (lambda _done, _total, _label: None)
    total = len(names) + 2
    tell(0, total, "stating the program")
    reference = _bill(case, grid_only(case))
    program = Program(case)
    tell(1, total, "first solve")
    prepare(program)
    results: dict[str, StrategyResult] = {}
    with ThreadPoolExecutor(WORKERS) as pool:
        waiting = {pool.submit(_in_thread, program, name, float(reference.total)) for name in names}
        for done, future in enumerate(as_completed(waiting), start=2):
            result = future.result()
            results[result.name] = result
            tell(done, total, result.name)
    ordered = tuple(results[name] for name in NAMES if name in results)
    tell(total, total, "done")
    return Comparison(
        case=case,
        strategies=ordered,
        peak_days=_peak_days(case, ordered),
        recommendation=recommend(case, ordered),
    )


_THREAD = threading.local()


def _in_thread(program: Program, name: str, reference_total: float) -> StrategyResult:
    """Work out one strategy on this thread's own solver."""
    if getattr(_THREAD, "origin", None) is not program:
        _THREAD.origin, _THREAD.twin = program, program.twin()
    return _result(program.case, name, _THREAD.twin, reference_total)


def _bill(case: Case, flows: Flows) -> tariffs.Bill:
    return tariffs.bill(case.tariff, case.times, case.dt_hours, flows["import"], flows["export"])


def _result(case: Case, name: str, program: Program, reference_total: float) -> StrategyResult:
    started = time.perf_counter()
    solved: Solved | None = None if name == "grid-only" else solve(program, STRATEGIES[name])
    flows = grid_only(case) if solved is None else solved.flows
    bill = _bill(case, flows)
    money = _grid_only_money(case, flows) if solved is None else solved.stage_values["cost"] - flows.wear
    difference = reconcile(case, name, money, bill)
    uses_battery, limits = flows.uses_battery, case.limits
    change = float(flows["stored"][-1] - limits.start_kwh) if uses_battery else None
    prices = case.prices
    return StrategyResult(
        name=name,
        status="cannot serve" if flows["unserved_load"].sum() > BROKEN_KWH else "optimal",
        flows=flows,
        bill=bill,
        saving=reference_total - float(bill.total),
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
        idle_cost=float(flows.idle_kwh @ prices.import_price_per_kwh) if flows.has_system else None,
        import_kwh_by_band={
            band: float(flows["import"][prices.band == index].sum())
            for index, band in enumerate(prices.band_names)
        },
        floor_broken_hours=_hours_above(case, flows["floor_shortfall"]) if uses_battery else None,
        unserved_kwh=float(flows["unserved_load"].sum()),
        import_excess_kwh=float(flows["import_excess"].sum()),
        closing_shortfall_kwh=flows.closing_shortfall_kwh if uses_battery else None,
        stored_change_kwh=change,
        stored_change_value=None if change is None else change * float(prices.import_price_per_kwh.min()),
        backup=backup_summary(case, flows["stored"]) if uses_battery else None,
        shortfalls=_shortfalls(case, flows),
        stage_values={} if solved is None else solved.stage_values,
        residual_kwh=0.0 if solved is None else solved.residual,
        reconciliation=difference,
    )


def _grid_only_money(case: Case, flows: Flows) -> float:
    return float(flows["import"] @ case.prices.import_price_per_kwh)


def reconcile(case: Case, name: str, program_money: float, bill: tariffs.Bill) -> float:
    """Compare the program's money with the unrounded bill; return their relative difference.

    Parameters
    ----------
    program_money : float
        Energy money of the program's own objective, without wear and fixed charges.
    bill : Bill
        Priced by ``tariffs.billing`` from the flows alone.

    Raises
    ------
    ReconciliationError
        If they differ by more than 1e-6 of the larger.
    """
    expected = program_money + case.prices.fixed_total
    actual = float(bill.total_unrounded)
    difference = abs(expected - actual)
    # A bill near zero is the small difference of large lines; its own lines give the scale then.
    scale = max(abs(expected), abs(actual), abs(program_money), abs(case.prices.fixed_total))
    if difference > RECONCILE_RELATIVE * scale + 1e-9:
        raise ReconciliationError(
            f"{case.path}: {name}: the program's money {expected:.8g} and the bill {actual:.8g} {case.currency} "
            "disagree; nothing is shown. Please report this scenario and tariff"
        )
    return difference / scale if scale else 0.0


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
    prices = case.prices
    day_start = case.times.normalize()
    days, day_of = np.unique(day_start.asi8, return_inverse=True)

    def per_day(flows: Flows) -> NDArray[np.float64]:
        money = flows["import"] * prices.import_price_per_kwh - flows["export"] * prices.export_price_per_kwh
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


def recommend(case: Case, results: Sequence[StrategyResult]) -> Recommendation:
    """Choose the cheapest of the three settable strategies (bill + wear) that meets the backup target.

    Parameters
    ----------
    results : sequence of StrategyResult
        Those among ``CHOICES`` are considered; a strategy that cannot serve the load never qualifies.
    """
    choices = [result for result in results if result.name in CHOICES]
    serving = [result for result in choices if result.status == "optimal"]
    if not serving:
        return Recommendation(
            None, "none of the strategies can serve the whole load; see what had to give", None, None
        )
    meeting = [result for result in serving if share_meeting(case, result) >= _share_wanted(case) - 1e-12]
    if not meeting:
        return Recommendation(None, _why_none(case, serving), None, None)
    ranked = sorted(meeting, key=lambda result: result.burden)
    best = ranked[0]
    runner_up = ranked[1] if len(ranked) > 1 else None
    return Recommendation(
        strategy=best.name,
        reason=_why_best(case, best, runner_up, choices),
        margin=None if runner_up is None else runner_up.burden - best.burden,
        runner_up=None if runner_up is None else runner_up.name,
    )


def share_meeting(case: Case, result: StrategyResult) -> float:
    """Share of instants at which the strategy leaves at least the target hours (1 without a target)."""
    target = case.scenario.backup.target_hours
    if target is None or result.backup is None:
        return 1.0
    return float(np.mean(result.backup.hours >= target - 1e-6))


def _share_wanted(case: Case) -> float:
    backup = case.scenario.backup
    return 0.0 if backup.target_hours is None else backup.share_of_instants_fraction


def _promise(case: Case) -> str:
    target, share = case.scenario.backup.target_hours, _share_wanted(case)
    if share >= 1:
        return f"never leaves less than {target:g} hours of backup"
    return f"leaves at least {target:g} hours of backup at {100 * share:g} % of instants"


def _why_best(
    case: Case, best: StrategyResult, runner_up: StrategyResult | None, choices: Sequence[StrategyResult]
) -> str:
    money = f"bill {best.total:,.2f} {case.currency}" + (f" + wear {best.wear:,.2f}" if best.wear else "")
    if case.scenario.backup.target_hours is None:
        text = f"{best.name} is the cheapest strategy ({money}); no backup target is stated"
    else:
        least = best.backup.minimum if best.backup else 0.0
        text = f"{best.name} is the cheapest strategy that {_promise(case)} ({money}; its least is {least:.1f} h)"
    if runner_up is not None:
        text += f"; next is {runner_up.name}, dearer by {runner_up.burden - best.burden:,.2f}"
    out = [_why_out(case, r) for r in choices if r.burden < best.burden - 5e-3 and r is not best]
    return text + "".join(f"; {reason}" for reason in out)


def _why_out(case: Case, result: StrategyResult) -> str:
    if result.status != "optimal":
        return f"{result.name} would be cheaper but cannot serve {result.unserved_kwh:,.1f} kWh of the load"
    least = result.backup.minimum if result.backup else 0.0
    worst = f", at {result.backup.worst_at:%Y-%m-%d %H:%M}" if result.backup else ""
    share = share_meeting(case, result)
    return (
        f"{result.name} would be cheaper but leaves as little as {least:.1f} h{worst} "
        f"(target met {100 * share:.1f} % of the time)"
    )


def _why_none(case: Case, serving: Sequence[StrategyResult]) -> str:
    safest = max(serving, key=lambda r: (share_meeting(case, r), r.backup.minimum if r.backup else 0.0))
    least = safest.backup.minimum if safest.backup else 0.0
    worst = f" at {safest.backup.worst_at:%Y-%m-%d %H:%M}" if safest.backup else ""
    target, share = case.scenario.backup.target_hours, _share_wanted(case)
    always = "at every instant" if share >= 1 else f"at {100 * share:g} % of instants"
    return (
        f"no strategy keeps {target:g} hours of backup {always}; {safest.name} comes closest with {least:.1f} h{worst}, and meets the target "
        f"{100 * share_meeting(case, safest):.1f} % of the time: raise the reserve, add packs, or lower the target"
    )
