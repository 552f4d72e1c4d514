"""Which strategy and reserve to set: the cheapest that the device can be set to and that meets the target.

Every strategy is run as an inverter does at every reserve the device takes, all of them side by side. Those that
serve the whole load and leave the target hours at the wanted share of instants qualify; the cheapest by bill + wear,
less the worth of what more is stored at the end, is set. Where none meets the target, the one that meets it most
often is named, and that it misses. Without a target the reserve of the file is the promise: no lower one is tried.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dispatch.advice.runs import Setting, run_settings, run_strategy
from dispatch.advice.scan import Scan, scan
from dispatch.cards.space import device_space
from dispatch.case.floor import floor_of
from dispatch.errors import FlowsError, Infeasible
from dispatch.flows import TOLERANCE_KWH
from dispatch.outcome import share_wanted, without_system

if TYPE_CHECKING:
    from dispatch.case.case import Case
    from dispatch.outcome import Outcome


NEARLY_FREE = 0.002
"""Of the bill without the system: a difference nobody would notice."""

MUCH_HOURS = 2.0


@dataclass(frozen=True)
class Reason:
    """One fact behind the choice.

    Attributes
    ----------
    kind : str
        ``cheapest``, ``closest``, ``cannot serve``, ``next``, ``too few hours``, ``file's reserve``.
    strategy : str
    outcome : Outcome or None
        The run the fact is about.
    more : float or None
        Money by which it is dearer than what is set. [currency]
    """

    kind: str
    strategy: str
    outcome: Outcome | None = None
    more: float | None = None


@dataclass(frozen=True)
class Recommendation:
    """What to set, and what it rests on.

    Attributes
    ----------
    case : Case
        As loaded.
    no_system : Outcome
        The household without the system.
    outcomes : dict of str to Outcome
        Each strategy that can be set, at its own best reserve.
    strategy : str
        The one to set.
    reasons : tuple of Reason
    scan : Scan
        Every strategy at every reserve the device takes.
    """

    case: Case
    no_system: Outcome
    outcomes: dict[str, Outcome]
    strategy: str
    reasons: tuple[Reason, ...]
    scan: Scan

    @property
    def chosen(self) -> Outcome:
        """The run to set."""
        return self.outcomes[self.strategy]

    @property
    def reserve_percent(self) -> float:
        """The reserve to set, percent of nominal."""
        percent = self.chosen.reserve_percent
        assert percent is not None  # noqa: S101 - every strategy is run with a reserve entered
        return percent

    @property
    def answers(self) -> bool:
        """Whether what is set serves the whole load."""
        return self.chosen.serves

    @property
    def meets_target(self) -> bool:
        """Whether what is set serves the load and leaves the target hours as often as wanted."""
        return self.chosen.serves and self.chosen.meets_target

    def run(self, at: int) -> Outcome:
        """Run one setting of the scan, every flow recorded and checked."""
        strategy, percent = self.scan.strategies[at], float(self.scan.percents[at])
        if self.outcomes[strategy].reserve_percent == percent:
            return self.outcomes[strategy]
        start_kwh = float(self.scan.start_kwh[at])
        return run_strategy(self.case, strategy, percent, self.no_system.bill_and_wear, start_kwh)

    @property
    def case_to_run(self) -> Case:
        """The case with the reserve and the level that what is set begins and ends with."""
        return self.chosen.case

    @property
    def nearly_free(self) -> Outcome | None:
        """A strategy that keeps much more at the worst moment for next to no more money; None where there is none."""
        chosen = self.chosen
        near = [
            run
            for run in self.ranked
            if run.compared_cost - chosen.compared_cost
            <= NEARLY_FREE * max(self.no_system.bill_and_wear, 0.0)
            and (run.least_hours or 0.0) >= (chosen.least_hours or 0.0) + MUCH_HOURS
        ]
        return max(near, key=lambda run: run.least_hours or 0.0, default=None)

    @property
    def ranked(self) -> tuple[Outcome, ...]:
        """The strategies that serve and meet the target, cheapest first."""
        kept = [run for run in self.outcomes.values() if run.serves and run.meets_target]
        return tuple(sorted(kept, key=lambda run: run.compared_cost))


@dataclass(frozen=True)
class MoreHours:
    """More hours at the worst moment, and what they cost as the device can be set.

    Attributes
    ----------
    extra_hours, hours : float
        Hours more than now, and the least then asked for at every instant. [h]
    outcome : Outcome or None
        The cheapest run that keeps them; None where no setting does.
    cost : float or None
        What it costs more over the data. [currency]
    """

    extra_hours: float
    hours: float
    outcome: Outcome | None
    cost: float | None


def recommend(case: Case) -> Recommendation:
    """Choose what to set.

    Parameters
    ----------
    case : Case
        From ``load_scenario``.

    Returns
    -------
    Recommendation
        Always names a setting; ``answers`` and ``meets_target`` say what it is worth.

    Raises
    ------
    Infeasible
        No setting can be run: self-discharge empties the battery and nothing charges it.
    ReconciliationError
        A run's bill and its flows priced by the program's terms disagree.
    """
    no_system, found = without_system(case), scan(case)
    try:
        outcomes = _best_of_each(case, found, no_system.bill_and_wear)
        trusted = _as_scanned(found, outcomes)
    except FlowsError:
        trusted = False
    if not trusted:  # what was kept is not what the inverter does: run everything anew
        found = scan(case, anew=True)
        outcomes = _best_of_each(case, found, no_system.bill_and_wear)
    if not outcomes:
        raise Infeasible(
            f"{case.path}: no setting keeps the battery at or above its depth of discharge "
            f"({case.limits.empty_kwh:g} kWh): self-discharge ({case.limits.self_discharge_per_hour:g} per hour) "
            "drains it and nothing charges it; raise charging.grid_w or lower battery.self_discharge_per_hour_fraction"
        )
    chosen = best_of_all(outcomes)
    reasons = tuple(reasons_for(outcomes, chosen)) + tuple(
        _file_reserve(case, chosen) if chosen.serves else ()
    )
    return Recommendation(case, no_system, outcomes, chosen.name, reasons, found)


def _best_of_each(case: Case, found: Scan, reference: float) -> dict[str, Outcome]:
    """Run each strategy at its best reserve, every flow recorded and checked; without those that cannot be run."""
    best = best_of_each(found, device_space(case).reserves[0]).values()
    settings = [
        Setting(found.strategies[at], float(found.percents[at]), float(found.start_kwh[at])) for at in best
    ]
    runs = run_settings(case, settings, reference)
    holds = bool(found.lowest_kwh.min() >= case.limits.empty_kwh - TOLERANCE_KWH)
    for run in runs:
        if isinstance(run, FlowsError) and holds:
            raise run
    return {run.name: run for run in runs if not isinstance(run, FlowsError)}


def _as_scanned(found: Scan, outcomes: dict[str, Outcome]) -> bool:
    """Whether the runs cost what the scan said."""
    said = dict(
        zip(zip(found.strategies, found.percents.tolist(), strict=True), found.cost.tolist(), strict=True)
    )
    return all(
        math.isclose(said[name, run.reserve_percent], run.compared_cost, rel_tol=1e-6, abs_tol=1e-6)
        for name, run in outcomes.items()
    )


def best_of_each(found: Scan, lowest_reserve_percent: float) -> dict[str, int]:
    """Return the column of each strategy's own best reserve.

    Parameters
    ----------
    found : Scan
    lowest_reserve_percent : float
        The promise of the file, which binds where no target in hours is stated.
    """
    case = found.case
    lowest = 0.0 if case.scenario.backup.target_hours is not None else lowest_reserve_percent
    chosen = {}
    for name in found.names:
        at = found.best(name, share_wanted(case), lowest)
        chosen[name] = found.closest(name) if at is None else at
    return chosen


def best_of_all(outcomes: dict[str, Outcome]) -> Outcome:
    """Return the run to set, of each strategy's best."""
    return min(outcomes.values(), key=_rank)


