"""The screen of ``dispatch backup``: how long it lasts, when that is least, and what more would cost.

The first section answers the question a person comes with; everything below shows where the answer comes from.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Group
from rich.text import Text

from dispatch.backup.generator import generator_note
from dispatch.case.transfer import transfer_gap
from dispatch.comparison.recommendation import share_meeting
from dispatch.formats import (
    ABSENT,
    currency_decimals,
    format_date,
    format_hours,
    format_kwh,
    format_moment,
    format_money,
    format_number,
    format_span,
    percent_down,
)
from dispatch.report.compare_tables import shortfall_lines
from dispatch.report.expected_loss import losses_section
from dispatch.report.layout import bulleted, headed, plain_table
from dispatch.words.notices import CAUTIONS, HINDSIGHT, span_words
from dispatch.words.transfer import transfer_sentence

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.arrays import Floats
    from dispatch.backup.recharge import Recharge
    from dispatch.safety.study import BackupDetail, More


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


EVENING_HOUR = 20


NO_PICTURE_HOURS = 0.1


SHADES = ("on red", "on dark_orange3", "on yellow4", "on green4")
"""Background by quarter of the range; the figures say the same."""


BACKUP_ASSUMPTIONS = (
    (
        "An hour counts as backed up while critical load and the system's idle draw are carried; a step that the "
        "inverter cannot carry has none."
    ),
    "What is left at an instant depends on the plan, which knew the year: see dispatch compare.",
    (
        "Without sun: panels count for nothing in the outage. With sun: they go on working, serve the load first and "
        "charge with what is left."
    ),
    "An outage that reaches past the data's end goes on with their beginning.",
    "Recharging is followed through the charging limits and the taper, to 99 % of the ceiling.",
)


def backup_report(detail: BackupDetail) -> Group:
    """Put the screen of ``dispatch backup`` together.

    Parameters
    ----------
    detail : BackupDetail

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    case, result = detail.comparison.case, detail.result
    span = format_span(case.times[0].date(), case.times[-1].date())
    parts: list[RenderableType] = [
        Text(case.name, style="bold"),
        Text(f"{span}; strategy {result.name} ({detail.chosen_by})"),
    ]
    parts += headed("How long will it last?", [bulleted(_answers(detail))])
    parts += headed(
        "Usual hours, by month and hour at which the grid fails", _picture(detail, detail.picture.median)
    )
    parts += headed(
        "Fewest hours, by month and hour at which the grid fails", _picture(detail, detail.picture.least)
    )
    parts += headed("What more hours would cost", _more(detail))
    parts += headed("How the hours are spread", [_distribution(detail)])
    parts += headed("The worst moments to lose the grid, one a day", _worst(detail))
    parts += headed("The dearest days", [_peak_days(detail)])
    parts += headed("What the inverter carries", [bulleted(_inverter(detail))])
    parts += headed("Filling up again after the worst outage", _recharges(detail.recharges, case.currency))
    parts += headed("Outages of a year", losses_section(detail))
    if lines := _not_held(detail):
        parts += headed("What could not be kept", [bulleted(lines)])
    parts += headed("What this rests on", [bulleted([*BACKUP_ASSUMPTIONS, *case.notes])])
    parts += headed("Cautions", [bulleted(CAUTIONS)])
    return Group(*parts)


def _answers(detail: BackupDetail) -> Iterator[str]:
    case, backup = detail.comparison.case, detail.result.backup
    if backup is None:
        return
    horizon = case.limits.backup_horizon_hours

    def hours(value: float) -> str:
        return format_hours(value, horizon)

    evening = detail.picture.least[:, EVENING_HOUR], detail.picture.median[:, EVENING_HOUR]
    least, often = float(np.nanmin(evening[0])), float(np.nanmedian(evening[1]))
    yield (
        f"Tonight, if the grid fails at {EVENING_HOUR}:00: usually {hours(often)} h, on the worst evening of the data "
        f"{hours(least)} h. For your month and hour see the two tables below."
    )
    yield (
        f"At the worst moment of the data, {format_moment(backup.worst_at)}: {hours(backup.minimum)} h; at 95 % of "
        f"moments at least {hours(backup.p05)} h, at half of them {hours(backup.median)} h or more."
    )
    if case.sun_kwh.any():
        worst, usual = hours(backup.with_sun_minimum), hours(backup.with_sun_median)
        yield f"With the sun helping: at the worst moment {worst} h, usually {usual} h."
    run = detail.comparison.as_set.get(detail.result.name)
    if run is not None:
        yield (
            f"As an inverter runs it, seeing only the present: at the worst moment {hours(run.backup.minimum)} h, "
            f"usually {hours(run.backup.median)} h."
        )
    for more in detail.more:
        if more.extra_hours == 2.0:
            yield _more_sentence(detail, more)
    target = case.scenario.backup.target_hours
    if target is not None:
        wanted, share = case.scenario.backup.share_of_instants_fraction, share_meeting(case, detail.result)
        met = "is met" if share >= wanted - 1e-12 else "is NOT met"
        asked = "every moment" if wanted >= 1 else f"{100 * wanted:g} % of moments"
        yield f"The target, {target:g} h at {asked}, {met}: {percent_down(share)} % of moments have it."
    yield f"{HINDSIGHT}."


