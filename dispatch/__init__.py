"""Time-of-use dispatch for homes with a backup battery: what to set, what it saves, how long it lasts.

>>> from dispatch import compare
>>> compare("scenarios/alder-row").comparison.advice.strategy
'off-peak-first'

Each command of the command line is a function of the same name; see :mod:`dispatch.door`. Names are imported on first
use, so that ``dispatch --help`` does not wait for pandas and the solver.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dispatch.case.case import Case
    from dispatch.door import (
        backup,
        bill,
        cable,
        care,
        check,
        compare,
        frontier,
        generator,
        hardware,
        load,
        outage,
        settings,
        size,
        storm,
        strings,
        sun,
        tariffs,
        tonight,
        years,
    )
    from dispatch.errors import (
        DispatchError,
        FlowsError,
        Infeasible,
        ReconciliationError,
        ScenarioError,
        SeriesError,
        SolveError,
        StoppedEarly,
    )
    from dispatch.flows import Flows
    from dispatch.outcome import Outcome
    from dispatch.scenario.model import Scenario

__all__ = [
    "Case",
    "DispatchError",
    "Flows",
    "FlowsError",
    "Infeasible",
    "Outcome",
    "ReconciliationError",
    "Scenario",
    "ScenarioError",
    "SeriesError",
    "SolveError",
    "StoppedEarly",
    "backup",
    "bill",
    "cable",
    "care",
    "check",
    "compare",
    "frontier",
    "generator",
    "hardware",
    "load",
    "outage",
    "settings",
    "size",
    "storm",
    "strings",
    "sun",
    "tariffs",
    "tonight",
    "years",
]

_HOMES = {
    "case.case": ("Case",),
    "door": (
        "backup",
        "bill",
        "cable",
        "care",
        "check",
        "compare",
        "frontier",
        "generator",
        "hardware",
        "load",
        "outage",
        "settings",
        "size",
        "storm",
        "strings",
        "sun",
        "tariffs",
        "tonight",
        "years",
    ),
    "errors": (
        "DispatchError",
        "FlowsError",
        "Infeasible",
        "ReconciliationError",
        "ScenarioError",
        "SeriesError",
        "SolveError",
        "StoppedEarly",
    ),
    "flows": ("Flows",),
    "outcome": ("Outcome",),
    "scenario.model": ("Scenario",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> object:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'dispatch' has no attribute '{name}'")
    return getattr(importlib.import_module(f"dispatch.{_HOME_OF[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
