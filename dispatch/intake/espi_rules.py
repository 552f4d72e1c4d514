"""The clock of an ESPI feed: its daylight-saving rules as bits, and a zone that keeps the same clock.

Bits of a rule: 0-11 seconds, 12-16 hours, 17-19 weekday (Monday 1 to Sunday 7), 20-24 day of month, 25-27
operator, 28-31 month (NAESB REQ.21, Energy Services Provider Interface, espi.xsd 4.0, type DstRuleType).
"""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

# One zone for each clock that feeds are likely to keep; others are named by the person.
_ZONES = (
    *("America/New_York", "America/Chicago", "America/Denver", "America/Los_Angeles", "America/Phoenix"),
    *("America/Halifax", "America/St_Johns", "America/Regina", "America/Anchorage", "Pacific/Honolulu"),
    *("Europe/London", "Europe/Berlin", "Europe/Athens", "Australia/Sydney", "Australia/Brisbane", "Pacific/Auckland"),
)  # fmt: skip

_NEVER = 0xFFFFFFFF


@dataclass(frozen=True)
class Rule:
    """When a clock changes, in parts.

    Attributes
    ----------
    month, operator, day, weekday, hour, second : int
        ``weekday`` is 0 where the day of the month alone counts; ``operator`` 1 means the weekday on or after that
        day, 2 to 6 the first to fifth such weekday of the month, 7 the last.
    """

    month: int
    operator: int
    day: int
    weekday: int
    hour: int
    second: int


def decode(text: str) -> Rule | None:
    """Read a rule from its hexadecimal digits; None where there is no such change.

    Raises
    ------
    ValueError
        If the text is no 32-bit number in hexadecimal digits.
    """
    bits = int(text.strip(), 16)
    if not 0 <= bits <= _NEVER:
        raise ValueError(text)
    if bits in {0, _NEVER}:
        return None
    return Rule(
        month=bits >> 28 & 15,
        operator=bits >> 25 & 7,
        day=bits >> 20 & 31,
        weekday=bits >> 17 & 7,
        hour=bits >> 12 & 31,
        second=bits & 4095,
    )


def change_day(rule: Rule, year: int) -> dt.date:
    """Return the day on which the clock changes in a year.

    Raises
    ------
    ValueError
        If the rule names no day.
    """
    if rule.weekday == 0 or rule.operator == 0:
        return dt.date(year, rule.month, rule.day)
    first = dt.date(year, rule.month, rule.day if rule.operator == 1 else 1)
    day = first + dt.timedelta((rule.weekday - 1 - first.weekday()) % 7)
    if rule.operator == 1:
        return day
    if rule.operator == 7:
        last = dt.date(year, rule.month, calendar.monthrange(year, rule.month)[1])
        return last - dt.timedelta((last.weekday() - rule.weekday + 1) % 7)
    return day + dt.timedelta(weeks=rule.operator - 2)


def same_clock(
    standard_seconds: int, saving_seconds: int, starts: Rule | None, ends: Rule | None, years: range
) -> str | None:
    """Name a zone that keeps the clock a feed describes, None if none of the usual ones does.

    Parameters
    ----------
    standard_seconds : int
        Offset of standard time from UTC. [s]
    saving_seconds : int
        What daylight-saving time adds. [s]
    starts, ends : Rule or None
        When it starts and ends.
    years : range
        The years that the readings lie in.
    """
    return next(
        (
            name
            for name in _ZONES
            if all(
                _agrees(ZoneInfo(name), standard_seconds, saving_seconds, starts, ends, year)
                for year in years
            )
        ),
        None,
    )


def _agrees(  # noqa: PLR0913, PLR0917 - one clock in parts
    zone: ZoneInfo, standard: int, saving: int, starts: Rule | None, ends: Rule | None, year: int
) -> bool:
    winter = dt.timedelta(seconds=standard)
    if starts is None or ends is None or not saving:
        months = [dt.datetime(year, month, 15, tzinfo=zone) for month in range(1, 13)]
        return all(moment.utcoffset() == winter for moment in months)
    summer = winter + dt.timedelta(seconds=saving)
    for rule, before, after in ((starts, winter, summer), (ends, summer, winter)):
        try:
            day = change_day(rule, year)
        except ValueError:
            return False
        clock = dt.datetime.combine(day, dt.time(rule.hour % 24)) + dt.timedelta(seconds=rule.second)
        instant = (clock - before).replace(tzinfo=dt.UTC)
        around = [(instant + dt.timedelta(hours=hours)).astimezone(zone).utcoffset() for hours in (-1, 1)]
        if around != [before, after]:
            return False
    return True
