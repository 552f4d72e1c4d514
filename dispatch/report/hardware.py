"""The screens of ``dispatch hardware`` and ``dispatch generator``: how fast, how long, what one more pack changes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.formats import ABSENT, format_hours, format_kwh, format_money, format_number
from dispatch.report.layout import bulleted, headed, plain_table
from dispatch.words.parts import GENERATOR_CAUTIONS, transfer_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.sizing.generator import GeneratorStudy
    from dispatch.sizing.hardware import AtPacks, Hardware, Runtime


ROWS_AT_FIRST = 4
"""Numbers of packs, and things that run, in the opening screen."""

DAYS_PER_WEEK = 7

LIMITS_IN_WORDS = {
    "charging.grid_w": "the grid charger",
    "charging.ac_input_w": "the cord",
    "grid.import_limit_kw": "the connection",
    "charging.solar_w": "the solar input",
    "both together": "the two alone",
}


def hardware_report(found: Hardware, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch hardware`` together.

    Parameters
    ----------
    found : Hardware
    full : bool
        Every number of packs, every appliance, and the notes.

    Returns
    -------
    rich.console.Group
        Fits 80 columns; the short form 24 lines.
    """
    limits = found.limits
    surge = f", {1000 * limits.surge_kw:,.0f} W to start motors" if limits.surge_kw else ""
    units = f"{found.unit_count} units, " if found.unit_count > 1 else ""
    usable = format_kwh(limits.ceiling_kwh - limits.empty_kwh)
    now = found.at(found.pack_count)
    parts: list[RenderableType] = [
        Text(
            f"{found.name}: {units}{_packs(found.pack_count)}, {usable} usable; "
            f"{1000 * limits.inverter_kw:,.0f} W{surge}",
            style="bold",
        )
    ]
    if now is not None:
        parts.append(Text(f"Charging is limited now {_limits_words(now)}."))
    parts += [Text(line) for line in _more_and_off(found, now)]
    parts += ["", _charging_table(found, full=full)]
    parts += ["", _runtime_table(found, full=full)]
    if not full:
        return Group(*parts, Text("More: --full"))
    parts += headed("Ratings", [bulleted(_ratings(found))])
    parts += headed("Notes", [bulleted(_notes(found))])
    return Group(*parts)


def _packs(count: int) -> str:
    return "1 pack" if count == 1 else f"{count} packs"


def _limits_words(row: AtPacks) -> str:
    heads = {"grid": "from the grid by", "sun": "from the sun by", "grid and sun": "from both by"}
    names = LIMITS_IN_WORDS | {"charging.combined_w": f"the limit for {_packs(row.count)}"}
    return ", ".join(
        f"{heads[source]} {names.get(row.limited_by[source], row.limited_by[source])} ({watts:,.0f} W)"
        for source, watts in row.charge_w.items()
    )


def _more_and_off(found: Hardware, now: AtPacks | None) -> Iterator[str]:
    step = found.unit_count
    more = found.at(found.pack_count + step)
    if now is not None and more is not None:
        added = f"+{format_kwh(more.usable_kwh - now.usable_kwh)}"
        source = now.full[-1].source
        faster = more.charge_w[source] - now.charge_w[source]
        charge = f", {faster:+,.0f} W charging" if abs(faster) >= 0.5 else ", charging no faster"
        charge = ", charging no slower" if more.is_beyond_table else charge
        last = found.runtimes[-1] if found.runtimes else None
        runs = ""
        if last is not None and last.is_carried:
            longer = last.hours_as_used[more.count] - last.hours_as_used[now.count]
            runs = f", {last.name} as used {format_hours(longer)} h longer"
        yield f"{'One more pack' if step == 1 else 'Two more packs'}: {added}{charge}{runs}."
    else:
        yield f"No more packs fit: {'the unit takes' if step == 1 else 'the units take'} {found.pack_count}."
    saved = found.outputs_off_saves_kwh_per_day
    if saved > 0:
        limits = found.limits
        usable = (limits.ceiling_kwh - limits.empty_kwh) * limits.eta_discharge * limits.eta_inverter
        days = math.floor(10.0 * usable / (limits.idle_on_kw * 24.0)) / 10.0
        yield (
            f"Outputs off when away: {saved:.2f} kWh a day saved, {DAYS_PER_WEEK * saved:.1f} a week; left on, idle "
            f"alone empties it in {days:.1f} days."
        )


