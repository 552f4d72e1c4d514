"""A meter's own readings, for pricing a bill without a scenario."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tariffs.errors import MeterError
from tariffs.reading.offsets import other_clock, whole_z_days
from tariffs.reading.refusals import problem_report
from tariffs.reading.steps import even_step
from tariffs.reading.table import Table, kwh_factor, read_table, unit_of, without_unit

Floats = NDArray[np.float64]
_STEPS = (5, 10, 15, 20, 30, 60)
_REACTIVE = "import_kvarh"


@dataclass(frozen=True)
class OtherReadings:
    """What is metered beside energy bought and sold at the main meter.

    Attributes
    ----------
    import_kvarh : array, shape (n,), or None
        Reactive energy within each step, for demand in kVA. [kvarh]
    registers : mapping of str to array, shape (n,)
        Energy within each step that registers beside the main one count, by their names in the tariff. [kWh]
    leave_out_registers : bool
        Whether terms may leave registers out: what they come to no plan changes. A bill never does.
    """

    import_kvarh: Floats | None = None
    registers: Mapping[str, Floats] = field(default_factory=dict)
    leave_out_registers: bool = False


NONE_BESIDE = OtherReadings()


@dataclass(frozen=True)
class Meter:
    """Readings of one meter.

    Attributes
    ----------
    times : DatetimeIndex, length n
        Starts of the steps; on the clock of the zone asked for, else in UTC.
    dt_hours : float
        Length of a step: 5, 10, 15, 20, 30 or 60 minutes. [h]
    import_kwh, export_kwh : array, shape (n,)
        Energy within each step, both >= 0; no export column means none. [kWh]
    other_clock : str
        The offsets the readings carry, where none of them is ever the zone's: they may be of another place.
    others : OtherReadings
        What else the file has columns for.
    whole_z_days : bool
        Whether times labelled Z cover whole days of UTC, and not of the zone: they may be local times.
    """

    times: pd.DatetimeIndex
    dt_hours: float
    import_kwh: Floats
    export_kwh: Floats
    other_clock: str = ""
    others: OtherReadings = NONE_BESIDE
    whole_z_days: bool = False


def read_meter(
    path: str | Path,
    time_zone: str | None = None,
    import_columns: Sequence[str] = (),
    export_columns: Sequence[str] = (),
    register_columns: Mapping[str, str] = MappingProxyType({}),
) -> Meter:
    """Read ``time,import_kwh[,export_kwh]`` lines of 5 to 60 minutes, labelled by their start.

    Parameters
    ----------
    path : str or Path
        A CSV in UTF-8 whose first line names the columns; other columns are not read.
    time_zone : str, optional
        The clock that times without an offset are read on, usually the tariff's.
    import_columns, export_columns : sequence of str, optional
        Columns to add up in place of ``import_kwh`` and ``export_kwh``. Their unit is their ending: ``_kwh`` or
        ``_wh`` (energy in the step), ``_kw`` or ``_w`` (mean power in it).

    register_columns : mapping of str to str, optional
        The column of every register beside the main one, by its name in the tariff; units as above.

    Raises
    ------
    MeterError
        If the file cannot be read as it stands: the message names the file, the line, the value and the
        remedy. Nothing is filled in.
    """
    table = read_table(Path(path), MeterError)
    _refuse_repeated(path, import_columns, export_columns)
    bought = tuple(import_columns) or _default(table)
    given = ("export_kwh",) if "export_kwh" in table.header and not import_columns else ()
    sold = tuple(export_columns) or given
    asked = dict.fromkeys((*bought, *sold), "the bill")
    asked |= {
        column: f"the tariff's register {name!r} (its key column)"
        for name, column in register_columns.items()
    }
    table.require(asked)
    if unitless := [without_unit(name) for name in asked if unit_of(name) is None]:
        raise MeterError(problem_report(path, unitless))
    reactive = (_REACTIVE,) if _REACTIVE in table.header else ()
    readings = table.readings(dict.fromkeys((*asked, *reactive), "the bill"), time_zone)
    hours = even_step(readings, _STEPS).total_seconds() / 3600

    def energy(names: Sequence[str]) -> Floats:
        scaled = (readings.columns[name] * kwh_factor(name, hours) for name in names)
        return sum(scaled, start=np.zeros(len(readings.times)))

    kvarh = readings.columns[_REACTIVE] if reactive else None
    registers = {name: energy([column]) for name, column in register_columns.items()}
    others = OtherReadings(kvarh, registers)
    cells = table.column("time")
    other = "" if time_zone is None else other_clock(cells, readings.times)
    z_days = time_zone is not None and whole_z_days(cells, readings.times, hours)
    return Meter(readings.times, hours, energy(bought), energy(sold), other, others, z_days)


def _refuse_repeated(path: str | Path, bought: Sequence[str], sold: Sequence[str]) -> None:
    """Refuse a column named twice: its energy would be counted twice."""
    for option, names in (("--import", bought), ("--export", sold)):
        if repeated := [name for name in dict.fromkeys(names) if names.count(name) > 1]:
            text = f"the column '{repeated[0]}' is named twice; name each column once, or its energy counts twice"
            raise MeterError(f"{path}: {option}: {text}")


def _default(table: Table) -> tuple[str, ...]:
    """Refuse a file without ``import_kwh``: which of its columns is what the meter bought is not to be guessed."""
    if "import_kwh" not in table.header:
        have = ", ".join(table.header[:12])
        near = [name for name in table.header if "import" in name.casefold()]
        hint = f"did you mean {near[0]!r}? Rename" if near else "rename"
        raise MeterError(
            f"{table.path}: no column 'import_kwh' (the file has {have}); {hint} the column that holds what "
            "was bought, or name it with --import COLUMN (several are added up)"
        )
    return ("import_kwh",)
