"""A home as plain numbers: what the independent checks of the dispatch program start from.

A `Household` can be read from a resolved case, or from nothing but the JSON document and a flows table of
``dispatch compare``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dispatch.case.case import Case

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SAME_PRICE_PER_KWH = 1e-9  # two prices closer than this are one price, whatever arithmetic led to them


@dataclass(frozen=True)
class Hardware:
    """The resolved limits, under the names the JSON document gives them; None where there is no limit."""

    full_kwh: float
    empty_kwh: float
    start_kwh: float
    closing_kwh: float
    ceiling_kwh: float
    grid_charge_kw: float
    total_charge_kw: float
    inverter_kw: float
    bypass_kw: float | None
    ac_input_kw: float | None
    import_limit_kw: float | None
    export_limit_kw: float | None
    eta_inverter: float
    eta_charger: float
    eta_dc: float
    eta_discharge: float
    self_discharge_per_hour: float
    wear_per_kwh: float
    taper_hours: float
    feed_in: str
    battery_feed_in: bool
    switches_whole_load: bool

    @classmethod
    def of(cls, limits: Mapping[str, Any]) -> Hardware:
        """Take the known keys of a mapping; a missing one is a KeyError, an extra one is ignored."""
        return cls(**{name: limits[name] for name in cls.__dataclass_fields__})


@dataclass(frozen=True)
class Household:
    """One household as plain arrays of length n, energies in kWh per step, prices per kWh."""

    hardware: Hardware
    dt_hours: float
    load: Array
    other: Array
    idle: Array
    sun: Array
    import_price: Array
    export_price: Array
    floor: Array
    day: NDArray[np.int64]
    """Number of the local calendar day each step starts on."""
    cheapest_hours: float | None = None
    """Hours of the day that count as cheapest where prices come hourly; None where windows are named."""

    @property
    def steps(self) -> int:
        """Number of steps."""
        return len(self.load)

    def changed(self, **changes: Any) -> Household:  # noqa: ANN401 - passes on to fields of several types
        """Copy with other values; names of `Hardware` fields reach into the hardware."""
        inner = {k: v for k, v in changes.items() if k in Hardware.__dataclass_fields__}
        outer = {k: v for k, v in changes.items() if k not in inner}
        return replace(self, hardware=replace(self.hardware, **inner), **outer)


def household_of(case: Case) -> Household:
    """Read a resolved case."""
    limits = case.limits
    return Household(
        hardware=Hardware.of({name: getattr(limits, name) for name in Hardware.__dataclass_fields__}),
        dt_hours=case.dt_hours,
        load=case.load_kwh,
        other=case.other_kwh,
        idle=case.idle_kwh,
        sun=case.sun_kwh,
        import_price=case.prices.import_price_per_kwh,
        export_price=case.prices.export_price_per_kwh,
        floor=case.floor_kwh,
        day=_day_numbers(pd.DatetimeIndex(case.times)),
        cheapest_hours=case.scenario.strategies.cheapest_hours_per_day if case.prices.hourly else None,
    )


def household_from_artefacts(document: Mapping[str, Any], table: pd.DataFrame) -> Household:
    """Read what ``compare --json --csv`` leaves behind, and nothing else.

    Parameters
    ----------
    document : mapping
        The JSON document.
    table : DataFrame
        Any strategy's CSV, read with pandas; ``time`` is still text, since its offset changes within a year.
    """

    def column(name: str) -> Array:
        return table[name].to_numpy(dtype=np.float64)

    local_day = table["time"].str.slice(0, 10)  # ISO 8601 with offset: the text starts with the local date
    return Household(
        hardware=Hardware.of(document["limits"]),
        dt_hours=float(document["dt_hours"]),
        load=column("load_kwh"),
        other=column("other_kwh"),
        idle=column("idle_kwh"),
        sun=column("sun_kwh"),
        import_price=column("import_price_per_kwh"),
        export_price=column("export_price_per_kwh"),
        floor=column("floor_kwh"),
        day=np.asarray(pd.factorize(local_day)[0], dtype=np.int64),
    )


def _day_numbers(times: pd.DatetimeIndex) -> NDArray[np.int64]:
    return np.asarray(pd.factorize(times.strftime("%Y-%m-%d"))[0], dtype=np.int64)


def cheapest_steps(house: Household) -> Mask:
    """Steps in the cheapest price of their local day: its least price, or its cheapest N hours."""
    cheapest = np.zeros(house.steps, dtype=bool)
    for day in np.unique(house.day):
        of_day = np.flatnonzero(house.day == day)
        price = house.import_price[of_day]
        if house.cheapest_hours is None:
            cheapest[of_day] = price <= price.min() + SAME_PRICE_PER_KWH
        else:
            count = max(1, math.ceil(house.cheapest_hours / house.dt_hours - 1e-9))
            cheapest[of_day[np.argsort(price, kind="stable")[:count]]] = True
    return cheapest


def needs_the_grid(house: Household) -> Mask:
    """Steps whose load the inverter cannot carry alone."""
    return house.load + house.idle > house.hardware.inverter_kw * house.dt_hours + 1e-12


def sun_serving_load_first(house: Household) -> Array:
    """DC sun that goes to the load when sun serves load before anything else."""
    hardware = house.hardware
    wanted = (house.load + house.idle) / hardware.eta_inverter
    most = hardware.inverter_kw * house.dt_hours / hardware.eta_inverter
    straight = np.minimum(np.minimum(house.sun, wanted), most)
    return np.where(needs_the_grid(house), 0.0, straight) if hardware.switches_whole_load else straight
