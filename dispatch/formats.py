"""Figures as a reader sees them: money, energy, hours, dates. Pure functions, no layout.

A figure that does not exist is written as a dash, so that it is never mistaken for zero. All text is ASCII, so
that it survives any terminal.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date, datetime


ABSENT = "-"


# ISO 4217 minor units, where they are not hundredths  # from memory
_WITHOUT_MINOR_UNIT = frozenset(
    (
        "BIF",
        "CLP",
        "DJF",
        "GNF",
        "ISK",
        "JPY",
        "KMF",
        "KRW",
        "PYG",
        "RWF",
        "UGX",
        "VND",
        "VUV",
        "XAF",
        "XOF",
        "XPF",
    )
)

_IN_THOUSANDTHS = frozenset(("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"))


def currency_decimals(currency: str) -> int:
    """Give the number of decimals (0, 2 or 3) that amounts in a currency, an ISO 4217 code, are written with."""
    if currency in _WITHOUT_MINOR_UNIT:
        return 0
    return 3 if currency in _IN_THOUSANDTHS else 2


def format_number(value: float | None, decimals: int = 0) -> str:
    """Write a number with thousands separators, ``1,234.50``, and never a negative zero; None and NaN give a dash."""
    if value is None or math.isnan(value):
        return ABSENT
    text = f"{value:,.{decimals}f}"
    return text.removeprefix("-") if not text.strip("-0.,") else text


def fitting_decimals(values: Iterable[float | None], most: int = 2) -> int:
    """Choose one number of decimals for figures that stand side by side, never more than ``most``.

    About four significant digits for the largest of them: 0 from a thousand on, 1 from ten on.
    """
    largest = max((abs(value) for value in values if value is not None and math.isfinite(value)), default=0.0)
    wanted = 0 if largest >= 1000 else 1 if largest >= 10 else 2
    return min(wanted, most)


def format_money(amount: float | None, currency: str) -> str:
    """Write an amount to the minor unit of its currency, an ISO 4217 code: ``CAD 1,234.50``, ``JPY 98,765``."""
    return f"{currency} {format_number(amount, currency_decimals(currency))}"


def format_kwh(energy_kwh: float | None) -> str:
    """Write an energy with about four significant digits: ``6.12 kWh``, ``4,210 kWh``."""
    return f"{format_number(energy_kwh, fitting_decimals([energy_kwh]))} kWh"


def format_hours(hours: float | None, horizon_hours: float = math.inf) -> str:
    """Write hours of backup without a unit: ``9.9``, and ``168+`` where counting stopped at the horizon.

    Rounded down to a tenth of an hour, so that a figure never promises more than there is.
    """
    if hours is None or math.isnan(hours):
        return ABSENT
    if hours >= horizon_hours - 1e-9:
        return f"{horizon_hours:g}+"
    return format_number(math.floor(hours * 10 + 1e-5) / 10, 1)


def percent_down(share: float) -> str:
    """Write a share of 0 to 1 as a percentage rounded down to a tenth: 100 only where nothing is missing."""
    return "100" if share >= 1.0 else format_number(math.floor(share * 1000 + 1e-9) / 10, 1)


def format_date(day: date, *, weekday: bool = True) -> str:
    """Write a local day with or without its weekday: ``Wed 15 Jan 2025``."""
    name = f"{_WEEKDAYS[day.weekday()]} " if weekday else ""
    return f"{name}{day.day} {_MONTHS[day.month - 1]} {day.year}"


def format_moment(moment: datetime, *, weekday: bool = True) -> str:
    """Write an instant to the minute on its own clock: ``Wed 15 Jan 2025 17:00``."""
    return f"{format_date(moment, weekday=weekday)} {moment.hour:02d}:{moment.minute:02d}"


def format_span(first: date, last: date) -> str:
    """Write the days a series covers, both ends included: ``Wed 1 Jan 2025 to Wed 31 Dec 2025``, or the one day."""
    return format_date(first) if first == last else f"{format_date(first)} to {format_date(last)}"


def format_step(dt_hours: float) -> str:
    """Write the length of a step: ``1 h`` or ``15 min``."""
    return f"{dt_hours:g} h" if dt_hours >= 1 else f"{dt_hours * 60:g} min"


def format_month(name: str) -> str:
    """Write a billing period named ``2025-01`` as ``Jan 2025``; any other name stays as it is."""
    year, _, month = name.partition("-")
    if year.isdigit() and month.isdigit() and 1 <= int(month) <= len(_MONTHS):
        return f"{_MONTHS[int(month) - 1]} {year}"
    return name


# strftime would follow whatever locale a library has set
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
CENT = 5e-3


def price_decimals(prices_per_kwh: list[float]) -> int:
    """Choose the decimals of prices per kWh that stand together: four for 0.1234, two for 31.50."""
    largest = max((abs(price) for price in prices_per_kwh), default=0.0)
    return 4 if largest < 1 else 3 if largest < 10 else 2
