"""The screen of ``dispatch outage``: one outage under every strategy, then step by step, then the recharge."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from dispatch.case.transfer import transfer_gap
from dispatch.formats import ABSENT, currency_decimals, format_kwh, format_moment, format_number
from dispatch.outages.generator import generator_note
from dispatch.report.day import bar_length
from dispatch.report.layout import bulleted, headed, named, plain_table
from dispatch.words.generator import fuel_lines
from dispatch.words.notices import cautions, first_cautions
from dispatch.words.transfer import transfer_sentence

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.case.case import Case
    from dispatch.outages.outage import Played


LEVEL_WIDTH = 18
NO_SYSTEM = "no system"

OUTAGE_ASSUMPTIONS = (
    (
        "Up to the outage the inverter ran as set; nothing is foreseen: sun serves first, then the "
        "generator while it runs, then the battery down to its empty level."
    ),
    "Not served is critical load that was wanted. Shed load was left off on purpose and is counted apart.",
    "Where more is wanted than the inverter holds it trips: nothing is served until less is wanted.",
    "Power is even within a step: shorter spikes than a step are not seen.",
)


def outage_report(case: Case, plays: Sequence[Played], shown: Played, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch outage`` together.

    Parameters
    ----------
    case : Case
    plays : sequence of Played
        The same outage under every strategy.
    shown : Played
        The one asked about, drawn step by step.
    full : bool
        Whether the steps and what they rest on follow the answer.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    first = plays[0]
    hours = (first.ends - first.begins).total_seconds() / 3600
    parts: list[RenderableType] = [
        named(case),
        Text(f"Grid lost {format_moment(first.begins)}, back {format_moment(first.ends)} ({hours:g} h)"),
    ]
    others = (_answer(play) for play in plays if play is not shown)
    lines = [*fuel_lines(shown, case.currency), *filter(None, [_trip_words(shown)]), *others]
    parts += headed("What happens", [Text(_answer(shown), style="bold"), bulleted(lines)])
    parts += ["", _side_by_side(plays, case.currency)]
    if not full:
        parts += [
            Text(first_cautions(case), style="dim"),
            Text("Step by step, filling up again: --full", style="dim"),
        ]
        return Group(*parts)
    parts += headed(f"Step by step with {shown.strategy}", _steps(case, shown))
    if shown.appliances:
        parts += headed("Who goes without", _appliances(shown))
    parts += headed("Filling up again once the grid is back", [_recharges(plays)])
    note, gap = generator_note(case), transfer_gap(case)
    if gap is not None:
        parts += headed("The moment the grid fails", [bulleted([transfer_sentence(gap)])])
    parts += headed("What this rests on", [bulleted([*OUTAGE_ASSUMPTIONS, *([note] if note else [])])])
    parts += headed("Cautions", [bulleted(cautions(case))])
    return Group(*parts)


def _trip_words(play: Played) -> str | None:
    if play.first_trip is None:
        return None
    return (
        f"The inverter TRIPS at {format_moment(play.first_trip)}, and in {play.tripped_hours:.1f} h in all: more is "
        "wanted than it holds"
    )


def _name(play: Played) -> str:
    return NO_SYSTEM if play.stored_kwh is None else play.strategy


def _answer(play: Played) -> str:
    if not play.dark:
        return f"{_name(play)}: the lights stay on; {format_kwh(play.stored_end_kwh)} are left at the end."
    first = play.dark[0]
    lasted = (first.begins - play.begins).total_seconds() / 3600
    out = (
        "from the first moment" if lasted <= 0 else f"after {lasted:.1f} h, at {format_moment(first.begins)}"
    )
    spells = f" in {len(play.dark)} spells" if len(play.dark) > 1 else ""
    return (
        f"{_name(play)}: lights out {out}, for {play.dark_hours:.1f} h{spells}; {format_kwh(play.unserved_kwh)} "
        "not served."
    )


def _side_by_side(plays: Sequence[Played], currency: str) -> Table:
    table = plain_table()
    table.add_column("kWh", width=15)
    for heading, width in (
        ("stored\nbefore", 8),
        ("stored\nafter", 8),
        ("served\n", 8),
        ("not\nserved", 8),
        ("shed\n", 7),
        ("sun\nused", 7),
        ("hours\nout", 7),
    ):
        table.add_column(heading, justify="right", width=width)
    engine = any(play.generator_hours > 0 for play in plays)
    if engine:
        table.add_column("generator\nhours", justify="right", width=10)
    for play in plays:
        cells = [
            *(format_number(level, 2) for level in (play.stored_kwh, play.stored_end_kwh)),
            *(format_number(energy, 2) for energy in (play.served_kwh, play.unserved_kwh, play.shed_kwh)),
            format_number(play.sun_kwh, 2) if play.stored_kwh is not None else ABSENT,
            format_number(play.dark_hours, 1),
        ]
        if engine:
            cells.append(format_number(play.generator_hours, 1))
        table.add_row(_name(play), *cells)
    if engine:
        table.caption = "; ".join(
            f"{play.strategy}: {play.litres:.1f} l of fuel, "
            f"{currency} {format_number(play.fuel_cost, currency_decimals(currency))}"
            for play in plays
            if play.litres > 0
        )
        table.caption_justify = "left"
    return table


def _steps(case: Case, play: Played) -> Iterator[RenderableType]:
    full, empty = case.limits.full_kwh, case.limits.empty_kwh
    engine = play.generator_hours > 0
    head = f"{'from':<12}{'wanted':>8}{'served':>8}{'sun':>7}{'battery':>9}"
    head += f"{'gen.':>7}" if engine else ""
    yield Text(f"{head}  {'stored at end, kWh':<{LEVEL_WIDTH + 7}}", style="bold")
    before = play.begins.date()
    for row in play.steps.to_dict("records"):
        begins, wanted, short = row["begins"], row["wanted_kwh"], row["unserved_kwh"]
        new_day = begins.date() != before
        before = begins.date()
        line = Text(f"{begins:%m-%d %H:%M}" if new_day or begins == play.begins else f"      {begins:%H:%M}")
        line.append(f"{format_number(wanted, 2):>9}{format_number(wanted - short, 2):>8}")
        line.append(f"{format_number(row['sun_to_load_kwh'] + row['sun_to_battery_kwh'], 2):>7}")
        line.append(f"{format_number(row['battery_to_load_kwh'], 2):>9}")
        if engine:
            line.append(
                f"{format_number(row['generator_to_load_kwh'] + row['generator_to_battery_kwh'], 2):>7}"
            )
        filled = bar_length(row["stored_kwh"] - empty, full - empty, LEVEL_WIDTH)
        line.append(f"{format_number(row['stored_kwh'], 2):>8} ")
        line.append("=" * filled, style="green")
        if short > 1e-9:
            line.append(" OUT" if wanted - short <= 1e-9 else " SHORT", style="bold red")
        yield line
    yield Text(
        f"kWh in each step; the bar is what is stored above empty ({empty:.2f} kWh) of {full:g} kWh. "
        "SHORT: part of the load or of the step is not served; OUT: none.",
        style="dim",
    )


def _appliances(play: Played) -> Iterator[RenderableType]:
    table = plain_table()
    table.add_column("critical appliance, in the order kept", width=39, overflow="fold")
    for heading, width in (("priority", 9), ("wanted\nkWh", 9), ("served\nkWh", 9), ("hours\nwithout", 9)):
        table.add_column(heading, justify="right", width=width)
    for one in play.appliances:
        table.add_row(
            one.name,
            ABSENT if one.priority is None else str(one.priority),
            format_number(one.wanted_kwh, 2),
            format_number(one.served_kwh, 2),
            format_number(one.hours_without, 1),
        )
    yield table
    if all(one.priority is None for one in play.appliances):
        yield Text("Give appliances a priority (1 is kept longest) to say who goes first.", style="dim")


def _recharges(plays: Sequence[Played]) -> Table:
    sources = [again.source for play in plays for again in play.recharges]
    table = plain_table()
    table.add_column("hours to 99 % from", width=19)
    for source in dict.fromkeys(sources):
        table.add_column(source, justify="right", width=13)
    for play in plays:
        if play.recharges:
            cells = ["> 168" if r.hours is None else format_number(r.hours, 1) for r in play.recharges]
            table.add_row(play.strategy, *cells)
    return table
