"""Building the terms of blocks, demand, netting and minimum bills from what is measured for each bill."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from tariffs.periods.cells import BlockCell, NettingCell
from tariffs.periods.demand import DemandCell, Share
from tariffs.periods.layout import Layout
from tariffs.sheet.fields import in_season
from tariffs.sheet.tariff import NETTING_LINE
from tariffs.sheet.usage import Demand
from tariffs.terms.energy import Which, fixed_amount, import_price, step_prices, topup_factor, weight
from tariffs.terms.terms import (
    BlockTerm,
    DemandTerm,
    Floats,
    Ints,
    MinimumTerm,
    NettingGroup,
    NettingTerm,
    Schedule,
    ScheduleClass,
)


@dataclass(frozen=True)
class Cells:
    """Everything measured for a series' bills."""

    blocks: Sequence[BlockCell]
    demand: Sequence[DemandCell]
    netting: Sequence[NettingCell]


def _step(
    upper: float,
    fixed: float,
    limits: Iterable[Decimal | None],
    prices: Iterable[Decimal],
    scale: tuple[float, float],
) -> ScheduleClass:
    """Build one class; `scale` multiplies limits and prices."""
    ends = [math.inf if limit is None else float(limit) * scale[0] for limit in limits]
    widths = np.diff(np.array([0.0, *ends]))
    return ScheduleClass(upper, fixed, widths, np.array([float(price) for price in prices]) * scale[1])


def _block_schedule(layout: Layout, cell: BlockCell, which: Which) -> Schedule:
    sheet = layout.sheet(layout.parts[cell.part].version)
    blocks = cell.blocks
    kind = "energy" if blocks.of == "import" else "export"
    factor = weight(sheet, which, kind, blocks.name)
    price = factor if kind == "export" else factor * float(sheet.loss_factor(kind, blocks.name))
    sign = -1.0 if kind == "export" else 1.0
    limits, months = float(cell.limits), float(cell.months)
    if not blocks.whole_band:
        ends = [step.limit for step in blocks.steps]
        prices = [step.price_per_kwh or Decimal(0) for step in blocks.steps]
        return Schedule((_step(math.inf, 0.0, ends, prices, (limits, sign * price)),))
    classes = []
    for step in blocks.steps:
        upper = math.inf if step.limit is None else float(step.limit) * limits
        fixed = float(step.fixed_per_month) * months * factor * sign
        inner = step.prices
        # limits inside a class are kWh of the period even where the classes are hours of demand
        classes.append(
            _step(
                upper, fixed, [end for end, _ in inner], [each for _, each in inner], (limits, sign * price)
            )
        )
    return Schedule(tuple(classes))


def block_terms(layout: Layout, cells: Cells) -> tuple[BlockTerm, ...]:
    """Return the blocks of every part as terms."""
    return tuple(_block_term(layout, cells, cell) for cell in cells.blocks)


def _block_term(layout: Layout, cells: Cells, cell: BlockCell) -> BlockTerm:
    part = layout.parts[cell.part]
    bands = [layout.band_names.index(name) for name in cell.bands]
    seasons = [layout.season_names.index(name) for name in cell.seasons]
    inside = np.isin(layout.band[part.steps], bands) & np.isin(layout.season[part.steps], seasons)
    netted = [
        (term, group)
        for term, other in enumerate(cells.netting)
        if other.part == cell.part and other.season in cell.seasons
        for group, name in enumerate(other.bands)
        if name in cell.bands
    ]
    return BlockTerm(
        name=cell.blocks.name,
        period=part.period,
        steps=part.steps.start + np.flatnonzero(inside),
        of_export=cell.blocks.of == "export",
        schedule=_schedule(layout, cells, cell, "total"),
        netted=tuple(netted),
        demand=_demand_index(layout, cells, cell),
    )


def _demand_index(layout: Layout, cells: Cells, cell: BlockCell) -> int | None:
    """Return which demand charge of its period a blocks table takes its hours from."""
    period = layout.parts[cell.part].period
    found = (
        at
        for at, other in enumerate(cells.demand)
        if other.period == period and other.demand.name == cell.blocks.demand
    )
    return next(found, None)


