"""Bills, event days and demand for other programs: JSON documents and CSV lines."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
from decimal import ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING, Any

from dispatch.exports import write_files
from dispatch.exports_terms import demand_document, event_document

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from dispatch.meter_bill import MeterBill
    from tariffs import BillLine, PeriodBill

_MARK = "\ue000"  # a letter of no language, so that no label is mistaken for a number
_NUMBER = re.compile(r'"\\ue000(-?[0-9.]+)"')
_PLACES = 15
"""Decimals kept of shares such as 12 of 31 days, which have no end."""

CSV_COLUMNS = ("period", "start", "end", "label", "kind", "quantity", "unit", "unit_price", "amount")


def plain_number(value: Decimal) -> str:
    """Write a decimal with all its digits, without exponent."""
    places = value.as_tuple().exponent
    if isinstance(places, int) and places < -_PLACES:
        value = value.quantize(Decimal(1).scaleb(-_PLACES), rounding=ROUND_HALF_EVEN).normalize()
    return format(value or abs(value), "f")


def exact_json(document: dict[str, Any]) -> str:
    """Write a document whose decimals become JSON numbers with every digit.

    Any reader gets numbers; one that reads numbers as decimals gets them exactly.
    """

    def marked(value: object) -> str:
        if isinstance(value, Decimal):
            return _MARK + plain_number(value)
        raise TypeError(f"not for JSON: {value!r}")

    text = json.dumps(document, indent=2, allow_nan=False, default=marked)
    return _NUMBER.sub(r"\1", text) + "\n"


def bill_document(made: MeterBill) -> dict[str, Any]:
    """Put a bill into JSON types; its money and quantities stay decimals, see :func:`exact_json`.

    Parameters
    ----------
    made : MeterBill

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
    }


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
    return [dataclasses.asdict(line) for line in lines]


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
        span = (period.name, period.start.isoformat(), period.end.isoformat())
        for line in period.lines:
            writer.writerow((*span, *_cells(line)))
        writer.writerow((*span, "rounding", "rounding", "", "", "", plain_number(period.rounding)))
    return write_files(directory, {"bill.csv": out.getvalue()})


def _cells(line: BillLine) -> tuple[str, ...]:
    quantity, price = ("" if one is None else plain_number(one) for one in (line.quantity, line.unit_price))
    return line.label, line.kind, quantity, line.unit, price, plain_number(line.amount)
