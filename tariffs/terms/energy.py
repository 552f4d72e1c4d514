"""Effective prices of energy in each step, and the fixed money of each part of a bill."""

from collections.abc import Iterable
from typing import Literal, NamedTuple

import numpy as np

from tariffs.periods.cells import charge_quantities, credit_quantity
from tariffs.periods.layout import Layout
from tariffs.periods.parts import Part
from tariffs.sheet.fields import in_season
from tariffs.sheet.tariff import EVERYTHING, HOURLY_LINE, Adjustment, Sheet, export_line
from tariffs.terms.terms import Floats

Which = Literal["total", "minimum"]
"""Whose weights: those of the whole bill, or of the base of its minimum bill."""


def weight(sheet: Sheet, which: Which, *tags: str) -> float:
    """Return one of a line's weights."""
    found = weights(sheet, *tags)
    return found.total if which == "total" else found.minimum


def step_prices(layout: Layout, which: Which) -> tuple[Floats, Floats]:
    """Return what one more imported kWh costs and one more exported kWh earns, in each step."""
    shape = (len(layout.tariff.sheets), len(layout.band_names), len(layout.season_names))
    bought, sold = np.zeros(shape), np.zeros(shape)
    for version, dated in enumerate(layout.tariff.sheets):
        for name in dated.sheet.bands:
            for season in dated.sheet.season_names:
                at = version, layout.band_names.index(name), layout.season_names.index(season)
                bought[at] = import_price(dated.sheet, name, season, which)
                sold[at] = _export_price(dated.sheet, name, season, which)
    where = layout.version, layout.band, layout.season
    imports, exports = bought[where], sold[where]
    for adder in layout.adders:
        sheet = layout.sheet(adder.version)
        factor = float(sheet.loss_factor("energy", adder.name)) * weight(sheet, which, "energy", adder.name)
        imports[adder.steps] += float(adder.price_per_kwh) * factor
    _add_series(layout, which, imports, exports)
    return imports, exports


def import_price(sheet: Sheet, band: str, season: str, which: Which, *, netted_only: bool = False) -> float:
    """Return the effective price of a kWh imported in a band and season: the band's own and riders.

    Parameters
    ----------
    sheet : Sheet
    band, season : str
    which : str
    netted_only : bool
        Leave out riders that are owed on energy that is set off, too.
    """
    own = float(sheet.bands[band].import_price(season)) * float(sheet.loss_factor("energy", band))
    price = own * weight(sheet, which, "energy", band)
    for rider in sheet.riders:
        if rider.of == "import" and (not rider.bands or band in rider.bands):
            if netted_only and not rider.netted:
                continue
            each = float(in_season(rider.price_per_kwh, season)) * float(
                sheet.loss_factor("riders", rider.name)
            )
            price += each * weight(sheet, which, "riders", rider.name)
    return price


def _export_price(sheet: Sheet, band: str, season: str, which: Which) -> float:
    price = float(sheet.bands[band].export_price(season)) * weight(sheet, which, "export", export_line(band))
    for rider in sheet.riders:
        if rider.of == "export" and (not rider.bands or band in rider.bands):
            price -= float(in_season(rider.price_per_kwh, season)) * weight(
                sheet, which, "riders", rider.name
            )
    return price


def _add_series(layout: Layout, which: Which, imports: Floats, exports: Floats) -> None:
    """Add the price series to the steps' prices, in place."""
    series, row = layout.tariff.series, layout.price_row
    if series is None or row is None:
        return
    sheets = [dated.sheet for dated in layout.tariff.sheets]
    if series.import_price_per_kwh is not None:
        factors = [
            float(sheet.loss_factor("energy", HOURLY_LINE)) * weight(sheet, which, "energy", HOURLY_LINE)
            for sheet in sheets
        ]
        imports += series.import_price_per_kwh[row] * np.array(factors)[layout.version]
    if series.export_price_per_kwh is not None:
        factors = [weight(sheet, which, "export", HOURLY_LINE) for sheet in sheets]
        exports += series.export_price_per_kwh[row] * np.array(factors)[layout.version]


def fixed_amount(layout: Layout, part: Part, which: Which) -> float:
    """Return the money of one part of a bill that no flow changes."""
    sheet = layout.sheet(part.version)
    total = 0.0
    for charge in sheet.charges:
        prices = {"day": charge.per_day, "month": charge.per_month}
        for unit, quantity in charge_quantities(layout, part, charge).items():
            amount = float(prices[unit] or 0) * float(quantity)
            total += amount * weight(sheet, which, "charges", charge.name)
    for credit in sheet.credits:
        amount = float(credit.per_month) * float(credit_quantity(layout, part, credit))
        total += amount * weight(sheet, which, "credits", credit.name)
    return total


class Weights(NamedTuple):
    """The weight of one unit of money in the whole bill, and in the base of the minimum bill."""

    total: float
    minimum: float


def weights(sheet: Sheet, *tags: str) -> Weights:
    """Return the weights of a line.

    Parameters
    ----------
    sheet : Sheet
    tags : str
        The line's group and name.
    """
    own = set(tags)
    earlier: dict[str, float] = {}
    in_minimum = 0.0
    for item in sheet.sequence:
        if isinstance(item, Adjustment):
            earlier[item.name] = _base(own, earlier, item) * float(item.percent) / 100.0
        else:
            wanted = set(item.applies_to)
            everything = EVERYTHING in wanted
            in_minimum = 1.0 if everything or own & wanted else 0.0
            in_minimum += sum(weight for name, weight in earlier.items() if everything or name in wanted)
    return Weights(1.0 + sum(earlier.values()), in_minimum)


def topup_factor(sheet: Sheet) -> float:
    """Return what one unit of top-up to the minimum bill comes to after the adjustments that follow it."""
    earlier: dict[str, float] = {}
    seen = False
    for item in sheet.sequence:
        if not isinstance(item, Adjustment):
            seen, own = True, {"minimum", item.name}
        elif seen:
            earlier[item.name] = _base(own, earlier, item) * float(item.percent) / 100.0
    return 1.0 + sum(earlier.values())


def _base(own: Iterable[str], earlier: dict[str, float], item: Adjustment) -> float:
    """Return how much of a unit, and of what earlier adjustments made of it, an adjustment counts."""
    wanted, barred = set(item.applies_to), set(item.not_to)
    tags = set(own)
    base = 1.0 if (not wanted or tags & wanted) and not tags & barred else 0.0
    return base + sum(
        weight for name, weight in earlier.items() if (not wanted or name in wanted) and name not in barred
    )
