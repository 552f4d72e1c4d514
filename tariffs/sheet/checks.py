"""What must agree between the tables of a tariff file: names, dates, seasons, windows."""

import calendar
import datetime as dt
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence

from tariffs.reading.clock import clock_text, unknown_zone
from tariffs.reading.refusals import Problem, show, unknown, unknown_names
from tariffs.sheet.fields import DAY_NAMES
from tariffs.sheet.holidays import CalendarError, check_names, check_place
from tariffs.sheet.rebates import Rebate
from tariffs.sheet.tariff import Sheet, Tariff
from tariffs.sheet.when import Event, When
from tariffs.sheet.windows import paint


def check_tariff(tariff: Tariff) -> list[Problem]:
    """Check what belongs to the file as a whole."""
    problems = []
    if tariff.time_zone is not None and (problem := unknown_zone(tariff.time_zone)) is not None:
        problems.append(Problem("time_zone", f"{problem} (got {show(tariff.time_zone)})"))
    if tariff.valid_from and tariff.valid_to and tariff.valid_to < tariff.valid_from:
        problems.append(
            Problem("valid_to", f"lies before valid_from (got {tariff.valid_to}); swap or correct the dates")
        )
    return problems


def check_sheet(sheet: Sheet) -> list[Problem]:
    """Check when the prices of one sheet hold; windows are painted only when every name is known."""
    problems = [*_seasons(sheet), *_holidays(sheet), *_windows(sheet)]
    if not problems:
        problems += paint(sheet)[1]
    for number, event in enumerate(sheet.events):
        problems += _event(event, f"events[{number + 1}]", sheet)
    for number, rebate in enumerate(sheet.rebates):
        problems += _rebate(rebate, f"rebates[{number + 1}]")
    return problems + ([] if problems else _event_overlaps(sheet))


def _seasons(sheet: Sheet) -> list[Problem]:
    if not sheet.seasons:
        return []
    gaps: list[str] = []
    for month in range(1, 13):
        for day in range(1, calendar.monthrange(2024, month)[1] + 1):
            holders = {season.name for season in sheet.seasons if season.holds(month, day)}
            if len(holders) > 1:
                names = " and ".join(repr(name) for name in sorted(holders))
                text = f"{month:02d}-{day:02d} lies in both {names}; every day of the year needs one season"
                return [Problem("seasons", text)]
            if not holders:
                gaps.append(f"{month:02d}-{day:02d}")
    if not gaps:
        return []
    some = gaps[0] if len(gaps) == 1 else f"{len(gaps)} days, first {gaps[0]}, last {gaps[-1]}"
    return [Problem("seasons", f"no season holds on {some}; extend a season or add one for the rest")]


def _holidays(sheet: Sheet) -> list[Problem]:
    if sheet.holidays is None:
        return []
    try:
        check_place(sheet.holidays)
        check_names(sheet.holidays)
    except CalendarError as error:
        return [Problem(f"holidays.{error.field}", error.message)]
    return []


def check_when(when: When, field: str, sheet: Sheet) -> list[Problem]:
    """Check the season and day names of one window."""
    problems = unknown_names(f"{field}.seasons", when.seasons, sheet.season_names, "season")
    for day in when.days:
        if day not in DAY_NAMES:
            problems.append(unknown(f"{field}.days", day, DAY_NAMES, "kind of day"))
        elif day == "holiday" and sheet.holidays is None:
            text = "the file has no holidays (got 'holiday'); add a [holidays] table or drop the word"
            problems.append(Problem(f"{field}.days", text))
    return problems


def check_by_season(
    value: object, field: str, sheet: Sheet, needed: Iterable[str] | None = None
) -> list[Problem]:
    """Check that a price given by season names every season that is needed, all of them by default."""
    if not isinstance(value, Mapping):
        return []
    problems = [
        unknown(f"{field}.{season}", season, sheet.season_names, "season")
        for season in value
        if season not in sheet.season_names
    ]
    wanted = sheet.season_names if needed is None else needed
    missing = [season for season in wanted if season not in value]
    if missing and not problems:
        names = ", ".join(repr(season) for season in missing)
        problems.append(Problem(field, f"has no price for season {names}; add it, or write one number"))
    return problems


