"""Metered energy of each part of a bill by band and season, and what netting leaves of it to be billed."""

from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from tariffs.billing.lines import ZERO, BillLine, exact_sum, priced, ratio, text
from tariffs.billing.whole_kwh import Register
from tariffs.periods.cells import NettingCell, kwh_minimum_cells, netting_cells
from tariffs.periods.layout import Layout
from tariffs.sheet.rounding import Rounding
from tariffs.sheet.tariff import NETTING_LINE
from tariffs.sheet.usage import Netting

Floats = NDArray[np.float64]
Key = tuple[str, str]
METERED = Rounding()
_INFO = ("netting", NETTING_LINE)


@dataclass(frozen=True)
class Usage:
    """Energy of one part of a bill, keyed by (band, season). [kWh].

    Attributes
    ----------
    bought, sold : dict
        As metered.
    billed : dict
        What of `bought` is left to be paid; equal to it where the tariff does not net.
    lines : list of BillLine
        What became of the credits.
    notes : list of BillLine
        Lines of energy that say how kWh to be paid came about, without money of their own.
    """

    bought: dict[Key, Decimal] = field(default_factory=dict)
    sold: dict[Key, Decimal] = field(default_factory=dict)
    billed: dict[Key, Decimal] = field(default_factory=dict)
    lines: list[BillLine] = field(default_factory=list)
    notes: list[BillLine] = field(default_factory=list)


def usage_by_part(layout: Layout, bought: Floats, sold: Floats, rounding: Rounding = METERED) -> list[Usage]:
    """Return the usage of every part, as metered or with each band's kWh of a period rounded."""
    found = []
    meters = Register(rounding), Register(rounding)
    for part in layout.parts:
        usage = Usage()
        _fill(layout, part.steps, bought, usage.bought, meters[0])
        _fill(layout, part.steps, sold, usage.sold, meters[1])
        usage.billed.update(usage.bought)
        found.append(usage)
    netting = layout.tariff.netting
    if netting is not None:
        _net(layout, netting, found, (bought, sold), rounding)
    _add_missing(layout, found)
    return found


def _add_missing(layout: Layout, parts: list[Usage]) -> None:
    """Bill what is missing to a minimum in kWh as if it had been used."""
    for cell in kwh_minimum_cells(layout):
        used = sum((sum(parts[at].billed.values(), ZERO) for at in cell.run.parts), ZERO)
        missing = ratio(cell.kwh) - used
        if missing > 0:
            usage, key = parts[cell.run.parts[-1]], (cell.band, cell.season)
            usage.billed[key] = usage.billed.get(key, ZERO) + missing
            label = f"{cell.minimum.name}: {text(missing)} kWh more, up to {text(cell.kwh)} kWh"
            usage.notes.append(priced(label, ("energy", cell.minimum.name), missing, ZERO))


def _fill(layout: Layout, steps: slice, energy: Floats, into: dict[Key, Decimal], meter: Register) -> None:
    """Add up energy by band and season, as the meter shows it."""
    period = int(layout.period[steps.start])
    seasons = len(layout.season_names)
    key = layout.band[steps] * seasons + layout.season[steps]
    order = np.argsort(key, kind="stable")
    ordered = energy[steps][order]
    found, starts = np.unique(key[order], return_index=True)
    ends = [*starts[1:].tolist(), len(key)]
    for number, begin, end in zip(found.tolist(), starts.tolist(), ends, strict=True):
        band, season = divmod(number, seasons)
        kwh = exact_sum(ordered[begin:end])
        into[layout.band_names[band], layout.season_names[season]] = meter.read((period, band), kwh)


def _net(
    layout: Layout, netting: Netting, parts: list[Usage], energy: tuple[Floats, Floats], rounding: Rounding
) -> None:
    """Set exports off against imports through time; change what each part has left to be billed."""
    banks: dict[str, Decimal] = dict(netting.opening_kwh)
    meters = Register(rounding), Register(rounding)
    for usage in parts:
        usage.billed.clear()
    for cell in netting_cells(layout):
        usage = parts[cell.part]
        own: dict[Key, Decimal] = {}
        fed: dict[Key, Decimal] = {}
        _fill(layout, cell.steps, energy[0], own, meters[0])
        _fill(layout, cell.steps, energy[1], fed, meters[1])
        imports = {band: own.get((band, cell.season), ZERO) for band in cell.bands}
        exports = {band: fed.get((band, cell.season), ZERO) for band in cell.bands}
        before = sum(banks.values(), ZERO)
        for band, kwh in _spend(netting, imports, exports, banks).items():
            key = band, cell.season
            usage.billed[key] = usage.billed.get(key, ZERO) + kwh
        usage.lines.extend(_outcome(netting, cell, banks, before, sum(exports.values(), ZERO)))


def _spend(
    netting: Netting, imports: dict[str, Decimal], exports: dict[str, Decimal], banks: dict[str, Decimal]
) -> dict[str, Decimal]:
    """Return what is left to be billed in each band; credits are spent and gained in `banks`."""
    any_band = netting.across == "any-band"
    key = {band: band if netting.across == "same-band" else "all" for band in imports}
    need = {}
    for band, kwh in imports.items():
        gained = exports[band] if any_band else max(exports[band] - kwh, ZERO)
        banks[key[band]] = banks.get(key[band], ZERO) + gained
        need[band] = kwh if any_band else max(kwh - exports[band], ZERO)
    billed = {}
    for band, kwh in need.items():
        spent = min(banks[key[band]], kwh)
        banks[key[band]] -= spent
        billed[band] = kwh - spent
    return billed


def _outcome(
    netting: Netting, cell: NettingCell, banks: dict[str, Decimal], before: Decimal, exported: Decimal
) -> list[BillLine]:
    """Return the lines that tell what became of exports, and empty the banks where they are settled."""
    left = sum(banks.values(), ZERO)
    lines = []
    if exported:
        lines.append(priced("exported and set off or credited", _INFO, exported, ZERO))
    if before:
        lines.append(priced("credits brought forward", _INFO, before, ZERO))
    if netting.surplus == "carry" and not cell.settles:
        if left:
            lines.append(priced("credits carried forward", _INFO, left, ZERO))
        return lines
    banks.clear()
    if left and netting.surplus == "lost":
        lines.append(priced(f"surplus not credited ({text(left)} kWh)", _INFO, left, ZERO))
    elif left:
        paid = netting.surplus == "paid"
        price = netting.surplus_price_per_kwh if paid else netting.settlement_price_per_kwh
        label = "surplus paid" if paid else "credits settled"
        lines.append(priced(label, ("export", NETTING_LINE), left, -price))
    return lines
