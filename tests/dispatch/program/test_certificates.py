"""Every optimum is certified from first principles, and the certifier is shown to be able to refuse."""

from __future__ import annotations

from typing import TYPE_CHECKING

import highspy
import numpy as np
import pytest
from homes.drafts import Draft, plain_draft
from homes.generators import drafts, repeatable
from homes.shipped import NAMES, Year, shipped_case
from hypothesis import given
from oracles.certify import Claim, claim_of, objections
from scipy import sparse

from dispatch import StoppedEarly
from dispatch.program.arrays import Bounds
from dispatch.program.program import Program
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES

if TYPE_CHECKING:
    from dispatch.program.arrays import Optimum


def stage_claims(program: Program, strategy: str) -> dict[str, Claim]:
    """Solve a strategy and collect what is claimed of each stage that was solved."""
    claims: dict[str, Claim] = {}

    def keep(name: str, optimum: Optimum) -> None:
        claims[name] = claim_of(program, optimum)

    solve(program, STRATEGIES[strategy], keep)
    return claims


def test_there_are_shipped_scenarios_to_certify() -> None:
    assert len(NAMES) >= 2


@pytest.mark.parametrize("year", NAMES, indirect=True)
def test_every_strategy_of_every_shipped_scenario_is_certified(year: Year) -> None:
    assert set(STRATEGIES) == {strategy for strategy, stage in year.objections if stage == "cost"}
    assert {where: said for where, said in year.objections.items() if said} == {}


@repeatable(25)
@given(draft=drafts())
def test_every_stage_of_random_scenarios_is_certified(draft: Draft) -> None:
    program = Program(draft.case())
    for strategy in STRATEGIES:
        for name, claim in stage_claims(program, strategy).items():
            assert objections(claim) == [], f"{strategy}, {name}"


# --- can it refuse? -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def program() -> Program:
    """Two cheap hours, two dear ones, a lossy battery: every kind of row is present and some bind."""
    draft = plain_draft(
        [0.08, 0.08, 0.40, 0.40, 0.40, 0.08],
        load_kw=[1.0, 1.0, 2.0, 2.0, 1.5, 0.5],
        sun_kw=[0.0, 0.0, 0.3, 3.5, 0.0, 0.0],
        export_price=[0.05] * 6,
        battery={"pack_kwh": 4.0, "charger_efficiency_fraction": 0.9, "discharge_efficiency_fraction": 0.9},
        inverter={"continuous_w": 1700.0, "efficiency_fraction": 0.95, "bypass_w": 2500.0},
        charging={"grid_w": 2000.0, "ac_input_w": 3200.0},
        grid={"import_limit_kw": 5.0, "export_limit_kw": 1.0},
    )
    return Program(draft.case())


@pytest.fixture(scope="module")
def honest(program: Program) -> Claim:
    claim = stage_claims(program, "least-cost")["cost"]
    assert objections(claim) == []
    return claim


def test_certifier_accepts_a_program_solved_by_hand() -> None:
    # min -3x - 2y, x + y <= 4, x + 3y <= 6, x <= 3: x = 3, y = 1, prices -2 and 0, reduced cost of x -1
    infinite = np.full(2, np.inf)
    claim = Claim(
        matrix=np.array([[1.0, 1.0], [1.0, 3.0]]),
        row_lower=-infinite,
        row_upper=np.array([4.0, 6.0]),
        column_lower=np.zeros(2),
        column_upper=np.array([3.0, np.inf]),
        costs=np.array([-3.0, -2.0]),
        values=np.array([3.0, 1.0]),
        duals=np.array([-2.0, 0.0]),
        reduced_costs=np.array([-1.0, 0.0]),
        objective=-11.0,
    )
    assert objections(claim) == []
    assert any("complementarity" in text for text in objections(claim.but(values=np.array([2.9, 1.1]))))
    assert any("dual sign" in text for text in objections(claim.but(column_upper=infinite)))


