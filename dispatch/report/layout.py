"""How every screen is set: tables without frames, headings in capitals, lists with a hanging indent."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from dispatch.formats import currency_decimals, format_number, format_span, format_step

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import RenderableType

    from dispatch.case.case import Case


# head and sections ruled, nothing else; in a terminal without Unicode rich puts plain ASCII in its place
_RULES = box.Box("    \n    \n ── \n    \n ── \n    \n    \n    \n")


def plain_table(*, title: str | None = None) -> Table:
    """Make an empty table in the report's look: a rule under the head, no frame, one space between columns.

    Parameters
    ----------
    title : str, optional
        Printed above it, at the left.
    """
    return Table(
        title=title,
        title_justify="left",
        title_style="bold",
        box=_RULES,
        show_edge=False,
        pad_edge=False,
        padding=0,
        header_style="bold",
    )


def headed(title: str, body: Iterable[RenderableType]) -> list[RenderableType]:
    """Put a blank line and a heading before a section of a screen.

    Parameters
    ----------
    title : str
        Printed in capitals, so that it stands out without colour.
    body : iterable of renderable
        What stands under it.
    """
    return ["", Text(title.upper(), style="bold"), *body]


def bulleted(lines: Iterable[str]) -> Table:
    """Set lines as a list whose continuation lines stay clear of the dash.

    Parameters
    ----------
    lines : iterable of str
        Plain text.
    """
    table = Table.grid(padding=(0, 1, 0, 0))
    table.add_column(width=1)
    table.add_column(overflow="fold")
    for line in lines:
        table.add_row("-", Text(line))
    return table


def title_of(case: Case, more: str = "") -> Group:
    """Head a screen: the home, its span and clock, and what else the second line says."""
    span = format_span(case.times[0].date(), case.times[-1].date())
    zone = case.scenario.site.time_zone
    facts = more or f"{len(case.times):,} steps of {format_step(case.dt_hours)}, {zone}, {case.currency}"
    return Group(Text(case.name, style="bold"), Text(f"{span}; {facts}"))


def money_places(currency: str, amounts: Iterable[float | None], width: int = 9) -> int:
    """Choose the decimals of a column: the currency's own, or none where they would not fit its width."""
    places = currency_decimals(currency)
    longest = max((len(format_number(amount, places)) for amount in amounts), default=0)
    return places if longest <= width else 0
