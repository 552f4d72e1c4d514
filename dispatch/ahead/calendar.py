"""Days and clock times of a series, and the past days that stand for the coming ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.case import Case


PATHS = 28

ALIKE = (
    0.3  # how strongly days count whose eve was like today: chosen on the homes of the tests, see DEVELOPERS
)

LEAST_WEIGHT = 0.05


class Calendar:
    """Steps by local day and clock time.

    Parameters
    ----------
    times : DatetimeIndex, shape (n,)
        Start of each step on the site's clock.

    Attributes
    ----------
    day, slot : array of int, shape (n,)
        Local day, counted from the first one, and clock time as an index into ``minutes``.
    step : array of int, shape (days, slots)
        The first step at that day and clock time; where the clock skips it, the step before.
    """

    def __init__(self, times: pd.DatetimeIndex) -> None:
        local = times.tz_localize(None)
        minute = np.asarray(local.hour * 60 + local.minute)
        self.minutes, slot = np.unique(minute, return_inverse=True)
        day = np.asarray(local.normalize().as_unit("s").asi8 // 86_400)
        self.day, self.slot = day - day[0], np.asarray(slot, dtype=np.intp)
        self.days = int(self.day[-1]) + 1
        step = np.full((self.days, len(self.minutes)), -1, dtype=np.intp)
        step[self.day[::-1], self.slot[::-1]] = np.arange(len(times))[::-1]
        self.step = np.maximum.accumulate(step.ravel()).reshape(step.shape)
        self.step = np.maximum(self.step, 0)

    def past(self, day: NDArray[np.int64]) -> NDArray[np.int64]:
        """Days that stand for these: before the data's first day, its last weeks with the same weekdays."""
        weeks = self.days // 7 * 7 if self.days >= 7 else self.days
        return np.where(day < 0, day % weeks, np.minimum(day, self.days - 1))


@dataclass(frozen=True)
class Paths:
    """Past stretches that stand for a coming one.

    Attributes
    ----------
    steps : array of int, shape (p, h)
        The past step that each path has for each coming one.
    weights : array, shape (p,)
        How much each counts; they sum to 1.
    """

    steps: NDArray[np.intp]
    weights: Floats


class History:
    """What a case has seen, as paths.

    Parameters
    ----------
    case : Case
        Load, rest of the house and sun of past days are taken together, so that a dull day stays a dull one.
    """

    def __init__(self, case: Case) -> None:
        self.calendar = Calendar(case.times)
        self._per_day = max(1, round(24 / case.dt_hours))
        used = case.load_kwh + case.other_kwh
        self._total = np.stack([np.concatenate([[0.0], np.cumsum(a)]) for a in (case.sun_kwh, used)])

    def paths(self, first: int, steps: int, count: int = PATHS) -> Paths:
        """Return the latest days followed by their next, as far back as is known at the start of step ``first``.

        A path begins at the same clock time some days earlier, late enough in the past to be known in full. Days
        count the more, the more the 24 hours before them were like the last 24 hours, in sun and in use.
        """
        calendar = self.calendar
        ahead = slice(first, first + steps)
        day, slot = calendar.day[ahead], calendar.slot[ahead]
        whole = (calendar.day[ahead.stop - 1] - day[0]) + (slot[-1] >= slot[0])
        back = int(whole) + np.arange(count)
        days = calendar.past(day[None] - back[:, None])
        found = calendar.step[days, slot[None]]
        return Paths(found, self._weights(first, found[:, 0]))

    def _weights(self, first: int, begins: NDArray[np.intp]) -> Floats:
        flat = np.full(len(begins), 1.0 / len(begins))
        per = self._per_day
        known = begins >= per
        if first < per or known.sum() < 2:
            return flat
        eve = np.where(known, begins, begins[known][0])
        seen = self._total[:, eve] - self._total[:, eve - per]
        today = self._total[:, first] - self._total[:, first - per]
        spread = np.maximum(seen.std(axis=1), 1e-9)
        apart = (((seen - today[:, None]) / spread[:, None]) ** 2).sum(axis=0)
        weights = np.exp(-0.5 * ALIKE * apart) + LEAST_WEIGHT
        return np.asarray(weights / weights.sum())
