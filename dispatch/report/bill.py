"""The screen of ``dispatch bill``: every line of every bill, event days apart, and what is only a lower bound."""

from __future__ import annotations

import datetime as dt
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import (
    ABSENT,
    format_date,
    format_kwh,
    format_month,
    format_number,
    format_span,
    format_step,
)
from dispatch.report.holidays import holiday_lines
from dispatch.report.layout import bulleted, headed, plain_table
from dispatch.words.slips import bill_slips, count_words, slip_words
from tariffs.sheet.tariff import HOURLY_EXPORT_LINE, HOURLY_LINE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from tariffs import BillLine, PeriodBill
    from tariffs.meter_bill import MeterBill
    from tariffs.terms.event_days import EventTotals


AT_LEAST = (
    "at least: the readings are longer steps than the interval in which demand is measured, and the tariff file says "
    "that power is flat within a step. The true demand, and the bill with it, may be higher."
)

SHARED_OUT = (
    "Money of event days is that of energy only. Where prices depend on a whole period's energy (tiers, netting), "
    "that money is shared out over its hours in proportion to their energy."
)

MORE_PLACES = 2
"""Decimals shown of amounts that are rounded only in the total, beyond those of the total."""

_LONGEST_MONTH = 31


def bill_report(made: MeterBill) -> Group:
    """Put the whole screen of ``dispatch bill`` together.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    bill = made.bill
    parts: list[RenderableType] = [_title(made)]
    if odd := bill_slips(made):
        parts += [Text(f"{count_words(odd)}:", style="bold"), bulleted(map(slip_words, odd))]
    for period in bill.periods:
        parts += headed(_heading(period), [_period_table(made, period)])
    if len(bill.periods) > 1:
        parts += headed("All bills", [_summary(made)])
    if made.events is not None:
        parts += headed("Event days", [_event_table(made, made.events)])
    if made.holidays:
        parts += headed("Holidays of the tariff", list(holiday_lines(made.holidays)))
    if notes := list(_notes(made)):
        parts += ["", bulleted(notes)]
    return Group(*parts)


def _heading(period: PeriodBill) -> str:
    """Name a bill by its month where it covers just that, else by its days too."""
    month, span = format_month(period.name), format_span(period.start, period.end)
    following = period.end + dt.timedelta(days=1)
    whole = period.start.day == following.day == 1 and (following - period.start).days <= _LONGEST_MONTH
    return month if whole else f"Bill of {month}: {span}"


def _title(made: MeterBill) -> Group:
    meter, bill = made.meter, made.bill
    span = format_span(bill.periods[0].start, bill.periods[-1].end)
    facts = f"{len(meter.times):,} steps of {format_step(meter.dt_hours)}, {meter.times.tz}"
    least = "at least " if made.at_least() else ""
    bills = "1 bill" if len(bill.periods) == 1 else f"{len(bill.periods)} bills"
    energy = f"{format_kwh(float(meter.import_kwh.sum()))} bought"
    if meter.export_kwh.any():
        energy += f", {format_kwh(float(meter.export_kwh.sum()))} fed in"
    return Group(
        Text(f"{bill.tariff_name}: {least}{bill.currency} {_money(made, bill.total)}", style="bold"),
        Text(f"{span}: {bills}, {energy}"),
        Text(f"{made.meter_path.name}: {facts}"),
    )


def _places(made: MeterBill) -> int:
    return made.tariff.rounding.places


def _money(made: MeterBill, amount: Decimal, more: int = 0) -> str:
    return decimal_text(amount, _places(made) + more)


def decimal_text(value: Decimal, places: int) -> str:
    """Write a decimal rounded half up, with thousands separators and never a negative zero."""
    rounded = value.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP)
    return f"{rounded or abs(rounded):,f}"


def bill_table(currency: str) -> Table:
    """Make the empty table that lines of a bill are set in, 80 columns wide."""
    table = plain_table()
    table.add_column("\nline", width=37, overflow="fold")
    table.add_column("\nquantity", justify="right", width=10)
    table.add_column("\nunit", width=8)
    table.add_column("unit\nprice", justify="right", width=9)
    table.add_column(f"amount\n{currency}", justify="right", width=12)
    return table


def add_line(table: Table, line: BillLine, amount: str) -> None:
    """Add one line of a bill to the table."""
    quantity, unit, price = ABSENT, line.unit, ABSENT
    if line.kind == "adjustment" and line.unit_price is not None and line.quantity is not None:
        quantity, price = decimal_text(line.quantity, 2), f"{short_text(line.unit_price * 100)}%"
    elif line.quantity is not None and line.unit_price is not None:
        quantity, price = decimal_text(line.quantity, 2), price_text(line.unit_price)
    if line.kind == "netting":
        price, amount = ABSENT, ABSENT
    table.add_row(line.label, quantity, unit, price, amount)


def price_text(price: Decimal) -> str:
    """Write a unit price as the sheet does, to at most six decimals and at least two."""
    return decimal_text(price, min(max(len(short_text(price).partition(".")[2]), 2), 6))


def short_text(value: Decimal) -> str:
    """Write a decimal to at most six places, without trailing zeros."""
    text = decimal_text(value, 6)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _period_table(made: MeterBill, period: PeriodBill) -> Table:
    by_line = made.bill.rounds_lines
    more = 0 if by_line else MORE_PLACES
    table = bill_table(made.bill.currency)
    for line in period.lines:
        add_line(table, line, _money(made, line.billed_amount, more))
    table.add_section()
    if not by_line or period.total_of_lines != period.total:
        table.add_row("sum of the lines", "", "", "", _money(made, period.total_of_lines, more))
        table.add_row("rounding", "", "", "", _money(made, period.total - period.total_of_lines, more))
    least = ", at least" if made.at_least(period.name) else ""
    table.add_row(f"total{least}", "", "", "", _money(made, period.total), style="bold")
    return table


def _summary(made: MeterBill) -> Table:
    bill = made.bill
    table = plain_table()
    table.add_column("\nbill", width=10)
    table.add_column("\nfrom", width=16)
    table.add_column("\nto", width=16)
    for heading in ("before\nrounding", "\nrounding", f"total\n{bill.currency}"):
        table.add_column(heading, justify="right", width=11)
    for period in bill.periods:
        table.add_row(
            format_month(period.name),
            format_date(period.start),
            format_date(period.end),
            _money(made, period.total_unrounded, MORE_PLACES),
            _money(made, period.rounding, MORE_PLACES),
            _money(made, period.total),
        )
    table.add_section()
    rounding = bill.total - bill.total_unrounded
    table.add_row(
        "all",
        "at least" if made.at_least() else "",
        "",
        _money(made, bill.total_unrounded, MORE_PLACES),
        _money(made, rounding, MORE_PLACES),
        _money(made, bill.total),
        style="bold",
    )
    return table


def _event_table(made: MeterBill, events: EventTotals) -> Table:
    places = _places(made)
    table = plain_table()
    table.add_column("\nday", width=16)
    table.add_column("event\nfrom", width=6)
    for heading, width in (
        ("\nhours", 6),
        ("kWh in\nevent", 9),
        (f"{made.bill.currency} in\nevent", 10),
        ("kWh\nall day", 9),
        (f"{made.bill.currency}\nall day", 10),
    ):
        table.add_column(heading, justify="right", width=width)
    for day in events.days:
        table.add_row(
            format_date(day.date),
            f"{day.start:%H:%M}",
            f"{day.event_hours:g}",
            format_number(day.import_kwh, 2),
            format_number(day.cost, places),
            format_number(day.day_import_kwh, 2),
            format_number(day.day_cost, places),
        )
    table.add_section()
    table.add_row(
        f"{len(events.days)} days",
        "",
        f"{events.total('event_hours'):g}",
        format_number(events.total("import_kwh"), 2),
        format_number(events.total("cost"), places),
        format_number(events.total("day_import_kwh"), 2),
        format_number(events.total("day_cost"), places),
        style="bold",
    )
    return table


def _notes(made: MeterBill) -> Iterator[str]:
    if made.meter.other_clock:
        yield (
            f"The readings' offset ({made.meter.other_clock}) is never that of {made.meter.times.tz}, the tariff's "
            "clock: are they of another place? They are priced by the tariff's clock."
        )
    if made.at_least():
        yield AT_LEAST
    if made.events is not None:
        yield SHARED_OUT
    yield from _rounding_notes(made)
    if made.bill.rounds_kwh:
        yield (
            "The tariff rounds kWh before they are priced: lines are of rounded kWh, and what is before rounding "
            "in the table of all bills is of the kWh as metered."
        )
    if any(line.kind == "adjustment" for period in made.bill.periods for line in period.lines):
        yield "A percentage's quantity is the money it is of."
    if any(
        line.name in {HOURLY_LINE, HOURLY_EXPORT_LINE}
        for period in made.bill.periods
        for line in period.lines
    ):
        yield "The unit price of hourly prices is their mean over the energy; every interval is priced by its own."
    yield from _credit_notes(made)


def _rounding_notes(made: MeterBill) -> Iterator[str]:
    rounding = made.tariff.rounding
    if made.bill.rounds_lines:
        total = (
            "the total is their sum"
            if rounding.total_to is None
            else f"the total goes to {rounding.total_to}"
        )
        yield f"The tariff rounds every line; {total}."
    elif rounding.lines:
        names = ", ".join(dict.fromkeys(name for own in rounding.lines for name in own.applies_to))
        yield f"The tariff rounds some lines by themselves: {names}."


def _credit_notes(made: MeterBill) -> Iterator[str]:
    """Say what the lines without money are."""
    if made.tariff.export_credit is not None:
        yield (
            f"What is fed in earns a credit in {made.bill.currency}, which is set against charges; lines without an "
            "amount tell what became of it."
        )
    if made.tariff.netting is not None:
        yield (
            "Energy is billed after energy fed in has been set off against it, in kWh; lines without a price tell what "
            "became of that."
        )
