"""The least that promises can be broken by, step by step: where that much suffices, no stage need be solved for it.

Most homes keep every promise; some have a load above bypass and inverter together in a few steps, or begin below the
floor. Solving for those slacks one after the other from scratch took minutes on a year of quarter hours. But a bound
that no schedule can beat is soon written down::

    unserved_load    ≥ load + idle - most through the bypass - most from the inverter
    import_excess    ≥ what of the load the inverter cannot give + other - import_limit
    floor_shortfall  ≥ floor - highest level that charging at full power from the start can have reached
    closing_shortfall  likewise

If the program has a schedule that breaks each promise by just that, the stages of the slacks are solved: no sum can
be less than the sum of its least parts, and the optimal face is exactly "every slack at its least".
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.program.arrays import Bounds
    from dispatch.program.program import Program


DUST_KWH = 1e-9  # the solver's own tolerance; a shortfall below it is none


def least_slacks(program: Program, bounds: Bounds) -> dict[str, Floats]:
    """Return a lower bound of every slack family under these bounds, shape (n,), ``closing_shortfall`` (1,).

    That of a later slack holds if the earlier ones are at theirs, which is their order.
    """
    most = _Most(program, bounds)
    need = bounds.row_lower[program.rows["load"]]
    unserved = np.maximum(need - most.bypass - most.to_load, 0.0)
    imported = need - unserved + bounds.row_lower[program.rows["meter"]] - most.from_inverter
    highest = most.levels()
    least = {
        "unserved_load": unserved,
        "import_excess": imported - most.row("limit"),
        "floor_shortfall": bounds.row_lower[program.rows["floor"]] - highest,
        "closing_shortfall": bounds.row_lower[program.rows["closing"]] - highest[-1:],
    }
    return {
        name: np.where(values > DUST_KWH, values, 0.0)
        for name, values in least.items()
        if name in program.columns
    }


class _Most:
    """The most that each way can carry in each step, shape (n,), by the bounds of columns and rows."""

    def __init__(self, program: Program, bounds: Bounds) -> None:
        self.program, self.bounds = program, bounds
        eta = program.case.limits.eta_inverter
        self.sun = self.row("sun", 0.0)
        self.bypass = np.minimum(self.column("grid_to_load"), self.row("plug"))
        inverter = self.row("inverter")
        to_load = np.minimum(self.column("sun_to_load"), self.sun) + self.column("battery_to_load")
        to_grid = np.minimum(self.column("sun_to_grid"), self.sun) + self.column("battery_to_grid")
        self.to_load = np.minimum(inverter, eta * to_load)
        self.from_inverter = np.minimum(inverter, eta * (to_load + to_grid))

    def column(self, name: str) -> Floats:
        columns = self.program.columns.get(name)
        return np.zeros(self.program.steps) if columns is None else self.bounds.upper[columns]

    def row(self, name: str, absent: float = np.inf) -> Floats:
        rows = self.program.rows[name]
        return np.full(self.program.steps, absent) if rows.start == rows.stop else self.bounds.row_upper[rows]

    def levels(self) -> Floats:
        """Highest level that can be stored at the end of each step."""
        limits, algebra, n = self.program.case.limits, self.program.algebra, self.program.steps
        together = self.row("charge")
        ways = sorted(
            (
                (limits.eta_charger, np.minimum(self.column("grid_to_battery"), self.row("plug"))),
                (limits.eta_dc, np.minimum(self.column("sun_to_battery"), self.sun)),
            ),
            key=lambda way: -way[0],
        )
        first = np.minimum(ways[0][1], together)
        into = ways[0][0] * first + ways[1][0] * np.minimum(ways[1][1], together - first)
        ceiling, room = self.column("stored").tolist(), limits.full_kwh
        level, keep, taper = limits.start_kwh, algebra.keep, algebra.taper
        found = np.empty(n)
        for t, (most, top) in enumerate(zip(into.tolist(), ceiling, strict=True)):
            charged = min(most, max(room - level, 0.0) * taper) if taper else most
            found[t] = level = min(keep * level + charged, top)
        return found
