"""Rebates for using less than a baseline, as the program has to know them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tariffs.terms.flow_terms import RebateTerm
from tariffs.terms.weights import Which, weight

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tariffs.periods.layout import Layout
    from tariffs.periods.rebates import RebateEvent


def rebate_terms(layout: Layout, events: Sequence[RebateEvent]) -> tuple[RebateTerm, ...]:
    """Return every event day as a term."""
    return tuple(
        RebateTerm(
            name=event.rebate.name,
            period=layout.parts[event.part].period,
            steps=event.steps,
            like=event.like,
            counted=event.counted,
            known_kwh=None if event.known_kwh is None else float(event.known_kwh),
            price_per_kwh=rebate_price(layout, event, None),
        )
        for event in events
    )


def rebate_price(layout: Layout, event: RebateEvent, which: Which) -> float:
    """Return what a kWh below the baseline earns, in the whole bill or in a base."""
    sheet = layout.sheet(layout.parts[event.part].version)
    return float(event.rebate.price_per_kwh) * weight(sheet, which, "credits", event.rebate.name)
