"""All flows of candidate settings, recorded and checked."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.flows import COLUMNS, Flows
from dispatch.rules.score import case_conditions
from dispatch.rules.walk import FlowBlock, Orders, simulate

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.case.case import Case


class Recorder:
    """Keeps every flow of every candidate."""

    def __init__(self, *shape: int) -> None:
        """Take the shape of what is kept: steps, candidates, and homes where there are several."""
        self.table: dict[str, Floats] = {name: np.zeros(shape) for name in COLUMNS}

    def add(self, block: FlowBlock) -> None:
        """Take a block's flows."""
        for name in COLUMNS:
            source = name.removesuffix("_kwh")
            if hasattr(block, source):
                self.table[name][block.steps] = getattr(block, source)
        self.table["import_kwh"][block.steps] = np.maximum(block.net, 0.0)
        self.table["export_kwh"][block.steps] = np.maximum(-block.net, 0.0)


def replay(
    case: Case,
    orders: Orders,
    names: tuple[str, ...],
    *,
    sells: bool = False,
    start_kwh: float | Floats | None = None,
) -> tuple[Flows, ...]:
    """Run candidates through a case and return their flows, which check themselves.

    Parameters
    ----------
    case : Case
    orders : Orders
        k candidates.
    names : tuple of str
        What to call them.
    sells : bool
        Whether the battery sells to the grid in its discharge windows.
    start_kwh : float or array, shape (k,), optional
        Level before the first step; default: the case's. [kWh]

    Raises
    ------
    FlowsError
        If the flows break a balance or a limit.
    """
    given = case_conditions(case, sells=sells)
    recorder = Recorder(len(case.times), len(names))
    start = case.limits.start_kwh if start_kwh is None else start_kwh
    simulate(given, orders, start, recorder.add)
    return tuple(
        flows_of(
            case if start_kwh is None else started_at(case, float(level)),
            name,
            {key: table[:, index] for key, table in recorder.table.items()},
        )
        for index, (name, level) in enumerate(
            zip(names, np.broadcast_to(start, (len(names),)).tolist(), strict=True)
        )
    )


def started_at(case: Case, start_kwh: float) -> Case:
    """Return the case with another level before its first step, in kWh."""
    return replace(case, limits=replace(case.limits, start_kwh=start_kwh))


def flows_of(case: Case, name: str, table: dict[str, Floats]) -> Flows:
    """Complete a recorded table by what was broken, and check it."""
    limits = case.limits
    for key, column in table.items():
        if key != "stored_kwh":
            table[key] = np.where(np.abs(column) < 1e-10, 0.0, column)  # dust of the arithmetic
    if limits.import_limit_kw is not None:
        table["import_excess_kwh"] = np.maximum(
            table["import_kwh"] - limits.import_limit_kw * case.dt_hours, 0.0
        )
    table["floor_shortfall_kwh"] = np.maximum(case.floor_kwh - table["stored_kwh"], 0.0)
    frame = pd.DataFrame({name: table[name] for name in COLUMNS}, index=case.times)
    return Flows(
        case=case,
        name=name,
        frame=frame,
        closing_shortfall_kwh=max(limits.closing_kwh - float(frame["stored_kwh"].iloc[-1]), 0.0),
    )
