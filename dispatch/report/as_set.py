"""As set beside planned: what each strategy costs as an inverter runs it, and with foresight at the same reserve."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.formats import format_hours, format_number
from dispatch.report.layout import bulleted, money_places, plain_table
from dispatch.words.plans import unproven_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.comparison.compare import Comparison


def as_set_table(comparison: Comparison) -> Table:
    """List the strategies a household can set, as set and planned.

    Returns
    -------
    rich.table.Table
        80 columns wide.
    """
    case, advice = comparison.case, comparison.advice
    places, horizon = money_places(case.currency, [advice.no_system.total]), case.limits.backup_horizon_hours
    table = plain_table()
    table.add_column(f"\n{case.currency}", width=15)
    for heading, width in (
        ("reserve\nset to", 9),
        ("bill + wear\nas set", 13),
        ("bill + wear\nplanned", 13),
        ("foresight\nwould save", 11),
        ("least h\nas set", 9),
        ("least h\nplanned", 9),
    ):
        table.add_column(heading, justify="right", width=width)
    for name, run in advice.outcomes.items():
        plan = comparison.planned.get(name)
        table.add_row(
            name,
            f"{run.reserve_percent:g}%",
            format_number(run.compared_cost, places),
            format_number(None if plan is None else plan.compared_cost, places),
            format_number(comparison.foresight(name), places),
            format_hours(run.backup.minimum if run.backup else None, horizon),
            format_hours(plan.backup.minimum if plan is not None and plan.backup else None, horizon),
            style="bold" if name == advice.strategy else "",
        )
    best = comparison.best_plan
    hours = format_hours(best.backup.minimum if best is not None and best.backup else None, horizon)
    table.add_row("bound", "", "", format_number(comparison.bound, places), "", "", hours)
    return table


def as_set_notes(comparison: Comparison) -> Iterator[RenderableType]:
    """Say what the two columns mean and how as set was entered."""
    step = comparison.case.scenario.settings.level_step_percent
    yield ""
    yield bulleted(
        (
            *unproven_words(comparison),
            (
                "as set: run step by step by an inverter that sees only the present, the tariff's windows entered "
                f"as they are, the reserve in the device's {step:g} % steps. planned: the same reserve and start, "
                "knowing all of the period."
            ),
            "A plan follows its strategy before money, so it can cost more than the inverter where the strategy does.",
            "bound: the least bill + wear of any plan at the reserve that is set.",
        )
    )
