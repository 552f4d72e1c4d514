"""What one step does from every level of a grid: the rules' own step, run once for every step and level.

A step answers an order in at most four ways, and every other order lies between two of them: it holds, it charges as
much as the grid can give, it gives as much as it may, or the sun charges first. What an order to fill to F and to draw
down to D comes to is then ``max(min(hold, max(D, least)), min(F, most))``, and the energy at the meter moves with the
level by the charger's efficiency upwards and the inverter's downwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dispatch.case.limits import step_limits
from dispatch.rules.conditions import conditions
from dispatch.rules.walk import FlowBlock, Orders, simulate

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.case.case import Case


CHUNK = 20_000  # levels x steps run side by side: as much as the processor's cache holds


@dataclass(frozen=True)
class Grid:
    """Evenly spaced levels, shape (g,), from at or below empty to at or above the ceiling. [kWh]."""

    levels: Floats

    @property
    def size(self) -> int:
        """How many levels."""
        return len(self.levels)

    @property
    def step_kwh(self) -> float:
        """Distance between two. [kWh]."""
        return float(self.levels[1] - self.levels[0])

    def place(self, level_kwh: Floats) -> tuple[Floats, Floats]:
        """Return the grid point below each level and how far it is to the next one, both like ``level_kwh``."""
        where = (level_kwh - self.levels[0]) * (1.0 / self.step_kwh)
        np.clip(where, 0.0, self.size - 1.000001, out=where)
        below = where.astype(np.intp)
        return below, where - below


def grid_of(case: Case, per_entry: int) -> Grid:
    """Lay levels so that every one that can be entered lies on the grid.

    Parameters
    ----------
    case : Case
    per_entry : int
        Grid points to one step of the levels a device takes.
    """
    limits = case.limits
    step = case.scenario.settings.level_step_percent / 100 * limits.full_kwh / per_entry
    first = np.floor(limits.empty_kwh / step + 1e-9)
    last = max(np.ceil(limits.ceiling_kwh / step - 1e-9), first + 2)
    return Grid(step * np.arange(first, last + 1))


@dataclass(frozen=True)
class Way:
    """How steps answer while the sun serves the load first, or charges first: arrays of shape (steps, g), kWh.

    Attributes
    ----------
    hold, most, least : array
        Level at the step's end with nothing ordered, with the grid charging, with the battery giving.
    net : array
        Import less export at the meter with nothing ordered.
    broken : array
        Load not served and import above the limit then.
    """

    hold: Floats
    most: Floats
    least: Floats
    net: Floats
    broken: Floats


@dataclass(frozen=True)
class Response:
    """Both ways; ``waits`` is None where the sun cannot, or must not, charge first."""

    serves: Way
    waits: Way | None


def response(case: Case, grid: Grid, *, sells: bool = False, waits: bool = True) -> Response:
    """Run every step of a case from every level of the grid.

    Parameters
    ----------
    case : Case
        n steps; only its limits, load, rest of the house, sun and idle draw matter.
    grid : Grid
    sells : bool
        Whether the battery sells where it gives.
    waits : bool
        Whether the sun may be told to charge first.

    Returns
    -------
    Response
        Arrays of shape (n, g).
    """
    served = _way(case, grid, sells=sells, waits=False)
    late = _way(case, grid, sells=sells, waits=True) if waits and bool(case.sun_kwh.any()) else None
    return Response(served, late)


def _way(case: Case, grid: Grid, *, sells: bool, waits: bool) -> Way:
    n, count = len(case.times), grid.size
    table = {name: np.empty((n, count)) for name in ("hold", "most", "least", "net", "broken")}
    chunk = max(CHUNK // count, 1)
    for begin in range(0, n, chunk):
        part = slice(begin, min(begin + chunk, n))
        for name, values in _answers(case, grid, part, sells=sells, waits=waits).items():
            table[name][part] = values.reshape(-1, count)
    return Way(**table)


def _answers(case: Case, grid: Grid, part: slice, *, sells: bool, waits: bool) -> dict[str, Floats]:
    """Run the three orders for some steps side by side, each step and level a candidate of its own."""
    limits = step_limits(case.limits, case.dt_hours)
    orders = [(0.0, np.inf), (case.limits.ceiling_kwh, np.inf)]
    if not waits:  # what gives is a discharge window, and there the sun serves the load first
        orders.append((0.0, case.limits.empty_kwh))
    steps = part.stop - part.start
    each = steps * grid.size

    def side_by_side(values: Floats) -> Floats:
        return np.tile(np.repeat(values[part], grid.size), len(orders))[None]

    need = side_by_side(case.load_kwh + case.idle_kwh)
    warm = np.tile(np.repeat(case.may_charge[part], grid.size), len(orders))[None]
    other, sun = side_by_side(case.other_kwh), side_by_side(case.sun_kwh)
    given = conditions(limits, need, other, sun, sells=sells, may_charge=warm)
    fill = np.repeat([order[0] for order in orders], each)[None]
    drain = np.repeat([order[1] for order in orders], each)[None]
    seen: dict[str, Floats] = {}

    def visit(block: FlowBlock) -> None:
        seen.update(stored=block.stored.copy(), net=block.net.copy(), unserved=block.unserved_load.copy())

    start = np.tile(grid.levels, steps * len(orders))
    simulate(given, Orders(np.zeros(1, dtype=np.intp), fill, drain, waits), start, visit)
    stored, net = (seen[name].reshape(len(orders), each) for name in ("stored", "net"))
    excess = np.maximum(net[0] - limits.import_kwh, 0.0)
    return {
        "hold": stored[0],
        "most": stored[1],
        "least": stored[0] if waits else stored[2],
        "net": net[0],
        "broken": seen["unserved"].reshape(len(orders), each)[0] + excess,
    }