def test_one_nudged_value_is_refused(program: Program, honest: Claim) -> None:
    for family, columns in program.columns.items():
        if columns.start == columns.stop:
            continue  # nothing of the kind in this program
        values = honest.values.copy()
        values[columns.start] += 1e-3
        assert objections(honest.but(values=values)), family


def test_feasible_but_dearer_schedule_is_refused(program: Program, honest: Claim) -> None:
    """Feasible, with an honest objective, and once even with duals of its own."""
    warm = program.warm
    warm.restart(Bounds(honest.column_lower, honest.column_upper, honest.row_lower, honest.row_upper))
    lazy = warm.minimise(program.vector({"grid_to_battery": 1.0, "battery_to_load": 1.0}))
    dearer = float(honest.costs @ lazy.values)
    assert dearer > honest.objective + 1e-3
    found = objections(honest.but(values=lazy.values, objective=dearer))
    assert found
    assert not any("primal: " in text for text in found), "meant to be feasible"
    of_its_own = claim_of(program, lazy)
    assert objections(of_its_own) == []
    reduced = honest.costs - honest.matrix.T @ of_its_own.duals
    assert objections(of_its_own.but(costs=honest.costs, reduced_costs=reduced, objective=dearer))


def test_flipped_dual_sign_is_refused(honest: Claim) -> None:
    priced = np.flatnonzero(np.abs(honest.duals) > 1e-3)
    assert len(priced) > 3
    for row in priced:
        duals = honest.duals.copy()
        duals[row] *= -1
        assert objections(honest.but(duals=duals)), row
        consistent = honest.costs - honest.matrix.T @ duals  # even if the reduced costs are made to fit
        assert objections(honest.but(duals=duals, reduced_costs=consistent)), row


def test_flipped_reduced_cost_is_refused(honest: Claim) -> None:
    for column in np.flatnonzero(np.abs(honest.reduced_costs) > 1e-3):
        reduced = honest.reduced_costs.copy()
        reduced[column] *= -1
        assert objections(honest.but(reduced_costs=reduced)), column


def test_wrong_objective_is_refused(honest: Claim) -> None:
    assert objections(honest.but(objective=honest.objective * (1 + 1e-4)))


def test_missing_number_is_refused(honest: Claim) -> None:
    values = honest.values.copy()
    values[0] = np.nan
    assert objections(honest.but(values=values))


def test_run_stopped_half_way_is_refused(honest: Claim) -> None:
    """Whatever values a solver holds when its time is up, they are no optimum."""
    solver = highspy.Highs()
    solver.setOptionValue("output_flag", False)  # noqa: FBT003 - highspy's own signature
    solver.setOptionValue("presolve", "off")
    solver.setOptionValue("simplex_iteration_limit", 2)
    matrix = sparse.csc_array(honest.matrix)
    lp = highspy.HighsLp()
    lp.num_row_, lp.num_col_ = matrix.shape
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_, lp.a_matrix_.index_, lp.a_matrix_.value_ = matrix.indptr, matrix.indices, matrix.data
    lp.row_lower_, lp.row_upper_ = honest.row_lower, honest.row_upper
    lp.col_lower_, lp.col_upper_, lp.col_cost_ = honest.column_lower, honest.column_upper, honest.costs
    solver.passModel(lp)
    solver.run()
    assert solver.getModelStatus() == highspy.HighsModelStatus.kIterationLimit
    answer = solver.getSolution()
    stopped = honest.but(
        values=np.array(answer.col_value),
        duals=np.array(answer.row_dual),
        reduced_costs=np.array(answer.col_dual),
        objective=solver.getInfo().objective_function_value,
    )
    assert objections(stopped)


def test_product_gives_no_answer_when_its_time_is_up() -> None:
    program = Program(shipped_case(NAMES[0]))
    program.warm.limit_seconds(1e-6)
    with pytest.raises(StoppedEarly):
        solve(program, STRATEGIES["least-cost"])
