"""Which price sheet, season, day type, band and billing period hold in each step of a series.

Windows are half-open stretches of the local clock: a step that begins at 07:00 belongs to the window that
begins there. A day on which the clocks change has 23 or 25 hours and each of them one price, because a
step is placed by the wall clock at its start. A step in which something changes is refused, not split.
"""

import datetime as dt
import itertools
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tariffs.calendars import holiday_dates
from tariffs.errors import TariffError
from tariffs.fields import DAY_TYPES, MINUTES_PER_DAY, clock_text
from tariffs.model import Sheet, Tariff
from tariffs.windows import paint

_EPOCH = dt.date(1970, 1, 1)
_SECONDS_PER_DAY = 86_400
_HOLIDAY = 7
_DAY_TYPE_OF_CLASS = np.array([0, 0, 0, 0, 0, 1, 1, 2], dtype=np.int64)

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Period:
    """One billing period.

    Attributes
    ----------
    name : str
        ``YYYY-MM`` for a calendar month.
    start, end : date
        First local date, and the first local date after it.
    """

    name: str
    start: dt.date
    end: dt.date

    @property
    def days(self) -> int:
        """Number of local dates in the whole period."""
        return (self.end - self.start).days


@dataclass(frozen=True)
class Part:
    """The stretch of a billing period, inside the series, in which one price sheet is in force.

    Attributes
    ----------
    period, version : int
        Index of the period and of the sheet.
    steps : slice
        The steps of the series in it.
    days : Fraction
        Days covered by the series; a day covered in part counts as that part.
    months : Fraction
        How many monthly amounts it owes: 1 for a whole month under one sheet.
    """

    period: int
    version: int
    steps: slice
    days: Fraction
    months: Fraction


@dataclass(frozen=True)
class Layout:
    """A series laid on a tariff's calendar; every array has one entry per step.

    Attributes
    ----------
    minute : array of int
        Local wall clock at the step's start, minutes after midnight.
    date : array of int
        Index into `dates`, the local dates in order.
    version, season, day_class, band, period : arrays of int
        Indices into the tariff's sheets, `season_names`, the eight day classes, `band_names`, `periods`.
    date_days : list of Fraction
        How much of each date the series covers, 1 for all of it.
    """

    tariff: Tariff
    times: pd.DatetimeIndex
    dt_hours: float
    step_minutes: int
    minute: Ints
    date: Ints
    dates: tuple[dt.date, ...]
    date_days: tuple[Fraction, ...]
    version: Ints
    season: Ints
    day_class: Ints
    band: Ints
    period: Ints
    season_names: tuple[str, ...]
    band_names: tuple[str, ...]
    periods: tuple[Period, ...]

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

    def days_in(self, steps: slice) -> Fraction:
        """Return how many days a run of whole or partly covered dates holds."""
        first, last = self.date[steps.start], self.date[steps.stop - 1]
        return sum(self.date_days[first : last + 1], Fraction(0))

    @cached_property
    def parts(self) -> tuple[Part, ...]:
        """The bills' parts in order of time."""
        key = self.period * len(self.tariff.sheets) + self.version
        edges = [0, *(np.flatnonzero(np.diff(key)) + 1).tolist(), len(key)]
        spans = [slice(begin, end) for begin, end in itertools.pairwise(edges)]
        return tuple(self._part(span) for span in spans)

    def _part(self, steps: slice) -> Part:
        period = int(self.period[steps.start])
        days = self.days_in(steps)
        whole = Fraction(self.periods[period].days)
        if self.tariff.billing.part_periods == "whole":
            own = np.flatnonzero(self.period == period)
            whole = self.days_in(slice(int(own[0]), int(own[-1]) + 1))
        return Part(period, int(self.version[steps.start]), steps, days, days / whole)


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
    minutes = _step_minutes(tariff, dt_hours)
    local = _local(tariff, times, minutes)
    wall = np.asarray(local.tz_localize(None).as_unit("s").asi8, dtype=np.int64)
    day = wall // _SECONDS_PER_DAY
    unique, date = np.unique(day, return_inverse=True)
    dates = tuple(_EPOCH + dt.timedelta(days=number) for number in unique.tolist())
    _check_validity(tariff, dates)
    minute = wall // 60 - day * MINUTES_PER_DAY
    _check_whole(tariff, local, wall, minutes)
    version = _versions(tariff, dates)
    periods, period = _periods(dates)
    seasons, season = _seasons(tariff, dates, version)
    day_class = _day_classes(tariff, dates, version)
    bands, band = _bands(
        tariff, seasons, (version[date], season[date], day_class[date], minute), minutes, local
    )
    return Layout(
        tariff=tariff,
        times=local,
        dt_hours=dt_hours,
        step_minutes=minutes,
        minute=minute,
        date=date,
        dates=dates,
        date_days=_covered(dates, date, local, minutes),
        version=version[date],
        season=season[date],
        day_class=day_class[date],
        band=band,
        period=period[date],
        season_names=seasons,
        band_names=bands,
        periods=periods,
    )


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
        raise TariffError(f"{tariff.source}: the series has no steps; give at least one")
    if times.tz is None:
        raise TariffError(
            f"{tariff.source}: the series' times have no time zone (first {times[0]}); write the offset"
        )
    seconds = times.as_unit("s").asi8
    bad = np.flatnonzero(np.diff(seconds) != minutes * 60)
    if bad.size:
        where = times[int(bad[0]) + 1]
        raise TariffError(
            f"{tariff.source}: the series is not regular: {where.isoformat()} does not follow "
            f"{times[int(bad[0])].isoformat()} by {minutes} minutes; supply every step once, in order"
        )
    return times if tariff.time_zone is None else times.tz_convert(tariff.time_zone)


