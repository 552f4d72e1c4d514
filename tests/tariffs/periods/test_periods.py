"""Which price holds when: published windows, holidays, hours of the year, clock changes, refusals."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from homes.tariff_ontario import OVERNIGHT, time_of_use
from homes.tariff_series import TORONTO, steps, year
from hypothesis import given, settings
from hypothesis import strategies as st

from tariffs import Tariff, TariffError, parse_tariff, price_steps
from tariffs.sheet.holidays import holiday_dates

TOU = parse_tariff(time_of_use())
ULO = parse_tariff(OVERNIGHT)


def hours_by_band(tariff: Tariff, times: pd.DatetimeIndex) -> dict[str, int]:
    priced = price_steps(tariff, times, 1.0)
    return dict(zip(priced.band_names, np.bincount(priced.band).tolist(), strict=True))


def bands_at(tariff: Tariff, day: str) -> list[str]:
    times = steps(day, str((pd.Timestamp(day) + pd.Timedelta(days=1)).date()))
    priced = price_steps(tariff, times, 1.0)
    return [priced.band_names[index] for index in priced.band]


# Derived from the published windows and holiday lists: 251 business days in each of these years.
@pytest.mark.parametrize("number", [2021, 2025, 2026])
def test_hours_of_the_year_in_each_ontario_price(number: int) -> None:
    assert hours_by_band(TOU, year(number)) == {"on-peak": 1506, "mid-peak": 1506, "off-peak": 5748}
    assert hours_by_band(ULO, year(number)) == {
        "overnight": 2920,
        "weekend-off-peak": 1824,
        "mid-peak": 2761,
        "on-peak": 1255,
    }


# Windows: OEB release 2024-10-18 (newswire.ca ...828245812.html); overnight plan: hydrohawkesbury.ca.
@pytest.mark.parametrize(
    ("tariff", "day", "expected"),
    [
        (TOU, "2025-01-15", {7: "on-peak", 11: "mid-peak", 17: "on-peak", 19: "off-peak"}),
        (TOU, "2025-07-15", {7: "mid-peak", 11: "on-peak", 17: "mid-peak", 19: "off-peak"}),
        (ULO, "2025-07-15", {7: "mid-peak", 16: "on-peak", 21: "mid-peak", 23: "overnight"}),
    ],
)
def test_published_windows(tariff: Tariff, day: str, expected: dict[int, str]) -> None:
    found = bands_at(tariff, day)
    changes = {hour: band for hour, band in enumerate(found) if hour and band != found[hour - 1]}
    assert changes == expected


def test_overnight_price_holds_on_holidays_too() -> None:
    assert bands_at(ULO, "2025-07-01") == ["overnight"] * 7 + ["weekend-off-peak"] * 16 + ["overnight"]


ONTARIO_HOLIDAYS = {
    # bluewaterpower.com/index.php/residential-top/smart-meters/time-of-use-rates (copy of the OEB's list)
    2017: "01-02 02-20 04-14 05-22 07-03 08-07 09-04 10-09 12-25 12-26",
    # oefc.on.ca/ppa_schedule.html, contract on- and off-peak calendar (same ten days, same shift rule)
    2021: "01-01 02-15 04-02 05-24 07-01 08-02 09-06 10-11 12-27 12-28",
    2025: "01-01 02-17 04-18 05-19 07-01 08-04 09-01 10-13 12-25 12-26",
}


@pytest.mark.parametrize("number", ONTARIO_HOLIDAYS)
def test_ontario_holidays_as_published(number: int) -> None:
    found = sorted(f"{day:%m-%d}" for day in holiday_dates(TOU.holidays, number, number))
    assert " ".join(found) == ONTARIO_HOLIDAYS[number]


@pytest.mark.parametrize("day", ["2025-04-21", "2025-09-30", "2025-11-11"])
def test_easter_monday_and_remembrance_days_are_ordinary_weekdays(day: str) -> None:
    assert "on-peak" in bands_at(TOU, day)


@pytest.mark.parametrize(("day", "hours"), [("2025-03-09", 23), ("2025-11-02", 25), ("2025-06-10", 24)])
def test_clock_change_days_have_their_hours_with_one_price_each(day: str, hours: int) -> None:
    assert len(bands_at(ULO, day)) == hours
    overnight = hours - 24 + 8
    assert bands_at(ULO, day).count("overnight") == overnight


@pytest.mark.parametrize("minutes", [5, 15, 30, 60])
def test_finer_steps_see_the_same_prices(minutes: int) -> None:
    coarse = price_steps(TOU, steps("2025-02-24", "2025-04-01"), 1.0)
    fine = price_steps(TOU, steps("2025-02-24", "2025-04-01", minutes=minutes), minutes / 60)
    assert np.array_equal(fine.band, np.repeat(coarse.band, 60 // minutes))


def test_utc_and_local_series_are_priced_alike() -> None:
    local = price_steps(TOU, year(2025), 1.0)
    utc = price_steps(TOU, year(2025).tz_convert("UTC"), 1.0)
    assert np.array_equal(local.import_price_per_kwh, utc.import_price_per_kwh)
    assert utc.period_names == local.period_names == tuple(f"2025-{month:02d}" for month in range(1, 13))


@given(st.integers(0, 525_599))
@settings(max_examples=50, deadline=None)
def test_every_instant_has_the_price_of_the_hour_it_lies_in(minute: int) -> None:
    at = pd.Timestamp("2025-01-01", tz=TORONTO).tz_convert("UTC") + pd.Timedelta(minutes=minute)
    one = price_steps(TOU, pd.DatetimeIndex([at.tz_convert(TORONTO)]), 1 / 60)
    hour = minute // 60
    assert one.import_price_per_kwh[0] == price_steps(TOU, year(2025), 1.0).import_price_per_kwh[hour]


@pytest.mark.parametrize(
    ("start", "minutes", "words"),
    [
        ("2025-01-06 00:30", 60, ["'off-peak' to 'on-peak' at 07:00", "2025-01-06T06:30:00-05:00", "finer"]),
        ("2025-01-06 00:00", 240, ["'off-peak' to 'on-peak' at 07:00", "windows[1]", "240 minutes"]),
        ("2025-01-04 23:30", 60, ["midnight", "2025-01-04T23:30:00-05:00"]),
        ("2025-03-09 01:30", 60, ["clock change", "2025-03-09T01:30:00-05:00"]),
    ],
)
def test_a_change_inside_a_step_is_refused(start: str, minutes: int, words: list[str]) -> None:
    times = pd.date_range(start, periods=20, freq=f"{minutes}min", tz=TORONTO)
    with pytest.raises(TariffError) as refused:
        price_steps(TOU, times, minutes / 60)
    assert all(word in str(refused.value) for word in words), str(refused.value)


def test_dates_outside_the_validity_are_refused() -> None:
    text = time_of_use().replace('currency = "CAD"', 'currency = "CAD"\nvalid_to = 2025-10-31')
    with pytest.raises(TariffError, match=r"valid_to.*2025-10-31.*2025-12-31"):
        price_steps(parse_tariff(text, "t.toml"), year(2025), 1.0)


def test_holiday_that_moves_across_the_years_end() -> None:
    # derived: 2022-01-01 is a Saturday, so the weekday is Monday the 3rd
    assert dt.date(2022, 1, 3) in holiday_dates(TOU.holidays, 2022, 2022)
    assert dt.date(2022, 1, 1) not in holiday_dates(TOU.holidays, 2022, 2022)
