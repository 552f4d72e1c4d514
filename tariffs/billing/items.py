"""The lines of one part of a bill before adjustments."""

import math
from collections.abc import Iterator, Mapping
from decimal import Decimal

import numpy as np

from tariffs.billing.lines import ZERO, BillLine, exact_sum, priced, ratio
from tariffs.billing.tiers import Measured, block_lines, days_note, demand_lines, loss_note
from tariffs.billing.usage import Key, Usage
from tariffs.periods.cells import charge_quantities, credit_quantity
from tariffs.periods.layout import Layout
from tariffs.periods.parts import Part
from tariffs.sheet.fields import in_season
from tariffs.sheet.tariff import HOURLY_LINE, Sheet, export_line

_ONE = Decimal(1)


def item_lines(measured: Measured, number: int) -> list[BillLine]:
    """Return all lines of a part that adjustments may refer to, in the order of the bill."""
    layout = measured.layout
    part = layout.parts[number]
    sheet, usage = layout.sheet(part.version), measured.usage[number]
    return [
        *_energy(layout, part, usage),
        *_hourly(measured, part, "energy"),
        *_adders(measured, part),
        *(
            line
            for cell in measured.blocks
            if cell.part == number
            for line in block_lines(measured, part, cell)
        ),
        *_riders(layout, part, usage),
        *_export(layout, part, usage),
        *_hourly(measured, part, "export"),
        *usage.lines,
        *(
            line
            for at, cell in enumerate(measured.demand)
            for line in demand_lines(measured, number, at, cell)
        ),
        *_charges(layout, part, sheet),
        *_credits(layout, part, sheet),
    ]


def _by_price(
    kwh: Mapping[Key, Decimal], name: str, price_of: Mapping[str, Decimal]
) -> list[tuple[Decimal, list[str], Decimal]]:
    """Gather a band's energy by price: (price, seasons, kWh)."""
    found: dict[Decimal, list[str]] = {}
    for band, season in kwh:
        if band == name:
            found.setdefault(price_of[season], []).append(season)
    return [
        (price, seasons, sum((kwh[name, season] for season in seasons), ZERO))
        for price, seasons in found.items()
    ]


def _energy(layout: Layout, part: Part, usage: Usage) -> Iterator[BillLine]:
    sheet = layout.sheet(part.version)
    for name, band in sheet.bands.items():
        if band.import_price_per_kwh is None:
            continue
        factor = sheet.loss_factor("energy", name)
        prices = {season: band.import_price(season) for season in sheet.season_names}
        groups = _by_price(usage.billed, name, prices)
        for price, seasons, kwh in groups:
            if kwh:
                label = name + (f", {' and '.join(seasons)}" if len(groups) > 1 else "") + loss_note(factor)
                yield priced(label, ("energy", name), kwh * factor, price)


def _export(layout: Layout, part: Part, usage: Usage) -> Iterator[BillLine]:
    sheet = layout.sheet(part.version)
    for name, band in sheet.bands.items():
        prices = {season: -band.export_price(season) for season in sheet.season_names}
        groups = _by_price(usage.sold, name, prices)
        for price, seasons, kwh in groups:
            if kwh and price:
                label = export_line(name) + (f", {' and '.join(seasons)}" if len(groups) > 1 else "")
                yield priced(label, ("export", export_line(name)), kwh, price)


def _hourly(measured: Measured, part: Part, kind: str) -> Iterator[BillLine]:
    """Price energy by the series: the sum of step by step, and its mean price beside it."""
    layout = measured.layout
    series, row = layout.tariff.series, layout.price_row
    if series is None or row is None:
        return
    prices = series.import_price_per_kwh if kind == "energy" else series.export_price_per_kwh
    energy = measured.bought if kind == "energy" else measured.sold
    if prices is None:
        return
    own = energy[part.steps]
    kwh = exact_sum(own)
    if not kwh:
        return
    value = Decimal(repr(math.fsum((own * prices[row[part.steps]]).tolist())))
    factor = layout.sheet(part.version).loss_factor("energy", HOURLY_LINE) if kind == "energy" else -_ONE
    label = HOURLY_LINE + (loss_note(factor) if kind == "energy" else ", export")
    amount = value * factor
    quantity = kwh * abs(factor)
    yield BillLine(label, kind, quantity, "kWh", amount / quantity, amount, amount, HOURLY_LINE)


def _adders(measured: Measured, part: Part) -> Iterator[BillLine]:
    layout = measured.layout
    sheet = layout.sheet(part.version)
    for adder in layout.adders:  # the steps of another version's lie in no part of this one
        low, high = np.searchsorted(adder.steps, [part.steps.start, part.steps.stop]).tolist()
        kwh = exact_sum(measured.bought[adder.steps[low:high]])
        if kwh:
            factor = sheet.loss_factor("energy", adder.name)
            label = adder.name + loss_note(factor)
            yield priced(label, ("energy", adder.name), kwh * factor, adder.price_per_kwh)


def _riders(layout: Layout, part: Part, usage: Usage) -> Iterator[BillLine]:
    sheet = layout.sheet(part.version)
    for rider in sheet.riders:
        kwh = usage.sold if rider.of == "export" else usage.billed if rider.netted else usage.bought
        factor = sheet.loss_factor("riders", rider.name) if rider.of == "import" else _ONE
        found: dict[Decimal, Decimal] = {}
        for (band, season), amount in kwh.items():
            if not rider.bands or band in rider.bands:
                price = in_season(rider.price_per_kwh, season)
                found[price] = found.get(price, ZERO) + amount
        for price, amount in found.items():
            if amount:
                label = rider.name + loss_note(factor)
                yield priced(label, ("riders", rider.name), amount * factor, price)


def _charges(layout: Layout, part: Part, sheet: Sheet) -> Iterator[BillLine]:
    for charge in sheet.charges:
        prices = {"day": charge.per_day, "month": charge.per_month}
        for unit, quantity in charge_quantities(layout, part, charge).items():
            label = charge.name + (days_note(layout, part, quantity, part.days) if unit == "month" else "")
            yield priced(label, ("charges", charge.name), ratio(quantity), prices[unit] or ZERO, unit)


def _credits(layout: Layout, part: Part, sheet: Sheet) -> Iterator[BillLine]:
    for credit in sheet.credits:
        quantity = credit_quantity(layout, part, credit)
        if quantity:
            label = credit.name + days_note(layout, part, quantity, part.days)
            yield priced(label, ("credits", credit.name), ratio(quantity), credit.per_month, "month")
