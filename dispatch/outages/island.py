"""Life without the grid: sun, battery and generator carry the critical load. The only home of that physics.

Everything that plays an outage (one outage under every strategy, all outages of a year at once) steps through here,
vectorised over k outages that run side by side. Within a step of the data powers are even, so a step falls into
stretches that end where a level is met, the tank is empty or the step is over; what is switched is switched there.
In a stretch, as powers (kW; the rules in words are in dispatch/README.md)::

    need              wanted critical load + idle draw          (AC; wanted: what is not shed)
    sun_to_load       min(need, inverter, η_inverter·sun)/η_inverter
    generator_to_load min(need left, generator, bypass, cord)
    battery_to_load   the rest, through the inverter            (its level: dispatch.outages.level)
    sun_to_battery    sun left, within the charging limit, the taper and the ceiling
    from generator    what it has left, within charger, cord, charging limit, taper and ceiling

Where the inverter would have to give more than it holds, appliances are left off from the last in rank on until it
need not; where none are ranked, or the first alone is too much, it trips: nothing is served, and nothing drawn by the
system itself, until the load is less. Hardware that cannot share a load between its AC input and its inverter passes
the whole load to the generator where that can carry it, and otherwise only charges from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.outages.generator import Fuelled, generator_of
from dispatch.outages.level import DUST_KWH, Course, next_line, offer
from dispatch.outages.overload import DUST_KW
from dispatch.outages.ranks import ranked_appliances

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from dispatch.arrays import Floats
    from dispatch.case.case import Case

    Flags = NDArray[np.bool_]
    Index = NDArray[np.intp]


DUST_LITRES = 1e-9
_SHORTEST_HOURS = 1e-12
"""What is left of a step below this is rounding."""

_MOST_STRETCHES = 1000


@dataclass(frozen=True)
class Moves:
    """What a step, or one stretch of it, did in each of k outages: arrays of shape (k,), kWh unless named otherwise.

    ``sun_*``, ``spill`` and ``battery_*`` are DC, all else AC. ``unserved`` is the critical load wanted and not
    served; ``shed`` was left off below its level and is in neither ``wanted`` nor ``unserved``.
    """

    wanted: Floats
    shed: Floats
    sun_to_load: Floats
    sun_to_battery: Floats
    spill: Floats
    battery_to_load: Floats
    generator_to_load: Floats
    generator_to_battery: Floats
    unserved: Floats
    generator_hours: Floats
    litres: Floats

    def add(self, rows: Index, part: Moves) -> None:
        """Add a stretch of some outages, in place."""
        for name, total in vars(self).items():
            total[rows] += getattr(part, name)


@dataclass(frozen=True)
class Stretch:
    """A time in which nothing is switched, for the outages ``rows``; all arrays of shape (len(rows), ...).

    Attributes
    ----------
    rows : array of int
    begin_hours, hours : array
        Hours into the step, and length. [h]
    unserved_kw, shed_kw : array
        Critical load wanted and not served, and left off on purpose. [kW, AC]
    tripped, dry, running : array of bool
        Inverter tripped; battery empty with more asked of it; generator running.
    off : array of bool, shape (len(rows), appliances)
        Which are shed below their level.
    """

    rows: Index
    begin_hours: Floats
    hours: Floats
    unserved_kw: Floats
    shed_kw: Floats
    tripped: Flags
    dry: Flags
    running: Flags
    off: Flags


@dataclass
class State:
    """Where k outages stand: level [kWh], whether the generator runs, fuel left [l], which appliances are shed."""

    stored: Floats
    running: Flags
    litres: Floats
    off: Flags


@dataclass
class _Powers:
    """What k outages want and are given in a stretch, before the battery has its say. [kW]."""

    wanted: Floats  # critical load that is not shed
    shed: Floats
    cut: Floats  # wanted, and left off so that the inverter does not trip
    from_generator: Floats
    by_inverter: Floats
    tripped: Flags
    sun_ac: Floats
    offered: Floats


class Island:
    """A case without its grid.

    Parameters
    ----------
    case : Case
    sun, generator : bool
        Whether the panels, and a stated generator, work in the outage.
    sheds : bool
        Whether appliances are shed below their levels; nothing is where there is no system.
    """

    def __init__(self, case: Case, *, sun: bool = True, generator: bool = True, sheds: bool = True) -> None:
        hours = case.dt_hours
        self.case, self.limits, self.dt_hours = case, case.limits, hours
        self.fuelled: Fuelled | None = generator_of(case) if generator else None
        self.ranked = ranked_appliances(case)
        self.below_kwh = self.ranked.below_kwh if sheds else np.full(len(self.ranked.listed), -np.inf)
        self.critical_kw, self.idle_kw = case.critical_kwh / hours, case.idle_kwh / hours
        self.sun_kw = case.sun_kwh / hours if sun else np.zeros(len(case.times))
        ways = (case.limits.bypass_kw, case.limits.ac_input_kw)
        self.through_kw = min(math.inf if way is None else way for way in ways)
        self.cord_kw = math.inf if case.limits.ac_input_kw is None else case.limits.ac_input_kw

    def start(self, stored_kwh: Floats) -> State:
        """Begin outages at these levels, shape (k,)."""
        stored = np.array(stored_kwh, dtype=np.float64)
        count, tank = len(stored), np.inf if self.fuelled is None else self.fuelled.tank_litres
        off = np.zeros((count, len(self.below_kwh)), dtype=bool)
        return State(stored, np.zeros(count, dtype=bool), np.full(count, tank), off)

    def step(
        self,
        state: State,
        index: Index,
        hours: float | None = None,
        visit: Callable[[Stretch], None] | None = None,
    ) -> Moves:
        """Play one step of k outages and move their state on.

        Parameters
        ----------
        state : State
            Changed in place.
        index : array of int, shape (k,)
            The step of the data each outage is in.
        hours : float, optional
            How much of the step is played; default: all of it. [h]
        visit : callable, optional
            Shown every stretch as it is played.
        """
        count = len(state.stored)
        left = np.full(count, self.dt_hours if hours is None else hours)
        whole = left.copy()
        moves = Moves(*np.zeros((len(Moves.__dataclass_fields__), count)))
        state.off = (
            state.stored[:, None] < self.below_kwh - DUST_KWH
        )  # the one time at which all is looked at
        rows = np.arange(count)
        for _ in range(_MOST_STRETCHES):
            stretch, part = self._stretch(state, rows, index[rows], left[rows], whole[rows])
            moves.add(rows, part)
            if visit is not None:
                visit(stretch)
            left[rows] -= stretch.hours
            rows = rows[left[rows] > _SHORTEST_HOURS]
            if not rows.size:
                return moves
        raise RuntimeError(f"a step of an outage does not end; please report this scenario: {self.case.path}")

    def carried(self) -> tuple[Floats, Floats]:
        """Tell what inverter and ranks let through in each step while the battery lasts, shape (n,).

        Returns
        -------
        tuple of two arrays
            Critical load not served all the same, and what the cells must give, without sun and generator. [kW]
        """
        index = np.arange(len(self.critical_kw))
        off, no = np.zeros((len(index), len(self.below_kwh)), dtype=bool), np.zeros(len(index), dtype=bool)
        powers = self._powers(index, off, no, np.zeros(len(index)))
        eta = self.limits.eta_inverter * self.limits.eta_discharge
        lost = np.where(powers.tripped, powers.wanted, powers.cut)
        return lost, powers.by_inverter / eta

    # ---- one stretch ---------------------------------------------------------------------------------------

    def _stretch(
        self, state: State, rows: Index, index: Index, left: Floats, whole: Floats
    ) -> tuple[Stretch, Moves]:
        powers, course = self._switched(state, rows, index)
        level, running = state.stored[rows], state.running[rows]
        hours, reached = self._until_a_line(state, rows, course, powers, left)
        sun_in, plug_in = course.taken(hours, reached)
        burnt = self._burnt(running, powers, plug_in, hours)
        if self.fuelled is not None:
            dries = running & (burnt > state.litres[rows])
            if dries.any():
                hours = self._until_dry(course, powers, state.litres[rows], hours, dries)
                reached = np.where(dries, course.after(hours), reached)
                sun_in, plug_in = course.taken(hours, reached)
                burnt = np.where(dries, state.litres[rows], self._burnt(running, powers, plug_in, hours))
        state.stored[rows] = np.where(course.held, level, reached)
        state.litres[rows] -= burnt
        eta = self.limits.eta_inverter
        lacking = np.maximum(course.offered.draw - course.out_kw, 0.0) * eta * self.limits.eta_discharge
        unserved = np.minimum(powers.wanted, powers.cut + lacking)
        unserved = np.where(powers.tripped, powers.wanted, unserved)
        stretch = Stretch(
            rows=rows,
            begin_hours=whole - left,
            hours=hours,
            unserved_kw=unserved,
            shed_kw=powers.shed,
            tripped=powers.tripped,
            dry=course.dry,
            running=running,
            off=state.off[rows],
        )
        sun = self.sun_kw[index] * hours
        sun_to_load = powers.sun_ac / eta * hours
        return stretch, Moves(
            wanted=powers.wanted * hours,
            shed=powers.shed * hours,
            sun_to_load=sun_to_load,
            sun_to_battery=sun_in,
            spill=np.maximum(sun - sun_to_load - sun_in, 0.0),
            battery_to_load=course.out_kw * self.limits.eta_discharge * hours,
            generator_to_load=powers.from_generator * hours,
            generator_to_battery=plug_in,
            unserved=unserved * hours,
            generator_hours=np.where(running, hours, 0.0),
            litres=burnt,
        )

    def _switched(self, state: State, rows: Index, index: Index) -> tuple[_Powers, Course]:
        """Switch generator and appliances as the level has it, and set out from there."""
        level = state.stored[rows]
        for _ in range(len(self.below_kwh) + 1):
            running = self._running(state, rows, index)
            powers = self._powers(index, state.off[rows], running, self.sun_kw[index])
            course = self._course(level, index, powers)
            reached = np.abs(level[:, None] - self.below_kwh) <= DUST_KWH
            shed = reached & ~state.off[rows] & (course.rate_kw < 0.0)[:, None]
            if not shed.any():
                break
            state.off[rows] |= shed
        return powers, course

    def _running(self, state: State, rows: Index, index: Index) -> Flags:
        if self.fuelled is None:
            return state.running[rows]
        level = state.stored[rows]
        need = self.critical_kw[index] + self.idle_kw[index] - self._shed_kw(index, state.off[rows])
        too_much = need > self.limits.inverter_kw + DUST_KW
        by_sun = np.minimum(self.limits.eta_inverter * self.sun_kw[index], self.limits.inverter_kw)
        dark = too_much | ((level <= self.limits.empty_kwh + DUST_KWH) & (need > by_sun + DUST_KW))
        low = level <= self.fuelled.start_kwh + DUST_KWH
        going_on = state.running[rows] & (level < self.fuelled.stop_kwh - DUST_KWH)
        running: Flags = (dark | low | going_on) & (state.litres[rows] > DUST_LITRES)
        state.running[rows] = running
        return running

    def _shed_kw(self, index: Index, off: Flags) -> Floats:
        shed = np.zeros(len(index))
        for place in range(off.shape[1]):
            if off[:, place].any():
                shed += np.where(off[:, place], self.ranked.power_kw[place, index], 0.0)
        return shed

    def _powers(self, index: Index, off: Flags, running: Flags, sun_kw: Floats) -> _Powers:
        shed = self._shed_kw(index, off)
        wanted = np.maximum(self.critical_kw[index] - shed, 0.0)
        offered = np.where(running, 0.0 if self.fuelled is None else self.fuelled.power_kw, 0.0)
        most, cut, need = self.limits.inverter_kw, np.zeros(len(index)), wanted + self.idle_kw[index]
        from_generator, by_inverter = self._shared(need, offered, sun_kw)
        over = by_inverter > most + DUST_KW
        if over.any() and self.ranked.has_order:
            for place in range(off.shape[1] - 1, 0, -1):  # the first in rank is never left off alone
                cut = cut + np.where(over & ~off[:, place], self.ranked.power_kw[place, index], 0.0)
                from_generator, by_inverter = self._shared(need - cut, offered, sun_kw)
                over = by_inverter > most + DUST_KW
        served = np.where(over, 0.0, 1.0)
        by_inverter = np.minimum(by_inverter, most) * served
        return _Powers(
            wanted=wanted,
            shed=shed,
            cut=cut,
            from_generator=from_generator * served,
            by_inverter=by_inverter,
            tripped=over,
            sun_ac=np.minimum(by_inverter, self.limits.eta_inverter * sun_kw),
            offered=offered,
        )

    def _shared(self, need: Floats, offered: Floats, sun_kw: Floats) -> tuple[Floats, Floats]:
        """Tell what the generator gives the load, and what is left for the inverter (both AC). [kW]."""
        if self.fuelled is None:
            return np.zeros_like(need), need
        most = np.minimum(offered, self.through_kw)
        if self.limits.switches_whole_load:
            carried = np.where(need <= most + DUST_KW, need, 0.0)
            return carried, need - carried
        from_sun = np.minimum(np.minimum(need, self.limits.inverter_kw), self.limits.eta_inverter * sun_kw)
        carried = np.minimum(need - from_sun, most)
        return carried, need - carried

    def _course(self, level: Floats, index: Index, powers: _Powers) -> Course:
        eta = self.limits.eta_inverter
        sun_left = np.maximum(self.sun_kw[index] - powers.sun_ac / eta, 0.0)
        spare = np.maximum(np.minimum(powers.offered, self.cord_kw) - powers.from_generator, 0.0)
        draw = (powers.by_inverter - powers.sun_ac) / (eta * self.limits.eta_discharge)
        warm = self.case.may_charge[index].astype(np.float64)
        return Course(self.limits, level, offer(self.limits, warm * sun_left, warm * spare, draw))

    # ---- where a stretch ends ------------------------------------------------------------------------------

    def _until_a_line(
        self, state: State, rows: Index, course: Course, powers: _Powers, left: Floats
    ) -> tuple[Floats, Floats]:
        """Return the length of the stretch [h] and the level at its end [kWh]."""
        level, lines = course.level, list(course.lines())
        for place, below in enumerate(self.below_kwh.tolist()):
            if below > -math.inf:
                lines.append(np.where(state.off[rows, place], np.inf, below))
        if self.fuelled is not None:
            lines += self._fuel_lines(self.fuelled, state, rows, course, powers)
        target = next_line(level, course.rate_kw, tuple(lines))
        reached = course.after(left)
        meets = np.where(course.rate_kw < 0.0, reached < target, reached > target) & (course.rate_kw != 0.0)
        hours = left.copy()
        if meets.any():
            with np.errstate(invalid="ignore"):
                hours = np.where(meets, np.minimum(course.hours_to(target), left), left)
            reached = np.where(meets, target, reached)
        return hours, reached

    def _fuel_lines(
        self, fuelled: Fuelled, state: State, rows: Index, course: Course, powers: _Powers
    ) -> list[Floats]:
        """Levels at which the generator starts and stops, and at which its fuel curve bends."""
        running = state.running[rows]
        lines = [
            np.where(running, -np.inf, fuelled.start_kwh),
            np.where(running, fuelled.stop_kwh, np.inf),
        ]
        bends = running & course.tapers & ~course.sun_only
        if bends.any():
            for load_kw in fuelled.load_kw.tolist():
                into = course.sun_cells + self.limits.eta_charger * (load_kw - powers.from_generator)
                lines.append(np.where(bends, self.limits.full_kwh - self.limits.taper_hours * into, np.inf))
        return lines

    def _burnt(self, running: Flags, powers: _Powers, plug_in: Floats, hours: Floats) -> Floats:
        """Litres of a stretch: between two bends of the curve its mean load tells them exactly."""
        if self.fuelled is None or not running.any():
            return np.zeros(len(hours))
        mean_kw = powers.from_generator + np.divide(plug_in, hours, out=np.zeros_like(hours), where=hours > 0)
        return np.where(running, self.fuelled.burnt_per_hour(mean_kw) * hours, 0.0)

    def _until_dry(
        self, course: Course, powers: _Powers, litres: Floats, hours: Floats, dries: Flags
    ) -> Floats:
        """Find when the tank is empty, by halving: the litres burnt rise with time."""
        low, high = np.zeros_like(hours), hours.copy()
        for _ in range(60):
            middle = (low + high) / 2.0
            plug = course.taken(middle, course.after(middle))[1]
            more = self._burnt(dries, powers, plug, middle) < litres
            low, high = np.where(more, middle, low), np.where(more, high, middle)
        return np.where(dries, (low + high) / 2.0, hours)
