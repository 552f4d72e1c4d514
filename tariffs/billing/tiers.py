"""Bill lines of blocks and demand charges, and the measurements all lines are made from."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

from tariffs.billing.export_credit import Credit
from tariffs.billing.lines import ZERO, BillLine, Placed, exact, money, priced, ratio, shared, text
from tariffs.billing.past_use import mean_kwh
from tariffs.billing.usage import Floats, Usage
from tariffs.periods.blocks import BlockCell
from tariffs.periods.demand import DemandCell, Share
from tariffs.periods.layout import Layout
from tariffs.periods.parts import Part
from tariffs.periods.past_use import past_mean
from tariffs.periods.rebates import RebateEvent
from tariffs.periods.runs import Run
from tariffs.sheet.demand import DemandStep
from tariffs.sheet.fields import in_season
from tariffs.sheet.usage import BlockStep

RESOLUTION = Decimal("0.0005")  # which class an amount falls in is decided to half a Wh, or half a W
_ONE = Decimal(1)
Tags = tuple[str, str]


@dataclass(frozen=True)
class Measured:
    """Everything a series' bills are made from; `registers` holds the same of every other register, by name.

    `credit` is the account of what exports earn, and runs on from bill to bill.
    `rounded` is the usage of rounded kWh, empty where the tariff does not round them.
    """

    layout: Layout
    bought: Floats
    sold: Floats
    usage: Sequence[Usage]
    blocks: Sequence[BlockCell]
    demand: Sequence[DemandCell]
    billed_kw: Sequence[Decimal]
    registers: Sequence[tuple[str, "Measured"]] = ()
    credit: Credit | None = None
    rebates: Sequence[RebateEvent] = ()
    rounded: Sequence[Usage] = ()

    def of_rounded(self) -> "Measured":
        """Return the same of rounded kWh."""
        registers = [(name, register.of_rounded()) for name, register in self.registers]
        return replace(self, usage=self.rounded, registers=registers)


def billed_demand(cells: Sequence[DemandCell], bought: Floats) -> list[Decimal]:
    """Return the kW each demand charge is billed on, after minimum, ratchet or mean of months."""
    measured = [exact(cell.measured_kw(bought)) for cell in cells]
    found = []
    for cell, kw in zip(cells, measured, strict=True):
        billed = max(kw, cell.demand.minimum_kw)
        if cell.demand.ratchet is not None:
            past = max([cell.past_kw, *(measured[at] for at in cell.earlier)])
            billed = max(billed, cell.demand.ratchet.percent / 100 * past)
        if cell.rolling is not None:
            least = cell.rolling.each_at_least_kw
            peaks = [max(measured[at], least) for at in cell.rolling.earlier]
            mean = (cell.rolling.past_kw + sum(peaks, max(kw, least))) / cell.rolling.months
            billed = max(mean, cell.demand.minimum_kw)
        found.append(billed)
    return found


def days_note(layout: Layout, part: Part | Run, months: Fraction, days: Fraction) -> str:
    """Say which share of a period an amount is for, where it is not for whole months."""
    if months.denominator == 1:
        return ""
    return f" ({text(days)} of {layout.periods[part.period].days} days)"


def loss_note(factor: Decimal) -> str:
    """Say that metered energy was raised by a loss factor, where it was."""
    return "" if factor == 1 else f" × {text(factor, 6)} losses"


@dataclass(frozen=True)
class _Filling:
    """How the blocks of one cell are filled: what multiplies limits, kWh and money, and what lines say.

    Losses at the last step reached are a line of their own: `last` is how much of the kWh they are. The steps hold
    what was counted `before`; of a `total` that fills them at once each step holds the same share of the line's own.
    """

    limits: Decimal
    losses: Decimal
    last: Decimal
    sign: Decimal
    tags: Tags
    note: str
    before: Decimal = ZERO
    total: Decimal | None = None


def block_lines(measured: Measured, period: int) -> Iterator[Placed]:
    """Return the lines of the blocks tables of a period, in the order of the file."""
    for cell in measured.blocks:
        if cell.run.period == period:
            for line in _cell_lines(measured, cell):
                yield shared(line, cell.shares)


def _cell_lines(measured: Measured, cell: BlockCell) -> Iterator[BillLine]:
    """Return the lines of one blocks table: one per block that holds energy."""
    layout, blocks, run = measured.layout, cell.blocks, cell.run
    export = blocks.of == "export"
    kwh = _kwh_of(measured, cell)
    sheet = layout.sheet(layout.parts[run.parts[0]].version)
    losses = _ONE if export else sheet.loss_factor("energy", blocks.name)
    at_last = not export and sheet.losses_at_last("energy", blocks.name)
    hours_of = _ONE if blocks.demand is None else _kw_of(measured, run.period, blocks.demand)
    note = days_note(layout, run, cell.months, cell.days) if blocks.limits_for_days is None else ""
    filling = _Filling(
        limits=ratio(cell.limits) * hours_of,
        losses=_ONE if at_last else losses,
        last=losses - 1 if at_last else ZERO,
        sign=-_ONE if export else _ONE,
        tags=("export" if export else "energy", blocks.name),
        note=note + ("" if at_last else loss_note(losses)),
    )
    if not blocks.whole_band:
        band = "" if blocks.shared is None else f" {', '.join(sorted(cell.bands))}"
        yield from _filled(f"{blocks.name}{band}: ", kwh, cell.steps, _after(measured, cell, filling))
        return
    if blocks.past_use is None:
        step = _class_of(blocks.steps, kwh, filling.limits)
        held = _class_text(blocks.steps, step, filling.limits)
    else:
        bands = frozenset(blocks.past_use.bands or sheet.band_names)
        past = past_mean(layout, run.period, blocks.name, blocks.past_use, bands)
        mean = mean_kwh(layout, measured.usage, past)
        step = _class_of(blocks.steps, mean, _ONE)
        held = f"class {_class_text(blocks.steps, step, _ONE)} a month (mean {text(mean, 2)})"
    if step.fixed_per_month:
        months, price = ratio(cell.months), filling.sign * step.fixed_per_month
        yield priced(f"{blocks.name}: fixed, {held}{note}", filling.tags, months, price, "month")
    yield from _filled(f"{blocks.name}, {held}: ", kwh, step.prices, filling)


def _after(measured: Measured, cell: BlockCell, filling: _Filling) -> _Filling:
    """Say what the tiers hold before a cell's own energy, and which share of what fills them is its own."""
    before = sum((_kwh_of(measured, measured.blocks[at]) for at in cell.earlier), cell.opening_kwh)
    if not cell.together:
        return replace(filling, before=before)
    total = sum((_kwh_of(measured, measured.blocks[at]) for at in cell.together), ZERO)
    return replace(filling, before=before, total=total)


