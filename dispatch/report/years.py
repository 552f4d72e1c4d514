"""The screen of ``dispatch years``: one home through many years, and the setting that is best over all."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import format_number, percent_down
from dispatch.report.layout import bulleted, headed, money_places, named, plain_table
from dispatch.words.years import NOTES, over_words, years_lines, years_words

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.fleet.years import Years

SHOWN = 10
"""Years shown unless everything is asked for: the worst first."""


def years_report(found: Years, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch years`` together.

    Parameters
    ----------
    found : Years
    full : bool
        Whether every year, and how to read it, follow.
    """
    parts: list[RenderableType] = [
        named(found.case),
        Text(f"{years_words(found)}, {found.case.currency}, under today's tariff {found.case.tariff.name}"),
    ]
    headline = f"Set {over_words(found.best)}: it saves most over these years"
    parts += headed("What to set", [Text(headline, style="bold"), bulleted(years_lines(found))])
    parts += ["", _table(found, full=full)]
    if full:
        parts += headed("How to read it", [bulleted(NOTES)])
    else:
        parts.append(Text("Worst years first. All years and how to read it: --full", style="dim"))
    return Group(*parts)


def _table(found: Years, *, full: bool) -> Table:
    years = sorted(found.years, key=lambda year: (year.saving, year.name))
    shown = found.years if full else years[:SHOWN]
    places = money_places(found.case.currency, [year.no_system_bill for year in shown], 8)
    table = plain_table()
    table.add_column("year", width=14, overflow="fold")
    for name, width in (
        ("without\nsystem", 9),
        ("saved", 8),
        ("target\nkept, %", 8),
        ("saved with\nown best", 11),
    ):
        table.add_column(name, justify="right", width=width)
    table.add_column("  own best", width=16)
    table.add_column("saved as\nplanned", justify="right", width=8)
    for year in shown:
        table.add_row(
            year.name,
            format_number(year.no_system_bill, places),
            format_number(year.saving, places),
            percent_down(year.keeps_target_fraction),
            format_number(year.own_saving, places),
            f"  {year.strategy.removesuffix('-first')} {year.reserve_percent:g}%",
            format_number(year.bound_saving, places),
        )
    return table
