"""What a stored kWh is worth, step by step backward, and the schedule it makes forward.

With ``x`` the level at the end of a step, ``u`` its change by the step's flows, ``f`` the step's curve, ``c`` the
price of a level, all prices vectors with one entry per stage::

    W[t](x)   = V[t](x) + c[t]·x                  on  low[t] ≤ x ≤ high[t];   V[n-1] = 0
    V[t-1](p) = min over u of  f[t](u) + W[t](x)  with  x = keep·p + u,  u ≤ taper·(full - p)

All are convex and straight between few points, so V is found by walking along both: as p grows, either x grows with
it or u shrinks, whichever costs less. Where a tapering charge is at its limit both move. Every straight part of f has
one level at which it stops being worth while; these levels are all that is kept, and the way forward follows them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dispatch.sweep.compiled import compiled
from dispatch.sweep.step_curves import SAME, lexicographic_sign

if TYPE_CHECKING:
    from dispatch.arrays import Floats, Ints


EDGE_KWH = 1e-9  # how far beyond the levels that can be the start may lie
SHORT_KWH = 1e-12


@compiled
def _sum_sign(a: Floats, b: Floats) -> int:
    for stage in range(len(a)):
        value = a[stage] + b[stage]
        if value > SAME:
            return 1
        if value < -SAME:
            return -1
    return 0


@compiled
def _stop(points: Floats, slopes: Floats, count: int, slope: Floats) -> float:
    """Return the level from which on a kWh is worth less than this slope takes."""
    low, high = 0, count
    while low < high:
        middle = (low + high) // 2
        if _sum_sign(slopes[middle], slope) > 0:
            high = middle
        else:
            low = middle + 1
    return float(points[low])


@compiled
def backward(  # noqa: PLR0912, PLR0913, PLR0914, PLR0915, PLR0917, C901 - one pass over the steps
    first: Ints,
    levels: Floats,
    curve_slopes: Floats,
    values: Floats,
    low: Floats,
    high: Floats,
    prices: Floats,
    keep: float,
    taper: float,
    full: float,
    start: float,
) -> tuple[int, Floats, Floats, int]:
    """Sweep backward.

    Parameters
    ----------
    first, levels, curve_slopes, values
        The curves (`dispatch.sweep.step_curves.curves`).
    low, high : array, shape (n,)
        Bounds of the level at the end of each step. [kWh]
    prices : array, shape (n, stages)
        Of a kWh stored at the end of each step.
    keep : float
        Share of the level that a step leaves.
    taper : float
        Share of the distance to ``full`` that a step may charge; 0 = no limit.
    full, start : float
        [kWh]

    Returns
    -------
    failed : int
        A step at whose end no level can be, or -1.
    stops : array, shape (points,)
        Of each straight part of each curve the level at which it ends.
    value : array, shape (stages,)
        The least cost from the start.
    most : int
        Most points that any V had.
    """
    n, stages = len(low), values.shape[1]
    stops = np.zeros(len(levels))
    size = 1024
    points, slopes, count = np.empty(size), np.zeros((size, stages)), 1
    points[0], points[1] = low[n - 1], high[n - 1]
    at_first, slope = np.zeros(stages), np.empty(stages)
    most = 1
    top = high.max()
    for back in range(n):
        t = n - 1 - back
        # W: what lies within the bounds
        begin, end = 0, count
        while begin < count - 1 and points[begin + 1] <= low[t]:
            at_first += slopes[begin] * (points[begin + 1] - points[begin])
            begin += 1
        while end > begin + 1 and points[end - 1] >= high[t]:
            end -= 1
        if points[end] < low[t] - EDGE_KWH or points[begin] > high[t] + EDGE_KWH:
            return t, stops, at_first, most
        if points[begin] < low[t]:
            at_first += slopes[begin] * (low[t] - points[begin])
            points[begin] = low[t]
        points[end] = max(min(points[end], high[t]), points[begin])
        at_first += prices[t] * points[begin]
        for part in range(begin, end):
            slopes[part] += prices[t]
        parts = end - begin
        w_points, w_slopes = points[begin : end + 1].copy(), slopes[begin:end].copy()
        left, right = first[t], first[t + 1] - 1
        for place in range(left, right):
            stops[place] = _stop(w_points, w_slopes, parts, curve_slopes[place])
        # the walk, from the lowest level before the step
        at_first += values[t]
        for place in range(left, right):
            at_first += curve_slopes[place] * (levels[place + 1] - levels[place])
        x, u, i, j = w_points[0], levels[right], 0, right - 1
        p = (x - u) / keep
        if taper > 0.0 and u > taper * (full - p):
            p = (x - taper * full) / (keep - taper)
            u = taper * (full - p)
            while j >= left and levels[j] >= u:
                at_first -= curve_slopes[j] * (levels[j + 1] - levels[j])
                j -= 1
            if j < left:
                return t, stops, at_first, most
            at_first -= curve_slopes[j] * (levels[j + 1] - u)
        needed = parts + 3 * (right - left) + 8
        if taper > 0.0:
            needed = 2 * (parts + right - left) + 8
        if needed > len(points):
            points, slopes = np.empty(2 * needed), np.zeros((2 * needed, stages))
        count = 0
        points[0] = p
        while (i < parts or j >= left) and p < top:
            on_limit = taper > 0.0 and u >= taper * (full - p) - SHORT_KWH and u > 0.0
            if i == parts or (j >= left and _sum_sign(w_slopes[i], curve_slopes[j]) > 0):
                by = (u - levels[j]) / keep
                slope[:] = -keep * curve_slopes[j]
                u = levels[j]
                j -= 1
            elif on_limit:
                if j < left:
                    break
                by = (u - levels[j]) / taper
                other = (w_points[i + 1] - x) / (keep - taper)
                slope[:] = (keep - taper) * w_slopes[i] - taper * curve_slopes[j]
                if other <= by:
                    by = other
                    u -= taper * by
                    x = w_points[i + 1]
                    i += 1
                else:
                    x += (keep - taper) * by
                    u = levels[j]
                    j -= 1
            else:
                by = (w_points[i + 1] - x) / keep
                slope[:] = keep * w_slopes[i]
                until = full - p - u / taper if taper > 0.0 and u > 0.0 else np.inf
                if until < by:
                    by = max(until, 0.0)
                    x += keep * by
                    p_next = p + by
                    u = taper * (full - p_next)
                else:
                    x = w_points[i + 1]
                    i += 1
            p += by
            if count and (by <= SHORT_KWH or lexicographic_sign(slope - slopes[count - 1]) == 0):
                points[count] = p
            else:
                slopes[count] = slope
                count += 1
                points[count] = p
        if count == 0:
            slopes[0] = 0.0
            count = 1
            points[1] = points[0]
        most = max(most, count)
    if not points[0] - EDGE_KWH <= start <= points[count] + EDGE_KWH:
        return 0, stops, at_first, most
    for part in range(count):
        if points[part] >= start:
            break
        at_first += slopes[part] * (min(points[part + 1], start) - points[part])
    return -1, stops, at_first, most


@compiled
def forward(  # noqa: PLR0913, PLR0917
    first: Ints,
    levels: Floats,
    flows: Floats,
    stops: Floats,
    keep: float,
    taper: float,
    full: float,
    start: float,
) -> tuple[Floats, Floats]:
    """Follow the stops forward from the start.

    Returns
    -------
    stored : array, shape (n,)
        Level at the end of each step. [kWh]
    taken : array, shape (n, k)
        Flows of each step. [kWh]
    """
    n, columns = len(first) - 1, flows.shape[1]
    stored, taken = np.empty(n), np.empty((n, columns))
    x = start
    for t in range(n):
        left, right = first[t], first[t + 1] - 1
        before = keep * x
        most = taper * max(full - x, 0.0) if taper > 0.0 else np.inf
        u, place = levels[left], left
        x = before + u
        for j in range(left, right):
            place = j
            if stops[j] <= x:
                break
            reach = min(levels[j + 1], most)
            if stops[j] <= before + reach:
                u, x = stops[j] - before, stops[j]
                break
            u, x = reach, before + reach
            if most <= levels[j + 1]:
                break
        stored[t] = x
        width = levels[place + 1] - levels[place] if right > left else 0.0
        share = min(max((u - levels[place]) / width, 0.0), 1.0) if width > 0.0 else 0.0
        for column in range(columns):
            taken[t, column] = flows[place, column]
            if share > 0.0:
                taken[t, column] += share * (flows[place + 1, column] - flows[place, column])
    return stored, taken
