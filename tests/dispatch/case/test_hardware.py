"""What the parts allow: levels in kWh, charging limits by pack count, clipping, what a load may reach."""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
import pytest
from homes.home_files import SCENARIO
from hypothesis import assume, given
from hypothesis import strategies as st

from dispatch.case.limits import Limits, clip_sun, resolve_limits, serving_limit_kw
from dispatch.errors import ScenarioError
from dispatch.scenario.model import Scenario


def home(**sections: dict[str, Any]) -> Scenario:
    """The sample home with settings replaced, or removed where the value is None."""
    data = tomllib.loads(SCENARIO)
    for name, settings in sections.items():
        data[name] = {key: value for key, value in {**data[name], **settings}.items() if value is not None}
    return Scenario.model_validate(data)


def test_limits_of_the_sample_home() -> None:
    # by hand: 2 packs of 2.9 kWh, 95 % usable, 55 % start, 90 % ceiling
    limits = resolve_limits(home())
    assert limits.full_kwh == pytest.approx(5.8)
    assert limits.empty_kwh == pytest.approx(0.29)
    assert limits.start_kwh == pytest.approx(3.19)
    assert limits.closing_kwh == 3.0
    assert limits.ceiling_kwh == pytest.approx(5.22)
    assert (limits.grid_charge_kw, limits.total_charge_kw, limits.solar_input_kw) == (1.25, 2.3, 1.9)
    assert (limits.inverter_kw, limits.bypass_kw, limits.ac_input_kw, limits.surge_kw) == (3.3, 4.1, 3.9, 6.6)
    assert (limits.import_limit_kw, limits.export_limit_kw) == (11.5, 3.5)
    assert (limits.eta_inverter, limits.eta_charger, limits.eta_dc, limits.eta_discharge) == (
        0.91,
        0.93,
        0.98,
        0.97,
    )
    assert (limits.self_discharge_per_hour, limits.wear_per_kwh, limits.taper_hours) == (0.00005, 0.03, 0.6)
    assert (limits.idle_on_kw, limits.idle_off_kw, limits.backup_horizon_hours) == (0.041, 0.007, 96)
    assert (limits.feed_in, limits.battery_feed_in, limits.switches_whole_load) == ("grid", True, False)


def test_levels_left_out() -> None:
    none = {"start": None, "closing": None, "ceiling": None}
    limits = resolve_limits(home(battery=none))
    assert limits.ceiling_kwh == limits.full_kwh
    assert limits.start_kwh == limits.closing_kwh == pytest.approx((0.29 + 5.8) / 2)  # halfway from empty
    limits = resolve_limits(home(battery={**none, "ceiling": {"percent": 80}}))
    assert limits.start_kwh == limits.closing_kwh == pytest.approx((0.29 + 0.8 * 5.8) / 2)
    limits = resolve_limits(home(battery={**none, "start": {"kwh": 2.0}}))
    assert (limits.start_kwh, limits.closing_kwh) == (2.0, 2.0)


def test_limits_left_out_are_none() -> None:
    limits = resolve_limits(
        home(
            inverter={"bypass_w": None, "surge_w": None},
            charging={"ac_input_w": None},
            grid={"import_limit_kw": None, "export_limit_kw": None},
        )
    )
    missing = (
        limits.bypass_kw,
        limits.surge_kw,
        limits.ac_input_kw,
        limits.import_limit_kw,
        limits.export_limit_kw,
    )
    assert missing == (None,) * 5


@pytest.mark.parametrize(
    ("packs", "combined_w", "expected_kw"),
    [(1, [1100, 2300], 1.1), (2, [1100, 2300], 2.3), (1, 900, 0.9), (7, 900, 0.9), (3, None, 1.25 + 1.9)],
)
def test_combined_charging_by_pack_count(packs: int, combined_w: object, expected_kw: float) -> None:
    levels = {"start": None, "closing": None, "ceiling": None}
    scenario = home(battery={"pack_count": packs, **levels}, charging={"combined_w": combined_w})
    assert resolve_limits(scenario).total_charge_kw == pytest.approx(expected_kw)


def test_one_pack_too_many() -> None:
    with pytest.raises(
        ScenarioError, match=r"^barn.toml: charging.combined_w: .* 1 to 2 packs.*pack_count = 3"
    ):
        resolve_limits(home(battery={"pack_count": 3}), "barn.toml")


def test_levels_at_the_edge_are_allowed() -> None:
    # 5 % is empty up to rounding: (1 - 0.95)·5.8 is not exactly 0.05·5.8 in floats
    limits = resolve_limits(home(battery={"start": {"percent": 5}, "closing": {"percent": 90}}))
    assert limits.start_kwh == limits.empty_kwh
    assert limits.closing_kwh == limits.ceiling_kwh


