"""What is measured for each bill: fixed quantities, block amounts, demand, netting. Facts, no prices.

Billing and the program's terms both start from these, and share nothing after them.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tariffs.periods.layout import Layout
from tariffs.periods.parts import Part
from tariffs.periods.runs import Run, runs
from tariffs.sheet.tariff import Charge, Credit, Sheet
from tariffs.sheet.usage import Minimum

Ints = NDArray[np.int64]


def month_days(
    layout: Layout, part: Part | Run, months: Iterable[int]
) -> tuple[Fraction, Fraction, Fraction]:
    """Return how many monthly amounts a part owes, and for how many days of how many.

    Without a list it owes all of its months. With one, each month listed that begins in the period is owed by the
    days of it that the part covers, out of those of it that lie in the period.
    """
    period = layout.periods[part.period]
    wanted = set(months)
    if not wanted:
        return part.months, part.days, Fraction(period.days)
    owed = held = of = Fraction(0)
    for first, end in period.listed(wanted):
        days = Fraction((end - first).days)
        own, covered = layout.days_between(part.steps, first, end), days
        if layout.tariff.billing.part_periods == "whole":
            covered = layout.days_between(layout.steps_of(part.period), first, end)
        owed += own / covered if covered else part.share
        held, of = held + own, of + days
    return owed, held, of


def charge_quantities(layout: Layout, part: Part | Run, charge: Charge) -> dict[str, Fraction]:
    """Return the days and months of a fixed charge that a part owes."""
    found: dict[str, Fraction] = {}
    wanted = set(charge.months) or set(range(1, 13))
    days = [at for at in layout.dates_of(part.steps) if layout.dates[at].month in wanted]
    if charge.per_day is not None:
        found["day"] = sum((layout.date_days[at] for at in days), Fraction(0))
    if charge.per_month is not None:
        found["month"] = month_days(layout, part, charge.months)[0]
    return {unit: quantity for unit, quantity in found.items() if quantity}


def credit_quantity(layout: Layout, part: Part | Run, credit: Credit) -> Fraction:
    """Return how often a part sees a monthly credit."""
    return month_days(layout, part, credit.months)[0]


def season_days(layout: Layout, part: Part | Run) -> dict[str, Fraction]:
    """Return the days of a part in each season, by name, in order of time."""
    found: dict[str, Fraction] = {}
    for at in layout.dates_of(part.steps):
        name = layout.season_names[layout.season[layout.first_steps[at]]]
        found[name] = found.get(name, Fraction(0)) + layout.date_days[at]
    return found


@dataclass(frozen=True)
class KwhMinimumCell:
    """A minimum in kWh over the run of a period for which it holds.

    Attributes
    ----------
    run : Run
    minimum : Minimum
    band, season : str
        Those whose prices the missing kWh have: the season is that of the run's last day.
    kwh : Fraction
        For the days or months of the run.
    """

    run: Run
    minimum: Minimum
    band: str
    season: str
    kwh: Fraction


def kwh_minimum_cells(layout: Layout) -> list[KwhMinimumCell]:
    """Return every minimum in kWh of every period, in order of time."""
    found = []
    for period in range(len(layout.periods)):
        for minimum, run in runs(layout, period, _in_kwh):
            sheet = layout.sheet(layout.parts[run.parts[-1]].version)
            season = layout.season_names[layout.season[run.steps.stop - 1]]
            kwh = (
                Fraction(minimum.kwh_per_day or 0) * run.days
                + Fraction(minimum.kwh_per_month or 0) * run.months
            )
            found.append(KwhMinimumCell(run, minimum, minimum.band or sheet.band_names[0], season, kwh))
    return found


def _in_kwh(sheet: Sheet) -> Minimum | None:
    return next((minimum for minimum in sheet.minimum if not minimum.in_money), None)


@dataclass(frozen=True)
class NettingCell:
    """A stretch of the series over which exports are set off: one season of a period, as long as prices hold.

    Attributes
    ----------
    part : int
        The first part it lies in, whose sheet prices it.
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
    spans = layout.stretches(layout.period, _same_prices(layout)[layout.version], layout.season)
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


def _same_prices(layout: Layout) -> Ints:
    """Return a number for each sheet, one and the same for those that follow each other and price energy alike."""
    sheets = [dated.sheet for dated in layout.tariff.sheets]
    keys = [(s.bands, s.riders, s.blocks, s.losses, s.adjustments, s.minimum, s.band_names) for s in sheets]
    changes = [before != after for before, after in pairwise(keys)]
    return np.concatenate(([0], np.cumsum(np.array(changes, dtype=np.int64)))).astype(np.int64)


def _settles(layout: Layout, period: int) -> bool:
    """Tell whether the yearly settlement date lies in what the series covers of a period."""
    day = layout.tariff.netting.settlement if layout.tariff.netting is not None else None
    first, last = np.searchsorted(layout.period, [period, period + 1]).tolist()
    covered = layout.dates_of(slice(first, last))
    return any((layout.dates[at].month, layout.dates[at].day) == day for at in covered)
