"""Intervals on one grid of steps: what is missing, filled only on request; resampled without losing energy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.errors import SeriesError
from dispatch.intake.intervals import Flow, Found, Intervals, listed

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.arrays import Floats
    from dispatch.intake.intervals import Flags


MOST_STEPS = 4_000_000
_NEAR_ZERO_KWH = 5e-4
"""A load rebuilt from rounded readings may dip this far below zero in a step and is then zero."""


@dataclass(frozen=True)
class Gap:
    """Steps in a row without a reading.

    Attributes
    ----------
    start : pandas.Timestamp
        First instant, on the home's clock.
    count : int
        Steps.
    at : int
        Place of the first of them in the grid.
    """

    start: pd.Timestamp
    count: int
    at: int


@dataclass(frozen=True)
class Grid:
    """Flows on one grid.

    Attributes
    ----------
    times : pandas.DatetimeIndex, shape (n,)
        Start of each step on the home's clock, regular in real time.
    step_seconds : int
        Length of a step. [s]
    kwh : dict of flow to ndarray of float, shape (n,)
        Energy in each step; NaN in a gap. [kWh]
    estimated : ndarray of bool, shape (n,)
        Steps in which a reading was estimated by the utility.
    repairs : tuple of str
        What was filled, on request.
    """

    times: pd.DatetimeIndex
    step_seconds: int
    kwh: dict[Flow, Floats]
    estimated: Flags
    repairs: tuple[str, ...] = ()

    @property
    def missing(self) -> Flags:
        """Steps in which a flow has no reading."""
        empty = np.zeros(len(self.times), dtype=bool)
        for values in self.kwh.values():
            empty |= np.isnan(values)
        return empty

    def gaps(self) -> list[Gap]:
        """Return the gaps in the order of time."""
        edges = np.flatnonzero(np.diff(np.concatenate(([False], self.missing, [False])).astype(np.int8)))
        return [Gap(self.times[begin], end - begin, begin) for begin, end in edges.reshape(-1, 2).tolist()]


def on_grid(found: Found, others: tuple[Found, ...] = ()) -> Grid:
    """Put all flows on the grid of their shortest step; longer readings must be shared out by `resampled` first.

    Parameters
    ----------
    found : Found
        The meter.
    others : tuple of Found
        Other files of the same home, such as what its panels made; their time outside the meter's is left out.

    Returns
    -------
    Grid
        Over the time the meter covers, from its first reading to its last.

    Raises
    ------
    SeriesError
        If readings do not lie on one grid, or another file does not cover the meter's time.
    """
    flows = dict(found.flows)
    for other in others:
        flows |= other.flows
    step = min(int(each.seconds.min()) for each in flows.values())
    begin = min(int(each.starts[0]) for each in found.flows.values())
    end = max(int(each.starts[-1] + each.seconds[-1]) for each in found.flows.values())
    size = -(-(end - begin) // step)
    if size > MOST_STEPS:
        years = size * step / 31_557_600
        raise SeriesError(
            f"{found.path}: covers {years:,.0f} years in steps of {step // 60} minutes; export a year or two"
        )
    kwh: dict[Flow, Floats] = {}
    estimated = np.zeros(size, dtype=bool)
    for flow, each in flows.items():
        path = next(source.path for source in (found, *others) if flow in source.flows)
        kwh[flow] = _spread(path, flow, each, begin, step, size, estimated)
    moments = pd.to_datetime(begin + step * np.arange(size, dtype=np.int64), unit="s", utc=True)
    times = moments.tz_convert(found.zone)
    return Grid(times, step, kwh, estimated)


def _spread(  # noqa: PLR0913, PLR0917 - one grid in parts
    path: Path, flow: str, each: Intervals, begin: int, step: int, size: int, estimated: Flags
) -> Floats:
    """Put one flow on the grid; a reading longer than a step is spread evenly over its own steps."""
    values = np.full(size, np.nan)
    inside = (each.starts + each.seconds > begin) & (each.starts < begin + step * size)
    starts, seconds, energy = each.starts[inside], each.seconds[inside], each.kwh[inside]
    off = np.flatnonzero(((starts - begin) % step != 0) | (seconds % step != 0))
    if off.size:
        moment = pd.Timestamp(int(starts[off[0]]), unit="s", tz="UTC").isoformat()
        text = f"{off.size:,} readings of the {flow} do not lie on steps of {step // 60} minutes (first {moment})"
        raise SeriesError(f"{path}: {text}; import each file or register apart, with --step 60")
    counts = seconds // step
    places = np.repeat((starts - begin) // step, counts)
    places += np.arange(len(places)) - np.repeat(np.cumsum(counts) - counts, counts)
    fits = (places >= 0) & (places < size)
    values[places[fits]] = np.repeat(energy / counts, counts)[fits]
    estimated[places[fits & np.repeat(each.estimated[inside], counts)]] = True
    return values


def resampled(grid: Grid, step_seconds: int, path: Path) -> Grid:
    """Join or divide steps; energy is conserved, and a step with a gap in it is a gap.

    Steps begin on the clock's marks: rows before the first whole step and after the last are left out and told by
    the caller.

    Raises
    ------
    SeriesError
        If one step is no multiple of the other.
    """
    own = grid.step_seconds
    if step_seconds == own:
        return grid
    if step_seconds % own and own % step_seconds:
        text = f"readings of {own / 60:g} minutes cannot be joined or divided into steps of {step_seconds / 60:g}"
        raise SeriesError(f"{path}: {text} without guessing; choose a multiple")
    if step_seconds < own:
        return _divided(grid, own // step_seconds, step_seconds)
    many = step_seconds // own
    seconds = grid.times.as_unit("s").asi8
    local = np.asarray(grid.times.tz_localize(None).as_unit("s").asi8, dtype=np.int64)
    first = int(np.argmax(local % step_seconds == 0)) if (local % step_seconds == 0).any() else 0
    size = (len(seconds) - first) // many
    if size < 2:
        raise SeriesError(
            f"{path}: holds less than two whole steps of {step_seconds // 60} minutes; choose a shorter step"
        )
    part = slice(first, first + size * many)
    kwh = {flow: values[part].reshape(size, many).sum(axis=1) for flow, values in grid.kwh.items()}
    estimated = np.asarray(grid.estimated[part].reshape(size, many).any(axis=1), dtype=bool)
    return Grid(grid.times[part][::many], step_seconds, kwh, estimated, grid.repairs)


def _divided(grid: Grid, many: int, step_seconds: int) -> Grid:
    seconds = np.asarray(grid.times.as_unit("s").asi8, dtype=np.int64)
    fine = (seconds[:, None] + step_seconds * np.arange(many)[None, :]).ravel()
    times = pd.to_datetime(fine, unit="s", utc=True).tz_convert(grid.times.tz)
    kwh = {flow: np.repeat(values / many, many) for flow, values in grid.kwh.items()}
    return Grid(times, step_seconds, kwh, np.repeat(grid.estimated, many), grid.repairs)


def load_of(grid: Grid, path: Path) -> tuple[Floats | None, str]:
    """Return the home's load where it is known, and how.

    Without panels it is what the meter bought; with them: bought - fed in + made.

    Returns
    -------
    ndarray of float, shape (n,), or None; and a sentence.

    Raises
    ------
    SeriesError
        If the rebuilt load turns negative: meter and panels do not belong together.
    """
    bought, sold = directions(grid)
    made = grid.kwh.get("production")
    if made is None:
        if sold is not None and np.nansum(sold) > 0:
            return (
                None,
                "energy was fed in, so what was bought is not the load; add --production FILE to rebuild it",
            )
        return (
            bought,
            "what the meter bought is taken as the whole load: right for a home without solar panels",
        )
    load = bought - (0.0 if sold is None else sold) + made
    low = np.flatnonzero(load < -_NEAR_ZERO_KWH)
    if low.size:
        worst = int(np.nanargmin(load))
        moments = listed(grid.times[at].isoformat(timespec="minutes") for at in low[:4].tolist())
        text = f"the load rebuilt from net plus production is negative in {low.size:,} steps ({moments}"
        raise SeriesError(
            f"{path}: {text}; lowest {load[worst]:.3f} kWh): more was fed in than the panels made. Meter and "
            "production differ in clock, unit or span; nothing is cut off: correct the files"
        )
    return np.maximum(load, 0.0), "rebuilt: bought - fed in + made by the panels"


def directions(grid: Grid) -> tuple[Floats, Floats | None]:
    """Return what was bought and what was fed in (None where no register or sign tells)."""
    if "net" in grid.kwh:
        net = grid.kwh["net"]
        return np.where(net > 0, net, net * 0.0), np.where(net < 0, -net, net * 0.0)
    if "import" not in grid.kwh:
        return np.zeros(len(grid.times)), grid.kwh.get("export")
    return grid.kwh["import"], grid.kwh.get("export")
