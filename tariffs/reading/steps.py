"""The even steps of a series: how long they are, and which lines of a file do not fit them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from tariffs.reading.refusals import SHOWN, listed, problem_report

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tariffs.reading.table import Readings

MOST_STEPS = 1_000_000
"""More steps than this is a slip of the keyboard: 114 years of hours."""


def minutes_text(step: pd.Timedelta) -> str:
    """Write the length of a step."""
    return f"{step / pd.Timedelta(minutes=1):g} minutes"


def step_of(readings: Readings, allowed: Iterable[int] = ()) -> pd.Timedelta:
    """Return the distance that most readings are from the next.

    Parameters
    ----------
    readings : Readings
    allowed : iterable of int
        Distances in minutes that can be used; left out, any from a minute to a day.

    Raises
    ------
    DispatchError
        If there is none, or it cannot be used.
    """
    path, refuse = readings.path, readings.refuse
    if len(readings.times) < 2:
        raise refuse(f"{path}: one line of readings shows no step; supply two lines or more")
    gaps = np.abs(np.diff(readings.times.asi8))
    lengths, counts = np.unique(gaps[gaps > 0], return_counts=True)
    if not len(lengths):
        raise refuse(f"{path}: every line has the same time; write the start of each step")
    step = pd.Timedelta(int(lengths[np.argmax(counts)]), unit="ns")
    minutes, choice = step / pd.Timedelta(minutes=1), tuple(allowed)
    if choice and minutes not in choice:
        text = f"supply readings {', '.join(map(str, choice))} minutes apart"
        raise refuse(f"{path}: most lines are {minutes_text(step)} apart; {text}")
    if not 1 <= minutes <= 1440:
        text = "supply readings at most a day and at least a minute apart"
        raise refuse(f"{path}: most lines are {minutes_text(step)} apart; {text}")
    if (readings.times.max() - readings.times.min()) / step > MOST_STEPS:
        raise refuse(f"{path}: more than {MOST_STEPS:,} steps of {minutes_text(step)}; correct the times")
    return step


def even_step(readings: Readings, allowed: Iterable[int] = ()) -> pd.Timedelta:
    """Return the even distance of readings that stand once each, in order, without gaps; as :func:`step_of`."""
    step = step_of(readings, allowed)
    first, last = readings.times.min().tz_convert("UTC"), readings.times.max().tz_convert("UTC")
    grid = pd.date_range(first, last, freq=step).as_unit("ns").tz_convert(readings.times.tz)
    if problems := off_grid(readings, grid, step, "its own first to last time"):
        raise readings.refuse(problem_report(readings.path, problems))
    return step


def off_grid(readings: Readings, grid: pd.DatetimeIndex, step: pd.Timedelta, goal: str) -> list[str]:
    """Say how the times of readings are not exactly those of a grid.

    Parameters
    ----------
    readings : Readings
    grid : DatetimeIndex
    step : Timedelta
        Of the grid.
    goal : str
        What the grid is, in words.

    Returns
    -------
    list of str
        Empty where they are the same.
    """
    stamps = readings.times.asi8
    if np.array_equal(stamps, grid.asi8):
        return []
    wanted = f"times that are none of {goal} in steps of {minutes_text(step)}"
    faults = (
        ("lines not in order of time", np.flatnonzero(np.diff(stamps) < 0) + 1, "sort the file by time"),
        (
            "times that stand there twice",
            np.flatnonzero(readings.times.duplicated()),
            "keep one line of each",
        ),
        (wanted, np.flatnonzero(~np.isin(stamps, grid.asi8)), "correct them, or leave these lines out"),
    )
    problems = [
        f"{what}: {listed([readings.place(at) for at in where.tolist()])}; {mend}"
        for what, where, mend in faults
        if len(where)
    ]
    missing = grid[~np.isin(grid.asi8, stamps)]
    if len(missing):
        earlier = np.flatnonzero(readings.times < missing[0])
        after = f" after line {readings.lines[earlier[-1]]}" if len(earlier) else " before the first line"
        first = [moment.isoformat(timespec="minutes") for moment in missing[:SHOWN]]
        problems.append(
            f"{len(missing):,} of {len(grid):,} steps of {goal} are missing,{after}: "
            f"{listed(first, len(missing))}; supply these readings, or choose a span without them"
        )
    return problems
