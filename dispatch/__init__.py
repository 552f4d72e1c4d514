"""Time-of-use dispatch for homes with a backup battery: compare strategies in money and hours of backup.

>>> from dispatch import load_scenario, compare
>>> comparison = compare(load_scenario("scenarios/alder-row/scenario.toml"))  # doctest: +SKIP
>>> comparison["off-peak-first"].flows.frame  # doctest: +SKIP

Names are imported on first use, so that ``dispatch --help`` does not wait for pandas and the solver.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dispatch.backup.hours import BackupSummary, backup_hours
    from dispatch.case.case import Case, load_scenario
    from dispatch.case.limits import Limits
    from dispatch.comparison.compare import Comparison, compare
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
    from dispatch.outcome import StrategyResult
    from dispatch.scenario.model import Scenario

__all__ = [
    "BackupSummary",
    "Case",
    "Comparison",
    "DispatchError",
    "Flows",
    "FlowsError",
    "Infeasible",
    "Limits",
    "ReconciliationError",
    "Scenario",
    "ScenarioError",
    "SeriesError",
    "SolveError",
    "StoppedEarly",
    "StrategyResult",
    "backup_hours",
    "compare",
    "load_scenario",
]

_HOMES = {
    "backup.hours": ("BackupSummary", "backup_hours"),
    "case.case": ("Case", "load_scenario"),
    "comparison.compare": ("Comparison", "compare"),
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
    "case.limits": ("Limits",),
    "outcome": ("StrategyResult",),
    "scenario.model": ("Scenario",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> object:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'dispatch' has no attribute '{name}'")
    return getattr(importlib.import_module(f"dispatch.{_HOME_OF[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
