"""Building the terms of blocks, demand and netting from what is measured for each bill."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import NamedTuple

import numpy as np

from tariffs.periods.blocks import BlockCell
from tariffs.periods.cells import KwhMinimumCell, NettingCell
from tariffs.periods.demand import DemandCell, Share
from tariffs.periods.layout import Layout
from tariffs.periods.past_use import past_mean
from tariffs.periods.rebates import RebateEvent
from tariffs.sheet.demand import Demand
from tariffs.sheet.fields import in_season
from tariffs.sheet.tariff import NETTING_LINE
from tariffs.terms.energy import import_price
from tariffs.terms.flow_terms import BlockTerm, DemandTerm, MonthsMean, NettingGroup, NettingTerm, PastUseTerm
from tariffs.terms.past_use import decided, past_use_term
from tariffs.terms.schedules import Floats, Schedule, ScheduleClass
from tariffs.terms.weights import Which, weight


class Base(NamedTuple):
    """Whose money is asked for: the whole bill's, or the base's of a minimum bill in the parts it runs over."""

    name: Which
    parts: frozenset[int] = frozenset()

    def holds(self, part: int) -> bool:
        """Tell whether a part counts."""
        return self.name is None or part in self.parts


WHOLE = Base(None)


@dataclass(frozen=True)
class Cells:
    """Everything measured for a series' bills."""

    blocks: Sequence[BlockCell]
    demand: Sequence[DemandCell]
    netting: Sequence[NettingCell]
    kwh_minimums: Sequence[KwhMinimumCell]
    rebates: Sequence[RebateEvent] = ()
    past: dict[int, PastUseTerm | None] = field(default_factory=dict)
    """Means of past use already worked out, by the identity of their blocks cell."""


def _step(
    upper: float,
    fixed: float,
    steps: Sequence[tuple[Decimal | None, Decimal]],
    scale: tuple[float, float],
) -> ScheduleClass:
    """Build one class of steps, (limit, price) each; `scale` multiplies limits and prices."""
    ends = [math.inf if limit is None else float(limit) * scale[0] for limit, _ in steps]
    widths = np.diff(np.array([0.0, *ends]))
    return ScheduleClass(upper, fixed, widths, np.array([float(price) for _, price in steps]) * scale[1])


def _block_schedule(layout: Layout, cell: BlockCell, base: Base) -> Schedule:
    sheet = layout.sheet(layout.parts[cell.run.parts[0]].version)
    blocks = cell.blocks
    kind = "energy" if blocks.of == "import" else "export"
    factor = sum(
        float(share) * weight(layout.sheet(layout.parts[part].version), base.name, kind, blocks.name)
        for part, share in cell.shares.items()
        if base.holds(part)
    )
    losses = 1.0 if kind == "export" else float(sheet.loss_factor(kind, blocks.name))
    last = kind == "energy" and sheet.losses_at_last(kind, blocks.name)
    price = (-factor if kind == "export" else factor) * (1.0 if last else losses)
    scale = float(cell.limits), price
    if not blocks.whole_band:
        classes = [_step(math.inf, 0.0, cell.steps, scale)]
    else:
        classes = []
        for step in blocks.steps:
            upper = math.inf if step.limit is None else float(step.limit) * scale[0]
            fixed = (
                float(step.fixed_per_month) * float(cell.months) * (-factor if kind == "export" else factor)
            )
            # limits inside a class are kWh of the period even where the classes are hours of demand
            classes.append(_step(upper, fixed, step.prices, scale))
    return Schedule(tuple(_with_losses(classes, losses - 1.0) if last else classes))


def _with_losses(classes: Iterable[ScheduleClass], share: float) -> Iterator[ScheduleClass]:
    """Price losses, a share of the whole amount, at the price of the block in which the amount ends."""
    below = 0.0
    for one in classes:
        for end, price in zip(np.cumsum(one.widths).tolist(), one.prices.tolist(), strict=True):
            upper = min(end, one.upper)
            if upper > below:
                yield ScheduleClass(upper, one.fixed, one.widths, one.prices + share * price)
                below = upper


