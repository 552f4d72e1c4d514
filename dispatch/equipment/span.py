"""The span a year of sun is worked out for: the scenario's period, or a calendar year."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pandas as pd

from dispatch.errors import ScenarioError
from dispatch.scenario.load import read_scenario
from tariffs.reading.clock import instant
from tariffs.reading.toml import read_toml

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.scenario.model import Period, Site


DEFAULT_YEAR = 2025


def span_of_sun(
    path: Path, site: Site | None, year: int | None
) -> tuple[pd.DatetimeIndex, float, str | None]:
    """Return the steps, their length in hours, and the weather the file states.

    Parameters
    ----------
    path : Path
        A scenario or a file of parts.
    site : Site or None
        Its clock; UTC without one.
    year : int or None
        A calendar year of hours instead of the scenario's period.
    """
    data = read_toml(path, ScenarioError)
    zone = ZoneInfo(site.time_zone if site is not None else "UTC")
    period: Period | None = None
    stated = None
    if "battery" in data or "tariff" in data:
        scenario = read_scenario(path)
        period, stated = scenario.period, scenario.sun.weather if scenario.sun else None
    if year is not None and not 1970 <= year <= 2100:
        raise ScenarioError(f"year: {year} is out of range; name one from 1970 to 2100")
    if year is None and period is not None:
        start, end = (
            pd.Timestamp(instant(text, zone.key, f"{path}: period.{name}", ScenarioError))
            for name, text in (("start", period.start), ("end", period.end))
        )
        minutes = period.step_minutes or 60
    else:
        first = year or DEFAULT_YEAR
        start, end = pd.Timestamp(f"{first}-01-01", tz=zone), pd.Timestamp(f"{first + 1}-01-01", tz=zone)
        minutes = 60
    utc = pd.date_range(
        start.tz_convert("UTC"), end.tz_convert("UTC"), freq=pd.Timedelta(minutes=minutes), inclusive="left"
    )
    if not len(utc):
        raise ScenarioError(f"{path}: period.end: not after period.start")
    return utc.tz_convert(zone), minutes / 60.0, stated
