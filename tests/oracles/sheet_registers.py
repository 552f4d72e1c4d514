"""What registers beside the main meter come to, restated in plain Python from the tariff reference.

Takes the tables as TOML gives them, one calendar month of steps, and one tax on everything; shares nothing with
`tariffs`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import pandas as pd


def inside(hours: str, at: pd.Timestamp) -> bool:
    """Tell whether a clock time lies in a stretch ``HH:MM-HH:MM``."""
    begin, end = (60 * int(text[:2]) + int(text[3:]) for text in hours.split("-"))
    minute = at.hour * 60 + at.minute
    return begin <= minute < end if begin < end else minute >= begin or minute < end


def register_money(
    register: Mapping[str, Any], times: pd.DatetimeIndex, kwh: Iterable[float], riders: Mapping[str, float]
) -> float:
    """Return what one register owes in a month, before taxes; export is a credit."""
    sign = -1.0 if register.get("of") == "export" else 1.0
    key = "export_price_per_kwh" if sign < 0 else "import_price_per_kwh"
    money, total = 0.0, 0.0
    for at, energy in zip(times, kwh, strict=True):
        if "price_per_kwh" in register:
            price = register["price_per_kwh"]
        else:
            held = [window["band"] for window in register["windows"] if inside(window["hours"], at)]
            price = register["bands"][held[0] if held else register["other_hours"]][key]
        money += sign * float(price) * energy
        total += energy
    money += total * sum(riders[name] for name in register.get("shared_riders", []))
    days = len({at.date() for at in times})
    for charge in register.get("charges", []):
        money += charge.get("per_day", 0) * days + charge.get("per_month", 0)
    return money
