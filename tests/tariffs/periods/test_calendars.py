"""The calendars of the library that knows holidays, against the days that authorities publish: they decide prices.

Each list names its publisher. The dates were written down # from memory of these lists.
"""

from __future__ import annotations

import datetime as dt

import pytest

from tariffs.sheet.holidays import holiday_dates, kept_holidays
from tariffs.sheet.when import Holidays

# (country, subdivision, weekend_shift), year -> the days as published
PUBLISHED: dict[tuple[str, str | None, str], dict[int, str]] = {
    # "UK bank holidays: England and Wales", HM Government, gov.uk/bank-holidays
    ("GB", "ENG", "observed"): {
        2022: "01-03 04-15 04-18 05-02 06-02 06-03 08-29 09-19 12-26 12-27",
        2023: "01-02 04-07 04-10 05-01 05-08 05-29 08-28 12-25 12-26",
        2025: "01-01 04-18 04-21 05-05 05-26 08-25 12-25 12-26",
        2026: "01-01 04-03 04-06 05-04 05-25 08-31 12-25 12-28",
    },
    # the same, Scotland
    ("GB", "SCT", "observed"): {2025: "01-01 01-02 04-18 05-05 05-26 08-04 12-01 12-25 12-26"},
    # "Federal Holidays", U.S. Office of Personnel Management, under 5 U.S.C. 6103
    ("US", None, "observed"): {
        2024: "01-01 01-15 02-19 05-27 06-19 07-04 09-02 10-14 11-11 11-28 12-25",
        2025: "01-01 01-20 02-17 05-26 06-19 07-04 09-01 10-13 11-11 11-27 12-25",
        2026: "01-01 01-19 02-16 05-25 06-19 07-03 09-07 10-12 11-11 11-26 12-25",
    },
    # "Gesetzliche Feiertage", Land Nordrhein-Westfalen, Feiertagsgesetz NW section 2
    ("DE", "NW", "none"): {
        2025: "01-01 04-18 04-21 05-01 05-29 06-09 06-19 10-03 11-01 12-25 12-26",
        2026: "01-01 04-03 04-06 05-01 05-14 05-25 06-04 10-03 11-01 12-25 12-26",
    },
    # "Les jours fériés", Service-Public, Code du travail L3133-1
    ("FR", None, "none"): {2025: "01-01 04-21 05-01 05-08 05-29 06-09 07-14 08-15 11-01 11-11 12-25"},
    # "Public holidays", SafeWork SA, Public Holidays Act 2023; without the evenings of 24 and 31 December
    ("AU", "SA", "observed"): {
        2025: "01-01 01-27 03-10 04-18 04-19 04-20 04-21 04-25 06-09 10-06 12-25 12-26"
    },
    # "Statutory holidays", Province of British Columbia, Employment Standards
    ("CA", "BC", "none"): {2025: "01-01 02-17 04-18 05-19 07-01 08-04 09-01 09-30 10-13 11-11 12-25"},
    # "Public holidays", Employment New Zealand, Holidays Act 2003; without the anniversary days of the regions
    ("NZ", None, "observed"): {2025: "01-01 01-02 02-06 04-18 04-21 04-25 06-02 06-20 10-27 12-25 12-26"},
}
CASES = [(place, year) for place, years in PUBLISHED.items() for year in years]


def rule(place: tuple[str, str | None, str]) -> Holidays:
    country, subdivision, shift = place
    return Holidays.model_validate(
        {"country": country, "categories": ("public",), "weekend_shift": shift}
        | ({} if subdivision is None else {"subdivision": subdivision})
    )


@pytest.mark.parametrize(("place", "year"), CASES, ids=str)
def test_a_calendar_is_the_published_one(place: tuple[str, str | None, str], year: int) -> None:
    found = sorted(holiday_dates(rule(place), year, year))
    published = PUBLISHED[place][year].split()
    # a calendar with substitute days keeps the weekend's own day beside them; a list names the substitute alone
    beside = [day for day in found if place[2] == "observed" and day.weekday() >= 5]
    kept = [f"{day:%m-%d}" for day in found if day not in beside or f"{day:%m-%d}" in published]
    assert kept == published


def test_a_day_that_is_no_holiday_is_none() -> None:
    """Substitute days follow the rule asked for: without one, the fourth of July stays on its Saturday."""
    plain = rule(("US", None, "none"))
    assert dt.date(2026, 7, 4) in holiday_dates(plain, 2026, 2026)
    assert dt.date(2026, 7, 3) not in holiday_dates(plain, 2026, 2026)
    assert [kept.name for kept in kept_holidays(plain, 2026, 2026) if kept.date == dt.date(2026, 7, 4)] == [
        "Independence Day"
    ]
