"""What a stored kWh is worth, step by step backward, and the schedule it makes forward.

With ``x`` the level at the end of a step, ``u`` its change by the step's flows, ``f`` the step's curve, ``c`` the
price of a level, all prices vectors with one entry per stage::

    W[t](x)   = V[t](x) + c[t]·x                  on  low[t] ≤ x ≤ high[t];   V[n-1] = 0
    V[t-1](p) = min over u of  f[t](u) + W[t](x)  with  x = keep·p + u,  u ≤ taper·(full - p)

All are convex and straight between few points, so V is found by walking along both: as p grows, either x grows with
it or u shrinks, whichever costs less; where a tapering charge is at its limit both move. Every straight part of f has
one level at which it stops being worth while. These levels are all that is kept; the way forward follows them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dispatch.sweep.compiled import compiled
from dispatch.sweep.simplex import SAME

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.sweep.step_curves import Curves


EDGE_KWH = 1e-9  # how far beyond the levels that can be the start may lie
SHORT_KWH = 1e-12  # a shorter part is none
MOST_PARTS = 1 << 16  # of V; the most seen in a year of quarter hours is about 800


class Store(NamedTuple):
    """What the hardware makes of a level in a step.

    Attributes
    ----------
    keep : float
        Share of the level that a step leaves.
    taper : float
        Share of the distance to ``full`` that a step may charge; 0 = no limit.
    full_kwh, start_kwh : float
    """

    keep: float
    taper: float
    full_kwh: float
    start_kwh: float


class Convex(NamedTuple):
    """A convex function of the level, straight between its points: its slopes, and its value at the first point."""

    points: Floats
    slopes: Floats
    at_first: Floats


def swept(
    curves: Curves, store: Store, low: Floats, high: Floats, prices: Floats
) -> tuple[Floats, Floats] | None:
    """Sweep backward over all steps.

    Parameters
    ----------
    curves : Curves
    store : Store
    low, high : array, shape (n,)
        Bounds of the level at the end of each step. [kWh]
    prices : array, shape (n, stages)
        Of a kWh stored at the end of each step.

    Returns
    -------
    stops : array, shape (points,)
        Of each straight part of each curve the level at which it ends.
    value : array, shape (stages,)
        The least cost from the start.
        None if there is no way from the start to the end, or too many parts.
    """
    stages = prices.shape[1]
    v, w = (Convex(np.empty(MOST_PARTS), np.empty((MOST_PARTS, stages)), np.zeros(stages)) for _ in range(2))
    stops = np.zeros(len(curves.levels))
    return (stops, v.at_first) if _backward(curves, store, low, high, prices, v, w, stops) else None


@compiled
def _sign(a: Floats, b: Floats) -> int:
    """Return the sign of the first entry of a + b that is not nothing."""
    for stage in range(len(a)):
        if abs(a[stage] + b[stage]) > SAME:
            return 1 if a[stage] + b[stage] > 0.0 else -1
    return 0


@compiled
def _add(to: Floats, what: Floats, times: float) -> None:
    for stage in range(len(to)):
        to[stage] += times * what[stage]


@compiled
def _backward(  # noqa: PLR0913, PLR0917
    curves: Curves,
    store: Store,
    low: Floats,
    high: Floats,
    prices: Floats,
    v: Convex,
    w: Convex,
    stops: Floats,
) -> bool:
    n = len(low)
    v.points[0], v.points[1], count = low[n - 1], high[n - 1], 1
    for stage in range(v.slopes.shape[1]):
        v.slopes[0, stage] = 0.0
    for t in range(n - 1, -1, -1):
        parts = _bounded(v, count, low[t], high[t], prices[t], w)
        if parts < 0:
            return False
        left, right = curves.first[t], curves.first[t + 1] - 1
        for place in range(left, right):
            stops[place] = _stop(w, parts, curves.slopes[place])
        _add(w.at_first, curves.values[t], 1.0)
        for place in range(left, right):
            _add(w.at_first, curves.slopes[place], curves.levels[place + 1] - curves.levels[place])
        count = _before(curves, left, right, store, w, parts, v)
        if count < 0:
            return False
    start = store.start_kwh
    if not v.points[0] - EDGE_KWH <= start <= v.points[count] + EDGE_KWH:
        return False
    for part in range(count):
        if v.points[part] < start:
            _add(v.at_first, v.slopes[part], min(v.points[part + 1], start) - v.points[part])
    return True


@compiled
def _bounded(v: Convex, count: int, low: float, high: float, price: Floats, w: Convex) -> int:  # noqa: PLR0913, PLR0917
    """Write W: what of V lies within the bounds, with the level's price; return its parts, -1 if there are none."""
    begin, end = 0, count
    for stage in range(len(price)):
        w.at_first[stage] = v.at_first[stage]
    while begin < count - 1 and v.points[begin + 1] <= low:
        _add(w.at_first, v.slopes[begin], v.points[begin + 1] - v.points[begin])
        begin += 1
    while end > begin + 1 and v.points[end - 1] >= high:
        end -= 1
    if v.points[end] < low - EDGE_KWH or v.points[begin] > high + EDGE_KWH:
        return -1
    first = max(v.points[begin], min(low, v.points[end]))
    _add(w.at_first, v.slopes[begin], first - v.points[begin])
    _add(w.at_first, price, first)
    w.points[0] = first
    for part in range(begin, end):
        w.points[part - begin + 1] = v.points[part + 1]
        for stage in range(len(price)):
            w.slopes[part - begin, stage] = v.slopes[part, stage] + price[stage]
    w.points[end - begin] = max(min(v.points[end], high), first)
    return end - begin


