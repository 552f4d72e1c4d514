"""A storm's preparation as a JSON document."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from dispatch.exports.tonight import entry_documents, left_documents
from dispatch.words.origin import stamp
from dispatch.words.storm import checklist, what_to_set

if TYPE_CHECKING:
    from dispatch.ahead.dark import StormDay
    from dispatch.ahead.storm import Start, Storm


def storm_document(plan: Storm) -> dict[str, Any]:
    """Put a preparation into plain JSON types. Energy in kWh, money in ``currency``, fuel in litres."""
    full = plan.case.limits.full_kwh
    return {
        "scenario": plan.case.name,
        "currency": plan.case.currency,
        "at": plan.at.isoformat(),
        "from": plan.begins.isoformat(),
        "to": plan.ends.isoformat(),
        "level_kwh": plan.level_kwh,
        "wanted_kwh": plan.wanted_kwh,
        "wanted_percent": plan.wanted_percent,
        "carries_without_sun": plan.enough,
        "ceiling_lifted": plan.lifted,
        "raise_reserve_at": None if plan.raise_at is None else plan.raise_at.isoformat(),
        "entries": entry_documents(plan.entries),
        "latest_start": {"grid_alone": _start(plan.alone), "half_sun": _start(plan.half_sun)},
        "cost": plan.cost,
        "cost_per_extra_hour": None if math.isnan(plan.per_hour) else plan.per_hour,
        "if_the_grid_fails": left_documents(plan.left, full),
        "carries": [
            {"what": item.what, "hours": item.hours, "inverter_carries": item.fits, "peak_kw": item.peak_kw}
            for item in plan.carried
        ],
        "days": [_day(day) for day in plan.days],
        "days_half_sun": [_day(day) for day in plan.dull_days],
        "fuel_needed_litres": plan.fuel_needed_litres,
        "refill_hours": {item.source: item.hours for item in plan.refills},
        "what_to_set": what_to_set(plan),
        "checklist": list(checklist(plan)),
        **stamp(plan.case),
        "notes": list(plan.notes),
    }


def _start(start: Start) -> dict[str, Any]:
    return {
        "at": None if start.at is None else start.at.isoformat(),
        "from_kwh": start.level_kwh,
        "reached_kwh_if_now": start.reached_kwh,
    }


def _day(day: StormDay) -> dict[str, Any]:
    return {
        "date": day.date,
        "critical_kwh": day.critical_kwh,
        "sun_kwh": day.sun_kwh,
        "unserved_kwh": day.unserved_kwh,
        "generator_hours": day.generator_hours,
        "litres": day.litres,
        "level_kwh": day.level_kwh,
    }
