"""A few small homes, all different, and a folder of them: what the tests of fleets run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from homes.small_home import small_home

if TYPE_CHECKING:
    from pathlib import Path

    from homes.drafts import Draft


def different_homes() -> dict[str, Draft]:
    """Homes that differ in all that a batch stacks, and in what keeps homes apart."""
    return {
        "plain": small_home(),
        "no-sun": small_home(sun=False, battery={"pack_count": 1}),
        "small-charger": small_home(
            charging={"grid_w": 300, "ac_input_w": 2900}, backup={"target_hours": 6.0}
        ),
        "no-taper": small_home(battery={"taper_hours": 0.0, "pack_kwh": 1.7}, reserve={"percent": 45}),
        "leaks": small_home(
            battery={"self_discharge_per_hour_fraction": 0.004}, grid={"import_limit_kw": 3.5}
        ),
        "sells": small_home(
            grid={"feed_in": "grid", "export_limit_kw": 1.2}, inverter={"efficiency_fraction": 0.9}
        ),
        "battery-sells": small_home(grid={"feed_in": "house", "battery_feed_in": True}),
        "whole-load": small_home(inverter={"switches_whole_load": True, "continuous_w": 1200}),
        "no-target": small_home(backup={"target_hours": None}, reserve={"percent": 40}),
        "out-of-reach": small_home(backup={"target_hours": 60.0}, critical_load={"watts": 900}),
        "once": small_home(repeats=False, battery={"start": {"percent": 35}}),
        "raised": small_home(
            reserve={
                "percent": 30,
                "raised": [
                    {"clock_from": "17:00", "clock_to": "21:00", "percent": 55, "dates": ["2025-11-02"]}
                ],
            }
        ),
        "quarter-hours": small_home(days=2, step_minutes=15),
        "yen": small_home(
            currency="JPY", money=110.0, zone="Asia/Tokyo", settings={"level_step_percent": 10}
        ),
        "cold": small_home(surroundings={"monthly_c": [-9.0] * 12, "no_charging_below_c": 0.0}),
    }


def write_homes(folder: Path, names: tuple[str, ...]) -> Path:
    """Write some of them as a fleet's folder; return it."""
    homes = different_homes()
    for name in names:
        homes[name].write(folder / name)
    return folder
