"""The screen of ``dispatch fleet``: what a group of homes saves, what wins, and what it does to the grid."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import format_hours, format_number
from dispatch.report.layout import bulleted, headed, plain_table
from dispatch.words.fleet import (
    MONTHS,
    NOTES,
    grid_lines,
    homes_words,
    loser_words,
    run_lines,
    saving_words,
    unusable_words,
    why_words,
)

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.fleet.run import Ran
    from dispatch.fleet.summary import Group as HomesGroup
    from dispatch.fleet.summary import Spread, Summary


def fleet_report(summary: Summary, ran: Ran | None = None, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch fleet`` together.

    Parameters
    ----------
    summary : Summary
    ran : Ran, optional
        What the run did.
    full : bool
        Whether reserves, the load by hour, losing homes and reasons follow.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    parts: list[RenderableType] = [
        Text(homes_words(summary), style="bold"),
        Text(f"as set, results in {summary.directory}"),
    ]
    if ran is not None:
        parts += map(Text, run_lines(ran))
    for group in summary.groups:
        parts += _group(group, full=full)
    if summary.unusable:
        shown = summary.reasons if full else summary.reasons[:2]
        lines = [f"{home}: {reason}" for home, reason in shown]
        parts += headed(f"Homes without a setting: {unusable_words(summary)}", [bulleted(lines)])
    parts.append(Text("" if full else "Reserves, load by hour, every reason: --full", style="dim"))
    return Group(*parts)


def _group(group: HomesGroup, *, full: bool) -> list[RenderableType]:
    title = "What the homes save" + (f" under {group.tariff}" if group.tariff else "")
    parts = headed(title, [Text(saving_words(group), style="bold"), _spreads(group)])
    parts.append(_winners(group))
    parts += headed("What the group does to the grid", [bulleted(grid_lines(group))])
    if full:
        parts += headed("Why", [bulleted(why_words(winner, group.currency) for winner in group.winners)])
        parts += headed("Load by hour, kW", [_hours(group)])
        parts += headed("Peak by month, kW", [_months(group)])
        if group.losers:
            lines = [loser_words(loser, group.currency) for loser in group.losers]
            parts += headed("Homes that lose most", [bulleted(lines)])
        parts += headed("How to read it", [bulleted(NOTES)])
    return parts


def _spreads(group: HomesGroup) -> Table:
    table = plain_table()
    table.add_column(f"a year, {group.currency}", width=24)
    for name in ("mean", "5 %", "25 %", "median", "75 %", "95 %"):
        table.add_column(name, justify="right", width=8)
    _add(table, "saving", group.saving_per_year)
    if group.foresight_per_year is not None:
        some = "" if group.bound_homes == group.homes else f" ({group.bound_homes:,})"
        _add(table, f"perfect foresight: more{some}", group.foresight_per_year)
    _add(table, "least hours of backup, h", group.least_hours, hours=True)
    return table


def _add(table: Table, name: str, spread: Spread, *, hours: bool = False) -> None:
    values = (spread.mean, spread.p05, spread.p25, spread.median, spread.p75, spread.p95)
    table.add_row(name, *(format_hours(value) if hours else format_number(value) for value in values))


def _winners(group: HomesGroup) -> Table:
    table = plain_table()
    table.add_column("best strategy", width=15)
    for name, width in (
        ("homes", 8), ("share", 6), ("reserve,\nmedian", 8), ("ahead of\nnext", 9), ("no other\nwill do", 9),
        ("with\nsun", 5), ("usable\nkWh", 7),
    ):  # fmt: skip
        table.add_column(name, justify="right", width=width)
    for winner in group.winners:
        ahead = None if winner.ahead is None else winner.ahead.median
        table.add_row(
            winner.strategy,
            f"{winner.homes:,}",
            _percent(winner.share),
            f"{winner.reserve_percent.median:g}%",
            format_number(ahead),
            f"{winner.only_one_homes:,}",
            _percent(winner.with_sun_share),
            format_number(winner.usable_kwh.median, 1),
        )
    return table


def _percent(share: float) -> str:
    return f"{100 * share:.0f}%"


def _hours(group: HomesGroup) -> Table:
    load, table = group.load, plain_table()
    month = load.peak_after.month - 1
    table.add_column(f"{MONTHS[month]}, hour", width=12)
    for name in ("before", "as set", "staggered"):
        table.add_column(name, justify="right", width=12)
    for hour in range(24):
        values = (load.before[month, hour], load.after[month, hour], load.staggered[month, hour])
        table.add_row(
            f"{hour:02d}-{(hour + 1) % 24:02d}", *(format_number(float(value), 1) for value in values)
        )
    return table


def _months(group: HomesGroup) -> Table:
    load, table = group.load, plain_table()
    table.add_column("month", width=12)
    for name in ("before", "as set", "staggered"):
        table.add_column(name, justify="right", width=12)
    for month, name in enumerate(MONTHS):
        values = (load.before[month].max(), load.after[month].max(), load.staggered[month].max())
        table.add_row(name, *(format_number(float(value), 1) for value in values))
    return table
