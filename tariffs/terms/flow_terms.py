"""Terms worked out from flows: blocks, demand, netting, minimums in kWh, rebates."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tariffs.terms.schedules import Floats, Ints, Schedule


@dataclass(frozen=True)
class PastUseTerm:
    """A mean of months' use that sets the class of a schedule.

    Attributes
    ----------
    past_kwh : float
        Sum of the use before the series. [kWh]
    months : int
        How many months the mean is of; 0: the mean is 0.
    counted : tuple of (array of int, float)
        Steps whose imports count, and how much of them.
    """

    past_kwh: float
    months: int
    counted: tuple[tuple[Ints, float], ...]

    def mean_kwh(self, import_kwh: Floats) -> float:
        """Return the mean. [kWh a month]."""
        own = sum(share * float(import_kwh[steps].sum()) for steps, share in self.counted)
        return (self.past_kwh + own) / self.months if self.months else 0.0


@dataclass(frozen=True)
class BlockTerm:
    """Energy priced by blocks over one billing period, or the part of it under one price sheet.

    Its amount is the sum of import (of export where `of_export`) over `steps`; where `netted` is not
    empty, it is instead the sum of ``billed`` over those (term, group) pairs of `PricedSteps.netting`.
    Where `demand` is not None, the limits of `schedule` are hours and are to be multiplied by the billed kW
    of that demand term.

    Attributes
    ----------
    name : str
    period : int
        Billing period.
    steps : array of int
        The steps counted. Several terms may count the same step: their costs add.
    of_export : bool
        Credits have negative prices.
    schedule : Schedule
        kWh (or hours) to money; limits are scaled to the days of the period.
    netted : tuple of (int, int)
    demand : int or None
    past_use : PastUseTerm or None
        What sets the class of a schedule `by_past`.
    earlier, opening_kwh : tuple of int, float
        Terms of `PricedSteps.blocks`, and energy from before the series, that fill the blocks first: the cost is
        ``schedule(before + amount) - schedule(before)``, with `before` their sum.
    together : tuple of int
        Terms, itself included, that fill the blocks at once: with `total` the sum of their amounts the cost is
        ``amount / total * (schedule(before + total) - schedule(before))``. Empty where it fills them alone.
    """

    name: str
    period: int
    steps: Ints
    of_export: bool
    schedule: Schedule
    netted: tuple[tuple[int, int], ...] = ()
    demand: int | None = None
    past_use: PastUseTerm | None = None
    earlier: tuple[int, ...] = ()
    opening_kwh: float = 0.0
    together: tuple[int, ...] = ()


@dataclass(frozen=True)
class MonthsMean:
    """A mean of months' peaks in place of one month's own.

    Attributes
    ----------
    earlier_terms : tuple of int
        Earlier terms of `PricedSteps.demand` whose measured kW count.
    past_kw : float
        Sum of the peaks from before the series. [kW]
    months : int
        How many peaks the mean is of.
    each_at_least_kw : float
        Every peak counts with at least this. [kW]
    """

    earlier_terms: tuple[int, ...]
    past_kw: float
    months: int
    each_at_least_kw: float


@dataclass(frozen=True)
class DemandTerm:
    """The highest average power of one billing period within the windows of one demand charge.

    ::

        kw[j]       = sum of import over steps with interval == j  /  hours[j]
        kva[j]      = kva_share * sqrt(kw[j]² + kvar[j]²), where `kvar` is not None
        kw[j]       = kva[j] if in_kva else max(kw[j], kva[j]), likewise
        highest[i]  = max of kw[j] over intervals with day[j] == i
        measured_kw = mean of the `days_averaged` largest of highest
        billed_kw   = max(measured_kw, floor_kw, ratchet_fraction * measured_kw of each term in ratchet_terms)

    or, with a `mean`::

        peak        = max(measured_kw, mean.each_at_least_kw), likewise of each term in mean.earlier_terms
        billed_kw   = max(floor_kw, (mean.past_kw + sum of peaks) / mean.months)

    Attributes
    ----------
    name : str
    period : int
    steps : array of int, shape (s,)
        Steps inside the windows.
    interval : array of int, shape (s,)
        Interval of each of these steps, numbered from 0.
    hours : array, shape (j,)
        Length of each interval as far as the series covers it, divided by the share of its power that counts
        and multiplied by a stated power factor. [h]
    day : array of int, shape (j,)
        Local day of each interval, numbered from 0; a number of its own where the highest may lie on one day.
    days_averaged : int
        1 for the single highest interval; the number of days for the mean of the daily highest.
    floor_kw : float
        Contract minimum, and the ratchet's share of peaks before the series. [kW]
    ratchet_fraction, ratchet_terms : float, tuple of int
        Earlier terms of `PricedSteps.demand` whose measured kW this one may not fall too far below.
    schedules : tuple of Schedule
        kW to money; usually one, several where prices change within the period.
    at_least : bool
        Whether the steps are longer than the interval, so that the true demand may be higher.
    on_any_day : bool
        Whether `days_averaged` counts intervals on whatever days.
    mean : MonthsMean or None
    kvar : array, shape (j,), or None
        Reactive power of each interval, where it is metered. [kvar]
    kva_share, in_kva : float, bool
    """

    name: str
    period: int
    steps: Ints
    interval: Ints
    hours: Floats
    day: Ints
    days_averaged: int
    floor_kw: float
    ratchet_fraction: float
    ratchet_terms: tuple[int, ...]
    schedules: tuple[Schedule, ...]
    at_least: bool
    on_any_day: bool = False
    mean: MonthsMean | None = None
    kvar: Floats | None = None
    kva_share: float = 0.0
    in_kva: bool = False

    def measured_kw(self, import_kwh: Floats) -> float:
        """Return the demand the meter showed. [kW or kVA]."""
        kw = (
            np.bincount(self.interval, weights=import_kwh[self.steps], minlength=len(self.hours)) / self.hours
        )
        if self.kvar is not None:
            kva = self.kva_share * np.sqrt(kw**2 + self.kvar**2)
            kw = kva if self.in_kva else np.maximum(kw, kva)
        highest = np.zeros(int(self.day.max()) + 1)
        np.maximum.at(highest, self.day, kw)
        return float(np.sort(highest)[::-1][: self.days_averaged].mean())

    def billed_kw(self, own: float, measured: Sequence[float]) -> float:
        """Return what is charged: `own` is what the meter showed, `measured` the same of all earlier terms. [kW]."""
        if self.mean is None:
            return max(
                own, self.floor_kw, *(self.ratchet_fraction * measured[at] for at in self.ratchet_terms)
            )
        least = self.mean.each_at_least_kw
        peaks = [max(own, least), *(max(measured[at], least) for at in self.mean.earlier_terms)]
        return max(self.floor_kw, (self.mean.past_kw + sum(peaks)) / self.mean.months)


@dataclass(frozen=True)
class NettingGroup:
    """The energy of one band within one netting term.

    Attributes
    ----------
    band : int
        Index into `PricedSteps.band_names`; in ``same-band`` netting also the bank its credits go to.
    steps : array of int
    value_per_kwh : float
        What a kWh set off saves: the part of the import price that netting avoids. [currency/kWh]
    """

    band: int
    steps: Ints
    value_per_kwh: float


@dataclass(frozen=True)
class NettingTerm:
    """Exports set off against imports in kWh; the terms form one chain through time, in order.

    For each group g, in the order given, with ``bought`` and ``sold`` its import and export::

        same-band        : need = max(bought - sold, 0); bank[band] += max(sold - bought, 0)
        same-band-first  : need = max(bought - sold, 0); pool += max(sold - bought, 0), all groups first
        any-band         : need = bought;                pool += sold,                  all groups first
        then, in order   : spent = min(bank or pool, need); billed = need - spent; bank or pool -= spent

    Credits are spent as soon as there is something to spend them on, whatever the price: ``spent`` is that
    minimum, not a choice. What is left then is carried to the next term, or paid or lost::

        cost = - sum over g of value_per_kwh * (bought - billed) - leftover_price_per_kwh * leftover if paid

    Attributes
    ----------
    period : int
    groups : tuple of NettingGroup
        In the order in which credits are spent.
    across : str
    leftover : str
        ``carried``, ``paid`` or ``lost``. What is carried out of the last term is worth nothing.
    leftover_price_per_kwh : float
    opening_kwh : tuple of (int, float)
        Credits at hand before the first term, by band; band -1 is the pool. Empty in later terms.
    """

    period: int
    groups: tuple[NettingGroup, ...]
    across: Literal["same-band", "any-band", "same-band-first"]
    leftover: Literal["carried", "paid", "lost"]
    leftover_price_per_kwh: float
    opening_kwh: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True)
class KwhMinimumTerm:
    """A minimum in kWh over one billing period: what is used less is billed as if it had been used.

    ::

        missing = max(0, kwh - amount)        amount as of a `BlockTerm`: what is bought, or billed after netting
        cost    = missing * price_per_kwh     and `missing` counts in the blocks listed

    Attributes
    ----------
    period : int
    steps : array of int
    kwh : float
    price_per_kwh : float
        Of the band whose prices the missing kWh have. [currency/kWh]
    blocks : tuple of int
        Terms of `PricedSteps.blocks` whose amount the missing kWh add to.
    netted : tuple of (int, int)
    """

    period: int
    steps: Ints
    kwh: float
    price_per_kwh: float
    blocks: tuple[int, ...]
    netted: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class RebateTerm:
    """One event day of a rebate for using less than a baseline.

    ::

        used     = sum of import over `steps`
        baseline = known_kwh, or the mean of the `counted` largest of: sum of import over each of `like`
        cost     = - price_per_kwh * max(0, baseline - used)

    Attributes
    ----------
    name : str
    period : int
    steps : array of int
    like : tuple of array of int
    counted : int
    known_kwh : float or None
    price_per_kwh : float
    """

    name: str
    period: int
    steps: Ints
    like: tuple[Ints, ...]
    counted: int
    known_kwh: float | None
    price_per_kwh: float

    def saved_kwh(self, import_kwh: Floats) -> float:
        """Return what is used less than the baseline. [kWh]."""
        baseline = self.known_kwh
        if baseline is None:
            days = sorted((float(import_kwh[steps].sum()) for steps in self.like), reverse=True)
            baseline = sum(days[: self.counted]) / self.counted
        return max(0.0, baseline - float(import_kwh[self.steps].sum()))
