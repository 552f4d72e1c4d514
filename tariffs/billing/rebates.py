"""Rebates for using less than a baseline, from exact kWh."""

from collections.abc import Iterator, Sequence
from decimal import Decimal

from tariffs.billing.gather import Piece, gathered
from tariffs.billing.lines import ZERO, Placed, exact_sum
from tariffs.billing.usage import Floats
from tariffs.periods.rebates import RebateEvent


def baseline_kwh(event: RebateEvent, bought: Floats) -> Decimal:
    """Return the baseline of an event day. [kWh]."""
    if event.known_kwh is not None:
        return event.known_kwh
    days = sorted((exact_sum(bought[steps]) for steps in event.like), reverse=True)[: event.counted]
    return sum(days, ZERO) / len(days)


def rebate_lines(events: Sequence[RebateEvent], bought: Floats, parts: range) -> Iterator[Placed]:
    """Yield the lines of the rebates earned in some parts of a bill: kWh below the baselines at their price."""
    yield from gathered(_earned(events, bought, parts), note=_days)


def _earned(events: Sequence[RebateEvent], bought: Floats, parts: range) -> Iterator[Piece]:
    for event in events:
        if event.part in parts:
            saved = max(baseline_kwh(event, bought) - exact_sum(bought[event.steps]), ZERO)
            name = event.rebate.name
            yield Piece(name, ("credits", name), event.part, saved, -event.rebate.price_per_kwh)


def _days(pieces: list[Piece]) -> str:
    """Say on how many event days something was saved."""
    return f", {len(pieces)} event day{'s' if len(pieces) > 1 else ''}"
