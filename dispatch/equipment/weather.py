"""Weather for the sun: a TMY3, EPW or CSV file, or a clear sky, laid over the steps of a scenario.

Typical weather (TMY3, EPW) is put together from months of different years. It is used by month, day and hour of its
standard time for whatever year is computed, 29 February with the weather of the 28th, and is labelled typical. A CSV
series must cover the computed time itself.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from dispatch.errors import ScenarioError, SeriesError
from tariffs.reading.opening import MOST_TABLE_BYTES, checked
from tariffs.reading.refusals import missing_file

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.arrays import Floats


CLEAR_SKY = "clear-sky"

COLUMNS = ("ghi_w_per_m2", "dni_w_per_m2", "dhi_w_per_m2", "air_c", "wind_m_per_s")
"""Columns of a CSV file of weather, beside ``time``: global, direct and diffuse sun, air and wind."""

MILD_C, BREEZE_M_PER_S = 20.0, 1.0
"""Air and wind of a clear sky, which has neither."""

_HEAD_CHARACTERS = 10_000

INSTALL = "pip install 'tou-dispatch[solar]'"


@dataclass(frozen=True)
class Place:
    """Where the panels are."""

    latitude_degrees: float
    longitude_degrees: float
    altitude_m: float


@dataclass(frozen=True)
class Weather:
    """Weather in each step, arrays of shape (n,).

    Attributes
    ----------
    place : Place
    kind : str
        "typical year", "series" or "clear sky".
    ghi, dni, dhi : array
        Global horizontal, direct normal and diffuse horizontal irradiance, mean over the step. [W/m2]
    air_c, wind_m_per_s : array
    """

    place: Place
    kind: str
    ghi: Floats
    dni: Floats
    dhi: Floats
    air_c: Floats
    wind_m_per_s: Floats


def solar_library() -> Any:  # noqa: ANN401 - a module of an optional extra
    """Import pvlib, or say how to install it.

    Raises
    ------
    ScenarioError
        If the ``solar`` extra is not installed.
    """
    try:
        import pvlib  # noqa: PLC0415 - an extra, and slow to import
    except ImportError:
        text = f"sun.weather: needs the extra 'solar', which is not installed; run: {INSTALL}"
        raise ScenarioError(text) from None
    return pvlib


def weather_at(
    source: str, folder: Path, place: Place | None, times: pd.DatetimeIndex, dt_hours: float
) -> Weather:
    """Read weather and lay it over the steps.

    Parameters
    ----------
    source : str
        A file, relative to ``folder``, or "clear-sky". Files ending in .epw are EPW; others are TMY3 unless their first
        line names a ``time`` column.
    folder : Path
    place : Place or None
        From the scenario; None takes what the file says.
    times : DatetimeIndex, shape (n,)
        Start of each step.
    dt_hours : float
        Length of a step. [h]

    Raises
    ------
    ScenarioError, SeriesError
        If the file cannot be read, belongs to another place, or shows sun at night.
    """
    pvlib = solar_library()
    if source == CLEAR_SKY:
        weather = _clear_sky(pvlib, _needed(place), times, dt_hours)
    else:
        path = folder / source
        if not path.is_file():
            raise ScenarioError(f"sun.weather: {source!r}: {missing_file(path)}")
        checked(path, SeriesError, MOST_TABLE_BYTES, path.suffix)
        if _is_series(path):
            weather = _series(path, _needed(place), times, dt_hours)
        else:
            weather = _typical(pvlib, path, place, times, dt_hours)
    _refuse_sun_at_night(pvlib, source, weather, times, dt_hours)
    return weather


def _needed(place: Place | None) -> Place:
    if place is None:
        text = "site.latitude_degrees: needed for the sun; add latitude_degrees and longitude_degrees under [site]"
        raise ScenarioError(text)
    return place


def middles(times: pd.DatetimeIndex, dt_hours: float) -> pd.DatetimeIndex:
    """Return the middle of each step, where the sun is looked up."""
    return times + pd.Timedelta(hours=dt_hours / 2.0)


def _clear_sky(pvlib: Any, place: Place, times: pd.DatetimeIndex, dt_hours: float) -> Weather:  # noqa: ANN401
    at = pvlib.location.Location(place.latitude_degrees, place.longitude_degrees, "UTC", place.altitude_m)
    with warnings.catch_warnings():
        # pvlib 0.16 asks pandas 3.1 for the day of the year by a name that will go
        warnings.simplefilter("ignore", DeprecationWarning)
        table = at.get_clearsky(middles(times, dt_hours).tz_convert("UTC"), model="ineichen")
    ghi, dni, dhi = (table[name].to_numpy(dtype=np.float64) for name in ("ghi", "dni", "dhi"))
    count = len(times)
    return Weather(place, "clear sky", ghi, dni, dhi, np.full(count, MILD_C), np.full(count, BREEZE_M_PER_S))


def _is_series(path: Path) -> bool:
    if path.suffix.lower() == ".epw":
        return False
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        return "time" in [name.strip(' "\n') for name in file.readline(_HEAD_CHARACTERS).split(",")]


def _typical(
    pvlib: Any,  # noqa: ANN401
    path: Path,
    place: Place | None,
    times: pd.DatetimeIndex,
    dt_hours: float,
) -> Weather:
    reader, names = (
        (pvlib.iotools.read_epw, ("ghi", "dni", "dhi", "temp_air", "wind_speed"))
        if path.suffix.lower() == ".epw"
        else (pvlib.iotools.read_tmy3, ("ghi", "dni", "dhi", "temp_air", "wind_speed"))
    )
    try:
        table, about = (
            reader(str(path)) if reader is pvlib.iotools.read_epw else reader(str(path), map_variables=True)
        )
        columns = np.column_stack([table[name].to_numpy(dtype=np.float64) for name in names])
    except (ValueError, KeyError, IndexError, UnicodeDecodeError, TypeError, AttributeError) as error:
        raise SeriesError(
            f"{path}: not readable as {'EPW' if path.suffix.lower() == '.epw' else 'TMY3'} weather ({error}); name a "
            f"TMY3 or EPW file, or a CSV with the columns time, {', '.join(COLUMNS)}"
        ) from None
    if len(columns) != 8760 or not np.isfinite(columns).all():
        raise SeriesError(
            f"{path}: has {len(columns):,} rows, not the 8,760 h of a typical year without gaps"
        )
    own = Place(about["latitude"], about["longitude"], about["altitude"])
    if place is not None:
        _refuse_elsewhere(path, own, place)
    offset = pd.Timedelta(hours=float(about["TZ"]))
    # rows are the hours of the year in standard time, first row 00:00 to 01:00, whatever label the format gives them
    local = (times.tz_convert("UTC") + offset).tz_localize(None)
    ordinary = pd.to_datetime(
        {
            "year": 2023,
            "month": local.month,
            "day": np.where((local.month == 2) & (local.day == 29), 28, local.day),
            "hour": local.hour,
        }
    )
    hour = ((ordinary - pd.Timestamp(2023, 1, 1)) / pd.Timedelta(hours=1)).to_numpy().astype(int)
    if dt_hours > 1.0:
        raise ScenarioError(
            f"sun.weather: steps of {dt_hours:g} h are too long for the sun; use an hour or less"
        )
    chosen = columns[hour]
    ghi, dni, dhi, air_c, wind = (chosen[:, at].copy() for at in range(5))
    return Weather(place or own, "typical year", ghi, dni, dhi, air_c, wind)


def _refuse_elsewhere(path: Path, own: Place, place: Place) -> None:
    if (
        own.latitude_degrees * place.latitude_degrees < 0
        and abs(own.latitude_degrees - place.latitude_degrees) > 5
    ):
        raise ScenarioError(
            f"sun.weather: {path.name} is from latitude {own.latitude_degrees:g}, the other hemisphere than "
            f"site.latitude_degrees = {place.latitude_degrees:g}: its seasons are half a year off; name weather from "
            "nearby, or correct the sign"
        )
    away = abs((own.longitude_degrees - place.longitude_degrees + 180.0) % 360.0 - 180.0)
    if away > 15.0:
        raise ScenarioError(
            f"sun.weather: {path.name} is from longitude {own.longitude_degrees:g}, {away:.0f} degrees from "
            f"site.longitude_degrees = {place.longitude_degrees:g}, more than an hour of sun; name weather from "
            "nearby, or correct the sign (east of Greenwich is above zero)"
        )


def _series(path: Path, place: Place, times: pd.DatetimeIndex, dt_hours: float) -> Weather:
    try:
        table = pd.read_csv(path, encoding="utf-8-sig")
        table.columns = [str(name).strip() for name in table.columns]
        stamps = pd.to_datetime(table["time"], utc=True, format="ISO8601")
    except (ValueError, KeyError, OverflowError) as error:
        raise SeriesError(f"{path}: not readable as a table of weather: {error}") from None
    missing = [name for name in COLUMNS[:4] if name not in table.columns]
    if missing:
        raise SeriesError(
            f"{path}: no column {', '.join(missing)}; weather needs time (with offset), {', '.join(COLUMNS)}"
        )
    clock = str(table["time"].iloc[0]).strip()[10:]
    if not any(mark in clock for mark in "+-Zz"):
        raise SeriesError(f"{path}: its times have no offset; write it, as in 2025-06-01T13:00-05:00")
    values = table.set_index(pd.DatetimeIndex(stamps))[[name for name in COLUMNS if name in table.columns]]
    if values.index.has_duplicates:
        twice = values.index[values.index.duplicated()][0]
        raise SeriesError(f"{path}: the time {twice.isoformat()} stands there twice; keep one row of it")
    wanted = times.tz_convert("UTC")
    lacking = wanted[~wanted.isin(values.index)]
    if len(lacking):
        raise SeriesError(
            f"{path}: {len(lacking):,} of {len(times):,} steps have no weather, the first {lacking[0].isoformat()}; "
            f"supply rows of {dt_hours * 60:g} minutes, labelled by their start, for the whole period"
        )
    rows = values.loc[wanted]
    numbers = rows.apply(pd.to_numeric, errors="coerce").to_numpy(dtype=np.float64)
    if not np.isfinite(numbers).all():
        at = int(np.argmax(~np.isfinite(numbers).all(axis=1)))
        raise SeriesError(f"{path}: no number at {wanted[at].isoformat()}; supply it")
    if (numbers[:, :3] < 0).any():
        at = int(np.argmax((numbers[:, :3] < 0).any(axis=1)))
        raise SeriesError(f"{path}: sun below zero at {wanted[at].isoformat()}; correct it")
    wind = numbers[:, 4] if numbers.shape[1] > 4 else np.full(len(times), BREEZE_M_PER_S)
    return Weather(place, "series", numbers[:, 0], numbers[:, 1], numbers[:, 2], numbers[:, 3], wind)


NIGHT_SHARE = 0.01
"""More of the sun's energy than this while the sun is down means another zone or hemisphere."""

