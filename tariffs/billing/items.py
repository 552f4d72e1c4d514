"""The lines of one bill before adjustments."""

import math
from collections.abc import Iterator, Mapping
from decimal import Decimal
from fractions import Fraction

import numpy as np

from tariffs.billing.gather import Piece, gathered
from tariffs.billing.lines import ZERO, BillLine, Placed, exact_sum, ratio, text
from tariffs.billing.tiers import Measured, block_lines, demand_lines, loss_note
from tariffs.billing.usage import Key
from tariffs.periods.cells import charge_quantities, month_days
from tariffs.periods.runs import named
from tariffs.sheet.fields import in_season
from tariffs.sheet.tariff import HOURLY_EXPORT_LINE, HOURLY_LINE, Sheet, export_line

_ONE = Decimal(1)


def item_lines(measured: Measured, period: int) -> list[Placed]:
    """Return all lines of a period that adjustments may refer to, in the order of the bill."""
    return [
        *_notes(measured, period),
        *gathered(_energy(measured, period)),
        *_hourly(measured, period, "energy"),
        *gathered(_adders(measured, period)),
        *block_lines(measured, period),
        *gathered(_riders(measured, period)),
        *gathered(_export(measured, period)),
        *_hourly(measured, period, "export"),
        *_netting(measured, period),
        *demand_lines(measured, period),
        *_charges(measured, period),
        *_credits(measured, period),
    ]


def _sheets(measured: Measured, period: int) -> Iterator[tuple[int, Sheet]]:
    """Yield the period's parts with the sheet in force in each."""
    layout = measured.layout
    for at in layout.parts_of(period):
        yield at, layout.sheet(layout.parts[at].version)


def _bands(measured: Measured, period: int) -> list[str]:
    return named(measured.layout, period, lambda sheet: sheet.bands)


def _by_season(
    measured: Measured, period: int, band: str, kwh: Mapping[Key, Decimal], price_of: Mapping[str, Decimal]
) -> Iterator[tuple[str, Decimal, Decimal]]:
    """Yield (which seasons, price, kWh) of a band's energy; seasons are named where their prices differ."""
    layout = measured.layout
    found = np.unique(layout.season[layout.steps_of(period)]).tolist()
    seasons = [layout.season_names[at] for at in found if layout.season_names[at] in price_of]
    prices = dict.fromkeys(price_of[season] for season in seasons)
    for price in prices:
        same = [season for season in seasons if price_of[season] == price]
        which = f", {' and '.join(same)}" if len(prices) > 1 else ""
        yield which, price, sum((kwh.get((band, season), ZERO) for season in same), ZERO)


def _energy(measured: Measured, period: int) -> Iterator[Piece]:
    for name in _bands(measured, period):
        for at, sheet in _sheets(measured, period):
            band = sheet.bands.get(name)
            if band is None or band.import_price_per_kwh is None:
                continue
            factor = sheet.loss_factor("energy", name)
            prices = {season: band.import_price(season) for season in sheet.season_names}
            for which, price, kwh in _by_season(measured, period, name, measured.usage[at].billed, prices):
                yield Piece(name + which + loss_note(factor), ("energy", name), at, kwh * factor, price)


def _export(measured: Measured, period: int) -> Iterator[Piece]:
    for name in _bands(measured, period):
        for at, sheet in _sheets(measured, period):
            band = sheet.bands.get(name)
            if band is None:
                continue
            line = export_line(name)
            prices = {season: -band.export_price(season) for season in sheet.season_names}
            for which, price, kwh in _by_season(measured, period, name, measured.usage[at].sold, prices):
                if price:
                    yield Piece(line + which, ("export", line), at, kwh, price)


def _hourly(measured: Measured, period: int, kind: str) -> Iterator[Placed]:
    """Price energy by the series: the sum of step by step, and its mean price beside it."""
    layout = measured.layout
    series, row = layout.tariff.series, layout.price_row
    if series is None or row is None:
        return
    prices = series.import_price_per_kwh if kind == "energy" else series.export_price_per_kwh
    energy = measured.bought if kind == "energy" else measured.sold
    if prices is None:
        return
    name = HOURLY_LINE if kind == "energy" else HOURLY_EXPORT_LINE
    found: dict[Decimal, dict[int, tuple[Decimal, Decimal]]] = {}
    for at, sheet in _sheets(measured, period):
        steps = layout.parts[at].steps
        own = energy[steps]
        kwh = exact_sum(own)
        if kwh:
            value = Decimal(repr(math.fsum((own * prices[row[steps]]).tolist())))
            factor = sheet.loss_factor("energy", HOURLY_LINE) if kind == "energy" else -_ONE
            found.setdefault(factor, {})[at] = kwh * abs(factor), value * factor
    for factor, parts in found.items():
        quantity = sum((kwh for kwh, _ in parts.values()), ZERO)
        amounts = {at: amount for at, (_, amount) in parts.items()}
        amount = sum(amounts.values(), ZERO)
        label = name + (loss_note(factor) if kind == "energy" else "")
        yield Placed(BillLine(label, kind, quantity, "kWh", amount / quantity, amount, amount, name), amounts)


