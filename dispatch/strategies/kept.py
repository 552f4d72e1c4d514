"""A solved strategy kept in the store, and read back under the checks that a solve goes through.

What is read back is a flow table, which checks balances, bounds and signs when it is made; its money has to be what
the tariff's terms make of its energy; and whoever prints it holds that against the bill, as after any solve.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

import tariffs
from dispatch.errors import FlowsError
from dispatch.flows import COLUMNS, Flows
from dispatch.program.arrays import NOTICED
from dispatch.store import Entry, fingerprint, in_use
from dispatch.strategies.solved import Solved

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.case.case import Case
    from dispatch.program.arrays import Gap


MONEY_TOLERANCE = 1e-6  # relative, as where program and bill are held together


def is_kept(case: Case, name: str, asked: Gap = NOTICED) -> bool:
    """Whether a result stands in the store; it is not read yet."""
    place = in_use()
    return place is not None and _key(case, name, asked) in place


def recall(case: Case, name: str, asked: Gap = NOTICED) -> Solved | None:
    """Read a strategy's result back; None if none is kept, or if what is kept does not pass.

    No program is stated for it.
    """
    place = in_use()
    if place is None:
        return None
    started = time.perf_counter()
    entry = place.get(_key(case, name, asked))
    if entry is None:
        return None
    try:
        facts, arrays = dict(entry.facts), dict(entry.arrays)
        zero = np.zeros(len(case.times))
        frame = pd.DataFrame({column: arrays.get(column, zero) for column in COLUMNS}, index=case.times)
        flows = Flows(
            case=case,
            name=name,
            frame=frame,
            closing_shortfall_kwh=facts.pop("closing_shortfall_kwh"),
            uses_battery=facts.pop("uses_battery"),
        )
        solved = Solved(flows=flows, seconds=time.perf_counter() - started, **facts)
        return solved if _money_agrees(case, solved) else None
    except (FlowsError, KeyError, TypeError, ValueError):
        return None  # damaged, or of another make: solved anew


def keep(case: Case, name: str, solved: Solved, asked: Gap = NOTICED) -> None:
    """Keep a result, unless it was stopped on the way."""
    place = in_use()
    if place is None or solved.stopped:
        return
    flows = solved.flows
    arrays: dict[str, Floats] = {
        column: values for column in COLUMNS if np.any(values := flows.frame[column].to_numpy())
    }
    facts = {
        "closing_shortfall_kwh": flows.closing_shortfall_kwh,
        "uses_battery": flows.uses_battery,
        "stage_values": solved.stage_values,
        "money": solved.money,
        "iterations": solved.iterations,
        "residual": solved.residual,
        "gap": solved.gap,
        "unproven": solved.unproven,
    }
    place.put(_key(case, name, asked), Entry(arrays, facts))


def _money_agrees(case: Case, solved: Solved) -> bool:
    flows = solved.flows
    money = tariffs.evaluate(case.prices, flows["import"], flows["export"]) - case.prices.fixed_total
    size = max(1.0, abs(money), float(np.abs(case.prices.import_price_per_kwh * flows["import"]).sum()))
    return math.isclose(money, solved.money, rel_tol=0.0, abs_tol=MONEY_TOLERANCE * size)


def _key(case: Case, name: str, asked: Gap) -> str:
    series = case.load_kwh, case.other_kwh, case.sun_kwh, case.idle_kwh, case.floor_kwh
    chosen = case.scenario.strategies.model_dump_json()
    return fingerprint(name, asked, case.times, case.dt_hours, case.limits, case.prices, *series, chosen)
