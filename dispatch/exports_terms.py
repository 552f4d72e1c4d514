"""What a tariff's lines, events and demand charges come to, in plain JSON types."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

from dispatch.bill_lines import summed_lines
from dispatch.event_days import event_totals
from dispatch.peak_demand import peak_demand

if TYPE_CHECKING:
    from collections.abc import Iterable

    from dispatch.case import Case
    from dispatch.event_days import EventTotals
    from dispatch.peak_demand import PeakDemand
    from dispatch.results import StrategyResult
    from dispatch.settings_earned import Earned
    from tariffs import Bill


def terms_document(case: Case, judged: StrategyResult | Earned) -> dict[str, Any]:
    """Put one strategy's bill lines, event days and demand into plain JSON types.

    Parameters
    ----------
    case : Case
    judged : StrategyResult or Earned

    Returns
    -------
    dict
        ``bill_lines`` are summed over all periods; ``event_days`` is None and ``demand`` empty where the tariff has
        none.
    """
    bought, sold = judged.flows["import"], judged.flows["export"]
    hours = None if judged.backup is None else judged.backup.hours
    return {
        "bill_lines": _lines(judged.bill),
        "event_days": event_document(event_totals(case.prices, bought, sold, hours)),
        "demand": demand_document(peak_demand(case.prices, bought, sold)),
    }


def _lines(bill: Bill) -> list[dict[str, Any]]:
    return [
        {
            "label": line.label,
            "kind": line.kind,
            "quantity": None if line.quantity is None else float(line.quantity),
            "unit": line.unit,
            "unit_price": None if line.unit_price is None else float(line.unit_price),
            "amount": float(line.amount),
        }
        for line in summed_lines(bill)
    ]


def event_document(events: EventTotals | None) -> dict[str, Any] | None:
    """Put event days into JSON types: totals of the hours in which the event's price holds, then each day."""
    if events is None:
        return None
    figures = (
        "event_hours",
        "import_kwh",
        "export_kwh",
        "cost",
        "day_import_kwh",
        "day_export_kwh",
        "day_cost",
    )
    return {
        "count": len(events.days),
        **{figure: events.total(figure) for figure in figures},
        "least_backup_hours": events.least_backup_hours,
        "median_backup_hours": events.median_backup_hours,
        "days": [
            {**dataclasses.asdict(day), "date": day.date.isoformat(), "start": day.start.isoformat()}
            for day in events.days
        ],
    }


def demand_document(demand: Iterable[PeakDemand]) -> list[dict[str, Any]]:
    """Put demand figures into JSON types."""
    return [dataclasses.asdict(peak) for peak in demand]
