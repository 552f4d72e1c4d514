"""Everything ``dispatch backup`` tells about one run: when its hours are few, why, and what more would cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.advice.recommend import MoreHours, more_hours
from dispatch.arrays import quiet
from dispatch.comparison.compare import PeakDay, peak_days
from dispatch.outages.expected_loss import ExpectedLoss, Rates, expected_loss, rates_of
from dispatch.outages.recharge import FULL_FRACTION, Recharge, recharges
from dispatch.safety.answers import EVENING_HOUR, Answer, answer_for
from dispatch.safety.levels import most_hours

if TYPE_CHECKING:
    from dispatch.advice.recommend import Recommendation
    from dispatch.arrays import Floats, Progress
    from dispatch.case.case import Case
    from dispatch.outcome import Outcome
    from dispatch.safety.asked import Asked


PERCENTILES = (0, 1, 5, 25, 50, 75, 95, 100)
WORST = 10
MORE_HOURS = (1.0, 2.0, 4.0)
NEAR_KWH = 1e-3
DEAR_FRACTION = 1.15
"""A load this far above its mean is called heavy."""


@dataclass(frozen=True)
class MonthHour:
    """Backup hours by month (January first) and hour of the local day at which the grid fails.

    ``least`` and ``median`` have shape (12, 24); NaN where the data hold no such instant. [h]
    """

    least: Floats
    median: Floats


@dataclass(frozen=True)
class WorstMoment:
    """One of the instants with the fewest hours, at most one a day.

    Attributes
    ----------
    at : Timestamp
    hours, hours_with_sun : float
    stored_kwh, floor_kwh : float
        Level and reserve floor at that instant. [kWh]
    following_kw : float
        Mean critical load with idle draw while the battery lasts. [kW]
    why : str
    """

    at: pd.Timestamp
    hours: float
    hours_with_sun: float
    stored_kwh: float
    floor_kwh: float
    following_kw: float
    why: str


@dataclass(frozen=True)
class InverterFit:
    """Whether the inverter carries the critical load: all power in kW, idle draw included in ``peak_kw``.

    ``together_kw`` is every critical appliance running at once, ``largest_kw`` the largest of them (None without a
    list); ``surge_kw`` what the inverter gives for a moment (None if not stated).
    """

    continuous_kw: float
    surge_kw: float | None
    peak_kw: float
    carries_peak: bool
    together_kw: float | None
    largest_kw: float | None


@dataclass(frozen=True)
class BackupStudy:
    """What one run leaves for outages; see the classes of its parts."""

    advice: Recommendation
    outcome: Outcome
    chosen_by: str
    answer: Answer
    evening: Answer
    percentiles: dict[int, tuple[float, float]]
    month_hour: MonthHour
    worst: tuple[WorstMoment, ...]
    days_as_bad: int
    peak_days: tuple[PeakDay, ...]
    inverter: InverterFit
    recharges: tuple[Recharge, ...]
    more: tuple[MoreHours, ...]
    most_hours: float
    rates: Rates | None
    losses: tuple[ExpectedLoss, ...]

    @property
    def case(self) -> Case:
        """The case as it was run."""
        return self.outcome.case


def month_hour(case: Case, hours: Floats) -> MonthHour:
    """Sort backup hours by the month and hour in which the grid fails."""
    instants = case.times + pd.Timedelta(hours=case.dt_hours)
    frame = pd.DataFrame({"month": instants.month, "hour": instants.hour, "hours": hours})
    grouped = frame.groupby(["month", "hour"])["hours"]
    places = pd.MultiIndex.from_product([range(1, 13), range(24)])
    least, median = (
        table.reindex(places).to_numpy().reshape(12, 24) for table in (grouped.min(), grouped.median())
    )
    return MonthHour(least, median)


def worst_moments(outcome: Outcome, count: int = WORST) -> tuple[WorstMoment, ...]:
    """Find the days whose worst instant leaves the fewest hours, and say why it is bad."""
    if outcome.backup is None:
        return ()
    case = outcome.case
    hours, with_sun = outcome.backup.hours, outcome.backup.hours_with_sun
    instants = case.times + pd.Timedelta(hours=case.dt_hours)
    order = np.lexsort((np.arange(len(hours)), np.round(with_sun, 2), np.round(hours, 2)))
    seen, chosen = set(), []
    for at in order.tolist():
        day = case.times[at].date()
        if day not in seen:
            seen.add(day)
            chosen.append(at)
        if len(chosen) == count:
            break
    return tuple(_moment(case, outcome, at, instants[at]) for at in chosen)


def days_as_bad(case: Case, hours: Floats) -> int:
    """Count the local days that come within 0.05 h of the fewest hours."""
    return len(np.unique(case.times[hours <= hours.min() + 0.05].normalize()))


def _moment(case: Case, outcome: Outcome, at: int, instant: pd.Timestamp) -> WorstMoment:
    backup = outcome.backup
    assert backup is not None  # noqa: S101 - the caller left out strategies without a battery
    need_kw = (case.critical_kwh + case.idle_kwh) / case.dt_hours
    count = max(int(np.ceil(backup.hours[at] / case.dt_hours)), 1)
    following = need_kw[(at + 1 + np.arange(count)) % len(need_kw)]
    stored, floor = float(outcome.flows["stored"][at]), float(case.floor_kwh[at])
    return WorstMoment(
        at=instant,
        hours=float(backup.hours[at]),
        hours_with_sun=float(backup.hours_with_sun[at]),
        stored_kwh=stored,
        floor_kwh=floor,
        following_kw=float(following.mean()),
        why=_why(
            stored, floor, case.limits.ceiling_kwh, _ratio(float(following.mean()), float(need_kw.mean()))
        ),
    )


def _ratio(value: float, mean: float) -> float:
    return value / mean if mean > 0 else 1.0


def _why(stored_kwh: float, floor_kwh: float, ceiling_kwh: float, load_ratio: float) -> str:
    if stored_kwh < floor_kwh - NEAR_KWH:
        level = "below the reserve: it could not be held"
    elif stored_kwh >= FULL_FRACTION * ceiling_kwh:
        level = "battery full"
    elif stored_kwh <= floor_kwh + NEAR_KWH:
        level = "drawn down to the reserve"
    else:
        level = "above the reserve"
    if load_ratio > DEAR_FRACTION:
        return f"{level}; heavy load ahead"
    if load_ratio > 1 / DEAR_FRACTION:
        return f"{level}; usual load"
    return level  # a light load ahead is no reason for few hours


def inverter_of(outcome: Outcome) -> InverterFit:
    """Compare the inverter's ratings with the critical load, hour by hour and all appliances at once."""
    case, backup = outcome.case, outcome.backup
    critical = case.scenario.critical_load
    appliances = (critical.appliances if critical is not None else None) or ()
    watts = [one.watts * one.count for one in appliances]
    return InverterFit(
        continuous_kw=case.limits.inverter_kw,
        surge_kw=case.limits.surge_kw,
        peak_kw=backup.critical_peak_kw if backup is not None else 0.0,
        carries_peak=backup is not None and backup.carries_critical_peak,
        together_kw=sum(watts) / 1000.0 if watts else None,
        largest_kw=max(watts) / 1000.0 if watts else None,
    )