def block_terms(layout: Layout, cells: Cells) -> tuple[BlockTerm, ...]:
    """Return the blocks of every part as terms."""
    return tuple(_block_term(layout, cells, cell) for cell in cells.blocks)


def _block_term(layout: Layout, cells: Cells, cell: BlockCell) -> BlockTerm:
    steps = cell.run.steps
    bands = [layout.band_names.index(name) for name in cell.bands]
    seasons = [layout.season_names.index(name) for name in cell.seasons]
    inside = np.isin(layout.band[steps], bands) & np.isin(layout.season[steps], seasons)
    netted = [
        (term, group)
        for term, other in enumerate(cells.netting)
        if other.part in cell.run.parts and other.season in cell.seasons
        for group, name in enumerate(other.bands)
        if name in cell.bands
    ]
    return BlockTerm(
        name=cell.blocks.name,
        period=cell.run.period,
        steps=steps.start + np.flatnonzero(inside),
        of_export=cell.blocks.of == "export",
        schedule=schedule_of(layout, cells, cell, WHOLE),
        netted=tuple(netted),
        demand=_demand_index(cells, cell),
        past_use=_past_use(layout, cells, cell),
        earlier=cell.earlier,
        opening_kwh=float(cell.opening_kwh),
        together=cell.together,
    )


def _demand_index(cells: Cells, cell: BlockCell) -> int | None:
    """Return which demand charge of its period a blocks table takes its hours from."""
    found = (
        at
        for at, other in enumerate(cells.demand)
        if other.period == cell.run.period and other.demand.name == cell.blocks.demand
    )
    return next(found, None)


def schedule_of(layout: Layout, cells: Cells, cell: BlockCell, base: Base) -> Schedule:
    """Return what a blocks table costs in the whole bill or in a base."""
    schedule = _block_schedule(layout, cell, base)
    if (past := _past_use(layout, cells, cell)) is not None:
        limits = (math.inf if step.limit is None else float(step.limit) for step in cell.blocks.steps)
        schedule = decided(schedule, past, tuple(limits))
    if cell.blocks.demand is not None and _demand_index(cells, cell) is None:
        return schedule.scaled(0.0)  # no demand in this period: hours of no kW
    return schedule


def _past_use(layout: Layout, cells: Cells, cell: BlockCell) -> PastUseTerm | None:
    use = cell.blocks.past_use
    if use is None:
        return None
    if id(cell) in cells.past:
        return cells.past[id(cell)]
    sheet = layout.sheet(layout.parts[cell.run.parts[0]].version)
    bands = frozenset(use.bands or sheet.band_names)
    term = past_use_term(layout, past_mean(layout, cell.run.period, cell.blocks.name, use, bands))
    return cells.past.setdefault(id(cell), term)


def demand_terms(layout: Layout, cells: Cells) -> tuple[DemandTerm, ...]:
    """Return the demand charges of every period as terms."""
    return tuple(_demand_term(layout, cell) for cell in cells.demand)


def _demand_term(layout: Layout, cell: DemandCell) -> DemandTerm:
    demand = cell.demand
    fraction = float(demand.ratchet.percent) / 100.0 if demand.ratchet is not None else 0.0
    return DemandTerm(
        name=demand.name,
        period=cell.period,
        steps=cell.steps,
        interval=cell.interval,
        hours=cell.hours,
        day=cell.day,
        days_averaged=cell.days_averaged,
        floor_kw=max(float(demand.minimum_kw), fraction * float(cell.past_kw)),
        ratchet_fraction=fraction,
        ratchet_terms=cell.earlier,
        schedules=demand_schedules(layout, cell, cell.shares, None),
        at_least=cell.at_least,
        on_any_day=cell.on_any_day,
        mean=_mean(cell),
        kvar=cell.kvar,
        kva_share=cell.kva_share,
        in_kva=cell.demand.measured_unit == "kVA",
    )