def test_without_sun_no_solar_input_is_needed() -> None:
    data = tomllib.loads(SCENARIO)
    del data["sun"], data["charging"]["solar_w"], data["charging"]["combined_w"]
    limits = resolve_limits(Scenario.model_validate(data))
    assert (limits.solar_input_kw, limits.total_charge_kw) == (0.0, 1.25)


def test_sun_is_clipped_per_step() -> None:
    limits = resolve_limits(home())
    half_hours = clip_sun(np.array([0.0, 0.94, 0.95, 0.96, 4.0]), limits, 0.5)
    assert half_hours.tolist() == pytest.approx([0.0, 0.94, 0.95, 0.95, 0.95])


@pytest.mark.parametrize(
    ("bypass_w", "ac_input_w", "whole", "expected_kw"),
    [
        (4100, 3900, False, 3.9 + 3.3),
        (4100, 5000, False, 4.1 + 3.3),
        (4100, None, False, 4.1 + 3.3),
        (None, 3900, False, 3.9 + 3.3),
        (None, None, False, np.inf),
        (4100, 3900, True, 3.9),
        (2000, 3900, True, 3.3),
        (None, None, True, np.inf),
    ],
)
def test_what_bypass_and_inverter_carry(
    bypass_w: float | None, ac_input_w: float | None, whole: bool, expected_kw: float
) -> None:
    scenario = home(
        inverter={"bypass_w": bypass_w, "switches_whole_load": whole}, charging={"ac_input_w": ac_input_w}
    )
    assert serving_limit_kw(resolve_limits(scenario)) == pytest.approx(expected_kw)


part = st.floats(0.0, 1.0)


@st.composite
def batteries(draw: st.DrawFn) -> dict[str, Any]:
    """Batteries whose levels lie where they may: the ceiling above empty, the others between."""
    depth, ceiling_part = draw(st.floats(0.05, 1.0)), draw(st.floats(0.01, 1.0))
    lowest = 100.0 * (1.0 - depth)
    ceiling = min(lowest + ceiling_part * (100.0 - lowest), 100.0)
    levels = {name: lowest + draw(part) * (ceiling - lowest) for name in ("start", "closing")}
    return {
        "pack_kwh": draw(st.floats(0.1, 50)),
        "pack_count": draw(st.integers(1, 9)),
        "depth_of_discharge_fraction": depth,
        **{name: {"percent": min(value, 100.0)} for name, value in {"ceiling": ceiling, **levels}.items()},
    }


@given(batteries())
def test_levels_in_range_are_accepted_and_ordered(battery: dict[str, Any]) -> None:
    limits = resolve_limits(home(battery=battery, charging={"combined_w": 500}))
    assert limits.full_kwh == pytest.approx(battery["pack_kwh"] * battery["pack_count"])
    assert 0.0 <= limits.empty_kwh < limits.ceiling_kwh <= limits.full_kwh
    for level_kwh in (limits.start_kwh, limits.closing_kwh):
        assert limits.empty_kwh <= level_kwh <= limits.ceiling_kwh


@given(batteries(), st.sampled_from(["start", "closing"]), st.floats(0.1, 100.0), st.booleans())
def test_levels_out_of_range_are_refused(
    battery: dict[str, Any], name: str, beyond_kwh: float, above: bool
) -> None:
    full_kwh = battery["pack_kwh"] * battery["pack_count"]
    edge_kwh = full_kwh * (battery["ceiling"]["percent"] / 100.0)
    level_kwh = edge_kwh + beyond_kwh
    if not above:
        level_kwh = full_kwh * (1.0 - battery["depth_of_discharge_fraction"]) - beyond_kwh
        assume(level_kwh >= 0.0)
    with pytest.raises(ScenarioError, match=rf"battery\.{name}: .* is out of range"):
        resolve_limits(home(battery={**battery, name: {"kwh": level_kwh}}, charging={"combined_w": 500}))


def test_limits_name_what_the_json_document_promises() -> None:
    promised = """full_kwh empty_kwh start_kwh closing_kwh grid_charge_kw total_charge_kw inverter_kw bypass_kw
    import_limit_kw export_limit_kw eta_inverter eta_charger eta_dc eta_discharge self_discharge_per_hour
    wear_per_kwh ac_input_kw ceiling_kwh taper_hours backup_horizon_hours feed_in battery_feed_in"""
    assert set(promised.split()) <= set(Limits.__dataclass_fields__)
