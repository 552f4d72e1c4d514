"""The curves of single steps against scipy's solver, level by level, and against a step worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog

from dispatch.sweep.step_curves import Curves, Steps, curves_of


def random_steps(seed: int, n: int) -> Steps:
    """Draw steps of a home: grid, sun, charger, inverter; some fixed, some without a limit, one stage of money."""
    random = np.random.default_rng(seed)
    # import, export, to load, grid to battery, sun to load, sun to battery, spill, battery to load
    eta = random.choice([1.0, 0.93])
    rows = np.array(
        [
            [1.0, -1.0, -1.0, -1.0, 0, 0, 0, 0],  # meter
            [0, 0, 1.0, 0, eta, 0, 0, eta],  # load
            [0, 0, 0, 0, 1.0, 1.0, 1.0, 0],  # sun
            [0, 0, 0, 1.0, 0, 1.0, 0, 0],  # charge
            [0, 0, 0, 0, eta, 0, 0, eta],  # inverter
        ]
    )
    is_equal = np.array([True, True, True, False, False])
    into = np.array([0, 0, 0, 0.94, 0, 0.97, 0, -1 / 0.96])
    load, sun = random.uniform(0, 2, n).round(3), np.maximum(0, random.uniform(-1, 2, n)).round(3)
    right = np.column_stack([random.uniform(0, 0.5, n), load, sun, np.full(n, 1.5), np.full(n, 1.8)])
    lower, upper = np.zeros((n, 8)), np.full((n, 8), np.inf)
    upper[:, 2] = random.choice([1.0, 2.0, np.inf], n)  # the bypass
    upper[:, 3] = random.choice([0.0, 0.5, 1.2], n)
    upper[:, 1] = random.choice([0.0, 0.3, np.inf], n)
    held = random.random(n) < 0.3
    lower[held, 4] = upper[held, 4] = np.minimum(np.minimum(sun, load / eta), 1.8 / eta)[held]
    buy = random.choice([0.1, 0.2, 0.35], n)
    costs = np.zeros((1, n, 8))
    costs[0, :, 0], costs[0, :, 1], costs[0, :, 7] = buy, -0.5 * buy, 0.02
    return Steps(rows, is_equal, into, right, lower, upper, costs)


def cost_at(curves: Curves, t: int, u: float) -> tuple[float, np.ndarray]:
    """Read a curve's cost and flows at a change of the level."""
    span = slice(curves.first[t], curves.first[t + 1])
    levels, slopes = curves.levels[span], curves.slopes[span, 0]
    rises = np.concatenate([[0.0], np.cumsum(slopes[:-1] * np.diff(levels))])
    flows = np.array([np.interp(u, levels, column) for column in curves.flows[span].T])
    return float(curves.values[t, 0] + np.interp(u, levels, rises)), flows


@pytest.mark.parametrize("seed", range(6))
def test_a_curve_is_the_least_cost_at_every_change_of_the_level(seed: int) -> None:
    steps = random_steps(seed, 12)
    curves = curves_of(steps)
    assert curves is not None
    random = np.random.default_rng(seed)
    tried = 0
    for t in range(12):
        levels = curves.levels[curves.first[t] : curves.first[t + 1]]
        assert np.all(np.diff(levels) > 0)
        slopes = curves.slopes[curves.first[t] : curves.first[t + 1] - 1, 0]
        assert np.all(np.diff(slopes) > -1e-9), "a curve must be convex"
        for u in [*random.uniform(levels[0], levels[-1], 4), levels[0], levels[-1]]:
            equal = steps.is_equal
            best = linprog(
                steps.costs[0, t],
                A_eq=np.vstack([steps.rows[equal], steps.into]),
                b_eq=[*steps.right[t, equal], u],
                A_ub=steps.rows[~equal],
                b_ub=steps.right[t, ~equal],
                bounds=list(zip(steps.lower[t], steps.upper[t], strict=True)),
            )
            cost, flows = cost_at(curves, t, u)
            assert best.status == 0, (t, u)
            assert cost == pytest.approx(best.fun, abs=1e-7)
            assert steps.costs[0, t] @ flows == pytest.approx(cost, abs=1e-9)
            tried += 1
        ends = [
            sign
            * linprog(
                sign * steps.into,
                A_eq=steps.rows[steps.is_equal],
                b_eq=steps.right[t, steps.is_equal],
                A_ub=steps.rows[~steps.is_equal],
                b_ub=steps.right[t, ~steps.is_equal],
                bounds=list(zip(steps.lower[t], steps.upper[t], strict=True)),
            )["fun"]
            for sign in (1.0, -1.0)
        ]
        np.testing.assert_allclose(ends, levels[[0, -1]], atol=1e-7)
    assert tried == 72


def test_a_step_worked_by_hand() -> None:
    """Load 1 kWh at 0.30 to buy, nothing to sell, charger 0.5 kWh, inverter 0.8 kWh, no losses, wear 0.02.

    Discharging all the inverter gives saves 0.28 for each kWh; charging costs 0.30.
    """
    rows = np.array([[1.0, -1.0, -1.0, 0.0], [0.0, 1.0, 0.0, 1.0], [0.0, 0.0, 0.0, 1.0]])
    steps = Steps(
        rows=rows,  # import, to load, to battery, from battery: meter, load, inverter
        is_equal=np.array([True, True, False]),
        into=np.array([0.0, 0.0, 1.0, -1.0]),
        right=np.array([[0.0, 1.0, 0.8]]),
        lower=np.zeros((1, 4)),
        upper=np.array([[np.inf, np.inf, 0.5, np.inf]]),
        costs=np.array([[[0.30, 0.0, 0.0, 0.02]]]),
    )
    curves = curves_of(steps)
    assert curves is not None
    np.testing.assert_allclose(curves.levels, [-0.8, 0.0, 0.5], atol=1e-12)
    np.testing.assert_allclose(curves.slopes[:2, 0], [0.28, 0.30], atol=1e-12)
    np.testing.assert_allclose(curves.values[0], [0.2 * 0.30 + 0.8 * 0.02], atol=1e-12)
    np.testing.assert_allclose(curves.flows[2], [1.5, 1.0, 0.5, 0.0], atol=1e-12)


def test_a_step_that_cannot_be_has_no_curve() -> None:
    steps = Steps(
        rows=np.array([[1.0]]),
        is_equal=np.array([True]),
        into=np.array([1.0]),
        right=np.array([[2.0]]),
        lower=np.zeros((1, 1)),
        upper=np.ones((1, 1)),
        costs=np.zeros((1, 1, 1)),
    )
    assert curves_of(steps) is None
