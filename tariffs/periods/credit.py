"""What a bill's dates mean for a credit in money: how old it may be, and whether it is settled."""

from dataclasses import dataclass

from tariffs.periods.layout import Layout
from tariffs.sheet.export_credit import ExportCredit

_LONG_AGO = -(10**9)
BEFORE = 10**9
"""Month of a credit from before the series: how old it is nobody says, and it does not expire."""
_MONTHS = 12


@dataclass(frozen=True)
class CreditPeriod:
    """One billing period.

    Attributes
    ----------
    month : int
        Month in which its bill begins, counted from year 0.
    oldest : int
        What was earned on bills before this month has expired.
    settles : bool
        Whether what is left at its end is settled.
    expires_at_once : bool
        Whether what is left at its end is lost whatever it is.
    """

    month: int
    oldest: int
    settles: bool
    expires_at_once: bool


def credit_period(layout: Layout, period: int, item: ExportCredit) -> CreditPeriod:
    """Return what a billing period means for the credit."""
    start = layout.periods[period].start
    month = start.year * _MONTHS + start.month - 1
    covered = layout.dates_of(layout.steps_of(period))
    days = ((layout.dates[at].month, layout.dates[at].day) for at in covered)
    return CreditPeriod(
        month=month,
        oldest=_LONG_AGO if item.expires_months is None else month - item.expires_months,
        settles=item.settlement is not None and item.settlement in days,
        expires_at_once=item.expires_months == 0,
    )
