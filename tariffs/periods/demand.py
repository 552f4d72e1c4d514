"""Demand as a meter measures it: clock-aligned intervals within windows, over each billing period."""

import datetime as dt
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from math import ceil

import numpy as np
from numpy.typing import NDArray

from tariffs.errors import TariffError
from tariffs.meter import NONE_BESIDE, OtherReadings
from tariffs.periods.cells import season_days
from tariffs.periods.layout import Layout, season_on
from tariffs.reading.clock import MINUTES_PER_DAY, clock_text
from tariffs.sheet.demand import Demand, Ratchet, RollingMean
from tariffs.sheet.windows import mask_of

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Share:
    """How much of a demand charge one season of one part owes: months and days of it."""

    part: int
    season: str
    months: Fraction
    days: Fraction


@dataclass(frozen=True)
class Rolling:
    """What the mean of months' peaks is made of, beside this month's own.

    Attributes
    ----------
    earlier : tuple of int
        Cells whose measured demand counts, each with at least `each_at_least_kw`.
    past_kw : Decimal
        Sum of the peaks before the series, raised likewise. [kW]
    months : int
        How many peaks the mean is of, this month's among them.
    each_at_least_kw : Decimal
    """

    earlier: tuple[int, ...]
    past_kw: Decimal
    months: int
    each_at_least_kw: Decimal


@dataclass(frozen=True)
class DemandCell:
    """One demand charge over one billing period.

    Attributes
    ----------
    period : int
    demand : Demand
        As the last sheet of the period has it; windows and prices are each part's own.
    steps, interval, hours, day
        As in `terms.DemandTerm`: an interval of which half counts is as if it were twice as long.
    days_averaged : int
    on_any_day : bool
        Whether every interval is a day of its own, so that the highest may lie on one day.
    shares : tuple of Share
    earlier : tuple of int
        Cells whose measured demand the ratchet looks back on.
    past_kw : Decimal
        The highest of the peaks before the series that the ratchet looks back on. [kW]
    at_least : bool
        Whether steps are longer than the interval.
    rolling : Rolling or None
    kvar : array, shape (j,), or None
        Mean reactive power of each interval as far as it counts, where the meter has it. [kvar]
    kva_share : float
        With `kvar`: the figure is at least this share of the apparent power.
    """

    period: int
    demand: Demand
    steps: Ints
    interval: Ints
    hours: Floats
    day: Ints
    days_averaged: int
    shares: tuple[Share, ...]
    earlier: tuple[int, ...]
    past_kw: Decimal
    at_least: bool
    on_any_day: bool = False
    rolling: Rolling | None = None
    kvar: Floats | None = None
    kva_share: float = 0.0

    def measured_kw(self, import_kwh: Floats) -> float:
        """Return the demand that a series of imports shows. [kW or kVA]."""
        kw = (
            np.bincount(self.interval, weights=import_kwh[self.steps], minlength=len(self.hours)) / self.hours
        )
        if self.kvar is not None:
            apparent = self.kva_share * np.hypot(kw, self.kvar)
            kw = apparent if self.demand.measured_unit == "kVA" else np.maximum(kw, apparent)
        daily = np.maximum.reduceat(kw, np.flatnonzero(np.diff(self.day, prepend=-1)))
        return float(np.mean(np.sort(daily)[::-1][: self.days_averaged]))


def demand_cells(layout: Layout, others: OtherReadings = NONE_BESIDE) -> list[DemandCell]:
    """Return every demand charge of every period, in order of time.

    Parameters
    ----------
    layout : Layout
    others : OtherReadings, optional
        Reactive energy, for charges on kVA.

    Raises
    ------
    TariffError
        If a step is longer than the interval and the file does not say that power is flat within it, if
        intervals or windows do not fall on step edges, or if a ratchet lacks a month before the series.
    """
    cells: list[DemandCell] = []
    shares = {
        (version, number): _counted(layout, version, number)
        for version in sorted({part.version for part in layout.parts})
        for number in range(len(layout.sheet(version).demand))
    }
    for period in range(len(layout.periods)):
        parts = [at for at, part in enumerate(layout.parts) if part.period == period]
        names = {demand.name for at in parts for demand in layout.sheet(layout.parts[at].version).demand}
        for name in sorted(names):
            found = _cell(layout, parts, name, shares)
            if found is not None:
                found = _apparent(layout, found, others.import_kvarh)
                cells.append(_rolling(layout, _ratcheted(layout, found, cells), cells))
    return cells


