"""A card as a calendar: what a person has to do and when; the daily windows too, if asked for."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dispatch.cards.card import (
    EVENT_DAYS,
    EVERY_DAY,
    HOLIDAYS,
    WEEKDAYS,
    WEEKENDS,
)
from dispatch.cards.card_file import season_changes
from dispatch.exports.icalendar import DAYS, Entry, calendar_text, weekly
from dispatch.words.card import eve_reserve, event_dates, own_event_plans
from tariffs.reading.clock import clock_text, pieces

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.cards.card import DayPlan, DischargeWindow, Window
    from dispatch.search.study import SettingsStudy


BYDAY = {EVERY_DAY: DAYS, WEEKDAYS: DAYS[:5], WEEKENDS: DAYS[5:]}
EVENING = dt.time(18)  # when a person enters what holds from midnight
LENGTH = dt.timedelta(minutes=30)


def settings_calendar(
    study: SettingsStudy, stamp: dt.datetime, year: int | None = None, *, windows: bool = False
) -> str:
    """Write the calendar of a card: changes of season, raised reserves and event days; with ``windows`` those too.

    Parameters
    ----------
    study : SettingsStudy
    stamp : datetime
        Aware; when the file was made.
    year : int, optional
        First year to write it for; default: that of the data. The dates are the same.
    windows : bool
        Whether every window of every day is an entry too.
    """
    case = study.case
    shift = 0 if year is None else year - case.times[0].year
    entries = [
        entry
        for number, (date, season) in enumerate(study.changes, start=1)
        for entry in _change_entries(study, number, _shifted(date, shift), season)
    ]
    entries += _raise_entries(study, shift)
    entries += _event_entries(study, shift)
    if windows:
        for number, (begins, ends, season) in enumerate(_seasons(study, shift), start=1):
            for g, group in enumerate(study.space.groups):
                if group.season == season:
                    entries += _window_entries(study, (number, g), (begins, ends), shift)
    return calendar_text(f"Battery settings: {case.name}", case.scenario.site.time_zone, entries, stamp)


def _seasons(study: SettingsStudy, shift: int) -> Iterator[tuple[dt.date, dt.date, str]]:
    """Stretches of one season: first day, day after the last, name."""
    end = (study.case.times[-1]).date() + dt.timedelta(days=1)
    changes = season_changes(study.case, study.space)
    dates = [date for date, _ in changes] + [end]
    for (begin, season), finish in zip(changes, dates[1:], strict=True):
        yield _shifted(begin, shift), _shifted(finish, shift), season


def _shifted(day: dt.date, years: int) -> dt.date:
    try:
        return day.replace(year=day.year + years)
    except ValueError:  # 29 February
        return day.replace(year=day.year + years, day=28)


def _entry(study: SettingsStudy, key: str, begins: dt.datetime, summary: str, description: str) -> Entry:
    return Entry(
        uid=f"{_slug(study)}-{key}@tou-dispatch",
        summary=summary,
        description=description,
        begins=begins,
        ends=begins + LENGTH,
    )


def _change_entries(study: SettingsStudy, number: int, day: dt.date, season: str) -> Iterator[Entry]:
    """Say when a season's settings are entered, and on its eve a reserve that is higher than today's."""
    reserve = eve_reserve(study, season) if number > 1 else None
    if reserve is not None:
        eve = dt.datetime.combine(day - dt.timedelta(days=1), EVENING)
        text = f"Tomorrow the {season} settings begin; their reserve holds already."
        yield _entry(study, f"eve-{number}", eve, f"Battery: raise the reserve to {reserve:g} %", text)
    summary = f"Battery: enter the {season} settings"
    if len(study.changes) == 1:
        summary = "Battery: enter the settings"
    text = f"Sun first to the {study.card.sun_first}.\n{_season_text(study, season)}"
    yield _entry(study, f"season-{number}", dt.datetime.combine(day, dt.time()), summary, text)


def _season_text(study: SettingsStudy, season: str) -> str:
    pairs = zip(study.space.groups, study.card.plans, strict=True)
    return "\n".join(f"{group.days}: {plan_text(plan)}" for group, plan in pairs if group.season == season)


def _raise_entries(study: SettingsStudy, shift: int) -> Iterator[Entry]:
    """Say when to enter a raised reserve, and when to take it back."""
    for number, one in enumerate(study.card.raises, start=1):
        begins, ends = (
            dt.datetime.combine(_shifted(moment.date(), shift), moment.time())
            for moment in (one.begins, one.ends)
        )
        what = f"reserve to {one.reserve_percent:g} %"
        until = f"Set it back at {ends:%Y-%m-%d %H:%M}."
        yield _entry(study, f"raise-{number}", begins, f"Battery: raise the {what}", until)
        season = _season_at(study, one.ends)
        yield _entry(
            study, f"raise-{number}-back", ends, "Battery: set the reserve back", _season_text(study, season)
        )


def _season_at(study: SettingsStudy, wall: dt.datetime) -> str:
    changes = season_changes(study.case, study.space)
    held = [season for date, season in changes if date <= wall.date()]
    return held[-1] if held else changes[0][1]


def _event_entries(study: SettingsStudy, shift: int) -> Iterator[Entry]:
    """Say what to do on the evening before event days, and after the last of a run of them."""
    dates = event_dates(study)
    own = own_event_plans(study)
    for day in dates:
        season = _season_at(study, dt.datetime.combine(day, dt.time()))
        begins = dt.datetime.combine(_shifted(day - dt.timedelta(days=1), shift), EVENING)
        after = dt.datetime.combine(_shifted(day + dt.timedelta(days=1), shift), dt.time())
        if not own:
            text = "The settings of the day serve it."
            yield _entry(
                study, f"event-{day}", begins, "Battery: event day tomorrow, nothing to change", text
            )
            continue
        if day - dt.timedelta(days=1) not in dates:
            text = "\n".join(
                plan_text(plan)
                for group, plan in zip(study.space.groups, study.card.plans, strict=True)
                if group.season == season and group.days == EVENT_DAYS
            )
            summary = "Battery: event day tomorrow, enter the event-day settings for 00:00"
            yield _entry(study, f"event-{day}", begins, summary, text)
        if day + dt.timedelta(days=1) not in dates:
            summary = "Battery: event over, the usual settings again"
            yield _entry(study, f"event-{day}-back", after, summary, _season_text(study, season))


def plan_text(plan: DayPlan) -> str:
    """Say a plan in one line."""
    parts = [f"reserve {plan.reserve_percent:g} %"]
    parts += [f"charge {w.text} to {w.to_percent:g} %" for w in plan.charge] or ["no grid charging"]
    parts += [f"discharge {w.text} {_down(plan, w)}" for w in plan.discharge] or ["no discharge"]
    return "; ".join(parts)


def _down(plan: DayPlan, window: DischargeWindow) -> str:
    return f"down to {plan.reserve_percent if window.to_percent is None else window.to_percent:g} %"


def _window_entries(
    study: SettingsStudy, key: tuple[int, int], span: tuple[dt.date, dt.date], shift: int
) -> Iterator[Entry]:
    number, g = key
    group, plan = study.space.groups[g], study.card.plans[g]
    windows: list[tuple[Window, str]] = [
        (w, f"Battery: charge from the grid to {w.to_percent:g} %") for w in plan.charge
    ]
    windows += [(w, f"Battery: gives {_down(plan, w)}") for w in plan.discharge]
    starts = _starts(study, group.days, span, shift)
    if not starts:
        return
    zone = ZoneInfo(study.case.scenario.site.time_zone)
    by_rule = group.days in BYDAY and starts == _of_week(group.days, span)
    for index, (window, summary) in enumerate(windows, start=1):
        for piece, (start, end) in enumerate(pieces(window.start, window.end)):
            first = dt.datetime.combine(starts[0], dt.time(start // 60, start % 60))
            last = dt.datetime.combine(starts[-1], dt.time(start // 60, start % 60))
            entry = _entry(
                study,
                f"{number}-{g}-{index}-{piece}",
                first,
                f"{summary} ({group.season}, {group.days})",
                f"{clock_text(window.start)}-{clock_text(window.end)}. {plan_text(plan)}",
            )
            yield replace(
                entry,
                ends=first + dt.timedelta(minutes=end - start),
                rule=weekly(BYDAY[group.days], last.replace(tzinfo=zone)) if by_rule else None,
                also=() if by_rule else tuple(dt.datetime.combine(day, first.time()) for day in starts[1:]),
            )


def _of_week(days: str, span: tuple[dt.date, dt.date]) -> list[dt.date]:
    """Dates of a stretch that are days of the week of this kind."""
    begins, ends = span
    every = (begins + dt.timedelta(days=i) for i in range((ends - begins).days))
    return [day for day in every if DAYS[day.weekday()] in BYDAY[days]]


def _starts(study: SettingsStudy, days: str, span: tuple[dt.date, dt.date], shift: int) -> list[dt.date]:
    """Dates of a stretch on which a plan holds."""
    events = {_shifted(day, shift) for day in event_dates(study)}
    holidays = {_shifted(day, shift) for day in _holidays(study)}
    if days in {EVENT_DAYS, HOLIDAYS}:
        chosen = events if days == EVENT_DAYS else holidays - events
        return sorted(day for day in chosen if span[0] <= day < span[1])
    return [
        day
        for day in _of_week(days, span)
        if day not in events and (days == EVERY_DAY or day not in holidays)
    ]


def _holidays(study: SettingsStudy) -> set[dt.date]:
    """Holidays of the data that the device knows."""
    space = study.space
    mine = [g for g, group in enumerate(space.groups) if group.days == HOLIDAYS]
    inside = [g in mine for g in space.group_of.tolist()]
    return {moment.date() for moment, flag in zip(study.case.times, inside, strict=True) if flag}


def _slug(study: SettingsStudy) -> str:
    text = "".join(ch if ch.isascii() and ch.isalnum() else "-" for ch in study.case.name.lower())
    return text.strip("-") or "home"
