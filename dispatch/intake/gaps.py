"""Filling gaps, on request only, each way with its limit and its report."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from dispatch.errors import SeriesError
from dispatch.intake.intervals import listed

if TYPE_CHECKING:
    from pathlib import Path

    from dispatch.arrays import Floats
    from dispatch.intake.series import Gap, Grid


_WEEKS = 4
"""Same-weekday filling looks so many weeks back and on."""


@dataclass(frozen=True)
class Filling:
    """How gaps are to be filled.

    Attributes
    ----------
    way : str
        ``interpolate`` between the readings on both sides, or ``same-weekday``: the mean of the same step on the
        nearest such weekdays before and after.
    longest_hours : float
        Longer gaps are left as they are. [h]
    """

    way: Literal["interpolate", "same-weekday"]
    longest_hours: float


def parse_filling(text: str) -> Filling:
    """Read ``interpolate:2h``, ``same-weekday`` or ``same-weekday:48h``.

    Raises
    ------
    SeriesError
        If it is none of these.
    """
    found = re.fullmatch(r"(interpolate|same-weekday)(?::(\d+(?:\.\d+)?)\s*h)?", text.strip())
    if found is None or (found[1] == "interpolate" and found[2] is None):
        raise SeriesError(
            f"--gaps: not a way of filling gaps (got {text!r}); write interpolate:2h (gaps up to 2 hours, between the "
            "readings on both sides) or same-weekday (the same hour of the weeks around)"
        )
    way: Literal["interpolate", "same-weekday"] = (
        "interpolate" if found[1] == "interpolate" else "same-weekday"
    )
    return Filling(way, float(found[2]) if found[2] else float("inf"))


def filled(grid: Grid, filling: Filling) -> Grid:
    """Fill gaps and say which.

    Parameters
    ----------
    grid : Grid
    filling : Filling

    Returns
    -------
    Grid
        With what was filled in its ``repairs``; gaps above the limit, or with nothing to fill them from, stay.
    """
    longest = filling.longest_hours * 3600 / grid.step_seconds
    chosen = [gap for gap in grid.gaps() if gap.count <= longest + 1e-9]
    if not chosen:
        return grid
    spans = [(gap.at, gap.count) for gap in chosen]
    kwh = {flow: _filled(values, spans, filling, grid) for flow, values in grid.kwh.items()}
    made = replace(grid, kwh=kwh)
    done = [gap for gap in chosen if not made.missing[gap.at : gap.at + gap.count].any()]
    words = {
        "interpolate": "between their neighbours",
        "same-weekday": "from the same weekday of the weeks around",
    }
    lines = []
    if done:
        steps = sum(gap.count for gap in done)
        energy = sum(values[gap.at : gap.at + gap.count].sum() for values in kwh.values() for gap in done)
        when = listed(_span(gap, grid.step_seconds) for gap in done)
        lines.append(f"filled {steps:,} steps {words[filling.way]}, {energy:,.2f} kWh: {when}")
    return replace(made, repairs=(*grid.repairs, *lines))


def _span(gap: Gap, step_seconds: int) -> str:
    return f"{gap.start.isoformat(sep=' ', timespec='minutes')} for {gap.count * step_seconds / 3600:g} h"


def _filled(values: Floats, spans: list[tuple[int, int]], filling: Filling, grid: Grid) -> Floats:
    new = values.copy()
    for begin, count in spans:
        if not np.isnan(values[begin : begin + count]).any():
            continue
        part = (
            _between(values, begin, count)
            if filling.way == "interpolate"
            else _weekday(values, begin, count, grid)
        )
        hole = np.isnan(values[begin : begin + count])
        new[begin : begin + count][hole] = part[hole]
    return new


def _between(values: Floats, begin: int, count: int) -> Floats:
    """Draw a line between the readings on both sides; at the ends of the file there is only one side: not filled."""
    if begin == 0 or begin + count >= len(values):
        return np.full(count, np.nan)
    return np.asarray(
        np.interp(np.arange(1, count + 1), [0, count + 1], [values[begin - 1], values[begin + count]])
    )


def _weekday(values: Floats, begin: int, count: int, grid: Grid) -> Floats:
    """Take the mean of the nearest same weekday before and after that has a reading at the same clock time."""
    clock = grid.times.tz_localize(None).as_unit("s").asi8
    week = 604_800 // grid.step_seconds
    part = np.full(count, np.nan)
    for offset in range(count):
        at = begin + offset
        near = [_nearest(values, clock, at, sign * week, grid.step_seconds) for sign in (-1, 1)]
        usable = [value for value in near if not np.isnan(value)]
        part[offset] = float(np.mean(usable)) if usable else np.nan
    return part


def _nearest(values: Floats, clock: object, at: int, week: int, step_seconds: int) -> float:
    times = np.asarray(clock, dtype=np.int64)
    for weeks in range(1, _WEEKS + 1):
        there = at + weeks * week
        if not 0 <= there < len(values):
            return float("nan")
        # a clock change in between moves the same clock time by an hour
        shift = int((times[at] + weeks * (604_800 if week > 0 else -604_800) - times[there]) // step_seconds)
        there += shift
        if 0 <= there < len(values) and not np.isnan(values[there]):
            return float(values[there])
    return float("nan")


def refuse_gaps(grid: Grid, path: Path) -> None:
    """Refuse to write a series with holes.

    Raises
    ------
    SeriesError
        Naming the first gaps, how many there are, and what can be asked for.
    """
    gaps = grid.gaps()
    if not gaps:
        return
    hours = sum(gap.count for gap in gaps) * grid.step_seconds / 3600
    when = listed(_span(gap, grid.step_seconds) for gap in gaps)
    raise SeriesError(
        f"{path}: {len(gaps):,} gap{'s' * (len(gaps) > 1)} without readings, {hours:,.2f} h in all: "
        f"{when}; supply the readings, or have them filled and reported: --gaps interpolate:2h (gaps up to 2 hours) "
        "or --gaps same-weekday"
    )
