"""A year of it: every evening the coming day's levels anew, from what is known by then."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.ahead.calendar import History, Paths
from dispatch.ahead.marginal import Meter, Prices
from dispatch.ahead.response import grid_of, response
from dispatch.ahead.sweep import Outlook, Policy, Sweep, below_promise
from dispatch.case.stored_value import lowest_price_per_kwh
from dispatch.rules.replay import Recorder, flows_of
from dispatch.rules.score import case_conditions, target_level_kwh
from dispatch.rules.walk import simulate

if TYPE_CHECKING:
    from dispatch.ahead.response import Grid
    from dispatch.arrays import Flags, Floats
    from dispatch.case.case import Case
    from dispatch.flows import Flows


PLAN_HOURS = 36.0
EVENING_HOUR = 20  # when the coming day is planned
PER_ENTRY = 4  # grid points to one step of the levels a device takes
MISS_GAIN = 0.03  # how fast the promise's price follows what was kept
MISS_MARGIN = 0.05  # of the time the target may be missed, kept back


def entries_of(case: Case, grid: Grid) -> Flags:
    """Tell which levels of the grid can be asked for: between empty and the ceiling."""
    limits = case.limits
    return np.asarray(
        (grid.levels >= limits.empty_kwh - 1e-9) & (grid.levels <= limits.ceiling_kwh + grid.step_kwh - 1e-9)
    )


def sells_of(case: Case) -> bool:
    """Whether the battery may sell to the grid."""
    return case.limits.feed_in == "grid" and case.limits.battery_feed_in


def _floor_is_measured(case: Case) -> bool:
    """Tell whether the reserve asks for hours of a load or a sun that only readings tell."""
    reserve, critical = case.scenario.reserve, case.scenario.critical_load
    if reserve is None:
        return False
    hours = [reserve.hours, *(rule.hours for rule in reserve.raised)]
    shares = [reserve.sun_share_fraction, *(rule.sun_share_fraction for rule in reserve.raised)]
    stated = critical is not None and critical.csv is None
    return any(value is not None for value in hours) and (not stated or any(shares))


@dataclass
class Memory:
    """What one evening hands to the next.

    Attributes
    ----------
    value : array, shape (g,), or None
        Money still to come by level, a day after the last plan began.
    miss_price : float
        Weight of missing a target that need not always hold: it falls while the promise is kept and rises otherwise.
    """

    value: Floats | None
    miss_price: float


class Planner:
    """Plans the coming steps of one home from its past.

    Parameters
    ----------
    case : Case
        Its series are history as far as they lie before a plan's first step.
    hours : float
        How far a plan looks.
    """

    def __init__(self, case: Case, hours: float = PLAN_HOURS) -> None:
        self.case = case
        self.grid = grid_of(case, PER_ENTRY)
        self.sun_first = case.scenario.settings.sun_first
        self.sells = sells_of(case)
        waits = self.sun_first != "load"
        self.response = response(case, self.grid, sells=self.sells, waits=waits)
        self.sun_waits = self.response.waits is not None
        entries = entries_of(case, self.grid)
        self.sweep = Sweep(
            case.limits, self.grid, self.response, entries, sells=self.sells, sun_first=self.sun_first
        )
        self.history = History(case)
        self.steps = max(2, round(hours / case.dt_hours))
        self.per_day = max(1, round(24 / case.dt_hours))
        self.prices = Prices(case)
        self.target = target_level_kwh(case)
        self.share = case.scenario.backup.share_of_instants_fraction
        self.lowest = lowest_price_per_kwh(case)
        self.floor_is_measured = _floor_is_measured(case)

    def memory(self) -> Memory:
        """Before any evening: a kWh is worth what the cheapest one costs, and a target is kept whatever it costs."""
        dearest = max(float(np.abs(self.case.prices.import_price_per_kwh).max()), 1e-3)
        return Memory(None, 5.0 * dearest)

    def outlook(self, first: int, steps: int, paths: Paths, meter: Meter, miss_price: float) -> Outlook:
        """Put together what is known at the start of step ``first`` of the ``steps`` to come."""
        case = self.case
        ahead = slice(first, first + steps)
        promised = np.maximum(case.floor_kwh[ahead], case.limits.empty_kwh)
        if self.floor_is_measured:  # then the floor of the coming hours is not known: the most any path had
            promised = np.maximum(case.floor_kwh[paths.steps].max(axis=0), case.limits.empty_kwh)
        needed = None
        if self.target is not None:
            needed = np.minimum(self.target[paths.steps], case.limits.ceiling_kwh)
            if self.share >= 1.0:  # no path may need more
                promised, needed = np.maximum(promised, needed.max(axis=0)), None
        return Outlook(
            money=self.prices.ahead(first, steps, meter, paths),
            promised_kwh=promised,
            needed_kwh=needed,
            miss_price=miss_price,
            steps=paths.steps,
            weights=paths.weights,
        )

    def end_value(self, first: int, steps: int, memory: Memory) -> Floats:
        """Money still to come after the plan's last step: from the plan before, or that of the closing level."""
        limits, levels = self.case.limits, self.grid.levels
        if first + steps >= len(self.case.times):
            dearest = max(float(self.case.prices.import_price_per_kwh.max()), 1e-3)
            return -self.lowest * levels + below_promise(self.grid, limits.closing_kwh, dearest)
        if memory.value is None:
            return -self.lowest / limits.eta_charger * levels
        return memory.value

    def plan(self, first: int, level_kwh: float, meter: Meter, memory: Memory, enter: int) -> Policy:
        """Plan from the start of step ``first``; ``memory`` takes what the next evening needs."""
        steps = min(self.steps, len(self.case.times) - first)
        paths = self.history.paths(first, steps)
        outlook = self.outlook(first, steps, paths, meter, memory.miss_price)
        policy = self.sweep.run(outlook, self.end_value(first, steps, memory), level_kwh, min(enter, steps))
        memory.value = policy.value[min(self.per_day, steps)]
        return policy

    def learn(self, first: int, stored_kwh: Floats, memory: Memory) -> None:
        """Move the promise's price by how often the target was kept in the steps from ``first`` on."""
        if self.target is None or self.share >= 1.0:
            return
        missed = float(np.sum(stored_kwh < self.target[first : first + len(stored_kwh)] - 1e-6))
        allowed = (1.0 - self.share) * (1.0 - MISS_MARGIN) * len(stored_kwh)
        hourly = self.case.dt_hours
        low, high = 1e-4 * self.memory().miss_price, 10 * self.memory().miss_price
        moved = memory.miss_price * math.exp(MISS_GAIN * hourly * (missed - allowed))
        memory.miss_price = min(max(moved, low), high)


