"""The calendar: lines as RFC 5545 wants them, rules that give the published dates, zones that follow their clock."""

# ruff: noqa: DTZ001 - entries are written in wall time; the zone stands beside them

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import icalendar
import pytest
from dateutil.rrule import rrulestr
from homes.small_home import small_home

from dispatch.advice.recommend import recommend
from dispatch.exports.calendar import settings_calendar
from dispatch.exports.icalendar import (
    Entry,
    calendar_text,
    clock_changes,
    escaped,
    folded,
    weekly,
    yearly_rule,
)
from dispatch.search.study import study
from dispatch.words.card import own_event_plans

if TYPE_CHECKING:
    from collections.abc import Sequence

STAMP = dt.datetime(2025, 1, 2, 3, 4, 5, tzinfo=dt.UTC)


def parsed(text: str) -> Any:  # noqa: ANN401 - the package is loosely typed
    return icalendar.Calendar.from_ical(text)


def one_entry(**changes: Any) -> Entry:  # noqa: ANN401 - fields of several types
    given = {
        "uid": "1@test",
        "summary": "charge",
        "description": "text",
        "begins": dt.datetime(2025, 11, 3, 23, 0),
        "ends": dt.datetime(2025, 11, 4, 7, 0),
    }
    return Entry(**{**given, **changes})


# RFC 5545, "Internet Calendaring and Scheduling Core Object Specification", IETF 2009, section 3.1: lines end in
# CRLF and should not be longer than 75 octets, line break excluded; a fold is CRLF and one space or tab.
@pytest.mark.parametrize("letter", ["a", "é", "漢", "🔋"])
def test_lines_are_folded_at_75_octets_and_never_inside_a_character(letter: str) -> None:
    line = f"SUMMARY:{letter * 200}"
    parts = folded(line).split("\r\n")
    assert len(parts) > 2
    assert all(len(part.encode()) <= 75 for part in parts)
    assert all(part.startswith(" ") for part in parts[1:])
    assert "".join([parts[0], *(part[1:] for part in parts[1:])]) == line
    assert len(parts[1].encode()) + len(letter.encode()) > 75  # as full as it may be


def test_a_line_of_exactly_75_octets_is_left_alone() -> None:
    assert folded("x" * 75) == "x" * 75
    assert folded("x" * 76) == "x" * 75 + "\r\n x"


# RFC 5545, section 3.3.11: backslash, semicolon, comma and newline are escaped in TEXT
def test_text_is_escaped_and_comes_back() -> None:
    text = "a, b; c\\d\ne: 100 %"
    assert escaped(text) == "a\\, b\\; c\\\\d\\ne: 100 %"
    calendar = parsed(calendar_text("n", "UTC", [one_entry(summary=text)], STAMP))
    assert str(calendar.walk("VEVENT")[0]["SUMMARY"]) == text


def test_the_whole_file_is_crlf_and_parses() -> None:
    text = calendar_text("Wren, Cottage", "America/New_York", [one_entry()], STAMP)
    assert text.endswith("END:VCALENDAR\r\n")
    assert "\n" not in text.replace("\r\n", "")
    calendar = parsed(text)
    assert [str(c.name) for c in calendar.subcomponents] == ["VTIMEZONE", "VEVENT"]
    assert calendar.walk("VEVENT")[0].decoded("DTSTAMP") == STAMP


def dates(rule: str, start: dt.datetime) -> Sequence[dt.datetime]:
    return list(rrulestr(rule, dtstart=start))


# ical4j bug 152, quoting RFC 5545's own example, https://sourceforge.net/p/ical4j/bugs/152
NINETEEN_NINETY_SEVEN = {
    9: [3, 5, 15, 17, 19, 29],
    10: [1, 3, 13, 15, 17, 27, 29, 31],
    11: [10, 12, 14, 24, 26, 28],
    12: [8, 10, 12, 22],
}


