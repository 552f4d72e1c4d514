"""All that is at hand in the evening: the case around it, what the past evenings' plans say, a forecast; and a run."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dispatch.ahead.entries import CHARGE, DISCHARGE, Entry, entries_of_run, orders_of
from dispatch.ahead.given import SERIES, read_forecast
from dispatch.ahead.marginal import Meter
from dispatch.ahead.response import response
from dispatch.ahead.rolling import Memory, Planner, evenings, sells_of
from dispatch.ahead.sweep import Outlook, Policy, Sweep
from dispatch.outages.hours import backup_hours
from dispatch.rules.replay import Recorder
from dispatch.rules.score import case_conditions
from dispatch.rules.walk import Orders, simulate

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.ahead.now import Now
    from dispatch.arrays import Floats
    from dispatch.case.case import Case


DAYLIGHT_FROM_HOUR = 6  # before it, the day that is dawning counts as tomorrow
ASK_HOUR = 20  # an hour at which people wonder whether the night is covered
WARM_UP_DAYS = 14  # evenings planned before this one, so that its end has the worth the plan before gives it
SIMPLE = "the last four weeks, each day followed by its next; days like today count more"


@dataclass(frozen=True)
class Run:
    """The coming h steps run by the rules under what is entered, on the expected series.

    Attributes
    ----------
    entries : tuple of Entry
    flows : dict of str to array, shape (h,)
        Every column of the flow table, kWh.
    value : array, shape (h + 1, g)
        Expected money still to come, by level of the grid.
    cost : float
        Money for energy and wear, on average over the paths, less what is stored at the end at its worth there.
    """

    entries: tuple[Entry, ...]
    flows: dict[str, Floats]
    value: Floats
    cost: float


@dataclass(frozen=True)
class Left:
    """Hours the critical load runs if the grid fails then: the moment, the level there, and the hours without sun."""

    when: pd.Timestamp
    level_kwh: float
    hours: float


@dataclass(frozen=True)
class SoFar:
    """What the month has had already: energy bought [kWh], highest power [kW]; None where not told."""

    bought_kwh: float | None = None
    highest_kw: float | None = None


class Desk:
    """All that is at hand in the evening: the case around it, its past's plans, the forecast."""

    def __init__(self, now: Now, level_kwh: float, hours: float, so_far: SoFar) -> None:
        self.now, self.case, self.first, self.level_kwh = now, now.case, now.first, level_kwh
        self.planner = Planner(self.case)
        self.steps = round(hours / self.case.dt_hours)
        self.times = self.case.times[self.first : self.first + self.steps]
        self.paths = self.planner.history.paths(self.first, self.steps)
        self.meter = Meter(len(self.case.times))
        self.memory = self._evenings_before()
        self._tell(so_far)
        self.series = {
            name: np.asarray(getattr(self.case, f"{name}_kwh")[self.paths.steps]) for name in SERIES
        }
        self.source = SIMPLE

    def _evenings_before(self) -> Memory:
        """Plan the last evenings, so that the end of this plan has the worth the plan before gives it."""
        planner, case = self.planner, self.case
        memory, level = planner.memory(), case.limits.start_kwh
        recorder, given = Recorder(len(case.times), 1), case_conditions(case, sells=sells_of(case))
        earliest = self.first - WARM_UP_DAYS * planner.per_day
        begins = [s for s in evenings(case, planner.history) if earliest <= s <= self.first - planner.per_day]
        for begin, following in zip(begins, [*begins[1:], self.first], strict=True):
            policy = planner.plan(begin, level, self.meter, memory, following - begin)
            orders = policy.orders(
                begin, begin + len(policy.fill_kwh), len(case.times), sun_waits=planner.sun_waits
            )
            end = min(following, begin + len(policy.fill_kwh))
            level = float(simulate(given, orders, level, recorder.add, (begin, end))[0])
            span = slice(begin, end)
            self.meter.read(
                span, recorder.table["import_kwh"][span, 0], recorder.table["export_kwh"][span, 0]
            )
            planner.learn(begin, recorder.table["stored_kwh"][span, 0], memory)
        return memory

    def _tell(self, so_far: SoFar) -> None:
        """Put what the month has had in place of what the past evenings say of it."""
        period = int(self.case.prices.period[self.first])
        mine = np.flatnonzero(self.case.prices.period[: self.first] == period)
        if so_far.bought_kwh is not None:
            self.meter.more_kwh[period] = so_far.bought_kwh - float(self.meter.bought[mine].sum())
        if so_far.highest_kw is not None:
            top = so_far.highest_kw * self.case.dt_hours
            self.meter.bought[mine] = np.minimum(self.meter.bought[mine], top)
            self.meter.highest_kw[period] = so_far.highest_kw

    def take_forecast(self, path: Path) -> None:
        """Put a forecast's series in place of every path's."""
        given = read_forecast(self.case, self.times, path)
        for name, values in given.items():
            self.series[name] = np.repeat(values[None], len(self.paths.weights), axis=0)
        names = ", ".join(SERIES[name] for name in given)
        rest = "" if len(given) == len(SERIES) else f"; the rest: {SIMPLE}"
        self.source = f"{path.name} for {names}{rest}"

    def outlook(self) -> Outlook:
        """Put together what is known of the coming steps; the rows of the response are those of ``sweep``."""
        outlook = self.planner.outlook(self.first, self.steps, self.paths, self.meter, self.memory.miss_price)
        rows = np.arange(self.paths.steps.size).reshape(self.paths.steps.shape)
        return replace(outlook, steps=rows)

    def plan(self, outlook: Outlook, series: dict[str, Floats]) -> tuple[Policy, Floats]:
        """Work out the policy for paths of these series; and the value at the plan's end."""
        planner = self.planner
        flattened: dict[str, Any] = {f"{name}_kwh": values.ravel() for name, values in series.items()}
        flat = replace(
            self.case,
            times=pd.date_range("2000-01-01", periods=outlook.steps.size, freq="h", tz="UTC"),
            idle_kwh=np.full(outlook.steps.size, float(self.case.idle_kwh[0])),
            may_charge=np.broadcast_to(
                self.case.may_charge[self.first : self.first + self.steps], outlook.steps.shape
            ).ravel(),
            **flattened,
        )
        found = response(flat, planner.grid, sells=planner.sells, waits=planner.sun_first != "load")
        sweep = Sweep(
            self.case.limits,
            planner.grid,
            found,
            planner.sweep.entries,
            sells=planner.sells,
            sun_first=planner.sun_first,
            early=True,
        )
        end = planner.end_value(self.first, self.steps, self.memory)
        return sweep.run(outlook, end, self.level_kwh, self.steps), end

    def run(self, outlook: Outlook, series: dict[str, Floats]) -> Run:
        """Plan, turn the plan into entries, and run those by the rules on what is expected."""
        policy, end = self.plan(outlook, series)
        weights = self.paths.weights
        expected = {name: weights @ values for name, values in series.items()}
        case = self.with_series(expected)
        planned = self.follow(
            case,
            policy.orders(
                self.first, self.first + self.steps, len(case.times), sun_waits=self.planner.sun_waits
            ),
        )
        entries = entries_of_run(self.case, self.times, policy, planned, outlook.promised_kwh)
        orders = orders_of(self.case, self.times, entries, outlook.promised_kwh, self.first, len(case.times))
        flows = self.follow(case, orders)
        cost = self.money(outlook, flows, end)
        return Run(entries, flows, policy.value, cost)

    def with_series(self, expected: dict[str, Floats]) -> Case:
        """Return the case with these series for the coming steps."""
        ahead = slice(self.first, self.first + self.steps)
        changed: dict[str, Any] = {}
        for name, values in expected.items():
            column = getattr(self.case, f"{name}_kwh").copy()
            column[ahead] = values
            changed[f"{name}_kwh"] = column
        return replace(self.case, **changed)

    def follow(self, case: Case, orders: Orders) -> dict[str, Floats]:
        """Run orders by the rules from today's level; every column of the flow table, shape (h,)."""
        recorder = Recorder(len(case.times), 1)
        span = (self.first, self.first + self.steps)
        simulate(case_conditions(case, sells=sells_of(case)), orders, self.level_kwh, recorder.add, span)
        return {
            name.removesuffix("_kwh"): table[span[0] : span[1], 0] for name, table in recorder.table.items()
        }

    def money(self, outlook: Outlook, flows: dict[str, Floats], end: Floats) -> float:
        """Money for energy and wear, and what is stored at the end at its worth."""
        money, limits = outlook.money, self.case.limits
        bought, sold = flows["import"], flows["export"]
        over = (
            np.maximum(bought - money.free_kwh, 0.0) @ money.over_per_kwh if money.over_per_kwh.any() else 0.0
        )
        energy = float(bought @ money.import_per_kwh - sold @ money.export_per_kwh + over)
        given = (flows["battery_to_load"] + flows["battery_to_grid"]).sum() / limits.eta_discharge
        below, part = self.planner.grid.place(flows["stored"][-1:])
        left = end[below] * (1 - part) + end[below + 1] * part
        return energy + limits.wear_per_kwh * float(given) + float(left[0])

    def worth(self, run: Run) -> float:
        """Worth of the last kWh stored once the first charge is over and the load may draw, or now without a charge."""
        charge = next((entry for entry in run.entries if entry.kind == CHARGE), None)
        at, level = 0, self.level_kwh
        if charge is not None:
            # while it could still be bought at the same price it is worth no more: what counts is what comes after
            later = [e.begins for e in run.entries if e.kind == DISCHARGE and e.begins >= charge.ends]
            at = int(self.times.searchsorted(min(later, default=charge.ends)))
            level = float(run.flows["stored"][at - 1])
        grid, value = self.planner.grid, run.value[at]
        entry_kwh = self.case.scenario.settings.level_step_percent / 100 * self.case.limits.full_kwh
        pair = np.clip([level - entry_kwh, level], grid.levels[0], grid.levels[-1])
        below, part = grid.place(pair)
        low, high = value[below] * (1 - part) + value[below + 1] * part
        return max(float(low - high) / max(float(pair[1] - pair[0]), 1e-9), 0.0)

    def left(self, run: Run) -> tuple[Left, ...]:
        """Hours left if the grid fails now, at the next 20:00, and at dawn."""
        case, step = self.case, pd.Timedelta(hours=self.case.dt_hours)
        stored = np.full(len(case.times), case.limits.empty_kwh)
        stored[self.first - 1] = self.level_kwh
        stored[self.first : self.first + self.steps] = run.flows["stored"]
        hours = backup_hours(case, stored, with_sun=False)
        ends = self.times + step
        asked = [self.first - 1]
        evening = np.flatnonzero((ends.hour == ASK_HOUR) & (ends.minute == 0))
        sun = self.with_series({"sun": self.paths.weights @ self.series["sun"]}).sun_kwh[self.first :][
            : self.steps
        ]
        dark = sun <= 1e-9
        dawn = (
            np.flatnonzero(dark[:-1] & ~dark[1:])
            if (~dark).any()
            else np.flatnonzero(ends.hour == DAYLIGHT_FROM_HOUR)
        )
        asked += [self.first + int(found[0]) for found in (evening, dawn) if len(found)]
        return tuple(
            Left(case.times[t] + step, float(stored[t]), float(hours[t])) for t in sorted(set(asked))
        )

    def month_notes(self, outlook: Outlook) -> list[str]:
        """Say how the month's terms were priced."""
        notes = []
        limited = np.flatnonzero(np.isfinite(outlook.money.free_kwh))
        if len(limited):
            free = float(outlook.money.free_kwh[limited[0]]) / self.case.dt_hours
            notes.append(
                f"demand: import above {free:.2f} kW in the window counts at the price of a kW; below it "
                "nothing is added"
            )
        if self.case.prices.blocks:
            notes.append("tiers: the price is that of the block in which the month is expected to end")
        return notes
