"""How a series is cut into bills: billing periods, and the parts of them under one price sheet."""

import datetime as dt
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from tariffs.errors import TariffError
from tariffs.sheet.tariff import Tariff


@dataclass(frozen=True)
class Period:
    """One billing period.

    Attributes
    ----------
    name : str
        ``YYYY-MM`` of its first day; the whole date where two periods begin in one month.
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

    def listed(self, months: set[int]) -> list[tuple[dt.date, dt.date]]:
        """Return (first day, day after the last inside the period) of these months that begin in the period."""
        number, found = self.start.year * 12 + self.start.month - 1, []
        while (first := _first_of(number)) < self.end:
            if first >= self.start and first.month in months:
                found.append((first, min(_first_of(number + 1), self.end)))
            number += 1
        return found


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
    share : Fraction
        Share of the period: 1 for a whole one under one sheet.
    months : Fraction
        How many monthly amounts it owes.
    """

    period: int
    version: int
    steps: slice
    days: Fraction
    share: Fraction
    months: Fraction


def cut_periods(tariff: Tariff, first: dt.date, last: dt.date) -> tuple[Period, ...]:
    """Return the billing periods that a series touches.

    Parameters
    ----------
    tariff : Tariff
    first, last : date
        First and last local date of the series.

    Raises
    ------
    TariffError
        If meter-read dates are given and do not enclose the series.
    """
    if tariff.billing.read_dates:
        edges = _read_edges(tariff, first, last)
    else:
        months = tariff.billing.period_months
        number = first.year * 12 + (first.month - 1) // months * months
        edges = [_first_of(number)]
        while edges[-1] <= last:
            number += months
            edges.append(_first_of(number))
    spans = list(pairwise(edges))
    names = [f"{start:%Y-%m}" for start, _ in spans]
    if len(set(names)) < len(names):
        names = [start.isoformat() for start, _ in spans]
    return tuple(Period(name, start, end) for name, (start, end) in zip(names, spans, strict=True))


def _first_of(month: int) -> dt.date:
    return dt.date(month // 12, month % 12 + 1, 1)


def _read_edges(tariff: Tariff, first: dt.date, last: dt.date) -> list[dt.date]:
    dates = tariff.billing.read_dates
    if dates[0] > first or dates[-1] <= last:
        raise TariffError(
            f"{tariff.source}: billing.read_dates: the meter reads do not enclose the series, which runs from "
            f"{first} to {last} (got {dates[0]} to {dates[-1]}); add a read on or before its first day "
            "and one after its last"
        )
    begin = max(at for at, date in enumerate(dates) if date <= first)
    end = min(at for at, date in enumerate(dates) if date > last)
    return list(dates[begin : end + 1])