def test_the_published_every_other_week_example() -> None:
    """Through the file and back: 24 dates by rule; RFC 5545 starts on Monday 1 September, which is the 25th."""
    zone = ZoneInfo("America/New_York")
    start = dt.datetime(1997, 9, 1, 9, 0)
    rule = "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR"
    event = one_entry(begins=start, ends=start + dt.timedelta(hours=1), rule=rule)
    found = parsed(calendar_text("n", "America/New_York", [event], STAMP)).walk("VEVENT")[0]
    again = found["RRULE"].to_ical().decode()
    instances = dates(again, found.decoded("DTSTART").astimezone(zone))
    expected = [(m, d) for m, days in NINETEEN_NINETY_SEVEN.items() for d in days]
    assert [(i.month, i.day) for i in instances] == [(9, 1), *expected]
    assert len(expected) == 24


# RFC 5545, section 3.8.5.3: Tuesdays and Thursdays, ten times (# from memory, checked by the dates themselves)
def test_a_count_of_two_weekdays() -> None:
    rule = "FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH"
    days = [(i.month, i.day) for i in dates(rule, dt.datetime(1997, 9, 2, 9, 0))]
    assert days == [(9, d) for d in (2, 4, 9, 11, 16, 18, 23, 25, 30)] + [(10, 2)]


def test_weekdays_of_a_winter_are_129() -> None:
    """Derived: weekdays from 3 November 2025 to 30 April 2026; the last start is in UTC, as RFC 5545 wants."""
    zone = ZoneInfo("America/New_York")
    last = dt.datetime(2026, 4, 30, 23, 0, tzinfo=zone)
    rule = weekly(("MO", "TU", "WE", "TH", "FR"), last)
    assert "UNTIL=20260501T030000Z" in rule
    event = one_entry(rule=rule)
    found = parsed(calendar_text("n", "America/New_York", [event], STAMP)).walk("VEVENT")[0]
    start = found.decoded("DTSTART").replace(tzinfo=zone)
    instances = dates(found["RRULE"].to_ical().decode(), start)
    assert len(instances) == 129
    assert instances[0] == start
    assert instances[-1].astimezone(zone).date() == dt.date(2026, 4, 30)
    assert found.decoded("DTEND") - found.decoded("DTSTART") == dt.timedelta(hours=8)  # 07:00 of the next day


ZONES = (
    *("America/New_York", "America/Moncton", "Europe/Tallinn", "Australia/Adelaide", "Australia/Lord_Howe"),
    *("Asia/Kathmandu", "America/Phoenix", "Africa/Casablanca", "Europe/Dublin"),
)


@pytest.mark.parametrize("name", ZONES)
def test_the_zone_in_the_file_follows_the_clock(name: str) -> None:
    """Every 6 hours of three years: the offset by the parsed VTIMEZONE equals the zone's own."""
    text = calendar_text("n", name, [one_entry()], STAMP)
    zone = parsed(text).walk("VTIMEZONE")[0].to_tz(lookup_tzid=False)
    own = ZoneInfo(name)
    for hours in range(0, 3 * 8760, 6):
        wall = dt.datetime(2025, 1, 1) + dt.timedelta(hours=hours + 0.5)
        mine = wall.replace(tzinfo=own).utcoffset()
        if wall.replace(tzinfo=own, fold=1).utcoffset() != mine:
            continue  # an hour that comes twice or never has no single answer
        assert wall.replace(tzinfo=zone).utcoffset() == mine, (name, wall)


# change dates of the United States and Canada, 2024 to 2027; derived from the second and first Sunday rule
def test_clock_changes_of_new_york() -> None:
    found = [change.at for change in clock_changes("America/New_York", 2024, 2027)]
    days = (
        "2024-03-10",
        "2024-11-03",
        "2025-03-09",
        "2025-11-02",
        "2026-03-08",
        "2026-11-01",
        "2027-03-14",
        "2027-11-07",
    )
    assert [moment.date().isoformat() for moment in found] == list(days)
    assert {moment.hour for moment in found} == {2}


# VTIMEZONE of New York (# from memory): second Sunday of March, first Sunday of November
def test_yearly_rules_of_new_york() -> None:
    changes = clock_changes("America/New_York", 2020, 2027)
    assert yearly_rule([c.at for c in changes if c.is_dst]) == "FREQ=YEARLY;BYMONTH=3;BYDAY=2SU"
    assert yearly_rule([c.at for c in changes if not c.is_dst]) == "FREQ=YEARLY;BYMONTH=11;BYDAY=1SU"
    last_sundays = [c.at for c in clock_changes("Europe/Berlin", 2020, 2027) if c.is_dst]
    assert yearly_rule(last_sundays) == "FREQ=YEARLY;BYMONTH=3;BYDAY=-1SU"