def _charging_table(found: Hardware, *, full: bool) -> Table:
    rows = found.packs if full else _around(found)
    sources = [one.source for one in found.packs[0].full] if found.packs else []
    table = plain_table()
    table.add_column("\npacks", justify="right", width=6)
    table.add_column("usable\nkWh", justify="right", width=8)
    table.add_column("charging\nW at most", justify="right", width=10)
    for source in sources:
        table.add_column(f"h to full\n{source}", justify="right", width=13)
    table.add_column("slow end\nmin", justify="right", width=9)
    for row in rows:
        slow = max((one.slow_end_minutes for one in row.full), default=0.0)
        table.add_row(
            f"{'> ' if row.count == found.pack_count else ''}{row.count}",
            format_number(row.usable_kwh, 2),
            format_number(max(row.charge_w.values())) + ("+" if row.is_beyond_table else ""),
            *(_hours_up(one.hours) for one in row.full),
            format_number(slow) if slow >= 0.5 else ABSENT,
        )
    return table


def _around(found: Hardware) -> list[AtPacks]:
    """Choose the rows of the opening screen: those there are, the next, and what else fits."""
    place = next((at for at, row in enumerate(found.packs) if row.count == found.pack_count), 0)
    first = max(min(place - ROWS_AT_FIRST + 2, len(found.packs) - ROWS_AT_FIRST), 0)
    return list(found.packs[first : first + ROWS_AT_FIRST])


def _hours_up(hours: float | None) -> str:
    """Write a waiting time rounded up: full no later than it says."""
    return "over 168" if hours is None else format_number(math.ceil(hours * 10 - 1e-6) / 10, 1)


def _runtime_table(found: Hardware, *, full: bool) -> Table:
    shown = found.runtimes if full else _chief(found.runtimes)
    more = found.pack_count + found.unit_count
    has_more = found.at(more) is not None
    table = plain_table()
    table.add_column("\nruns from full", width=24, overflow="fold" if full else "ellipsis", no_wrap=not full)
    table.add_column("W, idle\nextra", justify="right", width=8)
    table.add_column("starting\nW", justify="right", width=9)
    table.add_column("\n starts", width=8)
    table.add_column("hours\nnon-stop", justify="right", width=9)
    table.add_column("hours\nas used", justify="right", width=8)
    if has_more:
        table.add_column(f"as used\n{_packs(more)}", justify="right", width=9)
    for one in shown:
        row = [
            one.name,
            format_number(one.watts),
            format_number(one.starting_w),
            " " + _starts(one),
            format_hours(one.hours[found.pack_count]),
            format_hours(one.hours_as_used[found.pack_count]),
        ]
        table.add_row(*row, *([format_hours(one.hours_as_used[more])] if has_more else []))
    return table


def _chief(runtimes: tuple[Runtime, ...]) -> tuple[Runtime, ...]:
    """Choose what the opening screen shows: what does not run or start, combinations, the hungriest."""
    if len(runtimes) <= ROWS_AT_FIRST:
        return runtimes
    order = sorted(
        range(len(runtimes)),
        key=lambda at: (runtimes[at].is_carried and runtimes[at].starts is not False, -runtimes[at].watts),
    )
    kept = sorted(order[:ROWS_AT_FIRST])
    return tuple(runtimes[at] for at in kept)


def _starts(one: Runtime) -> str:
    if not one.is_carried:
        return "NO RUN"
    if one.one_leg_is_too_small:
        return "240 V"
    return {True: "yes", False: "NO", None: ABSENT}[one.starts]


