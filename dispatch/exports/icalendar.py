"""The iCalendar format (RFC 5545): entries, with the zone's own clock changes.

Lines end in CRLF and are folded at 75 octets, never inside a character; text escapes backslash, comma, semicolon
and newline. Every TZID has its VTIMEZONE, built from the zone's transitions: a yearly rule where the years show one,
else the single dates. ``UNTIL`` is in UTC, and every DTSTART is itself an instance of its rule.
"""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from tariffs.reading.refusals import visible

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence


FOLD_OCTETS = 75
PRODUCT = "-//tou-dispatch//settings card//EN"
DAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
RULE_YEARS = 8  # a yearly rule is believed when it fits the clock changes of so many years


def escaped(text: str) -> str:
    """Escape a TEXT value (RFC 5545, 3.3.11), and what its grammar has no place for: controls, and turning marks."""
    text = visible(text.replace("\r\n", "\n"))
    for plain, code in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n")):
        text = text.replace(plain, code)
    return text


def folded(line: str) -> str:
    """Fold a content line at 75 octets with CRLF and a space (RFC 5545, 3.1), never inside a character."""
    parts, current, room = [], "", FOLD_OCTETS
    for character in line:
        size = len(character.encode())
        if size > room:
            parts.append(current)
            current, room = "", FOLD_OCTETS - 1
        current += character
        room -= size
    return "\r\n ".join([*parts, current])


@dataclass(frozen=True)
class Entry:
    """One entry of the calendar.

    Attributes
    ----------
    uid, summary, description : str
    begins, ends : datetime
        Local wall time, without zone.
    rule : str or None
        RRULE value.
    also : tuple of datetime
        Further starts (RDATE).
    """

    uid: str
    summary: str
    description: str
    begins: dt.datetime
    ends: dt.datetime
    rule: str | None = None
    also: tuple[dt.datetime, ...] = ()


def weekly(days: Iterable[str], last: dt.datetime) -> str:
    """Return a weekly rule for these days up to a last start (aware)."""
    until = last.astimezone(dt.UTC).strftime("%Y%m%dT%H%M%SZ")
    return f"FREQ=WEEKLY;UNTIL={until};WKST=MO;BYDAY={','.join(days)}"


def calendar_text(name: str, zone: str, entries: Sequence[Entry], stamp: dt.datetime) -> str:
    """Write a calendar.

    Parameters
    ----------
    name : str
        Shown by calendar software.
    zone : str
        IANA name.
    entries : sequence of Entry
    stamp : datetime
        Aware; when the file was made.

    Returns
    -------
    str
        CRLF line ends.
    """
    years = {moment.year for entry in entries for moment in (entry.begins, entry.ends)} or {stamp.year}
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", f"PRODID:{PRODUCT}", "CALSCALE:GREGORIAN", "METHOD:PUBLISH"]
    lines += [f"X-WR-CALNAME:{escaped(name)}", f"X-WR-TIMEZONE:{zone}"]
    lines += time_zone_lines(zone, min(years))
    for entry in entries:
        lines += _entry_lines(entry, zone, stamp)
    lines.append("END:VCALENDAR")
    return "".join(f"{folded(line)}\r\n" for line in lines)


def _entry_lines(entry: Entry, zone: str, stamp: dt.datetime) -> Iterator[str]:
    yield "BEGIN:VEVENT"
    yield f"UID:{entry.uid}"
    yield f"DTSTAMP:{stamp.astimezone(dt.UTC):%Y%m%dT%H%M%SZ}"
    yield f"DTSTART;TZID={zone}:{entry.begins:%Y%m%dT%H%M%S}"
    yield f"DTEND;TZID={zone}:{entry.ends:%Y%m%dT%H%M%S}"
    if entry.rule:
        yield f"RRULE:{entry.rule}"
    if entry.also:
        yield f"RDATE;TZID={zone}:" + ",".join(f"{moment:%Y%m%dT%H%M%S}" for moment in entry.also)
    yield f"SUMMARY:{escaped(entry.summary)}"
    yield f"DESCRIPTION:{escaped(entry.description)}"
    yield "TRANSP:TRANSPARENT"
    yield "END:VEVENT"


