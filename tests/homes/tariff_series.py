"""Series for the tariff checks."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tariffs import Bill, Tariff, bill, parse_tariff, price_steps

TORONTO = "America/Toronto"


def steps(start: str, end: str, zone: str = TORONTO, minutes: int = 60) -> pd.DatetimeIndex:
    """Steps from one local date to another, the end left out."""
    return pd.date_range(start, end, freq=f"{minutes}min", tz=zone, inclusive="left")


def year(number: int, zone: str = TORONTO, minutes: int = 60) -> pd.DatetimeIndex:
    """One calendar year of steps."""
    return steps(f"{number}-01-01", f"{number + 1}-01-01", zone, minutes)


def month(name: str, zone: str = TORONTO, minutes: int = 60) -> pd.DatetimeIndex:
    """One calendar month of steps, named ``YYYY-MM``."""
    end = pd.Period(name, "M").end_time + pd.Timedelta(days=1)
    return steps(f"{name}-01", str(end.date().replace(day=1)), zone, minutes)


def even(times: pd.DatetimeIndex, total_kwh: float) -> NDArray[np.float64]:
    """Spread an amount of energy evenly over a series."""
    return np.full(len(times), total_kwh / len(times))


def by_band(tariff: Tariff, times: pd.DatetimeIndex, kwh: Mapping[str, float]) -> NDArray[np.float64]:
    """Spread amounts of energy evenly over the hours of each band."""
    priced = price_steps(tariff, times, 1.0)
    energy = np.zeros(len(times))
    for name, amount in kwh.items():
        inside = priced.band == priced.band_names.index(name)
        energy[inside] = amount / inside.sum()
    return energy


def even_bill(text: str, times: pd.DatetimeIndex, total_kwh: float, export_kwh: float = 0.0) -> Bill:
    """Bill amounts of energy that flow evenly through hourly steps."""
    return bill(parse_tariff(text), times, 1.0, even(times, total_kwh), even(times, export_kwh))


def band_bill(text: str, times: pd.DatetimeIndex, kwh: Mapping[str, float]) -> Bill:
    """Bill amounts of energy given for each band."""
    tariff = parse_tariff(text)
    return bill(tariff, times, 1.0, by_band(tariff, times, kwh))


def lines(found: Bill, kind: str | None = None) -> list[tuple[str, float]]:
    """Labels and amounts of a bill, in order, to a hundredth of a cent."""
    return [
        (line.label, round(float(line.amount), 4))
        for period in found.periods
        for line in period.lines
        if kind in {None, line.kind}
    ]


def amounts(found: Bill, kind: str | None = None) -> dict[str, float]:
    """Amounts of a bill by label, each label standing there once."""
    listed = lines(found, kind)
    assert len(dict(listed)) == len(listed)
    return dict(listed)
