"""Tariffs side by side as one JSON document."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dispatch.exports.comparison import recommendation_document
from dispatch.exports.outcome import head
from dispatch.words.tariffs import headline

if TYPE_CHECKING:
    from dispatch.comparison.tariffs import Offer, Pair, TariffChoice
    from dispatch.outcome import Outcome


def choice_document(choice: TariffChoice) -> dict[str, Any]:
    """Put a comparison of tariffs into plain JSON types.

    Returns
    -------
    dict
        Keys are stable: more may be added, none is renamed. ``cheapest`` is the tariff and setting to choose, null
        where none meets the backup target; ``tariffs`` lists the present one first. ``saved_on_present`` is against
        the household without the system under its present tariff, ``saved_on_same`` under the same tariff.
    """
    today = choice.offers[0].no_system
    return {
        **head(choice.case),
        "present_bill": None if today is None else float(today.bill.total),
        "sentence": headline(choice),
        "cheapest": _pair(choice, choice.ranked[0]) if choice.ranked else None,
        "ranked": [_pair(choice, pair) for pair in choice.ranked],
        "tariffs": [_offer(choice, offer) for offer in choice.offers],
    }


def _pair(choice: TariffChoice, pair: Pair) -> dict[str, Any]:
    return {"tariff": pair.offer.name, "path": str(pair.offer.path), **_run(choice, pair.outcome)}


def _offer(choice: TariffChoice, offer: Offer) -> dict[str, Any]:
    advice = offer.advice
    return {
        "tariff": offer.name,
        "path": str(offer.path),
        "present": offer.present,
        "reason": offer.reason,
        "grid_only_bill": None if offer.no_system is None else float(offer.no_system.bill.total),
        "strategies": [] if advice is None else [_run(choice, run) for run in advice.outcomes.values()],
        "recommendation": None if advice is None else recommendation_document(advice),
    }


def _run(choice: TariffChoice, run: Outcome) -> dict[str, Any]:
    return {
        "strategy": run.name,
        "basis": run.basis,
        "status": run.status,
        "reserve_percent": run.reserve_percent,
        "bill": run.total,
        "bill_unrounded": float(run.bill.total_unrounded),
        "wear": run.wear,
        "bill_and_wear": run.bill_and_wear,
        "compared_cost": run.compared_cost,
        "saved_on_present": choice.saved_on_present(run),
        "saved_on_same": run.saving,
        "least_backup_hours": None if run.backup is None else run.backup.minimum,
        "target_met_fraction": run.target_share,
        "meets_target": run.serves and run.meets_target,
    }