def evenings(case: Case, history: History) -> list[int]:
    """List the steps in which a plan is made: the first, and each that begins at, or first after, the evening hour."""
    minute = history.calendar.minutes[history.calendar.slot]
    since = (minute - EVENING_HOUR * 60) % 1440
    begins = np.flatnonzero(np.diff(since) < 0) + 1
    return sorted({0, *begins.tolist()}) if case.dt_hours < 24 else list(range(len(case.times)))


def rolling(case: Case, hours: float = PLAN_HOURS) -> Flows:
    """Run the whole period, planned anew every evening.

    Parameters
    ----------
    case : Case
    hours : float
        How far each plan looks.

    Returns
    -------
    Flows
        Named "re-planned": run by the rules on the actual load and sun.
    """
    planner, given = Planner(case, hours), case_conditions(case, sells=sells_of(case))
    n, level, memory = len(case.times), case.limits.start_kwh, planner.memory()
    recorder, meter = Recorder(n, 1), Meter(n)
    begins = evenings(case, planner.history)
    for first, last in zip(begins, [*begins[1:], n], strict=True):
        policy = planner.plan(first, level, meter, memory, last - first)
        orders = policy.orders(first, last, n, sun_waits=planner.sun_waits)
        level = float(simulate(given, orders, level, recorder.add, (first, last))[0])
        span = slice(first, last)
        meter.read(span, recorder.table["import_kwh"][span, 0], recorder.table["export_kwh"][span, 0])
        planner.learn(first, recorder.table["stored_kwh"][span, 0], memory)
    return flows_of(case, "re-planned", {name: table[:, 0] for name, table in recorder.table.items()})
