"""The life of the cells by strategy: what each way of running the battery does to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dispatch.equipment.life import Ageing, ageing

if TYPE_CHECKING:
    from collections.abc import Iterable

    from dispatch.case.case import Case
    from dispatch.flows import Flows


def ages(case: Case, runs: Iterable[Flows]) -> dict[str, Ageing]:
    """Judge the levels of several runs, by their name; empty where the scenario has no [life].

    Parameters
    ----------
    case : Case
    runs : iterable of Flows
        Those that use no battery age by the calendar alone.
    """
    life = case.scenario.life
    if life is None:
        return {}
    return {
        run.name: ageing(life, run["stored"], case.limits.full_kwh, case.dt_hours)
        for run in runs
        if run.has_system
    }
