"""A margin for other years: the target must hold on days the search never saw.

A card tuned on one year keeps the backup target in that year, and often by a hair. It is run through years drawn
from the same days; where fewer than 95 % of them keep the target, the search is held to a stricter one and refines
the card, until they do or nothing helps.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.search.search import refine

if TYPE_CHECKING:
    from dispatch.search.judge import Judge
    from dispatch.search.other_years import CardYears, DrawnYears
    from dispatch.search.simple import Found


WANTED_YEARS = 0.95
ROUNDS = 4


@dataclass(frozen=True)
class Held:
    """A found card that was held against drawn years.

    Attributes
    ----------
    found : Found
    judge : Judge
        The one that chose it; stricter than the scenario where a margin was needed.
    years : CardYears
    """

    found: Found
    judge: Judge
    years: CardYears


def with_margin(judge: Judge, found: Found, drawn: DrawnYears) -> Held:
    """Refine a card until at least 95 % of the drawn years keep the backup target, and as many the reserve.

    Parameters
    ----------
    judge : Judge
        The scenario's own.
    found : Found
        By that judge.
    drawn : DrawnYears

    Returns
    -------
    Held
        The card that keeps them in most years; the found one where none keeps more.
    """
    held = last = Held(found, judge, _run(judge, found, drawn))
    if found.card.broken:
        return held  # a promise that not even the year itself keeps
    kept = _kept(drawn, held)
    share, more_kwh, more_floor_kwh = 1.0, 0.0, 0.0
    for _ in range(ROUNDS):
        if kept >= WANTED_YEARS:
            break
        if (drawn.kept(last.years) or 0.0) < WANTED_YEARS and judge.target is not None:
            if judge.allowed_steps >= 1.0:
                # drawn years miss more steps than the year itself: let it miss fewer by as much
                missed = float(np.quantile(last.years.missed_steps, WANTED_YEARS))
                share = judge.missed_steps(last.found.card.card) / max(missed, 1.0)
            else:
                more_kwh += float(np.quantile(last.years.short_kwh, WANTED_YEARS))
        if drawn.kept_reserve(last.years) < WANTED_YEARS:
            more_floor_kwh += float(np.quantile(last.years.below_floor_kwh, WANTED_YEARS))
        strict = judge.stricter(share, more_kwh, more_floor_kwh)
        again = refine(strict, strict.cards([last.found.best.card]))
        last = Held(again, strict, _run(strict, again, drawn))
        if _kept(drawn, last) > kept and not judge.cards([again.card.card])[0].broken:
            held, kept = last, _kept(drawn, last)
    return held


def _kept(drawn: DrawnYears, held: Held) -> float:
    """Share of the years that keep the promise kept less often: target or reserve."""
    target = drawn.kept(held.years)
    return min(drawn.kept_reserve(held.years), 1.0 if target is None else target)


def _run(judge: Judge, found: Found, drawn: DrawnYears) -> CardYears:
    card = found.card.card
    return drawn.run(card, judge.tables.orders([card]), judge.start_kwh)
