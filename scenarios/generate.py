"""Make the hourly series of the demo households: ``python scenarios/generate.py``.

Every household is invented; its habits, weather and appliances stand in ``<household>/recipe.toml``, which
only this script reads. Each is a year of five-minute steps, averaged to the hours of its own local year:
habits follow the wall clock through both clock changes, refrigerators and weather do not. Nothing repeats:
the weather persists over days, people get up early or late, appliances run when someone starts them.
``--check`` writes nothing and says whether the committed files equal what this script makes.

Randomness is drawn only as uniform numbers from PCG64, whose stream does not change between numpy versions,
and every ingredient has a stream of its own, so that changing one leaves the others as they were.
"""

from __future__ import annotations

import argparse
import sys
import tomllib
import zlib
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

HERE = Path(__file__).resolve().parent

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

STEP_MINUTES = 5
PER_HOUR = 60 // STEP_MINUTES
HOURS, STEPS = 8760, 8760 * PER_HOUR

# Clear, broken, overcast: how a day's sky follows the day before (rows: yesterday).
_CLEAR, BROKEN, OVERCAST = range(3)
# Shape of a day's temperature by local solar hour, from -1 (before sunrise) to 1 (mid-afternoon).
DAY_SHAPE = (-.62, -.7, -.78, -.86, -.94, -1., -.92, -.6, -.2, .2, .5, .72, .87, .96, 1., .98, .86, .64, .36,
             .08, -.14, -.3, -.43, -.54)  # fmt: skip


@dataclass(frozen=True)
class Cold:
    """A compressor that cycles: refrigerator, freezer."""

    column: str
    kw: float
    period_minutes: float
    duty_fraction: float  # at 20 degC outside; rises with the kitchen


@dataclass(frozen=True)
class Air:
    """Heating (sign -1) or cooling (+1) driven by the lagged outdoor temperature."""

    column: str
    sign: int
    base_c: float  # no demand on the mild side of this
    kw_per_kelvin: float
    max_kw: float
    lag_hours: float  # the building's thermal mass
    use_by_hour: tuple[float, ...]  # 24 shares: setback at night, away by day, pick-up


@dataclass(frozen=True)
class Event:
    """An appliance somebody starts now and then."""

    column: str
    weekday_chance: float
    weekend_chance: float
    hour: float
    spread_hours: float
    run: tuple[tuple[float, float], ...]  # minutes, kW


@dataclass(frozen=True)
class Household:
    """All that makes one home's year."""

    folder: str
    zone: str  # IANA
    first_day: date  # 8,760 hours from its local midnight
    columns: tuple[str, ...]  # of the CSV, in order; load_kw and sun_kw always among them
    latitude_deg: float
    longitude_deg: float
    month_c: tuple[float, ...]  # mean temperature, January to December
    swing_c: float  # half the usual daily range
    stray_c: float  # standard deviation of a day's mean around the normal
    persistence: float  # day-to-day correlation of that
    cold_sky: tuple[tuple[float, ...], ...]  # transition chances at the coldest time of the year
    warm_sky: tuple[tuple[float, ...], ...]
    panels_kw: float  # DC power at 1 kW/m2 and 25 degC cells
    tilt_deg: float
    azimuth_deg: float  # 0 north, 90 east, 180 south
    derate_fraction: float  # dirt, mismatch, wiring
    per_kelvin_fraction: float  # lost per kelvin of cell temperature above 25 degC
    standby_kw: float
    activity_kw: float  # when everyone is up and busy
    light_kw: float
    weekday: tuple[float, ...]  # 24 shares of activity
    weekend: tuple[float, ...]
    cold: tuple[Cold, ...]
    events: tuple[Event, ...]
    air: tuple[Air, ...]
    days_off: tuple[date, ...]  # public holidays spent like a Sunday
    away: tuple[tuple[date, date], ...]  # first and last day of a trip


