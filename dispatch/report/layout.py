"""How every screen is set: tables without frames, headings in capitals, lists with a hanging indent."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich import box
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import RenderableType


# head and sections ruled, nothing else; in a terminal without Unicode rich puts plain ASCII in its place
_RULES = box.Box("    \n    \n ── \n    \n ── \n    \n    \n    \n")


def plain_table(*, title: str | None = None) -> Table:
    """Make an empty table in the report's look: a rule under the head, no frame, one space between columns.

    Parameters
    ----------
    title : str, optional
        Printed above it, at the left.

    Returns
    -------
    rich.table.Table
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

    Returns
    -------
    list of renderable
    """
    return ["", Text(title.upper(), style="bold"), *body]


def bulleted(lines: Iterable[str]) -> Table:
    """Set lines as a list whose continuation lines stay clear of the dash.

    Parameters
    ----------
    lines : iterable of str
        Plain text.

    Returns
    -------
    rich.table.Table
    """
    table = Table.grid(padding=(0, 1, 0, 0))
    table.add_column(width=1)
    table.add_column(overflow="fold")
    for line in lines:
        table.add_row("-", Text(line))
    return table
