"""Filling up again: by the trade's rules, by hand, and within the program's own limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pytest
from homes.small_home import small_home

from dispatch.outages.island import Island
from dispatch.outages.recharge import FULL_FRACTION, recharge, recharges

if TYPE_CHECKING:
    from dispatch.case.case import Case

LOSSLESS = {
    "depth_of_discharge_fraction": 1.0,
    "charger_efficiency_fraction": 1.0,
    "solar_charge_efficiency_fraction": 1.0,
    "discharge_efficiency_fraction": 1.0,
    "self_discharge_per_hour_fraction": 0.0,
}


def bare(pack_kwh: float, charge_w: float, taper_hours: float, **sections: Any) -> Case:  # noqa: ANN401
    """Nothing but a battery and its charger: no load, no losses."""
    home = small_home(
        sun=False,
        battery={
            **LOSSLESS,
            "pack_kwh": pack_kwh,
            "pack_count": 1,
            "taper_hours": taper_hours,
            "start": None,
        },
        charging={"grid_w": charge_w, "combined_w": None},
        inverter={"idle_on_w": 0, "bypass_w": 9000, "efficiency_fraction": 1.0},
        critical_load={"watts": 0},
        other_load=None,
        reserve=None,
        **sections,
    )
    settings = {key: value for key, value in home.settings.items() if key != "load"}
    battery = {key: value for key, value in settings["battery"].items() if value is not None}
    charging = {key: value for key, value in settings["charging"].items() if value is not None}
    settings |= {"load": {"watts": 0}, "battery": battery, "charging": charging}
    return type(home)(settings, home.tariff, home.times, home.columns).case()


@pytest.mark.parametrize(
    ("capacity_kwh", "charge_w", "least", "most"), [(3.072, 3000, 1.52, 2.02), (12.288, 5400, 2.78, 3.28)]
)
def test_recharge_by_the_trades_rule(capacity_kwh: float, charge_w: float, least: float, most: float) -> None:
    # common practice, no source: capacity / charging power + 0.5 to 1 h of trickle
    found = recharge(bare(capacity_kwh, charge_w, 0.35), "grid", 0, 0.0)
    assert found.hours is not None
    assert least <= found.hours <= most


@pytest.mark.parametrize(
    ("capacity", "kw", "tau"), [(3.072, 3.0, 0.35), (12.288, 5.4, 0.35), (10.0, 2.0, 1.2)]
)
def test_constant_power_then_an_exponential_tail(capacity: float, kw: float, tau: float) -> None:
    # derived: constant power until the room left is power x tau, then the room shrinks by exp(-t/tau)
    found = recharge(bare(capacity, kw * 1000, tau), "grid", 0, 0.0)
    assert found.hours == pytest.approx(
        capacity / kw - tau + tau * math.log(kw * tau / (0.01 * capacity)), abs=1 / 30
    )
    assert found.plug_kwh == pytest.approx(FULL_FRACTION * capacity, abs=1e-6)


def test_without_taper_it_is_energy_over_power() -> None:
    # derived: h = Wh x depth / (power x efficiency)
    found = recharge(bare(5.0, 1000, 0.0), "grid", 0, 1.0)
    assert found.hours == pytest.approx((0.99 * 5.0 - 1.0) / 1.0, abs=1e-9)


def test_the_plain_step_of_the_program_is_no_slower() -> None:
    """Fine pieces can only lengthen what one long step allows: there power lasts until the taper takes over."""
    case = bare(3.072, 3000, 0.35)
    found = recharge(case, "grid", 0, 0.0)
    assert found.hours is not None
    one_step = min(3.0 * case.dt_hours, 3.072 * (1 - math.exp(-case.dt_hours / 0.35)))
    follow = recharge(case, "grid", 0, one_step)
    assert follow.hours is not None
    assert found.hours >= follow.hours + case.dt_hours - 1e-9


def test_the_load_and_the_cord_leave_less_for_the_charger() -> None:
    free = bare(5.0, 1000, 0.0)
    assert recharge(free, "grid", 0, 1.0).hours == pytest.approx(3.95)
    # 600 W of load through a cord of 1,000 W leave 400 W
    home = bare(5.0, 1000, 0.0)
    settings = home.scenario.model_dump(exclude_none=True)
    assert settings["load"] == {"watts": 0.0}
    loaded = small_home(
        sun=False,
        battery={**LOSSLESS, "pack_kwh": 5.0, "pack_count": 1, "taper_hours": 0.0},
        charging={"grid_w": 1000, "ac_input_w": 1000, "combined_w": 1000},
        inverter={"idle_on_w": 0, "efficiency_fraction": 1.0},
    )
    plain = {key: value for key, value in loaded.settings.items() if key != "load"}
    cord = type(loaded)({**plain, "load": {"watts": 600}}, loaded.tariff, loaded.times, loaded.columns).case()
    assert recharge(cord, "grid", 0, 1.0).hours == pytest.approx(3.95 / 0.4)


def test_sun_and_both_and_generator() -> None:
    engine = {"continuous_w": 700, "sine_wave": True, "litres_per_kwh": 0.5, "price_per_litre": 1.5}
    case = small_home(generator=engine).case()
    found = {row.source: row for row in recharges(case, 0, case.limits.empty_kwh)}
    assert list(found) == ["grid", "sun", "grid and sun", "generator"]
    hours = {name: row.hours for name, row in found.items()}
    assert None not in hours.values()
    assert hours["grid and sun"] <= min(hours["grid"], hours["sun"])  # type: ignore[operator, type-var]
    assert (found["sun"].plug_kwh, found["grid"].sun_kwh) == (0.0, 0.0)
    made = found["generator"]
    # 700 W less 240 W of critical load and 26 W of idle draw charge the battery
    gain = (0.700 - 0.266) * 0.94
    assert made.hours == pytest.approx(
        (made.to_kwh - made.from_kwh) / gain, rel=0.03
    )  # and the taper at the end
    assert made.generator_hours == pytest.approx(made.hours)
    assert made.litres == pytest.approx(0.5 * (made.plug_kwh + 0.266 * made.generator_hours), rel=1e-9)
    assert made.fuel_cost == pytest.approx(1.5 * made.litres)


def test_what_cannot_be_reached_in_a_week_is_none() -> None:
    assert recharge(bare(5.0, 10, 0.0), "grid", 0, 0.0).hours is None


def test_a_generator_the_charger_must_not_be_fed_from_is_left_out() -> None:
    engine = {"continuous_w": 700, "sine_wave": False, "litres_per_kwh": 0.5}
    case = small_home(generator=engine).case()
    assert [row.source for row in recharges(case, 0, 1.0)] == ["grid", "sun", "grid and sun"]
    assert Island(case).fuelled is None
    with pytest.raises(ValueError, match="no generator"):
        recharge(case, "generator", 0, 1.0)


def test_the_tank_ends_it() -> None:
    engine = {"continuous_w": 700, "sine_wave": True, "litres_per_kwh": 0.5, "tank_litres": 0.35}
    case = small_home(generator=engine, battery={"taper_hours": 0.0}).case()
    found = recharge(case, "generator", 0, case.limits.empty_kwh)
    # 0.35 l at 0.35 l an hour (all 700 W are taken): one hour, 434 W of them into the charger
    assert found.hours is None
    assert found.tank_empty_hours == pytest.approx(1.0)
    assert (found.litres, found.generator_hours) == pytest.approx((0.35, 1.0))
    assert found.reached_kwh == pytest.approx(case.limits.empty_kwh + 0.434 * 0.94)


def test_the_sun_serves_the_load_first_unless_the_strategy_charges_first() -> None:
    home = small_home(battery={"taper_hours": 0.0}).changed(load=None).changed(load={"watts": 400})
    case = home.case()
    rows = {goes: recharge(case, "sun", 11, 3.0, sun_goes=goes) for goes in ("load", "battery")}
    # 11:00 on the first day: the sun of that step, all of it or less the 426 W of load through the inverter
    sun_kw = float(case.sun_kwh[11])
    assert sun_kw > 0.7
    first = recharge(case, "sun", 11, 4.5)
    assert first.hours == pytest.approx((0.99 * 4.6 - 4.5) / (0.97 * (min(sun_kw, 9) - 0.426 / 0.92)))
    straight = recharge(case, "sun", 11, 4.5, sun_goes="battery")
    assert straight.hours == pytest.approx((0.99 * 4.6 - 4.5) / (0.97 * sun_kw))
    assert rows["battery"].hours < rows["load"].hours  # type: ignore[operator]
