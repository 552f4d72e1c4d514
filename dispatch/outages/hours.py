"""How long a load would be carried if the grid failed now: hours that can be delivered.

Asked at the end of every step of the year, for the critical load and for all that is served (nothing is switched off),
each with the system's own idle draw. The energy is what lies above ``empty``; an outage that reaches past the data's
end goes on with its start, so that December's last nights are judged by January's load.

A step that asks more of the inverter than it holds cannot be carried: hours end where it begins, and are 0 where it is
the first. Nothing is counted as shed, no generator as running. Surge is another statement
(:attr:`dispatch.case.limits.Limits.surge_kw`).

Without sun the answer is a search in the running total of the draw. With sun the battery's level has to be followed,
because a full battery wastes sun: all starts are followed together, one step of the outage at a time, and leave the
calculation when their battery is empty. What the cells take comes from :mod:`dispatch.outages.level`, as in every
outage. Self-discharge is left out here, as in a reserve in hours, so that a reserve of H hours carries H hours; an
outage that is played counts it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.outages.level import charged_by_sun
from dispatch.outages.overload import (
    DUST_KW,
    Overload,
    ahead,
    is_over,
    need_of,
    next_overload,
    overload_in,
    overload_of,
    steps_to_overload,
)

__all__ = [
    "BackupSummary",
    "MomentHours",
    "Overload",
    "backup_hours",
    "backup_summary",
    "hours_at",
    "overload_of",
]

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.outages.overload import Which


_TOLERANCE_KWH = 1e-9
"""A level this little below empty is rounding, not an empty battery."""

_TIE_HOURS = 1e-6
"""Instants this close to the minimum are equally bad: the first of them is named."""


@dataclass(frozen=True)
class MomentHours:
    """What one instant and one level give.

    Attributes
    ----------
    at : Timestamp
    stored_kwh : float
    hours, hours_with_sun : float
        Critical load. [h]
    all_hours, all_hours_with_sun : float
        Nothing switched off. [h]
    trip, all_trip : Overload or None
        The first overload within the hours ahead that end there; None where the battery is empty first.
    need_w, all_need_w : float
        Mean power of the step in which the outage begins, idle draw included. [W, AC]
    """

    at: pd.Timestamp
    stored_kwh: float
    hours: float
    hours_with_sun: float
    all_hours: float
    all_hours_with_sun: float
    trip: Overload | None
    all_trip: Overload | None
    need_w: float
    all_need_w: float

    @property
    def trips_at_once(self) -> bool:
        """Whether the inverter trips at this very moment if nothing is switched off."""
        return self.all_trip is not None and self.all_trip.at <= self.at


@dataclass(frozen=True)
class BackupSummary:
    """Hours of backup at the end of every step of one strategy, and their low points.

    Attributes
    ----------
    hours, hours_with_sun : ndarray of float, shape (n,)
        Hours the critical load is carried from the end of step t on, capped at the horizon. [h]
    minimum, p05, median, with_sun_minimum, with_sun_p05, with_sun_median : float
        Lowest value, 5th percentile (linear interpolation) and median over the n instants. [h]
    worst_at, with_sun_worst_at : pandas.Timestamp
        End of the first step at which the minimum is met, on the site's clock.
    carries_critical_peak : bool
        Whether the inverter's continuous rating covers the largest critical load, idle draw included.
    critical_peak_kw : float
        That largest load: mean power over one step, idle draw included. [kW]
    all_hours, all_hours_with_sun : ndarray of float, shape (n,)
        Hours if nothing is switched off. [h]
    all_minimum, all_p05, all_median : float
        Of ``all_hours``. [h]
    overload, all_overload : Overload or None
        The largest overload by the critical load and by all load; None where the inverter carries it always.
    """

    hours: Floats
    hours_with_sun: Floats
    minimum: float
    p05: float
    median: float
    worst_at: pd.Timestamp
    with_sun_minimum: float
    with_sun_p05: float
    with_sun_median: float
    with_sun_worst_at: pd.Timestamp
    carries_critical_peak: bool
    critical_peak_kw: float
    all_hours: Floats
    all_hours_with_sun: Floats
    all_minimum: float
    all_p05: float
    all_median: float
    overload: Overload | None
    all_overload: Overload | None


def backup_hours(
    case: Case, stored_kwh: Floats, with_sun: bool = False, *, load: Which = "critical"
) -> Floats:
    """Tell how long the battery carries a load from the end of each step.

    Parameters
    ----------
    case : Case
        Gives the loads, idle draw and sun (kWh per step, shape (n,)) and the limits.
    stored_kwh : ndarray of float, shape (n,)
        Energy in the cells at the end of each step. [kWh]
    with_sun : bool
        Whether the panels go on working in the outage: sun serves the load first, through the inverter;
        what is left charges the battery within its charging limit, taper and ceiling.
    load : str
        "critical", or "all": the whole served load.

    Returns
    -------
    ndarray of float, shape (n,)
        Hours until the first moment in which not all of the load is carried, fractions of a step included, at most
        ``limits.backup_horizon_hours``. [h]

    Notes
    -----
    For a constant load within the inverter's rating and no sun this is
    ``(stored - empty)·η_discharge·η_inverter/(load + idle)``; above it, 0.
    """
    stored_kwh = np.asarray(stored_kwh, dtype=np.float64)
    steps = math.ceil(case.limits.backup_horizon_hours / case.dt_hours - 1e-9)
    follow = _hours_with_sun if with_sun else _hours_without_sun
    need_kwh = need_of(case, load)
    carried_hours = steps_to_overload(case, need_kwh) * case.dt_hours
    hours = np.minimum(follow(case, need_kwh, stored_kwh, steps), carried_hours)
    return np.minimum(hours, case.limits.backup_horizon_hours)


def backup_summary(case: Case, stored_kwh: Floats) -> BackupSummary:
    """Summarise the hours of backup one strategy leaves.

    Parameters
    ----------
    case : Case
        The resolved scenario, n steps.
    stored_kwh : ndarray of float, shape (n,)
        Energy in the cells at the end of each step. [kWh]
    """
    hours = backup_hours(case, stored_kwh, with_sun=False)
    hours_with_sun = backup_hours(case, stored_kwh, with_sun=True)
    all_hours = backup_hours(case, stored_kwh, with_sun=False, load="all")
    peak_kw = float(np.max(case.critical_kwh + case.idle_kwh) / case.dt_hours)
    return BackupSummary(
        hours=hours,
        hours_with_sun=hours_with_sun,
        minimum=float(hours.min()),
        p05=float(np.percentile(hours, 5)),
        median=float(np.median(hours)),
        worst_at=_worst_at(case, hours),
        with_sun_minimum=float(hours_with_sun.min()),
        with_sun_p05=float(np.percentile(hours_with_sun, 5)),
        with_sun_median=float(np.median(hours_with_sun)),
        with_sun_worst_at=_worst_at(case, hours_with_sun),
        carries_critical_peak=peak_kw <= case.limits.inverter_kw + DUST_KW,
        critical_peak_kw=peak_kw,
        all_hours=all_hours,
        all_hours_with_sun=backup_hours(case, stored_kwh, with_sun=True, load="all"),
        all_minimum=float(all_hours.min()),
        all_p05=float(np.percentile(all_hours, 5)),
        all_median=float(np.median(all_hours)),
        overload=overload_of(case, "critical"),
        all_overload=overload_of(case, "all"),
    )


def hours_at(case: Case, stored_kwh: float, step: int, offset_hours: float = 0.0) -> MomentHours:
    """Tell what one level gives at one instant.

    Parameters
    ----------
    case : Case
    stored_kwh : float
        Energy in the cells then. [kWh]
    step : int
        Step of the data in which the grid fails. An instant at a step's end lies in the next step.
    offset_hours : float
        How far into that step. [h]
    """
    count = len(case.times)
    step %= count
    hours, hours_with_sun, trip = _until(case, "critical", stored_kwh, step, offset_hours)
    all_hours, all_hours_with_sun, all_trip = _until(case, "all", stored_kwh, step, offset_hours)
    return MomentHours(
        at=case.times[step] + pd.Timedelta(seconds=round(offset_hours * 3600)),
        stored_kwh=stored_kwh,
        hours=hours,
        hours_with_sun=hours_with_sun,
        all_hours=all_hours,
        all_hours_with_sun=all_hours_with_sun,
        trip=trip,
        all_trip=all_trip,
        need_w=float(need_of(case, "critical")[step]) / case.dt_hours * 1000.0,
        all_need_w=float(need_of(case, "all")[step]) / case.dt_hours * 1000.0,
    )


def _until(
    case: Case, load: Which, stored_kwh: float, step: int, offset_hours: float
) -> tuple[float, float, Overload | None]:
    """Hours without and with sun from one instant on, and the overload that ends the longer of them, if one does."""
    need_kwh, horizon = need_of(case, load), case.limits.backup_horizon_hours
    first = next_overload(case, need_kwh, step)
    begins = math.inf if first is None else max(first * case.dt_hours - offset_hours, 0.0)
    dark, sunny = (
        min(_one(case, need_kwh, stored_kwh, step, offset_hours, with_sun=sun), begins, horizon)
        for sun in (False, True)
    )
    if first is None or max(dark, sunny) < begins - _TIE_HOURS:
        return dark, sunny, None
    found = overload_in(case, load, (step + first) % len(case.times))
    return dark, sunny, found and ahead(case, found, step, first)


# ---- energy ------------------------------------------------------------------------------------------------


def _worst_at(case: Case, hours: Floats) -> pd.Timestamp:
    first = int(np.argmax(hours <= hours.min() + _TIE_HOURS))
    return case.times[first] + pd.Timedelta(hours=case.dt_hours)


def _following(series_kwh: Floats, steps: int) -> Floats:
    """Shift a series so that element t + k is step k of an outage begun at the end of step t, wrapped."""
    return np.resize(np.roll(series_kwh, -1), len(series_kwh) + steps)


def _draw_kwh(case: Case, load_kwh: Floats) -> Floats:
    """Turn an AC load into the energy that leaves the cells for it, both in kWh per step."""
    return load_kwh / (case.limits.eta_inverter * case.limits.eta_discharge)


def _hours_without_sun(case: Case, need_kwh: Floats, stored_kwh: Floats, steps: int) -> Floats:
    above_empty_kwh = np.maximum(stored_kwh - case.limits.empty_kwh, 0.0)
    draw_kwh = _following(_draw_kwh(case, need_kwh), steps)
    total_kwh = np.concatenate([[0.0], np.cumsum(draw_kwh)])
    starts = np.arange(len(above_empty_kwh))
    reach_kwh = total_kwh[starts] + above_empty_kwh
    # the last step boundary reached; the tolerance lets an exactly sufficient charge reach its boundary
    reached = np.searchsorted(total_kwh, reach_kwh + _TOLERANCE_KWH, side="right") - 1
    in_next_kwh = draw_kwh[np.minimum(reached, len(draw_kwh) - 1)]
    rest_kwh = np.maximum(reach_kwh - total_kwh[reached], 0.0)
    part = np.divide(rest_kwh, in_next_kwh, out=np.zeros_like(rest_kwh), where=in_next_kwh > 0.0)
    hours: Floats = (reached - starts + np.minimum(part, 1.0)) * case.dt_hours
    return hours


def _with_sun(case: Case, need_kwh: Floats) -> tuple[Floats, Floats]:
    """Sun left for the battery (DC), and what the cells must give, both in kWh per step."""
    limits = case.limits
    served_kwh = np.minimum(need_kwh, limits.inverter_kw * case.dt_hours)
    served_kwh = np.minimum(served_kwh, limits.eta_inverter * case.sun_kwh)
    surplus_kwh = np.maximum(case.sun_kwh - served_kwh / limits.eta_inverter, 0.0)
    surplus_kwh = np.where(case.may_charge, surplus_kwh, 0.0)  # packs too cold are not charged
    return surplus_kwh, _draw_kwh(case, need_kwh - served_kwh)


def _hours_with_sun(case: Case, need_kwh: Floats, stored_kwh: Floats, steps: int) -> Floats:
    surplus_kwh, draw_kwh = (_following(series, steps) for series in _with_sun(case, need_kwh))
    over = _following(is_over(case, need_kwh).astype(np.float64), steps) > 0.0
    empty_kwh = case.limits.empty_kwh
    hours = np.full(len(stored_kwh), steps * case.dt_hours)
    alive = np.arange(len(stored_kwh))
    level_kwh = np.maximum(stored_kwh, empty_kwh)
    for step in range(steps):
        drawn_kwh = draw_kwh[alive + step]
        after_kwh = level_kwh - drawn_kwh
        charges = np.flatnonzero(surplus_kwh[alive + step] > _TOLERANCE_KWH)
        if charges.size:
            sun_kw = surplus_kwh[alive[charges] + step] / case.dt_hours
            after_kwh[charges] = charged_by_sun(case.limits, level_kwh[charges], sun_kw, case.dt_hours)
        out = after_kwh < empty_kwh - _TOLERANCE_KWH
        gone = out | over[alive + step]  # saves time only: the hours are cut where an overload begins
        if gone.any():
            # the level falls evenly through the step until it meets empty
            hours[alive[out]] = (step + (level_kwh[out] - empty_kwh) / drawn_kwh[out]) * case.dt_hours
            alive, after_kwh = alive[~gone], after_kwh[~gone]
            if not alive.size:
                break
        level_kwh = np.maximum(after_kwh, empty_kwh)
    return hours


def _one(  # noqa: PLR0913 - an instant, a level and a load
    case: Case, need_kwh: Floats, stored_kwh: float, step: int, offset_hours: float, *, with_sun: bool
) -> float:
    """Hours of energy from one instant on; a plain loop over its steps."""
    surplus_kwh, draw_kwh = (
        _with_sun(case, need_kwh) if with_sun else (np.zeros_like(need_kwh), _draw_kwh(case, need_kwh))
    )
    passed, level, empty = 0.0, max(stored_kwh, case.limits.empty_kwh), case.limits.empty_kwh
    length = case.dt_hours - offset_hours
    while passed < case.limits.backup_horizon_hours:
        at = step % len(case.times)
        if surplus_kwh[at] > _TOLERANCE_KWH:
            sun_kw = np.array([surplus_kwh[at] / case.dt_hours])
            level = float(charged_by_sun(case.limits, np.array([level]), sun_kw, length)[0])
        drawn = float(draw_kwh[at]) * length / case.dt_hours
        if level - drawn < empty - _TOLERANCE_KWH:
            return passed + (level - empty) / drawn * length
        level = max(level - drawn, empty)
        passed, step, length = passed + length, step + 1, case.dt_hours
    return case.limits.backup_horizon_hours
