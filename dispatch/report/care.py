"""The care card, and the life of the cells by strategy."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import format_number
from dispatch.report.layout import bulleted, headed, plain_table

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.console import RenderableType

    from dispatch.equipment.care import CareCard
    from dispatch.equipment.life import Ageing


def care_report(card: CareCard) -> Group:
    """Put the care card together; fits 80 columns."""
    first = f"{card.name}: {card.warnings[0]}." if card.warnings else f"{card.name}: how to keep the packs."
    parts: list[RenderableType] = [Text(first, style="bold")]
    parts += [Text(f"{warning}.", style="bold") for warning in card.warnings[1:]]
    parts += headed("Temperature", [bulleted(card.temperatures)])
    parts += headed("Resting", [bulleted(card.resting)])
    parts += headed("Where they stand", [bulleted(card.placing)])
    return Group(*parts)


def life_section(ages: Mapping[str, Ageing]) -> list[RenderableType]:
    """Show how each strategy ages the cells: cycles a year, fade, years to 80 %.

    Parameters
    ----------
    ages : mapping of str to Ageing
        By strategy; empty without [life], and then nothing is shown.
    """
    if not ages:
        return []
    table = plain_table()
    table.add_column("", width=16)
    for heading, width in (
        ("full cycles\na year", 12),
        ("deepest\n%", 9),
        ("lost by\ncycles, %", 11),
        ("by the\ncalendar, %", 12),
        ("years to\n80 %", 10),
    ):
        table.add_column(heading, justify="right", width=width)
    for name, age in ages.items():
        table.add_row(
            name,
            format_number(age.full_cycles_per_year, 1),
            format_number(age.deepest_percent, 0),
            format_number(100 * age.cycle_fade_per_year, 2),
            format_number(100 * age.calendar_fade_per_year, 2),
            "-" if math.isinf(age.years_to_80) else format_number(math.floor(10 * age.years_to_80) / 10, 1),
        )
    note = "Cycles counted by rainflow (ASTM E1049), as set; both fadings taken as even over the years and added."
    return headed("Life of the cells", [table, Text(note)])
