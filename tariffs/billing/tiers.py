"""Bill lines of blocks and demand charges, and the measurements all lines are made from."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from tariffs.billing.lines import ZERO, BillLine, exact, money, priced, ratio, text
from tariffs.billing.usage import Floats, Usage
from tariffs.periods.cells import BlockCell
from tariffs.periods.demand import DemandCell
from tariffs.periods.layout import Layout
from tariffs.periods.parts import Part
from tariffs.sheet.fields import in_season
from tariffs.sheet.usage import BlockStep, Demand

_RESOLUTION = Decimal("0.0005")  # which class an amount falls in is decided to half a Wh, or half a W
_ONE = Decimal(1)
Tags = tuple[str, str]


@dataclass(frozen=True)
class Measured:
    """Everything a series' bills are made from."""

    layout: Layout
    bought: Floats
    sold: Floats
    usage: Sequence[Usage]
    blocks: Sequence[BlockCell]
    demand: Sequence[DemandCell]
    billed_kw: Sequence[Decimal]


def billed_demand(cells: Sequence[DemandCell], bought: Floats) -> list[Decimal]:
    """Return the kW each demand charge is billed on, after minimum and ratchet."""
    measured = [exact(cell.measured_kw(bought)) for cell in cells]
    found = []
    for cell, kw in zip(cells, measured, strict=True):
        billed = max(kw, cell.demand.minimum_kw)
        if cell.demand.ratchet is not None:
            past = max([cell.past_kw, *(measured[at] for at in cell.earlier)])
            billed = max(billed, cell.demand.ratchet.percent / 100 * past)
        found.append(billed)
    return found


def days_note(layout: Layout, part: Part, months: Fraction, days: Fraction) -> str:
    """Say which share of a period an amount is for, where it is not for whole months."""
    if months.denominator == 1:
        return ""
    return f" ({text(days)} of {layout.periods[part.period].days} days)"


def loss_note(factor: Decimal) -> str:
    """Say that metered energy was raised by a loss factor, where it was."""
    return "" if factor == 1 else f" × {text(factor, 6)} losses"


@dataclass(frozen=True)
class _Filling:
    """How the blocks of one cell are filled: what multiplies limits, kWh and money, and what lines say."""

    limits: Decimal
    losses: Decimal
    sign: Decimal
    tags: Tags
    note: str


def block_lines(measured: Measured, part: Part, cell: BlockCell) -> Iterator[BillLine]:
    """Return the lines of one blocks table: one per block that holds energy."""
    layout, blocks, usage = measured.layout, cell.blocks, measured.usage[cell.part]
    export = blocks.of == "export"
    kwh_by = usage.sold if export else usage.billed
    kwh = sum(
        (amount for key, amount in kwh_by.items() if key[0] in cell.bands and key[1] in cell.seasons), ZERO
    )
    losses = _ONE if export else layout.sheet(part.version).loss_factor("energy", blocks.name)
    hours_of = _ONE if blocks.demand is None else _kw_of(measured, part.period, blocks.demand)
    note = days_note(layout, part, cell.months, cell.days) if blocks.limits_for_days is None else ""
    filling = _Filling(
        limits=ratio(cell.limits) * hours_of,
        losses=losses,
        sign=-_ONE if export else _ONE,
        tags=("export" if export else "energy", blocks.name),
        note=note + loss_note(losses),
    )
    if not blocks.whole_band:
        ends = [(step.limit, step.price_per_kwh or ZERO) for step in blocks.steps]
        yield from _filled(f"{blocks.name}: ", kwh, ends, filling)
        return
    step = _class_of(blocks.steps, kwh, filling.limits)
    held = _class_text(blocks.steps, step, filling.limits)
    if step.fixed_per_month:
        months, price = ratio(cell.months), filling.sign * step.fixed_per_month
        yield priced(f"{blocks.name}: fixed, {held}{note}", filling.tags, months, price, "month")
    yield from _filled(f"{blocks.name}, {held}: ", kwh, step.prices, filling)


def _kw_of(measured: Measured, period: int, name: str) -> Decimal:
    for cell, kw in zip(measured.demand, measured.billed_kw, strict=True):
        if cell.period == period and cell.demand.name == name:
            return kw
    return ZERO


