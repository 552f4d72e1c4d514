"""The solver's word is input: a stopped, infeasible, unbounded or nudged run gives no values."""

from __future__ import annotations

import numpy as np
import pytest
from drafts import Draft, plain_draft

from dispatch.errors import Infeasible, SolveError, StoppedEarly
from dispatch.program import Program
from dispatch.solver import AT_LEAST, AT_MOST, Warm, stating
from dispatch.strategies import STRATEGIES, solve


def two_columns(*, least: float, most: float) -> Warm:
    """Minimise over x, y ≥ 0 with least ≤ x + y and x ≤ most."""
    with stating("two") as statement:
        (x,) = statement.family("x", 1)
        (y,) = statement.family("y", 1)
        statement.row_family("least", AT_LEAST, iter([([(x, 1.0), (y, 1.0)], least)]))
        statement.row_family("most", AT_MOST, iter([([(x, 1.0)], most)]))
        return statement.compile(np.array([1.0, 2.0]))


def evening() -> Draft:
    return plain_draft([0.1, 0.4, 0.4, 0.1], load_kw=[0.2, 0.5, 0.6, 0.1])


def test_optimum_values_and_prices() -> None:
    optimum = two_columns(least=3.0, most=2.0).minimise(np.array([1.0, 2.0]))
    assert optimum.objective == pytest.approx(4.0)
    assert optimum.values == pytest.approx([2.0, 1.0])
    assert optimum.duals == pytest.approx([2.0, -1.0])


def test_infeasible_is_said() -> None:
    warm = two_columns(least=3.0, most=2.0)
    bounds = warm.base.copy()
    bounds.upper[1] = 0.5
    warm.restart(bounds)
    with pytest.raises(Infeasible):
        warm.minimise(np.array([1.0, 2.0]))


def test_unbounded_is_not_an_answer() -> None:
    with pytest.raises(SolveError, match="Unbounded"):
        two_columns(least=3.0, most=2.0).minimise(np.array([0.0, -1.0]))


def test_a_stopped_run_gives_no_values() -> None:
    program = Program(evening().case())
    program.warm.limit_seconds(0.0)
    with pytest.raises(StoppedEarly):
        solve(program, STRATEGIES["least-cost"])


def test_residual_is_measured_on_our_own_matrix() -> None:
    warm = two_columns(least=3.0, most=2.0)
    optimum = warm.minimise(np.array([1.0, 2.0]))
    assert warm.residual(optimum.values) == 0.0
    assert warm.residual(optimum.values - np.array([0.0, 0.25])) == pytest.approx(0.25)
    assert warm.residual(optimum.values + np.array([0.5, 0.0])) == pytest.approx(0.5)
    assert warm.residual(np.array([np.nan, 1.0])) == np.inf


def test_holding_a_stage_keeps_all_its_optima_and_nothing_else() -> None:
    # x + y ≥ 3 at equal cost: every split is optimal; the next stage may choose among them but not pay more
    warm = two_columns(least=3.0, most=2.0)
    warm.hold(warm.minimise(np.array([1.0, 1.0])))
    most_x = warm.minimise(np.array([-1.0, 0.0])).values
    assert most_x == pytest.approx([2.0, 1.0])
    least_x = warm.minimise(np.array([1.0, 0.0])).values
    assert least_x == pytest.approx([0.0, 3.0])


def test_twin_starts_from_the_same_place_and_leaves_the_other_alone() -> None:
    program = Program(evening().case())
    first = solve(program, STRATEGIES["least-cost"])
    twin = program.twin()
    second = solve(twin, STRATEGIES["off-peak-first"])
    assert second.stage_values["cost"] >= first.stage_values["cost"] - 1e-9
    again = solve(program, STRATEGIES["least-cost"])
    assert again.flows.frame.equals(first.flows.frame)


def test_a_promise_that_is_nearly_kept_is_settled_by_its_own_stage() -> None:
    # Full at the start and asked to be full at the end, with a charge that tapers: once used, the battery misses
    # the top by ever less, and the solver cannot tell that from reaching it.
    draft = plain_draft(
        [0.05] * 8 + [0.4] * 4 + [0.05] * 12,
        load_kw=[0.3] * 24,
        sun_kw=[0.0] * 9 + [0.34, 0.86, 0.99, 0.14, 1.3, 0.19, 1.05, 0.31] + [0.0] * 7,
        battery={"taper_hours": 0.4, "start": {"percent": 100}, "closing": {"percent": 100}},
    )
    program = Program(draft.case())
    for name, strategy in STRATEGIES.items():
        solved = solve(program, strategy)
        assert solved.stage_values["closing_shortfall"] <= 1e-6, name
        assert solved.residual <= 1e-6
