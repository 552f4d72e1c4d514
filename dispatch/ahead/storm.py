"""Before a storm: when to charge, how far, from when on at the latest, what it costs, and what it carries.

A storm is a span in which the grid may fail at any time. Wanted at its beginning is the level that carries the critical
load through all of it without sun, at most a full battery; a ceiling set for every day is lifted for it. From then on
that level is kept until the storm is over, and the reserve goes back.

The latest start is found by the rules' own step on pieces of two minutes: the charger beside the load, the taper, and
no sun (or half of it). It counts from the level the battery has by then if nothing is done before.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.ahead.dark import Carried, StormDay, carried, without_grid
from dispatch.ahead.desk import Desk, Left, SoFar
from dispatch.ahead.entries import Entry, percent_up
from dispatch.ahead.given import read_level, read_moment
from dispatch.ahead.now import case_around
from dispatch.case.limits import step_limits
from dispatch.errors import ScenarioError
from dispatch.outages.generator import generator_note, generator_of
from dispatch.outages.hours import backup_hours
from dispatch.outages.recharge import Recharge, recharges
from dispatch.rules.conditions import conditions
from dispatch.rules.walk import FlowBlock, Orders, simulate

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.ahead.desk import Run
    from dispatch.ahead.now import Now
    from dispatch.case.case import Case


LONGEST_HOURS = 336.0  # two weeks
AHEAD_HOURS = 240.0  # a storm is not known longer before
PIECE_HOURS = 1 / 30
NEARLY_FULL = 0.99  # of full: a taper never quite arrives
AFTER_HOURS = 24.0  # of the plan after the storm, so that what is left then counts


@dataclass(frozen=True)
class Start:
    """The latest moment at which charging must begin, and from which level; None where it is too late already."""

    at: pd.Timestamp | None
    level_kwh: float
    reached_kwh: float
    """Level at the storm's beginning where charging begins now."""


@dataclass(frozen=True)
class Storm:
    """Everything ``dispatch storm`` shows.

    Attributes
    ----------
    case : Case
        Around now, with the ceiling lifted.
    at, begins, ends : Timestamp
    level_kwh : float
    wanted_kwh, wanted_percent : float
        Level to have at the beginning, and as it is entered.
    enough : bool
        Whether it carries the critical load through the storm without sun.
    lifted : bool
        Whether a ceiling must be lifted for it.
    raise_at : Timestamp or None
        When to raise the reserve; None where there is no time to wait: now.
    entries : tuple of Entry
        What to enter until the storm begins.
    run : Run
    alone, half_sun : Start
        Latest start from the grid alone, and with half the sun.
    cost, per_hour : float
        Money against not preparing, and of one hour more of storm; per_hour is nan where no more fits.
    left : tuple of Left
        Hours if the grid fails at the end of every hour until the storm.
    carried : tuple of Carried
    days : tuple of StormDay
        The critical load through the storm with the grid gone from its beginning: the forecast's sun and the generator.
    dull_days : tuple of StormDay
        The same with half the sun.
    refills : tuple of Recharge
        Filling up again when it is over.
    fuel_litres : float or None
        At hand; None without a generator.
    fuel_needed_litres : float
        In ``dull_days``.
    shed : tuple of str
        Circuits of the served load that are not critical, if they are listed.
    unlisted_kwh_per_day : float
        What the served load draws beside the critical one.
    notes : tuple of str
    """

    case: Case
    at: pd.Timestamp
    begins: pd.Timestamp
    ends: pd.Timestamp
    level_kwh: float
    wanted_kwh: float
    wanted_percent: float
    enough: bool
    lifted: bool
    raise_at: pd.Timestamp | None
    entries: tuple[Entry, ...]
    run: Run
    alone: Start
    half_sun: Start
    cost: float
    per_hour: float
    left: tuple[Left, ...]
    carried: tuple[Carried, ...]
    days: tuple[StormDay, ...]
    dull_days: tuple[StormDay, ...]
    refills: tuple[Recharge, ...]
    fuel_litres: float | None
    fuel_needed_litres: float
    shed: tuple[str, ...]
    unlisted_kwh_per_day: float
    notes: tuple[str, ...]

    @property
    def running(self) -> bool:
        """Whether it has begun already."""
        return self.begins <= self.at


