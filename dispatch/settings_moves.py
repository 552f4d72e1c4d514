"""Neighbours of a plan: what one change of windows, levels or reserve makes of it, never with an overlap."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from dispatch.settings import MINUTES_PER_DAY, ChargeWindow, DayPlan, Window

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from dispatch.settings import Space

PAIR_POINTS = (
    24  # all pairs of edges are tried on at most this many points of the clock; finer edges come later
)


def apart(plan: DayPlan, space: Space, *, charge_wins: bool) -> DayPlan | None:
    """Return the plan with overlaps cut away from the other kind of window; None if that takes too many windows.

    Windows of one kind that overlap or touch become one (charge windows only at the same level).
    """
    charge, discharge = list(plan.charge), list(plan.discharge)
    if charge_wins:
        discharge = [piece for window in discharge for piece in _without(window, charge, space)]
    else:
        charge = [
            ChargeWindow(piece.start, piece.end, window.to_percent)
            for window in charge
            for piece in _without(window, discharge, space)
        ]
    merged = _merged(discharge, space)
    levels = sorted({window.to_percent for window in charge}, reverse=True)
    filled: list[ChargeWindow] = []
    for level in levels:  # where two levels overlap the higher holds: cut the lower
        own = _merged([w for w in charge if w.to_percent == level], space)
        filled += [ChargeWindow(p.start, p.end, level) for w in own for p in _without(w, list(filled), space)]
    if len(filled) > space.charge_windows or len(merged) > space.discharge_windows:
        return None
    return DayPlan(tuple(sorted(filled)), tuple(sorted(merged)), plan.reserve_percent)


def _cells(window: Window, space: Space) -> set[int]:
    grain, grains = space.grain_minutes, MINUTES_PER_DAY // space.grain_minutes
    return {(window.start // grain + i) % grains for i in range(window.minutes // grain)}


def _of_cells(cells: set[int], space: Space) -> list[Window]:
    grain, grains = space.grain_minutes, MINUTES_PER_DAY // space.grain_minutes
    if len(cells) == grains:
        return [Window(0, MINUTES_PER_DAY)]
    windows = []
    for start in sorted(cell for cell in cells if (cell - 1) % grains not in cells):
        end = start
        while end % grains in cells:
            end += 1
        windows.append(Window(start * grain, (end - 1) % grains * grain + grain))
    return windows


def _without(window: Window, others: Iterable[Window], space: Space) -> list[Window]:
    cells = _cells(window, space)
    taken = set().union(*(_cells(other, space) for other in others))
    return _of_cells(cells - taken, space) if cells & taken else [window]


def _merged(windows: Iterable[Window], space: Space) -> list[Window]:
    return _of_cells(set().union(*(_cells(window, space) for window in windows)), space)


def pairs(space: Space) -> Iterator[tuple[int, int]]:
    """Every window of the clock on a grid of at most ``PAIR_POINTS`` points: (start, end) in minutes."""
    grain = space.grain_minutes
    while MINUTES_PER_DAY // grain > PAIR_POINTS:
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
