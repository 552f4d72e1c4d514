"""Tariff files with everything a price per step cannot say, for tests of what comes after billing."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from homes.small_home import small_home

if TYPE_CHECKING:
    from homes.drafts import Draft

RICH: dict[str, Any] = {
    "name": "Tall Chimes",
    "currency": "CAD",
    "time_zone": "America/Halifax",
    "bands": {
        "low": {"import_price_per_kwh": 0.07},
        "high": {"import_price_per_kwh": 0.16},
        "chime": {"import_price_per_kwh": 0.9},
    },
    "windows": [
        {"band": "low", "from": "22:00", "to": "07:00"},
        {"band": "high", "from": "07:00", "to": "22:00"},
    ],
    "events": [
        {"name": "chimes", "dates": ["2025-10-31", "2025-11-02"], "hours": "17:00-21:00", "band": "chime"}
    ],
    "blocks": [
        {
            "name": "steps",
            "limits_for_days": 30,
            "steps": [{"up_to_kwh": 90, "price_per_kwh": 0.01}, {"price_per_kwh": 0.06}],
        }
    ],
    "demand": [
        {
            "name": "evening power",
            "price_per_kw": 3.0,
            "interval_minutes": 15,
            "hours": "17:00-21:00",
            "flat_within_step": True,
        }
    ],
    "charges": [{"name": "meter", "per_day": 0.31}],
    "adjustments": [{"name": "levy", "percent": 5}],
}
"""Tiers, demand, two event days and a levy, on the dates of `small_home`."""

HOURS_OF_USE: dict[str, Any] = {
    "name": "Long Hours",
    "currency": "CAD",
    "time_zone": "America/Halifax",
    "bands": {"any": {}},
    "demand": [{"name": "power", "price_per_kw": 1.0}],
    "blocks": [
        {
            "name": "by hours of use",
            "demand": "power",
            "steps": [{"up_to_hours": 60, "price_per_kwh": 0.2}, {"price_per_kwh": 0.1}],
        }
    ],
}
"""A tariff that can be billed but not optimised: its limits multiply energy by power."""


def rich_home(**changes: Any) -> Draft:  # noqa: ANN401 - tables of a tariff hold values of several types
    """The small home under the rich tariff, some of its tables replaced; None drops one."""
    tables = {name: value for name, value in {**RICH, **changes}.items() if value is not None}
    return replace(small_home(), tariff=tables)
