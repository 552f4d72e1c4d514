"""The class of a blocks table that past use sets, from exact kWh."""

from collections.abc import Sequence
from decimal import Decimal

from tariffs.billing.lines import ZERO, ratio
from tariffs.billing.usage import Usage
from tariffs.periods.layout import Layout
from tariffs.periods.past_use import PastMean


def mean_kwh(layout: Layout, usage: Sequence[Usage], past: PastMean) -> Decimal:
    """Return the mean use of the months that set a class. [kWh a month]."""
    if not past.months:
        return ZERO
    total = past.past_kwh
    for period, share in past.periods.items():
        own = (
            kwh
            for part in layout.parts_of(period)
            for (band, _), kwh in usage[part].bought.items()
            if band in past.bands
        )
        total += ratio(share) * sum(own, ZERO)
    return total / past.months