def storm(  # noqa: PLR0913 - one per option of the command
    case: Case,
    at: str,
    level: str,
    begins: str,
    hours: float,
    *,
    forecast: Path | None = None,
    recent: Path | None = None,
) -> Storm:
    """Prepare for a storm.

    Parameters
    ----------
    case : Case
    at, level : str
        Now, and what the battery holds; as for tonight.
    begins : str
        When the storm begins, ISO date and time.
    hours : float
        How long it lasts.
    forecast, recent : Path, optional
        As for tonight.

    Raises
    ------
    ScenarioError
        If a time, the level or the length cannot be used, or the storm is over.
    SeriesError
        If a file cannot be used.
    """
    if not 0 < hours <= LONGEST_HOURS:
        raise ScenarioError(
            f"--hours: {hours:g} is no length for a storm; write more than 0, at most {LONGEST_HOURS:g}"
        )
    level_kwh = read_level(case, level)
    now_at, from_at = read_moment(case, "--at", at), read_moment(case, "--from", begins)
    until = from_at + pd.Timedelta(hours=hours)
    if until <= now_at:
        raise ScenarioError(
            f"--from: a storm from {from_at.isoformat(timespec='minutes')} for {hours:g} h is over at --at "
            f"{now_at.isoformat(timespec='minutes')}; correct one of them"
        )
    if (from_at - now_at) > pd.Timedelta(hours=AHEAD_HOURS):
        raise ScenarioError(
            f"--from: {from_at.isoformat(timespec='minutes')} is more than {AHEAD_HOURS:g} h after --at; prepare when "
            "the storm is nearer"
        )
    lifted = replace(case, limits=replace(case.limits, ceiling_kwh=case.limits.full_kwh))
    ahead = float((until - now_at) / pd.Timedelta(hours=1)) + AFTER_HOURS
    now = case_around(lifted, now_at, ahead + 2 * case.dt_hours, recent)
    return _Preparation(case, now, level_kwh, (from_at, until), ahead, forecast).answer()


