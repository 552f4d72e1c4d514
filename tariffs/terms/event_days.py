"""What is bought and paid on event days (critical peaks), and what the battery holds when they begin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tariffs.terms.shared_out import step_costs

if TYPE_CHECKING:
    import datetime as dt

    import pandas as pd
    from numpy.typing import NDArray

    import tariffs

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class EventDay:
    """One event day.

    Attributes
    ----------
    date : date
        On the tariff's clock; hours past midnight count as the day they lie on.
    start : Timestamp
        When the event's price begins to hold that day.
    event_hours : float
        For how long it holds. [h]
    import_kwh, export_kwh, cost : float
        Within the event's hours; the cost is that of energy, export taken off, effective prices.
    day_import_kwh, day_export_kwh, day_cost : float
        On the whole day.
    backup_hours : float or None
        Hours of backup left when the event begins; None without a battery, and at the data's first instant.
    """

    date: dt.date
    start: pd.Timestamp
    event_hours: float
    import_kwh: float
    export_kwh: float
    cost: float
    day_import_kwh: float
    day_export_kwh: float
    day_cost: float
    backup_hours: float | None


@dataclass(frozen=True)
class EventTotals:
    """All event days of a series; sums of the days' figures, and the backup hours at their starts."""

    days: tuple[EventDay, ...]

    def total(self, figure: str) -> float:
        """Return the sum of one of the days' figures."""
        return float(sum(getattr(day, figure) for day in self.days))

    @property
    def least_backup_hours(self) -> float | None:
        """Fewest hours of backup at the start of an event."""
        return min(self._hours, default=None)

    @property
    def median_backup_hours(self) -> float | None:
        """Median of the hours of backup at the starts of events."""
        return float(np.median(self._hours)) if self._hours else None

    @property
    def _hours(self) -> list[float]:
        return [day.backup_hours for day in self.days if day.backup_hours is not None]


def event_totals(
    prices: tariffs.PricedSteps, import_kwh: Floats, export_kwh: Floats, backup_hours: Floats | None = None
) -> EventTotals | None:
    """Gather what happens on event days.

    Parameters
    ----------
    prices : PricedSteps
    import_kwh, export_kwh : array, shape (n,)
        Energy in each step, both >= 0. [kWh]
    backup_hours : array, shape (n,), optional
        Hours of backup left at the end of each step. [h]

    Returns
    -------
    EventTotals or None
        None where no event touches the series.
    """
    if not prices.event.any():
        return None
    costs = step_costs(prices, import_kwh, export_kwh)
    local = prices.times.tz_localize(None).normalize().asi8
    found = []
    for day in np.unique(local[prices.event]).tolist():
        whole = local == day
        held = np.flatnonzero(whole & prices.event)
        first = int(held[0])
        found.append(
            EventDay(
                date=prices.times[first].date(),
                start=prices.times[first],
                event_hours=len(held) * prices.dt_hours,
                import_kwh=float(import_kwh[held].sum()),
                export_kwh=float(export_kwh[held].sum()),
                cost=float(costs[held].sum()),
                day_import_kwh=float(import_kwh[whole].sum()),
                day_export_kwh=float(export_kwh[whole].sum()),
                day_cost=float(costs[whole].sum()),
                backup_hours=None if backup_hours is None or first == 0 else float(backup_hours[first - 1]),
            )
        )
    return EventTotals(tuple(found))
