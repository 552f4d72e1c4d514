"""One outage played step by step under a strategy's schedule: what was stored, what was served, when it went dark.

Up to the outage the schedule runs as planned; from its first instant the grid is gone and :mod:`dispatch.backup.island`
takes over, without foresight. Panels go on working, a stated generator is started when its level says so. Where
critical appliances have priorities, those with the highest numbers go without first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from dispatch.backup.island import DUST_KWH, Island
from dispatch.backup.recharge import Recharge, recharges
from dispatch.case.series import appliances_kwh
from dispatch.errors import ScenarioError
from tariffs.reading.clock import instant

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from dispatch.backup.island import Moves
    from dispatch.case.case import Case
    from dispatch.flows import Flows
    from dispatch.scenario.model import CriticalAppliance


STEP_COLUMNS = (
    "wanted",
    "shed",
    "sun_to_load",
    "sun_to_battery",
    "spill",
    "battery_to_load",
    "generator_to_load",
    "generator_to_battery",
    "unserved",
)


SHORTEST_HOURS = 1 / 60


class Dark(NamedTuple):
    """A time in which critical load was not fully served."""

    begins: pd.Timestamp
    ends: pd.Timestamp

    @property
    def hours(self) -> float:
        """Its length. [h]."""
        return float((self.ends - self.begins) / pd.Timedelta(hours=1))


@dataclass(frozen=True)
class ApplianceOutcome:
    """What one kind of critical appliance got: rank (None: after all ranked), kWh wanted and served, hours without."""

    name: str
    priority: int | None
    wanted_kwh: float
    served_kwh: float
    hours_without: float


@dataclass(frozen=True)
class Played:
    """One outage under one strategy.

    Attributes
    ----------
    strategy : str
    begins, ends : Timestamp
    stored_kwh, stored_end_kwh : float or None
        Level at its first and last instant; None without a system. [kWh]
    wanted_kwh, served_kwh, shed_kwh, unserved_kwh : float
        Critical load: in all, served, left off on purpose, and wanted but not served. [kWh, AC]
    sun_kwh : float
        Sun used, straight or into the battery. [kWh, DC]
    generator_hours, litres, fuel_cost : float
    dark : tuple of Dark
        When critical load was not fully served.
    appliances : tuple of ApplianceOutcome
        In the order in which they are kept; empty where the critical load is no list of appliances.
    recharges : tuple of Recharge
        Filling up again once the grid is back; empty without a system.
    steps : DataFrame
        One row per step: ``begins``, ``hours``, ``<column>_kwh``, ``stored_kwh`` at its end, generator hours, litres.
    """

    strategy: str
    begins: pd.Timestamp
    ends: pd.Timestamp
    stored_kwh: float | None
    stored_end_kwh: float | None
    wanted_kwh: float
    served_kwh: float
    shed_kwh: float
    unserved_kwh: float
    sun_kwh: float
    generator_hours: float
    litres: float
    fuel_cost: float
    dark: tuple[Dark, ...]
    appliances: tuple[ApplianceOutcome, ...]
    recharges: tuple[Recharge, ...]
    steps: pd.DataFrame

    @property
    def dark_hours(self) -> float:
        """Hours in which critical load was not fully served. [h]."""
        return sum(spell.hours for spell in self.dark)


@dataclass(frozen=True)
class Span:
    """When an outage is: the step it begins in, how far into it, and how long it lasts. [h]."""

    first: int
    offset_hours: float
    hours: float


def span_of(case: Case, at: str, hours: float) -> Span:
    """Read when an outage is to begin, on the site's clock.

    Parameters
    ----------
    case : Case
    at : str
        ISO 8601 date and time; without an offset it is local.
    hours : float
        How long it lasts. [h]

    Raises
    ------
    ScenarioError
        If it is no time, not one instant on that clock, outside the data, or longer than them.
    """
    zone, where = case.scenario.site.time_zone, f"{case.path}: --at"
    moment = pd.Timestamp(instant(at, zone, where, ScenarioError)).as_unit("ns")
    steps, step = len(case.times), case.dt_hours
    end = case.times[-1] + pd.Timedelta(hours=step)
    if not case.times[0] <= moment < end:
        raise ScenarioError(
            f"{case.path}: --at: {at} lies outside the data, {_local(case.times[0])} to {_local(end)}; "
            "name an instant within them"
        )
    if not SHORTEST_HOURS <= hours <= steps * step:
        raise ScenarioError(
            f"{case.path}: --hours: {hours:g} hours, but the data hold {steps * step:g}; "
            "name at least a minute and no more than those"
        )
    passed = float((moment - case.times[0]) / pd.Timedelta(hours=1))
    first = int(passed / step + 1e-9)
    return Span(first, max(passed - first * step, 0.0), hours)


def _local(moment: pd.Timestamp) -> str:
    return moment.isoformat(timespec="minutes")


def play(case: Case, flows: Flows, span: Span, *, sun: bool = True) -> Played:
    """Play one outage under one strategy.

    Parameters
    ----------
    case : Case
    flows : Flows
        The strategy's schedule; the household without a system serves nothing.
    span : Span
        From :func:`span_of`.
    sun : bool
        Whether the panels work in the outage.

    Returns
    -------
    Played
    """
    has_system = flows.has_system
    island = Island(case, sun=sun and has_system, generator=has_system, sheds=has_system)
    stored = _level_at(case, flows, span) if has_system else case.limits.empty_kwh
    state = island.start(np.array([stored]))
    rows, dark, keeping = [], _Spells(), _Appliances(case)
    begins = case.times[span.first] + _after(span.offset_hours)
    for passed, index, fraction in _pieces(case, span):
        hours = fraction * case.dt_hours
        moves = island.step(state, np.array([index]), island.limits(fraction), fraction)
        dark.add(begins, passed, hours, moves)
        keeping.add(index, fraction, moves)
        rows.append(_row(begins + _after(passed), hours, moves))
    steps = pd.DataFrame(rows)
    last = span.offset_hours + span.hours
    end_step, end_offset = span.first + int(last / case.dt_hours + 1e-9), last % case.dt_hours
    level = float(state.stored[0])
    after = [again for again in recharges(case, end_step, level, end_offset) if again.source != "generator"]
    fuel = float(steps["litres"].sum())
    total = steps.sum(numeric_only=True)
    return Played(
        strategy=flows.name,
        begins=begins,
        ends=begins + _after(span.hours),
        stored_kwh=stored if has_system else None,
        stored_end_kwh=level if has_system else None,
        wanted_kwh=float(total["wanted_kwh"] + total["shed_kwh"]),
        served_kwh=float(total["wanted_kwh"] - total["unserved_kwh"]),
        shed_kwh=float(total["shed_kwh"]),
        unserved_kwh=float(total["unserved_kwh"]),
        sun_kwh=float(total["sun_to_load_kwh"] + total["sun_to_battery_kwh"]),
        generator_hours=float(total["generator_hours"]),
        litres=fuel,
        fuel_cost=fuel * (island.fuelled.price_per_litre if island.fuelled else 0.0),
        dark=dark.merged(),
        appliances=keeping.outcomes(),
        recharges=tuple(after) if has_system else (),
        steps=steps,
    )


def _after(hours: float) -> pd.Timedelta:
    return pd.Timedelta(seconds=round(hours * 3600))


def _level_at(case: Case, flows: Flows, span: Span) -> float:
    """Level when it begins; within a step the level moves evenly."""
    before, after = flows.stored_before_kwh()[span.first], flows["stored"][span.first]
    return float(before + (after - before) * span.offset_hours / case.dt_hours)


def _pieces(case: Case, span: Span) -> Iterator[tuple[float, int, float]]:
    """Hours passed, step of the data, and the fraction of it, until the outage is over."""
    passed, index, offset = 0.0, span.first, span.offset_hours
    while span.hours - passed > 1e-9:
        hours = min(case.dt_hours - offset, span.hours - passed)
        yield passed, index % len(case.times), hours / case.dt_hours
        passed, index, offset = passed + hours, index + 1, 0.0


def _row(begins: pd.Timestamp, hours: float, moves: Moves) -> dict[str, object]:
    energies = {f"{name}_kwh": float(getattr(moves, name)[0]) for name in STEP_COLUMNS}
    return {
        "begins": begins,
        "hours": hours,
        **energies,
        "stored_kwh": float(moves.stored[0]),
        "generator_hours": float(moves.generator_hours[0]),
        "litres": float(moves.litres[0]),
    }


class _Spells:
    """Collects the times in which critical load was not fully served."""

    def __init__(self) -> None:
        self.found: list[Dark] = []

    def add(self, begins: pd.Timestamp, passed: float, hours: float, moves: Moves) -> None:
        lasted = float(moves.first_fraction[0]) * hours
        parts = ((0.0, lasted, moves.first_unserved), (lasted, hours, moves.rest_unserved))
        for start, end, unserved in parts:
            if float(unserved[0]) > DUST_KWH and end > start:
                self.found.append(Dark(begins + _after(passed + start), begins + _after(passed + end)))

    def merged(self) -> tuple[Dark, ...]:
        spells: list[Dark] = []
        for spell in self.found:
            if spells and spells[-1].ends == spell.begins:
                spells[-1] = Dark(spells[-1].begins, spell.ends)
            else:
                spells.append(spell)
        return tuple(spells)


class _Appliances:
    """Hands what was served to the critical appliances in the order of their priorities."""

    def __init__(self, case: Case) -> None:
        critical = case.scenario.critical_load
        listed: Sequence[CriticalAppliance] = (critical.appliances if critical is not None else None) or ()
        ranked = sorted(listed, key=lambda appliance: (appliance.priority is None, appliance.priority or 0))
        self.case = case
        self.ranked = ranked
        self.energies = [appliances_kwh((one,), case.times, case.dt_hours) for one in ranked]
        self.wanted, self.served, self.without = ([0.0] * len(ranked) for _ in range(3))

    def add(self, index: int, fraction: float, moves: Moves) -> None:
        left = float((moves.wanted - moves.unserved)[0])
        level = float(moves.stored_before[0])
        for place, (one, energy) in enumerate(zip(self.ranked, self.energies, strict=True)):
            want = float(energy[index]) * fraction
            below = self.case.limits.full_kwh * (one.shed_below_percent or 0.0) / 100.0
            got = 0.0 if level < below - DUST_KWH else min(want, left)
            left -= got
            self.wanted[place] += want
            self.served[place] += got
            if want > DUST_KWH:
                self.without[place] += (1.0 - got / want) * fraction * self.case.dt_hours

    def outcomes(self) -> tuple[ApplianceOutcome, ...]:
        figures = zip(self.ranked, self.wanted, self.served, self.without, strict=True)
        return tuple(
            ApplianceOutcome(one.name, one.priority, wanted, served, without)
            for one, wanted, served, without in figures
        )
