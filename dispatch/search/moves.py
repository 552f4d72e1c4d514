"""Neighbours of a plan: what one change of windows, levels or reserve makes of it, never with an overlap."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

from dispatch.settings.card import ChargeWindow, DayPlan, Window
from tariffs.reading.clock import MINUTES_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from dispatch.settings.space import Space


JOINT_POINTS = 12  # and on so many where reserves are tried with them

PAIR_POINTS = (
    24  # all pairs of edges are tried on at most this many points of the clock; finer edges come later
)


def apart(plan: DayPlan, space: Space, *, charge_wins: bool) -> DayPlan | None:
    """Return the plan with overlaps cut away from the other kind of window; None if that takes too many windows.

    Windows of one kind that overlap or touch become one (charge windows only at the same level).
    """
    grain = space.grain_minutes
    charge = [(_cells(w.start, w.end, grain), w.to_percent) for w in plan.charge]
    giving = 0
    for window in plan.discharge:
        giving |= _cells(window.start, window.end, grain)
    taking = 0
    for cells, _ in charge:
        taking |= cells
    if charge_wins:
        giving &= ~taking
    filled: list[ChargeWindow] = []
    taken = 0 if charge_wins else giving
    for level in sorted(
        {level for _, level in charge}, reverse=True
    ):  # where two overlap the higher level holds
        own = 0
        for cells, other in charge:
            own |= cells if other == level else 0
        filled += [ChargeWindow(start, end, level) for start, end in _spans(own & ~taken, grain)]
        taken |= own
    discharge = _spans(giving, grain)
    if len(filled) > space.charge_windows or len(discharge) > space.discharge_windows:
        return None
    return DayPlan(
        tuple(sorted(filled)), tuple(Window(start, end) for start, end in discharge), plan.reserve_percent
    )


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
            if end != start and not (start and end - start == MINUTES_PER_DAY):
                yield start, end


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
    if index < len(plan.discharge):
        yield replace(plan, discharge=others)
    for start, end in spans:
        moved = replace(plan, discharge=(*others, Window(start, end)))
        if (clear := apart(moved, space, charge_wins=False)) is not None:
            yield clear


def level_moves(plan: DayPlan, space: Space, index: int) -> Iterator[DayPlan]:
    """Every target level of one charge window, together with every place of either edge."""
    if index >= len(plan.charge):
        return
    window, others = plan.charge[index], plan.charge[:index] + plan.charge[index + 1 :]
    spans = {(window.start, window.end)}
    step = space.grain_minutes * max(1, MINUTES_PER_DAY // space.grain_minutes // PAIR_POINTS)
    for edge in range(0, MINUTES_PER_DAY, step):
        if edge != window.end % MINUTES_PER_DAY:
            spans.add((edge, window.end))
        if (edge or MINUTES_PER_DAY) != window.start:
            spans.add((window.start, edge or MINUTES_PER_DAY))
    for level in space.levels:
        if level <= plan.reserve_percent:
            continue
        for start, end in spans:
            moved = replace(plan, charge=(*others, ChargeWindow(start, end, level)))
            if (clear := apart(moved, space, charge_wins=True)) is not None:
                yield clear


def reserve_moves(plan: DayPlan, space: Space) -> Iterator[DayPlan]:
    """Every reserve level; targets below it rise with it."""
    for reserve in space.reserves:
        charge = tuple(replace(window, to_percent=max(window.to_percent, reserve)) for window in plan.charge)
        yield replace(plan, reserve_percent=reserve, charge=charge)


def reserve_and_discharge_moves(plan: DayPlan, space: Space) -> Iterator[DayPlan]:
    """Every reserve together with every single discharge window, on a coarser clock.

    Where a backup target binds, a window is worth having only with a higher reserve, and that only with the window.
    """
    spans = tuple(pairs(space, JOINT_POINTS))
    for raised in reserve_moves(plan, space):
        yield from discharge_moves(replace(raised, discharge=()), space, spans, 0)


def fine_moves(plan: DayPlan, space: Space) -> Iterator[DayPlan]:
    """Small changes of everything: edges by up to two grains, levels by up to two steps, windows left out."""
    for index, window in enumerate(plan.charge):
        yield from charge_moves(plan, space, near(window, space, 2), index)
        at = _nearest(space.levels, window.to_percent)
        others = plan.charge[:index] + plan.charge[index + 1 :]
        for level in space.levels[max(at - 2, 0) : at + 3]:
            if level >= plan.reserve_percent:
                yield replace(plan, charge=tuple(sorted((*others, replace(window, to_percent=level)))))
    for index, stretch in enumerate(plan.discharge):
        yield from discharge_moves(plan, space, near(stretch, space, 2), index)
    yield from reserve_moves(plan, space)


def _nearest(levels: tuple[float, ...], level: float) -> int:
    return min(range(len(levels)), key=lambda i: abs(levels[i] - level))
