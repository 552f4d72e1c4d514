"""Event days and price series laid on a series' steps."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from tariffs.errors import TariffError
from tariffs.reading.clock import clock_text
from tariffs.sheet.checks import event_stretches
from tariffs.sheet.tariff import PriceSeries, Tariff

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Calendar:
    """What events need to know of a series: the clock, dates, sheets and bands of its steps."""

    minute: Ints
    date: Ints
    dates: Sequence[dt.date]
    version: Ints
    band_names: tuple[str, ...]
    step_minutes: int


@dataclass(frozen=True)
class Adder:
    """A price on top of the band's in the steps of an event."""

    version: int
    name: str
    price_per_kwh: Decimal
    steps: Ints


@dataclass(frozen=True)
class EventSteps:
    """Where events hold: a mask, the band in each step, and adders."""

    held: NDArray[np.bool_]
    band: Ints
    adders: tuple[Adder, ...]


class EventEdgeError(ValueError):
    """An event begins or ends inside a step; carries the step and what happens there."""

    def __init__(self, step: int, text: str) -> None:
        super().__init__(step, text)
        self.step = step
        self.text = text


def check_event_years(tariff: Tariff, dates: Sequence[dt.date]) -> None:
    """Refuse event dates in years that the series does not touch: they are misprints, or another year's.

    Raises
    ------
    TariffError
        Naming the event, the date and the series' years.
    """
    years = range(dates[0].year, dates[-1].year + 1)
    for dated in tariff.sheets:
        for number, event in enumerate(dated.sheet.events):
            for day in event.dates:
                if day.year not in years:
                    span = str(years[0]) if len(years) == 1 else f"{years[0]} to {years[-1]}"
                    raise TariffError(
                        f"{tariff.source}: events[{number + 1}].dates: {event.name!r} has a date outside the "
                        f"series' year, {span} (got {day}); correct the date, or list that year's events only"
                    )


def lay_events(tariff: Tariff, calendar: Calendar, band: Ints) -> EventSteps:
    """Find the steps in which events hold, and put their bands in force there.

    Raises
    ------
    EventEdgeError
        If an event begins or ends inside a step.
    TariffError
        If its dates lie outside the series' years.
    """
    held = np.zeros(len(band), dtype=bool)
    if not any(dated.sheet.events for dated in tariff.sheets):
        return EventSteps(held, band, ())
    check_event_years(tariff, calendar.dates)
    band = band.copy()
    index = {day: at for at, day in enumerate(calendar.dates)}
    found: dict[tuple[int, int, int], list[Ints]] = {}
    for version, dated in enumerate(tariff.sheets):
        for day, begin, finish, number, part in event_stretches(dated.sheet):
            steps = _steps(calendar, index.get(day, -1), version, (begin, finish))
            if not steps.size:
                continue
            held[steps] = True
            name = dated.sheet.events[number].priced[part].band
            if name is None:
                found.setdefault((version, number, part), []).append(steps)
            else:
                band[steps] = calendar.band_names.index(name)
    return EventSteps(held, band, _adders(tariff, found))


def _adders(tariff: Tariff, found: dict[tuple[int, int, int], list[Ints]]) -> tuple[Adder, ...]:
    adders = []
    for (version, number, part), steps in found.items():
        event = tariff.sheets[version].sheet.events[number]
        price = event.priced[part].adder_per_kwh or Decimal(0)
        adders.append(Adder(version, event.name, price, np.sort(np.concatenate(steps))))
    return tuple(adders)


def _steps(calendar: Calendar, date: int, version: int, stretch: tuple[int, int]) -> Ints:
    """Return the steps of one date within a stretch of the clock."""
    low, high = np.searchsorted(calendar.date, [date, date + 1]).tolist() if date >= 0 else (0, 0)
    if low == high or calendar.version[low] != version:
        return np.zeros(0, dtype=np.int64)
    minute = calendar.minute[low:high]
    begin, finish = stretch
    for edge in stretch:
        cut = np.flatnonzero((minute < edge) & (edge < minute + calendar.step_minutes))
        if cut.size:
            raise EventEdgeError(low + int(cut[0]), f"an event's edge at {clock_text(edge)}")
    return low + np.flatnonzero((minute >= begin) & (minute < finish))


def price_rows(tariff: Tariff, series: PriceSeries, starts: Ints, seconds: int) -> Ints:
    """Return which row of a price series holds in each step.

    Parameters
    ----------
    tariff : Tariff
    series : PriceSeries
    starts : array of int
        Starts of the steps, seconds since 1970 in UTC.
    seconds : int
        Length of the steps.

    Raises
    ------
    TariffError
        If prices are missing for some steps, or change inside one.
    """
    row = np.searchsorted(series.starts, starts, side="right") - 1
    covered = (row >= 0) & (starts < series.starts[-1] + series.seconds)
    missing = np.flatnonzero(~covered)
    if missing.size:
        first = _utc(int(starts[missing[0]]))
        raise TariffError(
            f"{series.path}: holds no price for {missing.size:,} of {len(starts):,} steps of the series "
            f"(got prices from {_utc(int(series.starts[0]))} to {_utc(int(series.starts[-1]) + series.seconds)}, "
            f"first missing {first}); supply these prices, or shorten the series"
        )
    split = np.flatnonzero(starts + seconds > series.starts[row] + series.seconds)
    if split.size:
        raise TariffError(
            f"{tariff.source}: hourly_prices: the price changes inside a step of the series (got the step "
            f"{_utc(int(starts[split[0]]))}, {seconds // 60} minutes long, prices of {series.seconds // 60} "
            "minutes); use a finer series"
        )
    return row


def _utc(seconds: int) -> str:
    return dt.datetime.fromtimestamp(seconds, dt.UTC).isoformat(timespec="minutes").replace("+00:00", "Z")
