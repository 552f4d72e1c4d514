"""The screen of ``dispatch fleet``: what a group of homes saves, what wins, and what it does to the grid."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import format_hours, format_money, format_number
from dispatch.report.layout import bulleted, headed, plain_table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.fleet.summary import Group as HomesGroup
    from dispatch.fleet.summary import Peak, Spread, Summary, Winner


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def fleet_report(summary: Summary, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch fleet`` together.

    Parameters
    ----------
    summary : Summary
    full : bool
        Whether reserves, the load by hour, losing homes and reasons follow.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    set_homes = summary.homes - sum(summary.unusable.values())
    parts: list[RenderableType] = [
        Text(f"{summary.homes:,} homes, {set_homes:,} with a setting", style="bold"),
        Text(f"as set, results in {summary.directory}"),
    ]
    for group in summary.groups:
        parts += _group(group, full=full)
    if summary.unusable:
        counts = ", ".join(f"{count:,} {status}" for status, count in summary.unusable.items())
        shown = summary.reasons if full else summary.reasons[:2]
        lines = [f"{home}: {reason}" for home, reason in shown]
        parts += headed(f"Homes without a setting: {counts}", [bulleted(lines)])
    parts.append(Text("" if full else "Reserves, load by hour, every reason: --full", style="dim"))
    return Group(*parts)


def _group(group: HomesGroup, *, full: bool) -> list[RenderableType]:
    title = "What the homes save" + (f" under {group.tariff}" if group.tariff else "")
    parts = headed(title, [Text(_headline(group), style="bold"), _spreads(group)])
    parts.append(_winners(group))
    parts += headed("What the group does to the grid", [bulleted(_grid(group))])
    if full:
        parts += headed("Why", [bulleted(_why(group))])
        parts += headed("Load by hour, kW", [_hours(group)])
        parts += headed("Peak by month, kW", [_months(group)])
        if group.losers:
            lines = [
                f"{loser.home}: {format_money(loser.saving_per_year, group.currency)} a year with {loser.strategy}"
                for loser in group.losers
            ]
            parts += headed("Homes that lose most", [bulleted(lines)])
        parts += headed("How to read it", [bulleted(_notes())])
    return parts


def _headline(group: HomesGroup) -> str:
    losing = f"{group.losing_homes:,} of {group.homes:,} lose money"
    median = format_money(group.saving_per_year.median, group.currency)
    return f"Half the homes save more than {median} a year; {losing}"


def _spreads(group: HomesGroup) -> Table:
    table = plain_table()
    table.add_column(f"a year, {group.currency}", width=26)
    for name in ("mean", "5 %", "25 %", "median", "75 %", "95 %"):
        table.add_column(name, justify="right", width=9)
    _add(table, "saving", group.saving_per_year)
    if group.foresight_per_year is not None:
        _add(table, "perfect foresight: more", group.foresight_per_year)
    _add(table, "least hours of backup, h", group.least_hours, hours=True)
    return table


def _add(table: Table, name: str, spread: Spread, *, hours: bool = False) -> None:
    values = (spread.mean, spread.p05, spread.p25, spread.median, spread.p75, spread.p95)
    table.add_row(name, *(format_hours(value) if hours else format_number(value) for value in values))


def _winners(group: HomesGroup) -> Table:
    table = plain_table()
    table.add_column("best strategy", width=16)
    for name, width in (
        ("homes", 8), ("share", 7), ("reserve,\nmedian", 10), ("ahead of\nnext", 10), ("only one\nthat will do", 13),
        ("with\nsun", 7), ("usable\nkWh", 8),
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


def _at(peak: Peak) -> str:
    return f"{format_number(peak.kw, 1)} kW ({_MONTHS[peak.month - 1]}, {peak.hour:02d}-{(peak.hour + 1) % 24:02d} h)"


def _grid(group: HomesGroup) -> Iterator[str]:
    load = group.load
    change = load.peak_after.kw - load.peak_before.kw
    yield f"Highest hour of a month's mean day: {_at(load.peak_before)} before, {_at(load.peak_after)} as set"
    yield f"Batteries raise the load most by {_at(load.rise)}: they all charge at once"
    word = "takes" if load.taken_off_kw >= 0 else "adds"
    yield (
        f"Starting each charge by lot within what costs the home nothing ({load.can_shift_homes:,} homes can) "
        f"{word} {format_number(abs(load.taken_off_kw), 1)} kW {'off' if word == 'takes' else 'to'} the peak: "
        f"{_at(load.peak_staggered)}"
    )
    if change > 0:
        left = load.peak_staggered.kw - load.peak_before.kw
        side = "above" if left >= 0 else "below"
        yield (
            f"The new peak is {format_number(change, 1)} kW above the old; staggered, {format_number(abs(left), 1)} kW "
            f"{side} it"
        )


def _why(group: HomesGroup) -> Iterator[str]:
    for winner in group.winners:
        yield _reason(winner, group.currency)


def _reason(winner: Winner, currency: str) -> str:
    parts = [f"{winner.strategy}: {winner.homes:,} homes"]
    by_money = winner.homes - winner.only_one_homes - winner.missing_homes
    if winner.ahead is not None:
        parts.append(
            f"{by_money:,} by money, half of them by more than {format_money(winner.ahead.median, currency)}"
        )
    if winner.only_one_homes:
        parts.append(f"{winner.only_one_homes:,} because nothing else serves and keeps the target")
    if winner.missing_homes:
        parts.append(f"{winner.missing_homes:,} where nothing keeps the target and it comes closest")
    reserves = ", ".join(f"{tens} %: {count:,}" for tens, count in winner.reserves.items())
    return f"{'; '.join(parts)}. Reserves {reserves}"


def _hours(group: HomesGroup) -> Table:
    load, table = group.load, plain_table()
    month = load.peak_after.month - 1
    table.add_column(f"{_MONTHS[month]}, hour", width=12)
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
    for month, name in enumerate(_MONTHS):
        values = (load.before[month].max(), load.after[month].max(), load.staggered[month].max())
        table.add_row(name, *(format_number(float(value), 1) for value in values))
    return table


def _notes() -> Iterator[str]:
    yield "As set: run by an inverter that sees only the present, each home at its own best strategy and reserve."
    yield (
        "Saving: bill + wear against the household without the system, less the worth of what more is stored, scaled "
        "to a year. Hours: the critical load, without sun, at the worst instant."
    )
    yield (
        "Load: import less export of all homes, mean of each hour of the local day by month. Days differ: the highest "
        "single hour of a year lies above it. Neighbours share a transformer: ask the utility what it carries."
    )
