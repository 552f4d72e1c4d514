"""The screen of ``dispatch check``: what a scenario says, summed up so that a slip shows, without solving."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.table import Table
from rich.text import Text

from dispatch.formats import (
    ABSENT,
    fitting_decimals,
    format_kwh,
    format_moment,
    format_number,
    format_span,
    format_step,
    price_decimals,
)
from dispatch.report.holidays import holiday_lines
from dispatch.report.layout import bulleted, headed, plain_table
from dispatch.words.slips import count_words, slip_words
from dispatch.words.transfer import transfer_sentence

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType

    from dispatch.case.check import CheckSummary


SERIES = {
    "load": "load the system serves",
    "other_load": "rest of the house",
    "critical_load": "critical in an outage",
    "idle": "system's idle draw",
    "sun": "sun, DC, after clipping",
}
"""The series in the reader's words."""


def check_report(summary: CheckSummary) -> Group:
    """Put the whole screen of ``dispatch check`` together.

    Parameters
    ----------
    summary : CheckSummary
        From :func:`dispatch.case.check.check_summary`.

    Returns
    -------
    rich.console.Group
        Fits 80 columns.
    """
    last_day = (summary.end - (summary.end - summary.start) / summary.steps).date()
    span = format_span(summary.start.date(), last_day)
    facts = (
        f"{summary.steps:,} steps of {format_step(summary.dt_hours)}, {summary.time_zone}, {summary.currency}"
    )
    parts: list[RenderableType] = [
        Text(f"{summary.name}: {_found(summary)}{_notes_hint(len(summary.notes))}", style="bold"),
        Text(f"{span}; {facts}"),
    ]
    if summary.slips:
        parts.append(bulleted(map(slip_words, summary.slips)))
    parts += headed("Use and sun", [_series(summary)])
    parts += headed(f"Prices: {summary.tariff_name}", [_bands(summary)])
    if summary.holidays:
        parts += headed("Holidays of the tariff", list(holiday_lines(summary.holidays)))
    parts += headed("Hardware", [_facts(_hardware(summary))])
    parts += headed("Reserve and backup", [_facts(_backup(summary))])
    if summary.notes:
        parts += headed("Notes", [bulleted(summary.notes)])
    parts += ["", Text(f"Next: dispatch compare {summary.path}", no_wrap=True, overflow="ignore")]
    return Group(*parts)


def _found(summary: CheckSummary) -> str:
    return count_words(summary.slips) or "nothing wrong found"


def _notes_hint(count: int) -> str:
    """Point to the notes at the end: a slip of unit is told there, and the headline must not hide it."""
    return f"; read the {'note' if count == 1 else f'{count} notes'} below" if count else ""


def _series(summary: CheckSummary) -> Table:
    table = plain_table()
    table.add_column("", width=24)
    for heading, width in (("kWh\nin all", 9), ("kWh\na year", 9), ("mean\nkW", 6), ("peak\nkW", 6)):
        table.add_column(heading, justify="right", width=width)
    table.add_column("\n  peak, from", width=19)
    for series in summary.series:
        decimals = fitting_decimals([series.peak_kw])
        varies = series.peak_kw > 1.001 * series.mean_kw
        table.add_row(
            SERIES[series.name],
            format_number(series.kwh, fitting_decimals([series.kwh], most=1)),
            format_number(series.kwh_per_year, fitting_decimals([series.kwh_per_year], most=1)),
            format_number(series.mean_kw, decimals),
            format_number(series.peak_kw, decimals),
            f"  {format_moment(series.peak_at, weekday=False)}" if varies else "",
        )
    return table


def _bands(summary: CheckSummary) -> Table:
    places = price_decimals([band.import_high_per_kwh for band in summary.bands])

    def span(low: float, high: float) -> str:
        ends = [format_number(price, places) for price in (low, high)]
        return ends[0] if ends[0] == ends[1] else " to ".join(ends)

    table = plain_table()
    table.add_column("\nall adjustments in", width=18, overflow="fold")
    for way in ("bought at", "sold at"):
        table.add_column(f"{way}\n{summary.currency} per kWh", justify="right", width=16)
    table.add_column("\nhours", justify="right", width=7)
    table.add_column("\n%", justify="right", width=5)
    table.add_column("use\nkWh", justify="right", width=9)
    for band in summary.bands:
        table.add_row(
            band.name,
            span(band.import_low_per_kwh, band.import_high_per_kwh),
            span(band.export_low_per_kwh, band.export_high_per_kwh),
            format_number(band.hours, fitting_decimals([band.hours], most=1)),
            format_number(100 * band.share_fraction, 1),
            format_number(band.load_kwh, fitting_decimals([band.load_kwh], most=1)),
        )
    return table


