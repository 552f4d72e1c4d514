"""Series for the tariff checks."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

TORONTO = "America/Toronto"


def steps(start: str, end: str, zone: str = TORONTO, minutes: int = 60) -> pd.DatetimeIndex:
    """Steps from one local date to another, the end left out."""
    return pd.date_range(start, end, freq=f"{minutes}min", tz=zone, inclusive="left")


def year(number: int, zone: str = TORONTO, minutes: int = 60) -> pd.DatetimeIndex:
    """One calendar year of steps."""
    return steps(f"{number}-01-01", f"{number + 1}-01-01", zone, minutes)


def even(times: pd.DatetimeIndex, total_kwh: float) -> NDArray[np.float64]:
    """Spread an amount of energy evenly over a series."""
    return np.full(len(times), total_kwh / len(times))
