"""Planned beside as set: what each strategy earns with foresight, and as an inverter runs it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.formats import currency_decimals, format_hours, format_money, format_number
from dispatch.report.layout import bulleted, plain_table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.comparison.compare import Comparison


def as_set_table(comparison: Comparison) -> Table:
    """List the strategies a household can set, planned and as set.

    Parameters
    ----------
    comparison : Comparison
        With ``as_set`` filled.

    Returns
    -------
    rich.table.Table
        80 columns wide.
    """
    case = comparison.case
    places, horizon = currency_decimals(case.currency), case.limits.backup_horizon_hours
    table = plain_table()
    table.add_column(f"\n{case.currency}", width=15)
    for heading, width in (
        ("bill\nplanned", 11),
        ("bill\nas set", 11),
        ("with wear\nas set", 11),
        ("foresight\nworth", 11),
        ("least h\nplanned", 9),
        ("least h\nas set", 9),
    ):
        table.add_column(heading, justify="right", width=width)
    for name, run in comparison.as_set.items():
        planned = comparison[name]
        table.add_row(
            name,
            format_number(planned.total, places),
            format_number(run.total, places),
            format_number(run.total + run.wear, places),
            format_number(comparison.foresight(name), places),
            format_hours(planned.backup.minimum if planned.backup else None, horizon),
            format_hours(run.backup.minimum, horizon),
            style="bold" if name == comparison.recommendation.strategy else "",
        )
    return table


def as_set_notes(comparison: Comparison) -> Iterator[RenderableType]:
    """Say what the two columns mean and how as set was entered."""
    case = comparison.case
    device = case.scenario.settings
    planned = (
        "planned: knowing load, sun and prices of the whole period in advance. as set: run step by step by an "
        "inverter that sees only the present, the tariff's windows entered as they are, the reserve rounded up "
        f"to the device's {device.level_step_percent:g} % steps."
    )
    worth = (
        "foresight worth: bill + wear, as set less planned, what is stored at the end counted at the lowest price. "
        "The recommendation rests on the figures as set."
    )
    yield ""
    yield bulleted((planned, worth, "dispatch settings finds windows and levels that earn more than these."))


def foresight_sentence(comparison: Comparison) -> str | None:
    """Say in one sentence what foresight was worth to the recommended strategy, or to the last one."""
    if not comparison.as_set:
        return None
    name = comparison.recommendation.strategy or list(comparison.as_set)[-1]
    worth, currency = comparison.foresight(name), comparison.case.currency
    if worth < 0:
        return (
            f"Foresight was worth nothing to {name}: planned knowing the whole period in advance it costs "
            f"{format_money(-worth, currency)} more, because its own rules come before its bill"
        )
    return (
        f"Foresight was worth {format_money(worth, currency)} to {name}: by that much its bill and wear are lower when "
        "planned knowing the whole period in advance than as an inverter runs it"
    )
