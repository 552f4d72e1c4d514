"""What is measured for each bill: fixed quantities, block amounts, demand, netting. Facts, no prices.

Billing and the program's terms both start from these, and share nothing after them.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from tariffs.periods.layout import Layout
from tariffs.periods.parts import Part
from tariffs.sheet.tariff import Charge, Credit, Sheet
from tariffs.sheet.usage import Blocks

Ints = NDArray[np.int64]


def listed_months(layout: Layout, part: Part, months: Iterable[int]) -> Fraction:
    """Return how many monthly amounts a part owes: all of its months, or those of a list that begin in it."""
    wanted = set(months)
    if not wanted:
        return part.months
    return part.share * sum(month in wanted for month in layout.periods[part.period].months)


def charge_quantities(layout: Layout, part: Part, charge: Charge) -> dict[str, Fraction]:
    """Return the days and months of a fixed charge that a part owes."""
    found: dict[str, Fraction] = {}
    wanted = set(charge.months) or set(range(1, 13))
    days = [at for at in layout.dates_of(part.steps) if layout.dates[at].month in wanted]
    if charge.per_day is not None:
        found["day"] = sum((layout.date_days[at] for at in days), Fraction(0))
    if charge.per_month is not None:
        found["month"] = listed_months(layout, part, charge.months)
    return {unit: quantity for unit, quantity in found.items() if quantity}


def credit_quantity(layout: Layout, part: Part, credit: Credit) -> Fraction:
    """Return how often a part sees a monthly credit."""
    return listed_months(layout, part, credit.months)


def season_days(layout: Layout, part: Part) -> dict[str, Fraction]:
    """Return the days of a part in each season, by name, in order of time."""
    found: dict[str, Fraction] = {}
    for at in layout.dates_of(part.steps):
        name = layout.season_names[layout.season[layout.first_steps[at]]]
        found[name] = found.get(name, Fraction(0)) + layout.date_days[at]
    return found


@dataclass(frozen=True)
class BlockCell:
    """The energy one blocks table counts within one part.

    Attributes
    ----------
    part : int
        Index into the layout's parts.
    blocks : Blocks
    seasons, bands : frozenset of str
        Which energy counts.
    days : Fraction
        Days on which it counts.
    limits : Fraction
        What limits in kWh, or in hours of the demand, are multiplied by.
    months : Fraction
        What monthly amounts are multiplied by.
    """

    part: int
    blocks: Blocks
    seasons: frozenset[str]
    bands: frozenset[str]
    days: Fraction
    limits: Fraction
    months: Fraction


def block_cells(layout: Layout) -> list[BlockCell]:
    """Return every blocks table of every part in which it holds, in order of time."""
    return [
        cell
        for number, part in enumerate(layout.parts)
        for blocks in layout.sheet(part.version).blocks
        if (cell := _block_cell(layout, number, part, blocks)) is not None
    ]


def _block_cell(layout: Layout, number: int, part: Part, blocks: Blocks) -> BlockCell | None:
    days = season_days(layout, part)
    seasons = frozenset(name for name in days if not blocks.seasons or name in blocks.seasons)
    if not seasons:
        return None
    held = sum((days[name] for name in seasons), Fraction(0))
    months = part.months * held / part.days
    limits = months if blocks.limits_for_days is None else held / Fraction(blocks.limits_for_days)
    sheet: Sheet = layout.sheet(part.version)
    bands = frozenset(blocks.bands or sheet.band_names)
    return BlockCell(number, blocks, seasons, bands, held, limits, months)


@dataclass(frozen=True)
class NettingCell:
    """A stretch of the series over which exports are set off: one season of one part.

    Attributes
    ----------
    part : int
    season : str
    steps : slice
    bands : tuple of str
        In the order in which credits are spent.
    settles : bool
        Whether what is left after it is settled.
    """

    part: int
    season: str
    steps: slice
    bands: tuple[str, ...]
    settles: bool


def netting_cells(layout: Layout) -> list[NettingCell]:
    """Return the chain of netting stretches, in order of time; empty where the tariff does not net."""
    netting = layout.tariff.netting
    if netting is None:
        return []
    cells = []
    spans = layout.stretches(layout.period, layout.version, layout.season)
    for number, span in enumerate(spans):
        period = int(layout.period[span.start])
        part = next(
            at for at, one in enumerate(layout.parts) if one.steps.start <= span.start < one.steps.stop
        )
        bands = layout.sheet(layout.parts[part].version).band_names
        order = tuple(name for name in netting.order if name in bands)
        rest = tuple(name for name in bands if name not in order)
        last = number + 1 == len(spans) or int(layout.period[spans[number + 1].start]) != period
        season = layout.season_names[layout.season[span.start]]
        settles = last and _settles(layout, period)
        cells.append(NettingCell(part, season, span, order + rest, settles))
    return cells


def _settles(layout: Layout, period: int) -> bool:
    """Tell whether the yearly settlement date lies in what the series covers of a period."""
    day = layout.tariff.netting.settlement if layout.tariff.netting is not None else None
    first, last = np.searchsorted(layout.period, [period, period + 1]).tolist()
    covered = layout.dates_of(slice(first, last))
    return any((layout.dates[at].month, layout.dates[at].day) == day for at in covered)