def _ratings(found: Hardware) -> Iterator[str]:
    limits = found.limits

    def watts(power_kw: float | None, absent: str = "no limit") -> str:
        return absent if power_kw is None else f"{1000 * power_kw:,.0f} W"

    both = " (both units together)" if found.unit_count > 1 else ""
    yield f"Inverter {watts(limits.inverter_kw)}, for a moment {watts(limits.surge_kw, 'not stated')}{both}."
    yield f"Grid passed through {watts(limits.bypass_kw)}, cord {watts(limits.ac_input_kw)}."
    yield (
        f"Charging: grid {watts(limits.grid_charge_kw)}, sun {watts(limits.solar_input_kw)}, together "
        f"{watts(limits.total_charge_kw)} with {_packs(found.pack_count)}."
    )
    yield f"Own draw: {watts(limits.idle_on_kw)} with outputs on, {watts(limits.idle_off_kw)} with them off."
    if found.most_packs_count is not None:
        yield f"A unit takes {_packs(found.most_packs_count)} at most."


def _notes(found: Hardware) -> Iterator[str]:
    yield (
        "Full means 99 % of the ceiling. Slow end: what the slowing near full adds. From the sun: "
        f"{1000 * found.sun_kw:,.0f} W at the panels all the while, which only clear middays give."
    )
    if any(row.is_beyond_table for row in found.packs):
        yield "W with a plus: charging.combined_w ends before so many packs; its last entry is taken."
    yield "Hours count what cells, inverter and idle draw leave; non-stop at full power, as used with the daily hours."
    yield "NO RUN: more than the inverter holds. NO: the starting surge is more than it gives for a moment."
    yield transfer_words(found.transfer)
    for name, volts, watts, hours in found.dc_inputs:
        yield f"{name}: {watts:,.0f} W at {volts:g} V, {math.ceil(hours)} h to full from it alone."
    if found.unit_count > 1:
        yield (
            "Two units in series make split phase: each leg lives on its own unit and packs. A 120 V appliance has one "
            "leg's power and packs only; its hours here count just those. '240 V': it runs on both legs only."
        )
    for verdict in found.strings:
        for remark in verdict.remarks:
            yield f"{verdict.input.name}: {remark}."


def generator_report(found: GeneratorStudy) -> Group:
    """Put the screen of ``dispatch generator`` together."""
    parts: list[RenderableType] = [Text(_generator_answer(found), style="bold")]
    parts += [Text(f"Not checked: {text}.") for text in found.fit.unknown]
    if found.at:
        parts += ["", _limits_table(found)]
        parts.append(
            Text(
                f"From empty to 99 %, with {found.load_w:,.0f} W of mean critical load and idle draw served meanwhile. "
                "Above the share it may run at for hours: 'too much'."
            )
        )
    parts += headed("Before you start it", [bulleted(GENERATOR_CAUTIONS)])
    return Group(*parts)


def _generator_answer(found: GeneratorStudy) -> str:
    if found.fit.problems:
        return f"{found.name}: this generator MUST NOT feed the charger: {'; '.join(found.fit.problems)}."
    chosen = next((row for row in found.at if row.limit_w == found.fit.limit_w), None)
    if chosen is None:
        return (
            f"{found.name}: every input limit is too much for {found.continuous_w:,.0f} W to run for hours; a larger "
            "generator, or a lower limit, is needed."
        )
    if chosen.full.hours is None:
        return f"{found.name}: set the input limit to {chosen.limit_w:,.0f} W; it never fills the battery."
    refills = ""
    if found.tank_litres is not None and chosen.full.litres > 0:
        charges = math.floor(10 * found.tank_litres / chosen.full.litres) / 10
        refills = f"; {found.tank_litres:g} l give {charges:.1f} such charges"
    return (
        f"{found.name}: set the input limit to {chosen.limit_w:,.0f} W: full in {_hours_up(chosen.full.hours)} h with "
        f"{chosen.full.litres:.1f} l{refills}."
    )


def _limits_table(found: GeneratorStudy) -> Table:
    table = plain_table()
    table.add_column("input\nlimit W", justify="right", width=8)
    table.add_column("\n  generator", width=12)
    table.add_column("h to\nfull", justify="right", width=9)
    table.add_column("\nlitres", justify="right", width=8)
    table.add_column("\nfuel", justify="right", width=14)
    for row in found.at:
        reached = row.full.hours is not None
        table.add_row(
            format_number(row.limit_w),
            "  holds it" if row.is_held else "  too much",
            _hours_up(row.full.hours),
            format_number(row.full.litres, 1) if reached else ABSENT,
            format_money(row.cost, found.currency) if reached else ABSENT,
        )
    return table
