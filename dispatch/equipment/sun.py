"""From weather to the sun a device receives: position, transposition, cells, strings, cable, inputs.

::

    plane    = direct·shade·horizon + sky diffuse + ground            Hay and Davies' sky, albedo 0.2
    light    = direct·f(angle of incidence) + diffuse                 glass of refractive index 1.526
    light   := light·(1 - soiling)·(1 - snow)
    cells    = air + plane / (25 + 6.84·wind)                         Faiman's model
    power    = stc_w · light/1000 · (1 + pmp·(cells - 25))
    voltage  = series·Vmp·(1 + vmp·(cells - 25))
    delivered = the input's current limit, cable loss R·I², the input's power limit

Every loss is kept, so that the year can say what was lost where.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.equipment.strings import STC_C, deliver, hot_factor, judge_strings
from dispatch.equipment.weather import Place, Weather, solar_library, solar_position, weather_at
from dispatch.errors import ScenarioError

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from dispatch.arrays import Floats
    from dispatch.scenario.model import Scenario, Site
    from dispatch.scenario.solar import Solar


ALBEDO = 0.2

LOSSES = (
    "horizon and shade",
    "glass at an angle",
    "soiling",
    "snow",
    "cell temperature",
    "input current",
    "cable",
    "input power",
)
"""Where sun is lost, in the order it meets them."""


@dataclass(frozen=True)
class SunYear:
    """The sun of a scenario and what became of it; arrays of shape (n,), energy in each step.

    Attributes
    ----------
    times : DatetimeIndex
    dt_hours : float
    place : Place
    kind : str
        "typical year", "series" or "clear sky".
    plane_kwh : array
        What the panels would give at their rated efficiency without any loss. [kWh]
    delivered_kwh : array
        What arrives in the device, DC. [kWh]
    lost_kwh : dict of str to array
        By place of loss, in the order of ``LOSSES``; with the delivered they add up to ``plane_kwh``. Cells colder than
        25 C gain: a loss below zero. [kWh]
    by_input_kwh : dict of str to float
        Delivered by each input. [kWh]
    notes : tuple of str
    """

    times: pd.DatetimeIndex
    dt_hours: float
    place: Place
    kind: str
    plane_kwh: Floats
    delivered_kwh: Floats
    lost_kwh: dict[str, Floats]
    by_input_kwh: dict[str, float]
    notes: tuple[str, ...]


def sun_of(scenario: Scenario, path: Path, times: pd.DatetimeIndex, dt_hours: float) -> SunYear:
    """Work out the sun of a scenario with ``sun.weather``."""
    if scenario.sun is None or scenario.sun.weather is None or scenario.solar is None:
        raise ScenarioError(f"{path}: sun.weather: needed, with [solar] and its strings; add it")
    try:
        return sun_from_weather(
            scenario.solar, scenario.sun.weather, path.parent, place_of(scenario.site), times, dt_hours
        )
    except ScenarioError as error:
        text = str(error)
        raise ScenarioError(text if text.startswith(str(path)) else f"{path}: {text}") from None


def place_of(site: Site | None) -> Place | None:
    """Return the site's place where it is stated."""
    if site is None or site.latitude_degrees is None or site.longitude_degrees is None:
        return None
    return Place(site.latitude_degrees, site.longitude_degrees, site.altitude_m)