def _cell(
    layout: Layout, parts: list[int], name: str, counted: dict[tuple[int, int], Floats]
) -> DemandCell | None:
    steps: list[Ints] = []
    weights: list[Floats] = []
    shares: list[Share] = []
    demand = None
    for at in parts:
        version = layout.parts[at].version
        own = [(n, one) for n, one in enumerate(layout.sheet(version).demand) if one.name == name]
        if own:
            number, demand = own[0]
            span = layout.parts[at].steps
            steps.append(span.start + np.flatnonzero(counted[version, number][span]))
            weights.append(counted[version, number][steps[-1]])
            shares += _shares(layout, at, demand)
    inside = np.concatenate(steps) if steps else np.zeros(0, dtype=np.int64)
    if demand is None or not inside.size or not shares:
        return None
    ids, at_least = _interval_ids(layout, demand, inside)
    _, first, interval = np.unique(ids, return_index=True, return_inverse=True)
    # half weight is the same as twice the hours: the mean power of the interval counts half
    hours = np.bincount(interval).astype(np.float64) * layout.dt_hours / np.concatenate(weights)[first]
    on_any_day = demand.highest_intervals is not None
    grouped = np.arange(len(first)) if on_any_day else layout.date[inside][first]
    _, day = np.unique(grouped, return_inverse=True)
    wanted = demand.highest_days if demand.highest_intervals is None else demand.highest_intervals
    days = int(day.max()) + 1
    return DemandCell(
        period=layout.parts[parts[0]].period,
        demand=demand,
        steps=inside,
        interval=interval,
        hours=hours,
        day=day,
        days_averaged=days if wanted == "all" else min(wanted, days),
        shares=tuple(shares),
        earlier=(),
        past_kw=Decimal(0),
        at_least=at_least,
        on_any_day=on_any_day,
    )


def _counted(layout: Layout, version: int, number: int) -> Floats:
    """Return how much of each step's power counts under a sheet's demand charge: 0 outside its windows."""
    demand = layout.sheet(version).demand[number]
    check_demand_years(layout, demand, number)
    steps, at = layout.look_up(version)
    counted = np.zeros(len(layout.minute))
    for when in demand.whens:
        mask = mask_of([when], layout.sheet(version))
        if broken := layout.split(mask, at):
            step, edge = broken
            what = f"demand {demand.name!r}: the window's edge at {clock_text(edge % MINUTES_PER_DAY)}"
            raise layout.straddles(int(steps[step]), what)
        inside = mask.reshape(-1)[at]
        if when.dates or when.csv:
            named = np.array([day in when.dates for day in layout.dates])
            inside = inside & named[layout.date[steps]]
        share = float(when.counted_percent) / 100
        counted[steps] = np.maximum(counted[steps], np.where(inside, share, 0.0))
    if demand.called_hours:
        counted[~_called(layout, demand)] = 0.0
    return counted


