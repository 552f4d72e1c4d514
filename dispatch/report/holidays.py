"""The holidays that a tariff's calendar keeps: to be compared with the sheet, as calendars often have more."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from rich.text import Text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tariffs.sheet.holidays import KeptHoliday


COMPARE = (
    "Compare with the sheet; [holidays] include, exclude, extra_dates and weekend_shift change the list."
)


def holiday_lines(holidays: Sequence[KeptHoliday]) -> Iterator[Text]:
    """Yield one paragraph a year with every day kept as a holiday, and what to do with the list."""
    for year, kept in groupby(holidays, key=lambda one: one.date.year):
        yield Text(f"{year}: " + "; ".join(_day(one) for one in kept))
    yield Text(COMPARE)


def _day(kept: KeptHoliday) -> str:
    text = f"{kept.date:%a} {kept.date.day} {kept.date:%b} {kept.name}"
    if kept.moved_from is None:
        return text
    return f"{text} (moved from {kept.moved_from:%a} {kept.moved_from.day} {kept.moved_from:%b})"
