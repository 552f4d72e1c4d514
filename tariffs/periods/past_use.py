"""Which months a class by past use is the mean of: bills of the series, and months before it."""

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from tariffs.errors import TariffError
from tariffs.periods.layout import Layout
from tariffs.sheet.past_use import PastUse

MONTHS_PER_YEAR = 12


@dataclass(frozen=True)
class PastMean:
    """A mean of months' use.

    Attributes
    ----------
    periods : dict of int to Fraction
        How many months' share of each billing period's kWh counts, of as many as the period has.
    past_kwh : Decimal
        Sum of what the file gives for months before the series. [kWh]
    months : int
        How many months the mean is of; 0 where nothing is known, and the first step holds.
    bands : frozenset of str
        Which energy counts.
    """

    periods: dict[int, Fraction]
    past_kwh: Decimal
    months: int
    bands: frozenset[str]


def past_mean(layout: Layout, period: int, name: str, use: PastUse, bands: frozenset[str]) -> PastMean:
    """Return what the class of one blocks table in one billing period is the mean of.

    Raises
    ------
    TariffError
        If a month before the series is needed and not given.
    """
    length = layout.tariff.billing.period_months
    first, own = _number(layout.periods[0].start), _number(layout.periods[0].start) + period * length
    anchor = own
    while use.decided_in_months and not any(
        (anchor + later) % MONTHS_PER_YEAR + 1 in use.decided_in_months for later in range(length)
    ):
        anchor -= length
    last = anchor + length - 1 if use.with_this_bill else anchor - 1
    periods: dict[int, Fraction] = {}
    past, months, missing = Decimal(0), 0, []
    for number in range(last, last - use.months, -1):
        key = f"{number // MONTHS_PER_YEAR:04d}-{number % MONTHS_PER_YEAR + 1:02d}"
        at = (number - first) // length
        if at >= 0 and (_is_whole(layout, at) or at == period):
            periods[at] = periods.get(at, Fraction(0)) + Fraction(1, length)
        elif key in use.past_kwh or use.past_each_kwh is not None:
            past += use.past_kwh.get(key, use.past_each_kwh or Decimal(0))
        elif use.before == "needed":
            missing.append(key)
            continue
        else:
            continue
        months += 1
    if missing:
        raise TariffError(
            f"{layout.tariff.source}: blocks {name!r}: past_use.past_kwh: the class on the bill of "
            f"{layout.periods[period].name} depends on the use of months that the series does not cover (got none for "
            f'{", ".join(reversed(missing))}); add them as past_kwh = {{ "{missing[-1]}" = 310 }}, '
            'past_each_kwh = 310, or before = "left-out"'
        )
    return PastMean(periods, past, months, bands)


def _number(date: dt.date) -> int:
    return date.year * MONTHS_PER_YEAR + date.month - 1


def _is_whole(layout: Layout, period: int) -> bool:
    """Tell whether the series covers all of a billing period."""
    return layout.days_in(layout.steps_of(period)) == layout.periods[period].days
