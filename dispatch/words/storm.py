"""A storm's preparation as sentences all faces share."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from dispatch.formats import format_hours, format_moment, format_money
from dispatch.words.tonight import entry_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from dispatch.ahead.dark import StormDay
    from dispatch.ahead.storm import Start, Storm


ROWS_FIRST = 3  # entries and hours on the first screen


def _when(moment: pd.Timestamp) -> str:
    return f"{moment:%a %H:%M}"


def headline(plan: Storm) -> str:
    """Say what to do, and by when."""
    level = f"{plan.wanted_percent:g} %"
    if plan.running:
        return f"The storm is on: set the reserve to {level} now and charge while the grid holds."
    if plan.raise_at is None:
        return f"Set the reserve to {level} now: charging from the grid must start at once."
    return f"Raise the reserve to {level} by {_when(plan.raise_at)} at the latest."


def what_to_set(plan: Storm) -> list[str]:
    """List what to set, in the order of the clock."""
    lines = [entry_text(entry) for entry in plan.entries]
    if plan.lifted:
        lines.insert(0, "now: lift the charging ceiling to 100 % for the storm")
    when = "now" if plan.raise_at is None else _when(plan.raise_at)
    lines.append(f"{when}: reserve to {plan.wanted_percent:g} %, kept through the storm")
    back = "reserve and ceiling back to where they were" if plan.lifted else "reserve back to where it was"
    lines.append(f"{_when(plan.ends)}, when it is over: {back}")
    return lines


def first_lines(plan: Storm) -> list[str]:
    """Keep of what to set what the first screen has room for: the first entries, and the reserve's way up and back."""
    lines = what_to_set(plan)
    head, tail = lines[:-2], lines[-2:]
    if len(head) > ROWS_FIRST:
        head = [*head[: ROWS_FIRST - 1], f"... {len(head) - ROWS_FIRST + 1} more before the storm: --full"]
    return [*head, *tail]


def start_text(start: Start, full_kwh: float) -> str:
    """Say the latest start, or how far charging gets if it begins now."""
    if start.at is None:
        return f"too late: starting now reaches {100 * start.reached_kwh / full_kwh:.0f} %"
    return f"{_when(start.at)} (from {100 * start.level_kwh / full_kwh:.0f} %)"


def latest_text(plan: Storm) -> str:
    """Say from when on charging must run."""
    if plan.running:
        return "It has begun: every hour of grid from now on counts."
    full = plan.case.limits.full_kwh
    text = f"Latest start, grid alone: {start_text(plan.alone, full)}"
    if plan.case.sun_kwh.any():
        text += f"; with half the sun: {start_text(plan.half_sun, full)}"
    return text + "."


def cost_text(plan: Storm) -> str:
    """Say what preparing costs."""
    currency = plan.case.currency
    text = f"Preparing costs {format_money(plan.cost, currency)} against a usual day"
    if math.isnan(plan.per_hour):
        return text + "; an hour more of storm cannot be prepared for: the battery is full."
    return text + f"; each hour more of storm {format_money(plan.per_hour, currency)}."


def carries_text(plan: Storm) -> str:
    """Say what the battery carries from the storm's beginning on."""
    horizon = plan.case.limits.backup_horizon_hours
    parts = []
    for item in plan.carried:
        trips = "" if item.fits else ", the inverter trips"
        parts.append(f"{item.what} {format_hours(item.hours, horizon)} h{trips}")
    return "From its beginning: " + "; ".join(parts) + "."


def enough_text(plan: Storm) -> str:
    """Say whether the critical load comes through."""
    hours = float((plan.ends - plan.begins).total_seconds()) / 3600
    if plan.enough:
        return f"{plan.wanted_percent:g} % carries the critical load through all {hours:g} h without sun."
    short = sum(day.unserved_kwh for day in plan.dull_days)
    text = f"A full battery does not carry {hours:g} h of critical load without sun"
    if short > 1e-6:
        helped = "half the sun" + (" and the generator" if plan.fuel_litres is not None else "")
        return text + f"; with {helped} {short:.1f} kWh are still missing: switch more off."
    helped = "half the sun" + (" and the generator" if plan.fuel_needed_litres > 0 else "")
    return text + f"; with {helped} it does."


def early_text(plan: Storm) -> str:
    """Say the fewest hours left if the grid fails early."""
    horizon = plan.case.limits.backup_horizon_hours
    worst = min(plan.left, key=lambda left: left.hours)
    now = plan.left[0]
    return (
        f"If the grid fails early: now {format_hours(now.hours, horizon)} h, fewest "
        f"{format_hours(worst.hours, horizon)} h at {_when(worst.when)} (critical load, no sun)."
    )


def checklist(plan: Storm) -> Iterator[str]:
    """List what to do by hand."""
    limits = plan.case.limits
    if plan.shed:
        yield f"When the grid fails, switch off: {', '.join(plan.shed)}."
    elif plan.unlisted_kwh_per_day > 0.05:
        yield (
            "When the grid fails, switch off all circuits but the critical ones: the others draw "
            f"{plan.unlisted_kwh_per_day:.1f} kWh a day."
        )
    critical, everything = plan.carried[0], plan.carried[-1]
    margin = limits.inverter_kw - critical.peak_kw
    yield (
        f"Inverter {limits.inverter_kw:.2f} kW: critical load peaks at {critical.peak_kw:.2f} kW (mean over a step), "
        f"{'margin' if margin >= 0 else 'short by'} {abs(margin):.2f} kW for motors; everything on "
        f"{everything.peak_kw:.2f} kW."
    )
    if plan.fuel_litres is not None:
        tank = "no tank stated" if math.isinf(plan.fuel_litres) else f"tank {plan.fuel_litres:g} l"
        enough = "" if plan.fuel_needed_litres <= plan.fuel_litres - 1e-6 else ": fill more"
        yield f"Fuel: {plan.fuel_needed_litres:.1f} l needed with half the sun, {tank}{enough}. Test the generator."
    for refill in plan.refills[:1]:
        hours = "more than a week" if refill.hours is None else f"{refill.hours:.1f} h"
        yield f"Full again after it, from the {refill.source}: {hours}."
    yield "Check the display's level against what is entered here, and again when the storm is near."


def day_row(day: StormDay, full_kwh: float) -> tuple[str, ...]:
    """One day without grid as cells: date, critical load, sun, missing, generator hours, litres, level at its end."""
    return (
        day.date,
        f"{day.critical_kwh:.1f}",
        f"{day.sun_kwh:.1f}",
        f"{day.unserved_kwh:.1f}" if day.unserved_kwh > 1e-6 else "-",
        f"{day.generator_hours:.1f}" if day.generator_hours > 1e-6 else "-",
        f"{day.litres:.1f}" if day.litres > 1e-6 else "-",
        f"{100 * day.level_kwh / full_kwh:.0f} %",
    )


def title(plan: Storm) -> str:
    """Name the storm."""
    return f"Storm {format_moment(plan.begins)} to {format_moment(plan.ends)}"


def grounds(plan: Storm) -> Iterator[str]:
    """Say what it rests on."""
    yield "The grid may fail at any time of the storm: the level is there at its beginning and kept to its end."
    yield (
        "Latest start: followed in pieces of two minutes with the charger, the load beside it and the taper, from the "
        "level the battery has by then if nothing is done before."
    )
    yield "Cost: money for energy and wear of the coming days on what is expected, less what is stored at their end."
    yield "Hours without sun are the safe ones; sun, fuel and appliances may do worse than here."
    yield from plan.notes
