"""Tonight's plan as a JSON document."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dispatch.words.origin import stamp

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.ahead.desk import Left
    from dispatch.ahead.entries import Entry
    from dispatch.ahead.tonight import Tonight


def tonight_document(plan: Tonight) -> dict[str, Any]:
    """Put tonight's plan into plain JSON types; one entry per step, kWh."""
    return {
        "scenario": plan.case.name,
        "currency": plan.case.currency,
        "at": plan.at.isoformat(),
        "level_kwh": plan.level_kwh,
        "level_percent": 100 * plan.level_kwh / plan.case.limits.full_kwh,
        "below_reserve": plan.below_reserve,
        "full_enough_at": None if plan.full_enough_at is None else plan.full_enough_at.isoformat(),
        "entries": entry_documents(plan.run.entries),
        "half_sun": {
            "date": plan.half_date.isoformat(),
            "entries": entry_documents(plan.half.entries),
            "costs_more": plan.half.cost - plan.run.cost,
        },
        "value_per_kwh": plan.value_per_kwh,
        "if_the_grid_fails": left_documents(plan.left, plan.case.limits.full_kwh),
        "forecast": plan.source,
        "steps": [
            {
                "time": moment.isoformat(),
                "band": plan.band[i],
                "import_price_per_kwh": float(plan.import_price_per_kwh[i]),
                **{f"{name}_kwh": float(values[i]) for name, values in plan.expected.items()},
                "floor_kwh": float(plan.floor_kwh[i]),
                **{
                    f"{name}_kwh": float(column[i])
                    for name, column in plan.run.flows.items()
                    if name not in {"load", "other", "sun"}
                },
                "stored_kwh_half_sun": float(plan.half.flows["stored"][i]),
            }
            for i, moment in enumerate(plan.times)
        ],
        **stamp(plan.case),
        "notes": list(plan.notes),
    }


def entry_documents(entries: Sequence[Entry]) -> list[dict[str, Any]]:
    """Put entries into plain types."""
    return [
        {
            "kind": entry.kind,
            "from": entry.begins.isoformat(),
            "to": entry.ends.isoformat(),
            "to_kwh": entry.to_kwh,
            "to_percent": entry.to_percent,
        }
        for entry in entries
    ]


def left_documents(left: Sequence[Left], full_kwh: float) -> list[dict[str, Any]]:
    """Put hours left at moments into plain types."""
    return [
        {
            "at": item.when.isoformat(),
            "level_kwh": item.level_kwh,
            "level_percent": 100 * item.level_kwh / full_kwh,
            "hours": item.hours,
        }
        for item in left
    ]
