"""The readings of an ESPI feed as intervals of energy: which meter, which direction, in which unit, on which clock."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from dispatch.errors import SeriesError
from dispatch.intake import espi_rules
from dispatch.intake.clock import on_wall, standard_offset
from dispatch.intake.espi import Block, Feed, is_estimated, read_feed
from dispatch.intake.intervals import Asked, Flow, Found, Intervals, in_order, listed, quoted

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from dispatch.arrays import Floats
    from dispatch.intake.intervals import Flags, Ints


_ENERGY, _POWER = 72, 38
"""uom: Wh, W."""

_FLOWS: dict[int, Flow] = {0: "import", 1: "import", 4: "net", 19: "export"}
"""flowDirection: none, forward (delivered to the customer), net, reverse (always a positive value)."""

_UNITS = {
    5: "A",
    29: "V",
    31: "J",
    42: "m3",
    61: "VA",
    63: "VAr",
    71: "VAh",
    73: "VArh",
    80: "money",
    119: "therm",
}

_DIALS = frozenset((1, 3, 9))
"""accumulationBehaviour: bulk quantity, cumulative, summation: the value is that of a dial, not of the interval."""

_COMMODITIES = frozenset((0, 1, 2))
"""commodity: none stated, electricity secondary or primary metered."""

_DEMAND = 8
"""kind: the highest demand of an interval, not its mean power."""

_LONGEST_SECONDS = 3600


@dataclass(frozen=True)
class _Register:
    """The readings of one register of one meter, in kWh."""

    usage_point: str
    flow: Flow
    intervals: Intervals
    step_seconds: int
    title: str
    facts: tuple[str, ...]


def read_espi(path: Path, raw: bytes, asked: Asked) -> Found:
    """Understand an ESPI file.

    Parameters
    ----------
    path : Path
    raw : bytes
        The file.
    asked : Asked

    Returns
    -------
    Found
        Each flow in intervals as the readings state them.

    Raises
    ------
    SeriesError
        If it holds no electricity in intervals of an hour or less, or several meters and none is named.
    """
    feed = read_feed(path, raw)
    registers, left_out = _registers(path, feed, asked)
    if not registers:
        why = listed(left_out) or "none"
        raise SeriesError(f"{path}: holds no electricity in intervals of an hour or less (it holds {why})")
    points = list(dict.fromkeys(register.usage_point for register in registers))
    chosen = _chosen_points(path, points, registers, asked)
    facts = ["ESPI XML (NAESB REQ.21); starts, durations and units as each reading states them"]
    doubts = [f"left out: {listed(left_out)}"] if left_out else []
    flows: dict[Flow, Intervals] = {}
    for flow in ("import", "export", "net"):
        parts = [
            register for register in registers if register.flow == flow and register.usage_point in chosen
        ]
        if not parts:
            continue
        kept = _of_each_meter(path, parts, doubts)
        flows[flow] = _added(path, kept)
        facts += [fact for register in kept for fact in register.facts]
    if "net" in flows and len(flows) > 1:
        del flows["net"]
        doubts.append("left out: the net register; import and export stand apart")
    if len(points) > 1:
        facts.append(
            f"{len(chosen)} of {len(points)} usage points: {listed(points.index(each) + 1 for each in chosen)}"
        )
    zone, why = _zone(path, feed, flows, asked)
    facts.append(why)
    flows, more = _on_wall_clock(flows, zone, asked)
    return Found(path, "ESPI XML", zone, flows, tuple(dict.fromkeys([*facts, *more[0]])), (*doubts, *more[1]))


# ---- registers ---------------------------------------------------------------------------------------------
def _registers(path: Path, feed: Feed, asked: Asked) -> tuple[list[_Register], list[str]]:
    made: list[_Register] = []
    left_out: list[str] = []
    for link, block in feed.blocks.items():
        if not block.starts:
            continue
        only = feed.meter_readings if len(feed.meter_readings) == 1 else {}
        meter = feed.meter_readings.get(link) or next(iter(only.values()), {})
        kind = _type_of(path, feed, meter, link)
        point = meter.get("usage point", "") or next(iter(feed.usage_points), "")
        what = _not_usable(kind, feed.usage_points.get(point, {}))
        title = meter.get("title") or kind.get("title") or "a register"
        if what:
            left_out.append(f"{quoted(title, 40)}: {what}")
            continue
        register = _register(path, block, kind, point, title, asked)
        if register.step_seconds > _LONGEST_SECONDS:
            left_out.append(f"{quoted(title, 40)}: steps of {register.step_seconds / 3600:g} h")
        else:
            made.append(register)
    return made, left_out


def _type_of(path: Path, feed: Feed, meter: dict[str, str], link: str) -> dict[str, str]:
    """Return the reading type a meter reading is linked to, or the only one there is."""
    for related in meter.get("related", "").split(" "):
        if related in feed.reading_types:
            return feed.reading_types[related]
    if len(feed.reading_types) == 1:
        return next(iter(feed.reading_types.values()))
    tails = {known.rpartition("/")[2]: kind for known, kind in feed.reading_types.items()}
    for related in meter.get("related", "").split(" "):
        if (tail := related.rpartition("/")[2]) in tails and "ReadingType" in related:
            return tails[tail]
    text = (
        "no ReadingType"
        if not feed.reading_types
        else f"{len(feed.reading_types)} ReadingTypes and no link to one"
    )
    raise SeriesError(
        f"{path}: the readings of {quoted(link or 'a meter')} have {text}: their unit is unknown; "
        "download the whole file again"
    )


def _code(kind: dict[str, str], name: str, absent: int) -> int:
    try:
        return int(kind.get(name, absent))
    except ValueError:
        return absent


def _not_usable(kind: dict[str, str], point: dict[str, str]) -> str:
    """Say why readings are no electricity of an interval; empty where they are."""
    if _code(kind, "commodity", 1) not in _COMMODITIES or _code(point, "kind", 0) != 0:
        return "not electricity"
    unit = _code(kind, "uom", -1)
    if unit not in {_ENERGY, _POWER}:
        return f"in {_UNITS.get(unit, f'unit {unit}')}, not Wh or W"
    if _code(kind, "flowDirection", 1) not in _FLOWS:
        return f"flow direction {kind.get('flowDirection')}"
    if unit == _POWER and _code(kind, "kind", 0) == _DEMAND:
        return "highest demand, not mean power"
    return ""


def _register(  # noqa: PLR0913, PLR0917 - what one register is made of
    path: Path, block: Block, kind: dict[str, str], point: str, title: str, asked: Asked
) -> _Register:
    flow = _FLOWS[_code(kind, "flowDirection", 1)]
    power_of_ten = _code(kind, "powerOfTenMultiplier", 0)
    dial = _code(kind, "accumulationBehaviour", 4) in _DIALS
    starts = np.array(block.starts, dtype=np.int64)
    seconds = np.array(block.seconds, dtype=np.int64)
    # integers first, so that 199,563 Wh stay 199,563
    values = (
        np.array(block.raw, dtype=np.float64) * 10.0 ** max(power_of_ten, 0) / 10.0 ** max(-power_of_ten, 0)
    )
    length = _code(kind, "intervalLength", 0)
    seconds = np.where(seconds > 0, seconds, length)
    default = _code(kind, "defaultQuality", -1)
    estimated = np.array([is_estimated(mark, default) for mark in block.quality], dtype=bool)
    where = [f"line {line}" for line in block.lines]
    facts: list[str] = []
    if dial:
        starts, seconds, values, estimated, where = _differences(
            path, starts, seconds, values, estimated, where
        )
        facts.append(f"{flow}: a dial's running total; its differences are the energy")
    if (seconds <= 0).any():
        at = int(np.argmax(seconds <= 0))
        raise SeriesError(
            f"{path}: {where[at]}: the reading has no duration, and its type no "
            "intervalLength; download the file again"
        )
    if _code(kind, "uom", _ENERGY) == _POWER:
        values = values * seconds / 3600
        facts.append(f"{flow}: mean power in W")
    if flow != "net" and (values < 0).any():
        at = int(np.argmax(values < 0))
        text = f"a negative reading in a register that runs one way ({values[at]:g} Wh)"
        raise SeriesError(f"{path}: {where[at]}: {text}; ask the utility what it means")
    intervals, dropped = in_order(path, starts, seconds, values / 1000.0, estimated, where, asked)
    if dropped:
        facts.append(f"{flow}: {dropped:,} readings stood there twice with the same value; each is used once")
    lengths, counts = np.unique(intervals.seconds, return_counts=True)
    return _Register(point, flow, intervals, int(lengths[np.argmax(counts)]), title, tuple(facts))


def _differences(  # noqa: PLR0913, PLR0917 - one row of arrays
    path: Path, starts: Ints, seconds: Ints, values: Floats, estimated: Flags, where: list[str]
) -> tuple[Ints, Ints, Floats, Flags, list[str]]:
    """Turn a dial's readings, each at the end of its period, into the energy between them."""
    ends = starts + seconds
    order = np.argsort(ends, kind="stable")
    ends, values, estimated = ends[order], values[order], estimated[order]
    steps = np.diff(values)
    if len(ends) < 2:
        raise SeriesError(f"{path}: a dial read once shows no energy; two readings or more are needed")
    if (steps < 0).any():
        last = int(np.argmax(steps < 0)) + 1
        at = int(order[last])
        raise SeriesError(
            f"{path}: {where[at]}: the dial falls (to {values[last]:g}): the meter was exchanged or passed its highest "
            "figure, or these are no dial readings; ask the utility for interval data (accumulationBehaviour 4)"
        )
    return ends[:-1], np.diff(ends), steps, estimated[1:], [where[at] for at in order[1:].tolist()]


