"""Small parts from which the rows of a tariff are put together: money as terms, schedules as columns."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.program.solver import AT_LEAST, AT_MOST, EQUAL
from tariffs.terms.schedules import RESOLUTION
from tariffs.terms.slopes import rises

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dispatch.arrays import Floats, Ints
    from dispatch.case.case import Case
    from dispatch.program.layout import Layout
    from dispatch.program.solver import Statement
    from tariffs.terms.schedules import Schedule, ScheduleClass

    Terms = list[tuple[Any, float]]


CLEARLY = 1e-5
"""kWh or kW that an amount keeps away from the edge of a class, so that bill and program see it in the same one."""


@dataclass(frozen=True)
class Money:
    """A linear expression in money: terms and a constant."""

    terms: Terms
    constant: float = 0.0


@dataclass(frozen=True)
class StatedSchedule:
    """The columns of one schedule: class indicators (none for a single class) and the fill of each block."""

    indicators: Sequence[Any]
    fills: Sequence[Sequence[Any]]

    def money(self, schedule: Schedule) -> Money:
        """Price the same columns by a schedule of the same shape."""
        terms: Terms = []
        constant = 0.0
        for at, (step, fills) in enumerate(zip(schedule.classes, self.fills, strict=True)):
            terms += [(fill, float(price)) for fill, price in zip(fills, step.prices, strict=True) if price]
            if self.indicators:
                terms.append((self.indicators[at], step.fixed))
            else:
                constant += step.fixed
        return Money(terms, constant)


@dataclass(frozen=True)
class TermWriter:
    """A statement being added to, with what its rows refer to.

    Parameters
    ----------
    statement : Layout or Statement
        Takes columns and rows: as arrays, or (in tests) as PuLP's.
    case : Case
    families : mapping of str to sequence
        The program's columns by family.
    """

    statement: Layout | Statement
    case: Case
    families: Mapping[str, Sequence[Any]]

    def column(self, name: str, upper: float = math.inf, lower: float = 0.0, *, integer: bool = False) -> Any:  # noqa: ANN401 - PuLP's
        """Add one column ≥ 0."""
        return self.statement.family(name, 1, lower, upper, integer=integer)[0]

    def row(self, name: str, sense: int, terms: Terms, right: float) -> None:
        """Add one row; a column may stand several times in it."""
        self.statement.row_family(name, sense, [(merged(terms), right)])

    @cached_property
    def most_import_kwh(self) -> Floats:
        """More than any step can import that does not export, shape (n,)."""
        case, limits = self.case, self.case.limits
        charge_kw = min(limits.grid_charge_kw, limits.total_charge_kw)
        return case.load_kwh + case.idle_kwh + case.other_kwh + charge_kw * case.dt_hours

    @cached_property
    def most_export_kwh(self) -> Floats:
        """More than any step can export that does not import, shape (n,)."""
        case, limits, dt = self.case, self.case.limits, self.case.dt_hours
        if "export" not in self.families:
            return np.zeros(len(case.times))
        most = np.full(len(case.times), limits.inverter_kw * dt)
        if not limits.battery_feed_in:
            most = np.minimum(most, limits.eta_inverter * case.sun_kwh)
        most = np.maximum(most - case.other_kwh, 0.0)
        return most if limits.export_limit_kw is None else np.minimum(most, limits.export_limit_kw * dt)

    def import_range_kwh(self, steps: Ints) -> tuple[float, float]:
        """Least and most that these steps together can import without exporting at once.

        By the balance of the cells: what goes into them comes out again but for one filling, what comes out goes
        through the inverter, and the load takes no more than it needs::

            Σ grid_to_battery ≤ (full - empty + Σ self-discharge + Σ out/η_discharge) / η_charger
            Σ import ≤ Σ (load + idle + other) - η_inverter·Σ out + Σ grid_to_battery
            Σ import ≥ Σ (load + idle + other) - what neither bypass nor cord can carry
                       - η_inverter·(Σ sun + (full - empty)·η_discharge)
        """
        case, limits, dt = self.case, self.case.limits, self.case.dt_hours
        need = case.load_kwh[steps] + case.idle_kwh[steps]
        used = float(need.sum() + case.other_kwh[steps].sum())
        room = limits.ceiling_kwh - limits.empty_kwh
        lost = limits.self_discharge_per_hour * dt * limits.ceiling_kwh * len(steps)
        out = np.full(len(steps), limits.inverter_kw * dt)
        gives = limits.battery_feed_in and limits.feed_in != "none"
        if not gives:
            out = np.minimum(out, need)
        through = float(out.sum()) / limits.eta_inverter
        charged = (room + lost + through / limits.eta_discharge) / limits.eta_charger
        saved = 0.0 if gives else limits.eta_inverter * through
        # where going round loses nothing, not going round imports as much
        most = min(
            used + max(charged - saved, (room + lost) / limits.eta_charger),
            float(self.most_import_kwh[steps].sum()),
        )
        ways = [kw for kw in (limits.bypass_kw, limits.ac_input_kw) if kw is not None]
        unserved = float(np.maximum(need - min(ways) * dt, 0.0).sum()) if ways else 0.0
        given = limits.eta_inverter * (float(case.sun_kwh[steps].sum()) + room * limits.eta_discharge)
        return max(used - unserved - given, 0.0), most

    def sum(self, family: str, steps: Ints, factor: float = 1.0) -> Terms:
        """Return Σ of a family over these steps; nothing where the hardware lacks the family."""
        columns = self.families.get(family)
        return [] if columns is None else [(columns[t], factor) for t in steps.tolist()]

    def schedule(
        self,
        name: str,
        schedule: Schedule,
        amount: Terms,
        between: tuple[float, float],
        views: Sequence[Schedule] = (),
    ) -> StatedSchedule:
        """State what an amount costs; every amount between these two has to find its place.

        Blocks fill of their own accord where prices rise in the schedule and in all its other ``views``.
        """
        least, most = between[0] * (1 - 1e-9) - CLEARLY, between[1] * (1 + 1e-9) + CLEARLY
        forced = not rises((schedule, *views))
        if len(schedule.classes) == 1:
            fills = self._fill(name, schedule.classes[0], (least, most), forced=forced)
            self.row(f"{name}_amount", EQUAL, [*((e, 1.0) for e in fills), *negated(amount)], 0.0)
            return StatedSchedule((), [fills])
        indicators, all_fills, lower = [], [], 0.0
        for place, step in enumerate(schedule.classes):
            reached = lower <= most and step.upper + RESOLUTION >= least
            indicator = self.column(f"{name}_in_{place}", float(reached), integer=True)
            upper = min(step.upper + RESOLUTION - CLEARLY, most) if reached else 0.0
            fills = self._fill(f"{name}_{place}", step, (0.0, upper), forced=forced and reached)
            inside = [(e, 1.0) for e in fills]
            self.row(f"{name}_most_{place}", AT_MOST, [*inside, (indicator, -upper)], 0.0)
            if lower and reached:
                self.row(f"{name}_least_{place}", AT_LEAST, [*inside, (indicator, -lower)], 0.0)
            indicators.append(indicator)
            all_fills.append(fills)
            lower = step.upper + RESOLUTION + CLEARLY  # at the limit itself the class below holds
        self.row(f"{name}_one", EQUAL, [(indicator, 1.0) for indicator in indicators], 1.0)
        fills_all = [(e, 1.0) for fills in all_fills for e in fills]
        self.row(f"{name}_amount", EQUAL, [*fills_all, *negated(amount)], 0.0)
        return StatedSchedule(indicators, all_fills)

    def schedule_by_past(  # noqa: PLR0913, PLR0917 - as schedule, and what sets the class
        self,
        name: str,
        schedule: Schedule,
        amount: Terms,
        most: float,
        mean: tuple[Terms, float, float],
        views: Sequence[Schedule] = (),
    ) -> StatedSchedule:
        """State what an amount up to ``most`` costs in the class that a mean of past use sets.

        The mean is given as its terms, its constant and the most it can be.
        """
        terms, constant, highest = mean
        forced = not rises((schedule, *views))
        most = most * (1 + 1e-9) + CLEARLY
        indicators, all_fills, lower = [], [], 0.0
        at_least: Terms = []
        at_most: Terms = []
        for place, step in enumerate(schedule.classes):
            reached = lower <= highest and step.upper + RESOLUTION >= constant
            indicator = self.column(f"{name}_in_{place}", float(reached), integer=True)
            fills = self._fill(f"{name}_{place}", step, (0.0, most), forced=forced and reached)
            inside = [(e, 1.0) for e in fills]
            self.row(f"{name}_most_{place}", AT_MOST, [*inside, (indicator, -most)], 0.0)
            at_least.append((indicator, -lower))
            at_most.append((indicator, -min(step.upper + RESOLUTION - CLEARLY, highest + 1.0)))
            indicators.append(indicator)
            all_fills.append(fills)
            lower = step.upper + RESOLUTION + CLEARLY
        self.row(f"{name}_one", EQUAL, [(indicator, 1.0) for indicator in indicators], 1.0)
        self.row(f"{name}_class_least", AT_LEAST, [*terms, *at_least], -constant)
        self.row(f"{name}_class_most", AT_MOST, [*terms, *at_most], -constant)
        fills_all = [(e, 1.0) for fills in all_fills for e in fills]
        self.row(f"{name}_amount", EQUAL, [*fills_all, *negated(amount)], 0.0)
        return StatedSchedule(indicators, all_fills)

    def _fill(
        self, name: str, step: ScheduleClass, between: tuple[float, float], *, forced: bool
    ) -> list[Any]:
        """Columns of blocks that fill from the first on; where ``forced``, by a binary between two blocks.

        Blocks that the least amount fills anyway are filled by their bounds, and no binary is left open there.
        """
        starts = np.concatenate(([0.0], np.cumsum(step.widths[:-1])))
        room = np.minimum(step.widths, np.maximum(between[1] - starts, 0.0))
        filled = np.clip(between[0] - starts, 0.0, room)
        fills = [
            self.column(f"{name}_fill_{k}", float(width), float(least))
            for k, (width, least) in enumerate(zip(room, filled, strict=True))
        ]
        for k in range(len(fills) - 1 if forced else 0):
            least = float(filled[k + 1] > 0)
            full = self.column(f"{name}_full_{k}", float(room[k + 1] > 0), least, integer=True)
            self.row(f"{name}_before_{k}", AT_LEAST, [(fills[k], 1.0), (full, -float(room[k]))], 0.0)
            self.row(f"{name}_after_{k}", AT_MOST, [(fills[k + 1], 1.0), (full, -float(room[k + 1]))], 0.0)
        return fills


def negated(terms: Terms) -> Terms:
    """Return the terms with their signs changed."""
    return [(variable, -factor) for variable, factor in terms]


def merged(terms: Terms) -> Terms:
    """Add up the factors of columns that stand several times."""
    total: dict[Any, float] = {}
    for variable, factor in terms:
        total[variable] = total.get(variable, 0.0) + factor
    return list(total.items())
