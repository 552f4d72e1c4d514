"""How long it lasts, for the moment and the level asked about."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.advice.recommend import MoreHours, more_hours
from dispatch.errors import ScenarioError
from dispatch.outages.hours import backup_hours, hours_at
from dispatch.outages.outage import span_of
from dispatch.outages.overload import Overload, overload_of
from dispatch.safety.asked import level_kwh

if TYPE_CHECKING:
    from dispatch.advice.recommend import Recommendation
    from dispatch.arrays import Ints
    from dispatch.case.case import Case
    from dispatch.outcome import Outcome


EVENING_HOUR = 20
"""The hour of the clock at which a usual evening is judged."""


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