def _chosen_points(
    path: Path, points: Sequence[str], registers: Sequence[_Register], asked: Asked
) -> list[str]:
    """Return the usage points to use: the only one, the one named, or all."""
    wanted = asked.usage_point
    if len(points) == 1 or wanted == "all":
        return list(points)
    if wanted is not None and wanted.isdigit() and 1 <= int(wanted) <= len(points):
        return [points[int(wanted) - 1]]
    lines = []
    for number, point in enumerate(points, start=1):
        energy = ", ".join(
            f"{each.flow} {np.nansum(each.intervals.kwh):,.0f} kWh in steps of {each.step_seconds // 60} min"
            for each in registers
            if each.usage_point == point
        )
        lines.append(f"  {number}: {energy}")
    seen = "" if wanted is None else f" (got {wanted!r})"
    text = (
        f"holds {len(points)} usage points (meters){seen}; add --usage-point NUMBER, or all to add them up:"
    )
    raise SeriesError("\n".join([f"{path}: {text}", *lines]))


def _of_each_meter(path: Path, parts: Sequence[_Register], doubts: list[str]) -> list[_Register]:
    """Keep one register of each meter: the one in the shortest steps; others say the same energy again."""
    kept = []
    for point in dict.fromkeys(register.usage_point for register in parts):
        own = [register for register in parts if register.usage_point == point]
        finest = min(register.step_seconds for register in own)
        best = [register for register in own if register.step_seconds == finest]
        for register in own:
            if not any(register is one for one in best):  # by identity: their arrays differ in length
                doubts.append(  # noqa: PERF401 - each with its reason
                    f"left out: {quoted(register.title, 40)}, the same {register.flow} in steps of "
                    f"{register.step_seconds // 60} min, {np.nansum(register.intervals.kwh):,.0f} kWh"
                )
        kept.append(best[0] if len(best) == 1 else _one_after_another(path, best))
    return kept


