"""Tonight's entries and what they rest on, as sentences all faces share."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dispatch.ahead.entries import CHARGE, DISCHARGE
from dispatch.formats import format_date, format_hours, format_money
from tariffs.reading.clock import clock_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import pandas as pd

    from dispatch.ahead.entries import Entry
    from dispatch.ahead.tonight import Tonight


FIRST_ENTRIES = 5  # as many as the first screen has room for


def span_text(begins: pd.Timestamp, ends: pd.Timestamp) -> str:
    """Write a stretch of the clock with its day: ``Tue 22:00-06:00``."""
    first, last = (clock_text(t.hour * 60 + t.minute) for t in (begins, ends))
    return f"{begins:%a} {first}-{last}"


def entry_text(entry: Entry) -> str:
    """Say one thing to enter."""
    when = span_text(entry.begins, entry.ends)
    if entry.kind == CHARGE:
        return f"{when}: charge from the grid to {entry.to_percent:g} %"
    if entry.kind == DISCHARGE:
        return f"{when}: let the load draw down to {entry.to_percent:g} %"
    return f"{when}: sun charges the battery first"


def charge_text(entries: Sequence[Entry]) -> str:
    """Say how far to charge next, in a phrase."""
    charge = next((entry for entry in entries if entry.kind == CHARGE), None)
    if charge is None:
        return "no charge from the grid"
    return f"charge to {charge.to_percent:g} % ({span_text(charge.begins, charge.ends)})"


def headline(plan: Tonight) -> str:
    """Say what to do first."""
    if plan.below_reserve:
        charge = next((entry for entry in plan.run.entries if entry.kind == CHARGE), None)
        percent = 100 * float(plan.floor_kwh[0]) / plan.case.limits.full_kwh
        percent = charge.to_percent if charge is not None else percent
        text = f"Charge now to {percent:.0f} %: the level is below the reserve"
        if plan.full_enough_at is not None:
            text += f"; full enough by {plan.full_enough_at:%a %H:%M}"
        return text + "."
    text = charge_text(plan.run.entries)
    return text[:1].upper() + text[1:] + "."


def worth_text(plan: Tonight) -> str:
    """Say what a stored kWh is worth, and when."""
    value = format_money(plan.value_per_kwh, plan.case.currency)
    charges = any(entry.kind == CHARGE for entry in plan.run.entries)
    if charges:
        return f"After that charge the last kWh stored is worth {value}."
    return f"No charge is planned: the last kWh stored now is worth {value} later."


def left_text(plan: Tonight) -> str:
    """Say how long the critical load runs if the grid fails."""
    horizon, full = plan.case.limits.backup_horizon_hours, plan.case.limits.full_kwh
    parts = []
    for place, left in enumerate(plan.left):
        when = "now" if place == 0 else f"at {left.when:%a %H:%M}"
        parts.append(f"{when} {format_hours(left.hours, horizon)} h ({100 * left.level_kwh / full:.0f} %)")
    return "If the grid fails: " + ", ".join(parts) + "; critical load, no sun."


def half_text(plan: Tonight) -> str | None:
    """Say what half the sun would change; None for a home without panels."""
    if not plan.case.sun_kwh.any():
        return None
    day = format_date(plan.half_date)
    inside = [moment.date() == plan.half_date for moment in plan.times]
    sun = float(plan.expected["sun"][inside].sum())
    if sun <= 0:
        return f"No sun is expected on {day}."
    now, half = charge_text(plan.run.entries), charge_text(plan.half.entries)
    charges = any(entry.kind == CHARGE for entry in plan.run.entries)
    text = half if now != half else "the same first charge" if charges else "no charge from the grid either"
    more = format_money(max(plan.half.cost - plan.run.cost, 0.0), plan.case.currency)
    return f"If the sun of {day} is half of the {sun:.1f} kWh expected: {text}; it costs {more} more."


def entry_lines(plan: Tonight, most: int | None = None) -> list[str]:
    """List what to enter, in the order of the clock."""
    lines = [entry_text(entry) for entry in plan.run.entries]
    if most is not None and len(lines) > most:
        return [*lines[:most], f"and {len(lines) - most} more by {plan.times[-1]:%a %H:%M}: --full"]
    return lines or ["nothing: the battery waits at its reserve, and the sun serves the load"]


def reserve_text(plan: Tonight) -> str:
    """Say what is kept at all other hours."""
    full = plan.case.limits.full_kwh
    low, high = (100 * float(f(plan.floor_kwh)) / full for f in (np.min, np.max))
    level = f"{low:.0f} %" if high - low < 0.5 else f"{low:.0f} to {high:.0f} %"
    return f"At all other hours the battery waits; the reserve of {level} is kept."


def grounds(plan: Tonight) -> Iterator[str]:
    """Say what the plan rests on."""
    yield f"Forecast: {plan.source}."
    yield (
        "Each step's levels are the best on average over those days, with the inverter's own rules; the figures are "
        "those levels, as entered, run on the mean of them."
    )
    yield (
        f"The plan covers {len(plan.times) * plan.case.dt_hours:g} h; what is stored at its end counts at what the "
        "plan before gave it. Plan again tomorrow."
    )
    yield from plan.notes
