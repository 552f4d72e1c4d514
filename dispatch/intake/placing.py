"""When each reading of a table was: its step, whether times are starts or ends, and on which clock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from dispatch.errors import SeriesError
from dispatch.intake.clock import on_wall, place
from dispatch.intake.intervals import Asked, Clock, Flags, Flow, Ints, Where, listed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Floats
    from dispatch.intake.dates import Moments
    from dispatch.intake.written import Rows


_MOST_SECONDS = 3600


@dataclass(frozen=True)
class Written:
    """A table's readings as written, in file order.

    Attributes
    ----------
    times : Moments
    label : str
        Whether each time is the ``start`` or the ``end`` of its reading, or ``open`` where nothing says it.
    numbers : dict of flow to list of (unit, numbers)
    estimated : ndarray of bool, shape (n,)
    where : Where
        Line of each reading.
    ends : ndarray of int, shape (n,), or None
        Ends as written, on the same clock as the starts. [s]
    facts : list of str
    """

    times: Moments
    label: Literal["start", "end", "open"]
    numbers: dict[Flow, list[tuple[str, Floats]]]
    estimated: Flags
    where: Where
    ends: Ints | None
    facts: list[str]


@dataclass(frozen=True)
class Placed:
    """A table's readings in real time, in file order: starts, step, which to keep, and what was understood."""

    starts: Ints
    seconds: int
    keep: Flags
    facts: list[str]
    doubts: list[str]


def zone_of(rows: Rows, written: Written, asked: Asked) -> str:
    """Return the home's zone: the one named, or UTC where times carry offsets.

    Raises
    ------
    SeriesError
        If neither is.
    """
    if asked.time_zone is not None:
        return asked.time_zone
    if written.times.offsets is None:
        text = "its times have no offset, and a table does not say where the home is"
        raise SeriesError(
            f"{rows.path}: line {rows.lines[0]}: {text}; add --time-zone, such as America/Toronto"
        )
    return "UTC"


def place_all(rows: Rows, written: Written, zone: str, asked: Asked) -> Placed:
    """Put every reading of a table on the line of real time.

    Raises
    ------
    SeriesError
        If step, or start or end, cannot be told.
    """
    if written.times.offsets is not None:
        return _with_offsets(rows, written, asked)
    local, order = _rising(written.times.seconds)
    step = _step(rows, local)
    facts = [] if order is None else ["the newest reading stands first"]
    clock: Clock = asked.clock or "wall"
    label, why = _proven_label(rows, written, local, step)
    facts += [why] if why else []
    shifts = [(step, 0), (0, step)] if label == "end" else [(0, 0)]
    tries = [(place(local - before, zone, clock), after) for before, after in shifts]
    # an end of 02:00 may be the wall's own or the start plus an hour: the one that leaves no hole is meant
    best, after = min(tries, key=lambda each: _roughness(each[0].utc - each[1], step))
    starts = best.utc - after
    keep = np.ones(len(local), dtype=bool)
    skipped = best.skipped if after == 0 else np.zeros(len(local), dtype=bool)
    keep &= ~skipped
    facts.append(_clock_fact(zone, clock, best.repeated))
    doubts = [_single_doubt(zone, best.single)] if best.single else []
    if order is not None:
        starts, keep = starts[order], keep[order]
    return Placed(starts, step, keep, facts, doubts)


def _with_offsets(rows: Rows, written: Written, asked: Asked) -> Placed:
    offsets = written.times.offsets
    assert offsets is not None  # noqa: S101 - chosen by the caller
    utc, order = _rising(written.times.seconds - offsets)
    step = _step(rows, utc)
    # whole days are those of the home where it is known, else of the offsets
    local, _ = (
        _rising(written.times.seconds) if asked.time_zone is None else (on_wall(utc, asked.time_zone), None)
    )
    label, why = _proven_label(rows, written, local, step)
    starts = utc - (step if label == "end" else 0)
    facts = [*([why] if why else []), "times carry their offset from UTC"]
    if order is not None:
        facts.append("the newest reading stands first")
        starts = starts[order]
    return Placed(starts, step, np.ones(len(starts), dtype=bool), facts, [])