def _facts(lines: Iterator[tuple[str, str]]) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(width=18)
    table.add_column(overflow="fold")
    for label, text in lines:
        table.add_row(label, Text(text))
    return table


def _kw(value: float | None) -> str:
    return "no limit" if value is None else f"{value:g} kW"


def _hardware(summary: CheckSummary) -> Iterator[tuple[str, str]]:
    limits = summary.limits
    usable_kwh = limits.full_kwh - limits.empty_kwh
    ceiling = (
        ""
        if limits.ceiling_kwh >= limits.full_kwh
        else f", charged to {format_kwh(limits.ceiling_kwh)} at most"
    )
    yield "battery", f"{format_kwh(usable_kwh)} usable of {format_kwh(limits.full_kwh)}{ceiling}"
    if summary.repeats:
        yield "levels", "the period repeats: it ends at the level it begins with, as the setting leaves it"
    else:
        yield (
            "levels",
            f"starts at {format_kwh(limits.start_kwh)}, asked to end at {format_kwh(limits.closing_kwh)} or more",
        )
    taper = f"; slows down near full over {limits.taper_hours:g} h" if limits.taper_hours else ""
    solar = f", sun {limits.solar_input_kw:g} kW" if limits.solar_input_kw else ""
    yield (
        "charging",
        f"grid {limits.grid_charge_kw:g} kW{solar}, together {limits.total_charge_kw:g} kW{taper}",
    )
    round_trip = limits.eta_charger * limits.eta_discharge * limits.eta_inverter
    yield "grid to load", f"{100 * round_trip:.1f} % comes back out of what is charged from the grid"
    surge = f", {limits.surge_kw:g} kW for a moment" if limits.surge_kw else ""
    together = "cannot share a load" if limits.switches_whole_load else "can share a load"
    yield "inverter", f"{limits.inverter_kw:g} kW{surge}; grid and inverter {together}"
    yield "grid to load limit", f"bypass {_kw(limits.bypass_kw)}, cord {_kw(limits.ac_input_kw)}"
    fed = {"none": "nothing", "house": "the rest of the house only", "grid": "the house and the grid"}[
        limits.feed_in
    ]
    battery = "" if limits.feed_in == "none" else ", battery too" if limits.battery_feed_in else ", sun only"
    exported = f", export {_kw(limits.export_limit_kw)}" if limits.feed_in == "grid" else ""
    yield "connection", f"import {_kw(limits.import_limit_kw)}{exported}; feeds {fed}{battery}"
    yield "idle draw", f"{limits.idle_on_kw * 1000:g} W with outputs on, {limits.idle_off_kw * 1000:g} W off"


def _backup(summary: CheckSummary) -> Iterator[tuple[str, str]]:
    limits = summary.limits
    by_name = {series.name: series for series in summary.series}
    draw_kw = by_name["critical_load"].mean_kw + by_name["idle"].mean_kw
    low, high = format_kwh(summary.floor_low_kwh), format_kwh(summary.floor_high_kwh)

    def runs(level_kwh: float) -> str:
        if draw_kw <= 0:
            return ABSENT
        hours = (level_kwh - limits.empty_kwh) * limits.eta_discharge * limits.eta_inverter / draw_kw
        return f"{hours:.1f} h of mean critical load and idle draw"

    if low == high:
        yield "reserve floor", f"{low} at all times: about {runs(summary.floor_low_kwh)}"
    else:
        yield "reserve floor", f"{low} to {high}, by the hour and the raises stated"
    if summary.floor_capped_hours:
        yield "", f"capped at the ceiling in {summary.floor_capped_hours:,.6g} h"
    yield "charged full", f"{format_kwh(limits.ceiling_kwh)}: about {runs(limits.ceiling_kwh)}"
    target = summary.target_hours
    always = summary.share_of_instants_fraction >= 1
    when = "at all times" if always else f"in {100 * summary.share_of_instants_fraction:g} % of all instants"
    yield "target", "none stated" if target is None else f"{target:g} h of backup or more {when}"
    above = summary.critical_above_inverter_hours
    carries = "carries the critical load at all times"
    yield (
        "inverter",
        carries
        if not above
        else f"DOES NOT carry the critical load in {above:,.6g} h: no backup in those hours",
    )
    if summary.transfer is not None:
        yield "transfer", transfer_sentence(summary.transfer)
