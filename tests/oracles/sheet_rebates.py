"""Rebates below a baseline, restated in plain Python from the tariff reference; shares nothing with `tariffs`.

Takes the table as TOML gives it, with hours that do not cross midnight, and a file without holidays.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pandas as pd

SATURDAY = 5


def saved_by_day(
    table: Mapping[str, Any], times: pd.DatetimeIndex, kwh: Iterable[float], never: Sequence[dt.date] = ()
) -> dict[dt.date, float]:
    """Return the kWh saved on each event day; ``never`` are days of other events."""
    begin, end = (60 * int(text[:2]) + int(text[3:]) for text in table["hours"].split("-"))
    used: dict[dt.date, float] = defaultdict(float)
    for at, energy in zip(times, kwh, strict=True):
        if begin <= at.hour * 60 + at.minute < end:
            used[at.date()] += energy
    saved = {}
    for day in table["dates"]:
        told = table.get("known_baseline_kwh", {}).get(day.isoformat())
        if told is None:
            like: list[float] = []
            other = day
            while len(like) < table.get("like_days", 5):
                other -= dt.timedelta(days=1)
                same = (other.weekday() < SATURDAY) == (day.weekday() < SATURDAY)
                if (
                    other not in table["dates"]
                    and other not in never
                    and (same or table.get("like") == "any-day")
                ):
                    like.append(used[other])
            like.sort(reverse=True)
            chosen = like[: table.get("highest_days", len(like))]
            told = sum(chosen) / len(chosen)
        saved[day] = max(0.0, told - used[day])
    return saved
