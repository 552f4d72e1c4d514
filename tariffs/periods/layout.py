"""Which price sheet, season, day type, band and billing period hold in each step of a series.

Windows are half-open stretches of the local clock: a step that begins at 07:00 belongs to the window that
begins there. A day on which the clocks change has 23 or 25 hours and each of them one price, because a
step is placed by the wall clock at its start. A step in which something changes is refused, not split.
"""

import datetime as dt
import itertools
from collections import deque
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tariffs.errors import TariffError
from tariffs.periods.events import Adder, Calendar, EventEdgeError, lay_events, price_rows
from tariffs.periods.parts import Part, Period, cut_periods
from tariffs.reading.clock import MINUTES_PER_DAY
from tariffs.sheet.fields import DAY_CLASSES, DAY_TYPES
from tariffs.sheet.holidays import KeptHoliday, holiday_dates, kept_holidays
from tariffs.sheet.tariff import Sheet, Tariff
from tariffs.sheet.windows import edge_text, paint

_EPOCH = dt.date(1970, 1, 1)
_SECONDS_PER_DAY = 86_400
_HOLIDAY = 7
_DAY_TYPE_OF_CLASS = np.array([0, 0, 0, 0, 0, 1, 1, 2], dtype=np.int64)
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Layout:
    """A series laid on a tariff's calendar; every array has one entry per step.

    Attributes
    ----------
    tariff : Tariff
    times : DatetimeIndex
        Starts of the steps on the tariff's clock.
    dt_hours, step_minutes : float, int
        Length of a step. [h, min]
    utc_minute, minute : array of int
        Minutes since 1970 in UTC, and local wall clock in minutes after midnight, at the step's start.
    date : array of int
        Index into `dates`, the local dates in order.
    version, season, day_class, band, period : arrays of int
        Indices into the tariff's sheets, `season_names`, the eight day classes, `band_names`, `periods`.
    date_days : tuple of Fraction
        How much of each of `dates` the series covers, 1 for all of it.
    season_names, band_names, periods, adders
        What the indices point into; `adders` are the prices of events on top of a band's.
    event : array of bool
        Steps in which an event's price holds, as a band of its own or as one of `adders`.
    """

    tariff: Tariff
    times: pd.DatetimeIndex
    dt_hours: float
    step_minutes: int
    utc_minute: Ints
    minute: Ints
    date: Ints
    dates: tuple[dt.date, ...]
    date_days: tuple[Fraction, ...]
    version: Ints
    season: Ints
    day_class: Ints
    period: Ints
    season_names: tuple[str, ...]
    periods: tuple[Period, ...]
    band: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    band_names: tuple[str, ...] = ()
    event: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    adders: tuple[Adder, ...] = ()

    @property
    def day_type(self) -> Ints:
        """Index into `fields.DAY_TYPES` per step."""
        return _DAY_TYPE_OF_CLASS[self.day_class]

    @property
    def day_type_names(self) -> tuple[str, ...]:
        """Names that `day_type` points into."""
        return DAY_TYPES

    def sheet(self, version: int) -> Sheet:
        """Return one of the tariff's sheets."""
        return self.tariff.sheets[version].sheet

    def dates_of(self, steps: slice) -> range:
        """Return the indices of the dates a run of steps touches."""
        return range(int(self.date[steps.start]), int(self.date[steps.stop - 1]) + 1)

    def days_in(self, steps: slice) -> Fraction:
        """Return how many days a run of whole or partly covered dates holds."""
        return sum((self.date_days[at] for at in self.dates_of(steps)), Fraction(0))

    def days_between(self, steps: slice, first: dt.date, end: dt.date) -> Fraction:
        """Return how many days of a run of steps lie from one date to the day before another."""
        inside = (at for at in self.dates_of(steps) if first <= self.dates[at] < end)
        return sum((self.date_days[at] for at in inside), Fraction(0))

    def steps_of(self, period: int) -> slice:
        """Return the steps of a period."""
        begin, end = np.searchsorted(self.period, [period, period + 1]).tolist()
        return slice(begin, end)

    @cached_property
    def first_steps(self) -> Ints:
        """First step of each date."""
        return np.searchsorted(self.date, np.arange(len(self.dates)))

    @cached_property
    def parts(self) -> tuple[Part, ...]:
        """The bills' parts in order of time."""
        return tuple(self._part(span) for span in self.stretches(self.period, self.version))

    def stretches(self, *keys: Ints) -> list[slice]:
        """Return the longest runs of steps in which none of several arrays changes."""
        changes = np.zeros(len(self.minute) - 1, dtype=bool)
        for key in keys:
            changes |= np.diff(key) != 0
        edges = [0, *(np.flatnonzero(changes) + 1).tolist(), len(self.minute)]
        return [slice(begin, end) for begin, end in itertools.pairwise(edges)]

    def parts_of(self, period: int) -> range:
        """Return the indices of a period's parts."""
        first, last = self._part_edges[period], self._part_edges[period + 1]
        return range(first, last)

    @cached_property
    def _part_edges(self) -> list[int]:
        owners = [part.period for part in self.parts]
        edges: list[int] = np.searchsorted(owners, np.arange(len(self.periods) + 1)).tolist()
        return edges

    def _part(self, steps: slice) -> Part:
        period = int(self.period[steps.start])
        billing = self.tariff.billing
        days = self.days_in(steps)
        whole = Fraction(self.periods[period].days)
        if billing.part_periods == "whole":
            whole = self.days_in(self.steps_of(period))
        share = days / whole
        months = share * billing.period_months
        if billing.month_days is not None:
            months = days / Fraction(billing.month_days)
        return Part(period, int(self.version[steps.start]), steps, days, share, months)

    @cached_property
    def price_row(self) -> Ints | None:
        """Row of the tariff's price series that holds in each step, if it has one."""
        series = self.tariff.series
        if series is None:
            return None
        return price_rows(self.tariff, series, self.utc_minute * 60, self.step_minutes * 60)

    def look_up(self, version: int) -> tuple[Ints, Ints]:
        """Find the steps under one sheet in tables of its seasons x day classes x minutes.

        Returns
        -------
        steps, at : arrays of int
            The steps, and where each begins in such a table, flattened.
        """
        steps = np.flatnonzero(self.version == version)
        own = self.sheet(version).season_names
        season = np.array(
            [own.index(name) if name in own else 0 for name in self.season_names], dtype=np.int64
        )
        row = season[self.season[steps]] * len(DAY_CLASSES) + self.day_class[steps]
        return steps, row * MINUTES_PER_DAY + self.minute[steps]

    def straddles(self, step: int, what: str) -> TariffError:
        """Return the refusal of a step in which something changes."""
        return TariffError(
            f"{self.tariff.source}: {what} falls inside a step of the series "
            f"(got the step {self.times[step].isoformat()}, {self.step_minutes} minutes long); "
            "use a finer series"
        )

    def split(self, table: NDArray[np.generic], at: Ints) -> tuple[int, int] | None:
        """Return the first step (by position in `at`) inside which a table changes, and where it does."""
        flat = table.reshape(-1)
        changes = np.concatenate(([0], np.cumsum(flat[1:] != flat[:-1])))
        found = np.flatnonzero(changes[at] != changes[at + self.step_minutes - 1])
        if not found.size:
            return None
        first = int(at[found[0]])
        inside = flat[first : first + self.step_minutes]
        return int(found[0]), first + 1 + int(np.flatnonzero(inside[1:] != inside[:-1])[0])


