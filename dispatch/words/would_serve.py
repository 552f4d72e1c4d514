"""What would have to give where no strategy serves the whole load: which limit, and by how much."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from dispatch.flows import TOLERANCE_KWH
from dispatch.formats import format_kwh, format_moment

if TYPE_CHECKING:
    from dispatch.comparison.compare import Comparison
    from dispatch.outcome import Outcome


def what_would_serve(comparison: Comparison) -> str | None:
    """Name the limits whose rise would let the whole load be served.

    Parameters
    ----------
    comparison : Comparison
        The finished comparison.

    Returns
    -------
    str or None
        None as soon as one strategy that uses the battery serves the whole load. Otherwise a sentence about
        the strategy that leaves least unserved: how much, when it is worst, and by how much the limits that
        bind there would have to rise. The rise is enough, not the only way: energy that the battery or the
        sun could deliver then would do as well.
    """
    battery = _with_battery(comparison)
    if any(result.serves for result in battery):
        return None
    best = min(battery, key=lambda result: result.sum_kwh("unserved_load"))
    unserved_kwh = best.flows["unserved_load"]
    worst = int(np.argmax(unserved_kwh))
    case = comparison.case
    hours = float(np.sum(unserved_kwh > TOLERANCE_KWH) * case.dt_hours)
    return (
        f"{case.path}: no strategy serves the whole load: at best ({best.name}) "
        f"{format_kwh(best.sum_kwh('unserved_load'))} in {hours:g} h go without, worst at "
        f"{format_moment(case.times[worst])}. {_rise(best, unserved_kwh)} would "
        "make it possible; so would moving circuits from load to other_load"
    )


def what_import_would_do(comparison: Comparison) -> str | None:
    """Say how far the import limit would have to rise where no strategy that can be set stays below it.

    Parameters
    ----------
    comparison : Comparison
        The finished comparison.

    Returns
    -------
    str or None
        None without a limit, or as soon as one strategy that uses the battery keeps it. Otherwise a sentence about
        the strategy that lies least above it.
    """
    case = comparison.case
    limit_kw = case.limits.import_limit_kw
    battery = _with_battery(comparison)
    if limit_kw is None:
        return None
    best = min(battery, key=lambda result: result.sum_kwh("import_excess"))
    if best.sum_kwh("import_excess") <= TOLERANCE_KWH:
        return None
    excess_kwh = best.flows["import_excess"]
    worst = int(np.argmax(excess_kwh))
    # rounded up: a limit that is a watt too low would not do
    by_kw = math.ceil(float(excess_kwh[worst]) / case.dt_hours * 1000 - 1e-6) / 1000
    return (
        f"{case.path}: no strategy stays within grid.import_limit_kw = {limit_kw:g}: at best ({best.name}) "
        f"{format_kwh(best.sum_kwh('import_excess'))} lie above it, worst at {format_moment(case.times[worst])}. "
        f"Raising it by {by_kw:g} kW to {limit_kw + by_kw:g} would be enough; so would moving that use to other hours"
    )


def _with_battery(comparison: Comparison) -> list[Outcome]:
    best = comparison.best_plan
    return [*comparison.advice.outcomes.values(), *([] if best is None else [best])]


def _rise(result: Outcome, unserved_kwh: np.ndarray[tuple[int], np.dtype[np.float64]]) -> str:
    """Say how far the limits on the grid's way to the load would have to rise, each at the steps it binds."""
    case, limits = result.flows.case, result.flows.case.limits
    lacking = unserved_kwh > TOLERANCE_KWH
    to_load_kwh = result.flows["grid_to_load"]
    plug_kwh = to_load_kwh + result.flows["grid_to_battery"]
    ways = []
    for field, limit_kw, used_kwh in (
        ("inverter.bypass_w", limits.bypass_kw, to_load_kwh),
        ("charging.ac_input_w", limits.ac_input_kw, plug_kwh),
    ):
        if limit_kw is None:
            continue
        above_kw = (used_kwh + unserved_kwh)[lacking] / case.dt_hours - limit_kw
        if above_kw.max() > TOLERANCE_KWH:
            by_w = math.ceil(above_kw.max() * 1000 - 1e-6)
            ways.append(f"{field} by {by_w:,} W to {limit_kw * 1000 + by_w:,.0f} W")
    # every unserved step is held by one of the two: the grid has no other way to the load
    return "Raising " + " and ".join(ways)
