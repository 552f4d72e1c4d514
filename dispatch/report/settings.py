"""The screen of ``dispatch settings``, as rich renderables for 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import (
    format_hours,
    format_money,
    format_number,
    format_span,
)
from dispatch.report.layout import bulleted, headed, named, plain_table
from dispatch.words.card import card_rows, change_lines, how_to_enter, sections, share_text, sun_line
from dispatch.words.card_result import assumption_lines, result_lines, safety_lines, simple_lines
from dispatch.words.notices import cautions

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.search.study import SettingsStudy


def settings_report(study: SettingsStudy) -> Group:
    """Put the screen of ``dispatch settings`` together.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    case = study.case
    title = "Your settings" if study.entered else "Settings to enter"
    parts: list[RenderableType] = [
        named(case, f"{title}: "),
        Text(f"{format_span(case.times[0].date(), case.times[-1].date())}; tariff {case.tariff.name}"),
    ]
    if sun := sun_line(study):
        parts += ["", Text(sun, style="bold")]
    for heading, group in sections(study):
        parts += headed(heading, [_card_table(study, group)])
    parts += headed("When to change", [bulleted(change_lines(study))])
    parts += headed("How to enter it", [bulleted(how_to_enter(study))])
    parts += headed(
        "What it earns", [bulleted([*result_lines(study), *simple_lines(study), *safety_lines(study)])]
    )
    parts += headed(f"Side by side, {case.currency}", [_ways_table(study)])
    parts += headed("What this rests on", [bulleted([*assumption_lines(study), *case.notes])])
    parts += headed("Cautions", [bulleted(cautions(case))])
    return Group(*parts)


def _card_table(study: SettingsStudy, group: int) -> Table:
    table = plain_table()
    table.add_column("enter", width=20)
    table.add_column("when", width=13)
    table.add_column("level", width=17)
    table.add_column("why", width=27, overflow="fold")
    for row in card_rows(study, group):
        table.add_row(row.entry, row.when, row.level, row.why)
    return table


def _ways_table(study: SettingsStudy) -> Table:
    currency, horizon = study.case.currency, study.case.limits.backup_horizon_hours
    table = plain_table()
    table.add_column("", width=12)
    for heading, width in (
        ("bill\n", 12),
        ("wear\n", 10),
        ("bill +\nwear", 12),
        ("more than\nreachable", 11),
        ("least\nbackup h", 10),
        ("target met\n% of time", 12),
    ):
        table.add_column(heading, justify="right", width=width)
    bound = study["reachable"].compared_cost
    has_target = study.case.scenario.backup.target_hours is not None
    for way in study.ways:
        missed = 100 * study.missed_share(way)
        # what misses the target is not the same thing at a lower price
        more = 100 * (way.compared_cost - bound) / abs(bound) if abs(bound) > 0.005 and missed <= 0 else None
        short = f" (-{format_number(missed, 1)})" if missed > 0 else ""
        table.add_row(
            way.name,
            *(
                format_money(v, currency).removeprefix(f"{currency} ")
                for v in (way.total, way.wear, way.compared_cost)
            ),
            "-" if more is None else f"{format_number(more, 1)} %",
            format_hours(way.least_hours, horizon),
            f"{share_text(way.target_share).removesuffix(' %')}{short}" if has_target else "-",
            style="bold" if way is study.chosen else "",
        )
    return table
