"""Registers beside the main meter, laid on the same calendar with what they counted."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tariffs.errors import TariffError
from tariffs.meter import OtherReadings
from tariffs.periods.layout import Layout, lay_out
from tariffs.reading.refusals import nearest
from tariffs.sheet.registers import outside_band

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class RegisterSteps:
    """One register: its name, its own small tariff laid on the series, and what it counted. [kWh]."""

    name: str
    layout: Layout
    bought: Floats
    sold: Floats


def lay_registers(layout: Layout, others: OtherReadings) -> list[RegisterSteps]:
    """Return every register of the tariff with its energy.

    Raises
    ------
    TariffError
        If a register has no series, a series no register, one does not fit, or it counts at hours without a price.
    """
    found = []
    known = [register.name for register, _ in layout.tariff.beside]
    for name in others.registers:
        if name not in known:
            raise TariffError(
                f"{layout.tariff.source}: registers: energy is counted beside the main meter by a register that the "
                f"tariff does not price (got {name!r}); {_unknown_hint(name, known)}"
            )
    for register, tariff in layout.tariff.beside:
        energy = others.registers.get(register.name)
        where = f"{layout.tariff.source}: register {register.name!r}"
        if energy is None:
            have = ", ".join(sorted(others.registers)) or "none"
            raise TariffError(
                f"{where}: there is no series of what it counted (got {have}); give the meter file a column "
                f"{register.meter_column!r}, or the scenario a table [registers.{_key(register.name)}]"
            )
        _check(layout, where, energy)
        own = lay_out(tariff, layout.times, layout.dt_hours)
        if outside_band(register.name) in own.band_names:
            inside = own.band != own.band_names.index(outside_band(register.name))
            _check_hours(layout, where, energy, inside)
        nothing = np.zeros(len(energy))
        sides = (energy, nothing) if register.of == "import" else (nothing, energy)
        found.append(RegisterSteps(register.name, own, *sides))
    return found


def _unknown_hint(name: str, known: Sequence[str]) -> str:
    """Say what to do about a register without a price."""
    near = nearest(name, known)
    return (
        f"did you mean {near!r}?"
        if near
        else f'add [[registers]] with name = "{name}", or leave the series out'
    )


def _key(name: str) -> str:
    return name if name.replace("-", "").replace("_", "").isalnum() else f'"{name}"'


def _check(layout: Layout, where: str, energy: Floats) -> None:
    if np.shape(energy) != (len(layout.minute),):
        raise TariffError(
            f"{where}: needs one value per step (got {np.shape(energy)}, {len(layout.minute)} steps); "
            "give all series on the same times"
        )
    bad = np.flatnonzero(~(np.isfinite(energy) & (energy >= 0)))
    if bad.size:
        raise TariffError(
            f"{where}: must be a number >= 0 in every step (got {energy[bad[0]]} in step "
            f"{layout.times[int(bad[0])].isoformat()}); correct the series"
        )


def _check_hours(layout: Layout, where: str, energy: Floats, inside: NDArray[np.bool_]) -> None:
    wrong = np.flatnonzero(~inside & (energy > 0))
    if wrong.size:
        raise TariffError(
            f"{where}: counts energy in {wrong.size:,} steps at which it has no price "
            f"(got {energy[wrong[0]]:g} kWh in the step {layout.times[int(wrong[0])].isoformat()}); correct its hours, "
            "or give it bands, one of them for other_hours"
        )