def sun_from_weather(  # noqa: PLR0913, PLR0917 - what a year of sun is made of
    solar: Solar, source: str, folder: Path, place: Place | None, times: pd.DatetimeIndex, dt_hours: float
) -> SunYear:
    """Turn weather into DC power in the device.

    Parameters
    ----------
    solar : Solar
        Modules, inputs and strings, with tilt and azimuth.
    source : str
        Weather file relative to ``folder``, or "clear-sky".
    folder : Path
    place : Place or None
        None takes what the weather file says.
    times : DatetimeIndex, shape (n,)
        Start of each step, tz-aware.
    dt_hours : float
        Length of a step. [h]

    Raises
    ------
    ScenarioError, SeriesError
        If strings, weather or place cannot be used; see :func:`dispatch.equipment.weather.weather_at`.
    """
    _check_strings(solar)
    _check_clock(place, times)
    pvlib = solar_library()
    weather = weather_at(source, folder, place, times, dt_hours)
    position = solar_position(pvlib, weather.place, times, dt_hours)
    sky = _Sky(pvlib, weather, position, times, solar)
    plane, delivered = np.zeros(len(times)), np.zeros(len(times))
    lost = {name: np.zeros(len(times)) for name in LOSSES}
    by_input = {}
    for one in solar.inputs:
        if not solar.strings_on(one.name):
            continue
        part, arrived, losses = sky.on_input(one.name)
        plane += part
        delivered += arrived
        for name, values in losses.items():
            lost[name] += values
        by_input[one.name] = float(arrived.sum()) * dt_hours
    notes = [f"sun: from weather, {weather.kind}: {source}", *_facing_notes(solar, weather.place)]
    if weather.kind == "typical year":
        notes.append(
            "sun: typical weather is put together from many years: no year was like it, and storms are milder"
        )
    if weather.kind == "clear sky":
        notes.append("sun: a clear sky every day, at 20 C: the most there can be, never what a year brings")
    return SunYear(
        times=times,
        dt_hours=dt_hours,
        place=weather.place,
        kind=weather.kind,
        plane_kwh=plane * dt_hours,
        delivered_kwh=delivered * dt_hours,
        lost_kwh={name: values * dt_hours for name, values in lost.items()},
        by_input_kwh=by_input,
        notes=tuple(notes),
    )


MOST_HOURS_OFF = 4.0
"""No clock on a wall is further from the sun than this."""

AWAY_DEGREES = 60.0


def _check_clock(place: Place | None, times: pd.DatetimeIndex) -> None:
    """Refuse a longitude that does not go with the clock: its sign is the usual slip."""
    if place is None:
        return
    offset = times[0].utcoffset()
    clock = offset.total_seconds() / 3600.0 if offset is not None else 0.0
    off = (place.longitude_degrees / 15.0 - clock + 12.0) % 24.0 - 12.0
    if abs(off) > MOST_HOURS_OFF:
        raise ScenarioError(
            f"site.longitude_degrees: {place.longitude_degrees:g} is {abs(off):.0f} h of sun away from the clock of "
            f"{times.tz}: it would show sun at night; correct the sign (east of Greenwich is above zero) or the zone"
        )


def _facing_notes(solar: Solar, place: Place) -> list[str]:
    """Point at panels that face away from the equator: right for few roofs, a slip of the hemisphere for most."""
    pole = 180.0 if place.latitude_degrees < 0 else 0.0
    notes = []
    for string in solar.strings:
        tilt, azimuth = string.tilt_degrees or 0.0, string.azimuth_degrees or 0.0
        off = abs((azimuth - pole + 180.0) % 360.0 - 180.0)
        if tilt > 10.0 and off < AWAY_DEGREES:
            notes.append(
                f"sun: the string on '{string.input}' faces away from the equator (azimuth {azimuth:g}); 0 is north, "
                "180 south: is that meant?"
            )
    return notes


def _check_strings(solar: Solar) -> None:
    if not solar.strings:
        raise ScenarioError("solar.strings: none; add [[solar.strings]] with what is wired to each input")
    judge_strings(solar, "solar")
    for at, string in enumerate(solar.strings, 1):
        for key in ("tilt_degrees", "azimuth_degrees"):
            if getattr(string, key) is None:
                raise ScenarioError(f"solar.strings[{at}].{key}: needed for the sun from weather; add it")
        module = solar.module_named(string.module)
        if module.pmp_percent_per_k is None:
            raise ScenarioError(
                f"solar.modules: '{module.name}' has no pmp_percent_per_k; add it from the sheet: heat takes power"
            )


