"""A tariff's money as a mathematical program can state it: plain arrays and floats, nothing to look up.

With ``import[t]`` and ``export[t]`` the energy of each step, the whole bill of a `PricedSteps` is::

    total = fixed_total
          + sum over t of  import[t] * import_price_per_kwh[t] - export[t] * export_price_per_kwh[t]
          + sum over b in blocks    of  b.schedule(amount of b)
          + sum over d in demand    of  sum of each schedule in d.schedules (billed_kw of d)
          + sum over n in netting   of  cost of n
          + sum over k in kwh_minimums  of  k.price_per_kwh * what is missing of k
          + sum over r in rebates   of  cost of r
          + sum over c in minimums, percentages and credits  of  c.topup_factor * value of c

Every price is effective: riders, loss factor and percentage adjustments, in the tariff's order, are in it,
as are the days a limit or a monthly amount is scaled by. `terms_evaluate.evaluate` is this algebra in code.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
RESOLUTION = 0.0005
"""Half a watt-hour, or half a watt: which class an amount falls in is decided to this resolution."""


@dataclass(frozen=True)
class ScheduleClass:
    """One class of a schedule: what it costs when the amount lies in it.

    Attributes
    ----------
    upper : float
        The amount up to which this class holds, itself included; infinity for the last.
    fixed : float
        Owed as soon as the amount lies in this class. [currency]
    widths : array, shape (k,)
        Widths of its blocks, filled from the first on; the last is infinity.
    prices : array, shape (k,)
        Price of each block. [currency per unit]
    """

    upper: float
    fixed: float
    widths: Floats
    prices: Floats

    def cost(self, amount: float) -> float:
        """Return ``fixed + sum of prices[k] * filled[k]``, the blocks filled in their order."""
        starts = np.concatenate(([0.0], np.cumsum(self.widths[:-1])))
        filled = np.clip(amount - starts, 0.0, self.widths)
        return self.fixed + float(filled @ self.prices)


@dataclass(frozen=True)
class Schedule:
    """A cost of one amount over a billing period, by classes of that amount.

    With a single class it is telescopic: each block's price counts for the energy inside that block only.
    It is then convex, and a linear program may leave the filling of the blocks to itself, exactly if its
    prices do not fall. With several classes the whole amount is priced by the class it falls in ("whole-band"),
    which jumps where classes meet. With `by_past` the class is that of a `PastUseTerm`'s mean instead.
    """

    classes: tuple[ScheduleClass, ...]
    by_past: bool = False

    def in_class(self, amount: float, mean: float) -> float:
        """Return the cost of an amount in the class that a mean of past use sets."""
        return next(step for step in self.classes if mean <= step.upper + RESOLUTION).cost(amount)

    def __call__(self, amount: float) -> float:
        """Return the cost of an amount >= 0; noise below `RESOLUTION` does not push it into the next class."""
        return next(step for step in self.classes if amount <= step.upper + RESOLUTION).cost(amount)

    def scaled(self, limits: float) -> "Schedule":
        """Return the schedule with every limit multiplied."""
        classes = []
        for step in self.classes:
            upper = step.upper if np.isinf(step.upper) else step.upper * limits
            widths = np.where(np.isinf(step.widths), np.inf, 0.0)  # infinity times nothing is still no limit
            np.multiply(step.widths, limits, out=widths, where=np.isfinite(step.widths))
            classes.append(ScheduleClass(upper, step.fixed, widths, step.prices))
        return Schedule(tuple(classes), self.by_past)


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


@dataclass(frozen=True)
class PricedSteps:
    """A series priced under one tariff; arrays have one entry per step.

    Attributes
    ----------
    times : DatetimeIndex
        Starts of the steps on the tariff's clock.
    dt_hours : float
        Length of a step. [h]
    band, season, day_type : array of int
        Indices into `band_names`, `season_names`, `day_type_names`.
    import_price_per_kwh : array
        What one more imported kWh costs, blocks, demand, netting and minimum apart. [currency/kWh]
    export_price_per_kwh : array
        What one more exported kWh earns, likewise. [currency/kWh]
    hourly : bool
        Whether import prices come from a series, so that bands do not say what is cheap.
    event : array of bool
        Steps in which an event's price holds.
    period : array of int
        Billing period of each step, an index into `period_names`.
    fixed_total : float
        Everything on the bills that no flow changes, adjustments included. [currency]
    blocks, demand, minimums, netting, kwh_minimums, percentages, credits, rebates : tuple
        What a price per step cannot say; empty for plain tariffs.
    """

    times: pd.DatetimeIndex
    dt_hours: float
    band: Ints
    band_names: tuple[str, ...]
    season: Ints
    season_names: tuple[str, ...]
    day_type: Ints
    day_type_names: tuple[str, ...]
    import_price_per_kwh: Floats
    export_price_per_kwh: Floats
    hourly: bool
    event: NDArray[np.bool_]
    period: Ints
    period_names: tuple[str, ...]
    fixed_total: float
    blocks: tuple[BlockTerm, ...] = ()
    demand: tuple[DemandTerm, ...] = ()
    minimums: tuple[MinimumTerm, ...] = ()
    netting: tuple[NettingTerm, ...] = ()
    kwh_minimums: tuple[KwhMinimumTerm, ...] = ()
    percentages: tuple[PercentTerm, ...] = ()
    credits: tuple[CreditTerm, ...] = ()
    rebates: tuple[RebateTerm, ...] = ()

    @property
    def counting(self) -> tuple[MinimumTerm | PercentTerm | CreditTerm, ...]:
        """Minimum bills, uneven percentages and credits, in the order in which they may count each other."""
        return tuple(sorted((*self.minimums, *self.percentages, *self.credits), key=lambda term: term.order))

    @property
    def is_plain(self) -> bool:
        """Whether prices per step and fixed charges are the whole bill."""
        terms = self.blocks, self.demand, self.minimums, self.netting, self.kwh_minimums, self.percentages
        return not any((*terms, self.credits, self.rebates))
