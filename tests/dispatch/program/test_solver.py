"""The solver's word is input: a stopped, infeasible, unbounded or nudged run gives no values."""

from __future__ import annotations

import numpy as np
import pytest
from homes.drafts import Draft, plain_draft

from dispatch.errors import Infeasible, SolveError, StoppedEarly
from dispatch.program.program import Program
from dispatch.program.solver import AT_LEAST, AT_MOST, Statement, Warm
from dispatch.strategies.solve import solve
from dispatch.strategies.table import STRATEGIES


def two_columns(*, least: float, most: float) -> Warm:
    """Minimise over x, y ≥ 0 with least ≤ x + y and x ≤ most."""
    statement = Statement("two")
    (x,) = statement.family("x", 1)
    (y,) = statement.family("y", 1)
    statement.row_family("least", AT_LEAST, iter([([(x, 1.0), (y, 1.0)], least)]))
    statement.row_family("most", AT_MOST, iter([([(x, 1.0)], most)]))
    return statement.compile()


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


def test_sun_that_fills_a_tapering_battery_is_settled_to_a_grain() -> None:
    # What is stored in the morning changes the sun spilled by a factor that shrinks with every step near full, down
    # to less than the solver's own tolerance; held to the last of it, the least spill leaves nothing it can solve.
    draft = plain_draft(
        [0.09] * 7 + [0.21] * 16 + [0.09],
        load_kw=[0.2]
        + [0.1] * 4
        + [0.2, 0.2, 0.5, 0.4, 0.3, 0.3, 0.2, 0.2, 0.1, 0.1, 0.1, 0.2]
        + [0.4, 0.5, 0.5, 0.9, 0.3, 0.2, 0.2],
        sun_kw=[0.0] * 5
        + [0.2, 0.9, 1.7, 2.2, 3.0, 3.0, 3.1, 3.9, 3.8, 3.5, 3.2, 3.0, 2.5, 1.8, 1.0, 0.2]
        + [0.0] * 3,
        battery={
            "pack_kwh": 8.2,
            "depth_of_discharge_fraction": 0.95,
            "charger_efficiency_fraction": 0.94,
            "solar_charge_efficiency_fraction": 0.97,
            "discharge_efficiency_fraction": 0.96,
            "taper_hours": 0.25,
            "start": {"percent": 60},
            "closing": {"percent": 60},
        },
        inverter={"continuous_w": 3600, "efficiency_fraction": 0.93, "idle_on_w": 30},
        charging={"grid_w": 1500, "solar_w": 3500, "combined_w": 5000},
        other_load={"watts": 180},
        critical_load={
            "appliances": [
                {"name": "pump", "watts": 280, "hours_per_day": 24},
                {"name": "kettle", "watts": 900, "hours_per_day": 1, "starts_at": "07:00"},
            ]
        },
        grid={"feed_in": "house"},
        reserve={"hours": 7},
    )
    solved = solve(Program(draft.case()), STRATEGIES["solar-first"])
    lost = solved.flows["spill"].sum() + solved.flows["sun_to_grid"].sum()
    assert lost == pytest.approx(solved.stage_values["own spill and feed-in"], rel=1e-6)
    assert solved.residual <= 1e-6


@pytest.mark.parametrize(("cost", "at"), [(1.0, 2.0), (-1.0, 5.0)])
def test_a_held_column_stays_at_the_bound_it_stood_at(cost: float, at: float) -> None:
    statement = Statement("between")
    (x, y) = statement.family("x", 2, 2.0, 5.0)
    statement.row_family("least", AT_LEAST, iter([([(x, 1.0), (y, 1.0)], 1.0)]))
    warm = statement.compile()
    warm.hold(warm.minimise(np.array([cost, 0.0])))
    for other in (1.0, -1.0):  # the first cannot move any more, the second costs nothing and may
        values = warm.minimise(np.array([other, other])).values
        assert values == pytest.approx([at, 2.0 if other > 0 else 5.0])
