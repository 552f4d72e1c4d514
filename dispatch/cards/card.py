"""Settings as a person enters them: windows on the clock, target levels, one reserve, per season and kind of day.

A card has one :class:`DayPlan` per :class:`Group` (a season and the days it is for). At every moment the plan of
that season and kind of day holds, with the reserve of a dated raise or of tomorrow's season where that is higher;
a window that crosses midnight is, on the days it is for, the piece from its
start to 24:00 and the piece from 00:00 to its end. The device knows the calendar's weekends; it knows holidays only
where the scenario says so.
"""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - dataclasses keep it
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tariffs.reading.clock import MINUTES_PER_DAY, clock_text

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from dispatch.arrays import Flags


EVERY_DAY, WEEKDAYS, WEEKENDS, HOLIDAYS = "every day", "weekdays", "weekends", "holidays"
EVENT_DAYS = "event days"  # days the utility calls: entered by hand the evening before, taken back after


@dataclass(frozen=True, order=True)
class Window:
    """A stretch of the clock, half open, in minutes after midnight; ``end`` ≤ ``start`` crosses midnight."""

    start: int
    end: int

    def holds(self, minute: NDArray[np.int64]) -> Flags:
        """Tell which minutes of the day lie in it."""
        if self.start < self.end:
            return (minute >= self.start) & (minute < self.end)
        return (minute >= self.start) | (minute < self.end)

    @property
    def minutes(self) -> int:
        """How long it is."""
        return (self.end - self.start - 1) % MINUTES_PER_DAY + 1

    @property
    def text(self) -> str:
        """As a person reads it: ``22:00-06:00``."""
        return f"{clock_text(self.start)}-{clock_text(self.end)}"


@dataclass(frozen=True, order=True)
class ChargeWindow(Window):
    """Grid charging up to a level, percent of nominal."""

    to_percent: float


@dataclass(frozen=True, order=True)
class DischargeWindow(Window):
    """The load may draw the battery down to a level, percent of nominal; None, and every lower level: the reserve."""

    to_percent: float | None = None


@dataclass(frozen=True, order=True)
class Raise:
    """A higher reserve that is entered by hand and taken back again, on the clock of the wall.

    Attributes
    ----------
    begins, ends : datetime
        Local wall time, without zone; it holds in every step that begins at or after ``begins`` and before ``ends``.
    reserve_percent : float
        Percent of nominal; a plan with a higher reserve keeps its own.
    """

    begins: dt.datetime
    ends: dt.datetime
    reserve_percent: float


@dataclass(frozen=True)
class DayPlan:
    """What the device is told for one season and kind of day.

    Attributes
    ----------
    charge : tuple of ChargeWindow
        When the grid may fill the battery, and how far.
    discharge : tuple of DischargeWindow
        When the load may draw the battery down, and how far.
    reserve_percent : float
        Never drawn below; kept up from the grid at any hour. Percent of nominal.
    """

    charge: tuple[ChargeWindow, ...]
    discharge: tuple[DischargeWindow, ...]
    reserve_percent: float

    @property
    def entries(self) -> int:
        """How many windows a person has to type, a level beside a discharge window counted with them."""
        levels = sum(window.to_percent is not None for window in self.discharge)
        return len(self.charge) + len(self.discharge) + levels


@dataclass(frozen=True)
class Group:
    """A season and the kind of day a plan is for."""

    season: str
    days: str


@dataclass(frozen=True)
class Card:
    """The whole of what is entered: one plan per group, in the groups' order, and where the sun goes first.

    Attributes
    ----------
    plans : tuple of DayPlan
    sun_first : str
        "load", or "battery": outside the discharge windows the sun then charges before it serves the load.
    sells : bool
        Whether the battery sells to the grid in its discharge windows.
    raises : tuple of Raise
        Reserves entered for some days, in the order of their begin.
    """

    plans: tuple[DayPlan, ...]
    sun_first: str = "load"
    sells: bool = False
    raises: tuple[Raise, ...] = ()
