"""The highest demand of every month, as a demand charge measures it, and whether it may have been higher."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tariffs.terms.evaluate import amounts

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    import tariffs

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PeakDemand:
    """One demand charge in one billing period.

    Attributes
    ----------
    name, period : str
        As the tariff calls the charge; the billing period.
    measured_kw, billed_kw : float
        What the meter showed; what is charged, after minimum and ratchet.
    at_least : bool
        Whether steps are longer than the charge's interval, so that the true demand may be higher.
    days_averaged : int
        1 for the single highest interval; else the mean of the highest of so many days.
    on_any_day : bool
        Whether `days_averaged` counts intervals, on whatever days.
    unit : str
        ``kW`` or ``kVA``.
    """

    name: str
    period: str
    measured_kw: float
    billed_kw: float
    at_least: bool
    days_averaged: int
    on_any_day: bool = False
    unit: str = "kW"


def peak_demand(
    prices: tariffs.PricedSteps, import_kwh: Floats, export_kwh: Floats
) -> tuple[PeakDemand, ...]:
    """Measure demand for given flows; empty where the tariff charges none.

    Parameters
    ----------
    prices : PricedSteps
    import_kwh, export_kwh : array, shape (n,)
        Energy in each step, both >= 0. [kWh]
    """
    if not prices.demand:
        return ()
    billed = amounts(prices, import_kwh, export_kwh).billed_kw
    return tuple(
        PeakDemand(
            name=term.name,
            period=prices.period_names[term.period],
            measured_kw=term.measured_kw(import_kwh),
            billed_kw=kw,
            at_least=term.at_least,
            days_averaged=term.days_averaged,
            on_any_day=term.on_any_day,
            unit="kVA" if term.in_kva else "kW",
        )
        for term, kw in zip(prices.demand, billed, strict=True)
    )
