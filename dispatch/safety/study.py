"""Everything ``dispatch backup`` tells about one run: when its hours are few, why, and what more would cost."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.advice.recommend import MoreHours, more_hours
from dispatch.arrays import quiet
from dispatch.backup.expected_loss import ExpectedLoss, Rates, expected_loss, rates_of
from dispatch.backup.hours import backup_hours, hours_at
from dispatch.backup.outage import span_of
from dispatch.backup.overload import Overload, overload_of
from dispatch.backup.recharge import FULL_FRACTION, Recharge, recharges
from dispatch.comparison.compare import PeakDay, peak_days
from dispatch.errors import ScenarioError
from dispatch.safety.asked import level_kwh
from dispatch.safety.levels import most_hours

if TYPE_CHECKING:
    from dispatch.advice.recommend import Recommendation
    from dispatch.arrays import Floats, Ints, Progress
    from dispatch.case.case import Case
    from dispatch.outcome import Outcome
    from dispatch.safety.asked import Asked


PERCENTILES = (0, 1, 5, 25, 50, 75, 95, 100)


WORST = 10


MORE_HOURS = (1.0, 2.0, 4.0)


EVENING_HOUR = 20
"""The hour of the clock at which a usual evening is judged."""


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
class Answer:
    """How long it lasts, for the instants and the level asked about.

    Attributes
    ----------
    at : str
        What was asked: ``any moment``, a clock time, or a moment.
    level_kwh : float or None
        The level given; None: what the battery holds then, as the run leaves it.
    count : int
        How many instants of the data that is.
    stored_kwh : tuple of float
        Lowest and median level of those instants. [kWh]
    least, usual : float
        Fewest and median hours of critical load, without sun. [h]
    least_with_sun, usual_with_sun : float
    least_all, usual_all : float
        The same while nothing is switched off: the whole served load, without sun. [h]
    worst_at : Timestamp
        The first instant with the fewest hours.
    trip : Overload or None
        For one moment: the overload at which the inverter trips if nothing is switched off; else the largest of the
        data.
    """

    at: str
    level_kwh: float | None
    count: int
    stored_kwh: tuple[float, float]
    least: float
    usual: float
    least_with_sun: float
    usual_with_sun: float
    least_all: float
    usual_all: float
    worst_at: pd.Timestamp
    trip: Overload | None


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


@dataclass(frozen=True)
class Quick:
    """What the first screen of ``dispatch compare`` tells about hours.

    Attributes
    ----------
    worst, evening : Answer
        Of what is set: over every moment, and at the hour an evening is judged by.
    evenings : dict of str to float
        Usual hours of critical load at that hour, by strategy. [h]
    more : MoreHours
        Two more hours at the worst moment.
    """

    worst: Answer
    evening: Answer
    evenings: dict[str, float]
    more: MoreHours


def quick_answers(advice: Recommendation) -> Quick:
    """Work out the hours the first screen of ``dispatch compare`` tells."""
    evening = f"{EVENING_HOUR}:00"
    return Quick(
        worst=answer_for(advice.chosen),
        evening=answer_for(advice.chosen, evening),
        evenings={name: _usual(run, evening) for name, run in advice.outcomes.items()},
        more=more_hours(advice, advice.chosen, 2.0),
    )


def _usual(run: Outcome, at: str) -> float:
    return float(np.median(run.backup.hours[_places(run.case, at)])) if run.backup else 0.0


def answer_for(outcome: Outcome, at: str | None = None, level: str | None = None) -> Answer:
    """Answer how long the battery lasts for a moment, an hour of the day, or at all, and for a level if given.

    Parameters
    ----------
    outcome : Outcome
    at : str, optional
        A clock time (``20:00``) or a date and time in the data; default: every instant.
    level : str, optional
        What the battery holds then; default: what the run leaves.

    Raises
    ------
    ScenarioError
        If the time is none or lies outside the data, or the level cannot be.
    """
    case = outcome.case
    given = None if level is None else level_kwh(case, level, "--level")
    if at is not None and not _CLOCK.fullmatch(at.strip()):
        return _answer_at(outcome, at, given)
    places = _places(case, at)
    stored = outcome.flows["stored"] if given is None else np.full(len(case.times), given)
    hours, sunny = (backup_hours(case, stored, with_sun=with_sun)[places] for with_sun in (False, True))
    everything = backup_hours(case, stored, load="all")[places]
    first = int(np.argmax(hours <= hours.min() + 1e-6))
    return Answer(
        at=at or "any moment",
        level_kwh=given,
        count=len(places),
        stored_kwh=(float(stored[places].min()), float(np.median(stored[places]))),
        least=float(hours.min()),
        usual=float(np.median(hours)),
        least_with_sun=float(sunny.min()),
        usual_with_sun=float(np.median(sunny)),
        least_all=float(everything.min()),
        usual_all=float(np.median(everything)),
        worst_at=case.times[places[first]] + pd.Timedelta(hours=case.dt_hours),
        trip=overload_of(case, "all"),
    )


def _answer_at(outcome: Outcome, at: str, given: float | None) -> Answer:
    """Answer for one moment; inside a step the level moves evenly from its beginning to its end."""
    case = outcome.case
    span = span_of(case, at, case.dt_hours)
    before, after = outcome.flows.stored_before_kwh()[span.first], outcome.flows["stored"][span.first]
    held = float(before + (after - before) * span.offset_hours / case.dt_hours) if given is None else given
    found = hours_at(case, held, span.first, span.offset_hours)
    return Answer(
        at=at,
        level_kwh=given,
        count=1,
        stored_kwh=(held, held),
        least=found.hours,
        usual=found.hours,
        least_with_sun=found.hours_with_sun,
        usual_with_sun=found.hours_with_sun,
        least_all=found.all_hours,
        usual_all=found.all_hours,
        worst_at=found.at,
        trip=found.all_trip,
    )


_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)|24:00")


def _places(case: Case, at: str | None) -> Ints:
    """Find the steps at whose end the instants asked about lie."""
    count = len(case.times)
    if at is None:
        return np.arange(count)
    wanted = int(at.split(":")[0]) % 24 * 60 + int(at.split(":")[1])
    instants = case.times + pd.Timedelta(hours=case.dt_hours)
    minute = np.asarray(instants.hour * 60 + instants.minute)
    places = np.flatnonzero((wanted - minute) % 1440 < case.dt_hours * 60)
    if not len(places):
        raise ScenarioError(f"{case.path}: --at: the data hold no instant at {at}; name another time")
    return places


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