def _rising(times: Ints) -> tuple[Ints, Ints | None]:
    """Return times from old to new; and, where the file runs the other way, the order that turns them back."""
    if len(times) > 1 and times[0] > times[-1]:
        turned = np.arange(len(times) - 1, -1, -1)
        return times[::-1], turned
    return times, None


def _step(rows: Rows, times: Ints) -> int:
    """Return the distance that most readings have. [s]."""
    gaps = np.diff(times)
    rising = gaps[gaps > 0]
    if not rising.size:
        raise SeriesError(f"{rows.path}: has one reading only; two or more are needed to show their step")
    lengths, counts = np.unique(rising, return_counts=True)
    step = int(lengths[np.argmax(counts)])
    if step > _MOST_SECONDS or _MOST_SECONDS % step or step < 60:
        text = f"readings stand {step / 60:g} minutes apart; steps that divide an hour, 1 to 60 minutes, can be used"
        raise SeriesError(f"{rows.path}: {text}: ask the utility for interval data")
    odd = np.flatnonzero((gaps > 0) & (gaps % step != 0))
    if odd.size:
        at = int(odd[0]) + 1
        text = f"{len(odd):,} readings do not stand a multiple of {step // 60} minutes after the one above"
        raise SeriesError(
            f"{rows.path}: {text} (first line {rows.lines[min(at, len(rows.lines) - 1)]}); export one step only"
        )
    return step


def _proven_label(rows: Rows, written: Written, local: Ints, step: int) -> tuple[str, str]:
    """Return whether times are starts or ends, and how that is known."""
    if written.ends is not None:
        length = int(np.median(written.ends - written.times.seconds))
        if length < step:  # ends such as 00:14 or 00:59:59 mean the last minute or second
            length += 60 if length % 60 == 0 else 1
        if length != step:
            text = f"its readings last {length / 60:g} minutes but start {step / 60:g} minutes apart"
            raise SeriesError(f"{rows.path}: {text}; export the meter's own interval")
        return "start", ""
    if written.label != "open":
        return written.label, f"each time is the {written.label} of its reading"
    first, last = int(local[0]) % 86_400, int(local[-1]) % 86_400
    if first == 0 and last == 86_400 - step:
        return (
            "start",
            "each time is the start of its reading: the file runs from midnight to the step before midnight",
        )
    if first == step and last == 0:
        return (
            "end",
            "each time is the end of its reading: the file runs from the first step of a day to midnight",
        )
    text = "whether a time is the start or the end of its reading cannot be told"
    raise SeriesError(
        f"{rows.path}: line {rows.lines[0]}: {text} (the file does not run over whole days); "
        "add --times start or --times end"
    )


def _roughness(starts: Ints, step: int) -> int:
    return int((np.diff(starts) != step).sum())


def _clock_fact(zone: str, clock: Clock, repeated: Sequence[str]) -> str:
    if clock == "utc":
        return "times are in UTC, as you said"
    if clock == "standard":
        return f"times are on the standard time of {zone} all year, as you said"
    told = (
        f"; the hour repeated on {listed(repeated)} is told apart by the order of its rows"
        if repeated
        else ""
    )
    return f"times are on the clock of {zone}{told}"


def _single_doubt(zone: str, days: Sequence[str]) -> str:
    return (
        f"the hour that the clock of {zone} repeats on {listed(days)} stands there once: it is taken as the first of "
        "the two, the second is a gap. If the file keeps standard time all year, add --clock standard"
    )


def refuse_skipped(rows: Rows, written: Written, placed: Placed, total: Floats, zone: str) -> None:
    """Refuse readings at times that the clock never shows; empty places and zeros there are the file's filling."""
    wrong = np.flatnonzero(~placed.keep & (np.nan_to_num(total) != 0.0))
    if wrong.size:
        where = listed(written.where[at] for at in wrong.tolist())
        raise SeriesError(
            f"{rows.path}: {where}: readings in the hour that the clock of {zone} skips in spring; the file is not on "
            "that clock: add --clock standard (standard time all year), --clock utc, or another --time-zone"
        )
