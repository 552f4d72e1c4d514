"""Event days of rebates laid on a series: the hours that count, and the like days that make the baseline."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from tariffs.errors import TariffError
from tariffs.periods.layout import Layout
from tariffs.reading.clock import clock_text
from tariffs.sheet.rebates import Rebate

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class RebateEvent:
    """One event day of one rebate.

    Attributes
    ----------
    part : int
        Part of the bills that it lies in.
    rebate : Rebate
    date : date
    steps : array of int
        Its hours.
    like : tuple of array of int
        The same hours of every like day; empty where the file tells the baseline.
    counted : int
        The baseline is the mean of this many of them, those with the most kWh.
    known_kwh : Decimal or None
        The baseline as told. [kWh]
    """

    part: int
    rebate: Rebate
    date: dt.date
    steps: Ints
    like: tuple[Ints, ...]
    counted: int
    known_kwh: Decimal | None


def rebate_events(layout: Layout) -> list[RebateEvent]:
    """Return every event day of every rebate that the series covers, in order of time.

    Raises
    ------
    TariffError
        If a date lies outside the series' years, an edge inside a step, or like days are too few.
    """
    found = []
    index = {day: at for at, day in enumerate(layout.dates)}
    for version, dated in enumerate(layout.tariff.sheets):
        events = {day for event in dated.sheet.events for day in event.dates}
        for number, rebate in enumerate(dated.sheet.rebates):
            _check_years(layout, rebate, number)
            for day in sorted(rebate.dates):
                at = index.get(day)
                if at is None or layout.version[layout.first_steps[at]] != version:
                    continue
                steps = _hours(layout, rebate, at)
                known = rebate.known_baseline_kwh.get(day.isoformat())
                like = [] if known is not None else _like(layout, rebate, at, events | set(rebate.dates))
                part = next(
                    place
                    for place, one in enumerate(layout.parts)
                    if one.steps.start <= layout.first_steps[at] < one.steps.stop
                )
                days = tuple(_hours(layout, rebate, other) for other in like)
                found.append(
                    RebateEvent(part, rebate, day, steps, days, rebate.highest_days or len(days), known)
                )
    return sorted(found, key=lambda event: (event.date, event.rebate.name))


def _hours(layout: Layout, rebate: Rebate, date: int) -> Ints:
    """Return the steps of a rebate's hours on one date; what runs on past midnight is the next date's."""
    inside = []
    for later, begin, finish in rebate.runs:
        low, high = np.searchsorted(layout.date, [date + later, date + later + 1]).tolist()
        minute = layout.minute[low:high]
        for edge in (begin, finish):
            cut = np.flatnonzero((minute < edge) & (edge < minute + layout.step_minutes))
            if cut.size:
                what = f"rebate {rebate.name!r}: the edge at {clock_text(edge)}"
                raise layout.straddles(low + int(cut[0]), what)
        inside.append(low + np.flatnonzero((minute >= begin) & (minute < finish)))
    return np.concatenate(inside)


def _like(layout: Layout, rebate: Rebate, date: int, never: set[dt.date]) -> list[int]:
    """Return the last like days before an event day, the latest first."""
    kinds = layout.day_type[layout.first_steps]
    found = [
        other
        for other in range(date - 1, max(date - 1 - rebate.within_days, -1), -1)
        if layout.dates[other] not in never
        and layout.date_days[other] == 1
        and (rebate.like == "any-day" or kinds[other] == kinds[date])
    ][: rebate.like_days]
    if len(found) < rebate.like_days:
        day = layout.dates[date]
        kind = "days" if rebate.like == "any-day" else f"{layout.day_type_names[int(kinds[date])]}s"
        raise TariffError(
            f"{layout.tariff.source}: rebates {rebate.name!r}: like_days: the baseline of {day} needs "
            f"{rebate.like_days} {kind} without an event in the {rebate.within_days} days before it "
            f"(got {len(found)} in "
            f"the series); begin the series earlier, or tell the baseline as known_baseline_kwh = "
            f'{{ "{day}" = 6.1 }}'
        )
    return found


def _check_years(layout: Layout, rebate: Rebate, number: int) -> None:
    years = range(layout.dates[0].year, layout.dates[-1].year + 1)
    for day in rebate.dates:
        if day.year not in years:
            span = _span(years)
            raise TariffError(
                f"{layout.tariff.source}: rebates[{number + 1}].dates: {rebate.name!r} has a date outside the "
                f"series' year, {span} (got {day}); correct the date, or list that year's only"
            )


def _span(years: Sequence[int]) -> str:
    return str(years[0]) if len(years) == 1 else f"{years[0]} to {years[-1]}"
