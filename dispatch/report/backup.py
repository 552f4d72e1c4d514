"""The screen of ``dispatch backup``: how long it lasts, when that is least, and what more would cost.

The first section answers the question a person comes with; everything below shows where the answer comes from.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Group
from rich.text import Text

from dispatch.case.transfer import transfer_gap
from dispatch.formats import (
    ABSENT,
    currency_decimals,
    format_date,
    format_hours,
    format_kwh,
    format_moment,
    format_number,
    percent_down,
)
from dispatch.outages.generator import generator_fit, generator_note
from dispatch.report.compare_tables import shortfall_lines
from dispatch.report.expected_loss import losses_section
from dispatch.report.layout import Wide, bulleted, headed, plain_table, title_of
from dispatch.safety.answers import EVENING_HOUR
from dispatch.words.advice import answer_lines, more_words, overload_words, promise_words, setting_words
from dispatch.words.generator import input_words
from dispatch.words.notices import cautions, first_cautions, span_words, switch_off_words
from dispatch.words.transfer import transfer_sentence

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType
    from rich.table import Table

    from dispatch.arrays import Floats
    from dispatch.outages.recharge import Recharge
    from dispatch.safety.study import BackupStudy, WorstMoment


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
NO_PICTURE_HOURS = 0.1
SHADES = ("on red", "on dark_orange3", "on yellow4", "on green4")
"""Background by quarter of the range; the figures say the same."""

BACKUP_ASSUMPTIONS = (
    (
        "An hour counts as backed up while critical load and the system's idle draw are carried and the inverter "
        "does not trip."
    ),
    "What is left at an instant is what the inverter leaves as set, over a period that ends as it began.",
    (
        "Without sun: panels count for nothing in the outage. With sun: they go on working, serve the load first and "
        "charge with what is left."
    ),
    "An outage that reaches past the data's end goes on with their beginning.",
    "Recharging is followed through the charging limits and the taper, to 99 % of the ceiling.",
)


def backup_report(study: BackupStudy, *, full: bool = False) -> Group:
    """Put the screen of ``dispatch backup`` together.

    Parameters
    ----------
    study : BackupStudy
    full : bool
        Whether the tables behind the answer follow it.

    Returns
    -------
    rich.console.Group
        Fits 80 columns; without ``full`` 24 lines.
    """
    case = study.case
    bound = "the best plan found" if study.outcome.stopped else "a plan with foresight, the bound"
    how = {"recommended": "recommended", "planned": bound}
    facts = f"{setting_words(study.outcome)} ({how.get(study.chosen_by, 'as asked')})"
    parts: list[RenderableType] = [title_of(case, facts)]
    parts += headed("How long will it last?", [bulleted(_answers(study))])
    parts += ["", _evenings(study), Text(first_cautions(case), style="dim")]
    if not full:
        return Group(
            *parts, Text("By month and hour, worst moments, refilling, outages: --full", style="dim")
        )
    parts += headed(
        "Usual hours, by month and hour at which the grid fails", _picture(study, study.month_hour.median)
    )
    parts += headed(
        "Fewest hours, by month and hour at which the grid fails", _picture(study, study.month_hour.least)
    )
    parts += headed("What more hours would cost", _more(study))
    parts += headed("How the hours are spread", [_distribution(study)])
    parts += headed("The worst moments to lose the grid, one a day", _worst(study))
    parts += headed("The dearest days", [_peak_days(study)])
    parts += headed("What the inverter carries", [bulleted(_inverter(study))])
    parts += headed("Filling up again after the worst outage", _recharges(study.recharges, case.currency))
    parts += [bulleted([words])] if (words := input_words(case)) else []
    parts += headed("Outages of a year", losses_section(study))
    if lines := _not_held(study):
        parts += headed("What could not be kept", [bulleted(lines)])
    parts += headed("What this rests on", [bulleted([*BACKUP_ASSUMPTIONS, *case.notes])])
    parts += headed("Cautions", [bulleted(cautions(case))])
    return Group(*parts)


def _answers(study: BackupStudy) -> Iterator[str]:
    outcome, answer = study.outcome, study.answer
    case = outcome.case
    horizon = case.limits.backup_horizon_hours

    def hours(value: float) -> str:
        return format_hours(value, horizon)

    if overload := overload_words(outcome):
        yield overload
    yield from (line.strip() for line in answer_lines(outcome, answer, _what(study)))
    if case.sun_kwh.any():
        usual = "" if answer.count == 1 else f", usually {hours(answer.usual_with_sun)} h"
        yield f"With the sun helping: {hours(answer.least_with_sun)} h{usual}"
    backup = outcome.backup
    if backup is not None and answer.at != "any moment":
        yield f"Worst moment of the data: {format_moment(backup.worst_at)}, {hours(backup.minimum)} h"
    if case.scenario.backup.target_hours is not None:
        met = "kept" if outcome.meets_target else "NOT kept, only"
        yield f"Target, {promise_words(study.advice)}: {met} at {percent_down(outcome.target_share)}% of moments"
    yield from filter(None, [switch_off_words(case)])
    two = next((more for more in study.more if more.extra_hours == 2.0), None)
    if two is not None:
        yield more_words(study.advice, two)
    yield from _refill_words(study)


def _what(study: BackupStudy) -> str:
    answer = study.answer
    held = "" if answer.level_kwh is None else f" holding {format_kwh(answer.level_kwh)}"
    if answer.count == 1:
        held = held or f" holding {format_kwh(answer.stored_kwh[0])}"
        return f"If the grid fails at {format_moment(answer.worst_at)}{held}"
    if answer.at == "any moment":
        return f"If the grid fails at the worst moment, {format_moment(answer.worst_at)}{held}"
    return f"If the grid fails at {answer.at}{held}, at the worst"


def _refill_time(row: Recharge, full_kwh: float) -> str:
    if row.hours is not None:
        return f"{format_number(row.hours, 1)} h"
    if row.tank_empty_hours is not None:
        reached = 100 * row.reached_kwh / full_kwh
        return f"never: tank empty after {format_number(row.tank_empty_hours, 1)} h at {reached:.0f}%"
    return "more than 168 h"


def _refill_words(study: BackupStudy) -> Iterator[str]:
    times = [f"{row.source} {_refill_time(row, study.case.limits.full_kwh)}" for row in study.recharges]
    fit = generator_fit(study.case)
    if times:
        times[-1] += (
            f" (input limit set to {fit.input_limit_w:,.0f} W)" if fit is not None and fit.too_small else ""
        )
        yield f"From empty to full after it: {', '.join(times)}"


def _evenings(study: BackupStudy) -> Wide:
    """Print the usual and fewest hours of an evening, a month a column; on a narrow screen a month a line."""
    horizon = study.case.limits.backup_horizon_hours
    lines = ["evening at 20:00" + "".join(f"{month:>5}" for month in MONTHS)]
    rows = [
        [format_hours(value, horizon) for value in table[:, EVENING_HOUR].tolist()]
        for table in (study.month_hour.median, study.month_hour.least)
    ]
    for label, cells in zip(("usual hours", "fewest hours"), rows, strict=True):
        lines.append(f"{label:<16}" + "".join(f"{cell:>5}" for cell in cells))
    told = ["evening at 20:00, usual and fewest hours"]
    told += [f"{month}: {usual:>5} {least:>5}" for month, usual, least in zip(MONTHS, *rows, strict=True)]
    return Wide(Text("\n".join(lines), no_wrap=True), Text("\n".join(told)), max(map(len, lines)))


def _picture(study: BackupStudy, table: Floats) -> Iterator[RenderableType]:
    """Draw 12 x 24 figures, whole hours rounded down; shading repeats what the figures say."""
    low, high = float(np.nanmin(table)), float(np.nanmax(table))
    horizon = study.case.limits.backup_horizon_hours
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


def _more(study: BackupStudy) -> Iterator[RenderableType]:
    case, backup = study.case, study.outcome.backup
    if backup is None:
        return
    table = plain_table()
    table.add_column("hours more\nat the worst", justify="right", width=13)
    for heading, width in (
        ("set\n", 27),
        ("never less\nthan, hours", 12),
        (f"{case.currency}\n{span_words(case)}", 12),
        (f"{case.currency}\nan hour", 9),
    ):
        table.add_column(heading, justify="left" if width == 27 else "right", width=width)
    places = currency_decimals(case.currency)
    for more in study.more:
        run = more.outcome
        table.add_row(
            f"+{more.extra_hours:g}",
            " no setting keeps them" if run is None else f" {setting_words(run).partition(' (')[0]}",
            format_hours(
                run.backup.minimum if run and run.backup else None, case.limits.backup_horizon_hours
            ),
            format_number(more.cost, places),
            format_number(None if more.cost is None else more.cost / more.extra_hours, places),
        )
    yield table
    yield ""
    yield bulleted(
        (
            (
                f"Against the {format_hours(backup.minimum)} h left now at the worst moment. Money is bill + wear, "
                "the cheapest strategy and reserve the device can be set to. All levels: dispatch frontier."
            ),
        )
    )


def _distribution(study: BackupStudy) -> Table:
    horizon = study.case.limits.backup_horizon_hours
    names = {0: "fewest", 50: "median", 100: "most"}
    table = plain_table()
    table.add_column("hours left", width=12)
    for percent in study.percentiles:
        table.add_column(names.get(percent, f"{percent} % below"), justify="right", width=8, overflow="fold")
    for row, label in enumerate(("without sun", "with sun")):
        if row and not study.case.sun_kwh.any():
            continue
        table.add_row(label, *(format_hours(pair[row], horizon) for pair in study.percentiles.values()))
    return table


def _worst(study: BackupStudy) -> Iterator[RenderableType]:
    horizon = study.case.limits.backup_horizon_hours
    table = plain_table()
    table.add_column("the grid fails at", width=22)
    for heading, width in (("hours\nleft", 6), ("with\nsun", 6), ("stored\nkWh", 8), ("load, kW", 9)):
        table.add_column(heading, justify="right", width=width)
    table.add_column("  why", width=27)
    rows: dict[tuple[str, ...], list[WorstMoment]] = {}
    for moment in study.worst:
        cells = (
            format_hours(moment.hours, horizon),
            format_hours(moment.hours_with_sun, horizon),
            format_number(moment.stored_kwh, 2),
            format_number(moment.following_kw, 2),
        )
        rows.setdefault((*cells, f"  {moment.why}"), []).append(moment)
    for figures, moments in rows.items():
        table.add_row(format_moment(moments[0].at), *map(Text, figures))
        if len(moments) > 1:  # alike in every figure: folded
            table.add_row(f"  and {len(moments) - 1} days like it")
    yield table
    if study.days_as_bad > len(study.worst):
        yield Text(
            f"{study.days_as_bad} days come down to that; shown are those with the least sun ahead.",
            style="dim",
        )


def _peak_days(study: BackupStudy) -> Table:
    case = study.case
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
    for day in study.peak_days:
        outcome = day.runs[study.outcome.name]
        when = outcome.lowest_at
        table.add_row(
            format_date(day.date),
            format_number(day.no_system_cost, places),
            format_number(outcome.cost, places),
            format_number(outcome.lowest_kwh, 2),
            f"{when:%H:%M}" if when.date() == day.date else "24:00",
            format_hours(outcome.backup_hours, case.limits.backup_horizon_hours),
        )
    return table


def _inverter(study: BackupStudy) -> Iterator[str]:
    inverter = study.inverter
    carries = "carries it" if inverter.carries_peak else "TRIPS: those hours count as none"
    yield (
        f"Largest critical load of a step, idle draw included: {inverter.peak_kw:.2f} kW. The inverter holds "
        f"{inverter.continuous_kw:g} kW and {carries}."
    )
    if inverter.together_kw is not None and inverter.largest_kw is not None:
        fits = "within" if inverter.together_kw <= inverter.continuous_kw else "ABOVE"
        yield f"All critical appliances running at once: {inverter.together_kw:.2f} kW, {fits} what it holds."
    gap = transfer_gap(study.case)
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


def _not_held(study: BackupStudy) -> list[str]:
    case = study.case
    lines = shortfall_lines([study.outcome])
    capped = np.flatnonzero(case.floor_capped_steps)
    if len(capped):
        lines.append(
            f"the reserve in hours asks for more than the battery may hold in {len(capped) * case.dt_hours:g} h: first "
            f"{format_moment(case.times[capped[0]])}, last {format_moment(case.times[capped[-1]])}"
        )
    note = generator_note(case)
    return [*lines, *([note] if note else [])]