def _class_of(steps: Sequence[BlockStep], kwh: Decimal, limits: Decimal) -> BlockStep:
    for step in steps:
        if step.limit is not None and kwh <= step.limit * limits + _RESOLUTION:
            return step
    return steps[-1]


def _class_text(steps: Sequence[BlockStep], step: BlockStep, limits: Decimal) -> str:
    if step.limit is not None:
        return f"up to {text(step.limit * limits)} kWh"
    below = steps[-2].limit if len(steps) > 1 else None
    return "all" if below is None else f"above {text(below * limits)} kWh"


def _filled(
    label: str, kwh: Decimal, steps: Sequence[tuple[Decimal | None, Decimal]], filling: _Filling
) -> Iterator[BillLine]:
    """Fill telescopic blocks from the first on."""
    below = ZERO
    for end, price in steps:
        upper = kwh if end is None else end * filling.limits
        inside = max(min(kwh, upper) - below, ZERO)
        which = _range_text(below, None if end is None else upper, "kWh")
        if inside:
            quantity = inside * filling.losses
            yield priced(label + which + filling.note, filling.tags, quantity, filling.sign * price)
        below = upper


def _range_text(below: Decimal, upper: Decimal | None, unit: str) -> str:
    if upper is None:
        return f"above {text(below)} {unit}" if below else "all"
    return f"{text(below)} to {text(upper)} {unit}" if below else f"up to {text(upper)} {unit}"


@dataclass(frozen=True)
class _Owed:
    """How much of a demand charge one season of a part owes, and how its lines read."""

    label: str
    name: str
    times: Decimal
    months: Decimal
    unit: str

    def line(self, which: str, kw: Decimal, price: Decimal) -> BillLine:
        """Return the line of some of the kW."""
        return priced(self.label + which, ("demand", self.name), kw * self.times, price, self.unit)


def demand_lines(measured: Measured, number: int, at: int, cell: DemandCell) -> Iterator[BillLine]:
    """Return the lines of one demand charge in one part, none if it owes nothing there."""
    layout, kw = measured.layout, measured.billed_kw[at]
    part = layout.parts[number]
    for share in (share for share in cell.shares if share.part == number):
        demand = next(one for one in layout.sheet(part.version).demand if one.name == cell.demand.name)
        by_day = demand.per == "day"
        note = "" if by_day else days_note(layout, part, share.months, share.days)
        owed = _Owed(
            label=_demand_label(measured, at, cell) + note,
            name=demand.name,
            times=ratio(share.days if by_day else share.months),
            months=ratio(share.months),
            unit="kW-day" if by_day else "kW" if share.months == 1 else "kW-month",
        )
        yield from _kw_lines(demand, share.season, kw, owed)


def _demand_label(measured: Measured, at: int, cell: DemandCell) -> str:
    kw = measured.billed_kw[at]
    label = cell.demand.name + (" (at least)" if cell.at_least else "")
    if kw > exact(cell.measured_kw(measured.bought)):
        label += " (minimum)" if kw == cell.demand.minimum_kw else " (ratchet)"
    return label


def _kw_lines(demand: Demand, season: str, kw: Decimal, owed: _Owed) -> Iterator[BillLine]:
    if demand.price_per_kw is not None:
        yield owed.line("", kw, in_season(demand.price_per_kw, season))
        return
    if demand.whole_band:
        ends = [step for step in demand.steps if step.up_to_kw is None or kw <= step.up_to_kw + _RESOLUTION]
        if ends[0].fixed_per_month:
            amount = owed.months * ends[0].fixed_per_month
            yield money(f"{owed.label}: fixed at {text(kw)} kW", ("demand", owed.name), amount)
        if ends[0].price_per_kw:
            yield owed.line("", kw, ends[0].price_per_kw)
        return
    below = ZERO
    for step in demand.steps:
        upper = kw if step.up_to_kw is None else step.up_to_kw
        inside = max(min(kw, upper) - below, ZERO)
        if inside:
            which = f": {_range_text(below, step.up_to_kw, 'kW')}"
            yield owed.line(which, inside, step.price_per_kw)
        below = upper
