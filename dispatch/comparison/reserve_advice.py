"""The cheapest strategy and reserve level that meet the backup target, among all that the device can be set to.

Every strategy is run as an inverter does at every reserve level the device takes, all of them side by side; those
that leave the target hours at the wanted share of instants and serve the whole load qualify. The cheapest of each
strategy is then priced exactly, and the cheapest of those is the advice.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.case.stored_value import lowest_price_per_kwh
from dispatch.comparison.recommendation import Recommendation, ReserveAdvice
from dispatch.errors import FlowsError
from dispatch.formats import CENT, format_hours, format_money
from dispatch.outcome import Earned, earned
from dispatch.rules.replay import replay
from dispatch.rules.score import Scorer
from dispatch.settings.plain import plain_card
from dispatch.settings.space import device_space
from dispatch.settings.tables import Tables
from dispatch.strategies.table import CHOICES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dispatch.case.case import Case
    from dispatch.settings.card import Card


SERVED_KWH = 1e-6


def advise_reserve(
    case: Case, as_set: Mapping[str, Earned], reference_total: float, recommended: str | None
) -> ReserveAdvice | None:
    """Find the cheapest strategy and reserve level that meet the target.

    Parameters
    ----------
    case : Case
    as_set : mapping of str to Earned
        The strategies at the reserve of the file.
    reference_total : float
        Bill of the household without the system.
    recommended : str or None
        The strategy recommended at the reserve of the file.

    Returns
    -------
    ReserveAdvice or None
        None without a target, where no run is to be had, or where no level meets the target.
    """
    if case.scenario.backup.target_hours is None or not as_set:
        return None
    chosen = _cheapest(case, reference_total)
    if chosen is None:
        return None
    percent, run = chosen
    stated = as_set[recommended] if recommended is not None else None
    return ReserveAdvice(
        strategy=run.name,
        percent=percent,
        kwh=percent / 100.0 * case.limits.full_kwh,
        bill=run.total,
        wear=run.wear,
        burden=run.burden,
        least_hours=run.backup.minimum,
        share_met=run.target_share,
        saves=None if stated is None else stated.burden - run.burden,
    )


def _cheapest(case: Case, reference_total: float) -> tuple[float, Earned] | None:
    space = device_space(case)
    names = [name for name in CHOICES for _ in space.levels]
    percents = np.array([*space.levels] * len(CHOICES))
    cards = [
        plain_card(case, space, name, percent) for name, percent in zip(names, percents.tolist(), strict=True)
    ]
    tables = Tables(case, space)
    tally = Scorer.of(case).tally_by_bill(tables.orders(cards))
    gained = (tally.end_kwh - case.limits.start_kwh) * lowest_price_per_kwh(case)
    cost = tally.money + tally.wear - gained
    met = 1.0 - tally.missed_steps / len(case.times)
    wanted = case.scenario.backup.share_of_instants_fraction
    qualifies = (met >= wanted - 1e-12) & (tally.unserved_kwh <= SERVED_KWH)
    if not qualifies.any():
        return None
    best = [
        min(of_name, key=lambda at: (round(float(cost[at]), 6), percents[at]))
        for name in CHOICES
        if (of_name := [at for at in np.flatnonzero(qualifies).tolist() if names[at] == name])
    ]
    runs = _priced(case, tables, [cards[at] for at in best], tuple(names[at] for at in best), reference_total)
    qualified = [
        (float(percents[at]), run)
        for at, run in zip(best, runs, strict=False)
        if run.target_share >= wanted - 1e-12
    ]
    return min(qualified, key=lambda pair: pair[1].burden, default=None)


def _priced(
    case: Case, tables: Tables, cards: Sequence[Card], names: tuple[str, ...], reference_total: float
) -> list[Earned]:
    try:
        flows = replay(case, tables.orders(cards), names)
    except FlowsError:
        return []
    return [earned(case, run.name, run, reference_total) for run in flows]


def cheaper_words(advice: ReserveAdvice, currency: str) -> str:
    """Say what another reserve would save, in the words of the reason.

    Parameters
    ----------
    advice : ReserveAdvice
        One that saves.
    currency : str

    Returns
    -------
    str
    """
    setting = f"{advice.strategy} with the reserve set to {advice.percent:g}%"
    money = format_money(advice.saves, currency)
    return (
        f"cheaper by {money} and still enough: {setting} (its least is {format_hours(advice.least_hours)} h)"
    )


def with_reserve(
    case: Case, recommendation: Recommendation, as_set: Mapping[str, Earned], reference_total: float
) -> Recommendation:
    """Add to a recommendation the cheapest strategy and reserve level that meet the target.

    Parameters
    ----------
    case : Case
    recommendation : Recommendation
        At the reserve of the file; where that is none, the advice becomes it.
    as_set : mapping of str to Earned
    reference_total : float
        Bill of the household without the system.
    """
    advice = advise_reserve(case, as_set, reference_total, recommendation.strategy)
    if advice is None:
        return recommendation
    setting = f"{advice.strategy} with the reserve set to {advice.percent:g}%"
    least = f"its least is {format_hours(advice.least_hours)} h"
    if advice.saves is None:
        words = f"at another reserve one does: {setting} is the cheapest that does ({least})"
    elif advice.saves <= CENT:
        words = "no other strategy or reserve level meets the target for less"
    else:
        words = cheaper_words(advice, case.currency)
    return replace(
        recommendation,
        strategy=recommendation.strategy or advice.strategy,
        reason=f"{recommendation.reason}; {words}",
        reserve=advice,
    )
