"""Effective prices of energy in each step, and the fixed money of each part of a bill."""

import numpy as np

from tariffs.periods.cells import charge_quantities, credit_quantity
from tariffs.periods.layout import Layout
from tariffs.periods.parts import Part
from tariffs.sheet.fields import in_season
from tariffs.sheet.tariff import HOURLY_EXPORT_LINE, HOURLY_LINE, Sheet, export_line
from tariffs.terms.schedules import Floats
from tariffs.terms.weights import Which, weight


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
        factors = [weight(sheet, which, "export", HOURLY_EXPORT_LINE) for sheet in sheets]
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
