"""What foresight could have made of a run: its money, and the optimum with its own levels and broken promises."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dispatch.program.program import Program

if TYPE_CHECKING:
    from dispatch.case.case import Case
    from dispatch.flows import Flows


def money(case: Case, flows: Flows) -> float:
    """Energy bought less energy sold, and wear."""
    prices = case.prices
    bought = float(flows["import"] @ prices.import_price_per_kwh)
    return bought - float(flows["export"] @ prices.export_price_per_kwh) + flows.wear


def bound(case: Case, flows: Flows) -> float:
    """Least cost under the run's own end level, levels and broken promises: what foresight could have made of it.

    The levels are lowered by far less than any tolerance, or rounding alone could leave no schedule at all.
    """
    stored = np.maximum(flows["stored"] - 1e-8, case.limits.empty_kwh)
    case = replace(
        case,
        floor_kwh=np.minimum(case.floor_kwh, stored),
        limits=replace(case.limits, closing_kwh=float(stored[-1])),
    )
    program = Program(case)
    bounds = program.bounds()
    for slack in ("unserved_load", "import_excess"):
        if slack in program.columns:
            bounds.upper[program.columns[slack]] = flows[slack]
    for slack in ("floor_shortfall", "closing_shortfall"):
        bounds.upper[program.columns[slack]] = 0.0
    program.warm.restart(bounds)
    return program.warm.minimise(program.cost).objective
