"""How the battery's level moves while powers are even: the one law of charging and drawing without a schedule.

The level E follows, with c what enters the cells and d what leaves them (kW of the cells)::

    dE/dt = c - σ·E - d          c = min(η_dc·sun + η_charger·plug, (full - E)/τ)

so it is a straight line, or an exponential where there is self-discharge σ or the taper τ binds. That is the limit
of a step, ``room = (full - stored)·(1 - exp(-dt/τ))`` in :mod:`dispatch.case.limits`, said for every instant: it does
not depend on where a stretch is cut. Sun enters first, the AC input with what the limits leave. At the ceiling only
what leaves is made good. At empty the cells give no more than enters them, and self-discharge takes nothing.

A stretch lasts until a *line* is met: a level at which the law, or who is served, changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.limits import Limits

    Flags = NDArray[np.bool_]


DUST_KWH = 1e-9
"""Levels and energies closer than this are equal."""


@dataclass(frozen=True)
class Offer:
    """What k batteries are offered and asked for: arrays of shape (k,), kW.

    ``sun`` is DC, ``plug`` AC at the charger's input, both already within the charging limits; ``draw`` is what is
    asked of the cells.
    """

    sun: Floats
    plug: Floats
    draw: Floats


def offer(limits: Limits, sun_kw: Floats, plug_kw: Floats, draw_kw: Floats) -> Offer:
    """Cut sun (DC) and AC power on offer to what the charging limits take, sun first. [kW]."""
    sun = np.minimum(sun_kw, limits.total_charge_kw)
    most = np.minimum(limits.grid_charge_kw, limits.total_charge_kw - sun)
    return Offer(sun, np.maximum(np.minimum(plug_kw, most), 0.0), draw_kw)


class Course:
    """The level of k batteries from here on, until a line is met.

    Parameters
    ----------
    limits : Limits
    level_kwh : array, shape (k,)
        Where they stand. [kWh]
    offered : Offer
    self_discharge : float, optional
        Share lost in an hour; default: the battery's.

    Attributes
    ----------
    rate_kw, decay : array, shape (k,)
        ``dE/dt = rate - decay·(E - level)``. [kW], [1/h]
    tapers, sun_only : array of bool
        Where the taper binds, and where it leaves nothing for the AC input.
    dry : array of bool
        Where the level is empty and the draw more than what enters.
    out_kw : array
        What the cells give: the draw, or what enters where it is dry. [kW]
    """

    def __init__(
        self, limits: Limits, level_kwh: Floats, offered: Offer, self_discharge: float | None = None
    ) -> None:
        loss = limits.self_discharge_per_hour if self_discharge is None else self_discharge
        self.limits, self.level, self.offered = limits, level_kwh, offered
        self.sun_cells = limits.eta_dc * offered.sun
        self.plug_cells = limits.eta_charger * offered.plug
        most = self.sun_cells + self.plug_cells
        free = most - loss * level_kwh - offered.draw
        self.taper_line = self.plug_line = np.full(len(level_kwh), np.inf)
        self.tapers = self.sun_only = np.zeros(len(level_kwh), dtype=bool)
        self.decay = np.full(len(level_kwh), loss)
        self.into = most  # cells, at this moment
        self.rate_kw = free
        if limits.taper_hours:
            self._taper(most, free, loss)
        self._stop_at_the_ends(loss)

    def _taper(self, most: Floats, free: Floats, loss: float) -> None:
        limits, level = self.limits, self.level
        self.taper_line = limits.full_kwh - limits.taper_hours * most
        self.plug_line = limits.full_kwh - limits.taper_hours * self.sun_cells
        room = np.maximum(limits.full_kwh - level, 0.0) / limits.taper_hours
        self.tapers = (most > 0.0) & _beyond(level, self.taper_line, free)
        self.into = np.where(self.tapers, room, most)
        self.rate_kw = np.where(self.tapers, room - loss * level - self.offered.draw, free)
        self.decay = np.where(self.tapers, loss + 1.0 / limits.taper_hours, loss)
        beyond = _beyond(level, self.plug_line, self.rate_kw)
        self.sun_only = self.tapers & ((self.plug_cells <= 0.0) | beyond)

    def _stop_at_the_ends(self, loss: float) -> None:
        level, draw = self.level, self.offered.draw
        full = (level >= self.limits.ceiling_kwh - DUST_KWH) & (self.rate_kw > 0.0)
        low = (level <= self.limits.empty_kwh + DUST_KWH) & (self.rate_kw < 0.0)
        self.dry = low & (draw > self.into)
        self.out_kw = np.where(self.dry, self.into, draw)
        self.held = full | low
        self.held_into = np.where(full, loss * level + draw, self.into)
        self.rate_kw = np.where(self.held, 0.0, self.rate_kw)

    def after(self, hours: Floats) -> Floats:
        """Level after so many hours, shape (k,). [kWh]."""
        reached: Floats = self.level + self.rate_kw * _faded(self.decay, hours)
        return reached

    def hours_to(self, target_kwh: Floats) -> Floats:
        """Tell when a level ahead is reached, shape (k,); ``inf`` where it never is. [h]."""
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            straight = (target_kwh - self.level) / self.rate_kw
            bent = -np.log1p(-self.decay * straight) / self.decay
        hours = np.where(self.decay > 0.0, bent, straight)
        return np.where(np.isfinite(hours) & (hours >= 0.0), hours, np.inf)

    def lines(self) -> tuple[Floats, ...]:
        """Levels at which the law itself changes: empty, ceiling, where taper begins and where it stops the plug."""
        ends = (
            np.full_like(self.level, self.limits.empty_kwh),
            np.full_like(self.level, self.limits.ceiling_kwh),
        )
        return (*ends, self.taper_line, self.plug_line) if self.limits.taper_hours else ends

    def taken(self, hours: Floats, reached: Floats) -> tuple[Floats, Floats]:
        """Tell what was charged in so many hours: sun (DC) and AC energy at the plug. [kWh]."""
        into = self.held_into * hours
        if self.tapers.any():
            bends = self.tapers & ~self.held
            decay = np.where(bends, self.decay, 1.0)
            mean = self.level * hours + (self.rate_kw * hours - (reached - self.level)) / decay
            room = (self.limits.full_kwh * hours - mean) / (self.limits.taper_hours or 1.0)
            into = np.where(bends, room, into)
        sun = np.minimum(self.sun_cells * hours, into)
        plug = np.clip(into - sun, 0.0, self.plug_cells * hours)
        if self.sun_only.any():
            sun, plug = np.where(self.sun_only, into, sun), np.where(self.sun_only, 0.0, plug)
        return sun / self.limits.eta_dc, plug / self.limits.eta_charger


def charged_by_sun(limits: Limits, level_kwh: Floats, sun_kw: Floats, hours: float) -> Floats:
    """Solve the law for sun alone, nothing drawn and no self-discharge: levels after so many hours, shape (k,). [kWh].

    Parameters
    ----------
    limits : Limits
    level_kwh, sun_kw : array, shape (k,)
        Levels, and the sun on offer, above 0. [kWh], [kW, DC]
    hours : float
    """
    into = limits.eta_dc * np.minimum(sun_kw, limits.total_charge_kw)
    if not limits.taper_hours:
        return np.maximum(np.minimum(level_kwh + into * hours, limits.ceiling_kwh), level_kwh)
    room = limits.full_kwh - level_kwh
    before = np.maximum(room - limits.taper_hours * into, 0.0)  # kWh until the taper binds
    straight = np.full_like(before, hours)
    np.divide(before, into, out=straight, where=before < into * hours)
    left = (room - into * straight) * np.exp((straight - hours) / limits.taper_hours)
    return np.maximum(np.minimum(limits.full_kwh - left, limits.ceiling_kwh), level_kwh)


def next_line(level_kwh: Floats, rate_kw: Floats, lines: tuple[Floats, ...]) -> Floats:
    """Return the nearest line ahead of each level, shape (k,); ``±inf`` where none is."""
    below, above = np.full_like(level_kwh, -np.inf), np.full_like(level_kwh, np.inf)
    for line in lines:
        np.maximum(below, np.where(line < level_kwh - DUST_KWH, line, -np.inf), out=below)
        np.minimum(above, np.where(line > level_kwh + DUST_KWH, line, np.inf), out=above)
    return np.where(rate_kw < 0.0, below, above)


def _beyond(level: Floats, line: Floats, rate: Floats) -> Flags:
    """Tell whether a level lies above a line, or on it and rising."""
    found: Flags = (level > line + DUST_KWH) | ((level > line - DUST_KWH) & (rate > 0.0))
    return found


def _faded(decay: Floats, hours: Floats) -> Floats:
    """Return ∫ exp(-decay·t) dt from 0 to hours."""
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        bent = -np.expm1(-decay * hours) / decay
    return np.where(decay > 0.0, bent, hours)