def test_a_card_becomes_entries_that_say_when_the_inverter_acts() -> None:
    result = study(recommend(small_home(days=14).case()))
    calendar = parsed(settings_calendar(result, STAMP, windows=True))
    events = calendar.walk("VEVENT")
    windows = [plan for plan in result.card.plans if plan.entries]
    assert len(events) >= len(windows) > 0
    assert len({str(event["UID"]) for event in events}) == len(events)
    zone = ZoneInfo(result.case.scenario.site.time_zone)
    for event in events:
        if "RRULE" not in event:
            continue
        start = event.decoded("DTSTART").replace(tzinfo=zone)
        instances = dates(event["RRULE"].to_ical().decode(), start)
        assert instances[0] == start  # DTSTART is an instance of its own rule
        assert instances[-1].date() <= result.case.times[-1].date()
        minute = start.hour * 60 + start.minute
        plans = [p for p in result.card.plans for w in (*p.charge, *p.discharge) if minute in {w.start, 0}]
        assert plans


def test_the_calendar_can_be_written_for_another_year() -> None:
    result = study(recommend(small_home(days=14).case()))
    events = parsed(settings_calendar(result, STAMP, 2031)).walk("VEVENT")
    assert {event.decoded("DTSTART").year for event in events} == {2031}


def test_without_windows_only_what_a_person_has_to_do_is_an_entry() -> None:
    """A raise of one storm day, entered the evening before and taken back at midnight; and the card at the start."""
    storm = {"dates": ["2025-11-09"], "percent": 80.0}
    result = study(recommend(small_home(days=14, reserve={"percent": 30, "raised": [storm]}).case()))
    events = parsed(settings_calendar(result, STAMP)).walk("VEVENT")
    told = sorted(
        (event.decoded("DTSTART").strftime("%m-%d %H:%M"), str(event["SUMMARY"])) for event in events
    )
    assert told == [
        ("10-31 00:00", "Battery: enter the settings"),
        ("11-08 18:00", "Battery: raise the reserve to 80 %"),
        ("11-10 00:00", "Battery: set the reserve back"),
    ]
    assert not any("RRULE" in event for event in events)
    later = parsed(settings_calendar(result, STAMP, 2027)).walk("VEVENT")
    assert {event.decoded("DTSTART").year for event in later} == {2027}


def test_event_days_are_in_the_calendar_and_out_of_the_weekly_rules() -> None:
    draft = small_home(days=21, backup={"target_hours": None})
    dates = ["2025-11-05", "2025-11-06", "2025-11-18"]
    bands = {**draft.tariff["bands"], "call": {"import_price_per_kwh": 1.5}}
    called = [{"name": "calls", "dates": dates, "hours": "17:00-21:00", "band": "call"}]
    result = study(
        recommend(replace(draft, tariff={**draft.tariff, "bands": bands, "events": called}).case())
    )
    assert own_event_plans(result)
    events = parsed(settings_calendar(result, STAMP, windows=True)).walk("VEVENT")
    evenings = [e.decoded("DTSTART") for e in events if "event day tomorrow" in str(e["SUMMARY"])]
    over = [e.decoded("DTSTART") for e in events if "event over" in str(e["SUMMARY"])]
    assert [f"{moment:%m-%d %H:%M}" for moment in evenings] == ["11-04 18:00", "11-17 18:00"]
    assert [f"{moment:%m-%d %H:%M}" for moment in over] == ["11-07 00:00", "11-19 00:00"]
    for event in events:
        usual = "every day)" in str(event["SUMMARY"]) or "weekdays)" in str(event["SUMMARY"])
        if usual:
            more = event.get("RDATE")
            days = {event.decoded("DTSTART").date(), *(d.dt.date() for d in (more.dts if more else ()))}
            assert "RRULE" not in event
            assert not days & {dt.date.fromisoformat(date) for date in dates}
