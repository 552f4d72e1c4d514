"""Outage statistics on the screen: what a year of outages is expected to cost each strategy."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from dispatch.formats import ABSENT, currency_decimals, format_number
from dispatch.report.layout import bulleted, plain_table
from dispatch.scenario.outages import SUSTAINED_MINUTES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType

    from dispatch.outages.expected_loss import Rates
    from dispatch.safety.study import BackupStudy


STATE_THEM = (
    "No outage statistics are stated. With [outages] saifi_per_year = 1.3 and caidi_hours = 2.0 (your utility reports "
    "its own) this section ranks the strategies by bill + wear + expected loss."
)


def losses_section(study: BackupStudy) -> Iterator[RenderableType]:
    """Rank the strategies by bill + wear + expected loss, or say what to state."""
    rates, case = study.rates, study.case
    outages = case.scenario.outages
    if rates is None or outages is None:
        yield bulleted([STATE_THEM])
        return
    currency = case.currency
    places = currency_decimals(currency)
    table = plain_table()
    table.add_column("strategy", width=15)
    for heading, width in (
        ("kWh not\nserved", 9),
        ("hours\nnot served", 11),
        (f"{currency} of\nlost load", 12),
        (f"bill + wear\n{currency}", 13),
        (f"with lost\nload, {currency}", 14),
    ):
        table.add_column(heading, justify="right", width=width)
    runs = (study.advice.no_system, *study.advice.outcomes.values(), study.outcome)
    costs = {run.name: run.compared_cost for run in runs}
    for loss in sorted(study.losses, key=lambda item: costs[item.strategy] + (item.money or 0.0)):
        table.add_row(
            loss.strategy,
            format_number(loss.unserved_kwh, 3),
            format_number(loss.unserved_hours, 3),
            format_number(loss.money, places),
            format_number(costs[loss.strategy], places),
            format_number(costs[loss.strategy] + loss.money, places) if loss.money is not None else ABSENT,
            style="bold" if loss.strategy == study.outcome.name else "",
        )
    yield table
    yield Text(f"A year of outages, cheapest first. {_rates_words(rates)}", style="dim")
    yield bulleted(_notes(study, rates))


def _rates_words(rates: Rates) -> str:
    spread = "exponentially spread lengths"
    if rates.fixed_hours:
        spread = "all of that length" if len(set(rates.fixed_hours)) == 1 else "the lengths that were listed"
    return (
        f"SAIFI {rates.saifi_per_year:.3g} a year, CAIDI {rates.caidi_hours:.3g} h, SAIDI {rates.saidi_hours:.3g} h "
        f"a year, {spread}."
    )


def _notes(study: BackupStudy, rates: Rates) -> Iterator[str]:
    outages = study.case.scenario.outages
    if outages is None:
        return
    when = "at any step alike" if outages.start_weights is None else "by the stated weights of month and hour"
    yield f"Exact over every start ({when}) and every length; panels work in the outage, a stated generator too."
    if rates.momentary:
        yield f"{rates.momentary} of the past outages lasted {SUSTAINED_MINUTES:g} minutes or less and do not count."
    if outages.value_of_lost_load_per_kwh is None:
        yield "Add value_of_lost_load_per_kwh to rank by money: what a kWh not served is worth to you."
    beyond = max(
        (loss.beyond_horizon_kwh for loss in study.losses if loss.strategy != "grid-only"), default=0.0
    )
    if beyond > 5e-4:
        yield f"Up to {beyond:.3f} kWh of it lie beyond the hours followed, where neither sun nor generator is counted."