def _rank(run: Outcome) -> tuple[bool, bool, float, float, float]:
    """Serve first, then the target, then money; where the target is missed, how often and the fewest hours before."""
    missed = 0.0 if run.meets_target else -round(run.target_share, 9)
    fewest = 0.0 if run.meets_target else -round(run.least_hours or 0.0, 6)
    return (not run.serves, not run.meets_target, missed, fewest, round(run.compared_cost, 6))


def reasons_for(outcomes: dict[str, Outcome], chosen: Outcome) -> list[Reason]:
    """Tell why one run is set and the others are not, the chosen first and then by rank."""
    if not chosen.serves:
        return [Reason("cannot serve", run.name, run) for run in outcomes.values()]
    found = [Reason("cheapest" if chosen.meets_target else "closest", chosen.name, chosen)]
    for run in sorted(outcomes.values(), key=_rank):
        more = run.compared_cost - chosen.compared_cost
        if run is chosen:
            continue
        if not run.serves:
            found.append(Reason("cannot serve", run.name, run, more))
        elif run.meets_target and chosen.meets_target:
            found.append(Reason("next", run.name, run, more))
        else:
            found.append(Reason("too few hours", run.name, run, more))
    return found


def _file_reserve(case: Case, chosen: Outcome) -> list[Reason]:
    """Tell what the file's own reserve would cost more, where it is higher than what is set."""
    reserve, percent = case.scenario.reserve, chosen.reserve_percent
    if reserve is None or percent is None or {reserve.percent, reserve.kwh, reserve.hours} == {None}:
        return []
    floor = floor_of(reserve.model_copy(update={"raised": ()}), case.ground, case.path).level_kwh
    stated = float(floor.max()) / case.limits.full_kwh * 100.0
    level = next((level for level in device_space(case).levels if level >= stated - 1e-9), None)
    if level is None or level <= percent + 1e-9:
        return []
    run = run_strategy(case, chosen.name, level, chosen.reference)
    return [Reason("file's reserve", chosen.name, run, run.compared_cost - chosen.compared_cost)]


def more_hours(advice: Recommendation, chosen: Outcome, extra_hours: float) -> MoreHours:
    """Price more hours at the worst moment, as the device can be set: any strategy, any reserve.

    Parameters
    ----------
    advice : Recommendation
    chosen : Outcome
        What the hours are more than; usually ``advice.chosen``.
    extra_hours : float
        Hours on top of its least. [h]
    """
    case = advice.case
    least = chosen.backup.minimum if chosen.backup else 0.0
    hours = least + extra_hours
    if hours > case.limits.backup_horizon_hours or hours > len(case.times) * case.dt_hours:
        return MoreHours(extra_hours, hours, None, None)
    at = advice.scan.cheapest_with(hours)
    if at is None:
        return MoreHours(extra_hours, hours, None, None)
    run = advice.run(at)
    return MoreHours(extra_hours, hours, run, run.compared_cost - chosen.compared_cost)
