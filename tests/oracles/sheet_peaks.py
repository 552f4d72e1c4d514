"""What a demand charge is billed on, restated from the tariff reference in plain Python, one step after the other.

Takes the tariff as the dictionary that TOML gives, and shares nothing with `tariffs`. Its charges have no seasons and
no holidays; whoever draws tariffs for it keeps to that.
"""

from __future__ import annotations

import math
from collections import defaultdict
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

Document: TypeAlias = "Mapping[str, Any]"
WEEKEND = 5


def month_key(number: int) -> str:
    """Name a month counted from year 0."""
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


def share_of(window: Document, at: pd.Timestamp) -> float:
    """Return how much of a step's power a window counts, 0 to 1 or above."""
    days = window.get("days")
    kind = "weekend" if at.weekday() >= WEEKEND else "weekday"
    if days and kind != days and at.day_name().lower() != days:
        return 0.0
    if window.get("dates") and at.date() not in window["dates"]:
        return 0.0
    if "hours" in window:
        begin, end = (60 * int(text[:2]) + int(text[3:]) for text in window["hours"].split("-"))
        minute = at.hour * 60 + at.minute
        inside = begin <= minute < end if begin < end else minute >= begin or minute < end
        if not inside:
            return 0.0
    return float(window.get("counted_percent", 100)) / 100


def peaks(
    charge: Document,
    times: pd.DatetimeIndex,
    kwh: NDArray[np.float64],
    kvarh: NDArray[np.float64] | None = None,
) -> dict[str, float]:
    """Return the measured figure of every calendar month in which the charge measures anything."""
    length = charge.get("interval_minutes", 60)
    called = {str(one)[:16].replace("T", " ") for one in charge.get("called_hours", [])}
    energy: dict[tuple[str, Any, Any], list[float]] = defaultdict(lambda: [0.0, 0.0, 0.0, 0.0])
    step = (times[1] - times[0]).total_seconds() / 3600
    for place, at in enumerate(times):
        share = max(share_of(window, at) for window in charge.get("windows", [charge]))
        start = at.tz_convert("UTC").timestamp() // (length * 60)
        wall = f"{at:%Y-%m-%d %H}:{at.minute // length * length:02d}"
        if not share or (called and wall not in called):
            continue
        sums = energy[f"{at:%Y-%m}", at.date(), start]
        sums[0] += kwh[place]
        sums[1] += step
        sums[2] = share
        sums[3] += kvarh[place] if kvarh is not None else 0.0
    figures: dict[str, list[tuple[float, Any]]] = defaultdict(list)
    for (month, day, _), (bought, hours, share, reactive) in energy.items():
        kw = bought / hours
        kva = math.sqrt(kw**2 + (reactive / hours) ** 2) if kvarh is not None else None
        if kva is None and "power_factor" in charge:
            kva = kw / float(charge["power_factor"])
        if charge.get("unit") == "kVA" or "price_per_kva" in charge:
            kw = kva if kva is not None else math.nan
        elif "at_least_kva_percent" in charge and kva is not None:
            kw = max(kw, float(charge["at_least_kva_percent"]) / 100 * kva)
        figures[month].append((kw * share, day))
    return {month: _of_the_highest(charge, found) for month, found in figures.items()}


def _of_the_highest(charge: Document, found: list[tuple[float, Any]]) -> float:
    if "highest_intervals" in charge:
        listed, wanted = [kw for kw, _ in found], charge["highest_intervals"]
    else:
        by_day: dict[Any, float] = {}
        for kw, day in found:
            by_day[day] = max(kw, by_day.get(day, 0.0))
        listed, wanted = list(by_day.values()), charge.get("highest_days", 1)
    listed.sort(reverse=True)
    chosen = listed if wanted == "all" else listed[:wanted]
    return sum(chosen) / len(chosen)


def billed(charge: Document, found: Mapping[str, float], first: str) -> dict[str, float]:
    """Return what every month is billed on; ``first`` is the month in which the series begins."""
    begin = int(first[:4]) * 12 + int(first[5:]) - 1
    mean = charge.get("rolling_mean")
    result = {}
    for month, own in found.items():
        kw = own
        if mean is not None:
            number = int(month[:4]) * 12 + int(month[5:]) - 1
            listed = []
            for back in range(mean.get("months", 12)):
                key = month_key(number - back)
                if number - back >= begin:
                    listed += [found[key]] if key in found else []
                elif "past_each_kw" in mean:
                    listed.append(float(mean["past_each_kw"]))
                elif key in mean.get("past_kw", {}):
                    listed.append(float(mean["past_kw"][key]))
            kw = sum(max(one, float(mean.get("each_at_least_kw", 0))) for one in listed) / len(listed)
        result[month] = max(kw, float(charge.get("minimum_kw", 0)))
    return result