def _adders(measured: Measured, period: int) -> Iterator[Piece]:
    layout = measured.layout
    for adder in layout.adders:
        for at, sheet in _sheets(measured, period):
            if layout.parts[at].version != adder.version:
                continue
            steps = layout.parts[at].steps
            low, high = np.searchsorted(adder.steps, [steps.start, steps.stop]).tolist()
            factor = sheet.loss_factor("energy", adder.name)
            kwh = exact_sum(measured.bought[adder.steps[low:high]])
            label = adder.name + loss_note(factor)
            yield Piece(label, ("energy", adder.name), at, kwh * factor, adder.price_per_kwh)


def _riders(measured: Measured, period: int) -> Iterator[Piece]:
    for name in named(measured.layout, period, lambda sheet: [rider.name for rider in sheet.riders]):
        for at, sheet in _sheets(measured, period):
            usage = measured.usage[at]
            for rider in (one for one in sheet.riders if one.name == name):
                kwh = usage.sold if rider.of == "export" else usage.billed if rider.netted else usage.bought
                factor = sheet.loss_factor("riders", rider.name) if rider.of == "import" else _ONE
                label = rider.name + loss_note(factor)
                for season in measured.layout.season_names:
                    price = in_season(rider.price_per_kwh, season)
                    amount = _counted(kwh, season, rider.bands)
                    yield Piece(label, ("riders", rider.name), at, amount * factor, price)


def _counted(kwh: Mapping[Key, Decimal], season: str, bands: tuple[str, ...]) -> Decimal:
    """Return the energy of a season, in these bands if any are named."""
    held = (own for (band, when), own in kwh.items() if when == season and (not bands or band in bands))
    return sum(held, ZERO)


def _notes(measured: Measured, period: int) -> Iterator[Placed]:
    for at, _ in _sheets(measured, period):
        for line in measured.usage[at].notes:
            yield Placed(line, {at: line.amount})


def _netting(measured: Measured, period: int) -> Iterator[Placed]:
    for at, _ in _sheets(measured, period):
        for line in measured.usage[at].lines:
            yield Placed(line, {at: line.amount})


def _charges(measured: Measured, period: int) -> Iterator[Placed]:
    layout = measured.layout
    for name in named(layout, period, lambda sheet: [charge.name for charge in sheet.charges]):
        pieces = []
        months: tuple[int, ...] = ()
        for at, sheet in _sheets(measured, period):
            for charge in (one for one in sheet.charges if one.name == name):
                months = charge.months
                prices = {"day": charge.per_day, "month": charge.per_month}
                for unit, quantity in charge_quantities(layout, layout.parts[at], charge).items():
                    price = prices[unit] or ZERO
                    pieces.append(Piece(name, ("charges", name), at, ratio(quantity), price, unit))
        yield from _monthly(measured, pieces, months)


def _credits(measured: Measured, period: int) -> Iterator[Placed]:
    layout = measured.layout
    for name in named(layout, period, lambda sheet: [credit.name for credit in sheet.credits]):
        pieces = []
        months: tuple[int, ...] = ()
        for at, sheet in _sheets(measured, period):
            for credit in (one for one in sheet.credits if one.name == name):
                months = credit.months
                quantity = month_days(layout, layout.parts[at], credit.months)[0]
                pieces.append(Piece(name, ("credits", name), at, ratio(quantity), credit.per_month, "month"))
        yield from _monthly(measured, pieces, months)


def _monthly(measured: Measured, pieces: list[Piece], months: tuple[int, ...]) -> Iterator[Placed]:
    """Gather amounts by the day and by the month; what is not for whole months says for which days it is."""
    layout = measured.layout

    def note(same: list[Piece]) -> str:
        if same[0].unit != "month":
            return ""
        found = [month_days(layout, layout.parts[piece.part], months) for piece in same]
        owed = sum((one[0] for one in found), Fraction(0))
        if owed.denominator == 1:
            return ""
        return f" ({text(sum((one[1] for one in found), Fraction(0)))} of {text(found[0][2])} days)"

    yield from gathered(pieces, note)
