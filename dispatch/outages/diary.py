"""What is written down while one outage is played: dark times, what was switched, fuel by the day, who got what."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from dispatch.outages.island import DUST_LITRES
from dispatch.outages.level import DUST_KWH
from dispatch.outages.overload import DUST_KW

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.outages.island import Island, Moves, State, Stretch
    from dispatch.outages.ranks import Ranked


def after_hours(hours: float) -> pd.Timedelta:
    """Return a time told to the second."""
    return pd.Timedelta(seconds=round(hours * 3600))


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


class Event(NamedTuple):
    """Something that was switched: when, what kind it is, and the appliance it is about (else empty).

    Kinds: ``generator on``, ``generator off``, ``tank empty``, ``battery empty``, ``inverter trips``, ``shed``,
    ``back``.
    """

    at: pd.Timestamp
    kind: str
    name: str = ""


class FuelDay(NamedTuple):
    """The generator in one day of 24 hours, counted from the outage's first instant (the last may be shorter)."""

    begins: pd.Timestamp
    hours: float
    litres: float
    cost: float


class Diary:
    """Writes down what each stretch of one outage was like: when it was dark, what was switched, what was burnt."""

    def __init__(self, island: Island, begins: pd.Timestamp) -> None:
        self.island, self.begins = island, begins
        self.price_per_litre = island.fuelled.price_per_litre if island.fuelled else 0.0
        self.names = [one.name for one in island.ranked.listed]
        self.dark: list[tuple[float, float]] = []
        self.events: list[Event] = []
        self.fuel_days: list[FuelDay] = []
        self.tripped_hours = 0.0
        self._passed, self._index = 0.0, 0
        self._was = dict.fromkeys(("inverter trips", "battery empty", "generator on"), False)
        self._off = np.zeros(len(self.names), dtype=bool)
        self.shed_kwh = np.zeros(len(self.names))

    def turn_to(self, passed_hours: float, index: int) -> None:
        """Begin a step of the data."""
        self._passed, self._index = passed_hours, index
        self.shed_kwh = np.zeros(len(self.names))

    def write(self, stretch: Stretch) -> None:
        """Note one stretch."""
        begin, hours = self._passed + float(stretch.begin_hours[0]), float(stretch.hours[0])
        tripped, off = bool(stretch.tripped[0]), stretch.off[0]
        self.shed_kwh += np.where(off, self.island.ranked.power_kw[:, self._index], 0.0) * hours
        self.tripped_hours += hours if tripped else 0.0
        if float(stretch.unserved_kw[0]) > DUST_KW and hours > 0.0:
            self._darken(begin, begin + hours)
        now = zip(self._was, (tripped, bool(stretch.dry[0]), bool(stretch.running[0])), strict=True)
        for kind, is_so in list(now):
            if is_so and not self._was[kind]:
                self._note(begin, kind)
            elif kind == "generator on" and self._was[kind] and not is_so:
                self._note(begin, "generator off")
            self._was[kind] = is_so
        for place, name in enumerate(self.names):
            if off[place] != self._off[place]:
                self._note(begin, "shed" if off[place] else "back", name)
        self._off = off

    def burn(self, passed_hours: float, moves: Moves) -> None:
        """Add a step's fuel to its day; a step that runs over a day's end belongs to the day it began in."""
        litres = float(moves.litres[0])
        if self.island.fuelled is None:
            return
        day = int((passed_hours + 1e-9) // 24.0)
        while len(self.fuel_days) <= day:
            self.fuel_days.append(
                FuelDay(self.begins + after_hours(24.0 * len(self.fuel_days)), 0.0, 0.0, 0.0)
            )
        old = self.fuel_days[day]
        self.fuel_days[day] = FuelDay(
            old.begins,
            old.hours + float(moves.generator_hours[0]),
            old.litres + litres,
            old.cost + litres * self.price_per_litre,
        )

    def close(self, hours: float, state: State) -> None:
        """End the diary; an empty tank is told where the generator stopped for want of fuel."""
        if self.island.fuelled is None or float(state.litres[0]) > DUST_LITRES:
            return
        stops = [event.at for event in self.events if event.kind == "generator off"]
        at = self.begins + after_hours(hours) if self._was["generator on"] or not stops else stops[-1]
        self.events.append(Event(at, "tank empty"))
        self.events.sort(key=lambda event: event.at)

    def first(self, kind: str) -> pd.Timestamp | None:
        """When something of that kind happened first."""
        return next((event.at for event in self.events if event.kind == kind), None)

    def dark_spells(self) -> tuple[Dark, ...]:
        """Return the dark times, merged."""
        return tuple(Dark(self.begins + after_hours(a), self.begins + after_hours(b)) for a, b in self.dark)

    def _darken(self, begin: float, end: float) -> None:
        if self.dark and begin - self.dark[-1][1] < 1e-6:
            self.dark[-1] = (self.dark[-1][0], end)
        else:
            self.dark.append((begin, end))

    def _note(self, hours: float, kind: str, name: str = "") -> None:
        self.events.append(Event(self.begins + after_hours(hours), kind, name))


class Appliances:
    """Hands what was served to the critical appliances in the order of their priorities, step by step."""

    def __init__(self, ranked: Ranked) -> None:
        self.ranked = ranked
        self.wanted, self.served, self.without = np.zeros((3, len(ranked.listed)))

    def add(self, index: int, hours: float, moves: Moves, shed_kwh: Floats) -> None:
        """Hand out one step: the last in rank are left off in time, those of one rank share alike."""
        wanted = self.ranked.power_kw[:, index] * hours
        asked = wanted - shed_kwh
        left, got = float((moves.wanted - moves.unserved)[0]), np.zeros(len(wanted))
        ranks = [one.priority for one in self.ranked.listed]
        for rank in dict.fromkeys(ranks):
            places = [place for place, other in enumerate(ranks) if other == rank]
            together = float(asked[places].sum())
            share = min(left / together, 1.0) if together > DUST_KWH else 0.0
            got[places] = asked[places] * share
            left = max(left - together * share, 0.0)
        self.wanted += wanted
        self.served += got
        lacking = np.divide(wanted - got, wanted, out=np.zeros_like(wanted), where=wanted > DUST_KWH)
        self.without += np.where(lacking > 1e-9, lacking, 0.0) * hours

    def outcomes(self) -> tuple[ApplianceOutcome, ...]:
        """Return what each got."""
        figures = zip(self.ranked.listed, self.wanted, self.served, self.without, strict=True)
        return tuple(
            ApplianceOutcome(one.name, one.priority, float(wanted), float(served), float(without))
            for one, wanted, served, without in figures
        )
