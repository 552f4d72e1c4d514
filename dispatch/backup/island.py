"""One step without the grid: sun, battery and generator carry the critical load. The only home of that physics.

Everything that plays an outage (one outage under every strategy, all outages of a year at once, a recharge from
the generator) steps through here, vectorised over k outages that run side by side. In a step, energies in kWh::

    need              wanted critical load + idle draw          (AC; wanted: what is not shed at this level)
    sun_to_load       min(need/η_inverter, sun, inverter/η_inverter)
    generator_to_load min(need left, generator, bypass, cord)
    battery_to_load   min(need left, inverter left)/η_inverter, as long as the level stays above empty
    sun_to_battery    sun left, within the charging limit, the taper and the ceiling
    from generator    what it has left, within charger, cord, charging limit, taper and ceiling
    stored            keep·stored + η_dc·sun_to_battery + η_charger·generator_to_battery - battery_to_load/η_discharge

Power is even within a step: a battery that cannot last the step gives all it has in its first part, and for the
rest only sun and generator serve. Idle draw comes first; what is missing beyond it is critical load not served.
Hardware that cannot share a load between its AC input and its inverter passes the whole load to the generator
where that can carry it, and otherwise only charges from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.backup.generator import Fuelled, generator_of
from dispatch.case.limits import StepLimits, step_limits
from dispatch.case.series import appliances_kwh

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.case import Case


DUST_KWH = 1e-9
"""Energies of a step below this are rounding."""


@dataclass(frozen=True)
class Moves:
    """What one step did in each of k outages: arrays of shape (k,), kWh in the step unless named otherwise.

    ``sun_*`` and ``battery_*`` are DC, all else AC. ``first_fraction`` is the part of the step the battery lasted
    (1: all of it); ``first_unserved`` and ``rest_unserved`` are the critical load not served in that part and in
    the rest. ``shed`` was left off on purpose and is in neither.
    """

    wanted: Floats
    shed: Floats
    sun_to_load: Floats
    sun_to_battery: Floats
    spill: Floats
    battery_to_load: Floats
    generator_to_load: Floats
    generator_to_battery: Floats
    generator_hours: Floats
    litres: Floats
    stored_before: Floats
    stored: Floats
    first_fraction: Floats
    first_unserved: Floats
    rest_unserved: Floats

    @property
    def unserved(self) -> Floats:
        """Critical load wanted and not served, shape (k,)."""
        return self.first_unserved + self.rest_unserved


@dataclass(frozen=True)
class ShedLoad:
    """A critical appliance that is switched off below a level: its series (n,) in kWh and that level."""

    energy_kwh: Floats
    below_kwh: float


class Island:
    """A case without its grid.

    Parameters
    ----------
    case : Case
    sun, generator : bool
        Whether the panels, and a stated generator, work in the outage.
    sheds : bool
        Whether appliances are shed below their levels; nothing is where there is no system.

    Attributes
    ----------
    fuelled : Fuelled or None
    """

    def __init__(self, case: Case, *, sun: bool = True, generator: bool = True, sheds: bool = True) -> None:
        self.case = case
        self.fuelled: Fuelled | None = generator_of(case) if generator else None
        self._sun_kwh = case.sun_kwh if sun else np.zeros_like(case.sun_kwh)
        self._sheds = shed_loads(case) if sheds else []

    def start(self, stored_kwh: Floats) -> State:
        """Begin outages at these levels, shape (k,)."""
        stored = np.array(stored_kwh, dtype=np.float64)
        tank = np.inf if self.fuelled is None else self.fuelled.tank_litres
        return State(stored, np.zeros(len(stored), dtype=bool), np.full(len(stored), tank))

    def limits(self, fraction: float = 1.0) -> StepLimits:
        """Give the limits of a step, or of that fraction of one."""
        return step_limits(self.case.limits, self.case.dt_hours * fraction)

    def step(self, state: State, index: NDArray[np.intp], limits: StepLimits, fraction: float = 1.0) -> Moves:
        """Play one step of k outages and move their state on.

        Parameters
        ----------
        state : State
            Changed in place.
        index : array of int, shape (k,)
            The step of the data each outage is in.
        limits : StepLimits
            From :meth:`limits` for the same fraction.
        fraction : float
            Part of the step to be played.
        """
        wanted, shed = self._wanted(index, state.stored, fraction)
        needs = Needs(
            stored=state.stored,
            wanted=wanted,
            need=wanted + self.case.idle_kwh[index] * fraction,
            sun=self._sun_kwh[index] * fraction,
            warm=self.case.may_charge[index],
        )
        if self.fuelled is None:
            moves = _play(limits, needs, None)
        else:
            moves = _with_generator(self.fuelled, state, limits, needs)
        state.stored = moves.stored
        return _with_shed(moves, shed)

    def _wanted(self, index: NDArray[np.intp], stored: Floats, fraction: float) -> tuple[Floats, Floats]:
        shed = np.zeros(len(stored))
        for load in self._sheds:
            shed += np.where(stored < load.below_kwh - DUST_KWH, load.energy_kwh[index], 0.0)
        return (self.case.critical_kwh[index] - shed) * fraction, shed * fraction


@dataclass(frozen=True)
class Needs:
    """What a step finds in each of k outages: level, critical load wanted, with idle draw (AC), sun (DC), in kWh.

    And whether the packs are warm enough to be charged.
    """

    stored: Floats
    wanted: Floats
    need: Floats
    sun: Floats
    warm: NDArray[np.bool_]


@dataclass
class State:
    """Where k outages stand: level [kWh], whether the generator runs, fuel left [l]; arrays of shape (k,)."""

    stored: Floats
    running: NDArray[np.bool_]
    litres: Floats


def shed_loads(case: Case) -> list[ShedLoad]:
    """List the critical appliances that are switched off at a level of their own."""
    critical = case.scenario.critical_load
    appliances = critical.appliances if critical is not None else None
    return [
        ShedLoad(
            energy_kwh=appliances_kwh((appliance,), case.times, case.dt_hours),
            below_kwh=case.limits.full_kwh * appliance.shed_below_percent / 100.0,
        )
        for appliance in appliances or ()
        if appliance.shed_below_percent is not None
    ]


def _with_generator(fuelled: Fuelled, state: State, limits: StepLimits, needs: Needs) -> Moves:
    """Start or stop the generator at the step's beginning, and stop it when the tank is empty."""
    alone = _play(limits, needs, None)
    lacking = alone.unserved > DUST_KWH
    low = state.stored <= fuelled.start_kwh + DUST_KWH
    going_on = state.running & (state.stored < fuelled.stop_kwh - DUST_KWH)
    state.running = (lacking | low | going_on) & (state.litres > DUST_KWH)
    if not state.running.any():
        return alone
    hours = limits.dt_hours
    offered = np.where(state.running, fuelled.power_kw * hours, 0.0)
    given = _play(limits, needs, offered)
    out = given.generator_to_load + given.generator_to_battery
    burnt = fuelled.burnt_per_hour(out / hours) * hours * state.running
    lasts = np.minimum(1.0, np.divide(state.litres, burnt, out=np.ones_like(burnt), where=burnt > 0))
    if (lasts < 1.0).any():
        given = _play(limits, needs, np.where(lasts < 1.0, out * lasts, offered))
    state.litres = state.litres - burnt * lasts
    return _with_fuel(given, np.where(state.running, lasts * hours, 0.0), burnt * lasts)


