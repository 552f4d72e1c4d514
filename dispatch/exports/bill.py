"""Bills, event days and demand for other programs: JSON documents and CSV lines."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

from dispatch.case.origin import origin_of_bill
from dispatch.exports.files import as_cell, plain, plain_number, write_files
from dispatch.words.origin import made_from
from dispatch.words.slips import bill_slips, odd_documents
from tariffs.billing.summed import summed_lines
from tariffs.terms.event_days import event_totals
from tariffs.terms.peak_demand import peak_demand

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from dispatch.outcome import Outcome
    from tariffs import Bill, BillLine, PeriodBill
    from tariffs.meter_bill import MeterBill
    from tariffs.sheet.holidays import KeptHoliday
    from tariffs.terms.event_days import EventTotals
    from tariffs.terms.peak_demand import PeakDemand


CSV_COLUMNS = ("period", "start", "end", "label", "kind", "quantity", "unit", "unit_price", "amount")


def bill_document(made: MeterBill) -> dict[str, Any]:
    """Put a bill into JSON types; its money and quantities stay decimals.

    Returns
    -------
    dict
        Keys are stable: more may be added, none is renamed. A line's ``amount`` is exact; ``billed_amount`` is as
        printed where the tariff rounds line by line. Sums of ``amount`` are ``total_unrounded``.
    """
    bill, meter = made.bill, made.meter
    return {
        "tariff": bill.tariff_name,
        "currency": bill.currency,
        "time_zone": str(meter.times.tz),
        "dt_hours": meter.dt_hours,
        "steps": len(meter.times),
        "periods": [_period(made, period) for period in bill.periods],
        "total_unrounded": bill.total_unrounded,
        "rounding": bill.total - bill.total_unrounded,
        "total": bill.total,
        "at_least": made.at_least(),
        "import_kwh": float(meter.import_kwh.sum()),
        "export_kwh": float(meter.export_kwh.sum()),
        "event_days": event_document(made.events),
        "demand": demand_document(made.demand),
        "holidays": holiday_documents(made.holidays),
        "looks_odd": odd_documents(bill_slips(made)),
        **made_from(origin_of_bill(made.tariff, meter)),
    }


def holiday_documents(holidays: Iterable[KeptHoliday]) -> list[dict[str, Any]]:
    """Put the days that a tariff's calendar keeps as holidays into JSON types."""
    return [
        {
            "date": kept.date.isoformat(),
            "name": kept.name,
            "moved_from": None if kept.moved_from is None else kept.moved_from.isoformat(),
        }
        for kept in holidays
    ]


def _period(made: MeterBill, period: PeriodBill) -> dict[str, Any]:
    return {
        "name": period.name,
        "start": period.start.isoformat(),
        "end": period.end.isoformat(),
        "lines": line_documents(period.lines),
        "total_unrounded": period.total_unrounded,
        "rounding": period.rounding,
        "total": period.total,
        "at_least": made.at_least(period.name),
    }


def line_documents(lines: Iterable[BillLine]) -> list[dict[str, Any]]:
    """Put bill lines into JSON types, decimals kept."""
    return [plain(line) for line in lines]


def bill_csv(made: MeterBill, directory: Path) -> tuple[Path, ...]:
    """Write ``bill.csv``: one row per line of every period, amounts exact, and one row for its rounding.

    Parameters
    ----------
    made : MeterBill
    directory : pathlib.Path
        Made if need be.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for period in made.bill.periods:
        span = (as_cell(period.name), period.start.isoformat(), period.end.isoformat())
        for line in period.lines:
            writer.writerow((*span, *_cells(line)))
        writer.writerow((*span, "rounding", "rounding", "", "", "", plain_number(period.rounding)))
    return write_files(directory, {"bill.csv": out.getvalue()})


def _cells(line: BillLine) -> tuple[str, ...]:
    quantity, price = ("" if one is None else plain_number(one) for one in (line.quantity, line.unit_price))
    return as_cell(line.label), line.kind, quantity, as_cell(line.unit), price, plain_number(line.amount)


def terms_document(run: Outcome) -> dict[str, Any]:
    """Put one strategy's bill lines, event days and demand into plain JSON types.

    Returns
    -------
    dict
        ``bill_lines`` are summed over all periods; ``event_days`` is None and ``demand`` empty where the tariff has
        none.
    """
    case = run.case
    bought, sold = run.flows["import"], run.flows["export"]
    hours = None if run.backup is None else run.backup.hours
    return {
        "bill_lines": _lines(run.bill),
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
        "days": [plain(day) for day in events.days],
    }


def demand_document(demand: Iterable[PeakDemand]) -> list[dict[str, Any]]:
    """Put demand figures into JSON types."""
    return [plain(peak) for peak in demand]
