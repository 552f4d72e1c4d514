"""The next two days from today's level: forecasts, the plan, and a year of re-planning every midnight.

The plan is the dispatch program on 48 hours, stated once and re-solved warm for every day: only bounds, right-hand
sides and prices change. What the battery holds at the plan's end is worth the dual of the storage row at the same
time of day one day earlier: what one more kWh was worth there.

Simple forecasts, from the past alone (before the data's first day its last weeks stand in for the past)::

    load, rest of the house   mean of the same clock time on the same weekday, last 4 weeks
    sun                       clear sky · share:  clear sky = the most of the last 30 days at that clock time,
                              share = what the last 3 days brought of their clear sky

The plan is carried out as an inverter would: the plan's level is the target while it charges from the grid, and the
limit while it discharges; the rest follows the actual load and sun by the rules' own physics.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

import tariffs
from dispatch.program.program import Program
from dispatch.rules.replay import Recorder, flows_of
from dispatch.rules.score import case_conditions
from dispatch.rules.walk import Orders, simulate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.flows import Flows


PLAN_HOURS = 48


LOAD_WEEKS, CLEAR_DAYS, SHARE_DAYS = 4, 30, 3


PLANNED_KWH = 1e-6  # a planned flow below this is none


SLACK_PRICE = (
    1e3  # per kWh of a broken promise, times the year's dearest price: never worth breaking for money
)


@dataclass(frozen=True)
class Forecast:
    """What the coming steps are expected to bring, kWh per step, shape (h,)."""

    load_kwh: Floats
    other_kwh: Floats
    sun_kwh: Floats


@dataclass(frozen=True)
class Plan:
    """A schedule for the coming steps.

    Attributes
    ----------
    flows : dict of str to array, shape (h,)
        Every per-step family of the program, kWh.
    value_per_kwh : array, shape (h,)
        What one more stored kWh would be worth at the end of each step.
    """

    flows: dict[str, Floats]
    value_per_kwh: Floats

    def orders(self, floor_kwh: Floats, price_per_kwh: Floats) -> Orders:
        """Return what the plan tells the inverter: levels to charge to and to draw down to, shape (h, 1).

        A kWh planned for later at no higher price may be given now: where load runs above the forecast, the
        battery gives down to the level the plan has at the end of the hours that are no dearer.
        """
        stored = self.flows["stored"]
        charging = self.flows["grid_to_battery"] > PLANNED_KWH
        giving = self.flows["battery_to_load"] + self.flows["battery_to_grid"] > PLANNED_KWH
        fill = np.where(charging, np.maximum(stored, floor_kwh), floor_kwh)
        drain = np.full(len(stored), np.inf)
        for t in np.flatnonzero(~charging).tolist():
            ends = np.flatnonzero(charging[t:] | (price_per_kwh[t:] > price_per_kwh[t] + 1e-9))
            last = t + int(ends[0]) if len(ends) else len(stored)
            if giving[t:last].any():
                drain[t] = max(float(stored[t:last].min()), float(floor_kwh[t]))
        return Orders(np.arange(len(stored)), fill[:, None], drain[:, None])


class Planner:
    """The 48-hour program of one case, stated once.

    Parameters
    ----------
    case : Case
        Gives hardware, prices, floor and, as history, its own series.
    hours : float
        How far a plan reaches.

    Raises
    ------
    ScenarioError
        If the prices would let the plain program trade with itself.
    """

    def __init__(self, case: Case, hours: float = PLAN_HOURS) -> None:
        self.case = case
        self.steps = max(1, round(hours / case.dt_hours))
        self.beyond = _prices_beyond(case, self.steps)
        later = self.beyond or case.prices
        where = self.calendar(len(case.times)) if self.beyond is None else np.arange(self.steps)
        # no plan trades with itself: a credit above the price counts as the price, a negative price as nothing
        self.buy = np.maximum(
            np.append(case.prices.import_price_per_kwh, later.import_price_per_kwh[where]), 0.0
        )
        sell = np.append(case.prices.export_price_per_kwh, later.export_price_per_kwh[where])
        self.sell = np.minimum(sell, self.buy)
        self.bands = [case.prices.band_names[i] for i in case.prices.band.tolist()]
        self.bands += [later.band_names[i] for i in later.band[where].tolist()]
        self.program = Program(self._template())
        dearest = float(np.abs(case.prices.import_price_per_kwh).max()) + case.limits.wear_per_kwh
        self.slack_price = SLACK_PRICE * max(dearest, 1e-3)

    def _template(self) -> Case:
        """Return a case of the plan's length whose series do not matter: every column that may be needed exists."""
        case, h = self.case, self.steps
        freq = pd.Timedelta(hours=case.dt_hours)
        times = pd.date_range(case.times[0], periods=h, freq=freq)
        around = np.arange(h) % len(case.times)
        sun = np.full(h, float(case.sun_kwh.max()))
        per_step = ("band", "season", "day_type", "event", "period")
        prices = replace(
            case.prices,
            times=times,
            **{name: getattr(case.prices, name)[around] for name in per_step},
            import_price_per_kwh=self.buy[:h],
            # the template's prices decide only which rows are stated: none against trading with oneself
            export_price_per_kwh=np.maximum(self.sell[:h], 0.0),
            # what a bill charges over a month is no matter of two days: it is billed on what the year's flows were
            blocks=(),
            demand=(),
            minimums=(),
            netting=(),
        )
        return replace(
            case,
            times=times,
            prices=prices,
            load_kwh=case.load_kwh[around],
            other_kwh=case.other_kwh[around],
            critical_kwh=case.critical_kwh[around],
            sun_kwh=sun,
            idle_kwh=case.idle_kwh[around],
            floor_kwh=case.floor_kwh[around],
            floor_capped_steps=case.floor_capped_steps[around],
        )

    def plan(self, first: int, level_kwh: float, expected: Forecast, end_value_per_kwh: float) -> Plan:
        """Plan from the start of step ``first``.

        Parameters
        ----------
        first : int
            The plan's first step in the case; past its end floor and idle draw repeat its last week, and prices
            too where the tariff does not tell them.
        level_kwh : float
            Stored now.
        expected : Forecast
            Of the plan's length.
        end_value_per_kwh : float
            Worth of a kWh stored at the plan's end.

        Raises
        ------
        SolveError
            No certified optimum.
        """
        case, where, warm = self.case, self.calendar(first), self.program.warm
        program = self.program.under(
            replace(
                self.program.case,
                load_kwh=expected.load_kwh,
                other_kwh=expected.other_kwh,
                sun_kwh=expected.sun_kwh,
                idle_kwh=case.idle_kwh[where],
                floor_kwh=case.floor_kwh[where],
                limits=replace(case.limits, start_kwh=level_kwh, closing_kwh=0.0),
            )
        )
        warm.restart(program.bounds())
        optimum = warm.minimise(self._costs(first, end_value_per_kwh))
        if not warm.has_reference:
            warm.remember(optimum)
        duals = optimum.duals[program.rows["storage"]]
        return Plan(program.flows(optimum.values), np.abs(duals))

    def ahead(self, first: int) -> slice:
        """Return the planned steps in ``buy``, ``sell`` and ``bands``, which reach past the data."""
        return slice(first, first + self.steps)

    def calendar(self, first: int) -> NDArray[np.intp]:
        """Index of each planned step in the case; past its end the same time a week (or a day) earlier."""
        n, where = len(self.case.times), first + np.arange(self.steps)
        week = round(168 / self.case.dt_hours)
        back = week if n >= week else max(1, min(n, round(24 / self.case.dt_hours)))
        over = where >= n
        where[over] -= -(-(where[over] - n + 1) // back) * back
        return where

    def _costs(self, first: int, end_value_per_kwh: float) -> Floats:
        case, program, ahead = self.case, self.program, self.ahead(first)
        wear = case.limits.wear_per_kwh / case.limits.eta_discharge
        costs = program.vector(
            {
                "import": self.buy[ahead],
                "export": -self.sell[ahead],
                "battery_to_load": wear,
                "battery_to_grid": wear,
                "unserved_load": 100 * self.slack_price,
                "import_excess": 10 * self.slack_price,
                "floor_shortfall": self.slack_price,
            }
        )
        costs[program.columns["stored"].stop - 1] -= end_value_per_kwh
        return costs


def _prices_beyond(case: Case, steps: int) -> tariffs.PricedSteps | None:
    """Price the steps after the data by the tariff itself; None where it does not reach that far."""
    step = pd.Timedelta(hours=case.dt_hours)
    times = pd.date_range(case.times[-1] + step, periods=steps, freq=step)
    try:
        return tariffs.price_steps(case.tariff, times, case.dt_hours)
    except tariffs.TariffError:
        return None


# ---- forecasts ---------------------------------------------------------------------------------------------
class History:
    """Simple forecasts from a case's own past, on the clock of the wall.

    Parameters
    ----------
    case : Case
    """

    def __init__(self, case: Case) -> None:
        self.case = case
        local = case.times.tz_localize(None)
        minute = np.asarray(local.hour * 60 + local.minute)
        self.minutes, slot = np.unique(minute, return_inverse=True)
        day = np.asarray(local.normalize().as_unit("s").asi8 // 86_400)
        self.first_day, days = int(day[0]), int(day[-1] - day[0]) + 1
        self.days = days
        self.day_of, self.slot_of = day - self.first_day, slot
        shape = (days, len(self.minutes))
        self.tables = {
            name: _table(shape, self.day_of, slot, getattr(case, name))
            for name in ("load_kwh", "other_kwh", "sun_kwh")
        }

    def _past(self, day: int, back: int) -> int:
        """Return the day ``back`` days before; before the data's start, its last weeks of the same weekdays."""
        earlier = day - back
        if earlier < 0:
            weeks = max(self.days // 7 * 7, 7) if self.days >= 7 else self.days
            earlier = earlier % weeks
        return min(earlier, self.days - 1)

    def forecast(self, first: int, steps: int) -> Forecast:
        """Forecast the steps from ``first`` on, knowing only what came before it.

        Past the data's end the clock runs on.
        """
        case = self.case
        begun = int(self.day_of[first]) if first < len(case.times) else self.days
        ahead = first + np.arange(steps)
        day, slot = self._clock(ahead)
        load = {name: np.empty(steps) for name in ("load_kwh", "other_kwh")}
        for number in np.unique(day).tolist():
            mine = day == number
            weeks = [self._past(number, 7 * w) for w in range(1, LOAD_WEEKS + 2)]
            # a week back may lie inside the plan's own first days: then it is not past
            usable = [w for k, w in enumerate(weeks, start=1) if number - 7 * k < begun][:LOAD_WEEKS]
            for name, out in load.items():
                mean = _mean(self.tables[name][usable])
                out[mine] = mean[slot[mine]]
        return Forecast(load["load_kwh"], load["other_kwh"], self._sun(begun, slot))

    def _sun(self, begun: int, slot: NDArray[np.intp]) -> Floats:
        table = self.tables["sun_kwh"]
        past = [self._past(begun, back) for back in range(1, CLEAR_DAYS + 1)]
        clear = np.nan_to_num(np.nanmax(np.vstack([np.zeros(table.shape[1]), table[past]]), axis=0))
        recent = np.nansum(table[past[:SHARE_DAYS]])
        possible = SHARE_DAYS * clear.sum()
        share = min(recent / possible, 1.0) if possible > 0 else 0.0
        return np.asarray(share * clear[slot])

    def _clock(self, ahead: NDArray[np.intp]) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
        case, n = self.case, len(self.case.times)
        if ahead[-1] < n:
            return np.asarray(self.day_of[ahead], dtype=np.int64), self.slot_of[ahead]
        times = pd.date_range(
            case.times[ahead[0]] if ahead[0] < n else case.times[-1] + pd.Timedelta(hours=case.dt_hours),
            periods=len(ahead),
            freq=pd.Timedelta(hours=case.dt_hours),
        )
        local = times.tz_localize(None)
        minute = np.asarray(local.hour * 60 + local.minute)
        slot = np.clip(np.searchsorted(self.minutes, minute), 0, len(self.minutes) - 1)
        day = np.asarray(local.normalize().as_unit("s").asi8 // 86_400) - self.first_day
        return day, slot


def _table(shape: tuple[int, int], day: NDArray[np.int64], slot: NDArray[np.intp], values: Floats) -> Floats:
    """Lay a series out as day x clock time; a time that did not exist is NaN, one that came twice its mean."""
    count, total = np.zeros(shape), np.zeros(shape)
    np.add.at(count, (day, slot), 1.0)
    np.add.at(total, (day, slot), values)
    return np.asarray(np.divide(total, count, out=np.full(shape, np.nan), where=count > 0))


def _mean(rows: Floats) -> Floats:
    """Mean over the days that have the time; the row's own mean where none has it."""
    known = ~np.isnan(rows)
    count = known.sum(axis=0)
    mean = np.divide(
        np.where(known, rows, 0.0).sum(axis=0), count, out=np.zeros(rows.shape[1]), where=count > 0
    )
    fallback = float(mean[count > 0].mean()) if np.any(count > 0) else 0.0
    return np.asarray(np.where(count > 0, mean, fallback))


# ---- a year of it ------------------------------------------------------------------------------------------
def first_value(case: Case) -> float:
    """Worth of a stored kWh before any plan has told: what the cheapest price of the data costs in the cells."""
    return float(case.prices.import_price_per_kwh.min()) / case.limits.eta_charger


def rolling(case: Case, hours: float = PLAN_HOURS) -> Flows:
    """Run the whole period, re-planned every local midnight on forecasts only.

    Parameters
    ----------
    case : Case
    hours : float
        How far each plan reaches.

    Returns
    -------
    Flows
        Named "re-planned"; carried out by the rules' physics on the actual load and sun.
    """
    planner, history, given = Planner(case, hours), History(case), case_conditions(case)
    recorder = Recorder(len(case.times), 1)
    begins = np.concatenate([[0], np.flatnonzero(np.diff(history.day_of)) + 1, [len(case.times)]])
    level, value = case.limits.start_kwh, first_value(case)
    day_steps = round(24 / case.dt_hours)
    for first, last in zip(begins[:-1].tolist(), begins[1:].tolist(), strict=True):
        plan = planner.plan(first, level, history.forecast(first, planner.steps), value)
        where = planner.calendar(first)
        orders = plan.orders(case.floor_kwh[where], planner.buy[planner.ahead(first)])
        row = np.zeros(len(case.times), dtype=np.intp)
        row[first:last] = np.minimum(np.arange(last - first), planner.steps - 1)
        shifted = Orders(row, orders.fill_kwh, orders.drain_kwh)
        level = float(simulate(given, shifted, level, recorder.add, (first, last))[0])
        value = float(plan.value_per_kwh[max(planner.steps - day_steps - 1, 0)])
    return flows_of(case, "re-planned", {name: table[:, 0] for name, table in recorder.table.items()})
