"""The least that promises can be broken by is never more than what solving stage by stage finds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from homes.drafts import Draft, plain_draft
from homes.generators import drafts, repeatable
from hypothesis import given

from dispatch.program.algebra import SLACK_FAMILIES
from dispatch.program.least import least_slacks
from dispatch.program.program import Program
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from dispatch.arrays import Floats
    from dispatch.program.arrays import Bounds, Optimum


def one_by_one(program: Program, name: str) -> dict[str, float]:
    """Optima of the slack stages, each solved and held by a budget row's worth of bounds: no lower bounds known."""
    bounds = program.bounds()
    STRATEGIES[name].narrow(program, bounds)
    program.warm.restart(bounds, warm=False)
    found = {}
    for family in SLACK_FAMILIES:
        if family in program.columns:
            optimum = program.warm.minimise(program.vector({family: 1.0}))
            program.warm.hold(optimum)
            found[family] = optimum.objective
    return found


@repeatable(40)
@given(draft=drafts())
def test_least_is_a_bound_and_the_stages_are_what_solving_each_finds(draft: Draft) -> None:
    case = draft.case()
    for name, strategy in STRATEGIES.items():
        program = Program(case)
        bounds = program.bounds()
        strategy.narrow(program, bounds)
        least, stages = least_slacks(program, bounds), one_by_one(program, name)
        solved = solve(Program(case), strategy).stage_values
        for family, value in stages.items():
            assert solved[family] == pytest.approx(value, abs=2e-6), (name, family)
        for family, value in stages.items():
            assert least[family].sum() <= value + 1e-6, (name, family)
            if least[family].sum() < value - 1e-6:
                break  # what is least of a later slack holds while the earlier ones are at theirs


def overloaded() -> Draft:
    """Two steps of more load than the bypass carries, a start below the floor, an import limit too low."""
    return plain_draft(
        [0.1] * 6 + [0.4] * 12 + [0.2] * 6,
        load_kw=[0.3] * 10 + [2.3, 2.2] + [0.3] * 12,
        battery={"pack_kwh": 4.0, "start": {"percent": 20}, "closing": {"percent": 50}},
        inverter={"continuous_w": 1000, "bypass_w": 1500},
        charging={"grid_w": 500},
        reserve={"percent": 50},
        grid={"import_limit_kw": 1.2},
    )


def test_promises_broken_by_the_least_cost_no_stage() -> None:
    """An overload and a start below the floor are told at once; before, each slack was solved for from scratch."""
    program, stages = Program(overloaded().case()), []

    def record(stage: str, _optimum: Optimum) -> None:
        stages.append(stage)

    found = solve(program, STRATEGIES["reserve-first"], record).stage_values
    assert found["unserved_load"] == pytest.approx(0.8 + 0.7)  # what 1.5 kW of bypass leave
    assert found["import_excess"] == pytest.approx(2 * 0.3)  # what it takes beyond 1.2 kW of import
    assert found["floor_shortfall"] == pytest.approx(
        0.7 + 0.2
    )  # 0.8 kWh at the start, 0.5 kWh more an hour, 2 wanted
    assert stages[0] == "own most stored"


@pytest.mark.parametrize(("sun_kw", "least_kwh"), [(2.0, 0.0), (0.0, 1.7)])
def test_what_the_sun_gives_the_rest_of_the_house_is_not_imported(sun_kw: float, least_kwh: float) -> None:
    case = plain_draft(
        [0.2] * 2,
        load_kw=0.5,
        sun_kw=[sun_kw] * 2,
        battery={"start": {"kwh": 1.0}, "closing": {"kwh": 1.0}},
        other_load={"watts": 1500},
        grid={"feed_in": "house", "import_limit_kw": 0.3},
    ).case()
    program = Program(case)
    bounds = program.bounds()
    STRATEGIES["reserve-first"].narrow(program, bounds)  # nothing comes out of the battery
    # 2 kW of sun carry 0.5 kW of load and 1.5 kW beside it; without, 2 kW come over a meter of 0.3 kW
    assert least_slacks(program, bounds)["import_excess"] == pytest.approx([least_kwh] * 2)


def test_the_same_schedule_as_stage_by_stage(monkeypatch: pytest.MonkeyPatch) -> None:
    quick = {name: solve(Program(overloaded().case()), strategy) for name, strategy in STRATEGIES.items()}

    def know_nothing(program: Program, _bounds: Bounds) -> dict[str, Floats]:
        return {family: np.zeros(1) for family in SLACK_FAMILIES if family in program.columns}

    monkeypatch.setattr("dispatch.strategies.solve.least_slacks", know_nothing)
    for name, strategy in STRATEGIES.items():
        slow = solve(Program(overloaded().case()), strategy)
        assert slow.stage_values == pytest.approx(quick[name].stage_values, rel=1e-7, abs=1e-6)
        np.testing.assert_allclose(slow.flows["stored"], quick[name].flows["stored"], atol=1e-6)