_RECENT: deque[tuple[Tariff, pd.DatetimeIndex, float, Layout]] = deque(maxlen=8)
"""The last layouts: all bills of one household lie on the same calendar. Held, so that an identity stays one."""


def lay_out(tariff: Tariff, times: pd.DatetimeIndex, dt_hours: float) -> Layout:
    """Lay a series on the tariff's calendar.

    Parameters
    ----------
    tariff : Tariff
    times : DatetimeIndex, length n
        Starts of the steps, tz-aware, in order, without gaps. They are read on the tariff's own clock
        where the file has a time_zone, else on the clock they carry.
    dt_hours : float
        Length of each step. [h]

    Raises
    ------
    TariffError
        If the series is not such a series, the tariff does not cover its dates, or something that the
        price depends on changes inside a step.
    """
    for known, its_times, its_hours, layout in tuple(_RECENT):  # a copy: solvers run in threads
        if known is tariff and its_times is times and its_hours == dt_hours:
            return layout
    layout = _lay_out(tariff, times, dt_hours)
    _RECENT.appendleft((tariff, times, dt_hours, layout))
    return layout


def _lay_out(tariff: Tariff, times: pd.DatetimeIndex, dt_hours: float) -> Layout:
    minutes = _step_minutes(tariff, dt_hours)
    local = _local(tariff, times, minutes)
    wall = np.asarray(local.tz_localize(None).as_unit("s").asi8, dtype=np.int64)
    day = wall // _SECONDS_PER_DAY
    unique, date = np.unique(day, return_inverse=True)
    dates = tuple(_EPOCH + dt.timedelta(days=number) for number in unique.tolist())
    _check_validity(tariff, dates)
    version = _versions(tariff, dates)
    seasons, season = _seasons(tariff, dates, version)
    periods = cut_periods(tariff, dates[0], dates[-1])
    starts = np.array([period.start.toordinal() for period in periods])
    period = np.searchsorted(starts, [one.toordinal() for one in dates], side="right") - 1
    layout = Layout(
        tariff=tariff,
        times=local,
        dt_hours=dt_hours,
        step_minutes=minutes,
        utc_minute=np.asarray(local.as_unit("s").asi8, dtype=np.int64) // 60,
        minute=wall // 60 - day * MINUTES_PER_DAY,
        date=date,
        dates=dates,
        date_days=_covered(dates, date, local, minutes),
        version=version[date],
        season=season[date],
        day_class=_day_classes(tariff, dates, version)[date],
        period=period[date],
        season_names=seasons,
        periods=periods,
    )
    _check_whole(layout, wall)
    return _with_bands(layout)


