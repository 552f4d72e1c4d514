"""What a generator does in a long outage, as sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.formats import format_moment, format_money, format_number
from dispatch.outages.generator import generator_fit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.case.case import Case
    from dispatch.outages.outage import Played


def fuel_lines(play: Played, currency: str) -> Iterator[str]:
    """Say how long the generator ran, what it burnt, day by day, and when the tank was empty."""
    if play.generator_hours <= 0:
        return
    days = [
        f"day {number}: {format_number(day.hours, 1)} h, {format_number(day.litres, 1)} l, "
        f"{format_money(day.cost, currency)}"
        for number, day in enumerate(play.fuel_days, start=1)
    ]
    total = (
        f"The generator runs {format_number(play.generator_hours, 1)} h, burns {format_number(play.litres, 1)} l for "
        f"{format_money(play.fuel_cost, currency)}"
    )
    yield f"{total} ({'; '.join(days)})" if len(days) > 1 else total
    if play.tank_empty_at is not None:
        yield f"Its tank is EMPTY at {format_moment(play.tank_empty_at)}"


def input_words(case: Case) -> str | None:
    """Say to what the charger's input must be limited for a generator that gives less; None where it gives enough."""
    fit = generator_fit(case)
    if fit is None or not fit.too_small:
        return None
    return (
        f"The generator gives {fit.generator_w:,.0f} W, less than charger and critical load may draw: limit the AC "
        f"input to {fit.input_limit_w:,.0f} W, or the charger alone to {fit.charge_limit_w:,.0f} W; times and litres "
        "here are with that"
    )