def _more_sentence(detail: BackupDetail, more: More) -> str:
    case = detail.comparison.case
    lead = f"{more.extra_hours:g} more hours at every instant (never less than {format_hours(more.hours)} h)"
    if more.at is None or more.cost is None:
        return (
            f"{lead}: not with this battery, which full and at the worst moment carries "
            f"{format_hours(detail.most_hours)} h; that needs more packs or less critical load."
        )
    money, reserve = format_money(more.cost, case.currency), case.scenario.reserve
    counted = (
        " and its sun_share_fraction taken out" if reserve is not None and reserve.sun_share_fraction else ""
    )
    asked = f"[reserve] hours = {_up(more.hours)}{counted} in the scenario file"
    return f"{lead}: {money} {span_words(case)}, with {asked}."


def _up(hours: float) -> str:
    """Write hours for a file: rounded up to a tenth, so that the promise holds."""
    return f"{math.ceil(hours * 10 - 1e-6) / 10:g}"


def _picture(detail: BackupDetail, table: Floats) -> Iterator[RenderableType]:
    """Draw 12 x 24 figures, whole hours rounded down; shading repeats what the figures say."""
    low, high = float(np.nanmin(table)), float(np.nanmax(table))
    horizon = detail.comparison.case.limits.backup_horizon_hours
    if high - low < NO_PICTURE_HOURS:
        yield Text(f"The same in every month and at every hour: {format_hours(low, horizon)} h.")
        return
    yield Text("    " + "".join(f"{hour:>3}" for hour in range(24)), style="bold")
    for month, row in enumerate(table):
        line = Text(f"{MONTHS[month]} ")
        for value in row:
            if math.isnan(value):
                line.append("  .")
                continue
            figure = min(math.floor(value + 1e-5), 999)
            place = 0.0 if high <= low else (value - low) / (high - low)
            line.append(" ")
            line.append(f"{figure:>2}", style=SHADES[min(int(place * len(SHADES)), len(SHADES) - 1)])
        yield line
    yield Text(
        f"Whole hours, rounded down: {format_hours(low, horizon)} to {format_hours(high, horizon)} h. Row: month; "
        "column: hour of the day at which the grid fails.",
        style="dim",
    )


def _more(detail: BackupDetail) -> Iterator[RenderableType]:
    case, backup = detail.comparison.case, detail.result.backup
    if backup is None:
        return
    table = plain_table()
    table.add_column("hours more\nat every instant", justify="right", width=16)
    for heading, width in (
        ("never less\nthan, hours", 12),
        ("reserve that\nkeeps it, %", 13),
        (f"{case.currency}\n{span_words(case)}", 12),
        (f"{case.currency}\nan hour", 9),
    ):
        table.add_column(heading, justify="right", width=width)
    places = currency_decimals(case.currency)
    for more in detail.more:
        fits = more.percent <= 100.0 * case.limits.ceiling_kwh / case.limits.full_kwh + 1e-9
        table.add_row(
            f"+{more.extra_hours:g}",
            format_hours(more.hours, case.limits.backup_horizon_hours),
            format_number(more.percent, 1) if fits else "too much",
            format_number(more.cost, places),
            format_number(None if more.cost is None else more.cost / more.extra_hours, places),
        )
    yield table
    yield ""
    yield bulleted(
        (
            (
                f"Against the {format_hours(backup.minimum)} h this strategy leaves now at the worst moment. Money is "
                "bill + wear, every level planned anew; a dash: the battery cannot hold it."
            ),
            (
                "A reserve in hours follows the load ahead and is the cheapest way to keep them; a constant percentage "
                "keeps them too, for more. All levels: dispatch frontier."
            ),
        )
    )


def _distribution(detail: BackupDetail) -> Table:
    horizon = detail.comparison.case.limits.backup_horizon_hours
    names = {0: "fewest", 50: "median", 100: "most"}
    table = plain_table()
    table.add_column("hours left", width=12)
    for percent in detail.percentiles:
        table.add_column(names.get(percent, f"{percent} % below"), justify="right", width=8, overflow="fold")
    for row, label in enumerate(("without sun", "with sun")):
        if row and not detail.comparison.case.sun_kwh.any():
            continue
        table.add_row(label, *(format_hours(pair[row], horizon) for pair in detail.percentiles.values()))
    return table


