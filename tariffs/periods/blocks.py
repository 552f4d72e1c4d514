"""What blocks tables count: energy of a period, of a year so far, of one band after another."""

import datetime as dt
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from functools import partial

from tariffs.errors import TariffError
from tariffs.periods.cells import season_days
from tariffs.periods.layout import Layout
from tariffs.periods.runs import Run, named, runs
from tariffs.sheet.tariff import Sheet
from tariffs.sheet.usage import Blocks

_LONGEST_MONTH = 31
Steps = tuple[tuple[Decimal | None, Decimal], ...]


@dataclass(frozen=True)
class BlockCell:
    """The energy one blocks table counts in a period, as long as the table stays the same.

    Where bands share tiers each has a cell of its own. With `earlier` or `opening_kwh` the tiers hold energy before
    this one's: what is priced lies above it. With `together` the tiers are filled by all of these cells at once, and
    each has its share of every tier, in proportion to its kWh.

    Attributes
    ----------
    run : Run
        The parts of the period over which it does.
    blocks : Blocks
    steps : tuple of (Decimal or None, Decimal)
        Limit and price of each tier, for this cell's energy; empty for whole-band tables.
    seasons, bands : frozenset of str
        Which energy counts.
    days : Fraction
        Days on which it counts.
    limits : Fraction
        What limits in kWh, or in hours of the demand, are multiplied by.
    months : Fraction
        What monthly amounts are multiplied by.
    shares : dict of int to Fraction
        How much of its money each part owes: by days.
    earlier : tuple of int
        Cells whose energy fills the tiers before this one's.
    opening_kwh : Decimal
        Energy from before the series that does.
    together : tuple of int
        Cells that fill the tiers at once with this one, itself included; empty where it is alone.
    """

    run: Run
    blocks: Blocks
    steps: Steps
    seasons: frozenset[str]
    bands: frozenset[str]
    days: Fraction
    limits: Fraction
    months: Fraction
    shares: dict[int, Fraction]
    earlier: tuple[int, ...] = ()
    opening_kwh: Decimal = Decimal(0)
    together: tuple[int, ...] = ()


Prices = tuple[tuple[str, object], ...]


def block_cells(layout: Layout) -> list[BlockCell]:
    """Return every blocks table of every period in which it holds, in order of time.

    Raises
    ------
    TariffError
        If tiers count through a year that began before the series, and the file does not say what was used.
    """
    found: list[BlockCell] = []
    years: dict[tuple[str, int], list[int]] = {}
    for period in range(len(layout.periods)):
        for name in named(layout, period, lambda sheet: [blocks.name for blocks in sheet.blocks]):
            for (blocks, bands, _, _), run in runs(layout, period, partial(_entry, name=name)):
                cell = _block_cell(layout, run, blocks, bands)
                if cell is None:
                    continue
                before: list[int] = []
                if blocks.yearly_from is not None:
                    year = _year(layout, blocks, period)
                    before = years.setdefault((name, year), [])
                    if year == _year(layout, blocks, 0):
                        cell = replace(cell, opening_kwh=_opening(layout, blocks))
                first = len(found)
                found += _by_band(layout, cell, first, tuple(before))
                before += range(first, len(found))
    return found


def _entry(sheet: Sheet, name: str) -> tuple[Blocks, frozenset[str], tuple[Decimal, bool], Prices] | None:
    """Return everything of a sheet that blocks of this name depend on."""
    for blocks in sheet.blocks:
        if blocks.name == name:
            bands = frozenset(blocks.bands or sheet.band_names)
            tags = "energy", name
            own: Prices = ()
            if any(step.percent_of_band is not None for step in blocks.steps):
                own = tuple((band, sheet.bands[band].import_price_per_kwh) for band in sorted(bands))
            return blocks, bands, (sheet.loss_factor(*tags), sheet.losses_at_last(*tags)), own
    return None


def _block_cell(layout: Layout, run: Run, blocks: Blocks, bands: frozenset[str]) -> BlockCell | None:
    by_part = {
        at: {
            name: days
            for name, days in season_days(layout, layout.parts[at]).items()
            if not blocks.seasons or name in blocks.seasons
        }
        for at in run.parts
    }
    seasons = frozenset(name for days in by_part.values() for name in days)
    if not seasons:
        return None
    own = {at: sum(days.values(), Fraction(0)) for at, days in by_part.items()}
    held = sum(own.values(), Fraction(0))
    months = run.months * held / run.days
    limits = months if blocks.limits_for_days is None else held / Fraction(blocks.limits_for_days)
    if blocks.yearly_from is not None:
        limits = Fraction(1)
    shares = {at: days / held for at, days in own.items() if days}
    steps: Steps = ()
    if not blocks.whole_band and blocks.shared is None:
        steps = tuple((step.limit, step.price_per_kwh or Decimal(0)) for step in blocks.steps)
    return BlockCell(run, blocks, steps, seasons, bands, held, limits, months, shares)


def _year(layout: Layout, blocks: Blocks, period: int) -> int:
    """Return the year of a yearly count that a period belongs to: its bill begins in it."""
    start = layout.periods[period].start
    return start.year if (start.month, start.day) >= (blocks.yearly_from or (1, 1)) else start.year - 1


def _opening(layout: Layout, blocks: Blocks) -> Decimal:
    """Return what was counted before the series; refuse not to know it."""
    start = layout.periods[0].start
    month, day = blocks.yearly_from or (1, 1)
    began = dt.date(_year(layout, blocks, 0), month, day)
    months = 12 * (start.year - began.year) + start.month - began.month - (start.day < began.day)
    earlier_bills = months >= layout.tariff.billing.period_months
    if not earlier_bills and layout.dates[0] <= start:
        return Decimal(0)  # the count begins anew with the series
    if blocks.used_kwh is not None:
        return blocks.used_kwh
    if earlier_bills or layout.dates[0] >= start + dt.timedelta(_LONGEST_MONTH):
        raise TariffError(
            f"{layout.tariff.source}: blocks {blocks.name!r}: used_kwh: the tiers count from {began}, the series "
            f"begins on {layout.dates[0]} (got none); write used_kwh = the kWh counted before it, 0 if there were none"
        )
    return Decimal(0)


def _by_band(layout: Layout, cell: BlockCell, first: int, before: tuple[int, ...]) -> list[BlockCell]:
    """Give each band, and each season where prices follow the band's own, a cell of its own where bands share tiers."""
    blocks = cell.blocks
    if blocks.shared is None:
        return [replace(cell, earlier=before)]
    sheet = layout.sheet(layout.parts[cell.run.parts[0]].version)
    order = blocks.shared if isinstance(blocks.shared, tuple) else sheet.band_names
    seasons = [layout.season_names[at] for at in dict.fromkeys(layout.season[cell.run.steps].tolist())]
    by_season = any(step.percent_of_band is not None for step in blocks.steps)
    groups = [[name] for name in seasons if name in cell.seasons] if by_season else [list(cell.seasons)]
    pairs = [(band, group) for band in order if band in cell.bands for group in groups]
    found = []
    for place, (band, group) in enumerate(pairs):
        own_price = sheet.bands[band].import_price(group[0])
        chained = isinstance(blocks.shared, tuple)
        found.append(
            replace(
                cell,
                steps=tuple((step.limit, step.price_in(band, own_price)) for step in blocks.steps),
                bands=frozenset((band,)),
                seasons=frozenset(group),
                earlier=(*before, *range(first, first + place)) if chained else before,
                together=() if chained else tuple(range(first, first + len(pairs))),
            )
        )
    return found
