"""How long the stored energy would carry the critical load if the grid failed now.

Asked at the end of every step of the year. The draw is the critical load plus the system's own idle
draw; the energy is what lies above ``empty``; an outage that reaches past the data's end goes on with its
start, so that December's last nights are judged by January's load.

Without sun the answer is a search in the running total of the draw. With sun the battery's level has to
be followed, because a full battery wastes sun: all starts are followed together, one step of the outage
at a time, and leave the calculation when their battery is empty. Self-discharge is left out: over the
horizon it is far below what the load forecast is good for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.case.case import Case


_TOLERANCE_KWH = 1e-9
"""A level this little below empty is rounding, not an empty battery."""


_TIE_HOURS = 1e-6
"""Instants this close to the minimum are equally bad: the first of them is named."""


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
        Where it is False the hours count energy only.
    critical_peak_kw : float
        That largest load: mean power over one step, idle draw included. [kW]
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


def backup_hours(case: Case, stored_kwh: Floats, with_sun: bool) -> Floats:
    """Tell how long the battery carries the critical load from the end of each step.

    Parameters
    ----------
    case : Case
        Gives the critical load, idle draw and sun (kWh per step, shape (n,)) and the limits.
    stored_kwh : ndarray of float, shape (n,)
        Energy in the cells at the end of each step. [kWh]
    with_sun : bool
        Whether the panels go on working in the outage: sun serves the load first, through the inverter;
        what is left charges the battery within its charging limit, taper and ceiling.

    Returns
    -------
    ndarray of float, shape (n,)
        Hours until the first moment without supply, fractions of a step included, at most
        ``limits.backup_horizon_hours``. [h]

    Notes
    -----
    For a constant load and no sun this is ``(stored - empty)·η_discharge·η_inverter/(load + idle)``.
    Only energy is counted: a load above the inverter's rating is reported by
    :attr:`BackupSummary.carries_critical_peak`, not as zero hours.
    """
    above_empty_kwh = np.maximum(np.asarray(stored_kwh, dtype=np.float64) - case.limits.empty_kwh, 0.0)
    steps = math.ceil(case.limits.backup_horizon_hours / case.dt_hours - 1e-9)
    follow = _hours_with_sun if with_sun else _hours_without_sun
    return np.minimum(follow(case, above_empty_kwh, steps), case.limits.backup_horizon_hours)


def backup_summary(case: Case, stored_kwh: Floats) -> BackupSummary:
    """Summarise the hours of backup one strategy leaves.

    Parameters
    ----------
    case : Case
        The resolved scenario, n steps.
    stored_kwh : ndarray of float, shape (n,)
        Energy in the cells at the end of each step. [kWh]

    Returns
    -------
    BackupSummary
    """
    hours = backup_hours(case, stored_kwh, with_sun=False)
    hours_with_sun = backup_hours(case, stored_kwh, with_sun=True)
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
        carries_critical_peak=peak_kw <= case.limits.inverter_kw + 1e-9,
        critical_peak_kw=peak_kw,
    )


def _worst_at(case: Case, hours: Floats) -> pd.Timestamp:
    first = int(np.argmax(hours <= hours.min() + _TIE_HOURS))
    return case.times[first] + pd.Timedelta(hours=case.dt_hours)


def _following(series_kwh: Floats, steps: int) -> Floats:
    """Shift a series so that element t + k is step k of an outage begun at the end of step t, wrapped."""
    return np.resize(np.roll(series_kwh, -1), len(series_kwh) + steps)


def _draw_kwh(case: Case, load_kwh: Floats) -> Floats:
    """Turn an AC load into the energy that leaves the cells for it, both in kWh per step."""
    return load_kwh / (case.limits.eta_inverter * case.limits.eta_discharge)


def _hours_without_sun(case: Case, above_empty_kwh: Floats, steps: int) -> Floats:
    draw_kwh = _following(_draw_kwh(case, case.critical_kwh + case.idle_kwh), steps)
    total_kwh = np.concatenate([[0.0], np.cumsum(draw_kwh)])
    starts = np.arange(len(above_empty_kwh))
    reach_kwh = total_kwh[starts] + above_empty_kwh
    # the last step boundary reached; the tolerance lets an exactly sufficient charge reach its boundary
    reached = np.searchsorted(total_kwh, reach_kwh + _TOLERANCE_KWH, side="right") - 1
    reached = np.minimum(reached, starts + steps)
    in_next_kwh = draw_kwh[np.minimum(reached, len(draw_kwh) - 1)]
    rest_kwh = np.maximum(reach_kwh - total_kwh[reached], 0.0)
    part = np.divide(rest_kwh, in_next_kwh, out=np.zeros_like(rest_kwh), where=in_next_kwh > 0.0)
    hours: Floats = (reached - starts + np.minimum(part, 1.0)) * case.dt_hours
    return hours


def _hours_with_sun(case: Case, above_empty_kwh: Floats, steps: int) -> Floats:
    limits = case.limits
    load_kwh = case.critical_kwh + case.idle_kwh
    served_kwh = np.minimum(load_kwh, limits.inverter_kw * case.dt_hours)
    served_kwh = np.minimum(served_kwh, limits.eta_inverter * case.sun_kwh)
    surplus_kwh = np.maximum(case.sun_kwh - served_kwh / limits.eta_inverter, 0.0)
    offered_kwh = limits.eta_dc * np.minimum(surplus_kwh, limits.total_charge_kw * case.dt_hours)
    offered_kwh = np.where(case.may_charge, offered_kwh, 0.0)
    draw_kwh = _following(_draw_kwh(case, load_kwh - served_kwh), steps)
    offered_kwh = _following(offered_kwh, steps)

    taper = -math.expm1(-case.dt_hours / limits.taper_hours) if limits.taper_hours > 0.0 else 1.0
    full_kwh = limits.full_kwh - limits.empty_kwh
    ceiling_kwh = limits.ceiling_kwh - limits.empty_kwh
    hours = np.full(len(above_empty_kwh), steps * case.dt_hours)
    alive = np.arange(len(above_empty_kwh))
    level_kwh = above_empty_kwh
    for step in range(steps):
        room_kwh = np.maximum(np.minimum((full_kwh - level_kwh) * taper, ceiling_kwh - level_kwh), 0.0)
        change_kwh = np.minimum(offered_kwh[alive + step], room_kwh) - draw_kwh[alive + step]
        after_kwh = level_kwh + change_kwh
        out = after_kwh < -_TOLERANCE_KWH
        if out.any():
            # change is below zero here: the level falls evenly through the step until it meets empty
            hours[alive[out]] = (step + level_kwh[out] / -change_kwh[out]) * case.dt_hours
            alive, after_kwh = alive[~out], after_kwh[~out]
            if not alive.size:
                break
        level_kwh = np.maximum(after_kwh, 0.0)
    return hours
