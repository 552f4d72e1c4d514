"""The best sides of every step by a sweep over the stored level: exact where nothing but the level joins the steps.

Backwards in time, what is owed from the end of step t-1 on with the level s in the battery is ::

    owed[t](s) = least of cost[t](Δ) + owed[t+1](keep·s + Δ)      over  Δ within the step's own limits,
                                                                        Δ ≤ taper·(full - s),
                                                                        lowest[t] ≤ keep·s + Δ ≤ highest[t]

``cost[t]`` is the lower of several convex functions (`curves`). Both functions are piecewise linear and not convex, so
the least lies at a corner of one of them or where the taper binds. The new function is worked out at every level at
which one of these candidates bends upwards, and where two of them cross; between such levels it lies on or above its
chords. So the chords are a **lower bound**, and what is lost by leaving out corners that hardly bend is counted. The
level ``start`` then owes no more than any schedule costs: the bound. Forwards, the best change of every step gives the
sides, and the program itself, with these sides fixed, the schedule.

A general solver has to branch on every step: where selling earns more than buying costs it never ends.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dispatch.errors import SolveError
from dispatch.program.curves import choices

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.arrays import Flags, Floats, Ints
    from dispatch.program.curves import Choice
    from dispatch.program.program import Program
    from dispatch.program.watch import Watch


EDGE_KWH = 1e-9  # by so much a level or change may lie outside: more is allowed, never less
BESIDE_KWH = 1e-7  # a function that drops at a side's end is told apart this far from it
CROSSINGS = 6  # rounds in which crossings of candidates are looked for
FINE = 400.0  # a step may lose this share of its part of what the bound may lie too low; finer costs no time
LOOK_STEPS = 200  # steps between two looks at the watch
DUST = 1e-8  # of the dearest price, a step: what the solver's tolerance may make a step's cost too high by


class Line(NamedTuple):
    """A piecewise linear function: corners by rising ``x``."""

    x: Floats
    y: Floats

    def bends_up(self) -> Flags:
        """Tell which corners bend upwards; the ends count as such."""
        up = np.ones(len(self.x), dtype=bool)
        if len(self.x) > 2:
            up[1:-1] = np.diff(np.diff(self.y) / np.diff(self.x)) > 0
        return up

    def outside(self, x: Floats) -> Flags:
        """Tell where the function is not."""
        return np.asarray((x < self.x[0] - EDGE_KWH) | (x > self.x[-1] + EDGE_KWH))

    def __call__(self, x: Floats) -> Floats:
        """Return its values; infinity where it is not."""
        return np.where(self.outside(x), np.inf, np.interp(x, self.x, self.y))


class Swept(NamedTuple):
    """What no schedule can cost less than, and the value of every whole column on the way to that."""

    bound: float
    whole: Floats


def sweep(program: Program, costs: Floats, watch: Watch, exact: float) -> Swept | None:
    """Find the best sides of every step for these costs, under the present bounds.

    Parameters
    ----------
    program : Program
        One of which `curves.has_sides_only` holds.
    costs : array, shape (columns,)
    watch : Watch
    exact : float
        How far, in all, the bound may lie below the best. [money]

    Returns
    -------
    Swept or None
        None if the watch was over, or no level can be reached.
    """
    try:
        ways = choices(program, costs)
    except SolveError:
        return None
    levels = _Levels(program, exact / (FINE * program.steps))
    found = levels.back(ways, watch)
    if found is None:
        return None
    owed, own = found
    bound = float(owed[0](np.array([levels.start]))[0]) - levels.lost
    bound -= DUST * program.steps * max(float(np.abs(costs).max()), 1.0)
    return Swept(bound, _sides(program, ways, levels.forward(owed, own)))


class _Levels:
    """The sweep."""

    def __init__(self, program: Program, fine: float) -> None:
        algebra, limits = program.algebra, program.case.limits
        self.keep, self.taper, self.full = algebra.keep, algebra.taper, limits.full_kwh
        self.start, self.count, self.fine, self.lost = limits.start_kwh, program.steps, fine, 0.0
        bounds, columns, rows = program.warm.bounds, program.columns, program.rows
        stored, short, floor = columns["stored"], columns["floor_shortfall"], rows["floor"]
        low = np.maximum(bounds.lower[stored], bounds.row_lower[floor] - bounds.upper[short])
        high = np.minimum(bounds.upper[stored], bounds.row_upper[floor] - bounds.lower[short])
        closing = bounds.row_lower[rows["closing"]] - bounds.upper[columns["closing_shortfall"]]
        low[-1] = max(low[-1], float(closing[0]))
        self.low, self.high = np.append(self.start, low), np.append(self.start, high)

    def back(self, ways: Sequence[Choice], watch: Watch) -> tuple[list[Line], list[Line]] | None:
        """Return what is owed from every level, by step, and each step's own cost; None if that cannot be."""
        ends = np.unique([self.low[-1], max(self.high[-1], self.low[-1])])
        owed, own = [Line(ends, np.zeros(len(ends)))], []
        for t in range(self.count - 1, -1, -1):
            if t % LOOK_STEPS == 0 and watch.over:
                return None
            cost = self._lower_of([Line(*way.at(t)) for way in ways if np.isfinite(way.change_kwh[t, 0])])
            before = None if cost is None else self._before(t, cost, owed[-1])
            if cost is None or before is None:
                return None
            owed.append(before)
            own.append(cost)
        return owed[::-1], own[::-1]

    def _lower_of(self, lines: Sequence[Line]) -> Line | None:
        """Return the lower of a step's functions; between two that do not meet, the chord, which is no higher."""
        if len(lines) < 2:
            return lines[0] if lines else None
        corners = np.unique(np.concatenate([line.x for line in lines]))
        ends = np.array([(line.x[0] - BESIDE_KWH, line.x[-1] + BESIDE_KWH) for line in lines]).ravel()
        corners = np.union1d(corners, ends[(ends > corners[0]) & (ends < corners[-1])])
        values = np.array([line(corners) for line in lines])
        crossings = [_crossings(corners, values[i], values[j]) for i in range(len(lines)) for j in range(i)]
        corners = np.union1d(corners, np.concatenate(crossings))
        lowest = np.min([line(corners) for line in lines], axis=0)
        there = np.isfinite(lowest)
        return self._simpler(Line(corners[there], lowest[there]))

    def _before(self, t: int, cost: Line, owed: Line) -> Line | None:
        """Return what is owed before a step with this cost, from what is owed after it."""
        levels = self._bends(t, cost, owed)
        table = self._candidates(levels, cost, owed)
        for _ in range(CROSSINGS):
            more = self._crossed(levels, table)
            if not len(more):
                break
            levels, table = np.append(levels, more), np.vstack([table, self._candidates(more, cost, owed)])
            order = np.argsort(levels, kind="stable")
            levels, table = levels[order], table[order]
        least = table.min(axis=1)
        there = np.isfinite(least)
        return self._simpler(Line(levels[there], least[there])) if there.any() else None

    def _bends(self, t: int, cost: Line, owed: Line) -> Floats:
        """Levels before the step at which one of the candidates may bend upwards, and all that help being exact."""
        sharp, steep = cost.bends_up(), owed.bends_up()
        levels = [
            (owed.x[:, None] - cost.x[sharp]).ravel() / self.keep,
            (owed.x[steep][:, None] - cost.x[~sharp]).ravel() / self.keep,
        ]
        if self.taper:
            levels.append(self.full - cost.x / self.taper)
            if abs(self.keep - self.taper) > 1e-12:
                levels.append((owed.x - self.taper * self.full) / (self.keep - self.taper))
        found = np.round(np.concatenate(levels), 9)
        inside = found[(found > self.low[t]) & (found < self.high[t])]
        return np.union1d(inside, [self.low[t], self.high[t]])

    def _candidates(self, levels: Floats, cost: Line, owed: Line) -> Floats:
        """Price each candidate from each level, shape (levels, candidates); infinity where it cannot be."""
        kept = self.keep * levels
        up = owed.bends_up()
        by_change = owed(kept[:, None] + cost.x) + cost.y
        by_level = owed.x[up] - kept[:, None]
        found = [by_change, cost(by_level) + owed.y[up]]
        if self.taper:
            most = self.taper * (self.full - levels)
            by_change[cost.x > most[:, None] + EDGE_KWH] = np.inf
            found[1][by_level > most[:, None] + EDGE_KWH] = np.inf
            found.append((cost(most) + owed(kept + most))[:, None])
        return np.hstack(found)

    def _crossed(self, levels: Floats, table: Floats) -> Floats:
        """Levels between two others where the best from the left meets the best from the right."""
        if len(levels) < 2:
            return np.empty(0)
        least = table.min(axis=1)
        near = table <= least[:, None] + 1e-9
        left = np.where(near[:-1], table[1:], np.inf).argmin(axis=1)
        right = np.where(near[1:], table[:-1], np.inf).argmin(axis=1)
        at = np.flatnonzero(left != right)
        from_left, of_left = table[at, left[at]], table[at + 1, left[at]]
        from_right, of_right = table[at, right[at]], table[at + 1, right[at]]
        with np.errstate(invalid="ignore", divide="ignore"):
            share = (from_right - from_left) / (from_right - from_left + of_left - of_right)
            chord = least[at] + share * (least[at + 1] - least[at])
            bent = from_left + share * (of_left - from_left) - chord
        worth = np.isfinite(share) & (share > 0) & (share < 1) & (bent > self.fine)
        at, share = at[worth], share[worth]
        return np.asarray(levels[at] + share * (levels[at + 1] - levels[at]))

    def _simpler(self, line: Line) -> Line:
        """Leave out corners that hardly bend; what the line may have risen by is counted as lost."""
        x, y = line
        while len(x) > 2:
            chord = y[:-2] + (y[2:] - y[:-2]) * (x[1:-1] - x[:-2]) / (x[2:] - x[:-2])
            flat = np.flatnonzero(np.abs(chord - y[1:-1]) < self.fine)
            if not len(flat):
                break
            # of neighbours every second one: what a corner is measured by has to stay
            first = np.concatenate(([True], np.diff(flat) > 1))
            place = np.arange(len(flat))
            flat = flat[(place - np.maximum.accumulate(np.where(first, place, 0))) % 2 == 0]
            risen = float(np.max(chord[flat] - y[1:-1][flat]))
            self.lost += max(risen, 0.0)
            x, y = np.delete(x, flat + 1), np.delete(y, flat + 1)
        return Line(x, y)

    def forward(self, owed: Sequence[Line], own: Sequence[Line]) -> Floats:
        """Return the best change of every step, shape (n,). [kWh]."""
        level, changes = self.start, np.empty(self.count)
        for t, cost in enumerate(own):
            kept, after = self.keep * level, owed[t + 1]
            each = np.concatenate([cost.x, after.x - kept, self._most(level)])
            each = each[each <= (self._most(level)[0] if self.taper else np.inf) + EDGE_KWH]
            changes[t] = each[np.argmin(cost(each) + after(kept + each))]
            level = kept + changes[t]
        return changes

    def _most(self, level: float) -> Floats:
        return np.array([self.taper * (self.full - level)]) if self.taper else np.empty(0)