def uniform(household: Household, label: str, size: int) -> Floats:
    """Draw `size` numbers in [0, 1) from the stream of this household and ingredient."""
    seed = zlib.crc32(f"{household.folder}/{label}".encode())
    return np.random.Generator(np.random.PCG64(seed)).random(size)


def normal(household: Household, label: str, size: int) -> Floats:
    """Draw standard normal numbers (Box and Muller, from uniform ones)."""
    both = uniform(household, label, 2 * size)
    return np.sqrt(-2.0 * np.log1p(-both[:size])) * np.cos(2.0 * np.pi * both[size:])


def persistent(shocks: Floats, persistence: float) -> Floats:
    """Turn independent shocks into a first-order series of unit variance."""
    return lagged(shocks, persistence, float(np.sqrt(1.0 - persistence**2)))


def lagged(values: Floats, keep: float, gain: float) -> Floats:
    """Run ``out[t] = keep * out[t-1] + gain * values[t]`` from the first value."""
    state, out = float(values[0]), np.empty_like(values)
    for i, value in enumerate(values.tolist()):
        out[i] = state = keep * state + gain * value
    return out


@dataclass(frozen=True)
class Clock:
    """Local and absolute time of every row and every five-minute step."""

    rows: tuple[datetime, ...]  # (HOURS,) local starts with offset
    days: tuple[date, ...]  # the local dates of the year
    day: Ints  # (STEPS,) index into days
    hour: Floats  # (STEPS,) local clock, middle of the step
    utc_hour: Floats  # (STEPS,) hour of the UTC day, middle of the step
    day_of_year: Ints  # (STEPS,)


def clock_of(household: Household) -> Clock:
    """Lay out the household's local year; both clock changes fall between rows."""
    zone = ZoneInfo(household.zone)
    midnight = datetime(*household.first_day.timetuple()[:3], tzinfo=zone).astimezone(UTC)
    starts = [midnight + timedelta(hours=i) for i in range(HOURS)]
    rows = tuple(start.astimezone(zone) for start in starts)
    days = tuple(dict.fromkeys(row.date() for row in rows))
    index = {day: i for i, day in enumerate(days)}
    within = (np.arange(PER_HOUR) + 0.5) / PER_HOUR

    def spread(values: list[float]) -> Floats:
        return (np.array(values, dtype=np.float64)[:, None] + within).ravel()

    return Clock(
        rows,
        days,
        np.repeat(np.array([index[row.date()] for row in rows], dtype=np.int64), PER_HOUR),
        spread([row.hour + row.minute / 60 for row in rows]),
        spread([start.hour + start.minute / 60 for start in starts]),
        np.repeat(np.array([row.timetuple().tm_yday for row in rows], dtype=np.int64), PER_HOUR),
    )


def by_hour(shares: tuple[float, ...], hour: Floats) -> Floats:
    """Read a 24-entry table at fractional local hours, straight between the middles of its hours."""
    return np.interp(hour % 24.0, np.arange(-0.5, 25.0), [shares[-1], *shares, shares[0]])


def normals(household: Household, days: tuple[date, ...]) -> Floats:
    """Interpolate the monthly normals to each day."""
    months, position = household.month_c, [day.month - 1 + (day.day - 15) / 30.5 for day in days]
    return np.interp(
        np.array(position, dtype=np.float64), np.arange(-1, 13), [months[-1], *months, months[0]]
    )


def skies(household: Household, usual: Floats) -> Ints:
    """Walk the day-level chain clear / broken / overcast; its chances drift with the season."""
    warmth = (usual - usual.min()) / np.ptp(usual)
    cold, warm = np.array(household.cold_sky), np.array(household.warm_sky)
    state, states = BROKEN, []
    for draw, share in zip(uniform(household, "sky", len(usual)), warmth, strict=True):
        chances = ((1.0 - share) * cold + share * warm)[state]
        state = min(int(np.searchsorted(np.cumsum(chances), draw, side="right")), OVERCAST)
        states.append(state)
    return np.array(states, dtype=np.int64)


