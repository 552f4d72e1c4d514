"""What a purchase is worth: money of later years in money of today, payback, and how sure that is.

::

    worth   = Σ_t gain · kept(t) · ((1 + growth) / (1 + discount))^t        t = 1 … horizon, money at the year's end
    kept(t) = max(0, 1 - fade · (t - 1))                                    linear, as capacity fades in [life]
    net present value = worth - price        simple payback = price / gain        gain at today's prices, as new

What packs bring is counted until they have 80 % left, where the scenario tells their life; the last year in part.

References
----------
.. [1] NIST Handbook 135, "Life-Cycle Costing Manual for the Federal Energy Management Program", 1995 edition:
   present-value factors for amounts that recur and grow, simple and discounted payback.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dispatch.scenario.sizing import Sizing


_ROUNDING = 1e-12

FADE_PER_YEAR = 0.02
"""Of packs whose scenario tells nothing of their life.  # common practice, no source"""


@dataclass(frozen=True)
class Outlook:
    """How years to come are counted.

    Attributes
    ----------
    horizon_years : int
    discount, growth : float
        Price of money, and growth of all energy prices, a year.
    panels_fade : float
        Share of what panels bring that is lost with each year.
    fade_factor : float
        What every fading is multiplied with; life is divided by it.
    """

    horizon_years: int
    discount: float
    growth: float
    panels_fade: float
    fade_factor: float = 1.0


@dataclass(frozen=True)
class Gain:
    """What a purchase brings in its first year, at today's prices.

    Attributes
    ----------
    packs, panels : float
        Part that fades as packs do, and part that fades as panels do. [currency a year]
    pack_fade : float
        Share of the first that is lost with each year.
    pack_life_years : float
        Years until the packs have 80 % left; ``inf`` = not known.
    """

    packs: float
    panels: float
    pack_fade: float
    pack_life_years: float

    @property
    def total(self) -> float:
        """Both parts. [currency a year]."""
        return self.packs + self.panels


def outlook_of(sizing: Sizing) -> Outlook:
    """Return what the scenario takes for likely."""
    return Outlook(
        sizing.horizon_years,
        sizing.discount_per_year_fraction,
        sizing.tariff_growth_per_year_fraction,
        sizing.panels_fade_per_year_fraction,
    )


def by_year(gain: Gain, outlook: Outlook) -> list[float]:
    """Gain of each year in money of today, shape (horizon,). [currency]."""
    factor, life = outlook.fade_factor, gain.pack_life_years / outlook.fade_factor
    found = []
    for year in range(1, outlook.horizon_years + 1):
        packs = max(0.0, 1.0 - factor * gain.pack_fade * (year - 1)) * min(max(life - (year - 1), 0.0), 1.0)
        panels = max(0.0, 1.0 - factor * outlook.panels_fade * (year - 1))
        today = ((1.0 + outlook.growth) / (1.0 + outlook.discount)) ** year
        found.append((gain.packs * packs + gain.panels * panels) * today)
    return found


def worth(gain: Gain, outlook: Outlook) -> float:
    """Most that may be paid for it so that it loses nothing: the present value of its gains. [currency]."""
    return math.fsum(by_year(gain, outlook))


def simple_payback_years(price: float, gain: Gain) -> float | None:
    """Price over the first year's gain; None where nothing is gained. [years]."""
    if price <= 0:
        return 0.0
    return price / gain.total if gain.total > 0 else None


def discounted_payback_years(price: float, gain: Gain, outlook: Outlook) -> float | None:
    """Years after which the gains in money of today add up to the price; None where they do not by the horizon."""
    if price <= 0:
        return 0.0
    left = price
    for year, amount in enumerate(by_year(gain, outlook)):
        if amount >= left - _ROUNDING * price:
            return year + min(left / amount, 1.0)
        left -= amount
    return None


@dataclass(frozen=True)
class Doubt:
    """What one uncertain figure does to a net present value.

    Attributes
    ----------
    name : str
        ``price of money``, ``tariff growth`` or ``fading``.
    low, high : float
        The figure at its two ends: a share a year, or a multiple of the fading.
    npv_low, npv_high : float
        Net present value at each end. [currency]
    """

    name: str
    low: float
    high: float
    npv_low: float
    npv_high: float


def against(sizing: Sizing, outlook: Outlook) -> Outlook:
    """Return the outlook with every doubt against the purchase."""
    return replace(
        outlook,
        discount=outlook.discount + sizing.discount_doubt_fraction,
        growth=_growth(outlook.growth - sizing.tariff_growth_doubt_fraction),
        fade_factor=sizing.fade_doubt_factor,
    )


def in_favour(sizing: Sizing, outlook: Outlook) -> Outlook:
    """Return the outlook with every doubt in favour of the purchase."""
    return replace(
        outlook,
        discount=max(outlook.discount - sizing.discount_doubt_fraction, 0.0),
        growth=outlook.growth + sizing.tariff_growth_doubt_fraction,
        fade_factor=1.0 / sizing.fade_doubt_factor,
    )


def doubts(price: float, gain: Gain, sizing: Sizing) -> tuple[Doubt, ...]:
    """Move one uncertain figure at a time, the others as likely."""
    likely = outlook_of(sizing)
    low, high = against(sizing, likely), in_favour(sizing, likely)

    def each() -> Iterator[Doubt]:
        for name, key in (
            ("price of money", "discount"),
            ("tariff growth", "growth"),
            ("fading", "fade_factor"),
        ):
            ends = [getattr(low, key), getattr(high, key)]
            values = [worth(gain, replace(likely, **{key: end})) - price for end in ends]
            (first, npv_first), (last, npv_last) = sorted(zip(ends, values, strict=True))
            yield Doubt(name, first, last, npv_first, npv_last)

    return tuple(each())


def _growth(value: float) -> float:
    return max(value, -0.99)
