"""Neighbours of a plan: what one change of windows, levels or reserve makes of it, never with an overlap."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

from dispatch.cards.card import ChargeWindow, DayPlan, DischargeWindow, Window
from tariffs.reading.clock import MINUTES_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from dispatch.cards.space import Space


JOINT_POINTS = 12  # and on so many where reserves are tried with them

PAIR_POINTS = (
    24  # all pairs of edges are tried on at most so many points of the clock; finer edges come later
)

LEAST_GAP = 120  # minutes a window leaves out, unless it is all day


def apart(plan: DayPlan, space: Space, *, charge_wins: bool) -> DayPlan | None:
    """Return the plan with overlaps cut away from the other kind of window; None if that takes too many windows.

    Windows of one kind and level that overlap or touch become one; where two levels overlap, the battery is charged
    to the higher and drawn down to the lower. A window that leaves out less than two hours of the day reads as if it
    ran backwards: such plans are None too.
    """
    grain = space.grain_minutes
    charge = [(_cells(w.start, w.end, grain), w.to_percent) for w in plan.charge]
    # the reserve is the lowest level a battery is drawn down to
    giving = [(_cells(w.start, w.end, grain), w.to_percent or 0.0) for w in plan.discharge]
    taking, given = _union(charge), _union(giving)
    filled = _levelled(charge, 0 if charge_wins else given, grain, highest_first=True)
    drained = _levelled(giving, taking if charge_wins else 0, grain, highest_first=False)
    if len(filled) > space.charge_windows or len(drained) > space.discharge_windows:
        return None
    if any(
        MINUTES_PER_DAY - LEAST_GAP < Window(a, b).minutes < MINUTES_PER_DAY
        for a, b, _ in (*filled, *drained)
    ):
        return None
    return DayPlan(
        tuple(ChargeWindow(a, b, level) for a, b, level in filled),
        tuple(DischargeWindow(a, b, level or None) for a, b, level in drained),
        plan.reserve_percent,
    )


def _union(windows: Iterable[tuple[int, float]]) -> int:
    cells = 0
    for own, _ in windows:
        cells |= own
    return cells


def _levelled(
    windows: Sequence[tuple[int, float]], taken: int, grain: int, *, highest_first: bool
) -> list[tuple[int, int, float]]:
    """Windows (start, end, level) of one kind, each grain of the clock in one of them, outside ``taken``."""
    found: list[tuple[int, int, float]] = []
    for level in sorted({level for _, level in windows}, reverse=highest_first):
        own = _union((cells, other) for cells, other in windows if other == level)
        found += [(start, end, level) for start, end in _spans(own & ~taken, grain)]
        taken |= own
    return sorted(found)


@lru_cache(maxsize=65_536)
def _cells(start: int, end: int, grain: int) -> int:
    """Grains of the clock in a window, as bits."""
    first, count, grains = start // grain, Window(start, end).minutes // grain, MINUTES_PER_DAY // grain
    run = ((1 << count) - 1) << first
    return (run | run >> grains) & ((1 << grains) - 1)


@lru_cache(maxsize=65_536)
def _spans(cells: int, grain: int) -> tuple[tuple[int, int], ...]:
    """Windows (start, end) that these grains make, in the order of the clock; a run across midnight is one."""
    grains = MINUTES_PER_DAY // grain
    if cells == (1 << grains) - 1:
        return ((0, MINUTES_PER_DAY),)
    found = []
    for start in range(grains):
        if cells >> start & 1 and not cells >> (start - 1) % grains & 1:
            end = start
            while cells >> end % grains & 1:
                end += 1
            found.append((start * grain, (end - 1) % grains * grain + grain))
    return tuple(found)


def pairs(space: Space, points_at_most: int = PAIR_POINTS) -> Iterator[tuple[int, int]]:
    """Every window of the clock on a grid of at most so many points: (start, end) in minutes."""
    grain = space.grain_minutes
    while MINUTES_PER_DAY // grain > points_at_most:
        grain *= 2
    points = range(0, MINUTES_PER_DAY, grain)
    for start in points:
        for end in range(grain, MINUTES_PER_DAY + 1, grain):
            if end != start and not (start and end - start == MINUTES_PER_DAY) and _reads_well(start, end):
                yield start, end


def _reads_well(start: int, end: int) -> bool:
    return not MINUTES_PER_DAY - LEAST_GAP < Window(start, end).minutes < MINUTES_PER_DAY


def near(window: Window, space: Space, reach: int) -> Iterator[tuple[int, int]]:
    """Move either edge, or both together, by up to ``reach`` grains."""
    grain = space.grain_minutes
    shifts = [(a, b) for a in range(-reach, reach + 1) for b in range(-reach, reach + 1)]
    for a, b in shifts:
        start = (window.start + a * grain) % MINUTES_PER_DAY
        end = (window.end + b * grain - 1) % MINUTES_PER_DAY + 1
        if start != end and start != end % MINUTES_PER_DAY:
            yield start, end


def charge_moves(
    plan: DayPlan, space: Space, spans: Iterable[tuple[int, int]], index: int
) -> Iterator[DayPlan]:
    """Put the charge window ``index`` (a new one if there is none yet) on each span; or take it away."""
    if index >= space.charge_windows:
        return
    others = plan.charge[:index] + plan.charge[index + 1 :]
    level = plan.charge[index].to_percent if index < len(plan.charge) else space.levels[-1]
    if index < len(plan.charge):
        yield replace(plan, charge=others)
    for start, end in spans:
        moved = replace(plan, charge=(*others, ChargeWindow(start, end, level)))
        if (clear := apart(moved, space, charge_wins=True)) is not None:
            yield clear


def discharge_moves(
    plan: DayPlan, space: Space, spans: Iterable[tuple[int, int]], index: int
) -> Iterator[DayPlan]:
    """Put the discharge window ``index`` (a new one if there is none yet) on each span; or take it away."""
    if index >= space.discharge_windows:
        return
    others = plan.discharge[:index] + plan.discharge[index + 1 :]
    level = plan.discharge[index].to_percent if index < len(plan.discharge) else None
    if index < len(plan.discharge):
        yield replace(plan, discharge=others)
    for start, end in spans:
        moved = replace(plan, discharge=(*others, DischargeWindow(start, end, level)))
        if (clear := apart(moved, space, charge_wins=False)) is not None:
            yield clear


def level_moves(plan: DayPlan, space: Space, index: int) -> Iterator[DayPlan]:
    """Every target level of one charge window, together with every place of either edge."""
    if index >= len(plan.charge):
        return
    window, others = plan.charge[index], plan.charge[:index] + plan.charge[index + 1 :]
    for level in space.levels:
        if level <= plan.reserve_percent:
            continue
        for start, end in _either_edge(window, space):
            moved = replace(plan, charge=(*others, ChargeWindow(start, end, level)))
            if (clear := apart(moved, space, charge_wins=True)) is not None:
                yield clear


def _either_edge(window: Window, space: Space) -> Iterator[tuple[int, int]]:
    """Yield the window, and it with one of its edges anywhere on a coarse clock."""
    step = space.grain_minutes * max(1, MINUTES_PER_DAY // space.grain_minutes // PAIR_POINTS)
    yield window.start, window.end
    for edge in range(0, MINUTES_PER_DAY, step):
        if edge not in {window.start, window.end % MINUTES_PER_DAY}:
            yield edge, window.end
            yield window.start, edge or MINUTES_PER_DAY


def split_charge_moves(plan: DayPlan, space: Space, index: int) -> Iterator[DayPlan]:
    """Cut a charge window in two at any place: one part keeps its level, the other has any other level."""
    if index >= len(plan.charge) or len(plan.charge) >= space.charge_windows:
        return
    window, others = plan.charge[index], plan.charge[:index] + plan.charge[index + 1 :]
    for first, last in _cuts(window, space):
        for level in space.levels:
            if level <= plan.reserve_percent or level == window.to_percent:
                continue
            for own, new in ((first, last), (last, first)):
                parts = ChargeWindow(*own, window.to_percent), ChargeWindow(*new, level)
                clear = apart(replace(plan, charge=(*others, *parts)), space, charge_wins=True)
                if clear is not None:
                    yield clear


def _cuts(window: Window, space: Space) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    """Both parts (start, end) of a window cut anywhere on a coarse clock."""
    step = space.grain_minutes * max(1, MINUTES_PER_DAY // space.grain_minutes // PAIR_POINTS)
    for edge in range(0, MINUTES_PER_DAY, step):
        if 0 < (edge - window.start) % MINUTES_PER_DAY < window.minutes:
            yield (window.start, edge or MINUTES_PER_DAY), (edge, window.end)


def drain_moves(plan: DayPlan, space: Space, index: int) -> Iterator[DayPlan]:
    """Every level of one discharge window, with every place of either edge; where the device has such levels.

    A window that is not there yet is put everywhere on a coarser clock, at every level.
    """
    if not space.discharge_levels or index >= space.discharge_windows:
        return
    if index >= len(plan.discharge):
        for level in _drain_levels(plan, space):
            for start, end in pairs(space, JOINT_POINTS):
                added = replace(plan, discharge=(*plan.discharge, DischargeWindow(start, end, level)))
                if (clear := apart(added, space, charge_wins=False)) is not None:
                    yield clear
        return
    window, others = plan.discharge[index], plan.discharge[:index] + plan.discharge[index + 1 :]
    for level in _drain_levels(plan, space):
        for start, end in _either_edge(window, space):
            moved = replace(plan, discharge=(*others, DischargeWindow(start, end, level)))
            if (clear := apart(moved, space, charge_wins=False)) is not None:
                yield clear


def split_moves(plan: DayPlan, space: Space, index: int) -> Iterator[DayPlan]:
    """Cut a discharge window in two at any place: one part keeps its level, the other has any other level."""
    if index >= len(plan.discharge) or len(plan.discharge) >= space.discharge_windows:
        return
    if not space.discharge_levels:
        return
    window, others = plan.discharge[index], plan.discharge[:index] + plan.discharge[index + 1 :]
    for first, last in _cuts(window, space):
        for level in _drain_levels(plan, space):
            if level == window.to_percent:
                continue
            for own, new in ((first, last), (last, first)):
                parts = DischargeWindow(*own, window.to_percent), DischargeWindow(*new, level)
                clear = apart(replace(plan, discharge=(*others, *parts)), space, charge_wins=False)
                if clear is not None:
                    yield clear


def _drain_levels(plan: DayPlan, space: Space) -> Iterator[float | None]:
    yield None
    yield from (level for level in space.levels if level > plan.reserve_percent)


def lower_reserve_moves(
    plan: DayPlan, space: Space, reserves: Iterable[float], safe: float
) -> Iterator[DayPlan]:
    """Lower the reserve, and guard some hours with a level instead: a whole window, or its first or last part.

    A reserve in hours asks for little before dawn and much in the evening. One reserve for all hours is the highest
    of them; a level for each discharge window can follow the clock.
    """
    if not space.discharge_levels:
        return
    for reserve in (level for level in reserves if level < plan.reserve_percent):
        lower = replace(plan, reserve_percent=reserve)
        guarded = tuple(replace(w, to_percent=max(w.to_percent or 0.0, safe)) for w in plan.discharge)
        yield replace(lower, discharge=guarded)
        for index, window in enumerate(guarded):
            others = guarded[:index] + guarded[index + 1 :]
            for own, other in _cuts(window, space):
                first, last = (DischargeWindow(*part, window.to_percent) for part in (own, other))
                for parts in (
                    (first, replace(last, to_percent=None)),
                    (replace(first, to_percent=None), last),
                ):
                    clear = apart(replace(lower, discharge=(*others, *parts)), space, charge_wins=False)
                    if clear is not None:
                        yield clear


def at_reserve(plan: DayPlan, reserve: float) -> DayPlan:
    """Return the plan with another reserve; targets below it rise with it, levels at or below it become it."""
    charge = tuple(replace(window, to_percent=max(window.to_percent, reserve)) for window in plan.charge)
    discharge = tuple(
        window
        if window.to_percent is None or window.to_percent > reserve
        else replace(window, to_percent=None)
        for window in plan.discharge
    )
    return replace(plan, reserve_percent=reserve, charge=charge, discharge=discharge)


def reserve_moves(plan: DayPlan, reserves: Iterable[float]) -> Iterator[DayPlan]:
    """Every reserve level."""
    for reserve in reserves:
        yield at_reserve(plan, reserve)


def reserve_and_discharge_moves(plan: DayPlan, space: Space, reserves: Iterable[float]) -> Iterator[DayPlan]:
    """Every reserve together with every single discharge window, on a coarser clock.

    Where a backup target binds, a window is worth having only with a higher reserve, and that only with the window.
    """
    spans = tuple(pairs(space, JOINT_POINTS))
    for raised in reserve_moves(plan, reserves):
        yield from discharge_moves(replace(raised, discharge=()), space, spans, 0)


def fine_moves(plan: DayPlan, space: Space, reserves: Iterable[float]) -> Iterator[DayPlan]:
    """Small changes of everything: edges by up to two grains, levels by up to two steps, windows left out."""
    for index, window in enumerate(plan.charge):
        yield from charge_moves(plan, space, near(window, space, 2), index)
        others = plan.charge[:index] + plan.charge[index + 1 :]
        for level in _close(space.levels, window.to_percent):
            if level >= plan.reserve_percent:
                yield replace(plan, charge=tuple(sorted((*others, replace(window, to_percent=level)))))
    for index, stretch in enumerate(plan.discharge):
        yield from discharge_moves(plan, space, near(stretch, space, 2), index)
        if space.discharge_levels:
            own = plan.reserve_percent if stretch.to_percent is None else stretch.to_percent
            for drain in (None, *_close(space.levels, own)):
                if drain is None or drain > plan.reserve_percent:
                    changed = replace(stretch, to_percent=drain)
                    rest = (*plan.discharge[:index], changed, *plan.discharge[index + 1 :])
                    yield replace(plan, discharge=rest)
    yield from reserve_moves(plan, reserves)


def _close(levels: tuple[float, ...], level: float) -> tuple[float, ...]:
    """Levels up to two steps away."""
    at = min(range(len(levels)), key=lambda i: abs(levels[i] - level))
    return levels[max(at - 2, 0) : at + 3]
