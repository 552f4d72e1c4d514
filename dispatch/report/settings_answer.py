"""The first screen of ``dispatch settings``: what to enter, when to change it, what it earns, in 24 lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import format_hours, format_money, format_span
from dispatch.report.layout import bulleted, named, plain_table
from dispatch.search.study import PLAIN
from dispatch.words.card import change_lines, sections, share_text, span_words, sun_line

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.search.study import SettingsStudy


MOST_CHANGES = 4  # lines; the rest is on the full screen


def settings_answer(study: SettingsStudy) -> Group:
    """Put the answer together.

    Returns
    -------
    rich.console.Group
        Fits 80 columns, and 24 lines for up to four different plans.
    """
    case = study.case
    title = "Your settings" if study.entered else "Settings to enter"
    span = format_span(case.times[0].date(), case.times[-1].date())
    parts: list[RenderableType] = [
        named(case, f"{title}: "),
        Text(f"{span}; tariff {case.tariff.name}"),
        "",
    ]
    if sun := sun_line(study):
        parts.append(Text(sun.partition(" (")[0], style="bold"))
    parts.append(_plans(study))
    parts += ["", bulleted([*_changes(study), *_earns(study)])]
    parts += ["", Text("--full: reasons, bound, other years, cautions. --html FILE: a page to print.")]
    return Group(*parts)


def _plans(study: SettingsStudy) -> Table:
    """One row per plan: its windows under each other."""
    table = plain_table()
    for heading, width in (
        ("enter for", 22),
        ("reserve", 9),
        ("charge from grid", 22),
        ("discharge", 24),
    ):
        table.add_column(heading, width=width)
    for heading, group in sections(study):
        plan = study.card.plans[group]
        charge = [f"{w.text} to {w.to_percent:g} %" for w in plan.charge]
        discharge = [
            f"{w.text} to {plan.reserve_percent if w.to_percent is None else w.to_percent:g} %"
            for w in plan.discharge
        ]
        table.add_row(
            heading, f"{plan.reserve_percent:g} %", "\n".join(charge) or "off", "\n".join(discharge) or "off"
        )
    return table


def _changes(study: SettingsStudy) -> Iterator[str]:
    lines = change_lines(study)
    if len(lines) <= MOST_CHANGES:
        yield from lines
        return
    yield from lines[: MOST_CHANGES - 1]
    yield f"{len(lines) - MOST_CHANGES + 1} more changes: --full."


def _earns(study: SettingsStudy) -> Iterator[str]:
    case, way, currency = study.case, study.chosen, study.case.currency
    verb, amount = ("Saves", way.saving) if way.saving >= 0 else ("Costs", -way.saving)
    yield (
        f"{verb} {format_money(amount, currency)} {span_words(study)}, as the inverter runs it: bill "
        f"{format_money(way.total, currency)} and wear {format_money(way.wear, currency)} instead of "
        f"{format_money(study.reference_total, currency)}."
    )
    better = study[PLAIN].compared_cost - way.compared_cost
    word = "less" if better >= 0 else "more"
    text = f"Bill + wear: {format_money(abs(better), currency)} {word} than the setting of dispatch compare"
    bound = study.bound
    # else there is none, or the two promise different things
    if bound is not None and study.missed_share(bound) <= study.missed_share(way):
        above = format_money(way.compared_cost - bound.compared_cost, currency)
        text += f", {above} above a plan that knew the whole period"
    yield f"{text}."
    backup = way.backup
    assert backup is not None  # noqa: S101 - a card uses the battery
    horizon, target = case.limits.backup_horizon_hours, case.scenario.backup.target_hours
    text = (
        f"Backup: at least {format_hours(backup.minimum, horizon)} h of the critical load, half of the time "
        f"{format_hours(backup.median, horizon)} h"
    )
    if target is not None:
        text += f"; the target of {target:g} h holds {share_text(way.target_share)} of the time"
    yield f"{text}."
    if way.floor_broken_hours:
        yield f"The scenario's reserve is NOT kept in {way.floor_broken_hours:g} h of the data."
    if not study.entered:
        yield "Tuned on the days it is scored on; other years: --full."
    yield "Wiring is a licensed electrician's work; more cautions: --full."