def _worst(detail: BackupDetail) -> Iterator[RenderableType]:
    horizon = detail.comparison.case.limits.backup_horizon_hours
    table = plain_table()
    table.add_column("the grid fails at", width=22)
    for heading, width in (("hours\nleft", 6), ("with\nsun", 6), ("stored\nkWh", 8), ("load, kW", 9)):
        table.add_column(heading, justify="right", width=width)
    table.add_column("  why", width=27)
    for moment in detail.worst:
        table.add_row(
            format_moment(moment.at),
            format_hours(moment.hours, horizon),
            format_hours(moment.hours_with_sun, horizon),
            format_number(moment.stored_kwh, 2),
            format_number(moment.following_kw, 2),
            Text(f"  {moment.why}"),
        )
    yield table
    if detail.days_as_bad > len(detail.worst):
        yield Text(
            f"{detail.days_as_bad} days come down to that; shown are those with the least sun ahead.",
            style="dim",
        )


def _peak_days(detail: BackupDetail) -> Table:
    case = detail.comparison.case
    places = currency_decimals(case.currency)
    table = plain_table()
    table.add_column("day", width=16)
    for heading, width in (
        (f"no system\n{case.currency}", 11),
        (f"{case.currency}\nthat day", 11),
        ("lowest\nkWh", 9),
        ("at\n", 7),
        ("hours left\nthen", 12),
    ):
        table.add_column(heading, justify="right", width=width)
    for day in detail.comparison.peak_days:
        outcome = day.by_strategy[detail.result.name]
        when = outcome.lowest_at
        table.add_row(
            format_date(day.date),
            format_number(day.grid_only_cost, places),
            format_number(outcome.cost, places),
            format_number(outcome.lowest_kwh, 2),
            ABSENT if when is None else f"{when:%H:%M}" if when.date() == day.date else "24:00",
            format_hours(outcome.backup_hours, case.limits.backup_horizon_hours),
        )
    return table


def _inverter(detail: BackupDetail) -> Iterator[str]:
    inverter = detail.inverter
    carries = "carries it" if inverter.carries_peak else "DOES NOT carry it: hours end where it trips"
    yield (
        f"Largest critical load of a step, idle draw included: {inverter.peak_kw:.2f} kW. The inverter holds "
        f"{inverter.continuous_kw:g} kW and {carries}."
    )
    if inverter.together_kw is not None and inverter.largest_kw is not None:
        fits = "within" if inverter.together_kw <= inverter.continuous_kw else "ABOVE"
        yield f"All critical appliances running at once: {inverter.together_kw:.2f} kW, {fits} what it holds."
    gap = transfer_gap(detail.comparison.case)
    if gap is not None:
        yield transfer_sentence(gap)
    if inverter.surge_kw is None:
        yield "No surge rating is stated (inverter.surge_w): motors that start draw several times their watts."
        return
    spare = inverter.surge_kw - (inverter.together_kw or inverter.peak_kw)
    yield (
        f"For a moment it gives {inverter.surge_kw:g} kW: {max(spare, 0.0):.2f} kW above that load for a motor to "
        "start. A refrigerator or pump asks for three to seven times its watts; look at its nameplate."
    )


def _recharges(found: Sequence[Recharge], currency: str) -> Iterator[RenderableType]:
    if not found:
        return
    first = found[0]
    table = plain_table()
    table.add_column("from", width=14)
    for heading, width in (
        ("hours to\n99 %", 9),
        ("AC charged\nkWh", 11),
        ("sun charged\nkWh", 12),
        ("generator\nhours", 10),
        ("fuel\nlitres", 8),
        (f"fuel\n{currency}", 9),
    ):
        table.add_column(heading, justify="right", width=width)
    for row in found:
        engine = row.source == "generator"
        table.add_row(
            row.source,
            "> 168" if row.hours is None else format_number(row.hours, 1),
            format_number(row.plug_kwh, 1) if row.source != "sun" else ABSENT,
            format_number(row.sun_kwh, 1) if "sun" in row.source else ABSENT,
            format_number(row.generator_hours, 1) if engine else ABSENT,
            format_number(row.litres, 1) if engine else ABSENT,
            format_number(row.fuel_cost, currency_decimals(currency)) if engine else ABSENT,
        )
    yield table
    yield Text(
        f"From {format_kwh(first.from_kwh)} at {format_moment(first.begins)}, beside the load of those hours.",
        style="dim",
    )


def _not_held(detail: BackupDetail) -> list[str]:
    case = detail.comparison.case
    lines = shortfall_lines([detail.result])
    capped = np.flatnonzero(case.floor_capped_steps)
    if len(capped):
        lines.append(
            f"the reserve in hours asks for more than the battery may hold in {len(capped) * case.dt_hours:g} h: first "
            f"{format_moment(case.times[capped[0]])}, last {format_moment(case.times[capped[-1]])}"
        )
    note = generator_note(case)
    return [*lines, *([note] if note else [])]