class _Sky:
    """The sky over the steps, and what an input makes of it."""

    def __init__(
        self,
        pvlib: Any,  # noqa: ANN401
        weather: Weather,
        position: pd.DataFrame,
        times: pd.DatetimeIndex,
        solar: Solar,
    ) -> None:
        self.pvlib, self.weather, self.solar = pvlib, weather, solar
        self.zenith = position["apparent_zenith"].to_numpy(dtype=np.float64)
        self.azimuth = position["azimuth"].to_numpy(dtype=np.float64)
        self.extra = np.asarray(
            pvlib.irradiance.get_extra_radiation(times.day_of_year.to_numpy()), dtype=np.float64
        )
        self.month = times.month.to_numpy() - 1
        self.open = self._open_share()

    def _open_share(self) -> Floats:
        """Share of the direct sun that horizon and shade let through, shape (n,)."""
        share = np.ones(len(self.zenith))
        if self.solar.horizon_degrees:
            points = sorted(self.solar.horizon_degrees)
            line = np.interp(self.azimuth, [p[0] for p in points], [p[1] for p in points], period=360.0)
            share = np.where(90.0 - self.zenith < line, 0.0, share)
        return share * (1.0 - self._monthly(self.solar.shade_fraction))

    def _monthly(self, fractions: tuple[float, ...] | None) -> Floats:
        if fractions is None:
            return np.zeros(len(self.month))
        chosen: Floats = np.array(fractions)[self.month]
        return chosen

    def on_input(self, name: str) -> tuple[Floats, Floats, dict[str, Floats]]:
        """Rated light, what arrives and what is lost on one input, each kW, shape (n,)."""
        solar = self.solar
        wired = solar.strings_on(name)
        first = wired[0]
        module = solar.module_named(first.module)
        rated_kw = sum(s.series_count * s.parallel_count for s in wired) * module.stc_w / 1000.0
        direct, diffuse, glass = self._plane(first.tilt_degrees or 0.0, first.azimuth_degrees or 0.0)
        whole = direct + diffuse
        seen = direct * self.open + diffuse
        through = direct * self.open * glass + diffuse
        clean = through * (1.0 - self._monthly(solar.soiling_fraction))
        bare = clean * (1.0 - self._monthly(solar.snow_fraction))
        cells_c = self._cells_c(seen)
        warm = 1.0 + (module.pmp_percent_per_k or 0.0) / 100.0 * (cells_c - STC_C)
        panels_kw = rated_kw * bare / 1000.0 * np.maximum(warm, 0.0)
        factor = hot_factor(module, STC_C + 1.0) - 1.0
        volts = first.series_count * module.vmp_v * np.maximum(1.0 + factor * (cells_c - STC_C), 0.1)
        there = deliver(solar, name, panels_kw, volts)
        scale = rated_kw / 1000.0
        losses = dict(
            zip(
                LOSSES,
                (
                    scale * (whole - seen),
                    scale * (seen - through),
                    scale * (through - clean),
                    scale * (clean - bare),
                    scale * bare - panels_kw,
                    there.current_lost_kw,
                    there.cable_lost_kw,
                    there.power_lost_kw,
                ),
                strict=True,
            )
        )
        return scale * whole, there.delivered_kw, losses

    def _plane(self, tilt: float, azimuth: float) -> tuple[Floats, Floats, Floats]:
        """Direct and diffuse light on a plane [W/m2], and the share of the direct that glass lets through."""
        pvlib, weather = self.pvlib, self.weather
        table = pvlib.irradiance.get_total_irradiance(
            tilt,
            azimuth,
            self.zenith,
            self.azimuth,
            weather.dni,
            weather.ghi,
            weather.dhi,
            dni_extra=self.extra,
            albedo=ALBEDO,
            model="haydavies",
        )
        angle = pvlib.irradiance.aoi(tilt, azimuth, self.zenith, self.azimuth)
        glass = np.asarray(pvlib.iam.physical(angle), dtype=np.float64)
        direct = np.nan_to_num(np.asarray(table["poa_direct"], dtype=np.float64))
        diffuse = np.nan_to_num(np.asarray(table["poa_diffuse"], dtype=np.float64))
        return np.maximum(direct, 0.0), np.maximum(diffuse, 0.0), glass

    def _cells_c(self, plane: Floats) -> Floats:
        weather = self.weather
        cells: Floats = np.asarray(
            self.pvlib.temperature.faiman(plane, weather.air_c, weather.wind_m_per_s), dtype=np.float64
        )
        return cells
