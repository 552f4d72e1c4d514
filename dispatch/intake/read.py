"""From a meter file to a series ready to use: read, put on a grid, checked, filled on request, written."""

from __future__ import annotations

import gc
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.errors import SeriesError
from dispatch.intake.espi import looks_like_xml
from dispatch.intake.espi_meters import read_espi
from dispatch.intake.gaps import Filling, filled
from dispatch.intake.intervals import Asked, Flow, Found
from dispatch.intake.rows import read_bytes, read_rows
from dispatch.intake.series import Grid, directions, load_of, on_grid, resampled
from dispatch.intake.table import read_table
from tariffs.reading.clock import unknown_zone

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import pandas as pd

    from dispatch.arrays import Floats


_HOME_KW = 100.0
"""A mean power above this is no home's: W under a heading of kW, or Wh of kWh."""

_PEAK_KW = 1000.0
_FAINT_KW = 0.005
"""A mean power below this is no home's either: kW under a heading of W."""


@dataclass(frozen=True)
class Understood:
    """A meter file as it was understood.

    Attributes
    ----------
    path : Path
    shape : str
        What kind of file it is.
    grid : Grid
        Every flow, gaps and all.
    columns : dict of str to ndarray of float, shape (n,)
        What will be written, by column name: ``load_kwh``, ``import_kwh``, ``export_kwh``, ``production_kwh``. [kWh]
    load_how : str
        Where the load comes from, or why there is none.
    facts, doubts : tuple of str
    """

    path: Path
    shape: str
    grid: Grid
    columns: dict[str, Floats]
    load_how: str
    facts: tuple[str, ...]
    doubts: tuple[str, ...]

    @property
    def leading(self) -> str:
        """The column that totals and peaks are told of: the load where it is known."""
        return next(iter(self.columns))

    @property
    def dt_hours(self) -> float:
        """Length of a step. [h]."""
        return self.grid.step_seconds / 3600

    def by_month(self) -> dict[str, dict[str, float]]:
        """Return energy by month and column. [kWh]; steps without a reading count nothing."""
        local = self.grid.times.tz_localize(None)
        index = np.asarray(local.year * 12 + local.month - 1)
        months, places = np.unique(index, return_inverse=True)
        sums = {
            name: np.bincount(places, weights=np.nan_to_num(values), minlength=len(months))
            for name, values in self.columns.items()
        }
        return {
            f"{month // 12:04d}-{month % 12 + 1:02d}": {
                name: float(total[at]) for name, total in sums.items()
            }
            for at, month in enumerate(months.tolist())
        }

    def estimated_fraction(self) -> float:
        """Share of the steps that have a reading in which the utility estimated it."""
        present = ~self.grid.missing
        return float((self.grid.estimated & present).sum() / max(int(present.sum()), 1))

    def highest_hour(self) -> tuple[pd.Timestamp, float]:
        """Return the whole clock hour with the most energy in the leading column, and that energy. [kWh]."""
        values = self.columns[self.leading]
        hours = self.grid.times.as_unit("s").asi8 // 3600
        found, places, counts = np.unique(hours, return_inverse=True, return_counts=True)
        sums = np.bincount(places, weights=np.nan_to_num(values))
        sums[counts < counts.max()] = -1.0
        best = int(np.argmax(sums))
        return self.grid.times[int(np.searchsorted(hours, found[best]))], float(sums[best])

    def night_kw(self) -> float:
        """Return the median mean power between 1 and 5 in the morning, in the leading column. [kW]."""
        hour = np.asarray(self.grid.times.hour)
        night = self.columns[self.leading][(hour >= 1) & (hour < 5)]
        usable = night[~np.isnan(night)]
        return float(np.median(usable)) / self.dt_hours if usable.size else float("nan")