def _schedule(layout: Layout, cells: Cells, cell: BlockCell, which: Which) -> Schedule:
    schedule = _block_schedule(layout, cell, which)
    if cell.blocks.demand is not None and _demand_index(layout, cells, cell) is None:
        return schedule.scaled(0.0)  # no demand in this period: hours of no kW
    return schedule


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
        schedules=_demand_schedules(layout, cell, cell.shares, "total"),
        at_least=cell.at_least,
    )


def _demand_schedules(
    layout: Layout, cell: DemandCell, shares: Iterable[Share], which: Which
) -> tuple[Schedule, ...]:
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
    if demand.price_per_kw is not None:
        return Schedule(
            (_step(math.inf, 0.0, [None], [in_season(demand.price_per_kw, share.season)], scale),)
        )
    if not demand.whole_band:
        ends, prices = [step.up_to_kw for step in demand.steps], [step.price_per_kw for step in demand.steps]
        return Schedule((_step(math.inf, 0.0, ends, prices, scale),))
    months = float(share.months) * factor
    return Schedule(
        tuple(
            _step(
                math.inf if step.up_to_kw is None else float(step.up_to_kw),
                float(step.fixed_per_month) * months,
                [None],
                [step.price_per_kw],
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
        for name, value in zip(cell.bands, _netting_values(layout, cell, "total"), strict=True)
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
        leftover_price_per_kwh=_leftover_price(layout, cell, "total") if paid else 0.0,
        opening_kwh=opening if first else (),
    )


def _netting_values(layout: Layout, cell: NettingCell, which: Which) -> Floats:
    sheet = layout.sheet(layout.parts[cell.part].version)
    return np.array([import_price(sheet, name, cell.season, which, netted_only=True) for name in cell.bands])


def _leftover_price(layout: Layout, cell: NettingCell, which: Which) -> float:
    netting = layout.tariff.netting
    assert netting is not None  # noqa: S101 - as above
    sheet = layout.sheet(layout.parts[cell.part].version)
    price = netting.surplus_price_per_kwh if netting.surplus == "paid" else netting.settlement_price_per_kwh
    return float(price) * weight(sheet, which, "export", NETTING_LINE)


def minimum_terms(layout: Layout, cells: Cells) -> tuple[MinimumTerm, ...]:
    """Return the minimum bills of every part as terms."""
    if not any(dated.sheet.minimum for dated in layout.tariff.sheets):
        return ()
    imports, exports = step_prices(layout, "minimum")
    found = []
    for number, part in enumerate(layout.parts):
        sheet = layout.sheet(part.version)
        if sheet.minimum is None:
            continue
        per_day, per_month = sheet.minimum.per_day, sheet.minimum.per_month
        found.append(
            MinimumTerm(
                period=part.period,
                minimum=float(per_day or 0) * float(part.days) + float(per_month or 0) * float(part.months),
                topup_factor=topup_factor(sheet),
                base_fixed=fixed_amount(layout, part, "minimum"),
                steps=_all_steps(part.steps),
                import_price_per_kwh=imports[part.steps],
                export_price_per_kwh=exports[part.steps],
                blocks=_part_blocks(layout, cells, number),
                demand=_part_demand(layout, cells, number),
                netting=_part_netting(layout, cells, number),
            )
        )
    return tuple(found)


def _all_steps(steps: slice) -> Ints:
    return np.arange(steps.start, steps.stop)


def _part_blocks(layout: Layout, cells: Cells, part: int) -> tuple[tuple[int, Schedule], ...]:
    return tuple(
        (at, _schedule(layout, cells, cell, "minimum"))
        for at, cell in enumerate(cells.blocks)
        if cell.part == part
    )


def _part_demand(layout: Layout, cells: Cells, part: int) -> tuple[tuple[int, tuple[Schedule, ...]], ...]:
    found = []
    for at, cell in enumerate(cells.demand):
        shares = [share for share in cell.shares if share.part == part]
        if shares:
            found.append((at, _demand_schedules(layout, cell, shares, "minimum")))
    return tuple(found)


def _part_netting(layout: Layout, cells: Cells, part: int) -> tuple[tuple[int, Floats, float], ...]:
    return tuple(
        (at, _netting_values(layout, cell, "minimum"), _leftover_price(layout, cell, "minimum"))
        for at, cell in enumerate(cells.netting)
        if cell.part == part
    )
