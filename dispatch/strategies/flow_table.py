"""From the program's columns to a flow table: dust removed, equal ways of saying the same thing settled."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dispatch.flows import Flows

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.program.program import Program


def flow_table(program: Program, name: str, values: Floats, *, uses_battery: bool) -> Flows:
    """Turn a strategy's column values into its checked flow table.

    Parameters
    ----------
    program : Program
    name : str
        The strategy.
    values : array, shape (columns,)
        Within the strategy's bounds. [kWh]
    uses_battery : bool
        False where the battery lies idle: its levels and promises are then not checked.

    Raises
    ------
    FlowsError
        The table breaks a balance, bound or sign.
    """
    table = program.flows(values)
    for family, column in table.items():
        if family != "stored":
            np.maximum(column, 0.0, out=column)
            column[column < 1e-10] = 0.0  # solver dust, far below the tolerance of every check
    _serve_load_first(program, table)
    # Where buying and selling cost the same, doing both is free and the solver may: a meter records the net.
    both = np.minimum(table["import"], table["export"])
    table["import"] -= both
    table["export"] -= both
    frame = pd.DataFrame(
        {f"{family}_kwh": column for family, column in table.items()}, index=program.case.times
    )
    closing = values[program.columns["closing_shortfall"]][0] if uses_battery else 0.0
    return Flows(
        case=program.case,
        name=name,
        frame=frame,
        closing_shortfall_kwh=float(max(closing, 0.0)),
        uses_battery=uses_battery,
    )


def _serve_load_first(program: Program, table: dict[str, Floats]) -> None:
    """Call it serving the load where energy left the inverter for the grid while the grid served the load.

    The meter reads the same, the bypass carries less and the inverter as much: the solver takes either.
    """
    eta = program.case.limits.eta_inverter
    shares = ~program.whole_load_on_grid()
    for source in ("sun", "battery"):
        moved = np.where(shares, np.minimum(table[f"{source}_to_grid"], table["grid_to_load"] / eta), 0.0)
        table[f"{source}_to_grid"] -= moved
        table[f"{source}_to_load"] += moved
        table["grid_to_load"] = np.maximum(table["grid_to_load"] - eta * moved, 0.0)