def _play(limits: StepLimits, needs: Needs, generator: Floats | None) -> Moves:
    """Play a step with this much energy on offer from the generator, or without one."""
    stored, wanted, need, sun = needs.stored, needs.wanted, needs.need, needs.sun
    parts = limits.limits
    eta, most = parts.eta_inverter, limits.inverter_kwh
    zero = np.zeros_like(stored)
    offered = zero if generator is None else generator
    from_generator, by_inverter = zero, need
    if generator is not None:
        from_generator, by_inverter = _share_with_generator(limits, need, sun, offered)
    from_sun = np.minimum(np.minimum(by_inverter, most), eta * sun)  # AC
    asked = np.minimum(by_inverter, most) - from_sun
    kept = left_by_itself(limits, stored)
    held = np.maximum(kept - parts.empty_kwh, 0.0) * parts.eta_discharge * eta
    given = np.minimum(asked, held)
    lasted = np.divide(given, asked, out=np.ones_like(asked), where=asked > DUST_KWH)
    lasted = np.where(asked - given > DUST_KWH, lasted, 1.0)
    over = np.maximum(by_inverter - most, 0.0)

    left = sun - from_sun / eta
    spare = zero if generator is None else np.minimum(offered, limits.plug_kwh) - from_generator
    sun_in, generator_in = charge(limits, stored, left * needs.warm, spare * needs.warm)
    out = given / eta
    return Moves(
        wanted=wanted,
        shed=zero,
        sun_to_load=from_sun / eta,
        sun_to_battery=sun_in,
        spill=left - sun_in,
        battery_to_load=out,
        generator_to_load=from_generator,
        generator_to_battery=generator_in,
        generator_hours=zero,
        litres=zero,
        stored_before=stored,
        stored=kept + parts.eta_dc * sun_in + parts.eta_charger * generator_in - out / parts.eta_discharge,
        first_fraction=lasted,
        first_unserved=np.minimum(wanted, over) * lasted,
        rest_unserved=np.minimum(wanted, over + asked) * (1.0 - lasted),
    )


