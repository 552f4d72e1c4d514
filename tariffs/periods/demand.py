"""Demand as a meter measures it: clock-aligned intervals within windows, over each billing period."""

import datetime as dt
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from math import ceil

import numpy as np
from numpy.typing import NDArray

from tariffs.errors import TariffError
from tariffs.periods.cells import season_days
from tariffs.periods.layout import Layout, season_on
from tariffs.reading.clock import MINUTES_PER_DAY, clock_text
from tariffs.sheet.usage import Demand, Ratchet
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
class DemandCell:
    """One demand charge over one billing period.

    Attributes
    ----------
    period : int
    demand : Demand
        As the last sheet of the period has it; windows and prices are each part's own.
    steps, interval, hours, day
        As in `terms.DemandTerm`.
    days_averaged : int
    shares : tuple of Share
    earlier : tuple of int
        Cells whose measured demand the ratchet looks back on.
    past_kw : Decimal
        The highest of the peaks before the series that the ratchet looks back on. [kW]
    at_least : bool
        Whether steps are longer than the interval.
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

    def measured_kw(self, import_kwh: Floats) -> float:
        """Return the demand that a series of imports shows. [kW]."""
        kw = (
            np.bincount(self.interval, weights=import_kwh[self.steps], minlength=len(self.hours)) / self.hours
        )
        daily = [float(kw[self.day == day].max()) for day in range(int(self.day[-1]) + 1)]
        return float(np.mean(sorted(daily, reverse=True)[: self.days_averaged]))


def demand_cells(layout: Layout) -> list[DemandCell]:
    """Return every demand charge of every period, in order of time.

    Raises
    ------
    TariffError
        If a step is longer than the interval and the file does not say that power is flat within it, if
        intervals or windows do not fall on step edges, or if a ratchet lacks a month before the series.
    """
    cells: list[DemandCell] = []
    masks = {
        (version, number): _window_mask(layout, version, number)
        for version in sorted({part.version for part in layout.parts})
        for number in range(len(layout.sheet(version).demand))
    }
    for period in range(len(layout.periods)):
        parts = [at for at, part in enumerate(layout.parts) if part.period == period]
        names = {demand.name for at in parts for demand in layout.sheet(layout.parts[at].version).demand}
        for name in sorted(names):
            found = _cell(layout, parts, name, masks)
            if found is not None:
                cells.append(_ratcheted(layout, found, cells))
    return cells


def _cell(
    layout: Layout, parts: list[int], name: str, masks: dict[tuple[int, int], NDArray[np.bool_]]
) -> DemandCell | None:
    steps: list[Ints] = []
    shares: list[Share] = []
    demand = None
    for at in parts:
        version = layout.parts[at].version
        own = [(n, one) for n, one in enumerate(layout.sheet(version).demand) if one.name == name]
        if own:
            number, demand = own[0]
            span = layout.parts[at].steps
            steps.append(span.start + np.flatnonzero(masks[version, number][span]))
            shares += _shares(layout, at, demand)
    inside = np.concatenate(steps) if steps else np.zeros(0, dtype=np.int64)
    if demand is None or not inside.size or not shares:
        return None
    ids, at_least = _interval_ids(layout, demand, inside)
    _, first, interval = np.unique(ids, return_index=True, return_inverse=True)
    hours = np.bincount(interval).astype(np.float64) * layout.dt_hours
    _, day = np.unique(layout.date[inside][first], return_inverse=True)
    days = int(day.max()) + 1
    averaged = days if demand.highest_days == "all" else min(demand.highest_days, days)
    period = layout.parts[parts[0]].period
    return DemandCell(
        period, demand, inside, interval, hours, day, averaged, tuple(shares), (), Decimal(0), at_least
    )


def _window_mask(layout: Layout, version: int, number: int) -> NDArray[np.bool_]:
    """Return which steps under a sheet lie within a demand charge's windows."""
    demand = layout.sheet(version).demand[number]
    mask = mask_of(demand.whens, layout.sheet(version))
    steps, at = layout.look_up(version)
    if broken := layout.split(mask, at):
        step, edge = broken
        what = f"demand {demand.name!r}: the window's edge at {clock_text(edge % MINUTES_PER_DAY)}"
        raise layout.straddles(int(steps[step]), what)
    inside = np.zeros(len(layout.minute), dtype=bool)
    inside[steps] = mask.reshape(-1)[at]
    return inside


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


def _counts(layout: Layout, cell: DemandCell, ratchet: Ratchet, date: dt.date) -> bool:
    sheet = layout.sheet(layout.parts[cell.shares[-1].part].version)
    return not ratchet.seasons or season_on(sheet, date) in ratchet.seasons


def _past_kw(layout: Layout, cell: DemandCell, ratchet: Ratchet, months: int) -> Decimal:
    """Return the highest of the peaks that the file gives for months before the series."""
    start = layout.periods[0].start
    number = start.year * 12 + start.month - 1
    needed = [dt.date((number - back) // 12, (number - back) % 12 + 1, 1) for back in range(1, months + 1)]
    named = [f"{month:%Y-%m}" for month in needed if _counts(layout, cell, ratchet, month)]
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