BEYOND_SHARE = 0.02
"""More steps of sun than this brighter than outside the atmosphere mean the same."""

DARK_DEGREES = -3.0


def _refuse_sun_at_night(
    pvlib: Any,  # noqa: ANN401
    source: str,
    weather: Weather,
    times: pd.DatetimeIndex,
    dt_hours: float,
) -> None:
    """Refuse weather that shines while the sun is down: it belongs to another zone or hemisphere."""
    height = 90.0 - solar_position(pvlib, weather.place, times, dt_hours)["zenith"].to_numpy(dtype=np.float64)
    total = float(weather.ghi.sum())
    night = float(weather.ghi[height < DARK_DEGREES].sum())
    outside = 1367.0 * 1.04 * np.maximum(np.sin(np.radians(height)), 0.0)
    shining = weather.ghi > 50.0
    beyond = int(np.sum(shining & (height > 5.0) & (weather.ghi > 1.1 * outside)))
    if total > 0 and (night > NIGHT_SHARE * total or beyond > BEYOND_SHARE * max(int(shining.sum()), 1)):
        first = int(np.argmax((weather.ghi > 20.0) & (height < DARK_DEGREES)))
        where = f", as at {times[first].isoformat(timespec='minutes')}" if night > 0 else ""
        raise ScenarioError(
            f"sun.weather: {source}: shows sun at night{where} ({100 * night / total:.3g} % of its energy while the "
            f"sun is down at latitude {weather.place.latitude_degrees:g}, "
            f"longitude {weather.place.longitude_degrees:g}): "
            "it is of another zone or hemisphere; correct [site] or name weather from nearby"
        )


def solar_position(pvlib: Any, place: Place, times: pd.DatetimeIndex, dt_hours: float) -> pd.DataFrame:  # noqa: ANN401
    """Zenith, apparent zenith and azimuth at the middle of each step (SPA). [degrees]."""
    table: pd.DataFrame = pvlib.solarposition.get_solarposition(
        middles(times, dt_hours).tz_convert("UTC"),
        place.latitude_degrees,
        place.longitude_degrees,
        altitude=place.altitude_m,
    )
    return table