def temperature(household: Household, clock: Clock, usual: Floats, sky: Ints) -> Floats:
    """Outdoor temperature [degC]: normals, spells of several days, a lopsided day, flatter under cloud."""
    spells = household.stray_c * persistent(
        normal(household, "temperature", len(usual)), household.persistence
    )
    mean: Floats = np.interp(clock.day + clock.hour / 24.0, np.arange(len(usual)) + 0.5, usual + spells)
    swing: Floats = household.swing_c * np.array([1.2, 0.95, 0.45])[sky][clock.day]
    return mean + swing * by_hour(DAY_SHAPE, (clock.utc_hour + household.longitude_deg / 15.0) % 24.0)


def sun_position(household: Household, clock: Clock) -> tuple[Floats, Floats]:
    """Sine of the sun's height, and the share of beam light that meets the panels squarely."""
    year_angle = 2.0 * np.pi * (clock.day_of_year - 81) / 365.0
    declination = np.radians(23.45) * np.sin(year_angle)
    equation_minutes = 9.87 * np.sin(2 * year_angle) - 7.53 * np.cos(year_angle) - 1.5 * np.sin(year_angle)
    solar_hour = clock.utc_hour + household.longitude_deg / 15.0 + equation_minutes / 60.0
    angle = np.radians(15.0 * (solar_hour - 12.0))
    latitude = np.radians(household.latitude_deg)
    up = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(angle)
    north = np.cos(latitude) * np.sin(declination) - np.sin(latitude) * np.cos(declination) * np.cos(angle)
    east = -np.cos(declination) * np.sin(angle)
    tilt, azimuth = np.radians(household.tilt_deg), np.radians(household.azimuth_deg)
    facing = np.sin(tilt) * (np.cos(azimuth) * north + np.sin(azimuth) * east) + np.cos(tilt) * up
    return np.maximum(up, 0.0), np.maximum(facing, 0.0)


def clearness(household: Household, clock: Clock, sky: Ints) -> Floats:
    """Share of the clear-sky beam that gets through: steady, flickering behind clouds, or faint."""
    wobble = persistent(normal(household, "haze", STEPS), 0.97)
    by_day = normal(household, "haze by day", len(sky))
    level = np.array([0.95, 0.0, 0.08])[sky] + np.array([0.04, 0.0, 0.06])[sky] * by_day
    steady = np.clip(level[clock.day] + 0.05 * wobble, 0.0, 1.05)
    # Broken days: clouds drift across; a day's cloud cover sets where the drifting noise counts as cloud.
    cover = 0.2 + 0.6 * uniform(household, "cover", len(sky))
    drift = persistent(normal(household, "drift", STEPS), 0.9)
    gap = 1.0 / (1.0 + np.exp(-6.0 * (drift + 2.5 * (0.5 - cover[clock.day]))))
    return np.where(sky[clock.day] == BROKEN, 0.08 + 0.94 * gap, steady)


def sun_kw(household: Household, clock: Clock, sky: Ints, outdoor_c: Floats) -> Floats:
    """DC power the panels can deliver [kW]: beam and diffuse on the tilted plane, less heat."""
    up, facing = sun_position(household, clock)
    beam = np.where(up > 0.01, 1.35 * 0.7 ** (np.maximum(up, 0.03) ** -0.678), 0.0)  # kW/m2, clear sky
    through = clearness(household, clock, sky)
    # Light a thin or broken cloud takes from the beam comes back in part as brightness of the sky.
    thickness = normal(household, "thickness", len(sky))[clock.day]
    thickness = 0.3 * thickness + 0.28 * persistent(normal(household, "layers", STEPS), 0.97)
    veil = np.where(sky[clock.day] == OVERCAST, np.exp(thickness - 0.1), 1.0)
    diffuse = 0.12 * up + 0.26 * (1.0 - np.minimum(through, 1.0)) * np.minimum(veil, 1.9) * up
    tilt_cos = np.cos(np.radians(household.tilt_deg))
    ground = 0.2 * (beam * through * up + diffuse)
    plane = beam * through * facing + diffuse * (1 + tilt_cos) / 2 + ground * (1 - tilt_cos) / 2
    plane = np.where(up > 0.01, plane, 0.0)
    heat = 1.0 - household.per_kelvin_fraction * (outdoor_c + 28.0 * plane - 25.0)
    return np.maximum(household.panels_kw * household.derate_fraction * plane * heat, 0.0)