def left_by_itself(limits: StepLimits, stored: Floats) -> Floats:
    """Level after the step's self-discharge, which takes nothing below empty. [kWh]."""
    kept: Floats = np.maximum(limits.keep * stored, np.minimum(stored, limits.limits.empty_kwh))
    return kept


def charge(limits: StepLimits, stored: Floats, sun: Floats, spare: Floats) -> tuple[Floats, Floats]:
    """Charge with the sun first and from the AC input with what the limits leave.

    Parameters
    ----------
    limits : StepLimits
    stored : array, shape (k,)
        Level at the beginning of the step. [kWh]
    sun, spare : array, shape (k,)
        Sun (DC) and AC energy on offer in the step. [kWh]

    Returns
    -------
    tuple of two arrays, shape (k,)
        Sun taken (DC) and AC energy taken at the plug, within charger, charging limit, taper and ceiling. [kWh]
    """
    parts = limits.limits
    room = np.maximum(parts.ceiling_kwh - left_by_itself(limits, stored), 0.0)
    if parts.taper_hours:
        room = np.minimum(room, np.maximum(parts.full_kwh - stored, 0.0) * limits.taper)
    from_sun: Floats = np.minimum(np.minimum(sun, limits.total_charge_kwh), room / parts.eta_dc)
    charger = np.minimum(limits.grid_charge_kwh, limits.total_charge_kwh - from_sun)
    charger = np.minimum(charger, (room - parts.eta_dc * from_sun) / parts.eta_charger)
    from_plug: Floats = np.maximum(np.minimum(charger, spare), 0.0)
    return from_sun, from_plug


def _share_with_generator(
    limits: StepLimits, need: Floats, sun: Floats, offered: Floats
) -> tuple[Floats, Floats]:
    """Tell what the generator gives the load, and what is left for the inverter (both AC)."""
    most = np.minimum(offered, limits.grid_kwh)
    if limits.limits.switches_whole_load:
        carried = np.where(need <= most + DUST_KWH, need, 0.0)
        return carried, need - carried
    from_sun = np.minimum(np.minimum(need, limits.inverter_kwh), limits.limits.eta_inverter * sun)
    carried = np.minimum(need - from_sun, most)
    return carried, need - carried


def _with_shed(moves: Moves, shed: Floats) -> Moves:
    return Moves(**{**vars(moves), "shed": shed})


def _with_fuel(moves: Moves, hours: Floats, litres: Floats) -> Moves:
    return Moves(**{**vars(moves), "generator_hours": hours, "litres": litres})