def _step_minutes(tariff: Tariff, dt_hours: float) -> int:
    minutes = round(dt_hours * 60)
    if not 0 < minutes <= MINUTES_PER_DAY or abs(dt_hours * 60 - minutes) > 1e-6:
        raise TariffError(
            f"{tariff.source}: the series' step must be a whole number of minutes, at most a day "
            f"(got {dt_hours:g} hours); use steps of 15, 30 or 60 minutes"
        )
    return minutes


def _local(tariff: Tariff, times: pd.DatetimeIndex, minutes: int) -> pd.DatetimeIndex:
    """Return the times on the tariff's clock, once they are a series that can be priced."""
    if len(times) == 0:
        raise TariffError(f"{tariff.source}: the series has no steps (got 0); give at least one")
    if times.tz is None:
        raise TariffError(
            f"{tariff.source}: the series' times have no time zone (got {times[0]}); write the offset"
        )
    seconds = times.as_unit("s").asi8
    bad = np.flatnonzero(np.diff(seconds) != minutes * 60)
    if bad.size:
        before, after = (times[int(bad[0]) + later].isoformat() for later in (0, 1))
        raise TariffError(
            f"{tariff.source}: the series is not regular: steps of {minutes} minutes were to follow each other "
            f"(got {after} after {before}); supply every step once, in order"
        )
    if seconds[0] % 60:
        raise TariffError(
            f"{tariff.source}: steps must begin on whole minutes (got {times[0].isoformat()}); shift the series"
        )
    return times if tariff.time_zone is None else times.tz_convert(tariff.time_zone)


def _check_validity(tariff: Tariff, dates: tuple[dt.date, ...]) -> None:
    first, last = tariff.valid_from, tariff.valid_to
    early, late = first is not None and dates[0] < first, last is not None and dates[-1] > last
    if early or late:
        name = "valid_from" if early else "valid_to"
        raise TariffError(
            f"{tariff.source}: {name}: the tariff holds from {first or 'the beginning'} to "
            f"{last or 'further notice'}, the series runs from {dates[0]} to {dates[-1]} "
            f"(got {first if early else last}); use a tariff for those dates, or a shorter series"
        )


