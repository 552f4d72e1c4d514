"""Arrangements of panels and years of sun as JSON, and the sun as a series for a scenario."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dispatch.exports.files import plain
from dispatch.writing import write

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np

    from dispatch.equipment.arrangements import Arrangements
    from dispatch.equipment.sun import SunYear


def arrangements_document(found: Arrangements) -> dict[str, Any]:
    """Put arrangements into plain JSON types, with the figures they are ranked by."""
    return {
        **plain(found),
        "legal": [
            {
                "used_w": way.used_w,
                "current_a": way.current_a,
                "headroom_fraction": way.headroom_fraction,
                "parts": plain(way.parts),
            }
            for way in found.legal
        ],
    }


def sun_document(year: SunYear) -> dict[str, Any]:
    """Put a year of sun into plain JSON types: sums in all, by month and by hour of the site's clock. [kWh]."""
    return {
        "kind": year.kind,
        "place": plain(year.place),
        "start": year.times[0].isoformat(),
        "steps": len(year.times),
        "dt_hours": year.dt_hours,
        "plane_kwh": float(year.plane_kwh.sum()),
        "delivered_kwh": float(year.delivered_kwh.sum()),
        "lost_kwh": {name: float(values.sum()) for name, values in year.lost_kwh.items()},
        "by_input_kwh": plain(year.by_input_kwh),
        "by_month_kwh": _by(year, year.times.month.to_numpy(), range(1, 13)),
        "by_hour_kwh": _by(year, year.times.hour.to_numpy(), range(24)),
        "notes": list(year.notes),
    }


def _by(year: SunYear, key: np.ndarray[Any, Any], values: range) -> dict[str, float]:
    return {str(value): float(year.delivered_kwh[key == value].sum()) for value in values}


def sun_csv(year: SunYear, path: Path) -> None:
    """Write the sun as a series a scenario can read: time and ``sun_kwh``, what arrives in the device in each step."""
    lines = ["time,sun_kwh"]
    lines += [f"{at.isoformat()},{kwh:.6f}" for at, kwh in zip(year.times, year.delivered_kwh, strict=True)]
    write({path: ("\n".join(lines) + "\n").encode()})