def _windows(sheet: Sheet) -> list[Problem]:
    problems: list[Problem] = []
    for number, window in enumerate(sheet.windows):
        field = f"windows[{number + 1}]"
        problems += unknown_names(f"{field}.band", [window.band], sheet.bands, "band")
        problems += check_when(window, field, sheet)
    if sheet.other_hours is not None:
        problems += unknown_names("other_hours", [sheet.other_hours], sheet.bands, "band")
    return problems


def _dates(dates: Sequence[dt.date], field: str) -> list[Problem]:
    problems = []
    if not dates:
        problems.append(Problem(field, "has no dates; list them as dates = [...] or name a csv"))
    repeated = sorted({day for day in dates if dates.count(day) > 1})
    if repeated:
        problems.append(Problem(f"{field}.dates", f"a date stands twice (got {repeated[0]}); remove one"))
    return problems


def _event(event: Event, field: str, sheet: Sheet) -> list[Problem]:
    problems = _dates(event.dates, field)
    for part in event.priced:
        if part.band is not None:
            problems += unknown_names(f"{field}.band", [part.band], sheet.bands, "band")
    return problems


def _rebate(rebate: Rebate, field: str) -> list[Problem]:
    problems = _dates(rebate.dates, field)
    known = {day.isoformat() for day in rebate.dates}
    for day in rebate.known_baseline_kwh:
        if day not in known:
            text = f'is of no event day (got {day!r}); write an event\'s date as "2025-07-03"'
            problems.append(Problem(f"{field}.known_baseline_kwh", text))
    return problems


def event_stretches(sheet: Sheet) -> Iterator[tuple[dt.date, int, int, int, int]]:
    """Yield (date, first minute, end minute, event, window of the event) of everything events change."""
    for number, event in enumerate(sheet.events):
        for part_number, part in enumerate(event.priced):
            for later, begin, finish in part.runs:
                for day in event.dates:
                    yield day + dt.timedelta(days=later), begin, finish, number, part_number


def _event_overlaps(sheet: Sheet) -> list[Problem]:
    """Refuse two bands at one instant."""
    claimed: dict[dt.date, list[tuple[int, int, int]]] = {}
    for day, begin, finish, number, part in sorted(event_stretches(sheet)):
        event = sheet.events[number]
        if event.priced[part].band is None:
            continue
        for other_begin, other_finish, other in claimed.setdefault(day, []):
            if begin < other_finish and other_begin < finish:
                start = clock_text(max(begin, other_begin))
                text = f"two event prices at one time (got {day} {start}, also in events[{other + 1}])"
                return [Problem(f"events[{number + 1}]", f"{text}; keep one event per instant")]
        claimed[day].append((begin, finish, number))
    return []


def _named_dates(sheet: Sheet) -> Iterator[tuple[str, dt.date]]:
    """Yield (field, date) of every day that a sheet names."""
    for number, event in enumerate(sheet.events):
        for day in event.dates:
            yield f"events[{number + 1}].dates", day
    for number, rebate in enumerate(sheet.rebates):
        for day in rebate.dates:
            yield f"rebates[{number + 1}].dates", day
    for number, demand in enumerate(sheet.demand):
        for when in demand.whens:
            for day in when.dates:
                yield f"demand[{number + 1}].dates", day
        for called in demand.called_hours:
            yield f"demand[{number + 1}].called_hours", called.date()


def check_event_dates(tariff: Tariff, sheet: Sheet) -> list[Problem]:
    """Refuse named dates on which the tariff does not hold."""
    for field, day in _named_dates(sheet):
        early = tariff.valid_from is not None and day < tariff.valid_from
        if early or (tariff.valid_to is not None and day > tariff.valid_to):
            span = f"{tariff.valid_from or 'the beginning'} to {tariff.valid_to or 'further notice'}"
            text = f"lies outside the tariff's validity, {span} (got {day}); correct or remove the date"
            return [Problem(field, text)]
    return []


def check_past_months(field: str, past: Iterable[str]) -> list[Problem]:
    """Refuse figures of the past that are not by month."""
    return [
        Problem(field, f'should name months as "YYYY-MM" (got {month!r}); write "2024-12" = 4.2')
        for month in past
        if not month_named(month)
    ]


def month_named(text: str) -> bool:
    """Tell whether a text is a month, ``YYYY-MM``."""
    return re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", text) is not None
