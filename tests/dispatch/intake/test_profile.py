"""Typical loads: the published shape against its published figures, the drawn ones against what a year must be."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from dispatch.errors import SeriesError
from dispatch.intake.profile import H0, KINDS, h0_year, typical_load


def test_h0_of_2023_scaled_to_1000_kwh() -> None:
    # BDEW H0 as computed by demandlib 0.2.2 (MIT) for 2023, scaled to 1000 kWh: 35,040 quarter-hours, sum 1000.000,
    # highest 0.21403 kW on 2023-05-21 at 12:00, lowest 0.03833 kW
    values = 1000 * h0_year(2023)
    assert len(values) == 35_040
    assert values.sum() == pytest.approx(1000, abs=1e-9)
    power_kw = values * 4
    assert power_kw.max() == pytest.approx(0.21403, abs=5e-6)
    # that Sunday's noon is the highest of many equal summer Sundays
    noon = (dt.date(2023, 5, 21) - dt.date(2023, 1, 1)).days * 96 + 48
    assert power_kw[noon] == power_kw.max()
    assert power_kw.min() == pytest.approx(0.03833, abs=5e-6)


def test_a_holiday_is_like_a_sunday() -> None:
    plain, free = h0_year(2023), h0_year(2023, [dt.date(2023, 5, 1)])  # a Monday
    day = slice(120 * 96, 121 * 96)
    sunday = slice(119 * 96, 120 * 96)
    np.testing.assert_allclose(free[day] / free.sum(), free[sunday] / free.sum(), rtol=1e-12)
    assert not np.allclose(plain[day], plain[sunday])


@pytest.mark.parametrize("kind", [*KINDS, H0])
@pytest.mark.parametrize("zone", ["Europe/Lisbon", "Australia/Sydney", "Asia/Kolkata", "Australia/Lord_Howe"])
@pytest.mark.parametrize("minutes", [15, 60])
def test_a_year_sums_to_what_was_asked(kind: str, zone: str, minutes: int) -> None:
    times, kwh = typical_load(3600, kind, 2024, zone, minutes)
    assert kwh.sum() == pytest.approx(3600, rel=1e-12)
    assert (kwh > 0).all()
    assert len(times) == len(kwh) == 8784 * 60 // minutes
    assert times[0].isoformat().startswith("2024-01-01T00:00:00")


@pytest.mark.parametrize("kind", KINDS)
def test_habits_of_a_household(kind: str) -> None:
    times, kwh = typical_load(3600, kind, 2025, "Europe/Lisbon")
    hour = times.hour.to_numpy()
    by_hour = np.array([kwh[hour == at].mean() for at in range(24)])
    assert by_hour[2:5].mean() < 0.6 * by_hour.mean()  # nights are quiet  # common practice, no source
    assert by_hour[17:22].mean() > 1.2 * by_hour.mean()  # evenings are not
    days = kwh.reshape(-1, 24).sum(axis=1)
    assert 0.05 < days.std() / days.mean() < 0.5
    assert len({round(day, 6) for day in days}) > 360  # no day is another's copy


def test_the_seed_decides() -> None:
    one = typical_load(3600, "family", 2025, "Europe/Lisbon", seed=1)[1]
    again = typical_load(3600, "family", 2025, "Europe/Lisbon", seed=1)[1]
    other = typical_load(3600, "family", 2025, "Europe/Lisbon", seed=2)[1]
    assert (one == again).all()
    assert not np.allclose(one, other)


def test_the_dark_time_of_the_year_follows_the_hemisphere() -> None:
    for zone, dark in (("Europe/Lisbon", 12), ("Australia/Sydney", 6)):
        times, kwh = typical_load(3600, "couple", 2025, zone)
        months = [kwh[times.month == month].sum() for month in (6, 12)]
        assert (months[1] > months[0]) == (dark == 12)


@pytest.mark.parametrize(
    ("kwh", "kind", "year", "minutes", "expected"),
    [
        (0, "family", 2025, 60, "--kwh"),
        (float("nan"), "family", 2025, 60, "--kwh"),
        (1e9, "family", 2025, 60, "--kwh"),
        (3600, "castle", 2025, 60, "--household"),
        (3600, "family", 1066, 60, "--year"),
        (3600, "family", 2025, 7, "--step"),
    ],
)
def test_what_makes_no_year(kwh: float, kind: str, year: int, minutes: int, expected: str) -> None:
    with pytest.raises(SeriesError, match=expected):
        typical_load(kwh, kind, year, "Europe/Lisbon", minutes)
