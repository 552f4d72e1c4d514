"""The result table's own check, rule by rule: for each a table that breaks that rule and no other."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.drafts import plain_draft

from dispatch.errors import FlowsError
from dispatch.flows import COLUMNS, TOLERANCE_KWH, Flows
from dispatch.strategies.solve import grid_only

if TYPE_CHECKING:
    from dispatch.case.case import Case

DECIDED = (
    "grid_to_battery",
    "sun_to_load",
    "sun_to_battery",
    "sun_to_grid",
    "battery_to_load",
    "battery_to_grid",
    "unserved_load",
    "import_excess",
    "floor_shortfall",
)


def home(**limits: Any) -> Case:  # noqa: ANN401 - limits of several types
    """Four hours, sun in the second; losses everywhere; no limit binds unless it is given."""
    case = plain_draft(
        [0.2] * 4,
        load_kw=[1.0, 0.8, 1.2, 1.0],
        sun_kw=[0.0, 4.0, 0.0, 0.0],
        export_price=[0.05] * 4,
        grid={"battery_feed_in": True},
        battery={
            "pack_kwh": 10.0,
            "depth_of_discharge_fraction": 0.9,
            "charger_efficiency_fraction": 0.9,
            "solar_charge_efficiency_fraction": 0.95,
            "discharge_efficiency_fraction": 0.94,
            "self_discharge_per_hour_fraction": 0.001,
            "start": {"kwh": 5.0},
            "closing": {"kwh": 2.0},
        },
        inverter={"continuous_w": 9000.0, "efficiency_fraction": 0.92, "idle_on_w": 20.0},
    ).case()
    return replace(case, limits=replace(case.limits, **limits))


def table(case: Case, **decided: dict[int, float]) -> dict[str, np.ndarray]:
    """Work out a table from what was decided, {flow: {step: kWh}}; the balances give all the rest."""
    limits = case.limits
    flow = {name: np.zeros(4) for name in DECIDED}
    for name, steps in decided.items():
        for step, kwh in steps.items():
            flow[name][step] = kwh
    eta, out = limits.eta_inverter, flow["battery_to_load"] + flow["battery_to_grid"]
    served = eta * (flow["sun_to_load"] + flow["battery_to_load"]) + flow["unserved_load"]
    flow["grid_to_load"] = case.load_kwh + case.idle_kwh - served
    flow["spill"] = case.sun_kwh - flow["sun_to_load"] - flow["sun_to_battery"] - flow["sun_to_grid"]
    meter = flow["grid_to_load"] + flow["grid_to_battery"] + case.other_kwh
    meter = meter - eta * (flow["sun_to_grid"] + flow["battery_to_grid"])
    flow["import"], flow["export"] = np.maximum(meter, 0.0), np.maximum(-meter, 0.0)
    gained = limits.eta_charger * flow["grid_to_battery"] + limits.eta_dc * flow["sun_to_battery"]
    level, levels = limits.start_kwh, []
    for change in gained - out / limits.eta_discharge:
        level = (1 - limits.self_discharge_per_hour * case.dt_hours) * level + change
        levels.append(level)
    flow["stored"] = np.array(levels)
    return flow


def made(case: Case, flow: dict[str, np.ndarray], **options: Any) -> Flows:  # noqa: ANN401 - passed on
    frame = pd.DataFrame({name: flow[name.removesuffix("_kwh")] for name in COLUMNS}, index=case.times)
    return Flows(case=case, name="by hand", frame=frame, **options)


def refused(case: Case, flow: dict[str, np.ndarray], monkeypatch: pytest.MonkeyPatch, **options: Any) -> str:  # noqa: ANN401
    """Return the one rule a table breaks: it is refused for it, and passes once that rule is not asked."""
    with pytest.raises(FlowsError, match=" broken by ") as error:
        made(case, flow, **options)
    rule = str(error.value).split("by hand: ", 1)[1].split(" broken by ", 1)[0]
    ask = Flows._refuse  # noqa: SLF001 - every rule is asked through it
    with monkeypatch.context() as patched:
        patched.setattr(Flows, "_refuse", lambda self, excess, what: what == rule or ask(self, excess, what))
        made(case, flow, **options)
    return rule


def test_a_table_that_keeps_every_rule_passes() -> None:
    case = home()
    flows = made(case, table(case, sun_to_load={1: 0.5}, sun_to_battery={1: 1.0}, battery_to_load={2: 0.7}))
    assert flows["import"][0] == pytest.approx(1.02)
    assert flows["stored"][0] == pytest.approx(5.0 * 0.999)


# each within every other limit; the second table of a rule lacks a term of it
LIMITS: list[tuple[str, dict[str, Any], dict[str, dict[int, float]]]] = [
    ("charging.grid_w", {"grid_charge_kw": 0.5}, {"grid_to_battery": {0: 0.6}}),
    ("charging.combined_w", {"total_charge_kw": 1.5}, {"grid_to_battery": {0: 1.6}}),
    ("charging.combined_w", {"total_charge_kw": 1.5}, {"sun_to_battery": {1: 1.6}}),
    (
        "charging.combined_w",
        {"total_charge_kw": 1.5},
        {"sun_to_battery": {1: 0.8}, "grid_to_battery": {1: 0.8}},
    ),
    ("inverter.continuous_w", {"inverter_kw": 0.5}, {"battery_to_load": {2: 0.6}}),
    ("inverter.continuous_w", {"inverter_kw": 0.5}, {"battery_to_grid": {2: 0.6}}),
    ("inverter.continuous_w", {"inverter_kw": 0.5}, {"sun_to_load": {1: 0.6}}),
    ("inverter.continuous_w", {"inverter_kw": 0.5}, {"sun_to_grid": {1: 0.6}}),
    ("inverter.bypass_w", {"bypass_kw": 1.1}, {}),
    ("charging.ac_input_w", {"ac_input_kw": 1.5}, {"grid_to_battery": {0: 0.6}}),
    ("grid.import_limit_kw", {"import_limit_kw": 1.1}, {}),
    ("grid.import_limit_kw", {"import_limit_kw": 1.02}, {"import_excess": {2: 0.1}}),
    ("grid.export_limit_kw", {"export_limit_kw": 0.5}, {"sun_to_grid": {1: 2.0}}),
    ("grid.export_limit_kw", {"feed_in": "house"}, {"sun_to_grid": {1: 2.0}}),
]


@pytest.mark.parametrize(("name", "limits", "decided"), LIMITS)
def test_a_limit_is_refused_where_only_it_is_broken(
    name: str, limits: dict[str, Any], decided: dict[str, dict[int, float]], monkeypatch: pytest.MonkeyPatch
) -> None:
    case = home(**limits)
    assert refused(case, table(case, **decided), monkeypatch) == f"the limit {name}"


RULES: list[tuple[str, dict[str, Any], dict[str, dict[int, float]]]] = [
    ('grid.feed_in = "none"', {"feed_in": "none"}, {"sun_to_grid": {1: 0.5}}),
    ('grid.feed_in = "none"', {"feed_in": "none"}, {"battery_to_grid": {2: 0.5}}),
    ("grid.battery_feed_in = false", {"battery_feed_in": False}, {"battery_to_grid": {2: 0.5}}),
    ("the charging taper", {"taper_hours": 3.0}, {"grid_to_battery": {0: 2.0}}),
    ("the charging taper", {"taper_hours": 3.0}, {"sun_to_battery": {1: 2.0}}),
    ("the empty level", {"empty_kwh": 3.0}, {"battery_to_load": {2: 1.0, 0: 1.0}}),
    ("the ceiling level", {"ceiling_kwh": 6.0}, {"grid_to_battery": {0: 1.2}}),
    ("the closing level", {"closing_kwh": 5.0}, {}),
    ("not charging and discharging at once", {}, {"grid_to_battery": {2: 0.5}, "battery_to_load": {2: 0.5}}),
    ("not charging and discharging at once", {}, {"sun_to_battery": {1: 0.5}, "battery_to_load": {1: 0.5}}),
    ("not charging and discharging at once", {}, {"sun_to_battery": {1: 0.5}, "battery_to_grid": {1: 0.5}}),
]


@pytest.mark.parametrize(("name", "limits", "decided"), RULES)
def test_a_rule_is_refused_where_only_it_is_broken(
    name: str, limits: dict[str, Any], decided: dict[str, dict[int, float]], monkeypatch: pytest.MonkeyPatch
) -> None:
    case = home(**limits)
    # what feeds in serves the rest of the house, so that no rule of the meter is touched
    case = replace(case, other_kwh=np.full(4, 1.0))
    assert refused(case, table(case, **decided), monkeypatch) == name


def test_the_floor_is_refused_where_only_it_is_broken(monkeypatch: pytest.MonkeyPatch) -> None:
    case = replace(home(), floor_kwh=np.array([4.0, 4.0, 4.999, 4.0]))
    assert refused(case, table(case), monkeypatch) == "the reserve floor"
    made(case, table(case, floor_shortfall={2: 0.1}))
    made(case, table(case), uses_battery=False)


@pytest.mark.parametrize("way", ["grid_to_battery", "sun_to_battery"])
def test_charging_in_the_cold_is_refused_where_only_it_is_broken(
    way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = replace(home(), may_charge=np.array([True, False, True, True]))
    assert refused(case, table(case, **{way: {1: 0.1}}), monkeypatch) == "surroundings.no_charging_below_c"
    # what self-discharge takes of a full battery in that hour, 10 Wh, may be made good
    made(case, table(case, **{way: {1: 0.0105}}))


@pytest.mark.parametrize(
    ("rule", "changes"),
    [
        ("the meter balance", {"import": 0.1}),
        ("the load balance", {"grid_to_load": 0.1, "import": 0.1}),
        ("the sun balance", {"spill": 0.1}),
        ("the storage balance", {"stored": 0.1}),
    ],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_a_balance_is_refused_where_only_it_is_broken(
    rule: str, changes: dict[str, float], sign: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = home()
    flow = table(case, sun_to_load={1: 0.5})
    for name, kwh in changes.items():
        flow[name] = flow[name] + sign * np.array([0.0, kwh, 0.0, 0.0])
        if name == "stored":  # a level that is wrong throughout is wrong once
            flow[name][2:] += sign * kwh * 0.999 ** np.arange(1, 3)
    assert refused(case, flow, monkeypatch) == rule


@pytest.mark.parametrize("name", [name for name in DECIDED if name != "sun_to_load"])
def test_a_flow_below_nothing_is_refused(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    case = home()
    flow = table(case, sun_to_load={1: 0.5}, **{name: {1: -0.01}})
    assert refused(case, flow, monkeypatch) == f"{name}_kwh ≥ 0"


@pytest.mark.parametrize(
    ("name", "decided"),
    [
        ("grid_to_load", {"sun_to_load": {1: 1.0}}),
        ("sun_to_load", {"sun_to_load": {1: -0.1}}),
        ("spill", {"sun_to_load": {1: 0.5}, "sun_to_battery": {1: 3.6}}),
    ],
)
def test_what_the_balances_leave_may_not_be_below_nothing_either(
    name: str, decided: dict[str, dict[int, float]], monkeypatch: pytest.MonkeyPatch
) -> None:
    case = home()
    assert refused(case, table(case, **decided), monkeypatch) == f"{name}_kwh ≥ 0"


@pytest.mark.parametrize("name", ["import", "export"])
def test_a_meter_runs_one_way_and_not_below_nothing(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    case = home()
    for both, rule in ((0.1, "not importing and exporting at once"), (-0.1, f"{name}_kwh ≥ 0")):
        flow = table(case, sun_to_grid={1: 4.0})
        step = 1 if name == "import" else 0  # where the meter runs the other way
        for meter in ("import", "export"):
            flow[meter][step] += both
        assert refused(case, flow, monkeypatch) == rule


@pytest.mark.parametrize(
    ("rule", "changes"), [("the meter balance", {"import": 0.1}), ("the load balance", {"grid_to_load": 0.1})]
)
def test_a_home_without_the_system_has_two_rules(
    rule: str, changes: dict[str, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = grid_only(home())
    flow = {name.removesuffix("_kwh"): plain.frame[name].to_numpy(copy=True) for name in COLUMNS}
    made(plain.case, flow, has_system=False, uses_battery=False)
    for name, kwh in changes.items():
        flow[name][2] += kwh
    assert refused(plain.case, flow, monkeypatch, has_system=False, uses_battery=False) == rule


def test_the_check_is_as_sharp_as_it_says() -> None:
    case = home()
    assert TOLERANCE_KWH == 1e-6
    for kwh, passes in ((0.9e-6, True), (1.1e-6, False)):
        flow = table(case)
        flow["import"][0] += kwh
        if passes:
            made(case, flow)
        else:
            with pytest.raises(FlowsError, match="the meter balance"):
                made(case, flow)


@pytest.mark.parametrize("name", [name.removesuffix("_kwh") for name in COLUMNS])
def test_no_number_is_no_answer(name: str) -> None:
    case = home()
    flow = table(case)
    flow[name][2] = np.nan
    with pytest.raises(FlowsError, match=" broken by nan"):
        made(case, flow)


def test_what_is_owed_up_to_and_what_only_the_battery_can_do_passes() -> None:
    case = home(import_limit_kw=1.02)
    made(case, table(case, import_excess={2: 0.2}))
    # around a full bypass the battery is the grid's only other way to the load
    full = home(bypass_kw=0.72)
    to_load = {step: (need - 0.72) / 0.92 for step, need in enumerate((1.02, 0.82, 1.22, 1.02))}
    made(full, table(full, battery_to_load=to_load, grid_to_battery={2: 0.3}))
    with pytest.raises(FlowsError, match="charging and discharging at once"):
        made(full, table(full, battery_to_load=to_load, sun_to_battery={1: 0.3}))
    made(home(closing_kwh=5.0), table(home()), closing_shortfall_kwh=0.1)