def calendar(household: Household, days: tuple[date, ...]) -> tuple[Flags, Floats]:
    """Which days are spent like a weekend, and the share of normal life on each (away: hardly any)."""
    free = np.array([day.weekday() >= 5 or day in household.days_off for day in days])
    gone = np.array([any(first <= day <= last for first, last in household.away) for day in days])
    return free, np.where(gone, 0.03, 1.0)


def activity(household: Household, clock: Clock, free: Flags, home: Floats) -> Floats:
    """How busy the home is, about 0 to 2: tables by hour, shifted and scaled day by day."""
    mood = np.exp(0.22 * persistent(normal(household, "mood", len(free)), 0.35))
    hour = clock.hour + 0.45 * normal(household, "rising", len(free))[clock.day]
    table: Floats = np.where(
        free[clock.day], by_hour(household.weekend, hour), by_hour(household.weekday, hour)
    )
    bustle = np.exp(0.42 * persistent(normal(household, "bustle", STEPS), 0.93) - 0.088)
    return np.minimum(table * bustle * mood[clock.day], 2.2) * home[clock.day]


def cycling_kw(household: Household, machine: Cold, label: str, outdoor_c: Floats) -> Floats:
    """Power of a compressor that runs and rests, no two cycles alike, longer runs in warm weather."""
    draws = normal(household, label, STEPS)
    out = np.zeros(STEPS)
    position, cycle = 0, 0
    while position < STEPS:
        length = machine.period_minutes * float(np.clip(1.0 + 0.2 * draws[cycle], 0.5, 1.7)) / STEP_MINUTES
        duty = machine.duty_fraction * float(np.clip(1.0 + 0.02 * (outdoor_c[position] - 20.0), 0.75, 1.5))
        on, whole = round(length * duty), max(2, round(length))
        out[position : position + max(1, on)] = machine.kw * (2.4 if cycle % 29 == 28 else 1.0)  # defrost
        position, cycle = position + whole, cycle + 1
    return out


def air_kw(household: Household, unit: Air, clock: Clock, outdoor_c: Floats, home: Floats) -> Floats:
    """Power of heating or cooling: follows the building's lagged temperature and the hour's habits."""
    keep = float(np.exp(-STEP_MINUTES / 60.0 / unit.lag_hours))
    felt_c = lagged(outdoor_c, keep, 1.0 - keep)
    need = np.maximum(unit.sign * (felt_c - unit.base_c), 0.0) * unit.kw_per_kelvin
    kept = np.maximum(home, 0.35 if unit.sign < 0 else 0.0)  # while away: against frost, not against heat
    habit = by_hour(unit.use_by_hour, clock.hour) * kept[clock.day]
    flutter = 1.0 + 0.25 * persistent(normal(household, f"air {unit.column} {unit.sign}", STEPS), 0.8)
    return np.clip(need * habit * flutter, 0.0, unit.max_kw)


def events_kw(household: Household, clock: Clock, column: str, free: Flags, home: Floats) -> Floats:
    """Sum of all appliance runs on one column."""
    out = np.zeros(STEPS)
    first_step = np.searchsorted(clock.day, np.arange(len(free)))
    for number, event in enumerate(household.events):
        if event.column != column:
            continue
        happens = uniform(household, f"event {number}", len(free))
        starts = event.hour + event.spread_hours * normal(household, f"start {number}", len(free))
        stretch = np.exp(0.18 * normal(household, f"stretch {number}", len(free)))
        chance = np.where(free, event.weekend_chance, event.weekday_chance) * home
        for day in np.flatnonzero(happens < chance):
            at = int(first_step[day] + starts[day] * PER_HOUR)
            for minutes, kw in event.run:
                length = max(1, round(minutes * stretch[day] / STEP_MINUTES))
                out[max(at, 0) : max(at + length, 0)] += kw
                at += length
    return out


