"""A tariff's money as a linear program can state it: plain arrays and floats, nothing to look up.

With `import[t]`, `export[t]` the energy of each step, the whole bill of a `PricedSteps` is::

    total = fixed_total
          + sum over t of  import[t] * import_price_per_kwh[t] - export[t] * export_price_per_kwh[t]

All prices are effective: riders, loss factor and percentage adjustments, in the tariff's order, are in them.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class BlockTerm:
    """Placeholder of block prices."""


@dataclass(frozen=True)
class DemandTerm:
    """Placeholder of demand charges."""


@dataclass(frozen=True)
class MinimumTerm:
    """Placeholder of minimum bills."""


@dataclass(frozen=True)
class NettingTerm:
    """Placeholder of netting in kWh."""


@dataclass(frozen=True)
class PricedSteps:
    """A series priced under one tariff; arrays have one entry per step.

    Attributes
    ----------
    times : DatetimeIndex
        Starts of the steps on the tariff's clock.
    dt_hours : float
        Length of a step. [h]
    band, season, day_type : array of int
        Indices into `band_names`, `season_names`, `day_type_names`.
    import_price_per_kwh : array
        What one more imported kWh costs, blocks and demand apart. [currency/kWh]
    export_price_per_kwh : array
        What one more exported kWh earns. [currency/kWh]
    hourly : bool
        Whether import prices come from a series, so that bands do not say what is cheap.
    event : array of bool
        Steps in which an event's price holds.
    period : array of int
        Billing period of each step, an index into `period_names`.
    fixed_total : float
        Everything on the bills that no flow changes, adjustments included. [currency]
    blocks, demand, minimums, netting : tuple
        What a price per step cannot say; empty for plain tariffs.
    """

    times: pd.DatetimeIndex
    dt_hours: float
    band: Ints
    band_names: tuple[str, ...]
    season: Ints
    season_names: tuple[str, ...]
    day_type: Ints
    day_type_names: tuple[str, ...]
    import_price_per_kwh: Floats
    export_price_per_kwh: Floats
    hourly: bool
    event: NDArray[np.bool_]
    period: Ints
    period_names: tuple[str, ...]
    fixed_total: float
    blocks: tuple[BlockTerm, ...] = ()
    demand: tuple[DemandTerm, ...] = ()
    minimums: tuple[MinimumTerm, ...] = ()
    netting: tuple[NettingTerm, ...] = ()


def evaluate(priced: PricedSteps, import_kwh: Floats, export_kwh: Floats) -> float:
    """Return the whole bill of a series from the terms alone.

    Parameters
    ----------
    priced : PricedSteps
    import_kwh, export_kwh : array, shape (n,)
        Energy in each step, both >= 0. [kWh]
    """
    energy = float(import_kwh @ priced.import_price_per_kwh - export_kwh @ priced.export_price_per_kwh)
    return priced.fixed_total + energy
