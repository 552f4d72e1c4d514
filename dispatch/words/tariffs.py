"""Tariffs compared, as sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.formats import format_money
from dispatch.words.advice import setting_words

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
        aim = "serves the whole load" if target is None else f"leaves the wanted {target:g} hours of backup"
        return f"No tariff with any strategy and reserve {aim}."
    best, currency = choice.ranked[0], choice.case.currency
    why = "" if target is None else f", of those that leave the wanted {target:g} hours of backup"
    return (
        f"Cheapest: {title_of(best.offer)} with {setting_words(best.outcome)}: "
        f"{format_money(best.outcome.compared_cost, currency)} of bill and wear{why}."
    )