@compiled
def _stop(w: Convex, parts: int, slope: Floats) -> float:
    """Return the level from which on a kWh saves less than this slope of a curve costs."""
    low, high = 0, parts
    while low < high:
        middle = (low + high) // 2
        if _sign(w.slopes[middle], slope) > 0:
            high = middle
        else:
            low = middle + 1
    return float(w.points[low])


@compiled
def _before(  # noqa: C901, PLR0913, PLR0917
    curves: Curves, left: int, right: int, store: Store, w: Convex, parts: int, v: Convex
) -> int:
    """Write V of the step before: walk from the lowest level on; return its parts, -1 if there are too many."""
    keep, taper, full = store.keep, store.taper, store.full_kwh
    p, u, j = _lowest(curves, left, right, store, w)
    if j < left - 1:
        return -1
    x, i, count = w.points[0], 0, 0
    for stage in range(len(v.at_first)):
        v.at_first[stage], v.slopes[0, stage] = w.at_first[stage], 0.0
    v.points[0] = p
    while i < parts or j >= left:
        on_limit = taper > 0.0 and u > 0.0 and u >= taper * (full - p) - SHORT_KWH
        by_x, by_u = keep, 0.0  # how much of each slope a kWh more before the step brings
        if i == parts or (j >= left and _sign(w.slopes[i], curves.slopes[j]) > 0):
            by_x, by_u = 0.0, keep
        elif on_limit:
            by_x, by_u = keep - taper, taper
        if (by_u > 0.0 and j < left) or count + 2 > MOST_PARTS:
            break  # full before the step
        far = (w.points[i + 1] - x) / by_x if by_x > 0.0 else np.inf
        x_ends, u_ends = by_x > 0.0, False
        if by_u > 0.0 and (u - curves.levels[j]) / by_u < far:
            far, x_ends, u_ends = (u - curves.levels[j]) / by_u, False, True
        if by_u == 0.0 and taper > 0.0 and u > 0.0 and full - p - u / taper < far:
            far, x_ends = max(full - p - u / taper, 0.0), False
        count = _append(v, count, w, i if by_x > 0.0 else 0, by_x, curves, max(j, left), by_u, far)
        p, x, u = p + far, x + by_x * far, u - by_u * far
        if x_ends:
            i += 1
            x = w.points[i]
        if u_ends:
            u = curves.levels[j]
            j -= 1
        v.points[count] = p
    if count == 0:
        v.points[1] = p
    return -1 if count + 2 > MOST_PARTS else max(count, 1)


@compiled
def _lowest(curves: Curves, left: int, right: int, store: Store, w: Convex) -> tuple[float, float, int]:
    """Return the lowest level before the step from which W can be reached, the change then, and its part of f.

    ``w.at_first`` is W + f at the highest change; it becomes that at the change found.
    """
    keep, taper, full = store.keep, store.taper, store.full_kwh
    x, u, j = w.points[0], curves.levels[right], right - 1
    p = (x - u) / keep
    if taper == 0.0 or u <= taper * (full - p):
        return p, u, j
    p = (x - taper * full) / (keep - taper)
    u = taper * (full - p)
    while j >= left and curves.levels[j] >= u:
        _add(w.at_first, curves.slopes[j], curves.levels[j] - curves.levels[j + 1])
        j -= 1
    if j < left:
        return p, u, left - 2  # the step must charge more than it may
    _add(w.at_first, curves.slopes[j], u - curves.levels[j + 1])
    return p, u, j


@compiled
def _append(  # noqa: PLR0913, PLR0917
    v: Convex, count: int, w: Convex, i: int, by_x: float, curves: Curves, j: int, by_u: float, far: float
) -> int:
    """Begin a part of V, unless it is of no length or goes on as the last; return how many there are."""
    same = True
    for stage in range(len(v.at_first)):
        slope = by_x * w.slopes[i, stage] - by_u * curves.slopes[j, stage]
        v.slopes[count, stage] = slope
        if count > 0 and abs(slope - v.slopes[count - 1, stage]) > SAME:
            same = False
    return count if count > 0 and (same or far <= SHORT_KWH) else count + 1


def schedule(curves: Curves, store: Store, stops: Floats) -> tuple[Floats, Floats]:
    """Follow the stops forward from the start.

    Returns
    -------
    levels : array, shape (n,)
        At the end of each step. [kWh]
    flows : array, shape (n, k)
        Of each step. [kWh]
    """
    n = len(curves.first) - 1
    levels, flows = np.empty(n), np.empty((n, curves.flows.shape[1]))
    _forward(curves, store, stops, levels, flows)
    return levels, flows


@compiled
def _forward(curves: Curves, store: Store, stops: Floats, levels: Floats, flows: Floats) -> None:
    x = store.start_kwh
    for t in range(len(levels)):
        left, right = curves.first[t], curves.first[t + 1] - 1
        before = store.keep * x
        most = store.taper * max(store.full_kwh - x, 0.0) if store.taper > 0.0 else np.inf
        u, place = curves.levels[left], left
        x = before + u
        for j in range(left, right):
            place = j
            if stops[j] <= x:
                break
            reach = min(curves.levels[j + 1], most)
            if stops[j] <= before + reach:
                u, x = stops[j] - before, stops[j]
                break
            u, x = reach, before + reach
            if most <= curves.levels[j + 1]:
                break
        levels[t] = x
        share = 0.0
        if right > left:
            width = curves.levels[place + 1] - curves.levels[place]
            share = min(max((u - curves.levels[place]) / width, 0.0), 1.0)
        for column in range(flows.shape[1]):
            flows[t, column] = curves.flows[place, column]
            if share > 0.0:
                flows[t, column] += share * (curves.flows[place + 1, column] - curves.flows[place, column])
