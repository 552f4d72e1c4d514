"""What must agree between the tables of a tariff file: names, dates, seasons, windows."""

import calendar
import difflib
from collections import Counter
from collections.abc import Iterable, Mapping
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from tariffs.calendars import CalendarError, check_names, check_place
from tariffs.fields import DAY_NAMES
from tariffs.model import Sheet, Tariff, When
from tariffs.windows import Problem, paint

CATEGORIES = ("energy", "export", "charges")


def suggestion(word: str, known: Iterable[str]) -> str:
    """Say which known word was probably meant, or list them all."""
    words = sorted(set(known))
    close = difflib.get_close_matches(word, words, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"known: {', '.join(words)}" if words else "none is defined"


def unknown(field: str, word: str, known: Iterable[str], what: str) -> Problem:
    """Report a name that nothing in the file carries."""
    return Problem(field, f"no {what} is called this (got {word!r}); {suggestion(word, known)}")


def check_tariff(tariff: Tariff) -> list[Problem]:
    """Check what belongs to the file as a whole."""
    problems = []
    if tariff.time_zone is not None:
        try:
            ZoneInfo(tariff.time_zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            problems.append(unknown("time_zone", tariff.time_zone, available_timezones(), "IANA time zone"))
    if tariff.valid_from and tariff.valid_to and tariff.valid_to < tariff.valid_from:
        problems.append(
            Problem("valid_to", f"lies before valid_from (got {tariff.valid_to}); swap or correct the dates")
        )
    return problems


def check_sheet(sheet: Sheet) -> list[Problem]:
    """Check one sheet; windows are painted only when every name in them is known."""
    problems = [*_seasons(sheet), *_holidays(sheet), *_names(sheet), *_unique(sheet)]
    return problems or paint(sheet)[1]


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
    problems = [
        unknown(f"{field}.seasons", season, sheet.season_names, "season")
        for season in when.seasons
        if season not in sheet.season_names
    ]
    for day in when.days:
        if day not in DAY_NAMES:
            problems.append(unknown(f"{field}.days", day, DAY_NAMES, "kind of day"))
        elif day == "holiday" and sheet.holidays is None:
            text = "the file has no holidays (got 'holiday'); add a [holidays] table or drop the word"
            problems.append(Problem(f"{field}.days", text))
    return problems


def check_by_season(value: object, field: str, sheet: Sheet) -> list[Problem]:
    """Check that a price given by season names each season once."""
    if not isinstance(value, Mapping):
        return []
    problems = [
        unknown(f"{field}.{season}", season, sheet.season_names, "season")
        for season in value
        if season not in sheet.season_names
    ]
    missing = [season for season in sheet.season_names if season not in value]
    if missing and not problems:
        names = ", ".join(repr(season) for season in missing)
        problems.append(Problem(field, f"has no price for season {names}; add it, or write one number"))
    return problems


def _names(sheet: Sheet) -> list[Problem]:
    problems: list[Problem] = []
    if not sheet.bands:
        problems.append(Problem("bands", "the file has no price; add [bands.NAME] with import_price_per_kwh"))
    for name, band in sheet.bands.items():
        field = f"bands.{name}"
        if band.import_price_per_kwh is None:
            problems.append(Problem(field, "has no price; add import_price_per_kwh"))
        problems += check_by_season(band.import_price_per_kwh, f"{field}.import_price_per_kwh", sheet)
        problems += check_by_season(band.export_price_per_kwh, f"{field}.export_price_per_kwh", sheet)
    for index, window in enumerate(sheet.windows):
        field = f"windows[{index + 1}]"
        if window.band not in sheet.bands:
            problems.append(unknown(f"{field}.band", window.band, sheet.bands, "band"))
        problems += check_when(window, field, sheet)
    if sheet.other_hours is not None and sheet.other_hours not in sheet.bands:
        problems.append(unknown("other_hours", sheet.other_hours, sheet.bands, "band"))
    return problems + _bases(sheet)


def _bases(sheet: Sheet) -> list[Problem]:
    """Check that adjustments name categories, lines, or adjustments that come before them."""
    problems = []
    known = [*CATEGORIES, *sheet.bands, *(charge.name for charge in sheet.charges)]
    for index, adjustment in enumerate(sheet.adjustments):
        earlier = [*known, *(before.name for before in sheet.adjustments[:index])]
        later = [after.name for after in sheet.adjustments[index:]]
        for key in ("applies_to", "not_to"):
            field = f"adjustments.{adjustment.name}.{key}"
            for name in getattr(adjustment, key):
                if name in later and name not in earlier:
                    text = f"can only name what stands before it (got {name!r}); reorder the adjustments"
                    problems.append(Problem(field, text))
                elif name not in earlier:
                    problems.append(unknown(field, name, earlier, "line or group of lines"))
    return problems


def _unique(sheet: Sheet) -> list[Problem]:
    """Refuse two priced things of one name: applies_to could not tell them apart."""
    names = [("bands", name) for name in sheet.bands]
    names += [("charges", charge.name) for charge in sheet.charges]
    names += [("adjustments", adjustment.name) for adjustment in sheet.adjustments]
    counts = Counter(name for _, name in names)
    problems = []
    for table, name in dict.fromkeys(names):
        if counts[name] > 1:
            problems.append(
                Problem(table, f"the name {name!r} is used {counts[name]} times; give each its own")
            )
        elif name in CATEGORIES:
            problems.append(
                Problem(table, f"the name {name!r} already means a group of lines; choose another")
            )
    return problems
