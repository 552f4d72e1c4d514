"""Tariffs compared, as sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.formats import format_money

if TYPE_CHECKING:
    from dispatch.comparison.tariffs import Offer, TariffChoice


def title_of(offer: Offer) -> str:
    """Name an offer and where it stands: the present tariff, or the file it came from."""
    return f"'{offer.name}' ({'the present tariff' if offer.present else offer.path.name})"


def headline(choice: TariffChoice) -> str:
    """Name the cheapest pair in one sentence, or say that there is none."""
    if not choice.compared:
        return "None of the tariffs could be compared."
    target = choice.case.scenario.backup.target_hours
    if not choice.ranked:
        aim = "serve the whole load" if target is None else f"leave the wanted {target:g} hours of backup"
        return f"No tariff and strategy together {aim} at the reserve of the file."
    best = choice.ranked[0]
    cost = format_money(best.judged.total, choice.case.currency)
    if best.judged.wear:
        cost += f" and {format_money(best.judged.wear, choice.case.currency)} of wear"
    why = "" if target is None else f", of those that leave the wanted {target:g} hours of backup"
    return f"Cheapest: {title_of(best.offer)} with {best.judged.name}, a bill of {cost}{why}."