def _check_whole(layout: Layout, wall: Ints) -> None:
    """Refuse a step with a clock change or a midnight inside it."""
    inside = layout.step_minutes * 60 - 1
    last = (layout.times + pd.Timedelta(seconds=inside)).tz_localize(None).as_unit("s").asi8
    moved = np.flatnonzero(last - wall != inside)
    if moved.size:
        raise layout.straddles(int(moved[0]), "the clock change")
    crossing = np.flatnonzero(last // _SECONDS_PER_DAY != wall // _SECONDS_PER_DAY)
    if crossing.size:
        raise layout.straddles(int(crossing[0]), "midnight, the edge between two days,")


def _versions(tariff: Tariff, dates: tuple[dt.date, ...]) -> Ints:
    starts = [(dated.start or dt.date.min).toordinal() for dated in tariff.sheets]
    return np.searchsorted(starts, [date.toordinal() for date in dates], side="right") - 1


def season_on(sheet: Sheet, date: dt.date) -> str:
    """Return the name of the season a date lies in."""
    holders = (season.name for season in sheet.seasons if season.holds(date.month, date.day))
    return next(holders, sheet.season_names[0])


def _seasons(tariff: Tariff, dates: tuple[dt.date, ...], version: Ints) -> tuple[tuple[str, ...], Ints]:
    names = tuple(dict.fromkeys(name for dated in tariff.sheets for name in dated.sheet.season_names))
    index = {name: at for at, name in enumerate(names)}
    sheets = [tariff.sheets[number].sheet for number in version.tolist()]
    found = [index[season_on(sheet, date)] for sheet, date in zip(sheets, dates, strict=True)]
    return names, np.array(found, dtype=np.int64)


def holidays_in_force(tariff: Tariff, first: dt.date, last: dt.date) -> tuple[KeptHoliday, ...]:
    """Return the holidays of a tariff in the years of these dates, each by the sheet in force on its day."""
    starts = [dated.start or dt.date.min for dated in tariff.sheets]
    found = []
    for dated, end in zip(tariff.sheets, [*starts[1:], dt.date.max], strict=True):
        kept = kept_holidays(dated.sheet.holidays, first.year, last.year)
        found += [one for one in kept if (dated.start or dt.date.min) <= one.date < end]
    return tuple(found)


def _day_classes(tariff: Tariff, dates: tuple[dt.date, ...], version: Ints) -> Ints:
    years = dates[0].year, dates[-1].year
    kept = [holiday_dates(dated.sheet.holidays, *years) for dated in tariff.sheets]
    classes = [
        _HOLIDAY if date in kept[number] else date.weekday()
        for date, number in zip(dates, version.tolist(), strict=True)
    ]
    return np.array(classes, dtype=np.int64)


def _covered(
    dates: tuple[dt.date, ...], date: Ints, local: pd.DatetimeIndex, minutes: int
) -> tuple[Fraction, ...]:
    """Return the covered share of each date; only the first and the last can be covered in part."""
    shares = [Fraction(1)] * len(dates)
    for index in {0, len(dates) - 1}:
        ends = [_midnight(dates[index] + dt.timedelta(days=days), local) for days in (0, 1)]
        whole = int((ends[1] - ends[0]).total_seconds() // 60)
        shares[index] = Fraction(int(np.count_nonzero(date == index)) * minutes, whole)
    return tuple(shares)


def _midnight(date: dt.date, local: pd.DatetimeIndex) -> pd.Timestamp:
    return pd.Timestamp(date).tz_localize(local.tz, ambiguous=True, nonexistent="shift_forward")


def _with_bands(layout: Layout) -> Layout:
    """Look every step's band up, and refuse a window edge inside a step."""
    sheets = [dated.sheet for dated in layout.tariff.sheets]
    names = tuple(dict.fromkeys(name for sheet in sheets for name in sheet.band_names))
    band = np.empty(len(layout.minute), dtype=np.int64)
    for version, sheet in enumerate(sheets):
        table = paint(sheet)[0]
        steps, at = layout.look_up(version)
        if broken := layout.split(table, at):
            step, edge = broken
            flat = table.reshape(-1)
            what = edge_text(sheet, int(flat[edge - 1]), int(flat[edge]), edge % MINUTES_PER_DAY)
            raise layout.straddles(int(steps[step]), what)
        band[steps] = np.array([names.index(name) for name in sheet.band_names])[table.reshape(-1)[at]]
    clock = Calendar(layout.minute, layout.date, layout.dates, layout.version, names, layout.step_minutes)
    try:
        events = lay_events(layout.tariff, clock, band)
    except EventEdgeError as edge_found:
        raise layout.straddles(edge_found.step, edge_found.text) from None
    return replace(layout, band=events.band, band_names=names, event=events.held, adders=events.adders)