def _one_after_another(path: Path, parts: Sequence[_Register]) -> _Register:
    """Join registers that cover different times, as feeds do that start a new resource every month."""
    every = [part.intervals for part in parts]
    where = [quoted(part.title, 40) for part in parts for _ in part.intervals.starts]
    joined, _ = in_order(
        path,
        np.concatenate([each.starts for each in every]),
        np.concatenate([each.seconds for each in every]),
        np.concatenate([each.kwh for each in every]),
        np.concatenate([each.estimated for each in every]),
        where,
        Asked(),
    )
    first = parts[0]
    return _Register(first.usage_point, first.flow, joined, first.step_seconds, first.title, first.facts)


def _added(path: Path, parts: Sequence[_Register]) -> Intervals:
    """Add meters up, reading by reading."""
    first = parts[0].intervals
    for part in parts[1:]:
        other = part.intervals
        if not (np.array_equal(first.starts, other.starts) and np.array_equal(first.seconds, other.seconds)):
            raise SeriesError(
                f"{path}: the meters are not read at the same times; import each with --usage-point NUMBER"
            )
        first = Intervals(
            first.starts, first.seconds, first.kwh + other.kwh, first.estimated | other.estimated
        )
    return first


# ---- clock -------------------------------------------------------------------------------------------------
def _zone(path: Path, feed: Feed, flows: dict[Flow, Intervals], asked: Asked) -> tuple[str, str]:
    """Return the home's zone and how it is known."""
    if asked.time_zone is not None:
        return asked.time_zone, f"shown on the clock of {asked.time_zone}, as you said"
    try:
        standard = int(feed.clock["tzOffset"])
        saving = int(feed.clock.get("dstOffset", 0))
        starts, ends = (
            espi_rules.decode(feed.clock.get(name, "0")) for name in ("dstStartRule", "dstEndRule")
        )
    except (KeyError, ValueError):
        raise SeriesError(
            f"{path}: does not state the home's clock; add --time-zone, such as America/Toronto"
        ) from None
    edges = [int(each.starts[at]) for each in flows.values() for at in (0, -1)]
    years = range(_year(min(edges)), _year(max(edges)) + 1)
    zone = espi_rules.same_clock(standard, saving, starts, ends, years)
    if zone is None:
        text = f"states a clock of UTC{standard / 3600:+g} h that is none of the usual ones"
        raise SeriesError(f"{path}: {text}; add --time-zone, such as America/Toronto")
    return (
        zone,
        f"the file states the clock of {zone} (UTC{standard / 3600:+g} h, with its summer-time rules)",
    )


def _year(moment: int) -> int:
    return dt.datetime.fromtimestamp(moment, dt.UTC).year


def _on_wall_clock(
    flows: dict[Flow, Intervals], zone: str, asked: Asked
) -> tuple[dict[Flow, Intervals], tuple[list[str], list[str]]]:
    """Move readings whose utility wrote the local clock as if it were UTC, on request; else point it out."""
    offset = standard_offset(ZoneInfo(zone), _year(int(next(iter(flows.values())).starts[0])))
    if asked.clock == "standard":
        moved = {
            flow: Intervals(each.starts - offset, each.seconds, each.kwh, each.estimated)
            for flow, each in flows.items()
        }
        return moved, (
            [f"starts are local standard time written as UTC, as you said: moved by {-offset / 3600:+g} h"],
            [],
        )
    first = next(iter(flows.values())).starts[:1]
    as_is, as_local = (on_wall(moments, zone)[0] % 86_400 for moments in (first, first - offset))
    if offset and as_is and not as_local:
        text = "its first reading starts at midnight only if the local clock was written"
        return flows, (
            [],
            [
                f"{text} as if it were UTC, as some utilities do. If nights look like evenings, add --clock standard"
            ],
        )
    return flows, ([], [])