def _crossings(x: Floats, one: Floats, other: Floats) -> Floats:
    """Where two functions with corners at ``x`` cross."""
    both = np.isfinite(one) & np.isfinite(other)
    apart = np.where(both, np.where(both, one, 0.0) - np.where(both, other, 0.0), np.nan)
    at = np.flatnonzero(apart[:-1] * apart[1:] < 0)
    return np.asarray(x[at] + (x[at + 1] - x[at]) * apart[at] / (apart[at] - apart[at + 1]))


def _sides(program: Program, ways: Sequence[Choice], changes: Floats) -> Floats:
    """Return the value of every whole column with which the steps change the level so at the least cost."""
    cheapest = np.full((len(ways), len(changes)), np.inf)
    for place, way in enumerate(ways):
        for t, change in enumerate(changes.tolist()):
            corners = Line(*way.at(t))
            if len(corners.x):
                cheapest[place, t] = corners(np.array([change]))[0]
    picked = cheapest.argmin(axis=0)
    found = np.zeros(len(program.warm.integers))
    kinds, step_of = np.array(program.warm.kinds), _steps_of_integers(program)
    for kind in dict(ways[0].sides):
        values = np.array([dict(way.sides)[kind] for way in ways], dtype=float)
        here = kinds == kind
        found[here] = values[picked[step_of[here]]]
    return found


def _steps_of_integers(program: Program) -> Ints:
    """Return the step of every whole column: that of the first column in its row."""
    matrix, integers = program.warm.matrix, program.warm.integers
    place = np.full(len(program.warm.base.lower), -1)
    place[integers] = np.arange(len(integers))
    entries = np.flatnonzero(place[matrix.indices] >= 0)
    first = matrix.indices[matrix.starts[matrix.owner[entries]]]
    step = np.zeros(len(place), dtype=np.int64)
    for span in program.columns.values():
        if span.stop - span.start == program.steps:
            step[span] = np.arange(program.steps)
    found = np.zeros(len(integers), dtype=np.int64)
    found[place[matrix.indices[entries]]] = step[first]
    return found