def series(household: Household) -> tuple[Clock, dict[str, Floats]]:
    """Make the hourly mean powers [kW] of one household, in the order of its columns."""
    clock = clock_of(household)
    usual = normals(household, clock.days)
    sky = skies(household, usual)
    outdoor_c = temperature(household, clock, usual, sky)
    free, home = calendar(household, clock.days)
    busy = activity(household, clock, free, home)
    up, _ = sun_position(household, clock)
    dark = np.clip(1.0 - up / 0.12, 0.0, 1.0)
    fine = {column: events_kw(household, clock, column, free, home) for column in household.columns}
    standby = 1.0 + 0.06 * persistent(normal(household, "standby", STEPS), 0.995)
    fine["load_kw"] += household.standby_kw * standby
    fine["load_kw"] += busy * (household.activity_kw + household.light_kw * dark)
    for number, machine in enumerate(household.cold):
        fine[machine.column] += cycling_kw(household, machine, f"cold {number}", outdoor_c)
    for unit in household.air:
        fine[unit.column] += air_kw(household, unit, clock, outdoor_c, home)
    fine["sun_kw"] = sun_kw(household, clock, sky, outdoor_c)
    return clock, {name: fine[name].reshape(HOURS, PER_HOUR).mean(axis=1) for name in household.columns}


def csv_text(household: Household) -> str:
    """Write one household's year as CSV: local time with offset, then mean kW in each hour."""
    clock, columns = series(household)
    lines = [",".join(("time", *columns))]
    for i, row in enumerate(clock.rows):
        lines.append(",".join((row.isoformat(), *(f"{values[i]:.4f}" for values in columns.values()))))
    return "\n".join(lines) + "\n"


def households(directory: Path = HERE) -> list[Household]:
    """Read every recipe below `directory`, in alphabetical order."""
    return [read_recipe(path) for path in sorted(directory.glob("*/recipe.toml"))]


def read_recipe(path: Path) -> Household:
    """Read one recipe; a key that no field carries is a TypeError."""
    recipe: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    recipe |= recipe.pop("climate") | recipe.pop("panels")
    for key, kind in (("cold", Cold), ("air", Air), ("events", Event)):
        recipe[key] = tuple(kind(**each) for each in recipe.get(key, ()))
    return Household(folder=path.parent.name, **recipe)


def differences(household: Household, directory: Path = HERE) -> str | None:
    """Say where the CSV on disk departs from the generated one; None if it does not."""
    path = directory / household.folder / "series.csv"
    if not path.is_file():
        return f"{path}: missing; run `python scenarios/generate.py`"
    old, new = path.read_text(encoding="utf-8").splitlines(), csv_text(household).splitlines()
    for row, (was, wanted) in enumerate(zip(old, new, strict=False), start=1):
        if was != wanted:
            return f"{path}: row {row} is {was!r}, the script makes {wanted!r}"
    if len(old) != len(new):
        return f"{path}: {len(old):,} rows, the script makes {len(new):,}"
    return None


def write(household: Household, directory: Path = HERE) -> Path:
    """Rewrite one CSV as a whole or not at all."""
    path = directory / household.folder / "series.csv"
    temporary = path.with_suffix(".csv.tmp")
    temporary.write_text(csv_text(household), encoding="utf-8", newline="\n")
    return temporary.replace(path)


def main() -> int:
    """Write the series, or check them; exit code 1 if a check fails."""
    parser = argparse.ArgumentParser(description="Make the hourly series of the demo households.")
    parser.add_argument("--check", action="store_true", help="compare with the files on disk, write nothing")
    check = parser.parse_args().check
    if not check:
        for household in households():
            print(f"wrote {write(household)}")
        return 0
    problems = [problem for household in households() if (problem := differences(household))]
    print("\n".join(problems) or "every series is as the script makes it", file=sys.stderr)
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