# ---- the zone ----------------------------------------------------------------------------------------------
@dataclass(frozen=True)
class ClockChange:
    """One change of the clock: local wall time before it, and the offsets."""

    at: dt.datetime
    before: dt.timedelta
    after: dt.timedelta
    name: str
    is_dst: bool


def clock_changes(zone: str, first_year: int, last_year: int) -> list[ClockChange]:
    """Find every change of a zone's clock in some years, to the second."""
    where = ZoneInfo(zone)

    def local(moment: dt.datetime) -> dt.datetime:
        return moment.astimezone(where)

    found = []
    low = dt.datetime(first_year, 1, 1, tzinfo=dt.UTC)
    while low.year <= last_year:
        high = low + dt.timedelta(days=1)
        if local(low).utcoffset() != local(high).utcoffset():
            left, right = low, high
            while right - left > dt.timedelta(seconds=1):
                middle = left + (right - left) / 2
                middle = middle.replace(microsecond=0)
                if local(middle).utcoffset() == local(low).utcoffset():
                    left = middle
                else:
                    right = middle
            before, after = _offset(local(left)), _offset(local(right))
            wall = (right + before).replace(tzinfo=None)
            moment = local(right)
            found.append(ClockChange(wall, before, after, moment.tzname() or zone, bool(moment.dst())))
        low = high
    return found


def _offset(moment: dt.datetime) -> dt.timedelta:
    return moment.utcoffset() or dt.timedelta(0)


def time_zone_lines(zone: str, first_year: int) -> list[str]:
    """Write the VTIMEZONE of a zone, good from the start of ``first_year`` on."""
    changes = clock_changes(zone, first_year - 1, first_year + RULE_YEARS - 2)
    lines = ["BEGIN:VTIMEZONE", f"TZID:{zone}"]
    start = dt.datetime(first_year - 1, 1, 1, tzinfo=ZoneInfo(zone))
    now = _offset(start)
    opening = ClockChange(start.replace(tzinfo=None), now, now, start.tzname() or zone, bool(start.dst()))
    lines += _observance(opening, [])
    kinds: dict[tuple[dt.timedelta, dt.timedelta, str], list[ClockChange]] = {}
    for change in changes:
        kinds.setdefault((change.before, change.after, change.name), []).append(change)
    for group in kinds.values():
        lines += _observance(group[0], group)
    return [*lines, "END:VTIMEZONE"]


def _observance(first: ClockChange, group: Sequence[ClockChange]) -> Iterator[str]:
    kind = "DAYLIGHT" if first.is_dst else "STANDARD"
    yield f"BEGIN:{kind}"
    yield f"DTSTART:{first.at:%Y%m%dT%H%M%S}"
    yield f"TZOFFSETFROM:{_offset_text(first.before)}"
    yield f"TZOFFSETTO:{_offset_text(first.after)}"
    yield f"TZNAME:{escaped(first.name)}"
    rule = yearly_rule([change.at for change in group])
    if rule:
        yield f"RRULE:{rule}"
    else:
        for change in group[1:]:
            yield f"RDATE:{change.at:%Y%m%dT%H%M%S}"
    yield f"END:{kind}"


def _offset_text(offset: dt.timedelta) -> str:
    seconds = round(offset.total_seconds())
    sign, seconds = ("-" if seconds < 0 else "+"), abs(seconds)
    text = f"{sign}{seconds // 3600:02d}{seconds % 3600 // 60:02d}"
    return text + (f"{seconds % 60:02d}" if seconds % 60 else "")


def yearly_rule(moments: Sequence[dt.datetime]) -> str | None:
    """Return the yearly rule that clock changes of consecutive years follow; None where there is none."""
    if len(moments) < RULE_YEARS - 1:
        return None
    first = moments[0]
    years = [moment.year for moment in moments]
    alike = {(m.month, m.weekday(), m.time()) for m in moments}
    if len(alike) != 1 or years != list(range(years[0], years[0] + len(years))):
        return None
    last = all(m.day + 7 > calendar.monthrange(m.year, m.month)[1] for m in moments)
    ranks = {(m.day - 1) // 7 + 1 for m in moments}
    if not last and len(ranks) != 1:
        return None
    rank = -1 if last else ranks.pop()
    return f"FREQ=YEARLY;BYMONTH={first.month};BYDAY={rank}{DAYS[first.weekday()]}"
