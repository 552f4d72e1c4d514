"""What a result was made from: the versions that decide figures, and a hash of everything that was read."""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
import platform
import zoneinfo
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from pydantic import BaseModel

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dispatch.arrays import Floats
    from dispatch.case.series import Series
    from dispatch.scenario.model import Scenario
    from tariffs import Meter, Tariff

LIBRARIES = ("highspy", "pulp", "numpy", "pandas", "pydantic", "holidays", "pvlib", "rainflow")
"""Libraries that can change a figure; ``holidays`` says which days have another price."""


@dataclass(frozen=True)
class Origin:
    """What a result was made from.

    Attributes
    ----------
    inputs : str
        SHA-256 of what was read from the files: the same readings and settings give the same, wherever they stand.
    versions : dict of str to str
        Of the program, of Python, of the libraries that can change a figure, and of the rules of clocks.
    """

    inputs: str
    versions: dict[str, str]


def origin_of(inputs: str) -> Origin:
    """Tell what a result was made from, by the hash of what was read."""
    return Origin(inputs, versions())


def inputs_of(scenario: Scenario, tariff: Tariff, series: Series) -> str:
    """Hash what was read of a home: SHA-256 of scenario, tariff, prices and series."""
    temperature = () if series.battery_c is None else (series.battery_c,)
    arrays = (series.load_kwh, series.other_kwh, series.critical_kwh, series.sun_kwh, *temperature)
    return _hash(scenario, *_tariff(tariff), series.times, *arrays, *_named(series.registers))


def origin_of_bill(tariff: Tariff, meter: Meter) -> Origin:
    """Tell what a bill was made from."""
    others = meter.others
    reactive = () if others.import_kvarh is None else ("import_kvarh", others.import_kvarh)
    read = (meter.times, meter.import_kwh, meter.export_kwh, *reactive, *_named(others.registers))
    return Origin(_hash(*_tariff(tariff), *read), versions())


def _named(registers: Mapping[str, Floats]) -> tuple[object, ...]:
    return tuple(part for name in sorted(registers) for part in (name, registers[name]))


def _tariff(tariff: Tariff) -> tuple[object, ...]:
    series = tariff.series
    prices = (
        () if series is None else (series.import_price_per_kwh, series.export_price_per_kwh, series.starts)
    )
    return tariff, *(dated.sheet for dated in tariff.sheets[1:]), *prices


def _hash(*parts: object) -> str:
    digest = hashlib.sha256()
    for part in parts:
        if isinstance(part, BaseModel):
            # what is not written is left out, so that a setting yet to come changes no hash
            digest.update(part.model_dump_json(exclude_defaults=True).encode())
        elif isinstance(part, np.ndarray):
            digest.update(np.ascontiguousarray(part).tobytes())
        elif isinstance(part, pd.DatetimeIndex):
            digest.update(f"{part.tz}".encode() + part.as_unit("ns").asi8.tobytes())
        else:
            digest.update(f"{part}".encode())
        digest.update(b"\0")
    return digest.hexdigest()


@functools.lru_cache(maxsize=1)
def versions() -> dict[str, str]:
    """Return the versions in use, by name; a library that is not installed is left out."""
    found = {"dispatch": _version("tou-dispatch") or "not installed", "python": platform.python_version()}
    found |= {name: version for name in LIBRARIES if (version := _version(name)) is not None}
    return {**found, "time zones": _time_zones()}


def _version(name: str) -> str | None:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return None


def _time_zones() -> str:
    """Name the release of the rules of clocks: the system's where it has them, as Python reads those first."""
    for place in map(Path, zoneinfo.TZPATH):
        table = place / "tzdata.zi"
        if table.is_file():
            with table.open(encoding="ascii", errors="replace") as file:
                return file.readline().removeprefix("# version ").strip()
        if (place / "UTC").is_file():
            return "of the system"
    return _version("tzdata") or "unknown"
