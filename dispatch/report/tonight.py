"""The screen of ``dispatch tonight``, as rich renderables for 80 columns: the answer first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import format_moment, format_number
from dispatch.report.layout import bulleted, headed, named, plain_table
from dispatch.words.notices import cautions
from dispatch.words.tonight import (
    FIRST_ENTRIES,
    entry_lines,
    grounds,
    half_text,
    headline,
    left_text,
    reserve_text,
    worth_text,
)

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.ahead.tonight import Tonight


BAR_WIDTH = 18
HOUR = 1.0


def tonight_report(plan: Tonight, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch tonight`` together.

    Parameters
    ----------
    plan : Tonight
    full : bool
        Also the hours, what it rests on and the cautions; without it the answer, in 24 lines.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    case = plan.case
    percent = 100 * plan.level_kwh / case.limits.full_kwh
    parts: list[RenderableType] = [
        named(case, "Tonight: "),
        Text(f"{format_moment(plan.at)}; battery at {percent:.0f} % ({plan.level_kwh:.2f} kWh)"),
        "",
        Text(headline(plan), style="bold"),
    ]
    parts += headed("What to enter", [bulleted(entry_lines(plan, None if full else FIRST_ENTRIES))])
    why = [reserve_text(plan), left_text(plan), worth_text(plan), half_text(plan)]
    parts += headed("Why", [bulleted(line for line in why if line is not None)])
    if not full:
        parts += ["", Text("--full: every hour, what this rests on, cautions.")]
        return Group(*parts)
    parts += headed("Hour by hour", [_hours(plan)])
    parts += headed("What this rests on", [bulleted(grounds(plan))])
    parts += headed("Cautions", [bulleted(cautions(plan.case))])
    return Group(*parts)


def _hours(plan: Tonight) -> Table:
    """One row an hour: what the steps in it add up to, and the level at its end."""
    case, flows, table = plan.case, plan.run.flows, plain_table()
    for heading, width in (
        ("time", 10),
        ("price", 17),
        ("load", 6),
        ("sun", 6),
        ("grid in", 8),
        ("gives", 6),
    ):
        table.add_column(heading, justify="left" if heading in {"time", "price"} else "right", width=width)
    table.add_column("level", justify="right", width=7)
    table.add_column(" ", width=BAR_WIDTH)
    per = max(1, round(HOUR / case.dt_hours))
    last = None
    for begin in range(0, len(plan.times), per):
        rows = slice(begin, begin + per)
        moment = plan.times[begin]
        day = f"{moment:%a} " if moment.date() != last else "    "
        last = moment.date()
        level = float(flows["stored"][rows][-1]) / case.limits.full_kwh
        gives = (
            case.limits.eta_inverter * (flows["battery_to_load"][rows] + flows["battery_to_grid"][rows]).sum()
        )
        table.add_row(
            f"{day}{moment:%H:%M}",
            f"{plan.band[begin][:10]} {format_number(float(plan.import_price_per_kwh[begin]), 4)}",
            format_number(float(plan.expected["load"][rows].sum()), 2),
            _or_dash(float(plan.expected["sun"][rows].sum())),
            _or_dash(float(flows["grid_to_battery"][rows].sum())),
            _or_dash(float(gives)),
            f"{100 * level:.0f} %",
            " " + "#" * round(level * (BAR_WIDTH - 2)),
        )
    return table


def _or_dash(value: float) -> str:
    return format_number(value, 2) if value > 0.005 else "-"
