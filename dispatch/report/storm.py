"""The screen of ``dispatch storm``, as rich renderables for 80 columns: the answer first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import format_hours, format_moment
from dispatch.report.layout import bulleted, headed, named, plain_table
from dispatch.words.notices import cautions
from dispatch.words.storm import (
    carries_text,
    checklist,
    cost_text,
    day_row,
    early_text,
    enough_text,
    first_lines,
    grounds,
    headline,
    latest_text,
    title,
    what_to_set,
)

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.ahead.dark import StormDay
    from dispatch.ahead.storm import Storm


def storm_report(plan: Storm, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch storm`` together.

    Parameters
    ----------
    plan : Storm
    full : bool
        Also the hours until it begins, its days without grid, the grounds and the cautions; without it the answer,
        in 24 lines.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    percent = 100 * plan.level_kwh / plan.case.limits.full_kwh
    now = f"now {format_moment(plan.at)}, battery at {percent:.0f} %"
    parts: list[RenderableType] = [
        named(plan.case, f"{title(plan)}: "),
        Text(now),
        "",
        Text(headline(plan), style="bold"),
    ]
    parts += headed("What to set", [bulleted(what_to_set(plan) if full else first_lines(plan))])
    facts = [latest_text(plan), enough_text(plan), cost_text(plan), early_text(plan)]
    if not full:
        parts += headed("Why", [bulleted(facts)])
        parts += ["", Text("--full: every hour, what it carries, checklist, cautions.")]
        return Group(*parts)
    parts += headed("Why", [bulleted([*facts, carries_text(plan)])])
    parts += headed("If the grid fails early", [_hours(plan)])
    parts += headed("Days without grid, sun as expected", [_days(plan, plan.days)])
    if plan.case.sun_kwh.any():
        parts += headed("Days without grid, half the sun", [_days(plan, plan.dull_days)])
    parts += headed("Checklist", [bulleted(checklist(plan))])
    parts += headed("What this rests on", [bulleted(grounds(plan))])
    parts += headed("Cautions", [bulleted(cautions(plan.case))])
    return Group(*parts)


def _hours(plan: Storm) -> Table:
    table = plain_table()
    table.add_column("if it fails at", width=22)
    table.add_column("level", justify="right", width=8)
    table.add_column("hours left", justify="right", width=12)
    horizon, full = plan.case.limits.backup_horizon_hours, plan.case.limits.full_kwh
    for left in plan.left:
        table.add_row(
            format_moment(left.when),
            f"{100 * left.level_kwh / full:.0f} %",
            format_hours(left.hours, horizon),
        )
    return table


def _days(plan: Storm, days: tuple[StormDay, ...]) -> Table:
    table = plain_table()
    for heading, width in (
        ("day", 11),
        ("critical\nkWh", 10),
        ("sun used\nkWh", 10),
        ("missing\nkWh", 9),
        ("generator\nh", 11),
        ("fuel\nl", 7),
        ("level at\nits end", 10),
    ):
        table.add_column(heading, justify="left" if heading == "day" else "right", width=width)
    for day in days:
        table.add_row(*day_row(day, plan.case.limits.full_kwh))
    return table