def _mean(cell: DemandCell) -> MonthsMean | None:
    rolling = cell.rolling
    if rolling is None:
        return None
    return MonthsMean(
        rolling.earlier, float(rolling.past_kw), rolling.months, float(rolling.each_at_least_kw)
    )


def demand_schedules(
    layout: Layout, cell: DemandCell, shares: Iterable[Share], which: Which
) -> tuple[Schedule, ...]:
    """Return what the kW of a demand charge cost, in the whole bill or in a base, share by share."""
    found = []
    for share in shares:
        sheet = layout.sheet(layout.parts[share.part].version)
        demand = next(one for one in sheet.demand if one.name == cell.demand.name)
        factor = weight(sheet, which, "demand", demand.name)
        found.append(_demand_schedule(demand, share, factor))
    return tuple(found)


def _demand_schedule(demand: Demand, share: Share, factor: float) -> Schedule:
    quantity = float(share.days if demand.per == "day" else share.months)
    scale = 1.0, quantity * factor
    if demand.price is not None:
        return Schedule((_step(math.inf, 0.0, [(None, in_season(demand.price, share.season))], scale),))
    if not demand.whole_band:
        steps = [(step.up_to_kw, step.price_per_kw) for step in demand.steps]
        return Schedule((_step(math.inf, 0.0, steps, scale),))
    months = float(share.months) * factor
    return Schedule(
        tuple(
            _step(
                math.inf if step.up_to_kw is None else float(step.up_to_kw),
                float(step.fixed_per_month) * months,
                [(None, step.price_per_kw)],
                scale,
            )
            for step in demand.steps
        )
    )


def netting_terms(layout: Layout, cells: Cells) -> tuple[NettingTerm, ...]:
    """Return the chain of netting as terms."""
    return tuple(_netting_term(layout, cell, first=number == 0) for number, cell in enumerate(cells.netting))


def _netting_term(layout: Layout, cell: NettingCell, *, first: bool) -> NettingTerm:
    netting = layout.tariff.netting
    assert netting is not None  # noqa: S101 - cells exist only where the tariff nets
    band = layout.band[cell.steps]
    groups = tuple(
        NettingGroup(
            layout.band_names.index(name),
            cell.steps.start + np.flatnonzero(band == layout.band_names.index(name)),
            value,
        )
        for name, value in zip(cell.bands, netting_values(layout, cell, None), strict=True)
    )
    banks = layout.band_names if netting.across == "same-band" else ()
    opening = tuple(
        (banks.index(name) if name in banks else -1, float(kwh)) for name, kwh in netting.opening_kwh.items()
    )
    paid = netting.surplus == "paid" or (netting.surplus == "carry" and cell.settles)
    return NettingTerm(
        period=layout.parts[cell.part].period,
        groups=groups,
        across=netting.across,
        leftover="paid" if paid else "lost" if netting.surplus == "lost" else "carried",
        leftover_price_per_kwh=leftover_price(layout, cell, None) if paid else 0.0,
        opening_kwh=opening if first else (),
    )


def netting_values(layout: Layout, cell: NettingCell, which: Which) -> Floats:
    """Return what a kWh set off saves in each band of a stretch, in the whole bill or in a base."""
    sheet = layout.sheet(layout.parts[cell.part].version)
    return np.array([import_price(sheet, name, cell.season, which, netted_only=True) for name in cell.bands])


def leftover_price(layout: Layout, cell: NettingCell, which: Which) -> float:
    """Return what a kWh left over is paid, in the whole bill or in a base."""
    netting = layout.tariff.netting
    assert netting is not None  # noqa: S101 - as above
    sheet = layout.sheet(layout.parts[cell.part].version)
    price = netting.surplus_price_per_kwh if netting.surplus == "paid" else netting.settlement_price_per_kwh
    return float(price) * weight(sheet, which, "export", NETTING_LINE)