def refill_after_worst(outcome: Outcome) -> tuple[Recharge, ...]:
    """Recharge from empty, from the instant at which the worst moment's outage has emptied the battery."""
    if outcome.backup is None:
        return ()
    case = outcome.case
    at = int(np.argmin(np.round(outcome.backup.hours, 6)))
    passed = (at + 1) * case.dt_hours + float(outcome.backup.hours[at])
    first = int(passed / case.dt_hours + 1e-9)
    return recharges(case, first, case.limits.empty_kwh, passed - first * case.dt_hours)


def losses_of(advice: Recommendation, outcome: Outcome) -> tuple[Rates | None, tuple[ExpectedLoss, ...]]:
    """Expect a year of outages without the system and under every strategy as set; nothing without statistics."""
    outages = advice.case.scenario.outages
    if outages is None:
        return None, ()
    runs = {run.name: run for run in (advice.no_system, *advice.outcomes.values(), outcome)}
    return rates_of(outages), tuple(expected_loss(run.case, run.flows, outages) for run in runs.values())


def backup_study(
    advice: Recommendation,
    asked: Asked,
    *,
    at: str | None = None,
    level: str | None = None,
    progress: Progress | None = None,
) -> BackupStudy:
    """Work out everything ``dispatch backup`` shows.

    Parameters
    ----------
    advice : Recommendation
    asked : Asked
        The run to look at.
    at, level : str, optional
        See :func:`answer_for`.
    progress : callable, optional
    """
    tell, outcome = progress or quiet, asked.outcome
    backup = outcome.backup
    assert backup is not None  # noqa: S101 - only runs with a battery are asked about
    tell(1, 4, "hours of backup")
    answer, evening = answer_for(outcome, at, level), answer_for(outcome, f"{EVENING_HOUR}:00")
    tell(2, 4, "price of more hours")
    more = tuple(more_hours(advice, outcome, extra) for extra in MORE_HOURS)
    tell(3, 4, "outages of a year")
    rates, losses = losses_of(advice, outcome)
    tell(4, 4, "done")
    return BackupStudy(
        advice=advice,
        outcome=outcome,
        chosen_by=asked.chosen_by,
        answer=answer,
        evening=evening,
        percentiles={
            p: (float(np.percentile(backup.hours, p)), float(np.percentile(backup.hours_with_sun, p)))
            for p in PERCENTILES
        },
        month_hour=month_hour(outcome.case, backup.hours),
        worst=worst_moments(outcome),
        days_as_bad=days_as_bad(outcome.case, backup.hours),
        peak_days=peak_days(advice.no_system.flows, [outcome]),
        inverter=inverter_of(outcome),
        recharges=refill_after_worst(outcome),
        more=more,
        most_hours=most_hours(outcome.case),
        rates=rates,
        losses=losses,
    )