@contextmanager
def _small_objects() -> Iterator[None]:
    """Look for no circles meanwhile: half a million small lists, none of them in one, would double the time."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def check_zone(name: str | None) -> None:
    """Refuse a zone that does not exist.

    Raises
    ------
    SeriesError
        Naming the nearest that does.
    """
    if name is not None and (text := unknown_zone(name)) is not None:
        raise SeriesError(f"--time-zone: {text} (got {name!r})")


def read_file(path: Path, asked: Asked) -> Found:
    """Read one meter file of any shape.

    Raises
    ------
    SeriesError
        If it cannot be understood in one way.
    """
    check_zone(asked.time_zone)
    raw = read_bytes(path)
    return (
        read_espi(path, raw, asked) if looks_like_xml(raw) else read_table(path, read_rows(path, raw), asked)
    )


def understand(
    path: Path,
    asked: Asked,
    production: Path | None = None,
    step_minutes: int | None = None,
    filling: Filling | None = None,
) -> Understood:
    """Read a meter file, and what the panels made if that is apart, onto one grid.

    Parameters
    ----------
    path : Path
        The meter's file.
    asked : Asked
        What the person said about it.
    production : Path, optional
        A file of what the panels made, on any grid.
    step_minutes : int, optional
        Step wanted; default the file's own. [min]
    filling : Filling, optional
        How gaps are filled; default not at all.

    Raises
    ------
    SeriesError
        If a file cannot be understood in one way, or the load rebuilt from two turns negative.
    """
    with _small_objects():
        found = read_file(path, asked)
        others = () if production is None else (_production(production, asked, found.zone),)
    lengths = _lengths(path, (found, *others), step_minutes)
    grid = on_grid(found, others)
    if filling is not None:
        grid = filled(grid, filling)
    before = grid
    if step_minutes is not None:
        grid = resampled(grid, step_minutes * 60, path)
    load, how = load_of(grid, path)
    bought, sold = directions(grid)
    columns = _columns(load, bought, sold, grid)
    facts, doubts = list(found.facts), list(found.doubts)
    for other in others:
        facts += [f"{other.path.name}: {fact}" for fact in other.facts]
        doubts += [f"{other.path.name}: {doubt}" for doubt in other.doubts]
    facts += _step_facts(before, grid)
    if step_minutes is not None and lengths[-1] > max(step_minutes * 60, lengths[0]):
        facts.append(f"readings of {lengths[-1] // 60} min are taken as flat within their time")
    _check_size(path, grid)
    doubts += _look_swapped(path, bought, sold, grid, asked)
    return Understood(path, found.shape, grid, columns, how, tuple(facts), tuple(doubts))


def _lengths(path: Path, files: tuple[Found, ...], step_minutes: int | None) -> list[int]:
    """Return the lengths readings have; several of them need a step to be named.

    Raises
    ------
    SeriesError
        If none is: spreading the longer ones is a choice for the person to make.
    """
    found: set[int] = set()
    for each in files:
        for flow in each.flows.values():
            found.update(np.unique(flow.seconds).tolist())
    lengths = sorted(found)
    if len(lengths) > 1 and step_minutes is None:
        have = ", ".join(f"{length / 60:g}" for length in lengths[:6])
        longest = min(max(lengths[-1] // 60, 1), 60)
        text = f"holds readings of several lengths ({have} minutes)"
        raise SeriesError(f"{path}: {text}; name the step to put them in: --step {longest} (energy is kept)")
    return lengths


def _production(path: Path, asked: Asked, zone: str) -> Found:
    """Read the panels' file; its one flow is production whatever it is called."""
    own = Asked(
        time_zone=asked.time_zone or zone, clock=asked.clock, day_first=asked.day_first, label=asked.label
    )
    found = read_file(path, own)
    if len(found.flows) != 1:
        have = ", ".join(found.flows)
        raise SeriesError(f"{path}: holds more than what the panels made ({have}); keep that column only")
    only = next(iter(found.flows.values()))
    if (only.kwh < 0).any():
        raise SeriesError(f"{path}: what the panels made is negative in places; write it as positive numbers")
    return Found(path, found.shape, found.zone, {"production": only}, found.facts, found.doubts)


