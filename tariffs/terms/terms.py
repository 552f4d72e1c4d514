"""A tariff's money as a mathematical program can state it: plain arrays and floats, nothing to look up.

With ``import[t]`` and ``export[t]`` the energy of each step, the whole bill of a `PricedSteps` is::

    total = fixed_total
          + sum over t of  import[t] * import_price_per_kwh[t] - export[t] * export_price_per_kwh[t]
          + sum over b in blocks    of  b.schedule(amount of b)
          + sum over d in demand    of  sum of each schedule in d.schedules (billed_kw of d)
          + sum over n in netting   of  cost of n
          + sum over k in kwh_minimums  of  k.price_per_kwh * what is missing of k
          + sum over r in rebates   of  cost of r
          + sum over c in minimums, percentages and credits  of  c.topup_factor * value of c

Every price is effective: riders, loss factor and percentage adjustments, in the tariff's order, are in it,
as are the days a limit or a monthly amount is scaled by. `evaluate.evaluate` is this algebra in code.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tariffs.terms.flow_terms import BlockTerm, DemandTerm, KwhMinimumTerm, NettingTerm, RebateTerm
from tariffs.terms.money_terms import CreditTerm, MinimumTerm, PercentTerm
from tariffs.terms.schedules import Floats, Ints


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
        What one more imported kWh costs, blocks, demand, netting and minimum apart. [currency/kWh]
    export_price_per_kwh : array
        What one more exported kWh earns, likewise. [currency/kWh]
    hourly : bool
        Whether import prices come from a series, so that bands do not say what is cheap.
    event : array of bool
        Steps in which an event's price holds.
    period : array of int
        Billing period of each step, an index into `period_names`.
    fixed_total : float
        Everything on the bills that no flow changes, adjustments included. [currency]
    blocks, demand, minimums, netting, kwh_minimums, percentages, credits, rebates : tuple
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
    kwh_minimums: tuple[KwhMinimumTerm, ...] = ()
    percentages: tuple[PercentTerm, ...] = ()
    credits: tuple[CreditTerm, ...] = ()
    rebates: tuple[RebateTerm, ...] = ()

    @property
    def counting(self) -> tuple[MinimumTerm | PercentTerm | CreditTerm, ...]:
        """Minimum bills, uneven percentages and credits, in the order in which they may count each other."""
        return tuple(sorted((*self.minimums, *self.percentages, *self.credits), key=lambda term: term.order))

    @property
    def is_plain(self) -> bool:
        """Whether prices per step and fixed charges are the whole bill."""
        terms = self.blocks, self.demand, self.minimums, self.netting, self.kwh_minimums, self.percentages
        return not any((*terms, self.credits, self.rebates))
