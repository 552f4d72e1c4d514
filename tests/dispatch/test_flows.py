"""A result table checks itself: every kind of tampering is refused, whoever made it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from homes.drafts import plain_draft

from dispatch.errors import FlowsError
from dispatch.flows import Flows
from dispatch.program.program import Program
from dispatch.strategies.solve import grid_only, solve
from dispatch.strategies.table import STRATEGIES


@pytest.fixture(scope="module")
def flows() -> Flows:
    draft = plain_draft(
        [0.1, 0.4, 0.4, 0.1, 0.3, 0.3],
        load_kw=[0.2, 0.5, 0.6, 0.1, 0.5, 0.5],
        sun_kw=[0.0, 0.0, 0.3, 0.9, 0.9, 0.0],
        export_price=[0.05] * 6,
        grid={"feed_in": "grid", "import_limit_kw": 2.0, "export_limit_kw": 0.5},
        inverter={"bypass_w": 1500},
        charging={"ac_input_w": 1600},
        battery={"taper_hours": 0.2},
        reserve={"kwh": 0.1},
    )
    return solve(Program(draft.case()), STRATEGIES["least-cost"]).flows


TAMPERING = [  # in step 3 the home exports, in step 0 it imports
    ("import", 0, {"import_kwh": 0.3}, "the meter balance"),
    ("negative", 3, {"spill_kwh": -0.2, "sun_to_grid_kwh": 0.2}, "spill_kwh ≥ 0"),
    ("both ways", 3, {"import_kwh": 0.4, "export_kwh": 0.4}, "importing and exporting"),
    ("load", 0, {"grid_to_load_kwh": 0.1, "import_kwh": 0.1}, "the load balance"),
    ("storage", 3, {"stored_kwh": -0.05}, "the storage balance"),
    ("sun", 3, {"spill_kwh": 0.1}, "the sun balance"),
    ("charger", 0, {"grid_to_battery_kwh": 5.0, "import_kwh": 5.0}, "the storage balance"),
]


@pytest.mark.parametrize(
    ("step", "changes", "message"), [case[1:] for case in TAMPERING], ids=[case[0] for case in TAMPERING]
)
def test_tampering_is_refused(flows: Flows, step: int, changes: dict[str, float], message: str) -> None:
    frame = flows.frame.copy()
    for column, change in changes.items():
        frame.loc[frame.index[step], column] += change
    with pytest.raises(FlowsError, match=message):
        replace(flows, frame=frame)


@pytest.mark.parametrize(
    ("limit", "value"),
    [
        ("grid_charge_kw", 0.0),
        ("total_charge_kw", 0.01),
        ("inverter_kw", 0.01),
        ("bypass_kw", 0.01),
        ("ac_input_kw", 0.01),
        ("import_limit_kw", 0.01),
        ("export_limit_kw", 0.0),
        ("ceiling_kwh", 0.2),
        ("empty_kwh", 0.2),
        ("closing_kwh", 0.9),
        ("taper_hours", 5.0),
        ("feed_in", "none"),
    ],
)
def test_every_limit_is_checked(flows: Flows, limit: str, value: float | str) -> None:
    changes: dict[str, Any] = {limit: value}
    limits = replace(flows.case.limits, **changes)
    with pytest.raises(FlowsError, match="broken by"):
        replace(flows, case=replace(flows.case, limits=limits))


def test_the_floor_is_checked(flows: Flows) -> None:
    with pytest.raises(FlowsError, match="the reserve floor"):
        replace(flows, case=replace(flows.case, floor_kwh=flows.case.floor_kwh + 0.5))


def test_needless_charging_is_refused(flows: Flows) -> None:
    frame, case = flows.frame.copy(), flows.case
    step = frame.index[4]
    for column in ("import_kwh", "grid_to_battery_kwh", "battery_to_load_kwh"):
        frame.loc[step, column] += 0.05
    frame.loc[step, "grid_to_load_kwh"] -= 0.05
    frame.loc[step, "import_kwh"] -= 0.05
    assert frame.loc[step, "sun_to_battery_kwh"] >= 0
    with pytest.raises(FlowsError, match=r"charging and discharging at once|grid_to_load_kwh ≥ 0"):
        Flows(case=case, name="tampered", frame=frame)


def test_wrong_shape_is_refused(flows: Flows) -> None:
    with pytest.raises(FlowsError, match="must have the case's times"):
        replace(flows, frame=flows.frame.iloc[:-1])
    with pytest.raises(FlowsError, match="must have the case's times"):
        replace(flows, frame=flows.frame.drop(columns=["spill_kwh"]))


def test_the_home_without_the_system_is_only_a_meter(flows: Flows) -> None:
    plain = grid_only(flows.case)
    assert plain["import"] == pytest.approx(flows.case.load_kwh + flows.case.other_kwh)
    assert plain.idle_kwh.sum() == 0
    frame = plain.frame.copy()
    frame["import_kwh"] *= 0.9
    with pytest.raises(FlowsError, match="the meter balance"):
        replace(plain, frame=frame)