def _kwh_of(measured: Measured, cell: BlockCell) -> Decimal:
    return sum((_counted(measured.usage[part], cell) for part in cell.run.parts), ZERO)


def _counted(usage: Usage, cell: BlockCell) -> Decimal:
    """Return the energy of a part that a blocks table counts."""
    kwh_by = usage.sold if cell.blocks.of == "export" else usage.billed
    inside = (kwh for (band, season), kwh in kwh_by.items() if band in cell.bands and season in cell.seasons)
    return sum(inside, ZERO)


def _kw_of(measured: Measured, period: int, name: str) -> Decimal:
    for cell, kw in zip(measured.demand, measured.billed_kw, strict=True):
        if cell.period == period and cell.demand.name == name:
            return kw
    return ZERO


def _class_of(steps: Sequence[BlockStep], kwh: Decimal, limits: Decimal) -> BlockStep:
    for step in steps:
        if step.limit is not None and kwh <= step.limit * limits + RESOLUTION:
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
    filled = kwh if filling.total is None else filling.total
    top = filling.before + filled
    below = ZERO
    for end, price in steps:
        upper = top if end is None else end * filling.limits
        inside = max(min(top, upper) - max(below, filling.before), ZERO)
        if filling.total:
            inside = inside * kwh / filling.total
        which = range_text(below, None if end is None else upper, "kWh")
        if inside:
            quantity = inside * filling.losses
            yield priced(label + which + filling.note, filling.tags, quantity, filling.sign * price)
        below = upper
    if filling.last and kwh:
        ends = (price for end, price in steps if end is None or kwh <= end * filling.limits + RESOLUTION)
        yield priced(f"{label}losses", filling.tags, kwh * filling.last, filling.sign * next(ends))


def range_text(below: Decimal, upper: Decimal | None, unit: str) -> str:
    """Write the range of one step."""
    if upper is None:
        return f"above {text(below)} {unit}" if below else "all"
    return f"{text(below)} to {text(upper)} {unit}" if below else f"up to {text(upper)} {unit}"


