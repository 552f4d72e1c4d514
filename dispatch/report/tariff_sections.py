"""What a richer tariff adds to the comparison's screen: its bill line by line, demand, event days."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from rich.text import Text

from dispatch.formats import currency_decimals, format_hours, format_month, format_number
from dispatch.report.bill import AT_LEAST, MORE_PLACES, SHARED_OUT, add_line, bill_table, decimal_text
from dispatch.report.layout import bulleted, plain_table
from dispatch.strategies.table import CHOICES
from tariffs.billing.summed import summed_lines
from tariffs.terms.event_days import event_totals
from tariffs.terms.peak_demand import PeakDemand, peak_demand

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.comparison.compare import Comparison
    from dispatch.outcome import Outcome
    from tariffs.terms.event_days import EventTotals

    Section = tuple[str, list[RenderableType]]


BEYOND_PRICES = "Price of one more kWh bought; what depends on a whole period (tiers, demand) is left out."


def tariff_sections(comparison: Comparison) -> Iterator[Section]:
    """Yield heading and body of what only richer tariffs have; nothing for plain ones.

    Parameters
    ----------
    comparison : Comparison
        The finished comparison.
    """
    case = comparison.case
    if case.prices.is_plain and not case.prices.event.any():
        return
    shown = _shown(comparison)
    yield _bill_section(comparison)
    if case.prices.demand:
        yield _demand_section(comparison, shown)
    if case.prices.event.any():
        yield _event_section(comparison, shown)


def _shown(comparison: Comparison) -> list[tuple[str, Outcome]]:
    """Without the system, the strategies that can be set as an inverter runs them, and the best plan."""
    advice = comparison.advice
    runs = (advice.no_system, *advice.outcomes.values(), comparison.best_plan)
    return [(run.name, run) for run in runs if run is not None]


def _bill_section(comparison: Comparison) -> Section:
    name, run = comparison.advice.strategy, comparison.advice.chosen
    bill, places = run.bill, comparison.case.tariff.rounding.places
    more = 0 if bill.rounds_lines else MORE_PLACES
    table, lines = bill_table(bill.currency), summed_lines(bill)
    for line in lines:
        if line.kind == "minimum" and abs(line.billed_amount) < Decimal("1e-6"):
            continue  # a solver's noise at the very edge of the minimum
        add_line(table, line, decimal_text(line.billed_amount, places + more))
    table.add_section()
    of_lines = sum((line.billed_amount for line in lines), Decimal(0))
    if not bill.rounds_lines or of_lines != bill.total:
        table.add_row("sum of the lines", "", "", "", decimal_text(of_lines, places + more))
        table.add_row("rounding", "", "", "", decimal_text(bill.total - of_lines, places + more))
    least = ", at least" if any(term.at_least for term in comparison.case.prices.demand) else ""
    table.add_row(f"total{least}", "", "", "", decimal_text(bill.total, places), style="bold")
    note = (
        f"{len(bill.periods)} bills of {bill.tariff_name} summed, line by line; dispatch bill itemises each."
        if len(bill.periods) > 1
        else f"One bill of {bill.tariff_name}."
    )
    return f"The bill of {name}, as set", [table, "", bulleted([note])]


def _columns(table: Table, comparison: Comparison, shown: Sequence[tuple[str, Outcome]]) -> None:
    for name, _ in shown:
        first, _, rest = name.rpartition("-")
        head = f"as set\n{first}-\n{rest}" if name in CHOICES else f"\n{first}-\n{rest}"
        chosen = name == comparison.advice.strategy
        table.add_column(head, justify="right", width=10, style="bold" if chosen else "")


def _demand_section(comparison: Comparison, shown: Sequence[tuple[str, Outcome]]) -> Section:
    prices = comparison.case.prices
    peaks = [peak_demand(prices, run.flows["import"], run.flows["export"]) for _, run in shown]
    table = plain_table()
    table.add_column("kW", width=25, overflow="fold")
    _columns(table, comparison, shown)
    for name in dict.fromkeys(peak.name for peak in peaks[0]):
        rows = [at for at, peak in enumerate(peaks[0]) if peak.name == name]
        first = peaks[0][rows[0]]
        mean = "" if first.days_averaged == 1 else f", mean of {'hours' if first.on_any_day else 'days'}"
        least = ", at least" if any(peaks[0][at].at_least for at in rows) else ""
        table.add_row(Text(f"{name}{mean}{least}", style="bold underline"))
        for at in rows:
            figures = [_kw(of[at]) for of in peaks]
            table.add_row(f" {format_month(peaks[0][at].period)}", *figures)
    return "Highest demand by month", [table, "", bulleted(_demand_notes(peaks))]


def _kw(peak: PeakDemand) -> str:
    raised = "*" if peak.billed_kw > peak.measured_kw + 5e-3 else ""
    return f"{format_number(peak.measured_kw, 2)}{raised}"


def _demand_notes(peaks: Sequence[Sequence[PeakDemand]]) -> Iterator[str]:
    yield (
        "Mean power over the tariff's interval, within its hours. The inverter as set follows its windows and knows "
        "nothing of demand: charging in a demand window raises it. least-cost shows what is possible."
    )
    everything = [peak for each in peaks for peak in each]
    if any(peak.at_least for peak in everything):
        yield AT_LEAST
    if any(peak.billed_kw > peak.measured_kw + 5e-3 for peak in everything):
        yield "*: the tariff bills more than was measured there (its minimum, or earlier months)."


def _event_section(comparison: Comparison, shown: Sequence[tuple[str, Outcome]]) -> Section:
    case = comparison.case
    totals = [(name, run, _events(comparison, run)) for name, run in shown]
    first = totals[0][2]
    table = plain_table()
    table.add_column(f"\n{case.currency}, as set", width=17)
    for heading, width in (
        ("kWh in\nevents", 10),
        ("money in\nevents", 10),
        ("kWh on\nthese days", 11),
        ("money on\nthese days", 11),
        ("least h\nat start", 9),
        ("median h\nat start", 9),
    ):
        table.add_column(heading, justify="right", width=width)
    places, horizon = currency_decimals(case.currency), case.limits.backup_horizon_hours
    for name, _, events in totals:
        table.add_row(
            name,
            format_number(events.total("import_kwh"), 1),
            format_number(events.total("cost"), places),
            format_number(events.total("day_import_kwh"), 1),
            format_number(events.total("day_cost"), places),
            format_hours(events.least_backup_hours, horizon),
            format_hours(events.median_backup_hours, horizon),
            style="bold" if name == comparison.advice.strategy else "",
        )
    notes = [
        "h at start: hours of backup left when the event's price begins. grid-only and least-cost are planned.",
        f"The event's price holds for {first.total('event_hours'):g} h in all.",
        SHARED_OUT,
    ]
    return f"The {len(first.days)} event days", [table, "", bulleted(notes)]


def _events(comparison: Comparison, run: Outcome) -> EventTotals:
    hours = None if run.backup is None else run.backup.hours
    found = event_totals(comparison.case.prices, run.flows["import"], run.flows["export"], hours)
    assert found is not None  # noqa: S101 - asked only where the tariff has events
    return found
