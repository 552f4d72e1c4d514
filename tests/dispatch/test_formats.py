"""Figures as text."""

from __future__ import annotations

import datetime as dt

import pytest

from dispatch import formats


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (1234.5, 2, "1,234.50"),
        (-0.001, 2, "0.00"),
        (-0.0, 0, "0"),
        (-1234567.0, 0, "-1,234,567"),
        (None, 2, "-"),
        (float("nan"), 2, "-"),
    ],
)
def test_numbers(value: float | None, decimals: int, text: str) -> None:
    assert formats.format_number(value, decimals) == text


@pytest.mark.parametrize(
    ("currency", "text"),
    [("CAD", "CAD 1,234.57"), ("JPY", "JPY 1,235"), ("KWD", "KWD 1,234.568"), ("EUR", "EUR 1,234.57")],
)
def test_money_has_its_currencys_minor_unit(currency: str, text: str) -> None:
    assert formats.format_money(1234.5678, currency) == text


def test_money_that_does_not_exist_is_not_zero() -> None:
    assert formats.format_money(None, "CAD") == "CAD -"


@pytest.mark.parametrize(
    ("energy_kwh", "text"),
    [(6.123, "6.12 kWh"), (42.06, "42.1 kWh"), (4210.4, "4,210 kWh"), (0.0, "0.00 kWh"), (None, "- kWh")],
)
def test_energy(energy_kwh: float | None, text: str) -> None:
    assert formats.format_kwh(energy_kwh) == text


@pytest.mark.parametrize(
    ("hours", "text"),
    [(9.953, "9.9"), (5.9999, "5.9"), (6.0, "6.0"), (5.9999999, "6.0"), (168.0, "168+"), (None, "-")],
)
def test_hours_never_promise_more_than_there_is(hours: float | None, text: str) -> None:
    assert formats.format_hours(hours, 168.0) == text


def test_decimals_fit_the_largest_figure_of_a_row() -> None:
    assert formats.fitting_decimals([0.2, 9.99, None]) == 2
    assert formats.fitting_decimals([0.2, -10.0]) == 1
    assert formats.fitting_decimals([0.2, 1000.0, float("nan")]) == 0
    assert formats.fitting_decimals([0.2], most=1) == 1
    assert formats.fitting_decimals([]) == 2


def test_dates() -> None:
    assert formats.format_date(dt.date(2025, 2, 14)) == "Fri 14 Feb 2025"
    assert formats.format_span(dt.date(2025, 1, 1), dt.date(2025, 1, 1)) == "Wed 1 Jan 2025"
    assert formats.format_span(dt.date(2025, 1, 1), dt.date(2025, 1, 2)) == "Wed 1 Jan 2025 to Thu 2 Jan 2025"
    moment = dt.datetime(2025, 11, 2, 1, 30, tzinfo=dt.UTC)
    assert formats.format_moment(moment) == "Sun 2 Nov 2025 01:30"
    assert formats.format_month("2025-11") == "Nov 2025"
    assert [formats.format_month(name) for name in ("2025-13", "winter", "2025-1x")] == [
        "2025-13",
        "winter",
        "2025-1x",
    ]
