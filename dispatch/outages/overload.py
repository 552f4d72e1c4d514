"""Loads that are more than the inverter holds: it trips, whatever is stored."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.case import Case


Which = Literal["critical", "all"]
"""The critical load, or all served load: nothing is switched off."""

DUST_KW = 1e-9
"""Powers closer than this are equal."""


@dataclass(frozen=True)
class Overload:
    """A step in which a load, idle draw included, is more than the inverter holds: it trips.

    Attributes
    ----------
    which : str
        The load: "critical" or "all".
    at : Timestamp
        Where the step begins.
    load_w, inverter_w : float
        Mean power of the step, and the inverter's continuous rating. [W, AC]
    hours : float
        Hours of the data in which that load is more than the inverter holds. [h]
    """

    which: Which
    at: pd.Timestamp
    load_w: float
    inverter_w: float
    hours: float

    @property
    def over_w(self) -> float:
        """What must be switched off at the least. [W]."""
        return self.load_w - self.inverter_w


def overload_of(case: Case, load: Which = "critical") -> Overload | None:
    """Find the largest overload in the data, the first of equals; None where the inverter always carries the load."""
    need_kw = need_of(case, load) / case.dt_hours
    return overload_in(case, load, int(np.argmax(need_kw)))


def need_of(case: Case, load: Which) -> Floats:
    """Give a load with idle draw, shape (n,). [kWh, AC]."""
    return (case.critical_kwh if load == "critical" else case.load_kwh) + case.idle_kwh


def is_over(case: Case, need_kwh: Floats) -> NDArray[np.bool_]:
    """Tell in which steps that is more than the inverter holds, shape (n,)."""
    over: NDArray[np.bool_] = need_kwh / case.dt_hours > case.limits.inverter_kw + DUST_KW
    return over


def overload_in(case: Case, load: Which, step: int) -> Overload | None:
    """Describe the overload of one step; None where it is carried."""
    need_kwh = need_of(case, load)
    over = is_over(case, need_kwh)
    if not over[step]:
        return None
    return Overload(
        which=load,
        at=case.times[step],
        load_w=float(need_kwh[step]) / case.dt_hours * 1000.0,
        inverter_w=case.limits.inverter_kw * 1000.0,
        hours=float(over.sum()) * case.dt_hours,
    )


def next_overload(case: Case, need_kwh: Floats, step: int) -> int | None:
    """Count the steps from this one to the first that is overloaded (0: this one); None where none is."""
    over = np.flatnonzero(np.roll(is_over(case, need_kwh), -step))
    return int(over[0]) if over.size else None


def ahead(case: Case, found: Overload, step: int, count: int) -> Overload:
    """Tell an overload's time as it is counted from a step, past the data's end too."""
    at = case.times[step % len(case.times)] + pd.Timedelta(seconds=round(count * case.dt_hours * 3600))
    return Overload(found.which, at, found.load_w, found.inverter_w, found.hours)


def steps_to_overload(case: Case, need_kwh: Floats) -> NDArray[np.float64]:
    """Count the whole steps that are carried from the end of each step on, shape (n,); ``inf`` where all are."""
    over = is_over(case, need_kwh)
    count = len(over)
    if not over.any():
        return np.full(count, np.inf)
    at = np.flatnonzero(np.resize(over, 2 * count + 1))
    begins = np.arange(count) + 1
    found: NDArray[np.float64] = (at[np.searchsorted(at, begins)] - begins).astype(np.float64)
    return found
