"""How every screen is set: tables without frames, headings in capitals, lists with a hanging indent."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich import box
from rich.cells import cell_len
from rich.console import Group
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from dispatch.formats import currency_decimals, format_number, format_span, format_step
from dispatch.words.slips import odd_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
    from rich.table import Column

    from dispatch.case.case import Case


WIDTH = 80
# head and sections ruled, nothing else; in a terminal without Unicode rich puts plain ASCII in its place
_RULES = box.Box("    \n    \n ── \n    \n ── \n    \n    \n    \n")


NARROWEST = 40
"""Columns that every screen can do with."""

_INDENT = 2


class Sheet(Table):
    """A table that on a screen too narrow for it becomes a list, row by row: no cell is cut, no figure broken."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Print as a table where every column has its room, else as a list."""
        if self._has_room(console, options):
            yield from super().__rich_console__(console, options)
        else:
            yield from self._rows_below_each_other(console, options)

    def _has_room(self, console: Console, options: ConsoleOptions) -> bool:
        room = options.update_width(options.max_width - self._extra_width)
        widths = self._calculate_column_widths(console, room)
        if sum(widths) + self._extra_width > options.max_width:
            return False
        return all(
            width >= _longest_word(console, options, column)
            for column, width in zip(self.columns, widths, strict=True)
        )

    def _rows_below_each_other(self, console: Console, options: ConsoleOptions) -> RenderResult:
        if self.title:
            yield Text(str(self.title), style="bold")
        headings = [_flat(console, column.header) for column in self.columns]
        cells = [list(column.cells) for column in self.columns]
        for at, row in enumerate(self.rows):
            style = console.get_style(row.style or "")
            if not any(headings):  # a name and its figure to a line
                for line in _pairs(console, options, [column[at] for column in cells]):
                    line.stylize(style)
                    yield line
                continue
            for place, (heading, column) in enumerate(zip(headings, cells, strict=True)):
                for line in _told(console, options, heading, column[at], first=place == 0):
                    line.stylize(style)
                    yield line


def _longest_word(console: Console, options: ConsoleOptions, column: Column) -> int:
    sizes = (Measurement.get(console, options, cell) for cell in (column.header, *column.cells))
    longest = max(size.maximum if column.no_wrap else size.minimum for size in sizes)
    # where a line is cut on purpose, it may be cut to the width that was meant, no further
    return min(longest, column.width) if column.no_wrap and column.width else longest


def _flat(console: Console, header: RenderableType) -> str:
    return " ".join(_plain(console, header).split())


def _plain(console: Console, cell: RenderableType) -> str:
    if isinstance(cell, Text):
        return cell.plain
    if isinstance(cell, str):
        return cell
    with console.capture() as held:
        console.print(cell, width=NARROWEST)
    return held.get()


def _told(
    console: Console, options: ConsoleOptions, heading: str, cell: RenderableType, *, first: bool
) -> Iterator[Text]:
    """Set one cell under its heading: the first of a row at the left, all others below it, set in."""
    lines = [line.strip() for line in _plain(console, cell).splitlines() if line.strip()]
    if not lines:
        return
    gap = "" if first else " " * _INDENT
    together = f"{gap}{heading}: {lines[0]}" if heading else f"{gap}{lines[0]}"
    if len(lines) == 1 and (cell_len(together) <= options.max_width or not heading):
        yield from _set_in(console, options, together, len(gap) + _INDENT)
        return
    if heading:
        yield from _set_in(console, options, f"{gap}{heading}:", len(gap) + _INDENT)
        gap += " " * _INDENT
    for line in lines:
        yield from _set_in(console, options, f"{gap}{line}", len(gap) + _INDENT)


def _pairs(console: Console, options: ConsoleOptions, cells: Sequence[RenderableType]) -> Iterator[Text]:
    texts = [" ".join(_plain(console, cell).split()) for cell in cells]
    for at in range(0, len(texts), 2):
        yield from _set_in(console, options, "  ".join(filter(None, texts[at : at + 2])), _INDENT)


def _set_in(console: Console, options: ConsoleOptions, line: str, indent: int) -> Iterator[Text]:
    """Break a line between words, what follows set in; a word longer than the screen goes on below."""
    wrapped = Text(line).wrap(console, options.max_width, overflow="fold")
    yield wrapped[0]
    rest = " ".join(each.plain.strip() for each in wrapped[1:])
    if rest:
        for each in Text(rest).wrap(console, max(options.max_width - indent, 1), overflow="fold"):
            yield Text(" " * indent + each.plain)


class Wide:
    """Something drawn in columns, and what says the same on a screen too narrow for it."""

    def __init__(self, drawn: RenderableType, told: RenderableType, width: int) -> None:
        self._drawn, self._told, self._width = drawn, told, width

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw where there is room, else tell."""
        del console
        yield self._drawn if options.max_width >= self._width else self._told


def plain_table(*, title: str | None = None) -> Table:
    """Make an empty table in the report's look: a rule under the head, no frame, one space between columns.

    Parameters
    ----------
    title : str, optional
        Printed above it, at the left.
    """
    return Sheet(
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
    return Group(named(case), Text(f"{span}; {facts}"))


def named(case: Case, before: str = "") -> Text:
    """Name the home on a screen's first line, and say there if something in its files looks odd."""
    name, odd = f"{before}{case.name}", odd_line(case)
    if len(name) + len(odd) + 3 > WIDTH:
        odd = odd.partition(":")[0]  # a line more would not fit a screen of 24
    return Text.assemble((name, "bold"), f" ({odd})" if odd else "")


def under_odd(case: Case, screen: RenderableType) -> RenderableType:
    """Put the line above a screen that does not begin with the home's name; nothing where nothing looks odd."""
    odd = odd_line(case)
    return Group(Text(f"{case.name}: {odd}"), screen) if odd else screen


def money_places(currency: str, amounts: Iterable[float | None], width: int = 9) -> int:
    """Choose the decimals of a column: the currency's own, or none where they would not fit its width."""
    places = currency_decimals(currency)
    longest = max((len(format_number(amount, places)) for amount in amounts), default=0)
    return places if longest <= width else 0
