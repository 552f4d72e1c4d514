"""Which purchase is the best next step: promises first, then money; and whether doubt would change it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dispatch.sizing.worth import (
    Doubt,
    against,
    discounted_payback_years,
    doubts,
    in_favour,
    outlook_of,
    simple_payback_years,
    worth,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dispatch.sizing.size import Purchase, Sized
    from dispatch.sizing.worth import Outlook


@dataclass(frozen=True)
class Judged:
    """A purchase in money.

    Attributes
    ----------
    purchase : Purchase
    worth : float
        Most that may be paid for it. [currency of today]
    npv : float or None
        Net present value; None where the price is not known. [currency]
    npv_low, npv_high : float or None
        With every doubt against it, and in its favour.
    payback_years, discounted_payback_years : float or None
        None where it never pays back, or the price is not known.
    doubts : tuple of Doubt
        One uncertain figure at a time; empty where the price is not known.
    """

    purchase: Purchase
    worth: float
    npv: float | None
    npv_low: float | None
    npv_high: float | None
    payback_years: float | None
    discounted_payback_years: float | None
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True)
class NextStep:
    """What to buy.

    Attributes
    ----------
    judged : tuple of Judged
        All purchases, in the grid's order.
    best : Judged or None
        What to buy; that may be nothing. None where no price decides it.
    steps : tuple of Judged
        The next size up of each kind.
    why : str
        ``pays``; ``nothing pays``: what is there is best; ``promise``: money alone would not buy it, the backup target
        (or a load not served so far) does; ``least loss``: from nothing, where no purchase pays; ``no prices``;
        ``nothing works``.
    best_low, best_high : Judged or None
        What it would be with every doubt against purchases, and in their favour.
    """

    judged: tuple[Judged, ...]
    best: Judged | None
    steps: tuple[Judged, ...]
    why: str
    best_low: Judged | None
    best_high: Judged | None


def judge(purchase: Purchase, sized: Sized) -> Judged:
    """Put a purchase in money of today."""
    sizing, gain, price = sized.sizing, purchase.gain, purchase.price
    likely = outlook_of(sizing)
    value = worth(gain, likely)
    if price is None:
        return Judged(purchase, value, None, None, None, None, None, ())
    low, high = against(sizing, likely), in_favour(sizing, likely)
    # against a purchase that loses, slower fading is worse: the ends are ordered by what they come to
    ends = sorted([worth(gain, low) - price, worth(gain, high) - price])
    return Judged(
        purchase=purchase,
        worth=value,
        npv=value - price,
        npv_low=ends[0],
        npv_high=ends[1],
        payback_years=simple_payback_years(price, gain),
        discounted_payback_years=discounted_payback_years(price, gain, likely),
        doubts=() if purchase.is_nothing else doubts(price, gain, sizing),
    )


def next_step(sized: Sized) -> NextStep:
    """Choose: serve the load, keep the backup target, then the highest net present value; of equals the cheaper.

    Parameters
    ----------
    sized : Sized
    """
    judged = tuple(judge(each, sized) for each in sized.purchases)
    steps = tuple(next(one for one in judged if one.purchase is step) for step in sized.steps)
    likely = outlook_of(sized.sizing)
    best = _best(judged, likely)
    ends = (against(sized.sizing, likely), in_favour(sized.sizing, likely))
    low, high = (_best(judged, outlook) for outlook in ends)
    return NextStep(judged, best, steps, _why(sized, judged, best), low, high)


def _best(judged: Sequence[Judged], outlook: Outlook) -> Judged | None:
    """Choose among those that work and whose price is known; None where there is no purchase among them."""
    known = [one for one in judged if one.purchase.price is not None and one.purchase.cell.works]
    if not any(not one.purchase.is_nothing for one in known):
        return None

    def rank(one: Judged) -> tuple[bool, float, float, float]:
        outcome, price = one.purchase.cell.outcome, one.purchase.price or 0.0
        met = outcome is not None and outcome.meets_target
        share = 0.0 if met or outcome is None else -round(outcome.target_share, 9)
        return not met, share, -round(worth(one.purchase.gain, outlook) - price, 6), price

    return min(known, key=rank)


def _why(sized: Sized, judged: Sequence[Judged], best: Judged | None) -> str:
    if not any(one.purchase.cell.works for one in judged):
        return "nothing works"
    if best is None:
        return "no prices"
    if best.purchase.is_nothing:
        return "nothing pays"
    now = sized.now
    if now is not None and (now.outcome is None or not now.outcome.serves or not now.outcome.meets_target):
        return "promise"
    if (best.npv or 0.0) > 0:
        return "pays"
    return "least loss" if sized.case.scenario.backup.target_hours is None else "promise"
