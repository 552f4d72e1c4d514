"""Tariffs side by side as one JSON document."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import pandas as pd

from dispatch.comparison.recommendation import share_meeting
from dispatch.comparison.tariffs import qualifies
from dispatch.words.tariffs import headline

if TYPE_CHECKING:
    from dispatch.comparison.tariffs import Offer, Pair, TariffChoice
    from dispatch.outcome import Earned, StrategyResult


def choice_document(choice: TariffChoice) -> dict[str, Any]:
    """Put a comparison of tariffs into plain JSON types.

    Parameters
    ----------
    choice : TariffChoice

    Returns
    -------
    dict
        Keys are stable: more may be added, none is renamed. ``cheapest`` is the tariff and strategy to choose, null
        where none meets the backup target at the reserve of the file; ``tariffs`` lists the present one first.
        Savings are on rounded bills: ``saved_on_present`` against the household without the system under its present
        tariff, ``saved_on_same`` under the same tariff.
    """
    case = choice.case
    backup = case.scenario.backup
    advice = choice.advice()
    return {
        "scenario": case.name,
        "currency": case.currency,
        "time_zone": case.scenario.site.time_zone,
        "start": case.times[0].isoformat(),
        "end": (case.times[-1] + pd.Timedelta(hours=case.dt_hours)).isoformat(),
        "target_hours": backup.target_hours,
        "share_of_instants_fraction": backup.share_of_instants_fraction,
        "present_bill": None if choice.present_bill is None else float(choice.present_bill.total),
        "sentence": headline(choice),
        "cheapest": _cheapest(choice, choice.ranked[0]) if choice.ranked else None,
        "ranked": [_cheapest(choice, pair) for pair in choice.ranked],
        "cheapest_at_any_reserve": None
        if advice is None
        else {"tariff": advice[0].name, "path": str(advice[0].path), **dataclasses.asdict(advice[1])},
        "tariffs": [_offer(choice, offer) for offer in choice.offers],
    }


def _cheapest(choice: TariffChoice, pair: Pair) -> dict[str, Any]:
    return {
        "tariff": pair.offer.name,
        "path": str(pair.offer.path),
        "basis": pair.offer.basis,
        **_strategy(choice, pair.offer, pair.judged),
    }


def _offer(choice: TariffChoice, offer: Offer) -> dict[str, Any]:
    comparison = offer.comparison
    grid_only = offer.grid_only
    return {
        "tariff": offer.name,
        "path": str(offer.path),
        "present": offer.present,
        "reason": offer.reason,
        "basis": offer.basis,
        "grid_only_bill": None if grid_only is None else float(grid_only.total),
        "strategies": [_strategy(choice, offer, judged) for judged in offer.judged],
        "planned": []
        if comparison is None
        else [
            {
                "name": result.name,
                "status": result.status,
                "bill": float(result.bill.total),
                "wear": result.wear,
                "least_backup_hours": None if result.backup is None else result.backup.minimum,
                "gap": result.gap,
            }
            for result in comparison.strategies
        ],
        "recommendation": None if comparison is None else dataclasses.asdict(comparison.recommendation),
    }


def _strategy(choice: TariffChoice, offer: Offer, judged: StrategyResult | Earned) -> dict[str, Any]:
    backup = judged.backup
    same = None if offer.grid_only is None else float(offer.grid_only.total) - judged.total
    return {
        "strategy": judged.name,
        "status": judged.status,
        "bill": judged.total,
        "bill_unrounded": float(judged.bill.total_unrounded),
        "wear": judged.wear,
        "bill_and_wear": judged.total + judged.wear,
        "burden": judged.burden,
        "saved_on_present": choice.saved_on_present(judged.total),
        "saved_on_same": same,
        "least_backup_hours": None if backup is None else backup.minimum,
        "target_met_fraction": share_meeting(choice.case, judged),
        "meets_target": qualifies(choice.case, judged),
    }
