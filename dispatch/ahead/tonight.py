"""Tonight: what to enter for the next day or two, from today's level and what is known now."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dispatch.ahead.entries import CHARGE, DISCHARGE, Entry, entries_of_run, orders_of
from dispatch.ahead.given import SERIES, read_forecast, read_level, read_moment
from dispatch.ahead.marginal import Meter
from dispatch.ahead.now import Now, case_around
from dispatch.ahead.response import response
from dispatch.ahead.rolling import Memory, Planner, evenings, sells_of
from dispatch.ahead.sweep import Outlook, Policy, Sweep
from dispatch.backup.hours import backup_hours
from dispatch.errors import ScenarioError
from dispatch.rules.replay import Recorder
from dispatch.rules.score import case_conditions
from dispatch.rules.walk import simulate

if TYPE_CHECKING:
    import datetime as dt
    from pathlib import Path

    from dispatch.arrays import Floats
    from dispatch.case.case import Case


PLAN_HOURS_FROM, PLAN_HOURS_TO = 12.0, 72.0


DAYLIGHT_FROM_HOUR = 6  # before it, the day that is dawning counts as tomorrow


ASK_HOUR = 20  # an hour at which people wonder whether the night is covered


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
class Tonight:
    """The plan for the coming hours.

    Attributes
    ----------
    case : Case
        Laid around the moment.
    first : int
        Its first planned step.
    at : Timestamp
        Start of that step.
    level_kwh : float
        Stored then.
    times : DatetimeIndex, shape (h,)
    expected : dict of str to array, shape (h,)
        Mean of the paths, or the forecast: load, other, sun. [kWh]
    source : str
        What the forecast rests on, in words.
    run, half : Run
        As expected, and with half the sun on ``half_date``.
    half_date : date
    left : tuple of Left
        If the grid fails now, at 20:00, and at dawn.
    value_per_kwh : float
        What the last kWh stored is worth when the load may draw after the first charge; without a charge: now.
    import_price_per_kwh : array, shape (h,)
        At the margin of the month.
    band : tuple of str
    floor_kwh : array, shape (h,)
    full_enough_at : Timestamp or None
        Where the level is below the reserve: when it is back; None otherwise, or where it is not in this plan.
    notes : tuple of str
    """

    case: Case
    first: int
    at: pd.Timestamp
    level_kwh: float
    times: pd.DatetimeIndex
    expected: dict[str, Floats]
    source: str
    run: Run
    half: Run
    half_date: dt.date
    left: tuple[Left, ...]
    value_per_kwh: float
    import_price_per_kwh: Floats
    band: tuple[str, ...]
    floor_kwh: Floats
    full_enough_at: pd.Timestamp | None
    notes: tuple[str, ...]

    @property
    def below_reserve(self) -> bool:
        """Whether the level is below what is to be kept."""
        return self.level_kwh < float(self.floor_kwh[0]) - 1e-6


@dataclass(frozen=True)
class SoFar:
    """What the month has had already: energy bought [kWh], highest power [kW]; None where not told."""

    bought_kwh: float | None = None
    highest_kw: float | None = None


def tonight(  # noqa: PLR0913 - one per option of the command
    case: Case,
    at: str,
    level: str,
    *,
    forecast: Path | None = None,
    recent: Path | None = None,
    reserve_percent: float | None = None,
    so_far: SoFar | None = None,
    hours: float = 36.0,
) -> Tonight:
    """Plan from a moment and a level.

    Parameters
    ----------
    case : Case
    at : str
        ISO date and time, on the site's clock unless it carries an offset; in the data or after them.
    level : str
        ``62%`` of nominal, or ``6.5kWh``; anything from nothing to full.
    forecast, recent : Path, optional
        CSV with ``time`` and columns ``load_…``, ``sun_…``, ``other_…`` (unit by suffix): the coming steps, and the
        last weeks'.
    reserve_percent : float, optional
        A reserve for now, in place of the scenario's.
    so_far : SoFar, optional
    hours : float
        How far to plan.

    Raises
    ------
    ScenarioError
        If time, level, reserve or hours cannot be used.
    SeriesError
        If the forecast does not cover the plan, or the readings have gaps.
    """
    if not PLAN_HOURS_FROM <= hours <= PLAN_HOURS_TO:
        raise ScenarioError(
            f"--hours: {hours:g} is no length for a plan; choose {PLAN_HOURS_FROM:g} to {PLAN_HOURS_TO:g}"
        )
    level_kwh = read_level(case, level)
    now = case_around(case, read_moment(case, "--at", at), hours, recent, reserve_percent)
    desk = Desk(now, level_kwh, hours, so_far or SoFar())
    if forecast is not None:
        desk.take_forecast(forecast)
    return desk.tonight()


class Desk:
    """All that is at hand in the evening: the case around it, its past's plans, the forecast.

    Parameters
    ----------
    now : Now
    level_kwh : float
    hours : float
    so_far : SoFar
    """

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
        earliest = self.first - 14 * planner.per_day
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

    def follow(self, case: Case, orders: object) -> dict[str, Floats]:
        """Run orders by the rules from today's level; every column of the flow table, shape (h,)."""
        recorder = Recorder(len(case.times), 1)
        span = (self.first, self.first + self.steps)
        simulate(case_conditions(case, sells=sells_of(case)), orders, self.level_kwh, recorder.add, span)  # type: ignore[arg-type]
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

    def tonight(self) -> Tonight:
        """Answer everything."""
        outlook, at = self.outlook(), self.now.at
        run = self.run(outlook, self.series)
        day = at.date() if at.hour < DAYLIGHT_FROM_HOUR else (at + pd.Timedelta(days=1)).date()
        dim = np.array([moment.date() == day for moment in self.times])
        dull = {**self.series, "sun": np.where(dim, 0.5, 1.0)[None] * self.series["sun"]}
        half = self.run(outlook, dull)
        stored = np.flatnonzero(run.flows["stored"] >= outlook.promised_kwh - 1e-6)
        below = self.level_kwh < float(self.case.floor_kwh[self.first]) - 1e-6
        step = pd.Timedelta(hours=self.case.dt_hours)
        ahead = slice(self.first, self.first + self.steps)
        prices = self.case.prices
        return Tonight(
            case=self.case,
            first=self.first,
            at=at,
            level_kwh=self.level_kwh,
            times=self.times,
            expected={name: self.paths.weights @ values for name, values in self.series.items()},
            source=self.source,
            run=run,
            half=half,
            half_date=day,
            left=self.left(run),
            value_per_kwh=self.worth(run),
            import_price_per_kwh=outlook.money.import_per_kwh,
            band=tuple(prices.band_names[i] for i in prices.band[ahead].tolist()),
            floor_kwh=self.case.floor_kwh[ahead],
            full_enough_at=self.times[int(stored[0])] + step if below and len(stored) else None,
            notes=(*self.now.notes, *self._month_notes(outlook)),
        )

    def _month_notes(self, outlook: Outlook) -> list[str]:
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
