"""Which strategy is recommended, for what stated reason: each of the three once, and none where none can be."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from homes.drafts import Draft

from dispatch import compare
from dispatch.comparison.recommendation import recommend, share_meeting
from dispatch.strategies.table import CHOICES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dispatch.comparison.compare import Comparison

DAYS = 4


def home(
    *,
    target_hours: float | None = None,
    share: float = 1.0,
    night_price: float = 0.1,
    **sections: Mapping[str, Any] | None,
) -> Draft:
    """A home with 4 h of critical load in its battery, sun by day and a dear evening."""
    times = pd.date_range("2025-05-05", periods=24 * DAYS, freq="h", tz="Europe/Berlin")
    hour = times.hour.to_numpy()
    backup = (
        {} if target_hours is None else {"target_hours": target_hours, "share_of_instants_fraction": share}
    )
    return Draft(
        settings={
            "name": "four days",
            "tariff": "tariff.toml",
            "site": {"time_zone": "Europe/Berlin", "currency": "EUR"},
            "load": {"csv": "series.csv", "column": "load_kw"},
            "critical_load": {"watts": 450},
            "battery": {
                "pack_kwh": 2.5,
                "pack_count": 1,
                "depth_of_discharge_fraction": 0.8,
                "charger_efficiency_fraction": 0.9,
                "solar_charge_efficiency_fraction": 0.95,
                "discharge_efficiency_fraction": 1.0,
                "wear_per_kwh": 0.01,
                "start": {"percent": 100},
            },
            "inverter": {"continuous_w": 2000, "efficiency_fraction": 0.9, "idle_on_w": 0},
            "charging": {"grid_w": 900, "solar_w": 1500},
            "sun": {"csv": "series.csv", "column": "sun_kw"},
            "backup": backup,
            **sections,
        },
        tariff={
            "name": "two prices",
            "currency": "EUR",
            "bands": {
                "day": {"import_price_per_kwh": 0.4},
                "night": {"import_price_per_kwh": night_price},
            },
            "windows": [
                {"band": "day", "from": "06:00", "to": "22:00"},
                {"band": "night", "from": "22:00", "to": "06:00"},
            ],
        },
        times=times,
        columns={
            "load_kw": np.where(hour >= 17, 0.8, 0.2),
            "sun_kw": np.where((hour >= 10) & (hour < 15), 1.1, 0.0),
        },
    )


def compared(draft: Draft) -> Comparison:
    return compare(draft.case())


def test_without_a_target_the_cheapest_of_the_three_is_recommended() -> None:
    comparison = compared(home())
    chosen = comparison.recommendation.strategy
    assert chosen == min(CHOICES, key=lambda name: comparison[name].burden)
    assert "no backup target" in comparison.recommendation.reason


def test_solar_first_where_the_night_is_hardly_cheaper_and_the_sun_fills_the_battery() -> None:
    recommendation = compared(home(night_price=0.38)).recommendation
    assert recommendation.strategy == "solar-first"


def test_off_peak_first_where_the_night_is_cheap_and_there_is_no_sun() -> None:
    recommendation = compared(home(sun=None)).recommendation
    assert recommendation.strategy == "off-peak-first"


def test_reserve_first_where_only_a_full_battery_meets_the_target() -> None:
    comparison = compared(home(target_hours=4.0))
    recommendation = comparison.recommendation
    assert recommendation.strategy == "reserve-first"
    assert recommendation.runner_up is None
    assert comparison["off-peak-first"].burden < comparison["reserve-first"].burden
    assert "off-peak-first would be cheaper but leaves as little as" in recommendation.reason
    assert "never leaves less than 4 hours" in recommendation.reason


def test_none_where_the_battery_cannot_hold_the_target() -> None:
    comparison = compared(home(target_hours=4.5))
    recommendation = comparison.recommendation
    assert recommendation.strategy is None
    assert "no strategy keeps 4.5 hours of backup at every instant" in recommendation.reason
    assert "reserve-first comes closest with 4.0 h" in recommendation.reason
    assert "add packs" in recommendation.reason


def test_a_share_of_instants_is_a_weaker_target() -> None:
    draft = home(target_hours=4.0, share=0.5)
    comparison = compared(draft)
    chosen = comparison.recommendation.strategy
    assert chosen is not None
    assert share_meeting(comparison.case, comparison[chosen]) >= 0.5
    runs = comparison.as_set
    meeting = [name for name in CHOICES if share_meeting(comparison.case, runs[name]) >= 0.5]
    assert chosen == min(meeting, key=lambda name: runs[name].burden)


def test_a_strategy_that_cannot_serve_is_never_recommended() -> None:
    # 0.8 kW evenings through a 0.5 kW bypass: without the battery's help 0.3 kW go dark
    draft = home(inverter={"continuous_w": 2000, "efficiency_fraction": 0.9, "idle_on_w": 0, "bypass_w": 500})
    comparison = compared(draft)
    assert comparison["reserve-first"].status == "cannot serve"
    assert comparison["reserve-first"].unserved_kwh == pytest.approx(0.3 * 7 * DAYS, abs=1e-6)
    planned = recommend(comparison.case, comparison.strategies)
    assert planned.strategy in {"solar-first", "off-peak-first"}
    # an inverter that cannot see the evening coming has spent the energy by then: nothing to recommend as set
    assert {run.status for run in comparison.as_set.values()} == {"cannot serve"}
    assert comparison.recommendation.strategy is None
    worst = comparison["reserve-first"].shortfalls[0]
    assert (worst.kind, worst.first.hour, worst.hours) == ("unserved_load", 17, 7.0 * DAYS)


def test_none_where_every_strategy_leaves_load_dark() -> None:
    draft = home(
        inverter={"continuous_w": 800, "efficiency_fraction": 0.9, "idle_on_w": 0, "bypass_w": 100},
        charging={
            "grid_w": 0,
            "solar_w": 1500,
        },  # nothing refills what the narrow bypass leaves to the battery
        sun=None,
    )
    comparison = compared(draft)
    assert {comparison[name].status for name in CHOICES} == {"cannot serve"}
    assert comparison.recommendation.strategy is None
    assert "none of the strategies can serve" in comparison.recommendation.reason
