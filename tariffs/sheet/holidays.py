"""Holiday dates: a country's calendar filtered by name and moved by the tariff's own rule.

The calendars come from the `holidays` package with its own observed days left out, because its rule for
moving a holiday is the country's, not the tariff's: it does not give the Monday after a Saturday Canada
Day, for one. Names are matched exactly, so that a calendar's extra days do not slip in.
"""

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache
from typing import cast

import holidays
from holidays.registry import EntityLoader

from tariffs.reading.refusals import suggestion
from tariffs.sheet.when import Holidays

KNOWN_YEARS = range(
    2010, 2041
)  # names are looked up in all of these: some holidays exist only in a few years

_SATURDAY, _SUNDAY = 5, 6


class CalendarError(ValueError):
    """A holiday rule names something the calendar does not have; `.field` says which key."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(field, message)
        self.field = field
        self.message = message


def _codes() -> list[str]:
    # the package's own list of countries imports the calendar of each
    return list(EntityLoader.get_country_codes())


def _subdivisions(country: str) -> list[str]:
    return list(cast("tuple[str, ...]", getattr(holidays, country).subdivisions))


def check_place(rule: Holidays) -> None:
    """Refuse a country, subdivision or category that the package does not know.

    Raises
    ------
    CalendarError
        Naming the field and the nearest known value.
    """
    if rule.country is None:
        return
    codes = _codes()
    if rule.country not in codes:
        hint = suggestion(rule.country, codes) if len(rule.country) > 1 else "use a code such as 'CA'"
        raise CalendarError("country", f"no calendar for this country code (got {rule.country!r}); {hint}")
    parts = _subdivisions(rule.country)
    if rule.subdivision is not None and rule.subdivision not in parts:
        hint = suggestion(rule.subdivision, parts)
        raise CalendarError(
            "subdivision", f"{rule.country} has no such subdivision (got {rule.subdivision!r}); {hint}"
        )
    supported = holidays.country_holidays(rule.country, years=[2020]).supported_categories
    for category in rule.categories:
        if category not in (*supported, "public", "optional"):
            raise CalendarError(
                "categories",
                f"{rule.country} has no such category (got {category!r}); known: {', '.join(supported)}",
            )


def _named(rule: Holidays, years: tuple[int, ...], observed: bool) -> tuple[tuple[dt.date, str], ...]:
    """List every (date, name) of the calendar, in its own language and, where it has it, in English."""
    return tuple(
        sorted({*_calendar(rule, years, observed, None), *_calendar(rule, years, observed, "en_US")})
    )


@lru_cache(maxsize=64)
def _calendar(
    rule: Holidays, years: tuple[int, ...], observed: bool, language: str | None
) -> tuple[tuple[dt.date, str], ...]:
    """List every (date, name) of the calendar in a language; in its own where it does not have that."""
    code = rule.country
    if code is None:
        return ()
    probe = holidays.country_holidays(code, years=[2020])
    categories = tuple(name for name in rule.categories if name in probe.supported_categories)
    days = holidays.country_holidays(
        code,
        subdiv=rule.subdivision,
        years=years,
        categories=categories or ("public",),
        observed=observed,
        language=language if language in probe.supported_languages else None,
    )
    return tuple(sorted((day, name) for day in days for name in days.get_list(day)))


def check_names(rule: Holidays) -> None:
    """Refuse a holiday name that the calendar never has.

    Raises
    ------
    CalendarError
        Naming the field, the name and the nearest one.
    """
    known = sorted({name for _, name in _named(rule, tuple(KNOWN_YEARS), observed=False)})
    for field in ("include", "exclude"):
        for name in getattr(rule, field):
            if name not in known:
                place = "-".join(filter(None, (rule.country, rule.subdivision)))
                raise CalendarError(
                    field,
                    f"the calendar of {place} has no holiday of this name (got {name!r}); {suggestion(name, known)}",
                )


def _is_chosen(name: str, rule: Holidays) -> bool:
    def listed(names: tuple[str, ...]) -> bool:
        # an observed day is called "Name (observed)", in the calendar's own language
        return any(name == one or name.startswith(f"{one} (") for one in names)

    return (not rule.include or listed(rule.include)) and not listed(rule.exclude)


def _moved(day: dt.date, rule: str, taken: set[dt.date]) -> dt.date:
    """Return where a weekend holiday is kept under a shift rule."""
    weekday = day.weekday()
    if weekday < _SATURDAY or rule in {"none", "observed"}:
        return day
    if rule == "nearest-weekday":
        return day + dt.timedelta(days=-1 if weekday == _SATURDAY else 1)
    if rule == "sunday-to-monday":
        return day if weekday == _SATURDAY else day + dt.timedelta(days=1)
    moved = day
    while moved.weekday() >= _SATURDAY or moved in taken:
        moved += dt.timedelta(days=1)
    return moved


@dataclass(frozen=True)
class KeptHoliday:
    """A day kept as a holiday: its date, its name, and the day it falls on where it was moved."""

    date: dt.date
    name: str
    moved_from: dt.date | None = None


@lru_cache(maxsize=256)
def kept_holidays(rule: Holidays | None, first_year: int, last_year: int) -> tuple[KeptHoliday, ...]:
    """Return the days kept as holidays in a span of years, with their names, in order of time.

    A holiday that moves leaves its own day an ordinary weekend. Under ``next-weekday`` it goes to the next
    weekday that is neither a holiday itself nor taken by an earlier one that moved.

    Parameters
    ----------
    rule : Holidays or None
    first_year, last_year : int
        Both included.
    """
    if rule is None:
        return ()
    years = tuple(range(first_year - 1, last_year + 2))  # a move may cross the year's end
    observed = rule.weekend_shift == "observed"
    names = {day: name for day, name in _named(rule, years, observed) if _is_chosen(name, rule)}
    english = dict(_calendar(rule, years, observed, "en_US"))
    taken = {day for day in names if day.weekday() < _SATURDAY}
    kept: dict[dt.date, KeptHoliday] = {}
    for day in sorted(names):
        moved = _moved(day, rule.weekend_shift, taken)
        taken.add(moved)
        kept.setdefault(
            moved, KeptHoliday(moved, english.get(day, names[day]), None if moved == day else day)
        )
    for day in rule.extra_dates:
        kept.setdefault(day, KeptHoliday(day, "extra date"))
    return tuple(kept[day] for day in sorted(kept) if first_year <= day.year <= last_year)


@lru_cache(maxsize=256)
def holiday_dates(rule: Holidays | None, first_year: int, last_year: int) -> frozenset[dt.date]:
    """Return the dates kept as holidays in a span of years; parameters as :func:`kept_holidays`."""
    return frozenset(kept.date for kept in kept_holidays(rule, first_year, last_year))