def _called(layout: Layout, demand: Demand) -> NDArray[np.bool_]:
    """Return the steps that lie in an interval that was called."""
    length = demand.interval_minutes
    index = {day: at for at, day in enumerate(layout.dates)}
    starts = [
        index[hour.date()] * MINUTES_PER_DAY + hour.hour * 60 + hour.minute
        for hour in demand.called_hours
        if hour.date() in index
    ]
    first = layout.minute if layout.step_minutes > length else layout.minute // length * length
    own = layout.date * MINUTES_PER_DAY + first
    if layout.step_minutes > length:  # a longer step that is flat within stands for the intervals in it
        starts = [start // layout.step_minutes * layout.step_minutes for start in starts]
    return np.isin(own, starts)


def check_demand_years(layout: Layout, demand: Demand, number: int) -> None:
    """Refuse dates in years that the series does not touch: they are misprints, or another year's.

    Raises
    ------
    TariffError
        Naming the charge, the date and the series' years.
    """
    years = range(layout.dates[0].year, layout.dates[-1].year + 1)
    days = [(day, "dates") for when in demand.whens for day in when.dates]
    days += [(hour.date(), "called_hours") for hour in demand.called_hours]
    for day, key in days:
        if day.year not in years:
            span = str(years[0]) if len(years) == 1 else f"{years[0]} to {years[-1]}"
            raise TariffError(
                f"{layout.tariff.source}: demand[{number + 1}].{key}: {demand.name!r} has a date outside the "
                f"series' year, {span} (got {day}); correct the date, or list that year's only"
            )


def _shares(layout: Layout, at: int, demand: Demand) -> list[Share]:
    part = layout.parts[at]
    wanted = [set(when.seasons) for when in demand.whens]
    return [
        Share(at, season, part.months * days / part.days, days)
        for season, days in season_days(layout, part).items()
        if any(not names or season in names for names in wanted)
    ]


def _interval_ids(layout: Layout, demand: Demand, steps: Ints) -> tuple[Ints, bool]:
    """Return one number per clock-aligned interval, and whether steps are longer than it."""
    length, step = demand.interval_minutes, layout.step_minutes
    if step > length:
        if not demand.flat_within_step:
            raise TariffError(
                f"{layout.tariff.source}: demand {demand.name!r} is measured over {length} minutes, the series has "
                f"steps of {step} (got interval_minutes = {length}); use a finer series, or write "
                "flat_within_step = true to bill at least the mean power of each step"
            )
        return steps.astype(np.int64), True
    into: Ints = layout.minute[steps] % length
    late = np.flatnonzero(into + step > length)
    if late.size:
        raise layout.straddles(
            int(steps[late[0]]), f"demand {demand.name!r}: the edge between two {length}-minute intervals"
        )
    return layout.utc_minute[steps] - into, False


def _ratcheted(layout: Layout, cell: DemandCell, before: list[DemandCell]) -> DemandCell:
    """Add what the ratchet looks back on: earlier cells, and peaks from before the series."""
    ratchet = cell.demand.ratchet
    if ratchet is None:
        return cell
    length = layout.tariff.billing.period_months
    first = cell.period - ceil(ratchet.look_back_months / length)
    earlier = tuple(
        at
        for at, other in enumerate(before)
        if other.demand.name == cell.demand.name
        and first <= other.period < cell.period
        and _counts(layout, cell, ratchet, layout.periods[other.period].start)
    )
    past = _past_kw(layout, cell, ratchet, ratchet.look_back_months - cell.period * length)
    return replace(cell, earlier=earlier, past_kw=past)


def _apparent(layout: Layout, cell: DemandCell, import_kvarh: Floats | None) -> DemandCell:
    """Bring kVA in: as metered, or by the power factor that the file states.

    Raises
    ------
    TariffError
        If the charge is on kVA and there is neither.
    """
    demand, share = cell.demand, float(cell.demand.kva_share)
    if not share:
        return cell
    if import_kvarh is not None:
        kvar = np.bincount(cell.interval, weights=import_kvarh[cell.steps], minlength=len(cell.hours))
        return replace(cell, kvar=kvar / cell.hours, kva_share=share)
    if demand.power_factor is None:
        raise TariffError(
            f"{layout.tariff.source}: demand {demand.name!r}: power_factor: the charge is on kVA, and the series "
            "has no reactive energy (got neither power_factor nor a column import_kvarh); "
            "write power_factor = 0.95, or supply the column"
        )
    factor = share / float(demand.power_factor)
    return replace(cell, hours=cell.hours / (factor if demand.measured_unit == "kVA" else max(factor, 1.0)))


def _rolling(layout: Layout, cell: DemandCell, before: list[DemandCell]) -> DemandCell:
    """Add what the mean of months' peaks is made of: earlier cells, and peaks from before the series."""
    mean = cell.demand.rolling_mean
    if mean is None:
        return cell
    earlier = tuple(
        at
        for at, other in enumerate(before)
        if other.demand.name == cell.demand.name and cell.period - mean.months < other.period < cell.period
    )
    past = [max(kw, mean.each_at_least_kw) for kw in _past_peaks(layout, cell, mean)]
    months = 1 + len(earlier) + len(past)
    return replace(cell, rolling=Rolling(earlier, sum(past, Decimal(0)), months, mean.each_at_least_kw))


def _past_peaks(layout: Layout, cell: DemandCell, mean: RollingMean) -> list[Decimal]:
    """Return the peaks that the file gives for the months before the series that a mean needs."""
    seasons = {name for when in cell.demand.whens for name in when.seasons}
    every = not all(when.seasons for when in cell.demand.whens)
    sheet = layout.sheet(layout.parts[cell.shares[-1].part].version)
    named = [
        f"{month:%Y-%m}"
        for month in months_before(layout, mean.months - 1 - cell.period)
        if every or season_on(sheet, month) in seasons
    ]
    if mean.past_each_kw is not None:
        return [mean.past_each_kw] * len(named)
    missing = [month for month in named if month not in mean.past_kw]
    if missing and mean.before == "needed":
        raise TariffError(
            f"{layout.tariff.source}: demand {cell.demand.name!r}: rolling_mean.past_kw: the bill of "
            f"{layout.periods[cell.period].name} depends on the peaks of months before the series (got none for "
            f'{", ".join(missing)}); add them as past_kw = {{ "{missing[0]}" = 4.2 }}, past_each_kw = 4.2, '
            'or before = "left-out"'
        )
    return [mean.past_kw[month] for month in named if month in mean.past_kw]


def months_before(layout: Layout, months: int) -> list[dt.date]:
    """Return the firsts of so many months before the series' first bill, the latest first."""
    start = layout.periods[0].start
    number = start.year * 12 + start.month - 1
    return [dt.date((number - back) // 12, (number - back) % 12 + 1, 1) for back in range(1, months + 1)]


def _counts(layout: Layout, cell: DemandCell, ratchet: Ratchet, date: dt.date) -> bool:
    sheet = layout.sheet(layout.parts[cell.shares[-1].part].version)
    return not ratchet.seasons or season_on(sheet, date) in ratchet.seasons


def _past_kw(layout: Layout, cell: DemandCell, ratchet: Ratchet, months: int) -> Decimal:
    """Return the highest of the peaks that the file gives for months before the series."""
    named = [
        f"{month:%Y-%m}" for month in months_before(layout, months) if _counts(layout, cell, ratchet, month)
    ]
    if not named:
        return Decimal(0)
    if ratchet.past_highest_kw is not None:
        return ratchet.past_highest_kw
    missing = [month for month in named if month not in ratchet.past_kw]
    if missing:
        raise TariffError(
            f"{layout.tariff.source}: demand {cell.demand.name!r}: ratchet.past_kw: the bill of "
            f"{layout.periods[cell.period].name} depends on the peaks of months before the series (got none for "
            f'{", ".join(missing)}); add them as past_kw = {{ "{missing[0]}" = 4.2 }}, or past_highest_kw = 4.2'
        )
    return max(ratchet.past_kw[month] for month in named)
