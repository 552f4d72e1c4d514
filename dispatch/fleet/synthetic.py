"""Different homes out of nothing but a seed, for benchmarks and demos: no home's readings, no real place or product.

Loads are the seeded typical loads and the standard load profile of :mod:`dispatch.intake.profile`. The sun is that of
one place for all homes, so that they share their weather: direct sun by the geometry of a tilted plane (declination:
P. I. Cooper, "The absorption of radiation in solar stills", Solar Energy 12 (1969), eq. 6), cleared by a drawn
share that lasts from day to day. Sizes of parts are common practice, no source.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import ScenarioError
from dispatch.intake.profile import H0, KINDS, typical_load
from dispatch.intake.write import iso_times
from dispatch.writing import write

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    import pandas as pd

    from dispatch.arrays import Floats


ZONE, LATITUDE_DEGREES, YEAR = "America/Moncton", 46.0, 2025

NIGHT, BELLS = "tariff-night.toml", "tariff-seasons.toml"

_TARIFFS = {
    NIGHT: """\
# Invented: a cheap night, a dear rest of the day.
name = "Quiet Night"
currency = "CAD"
time_zone = "America/Moncton"
valid_from = "2024-01-01"
valid_to = "2026-12-31"

[bands.night]
import_price_per_kwh = 0.081
export_price_per_kwh = 0.05
[bands.day]
import_price_per_kwh = 0.232
export_price_per_kwh = 0.05

[[windows]]
band = "night"
from = "23:00"
to = "07:00"
[[windows]]
band = "day"
from = "07:00"
to = "23:00"

[charges]
per_month = 12.5
""",
    BELLS: """\
# Invented: three prices on weekdays, another order of them in summer.
name = "Tide and Season"
currency = "CAD"
time_zone = "America/Moncton"
valid_from = "2024-01-01"
valid_to = "2026-12-31"

[[seasons]]
name = "winter"
months = [11, 12, 1, 2, 3]
[[seasons]]
name = "summer"
months = [4, 5, 6, 7, 8, 9, 10]

[bands.low]
import_price_per_kwh = 0.094
export_price_per_kwh = 0.06
[bands.middle]
import_price_per_kwh = { winter = 0.171, summer = 0.148 }
export_price_per_kwh = 0.06
[bands.high]
import_price_per_kwh = { winter = 0.363, summer = 0.305 }
export_price_per_kwh = 0.06

[[windows]]
band = "low"
days = ["weekday"]
from = "21:00"
to = "06:00"
[[windows]]
band = "middle"
days = ["weekday"]
from = "06:00"
to = "16:00"
[[windows]]
band = "high"
days = ["weekday"]
from = "16:00"
to = "21:00"
[[windows]]
band = "low"
days = ["weekend"]
from = "00:00"
to = "24:00"