def _columns(load: Floats | None, bought: Floats, sold: Floats | None, grid: Grid) -> dict[str, Floats]:
    columns: dict[str, Floats] = {}
    if load is not None:
        columns["load_kwh"] = load
    if load is None or sold is not None or "production" in grid.kwh:
        columns["import_kwh"] = bought
    if sold is not None:
        columns["export_kwh"] = sold
    if "production" in grid.kwh:
        columns["production_kwh"] = grid.kwh["production"]
    return columns


def _step_facts(before: Grid, grid: Grid) -> list[str]:
    if before.step_seconds == grid.step_seconds:
        return []
    lost = len(before.times) * before.step_seconds - len(grid.times) * grid.step_seconds
    facts = [
        f"steps of {before.step_seconds // 60} min put into steps of {grid.step_seconds // 60} min; energy is kept"
    ]
    if before.step_seconds > grid.step_seconds:
        facts.append("within each reading the power is taken as flat")
    if lost:
        facts.append(f"{lost // 60} minutes at the ends, less than a whole step, are left out")
    return facts


_SIGNED: tuple[Flow, ...] = ("import", "export", "production")


def _check_size(path: Path, grid: Grid) -> None:
    """Refuse what no home has: a slip of unit, or a sign where none belongs."""
    hours = grid.step_seconds / 3600
    for flow in _SIGNED:
        values = grid.kwh.get(flow)
        if values is None:
            continue
        low = np.flatnonzero(values < 0)
        if low.size:
            first = f"{grid.times[int(low[0])].isoformat()}, {values[low[0]]:g} kWh"
            text = f"{flow} is negative in {low.size:,} steps (first {first})"
            raise SeriesError(f"{path}: {text}; if it is bought minus fed in, name it: --net COLUMN")
        _refuse_dial(path, flow, values)
        mean, peak = float(np.nanmean(values)) / hours, float(np.nanmax(values)) / hours
        if mean > _HOME_KW or peak > _PEAK_KW:
            text = f"{flow}: a mean of {mean:,.0f} kW, {peak:,.0f} kW at most, is no home's"
            raise SeriesError(
                f"{path}: {text}: it looks like W under a heading of kW; add --unit W or Wh, or name another column"
            )
        if flow == "import" and 0 < peak < _FAINT_KW:
            text = f"{flow}: at most {peak * 1000:,.2g} W is no home's"
            raise SeriesError(f"{path}: {text}: it looks like kW under a heading of W; add --unit kW or kWh")


def _refuse_dial(path: Path, flow: str, values: Floats) -> None:
    """Refuse the running total of a dial: it never falls, and no interval's energy does that for days."""
    present = values[~np.isnan(values)]
    if len(present) > 48 and bool((np.diff(present) >= 0).all()) and present[-1] > present[0] > 0:
        text = f"{flow} never falls, from {present[0]:g} to {present[-1]:g} kWh: it looks like a dial's running total"
        raise SeriesError(f"{path}: {text}; export the energy of each interval, or name another column")


def _look_swapped(path: Path, bought: Floats, sold: Floats | None, grid: Grid, asked: Asked) -> list[str]:
    """Refuse import and export that look exchanged: fed in at night, bought at noon."""
    if sold is None:
        return []
    hour = np.asarray(grid.times.hour)
    night, noon = (hour < 5) | (hour >= 23), (hour >= 10) & (hour < 15)
    at_night = float(np.nansum(sold[night])) > 5 * float(np.nansum(bought[night])) > -1
    if not (
        at_night and float(np.nansum(sold[night])) > 0 and np.nansum(bought[noon]) > np.nansum(sold[noon])
    ):
        return []
    text = "energy is fed in at night and bought at noon: import and export look exchanged"
    if asked.columns:
        return [f"{text}; they were taken as you named them"]
    raise SeriesError(f"{path}: {text}; name them: --import COLUMN --export COLUMN (or correct --time-zone)")