def _check_validity(tariff: Tariff, dates: tuple[dt.date, ...]) -> None:
    first, last = tariff.valid_from, tariff.valid_to
    early, late = first is not None and dates[0] < first, last is not None and dates[-1] > last
    if early or late:
        field = "valid_from" if early else "valid_to"
        raise TariffError(
            f"{tariff.source}: {field}: the tariff holds from {first or 'the beginning'} to "
            f"{last or 'further notice'}, the series runs from {dates[0]} to {dates[-1]} "
            f"(got {first if early else last}); use a tariff for those dates, or a shorter series"
        )


def _check_whole(tariff: Tariff, local: pd.DatetimeIndex, wall: Ints, minutes: int) -> None:
    """Refuse a step with a clock change or a midnight inside it."""
    inside = minutes * 60 - 1
    last = (local + pd.Timedelta(seconds=inside)).tz_localize(None).as_unit("s").asi8
    moved = np.flatnonzero(last - wall != inside)
    if moved.size:
        raise _straddles(tariff, local[int(moved[0])], minutes, "the clock change")
    crossing = np.flatnonzero(last // _SECONDS_PER_DAY != wall // _SECONDS_PER_DAY)
    if crossing.size:
        raise _straddles(tariff, local[int(crossing[0])], minutes, "midnight")


def _straddles(tariff: Tariff, step: pd.Timestamp, minutes: int, what: str) -> TariffError:
    return TariffError(
        f"{tariff.source}: {what} falls inside a step of the series "
        f"(got the step {step.isoformat()}, {minutes} minutes long); use a finer series"
    )


def _versions(tariff: Tariff, dates: tuple[dt.date, ...]) -> Ints:
    starts = [dated.start or dt.date.min for dated in tariff.sheets]
    return np.array([sum(start <= date for start in starts) - 1 for date in dates], dtype=np.int64)


def _periods(dates: tuple[dt.date, ...]) -> tuple[tuple[Period, ...], Ints]:
    months = sorted({(date.year, date.month) for date in dates})
    index = {month: number for number, month in enumerate(months)}
    periods = tuple(
        Period(
            f"{year:04d}-{month:02d}", dt.date(year, month, 1), dt.date(year + month // 12, month % 12 + 1, 1)
        )
        for year, month in months
    )
    return periods, np.array([index[date.year, date.month] for date in dates], dtype=np.int64)


def _seasons(tariff: Tariff, dates: tuple[dt.date, ...], version: Ints) -> tuple[tuple[str, ...], Ints]:
    names = tuple(dict.fromkeys(name for dated in tariff.sheets for name in dated.sheet.season_names))
    found = []
    for date, number in zip(dates, version.tolist(), strict=True):
        seasons = tariff.sheets[number].sheet.seasons
        holders = (season.name for season in seasons if season.holds(date.month, date.day))
        found.append(
            names.index(next(holders))
            if seasons
            else names.index(tariff.sheets[number].sheet.season_names[0])
        )
    return names, np.array(found, dtype=np.int64)


def _day_classes(tariff: Tariff, dates: tuple[dt.date, ...], version: Ints) -> Ints:
    kept = [holiday_dates(dated.sheet.holidays, dates[0].year, dates[-1].year) for dated in tariff.sheets]
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


def _bands(
    tariff: Tariff,
    season_names: tuple[str, ...],
    at: tuple[Ints, Ints, Ints, Ints],
    minutes: int,
    local: pd.DatetimeIndex,
) -> tuple[tuple[str, ...], Ints]:
    """Look every step's band up, and refuse a window edge inside a step."""
    names = tuple(dict.fromkeys(name for dated in tariff.sheets for name in dated.sheet.band_names))
    version, season, day_class, minute = at
    band = np.empty(len(version), dtype=np.int64)
    for number, dated in enumerate(tariff.sheets):
        mine = np.flatnonzero(version == number)
        if not mine.size:
            continue
        sheet = dated.sheet
        table = paint(sheet)[0]
        own_season = np.array([_index(name, sheet.season_names) for name in season_names])[season[mine]]
        flat = table.reshape(-1)
        start = (own_season * table.shape[1] + day_class[mine]) * MINUTES_PER_DAY + minute[mine]
        changes = np.concatenate(([0], np.cumsum(np.diff(flat) != 0)))
        split = np.flatnonzero(changes[start] != changes[start + minutes - 1])
        if split.size:
            first = int(start[split[0]])
            edge = first + 1 + int(np.flatnonzero(np.diff(flat[first : first + minutes]))[0])
            what = _edge_text(sheet, int(flat[edge - 1]), int(flat[edge]), edge % MINUTES_PER_DAY)
            raise _straddles(tariff, local[int(mine[split[0]])], minutes, what)
        band[mine] = np.array([names.index(name) for name in sheet.band_names])[flat[start]]
    return names, band


def _edge_text(sheet: Sheet, before: int, after: int, minute: int) -> str:
    """Name the window whose edge a change of band is."""
    names = sheet.band_names
    found = ""
    for number, window in enumerate(sheet.windows):
        starts = window.band == names[after] and any(begin == minute for begin, _ in window.pieces)
        ends = window.band == names[before] and any(finish == minute for _, finish in window.pieces)
        if starts or ends:
            found = f"windows[{number + 1}]: "
            break
    return f"{found}the change from {names[before]!r} to {names[after]!r} at {clock_text(minute)}"


def _index(name: str, names: tuple[str, ...]) -> int:
    return names.index(name) if name in names else 0