[charges]
per_day = 0.36
""",
}


@dataclass(frozen=True)
class Home:
    """One drawn home: the figures of its scenario file."""

    name: str
    tariff: str
    kind: str
    kwh: float
    load_seed: int
    served_fraction: float
    critical_w: float
    pack_kwh: float
    pack_count: int
    inverter_w: float
    idle_w: float
    grid_w: float
    panels_kw: float
    tilt_degrees: float
    azimuth_degrees: float
    sells: bool
    reserve_percent: float
    target_hours: float


def draw_fleet(folder: Path, count: int, seed: int, progress: Callable[[int, int, str], None]) -> list[Path]:
    """Write a folder of homes that ``dispatch fleet`` takes.

    Parameters
    ----------
    folder : Path
        New or empty.
    count : int
        Homes, each in a folder of its own; the first of a larger fleet with the same seed are the same homes.
    seed : int
    progress : callable

    Returns
    -------
    list of Path
        The scenario files.

    Raises
    ------
    ScenarioError
        If the folder holds anything already.
    """
    if count < 1:
        raise ScenarioError(f"--count: should be at least 1 (got {count})")
    if folder.exists() and any(folder.iterdir()):
        raise ScenarioError(f"{folder}: is not empty; name a new folder")
    _write(folder, _TARIFFS)
    sky = None
    width = max(4, len(str(count)))
    written = []
    for number in range(1, count + 1):
        home = draw_home(number, seed, width)
        times, load = typical_load(home.kwh, home.kind, YEAR, ZONE, 60, home.load_seed)
        sky = sky or Sky.drawn(times, seed)
        place = folder / f"home-{number:0{width}d}"
        _write(place, {"series.csv": _series(home, times, load, sky), "scenario.toml": _scenario(home)})
        written.append(place / "scenario.toml")
        progress(number, count, "drawing homes")
    return written


def _write(folder: Path, texts: Mapping[str, str]) -> None:
    write({folder / name: text.encode() for name, text in texts.items()})


def draw_home(number: int, seed: int, width: int = 4) -> Home:
    """Draw one home, by its number and the seed alone."""
    random = np.random.default_rng([seed, number])
    kind = str(random.choice([*KINDS, H0]))
    packs = int(random.integers(1, 7))
    inverter_w = float(random.choice([2000, 2600, 3300, 4200, 5200]))
    sun = bool(random.random() < 0.6)
    critical_w, pack_kwh = float(random.integers(12, 50) * 10), float(random.choice([1.9, 2.4, 3.1]))
    idle_w = float(round(24 + inverter_w / 400))
    full_hours = pack_kwh * packs * 0.9 * 0.955 * 0.925 * 1000 / (critical_w + idle_w)
    return Home(
        name=f"Drawn home {number:0{width}d}",
        tariff=NIGHT if random.random() < 0.5 else BELLS,
        kind=kind,
        kwh=float(round(np.clip(random.lognormal(np.log(4800.0), 0.45), 1500, 18000))),
        load_seed=int(random.integers(1, 2**31)),
        served_fraction=float(round(random.uniform(0.35, 0.8), 3)),
        critical_w=critical_w,
        pack_kwh=pack_kwh,
        pack_count=packs,
        inverter_w=inverter_w,
        idle_w=idle_w,
        grid_w=float(min(900 + 400 * packs, 0.8 * inverter_w)),
        panels_kw=float(round(random.uniform(1.0, 5.0), 2)) if sun else 0.0,
        tilt_degrees=float(random.integers(10, 50)),
        azimuth_degrees=float(random.integers(-80, 81)),
        sells=bool(random.random() < 0.5),
        reserve_percent=float(random.choice([20, 25, 30, 40])),
        target_hours=float(round(random.uniform(0.15, 0.75) * full_hours, 1)),
    )


@dataclass(frozen=True)
class Sky:
    """Where the sun stands, and how much of it comes through, in each step.

    Attributes
    ----------
    elevation_sine : array, shape (n,)
    south, west : array, shape (n,)
        The sun's direction: horizontal parts of the unit vector, towards the equator and to the west.
    clear : array, shape (n,)
        Share of the clear sky's direct sun that comes through.
    """

    elevation_sine: Floats
    south: Floats
    west: Floats
    clear: Floats

    @classmethod
    def drawn(cls, times: pd.DatetimeIndex, seed: int) -> Sky:
        """Work out the place's sun and draw its weather; the middle of each step, sun time taken as zone time."""
        utc = times.tz_convert("UTC")
        day = np.asarray(utc.day_of_year, dtype=float)
        hour = np.asarray(utc.hour + utc.minute / 60.0) - 4.3 + 0.5  # 64.8 degrees west
        declination = np.radians(23.45 * np.sin(np.radians(360.0 * (284.0 + day) / 365.0)))
        angle = np.radians(15.0 * (hour - 12.0))
        latitude = np.radians(LATITUDE_DEGREES)
        sine = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(angle)
        south = np.sin(latitude) * np.cos(declination) * np.cos(angle) - np.cos(latitude) * np.sin(
            declination
        )
        west = np.cos(declination) * np.sin(angle)
        random = np.random.default_rng([seed, 0])
        count = int(day.max()) + 2
        noise, weather = random.normal(size=count), np.zeros(count)
        for at in range(1, count):
            weather[at] = 0.55 * weather[at - 1] + noise[at]
        daily = 0.08 + 0.92 / (1.0 + np.exp(-1.3 * weather))
        ripple = random.uniform(0.75, 1.0, size=len(times))
        return cls(sine, south, west, daily[day.astype(int)] * ripple)

    def sun_kw(self, panels_kw: float, tilt_degrees: float, azimuth_degrees: float) -> Floats:
        """DC power of panels, azimuth from the equator to the west. [kW]."""
        tilt, azimuth = np.radians([tilt_degrees, azimuth_degrees])
        facing = np.cos(tilt) * self.elevation_sine + np.sin(tilt) * (
            np.cos(azimuth) * self.south + np.sin(azimuth) * self.west
        )
        up = self.elevation_sine > 0.02
        # direct sun through the air mass (Meinel, 0.7 ** (AM ** 0.678), from memory), and a tenth of it from the sky
        through = 0.7 ** (np.where(up, self.elevation_sine, 1.0) ** -0.678)
        direct = np.where(up, np.maximum(facing, 0.0) * through, 0.0)
        around = np.where(up, 0.1 * through * (1.0 + np.cos(tilt)) / 2.0, 0.0)
        return np.asarray(0.9 * panels_kw * 1.35 * (direct * self.clear + around))


def _series(home: Home, times: pd.DatetimeIndex, load_kwh: Floats, sky: Sky) -> str:
    columns = [load_kwh * home.served_fraction, load_kwh * (1.0 - home.served_fraction)]
    header = ["time", "load_kwh", "other_kwh"]
    if home.panels_kw:
        columns.append(sky.sun_kw(home.panels_kw, home.tilt_degrees, home.azimuth_degrees))
        header.append("sun_kw")
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    cells = [[f"{value:.5g}" for value in column.tolist()] for column in columns]
    writer.writerows(zip(iso_times(times), *cells, strict=True))
    return out.getvalue()


def _scenario(home: Home) -> str:
    sun = home.panels_kw > 0
    most_w = round(1000 * 0.85 * home.panels_kw)
    return f"""\
# Drawn by: dispatch synthetic. An invented home; its load is a typical one, not measured.
name = "{home.name}"
tariff = "../{home.tariff}"

[site]
time_zone = "{ZONE}"
currency = "CAD"

[load]
csv = "series.csv"
column = "load_kwh"

[other_load]
csv = "series.csv"
column = "other_kwh"

[critical_load]
watts = {home.critical_w:g}

[battery]
pack_kwh = {home.pack_kwh:g}
pack_count = {home.pack_count}
depth_of_discharge_fraction = 0.9
charger_efficiency_fraction = 0.935
solar_charge_efficiency_fraction = 0.965
discharge_efficiency_fraction = 0.955
wear_per_kwh = 0.02

[inverter]
continuous_w = {home.inverter_w:g}
efficiency_fraction = 0.925
idle_on_w = {home.idle_w:g}

[charging]
grid_w = {home.grid_w:g}
{f"solar_w = {most_w}" if sun else ""}

{
        '''[sun]
csv = "series.csv"
column = "sun_kw"
'''
        if sun
        else ""
    }
[grid]
feed_in = "{"grid" if sun and home.sells else "none"}"

[reserve]
percent = {home.reserve_percent:g}

[backup]
target_hours = {home.target_hours:g}
"""