@dataclass(frozen=True)
class _Owed:
    """How much of a demand charge is owed at one price, and how its lines read."""

    label: str
    name: str
    times: Decimal
    months: Decimal
    unit: str

    def line(self, which: str, kw: Decimal, price: Decimal) -> BillLine:
        """Return the line of some of the kW."""
        return priced(self.label + which, ("demand", self.name), kw * self.times, price, self.unit)


def demand_lines(measured: Measured, period: int) -> Iterator[Placed]:
    """Return the lines of the demand charges of a period; what has one price throughout is one line."""
    for at, cell in enumerate(measured.demand):
        if cell.period != period:
            continue
        prices: list[tuple[_KwPrice, list[Share]]] = []
        for share in cell.shares:
            own = _kw_price(measured.layout, cell, share)
            same = next((shares for price, shares in prices if price == own), None)
            if same is None:
                prices.append((own, [share]))
            else:
                same.append(share)
        for price, shares in prices:
            by_part: dict[int, Fraction] = {}
            for share in shares:
                quantity = share.days if price.per == "day" else share.months
                by_part[share.part] = by_part.get(share.part, Fraction(0)) + quantity
            for line in _share_lines(measured, at, price, shares):
                yield shared(line, by_part)


@dataclass(frozen=True)
class _KwPrice:
    """What a kW costs: one price, or steps."""

    per: str
    price: Decimal | None
    steps: tuple[DemandStep, ...]
    whole_band: bool
    measured_unit: str


def _kw_price(layout: Layout, cell: DemandCell, share: Share) -> _KwPrice:
    sheet = layout.sheet(layout.parts[share.part].version)
    demand = next(one for one in sheet.demand if one.name == cell.demand.name)
    price = None if demand.price is None else in_season(demand.price, share.season)
    return _KwPrice(demand.per, price, demand.steps, demand.whole_band, demand.measured_unit)


def _share_lines(measured: Measured, at: int, price: _KwPrice, shares: Sequence[Share]) -> Iterator[BillLine]:
    layout, cell = measured.layout, measured.demand[at]
    months = sum((share.months for share in shares), Fraction(0))
    days = sum((share.days for share in shares), Fraction(0))
    by_day = price.per == "day"
    note = "" if by_day else days_note(layout, layout.parts[shares[0].part], months, days)
    owed = _Owed(
        label=_demand_label(measured, at, cell) + note,
        name=cell.demand.name,
        times=ratio(days if by_day else months),
        months=ratio(months),
        unit=price.measured_unit + ("-day" if by_day else "" if months == 1 else "-month"),
    )
    yield from _kw_lines(price, measured.billed_kw[at], owed)


def _demand_label(measured: Measured, at: int, cell: DemandCell) -> str:
    kw = measured.billed_kw[at]
    label = cell.demand.name + (" (at least)" if cell.at_least else "")
    if cell.rolling is not None:
        mean = f" (mean of {cell.rolling.months} months)"
        return label + (" (minimum)" if kw == cell.demand.minimum_kw else mean)
    if kw > exact(cell.measured_kw(measured.bought)):
        label += " (minimum)" if kw == cell.demand.minimum_kw else " (ratchet)"
    return label


def _kw_lines(demand: _KwPrice, kw: Decimal, owed: _Owed) -> Iterator[BillLine]:
    if demand.price is not None:
        yield owed.line("", kw, demand.price)
        return
    if demand.whole_band:
        ends = [step for step in demand.steps if step.up_to_kw is None or kw <= step.up_to_kw + RESOLUTION]
        if ends[0].fixed_per_month:
            amount = owed.months * ends[0].fixed_per_month
            yield money(
                f"{owed.label}: fixed at {text(kw)} {demand.measured_unit}", ("demand", owed.name), amount
            )
        if ends[0].price_per_kw:
            yield owed.line("", kw, ends[0].price_per_kw)
        return
    below = ZERO
    for step in demand.steps:
        upper = kw if step.up_to_kw is None else step.up_to_kw
        inside = max(min(kw, upper) - below, ZERO)
        if inside:
            which = f": {range_text(below, step.up_to_kw, demand.measured_unit)}"
            yield owed.line(which, inside, step.price_per_kw)
        below = upper