class _Preparation:
    """The work behind :func:`storm`."""

    def __init__(  # noqa: PLR0913, PLR0917 - what is known
        self,
        usual: Case,
        now: Now,
        level_kwh: float,
        span: tuple[pd.Timestamp, pd.Timestamp],
        ahead_hours: float,
        forecast: Path | None,
    ) -> None:
        self.usual, self.now, self.case, self.level_kwh = usual, now, now.case, level_kwh
        self.begins, self.ends = span
        self.desk = Desk(
            now, level_kwh, math.ceil(ahead_hours / self.case.dt_hours) * self.case.dt_hours, SoFar()
        )
        if forecast is not None:
            self.desk.take_forecast(forecast)
        self.step = pd.Timedelta(hours=self.case.dt_hours)
        dt = self.case.dt_hours
        passed = float((self.begins - now.at) / pd.Timedelta(hours=1))
        self.start = max(math.floor(passed / dt + 1e-9), 0)  # whole steps until it begins
        self.end = max(
            math.ceil(float((self.ends - now.at) / pd.Timedelta(hours=1)) / dt - 1e-9), self.start + 1
        )
        weights = self.desk.paths.weights
        expected = {name: weights @ values for name, values in self.desk.series.items()}
        self.expected = self.desk.with_series(expected)
        if usual.scenario.critical_load is None:
            self.expected = replace(self.expected, critical_kwh=self.expected.load_kwh)

    def needed_kwh(self, extra_steps: int = 0) -> float:
        """Level that carries the critical load through the storm without sun, whatever the battery holds."""
        limits, first = self.case.limits, self.now.first
        span = slice(first + self.start, first + self.end + extra_steps)
        drawn = float((self.expected.critical_kwh[span] + self.expected.idle_kwh[span]).sum())
        return limits.empty_kwh + drawn / (limits.eta_inverter * limits.eta_discharge)

    def wanted_kwh(self, extra_steps: int = 0) -> float:
        """Level to have: what is needed, at most what can be reached, at least the usual reserve."""
        limits = self.case.limits
        top = limits.full_kwh * (NEARLY_FULL if limits.taper_hours else 1.0)
        usual = float(self.case.floor_kwh[self.now.first + self.start])
        return max(min(self.needed_kwh(extra_steps), top), usual)

    def prepared(self, wanted_kwh: float | None) -> Run:
        """Plan with the level kept through the storm, or as on any day (then with the usual ceiling)."""
        desk = self.desk
        outlook = desk.outlook()
        if wanted_kwh is None:
            return desk.run(outlook, desk.series)
        promised = outlook.promised_kwh.copy()
        kept = slice(max(self.start - 1, 0), self.end)
        promised[kept] = np.maximum(promised[kept], wanted_kwh)
        return desk.run(replace(outlook, promised_kwh=promised), desk.series)

    def answer(self) -> Storm:
        """Work everything out."""
        case, limits = self.case, self.case.limits
        wanted = self.wanted_kwh()
        percent = min(percent_up(case, wanted), 100.0)
        run, usual = self.prepared(wanted), self.prepared(None)
        alone, half = self.latest(usual, wanted, 0.0), self.latest(usual, wanted, 0.5)
        more_steps = max(1, round(1.0 / case.dt_hours))
        more = self.wanted_kwh(more_steps)
        per_hour = math.nan
        if more > wanted + 1e-6:
            per_hour = (self.prepared(more).cost - run.cost) / (more_steps * case.dt_hours)
        before = self.now.at + self.start * self.step
        entries = tuple(entry for entry in run.entries if entry.begins < before)
        span = slice(self.now.first + self.start, self.now.first + self.end)
        days, dull = (without_grid(self.expected, span, wanted, share) for share in (1.0, 0.5))
        fuelled = generator_of(case)
        note = generator_note(case)
        return Storm(
            case=case,
            at=self.now.at,
            begins=self.begins,
            ends=self.ends,
            level_kwh=self.level_kwh,
            wanted_kwh=wanted,
            wanted_percent=percent,
            enough=self.needed_kwh() <= wanted + 1e-6,
            lifted=percent / 100 * limits.full_kwh > self.usual.limits.ceiling_kwh + 1e-9,
            raise_at=self.raise_at(alone),
            entries=entries,
            run=run,
            alone=alone,
            half_sun=half,
            cost=max(run.cost - usual.cost, 0.0),
            per_hour=max(per_hour, 0.0) if not math.isnan(per_hour) else per_hour,
            left=self.left(run),
            carried=carried(self.expected, span, wanted),
            days=days,
            dull_days=dull,
            refills=tuple(
                item
                for item in recharges(self.expected, self.now.first + self.end, dull[-1].level_kwh)
                if item.source != "generator"
            ),
            fuel_litres=None if fuelled is None else fuelled.tank_litres,
            fuel_needed_litres=sum(day.litres for day in dull),
            shed=self.shed(),
            unlisted_kwh_per_day=self.beside_kwh_per_day(),
            notes=(*self.now.notes, *([note] if note else [])),
        )

    def raise_at(self, alone: Start) -> pd.Timestamp | None:
        """Raise the reserve at the latest start from the grid alone, to the whole step before; None: now."""
        if alone.at is None or self.begins <= self.now.at:
            return None
        steps = math.floor(float((alone.at - self.now.at) / self.step) + 1e-9)
        return self.now.at + steps * self.step if steps > 0 else None

    def latest(self, usual: Run, wanted_kwh: float, sun_share: float) -> Start:
        """Find the latest start by trying every piece of two minutes at once.

        Until its start each candidate does what it would do on any day, but gets only this share of the sun.
        """
        case, pieces = self.expected, max(1, math.ceil(self.case.dt_hours / PIECE_HOURS - 1e-9))
        count = self.start * pieces
        if count == 0:
            return Start(None, self.level_kwh, self.level_kwh)
        first = self.now.first
        rows = np.repeat(np.arange(first, first + self.start), pieces)
        limits = step_limits(case.limits, case.dt_hours / pieces)
        need = (case.load_kwh + case.idle_kwh)[rows] / pieces
        given = conditions(
            limits,
            need,
            case.other_kwh[rows] / pieces,
            sun_share * case.sun_kwh[rows] / pieces,
            may_charge=case.may_charge[rows],
        )
        before = np.concatenate([[self.level_kwh], usual.flows["stored"]])
        part = np.tile((np.arange(pieces) + 1) / pieces, self.start)
        at = np.repeat(np.arange(self.start), pieces)
        level = before[at] * (1 - part) + before[at + 1] * part  # on a usual day, at the end of each piece
        starts = np.arange(0, count + 1)
        waiting = np.arange(count)[:, None] < starts[None]
        floor = np.maximum(case.limits.empty_kwh, case.floor_kwh[rows])[:, None]
        usual_drain = np.where(np.diff(before)[at] < -1e-6, level, np.inf)[:, None]
        fill = np.where(waiting, floor, wanted_kwh)
        drain = np.where(waiting, np.maximum(usual_drain, floor), np.inf)
        levels = np.empty((count, len(starts)))

        def visit(block: FlowBlock) -> None:
            levels[block.steps] = block.stored

        end = simulate(given, Orders(np.arange(count), fill, drain), self.level_kwh, visit)
        enough = np.flatnonzero(end >= wanted_kwh - 1e-4 * case.limits.full_kwh)
        if not len(enough):
            return Start(None, self.level_kwh, float(end[0]))
        last = int(enough[-1])
        moment = self.now.at + pd.Timedelta(hours=float(last * case.dt_hours / pieces))
        held = self.level_kwh if last == 0 else float(levels[last - 1, last])
        return Start(moment, held, float(end[0]))

    def left(self, run: Run) -> tuple[Left, ...]:
        """Hours left if the grid fails at the end of each hour until the storm begins."""
        case, first = self.expected, self.now.first
        stored = np.full(len(case.times), case.limits.empty_kwh)
        stored[first - 1] = self.level_kwh
        stored[first : first + self.desk.steps] = run.flows["stored"]
        hours = backup_hours(case, stored, with_sun=False)
        per = max(1, round(1.0 / case.dt_hours))
        asked = [first - 1, *range(first + per - 1, first + self.start, per)]
        return tuple(Left(case.times[t] + self.step, float(stored[t]), float(hours[t])) for t in asked)

    def shed(self) -> tuple[str, ...]:
        """Name the served appliances that are not among the critical ones."""
        scenario = self.case.scenario
        served = scenario.load.appliances or ()
        critical = scenario.critical_load.appliances if scenario.critical_load is not None else None
        kept = {one.name for one in critical or ()}
        return tuple(one.name for one in served if one.name not in kept)

    def beside_kwh_per_day(self) -> float:
        """Tell the served load beyond the critical one over the storm, a day. [kWh]."""
        span = slice(self.now.first + self.start, self.now.first + self.end)
        beside = float(np.maximum(self.expected.load_kwh - self.expected.critical_kwh, 0.0)[span].sum())
        return beside / max((self.end - self.start) * self.case.dt_hours / 24, 1e-9)
