"""What the steps of a case bring to a rule, before any decision: worked out once, used by every candidate."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.limits import StepLimits

    Rows = list[Any] | NDArray[Any]


DUST_KWH = 1e-12  # energies below this are rounding


@dataclass(frozen=True)
class Conditions:
    """What each step brings, before any decision: arrays of shape (n,), or (n, k) for k different years or homes.

    Attributes
    ----------
    limits : StepLimits
    need_kwh, other_kwh, sun_kwh : array
        Served load with idle draw, rest of the house (AC), and sun (DC). [kWh]
    straight_kwh : array
        Sun (DC) that goes straight to the load when the load comes first.
    load_out_kwh, house_out_kwh : array
        Energy the battery can usefully give (DC at its terminals) to the load, and, where the battery may feed
        in, to the rest of the house; with ``sells`` also to the grid.
    must_out_kwh : array
        Energy (DC) that only the battery can give: above what the cord, the bypass or the import limit carries.
    grid_room_kwh : array
        Grid energy (AC) that the charger may take beside the load, before the limit of all charging together.
    late_room_kwh : array
        The same while the sun charges first and the grid carries the whole load.
    may_wait : array of bool
        Where the grid alone can carry the load, so that the sun may charge first.
    sun_charges : array of bool
        Where the packs are warm enough to be charged.
    """

    limits: StepLimits
    need_kwh: Floats
    other_kwh: Floats
    sun_kwh: Floats
    straight_kwh: Floats
    load_out_kwh: Floats
    house_out_kwh: Floats
    must_out_kwh: Floats
    grid_room_kwh: Floats
    late_room_kwh: Floats
    may_wait: NDArray[np.bool_]
    sun_charges: NDArray[np.bool_]

    @cached_property
    def cells(self) -> CellTerms:
        """The same in energy of the cells, laid out for a loop over the steps."""
        return _cell_terms(self)


@dataclass(frozen=True)
class CellTerms:
    """Limits of each step in energy of the cells: a list of floats, or rows of shape (k,) for years of their own.

    ``sun_most`` and ``grid_most`` hold while the sun serves the load first, ``late_sun`` and ``late_grid`` while it
    charges first. The flags tell which steps have anything to give, any surplus of sun, any sun at all, and in which
    the charger has too little room to make good what self-discharge takes, or the limit of all charging may bind.
    """

    out_most: Rows
    out_must: Rows
    sun_most: Rows
    late_sun: Rows
    grid_most: Rows
    late_grid: Rows
    may_wait: Rows
    has_out: list[bool]
    has_must: list[bool]
    has_surplus: list[bool]
    has_any_sun: list[bool]
    guards: list[bool]
    crowded: list[bool]


def _cell_terms(given: Conditions) -> CellTerms:
    parts, total = given.limits.limits, given.limits.total_charge_kwh
    out_most = (given.load_out_kwh + given.house_out_kwh) / parts.eta_discharge
    surplus = given.sun_kwh - given.straight_kwh
    grid_most = np.minimum(given.grid_room_kwh, total) * parts.eta_charger
    late_grid = np.minimum(given.late_room_kwh, total) * parts.eta_charger
    lost = (1 - given.limits.keep) * parts.full_kwh
    return CellTerms(
        out_most=_rows(out_most),
        out_must=_rows(given.must_out_kwh / parts.eta_discharge),
        sun_most=_rows(np.where(given.sun_charges, np.minimum(surplus, total) * parts.eta_dc, 0.0)),
        late_sun=_rows(np.where(given.sun_charges, np.minimum(given.sun_kwh, total) * parts.eta_dc, 0.0)),
        grid_most=_rows(grid_most),
        late_grid=_rows(late_grid),
        may_wait=_rows(given.may_wait),
        has_out=_any(out_most > DUST_KWH),
        has_must=_any(given.must_out_kwh > DUST_KWH),
        has_surplus=_any(surplus > DUST_KWH),
        has_any_sun=_any(given.sun_kwh > DUST_KWH),
        crowded=_any(given.sun_kwh + np.maximum(given.grid_room_kwh, given.late_room_kwh) > total),
        guards=_any(np.minimum(grid_most, late_grid) < lost),
    )


def _rows(values: NDArray[Any]) -> Rows:
    """Plain floats for a year all candidates share (numpy is quicker with them), else rows."""
    return values.tolist() if values.ndim == 1 else values


def _any(flags: NDArray[np.bool_]) -> list[bool]:
    whole: NDArray[np.bool_] = flags if flags.ndim == 1 else np.any(flags, axis=1)
    result: list[bool] = whole.tolist()
    return result


def conditions(  # noqa: PLR0913 - what a step brings
    limits: StepLimits,
    need_kwh: Floats,
    other_kwh: Floats,
    sun_kwh: Floats,
    *,
    sells: bool = False,
    may_charge: NDArray[np.bool_] | None = None,
) -> Conditions:
    """Work out everything about the steps that does not depend on the battery's level.

    Parameters
    ----------
    limits : StepLimits
    need_kwh, other_kwh, sun_kwh : array, shape (n,) or (n, k)
        Load with idle draw, rest of the house, sun. [kWh in the step]
    sells : bool
        Whether the battery sells to the grid when it discharges (needs the scenario's leave to feed in).
    may_charge : array of bool, shape as ``need_kwh``, optional
        Where the packs are warm enough to be charged; default: everywhere.
    """
    parts = limits.limits
    warm = np.ones_like(need_kwh, dtype=bool) if may_charge is None else may_charge
    eta, most = parts.eta_inverter, limits.inverter_kwh
    grid_alone = parts.switches_whole_load & (need_kwh > most + 1e-12)
    straight = np.where(grid_alone, 0.0, np.minimum(np.minimum(sun_kwh, need_kwh / eta), most / eta))
    left, inverter_left = need_kwh - eta * straight, most - eta * straight
    load_out = np.where(grid_alone, 0.0, np.maximum(np.minimum(left, inverter_left), 0.0))
    house_out = np.zeros_like(load_out)
    if parts.feed_in != "none" and parts.battery_feed_in:
        taken = other_kwh + (limits.export_kwh if sells else 0.0)
        surplus = sun_kwh - straight > 1e-12  # then the sun serves the house, not the battery
        house_out = np.where(surplus, 0.0, np.minimum(inverter_left - load_out, taken))
    over = np.maximum(left - limits.grid_kwh, left + other_kwh - limits.import_kwh)
    must_out = np.clip(over, 0.0, load_out)

    def beside(load_kwh: Floats) -> Floats:
        from_grid = np.minimum(load_kwh, limits.grid_kwh)
        room = np.minimum(limits.plug_kwh - from_grid, limits.import_kwh - from_grid - other_kwh)
        return np.clip(room, 0.0, limits.grid_charge_kwh)

    return Conditions(
        limits=limits,
        need_kwh=need_kwh,
        other_kwh=other_kwh,
        sun_kwh=sun_kwh,
        straight_kwh=straight,
        load_out_kwh=load_out / eta,
        house_out_kwh=np.maximum(house_out, 0.0) / eta,
        must_out_kwh=must_out / eta,
        grid_room_kwh=np.where((must_out > 0) | ~warm, 0.0, beside(left)),
        late_room_kwh=np.where(warm, beside(need_kwh), 0.0),
        may_wait=(need_kwh <= limits.grid_kwh) & (need_kwh + other_kwh <= limits.import_kwh) & warm,
        sun_charges=warm,
    )
