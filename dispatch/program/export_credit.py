"""Exports that earn a credit in money, stated for the program; the algebra is that of `tariffs.terms`.

::

    used ≤ at hand;  used ≤ base of the charges;   money -weight·used;   what is left goes on to the next bill

The bill uses what it can as soon as it can. A program that may choose does the same, or something worth no less, as
long as a credit is worth the same on every bill, does not expire, and the charges it is set against are never below
nothing: `why_not` says which of these fails.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.program.schedules import Money, TermWriter, merged, negated
from dispatch.program.solver import AT_MOST
from tariffs.terms.slopes import NOISE, lowest_slope

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tariffs.terms.money_terms import CreditTerm
    from tariffs.terms.terms import PricedSteps

    Terms = list[tuple[Any, float]]


@dataclass
class ExportCredits:
    """The account through time: what is carried from bill to bill, and the money of what is used and paid out."""

    sheet: TermWriter
    carried: Money = field(default_factory=lambda: Money([]))
    money: Terms = field(default_factory=list)
    constant: float = 0.0

    def state(self, term: CreditTerm, earned: Money, base: Money) -> None:
        """State one bill."""
        at = term.order
        hand = _plus(self.carried, Money([], term.opening))
        if term.at_once:
            hand = _plus(hand, earned)
        used = self.sheet.column(f"credit_{at}_used")
        self.sheet.row(f"credit_{at}_at_hand", AT_MOST, [(used, 1.0), *negated(hand.terms)], hand.constant)
        charges = merged([(used, 1.0), *negated(base.terms)])
        self.sheet.row(f"credit_{at}_charges", AT_MOST, charges, base.constant)
        left = _plus(hand, Money([(used, -1.0)]))
        if not term.at_once:
            left = _plus(left, earned)
        self.money.append((used, -term.topup_factor))
        if term.settled_fraction is not None:
            worth = -term.topup_factor * term.settled_fraction
            self.money += [(column, worth * factor) for column, factor in left.terms]
            self.constant += worth * left.constant
        settled = term.lost_at_end or term.settled_fraction is not None
        self.carried = Money([]) if settled else Money(merged(left.terms), left.constant)


def _plus(one: Money, other: Money) -> Money:
    return Money([*one.terms, *other.terms], one.constant + other.constant)


def why_not(prices: PricedSteps) -> str | None:
    """Return why a credit of this tariff cannot be stated exactly; None where it can."""
    weights = [term.topup_factor for term in prices.credits]
    own = {term.order for term in prices.credits}
    checks: Sequence[tuple[Callable[[CreditTerm], bool], str]] = (
        (
            lambda term: term.oldest > 0 and not term.lost_at_end,
            "credits that expire have to be used in their order",
        ),
        (
            lambda term: abs(term.topup_factor - weights[0]) > NOISE,
            "a credit is worth more on one bill than on another",
        ),
        (lambda term: term.topup_factor <= 0, "the adjustments turn a credit that is used into a charge"),
        (
            lambda term: (term.settled_fraction or 0.0) > 1,
            "a credit is worth more when it is settled than when used",
        ),
        (lambda term: bool((term.earned_per_kwh < 0).any()), "what is fed in is charged at some hours"),
        (
            lambda term: bool(term.counts or term.kwh_minimums or term.rebates),
            "it is set against other such money",
        ),
        (
            lambda term: _may_be_negative(prices, term),
            "the charges it is set against can be less than nothing",
        ),
    )
    found = (text for test, text in checks if any(test(term) for term in prices.credits))
    if any(at in own for term in prices.counting for at, _ in term.counts):
        return "a minimum bill or another rule counts what is used of the credit"
    return next(found, None)


def _may_be_negative(prices: PricedSteps, term: CreditTerm) -> bool:
    """Tell whether the charges that a credit is set against can be below nothing."""
    least = np.zeros(len(prices.times))  # what a kWh bought adds to them at least, with blocks that take off
    least[term.steps] = term.import_price_per_kwh
    schedules = [schedule for _, each in term.demand for schedule in each]
    for at, schedule in term.blocks:
        block, slope = prices.blocks[at], lowest_slope(schedule)
        if block.of_export or block.netted or block.demand is not None or not math.isfinite(slope):
            schedules.append(schedule)
            continue
        if schedule(0.0) < -NOISE:
            return True
        least[block.steps] += slope if slope < 0 else 0.0
    return bool(
        any(lowest_slope(schedule) < -NOISE or schedule(0.0) < -NOISE for schedule in schedules)
        or term.base_fixed < -NOISE
        or np.any(least < -NOISE)
        or np.any(term.export_price_per_kwh > NOISE)
        or any(np.any(values) or left for _, values, left in term.netting)
    )
