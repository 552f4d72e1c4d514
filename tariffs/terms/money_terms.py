"""Terms worked out from the money of other lines: minimum bills, percentages, credits for exports."""

from dataclasses import dataclass, field

import numpy as np

from tariffs.terms.schedules import RESOLUTION, Floats, Ints, Schedule


@dataclass(frozen=True)
class CountingTerm:
    """What is worked out from the money of other lines of a period: its base.

    The base is the same algebra as the whole bill with these prices in place of the effective ones::

        base = base_fixed + sum over steps of import * import_price_per_kwh - export * export_price_per_kwh
             + blocks, demand, netting and kWh minimum terms by index, priced by the schedules and values given here
             + sum over earlier counting terms of factor * their value

    Attributes
    ----------
    period : int
    order : int
        Its place among all counting terms; it may count those before it.
    topup_factor : float
        What one unit of its value costs once later adjustments have had their say.
    base_fixed : float
        What the base holds whatever flows. [currency]
    steps : array of int
        Steps of the period.
    import_price_per_kwh, export_price_per_kwh : array, one entry per step in `steps`
    blocks : tuple of (int, Schedule)
    demand : tuple of (int, tuple of Schedule)
    netting : tuple of (int, array of values per group, leftover price)
    kwh_minimums : tuple of (int, float)
        Price of the missing kWh of each.
    rebates : tuple of (int, float)
        What a kWh saved of each takes off the base.
    counts : tuple of (int, float)
        Earlier counting terms, by `order`, and how much of the value of each is in the base.
    """

    period: int
    order: int
    topup_factor: float
    base_fixed: float
    steps: Ints
    import_price_per_kwh: Floats
    export_price_per_kwh: Floats
    blocks: tuple[tuple[int, Schedule], ...]
    demand: tuple[tuple[int, tuple[Schedule, ...]], ...]
    netting: tuple[tuple[int, Floats, float], ...]
    kwh_minimums: tuple[tuple[int, float], ...]
    counts: tuple[tuple[int, float], ...]
    rebates: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True)
class MinimumTerm(CountingTerm):
    """A minimum bill: what the base falls short of is added.

    Attributes
    ----------
    minimum : float
        [currency]
    """

    minimum: float = 0.0

    def value(self, base: float) -> float:
        """Return the top-up: ``max(0, minimum - base)``."""
        return max(0.0, self.minimum - base)


@dataclass(frozen=True)
class PercentTerm(CountingTerm):
    """A percentage of the base with a ceiling, or with a rate for each tier of the total.

    ::

        with a ceiling    fraction * base, in size at most `most`
        by money          Σ fractions[k] * what of the base lies in tier k; whole: the fraction of its tier * base
        by energy         base * Σ fractions[k] * what of the kWh lies in tier k / kWh; whole: likewise

    Attributes
    ----------
    name : str
    most : float
        The ceiling; infinity without one. [currency]
    fractions, limits : tuple of float
        Rates, and the totals up to which they hold; the last is infinity. [kWh or currency]
    by_kwh, whole : bool
    netted : tuple of (int, int)
        By energy: the (term, group) pairs of netting whose billed kWh count; without any, the imports of `steps`.
    missing : tuple of int
        kWh minimum terms whose missing kWh count too.
    """

    name: str = ""
    most: float = np.inf
    fractions: tuple[float, ...] = (0.0,)
    limits: tuple[float, ...] = (np.inf,)
    by_kwh: bool = False
    whole: bool = False
    netted: tuple[tuple[int, int], ...] = ()
    missing: tuple[int, ...] = ()

    def value(self, base: float, kwh: float) -> float:
        """Return what it comes to for a base, and kWh where it is by energy."""
        total = kwh if self.by_kwh else base
        first = self.fractions[0]
        if self.whole:
            at = next(at for at, limit in enumerate(self.limits) if total <= limit + RESOLUTION)
            return self.fractions[at] * base
        if len(self.fractions) == 1 or total <= 0.0:
            return float(
                np.clip(first * base, -self.most, np.inf) if first < 0 else min(first * base, self.most)
            )
        starts = np.array([0.0, *self.limits[:-1]])
        filled = np.clip(total - starts, 0.0, np.array(self.limits) - starts)
        due = float(filled @ np.array(self.fractions))
        return base * due / total if self.by_kwh else due


@dataclass(frozen=True)
class CreditTerm(CountingTerm):
    """What exports earn as a credit in money over one billing period, and what of it is used; a chain through time.

    ::

        earned  = earned_fixed + sum over steps of export * earned_per_kwh - the cost of `earned_blocks`
        lots earned on bills before month `oldest` are dropped
        at_once : the bill's own earned is a lot before it is used, else after it
        used    = min(all lots, max(0, base)), the oldest lot first
        paid    = settled_fraction * what is left, where not None; then, or with `lost_at_end`, nothing is left
        value   = - used - paid, and what is earned below nothing is owed at once

    Attributes
    ----------
    earned_fixed : float
        What other registers earn. [currency]
    earned_per_kwh : array, one entry per step in `steps`
    earned_blocks : tuple of (int, Schedule)
    opening : float
        A lot that never expires, before the first term. [currency]
    month, oldest : int
        Months counted from year 0.
    at_once, lost_at_end : bool
    settled_fraction : float or None
    """

    earned_fixed: float = 0.0
    earned_per_kwh: Floats = field(default_factory=lambda: np.zeros(0))
    earned_blocks: tuple[tuple[int, Schedule], ...] = ()
    opening: float = 0.0
    month: int = 0
    oldest: int = 0
    at_once: bool = True
    lost_at_end: bool = False
    settled_fraction: float | None = None

    def value(self, base: float, earned: float, lots: list[tuple[int, float]]) -> float:
        """Return what it adds to the bill; ``lots`` come as they were before and leave as they are after."""
        charged, earned = max(-earned, 0.0), max(earned, 0.0)
        lots[:] = [lot for lot in lots if lot[0] >= self.oldest]
        if self.at_once:
            lots.append((self.month, earned))
        left = used = min(sum(amount for _, amount in lots), max(base, 0.0))
        for at, (month, amount) in enumerate(lots):
            spent = min(amount, left)
            lots[at] = month, amount - spent
            left -= spent
        if not self.at_once:
            lots.append((self.month, earned))
        paid = 0.0
        if self.settled_fraction is not None:
            paid = self.settled_fraction * sum(amount for _, amount in lots)
        if self.lost_at_end or self.settled_fraction is not None:
            lots.clear()
        return charged - used - paid
